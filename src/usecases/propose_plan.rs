//! Proposing a maintenance plan: loading what is known, searching, and keeping
//! what was found. Nothing on the calendar changes.

use super::keep::{self, Managed, Precondition};
pub(crate) use super::plan_snapshot::Named;
use super::plan_snapshot::{self, Loaded, Weigh, place_of};
use super::situation::{all_windows, box_view};
use super::under_way::{Kind, Report};
use super::{App, Error, Lookup, Result, Tx, book, parts};
use crate::clock::{Halt, Until, fresh_id};
use crate::domain::access::Actor;
use crate::domain::booking::{Booking, Busy, Owner, Progress, Why};
use crate::domain::calendar::Interval;
use crate::domain::facility::{Glovebox, ParseContext, Person, Scope as Permission, Stored};
use crate::domain::ids::{DueItemId, ThingId, VisitId};
use crate::domain::planning::record::{Elsewhere, OtherPlace, ProposedPlan, Scope};
use crate::domain::planning::snapshot::Forbid;
use crate::domain::planning::{Budget, Place, Plan, propose};
use crate::domain::violations::Violations;
use crate::store::bookings::Wanted;
use crate::store::kept::Kept as _;
use crate::store::{bookings, events, off_thread};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use uuid::Uuid;

/// The longest stretch of time that one plan is about.
pub(crate) const LONGEST_HORIZON: TimeDelta = TimeDelta::days(92);

/// From now to the first visit unless told otherwise.
pub(crate) const LEAD: TimeDelta = TimeDelta::hours(1);

/// How long a stretch of time a plan is about unless told otherwise.
pub(crate) const USUAL_HORIZON: TimeDelta = TimeDelta::days(28);

/// The most bookings that give way for which other places are looked for.
const MOST_REHOUSED: usize = 100;

/// Who may see plans and make them.
pub(super) const MAY: &[Permission] = &[Permission::PlansManage];

impl Managed for ProposedPlan {
    const SEE: &'static [Permission] = MAY;
    const CHANGE: &'static [Permission] = MAY;
}

/// A time kept free, with the place as the part it was named by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Free {
    /// The due item it concerns; `None` for every one.
    pub(crate) task: Option<DueItemId>,
    /// The box, supply or room it concerns; `None` for every one.
    pub(crate) place: Option<ThingId>,
    /// The time.
    pub(crate) interval: Interval,
}

/// What a plan is asked for, as parsed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Asked {
    /// All but the times kept free.
    pub(crate) scope: Scope,
    /// Times kept free besides those of the scope.
    pub(crate) free: Vec<Free>,
    /// The due items that are named.
    pub(crate) named: Vec<Named>,
    /// How long to search at most.
    pub(crate) time: Duration,
}

/// What is ready to be searched.
#[derive(Debug)]
pub(crate) struct Prepared {
    scope: Scope,
    loaded: Loaded,
    time: Duration,
    now: DateTime<Utc>,
}

/// Loads what bears on a plan that is asked for.
pub(crate) fn prepare(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    based_on: Option<Uuid>,
    parse: impl FnOnce(&mut dyn ParseContext, Option<&Scope>) -> Result<Asked, Violations>,
) -> Result<Prepared> {
    actor.needs_any(MAY)?;
    let earlier = based_on.map(|id| ProposedPlan::find(tx, id)).transpose()?.flatten();
    if let Some(id) = based_on.filter(|_| earlier.is_none()) {
        return Err(Error::invalid("based_on", "unknown_reference", format!("there is no plan {id}")));
    }
    let asked = Lookup::parse(tx, |context| parse(context, earlier.as_ref().map(|plan| &plan.value.scope)))?;
    plan_snapshot::check_named(tx, now, &asked.named)?;
    let mut scope = asked.scope;
    if !asked.free.is_empty() {
        let parts = parts::parts(tx)?;
        let forbid = |free: &Free| Forbid {
            task: free.task,
            place: free.place.map(|thing| place_of(&parts, thing).unwrap_or(Place::Elsewhere(thing))),
            interval: free.interval,
        };
        scope.request.forbids.extend(asked.free.iter().map(forbid));
    }
    let loaded = plan_snapshot::load(tx, now, &scope, Weigh::Openings)?;
    Ok(Prepared { scope, loaded, time: asked.time, now })
}

