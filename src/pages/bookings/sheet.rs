//! One booking: holds and cautions first, then what it occupies when, then what can
//! be done with it.

use crate::domain::booking::claims::Why;
use crate::domain::booking::record::{BookedTransfer, EndOfRun};
use crate::domain::booking::{Progress, Sample, Status};
use crate::domain::calendar::Interval;
use crate::pages::book::way_to;
use crate::pages::forms::{self, Form};
use crate::pages::session::Visitor;
use crate::pages::{held, say};
use crate::usecases::booking_sheet::Sheet;
use crate::usecases::run_booking::Sight;
use maud::{Markup, html};

pub(super) fn page(sheet: &Sheet, visitor: &Visitor, form: Form<'_>) -> Markup {
    let value = &sheet.booked.booking.value;
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let stations: Vec<String> = value.work.stations.iter().map(|id| part(sheet, (*id).into())).collect();
    html! {
        header.day {
            h1 { (sheet.glovebox.value.tag) ", " (say::span(value.interval.start(), value.interval.end(), now, zone)) }
            p.lead {
                (say::capital(&say::and(&stations))) @if value.work.whole_box { ": the whole box" }
                " for " (say::lasting(value.interval.length())) ". " (standing(sheet))
            }
        }
        (form.summary())
        @for hold in &sheet.holds { (held::article(hold, sheet.glovebox.value.tag.as_str(), held::Under::Page, now, zone)) }
        @if !value.work.cautions.is_empty() {
            ul.cautions aria-label="To mind" {
                @for caution in &value.work.cautions { li { span.mark aria-hidden="true" { "▲ " } (say::name(&caution.text)) } }
            }
        }
        @if sheet.may_change { (actions(sheet, visitor)) }
        (displaced(sheet))
        (timeline(sheet))
        (facts(sheet))
        @if let Some(record) = value.end_of_run.as_ref().filter(|_| sheet.sight == Sight::Whole) {
            (recorded(sheet, record))
        }
        @if sheet.own && value.progress != Progress::Booked {
            p.again { a.button.second href=(way_to(sheet.glovebox.value.tag.as_str(), value.interval.hours(), "")) { "Book such a time again" } }
        }
    }
}

fn part(sheet: &Sheet, id: crate::domain::ids::ThingId) -> String {
    sheet.parts.get(&id).map_or_else(String::new, |name| name.replace('/', " "))
}

fn standing(sheet: &Sheet) -> Markup {
    let value = &sheet.booked.booking.value;
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let ended = value.closed_at.map(|at| say::moment(at, now, zone));
    html! {
        @match value.progress {
            Progress::Booked if value.hold.is_some() => strong.word { "▲ A hold closes what it needs." },
            Progress::Booked if value.status == Status::Tentative => {
                strong { "◇ Tentative" } ": it may have to give way to upkeep; you would be told."
            },
            Progress::Booked => { "It stands." },
            Progress::InUse => {
                strong { "● Under way" }
                @if let Some(at) = value.started_at { " since " (say::moment(at, now, zone)) } "."
                @if value.interval.end() <= now { " " strong.word { "▲ It was to end and is not closed out." } }
            },
            Progress::ClosedOut => { "✓ Closed out " @if let Some(at) = ended { (at) } "." },
            Progress::NoShow => { "Released, since nobody came." },
            Progress::Cancelled if value.displaced_by.is_some() => strong.word { "▲ It gave way to upkeep." },
            Progress::Cancelled => { "Cancelled " @if let Some(at) = ended { (at) } "." },
        }
    }
}

/// What can be done now: begin, close out, cancel.
fn actions(sheet: &Sheet, visitor: &Visitor) -> Markup {
    let booking = &sheet.booked.booking;
    let value = &booking.value;
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let first = sheet.booked.claims.iter().map(|claim| claim.interval.start()).min();
    let first = first.unwrap_or(value.interval.start());
    let booked = value.progress == Progress::Booked;
    let begins = booked && first <= now && now < value.interval.end();
    let ends = value.progress == Progress::InUse || (booked && value.interval.start() <= now);
    if !(booked || ends) {
        return html! {};
    }
    let hidden = html! {
        (forms::stamp(visitor))
        input type="hidden" name="version" value=(booking.version);
    };
    let path = format!("/bookings/{}", booking.id);
    html! {
        div.actions {
            @if begins {
                form method="post" action=(path) { (hidden) button name="do" value="start" { "Begin work" } }
            } @else if booked && now < first {
                p.quiet { "It can be begun from " (say::moment(first, now, zone)) " on." }
            }
            @if ends { a.button href={ (path) "/closeout" } { "Close out" } }
            @if booked {
                details {
                    summary { "Cancel this booking" }
                    form method="post" action=(path) {
                        (hidden)
                        p { "Its time becomes free for others at once." }
                        button.second name="do" value="cancel" { "Yes, cancel it" }
                    }
                }
            }
        }
    }
}

