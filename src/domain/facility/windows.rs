//! Maintenance windows: recurring times kept for upkeep. Knows when they are
//! and what they keep; what a booking may do there is the booking's business.

use crate::domain::calendar::recurrence::RecurrenceError;
use crate::domain::calendar::{Interval, Length, Recurrence};
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Name, Word};
use crate::domain::violations::{Check, Coded, Violations};
use chrono::TimeDelta;
use thiserror::Error;

/// The longest a window lasts: two weeks, in seconds. A longer closure is a
/// closure of the facility, not a window.
pub const LONGEST_WINDOW_SECONDS: i64 = 14 * 86_400;

/// The most windows a facility keeps.
pub const MOST_WINDOWS: usize = 500;

/// The most times that a window may come up in [`DENSITY_DAYS`].
pub const MOST_IN_A_YEAR: usize = 2000;

/// The most gloveboxes, and the most tasks, that one window names.
pub const MOST_NAMED: usize = 200;

/// The stretch over which a window's occurrences are counted when it is made, days.
pub const DENSITY_DAYS: i64 = 366;

/// The most occurrences that are ever listed at once. No window that was let
/// in comes up so often within the longest range that a recurrence is listed for.
const MOST_LISTED: usize = 20_000;

/// What a window does to bookings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WindowHolds {
    /// Never bookable.
    Always,
    /// Bookable, but given up when planned work lands in it.
    WhenNeeded {
        /// How long before the window begins that is said at the latest;
        /// `None` where nothing is promised.
        notice: Option<Length>,
    },
}

impl WindowHolds {
    /// The word in the contract.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Always => "always",
            Self::WhenNeeded { .. } => "when_needed",
        }
    }

    /// The promise made to those who book into it, if any.
    pub const fn notice(self) -> Option<Length> {
        match self {
            Self::Always => None,
            Self::WhenNeeded { notice } => notice,
        }
    }

    /// What a word and a notice stand for.
    pub fn from_parts(word: &str, notice: Option<Length>) -> Result<Self, WindowError> {
        match (word, notice) {
            ("always", None) => Ok(Self::Always),
            ("always", Some(_)) => Err(WindowError::NoticeOfAlways),
            ("when_needed", notice) => Ok(Self::WhenNeeded { notice }),
            _ => Err(WindowError::Holds),
        }
    }
}

/// Why a window was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum WindowError {
    /// No word for what it holds.
    #[error("must be always or when_needed")]
    Holds,
    /// A notice where nobody can book.
    #[error("goes with when_needed only: nothing is booked in a window that always holds")]
    NoticeOfAlways,
    /// Too long.
    #[error("must be at most {} days", LONGEST_WINDOW_SECONDS / 86_400)]
    TooLong,
    /// An empty list of boxes, which could be read as none or as all.
    #[error("names no glovebox; leave it out for all of them")]
    NoGlovebox,
    /// More than [`MOST_NAMED`].
    #[error("names more than {MOST_NAMED}")]
    TooManyNamed,
    /// So many occurrences that nothing else would fit.
    #[error("comes up more than {MOST_IN_A_YEAR} times in {DENSITY_DAYS} days")]
    TooOften,
}

impl Coded for WindowError {
    fn code(&self) -> &'static str {
        match self {
            Self::Holds => "unknown_word",
            Self::NoticeOfAlways => "notice_without_when_needed",
            Self::TooLong => "too_long",
            Self::NoGlovebox => "empty",
            Self::TooManyNamed => "too_many",
            Self::TooOften => "too_many_occurrences",
        }
    }
}

/// A recurring time kept for upkeep.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MaintenanceWindow {
    /// Name for people.
    pub name: Name,
    /// When it begins, over and over, on the wall of a zone.
    pub recurrence: Recurrence,
    /// How long it lasts, in elapsed time.
    pub duration: Length,
    /// The gloveboxes meant; `None` for all, also those still to come.
    pub gloveboxes: Option<Vec<GloveboxId>>,
    /// The tasks it is for; empty for any.
    pub tasks: Vec<Word>,
    /// What it does to bookings.
    pub holds: WindowHolds,
}

impl MaintenanceWindow {
    /// Passes the window on when it is short enough and does not come up too
    /// often to be expanded; every fault is told.
    pub fn checked(mut self) -> Result<Self, Violations> {
        let mut check = Check::default();
        check.field("duration", short_enough(self.duration));
        if let Some(gloveboxes) = &mut self.gloveboxes {
            check.field("gloveboxes", some_named(gloveboxes.len()));
            gloveboxes.sort_unstable();
            gloveboxes.dedup();
        }
        check.field("tasks", few_named(self.tasks.len()));
        self.tasks.sort_unstable();
        self.tasks.dedup();
        check.field("rrule", rare_enough(&self.recurrence));
        check.finish(|| self)
    }

    /// Whether the window concerns the glovebox.
    pub fn applies_to(&self, glovebox: GloveboxId) -> bool {
        self.gloveboxes.as_ref().is_none_or(|named| named.contains(&glovebox))
    }

    /// Whether the window is for the task.
    pub fn is_for(&self, task: &Word) -> bool {
        self.tasks.is_empty() || self.tasks.contains(task)
    }

    /// Whether nothing is ever booked in it.
    pub const fn is_closed(&self) -> bool {
        matches!(self.holds, WindowHolds::Always)
    }

    /// The occurrences that overlap `range`, ascending by start, whole and
    /// not joined. The range may span
    /// [`LONGEST_RANGE_DAYS`](crate::domain::calendar::zone::LONGEST_RANGE_DAYS)
    /// at most and lies in the years that the zone tables cover.
    pub fn occurrences(&self, range: Interval) -> Result<Vec<Interval>, RecurrenceError> {
        self.recurrence.intervals(range, self.duration, MOST_LISTED)
    }
}

