//! What the boxes were used for, month by month: hours, transfers and gas, by
//! group, person or box, and what becomes of them once a month is closed.
//!
//! Each booking counts in whole hundredths of an hour and whole millilitres,
//! rounded once; everything else is a sum of integers, so parts agree with
//! their whole to the last digit. A booking belongs to the month in which it
//! begins.

use crate::domain::booking::{Booking, Progress};
use crate::domain::calendar::interval::seconds;
use crate::domain::calendar::{Interval, LocalTime};
use crate::domain::facility::Stored;
use crate::domain::ids::{BookingId, GloveboxId, PersonId};
use crate::domain::names::Name;
use chrono::{DateTime, Datelike as _, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;
use std::iter::Sum;
use std::ops::{Add, Neg, Sub};
use std::{fmt, str::FromStr};
use thiserror::Error;

/// The caution that a booking carries whose work ends with a purge.
const PURGED: &str = "circulation_off";

/// A month of the years 1970 to 2098, such as `2026-05`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Month {
    year: i32,
    month: u32,
}

/// Text that is no such month.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("is not a month of the years 1970 to 2098, such as 2026-05")]
pub struct BadMonth;

impl Month {
    /// The month in which an instant lies, in a zone; the last of the calendar for later ones.
    pub fn of(at: DateTime<Utc>, zone: Tz) -> Self {
        let local = at.with_timezone(&zone);
        Self { year: local.year().clamp(1970, 2098), month: local.month() }
    }

    /// The one after it.
    #[must_use]
    pub const fn next(self) -> Self {
        if self.month == 12 {
            Self { year: self.year + 1, month: 1 }
        } else {
            Self { month: self.month + 1, ..self }
        }
    }

    /// When it begins in a zone.
    fn start(self, zone: Tz) -> DateTime<Utc> {
        let first = NaiveDate::from_ymd_opt(self.year, self.month, 1).expect("a month has a first day");
        LocalTime::new(first.and_time(NaiveTime::MIN)).expect("a year of the calendar").instant(zone)
    }

    /// From its first midnight to the next month's, in a zone.
    pub fn range(self, zone: Tz) -> Interval {
        Interval::new(self.start(zone), self.next().start(zone)).expect("a month ends after it begins")
    }
}

impl FromStr for Month {
    type Err = BadMonth;

    fn from_str(text: &str) -> Result<Self, BadMonth> {
        let digits = |part: &str, length: usize| {
            (part.len() == length && part.bytes().all(|digit| digit.is_ascii_digit())).then_some(())
        };
        let (year, month) = text.split_once('-').ok_or(BadMonth)?;
        digits(year, 4).zip(digits(month, 2)).ok_or(BadMonth)?;
        let (year, month) = (year.parse().map_err(|_| BadMonth)?, month.parse().map_err(|_| BadMonth)?);
        let fits = (1970..=2098).contains(&year) && (1..=12).contains(&month);
        if fits { Ok(Self { year, month }) } else { Err(BadMonth) }
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.year, self.month)
    }
}

/// What was used; negative in corrections.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Figures {
    /// How many bookings.
    pub bookings: i64,
    /// Time in use of bookings that were closed out, hundredths of an hour.
    pub logged: i64,
    /// Time booked of those that were not, hundredths of an hour.
    pub booked: i64,
    /// Both, times the stations taken, hundredths of an hour.
    pub station_time: i64,
    /// Antechamber turns.
    pub transfers: i64,
    /// Gas of the turns, millilitres at 0 °C and 1 atm.
    pub turns_ml: i64,
    /// Gas of the purges, millilitres at 0 °C and 1 atm.
    pub purge_ml: i64,
}

impl Figures {
    /// Time in use and booked, hundredths of an hour.
    pub const fn time(&self) -> i64 {
        self.logged + self.booked
    }

    /// All gas, millilitres at 0 °C and 1 atm.
    pub const fn gas_ml(&self) -> i64 {
        self.turns_ml + self.purge_ml
    }
}

impl Add for Figures {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            bookings: self.bookings + other.bookings,
            logged: self.logged + other.logged,
            booked: self.booked + other.booked,
            station_time: self.station_time + other.station_time,
            transfers: self.transfers + other.transfers,
            turns_ml: self.turns_ml + other.turns_ml,
            purge_ml: self.purge_ml + other.purge_ml,
        }
    }
}

impl Neg for Figures {
    type Output = Self;

    fn neg(self) -> Self {
        Self {
            bookings: -self.bookings,
            logged: -self.logged,
            booked: -self.booked,
            station_time: -self.station_time,
            transfers: -self.transfers,
            turns_ml: -self.turns_ml,
            purge_ml: -self.purge_ml,
        }
    }
}

impl Sub for Figures {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Sum for Figures {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::default(), Add::add)
    }
}

