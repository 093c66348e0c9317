//! How worn the gloves are and how full the purifier is: what has come so far, beside
//! how far others came and where something is to be done.

use super::due::rests_on;
use crate::domain::upkeep::Meter as Counts;
use crate::domain::upkeep::due::TriggerState;
use crate::domain::upkeep::evidence::digits;
use crate::domain::upkeep::lives::{Ending, PartLife};
use crate::domain::upkeep::rules::Trigger;
use crate::pages::plot::frame::{Table, figure};
use crate::pages::plot::meter::{Meter, Row, Stop, meter};
use crate::pages::say;
use crate::pages::today::{Told, week::dates};
use crate::usecases::lives::RuleLives;
use crate::usecases::one_box::BoxSeen;
use maud::{Markup, html};

/// The kind of trigger that looks at what a purifier has taken up.
const UPTAKE: &str = "uptake";

pub(super) fn section(seen: &BoxSeen, told: Told) -> Markup {
    html! {
        section aria-labelledby="wear" {
            h2 id="wear" { "How worn are its gloves, how full is its purifier?" }
            h3 { "Gloves" }
            @match &seen.gloves {
                Some(lives) => (gloves(lives, seen, told)),
                None => p.quiet { "No rule says when gloves are changed." },
            }
            h3 { "Purifier" }
            (purifier(seen, told))
        }
    }
}

fn gloves(all: &RuleLives, seen: &BoxSeen, told: Told) -> Markup {
    let stations: Vec<(String, Vec<&PartLife>)> = seen
        .glovebox
        .value
        .stations
        .iter()
        .map(|station| {
            let own = all.lives.iter().filter(|(subject, _)| subject.id == station.id.into());
            (station.tag.to_string(), own.map(|(_, life)| life).collect())
        })
        .collect();
    let unit = all.meter.map_or("days", Counts::unit);
    let limit = all.rule.value.triggers.iter().find_map(|trigger| match trigger {
        Trigger::Usage { limit, .. } => Some(limit.get()),
        Trigger::Calendar(_)
        | Trigger::Condition { .. }
        | Trigger::Uptake { .. }
        | Trigger::Contents
        | Trigger::Finding { .. } => None,
    });
    let mut watched: Vec<(f64, String)> =
        limit.map(|limit| (limit, format!("rule: {} {unit}", digits(limit)))).into_iter().collect();
    if let Ok(estimate) = &all.found.estimate {
        let b10 = estimate.b10.value;
        watched.push((b10, format!("one in ten failed by {} {unit}", digits(b10))));
    }
    let drawn = Meter {
        what: format!("age of the gloves in use, {unit}"),
        rows: stations.iter().map(row).collect(),
        watched,
    };
    let says = gloves_say(&stations, unit);
    let caption = html! {
        (says) " The bar is the age of the gloves in use; a cross is where former ones failed, a ring where they were changed in time. "
        @match &all.found.estimate {
            Ok(_) => "What one in ten comes to is estimated from the gloves of all boxes.",
            Err(why) => { "How long gloves last cannot be estimated: " (why) "." }
        }
    };
    html! {
        (figure(&caption, &meter(&drawn, &says), &lives_table(&stations, unit, told), "lives of gloves"))
        ul.notes { @for caution in all.found.cautions() { li { (caution) } } }
    }
}

fn row((tag, lives): &(String, Vec<&PartLife>)) -> Row {
    let stop = |life: &&PartLife| {
        let stop = match life.ending {
            Ending::Failed => Stop::Failed,
            Ending::Changed => Stop::Changed,
            Ending::InUse => return None,
        };
        Some((life.length?, stop))
    };
    Row {
        label: tag.clone(),
        value: lives.iter().find_map(|life| life.age()),
        stops: lives.iter().filter_map(stop).collect(),
    }
}

fn gloves_say(stations: &[(String, Vec<&PartLife>)], unit: &str) -> String {
    let ages: Vec<String> = stations
        .iter()
        .map(|(tag, lives)| match lives.iter().find_map(|life| life.age()) {
            Some(age) => format!("those of {tag} for {} {unit}", digits(age)),
            None => format!("of those of {tag} it is not on record"),
        })
        .collect();
    if ages.is_empty() {
        "The box has no stations.".to_owned()
    } else {
        format!("In use: {}.", say::and(&ages))
    }
}

