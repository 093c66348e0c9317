//! What somebody needs: which box, how long, from when, and what goes through the
//! antechambers; and how it is read from what was filled in.

use crate::domain::booking::{BookingRequest, Places, Sample, Transfer, Work};
use crate::domain::calendar::Interval;
use crate::domain::facility::{Solvent, WorkingGas};
use crate::domain::names::{Name, Reference, Remark, Tag};
use crate::domain::violations::{Check, Violation};
use crate::pages::forms::{self, Filled, Twice};
use crate::pages::say;
use crate::usecases::book::{NewBooking, OnConflict};
use crate::usecases::choices::Choices;
use crate::usecases::openings::{Boxes, Search};
use chrono::{DateTime, DurationRound as _, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// So many of the fields are asked at once; most work leaves the others as they are.
pub(super) const ASKED_FIRST: usize = 3;
/// The fields of the need, those that are asked at once first.
pub(super) const FIELDS: [&str; 11] = [
    "where",
    "hours",
    "from",
    "stations",
    "chamber",
    "in_compact",
    "in_porous",
    "out_compact",
    "out_porous",
    "instruments",
    "solvents",
];

/// Openings are looked for over so long a time.
const LOOK_AHEAD: TimeDelta = TimeDelta::days(14);
/// The most transfers one way, instruments or solvents.
const MOST: usize = 20;

/// Whether the need is asked by the field.
pub(super) fn has(field: &str) -> bool {
    FIELDS.contains(&field)
}

/// What somebody needs.
pub(super) struct Need {
    boxes: Boxes,
    pub(super) length: TimeDelta,
    from: DateTime<Utc>,
    /// That the clocks show the time twice, and which is meant.
    pub(super) note: Option<String>,
    work: Work,
}

impl Need {
    /// The search for openings that it is.
    pub(super) fn search(&self) -> Search {
        let range = Interval::lasting(self.from, LOOK_AHEAD).expect("two weeks have length");
        Search { work: self.work.clone(), length: self.length, range, boxes: self.boxes.clone() }
    }

    /// What it comes to, in a few words.
    pub(super) fn in_words(&self, choices: &Choices) -> Markup {
        let places = match &self.work.places {
            Places::WholeBox => "a whole box".to_owned(),
            Places::Any(1) => "a place".to_owned(),
            Places::Any(count) => format!("{} places", say::number(usize::from(*count))),
            Places::Named(named) => format!("{} places", say::number(named.len())),
        };
        let turns = self.work.transfers_in.len() + self.work.transfers_out.len();
        html! {
            (places) " "
            @match &self.boxes {
                Boxes::One(tag) => { "at " (tag) },
                Boxes::OfGas(gas) => { "in " (gas.word()) },
                Boxes::All => { "in any box" },
            }
            " for " (say::lasting(self.length)) " from "
            (say::moment(self.from, choices.now, choices.site.timezone))
            @if turns > 0 { ", with " (say::count(turns, "transfer")) }
            @if !self.work.instruments.is_empty() { ", with an instrument" }
            @if !self.work.solvents.is_empty() { ", with solvents" }
        }
    }
}

/// What was filled in, with what is usual where nothing was.
pub(super) fn filled_up(filled: Filled, choices: &Choices) -> Filled {
    let quarter = TimeDelta::minutes(15);
    let notice = choices.site.policies.minimum_notice.map_or(TimeDelta::zero(), |notice| notice.delta());
    let soon = choices.now + notice;
    let soon = soon.duration_round_up(quarter).unwrap_or(soon);
    let soon = say::wall(soon, choices.site.timezone);
    let filled = filled.or("from", soon).or("hours", "2").or("stations", "1");
    let start = filled.get("from").to_owned();
    let at = filled.get("where").strip_prefix("box:").map(str::to_owned);
    let first = choices.boxes.first().map(|first| first.value.tag.to_string());
    filled.or("start", start).or("box", at.or(first).unwrap_or_default())
}

/// What was filled in with the place that was taken as the place and time of one's own,
/// so that what is in the way of it is told there.
pub(super) fn as_taken(filled: Filled, zone: Tz) -> Filled {
    let Some((glovebox, _, start)) = taken(filled.get("take")) else { return filled };
    let (glovebox, at) = (glovebox.to_owned(), start);
    let filled = filled.with("box", glovebox).with("start", say::wall(at, zone));
    match twice(&filled, zone) {
        Some(twice) => filled.with(WHICH, if at == twice.again { "second" } else { "first" }),
        None => filled,
    }
}

/// A place as its button says it: the box, the stations, the start.
fn taken(text: &str) -> Option<(&str, Vec<&str>, DateTime<Utc>)> {
    let (place, at) = text.split_once('@')?;
    let (glovebox, stations) = place.split_once('/')?;
    let at = DateTime::parse_from_rfc3339(at).ok()?.to_utc();
    Some((glovebox, stations.split('+').filter(|tag| !tag.is_empty()).collect(), at))
}

/// The value of a place's button.
pub(super) fn place<'a>(
    glovebox: &Tag,
    stations: impl Iterator<Item = &'a Tag>,
    at: DateTime<Utc>,
) -> String {
    let stations: Vec<&str> = stations.map(Tag::as_str).collect();
    format!("{glovebox}/{}@{}", stations.join("+"), at.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true))
}

