//! RFC 5545 recurrence sets in a named zone, bounded and checked.
//!
//! A rule is expanded on the wall clock of its zone and every time on the
//! wall is then turned into an instant as RFC 5545 §3.3.5 says (see
//! [`LocalTime::instant`]). So a window at 02:30 starts an hour later by the
//! wall on the night that skips it, and once, at the first 02:30, on the
//! night that has two. (§3.3.10 says in one sentence that times that do not
//! exist are ignored and in another that they are read as in §3.3.5; the
//! second keeps upkeep from being dropped, so it is followed.)
//!
//! Where the rule does not name its own start, the start is not an
//! occurrence: RFC 5545 leaves that set undefined. Without a rule the start
//! is one.

use crate::domain::calendar::pattern::Pattern;
use crate::domain::calendar::rule::{End, Rule, RuleError};
use crate::domain::calendar::zone::{
    LocalTime, RangeError, check_range, first_instant, instant, parse_zone, within_calendar,
};
use crate::domain::calendar::{Interval, Length};
use crate::domain::violations::{Check, Coded, Violation, Violations};
use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use thiserror::Error;

/// The most `rdates`, and the most `exdates`, of one recurrence.
pub const MOST_DATES: usize = 500;

/// How far a zone's wall clock is from UTC at most, with room to spare.
const A_DAY: TimeDelta = TimeDelta::days(1);

/// Why a recurrence was refused, or could not be listed.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RecurrenceError {
    /// The rule cannot be read.
    #[error(transparent)]
    Rule(#[from] RuleError),
    /// No day is ever named, such as 30 February.
    #[error("never names a time from the start on")]
    NeverMatches,
    /// `UNTIL` lies before the start.
    #[error("UNTIL lies before the start")]
    UntilBeforeStart,
    /// More than [`MOST_DATES`] dates in one list.
    #[error("holds more than {MOST_DATES} dates")]
    TooManyDates,
    /// The range, or `UNTIL`, is not within the calendar or too long.
    #[error(transparent)]
    Range(#[from] RangeError),
    /// More occurrences in the range than the caller allows.
    #[error("has more than {most} occurrences in this range; ask for a shorter one")]
    TooMany {
        /// How many are allowed.
        most: usize,
    },
}

impl Coded for RecurrenceError {
    fn code(&self) -> &'static str {
        match self {
            Self::Rule(error) => error.code(),
            Self::NeverMatches => "never_matches",
            Self::UntilBeforeStart => "until_before_start",
            Self::TooManyDates => "too_many_dates",
            Self::Range(error) => error.code(),
            Self::TooMany { .. } => "too_many_occurrences",
        }
    }
}

/// The text form of a [`Recurrence`].
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecurrenceText {
    /// The start on the wall of `timezone`, such as `2026-03-02T08:00:00`.
    pub dtstart: String,
    /// The IANA name of the zone.
    pub timezone: String,
    /// The rule, without `RRULE:`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rrule: Option<String>,
    /// Further starts, written as `dtstart`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rdates: Vec<String>,
    /// Starts that are left out, written as `dtstart`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub exdates: Vec<String>,
}

/// A rule and its expansion.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Repetition {
    rule: Rule,
    pattern: Pattern,
}

/// Starts that recur: a first one, a rule, further ones and exceptions, all
/// on the wall of one zone.
///
/// ```
/// use drykeep::domain::calendar::{Interval, recurrence::{Recurrence, RecurrenceText}};
/// let windows = Recurrence::parse(&RecurrenceText {
///     dtstart: "2026-03-23T08:00:00".into(),
///     timezone: "Europe/Berlin".into(),
///     rrule: Some("FREQ=WEEKLY;BYDAY=MO".into()),
///     ..RecurrenceText::default()
/// })
/// .unwrap();
/// let range = Interval::new("2026-03-23T00:00:00Z".parse().unwrap(), "2026-04-05T00:00:00Z".parse().unwrap()).unwrap();
/// let starts: Vec<String> = windows.expand(range, 10).unwrap().iter().map(|at| at.to_rfc3339()).collect();
/// // The clocks go forward in between.
/// assert_eq!(starts, ["2026-03-23T07:00:00+00:00", "2026-03-30T06:00:00+00:00"]);
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "RecurrenceText", into = "RecurrenceText")]
pub struct Recurrence {
    dtstart: LocalTime,
    zone: Tz,
    repetition: Option<Repetition>,
    rdates: Vec<LocalTime>,
    exdates: Vec<LocalTime>,
}

impl Recurrence {
    /// Checks the text form; violations name the field, such as `rdates[3]`,
    /// and everything wrong is told at once.
    pub fn parse(text: &RecurrenceText) -> Result<Self, Violations> {
        let mut check = Check::default();
        let dtstart = check.field("dtstart", LocalTime::parse(&text.dtstart));
        let zone = check.field("timezone", parse_zone(&text.timezone));
        let rule = check.part("", read_rule(text.rrule.as_deref()));
        let rdates = parse_dates(&mut check, "rdates", &text.rdates);
        let exdates = parse_dates(&mut check, "exdates", &text.exdates);
        let (dtstart, zone, rule) = check.finish(|| {
            dtstart
                .zip(zone)
                .zip(rule)
                .map(|((start, zone), rule)| (start, zone, rule))
                .expect("nothing was noted")
        })?;
        Self::build(dtstart, zone, rule, rdates, exdates)
    }