/// What searches share: one at a time, since each takes a core for seconds.
#[derive(Debug, Default)]
pub(super) struct Planner {
    taken: AtomicBool,
    stopping: Halt,
}

/// The planner's turn, given back when this is dropped, a panic included.
#[derive(Debug)]
pub(super) struct Turn(Arc<Planner>);

impl Drop for Turn {
    fn drop(&mut self) {
        self.0.taken.store(false, Ordering::Release);
    }
}

impl App {
    /// Breaks off the search under way, and any that begins later.
    pub fn stop_searching(&self) {
        self.planner.stopping.call();
    }

    /// Takes the planner's turn, unless somebody has it.
    pub(super) fn planner_turn(&self) -> Result<Turn> {
        let taken = self.planner.taken.swap(true, Ordering::Acquire);
        if taken { Err(Error::PlannerOccupied) } else { Ok(Turn(Arc::clone(&self.planner))) }
    }

    /// What is called when the process is about to end.
    pub(super) fn planner_halt(&self) -> Halt {
        self.planner.stopping.clone()
    }

    /// Searches for a plan; what is found is not kept yet. The search ends early
    /// when nobody waits for it any more.
    pub(crate) async fn search(&self, actor: &Actor, prepared: Prepared) -> Result<ProposedPlan> {
        let turn = self.planner_turn()?;
        let work = self.under_way().begin(Kind::Search(prepared.time), self.now());
        let stopping = self.planner_halt();
        let proposed_by = actor.subject.clone();
        let unwanted = Halt::default();
        let _asker = unwanted.when_dropped();
        off_thread(move || {
            // Both are given back when the search has ended, not when nobody waits for it.
            let _turn = turn;
            prepared.search(proposed_by, &[unwanted, stopping], work.report())
        })
        .await
    }
}

/// A budget of time that tells others how far the search is.
struct Watched {
    until: Until,
    far: Report,
}

impl Budget for Watched {
    fn spent(&mut self) -> bool {
        self.until.spent()
    }

    fn left(&self) -> Option<Duration> {
        self.until.left()
    }

    fn reached(&mut self, cost: i64, bound: i64) {
        self.far.reached(cost, bound);
    }
}

impl Prepared {
    /// How long is searched at most.
    pub(crate) const fn time(&self) -> Duration {
        self.time
    }

    /// Searches on this thread, unless a halt is called.
    pub(crate) fn search(self, proposed_by: String, halts: &[Halt], far: Report) -> Result<ProposedPlan> {
        let Self { scope, loaded, time, now } = self;
        let mut budget = Watched { until: Until::after(time).unless(halts), far };
        let found = propose(&loaded.snapshot, &scope.request, now, scope.seed, &mut budget);
        // What a search that was broken off says of what is possible is not to be relied on.
        if halts.iter().any(Halt::called) {
            return Err(Error::PlannerStopped);
        }
        let plan = found.map_err(Error::PlanImpossible)?;
        let basis = loaded.basis;
        Ok(ProposedPlan { scope, basis, plan, alternatives: Vec::new(), proposed_by, adopted: None })
    }
}