fn lives_table(stations: &[(String, Vec<&PartLife>)], unit: &str, told: Told) -> Table {
    let ended = |life: &PartLife| match life.ending {
        Ending::Failed => "✕ failed",
        Ending::Changed => "○ changed in time",
        Ending::InUse => "in use",
    };
    let row = |tag: &str, life: &PartLife| {
        vec![
            html! { (tag) },
            told.moment(life.from),
            html! { @if life.ending == Ending::InUse { "–" } @else { (told.moment(life.to)) } },
            html! { @match life.length { Some(length) => { (digits(length)) " " (unit) } None => "not known" } },
            html! { (ended(life)) },
        ]
    };
    let rows = stations.iter().flat_map(|(tag, lives)| lives.iter().map(|life| row(tag, life)));
    Table { columns: vec!["Station", "From", "To", "Length", "Ended"], rows: rows.take(200).collect() }
}

fn purifier(seen: &BoxSeen, told: Told) -> Markup {
    if seen.glovebox.value.purifier.is_none() {
        return html! { p.quiet { "The box has no purifier." } };
    }
    let looked: Vec<&TriggerState> = seen
        .due
        .iter()
        .flat_map(|kept| &kept.item.triggers)
        .filter(|trigger| trigger.kind == UPTAKE)
        .collect();
    if looked.is_empty() {
        return html! { p.quiet { "No rule looks at what the purifier has taken up, or nothing has been computed yet." } };
    }
    let rows = looked.iter().map(|trigger| uptake_row(trigger)).collect();
    let drawn = Meter {
        what: "taken up since the regeneration, % of rated capacity".to_owned(),
        rows,
        watched: vec![(100.0, "rated capacity".to_owned())],
    };
    let says: Vec<String> =
        looked.iter().map(|trigger| format!("{}.", say::plainly(&trigger.summary))).collect();
    let says = says.join(" ");
    let caption = html! { (says) " The bar is the share of the rated capacity, the line where the rule has the purifier regenerated." };
    html! {
        (figure(&caption, &meter(&drawn, &says), &uptake_table(&looked), "what the purifier has taken up"))
        @for trigger in &looked {
            details.why {
                summary {
                    (species(trigger)) ": what this rests on"
                    @if let Some(due) = trigger.due { ", " (dates(due, told)) }
                }
                (rests_on(&trigger.evidence, told))
            }
        }
        @if feeds_hydrogen(seen) {
            p.beware { span.mark aria-hidden="true" { "▲ " } "Regeneration gas contains hydrogen: exhaust, leaks and ignition sources are for local codes and qualified people to judge." }
        }
    }
}

/// Whether its purifier is regenerated with gas of its own.
fn feeds_hydrogen(seen: &BoxSeen) -> bool {
    seen.glovebox.value.purifier.as_ref().is_some_and(|purifier| purifier.regeneration_supply.is_some())
}

fn species(trigger: &TriggerState) -> &'static str {
    if trigger.quantity.as_deref() == Some("water_ppm") { "Water" } else { "Oxygen" }
}

/// A figure of the evidence, by its name.
fn known(trigger: &TriggerState, name: &str) -> Option<f64> {
    trigger.evidence.parameters.iter().find(|figure| figure.name == name).map(|figure| figure.value)
}

fn uptake_row(trigger: &TriggerState) -> Row {
    let share = |name| {
        let capacity = known(trigger, "capacity").filter(|capacity| *capacity > 0.0)?;
        Some(100.0 * known(trigger, name)? / capacity)
    };
    Row {
        label: species(trigger).to_owned(),
        value: share("uptake"),
        stops: share("limit").map(|limit| (limit, Stop::Limit)).into_iter().collect(),
    }
}

fn uptake_table(looked: &[&TriggerState]) -> Table {
    let cell =
        |value: Option<f64>| html! { @match value { Some(value) => (digits(value)), None => "not known" } };
    let row = |trigger: &&TriggerState| {
        let species = html! { (species(trigger)) };
        let figures = ["uptake", "limit", "capacity"].map(|name| cell(known(trigger, name)));
        [species].into_iter().chain(figures).collect()
    };
    Table {
        columns: vec!["Of", "Taken up, mol", "Regenerate from, mol", "Rated capacity, mol"],
        rows: looked.iter().map(row).collect(),
    }
}
