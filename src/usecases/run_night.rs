//! The nightly computation: everything that is due as of a moment, kept and
//! reported, all in one transaction, so that a run cut short leaves nothing
//! behind and can be started again.

use super::due_items;
use super::observe::{observe, overdrawn};
use super::run_booking::release_no_shows;
use super::under_way::{Kind, Report, Step, Work};
use super::{App, Error, Result, Tx};
use super::{stock, visits};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::{GasSupply, Scope, Stored};
use crate::domain::upkeep::contents::{self, SupplyHistory};
use crate::domain::upkeep::due::start_of_day;
use crate::domain::upkeep::report::{NightlyReport, ReportItem, ReportSupply};
pub(crate) use crate::store::nightly_runs::Night;
use crate::store::reading_days::Mark;
use crate::store::{begin_off_thread, events, idempotency, nightly_runs, reading_days, site};
use chrono::{DateTime, NaiveDate, SubsecRound as _, TimeDelta, Utc};
use futures_util::future::join;
use serde_json::json;
use std::collections::HashSet;
use uuid::Uuid;

const SEE: &[Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage, Scope::NightlyRun];

/// How long answers are kept under their idempotency keys.
const KEYS_KEPT_HOURS: i64 = 24;

/// A run, and whether it had been computed before.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Run {
    /// The night.
    pub(crate) night: Night,
    /// Whether the report was there already.
    pub(crate) again: bool,
}

/// Reads the moment to compute for: an instant (RFC 3339), or a date, which
/// means when that day begins in the facility's zone.
pub(crate) fn moment(tx: &mut Tx<'_>, text: &str) -> Result<DateTime<Utc>> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Ok(at.to_utc());
    }
    let zone = due_items::zone(tx)?;
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().and_then(|date| start_of_day(date, zone)).ok_or_else(
        || {
            let detail =
                "is neither a date such as 2026-03-02 nor an RFC 3339 time such as 2026-03-02T06:00:00Z";
            Error::invalid("as_of", "bad_time", detail)
        },
    )
}

/// Works out what is due as of a moment, by default now, keeps it and writes
/// the report. A moment computed before gets its report again; while one is being
/// computed no other is begun, by whichever instance of the service.
///
/// Readings and services later than the moment are left out of account;
/// bookings are taken as they stand.
pub(crate) fn run_night(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    as_of: Option<DateTime<Utc>>,
    far: &Report,
) -> Result<Run> {
    actor.needs(Scope::NightlyRun)?;
    let as_of = as_of.unwrap_or(now).trunc_subsecs(6);
    if as_of.timestamp() < 0 {
        return Err(Error::invalid("as_of", "out_of_range", "must not be before 1970"));
    }
    if as_of > now {
        return Err(Error::invalid("as_of", "in_the_future", "must not be later than now"));
    }
    if let Some(night) = nightly_runs::at(tx, as_of)? {
        return Ok(Run { night, again: true });
    }
    if !nightly_runs::alone(tx)? {
        return Err(Error::NightRunning);
    }
    let id = fresh_id();
    if !nightly_runs::take(tx, id, as_of, now)? {
        let night = nightly_runs::at(tx, as_of)?.ok_or_else(|| Error::unknown("nightly_run", as_of))?;
        return Ok(Run { night, again: true });
    }
    chores(tx, now)?;
    let report = compute(tx, actor, now, as_of, far)?;
    let night = Night { id, started_at: now, finished_at: now, report };
    nightly_runs::finish(tx, &night)?;
    let body = json!({
        "as_of": as_of, "counts": night.report.counts, "safety_overdue": night.report.safety_overdue,
    });
    events::append(tx, now, "nightly_run.finished", id, &actor.subject, &body)?;
    Ok(Run { night, again: false })
}

impl App {
    /// Sums up the days of readings that have ended, some at a time and on two threads:
    /// before a night, so that nobody who sends readings has to wait for the whole of it.
    /// Days that change meanwhile are left to the night.
    ///
    /// Not [`App::sum_up_days_blocking`] on a thread of its own: a simulation commits in turn what
    /// awaits it, and would wait for ever for what blocks.
    pub(crate) async fn sum_up_days(&self, actor: &Actor, far: &Report) -> Result<()> {
        actor.needs(Scope::NightlyRun)?;
        let days = self.query(|tx, now| Ok(reading_days::waiting(tx, now)?)).await?;
        let mut done = 0;
        while done < days {
            let marks = self.query(|tx, now| Ok(reading_days::marks(tx, now)?)).await?;
            if marks.is_empty() {
                break;
            }
            done += marks.len();
            let sums = |marks: Vec<Mark>| self.query(move |tx, _| Ok(reading_days::sums(tx, &marks)?));
            let (here, there) = halves(marks);
            let (one, other) = join(sums(here), sums(there)).await;
            let (one, other) = (one?, other?);
            self.command(move |tx, _| {
                Ok([&one, &other].into_iter().try_for_each(|sums| reading_days::settle_with(tx, sums))?)
            })
            .await?;
            far.at(Step::Days, done, days.max(done));
        }
        Ok(())
    }

