//! The text of a recurrence rule (RFC 5545 §3.3.10), read strictly.
//!
//! Rules finer than a day are not needed here and can run without end, so
//! that only `DAILY`, `WEEKLY`, `MONTHLY` and `YEARLY` are accepted.

use crate::domain::violations::Coded;
use chrono::{DateTime, NaiveDateTime, Utc, Weekday};
use std::{fmt, ops::RangeInclusive};
use thiserror::Error;

/// The longest rule, in characters.
pub const LONGEST_RULE: usize = 500;

/// The greatest `COUNT`.
pub const MOST_COUNTED: u32 = 5000;

/// The greatest `INTERVAL`.
pub const LONGEST_INTERVAL: u16 = 1000;

/// The most times of one day that `BYHOUR`, `BYMINUTE` and `BYSECOND` may name: every quarter of an hour.
pub const MOST_TIMES_A_DAY: usize = 96;

/// Why a rule's text was refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RuleError {
    /// Longer than [`LONGEST_RULE`].
    #[error("is longer than {LONGEST_RULE} characters")]
    TooLong,
    /// A piece that is not `NAME=VALUE`.
    #[error("is not of the form FREQ=WEEKLY;BYDAY=MO: parts NAME=VALUE separated by ';', without 'RRULE:'")]
    Malformed,
    /// A part that RFC 5545 does not know.
    #[error("has a part that RFC 5545 does not know: {0}")]
    UnknownPart(String),
    /// A part given twice.
    #[error("gives {0} more than once")]
    RepeatedPart(&'static str),
    /// No `FREQ`.
    #[error("lacks FREQ")]
    NoFrequency,
    /// `HOURLY`, `MINUTELY` or `SECONDLY`.
    #[error(
        "recurs by {0}: the frequency must be DAILY, WEEKLY, MONTHLY or YEARLY, with BYHOUR and BYMINUTE for several times a day"
    )]
    TooFrequent(&'static str),
    /// A value outside what the part may hold.
    #[error("{part} must be {expected}")]
    BadValue {
        /// The part.
        part: &'static str,
        /// What it may hold.
        expected: &'static str,
    },
    /// A part, or an ordinal in `BYDAY`, that the frequency does not allow.
    #[error("{part} does not go with {with}")]
    NotTogether {
        /// The part.
        part: &'static str,
        /// What excludes it.
        with: &'static str,
    },
    /// `BYSETPOS` without anything to choose from.
    #[error("BYSETPOS needs another BY part to choose from")]
    NothingToChooseFrom,
    /// `UNTIL` that is not an instant in UTC.
    #[error("UNTIL must be in UTC, such as UNTIL=20261231T230000Z, since the start is in a time zone")]
    UntilNotUtc,
    /// More than [`MOST_TIMES_A_DAY`].
    #[error("names more than {MOST_TIMES_A_DAY} times of a day")]
    TooManyTimes,
    /// Well formed but beyond what can be expanded.
    #[error("cannot be expanded: {0}")]
    Unsupported(String),
}

impl Coded for RuleError {
    fn code(&self) -> &'static str {
        match self {
            Self::TooLong => "rule_too_long",
            Self::Malformed => "bad_rule",
            Self::UnknownPart(_) => "unknown_rule_part",
            Self::RepeatedPart(_) => "repeated_rule_part",
            Self::NoFrequency => "frequency_missing",
            Self::TooFrequent(_) => "frequency_not_allowed",
            Self::BadValue { .. } => "bad_rule_value",
            Self::NotTogether { .. } => "rule_parts_exclude_each_other",
            Self::NothingToChooseFrom => "nothing_to_choose_from",
            Self::UntilNotUtc => "until_not_utc",
            Self::TooManyTimes => "too_many_times_a_day",
            Self::Unsupported(_) => "unsupported_rule",
        }
    }
}

/// How often a rule recurs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frequency {
    /// Every so many days.
    Daily,
    /// Every so many weeks.
    Weekly,
    /// Every so many months.
    Monthly,
    /// Every so many years.
    Yearly,
}

