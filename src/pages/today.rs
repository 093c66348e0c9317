//! `/`: the keeper's morning, as three questions. Is every box dry? What is to do
//! before anyone arrives? What may surprise this week?

pub(super) mod boxes;
pub(super) mod to_do;
pub(super) mod week;

use super::fault::Fault;
use super::layout::{self, Frame};
use super::session::Visitor;
use super::under_way::{self, Going};
use super::{Site, say};
use crate::usecases::morning::{self, Morning};
use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// What a night found is told to be old after so long.
pub(super) const NIGHT: TimeDelta = TimeDelta::hours(36);

/// The moment and the zone that times are told from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Told {
    /// The moment.
    pub(super) now: DateTime<Utc>,
    /// The zone.
    pub(super) zone: Tz,
}

impl Told {
    /// The day and the time.
    pub(super) fn moment(self, at: DateTime<Utc>) -> Markup {
        say::moment(at, self.now, self.zone)
    }

    /// The day.
    pub(super) fn day(self, at: DateTime<Utc>) -> String {
        say::day(at, self.now, self.zone)
    }
}

#[get("/")]
async fn show(app: Site, visitor: Visitor) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    // First: what has ended by the time of the look is then in the look.
    let overview = app.overview(&actor);
    let morning = app.query(move |tx, now| morning::look(tx, &actor, now)).await?;
    let going = Going::new(overview, morning.night_under_way);
    let frame = Frame {
        title: "Today",
        facility: morning.site.name.as_str(),
        here: "/",
        visitor: &visitor,
        refresh: going.is_any().then_some(under_way::REFRESH),
    };
    let body = page(&morning, &going, &visitor);
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::page(frame, &body)))
}

fn page(morning: &Morning, going: &Going, visitor: &Visitor) -> Markup {
    let told = Told { now: morning.now, zone: morning.site.timezone };
    html! {
        header.day {
            h1 { (morning.now.with_timezone(&told.zone).format("%A %-d %B %Y")) }
            p.quiet {
                "As of " (say::clock(told.now, told.zone)) " (" (say::zone(told.now, told.zone)) "). " (opening(morning, told))
            }
        }
        (under_way::lines(going, told))
        (boxes::section(morning, told))
        (to_do::section(morning, told))
        (week::section(morning, &under_way::button(going, visitor), told))
        @if !morning.site.contact.as_str().is_empty() {
            p.contact { "To call: " span dir="auto" { (say::name(morning.site.contact.as_str())) } }
        }
    }
}

fn opening(morning: &Morning, told: Told) -> Markup {
    let midnight = "00:00";
    let clocks =
        morning.open.iter().map(|open| [open.start(), open.end()].map(|at| say::clock(at, told.zone)));
    let hours: Vec<String> = clocks
        .map(|[from, to]| match (from.as_str(), to.as_str()) {
            (from, to) if from == midnight && to == midnight => "all day".to_owned(),
            (from, to) => format!("{from} to {}", if to == midnight { "24:00" } else { to }),
        })
        .collect();
    html! {
        @if hours.is_empty() { "The facility is not open today." } @else { "Open " (say::and(&hours)) "." }
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show);
}
