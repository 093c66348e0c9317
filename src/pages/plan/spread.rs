//! A plan day by day: on the one side what would be done, by whom, and who gives way;
//! on the other what is booked on those boxes that day.

use crate::domain::booking::Caution;
use crate::domain::calendar::Interval;
use crate::domain::ids::GloveboxId;
use crate::domain::planning::cautions::cautions;
use crate::domain::planning::plan::{Displaced, VisitCost};
use crate::domain::planning::record::ProposedPlan;
use crate::domain::planning::weights::person_hours;
use crate::domain::planning::{Place, Plan, Visit};
use crate::domain::violations::Violation;
use crate::pages::forms;
use crate::pages::say;
use crate::pages::session::Visitor;
use crate::usecases::plan_desk::{Beside, Spread};
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use std::collections::BTreeSet;
use uuid::Uuid;

pub(super) fn page(spread: &Spread, visitor: &Visitor, changes: &[Violation]) -> Markup {
    let value = &spread.plan.value;
    let plan = &value.plan;
    let (now, zone) = (spread.now, spread.site.timezone);
    let horizon = value.scope.horizon;
    html! {
        header.day {
            h1 { "A plan for upkeep" }
            p.quiet {
                "From " (say::moment(horizon.start(), now, zone)) " to " (say::moment(horizon.end(), now, zone))
                " (" (say::zone(now, zone)) "), proposed " (say::ago(spread.plan.created_at, now)) " by "
                (say::name(&value.proposed_by)) "."
            }
        }
        @if !changes.is_empty() {
            div.taken role="alert" tabindex="-1" id="faults" {
                h2 { span.mark aria-hidden="true" { "◆ " } "It was not adopted" }
                ul { @for change in changes { li { (change.detail) } } }
                p { "Nothing on the calendar was changed. " a href="/plan" { "Search for a plan as things are now" } "." }
            }
        }
        p.lead { (in_short(plan)) }
        (price(plan))
        (decision(spread, visitor))
        @if !plan.visits.is_empty() {
            section aria-labelledby="days" {
                h2 id="days" { "Day by day" }
                @for (day, visits) in by_day(spread) { (told_day(&day, &visits, spread)) }
            }
        }
        (left_out(value))
    }
}

fn in_short(plan: &Plan) -> String {
    let (visits, ways) = (plan.visits.len(), giving_way(plan));
    let visits =
        say::capital(&format!("{} {}", say::number(visits), if visits == 1 { "visit" } else { "visits" }));
    let give = match ways {
        0 => "no booking has to give way".to_owned(),
        1 => "one booking gives way".to_owned(),
        more => format!("{} bookings give way", say::number(more)),
    };
    let out = match plan.unplaced.len() {
        0 => "nothing is left out".to_owned(),
        1 => "one task is left out".to_owned(),
        more => format!("{} tasks are left out", say::number(more)),
    };
    format!("{visits}; {give}; {out}.")
}

fn giving_way(plan: &Plan) -> usize {
    plan.visits
        .iter()
        .flat_map(|visit| &visit.displaced)
        .map(|one| one.booking)
        .collect::<BTreeSet<_>>()
        .len()
}

/// What the plan counts for, what that is made of, and how good it is.
fn price(plan: &Plan) -> Markup {
    let sum = |part: fn(&VisitCost) -> i64| plan.visits.iter().map(|visit| part(&visit.cost)).sum::<i64>();
    let parts = [
        ("for the visits themselves and their purges", sum(|cost| cost.setup)),
        ("for people whose bookings give way", sum(|cost| cost.displaced)),
        ("for what is done late", sum(|cost| cost.late)),
        ("for parts changed before their time", sum(|cost| cost.wasted)),
        ("for what is left out", plan.unplaced.iter().map(|one| one.cost).sum()),
    ];
    html! {
        p {
            "By this facility’s weights it counts for " strong { (say::level(person_hours(plan.cost))) " person-hours" } ". "
            @if plan.cost <= plan.lower_bound { "It is proved that no plan counts for less" }
            @else { "The best plan counts for at most " (say::level(plan.gap() * 100.0)) " % less" }
            @if plan.candidates_cut { ", among those looked at: a place has too many tasks for every way to join them" }
            "."
        }
        @if parts.iter().any(|(_, units)| *units > 0) {
            ul.price {
                @for (what, units) in parts.iter().filter(|(_, units)| *units > 0) {
                    li { strong { (say::level(person_hours(*units))) } " " (what) }
                }
            }
        }
    }
}

