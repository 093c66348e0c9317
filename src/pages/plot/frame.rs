//! What stands around a drawing: its size, its axes, and the figure with the table
//! that says the same in numbers. Each drawing is made twice, for wide screens and for
//! narrow ones, so that its words stay readable; the style sheet shows one of them.

use super::px;
use super::scale::Scale;
use super::time::TimeAxis;
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// How large a drawing is, and the room around what is drawn, in units of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::pages) struct Size {
    /// What the style sheet knows it by.
    pub(super) class: &'static str,
    /// From side to side.
    pub(super) width: f64,
    /// What is left free at the left.
    pub(super) left: f64,
    /// What is left free at the right.
    pub(super) right: f64,
    /// So many ticks fit on an axis of time.
    pub(super) ticks: u32,
}

/// For desks and walls.
pub(super) const WIDE: Size = Size { class: "wide", width: 1040.0, left: 56.0, right: 12.0, ticks: 10 };
/// For hands.
pub(super) const NARROW: Size = Size { class: "narrow", width: 360.0, left: 38.0, right: 8.0, ticks: 4 };

/// About how wide a text is; a little too much rather than too little.
pub(super) fn width(text: &str) -> f64 {
    7.8 * f64::from(u32::try_from(text.chars().count()).unwrap_or(u32::MAX))
}

impl Size {
    /// Where a share of the width lies.
    pub(super) fn x(self, share: f64) -> f64 {
        self.left + (self.width - self.left - self.right) * share
    }

    /// Where what is drawn ends.
    pub(super) fn end(self) -> f64 {
        self.width - self.right
    }
}

/// Between which heights of the drawing something is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rows {
    /// Its upper edge.
    pub(super) top: f64,
    /// Its lower edge.
    pub(super) bottom: f64,
}

impl Rows {
    /// Where a share of the height lies, from below.
    pub(super) fn y(self, share: f64) -> f64 {
        self.bottom - (self.bottom - self.top) * share
    }
}

/// The axis of time below what is drawn, with its ticks and the zone.
pub(super) fn times(axis: TimeAxis, size: Size, rows: Rows) -> Markup {
    let zone = crate::pages::say::zone(axis.whole.end(), axis.zone);
    html! {
        @for tick in axis.ticks(size.ticks) {
            @let x = px(size.x(axis.share(tick.at)));
            line.grid.is-day[tick.midnight] x1=(x) y1=(px(rows.top)) x2=(x) y2=(px(rows.bottom + 4.0)) {}
            @if size.x(axis.share(tick.at)) < size.end() - 20.0 {
                @let first = size.x(axis.share(tick.at)) < 20.0;
                text.tick x=(x) y=(px(rows.bottom + 18.0)) text-anchor=(if first { "start" } else { "middle" }) { (tick.text) }
            }
        }
        line.axis x1=(px(size.left)) y1=(px(rows.bottom)) x2=(px(size.end())) y2=(px(rows.bottom)) {}
        text.unit x=(px(size.end())) y=(px(rows.bottom + 34.0)) text-anchor="end" { "time: " (zone) }
    }
}

/// The axis of values at the left, and what they are above it.
pub(super) fn values(scale: Scale, what: &str, size: Size, rows: Rows) -> Markup {
    html! {
        @for (value, text) in scale.ticks() {
            @let y = rows.y(scale.share(value));
            line.grid x1=(px(size.left)) y1=(px(y)) x2=(px(size.end())) y2=(px(y)) {}
            text.tick x=(px(size.left - 7.0)) y=(px(y + 4.0)) text-anchor="end" { (text) }
        }
        text.unit x="0" y="12" { (what) }
    }
}

/// The line of the present.
pub(super) fn present(axis: TimeAxis, now: DateTime<Utc>, size: Size, rows: Rows) -> Markup {
    if now <= axis.whole.start() || now >= axis.whole.end() {
        return html! {};
    }
    let x = size.x(axis.share(now));
    let (anchor, away) = if x > size.end() - 40.0 { ("end", -5.0) } else { ("start", 5.0) };
    html! {
        line.now x1=(px(x)) y1=(px(rows.top)) x2=(px(x)) y2=(px(rows.bottom)) {}
        text.label x=(px(x + away)) y=(px(rows.top + 11.0)) text-anchor=(anchor) { "now" }
    }
}

/// One drawing of a figure.
pub(super) fn svg(size: Size, height: f64, says: &str, drawn: &Markup) -> Markup {
    html! {
        svg class={ "drawing " (size.class) } viewBox={ "0 0 " (size.width) " " (px(height)) } role="img" focusable="false"
            aria-label=(says) { (drawn) }
    }
}

/// A table of what a figure shows.
#[derive(Debug, Clone, Default)]
pub(in crate::pages) struct Table {
    /// Its columns; the first heads each row.
    pub(in crate::pages) columns: Vec<&'static str>,
    /// Its rows.
    pub(in crate::pages) rows: Vec<Vec<Markup>>,
}

/// So many columns stand beside each other on a phone.
const FEW: usize = 5;

impl Table {
    /// The table, which can be moved sideways where the screen is narrow; `what` names it.
    pub(in crate::pages) fn shown(&self, what: &str) -> Markup {
        html! {
            div.scroll.few[self.columns.len() <= FEW] tabindex="0" role="region" aria-label=(what) {
                table {
                    thead { tr { @for column in &self.columns { th scope="col" { (column) } } } }
                    tbody { @for row in &self.rows { (cells(row)) } }
                }
            }
        }
    }
}

fn cells(row: &[Markup]) -> Markup {
    html! {
        tr {
            @for (place, cell) in row.iter().enumerate() {
                @if place == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
            }
        }
    }
}

/// A figure: what it shows in a sentence, drawn, and as a table.
pub(in crate::pages) fn figure(caption: &Markup, drawings: &Markup, table: &Table, what: &str) -> Markup {
    html! {
        figure.plot {
            figcaption { (caption) }
            (drawings)
            @if !table.rows.is_empty() {
                details {
                    summary { "The numbers: " (what) }
                    (table.shown(what))
                }
            }
        }
    }
}
