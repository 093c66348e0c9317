//! `/boxes/{tag}`: one box. How did its levels go? Who has it this week? What is due on
//! it, and how sure is that? How worn are its gloves, how full is its purifier?

mod due;
mod levels;
mod wear;
mod week;

pub(super) use due::rests_on;

use super::fault::Fault;
use super::forms::Filled;
use super::layout::{self, Frame};
use super::session::Visitor;
use super::today::Told;
use super::{Site, held, say};
use crate::domain::names::Reference;
use crate::usecases::one_box::{self, BoxSeen};
use actix_web::{HttpRequest, HttpResponse, get, web};
use maud::{Markup, html};

/// Over how many days levels may be looked at, and what that is called.
const RANGES: [(i64, &str); 4] = [(7, "a week"), (30, "a month"), (90, "three months"), (365, "a year")];
/// Over how many they are looked at unless asked otherwise.
const USUAL: i64 = 30;

#[get("/boxes/{tag}")]
async fn show(
    app: Site,
    visitor: Visitor,
    tag: web::Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, Fault> {
    let reference: Reference = tag.parse().map_err(|_| Fault::nowhere())?;
    let asked = Filled::of_query(&request).get("days").parse().unwrap_or(USUAL);
    let days = RANGES.iter().map(|range| range.0).find(|days| *days == asked).unwrap_or(USUAL);
    let actor = visitor.actor.clone();
    let seen = app.query(move |tx, now| one_box::look(tx, &actor, now, &reference, days)).await?;
    let title = seen.glovebox.value.tag.to_string();
    let frame = Frame {
        title: &title,
        facility: seen.site.name.as_str(),
        here: "/boxes",
        visitor: &visitor,
        refresh: None,
    };
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::page(frame, &page(&seen, days))))
}

fn page(seen: &BoxSeen, days: i64) -> Markup {
    let told = Told { now: seen.now, zone: seen.site.timezone };
    let glovebox = &seen.glovebox.value;
    html! {
        header.day {
            h1 { (glovebox.tag) }
            p.quiet {
                (say::name(glovebox.name.as_str())) ", " (glovebox.working_gas.word())
                @if let Some(room) = &seen.room { ", in " (room) }
                ". As of " (say::clock(told.now, told.zone)) " (" (say::zone(told.now, told.zone)) ")."
            }
            @if seen.all.len() > 1 {
                nav.choices aria-label="Boxes" {
                    ul {
                        @for tag in &seen.all {
                            @let here = *tag == glovebox.tag.to_string();
                            li { a href={ "/boxes/" (tag) } aria-current=[here.then_some("page")] { (tag) } }
                        }
                    }
                }
            }
        }
        @for hold in &seen.holds { (held::article(hold, glovebox.tag.as_str(), held::Under::Page, told.now, told.zone)) }
        (levels::section(seen, days, told))
        (week::section(seen, told))
        (due::section(seen, told))
        (wear::section(seen, told))
    }
}

/// Links to other stretches of time.
fn ranges(tag: &str, days: i64) -> Markup {
    html! {
        nav.choices aria-label="How far back" {
            ul {
                @for (range, words) in RANGES {
                    li {
                        a href={ "/boxes/" (tag) "?days=" (range) "#levels" } aria-current=[(range == days).then_some("true")] { (words) }
                    }
                }
            }
        }
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show);
}