fn decision(spread: &Spread, visitor: &Visitor) -> Markup {
    let value = &spread.plan.value;
    let (now, zone) = (spread.now, spread.site.timezone);
    let ways = giving_way(&value.plan);
    html! {
        @if let Some(adopted) = &value.adopted {
            p.note role="status" {
                "✓ Adopted " (say::moment(adopted.at, now, zone)) " by " (say::name(&adopted.by))
                ": its visits are on the calendar. " a href="/plan" { "What else wants doing" } "."
            }
        } @else if !value.plan.visits.is_empty() {
            div.actions {
                form method="post" action={ "/plan/" (spread.plan.id) } {
                    (forms::stamp(visitor))
                    input type="hidden" name="version" value=(spread.plan.version);
                    p {
                        "Adopting puts all of it on the calendar, or nothing if something has changed."
                        @if ways > 0 { " " (say::capital(&say::count(ways, "booking"))) " would be cancelled, and their holders told where they could go." }
                    }
                    button name="do" value="adopt" { "Adopt this plan" }
                    " "
                    button.second name="do" value="discard" { "Throw it away" }
                }
            }
        }
    }
}

/// The visits by the day on which they begin.
fn by_day(spread: &Spread) -> Vec<(String, Vec<&Visit>)> {
    let mut days: Vec<(String, Vec<&Visit>)> = Vec::new();
    let mut visits: Vec<&Visit> = spread.plan.value.plan.visits.iter().collect();
    visits.sort_by_key(|visit| visit.interval);
    for visit in visits {
        let local = visit.interval.start().with_timezone(&spread.site.timezone);
        let day = local.format("%A %-d %B").to_string();
        match days.last_mut() {
            Some((last, of_day)) if *last == day => of_day.push(visit),
            _ => days.push((day, vec![visit])),
        }
    }
    days
}

fn told_day(day: &str, visits: &[&Visit], spread: &Spread) -> Markup {
    let zone = spread.site.timezone;
    let date = |at: DateTime<Utc>| at.with_timezone(&zone).date_naive();
    let dates: BTreeSet<_> =
        visits.iter().flat_map(|visit| [date(visit.interval.start()), date(visit.interval.end())]).collect();
    let boxes: BTreeSet<GloveboxId> = visits.iter().flat_map(|visit| touched(visit)).collect();
    let beside: Vec<&Beside> = spread
        .beside
        .iter()
        .filter(|one| boxes.contains(&one.glovebox))
        .filter(|one| {
            dates.iter().any(|day| date(one.interval.start()) <= *day && *day <= date(one.interval.end()))
        })
        .collect();
    html! {
        div.daybook {
            h3 { (day) }
            div.sides {
                div.proposed {
                    h4 { "Would be done" }
                    @for visit in visits { (told_visit(visit, spread)) }
                }
                div.booked {
                    h4 { "Booked there that day" }
                    @if beside.is_empty() { p.quiet { "Nothing" } }
                    ul {
                        @for one in beside { (booked(one, visits, spread)) }
                    }
                }
            }
        }
    }
}

/// The boxes that a visit closes or is at.
fn touched(visit: &Visit) -> Vec<GloveboxId> {
    let at = match visit.place {
        Place::Glovebox(id) => Some(id),
        Place::Elsewhere(_) => None,
    };
    visit.closes.iter().map(|(id, _)| *id).chain(at).collect()
}

fn booked(one: &Beside, visits: &[&Visit], spread: &Spread) -> Markup {
    let gives_way = spread.plan.value.adopted.is_none()
        && visits.iter().any(|visit| visit.displaced.iter().any(|gone| gone.booking == one.id));
    html! {
        li {
            span.tag { (one.tag) } " "
            @match visits.first() { Some(first) => (on_day(one.interval, first, spread)), None => (span(one.interval, spread)) }
            ", "
            @match &one.who { Some(who) => (say::name(who)), None => "somebody" }
            @if gives_way { " " strong.word { "▲ gives way" } }
        }
    }
}

fn name(spread: &Spread, id: Uuid) -> &str {
    spread.names.get(&id).map_or("", String::as_str)
}

