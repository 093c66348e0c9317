//! One box as whoever looks after it wants to see it: how its levels went, what was
//! done on it, who has it and when, what is due on it, its gloves. One read.

use super::due_items::{self, KeptItem, Narrowed};
use super::holds::{self, ShownHold};
use super::ingest_readings::{self, Wanted as Readings};
use super::lives::{self, RuleLives};
use super::morning::standing;
use super::named::Names;
use super::run_booking::{self, Sight, Wanted};
use super::situation::person_of;
use super::visits::{self, Planned};
use super::{Result, Tx, keep};
use crate::domain::access::Actor;
use crate::domain::booking::{Owner, Progress, Why};
use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::{Glovebox, MeasuredQuantity, Site, Stored};
use crate::domain::ids::{BookingId, PersonId, ThingId, VisitId};
use crate::domain::names::{Reference, Word};
use crate::domain::planning::record::MaintenanceVisit;
use crate::domain::upkeep::due::start_of_day;
use crate::domain::upkeep::readings::{Bucket, Buckets};
use crate::domain::upkeep::standing::Standing;
use crate::domain::upkeep::{Outcome, UpkeepRule};
use crate::store::kept::Kept as _;
use crate::store::{claims, gloveboxes, rules, services, site};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;

/// How far ahead the timeline goes.
pub(crate) const AHEAD: TimeDelta = TimeDelta::days(7);
/// Levels are summed up over so many stretches, whatever time they cover.
const STRETCHES: i64 = 180;
/// More than a box has of anything.
const MOST: i64 = 1000;
/// The task of changing gloves.
const GLOVES: &str = "glove_change";

/// A box at a moment.
pub(crate) struct BoxSeen {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// The box.
    pub(crate) glovebox: Stored<Glovebox>,
    /// Tag of its room.
    pub(crate) room: Option<String>,
    /// Tags of all boxes, in order.
    pub(crate) all: Vec<String>,
    /// The holds open on it, oldest first.
    pub(crate) holds: Vec<ShownHold>,
    /// The time over which levels are shown.
    pub(crate) followed: Interval,
    /// How long the stretches are that they are summed up over.
    pub(crate) stretch: TimeDelta,
    /// Oxygen and water.
    pub(crate) levels: Vec<LevelSeen>,
    /// What was done on it and its parts over that time, in order of time.
    pub(crate) done: Vec<Done>,
    /// The time that the timeline covers.
    pub(crate) ahead: Interval,
    /// What occupies its parts over that time, part by part.
    pub(crate) lanes: Vec<LaneSeen>,
    /// What is due on it and its parts.
    pub(crate) due: Vec<KeptItem>,
    /// When what is due is planned to be done.
    pub(crate) planned: Planned,
    /// How long gloves lived, those of other boxes with them.
    pub(crate) gloves: Option<RuleLives>,
}

/// A level over a time.
pub(crate) struct LevelSeen {
    /// Which.
    pub(crate) quantity: MeasuredQuantity,
    /// How it stands.
    pub(crate) standing: Standing,
    /// Its readings, summed up.
    pub(crate) course: Vec<Bucket>,
}

/// Upkeep that was done.
pub(crate) struct Done {
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// What.
    pub(crate) task: Word,
    /// On which part.
    pub(crate) part: String,
    /// Whether it ended well.
    pub(crate) passed: bool,
    /// Whether the part was replaced.
    pub(crate) replaced: bool,
}

/// A part and what occupies it.
pub(crate) struct LaneSeen {
    /// Its tag.
    pub(crate) part: String,
    /// What occupies it, in order of start.
    pub(crate) taken: Vec<Taken>,
}

/// Something that occupies a part.
pub(crate) struct Taken {
    /// From when to when.
    pub(crate) interval: Interval,
    /// Why.
    pub(crate) why: Why,
    /// Whether it is under way.
    pub(crate) under_way: bool,
    /// Who has it, or what is done, as far as the caller may know.
    pub(crate) what: Option<String>,
    /// Whether it is the caller's own.
    pub(crate) own: bool,
}

