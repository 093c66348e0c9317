//! When things are expected: a row each, with the likely moment and the stretch that it
//! hardly misses. An open end is drawn as an arrow out of the picture; a stretch too
//! short to be seen beside its mark is told in words.

use super::frame::{self, NARROW, Rows, Size, WIDE, width};
use super::px;
use super::time::TimeAxis;
use chrono::{DateTime, Utc};
use maud::{Markup, html};

/// Something expected.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Span {
    /// What.
    pub(in crate::pages) label: String,
    /// Hardly before; `None` where the data do not tell.
    pub(in crate::pages) earliest: Option<DateTime<Utc>>,
    /// The likely moment.
    pub(in crate::pages) likely: DateTime<Utc>,
    /// Hardly after; `None` where the data do not tell.
    pub(in crate::pages) latest: Option<DateTime<Utc>>,
    /// From when to when, in words.
    pub(in crate::pages) within: String,
    /// Whether it should have been done.
    pub(in crate::pages) overdue: bool,
}

const TOP: f64 = 20.0;
const FOOT: f64 = 42.0;
const ROW: f64 = 40.0;
/// A stretch that is no wider lies behind its mark.
const HIDDEN: f64 = 20.0;

/// The spans at both sizes; `says` is what they show, in a sentence.
pub(in crate::pages) fn spans(spans: &[Span], axis: TimeAxis, now: DateTime<Utc>, says: &str) -> Markup {
    html! {
        @for size in [Size { left: 10.0, ..WIDE }, Size { left: 10.0, ..NARROW }] { (sized(spans, axis, now, says, size)) }
    }
}

fn sized(spans: &[Span], axis: TimeAxis, now: DateTime<Utc>, says: &str, size: Size) -> Markup {
    let rows =
        Rows { top: TOP, bottom: TOP + ROW * f64::from(u32::try_from(spans.len()).unwrap_or(u32::MAX)) };
    let lines = (0u32..).map(|row| TOP + ROW * f64::from(row) + 27.0);
    let drawn = html! {
        (frame::times(axis, size, rows))
        (frame::present(axis, now, size, Rows { top: TOP - 14.0, ..rows }))
        @for (span, y) in spans.iter().zip(lines) { (drawn(span, axis, size, y)) }
    };
    frame::svg(size, rows.bottom + FOOT, says, &drawn)
}

fn drawn(span: &Span, axis: TimeAxis, size: Size, y: f64) -> Markup {
    let place = |at: Option<DateTime<Utc>>, open: f64| at.map_or(open, |at| size.x(axis.share(at)));
    let (from, to) = (place(span.earliest, size.left), place(span.latest, size.end()));
    let likely = size.x(axis.share(span.likely));
    let late = span.likely >= axis.whole.end();
    let early = span.likely <= axis.whole.start();
    let hidden = to > from && to - from < HIDDEN && !late && !early;
    let words = if hidden { format!("{}: {}", span.label, span.within) } else { span.label.clone() };
    let wide = width(&words);
    let label = likely.min(size.end() - wide).max(size.left);
    html! {
        text.lane x=(px(label)) y=(px(y - 13.0)) { (words) }
        @if to - from > 1.0 {
            line.reach x1=(px(from)) y1=(px(y)) x2=(px(to)) y2=(px(y)) {}
            @if span.earliest.is_some_and(|at| at > axis.whole.start()) { (end(from, y)) } @else { (arrow(from, y, -1.0)) }
            @if span.latest.is_some_and(|at| at < axis.whole.end()) { (end(to, y)) } @else { (arrow(to, y, 1.0)) }
        }
        @if late { (arrow(size.end(), y, 1.0)) }
        @else if early { (arrow(size.left, y, -1.0)) }
        @else if span.overdue {
            path.likely.is-overdue d={ "M" (px(likely)) " " (px(y - 9.0)) "l9 9l-9 9l-9-9z" } {}
        } @else { circle.likely cx=(px(likely)) cy=(px(y)) r="6" {} }
    }
}

fn end(x: f64, y: f64) -> Markup {
    html! { line.reach-end x1=(px(x)) y1=(px(y - 6.0)) x2=(px(x)) y2=(px(y + 6.0)) {} }
}

/// An arrow whose point is at a place, to the right or to the left.
fn arrow(x: f64, y: f64, way: f64) -> Markup {
    let back = px(x - way * 9.0);
    html! { path.arrow d={ "M" (px(x)) " " (px(y)) "L" (back) " " (px(y - 6.0)) "L" (back) " " (px(y + 6.0)) "z" } {} }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::calendar::Interval;
    use chrono::TimeDelta;

    #[test]
    fn open_ends_and_dates_beyond_the_axis_are_arrows() {
        let at = |day| DateTime::UNIX_EPOCH + TimeDelta::days(day);
        let axis = TimeAxis { whole: Interval::new(at(0), at(100)).unwrap(), zone: chrono_tz::Tz::UTC };
        let span = |earliest, likely, latest| {
            let span = Span {
                label: "<x>".into(),
                within: "4 to 9".into(),
                earliest,
                likely,
                latest,
                overdue: false,
            };
            spans(&[span], axis, at(5), "").0
        };
        let whole = span(Some(at(10)), at(20), Some(at(30)));
        assert!(
            !whole.contains("\"arrow\"") && whole.contains("class=\"likely\"") && whole.contains("&lt;x&gt;")
        );
        let open = span(Some(at(10)), at(20), None);
        assert_eq!((open.matches("\"arrow\"").count(), open.matches("reach-end").count()), (2, 2));
        let short = |hours| Some(at(10) + TimeDelta::hours(hours));
        assert!(span(short(0), at(10), short(20)).contains("&lt;x&gt;: 4 to 9"));
        assert!(!whole.contains("4 to 9") && !span(Some(at(10)), at(10), Some(at(10))).contains("4 to 9"));
        let beyond = span(Some(at(200)), at(300), Some(at(400)));
        assert!(beyond.contains("\"arrow\"") && !beyond.contains("\"likely\""), "{beyond}");
    }
}