/// Whose use it is, and of what.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Charged {
    /// The booking.
    pub booking: BookingId,
    /// The group it counts against.
    pub group: Option<Name>,
    /// The person.
    pub person: PersonId,
    /// The box.
    pub glovebox: GloveboxId,
}

/// What one booking comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Whose it is.
    pub charged: Charged,
    /// What was used.
    pub figures: Figures,
}

#[expect(clippy::cast_possible_truncation, reason = "bounded by clamp before the cast")]
fn whole(value: f64) -> i64 {
    value.round().clamp(-9e15, 9e15) as i64
}

/// What a booking comes to; nothing where nobody came or it was called off.
///
/// Time counts as logged where it was closed out, from its start to its end
/// but not beyond the booked one, else as booked. Gas is the booking's own
/// estimate; `turns_nl` is what its turns take as the box is now, and divides
/// the estimate where it covers both turns and a purge.
pub fn entry(stored: &Stored<Booking>, turns_nl: f64) -> Option<Entry> {
    let booking = &stored.value;
    let used = match (booking.progress, booking.started_at, booking.closed_at) {
        (Progress::Cancelled | Progress::NoShow, _, _) => return None,
        (Progress::ClosedOut, Some(started), Some(closed)) => {
            // Closed out before it began, it took no time.
            Interval::new(started, closed.min(booking.interval.end()))
                .map_or(0.0, |used| seconds(used.length()))
        }
        (Progress::Booked | Progress::InUse | Progress::ClosedOut, _, _) => {
            seconds(booking.interval.length())
        }
    };
    let time = whole(used / 36.0);
    let (logged, booked) = if booking.progress == Progress::ClosedOut { (time, 0) } else { (0, time) };
    let work = &booking.work;
    let gas_ml = whole(booking.gas_estimate.get() * 1000.0);
    let transfers = work.transfers_in.len() + work.transfers_out.len();
    let purged = work.cautions.iter().any(|caution| caution.code == PURGED);
    let turns_ml = match (transfers > 0, purged) {
        (true, true) => whole(turns_nl * 1000.0).clamp(0, gas_ml),
        (true, false) => gas_ml,
        (false, _) => 0,
    };
    let count = |length: usize| i64::try_from(length).unwrap_or(i64::MAX);
    Some(Entry {
        charged: Charged {
            booking: stored.id.into(),
            group: booking.group.clone(),
            person: booking.person,
            glovebox: booking.glovebox,
        },
        figures: Figures {
            bookings: 1,
            logged,
            booked,
            station_time: time * count(work.stations.len()),
            transfers: count(transfers),
            turns_ml,
            purge_ml: gas_ml - turns_ml,
        },
    })
}

/// What statements are divided by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grouping {
    /// The group that bookings count against.
    Group,
    /// The person.
    Person,
    /// The box.
    Glovebox,
}

impl Grouping {
    /// Every grouping.
    pub const ALL: [Self; 3] = [Self::Group, Self::Person, Self::Glovebox];

    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Group => "group",
            Self::Person => "person",
            Self::Glovebox => "glovebox",
        }
    }
}

/// One of what statements are divided by.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// A group; `None` for bookings that count against none.
    Group(Option<Name>),
    /// A person.
    Person(PersonId),
    /// A box.
    Glovebox(GloveboxId),
}

impl Charged {
    /// Which part of a statement it belongs to.
    pub fn part(&self, by: Grouping) -> Part {
        match by {
            Grouping::Group => Part::Group(self.group.clone()),
            Grouping::Person => Part::Person(self.person),
            Grouping::Glovebox => Part::Glovebox(self.glovebox),
        }
    }
}

/// The entries summed up, part by part.
pub fn grouped(entries: &[Entry], by: Grouping) -> BTreeMap<Part, Figures> {
    let mut parts: BTreeMap<Part, Figures> = BTreeMap::new();
    for entry in entries {
        let part = parts.entry(entry.charged.part(by)).or_default();
        *part = *part + entry.figures;
    }
    parts
}

/// All of the entries together.
pub fn total(entries: &[Entry]) -> Figures {
    entries.iter().map(|entry| entry.figures).sum()
}

/// What has to be added to what was said so that it says what is known now.
pub fn corrections(said: &[Entry], now: &[Entry]) -> Vec<Entry> {
    let mut differences: BTreeMap<&Charged, Figures> = BTreeMap::new();
    for entry in now {
        let difference = differences.entry(&entry.charged).or_default();
        *difference = *difference + entry.figures;
    }
    for entry in said {
        let difference = differences.entry(&entry.charged).or_default();
        *difference = *difference - entry.figures;
    }
    differences
        .into_iter()
        .filter(|(_, figures)| *figures != Figures::default())
        .map(|(charged, figures)| Entry { charged: charged.clone(), figures })
        .collect()
}

#[cfg(test)]
mod tests;
