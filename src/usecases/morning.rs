//! The facility as whoever comes in first wants to see it: each box with its levels,
//! its holds and who is in it, what is due, what is planned, what the night found.
//! One read, so that everything is of one moment.

use super::due_items::{self, KeptItem};
use super::holds::{self, ShownHold};
use super::named::Names;
use super::run_booking::{self, Sight, Wanted};
use super::situation::person_of;
use super::visits::{self, Planned};
use super::{Result, Tx};
use crate::domain::access::Actor;
use crate::domain::booking::{Progress, Status};
use crate::domain::calendar::Interval;
use crate::domain::calendar::opening_hours::open_intervals;
use crate::domain::facility::{Glovebox, LevelLimits, MeasuredQuantity, Site, Stored};
use crate::domain::ids::{BookingId, GloveboxId, PersonId};
use crate::domain::upkeep::DueState;
use crate::domain::upkeep::due::start_of_day;
use crate::domain::upkeep::report::NightlyReport;
use crate::domain::upkeep::report_visit::ReportVisit;
use crate::domain::upkeep::standing::{FOLLOWED, Standing};
use crate::store::{due_items as stored_items, nightly_runs, readings, site};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;
use uuid::Uuid;

/// How far ahead surprises are looked for.
pub(crate) const AHEAD: TimeDelta = TimeDelta::days(7);
/// More bookings than a facility has in a day, and more runs than are under way.
const MOST: i64 = 1000;

/// The facility on a morning, or at any other time.
#[derive(Debug)]
pub(crate) struct Morning {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// When it is open today.
    pub(crate) open: Vec<Interval>,
    /// Its boxes, by tag.
    pub(crate) boxes: Vec<BoxNow>,
    /// What is overdue, due today or approaching, the most pressing first.
    pub(crate) pressing: Vec<KeptItem>,
    /// How many due items the data cannot tell a date of.
    pub(crate) unknown: usize,
    /// When what is due is planned to be done.
    pub(crate) planned: Planned,
    /// Visits that were missed, and those of the next week.
    pub(crate) visits: Vec<ReportVisit>,
    /// What the last night found.
    pub(crate) night: Option<NightlyReport>,
    /// Whether the database knows of a night that is being worked out, by whichever process.
    pub(crate) night_under_way: bool,
}

/// A box at the moment.
#[derive(Debug)]
pub(crate) struct BoxNow {
    /// The box.
    pub(crate) glovebox: Stored<Glovebox>,
    /// Tag of its room.
    pub(crate) room: Option<String>,
    /// Its oxygen.
    pub(crate) oxygen: Standing,
    /// Its water.
    pub(crate) water: Standing,
    /// The holds open on it, oldest first.
    pub(crate) holds: Vec<ShownHold>,
    /// Who is in it, and who comes today, by start.
    pub(crate) turns: Vec<Turn>,
}

/// A booking of a box as a caller may see it.
#[derive(Debug)]
pub(crate) struct Turn {
    /// The booking.
    pub(crate) id: BookingId,
    /// When.
    pub(crate) interval: Interval,
    /// How far it has come.
    pub(crate) progress: Progress,
    /// Whether it stands.
    pub(crate) status: Status,
    /// Tags of its stations.
    pub(crate) stations: Vec<String>,
    /// Who, where the caller may know.
    pub(crate) who: Option<String>,
    /// Whether it is the caller's own.
    pub(crate) own: bool,
}

