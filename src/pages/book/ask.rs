//! The form that asks what somebody needs: three fields, and behind them what most
//! work leaves as it is.

use super::Told;
use super::need::{ASKED_FIRST, FIELDS};
use crate::domain::facility::WorkingGas;
use crate::pages::forms::Field;
use crate::pages::say;
use crate::usecases::choices::Choices;
use maud::{Markup, html};
use std::collections::BTreeSet;

/// The fields that most work leaves as they are.
const RARE: &[&str] = FIELDS.split_at(ASKED_FIRST).1;

/// The form that asks what is needed.
pub(super) fn form(told: &Told<'_>) -> Markup {
    let Told { choices, form, .. } = told;
    let zone = say::zone(choices.now, choices.site.timezone);
    let longest = say::plainly(&choices.site.policies.longest_booking.to_string()).to_lowercase();
    let hours = format!("With hands in the gloves; 1.5 is an hour and a half. At most {longest}.");
    let from = format!("By the facility’s clock ({zone}). Two weeks from then are looked at.");
    let usual = |name: &&str| {
        let value = form.filled.get(name);
        value.is_empty() || value == "0" || (*name == "stations" && value == "1")
    };
    let more =
        !RARE.iter().all(usual) || form.faults.iter().any(|fault| RARE.contains(&fault.field.as_str()));
    html! {
        form.need method="get" action="/book" {
            div.row {
                (form.choice(Field { name: "where", label: "Where", hint: "" }, &wheres(choices)))
                (form.number(Field { name: "hours", label: "How many hours", hint: &hours }))
                (form.line(Field { name: "from", label: "Not before", hint: &from }, "datetime-local"))
            }
            details open[more] {
                summary { "Stations, transfers, instruments, solvents" }
                (rare(told))
            }
            button { "Find places" }
        }
    }
}

fn wheres(choices: &Choices) -> Vec<(String, String)> {
    let gases: BTreeSet<WorkingGas> = choices.boxes.iter().map(|one| one.value.working_gas).collect();
    let any = (String::new(), "Any box".to_owned());
    let of_gas =
        gases.iter().map(|gas| (format!("gas:{}", gas.word()), format!("Any box of {}", gas.word())));
    let boxes = choices.boxes.iter().map(|one| {
        let on = &one.value;
        (format!("box:{}", on.tag), format!("{}, {} ({})", on.tag, on.name, on.working_gas.word()))
    });
    std::iter::once(any).chain(of_gas).chain(boxes).collect()
}

/// What most work leaves as it is.
fn rare(told: &Told<'_>) -> Markup {
    let Told { choices, form, .. } = told;
    let boxes = || choices.boxes.iter().map(|one| &one.value);
    let most = boxes().map(|on| on.stations.len()).max().unwrap_or(1).min(16);
    let stations: Vec<(String, String)> = (1..=most)
        .map(|count| (count.to_string(), say::count(count, "station")))
        .chain([("whole".to_owned(), "the whole box, nobody beside me".to_owned())])
        .collect();
    let tags: BTreeSet<&str> =
        boxes().flat_map(|on| &on.antechambers).map(|part| part.tag.as_str()).collect();
    let chambers: Vec<(String, String)> = std::iter::once((String::new(), "the box’s first".to_owned()))
        .chain(tags.into_iter().map(|tag| (tag.to_owned(), tag.to_owned())))
        .collect();
    let mut instruments: Vec<(String, String)> = Vec::new();
    for (on, part) in boxes().flat_map(|on| on.instruments.iter().map(move |part| (on, part))) {
        match instruments.iter_mut().find(|(tag, _)| *tag == part.tag.as_str()) {
            Some((_, text)) => *text = format!("{text}, {}", on.tag),
            None => instruments
                .push((part.tag.to_string(), format!("{} ({}), in {}", part.tag, part.name, on.tag))),
        }
    }
    html! {
        div.row {
            (form.choice(Field { name: "stations", label: "Working places", hint: "" }, &stations))
            (form.choice(Field { name: "chamber", label: "Antechamber", hint: "" }, &chambers))
        }
        div.row {
            (form.number(Field { name: "in_compact", label: "Loads in, compact", hint: "Closed, smooth, dry: glass, metal." }))
            (form.number(Field { name: "in_porous", label: "Loads in, porous", hint: "Paper, powders, gloves: more cycles." }))
            (form.number(Field { name: "out_compact", label: "Loads out, compact", hint: "" }))
            (form.number(Field { name: "out_porous", label: "Loads out, porous", hint: "" }))
        }
        @if !instruments.is_empty() {
            (form.ticks(Field { name: "instruments", label: "Instruments inside the box", hint: "" }, &instruments))
        }
        (form.line(Field {
            name: "solvents",
            label: "Solvents opened in the box",
            hint: "With commas between. Some harm the purifier: the circulation is then off, and a purge follows. What is \
                   not known here counts as such.",
        }, "text"))
    }
}
