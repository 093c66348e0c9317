//! A course of values over time: lines, bands, levels to watch, marks of what happened.
//! What differs in meaning differs in form: lines are whole or dashed, levels are
//! named at their line, happenings have numbers that a list beside them explains.

use super::frame::{self, NARROW, Rows, Size, WIDE, width};
use super::px;
use super::scale::Scale;
use super::time::TimeAxis;
use super::words::{Piece, spot};
use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};
use std::fmt::Write as _;

/// What is drawn into a chart, the first behind the others.
#[derive(Debug, Clone)]
pub(in crate::pages) enum Layer {
    /// Between a lower and an upper value at each moment.
    Band(Vec<(DateTime<Utc>, f64, f64)>),
    /// From value to value.
    Line {
        /// Where it goes through, in order of time.
        points: Vec<(DateTime<Utc>, f64)>,
        /// Whether it tells of what is to come.
        expected: bool,
    },
    /// A value to watch.
    Level {
        /// The value.
        value: f64,
        /// What it is called.
        words: String,
        /// Whether it is the one that calls for action.
        action: bool,
    },
    /// A moment, with what is written at it.
    Mark(DateTime<Utc>, String),
    /// Stretches, drawn along the foot.
    Foot(Vec<(DateTime<Utc>, DateTime<Utc>)>),
}

/// A chart.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Chart {
    /// From when to when.
    pub(in crate::pages) axis: TimeAxis,
    /// From which value to which.
    pub(in crate::pages) scale: Scale,
    /// What the values are, with their unit.
    pub(in crate::pages) what: String,
    /// The present, where it is shown.
    pub(in crate::pages) now: Option<DateTime<Utc>>,
    /// Points further apart than this are not joined: in between nothing was read.
    pub(in crate::pages) gap: TimeDelta,
    /// What is drawn.
    pub(in crate::pages) layers: Vec<Layer>,
}

/// Above what is drawn there is room for a unit and two rows of numbers.
const TOP: f64 = 56.0;
const FOOT: f64 = 42.0;

/// The chart at both sizes; `says` is what it shows, in a sentence.
pub(in crate::pages) fn chart(chart: &Chart, says: &str) -> Markup {
    html! { (sized(chart, says, WIDE, 330.0)) (sized(chart, says, NARROW, 300.0)) }
}

fn sized(chart: &Chart, says: &str, size: Size, height: f64) -> Markup {
    let rows = Rows { top: TOP, bottom: height - FOOT };
    let drawn = html! {
        (frame::values(chart.scale, &chart.what, size, rows))
        (frame::times(chart.axis, size, rows))
        @for layer in &chart.layers { (drawn(chart, layer, size, rows)) }
        @if let Some(now) = chart.now { (frame::present(chart.axis, now, size, rows)) }
        (marks(chart, size, rows))
    };
    frame::svg(size, height, says, &drawn)
}

fn drawn(chart: &Chart, layer: &Layer, size: Size, rows: Rows) -> Markup {
    let place = |at, value: f64| (size.x(chart.axis.share(at)), rows.y(chart.scale.share(value)));
    match layer {
        Layer::Band(points) => html! {
            @for run in runs(points, |point| point.0, chart.gap) {
                @let upper: Vec<(f64, f64)> = run.iter().map(|(at, _, high)| place(*at, *high)).collect();
                @let lower: Vec<(f64, f64)> = run.iter().rev().map(|(at, low, _)| place(*at, *low)).collect();
                path.band d={ (path(&[upper, lower].concat())) "z" } {}
            }
        },
        Layer::Line { points, expected } => html! {
            @for run in runs(points, |point| point.0, chart.gap) {
                @let places: Vec<(f64, f64)> = run.iter().map(|(at, value)| place(*at, *value)).collect();
                @match places.as_slice() {
                    [(x, y)] => circle.dot cx=(px(*x)) cy=(px(*y)) r="2.5" {},
                    places => path.course.is-expected[*expected] d=(path(places)) {},
                }
            }
        },
        Layer::Level { value, words, action } => {
            let y = rows.y(chart.scale.share(*value));
            let across = (size.left + 5.0, size.end() - 5.0);
            let (x, foot) =
                spot(&pieces(chart, y, size, rows), y, width(words), across, (rows.top, rows.bottom - 8.0));
            html! {
                line.watch.is-action[*action] x1=(px(size.left)) y1=(px(y)) x2=(px(size.end())) y2=(px(y)) {}
                text.label.is-action[*action] x=(px(x)) y=(px(foot)) { (words) }
            }
        }
        Layer::Foot(stretches) => html! {
            @for (from, to) in stretches {
                @let (from, to) = (size.x(chart.axis.share(*from)), size.x(chart.axis.share(*to)));
                @if to > from {
                    rect.foot-bar x=(px(from)) y=(px(rows.bottom - 7.0)) width=(px((to - from).max(1.0))) height="7" {}
                }
            }
        },
        Layer::Mark(..) => html! {},
    }
}