impl Frequency {
    const fn name(self) -> &'static str {
        match self {
            Self::Daily => "DAILY",
            Self::Weekly => "WEEKLY",
            Self::Monthly => "MONTHLY",
            Self::Yearly => "YEARLY",
        }
    }

    fn parse(text: &str) -> Result<Self, RuleError> {
        match text {
            "DAILY" => Ok(Self::Daily),
            "WEEKLY" => Ok(Self::Weekly),
            "MONTHLY" => Ok(Self::Monthly),
            "YEARLY" => Ok(Self::Yearly),
            "HOURLY" => Err(RuleError::TooFrequent("the hour")),
            "MINUTELY" => Err(RuleError::TooFrequent("the minute")),
            "SECONDLY" => Err(RuleError::TooFrequent("the second")),
            _ => Err(RuleError::BadValue { part: "FREQ", expected: "DAILY, WEEKLY, MONTHLY or YEARLY" }),
        }
    }
}

/// Where a rule ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// Nowhere.
    Never,
    /// After so many times.
    Count(u32),
    /// At an instant, itself included.
    Until(DateTime<Utc>),
}

/// A day of the week in `BYDAY`, with the ordinal before it if it has one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day {
    /// The day of the week.
    pub weekday: Weekday,
    /// Which of the month's or year's; negative from the end; never zero.
    pub ordinal: Option<i16>,
}

/// A recurrence rule as written: every list sorted and free of repetitions,
/// every value within RFC 5545's range, every combination allowed there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rule {
    pub(super) frequency: Frequency,
    pub(super) interval: u16,
    pub(super) end: End,
    pub(super) week_start: Weekday,
    pub(super) by_month: Vec<u8>,
    pub(super) by_week_no: Vec<i8>,
    pub(super) by_year_day: Vec<i16>,
    pub(super) by_month_day: Vec<i8>,
    pub(super) by_day: Vec<Day>,
    pub(super) by_hour: Vec<u8>,
    pub(super) by_minute: Vec<u8>,
    pub(super) by_second: Vec<u8>,
    pub(super) by_set_pos: Vec<i32>,
}

const NAMES: [&str; 14] = [
    "FREQ",
    "INTERVAL",
    "COUNT",
    "UNTIL",
    "WKST",
    "BYMONTH",
    "BYWEEKNO",
    "BYYEARDAY",
    "BYMONTHDAY",
    "BYDAY",
    "BYHOUR",
    "BYMINUTE",
    "BYSECOND",
    "BYSETPOS",
];

impl Rule {
    /// Reads the text of an `RRULE` property, without the `RRULE:` before
    /// it; upper and lower case are alike. Returns everything wrong with it.
    pub fn parse(text: &str) -> Result<Self, Vec<RuleError>> {
        if text.chars().count() > LONGEST_RULE {
            return Err(vec![RuleError::TooLong]);
        }
        let mut faults = Vec::new();
        let mut rule = Self::every(Frequency::Daily);
        let mut given: Vec<&'static str> = Vec::new();
        for piece in text.to_ascii_uppercase().split(';') {
            match piece.split_once('=').filter(|(name, _)| !name.contains(':')) {
                None => faults.push(RuleError::Malformed),
                Some((name, value)) => match NAMES.iter().find(|known| **known == name) {
                    None => faults.push(RuleError::UnknownPart(name.chars().take(20).collect())),
                    Some(name) if given.contains(name) => faults.push(RuleError::RepeatedPart(name)),
                    Some(name) => {
                        given.push(name);
                        faults.extend(rule.take(name, value).err());
                    }
                },
            }
        }
        if !given.contains(&"FREQ") {
            faults.push(RuleError::NoFrequency);
        }
        if given.contains(&"COUNT") && given.contains(&"UNTIL") {
            faults.push(RuleError::NotTogether { part: "COUNT", with: "UNTIL" });
        }
        if faults.is_empty() {
            faults = rule.misfits();
        }
        if faults.is_empty() { Ok(rule) } else { Err(faults) }
    }

    fn every(frequency: Frequency) -> Self {
        Self {
            frequency,
            interval: 1,
            end: End::Never,
            week_start: Weekday::Mon,
            by_month: Vec::new(),
            by_week_no: Vec::new(),
            by_year_day: Vec::new(),
            by_month_day: Vec::new(),
            by_day: Vec::new(),
            by_hour: Vec::new(),
            by_minute: Vec::new(),
            by_second: Vec::new(),
            by_set_pos: Vec::new(),
        }
    }

