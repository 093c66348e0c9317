//! Statements of usage, month by month, and closing a month.
//!
//! Months are closed one after the other. What a closed month said stays; where
//! it would say something else by now, the difference is a correction in the
//! statement of the first month that is still open.

use super::named::Names;
use super::{Error, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::booking::Booking;
use crate::domain::booking::claims::turn_need;
use crate::domain::calendar::Interval;
use crate::domain::facility::{Glovebox, Scope, Site, Stored};
use crate::domain::ids::{BookingId, GloveboxId};
use crate::domain::usage::{Entry, Figures, Grouping, Month, Part, corrections, entry, grouped, total};
use crate::store::bookings::{self, Wanted};
use crate::store::kept::Kept as _;
use crate::store::usage_closings::{self, Closing, FinalEntry};
use crate::store::{events, site};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde_json::json;
use std::collections::hash_map::Entry as MapEntry;
use std::collections::{BTreeSet, HashMap};

/// A line of a statement.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    /// What it is of.
    pub(crate) part: Part,
    /// What that is called.
    pub(crate) label: Option<String>,
    /// What was used.
    pub(crate) figures: Figures,
}

/// A statement of usage.
#[derive(Debug, Clone)]
pub(crate) struct Statement {
    /// The month.
    pub(crate) month: Month,
    /// What it is divided by.
    pub(crate) by: Grouping,
    /// The time it is about.
    pub(crate) range: Interval,
    /// When and by whom it was closed.
    pub(crate) closed: Option<(DateTime<Utc>, String)>,
    /// What was used in the month.
    pub(crate) lines: Vec<Line>,
    /// Corrections of months closed before.
    pub(crate) corrections: Vec<(Month, Line)>,
    /// All lines and corrections together.
    pub(crate) total: Figures,
}

/// Passes when the caller may close months at all.
pub(crate) fn may_close(actor: &Actor) -> Result<()> {
    Ok(actor.needs(Scope::FacilityManage)?)
}

/// Shows the statement of a month; of the present one unless given.
pub(crate) fn show(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    month: Option<Month>,
    by: Grouping,
) -> Result<Statement> {
    actor.needs(Scope::UsageRead)?;
    let site = site::get(tx)?.value;
    let month = month.unwrap_or_else(|| Month::of(now, site.timezone));
    let closings = usage_closings::all(tx)?;
    let (range, entries) = said(tx, &site, &closings, month)?;
    let closed = closings.into_iter().find(|closing| closing.month == month);
    statement(tx, month, by, range, closed, &entries)
}

/// Closes a month that is over: its statement stays as it is. Months are
/// closed in order, so that corrections have one place.
pub(crate) fn close(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, month: Month) -> Result<Statement> {
    may_close(actor)?;
    let facility = site::get(tx)?;
    let site = facility.value;
    let closings = usage_closings::all(tx)?;
    if let Some(closing) = closings.iter().find(|closing| closing.month == month) {
        let (at, by) = (closing.closed_at.format("%FT%TZ"), &closing.closed_by);
        return Err(Error::WrongState(format!("{month} was closed already, at {at} by {by}")));
    }
    if let Some(last) = closings.last()
        && month != last.month.next()
    {
        return Err(Error::WrongState(format!(
            "months are closed in order: {} is the last one closed, {} comes next",
            last.month,
            last.month.next()
        )));
    }
    let (range, entries) = said(tx, &site, &closings, month)?;
    if range.end() > now {
        return Err(Error::WrongState(format!("{month} is not over")));
    }
    let closing = Closing { month, range, closed_at: now, closed_by: actor.subject.clone() };
    usage_closings::close(tx, &closing, &entries, fresh_id)?;
    let body = json!({ "month": month.to_string(), "before": null, "after": null });
    // A month has no id of its own: it is the facility's.
    events::append(tx, now, "usage_statement.closed", facility.id, &actor.subject, &body)?;
    statement(tx, month, Grouping::Glovebox, range, Some(closing), &entries)
}

/// The time a month is about, and what its statement says: as it was closed,
/// or else as things are now.
fn said(
    tx: &mut Tx<'_>,
    site: &Site,
    closings: &[Closing],
    month: Month,
) -> Result<(Interval, Vec<FinalEntry>)> {
    if let Some(closing) = closings.iter().find(|closing| closing.month == month) {
        return Ok((closing.range, usage_closings::entries_in(tx, month)?));
    }
    let range = open_range(closings, month, site.timezone);
    let mut turns = Turns { site, boxes: HashMap::new() };
    let own = known(tx, &mut turns, range)?;
    let mut entries: Vec<FinalEntry> =
        own.into_iter().map(|entry| FinalEntry { month, of_month: month, entry }).collect();
    if closings.last().is_some_and(|last| last.month.next() == month) {
        entries.extend(corrected(tx, &mut turns, closings, month)?);
    }
    Ok((range, entries))
}

/// The time an open month is about. It begins where the last closed month
/// ended, even where the facility's zone was changed in between.
fn open_range(closings: &[Closing], month: Month, zone: Tz) -> Interval {
    let range = month.range(zone);
    let before = closings.last().filter(|last| last.month.next() == month);
    before.and_then(|last| Interval::new(last.range.end(), range.end()).ok()).unwrap_or(range)
}

