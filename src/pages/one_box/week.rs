//! Who has the box this week: its places with their bookings and upkeep, drawn and told.

use crate::domain::booking::Why;
use crate::domain::calendar::Interval;
use crate::pages::plot::frame::{Table, figure};
use crate::pages::plot::time::TimeAxis;
use crate::pages::plot::timeline::{self, Bar, Form, Lane, Timeline, timeline};
use crate::pages::say;
use crate::pages::today::Told;
use crate::usecases::one_box::{BoxSeen, Taken};
use chrono::TimeDelta;
use maud::{Markup, html};

/// The most rows of the table.
const MOST_ROWS: usize = 200;

pub(super) fn section(seen: &BoxSeen, told: Told) -> Markup {
    let mut all: Vec<(&str, &Taken)> =
        seen.lanes.iter().flat_map(|lane| lane.taken.iter().map(|one| (lane.part.as_str(), one))).collect();
    all.sort_by_key(|(part, one)| (one.interval, *part));
    let says = says(&all);
    let shut: Vec<Interval> = seen
        .site
        .closures
        .iter()
        .filter(|closure| closure.glovebox.is_none_or(|one| one.uuid() == seen.glovebox.id))
        .map(|closure| closure.interval)
        .collect();
    let drawn = Timeline {
        axis: TimeAxis { whole: seen.ahead, zone: told.zone },
        first: TimeDelta::days(2),
        now: told.now,
        lanes: seen
            .lanes
            .iter()
            .map(|lane| Lane { label: lane.part.clone(), bars: lane.taken.iter().map(bar).collect() })
            .collect(),
        shut,
    };
    let caption =
        html! { (says) span.narrow-only { " The drawing shows the first two days, the table all." } };
    html! {
        section aria-labelledby="who" {
            h2 id="who" { "Who has it this week?" }
            (figure(&caption, &html! { (timeline(&drawn, &says)) (timeline::legend()) }, &table(&all, told), "who has what, and when"))
        }
    }
}

fn says(all: &[(&str, &Taken)]) -> String {
    let of = |wanted: Why| all.iter().filter(|(_, one)| one.why == wanted).count();
    match (of(Why::Work), of(Why::Upkeep)) {
        (0, 0) => "Nothing is booked or planned from today for seven days.".to_owned(),
        (work, 0) => format!("From today for seven days: {}, no upkeep.", turns(work)),
        (0, _) => "From today for seven days: no bookings, but upkeep is planned.".to_owned(),
        (work, _) => format!("From today for seven days: {}, and upkeep is planned.", turns(work)),
    }
}

fn turns(work: usize) -> String {
    say::count(work, "turn") + " of work"
}

fn bar(taken: &Taken) -> Bar {
    let form = match taken.why {
        Why::Work if taken.under_way => Form::UnderWay,
        Why::Work => Form::Work,
        Why::Upkeep => Form::Upkeep,
        Why::TransferIn | Why::TransferOut | Why::Instrument | Why::CirculationOff | Why::Purge => {
            Form::Beside
        }
    };
    Bar { interval: taken.interval, form, words: whose(taken).unwrap_or_default() }
}

/// Whose it is, or what is done.
fn whose(taken: &Taken) -> Option<String> {
    if taken.own { Some("you".to_owned()) } else { taken.what.clone() }
}

const fn why(taken: &Taken) -> &'static str {
    match taken.why {
        Why::Work if taken.under_way => "work, under way",
        Why::Work => "work",
        Why::TransferIn => "antechamber, on the way in",
        Why::TransferOut => "antechamber, on the way out",
        Why::Instrument => "instrument",
        Why::CirculationOff => "circulation off",
        Why::Purge => "purge",
        Why::Upkeep => "upkeep",
    }
}

fn table(all: &[(&str, &Taken)], told: Told) -> Table {
    let row = |(part, one): &(&str, &Taken)| {
        vec![
            say::span(one.interval.start(), one.interval.end(), told.now, told.zone),
            html! { (part) },
            html! { (why(one)) },
            html! { @match whose(one) { Some(whose) => (say::name(&whose)), None => "booked" } },
        ]
    };
    Table {
        columns: vec!["When", "Place", "For", "Whose, or what"],
        rows: all.iter().take(MOST_ROWS).map(row).collect(),
    }
}
