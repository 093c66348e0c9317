//! `/gas`: each supply's contents, as read and as they will fall through the booked
//! future, down to the line at which its cylinders are changed.

use super::fault::Fault;
use super::layout::{self, Frame};
use super::one_box::rests_on;
use super::plot::chart::{Chart, Layer, chart};
use super::plot::frame::{Table, figure};
use super::plot::scale::Scale;
use super::plot::time::TimeAxis;
use super::session::Visitor;
use super::today::{Told, week};
use super::{Site, say};
use crate::domain::calendar::Interval;
use crate::domain::facility::SuppliedGas;
use crate::domain::upkeep::contents::{CylinderForecast, GasForecast};
use crate::domain::upkeep::evidence::digits;
use crate::domain::upkeep::trend::HORIZON_DAYS;
use crate::usecases::gas::{self, GasSeen, SupplySeen};
use actix_web::{HttpResponse, get, web};
use chrono::TimeDelta;
use maud::{Markup, html};
use std::collections::BTreeSet;

/// A forecast is drawn so far ahead at most; what comes later is told.
const DRAWN: TimeDelta = TimeDelta::days(120);

#[get("/gas")]
async fn show(app: Site, visitor: Visitor) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let seen = app.query(move |tx, now| gas::look(tx, &actor, now)).await?;
    let frame = Frame {
        title: "Gas",
        facility: seen.site.name.as_str(),
        here: "/gas",
        visitor: &visitor,
        refresh: None,
    };
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::page(frame, &page(&seen))))
}

fn page(seen: &GasSeen) -> Markup {
    let told = Told { now: seen.now, zone: seen.site.timezone };
    let looked: BTreeSet<&String> = seen.supplies.iter().flat_map(|one| &one.forecast.cautions).collect();
    html! {
        header.day {
            h1 { "How long does the gas last?" }
            p.quiet { "As of " (say::clock(told.now, told.zone)) " (" (say::zone(told.now, told.zone)) ")." }
        }
        @if seen.supplies.is_empty() { p.answer { "No gas supply is on record yet." } }
        @else {
            ul.cautions aria-label="Cautions for gas and cylinders" {
                @for caution in everywhere() { li { span.mark aria-hidden="true" { "▲ " } (caution) } }
                @for caution in looked { li { (caution) } }
            }
        }
        @for one in &seen.supplies { (supply(one, told)) }
    }
}

/// What to beware of with any gas in cylinders.
fn everywhere() -> Vec<&'static str> {
    SuppliedGas::Argon.cautions()
}

fn supply(seen: &SupplySeen, told: Told) -> Markup {
    let (supply, forecast) = (&seen.supply.value, &seen.forecast);
    let own: Vec<&str> =
        supply.gas.cautions().into_iter().filter(|one| !everywhere().contains(one)).collect();
    let id = format!("supply-{}", supply.tag);
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (supply.tag) span.quiet { " " (supply.gas.word().replace('_', " ")) } }
            p.answer {
                "Until changeover: " (week::left(forecast.empty, forecast.reason.as_deref(), told)) "."
                @if forecast.exhausted.is_some() && forecast.exhausted != forecast.empty {
                    " With what stands by: " (week::left(forecast.exhausted, None, told)) "."
                }
            }
            p.quiet {
                @if seen.boxes.is_empty() { "It feeds no box." } @else { "It feeds " (say::and(&seen.boxes)) "." }
                @if let Some((low, likely, high)) = forecast.daily_use_mol {
                    " Drawn a day: " (digits(likely)) " mol (" (digits(low)) " to " (digits(high)) ")"
                    @if let Some(volume) = forecast.daily_use_m3 { ", as much as " (digits(volume)) " m³ at 15 °C and 1 bar" }
                    "."
                }
            }
            @for caution in own { p.beware { span.mark aria-hidden="true" { "▲ " } (caution) } }
            (drawn(seen, told))
            (cylinders(&format!("Cylinders of {}", supply.tag), &forecast.cylinders, told))
            details.why.rests {
                summary { "What this rests on" }
                (rests_on(&forecast.evidence, told))
            }
        }
    }
}