    /// Takes the value of one part.
    fn take(&mut self, part: &'static str, value: &str) -> Result<(), RuleError> {
        let bad = |expected| RuleError::BadValue { part, expected };
        match part {
            "FREQ" => self.frequency = Frequency::parse(value)?,
            "INTERVAL" => {
                self.interval = number(value)
                    .filter(|n| (1..=LONGEST_INTERVAL).contains(n))
                    .ok_or_else(|| bad("a whole number from 1 to 1000"))?;
            }
            "COUNT" => {
                let count = number(value).filter(|n| (1..=MOST_COUNTED).contains(n));
                self.end = End::Count(count.ok_or_else(|| bad("a whole number from 1 to 5000"))?);
            }
            "UNTIL" => self.end = End::Until(utc_instant(value).ok_or(RuleError::UntilNotUtc)?),
            "WKST" => {
                self.week_start = weekday(value).ok_or_else(|| bad("one of MO, TU, WE, TH, FR, SA, SU"))?;
            }
            "BYMONTH" => self.by_month = list(value, 1..=12).ok_or_else(|| bad("months from 1 to 12"))?,
            "BYWEEKNO" => {
                self.by_week_no =
                    list(value, -53..=53).ok_or_else(|| bad("weeks from 1 to 53 or -53 to -1"))?;
            }
            "BYYEARDAY" => {
                self.by_year_day =
                    list(value, -366..=366).ok_or_else(|| bad("days from 1 to 366 or -366 to -1"))?;
            }
            "BYMONTHDAY" => {
                self.by_month_day =
                    list(value, -31..=31).ok_or_else(|| bad("days from 1 to 31 or -31 to -1"))?;
            }
            "BYDAY" => self.by_day = days(value).ok_or_else(|| bad("days such as MO, 1MO or -1FR"))?,
            "BYHOUR" => self.by_hour = list_from_zero(value, 23).ok_or_else(|| bad("hours from 0 to 23"))?,
            "BYMINUTE" => {
                self.by_minute = list_from_zero(value, 59).ok_or_else(|| bad("minutes from 0 to 59"))?;
            }
            "BYSECOND" => {
                self.by_second = list_from_zero(value, 59).ok_or_else(|| bad("seconds from 0 to 59"))?;
            }
            _ => {
                let positions = list(value, -366..=366);
                self.by_set_pos = positions.ok_or_else(|| bad("positions from 1 to 366 or -366 to -1"))?;
            }
        }
        Ok(())
    }

    /// Combinations of parts that RFC 5545 §3.3.10 rules out, and the bound on times a day.
    fn misfits(&self) -> Vec<RuleError> {
        use Frequency as F;
        let mut faults = Vec::new();
        let mut exclude = |excluded: bool, part, with| {
            if excluded {
                faults.push(RuleError::NotTogether { part, with });
            }
        };
        let name = self.frequency.name();
        let yearly = self.frequency == F::Yearly;
        exclude(!yearly && !self.by_week_no.is_empty(), "BYWEEKNO", name);
        exclude(!yearly && !self.by_year_day.is_empty(), "BYYEARDAY", name);
        exclude(self.frequency == F::Weekly && !self.by_month_day.is_empty(), "BYMONTHDAY", name);
        if self.by_day.iter().any(|day| day.ordinal.is_some()) {
            let short = matches!(self.frequency, F::Daily | F::Weekly);
            exclude(short, "a number in BYDAY", name);
            exclude(!self.by_week_no.is_empty(), "a number in BYDAY", "BYWEEKNO");
        }
        let chooses =
            [self.by_month.len(), self.by_week_no.len(), self.by_year_day.len(), self.by_month_day.len()];
        let times = [self.by_hour.len(), self.by_minute.len(), self.by_second.len()];
        let others = chooses.iter().chain(&times).sum::<usize>() + self.by_day.len();
        if !self.by_set_pos.is_empty() && others == 0 {
            faults.push(RuleError::NothingToChooseFrom);
        }
        if times.iter().map(|n| (*n).max(1)).product::<usize>() > MOST_TIMES_A_DAY {
            faults.push(RuleError::TooManyTimes);
        }
        faults
    }

    /// How often it recurs, before `INTERVAL`.
    pub const fn frequency(&self) -> Frequency {
        self.frequency
    }

    /// Where it ends.
    pub const fn end(&self) -> End {
        self.end
    }
}

