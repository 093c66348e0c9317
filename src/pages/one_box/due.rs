//! What is due on the box and its parts: each date with the stretch that it hardly
//! misses, and what the date rests on, so that anyone can judge it.

use crate::domain::calendar::Interval;
use crate::domain::planning::cautions::cautions;
use crate::domain::upkeep::DueState;
use crate::domain::upkeep::due::TriggerState;
use crate::domain::upkeep::evidence::{DueDates, Evidence, Parameter, digits};
use crate::pages::plot::frame::{Table, figure};
use crate::pages::plot::spans::{Span, spans};
use crate::pages::plot::time::TimeAxis;
use crate::pages::say;
use crate::pages::today::{Told, week::dates};
use crate::usecases::due_items::KeptItem;
use crate::usecases::one_box::BoxSeen;
use chrono::TimeDelta;
use maud::{Markup, html};

/// How far ahead dates are drawn; what lies beyond is an arrow.
const DRAWN: TimeDelta = TimeDelta::days(90);
/// How far back what is overdue is drawn, and how far where nothing is.
const BACK: (TimeDelta, TimeDelta) = (TimeDelta::days(21), TimeDelta::days(2));

pub(super) fn section(seen: &BoxSeen, told: Told) -> Markup {
    html! {
        section aria-labelledby="due" {
            h2 id="due" { "What falls due next, and how sure is that?" }
            @if seen.due.is_empty() { p.answer { "Nothing has been computed for this box yet; the nightly run does." } }
            @else {
                (drawn(seen, told))
                (beware(&seen.due))
                h3 { "What each date rests on" }
                @for kept in &seen.due { (explained(kept, seen, told)) }
            }
        }
    }
}

fn title(kept: &KeptItem) -> String {
    format!("{}, {}", say::task(kept.item.task.as_str()), kept.item.subject_tag)
}

fn drawn(seen: &BoxSeen, told: Told) -> Markup {
    let dated: Vec<Span> = seen
        .due
        .iter()
        .filter_map(|kept| {
            let due = kept.item.due?;
            let overdue = kept.item.state == DueState::Overdue;
            Some(Span {
                label: title(kept),
                within: within(due, told),
                earliest: due.earliest,
                likely: due.likely,
                latest: due.latest,
                overdue,
            })
        })
        .collect();
    let back = if dated.iter().any(|span| span.overdue) { BACK.0 } else { BACK.1 };
    let Ok(whole) = Interval::new(told.now - back, told.now + DRAWN) else { return html! {} };
    let says = says(&seen.due, told);
    let caption = html! {
        (says) " A round mark is the likely day, a diamond what is overdue; the bar reaches from the day that it hardly comes "
        "before to the day that it hardly comes after (four in five lie within), an arrow points to what lies beyond the picture. "
        "Where the bar would be hidden by its mark, it is told in words."
    };
    let axis = TimeAxis { whole, zone: told.zone };
    figure(&caption, &spans(&dated, axis, told.now, &says), &table(&seen.due, told), "what is due, and when")
}

/// From when to when a date hardly fails to lie, to the hour; an open end is left open.
fn within(due: DueDates, told: Told) -> String {
    let when = |at| say::when(at, told.now, told.zone);
    match (due.earliest, due.latest) {
        (Some(early), Some(late)) => format!("{} to {}", when(early), when(late)),
        (Some(early), None) => format!("{} or later", when(early)),
        (None, Some(late)) => format!("{} or earlier", when(late)),
        (None, None) => when(due.likely),
    }
}

fn says(due: &[KeptItem], told: Told) -> String {
    let overdue = due.iter().filter(|kept| kept.item.state == DueState::Overdue).count();
    let next = due.iter().find(|kept| kept.item.act_by.is_some_and(|at| at >= told.now));
    let overdue = match overdue {
        0 => "Nothing is overdue.".to_owned(),
        n => format!("{} overdue.", say::capital(&say::count(n, "task"))),
    };
    match next.and_then(|kept| Some((kept, kept.item.act_by?))) {
        Some((kept, at)) => format!("{overdue} Next is {}, {}.", lowered(&title(kept)), told.day(at)),
        None => overdue,
    }
}