    /// A recurrence from its parts, `repeats` being the text of the rule.
    pub fn new(
        dtstart: LocalTime,
        zone: Tz,
        repeats: Option<&str>,
        rdates: Vec<LocalTime>,
        exdates: Vec<LocalTime>,
    ) -> Result<Self, Violations> {
        let mut check = Check::default();
        let rule = check.part("", read_rule(repeats));
        for (field, dates) in [("rdates", &rdates), ("exdates", &exdates)] {
            check.field(field, few_enough(dates.len()));
        }
        let rule = check.finish(|| rule.expect("nothing was noted"))?;
        Self::build(dtstart, zone, rule, rdates, exdates)
    }

    fn build(
        dtstart: LocalTime,
        zone: Tz,
        rule: Option<Rule>,
        rdates: Vec<LocalTime>,
        exdates: Vec<LocalTime>,
    ) -> Result<Self, Violations> {
        let repetition = rule
            .map(|rule| Repetition::anchored(rule, dtstart, zone))
            .transpose()
            .map_err(|error| Violation::new("rrule", error.code(), error.to_string()))?;
        Ok(Self { dtstart, zone, repetition, rdates, exdates })
    }

    /// The start on the wall.
    pub const fn dtstart(&self) -> LocalTime {
        self.dtstart
    }

    /// The zone that rules.
    pub const fn zone(&self) -> Tz {
        self.zone
    }

    /// The rule, if there is one.
    pub fn rule(&self) -> Option<&Rule> {
        self.repetition.as_ref().map(|repetition| &repetition.rule)
    }

    /// Further starts.
    pub fn rdates(&self) -> &[LocalTime] {
        &self.rdates
    }

    /// Starts that are left out.
    pub fn exdates(&self) -> &[LocalTime] {
        &self.exdates
    }

    /// The first time that the rule itself names, or the start without a
    /// rule; exceptions are not considered. Other calendars want it as
    /// `DTSTART`, since they take that as an occurrence.
    pub fn first_named(&self) -> LocalTime {
        let named = self
            .repetition
            .as_ref()
            .and_then(|repetition| repetition.pattern.walls(self.dtstart.wall()).next());
        named.and_then(|wall| LocalTime::new(wall).ok()).unwrap_or(self.dtstart)
    }

    /// The starts within `range`, ascending, each once; more than `most` is
    /// an error rather than a list cut short.
    pub fn expand(&self, range: Interval, most: usize) -> Result<Vec<DateTime<Utc>>, RecurrenceError> {
        check_range(range)?;
        self.starts(range, most)
    }

    /// The occurrences that overlap `range`, ascending by start, not joined
    /// and not cut, each lasting `length` of elapsed time: a length of a day
    /// is 24 hours even on the night the clocks change, where RFC 5545 would
    /// keep a `DURATION` in days to the wall clock.
    pub fn intervals(
        &self,
        range: Interval,
        length: Length,
        most: usize,
    ) -> Result<Vec<Interval>, RecurrenceError> {
        check_range(range)?;
        let early = (range.start() - length.delta()).max(first_instant());
        let reach = Interval::new(early, range.end()).expect("the start moves earlier only");
        // One start may lie exactly one length before the range and end where it begins.
        let starts = self.starts(reach, most.saturating_add(1));
        if matches!(starts, Err(RecurrenceError::TooMany { .. })) {
            return Err(RecurrenceError::TooMany { most });
        }
        let found: Vec<Interval> = starts?
            .into_iter()
            .filter_map(|start| Interval::lasting(start, length.delta()).ok())
            .filter(|occurrence| occurrence.overlaps(&range))
            .collect();
        if found.len() > most { Err(RecurrenceError::TooMany { most }) } else { Ok(found) }
    }

    /// The first start at or after `at`, anywhere in the calendar.
    pub fn next_from(&self, at: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let excluded = self.excluded();
        let fits = |start: &DateTime<Utc>| *start >= at && !excluded.contains(start);
        let extra = self.named_dates().filter(fits).min();
        let from = at.max(first_instant()).naive_utc().checked_sub_signed(A_DAY)?;
        let Some(repetition) = &self.repetition else { return extra };
        let mut best: Option<(NaiveDateTime, DateTime<Utc>)> = None;
        for (wall, start) in repetition.instants(self.zone, from) {
            // Near a change of the clocks the instants may not follow the order of the wall.
            if best.is_some_and(|(first, _)| wall - first > A_DAY) {
                break;
            }
            if fits(&start) && best.is_none_or(|(_, earlier)| start < earlier) {
                best = Some((best.map_or(wall, |(first, _)| first), start));
            }
        }
        best.map(|(_, start)| start).into_iter().chain(extra).min()
    }

