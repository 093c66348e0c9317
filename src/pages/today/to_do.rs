//! What is to do before anyone arrives: what is overdue or due today, visits of the
//! day and those that were missed, what must be ordered now.

use super::{NIGHT, Told};
use crate::domain::planning::cautions::cautions;
use crate::domain::upkeep::DueState;
use crate::domain::upkeep::evidence::digits;
use crate::domain::upkeep::report::ReportOrder;
use crate::domain::upkeep::report_visit::ReportVisit;
use crate::pages::say;
use crate::usecases::due_items::KeptItem;
use crate::usecases::morning::Morning;
use maud::{Markup, html};

/// So many tasks are shown at once; the rest opens at a press.
const AT_ONCE: usize = 6;

pub(super) fn section(morning: &Morning, told: Told) -> Markup {
    let due: Vec<&KeptItem> = morning
        .pressing
        .iter()
        .filter(|kept| matches!(kept.item.state, DueState::Overdue | DueState::Due))
        .collect();
    let today = |visit: &&ReportVisit| !visit.missed && is_of_today(visit, told);
    let missed: Vec<&ReportVisit> = morning.visits.iter().filter(|visit| visit.missed).collect();
    let visits: Vec<&ReportVisit> = morning.visits.iter().filter(today).collect();
    let orders: Vec<&ReportOrder> =
        morning.night.iter().flat_map(|night| &night.orders).filter(|order| order.order_now).collect();
    let beware = cautions(due.iter().map(|kept| &kept.item.task), false);
    html! {
        section aria-labelledby="to-do" {
            h2 id="to-do" { "What to do before anyone arrives" }
            p.answer { (answer(morning, due.len(), told)) }
            @if !due.is_empty() {
                (tasks(&due[..due.len().min(AT_ONCE)], morning, told))
                @if due.len() > AT_ONCE {
                    details.more {
                        summary { (say::number(due.len() - AT_ONCE)) " more" }
                        (tasks(&due[AT_ONCE..], morning, told))
                    }
                }
            }
            @if !beware.is_empty() {
                ul.cautions aria-label="Cautions for these tasks" {
                    @for caution in &beware { li { span.mark aria-hidden="true" { "▲ " } (caution.text) } }
                }
            }
            @if !missed.is_empty() {
                h3 { "Planned and not done" }
                (told_visits(&missed, told))
            }
            @if !visits.is_empty() {
                h3 { "On the calendar today" }
                (told_visits(&visits, told))
            }
            @if !orders.is_empty() {
                h3 { "To order now" }
                ul.plain { @for order in orders { li { (ordered(order, told)) } } }
            }
        }
    }
}

/// Whether a visit is under way or begins today.
pub(super) fn is_of_today(visit: &ReportVisit, told: Told) -> bool {
    visit.start <= told.now || told.day(visit.start) == "today"
}

/// What can be said where nothing is on the list: only a night knows.
pub(in crate::pages) fn nothing(morning: &Morning, told: Told) -> &'static str {
    match &morning.night {
        None => "What is due is not known: no night has been computed yet.",
        Some(night) if told.now - night.as_of > NIGHT => {
            "? Nothing was overdue or due when it was last computed, and that is long ago."
        }
        Some(_) => "Nothing is overdue or due today.",
    }
}

fn answer(morning: &Morning, due: usize, told: Told) -> Markup {
    let coming = morning.boxes.iter().flat_map(|one| {
        let tag = one.glovebox.value.tag.to_string();
        one.turns
            .iter()
            .filter(|turn| turn.interval.start() > told.now)
            .map(move |turn| (turn.interval.start(), tag.clone()))
    });
    let first = coming.min();
    html! {
        @match due {
            0 => (nothing(morning, told)),
            1 => "One task is overdue or due today.",
            n => { (say::capital(&say::number(n))) " tasks are overdue or due today." }
        }
        " "
        @match first {
            Some((at, tag)) => { "The next to arrive is booked for " (told.moment(at)) " at " (tag) "." }
            None => "No booking is still to come today.",
        }
    }
}

fn tasks(due: &[&KeptItem], morning: &Morning, told: Told) -> Markup {
    html! {
        ol.tasks {
            @for kept in due {
                @let item = &kept.item;
                @let planned = morning.planned.get(&(item.task.clone(), item.subject));
                li {
                    p.state { (state(kept, told)) }
                    div {
                        p.what { strong { (say::task(item.task.as_str())) } " " span.tag { (item.subject_tag) } }
                        p.quiet { (say::plainly(item.summary())) "." }
                        @if let Some((_, at)) = planned { p.quiet { "Planned for " (told.moment(*at)) "." } }
                        @else { p.quiet { "Not planned." } }
                    }
                }
            }
        }
    }
}

/// Where a task stands, as a form and a word.
fn state(kept: &KeptItem, told: Told) -> Markup {
    let overdue = kept.item.state == DueState::Overdue;
    let by = kept.item.act_by.filter(|_| overdue);
    html! {
        @if overdue { span.mark.word aria-hidden="true" { "◆ " } } @else { span.mark aria-hidden="true" { "● " } }
        @match by {
            Some(at) => span.word { "overdue " (say::length(told.now - at)) },
            None if overdue => span.word { "overdue" },
            None => "due today",
        }
        @if kept.item.safety { br; strong { "people’s safety" } }
    }
}

pub(super) fn told_visits(visits: &[&ReportVisit], told: Told) -> Markup {
    html! {
        ul.plain {
            @for visit in visits {
                li {
                    (say::span(visit.start, visit.end, told.now, told.zone)) " " span.tag { (visit.place_tag) } ": "
                    (say::and(&visit.tasks.iter().map(|task| task.replace('_', " ")).collect::<Vec<_>>()))
                    @if !visit.people.is_empty() { ", by " (say::names(&visit.people)) }
                    @if !visit.away.is_empty() {
                        ". " span.word { "▲ away then: " (say::names(&visit.away)) }
                    }
                }
            }
        }
    }
}

fn ordered(order: &ReportOrder, told: Told) -> Markup {
    html! {
        strong { (say::name(order.name.as_str())) } " " span.tag { (order.tag) } ": "
        (digits(order.usable.get())) " " (say::name(order.unit.as_str())) " usable"
        @if let Some((at, short)) = order.first_shortfall.zip(order.quantity_short) {
            ", " (digits(short.get())) " short " (told.day(at))
        }
    }
}
