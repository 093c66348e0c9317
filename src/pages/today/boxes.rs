//! Is every box dry? Holds first, as the loudest thing on the page; then each box
//! with its oxygen and water, which way they go, and who is in it.

use super::Told;
use crate::domain::booking::{Progress, Status};
use crate::domain::upkeep::standing::{Course, Height, Standing};
use crate::pages::{held, plot, say};
use crate::usecases::morning::{BoxNow, Morning, Turn};
use maud::{Markup, html};

/// So many turns of a box are told one by one.
const MOST_TURNS: usize = 3;

pub(super) fn section(morning: &Morning, told: Told) -> Markup {
    html! {
        section aria-labelledby="dry" {
            h2 id="dry" { "Is every box dry?" }
            p.answer { (answer(&morning.boxes)) }
            @for one in &morning.boxes {
                @for hold in &one.holds { (held::article(hold, one.glovebox.value.tag.as_str(), held::Under::Section, told.now, told.zone)) }
            }
            ul.boxes {
                @for one in &morning.boxes { (row(one, told)) }
            }
        }
    }
}

/// The answer in a few sentences, by what was read; never that something is safe.
fn answer(boxes: &[BoxNow]) -> String {
    if boxes.is_empty() {
        return "No box is on record yet.".to_owned();
    }
    let tags = |wanted: &dyn Fn(&BoxNow) -> bool| -> Vec<String> {
        boxes.iter().filter(|one| wanted(one)).map(|one| one.glovebox.value.tag.to_string()).collect()
    };
    let highest = |one: &BoxNow| one.oxygen.height().max(one.water.height());
    let closed = tags(&|one| one.holds.iter().any(|hold| hold.hold.value.part.is_none()));
    let action = tags(&|one| highest(one) == Some(Height::Action));
    let caution = tags(&|one| highest(one) == Some(Height::Caution));
    let unread =
        tags(&|one| [&one.oxygen, &one.water].iter().any(|level| level.last.is_none() || level.stale));
    let is = |tags: &[String]| if tags.len() == 1 { "is" } else { "are" };
    let mut told = Vec::new();
    if !closed.is_empty() {
        told.push(format!("{} {} closed to use.", say::and(&closed), is(&closed)));
    }
    if !action.is_empty() {
        told.push(format!("{} last read at or past an action level.", say::and(&action)));
    }
    if !caution.is_empty() {
        told.push(format!("{} {} past a caution level.", say::and(&caution), is(&caution)));
    }
    if !unread.is_empty() {
        told.push(format!("There are no fresh readings of {}.", say::and(&unread)));
    }
    if told.is_empty() {
        return match boxes.len() {
            1 => "The one box last read below its caution levels.".to_owned(),
            n => format!("All {} boxes last read below their caution levels.", say::number(n)),
        };
    }
    let quiet = boxes.len() - boxes.iter().filter(|one| is_named(one, highest(one))).count();
    match quiet {
        0 => {}
        1 => told.push("The other one last read below its caution levels.".to_owned()),
        n => told.push(format!("The other {} last read below their caution levels.", say::number(n))),
    }
    told.join(" ")
}

/// Whether the answer names the box already.
fn is_named(one: &BoxNow, highest: Option<Height>) -> bool {
    one.holds.iter().any(|hold| hold.hold.value.part.is_none())
        || highest > Some(Height::Below)
        || [&one.oxygen, &one.water].iter().any(|level| level.last.is_none() || level.stale)
}

fn row(one: &BoxNow, told: Told) -> Markup {
    let glovebox = &one.glovebox.value;
    html! {
        li.box {
            div.box-name {
                h3 { a href={ "/boxes/" (glovebox.tag) } { (glovebox.tag) } }
                p.quiet {
                    (say::name(glovebox.name.as_str())) br;
                    (glovebox.working_gas.word()) @if let Some(room) = &one.room { ", " (room) }
                }
            }
            (level("Oxygen", &one.oxygen, told))
            (level("Water", &one.water, told))
            div.turns {
                h4 { "In it" }
                (turns(&one.turns, told))
            }
        }
    }
}

/// How a level stands, in words and on a ruler.
pub(in crate::pages) fn level(what: &str, level: &Standing, told: Told) -> Markup {
    let height = level.height();
    html! {
        div.level.is-high[height > Some(Height::Below)] {
            h4 { (what) }
            @match level.last {
                None => p.reading { "Never read" },
                Some(last) => {
                    p.reading { strong { (say::level(last.value)) } " ppm" }
                    p.standing {
                        @match height {
                            Some(Height::Action) => span.word { "▲ at or past the action level" },
                            Some(Height::Caution) => span.word { "▲ past the caution level" },
                            Some(Height::Below) | None => {},
                        }
                        (course(level.course))
                        span.age.is-old[level.stale] {
                            @if level.stale { "? old: " } (say::ago(last.at, told.now))
                        }
                    }
                }
            }
            (plot::ruler::ruler(level.last.map(|last| last.value), height, level.limits))
        }
    }
}

/// Which way a level goes: an arrow, and in words how fast.
fn course(course: Option<Course>) -> Markup {
    let (arrow, words) = match course {
        Some(Course::Rising(rate)) => ("↗", format!("rising {} ppm a day", say::level(rate))),
        Some(Course::Falling(rate)) => ("↘", format!("falling {} ppm a day", say::level(rate))),
        Some(Course::Steady) => ("→", "steady".to_owned()),
        None => ("", "too few readings for a direction".to_owned()),
    };
    html! { span.course { @if !arrow.is_empty() { span aria-hidden="true" { (arrow) " " } } (words) } }
}

/// Who is in a box, and who comes.
pub(in crate::pages) fn turns(turns: &[Turn], told: Told) -> Markup {
    if turns.is_empty() {
        return html! { p.quiet { "No booking today" } };
    }
    let more = turns.len().saturating_sub(MOST_TURNS);
    html! {
        ul {
            @for one in turns.iter().take(MOST_TURNS) { li { (turn(one, told)) } }
            @if more > 0 { li.quiet { "and " (more) " more today" } }
        }
    }
}

fn turn(turn: &Turn, told: Told) -> Markup {
    let (start, end) = (turn.interval.start(), turn.interval.end());
    let who = match (&turn.who, turn.own) {
        (_, true) => html! { "you" },
        (Some(who), false) => say::name(who),
        (None, false) => html! { "booked" },
    };
    let where_at = turn.stations.join("+");
    html! {
        @if turn.progress == Progress::InUse && end <= told.now {
            strong.word { "▲ not closed out" } ", was to end " (told.moment(end)) ": "
        } @else if turn.progress == Progress::InUse {
            strong { "now" } ", until " (told.moment(end)) ": "
        } @else if start <= told.now {
            "since " (told.moment(start)) ", not begun: "
        } @else {
            (say::span(start, end, told.now, told.zone)) ": "
        }
        (who) @if !where_at.is_empty() { " at " (where_at) }
        @if turn.status == Status::Tentative { " (tentative)" }
    }
}
