//! What may surprise this week: what draws near, what the readings point out, when
//! the facility is closed, and how long the gas lasts.

use super::Told;
use super::to_do::{self, told_visits};
use crate::domain::facility::site::SiteClosure;
use crate::domain::upkeep::DueState;
use crate::domain::upkeep::evidence::DueDates;
use crate::domain::upkeep::report::{NightlyReport, ReportSupply};
use crate::domain::upkeep::report_visit::ReportVisit;
use crate::pages::plot::frame::Table;
use crate::pages::say;
use crate::usecases::due_items::KeptItem;
use crate::usecases::morning::{AHEAD, Morning};
use chrono::{DateTime, Utc};
use maud::{Markup, html};

pub(super) fn section(morning: &Morning, button: &Markup, told: Told) -> Markup {
    let later = |visit: &&ReportVisit| !visit.missed && !to_do::is_of_today(visit, told);
    let visits: Vec<&ReportVisit> = morning.visits.iter().filter(later).collect();
    html! {
        section aria-labelledby="week" {
            h2 id="week" { "What may surprise this week" }
            (computed(morning.night.as_ref(), told))
            (button)
            (surprises(morning, told))
            @if !visits.is_empty() {
                h3 { "Planned for the week" }
                (told_visits(&visits, told))
            }
            @if let Some(night) = &morning.night { (gas(&night.gas_supplies, told)) }
        }
    }
}

/// What the readings point out, what draws near, when it is closed, what nobody can tell.
fn surprises(morning: &Morning, told: Told) -> Markup {
    let soon = told.now + AHEAD;
    let nears = |kept: &&KeptItem| {
        kept.item.state == DueState::Approaching && first_of(kept).is_some_and(|at| at < soon)
    };
    let is_near =
        |closure: &&SiteClosure| closure.interval.end() > told.now && closure.interval.start() < soon;
    html! {
        ul.surprises {
            @for observation in morning.night.iter().flat_map(|night| &night.observations) {
                li { span.tag { (observation.subject_tag) } " " (say::plainly(&observation.text)) }
            }
            @for kept in morning.pressing.iter().filter(nears) { li { (near(kept, morning, told)) } }
            @for closure in morning.site.closures.iter().filter(is_near) {
                li {
                    "Closed " (say::span(closure.interval.start(), closure.interval.end(), told.now, told.zone))
                    ": " (say::name(closure.reason.as_str()))
                    @if closure.glovebox.is_some() { " (one box)" }
                }
            }
            @if morning.unknown > 0 {
                li {
                    "? Of " (say::count(morning.unknown, "task")) " the data cannot tell when "
                    @if morning.unknown == 1 { "it is" } @else { "they are" } " due."
                }
            }
        }
    }
}

/// What draws near, when, and whether it is planned.
fn near(kept: &KeptItem, morning: &Morning, told: Told) -> Markup {
    html! {
        span.tag { (kept.item.subject_tag) } " " (say::task(kept.item.task.as_str()))
        @if let Some(due) = kept.item.due { ": " (dates(due, told)) }
        @if let Some((_, at)) = morning.planned.get(&(kept.item.task.clone(), kept.item.subject)) {
            "; planned for " (told.moment(*at))
        } @else { "; not planned" }
    }
}

/// The first date of an item that counts.
fn first_of(kept: &KeptItem) -> Option<DateTime<Utc>> {
    let earliest = kept.item.due.and_then(|due| due.earliest);
    [earliest, kept.item.act_by].into_iter().flatten().min()
}

fn computed(night: Option<&NightlyReport>, told: Told) -> Markup {
    html! {
        @match night {
            Some(night) => p.quiet { "Computed " (say::ago(night.as_of, told.now)) ", for " (told.moment(night.as_of)) "." }
            None => p.answer { "Nothing has been computed yet: the nightly run works out what is due and how long the gas lasts." },
        }
    }
}

/// A date with its band: the likely day, and between which days it hardly fails to lie;
/// between which times where that is one day.
pub(in crate::pages) fn dates(due: DueDates, told: Told) -> Markup {
    let likely = told.day(due.likely);
    let certain = due.earliest == Some(due.likely) && due.latest == Some(due.likely);
    let of_a_day = due
        .earliest
        .zip(due.latest)
        .filter(|(early, late)| !certain && told.day(*early) == likely && told.day(*late) == likely);
    html! {
        "likely " (likely)
        @if let Some((early, late)) = of_a_day {
            " (hardly before " (say::clock(early, told.zone)) ", hardly after " (say::clock(late, told.zone)) ")"
        } @else if !certain {
            " ("
            @match due.earliest { Some(at) => { "hardly before " (told.day(at)) } None => "how early, the data do not tell" }
            ", "
            @match due.latest { Some(at) => { "hardly after " (told.day(at)) } None => "how late, the data do not tell" }
            ")"
        }
    }
}

fn gas(supplies: &[ReportSupply], told: Told) -> Markup {
    let row = |supply: &ReportSupply| {
        let connected: Vec<String> = supply.connected.iter().map(ToString::to_string).collect();
        vec![
            html! { (supply.tag) span.quiet { " " (supply.gas.word().replace('_', " ")) } },
            left(supply.empty, supply.reason.as_deref(), told),
            left(supply.exhausted, None, told),
            html! { (say::and(&connected)) },
        ]
    };
    let table = Table {
        columns: vec!["Supply", "Until changeover", "With standby", "Connected"],
        rows: supplies.iter().map(row).collect(),
    };
    html! {
        @if !supplies.is_empty() {
            h3 { "Gas left" }
            (table.shown("Gas left"))
        }
    }
}

/// For how long something lasts, with its band.
pub(in crate::pages) fn left(until: Option<DueDates>, reason: Option<&str>, told: Told) -> Markup {
    let Some(until) = until else {
        return html! { @match reason { Some(reason) => { "? " (reason) } None => "–" } };
    };
    let days = |at: DateTime<Utc>| (at - told.now).num_days().max(0);
    html! {
        @if until.likely <= told.now { strong.word { "▲ now" } }
        @else { strong { (say::length(until.likely - told.now)) } }
        @match (until.earliest, until.latest) {
            (Some(early), Some(late)) if early != late => span.quiet { " (" (days(early)) " to " (days(late)) ")" },
            (Some(early), None) => span.quiet { " (" (days(early)) " or more)" },
            (None, Some(late)) => span.quiet { " (at most " (days(late)) ")" },
            _ => {},
        }
        ", " (told.day(until.likely))
    }
}