/// Looks at everything.
pub(crate) fn look(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Morning> {
    actor.needs_any(<Glovebox as super::keep::Managed>::SEE)?;
    let site = site::get(tx)?.value;
    let today = today(&site, now);
    let open = today.map(|today| open_intervals(&site.opening_hours, site.timezone, today));
    let mut turns = turns(tx, actor, now, today)?;
    let mut boxes = Vec::new();
    let mut held = open_holds(tx, actor)?;
    let mut names = Names::default();
    for glovebox in super::keep::list::<Glovebox>(tx, actor, None, MOST)? {
        let id = GloveboxId::from(glovebox.id);
        let limits = glovebox.value.limits;
        boxes.push(BoxNow {
            room: names.of(tx, glovebox.value.room)?,
            oxygen: standing(tx, glovebox.id, MeasuredQuantity::OxygenPpm, limits.oxygen_ppm, now)?,
            water: standing(tx, glovebox.id, MeasuredQuantity::WaterPpm, limits.water_ppm, now)?,
            holds: held.remove(&id).unwrap_or_default(),
            turns: turns.remove(&id).unwrap_or_default(),
            glovebox,
        });
    }
    boxes.sort_by(|one, other| one.glovebox.value.tag.cmp(&other.glovebox.value.tag));
    let (pressing, unknown) = pressing(tx)?;
    Ok(Morning {
        now,
        open: open.and_then(std::result::Result::ok).unwrap_or_default(),
        site,
        boxes,
        pressing,
        unknown,
        planned: visits::planned(tx, now)?,
        visits: visits::for_report(tx, now)?,
        night: nightly_runs::latest(tx)?.map(|night| night.report),
        night_under_way: nightly_runs::under_way(tx)?,
    })
}

/// The day that it is at the facility.
fn today(site: &Site, now: DateTime<Utc>) -> Option<Interval> {
    let date = now.with_timezone(&site.timezone).date_naive();
    let start = start_of_day(date, site.timezone)?;
    let end = start_of_day(date.succ_opt()?, site.timezone)?;
    Interval::new(start, end).ok()
}

/// How a level of a box stands.
pub(crate) fn standing(
    tx: &mut Tx<'_>,
    glovebox: Uuid,
    quantity: MeasuredQuantity,
    limits: LevelLimits,
    now: DateTime<Utc>,
) -> Result<Standing> {
    let day = match readings::latest(tx, glovebox, quantity, now)? {
        Some((last, _)) => readings::samples(tx, glovebox, quantity, last - FOLLOWED, last)?,
        None => Vec::new(),
    };
    Ok(Standing::of(limits, day, now))
}

fn open_holds(tx: &mut Tx<'_>, actor: &Actor) -> Result<HashMap<GloveboxId, Vec<ShownHold>>> {
    let mut by_box: HashMap<GloveboxId, Vec<ShownHold>> = HashMap::new();
    for hold in holds::list(tx, actor, None, Some(true), None, MOST)? {
        by_box.entry(hold.hold.value.glovebox).or_default().push(hold);
    }
    Ok(by_box)
}

/// Runs under way, however long ago they were to end, and the bookings still to come today.
fn turns(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    today: Option<Interval>,
) -> Result<HashMap<GloveboxId, Vec<Turn>>> {
    let own = person_of(tx, actor)?.map(|person| PersonId::from(person.id));
    let under_way = Wanted { progress: vec![Progress::InUse], ..Wanted::default() };
    let coming = Wanted {
        from: Some(now),
        to: today.map(|today| today.end()),
        progress: vec![Progress::Booked],
        ..Wanted::default()
    };
    let mut names = Names::default();
    let mut by_box: HashMap<GloveboxId, Vec<Turn>> = HashMap::new();
    for wanted in [under_way, coming] {
        for (booked, sight) in run_booking::list(tx, actor, wanted, None, MOST)? {
            let booking = booked.booking.value;
            let whole = sight == Sight::Whole;
            let mut stations = Vec::new();
            for station in &booking.work.stations {
                stations.extend(super::keep::tag_of(tx, *station)?);
            }
            let turn = Turn {
                id: booked.booking.id.into(),
                interval: booking.interval,
                progress: booking.progress,
                status: booking.status,
                stations,
                who: if whole { names.of(tx, booking.person)? } else { None },
                own: Some(booking.person) == own,
            };
            by_box.entry(booking.glovebox).or_default().push(turn);
        }
    }
    for turns in by_box.values_mut() {
        turns.sort_by_key(|turn| (turn.interval, turn.id));
    }
    Ok(by_box)
}

/// What is pressing, the most pressing first, and how many items are unknown.
fn pressing(tx: &mut Tx<'_>) -> Result<(Vec<KeptItem>, usize)> {
    let states = vec![DueState::Overdue, DueState::Due, DueState::Approaching, DueState::Unknown];
    let narrowed = due_items::Narrowed { states: Some(states), ..due_items::Narrowed::default() };
    let mut items = stored_items::page(tx, &narrowed, None, MOST)?;
    let all = items.len();
    items.retain(|kept| kept.item.state != DueState::Unknown);
    let unknown = all - items.len();
    items.sort_by(|one, other| {
        let key = |kept: &KeptItem| {
            (kept.item.act_by.unwrap_or(DateTime::<Utc>::MAX_UTC), kept.item.subject_tag.clone(), kept.id)
        };
        (other.item.state.cmp(&one.item.state))
            .then(other.item.safety.cmp(&one.item.safety))
            .then_with(|| key(one).cmp(&key(other)))
    });
    Ok((items, unknown))
}