    fn starts(&self, range: Interval, most: usize) -> Result<Vec<DateTime<Utc>>, RecurrenceError> {
        let excluded = self.excluded();
        let (from, to) = (range.start().naive_utc() - A_DAY, range.end().naive_utc() + A_DAY);
        let named = self
            .repetition
            .iter()
            .flat_map(|repetition| repetition.instants(self.zone, from).take_while(|(wall, _)| *wall < to))
            .map(|(_, start)| start);
        let mut found: Vec<DateTime<Utc>> = Vec::new();
        for start in named.chain(self.named_dates()) {
            if !range.contains(start) || excluded.contains(&start) {
                continue;
            }
            // Nearly always the next; where the clocks change, and of dates written out, not.
            if found.last().is_none_or(|last| *last < start) {
                found.push(start);
            } else if let Err(place) = found.binary_search(&start) {
                found.insert(place, start);
            }
            if found.len() > most {
                return Err(RecurrenceError::TooMany { most });
            }
        }
        Ok(found)
    }

    /// The starts that are written out: the further ones, and the first where no rule says otherwise.
    fn named_dates(&self) -> impl Iterator<Item = DateTime<Utc>> {
        let first = self.repetition.is_none().then_some(self.dtstart);
        self.rdates.iter().copied().chain(first).map(|date| date.instant(self.zone))
    }

    fn excluded(&self) -> BTreeSet<DateTime<Utc>> {
        self.exdates.iter().map(|date| date.instant(self.zone)).collect()
    }
}

impl Repetition {
    /// Anchors the rule at its start, unless it never names a time.
    fn anchored(rule: Rule, dtstart: LocalTime, zone: Tz) -> Result<Self, RecurrenceError> {
        if let End::Until(until) = rule.end() {
            if !within_calendar(until) {
                return Err(RangeError::OutsideCalendar.into());
            }
            if until < dtstart.instant(zone) {
                return Err(RecurrenceError::UntilBeforeStart);
            }
        }
        let pattern = Pattern::new(&rule, dtstart.wall())?;
        let repetition = Self { rule, pattern };
        let named = repetition.instants(zone, dtstart.wall()).next().is_some();
        if named { Ok(repetition) } else { Err(RecurrenceError::NeverMatches) }
    }

    /// The times on the wall from `from` on, each with its instant, up to `UNTIL`.
    fn instants(
        &self,
        zone: Tz,
        from: NaiveDateTime,
    ) -> impl Iterator<Item = (NaiveDateTime, DateTime<Utc>)> {
        let until = match self.rule.end() {
            End::Until(until) => until,
            End::Never | End::Count(_) => DateTime::<Utc>::MAX_UTC,
        };
        // A day after UNTIL on the wall no instant can lie before it.
        let last = until.naive_utc().checked_add_signed(A_DAY).unwrap_or(NaiveDateTime::MAX);
        self.pattern
            .walls(from)
            .take_while(move |wall| *wall <= last)
            .map(move |wall| (wall, instant(zone, wall)))
            .filter(move |(_, start)| *start <= until)
    }
}

/// The rule of its text; everything wrong with it is a violation of `rrule`.
fn read_rule(text: Option<&str>) -> Result<Option<Rule>, Violations> {
    let Some(text) = text else { return Ok(None) };
    Rule::parse(text).map(Some).map_err(|faults| {
        let mut check = Check::default();
        for fault in faults {
            check.note(Violation::new("rrule", fault.code(), fault.to_string()));
        }
        check.finish(|| ()).expect_err("a rule that was refused has faults")
    })
}

fn few_enough(dates: usize) -> Result<(), RecurrenceError> {
    if dates > MOST_DATES { Err(RecurrenceError::TooManyDates) } else { Ok(()) }
}

fn parse_dates(check: &mut Check, field: &str, texts: &[String]) -> Vec<LocalTime> {
    if check.field(field, few_enough(texts.len())).is_none() {
        return Vec::new();
    }
    let mut dates = Vec::with_capacity(texts.len());
    for (index, text) in texts.iter().enumerate() {
        dates.extend(check.field(&format!("{field}[{index}]"), LocalTime::parse(text)));
    }
    dates
}

impl TryFrom<RecurrenceText> for Recurrence {
    type Error = Violations;
    fn try_from(text: RecurrenceText) -> Result<Self, Violations> {
        Self::parse(&text)
    }
}

impl From<Recurrence> for RecurrenceText {
    fn from(recurrence: Recurrence) -> Self {
        let written = |dates: &[LocalTime]| dates.iter().map(ToString::to_string).collect();
        Self {
            dtstart: recurrence.dtstart.to_string(),
            timezone: recurrence.zone.name().to_owned(),
            rrule: recurrence.rule().map(ToString::to_string),
            rdates: written(&recurrence.rdates),
            exdates: written(&recurrence.exdates),
        }
    }
}

#[cfg(test)]
mod tests;