/// Reads the need, or says everything that is wrong with it.
pub(super) fn read(filled: &Filled, choices: &Choices) -> Result<Need, Vec<Violation>> {
    let mut check = Check::default();
    let boxes = boxes(&mut check, filled.get("where"));
    let length = length(&mut check, filled.get("hours"));
    let from = local(&mut check, "from", filled.get("from"), choices.site.timezone);
    let places = places(&mut check, filled.get("stations"));
    let transfers_in = transfers(&mut check, filled, "in");
    let transfers_out = transfers(&mut check, filled, "out");
    let instruments: Vec<Reference> = filled
        .all("instruments")
        .filter(|text| !text.is_empty())
        .take(MOST)
        .filter_map(|text| check.field("instruments", text.parse()))
        .collect();
    let solvents: Vec<Solvent> = filled
        .get("solvents")
        .split([',', ';'])
        .map(str::trim)
        .filter(|name| !name.is_empty())
        .take(MOST + 1)
        .filter_map(|name| check.field("solvents", Name::parse(name)).map(Solvent::classify))
        .collect();
    check.require(solvents.len() <= MOST, "solvents", "too_many", "Name at most 20 solvents.");
    let parts = boxes.zip(length).zip(from).zip(places);
    let need = check.build(parts, |(((boxes, length), from), places)| Need {
        boxes,
        length,
        from: from.at,
        note: from.twice.map(|twice| format!("{} The first is meant.", twice.said)),
        work: Work { places, transfers_in, transfers_out, instruments, solvents },
    });
    need.map_err(crate::domain::violations::Violations::into_vec)
}

/// The booking that a need becomes at the place taken, or at one's own place and time.
pub(super) fn booking(filled: &Filled, need: &Need, choices: &Choices) -> Result<NewBooking, Vec<Violation>> {
    let mut check = Check::default();
    let mut work = need.work.clone();
    let start = match taken(filled.get("take")) {
        Some((_, stations, at)) => {
            if work.places != Places::WholeBox && !stations.is_empty() {
                let named = stations.into_iter().take(MOST);
                work.places = Places::Named(
                    named.filter_map(|tag| check.field("stations", tag.parse::<Reference>())).collect(),
                );
            }
            Some(at)
        }
        None => own_start(&mut check, filled, choices.site.timezone),
    };
    let interval = start.and_then(|start| {
        let interval = Interval::lasting(start, need.length).ok();
        check.require(interval.is_some(), "start", "out_of_range", "This is too far away.");
        interval
    });
    let glovebox = match filled.get("box") {
        "" => {
            check.note(Violation::new("box", "missing_field", "Choose a box."));
            None
        }
        text => check.field("box", text.parse::<Reference>()),
    };
    let purpose = check.field("purpose", Remark::parse(filled.get("purpose")));
    let group = Some(filled.get("group")).filter(|group| !group.is_empty());
    let group = group.and_then(|group| check.field("group", Name::parse(group)));
    let person = Some(filled.get("for")).filter(|person| !person.is_empty());
    let beneficiary = person.and_then(|person| check.field("for", person.parse::<Reference>()));
    let parts = interval.zip(glovebox).zip(purpose);
    let new = check.build(parts, |((interval, glovebox), purpose)| NewBooking {
        glovebox,
        // A group of one's own is none of somebody else's.
        request: BookingRequest { work, interval, purpose, group: group.filter(|_| beneficiary.is_none()) },
        beneficiary,
        rrule: None,
        on_conflict: OnConflict::Refuse,
    });
    new.map_err(crate::domain::violations::Violations::into_vec)
}

/// The field that tells which is meant of a time that comes twice.
pub(super) const WHICH: &str = "which";

/// A start of one's own. Of a time that the clocks show twice neither is taken silently.
fn own_start(check: &mut Check, filled: &Filled, zone: Tz) -> Option<DateTime<Utc>> {
    let start = local(check, "start", filled.get("start"), zone)?;
    let Some(twice) = start.twice else { return Some(start.at) };
    match filled.get(WHICH) {
        "first" => Some(start.at),
        "second" => Some(twice.again),
        _ => {
            let detail = format!("{} Choose which of the two you mean.", twice.said);
            check.note(Violation::new(WHICH, "comes_twice", detail));
            None
        }
    }
}

/// The two of a start of one's own that comes twice.
pub(super) fn twice(filled: &Filled, zone: Tz) -> Option<Twice> {
    forms::instant(filled.get("start"), zone).ok()?.twice
}