/// Where whoever gave way could go, as it was found with the plan.
fn displaced(sheet: &Sheet) -> Markup {
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let ahead: Vec<_> = sheet.elsewhere.iter().filter(|one| one.interval.start() > now).collect();
    html! {
        @if !ahead.is_empty() {
            section aria-labelledby="instead" {
                h2 id="instead" { "Where you could go instead" }
                p.quiet { "As it was found when the upkeep was planned; others may have taken it since." }
                ul.plain {
                    @for one in ahead {
                        @let from = say::wall(one.interval.start(), zone);
                        li {
                            a href=(way_to(&one.glovebox_tag, one.interval.hours(), &from)) {
                                (one.glovebox_tag) " " (say::and(&one.stations)) ", "
                                (say::span(one.interval.start(), one.interval.end(), now, zone))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Claims of one time and one reason, with the parts they are of.
fn grouped(sheet: &Sheet) -> Vec<(Interval, Why, Vec<String>)> {
    let mut groups: Vec<(Interval, Why, Vec<String>)> = Vec::new();
    for claim in &sheet.booked.claims {
        let name = part(sheet, claim.resource);
        match groups.iter_mut().find(|(at, why, _)| *at == claim.interval && *why == claim.why) {
            Some((_, _, parts)) => parts.push(name),
            None => groups.push((claim.interval, claim.why, vec![name])),
        }
    }
    groups.sort_by_key(|(at, ..)| *at);
    groups
}

fn timeline(sheet: &Sheet) -> Markup {
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let groups = grouped(sheet);
    html! {
        @if !groups.is_empty() {
            section aria-labelledby="course" {
                h2 id="course" { "Its course" }
                ol.steps {
                    @for (at, why, parts) in &groups {
                        li {
                            p.at { (say::span(at.start(), at.end(), now, zone)) }
                            p { strong { (what(*why)) } " " span.quiet { (say::and(parts)) } }
                        }
                    }
                }
            }
        }
    }
}

const fn what(why: Why) -> &'static str {
    match why {
        Why::Work => "Hands in the gloves",
        Why::TransferIn => "A load goes in, by the antechamber’s cycles",
        Why::TransferOut => "A load comes out, by the antechamber’s cycles",
        Why::Instrument => "The instrument is yours",
        Why::CirculationOff => "The circulation stays off",
        Why::Purge => "The box is purged; nobody works in it",
        Why::Upkeep => "Upkeep",
    }
}

fn facts(sheet: &Sheet) -> Markup {
    let value = &sheet.booked.booking.value;
    let loads = |transfers: &[BookedTransfer]| {
        let porous = transfers.iter().filter(|one| one.sample == Sample::Porous).count();
        match (transfers.len(), porous) {
            (0, _) => "nothing".to_owned(),
            (all, 0) => say::count(all, "compact load"),
            (all, porous) if all == porous => say::count(all, "porous load"),
            (all, porous) => format!("{}, {porous} of them porous", say::count(all, "load")),
        }
    };
    html! {
        section aria-labelledby="facts" {
            h2 id="facts" { "The work" }
            dl.facts {
                @if sheet.sight == Sight::Whole {
                    dt { "For" }
                    dd dir="auto" {
                        @if value.work.purpose.as_str().is_empty() { "not said" } @else { (say::name(value.work.purpose.as_str())) }
                    }
                }
                @if let Some(who) = &sheet.who {
                    dt { "Whose" }
                    dd { (say::name(who)) @if let Some(group) = &value.group { ", " (say::name(group.as_str())) } }
                }
                dt { "In and out" }
                dd { "In: " (loads(&value.work.transfers_in)) ". Out: " (loads(&value.work.transfers_out)) "." }
                @if !value.work.solvents.is_empty() {
                    dt { "Solvents" }
                    dd {
                        @for (number, solvent) in value.work.solvents.iter().enumerate() {
                            @if number > 0 { ", " } (say::name(solvent.name.as_str()))
                        }
                    }
                }
                @if value.gas_estimate.get() >= 0.5 {
                    dt { "Gas" }
                    dd { "about " (say::roughly(value.gas_estimate.get())) " L for turns and purge, at 0 °C and 1 atm" }
                }
            }
        }
    }
}

fn recorded(sheet: &Sheet, record: &EndOfRun) -> Markup {
    let tag = |id| sheet.cylinders.iter().find(|one| one.id == id).map(|one| one.tag.to_string());
    html! {
        section aria-labelledby="left" {
            h2 id="left" { "As it was left" }
            dl.facts {
                @if let Some(oxygen) = record.oxygen { dt { "Oxygen" } dd { (say::level(oxygen.get())) " ppm" } }
                @if let Some(water) = record.water { dt { "Water" } dd { (say::level(water.get())) " ppm" } }
                @for read in &record.cylinders {
                    dt { @if let Some(tag) = tag(read.cylinder) { (tag) } @else { "A cylinder" } }
                    dd { (say::level(read.gauge.get())) " bar on its gauge" }
                }
                dt { "Antechambers" }
                dd { @if record.chambers_under_vacuum { "left under vacuum" } @else { "not all left under vacuum" } }
                @if !record.remarks.as_str().is_empty() {
                    dt { "Remarks" }
                    dd dir="auto" { (say::name(record.remarks.as_str())) }
                }
            }
        }
    }
}
