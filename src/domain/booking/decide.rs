//! Deciding on a request for one box: booked as asked, or everything that is
//! in the way.

use crate::domain::booking::claims::{Fitted, Owner, PlannedClaim, Why, fit};
use crate::domain::booking::record::{BookedWork, Caution, Status};
use crate::domain::booking::request::{BookingRequest, Places};
use crate::domain::booking::rules::{HoldView, RequesterView, SiteView, WALK_UP, broken_rules, group_of};
use crate::domain::booking::starts::{Starts, possible_starts};
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::{common, gaps};
use crate::domain::facility::{Glovebox, Policies};
use crate::domain::ids::{GloveboxId, StationId, ThingId, WindowId};
use crate::domain::names::Name;
use crate::domain::quantity::NormalLitres;
use crate::domain::violations::Violation;
use chrono::TimeDelta;

/// A stored claim.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Busy {
    /// The resource.
    pub resource: ThingId,
    /// From when to when.
    pub interval: Interval,
    /// Why.
    pub why: Why,
    /// What it belongs to.
    pub owner: Owner,
}

/// One occurrence of a maintenance window on a box.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WindowTime {
    /// The window.
    pub window: WindowId,
    /// Its name.
    pub name: String,
    /// From when to when.
    pub interval: Interval,
    /// Whether it is never bookable; otherwise bookings in it may have to give way.
    pub always: bool,
}

/// A box, as it stands over a span of time.
#[derive(Debug, Clone)]
pub struct BoxView {
    /// Its id.
    pub id: GloveboxId,
    /// The box.
    pub glovebox: Glovebox,
    /// Open holds.
    pub holds: Vec<HoldView>,
    /// Maintenance windows that touch the span.
    pub windows: Vec<WindowTime>,
    /// Claims on its parts that touch the span.
    pub busy: Vec<Busy>,
}

impl BoxView {
    /// Whether a hold closes that part, or the whole box.
    pub fn is_held(&self, part: ThingId) -> bool {
        self.holds.iter().any(|hold| hold.part.is_none_or(|held| held == part))
    }
}

/// What is in the way of a claim.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Blocker {
    /// Another claim.
    Claim {
        /// Why that claim stands.
        why: Why,
        /// What that claim belongs to.
        owner: Owner,
    },
    /// A maintenance window that is never bookable.
    Window {
        /// The window.
        window: WindowId,
        /// Its name.
        name: String,
    },
}

/// A time that is taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conflict {
    /// The resource, or the box for a maintenance window.
    pub resource: ThingId,
    /// When it is taken.
    pub interval: Interval,
    /// What the request wanted it for.
    pub wanted_for: Why,
    /// By what.
    pub blocker: Blocker,
}

/// A request granted: what to store.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// Its status.
    pub status: Status,
    /// The group it counts against.
    pub group: Option<Name>,
    /// Its claims.
    pub claims: Vec<PlannedClaim>,
    /// What is done, with every part settled.
    pub work: BookedWork,
    /// Gas for its turns and purge.
    pub gas_estimate: NormalLitres,
}

/// A request refused: every rule broken, and everything in the way.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Refused {
    /// Rules broken.
    pub violations: Vec<Violation>,
    /// Times taken.
    pub conflicts: Vec<Conflict>,
}

/// What could be in a request's way on a box: the parts that it may take, each with
/// the times; nothing where the work does not fit the box.
pub fn within_reach(
    request: &BookingRequest,
    glovebox: &Glovebox,
    policies: &Policies,
) -> Vec<(ThingId, Interval)> {
    let Ok(fitted) = fit(&request.work, request.interval, glovebox, policies) else { return Vec::new() };
    let claims = fitted.claims(request.interval.start(), &fitted.stations);
    claims.into_iter().map(|claim| (claim.resource, claim.interval)).collect()
}

