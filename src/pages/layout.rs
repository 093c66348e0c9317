//! What stands around every page: head, the way to the others, who is signed in.

use super::session::Visitor;
use super::{assets, forms};
use crate::domain::facility::Scope;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpResponse, HttpResponseBuilder};
use maud::{DOCTYPE, Markup, html};

/// The pages that the others lead to, in the order in which they are wanted.
const PLACES: &[(&str, &str)] = &[
    ("/", "Today"),
    ("/book", "Book"),
    ("/bookings", "Yours"),
    ("/gas", "Gas"),
    ("/plan", "Plan"),
    ("/wall", "Wall"),
];

/// Whether a page is of any use to whoever looks.
fn leads(path: &str, visitor: &Visitor) -> bool {
    match path {
        "/book" | "/bookings" => visitor.may(Scope::BookingsWrite) || visitor.may(Scope::BookingsManage),
        "/plan" => visitor.may(Scope::PlansManage),
        _ => true,
    }
}

/// What a page is, besides what it shows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame<'a> {
    /// Its title, without the facility.
    pub(super) title: &'a str,
    /// The facility.
    pub(super) facility: &'a str,
    /// Its path, or that of the page it belongs to.
    pub(super) here: &'a str,
    /// Who looks at it.
    pub(super) visitor: &'a Visitor,
    /// After how many seconds it is fetched anew, for screens that nobody touches.
    pub(super) refresh: Option<u32>,
}

/// A page for somebody who is signed in.
pub(super) fn page(frame: Frame<'_>, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(frame.title, Some(frame.facility), frame.refresh))
            body {
                a.skip href="#main" { "Skip to the page" }
                header.top {
                    p.facility dir="auto" { bdi { (frame.facility) } }
                    nav aria-label="Pages" {
                        ul {
                            @for (path, label) in PLACES.iter().filter(|(path, _)| leads(path, frame.visitor)) {
                                @let here = *path == frame.here;
                                li { a href=(path) aria-current=[here.then_some("page")] { (label) } }
                            }
                        }
                    }
                    form.who method="post" action="/sign-out" {
                        (forms::stamp(frame.visitor))
                        span.subject title=(frame.visitor.actor.subject) { bdi { (frame.visitor.actor.subject) } }
                        button.plain { "Sign out" }
                    }
                }
                main id="main" tabindex="-1" { (body) }
                (foot())
            }
        }
    }
}

/// A page for a screen that nobody touches: large, and without what one would press but
/// for a way out. Where scripts run, the picture is fetched anew by one, which keeps the
/// last one and says so when the service does not answer; a browser would show a fault
/// of its own instead and stay there. `size` is the classes of how large it is written.
pub(super) fn screen(frame: Frame<'_>, size: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html class={ "screen " (size) } lang="en" {
            (head(frame.title, Some(frame.facility), frame.refresh))
            body {
                main id="main" tabindex="-1" data-refresh=[frame.refresh] { (body) }
                footer.foot {
                    p {
                        "drykeep shows what was read, recorded and computed. It judges no hazard: gauges, room monitors, "
                        "local rules and competent people come first. " a href="/" { "Go to today" }
                    }
                }
            }
        }
    }
}

/// A page for anybody.
pub(super) fn bare(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, None, None))
            body.bare {
                main id="main" tabindex="-1" { (body) }
                (foot())
            }
        }
    }
}

fn head(title: &str, facility: Option<&str>, refresh: Option<u32>) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            @if let Some(seconds) = refresh { noscript { meta http-equiv="refresh" content=(seconds); } }
            title { (title) @if let Some(facility) = facility { " – " (facility) } @else { " – drykeep" } }
            link rel="icon" href=(assets::mark()) type="image/svg+xml";
            link rel="stylesheet" href=(assets::style());
            script src=(assets::script()) defer {}
        }
    }
}

fn foot() -> Markup {
    html! {
        footer.foot {
            p {
                "drykeep shows what was read, recorded and computed. It judges no hazard: gauges, room monitors, local "
                "rules and competent people come first."
            }
        }
    }
}

/// The page as an answer, which nobody keeps.
pub(super) fn sent(answer: &mut HttpResponseBuilder, page: &Markup) -> HttpResponse {
    answer
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(page.0.clone())
}
