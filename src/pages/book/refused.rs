//! Why a place cannot be had: what is in the way of what, until when, in sentences.

use super::{Told, need};
use crate::domain::booking::claims::{Owner, Why};
use crate::domain::booking::decide::Blocker;
use crate::pages::say;
use crate::usecases::{Alternative, BookingRefusal, NamedConflict};
use maud::{Markup, html};

/// What is taken; what rules forbid stands above it, with the fields.
pub(super) fn explained(refusal: &BookingRefusal, told: &Told<'_>) -> Markup {
    if refusal.conflicts.is_empty() {
        return html! {};
    }
    html! {
        div.taken role="alert" tabindex="-1" id=[told.form.faults.is_empty().then_some("faults")] autofocus[told.form.faults.is_empty()] {
            h2 { span.mark aria-hidden="true" { "◆ " } "That time is taken" }
            ul {
                @for conflict in &refusal.conflicts { li { (in_words(conflict, told)) } }
            }
            p.quiet {
                "Nothing was booked. "
                @if refusal.alternatives.is_empty() { "Nothing like it is free within two weeks of it." }
                @else { "Below is what could be had instead, as it stands." }
            }
        }
    }
}

fn in_words(named: &NamedConflict, told: &Told<'_>) -> Markup {
    let conflict = &named.conflict;
    let (now, zone) = (told.choices.now, told.choices.site.timezone);
    let by = match &conflict.blocker {
        Blocker::Claim { owner: Owner::Visit(_), .. } => html! { "upkeep is planned" },
        Blocker::Claim { why, .. } => html! { (taken_for(*why)) },
        Blocker::Window { name, .. } => html! { "the box is kept for upkeep (" (say::name(name)) ")" },
    };
    html! {
        strong { (named.tag.replace('/', " ")) } ", wanted for " (wanted_for(conflict.wanted_for)) ": "
        (by) ", " (say::span(conflict.interval.start(), conflict.interval.end(), now, zone)) "."
    }
}

const fn wanted_for(why: Why) -> &'static str {
    match why {
        Why::Work => "your work",
        Why::TransferIn => "your loads in",
        Why::TransferOut => "your loads out",
        Why::Instrument => "your use of it",
        Why::CirculationOff => "work without circulation",
        Why::Purge => "the purge after your work",
        Why::Upkeep => "upkeep",
    }
}

const fn taken_for(why: Why) -> &'static str {
    match why {
        Why::Work => "somebody works there",
        Why::TransferIn => "somebody’s loads go in",
        Why::TransferOut => "somebody’s loads come out",
        Why::Instrument => "somebody uses it",
        Why::CirculationOff => "somebody works without circulation",
        Why::Purge => "it is purged after somebody’s work",
        Why::Upkeep => "upkeep is planned",
    }
}

/// A place that could be had instead, as a button.
pub(super) fn alternative(other: &Alternative, told: &Told<'_>) -> Markup {
    let (now, zone) = (told.choices.now, told.choices.site.timezone);
    let (start, end) = (other.interval.start(), other.interval.end());
    let stations: Vec<String> = other.stations.iter().map(ToString::to_string).collect();
    html! {
        li.opening {
            div {
                p.when { (say::span(start, end, now, zone)) }
                p.place { strong { (other.tag) } " " (say::and(&stations)) }
            }
            button name="take" value=(need::place(&other.tag, other.stations.iter(), start)) {
                "Book" span.unseen { " " (other.tag) " " (say::and(&stations)) ", " (say::span(start, end, now, zone)) }
            }
        }
    }
}