/// A number without a sign, of at most five digits.
fn number<T: TryFrom<u32>>(text: &str) -> Option<T> {
    let digits = (1..=5).contains(&text.len()) && text.bytes().all(|c| c.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten().and_then(|n: u32| T::try_from(n).ok())
}

/// Numbers separated by commas, each in the range and not zero; sorted, each once.
fn list<T: TryFrom<i32> + Ord>(text: &str, range: RangeInclusive<i32>) -> Option<Vec<T>> {
    let one =
        |item: &str| signed(item).filter(|n| *n != 0 && range.contains(n)).and_then(|n| T::try_from(n).ok());
    sorted(text.split(',').map(one).collect())
}

fn list_from_zero(text: &str, most: u8) -> Option<Vec<u8>> {
    sorted(text.split(',').map(|item| number(item).filter(|n| *n <= most)).collect())
}

fn sorted<T: Ord>(items: Option<Vec<T>>) -> Option<Vec<T>> {
    items.map(|mut items| {
        items.sort_unstable();
        items.dedup();
        items
    })
}

/// A number with or without a sign, of at most three digits.
fn signed(text: &str) -> Option<i32> {
    let (sign, digits) = match text.as_bytes().first()? {
        b'-' => (-1, &text[1..]),
        b'+' => (1, &text[1..]),
        _ => (1, text),
    };
    (digits.len() <= 3).then(|| number::<i32>(digits)).flatten().map(|n| sign * n)
}

fn weekday(text: &str) -> Option<Weekday> {
    match text {
        "MO" => Some(Weekday::Mon),
        "TU" => Some(Weekday::Tue),
        "WE" => Some(Weekday::Wed),
        "TH" => Some(Weekday::Thu),
        "FR" => Some(Weekday::Fri),
        "SA" => Some(Weekday::Sat),
        "SU" => Some(Weekday::Sun),
        _ => None,
    }
}

const fn two_letters(day: Weekday) -> &'static str {
    match day {
        Weekday::Mon => "MO",
        Weekday::Tue => "TU",
        Weekday::Wed => "WE",
        Weekday::Thu => "TH",
        Weekday::Fri => "FR",
        Weekday::Sat => "SA",
        Weekday::Sun => "SU",
    }
}

fn days(text: &str) -> Option<Vec<Day>> {
    let one = |item: &str| {
        let (ordinal, name) = item.split_at_checked(item.len().checked_sub(2)?)?;
        let ordinal = match ordinal {
            "" => None,
            _ => Some(signed(ordinal).filter(|n| *n != 0 && (-53..=53).contains(n))?),
        };
        Some(Day { weekday: weekday(name)?, ordinal: ordinal.and_then(|n| i16::try_from(n).ok()) })
    };
    let mut days: Vec<Day> = text.split(',').map(one).collect::<Option<_>>()?;
    days.sort_unstable_by_key(|day| (day.ordinal, day.weekday.num_days_from_monday()));
    days.dedup();
    Some(days)
}

/// `YYYYMMDDTHHMMSSZ`, strictly.
fn utc_instant(text: &str) -> Option<DateTime<Utc>> {
    let local = text.strip_suffix('Z').filter(|local| local.len() == 15)?;
    let shaped = local.bytes().enumerate().all(|(i, c)| if i == 8 { c == b'T' } else { c.is_ascii_digit() });
    (shaped && &local[13..] < "60")
        .then(|| NaiveDateTime::parse_from_str(local, "%Y%m%dT%H%M%S").ok())
        .flatten()
        .map(|at| at.and_utc())
}

impl fmt::Display for Rule {
    /// The rule in one order of parts, defaults left out; reading it gives the same rule.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FREQ={}", self.frequency.name())?;
        if self.interval != 1 {
            write!(f, ";INTERVAL={}", self.interval)?;
        }
        match self.end {
            End::Never => {}
            End::Count(count) => write!(f, ";COUNT={count}")?,
            End::Until(until) => write!(f, ";UNTIL={}", until.format("%Y%m%dT%H%M%SZ"))?,
        }
        write_list(f, "BYMONTH", &self.by_month)?;
        write_list(f, "BYWEEKNO", &self.by_week_no)?;
        write_list(f, "BYYEARDAY", &self.by_year_day)?;
        write_list(f, "BYMONTHDAY", &self.by_month_day)?;
        write_list(f, "BYDAY", &self.by_day)?;
        write_list(f, "BYHOUR", &self.by_hour)?;
        write_list(f, "BYMINUTE", &self.by_minute)?;
        write_list(f, "BYSECOND", &self.by_second)?;
        write_list(f, "BYSETPOS", &self.by_set_pos)?;
        if self.week_start != Weekday::Mon {
            write!(f, ";WKST={}", two_letters(self.week_start))?;
        }
        Ok(())
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(ordinal) = self.ordinal {
            write!(f, "{ordinal}")?;
        }
        f.write_str(two_letters(self.weekday))
    }
}

