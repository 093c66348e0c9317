//! A plan for people to read: what is done where and when, by whom, who gives
//! way, and how good the whole is.

use super::named::Names;
use super::{Result, Tx};
use crate::domain::planning::plan::VisitCost;
use crate::domain::planning::record::ProposedPlan;
use crate::domain::planning::weights::person_hours;
use crate::domain::planning::{Plan, Visit};
use chrono_tz::Tz;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// A plan as text, in a zone's time.
pub(crate) fn written(tx: &mut Tx<'_>, proposed: &ProposedPlan, zone: Tz) -> Result<String> {
    let plan = &proposed.plan;
    let mut names = Names::default();
    let mut text = format!("{} (times in {})\n", quality(plan), zone.name());
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
    let sum = |part: fn(&VisitCost) -> i64| plan.visits.iter().map(|visit| part(&visit.cost)).sum::<i64>();
    let left_out: i64 = plan.unplaced.iter().map(|one| one.cost).sum();
    let parts = [
        ("visits and purges", sum(|cost| cost.setup)),
        ("bookings that give way", sum(|cost| cost.displaced)),
        ("lateness", sum(|cost| cost.late)),
        ("unused life", sum(|cost| cost.wasted)),
        ("what is left out", left_out),
    ];
    let parts: Vec<String> = parts
        .into_iter()
        .filter(|(_, units)| *units > 0)
        .map(|(what, units)| format!("{:.1} {what}", person_hours(units)))
        .collect();
    let parts = if parts.is_empty() { String::new() } else { format!(" ({})", parts.join(", ")) };
    format!(
        "{} visits, {} bookings give way; counted as {:.1} person-hours{parts}; {proof}",
        plan.visits.len(),
        displaced.len(),
        person_hours(plan.cost)
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
