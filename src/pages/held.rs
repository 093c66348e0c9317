//! A hold, as the loudest thing on a page.

use super::say;
use crate::domain::facility::holds::{Hold, HoldSource};
use crate::usecases::holds::ShownHold;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// Under what a hold stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Under {
    /// The page's own heading.
    Page,
    /// The heading of a section.
    Section,
}

/// The hold with its reason and its caution.
pub(super) fn article(
    shown: &ShownHold,
    glovebox: &str,
    under: Under,
    now: DateTime<Utc>,
    zone: Tz,
) -> Markup {
    let hold = &shown.hold.value;
    let bookings = shown.bookings.len();
    let heading = html! {
        span.mark aria-hidden="true" { "■ " }
        (glovebox) @if let Some(part) = &shown.part_tag { "/" (part) } " is closed to use"
    };
    html! {
        article.hold {
            @match under {
                Under::Page => h2 { (heading) },
                Under::Section => h3 { (heading) },
            }
            p.reason dir="auto" { (say::name(&reason(hold))) }
            p.beware { (hold.caution()) }
            p.since {
                "Since " (say::moment(hold.opened_at, now, zone)) ", by " (say::name(&hold.opened_by)) "."
                @if bookings > 0 { " " (say::capital(&say::count(bookings, "booking"))) " may have to give way." }
            }
        }
    }
}

/// Why it is closed; where readings closed it, without the words of programs.
pub(super) fn reason(hold: &Hold) -> String {
    match hold.source {
        HoldSource::Person => hold.reason.to_string(),
        HoldSource::Reading | HoldSource::LeakTest => {
            say::plainly(&hold.reason.as_str().replacen("_ppm read", " read", 1))
        }
    }
}
