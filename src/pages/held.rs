//! A hold, as the loudest thing on a page of one box.

use super::say;
use crate::usecases::holds::ShownHold;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// The hold with its reason and its caution.
pub(super) fn article(shown: &ShownHold, glovebox: &str, now: DateTime<Utc>, zone: Tz) -> Markup {
    let hold = &shown.hold.value;
    html! {
        article.hold {
            h2 {
                span.mark aria-hidden="true" { "■ " } (glovebox) @if let Some(part) = &shown.part_tag { " " (part) }
                " is closed to use"
            }
            p.reason dir="auto" { (say::name(hold.reason.as_str())) }
            p.beware { (hold.caution()) }
            p.since { "Since " (say::moment(hold.opened_at, now, zone)) ", by " (say::name(&hold.opened_by)) "." }
        }
    }
}