/// Passes a window's length on when it is at most [`LONGEST_WINDOW_SECONDS`].
pub fn short_enough(duration: Length) -> Result<Length, WindowError> {
    if duration.seconds() > LONGEST_WINDOW_SECONDS { Err(WindowError::TooLong) } else { Ok(duration) }
}

/// Passes when so many gloveboxes may be named in place of all.
pub const fn some_named(gloveboxes: usize) -> Result<(), WindowError> {
    if gloveboxes == 0 { Err(WindowError::NoGlovebox) } else { few_named(gloveboxes) }
}

/// Passes when so many may be named at all.
pub const fn few_named(named: usize) -> Result<(), WindowError> {
    if named > MOST_NAMED { Err(WindowError::TooManyNamed) } else { Ok(()) }
}

/// Passes when the window does not come up more than [`MOST_IN_A_YEAR`] times
/// in the year from the first time named; a rule's density hardly changes
/// after that, and written-out dates are few.
pub fn rare_enough(recurrence: &Recurrence) -> Result<(), WindowError> {
    let first = recurrence.first_named().instant(recurrence.zone());
    let Ok(year) = Interval::lasting(first, TimeDelta::days(DENSITY_DAYS)) else { return Ok(()) };
    match recurrence.expand(year, MOST_IN_A_YEAR) {
        Err(RecurrenceError::TooMany { .. }) => Err(WindowError::TooOften),
        // A year that runs past the end of the calendar is not counted.
        Ok(_) | Err(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::calendar::recurrence::RecurrenceText;
    use chrono::{DateTime, Utc};
    use uuid::Uuid;

    fn window(dtstart: &str, rrule: &str, duration: &str) -> MaintenanceWindow {
        MaintenanceWindow {
            name: Name::parse("Test").unwrap(),
            recurrence: Recurrence::parse(&RecurrenceText {
                dtstart: dtstart.to_owned(),
                timezone: "Europe/Berlin".to_owned(),
                rrule: Some(rrule.to_owned()),
                ..RecurrenceText::default()
            })
            .unwrap(),
            duration: duration.parse().unwrap(),
            gloveboxes: None,
            tasks: Vec::new(),
            holds: WindowHolds::Always,
        }
    }

    fn range(from: &str, to: &str) -> Interval {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        Interval::new(at(from), at(to)).unwrap()
    }

    /// The clocks of Europe/Berlin go forward on 29 March 2026 at 01:00 UTC
    /// (IANA time zone database; Directive 2000/84/EC: last Sunday of March).
    #[test]
    fn a_window_keeps_to_the_wall_clock_when_the_clocks_change() {
        let mondays = window("2026-03-02T08:00", "FREQ=WEEKLY;BYDAY=MO", "PT2H");
        let found = mondays.occurrences(range("2026-03-23T00:00:00Z", "2026-04-05T00:00:00Z")).unwrap();
        let texts: Vec<String> = found.iter().map(ToString::to_string).collect();
        assert_eq!(
            texts,
            ["2026-03-23T07:00:00Z/2026-03-23T09:00:00Z", "2026-03-30T06:00:00Z/2026-03-30T08:00:00Z"]
        );
    }

    #[test]
    fn the_range_is_half_open_and_reaches_into_windows_begun_before_it() {
        let mondays = window("2026-06-01T08:00", "FREQ=WEEKLY;BYDAY=MO", "PT2H");
        let count = |from, to| mondays.occurrences(range(from, to)).unwrap().len();
        assert_eq!(count("2026-06-08T07:59:59Z", "2026-06-08T09:00:00Z"), 1);
        assert_eq!(count("2026-06-08T08:00:00Z", "2026-06-08T09:00:00Z"), 0);
        assert_eq!(count("2026-06-08T05:00:00Z", "2026-06-08T06:00:00Z"), 0);
    }

    #[test]
    fn every_fault_is_told_at_once() {
        let mut faulty = window("2026-06-01T08:00", "FREQ=DAILY;BYHOUR=1,2,3,4,5,6,7,8", "P15D");
        faulty.gloveboxes = Some(Vec::new());
        let faults = faulty.checked().unwrap_err();
        let fields: Vec<&str> = faults.as_slice().iter().map(|fault| fault.field.as_str()).collect();
        assert_eq!(fields, ["duration", "gloveboxes", "rrule"]);
    }

    #[test]
    fn a_window_of_no_named_box_concerns_every_box() {
        let (one, other) = (GloveboxId::from(Uuid::from_u128(1)), GloveboxId::from(Uuid::from_u128(2)));
        let mut some = window("2026-06-01T08:00", "FREQ=DAILY", "PT1H");
        assert!(some.applies_to(one) && some.applies_to(other));
        some.gloveboxes = Some(vec![other, other]);
        let some = some.checked().unwrap();
        assert_eq!(some.gloveboxes.as_deref(), Some(&[other][..]));
        assert!(!some.applies_to(one) && some.applies_to(other));
    }

    #[test]
    fn notice_goes_with_when_needed_only() {
        let day: Length = "P1D".parse().unwrap();
        assert_eq!(WindowHolds::from_parts("always", Some(day)), Err(WindowError::NoticeOfAlways));
        let given = WindowHolds::from_parts("when_needed", Some(day)).unwrap();
        assert_eq!(given.notice(), Some(day));
        assert_eq!(WindowHolds::from_parts("sometimes", None), Err(WindowError::Holds));
    }
}