fn told_visit(visit: &Visit, spread: &Spread) -> Markup {
    let value = &spread.plan.value;
    let (now, zone) = (spread.now, spread.site.timezone);
    let beware: Vec<Caution> = cautions(
        visit.tasks.iter().filter_map(|task| value.basis_of(task.id)).map(|basis| &basis.task),
        visit.purge.is_some(),
    );
    let closed: BTreeSet<String> =
        visit.closes.iter().map(|(id, _)| name(spread, id.uuid()).to_owned()).collect();
    let closed: Vec<String> = closed.into_iter().collect();
    html! {
        article.visit {
            h5 { (name(spread, visit.place.thing().uuid())) ", " (on_day(visit.interval, visit, spread)) }
            ul.plain {
                @for placed in &visit.tasks {
                    @if let Some(basis) = value.basis_of(placed.id) {
                        li {
                            strong { (say::task(basis.task.as_str())) } " on " (basis.subject_tag)
                            (crew(placed.attended.iter().flat_map(|part| &part.people).map(|id| id.uuid()), spread))
                            @if let Some(by) = basis.act_by { (dated(by, placed.interval, spread)) }
                            @if basis.safety { "; " strong { "people’s safety" } }
                        }
                    }
                }
            }
            @if let Some(purge) = visit.purge { p.quiet { "Then a purge, " (on_day(purge, visit, spread)) "." } }
            @if !closed.is_empty() { p.quiet { "Closed to use meanwhile: " (say::and(&closed)) "." } }
            @for one in &visit.displaced { (gives_way(one, spread)) }
            @if !beware.is_empty() {
                ul.cautions aria-label="Cautions" {
                    @for caution in &beware { li { span.mark aria-hidden="true" { "▲ " } (caution.text) } }
                }
            }
            details {
                summary { "Why then" }
                ul.reasons { @for reason in &visit.reasons { li { (say::locally(reason, now, zone)) } } }
            }
        }
    }
}

fn crew(ids: impl Iterator<Item = Uuid>, spread: &Spread) -> Markup {
    let people: BTreeSet<Uuid> = ids.collect();
    html! {
        @for (number, id) in people.iter().enumerate() {
            @if number == 0 { ": " } @else { ", " } (say::name(name(spread, *id)))
        }
    }
}

/// A time of a visit, without the day that it is told under.
fn on_day(interval: Interval, visit: &Visit, spread: &Spread) -> Markup {
    let zone = spread.site.timezone;
    let day = visit.interval.start().with_timezone(&zone).date_naive();
    say::span_on(day, (interval.start(), interval.end()), spread.now, zone)
}

/// By when a task has to be done, or had to be.
fn dated(by: DateTime<Utc>, done: Interval, spread: &Spread) -> Markup {
    let by_then = say::moment(by, spread.now, spread.site.timezone);
    html! {
        @if by < done.end() { "; " span.word { "▲ late" } ": was to be done by " (by_then) }
        @else { span.quiet { "; to be done by " (by_then) } }
    }
}

fn span(interval: Interval, spread: &Spread) -> Markup {
    say::span(interval.start(), interval.end(), spread.now, spread.site.timezone)
}

/// Whose booking gives way, what that counts for, and where they could go.
fn gives_way(displaced: &Displaced, spread: &Spread) -> Markup {
    let elsewhere = spread.plan.value.alternatives.iter().find(|one| one.booking == displaced.booking);
    let openings = elsewhere.map_or(&[][..], |one| one.openings.as_slice());
    html! {
        div.gives-way {
            p {
                strong.word { "▲ Gives way: " }
                @match spread.displaced.get(&displaced.booking) {
                    Some(one) => {
                        @match &one.who { Some(who) => (say::name(who)), None => "somebody" }
                        ", " (one.tag) " " (span(one.interval, spread))
                    },
                    None => "a booking that is gone by now",
                }
                span.quiet { " (counted as " (say::level(person_hours(displaced.cost))) " person-hours)" }
            }
            @if openings.is_empty() { p.quiet { "No other place was found for it within two weeks." } }
            @else {
                p.quiet { "Could go instead to:" }
                ul {
                    @for one in openings {
                        li { (one.glovebox_tag) " " (say::and(&one.stations)) ", " (span(one.interval, spread)) }
                    }
                }
            }
        }
    }
}

fn left_out(value: &ProposedPlan) -> Markup {
    html! {
        @if !value.plan.unplaced.is_empty() {
            section aria-labelledby="left-out" {
                h2 id="left-out" { "Left out, and why" }
                ul.plain {
                    @for one in &value.plan.unplaced {
                        li {
                            @if let Some(basis) = value.basis_of(one.id) {
                                strong { (say::task(basis.task.as_str())) } " on " (basis.subject_tag) ". "
                            }
                            (say::plainly(&one.reason))
                            span.quiet { " Counted as " (say::level(person_hours(one.cost))) " person-hours." }
                        }
                    }
                }
            }
        }
    }
}