/// Looks at a box; its levels over the days before now.
pub(crate) fn look(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    days: i64,
) -> Result<BoxSeen> {
    let glovebox = keep::get::<Glovebox>(tx, actor, reference)?;
    let site = site::get(tx)?.value;
    let by_id = Reference::Id(glovebox.id);
    let days = days.clamp(1, 3660);
    let followed =
        Interval::lasting(now - TimeDelta::days(days), TimeDelta::days(days)).expect("days is at least one");
    let stretch = TimeDelta::seconds((followed.length().num_seconds() / STRETCHES).max(60));
    let today = start_of_day(now.with_timezone(&site.timezone).date_naive(), site.timezone).unwrap_or(now);
    let ahead = Interval::lasting(today, AHEAD).expect("a week is not empty");
    let mut levels = Vec::new();
    for quantity in [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm] {
        levels.push(level(tx, actor, &glovebox, quantity, (followed, stretch), now)?);
    }
    let mut names = Names::default();
    let narrowed = Narrowed { glovebox: Some(glovebox.id.into()), ..Narrowed::default() };
    Ok(BoxSeen {
        now,
        room: names.of(tx, glovebox.value.room)?,
        all: tags(tx)?,
        holds: holds::list(tx, actor, Some(&by_id), Some(true), None, MOST)?,
        followed,
        stretch,
        levels,
        done: done(tx, &glovebox, followed)?,
        ahead,
        lanes: lanes(tx, actor, &glovebox, ahead)?,
        due: by_date(due_items::list(tx, actor, None, &narrowed, None, MOST)?),
        planned: visits::planned(tx, now)?,
        gloves: gloves(tx, actor, now)?,
        glovebox,
        site,
    })
}

fn tags(tx: &mut Tx<'_>) -> Result<Vec<String>> {
    let mut tags: Vec<String> =
        gloveboxes::all(tx)?.into_iter().map(|glovebox| glovebox.value.tag.to_string()).collect();
    tags.sort();
    Ok(tags)
}

fn level(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: &Stored<Glovebox>,
    quantity: MeasuredQuantity,
    (range, stretch): (Interval, TimeDelta),
    now: DateTime<Utc>,
) -> Result<LevelSeen> {
    let limits = glovebox.value.limits;
    let limits = if quantity == MeasuredQuantity::WaterPpm { limits.water_ppm } else { limits.oxygen_ppm };
    let length = Length::of_seconds(stretch.num_seconds()).expect("at least a minute");
    let buckets = Buckets::divide(range, length).expect("few stretches");
    let wanted = Readings { subject: Reference::Id(glovebox.id), quantity, sensor: None, range };
    let course = ingest_readings::sum_up(tx, actor, &wanted, buckets)?.items;
    Ok(LevelSeen { quantity, standing: standing(tx, glovebox.id, quantity, limits, now)?, course })
}

/// The parts of a box that can be occupied, with their tags.
fn places(glovebox: &Glovebox) -> Vec<(ThingId, String)> {
    let stations = glovebox.stations.iter().map(|one| (one.id.into(), one.tag.to_string()));
    let antechambers = glovebox.antechambers.iter().map(|one| (one.id.into(), one.tag.to_string()));
    let instruments = glovebox.instruments.iter().map(|one| (one.id.into(), one.tag.to_string()));
    let purifier = glovebox.purifier.iter().map(|one| (one.id.into(), "purifier".to_owned()));
    stations.chain(antechambers).chain(instruments).chain(purifier).collect()
}