fn write_list<T: fmt::Display>(f: &mut fmt::Formatter<'_>, name: &str, items: &[T]) -> fmt::Result {
    for (i, item) in items.iter().enumerate() {
        if i == 0 {
            write!(f, ";{name}={item}")?;
        } else {
            write!(f, ",{item}")?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn codes(text: &str) -> Vec<&'static str> {
        Rule::parse(text).unwrap_err().iter().map(Coded::code).collect()
    }

    #[test]
    fn rules_are_written_in_one_order() {
        let rule = Rule::parse("byday=fr,1MO,+2TU,fr;wkst=su;freq=monthly;Interval=02;BYHOUR=9,8").unwrap();
        assert_eq!(rule.to_string(), "FREQ=MONTHLY;INTERVAL=2;BYDAY=FR,1MO,2TU;BYHOUR=8,9;WKST=SU");
        assert_eq!(rule.frequency(), Frequency::Monthly);
    }

    #[test]
    fn every_fault_is_told() {
        assert_eq!(codes("FREQ=DAILY;COUNT=0;BYMONTH=13;BYDAY=XX"), ["bad_rule_value"; 3]);
        assert_eq!(
            codes("INTERVAL=1;INTERVAL=2;RSCALE=HEBREW"),
            ["repeated_rule_part", "unknown_rule_part", "frequency_missing"]
        );
        assert_eq!(
            codes("FREQ=WEEKLY;BYMONTHDAY=1;BYWEEKNO=2;BYYEARDAY=3;BYDAY=1MO"),
            ["rule_parts_exclude_each_other"; 5]
        );
    }

    #[test]
    fn each_fault_has_its_code() {
        for (text, code) in [
            ("", "bad_rule"),
            ("RRULE:FREQ=DAILY", "bad_rule"),
            ("FREQ=DAILY;", "bad_rule"),
            ("FREQ=FORTNIGHTLY", "bad_rule_value"),
            ("FREQ=DAILY;INTERVAL=1001", "bad_rule_value"),
            ("FREQ=DAILY;COUNT=5001", "bad_rule_value"),
            ("FREQ=DAILY;COUNT=99999999999999999999", "bad_rule_value"),
            ("FREQ=DAILY;COUNT=-1", "bad_rule_value"),
            ("FREQ=DAILY;BYHOUR=24", "bad_rule_value"),
            ("FREQ=DAILY;BYMONTHDAY=0", "bad_rule_value"),
            ("FREQ=YEARLY;BYDAY=54MO", "bad_rule_value"),
            ("FREQ=YEARLY;BYDAY=éMO", "bad_rule_value"),
            ("FREQ=YEARLY;BYDAY=1MO;BYWEEKNO=3", "rule_parts_exclude_each_other"),
            ("FREQ=DAILY;COUNT=1;UNTIL=20260101T000000Z", "rule_parts_exclude_each_other"),
            ("FREQ=DAILY;UNTIL=20260101", "until_not_utc"),
            ("FREQ=DAILY;UNTIL=20260101T000000", "until_not_utc"),
            ("FREQ=DAILY;UNTIL=20260230T000000Z", "until_not_utc"),
            ("FREQ=DAILY;BYSETPOS=1", "nothing_to_choose_from"),
            ("FREQ=HOURLY", "frequency_not_allowed"),
            ("FREQ=MINUTELY;COUNT=3", "frequency_not_allowed"),
            ("FREQ=SECONDLY", "frequency_not_allowed"),
        ] {
            assert!(codes(text).contains(&code), "{text}: {:?}", codes(text));
        }
        assert_eq!(codes(&"A".repeat(LONGEST_RULE + 1)), ["rule_too_long"]);
        let minutes = (0..60).map(|m| m.to_string()).collect::<Vec<_>>().join(",");
        assert_eq!(codes(&format!("FREQ=DAILY;BYHOUR=1,2;BYMINUTE={minutes}")), ["too_many_times_a_day"]);
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,60}|(FREQ=(DAILY|YEARLY);)?(BY(DAY|MONTH|HOUR)=[-0-9A-Z,]{0,8};?){0,3}") {
            if let Ok(rule) = Rule::parse(&text) {
                prop_assert_eq!(Rule::parse(&rule.to_string()), Ok(rule));
            }
        }
    }
}
