//! What wants doing, the form that searches, what could not be done, what is on the
//! calendar.

use super::WEEKS;
use crate::domain::facility::Stored;
use crate::domain::planning::Refusal;
use crate::domain::planning::cautions::cautions;
use crate::domain::planning::record::ProposedPlan;
use crate::domain::planning::weights::person_hours;
use crate::domain::upkeep::DueState;
use crate::pages::forms::{self, Field, Form};
use crate::pages::say;
use crate::pages::session::Visitor;
use crate::usecases::due_items::KeptItem;
use crate::usecases::plan_desk::{Desk, OnCalendar};
use maud::{Markup, html};

/// So many tasks are shown at once; the rest opens at a press.
const AT_ONCE: usize = 8;

pub(super) fn page(desk: &Desk, visitor: &Visitor, form: Form<'_>, refusal: Option<&Refusal>) -> Markup {
    let planned = |kept: &&KeptItem| desk.planned.contains_key(&(kept.item.task.clone(), kept.item.subject));
    let (done, open): (Vec<&KeptItem>, Vec<&KeptItem>) = desk.wanting.iter().partition(planned);
    html! {
        header.day {
            h1 { "Plan upkeep" }
            p.lead {
                (say::capital(&say::count(open.len(), "task"))) " " @if open.len() == 1 { "wants" } @else { "want" }
                " doing and " @if open.len() == 1 { "is" } @else { "are" } " not planned"
                @if !done.is_empty() { "; " (say::number(done.len())) " more " @if done.len() == 1 { "is" } @else { "are" } " on the calendar" }
                "."
            }
        }
        (form.summary())
        @if let Some(refusal) = refusal { (impossible(refusal, desk)) }
        (search(desk, visitor, form))
        (waiting(&desk.proposed, desk))
        section aria-labelledby="wanting" {
            h2 id="wanting" { "What wants doing" }
            @if open.is_empty() { p.quiet { "Nothing that is not planned." } }
            (tasks(&open[..open.len().min(AT_ONCE)], desk))
            @if open.len() > AT_ONCE {
                details.more {
                    summary { (say::capital(&say::number(open.len() - AT_ONCE))) " more" }
                    (tasks(&open[AT_ONCE..], desk))
                }
            }
        }
        (calendar(desk))
    }
}

fn search(desk: &Desk, visitor: &Visitor, form: Form<'_>) -> Markup {
    let weeks = WEEKS
        .iter()
        .map(|weeks| (weeks.to_string(), say::count(usize::try_from(*weeks).unwrap_or_default(), "week")));
    let weeks: Vec<(String, String)> = weeks.collect();
    let boxes: Vec<(String, String)> = std::iter::once((String::new(), "Everything".to_owned()))
        .chain(desk.boxes.iter().map(|one| (one.value.tag.to_string(), format!("only {}", one.value.tag))))
        .collect();
    html! {
        form.need method="post" action="/plan" data-busy="Searching: what bears on the plan is being put together." {
            (forms::stamp(visitor))
            div.row {
                (form.choice(Field { name: "weeks", label: "For the next", hint: "" }, &weeks))
                (form.choice(Field { name: "box", label: "What", hint: "" }, &boxes))
            }
            p.hint {
                "A search takes up to ten seconds. It proposes; nothing on the calendar changes until you adopt a plan."
            }
            button { "Search for a plan" }
            p.busy role="status" {}
        }
    }
}

/// Why there is no plan, and what could be relaxed.
fn impossible(refusal: &Refusal, desk: &Desk) -> Markup {
    let (now, zone) = (desk.now, desk.site.timezone);
    html! {
        div.taken role="alert" tabindex="-1" id="faults" {
            h2 { span.mark aria-hidden="true" { "◆ " } "There is no plan that does what must be done" }
            p { (say::locally(&refusal.summary, now, zone)) }
            @if !refusal.in_the_way.is_empty() {
                ul {
                    @for way in &refusal.in_the_way {
                        li {
                            (say::locally(&way.sentence, now, zone)) ". " (way.relax)
                            @if way.suffices { " That alone would be enough." }
                        }
                    }
                }
            }
            p.quiet {
                @if refusal.proved { "This is proved, not only not found." }
                @else { "No way was found in the time for searching; that is no proof that there is none." }
            }
        }
    }
}