fn boxes(check: &mut Check, text: &str) -> Option<Boxes> {
    match text.split_once(':') {
        Some(("gas", word)) => {
            let gas = WorkingGas::from_word(word);
            check.require(gas.is_some(), "where", "unknown_word", "Choose a gas or a box.");
            gas.map(Boxes::OfGas)
        }
        Some(("box", tag)) => check.field("where", tag.parse()).map(Boxes::One),
        _ => Some(Boxes::All),
    }
}

/// Hours, as `2`, `1.5`, `1,5` or `1:30`.
fn length(check: &mut Check, text: &str) -> Option<TimeDelta> {
    let minutes = match text.split_once(':') {
        Some((hours, minutes)) => hours
            .parse::<u32>()
            .ok()
            .zip(minutes.parse::<u32>().ok())
            .map(|(h, m)| f64::from(h) * 60.0 + f64::from(m)),
        None => text.replace(',', ".").parse::<f64>().ok().map(|hours| hours * 60.0),
    };
    let minutes = minutes.filter(|minutes| (1.0..=44_640.0).contains(minutes)).map(f64::round);
    check.require(
        minutes.is_some(),
        "hours",
        "out_of_range",
        "Give the hours as a number, such as 2, or 1.5 for an hour and a half.",
    );
    #[expect(clippy::cast_possible_truncation, reason = "a whole number of minutes within a month")]
    minutes.map(|minutes| TimeDelta::minutes(minutes as i64))
}

fn local(check: &mut Check, field: &str, text: &str, zone: Tz) -> Option<forms::Instant> {
    match forms::instant(text, zone) {
        Ok(instant) => Some(instant),
        Err(detail) => {
            check.note(Violation::new(field, "bad_time", detail));
            None
        }
    }
}

fn places(check: &mut Check, text: &str) -> Option<Places> {
    if text == "whole" {
        return Some(Places::WholeBox);
    }
    let count = text.parse::<u8>().ok().filter(|count| (1..=16).contains(count));
    check.require(count.is_some(), "stations", "out_of_range", "Choose 1 to 16 stations, or the whole box.");
    count.map(Places::Any)
}

fn transfers(check: &mut Check, filled: &Filled, way: &str) -> Vec<Transfer> {
    let antechamber = match filled.get("chamber") {
        "" => None,
        tag => check.field("chamber", tag.parse::<Reference>()),
    };
    let mut all = Vec::new();
    for sample in Sample::ALL {
        let field = format!("{way}_{}", sample.word());
        let text = filled.get(&field);
        let count = if text.is_empty() { Some(0) } else { text.parse::<usize>().ok() };
        let count = count.filter(|count| *count <= MOST);
        check.require(count.is_some(), &field, "out_of_range", "Give a whole number, 20 at most.");
        let one = || Transfer { antechamber: antechamber.clone(), sample, at: None };
        all.extend((0..count.unwrap_or(0)).map(|_| one()));
    }
    check.require(all.len() <= MOST, &format!("{way}_compact"), "too_many", "At most 20 transfers one way.");
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(text: &str) -> Option<i64> {
        length(&mut Check::default(), text).map(|length| length.num_minutes())
    }

    #[test]
    fn hours_are_read_as_people_write_them() {
        assert_eq!(["2", "1.5", "1,5", "1:30", "0.25"].map(minutes), [120, 90, 90, 90, 15].map(Some));
        for nothing in ["", "0", "-1", "many", "1:x", "NaN", "inf", "1e9", "745"] {
            assert_eq!(minutes(nothing), None, "{nothing}");
        }
    }

    #[test]
    fn a_place_is_read_from_its_button_as_it_was_written() {
        let at: DateTime<Utc> = "2030-01-07T09:00:00Z".parse().unwrap();
        let tags = ["S1", "S2"].map(|tag| Tag::parse(tag).unwrap());
        let written = place(&Tag::parse("LYNX").unwrap(), tags.iter(), at);
        assert_eq!(written, "LYNX/S1+S2@2030-01-07T09:00:00Z");
        assert_eq!(taken(&written), Some(("LYNX", vec!["S1", "S2"], at)));
        assert_eq!(["own", "", "LYNX@", "LYNX/S1@soon"].map(taken), [const { None }; 4]);
    }

    #[test]
    fn a_place_that_was_taken_stands_as_ones_own_in_the_facilitys_time() {
        let filled = Filled::default().with("take", "LYNX/S1@2030-01-07T09:00:00Z").with("start", "tomorrow");
        let filled = as_taken(filled, chrono_tz::Europe::Vienna);
        assert_eq!((filled.get("box"), filled.get("start")), ("LYNX", "2030-01-07T10:00"));
        for (at, which) in [("2026-10-25T00:30:00Z", "first"), ("2026-10-25T01:30:00Z", "second")] {
            let filled = Filled::default().with("take", format!("LYNX/S1@{at}"));
            let filled = as_taken(filled, chrono_tz::Europe::Vienna);
            assert_eq!((filled.get("start"), filled.get(WHICH)), ("2026-10-25T02:30", which));
        }
    }
}