/// What the words of the level at a height must not cover: curves, the edges of bands,
/// the other levels, the present and what happened.
fn pieces(chart: &Chart, level: f64, size: Size, rows: Rows) -> Vec<Piece> {
    let place = |at, value: f64| (size.x(chart.axis.share(at)), rows.y(chart.scale.share(value)));
    let upright =
        |at| ((size.x(chart.axis.share(at)), rows.top), (size.x(chart.axis.share(at)), rows.bottom));
    let joined =
        |places: Vec<(f64, f64)>| places.windows(2).map(|two| (two[0], two[1])).collect::<Vec<Piece>>();
    let mut pieces: Vec<Piece> = chart.now.map(upright).into_iter().collect();
    for layer in &chart.layers {
        match layer {
            Layer::Line { points, .. } => {
                for run in runs(points, |point| point.0, chart.gap) {
                    pieces.extend(joined(run.iter().map(|(at, value)| place(*at, *value)).collect()));
                }
            }
            Layer::Band(points) => {
                for run in runs(points, |point| point.0, chart.gap) {
                    pieces.extend(joined(run.iter().map(|(at, low, _)| place(*at, *low)).collect()));
                    pieces.extend(joined(run.iter().map(|(at, _, high)| place(*at, *high)).collect()));
                }
            }
            Layer::Level { value, .. } => {
                let y = rows.y(chart.scale.share(*value));
                if (y - level).abs() > 0.5 {
                    pieces.push(((size.left, y), (size.end(), y)));
                }
            }
            Layer::Mark(at, _) => pieces.push(upright(*at)),
            Layer::Foot(_) => {}
        }
    }
    pieces
}

/// Numbers above the lines of what happened, in two rows where they would touch.
fn marks(chart: &Chart, size: Size, rows: Rows) -> Markup {
    let mut ends = [f64::MIN; 2];
    let mut placed = Vec::new();
    for layer in &chart.layers {
        let Layer::Mark(at, text) = layer else { continue };
        let x = size.x(chart.axis.share(*at));
        let half = width(text) / 2.0 + 4.0;
        // Where there is no room in either row, it moves aside; its line stays where it is.
        let free = ends.iter().position(|end| x - half >= *end);
        let row = free.unwrap_or(usize::from(ends[1] < ends[0]));
        let middle = x.max(ends[row] + half);
        ends[row] = middle + half;
        placed.push((x, middle, half, if row == 0 { rows.top - 8.0 } else { rows.top - 24.0 }, text));
    }
    html! {
        @for (x, middle, half, y, text) in placed {
            @let middle = middle.clamp(half, size.width - half);
            line.mark-line x1=(px(x)) y1=(px(y + 4.0)) x2=(px(x)) y2=(px(rows.bottom)) {}
            rect.mark-box x=(px(middle - half + 1.0)) y=(px(y - 11.0)) width=(px(2.0 * half - 2.0)) height="15" rx="2" {}
            text.mark-text x=(px(middle)) y=(px(y)) text-anchor="middle" { (text) }
        }
    }
}

/// Points in runs without a gap.
fn runs<T>(points: &[T], at: impl Fn(&T) -> DateTime<Utc>, gap: TimeDelta) -> Vec<&[T]> {
    points.chunk_by(|one, next| at(next) - at(one) <= gap).collect()
}