/// What closed months would say otherwise by now. Only bookings that were
/// changed since can make a difference.
fn corrected(
    tx: &mut Tx<'_>,
    turns: &mut Turns<'_>,
    closings: &[Closing],
    month: Month,
) -> Result<Vec<FinalEntry>> {
    let mut found = Vec::new();
    for closing in closings {
        let changed = usage_closings::changed_since(tx, closing)?;
        if changed.is_empty() {
            continue;
        }
        let mut said = usage_closings::entries_of(tx, closing.month)?;
        said.retain(|entry| changed.contains(&entry.charged.booking));
        let mut now = Vec::new();
        for id in changed {
            let Some(booking) = Booking::find(tx, id.uuid())? else { continue };
            if closing.range.contains(booking.value.interval.start()) {
                let turns_nl = turns.of(tx, &booking)?;
                now.extend(entry(&booking, turns_nl));
            }
        }
        // Gas was estimated when the work was booked: how it is divided into turns
        // and purges stays as it was said, though the box may have been changed.
        let now = with_shares_of(&said, now);
        let of_month = closing.month;
        let entries = corrections(&said, &now).into_iter();
        found.extend(entries.map(|entry| FinalEntry { month, of_month, entry }));
    }
    Ok(found)
}

/// The entries with their gas divided as it was said, where there is as much of it.
fn with_shares_of(said: &[Entry], mut now: Vec<Entry>) -> Vec<Entry> {
    let mut shares: HashMap<BookingId, Figures> = HashMap::new();
    for entry in said {
        let sum = shares.entry(entry.charged.booking).or_default();
        *sum = *sum + entry.figures;
    }
    for entry in &mut now {
        let before = shares.get(&entry.charged.booking);
        if let Some(before) = before.filter(|before| before.gas_ml() == entry.figures.gas_ml()) {
            entry.figures.turns_ml = before.turns_ml;
            entry.figures.purge_ml = before.purge_ml;
        }
    }
    now
}

/// What the bookings that begin in a range come to, as things are now.
fn known(tx: &mut Tx<'_>, turns: &mut Turns<'_>, range: Interval) -> Result<Vec<Entry>> {
    let wanted = Wanted { from: Some(range.start()), to: Some(range.end()), ..Wanted::default() };
    let mut entries = Vec::new();
    for booking in bookings::select(tx, &wanted, None, i64::MAX)? {
        if range.contains(booking.value.interval.start()) {
            let turns_nl = turns.of(tx, &booking)?;
            entries.extend(entry(&booking, turns_nl));
        }
    }
    Ok(entries)
}

/// What turns take at each box, as it is now.
struct Turns<'a> {
    site: &'a Site,
    boxes: HashMap<GloveboxId, Option<Glovebox>>,
}

impl Turns<'_> {
    /// Gas of a booking's turns, litres at 0 °C and 1 atm.
    fn of(&mut self, tx: &mut Tx<'_>, booking: &Stored<Booking>) -> Result<f64> {
        let id = booking.value.glovebox;
        let glovebox = match self.boxes.entry(id) {
            MapEntry::Occupied(known) => known.into_mut(),
            MapEntry::Vacant(place) => place.insert(Glovebox::find(tx, id.uuid())?.map(|found| found.value)),
        };
        let Some(glovebox) = glovebox else { return Ok(0.0) };
        let factor = self.site.policies.porous_cycle_factor;
        let work = &booking.value.work;
        let need = work.transfers_in.iter().chain(&work.transfers_out).filter_map(|transfer| {
            let chamber = glovebox.antechambers.iter().find(|chamber| chamber.id == transfer.antechamber)?;
            turn_need(chamber, transfer.sample, factor).ok()
        });
        Ok(need.map(|need| need.gas_nl).sum())
    }
}

fn statement(
    tx: &mut Tx<'_>,
    month: Month,
    by: Grouping,
    range: Interval,
    closing: Option<Closing>,
    entries: &[FinalEntry],
) -> Result<Statement> {
    let of = |wanted: Month| -> Vec<Entry> {
        let those = entries.iter().filter(|one| one.of_month == wanted);
        those.map(|one| one.entry.clone()).collect()
    };
    let mut names = Names::default();
    let lines = lines(tx, &mut names, &of(month), by)?;
    let earlier: BTreeSet<Month> =
        entries.iter().map(|one| one.of_month).filter(|other| *other != month).collect();
    let mut corrections = Vec::new();
    for other in earlier {
        let corrected = self::lines(tx, &mut names, &of(other), by)?;
        corrections.extend(corrected.into_iter().map(|line| (other, line)));
    }
    let all: Vec<Entry> = entries.iter().map(|one| one.entry.clone()).collect();
    Ok(Statement {
        month,
        by,
        range,
        closed: closing.map(|closing| (closing.closed_at, closing.closed_by)),
        lines,
        corrections,
        total: total(&all),
    })
}

/// The entries summed up part by part, in order of what the parts are called.
fn lines(tx: &mut Tx<'_>, names: &mut Names, entries: &[Entry], by: Grouping) -> Result<Vec<Line>> {
    let mut lines = Vec::new();
    for (part, figures) in grouped(entries, by) {
        let label = match &part {
            Part::Group(group) => group.as_ref().map(ToString::to_string),
            Part::Person(id) => names.of(tx, *id)?,
            Part::Glovebox(id) => names.of(tx, *id)?,
        };
        lines.push(Line { part, label, figures });
    }
    lines.sort_by(|one, other| (&one.label, &one.part).cmp(&(&other.label, &other.part)));
    Ok(lines)
}