/// Where those could go whose bookings give way, with the plan adopted.
pub(crate) fn rehouse(tx: &mut Tx<'_>, now: DateTime<Utc>, plan: &Plan) -> Result<Vec<Elsewhere>> {
    let nobody = VisitId::from(Uuid::nil());
    let mut taken: Vec<Busy> = plan
        .visits
        .iter()
        .flat_map(|visit| &visit.claims)
        .map(|claim| Busy {
            resource: claim.resource,
            interval: claim.interval,
            why: Why::Upkeep,
            owner: Owner::Visit(nobody),
        })
        .collect();
    let mut displaced: Vec<_> =
        plan.visits.iter().flat_map(|visit| &visit.displaced).map(|one| one.booking).collect();
    displaced.sort_unstable();
    displaced.dedup();
    let windows = all_windows(tx)?;
    let mut found = Vec::new();
    for id in displaced.into_iter().take(MOST_REHOUSED) {
        let Some(booking) = Booking::find(tx, id.uuid())? else { continue };
        let person = Person::find(tx, booking.value.person.uuid())?;
        let glovebox = Glovebox::find(tx, booking.value.glovebox.uuid())?;
        let Some((person, glovebox)) = person.zip(glovebox) else { continue };
        let home = box_view(tx, &glovebox, &windows, booking.value.interval, Some(id))?;
        let request = booking.value.asked_anew();
        let mut other = book::alternatives(tx, now, &request, &person, (&home, Some(id)), &taken)?;
        let own = own_times(tx, &booking, now)?;
        other.retain(|one| own.iter().all(|time| !time.overlaps(&one.interval)));
        // What is offered first is kept for them while others are looked after.
        taken.extend(other.first().into_iter().flat_map(|first| {
            first.claims.iter().map(|claim| Busy {
                resource: claim.resource,
                interval: claim.interval,
                why: claim.why,
                owner: Owner::Booking(id),
            })
        }));
        let openings = other.into_iter().map(|one| OtherPlace {
            glovebox: one.glovebox,
            glovebox_tag: one.tag.to_string(),
            stations: one.stations.iter().map(ToString::to_string).collect(),
            interval: one.interval,
        });
        found.push(Elsewhere { booking: id, openings: openings.collect() });
    }
    Ok(found)
}

/// When the holder of a booking has others.
fn own_times(tx: &mut Tx<'_>, booking: &Stored<Booking>, now: DateTime<Utc>) -> Result<Vec<Interval>> {
    let own = Wanted {
        person: Some(booking.value.person),
        from: Some(now),
        progress: vec![Progress::Booked, Progress::InUse],
        ..Wanted::default()
    };
    let others = bookings::select(tx, &own, None, i64::MAX)?.into_iter().filter(|one| one.id != booking.id);
    Ok(others.map(|one| one.value.interval).collect())
}

/// Keeps a plan that was found.
pub(crate) fn save(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    proposed: &ProposedPlan,
) -> Result<Stored<ProposedPlan>> {
    save_as(tx, actor, now, fresh_id(), proposed)
}

/// Keeps a plan that was found, under an id that was made for it.
pub(super) fn save_as(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: Uuid,
    proposed: &ProposedPlan,
) -> Result<Stored<ProposedPlan>> {
    actor.needs_any(MAY)?;
    let stored = Stored { id, version: 1, created_at: now, updated_at: now, value: proposed.clone() };
    ProposedPlan::insert(tx, &stored)?;
    note(tx, actor, now, "maintenance_plan.created", &stored)?;
    Ok(stored)
}

/// Tells the world of a plan.
pub(super) fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    stored: &Stored<ProposedPlan>,
) -> Result<()> {
    let value = &stored.value;
    // A plan itself is kept as long as the events are, and is large; of the audit's
    // before and after, this is what changes.
    let adopted = value.adopted.as_ref().map(|adopted| json!({ "by": adopted.by, "at": adopted.at }));
    let before = if adopted.is_some() { json!({ "adopted": null }) } else { json!(null) };
    let body = json!({
        "before": before, "after": { "adopted": adopted },
        "version": stored.version, "from": value.scope.horizon.start(), "to": value.scope.horizon.end(),
        "visits": value.plan.visits.len(), "left_out": value.plan.unplaced.len(),
    });
    Ok(events::append(tx, now, kind, stored.id, &actor.subject, &body)?)
}

/// Throws a plan away that was not adopted.
pub(crate) fn discard(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: Uuid,
    precondition: &Precondition,
) -> Result<()> {
    let reference = crate::domain::names::Reference::Id(id);
    let current = keep::get::<ProposedPlan>(tx, actor, &reference)?;
    if current.value.adopted.is_some() {
        return Err(Error::WrongState("the plan was adopted; cancel its visits instead".to_owned()));
    }
    keep::remove::<ProposedPlan>(tx, actor, now, &reference, precondition)
}