/// A path through places.
pub(super) fn path(places: &[(f64, f64)]) -> String {
    let mut text = String::new();
    for (n, (x, y)) in places.iter().enumerate() {
        write!(text, "{}{} {}", if n == 0 { "M" } else { "L" }, px(*x), px(*y))
            .expect("texts take whatever is written");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::calendar::Interval;
    use chrono_tz::Tz;

    fn at(hour: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::hours(hour)
    }

    fn of(scale: Scale, layers: Vec<Layer>) -> Chart {
        let axis = TimeAxis { whole: Interval::new(at(0), at(100)).unwrap(), zone: Tz::UTC };
        Chart { axis, scale, what: "Oxygen, ppm".into(), now: Some(at(50)), gap: TimeDelta::hours(5), layers }
    }

    /// Every number of the paths of a drawing, in pairs.
    fn places(drawing: &str) -> Vec<(f64, f64)> {
        let mut found = Vec::new();
        for path in drawing.split(" d=\"").skip(1) {
            let path = path.split('"').next().unwrap().trim_end_matches('z');
            for place in path.split(['M', 'L']).filter(|text| !text.is_empty()) {
                let (x, y) = place.split_once(' ').unwrap();
                found.push((x.parse().unwrap(), y.parse().unwrap()));
            }
        }
        found
    }

    #[test]
    fn whatever_is_read_stays_within_the_frame() {
        let wild = [0.0, 1e-300, 1e300, f64::MAX, -5.0, 3.0];
        let points: Vec<(DateTime<Utc>, f64)> =
            wild.into_iter().zip(-2..).map(|(value, n)| (at(4 * n), value)).collect();
        let band: Vec<(DateTime<Utc>, f64, f64)> =
            points.iter().map(|(at, value)| (*at, value / 2.0, *value)).collect();
        for scale in [Scale::decades(wild), Scale::from_nought(wild, 4.0), Scale::from_nought([], 4.0)] {
            let layers =
                vec![Layer::Band(band.clone()), Layer::Line { points: points.clone(), expected: false }];
            for (size, height) in [(WIDE, 330.0), (NARROW, 300.0)] {
                let drawing = sized(&of(scale, layers.clone()), "", size, height).0;
                let found = places(&drawing);
                assert!(found.len() >= 12, "{drawing}");
                for (x, y) in found {
                    assert!((size.left..=size.end()).contains(&x), "{x} on {size:?}");
                    assert!((TOP..=height - FOOT).contains(&y), "{y} on {scale:?}");
                }
            }
        }
    }

    #[test]
    fn nothing_is_drawn_where_nothing_was_read() {
        let points = [0, 4, 8, 30, 34, 60].map(|hour| (at(hour), 1.0)).to_vec();
        let drawing =
            sized(&of(Scale::decades([1.0]), vec![Layer::Line { points, expected: false }]), "", WIDE, 330.0)
                .0;
        assert_eq!(drawing.matches("class=\"course\"").count(), 2, "{drawing}");
        assert_eq!(drawing.matches("class=\"dot\"").count(), 1, "{drawing}");
    }

    #[test]
    fn numbers_of_what_happened_at_about_one_time_do_not_cover_each_other() {
        let layers = (0..5).map(|number| Layer::Mark(at(20 + number / 3), format!("{number}"))).collect();
        let drawing = sized(&of(Scale::decades([1.0]), layers), "", WIDE, 330.0).0;
        let boxes: Vec<[f64; 3]> = drawing
            .split("class=\"mark-box\" ")
            .skip(1)
            .map(|rest| {
                let number =
                    |name: &str| rest.split(name).nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
                [number("x=\""), number("y=\""), number("width=\"")]
            })
            .collect();
        assert_eq!(boxes.len(), 5, "{drawing}");
        for (number, [x, y, wide]) in boxes.iter().enumerate() {
            for [other, at_height, _] in &boxes[number + 1..] {
                assert!((y - at_height).abs() > 14.0 || x + wide <= *other, "{boxes:?}");
            }
        }
    }

    #[test]
    fn what_is_to_come_and_what_calls_for_action_have_forms_of_their_own() {
        let layers = vec![
            Layer::Line { points: vec![(at(0), 1.0), (at(4), 2.0)], expected: true },
            Layer::Level { value: 10.0, words: "caution <10>".into(), action: false },
            Layer::Level { value: 100.0, words: "action".into(), action: true },
        ];
        let drawing = chart(&of(Scale::decades([1.0, 100.0]), layers), "the \"course\"").0;
        assert!(drawing.contains("course is-expected") && drawing.contains("watch is-action"), "{drawing}");
        assert!(
            drawing.contains("caution &lt;10&gt;")
                && drawing.contains("aria-label=\"the &quot;course&quot;\"")
        );
    }
}