/// Decides on a request for one box.
pub fn decide(
    request: &BookingRequest,
    site: &SiteView,
    requester: &RequesterView,
    on: &BoxView,
) -> Result<Decision, Refused> {
    let mut violations = broken_rules(request, site, requester, (on.id, &on.glovebox.tag), &on.holds);
    let fitted = match fit(&request.work, request.interval, &on.glovebox, &site.policies) {
        Ok(fitted) => fitted,
        Err(faults) => {
            violations.extend(faults);
            return Err(Refused { violations, conflicts: Vec::new() });
        }
    };
    let chosen = choose_stations(&fitted, request.interval, on);
    let claims = fitted.claims(request.interval.start(), &chosen);
    let held = |hold: &&HoldView| claims.iter().any(|claim| hold.part == Some(claim.resource));
    violations.extend(on.holds.iter().filter(held).map(|hold| hold.violation(&on.glovebox.tag)));
    let first = claims.iter().map(|claim| claim.interval.start()).min();
    if first.is_some_and(|first| first < site.now - WALK_UP) && request.interval.start() >= site.now - WALK_UP
    {
        let detail = "there is no time left for the antechamber turns before the work";
        violations.push(Violation::new("transfers_in", "no_time_for_transfer", detail));
    }
    let conflicts = conflicts(&claims, request.interval, on);
    if !(violations.is_empty() && conflicts.is_empty()) {
        return Err(Refused { violations, conflicts });
    }
    let mut work = fitted.booked(request, chosen);
    let gives_way = gives_way(&on.windows, request.interval);
    let status = if gives_way.is_some() { Status::Tentative } else { Status::Confirmed };
    work.cautions.extend(gives_way);
    Ok(Decision {
        status,
        group: group_of(request, &requester.person),
        claims,
        gas_estimate: fitted.gas,
        work,
    })
}

/// What to mind about work in a maintenance window that is held only when needed.
pub fn gives_way(windows: &[WindowTime], work: Interval) -> Option<Caution> {
    let window = windows.iter().find(|window| !window.always && window.interval.overlaps(&work))?;
    let text =
        format!("This lies in the maintenance window {:?} and gives way when upkeep needs it.", window.name);
    Some(Caution::new("may_give_way", text))
}

/// The first free stations, or the first of all where too few are free, so
/// that the conflicts name what is taken.
fn choose_stations(fitted: &Fitted, wanted: Interval, on: &BoxView) -> Vec<StationId> {
    let is_free = |id: StationId| {
        !on.is_held(id.into())
            && !on.busy.iter().any(|claim| claim.resource == id.into() && claim.interval.overlaps(&wanted))
    };
    let free: Vec<StationId> = fitted.stations.iter().copied().filter(|id| is_free(*id)).collect();
    let from = if free.len() >= fitted.places { &free } else { &fitted.stations };
    from.iter().copied().take(fitted.places).collect()
}

fn conflicts(claims: &[PlannedClaim], work: Interval, on: &BoxView) -> Vec<Conflict> {
    let windows = on.windows.iter().filter(|w| w.always && w.interval.overlaps(&work)).map(|w| Conflict {
        resource: on.id.into(),
        interval: w.interval,
        wanted_for: Why::Work,
        blocker: Blocker::Window { window: w.window, name: w.name.clone() },
    });
    let taken = claims.iter().flat_map(|claim| {
        on.busy
            .iter()
            .filter(|busy| busy.resource == claim.resource && busy.interval.overlaps(&claim.interval))
            .map(|busy| Conflict {
                resource: busy.resource,
                interval: busy.interval,
                wanted_for: claim.why,
                blocker: Blocker::Claim { why: busy.why, owner: busy.owner },
            })
    });
    windows.chain(taken).collect()
}

/// When hands may be in the gloves of a box, within `range`.
pub fn allowed_times(range: Interval, site: &SiteView, on: &BoxView) -> Vec<Interval> {
    if on.holds.iter().any(|hold| hold.part.is_none()) {
        return Vec::new();
    }
    let shut = site
        .closures
        .iter()
        .filter(|closure| closure.glovebox.is_none_or(|only| only == on.id))
        .map(|closure| closure.interval)
        .chain(on.windows.iter().filter(|window| window.always).map(|window| window.interval))
        .collect();
    common(&gaps(range, shut), &site.open)
}

/// What the request's work takes on a box, and the ranges of starts at which it fits there
/// within `range`; nothing where it never does.
pub fn openings(
    request: &BookingRequest,
    range: Interval,
    site: &SiteView,
    on: &BoxView,
    most: usize,
) -> Option<(Fitted, Vec<Starts>)> {
    let mut fitted = fit(&request.work, request.interval, &on.glovebox, &site.policies).ok()?;
    let named = !matches!(request.work.places, Places::Any(_));
    fitted.stations.retain(|id| named || !on.is_held((*id).into()));
    let needs_held = fitted.offsets.iter().filter(|o| o.why != Why::Purge).any(|o| on.is_held(o.resource))
        || fitted.stations.iter().any(|id| on.is_held((*id).into()));
    if needs_held || fitted.stations.len() < fitted.places {
        return None;
    }
    // What comes before the work must not have had to begin already.
    let before =
        fitted.offsets.iter().map(|offset| offset.from).min().unwrap_or_default().min(TimeDelta::zero());
    let ahead = Interval::new(range.start().max(site.now - before), range.end()).ok()?;
    let starts = possible_starts(&fitted, &allowed_times(ahead, site, on), &on.busy, most);
    Some((fitted, starts))
}
