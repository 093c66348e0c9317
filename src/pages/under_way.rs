//! What goes on just now and takes a while, told on the page that is looked at first;
//! and the night that the keeper begins by a button. A page with such work on it looks
//! again by itself until it is done.

use super::fault::Fault;
use super::forms::{self, Posted};
use super::session::Visitor;
use super::today::Told;
use super::{Site, say};
use crate::domain::facility::Scope;
use crate::usecases::under_way::{Kind, Overview, Told as Work};
use actix_web::http::header::LOCATION;
use actix_web::{HttpResponse, post, web};
use maud::{Markup, html};

/// Seconds between two looks.
pub(super) const REFRESH: u32 = 5;

/// What a page tells of work that takes a while.
#[derive(Debug)]
pub(super) struct Going {
    /// What a visitor may know of this process.
    overview: Overview,
    /// Whether the database knows of a night that another process works out.
    night_elsewhere: bool,
}

impl Going {
    /// Puts together what is known; `night` is whether the database knows of one.
    pub(super) fn new(overview: Overview, night: bool) -> Self {
        let here = overview.going_on.iter().any(|work| work.kind == Kind::Night);
        Self { overview, night_elsewhere: night && !here }
    }

    /// Whether anything goes on.
    pub(super) fn is_any(&self) -> bool {
        self.night_elsewhere || !self.overview.going_on.is_empty()
    }

    /// Whether a night does.
    fn is_night(&self) -> bool {
        self.night_elsewhere || self.overview.going_on.iter().any(|work| work.kind == Kind::Night)
    }
}

/// A line for all that goes on.
pub(super) fn lines(going: &Going, told: Told) -> Markup {
    html! {
        @if going.is_any() {
            div.note.going id="going" role="status" data-refresh=(REFRESH) {
                @for work in &going.overview.going_on { p { (line(work, told)) } }
                @if going.night_elsewhere {
                    p { strong { "What is due is being worked out" } " by another process; how far it is cannot be seen from here." }
                }
            }
        }
        @if let Some((at, why)) = going.overview.unfinished.as_ref().filter(|_| !going.is_night()) {
            p.note { span.word { "▲ " } "The night begun " (told.moment(*at)) " was not finished: " (why) "." }
        }
    }
}

fn line(work: &Work, told: Told) -> Markup {
    let what = match work.kind {
        Kind::Night => "What is due is being worked out",
        Kind::Import => "Readings or files are being taken in",
        Kind::Search(_) => "A plan is being searched for",
    };
    html! {
        strong { (what) }
        @if let Some(far) = work.how_far() { ": " (far) }
        span.quiet { " (begun " (say::ago(work.since, told.now)) ")" }
    }
}

/// The button that begins a night, where that is for the visitor to do.
pub(super) fn button(going: &Going, visitor: &Visitor) -> Markup {
    html! {
        @if visitor.may(Scope::NightlyRun) && !going.is_night() {
            form.night method="post" action="/night" {
                (forms::stamp(visitor))
                button.second { "Work out anew what is due" }
            }
        }
    }
}

#[post("/night")]
async fn begin(app: Site, posted: Posted) -> Result<HttpResponse, Fault> {
    // Where one is being worked out already, the page tells of that one.
    app.begin_night(&posted.visitor.actor)?;
    Ok(HttpResponse::SeeOther().insert_header((LOCATION, "/")).finish())
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(begin);
}