/// Text that goes on in the middle of a sentence.
fn lowered(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

fn table(due: &[KeptItem], told: Told) -> Table {
    let row = |kept: &KeptItem| {
        let day = |at: Option<chrono::DateTime<chrono::Utc>>| html! { @match at { Some(at) => (told.day(at)), None => "–" } };
        let item = &kept.item;
        vec![
            html! { (title(kept)) },
            html! { (state(item.state)) @if item.safety { ", people’s safety" } },
            day(item.due.and_then(|due| due.earliest)),
            day(item.due.map(|due| due.likely)),
            day(item.due.and_then(|due| due.latest)),
            day(item.last_service),
        ]
    };
    Table {
        columns: vec!["Task", "State", "Hardly before", "Likely", "Hardly after", "Last done"],
        rows: due.iter().take(200).map(row).collect(),
    }
}

const fn state(state: DueState) -> &'static str {
    match state {
        DueState::Current => "not near yet",
        DueState::Unknown => "? the data do not tell",
        DueState::Approaching => "comes near",
        DueState::Due => "due today",
        DueState::Overdue => "◆ overdue",
    }
}

fn beware(due: &[KeptItem]) -> Markup {
    let near = |kept: &&KeptItem| !matches!(kept.item.state, DueState::Current | DueState::Unknown);
    let beware = cautions(due.iter().filter(near).map(|kept| &kept.item.task), false);
    html! {
        @if !beware.is_empty() {
            ul.cautions aria-label="Cautions for what comes near" {
                @for caution in &beware { li { span.mark aria-hidden="true" { "▲ " } (caution.text) } }
            }
        }
    }
}

fn explained(kept: &KeptItem, seen: &BoxSeen, told: Told) -> Markup {
    let item = &kept.item;
    let planned = seen.planned.get(&(item.task.clone(), item.subject));
    html! {
        details.why {
            summary {
                (title(kept)) ": " (state(item.state))
                @if let Some(due) = item.due { ", " (dates(due, told)) }
            }
            @if let Some((_, at)) = planned { p { "Planned for " (told.moment(*at)) "." } }
            @if let Some(moved) = &kept.moved { p { "Last moved: " (say::plainly(&moved.detail)) "." } }
            @for trigger in &item.triggers { (trigger_told(trigger, told)) }
        }
    }
}

fn trigger_told(trigger: &TriggerState, told: Told) -> Markup {
    let what = trigger
        .quantity
        .as_deref()
        .map(|quantity| format!(", {}", quantity.replace('_', " ")))
        .unwrap_or_default();
    html! {
        div.trigger {
            h4 {
                (say::task(&trigger.kind)) (what)
                @if trigger.governs { " – this one sets the date" }
            }
            p { (say::plainly(&trigger.summary)) "." @if let Some(due) = trigger.due { " By it: " (dates(due, told)) "." } }
            (rests_on(&trigger.evidence, told))
        }
    }
}

/// What a date rests on: method, readings, figures, assumptions.
pub(in crate::pages) fn rests_on(evidence: &Evidence, told: Told) -> Markup {
    html! {
        @if !evidence.model.is_empty() {
            p.quiet { "Method: " (evidence.model) "." @if !evidence.source.is_empty() { " After: " (evidence.source) "." } }
        }
        @if let Some(readings) = &evidence.readings {
            p.quiet {
                (say::capital(&say::count(readings.count, "reading")))
                @if let Some((first, last)) = readings.first.zip(readings.last) { ", " (say::span(first, last, told.now, told.zone)) }
                @match readings.gaps.len() { 0 => ".", n => { ", with " (say::count(n, "gap")) "." } }
            }
        }
        @if !evidence.parameters.is_empty() {
            dl.figures { @for figure in &evidence.parameters { (parameter(figure)) } }
        }
        @if !evidence.notes.is_empty() {
            ul.notes { @for note in &evidence.notes { li { (say::plainly(note)) "." } } }
        }
    }
}

fn parameter(figure: &Parameter) -> Markup {
    html! {
        div {
            dt { (say::task(&figure.name)) }
            dd {
                (digits(figure.value)) @if figure.unit != "1" { " " (figure.unit) }
                @if let Some((low, high)) = figure.low.zip(figure.high) { " (" (digits(low)) " to " (digits(high)) ")" }
            }
        }
    }
}