/// Plans that were proposed and not adopted.
fn waiting(proposed: &[Stored<ProposedPlan>], desk: &Desk) -> Markup {
    let (now, zone) = (desk.now, desk.site.timezone);
    html! {
        @if !proposed.is_empty() {
            section aria-labelledby="proposed" {
                h2 id="proposed" { "Proposed and not adopted" }
                ul.plain {
                    @for plan in proposed {
                        @let visits = plan.value.plan.visits.len();
                        li {
                            a href={ "/plan/" (plan.id) } {
                                (say::count(visits, "visit")) " until " (say::day(plan.value.scope.horizon.end(), now, zone))
                            }
                            span.quiet {
                                ", counted as " (say::level(person_hours(plan.value.plan.cost))) " person-hours; proposed "
                                (say::ago(plan.created_at, now)) " by " (say::name(&plan.value.proposed_by))
                            }
                        }
                    }
                }
            }
        }
    }
}

fn tasks(items: &[&KeptItem], desk: &Desk) -> Markup {
    let (now, zone) = (desk.now, desk.site.timezone);
    html! {
        ol.tasks {
            @for kept in items {
                @let item = &kept.item;
                li {
                    p.state {
                        @match item.state {
                            DueState::Overdue => span.word { "◆ overdue" },
                            DueState::Due => span { "● due" },
                            DueState::Approaching | DueState::Current | DueState::Unknown => span { "○ approaching" },
                        }
                        @if item.safety { br; strong { "people’s safety" } }
                    }
                    div {
                        p.what { strong { (say::task(item.task.as_str())) } " " span.tag { (item.subject_tag) } }
                        @if let Some(by) = item.act_by { p { "To be done by " (say::moment(by, now, zone)) "." } }
                        p.quiet { (say::locally(item.summary(), now, zone)) "." }
                    }
                }
            }
        }
    }
}

fn calendar(desk: &Desk) -> Markup {
    html! {
        section aria-labelledby="visits" {
            h2 id="visits" { "On the calendar" }
            @if desk.visits.is_empty() { p.quiet { "No visit is planned." } }
            ol.tasks { @for one in &desk.visits { (visit(one, desk)) } }
        }
    }
}

fn visit(one: &OnCalendar, desk: &Desk) -> Markup {
    let (now, zone) = (desk.now, desk.site.timezone);
    let value = &one.visit.value;
    let tasks: Vec<String> = value
        .tasks
        .iter()
        .map(|task| {
            let done = if task.service.is_some() { " (done)" } else { "" };
            format!("{} on {}{done}", say::task(task.task.as_str()), task.subject_tag)
        })
        .collect();
    let missed = value.is_missed(now);
    let beware = cautions(value.to_do().map(|task| &task.task), value.purge.is_some());
    html! {
        li {
            p.state {
                @if missed { span.word { "▲ not done" } br; }
                (say::span(value.interval.start(), value.interval.end(), now, zone))
            }
            div {
                p.what { strong { (one.place) } ": " (say::and(&tasks)) }
                @if !one.people.is_empty() {
                    p.quiet { (say::names(&one.people)) }
                }
                @if !value.displaced.is_empty() { p.quiet { (say::count(value.displaced.len(), "booking")) " gave way." } }
                @if !missed && !beware.is_empty() {
                    details {
                        summary { "▲ " (say::count(beware.len(), "caution")) }
                        ul.cautions { @for caution in &beware { li { (caution.text) } } }
                    }
                }
            }
        }
    }
}
