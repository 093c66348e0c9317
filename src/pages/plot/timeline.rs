//! Who has what, and when: a lane for each place, with bars of several forms. Work is
//! an empty bar, work under way a full one, upkeep a hatched one, anything that only
//! occupies a place a thin one.

use super::frame::{self, NARROW, Rows, Size, WIDE, width};
use super::px;
use super::time::TimeAxis;
use crate::domain::calendar::Interval;
use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};
use std::fmt::Write as _;

/// What a bar stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::pages) enum Form {
    /// Work that is booked, or was done.
    Work,
    /// Work that goes on.
    UnderWay,
    /// Upkeep.
    Upkeep,
    /// What comes with work: an antechamber's turn, circulation off, a purge.
    Beside,
}

/// A bar.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Bar {
    /// From when to when.
    pub(in crate::pages) interval: Interval,
    /// What it stands for.
    pub(in crate::pages) form: Form,
    /// What is written on it, where there is room.
    pub(in crate::pages) words: String,
}

/// A lane.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Lane {
    /// The place.
    pub(in crate::pages) label: String,
    /// What is on it.
    pub(in crate::pages) bars: Vec<Bar>,
}

/// A timeline.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Timeline {
    /// From when to when; on narrow screens only its first part is drawn.
    pub(in crate::pages) axis: TimeAxis,
    /// How long that part is.
    pub(in crate::pages) first: TimeDelta,
    /// The present.
    pub(in crate::pages) now: DateTime<Utc>,
    /// The lanes.
    pub(in crate::pages) lanes: Vec<Lane>,
    /// When everything is shut.
    pub(in crate::pages) shut: Vec<Interval>,
}

const TOP: f64 = 20.0;
const FOOT: f64 = 42.0;
const LANE: f64 = 46.0;
/// A lane's name stands above its bars.
const NAME: f64 = 16.0;
const THICK: f64 = 24.0;
const THIN: f64 = 8.0;
/// Between the lines of a hatching.
const HATCH: f64 = 6.0;

/// The timeline at both sizes; `says` is what it shows, in a sentence.
pub(in crate::pages) fn timeline(line: &Timeline, says: &str) -> Markup {
    let first = Interval::lasting(line.axis.whole.start(), line.first).unwrap_or(line.axis.whole);
    html! {
        (sized(line, line.axis, says, Size { left: 4.0, ..WIDE }))
        (sized(line, TimeAxis { whole: first, ..line.axis }, says, Size { left: 4.0, ..NARROW }))
    }
}

fn sized(line: &Timeline, axis: TimeAxis, says: &str, size: Size) -> Markup {
    let lanes = f64::from(u32::try_from(line.lanes.len()).unwrap_or(u32::MAX));
    let rows = Rows { top: TOP, bottom: TOP + lanes * LANE };
    let tops = (0u32..).map(|lane| TOP + LANE * f64::from(lane));
    let drawn = html! {
        @for shut in &line.shut {
            @let (from, to) = ends(axis, *shut, size);
            @if to > from {
                path.shut d=(hatching(from, to, rows.top, rows.bottom - rows.top, 12.0)) {}
                @if to - from > 50.0 { text.label x=(px(from + 3.0)) y=(px(TOP - 6.0)) { "closed" } }
            }
        }
        (frame::times(axis, size, rows))
        @for (lane, top) in line.lanes.iter().zip(tops) { (drawn_lane(lane, axis, size, top)) }
        (frame::present(axis, line.now, size, Rows { top: TOP - 14.0, ..rows }))
    };
    frame::svg(size, rows.bottom + FOOT, says, &drawn)
}

fn ends(axis: TimeAxis, interval: Interval, size: Size) -> (f64, f64) {
    (size.x(axis.share(interval.start())), size.x(axis.share(interval.end())))
}