fn drawn(seen: &SupplySeen, told: Told) -> Markup {
    let forecast = &seen.forecast;
    if forecast.measured.is_empty() && forecast.curve.is_empty() {
        return html! { p.quiet { "There is nothing to draw: no pressure has been read since the last change." } };
    }
    let Some(whole) = stretch(forecast, told) else { return html! {} };
    let curve: Vec<_> = forecast.curve.iter().filter(|point| point.at <= whole.end()).collect();
    let values =
        forecast.measured.iter().map(|sample| sample.value).chain(curve.iter().map(|point| point.high_mol));
    let of = Chart {
        axis: TimeAxis { whole, zone: told.zone },
        scale: Scale::from_nought(values.chain(forecast.changeover_mol), 5.0),
        what: "Contents of the connected cylinders, mol".to_owned(),
        now: Some(told.now),
        gap: TimeDelta::days(HORIZON_DAYS),
        layers: layers(seen, whole, told),
    };
    let says = says(seen, told);
    let caption = html! {
        (says) " The whole line was read since the last change, the dashed one is expected and lies in the band four times in five. "
        "Bars along the foot are booked work."
    };
    figure(
        &caption,
        &chart(&of, &says),
        &table(seen, told),
        &format!("{}, contents read and expected", seen.supply.value.tag),
    )
}

/// From the first reading to the end of the forecast, and a day around the present at least.
fn stretch(forecast: &GasForecast, told: Told) -> Option<Interval> {
    let until =
        forecast.curve.last().map_or(told.now + TimeDelta::days(7), |point| point.at).min(told.now + DRAWN);
    let from = forecast.measured.first().map_or(told.now - TimeDelta::days(7), |sample| sample.at);
    let day = TimeDelta::days(1);
    Interval::new(from.min(told.now - day), until.max(told.now + day)).ok()
}

/// Booked work, what was read and what is expected, the line of changeover, its likely day.
fn layers(seen: &SupplySeen, whole: Interval, told: Told) -> Vec<Layer> {
    let forecast = &seen.forecast;
    let curve: Vec<_> = forecast.curve.iter().filter(|point| point.at <= whole.end()).collect();
    let mut layers = vec![
        Layer::Foot(seen.booked.iter().map(|one| (one.start().max(told.now), one.end())).collect()),
        Layer::Band(curve.iter().map(|point| (point.at, point.low_mol, point.high_mol)).collect()),
        Layer::Line {
            points: forecast.measured.iter().map(|sample| (sample.at, sample.value)).collect(),
            expected: false,
        },
        Layer::Line {
            points: curve.iter().map(|point| (point.at, point.likely_mol)).collect(),
            expected: true,
        },
    ];
    let pressure = seen.supply.value.changeover.get();
    layers.extend(forecast.changeover_mol.map(|value| Layer::Level {
        value,
        words: format!("changeover, {pressure} bar gauge"),
        action: true,
    }));
    let likely = forecast.empty.map(|due| due.likely).filter(|at| whole.contains(*at));
    layers.extend(likely.map(|at| Layer::Mark(at, format!("likely {}", told.day(at)))));
    layers
}

fn says(seen: &SupplySeen, told: Told) -> String {
    let tag = &seen.supply.value.tag;
    let now = seen.forecast.contents_now_mol;
    let left = now.map_or_else(
        || format!("What is in {tag} is not known."),
        |mol| format!("{tag} holds {} mol now.", digits(mol)),
    );
    match (seen.forecast.empty, seen.forecast.reason.as_deref()) {
        (Some(due), _) if due.likely <= told.now => format!("{left} It is down to its changeover pressure."),
        (Some(due), _) => {
            format!("{left} It is down to its changeover pressure likely {}.", told.day(due.likely))
        }
        (None, Some(reason)) => format!("{left} There is no date: {reason}."),
        (None, None) => left,
    }
}

fn table(seen: &SupplySeen, told: Told) -> Table {
    let mol = |value: f64| html! { (digits(value)) };
    let read = seen.forecast.measured.iter().rev().take(100).rev();
    let read = read
        .map(|sample| vec![told.moment(sample.at), html! { "read" }, mol(sample.value), html! {}, html! {}]);
    let expected = seen.forecast.curve.iter().take(100).map(|point| {
        let ends = [point.low_mol, point.high_mol].map(mol);
        [told.moment(point.at), html! { "expected" }, mol(point.likely_mol)].into_iter().chain(ends).collect()
    });
    Table {
        columns: vec!["When", "How known", "Contents, mol", "Hardly less", "Hardly more"],
        rows: read.chain(expected).collect(),
    }
}

fn cylinders(what: &str, all: &[CylinderForecast], told: Told) -> Markup {
    let mol = |value: Option<f64>| html! { @match value { Some(value) => { (digits(value)) " mol" } None => "not known" } };
    let row = |one: &CylinderForecast| {
        vec![
            html! { (one.tag) },
            html! { (one.state.word()) },
            mol(one.contents_now_mol),
            mol(one.usable_mol),
            week::left(one.empty, None, told),
        ]
    };
    let table = Table {
        columns: vec!["Cylinder", "Stands", "Holds", "Usable", "Down to changeover"],
        rows: all.iter().map(row).collect(),
    };
    html! { @if !all.is_empty() { (table.shown(what)) } }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show);
}