    /// [`App::sum_up_days`] where a thread may wait for it.
    fn sum_up_days_blocking(&self, far: &Report) -> Result<()> {
        let days = self.query_blocking(|tx, now| Ok(reading_days::waiting(tx, now)?))?;
        let mut done = 0;
        while done < days {
            let marks = self.query_blocking(|tx, now| Ok(reading_days::marks(tx, now)?))?;
            if marks.is_empty() {
                break;
            }
            done += marks.len();
            let sums = |marks: &[Mark]| self.query_blocking(|tx, _| Ok(reading_days::sums(tx, marks)?));
            let (here, there) = halves(marks);
            let (one, other) = std::thread::scope(|scope| {
                let other = scope.spawn(|| sums(&there));
                let one = sums(&here);
                (one, other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            });
            let (one, other) = (one?, other?);
            self.command_blocking(move |tx, _| {
                Ok([&one, &other].into_iter().try_for_each(|sums| reading_days::settle_with(tx, sums))?)
            })?;
            far.at(Step::Days, done, days.max(done));
        }
        Ok(())
    }

    /// Works out a night on this thread.
    pub(crate) fn night_blocking(&self, actor: &Actor, as_of: Option<&str>) -> Result<Run> {
        let work = self.under_way().begin(Kind::Night, self.now());
        self.night_reporting(actor, as_of, &work)
    }

    fn night_reporting(&self, actor: &Actor, as_of: Option<&str>, work: &Work) -> Result<Run> {
        actor.needs(Scope::NightlyRun)?;
        let far = work.report();
        self.sum_up_days_blocking(&far)?;
        let (actor, as_of) = (actor.clone(), as_of.map(str::to_owned));
        self.command_blocking(move |tx, now| {
            let as_of = as_of.as_deref().map(|text| moment(tx, text)).transpose()?;
            run_night(tx, &actor, now, as_of, &far)
        })
    }

    /// Begins a night that nobody waits for; the register tells how far it is, and why it
    /// was not finished. Tells whether it was begun: one is at a time.
    pub(crate) fn begin_night(&self, actor: &Actor) -> Result<bool> {
        actor.needs(Scope::NightlyRun)?;
        let Some(work) = self.under_way().begin_night(self.now()) else { return Ok(false) };
        let (app, actor) = (self.clone(), actor.clone());
        begin_off_thread(move || {
            let done = app.night_reporting(&actor, None, &work);
            if let Err(error) = &done {
                tracing::error!(error = ?error, "a night was not finished");
            }
            app.under_way().night_ended(done.err().map(|error| error.to_string()));
        });
        Ok(true)
    }
}

/// Some days as two parts of much the same size.
fn halves(mut marks: Vec<Mark>) -> (Vec<Mark>, Vec<Mark>) {
    let there = marks.split_off(marks.len().div_ceil(2));
    (marks, there)
}

/// Computes and keeps every item; forgets those that no rule asks for any more.
fn compute(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    as_of: DateTime<Utc>,
    far: &Report,
) -> Result<NightlyReport> {
    let days = reading_days::waiting(tx, as_of)?;
    let mut summed_up = 0;
    loop {
        match reading_days::settle(tx, as_of)? {
            0 => break,
            more => summed_up += more,
        }
        far.at(Step::Days, summed_up, days.max(summed_up));
    }
    let zone = due_items::zone(tx)?;
    let parts = super::parts::parts(tx)?;
    let supplies = due_items::supplies(tx, &parts, as_of)?;
    let (mut listed, mut due) = (Vec::new(), Vec::new());
    let mut kept = HashSet::new();
    due_items::compute(tx, &parts, None, &supplies, as_of, far, |tx, item| {
        let id = due_items::keep(tx, now, &actor.subject, zone, &item)?;
        kept.insert(id);
        listed.push(ReportItem::of(id.into(), &item));
        due.push((id.into(), item.without_evidence()));
        Ok(())
    })?;
    for (id, computed_at) in crate::store::due_items::ages(tx)? {
        if computed_at <= as_of && !kept.contains(&id) {
            crate::store::due_items::delete(tx, id)?;
        }
    }
    let mut noticed = observe(tx, zone, as_of)?;
    noticed.extend(overdrawn(tx, &supplies, &parts, zone, as_of)?);
    let told = |(supply, history): &(Stored<GasSupply>, SupplyHistory)| {
        ReportSupply::of(supply.id.into(), &supply.value, &contents::forecast(history, as_of))
    };
    let supplies = supplies.iter().map(told).collect();
    let orders = stock::to_order(tx, as_of, &due)?;
    let visits = visits::for_report(tx, as_of)?;
    Ok(NightlyReport::new(as_of, zone, listed, supplies)
        .ordering(zone, orders)
        .noticing(zone, noticed)
        .visiting(zone, visits))
}

/// What is tidied up at night besides; further chores belong here. Bookings
/// nobody took up are released first, so that they do not count as use.
fn chores(tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<()> {
    let forgotten = idempotency::forget(tx, now - TimeDelta::hours(KEYS_KEPT_HOURS))?;
    let released = if site::find(tx)?.is_some() { release_no_shows(tx, now)? } else { 0 };
    tracing::debug!(forgotten, released, "tidied up");
    Ok(())
}

/// Shows one run.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<Night> {
    actor.needs_any(SEE)?;
    nightly_runs::find(tx, id)?.ok_or_else(|| Error::unknown("nightly_run", id))
}

/// Lists runs, in the order they were started.
pub(crate) fn list(tx: &mut Tx<'_>, actor: &Actor, after: Option<Uuid>, limit: i64) -> Result<Vec<Night>> {
    actor.needs_any(SEE)?;
    Ok(nightly_runs::page(tx, after, limit)?)
}