fn drawn_lane(lane: &Lane, axis: TimeAxis, size: Size, top: f64) -> Markup {
    html! {
        line.grid x1=(px(size.left)) y1=(px(top)) x2=(px(size.end())) y2=(px(top)) {}
        text.lane x=(px(size.left + 2.0)) y=(px(top + NAME - 3.0)) { (lane.label) }
        @for bar in &lane.bars {
            @let (from, to) = ends(axis, bar.interval, size);
            @if to > from { (drawn_bar(bar, from, (to - from).max(2.0), top + NAME + 2.0)) }
        }
    }
}

fn drawn_bar(bar: &Bar, x: f64, wide: f64, top: f64) -> Markup {
    let (y, height, class) = match bar.form {
        Form::Work => (top, THICK, "bar"),
        Form::UnderWay => (top, THICK, "bar is-under-way"),
        Form::Upkeep => (top, THICK, "bar is-upkeep"),
        Form::Beside => (top + (THICK - THIN) / 2.0, THIN, "bar is-beside"),
    };
    let fits = bar.form != Form::Beside && width(&bar.words) + 8.0 <= wide;
    html! {
        rect class=(class) x=(px(x)) y=(px(y)) width=(px(wide)) height=(px(height)) rx="2" {}
        @if bar.form == Form::Upkeep { path.hatch d=(hatching(x, x + wide, y, height, HATCH)) {} }
        @if fits {
            @if bar.form == Form::Upkeep {
                rect.under-words x=(px(x + 2.0)) y=(px(y + 3.0)) width=(px(width(&bar.words) + 4.0)) height=(px(THICK - 6.0)) {}
            }
            text.bar-words.is-inverse[bar.form == Form::UnderWay] x=(px(x + 4.0)) y=(px(y + 16.5)) { (bar.words) }
        }
    }
}

/// Slanted lines that fill a box and do not leave it.
fn hatching(from: f64, to: f64, top: f64, height: f64, step: f64) -> String {
    let mut text = String::new();
    let mut foot = from - height + step;
    while foot < to {
        let (left, right) = (foot.max(from), (foot + height).min(to));
        if right > left {
            let y = |x: f64| px(top + height - (x - foot));
            write!(text, "M{} {}L{} {}", px(left), y(left), px(right), y(right))
                .expect("texts take whatever is written");
        }
        foot += step;
    }
    text
}

/// What the forms mean, for below a timeline.
pub(in crate::pages) fn legend() -> Markup {
    let sample = |form| Bar {
        interval: Interval::lasting(DateTime::UNIX_EPOCH, TimeDelta::hours(1)).expect("an hour is not empty"),
        form,
        words: String::new(),
    };
    let forms = [
        (Form::Work, "booked"),
        (Form::UnderWay, "under way"),
        (Form::Upkeep, "upkeep"),
        (Form::Beside, "occupied besides: antechamber’s turn, circulation off, purge"),
    ];
    html! {
        ul.legend {
            @for (form, words) in forms {
                li {
                    svg.sample viewBox="0 0 34 28" aria-hidden="true" focusable="false" { (drawn_bar(&sample(form), 2.0, 30.0, 2.0)) }
                    (words)
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hatching_stays_within_its_box() {
        for (from, to) in [(10.0, 200.0), (10.0, 12.0), (10.0, 30.0)] {
            let text = hatching(from, to, 5.0, 24.0, HATCH);
            assert!(!text.is_empty(), "{from} {to}");
            for place in text.split(['M', 'L']).filter(|text| !text.is_empty()) {
                let (x, y) = place.split_once(' ').unwrap();
                let (x, y): (f64, f64) = (x.parse().unwrap(), y.parse().unwrap());
                assert!((from..=to).contains(&x) && (5.0..=29.0).contains(&y), "{text}");
            }
        }
    }

    #[test]
    fn words_stand_on_a_bar_only_where_they_fit() {
        let interval = Interval::lasting(DateTime::UNIX_EPOCH, TimeDelta::hours(1)).unwrap();
        let bar = Bar { interval, form: Form::Upkeep, words: "<filter>".into() };
        assert!(drawn_bar(&bar, 0.0, 100.0, 0.0).0.contains("&lt;filter&gt;"));
        assert!(!drawn_bar(&bar, 0.0, 30.0, 0.0).0.contains("filter"));
    }
}
