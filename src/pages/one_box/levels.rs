//! How oxygen and water went: every stretch with its least, mean and greatest reading,
//! between the levels to watch, with what was done on the box meanwhile.

use super::ranges;
use crate::domain::facility::MeasuredQuantity;
use crate::domain::upkeep::readings::Bucket;
use crate::pages::plot::chart::{Chart, Layer, chart};
use crate::pages::plot::frame::{Table, figure};
use crate::pages::plot::scale::Scale;
use crate::pages::plot::time::TimeAxis;
use crate::pages::say;
use crate::pages::today::{Told, boxes};
use crate::usecases::one_box::{BoxSeen, Done, LevelSeen};
use chrono::{NaiveDate, TimeDelta};
use maud::{Markup, html};

/// The most rows of a table.
const MOST_ROWS: usize = 200;

pub(super) fn section(seen: &BoxSeen, days: i64, told: Told) -> Markup {
    let marks = marks(&seen.done, told);
    html! {
        section aria-labelledby="levels" {
            h2 id="levels" { "How dry and how clean of oxygen?" }
            (ranges(seen.glovebox.value.tag.as_str(), days))
            @for level in &seen.levels {
                @let name = name(level.quantity);
                h3 { (name) }
                div.beside {
                    (boxes::level("Last read", &level.standing, told))
                    (drawn(level, seen, &marks, told))
                }
            }
            @if !marks.is_empty() {
                h3 { "What was done meanwhile" }
                ol.keys {
                    @for (_, number, done) in &marks {
                        li { span.key { (number) } " " (done_words(done, told)) }
                    }
                }
            }
        }
    }
}

const fn name(quantity: MeasuredQuantity) -> &'static str {
    if matches!(quantity, MeasuredQuantity::WaterPpm) { "Water" } else { "Oxygen" }
}

/// What was done, day by day, numbered in order.
fn marks(done: &[Done], told: Told) -> Vec<(NaiveDate, String, Vec<&Done>)> {
    let date = |one: &Done| one.at.with_timezone(&told.zone).date_naive();
    let days = done.chunk_by(|one, next| date(one) == date(next));
    days.zip(1..)
        .map(|(day, number)| (date(&day[0]), i32::to_string(&number), day.iter().collect()))
        .collect()
}

fn done_words(done: &[&Done], told: Told) -> Markup {
    html! {
        @if let Some(first) = done.first() { (say::capital(&told.day(first.at))) ": " }
        @for (place, one) in done.iter().enumerate() {
            @if place > 0 { "; " }
            (one.task.as_str().replace('_', " ")) ", " span.tag { (one.part) }
            @if one.replaced { " (replaced)" }
            @if !one.passed { " " span.word { "▲ did not pass" } }
        }
    }
}

fn drawn(level: &LevelSeen, seen: &BoxSeen, marks: &[(NaiveDate, String, Vec<&Done>)], told: Told) -> Markup {
    if level.course.is_empty() {
        return html! { p.quiet { "Nothing was read over this time." } };
    }
    let limits = level.standing.limits;
    let watched = [limits.caution.get(), limits.action.get()];
    let values = level.course.iter().flat_map(|bucket| [bucket.min, bucket.max]);
    let mut layers = vec![
        Layer::Band(level.course.iter().map(|one| (middle(one), one.min, one.max)).collect()),
        Layer::Line {
            points: level.course.iter().map(|one| (middle(one), one.mean())).collect(),
            expected: false,
        },
        Layer::Level { value: watched[0], words: format!("caution from {} ppm", watched[0]), action: false },
        Layer::Level { value: watched[1], words: format!("action from {} ppm", watched[1]), action: true },
    ];
    layers.extend(
        marks.iter().filter_map(|(_, number, done)| Some(Layer::Mark(done.first()?.at, number.clone()))),
    );
    let of = Chart {
        axis: TimeAxis { whole: seen.followed, zone: told.zone },
        scale: Scale::decades(values.chain(watched)),
        what: format!("{}, ppm (mole fraction, log scale)", name(level.quantity)),
        now: None,
        gap: gap(&level.course, seen.stretch),
        layers,
    };
    let says = says(level, told);
    let caption = html! {
        (says) " The line is the mean and the band reaches from the least to the greatest reading of each "
        (say::length(seen.stretch)) "; where nothing was read, nothing is drawn."
        @if !marks.is_empty() { " Numbers mark what was done, told below." }
    };
    figure(
        &caption,
        &chart(&of, &says),
        &table(level, seen, told),
        &format!("{}, by time", name(level.quantity)),
    )
}

/// Where a stretch's readings lie, in its middle.
fn middle(bucket: &Bucket) -> chrono::DateTime<chrono::Utc> {
    bucket.first.0 + (bucket.last.0 - bucket.first.0) / 2
}

/// Stretches are joined unless they lie further apart than is usual, and than twice their length.
fn gap(course: &[Bucket], stretch: TimeDelta) -> TimeDelta {
    let mut steps: Vec<TimeDelta> =
        course.windows(2).map(|pair| middle(&pair[1]) - middle(&pair[0])).collect();
    steps.sort_unstable();
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(stretch);
    (usual * 3).max(stretch * 2)
}

fn says(level: &LevelSeen, told: Told) -> String {
    let name = name(level.quantity);
    let least = level.course.iter().map(|one| one.min).fold(f64::INFINITY, f64::min);
    let most = level.course.iter().max_by(|one, other| one.max.total_cmp(&other.max));
    let limits = level.standing.limits;
    let past = |limit: f64| level.course.iter().filter(|one| one.max >= limit).count();
    let above = match (past(limits.action.get()), past(limits.caution.get())) {
        (0, 0) => "never at the caution level".to_owned(),
        (0, _) => "at times past the caution level".to_owned(),
        _ => "at times at or past the action level".to_owned(),
    };
    most.map_or_else(String::new, |most| {
        format!(
            "{name} was read between {} and {} ppm, {above}; the highest {}.",
            say::level(least),
            say::level(most.max),
            told.day(most.start)
        )
    })
}

/// The stretches as a table; so many of them that it can be read.
fn table(level: &LevelSeen, seen: &BoxSeen, told: Told) -> Table {
    let digits = |value: f64| html! { (say::level(value)) };
    let end = |one: &Bucket| one.start + seen.stretch;
    let rows = level.course.iter().rev().take(MOST_ROWS);
    Table {
        columns: vec!["From", "To", "Readings", "Least, ppm", "Mean, ppm", "Greatest, ppm"],
        rows: rows
            .map(|one| {
                let count = html! { (one.count) };
                let times = [told.moment(one.start), told.moment(end(one))];
                let values = [digits(one.min), digits(one.mean()), digits(one.max)];
                times.into_iter().chain([count]).chain(values).collect()
            })
            .collect(),
    }
}
