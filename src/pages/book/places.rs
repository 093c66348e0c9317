//! Places that fit, each a button that books it, and a place and time of one's own.

use super::{Told, about, carried, need};
use crate::domain::booking::Caution;
use crate::domain::facility::Scope;
use crate::pages::forms::{Field, Twice};
use crate::pages::say;
use crate::usecases::openings::Opening;
use maud::{Markup, html};

pub(super) fn section(told: &Told<'_>) -> Markup {
    let found = told.found.unwrap_or_default();
    let alternatives = told.refusal.map_or(&[][..], |refusal| refusal.alternatives.as_slice());
    html! {
        section aria-labelledby="places" {
            h2 id="places" { (heading(told)) }
            @if let Some(note) = told.need.and_then(|need| need.note.as_ref()) { p.note { (note) } }
            @if told.found.is_some_and(<[_]>::is_empty) {
                p.lead {
                    "Nothing fits in the two weeks from then. Another box or gas, fewer hours or places, or a later day "
                    "may; or give a time of your own and see what is in its way."
                }
            }
            (mind(found))
            form method="post" action="/book" {
                (carried(told))
                (about(told))
                @if !found.is_empty() {
                    ol.openings { @for opening in found { (offered(opening, told)) } }
                }
                @if !alternatives.is_empty() {
                    ol.openings { @for other in alternatives { (super::refused::alternative(other, told)) } }
                }
                (own(told))
            }
        }
    }
}

fn heading(told: &Told<'_>) -> &'static str {
    match (told.found, told.refusal) {
        (Some([]), _) => "No place fits",
        (Some(_), _) => "Places that fit, the earliest first",
        (None, Some(refusal)) if !refusal.alternatives.is_empty() => "You could have instead",
        (None, _) => "Try again",
    }
}

/// What to mind with this work, wherever it is done.
fn mind(found: &[Opening]) -> Markup {
    let mut cautions: Vec<&Caution> = Vec::new();
    for caution in found.iter().flat_map(|opening| &opening.cautions) {
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    html! {
        @if !cautions.is_empty() {
            ul.cautions aria-label="To mind with this work" {
                @for caution in cautions { li { span.mark aria-hidden="true" { "▲ " } (say::name(&caution.text)) } }
            }
        }
    }
}

fn offered(opening: &Opening, told: &Told<'_>) -> Markup {
    let (now, zone) = (told.choices.now, told.choices.site.timezone);
    let (start, end) = (opening.interval.start(), opening.interval.end());
    let stations: Vec<String> = opening.stations.iter().map(|(_, tag)| tag.to_string()).collect();
    let gas = told.choices.boxes.iter().find(|one| one.value.tag == opening.tag);
    let gas = gas.map_or("", |one| one.value.working_gas.word());
    let may = opening.qualified == Some(true) || told.visitor.may(Scope::BookingsManage);
    html! {
        li.opening {
            div {
                p.when { (say::span(start, end, now, zone)) }
                p.place { strong { (opening.tag) } " " (say::and(&stations)) span.quiet { ", " (gas) } }
                p.quiet {
                    @if opening.latest_start > start {
                        "Any start until " (say::beside(opening.latest_start, start, now, zone)) " fits. "
                    }
                    @if opening.occupied != opening.interval {
                        "Taken with its turns and purge from "
                        (say::beside(opening.occupied.start(), start, now, zone)) " to " (say::beside(opening.occupied.end(), start, now, zone)) ". "
                    }
                    @if opening.gas_nl >= 0.5 { "About " (say::roughly(opening.gas_nl)) " L of gas." }
                }
            }
            @if may {
                button name="take" value=(need::place(&opening.tag, opening.stations.iter().map(|(_, tag)| tag), start)) {
                    "Book" span.unseen { " " (opening.tag) " " (say::and(&stations)) ", " (say::span(start, end, now, zone)) }
                }
            } @else {
                p.quiet { "You are not qualified for this box; ask the keeper." }
            }
        }
    }
}

/// A place and time of one's own.
fn own(told: &Told<'_>) -> Markup {
    let tags: Vec<(String, String)> = told
        .choices
        .boxes
        .iter()
        .map(|one| (one.value.tag.to_string(), format!("{}, {}", one.value.tag, one.value.name)))
        .collect();
    html! {
        fieldset.own {
            legend { h3 { "Or a time of your own" } }
            div.row {
                (told.form.choice(Field { name: "box", label: "Box", hint: "" }, &tags))
                (told.form.line(Field { name: "start", label: "Start", hint: "" }, "datetime-local"))
                @if let Some(twice) = need::twice(told.form.filled, told.choices.site.timezone) { (which(&twice, told)) }
            }
            button.second name="take" value="own" { "Book this time" }
        }
    }
}

/// Which is meant of a start that the clocks show twice.
fn which(twice: &Twice, told: &Told<'_>) -> Markup {
    let [first, second] = &twice.zones;
    let options = [
        (String::new(), "choose".to_owned()),
        ("first".to_owned(), format!("the first, in {first}")),
        ("second".to_owned(), format!("the second, in {second}")),
    ];
    told.form.choice(Field { name: need::WHICH, label: "Which of the two", hint: &twice.said }, &options)
}
