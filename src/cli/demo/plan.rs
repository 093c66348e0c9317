//! The plan for the next weeks, as text: what is done where and when, by whom,
//! and who gives way.

use crate::cli::Failure;
use crate::domain::access::Actor;
use crate::domain::calendar::Interval;
use crate::domain::planning::record::{ProposedPlan, Scope};
use crate::domain::planning::snapshot::{Grid, Request};
use crate::domain::planning::weights::PERSON_HOUR;
use crate::domain::planning::{Plan, Visit};
use crate::usecases::named::Names;
use crate::usecases::propose_plan::{Asked, prepare, save};
use crate::usecases::{App, Result, Tx};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::time::{Duration, Instant};

/// How far the plan looks ahead.
const DAYS: i64 = 28;
/// How long is searched at most.
const TIME: Duration = Duration::from_secs(5);

/// Proposes a plan, keeps it, and writes it out.
pub(super) fn proposed(app: &App, zone: Tz) -> std::result::Result<String, Failure> {
    let operator = Actor::operator();
    let by = operator.clone();
    let begun = Instant::now();
    let prepared = app.query_blocking(|tx, now| prepare(tx, &by, now, None, |_, _| Ok(asked(now))))?;
    let found = prepared.search(operator.subject.clone())?;
    let took = begun.elapsed();
    let kept = app.command_blocking(move |tx, now| save(tx, &operator, now, &found))?;
    Ok(app.query_blocking(|tx, _| written(tx, &kept.value, zone, took))?)
}

fn asked(now: DateTime<Utc>) -> Asked {
    let horizon =
        Interval::lasting(now + TimeDelta::hours(1), TimeDelta::days(DAYS)).expect("four weeks have length");
    let scope = Scope {
        horizon,
        grid: Grid::Half,
        due_items: None,
        gloveboxes: None,
        request: Request::default(),
        seed: 0,
    };
    Asked { scope, free: Vec::new(), named: Vec::new(), time: TIME }
}

fn written(tx: &mut Tx<'_>, proposed: &ProposedPlan, zone: Tz, took: Duration) -> Result<String> {
    let plan = &proposed.plan;
    let mut names = Names::default();
    let mut text =
        format!("\nA plan for {DAYS} days, found in {:.1} s: {}\n", took.as_secs_f64(), quality(plan));
    for visit in &plan.visits {
        line(tx, &mut names, &mut text, proposed, visit, zone)?;
    }
    for one in &plan.unplaced {
        writeln!(text, "  left out: {}", one.reason).unwrap_or_default();
    }
    if plan.visits.is_empty() && plan.unplaced.is_empty() {
        text.push_str("  nothing is to be done\n");
    }
    Ok(text)
}

fn quality(plan: &Plan) -> String {
    let proof = if plan.cost <= plan.lower_bound {
        "no plan counts for less".to_owned()
    } else {
        format!("at most {:.1} % above the best", plan.gap() * 100.0)
    };
    let displaced: BTreeSet<_> =
        plan.visits.iter().flat_map(|visit| &visit.displaced).map(|one| one.booking).collect();
    #[expect(clippy::cast_precision_loss, reason = "a bounded number of hundredths")]
    let hours = plan.cost as f64 / PERSON_HOUR as f64;
    format!(
        "{} visits, {} bookings give way, counted as {hours:.1} person-hours; {proof}",
        plan.visits.len(),
        displaced.len()
    )
}

fn line(
    tx: &mut Tx<'_>,
    names: &mut Names,
    text: &mut String,
    proposed: &ProposedPlan,
    visit: &Visit,
    zone: Tz,
) -> Result<()> {
    let (start, end) =
        (visit.interval.start().with_timezone(&zone), visit.interval.end().with_timezone(&zone));
    let last = if start.date_naive() == end.date_naive() { "%H:%M" } else { "%a %-d %b %H:%M" };
    let when = format!("{} to {}", start.format("%a %-d %b %H:%M"), end.format(last));
    let place = names.of(tx, visit.place.thing())?.unwrap_or_default();
    let tasks: Vec<String> = visit
        .tasks
        .iter()
        .filter_map(|task| proposed.basis_of(task.id))
        .map(|basis| format!("{} on {}", basis.task, basis.subject_tag))
        .collect();
    let mut people = BTreeSet::new();
    for id in visit.tasks.iter().flat_map(|task| &task.attended).flat_map(|part| &part.people) {
        people.extend(names.of(tx, *id)?);
    }
    let people: Vec<String> = people.into_iter().collect();
    let gives_way = match visit.displaced.len() {
        0 => String::new(),
        1 => "; 1 booking gives way".to_owned(),
        more => format!("; {more} bookings give way"),
    };
    let purge = if visit.purge.is_some() { ", then a purge" } else { "" };
    let what = format!("{}{purge}: {}{gives_way}", tasks.join(", "), people.join(", "));
    // Writing to a string cannot fail.
    writeln!(text, "  {when:<34} {place:<8} {what}").unwrap_or_default();
    Ok(())
}