fn done(tx: &mut Tx<'_>, glovebox: &Stored<Glovebox>, range: Interval) -> Result<Vec<Done>> {
    let mut parts = places(&glovebox.value);
    parts.push((glovebox.id.into(), glovebox.value.tag.to_string()));
    let mut done = Vec::new();
    for (id, part) in parts {
        let found = services::on(tx, id, range.end())?.into_iter().filter(|one| one.done_at >= range.start());
        done.extend(found.map(|one| Done {
            at: one.done_at,
            passed: one.outcome == Outcome::Passed,
            replaced: one.replaced,
            task: one.task,
            part: part.clone(),
        }));
    }
    done.sort_by(|one, other| (one.at, &one.part, &one.task).cmp(&(other.at, &other.part, &other.task)));
    Ok(done)
}

fn lanes(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: &Stored<Glovebox>,
    ahead: Interval,
) -> Result<Vec<LaneSeen>> {
    let places = places(&glovebox.value);
    let ids: Vec<ThingId> = places.iter().map(|(id, _)| *id).collect();
    let own = person_of(tx, actor)?.map(|person| PersonId::from(person.id));
    let wanted = Wanted {
        from: Some(ahead.start() - TimeDelta::days(2)),
        to: Some(ahead.end() + TimeDelta::days(2)),
        ..Wanted::default()
    };
    let wanted = Wanted { glovebox: Some(glovebox.id.into()), ..wanted };
    let mut names = Names::default();
    let mut booked: HashMap<BookingId, (Progress, Option<String>, bool)> = HashMap::new();
    for (one, sight) in run_booking::list(tx, actor, wanted, None, MOST)? {
        let booking = one.booking.value;
        let who = if sight == Sight::Whole { names.of(tx, booking.person)? } else { None };
        booked.insert(one.booking.id.into(), (booking.progress, who, Some(booking.person) == own));
    }
    let mut upkeep: HashMap<VisitId, Option<String>> = HashMap::new();
    let mut taken: HashMap<ThingId, Vec<Taken>> = HashMap::new();
    for busy in claims::touching(tx, &ids, ahead)? {
        let (progress, what, own) = match busy.owner {
            Owner::Booking(id) => booked.get(&id).cloned().unwrap_or((Progress::Booked, None, false)),
            Owner::Visit(id) => {
                let what = match upkeep.get(&id) {
                    Some(known) => known.clone(),
                    None => upkeep.entry(id).or_insert(tasks_of(tx, id)?).clone(),
                };
                (Progress::Booked, what, false)
            }
        };
        let under_way = progress == Progress::InUse && busy.why == Why::Work;
        let one = Taken { interval: busy.interval, why: busy.why, under_way, what, own };
        taken.entry(busy.resource).or_default().push(one);
    }
    let lane =
        |(id, part): (ThingId, String)| LaneSeen { part, taken: taken.remove(&id).unwrap_or_default() };
    Ok(places.into_iter().map(lane).collect())
}

/// What a visit is for.
fn tasks_of(tx: &mut Tx<'_>, id: VisitId) -> Result<Option<String>> {
    let Some(visit) = MaintenanceVisit::find(tx, id.uuid())? else { return Ok(None) };
    let tasks: Vec<String> =
        visit.value.tasks.iter().map(|task| task.task.as_str().replace('_', " ")).collect();
    Ok(Some(tasks.join(", ")))
}

/// The most pressing first; what has no date at the end.
fn by_date(mut items: Vec<KeptItem>) -> Vec<KeptItem> {
    items.sort_by_key(|kept| {
        let item = &kept.item;
        (
            item.act_by.unwrap_or(DateTime::<Utc>::MAX_UTC),
            item.task.clone(),
            item.subject_tag.clone(),
            kept.id,
        )
    });
    items
}

fn gloves(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Option<RuleLives>> {
    let found =
        rules::all(tx)?.into_iter().find(|rule: &Stored<UpkeepRule>| rule.value.task.as_str() == GLOVES);
    found.map(|rule| lives::of_rule(tx, actor, now, &Reference::Id(rule.id))).transpose()
}
