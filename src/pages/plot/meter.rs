//! How far things have come on a scale that begins at nought: a bar each, with marks on
//! the way, and what is written beside it.

use super::frame::{self, NARROW, Rows, Size, WIDE};
use super::px;
use super::scale::Scale;
use maud::{Markup, html};

/// What a mark on the way stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::pages) enum Stop {
    /// A former part that lasted so long and failed.
    Failed,
    /// A former part that was changed in time.
    Changed,
    /// Where something is to be done.
    Limit,
}

/// A bar.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Row {
    /// What has come so far.
    pub(in crate::pages) label: String,
    /// How far; `None` where it is not known.
    pub(in crate::pages) value: Option<f64>,
    /// Marks on the way.
    pub(in crate::pages) stops: Vec<(f64, Stop)>,
}

/// Bars on one scale.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Meter {
    /// What the scale is of, with its unit.
    pub(in crate::pages) what: String,
    /// The bars.
    pub(in crate::pages) rows: Vec<Row>,
    /// Values that concern all bars, with what they are called.
    pub(in crate::pages) watched: Vec<(f64, String)>,
}

const TOP: f64 = 24.0;
const FOOT: f64 = 42.0;
const ROW: f64 = 44.0;
const THICK: f64 = 14.0;

/// The bars at both sizes; `says` is what they show, in a sentence.
pub(in crate::pages) fn meter(meter: &Meter, says: &str) -> Markup {
    html! {
        @for (size, steps) in [(Size { left: 10.0, right: 24.0, ..WIDE }, 10.0), (Size { left: 10.0, right: 24.0, ..NARROW }, 4.0)] {
            (sized(meter, says, size, steps))
        }
    }
}

fn sized(meter: &Meter, says: &str, size: Size, steps: f64) -> Markup {
    let values =
        meter.rows.iter().flat_map(|row| row.value.into_iter().chain(row.stops.iter().map(|stop| stop.0)));
    let scale = Scale::from_nought(values.chain(meter.watched.iter().map(|one| one.0)), steps);
    let rows =
        Rows { top: TOP, bottom: TOP + ROW * f64::from(u32::try_from(meter.rows.len()).unwrap_or(u32::MAX)) };
    let tops = (0u32..).map(|row| TOP + ROW * f64::from(row));
    let drawn = html! {
        @for (value, text) in scale.ticks() {
            @let x = px(size.x(scale.share(value)));
            line.grid x1=(x) y1=(px(rows.top)) x2=(x) y2=(px(rows.bottom + 4.0)) {}
            text.tick x=(x) y=(px(rows.bottom + 18.0)) text-anchor="middle" { (text) }
        }
        text.unit x=(px(size.end())) y=(px(rows.bottom + 34.0)) text-anchor="end" { (meter.what) }
        @for (row, top) in meter.rows.iter().zip(tops) { (drawn(row, scale, size, top)) }
        @for (value, words) in &meter.watched {
            @let x = size.x(scale.share(*value));
            line.watch x1=(px(x)) y1=(px(rows.top - 6.0)) x2=(px(x)) y2=(px(rows.bottom)) {}
            @let (anchor, away) = if x > size.width / 2.0 { ("end", -4.0) } else { ("start", 4.0) };
            text.label x=(px(x + away)) y=(px(rows.top - 8.0)) text-anchor=(anchor) { (words) }
        }
        line.axis x1=(px(size.left)) y1=(px(rows.top)) x2=(px(size.left)) y2=(px(rows.bottom)) {}
    };
    frame::svg(size, rows.bottom + FOOT, says, &drawn)
}

fn drawn(row: &Row, scale: Scale, size: Size, top: f64) -> Markup {
    let (x, y) = (|value: f64| size.x(scale.share(value)), top + 22.0);
    html! {
        text.lane x=(px(size.left + 4.0)) y=(px(top + 15.0)) { (row.label) }
        @match row.value {
            Some(value) => rect.so-far x=(px(size.left)) y=(px(y)) width=(px((x(value) - size.left).max(1.0))) height=(px(THICK)) {},
            None => line.unread x1=(px(size.left)) y1=(px(y + THICK / 2.0)) x2=(px(size.end())) y2=(px(y + THICK / 2.0)) {},
        }
        @for (value, stop) in &row.stops { (drawn_stop(*stop, x(*value), y)) }
    }
}

fn drawn_stop(stop: Stop, x: f64, y: f64) -> Markup {
    let middle = y + THICK / 2.0;
    html! {
        @match stop {
            Stop::Failed => path.stop.is-failed d={ "M" (px(x - 6.0)) " " (px(middle - 6.0)) "l12 12m0-12l-12 12" } {},
            Stop::Changed => circle.stop.is-changed cx=(px(x)) cy=(px(middle)) r="5" {},
            Stop::Limit => line.watch.is-action x1=(px(x)) y1=(px(y - 6.0)) x2=(px(x)) y2=(px(y + THICK + 6.0)) {},
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_end_where_their_values_lie() {
        let rows = vec![
            Row {
                label: "LEFT".into(),
                value: Some(50.0),
                stops: vec![(100.0, Stop::Failed), (80.0, Stop::Changed)],
            },
            Row { label: "RIGHT".into(), value: None, stops: Vec::new() },
        ];
        let of = Meter { what: "h".into(), rows, watched: Vec::new() };
        let drawing = sized(&of, "", Size { left: 0.0, right: 0.0, ..WIDE }, 5.0).0;
        // Half of 1040.
        assert!(drawing.contains("width=\"520\""), "{drawing}");
        assert!(
            drawing.contains("is-failed") && drawing.contains("is-changed") && drawing.contains("unread")
        );
    }
}
