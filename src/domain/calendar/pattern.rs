//! The wall-clock times that a rule and a start name, before any zone.
//!
//! Rules are expanded on a calendar without changes of the clocks, so that what
//! happens at a change is decided by [`zone`](super::zone) alone: [`Plain`] ones
//! here, all others by the `rrule` crate. Every part that RFC 5545 derives from
//! the start is filled in; the expansion can therefore begin at the period it is
//! asked about rather than at a start long ago.

use crate::domain::calendar::plain::Plain;
use crate::domain::calendar::rule::{Day, End, Frequency, Rule, RuleError};
use crate::domain::calendar::zone::END_YEAR;
use chrono::{Datelike, Days, Month, Months, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Timelike};
use rrule::{NWeekday, RRule, RRuleSet};

/// A rule anchored at a start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pattern {
    parts: Parts,
    frequency: Frequency,
    interval: u16,
    week_start: chrono::Weekday,
    start: NaiveDateTime,
    count: Option<u32>,
}

/// Who knows the times of a period.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Parts {
    Plain(Plain),
    Library(Box<RRule>),
}

impl Pattern {
    /// Anchors the rule at `start`.
    pub(super) fn new(rule: &Rule, start: NaiveDateTime) -> Result<Self, RuleError> {
        Self::plainly(rule, start).map_or_else(|| Self::by_library(rule, start), Ok)
    }

    /// The pattern of a plain rule.
    pub(super) fn plainly(rule: &Rule, start: NaiveDateTime) -> Option<Self> {
        Plain::of(rule, start).map(|plain| Self::of(rule, start, Parts::Plain(plain)))
    }

    /// The pattern of any rule.
    pub(super) fn by_library(rule: &Rule, start: NaiveDateTime) -> Result<Self, RuleError> {
        let parts = explicit(rule, start)
            .validate(rrule::Tz::UTC.from_utc_datetime(&start))
            .map_err(|fault| RuleError::Unsupported(fault.to_string()))?;
        Ok(Self::of(rule, start, Parts::Library(Box::new(parts))))
    }

    fn of(rule: &Rule, start: NaiveDateTime, parts: Parts) -> Self {
        let count = match rule.end {
            End::Count(count) => Some(count),
            End::Never | End::Until(_) => None,
        };
        Self {
            parts,
            frequency: rule.frequency,
            interval: rule.interval,
            week_start: rule.week_start,
            start,
            count,
        }
    }

    /// The times from `from` on, ascending, up to the end of the calendar or
    /// `COUNT`, whichever comes first; none before the start. `UNTIL` is the
    /// caller's to apply, since it is an instant.
    ///
    /// Where `COUNT` and `BYHOUR` and the like name a time that a zone skips,
    /// it counts, since RFC 5545 moves it instead of dropping it.
    pub(super) fn walls(&self, from: NaiveDateTime) -> impl Iterator<Item = NaiveDateTime> {
        // Counting has to begin at the start; anything else may leap ahead.
        let nearest = if self.count.is_some() { self.start } else { self.start.max(from) };
        let first = self.period_before(nearest);
        let (plain, library) = match &self.parts {
            Parts::Plain(plain) => (Some(plain.walls(first)), None),
            Parts::Library(parts) => {
                let anchor = rrule::Tz::UTC.from_utc_datetime(&first.and_time(NaiveTime::MIN));
                let set = RRuleSet::new(anchor).rrule(RRule::clone(parts)).limit();
                (None, Some(set.into_iter().map(|time| time.naive_utc())))
            }
        };
        let most = self.count.and_then(|count| usize::try_from(count).ok()).unwrap_or(usize::MAX);
        let start = self.start;
        plain
            .into_iter()
            .flatten()
            .chain(library.into_iter().flatten())
            .take_while(|wall| wall.year() < END_YEAR)
            .skip_while(move |wall| *wall < start)
            .take(most)
            .skip_while(move |wall| *wall < from)
    }

    /// The first day of the last period, counted by `INTERVAL` from the
    /// start's, that begins no later than `wall`; `wall` is not before the start.
    fn period_before(&self, wall: NaiveDateTime) -> NaiveDate {
        let (first, then) = (self.period(self.start), self.period(wall));
        let step = i64::from(self.interval);
        let months = || {
            let month = |date: NaiveDate| i64::from(date.year()) * 12 + i64::from(date.month0());
            month(then) - month(first)
        };
        let after_days = |days: i64| first.checked_add_days(Days::new(days.unsigned_abs()));
        let after_months =
            |months: i64| u32::try_from(months).ok().and_then(|m| first.checked_add_months(Months::new(m)));
        let whole = |distance: i64, unit: i64| distance - distance % (unit * step);
        let days = (then - first).num_days();
        match self.frequency {
            Frequency::Daily => after_days(whole(days, 1)),
            Frequency::Weekly => after_days(whole(days, 7)),
            Frequency::Monthly => after_months(whole(months(), 1)),
            Frequency::Yearly => after_months(whole(months(), 12)),
        }
        .expect("a period between the start and a time in the calendar is a date")
    }

    /// The first day of the day, week, month or year of `wall`.
    fn period(&self, wall: NaiveDateTime) -> NaiveDate {
        let date = wall.date();
        let into = match self.frequency {
            Frequency::Daily => 0,
            Frequency::Weekly => date.weekday().days_since(self.week_start),
            Frequency::Monthly => date.day0(),
            Frequency::Yearly => date.ordinal0(),
        };
        date - Days::new(into.into())
    }
}

/// The rule with every part that RFC 5545 §3.3.10 derives from the start written out.
fn explicit(rule: &Rule, start: NaiveDateTime) -> RRule<rrule::Unvalidated> {
    let from_start = |given: &[u8], value: u32| {
        if given.is_empty() { u8::try_from(value).into_iter().collect() } else { given.to_vec() }
    };
    let mut by_month = rule.by_month.clone();
    let mut by_month_day = rule.by_month_day.clone();
    let mut by_day = weekdays(rule);
    let no_day = by_day.is_empty() && by_month_day.is_empty() && rule.by_year_day.is_empty();
    if no_day {
        match rule.frequency {
            Frequency::Daily => {}
            Frequency::Weekly => by_day.push(NWeekday::Every(start.weekday())),
            Frequency::Yearly if !rule.by_week_no.is_empty() => by_day.push(NWeekday::Every(start.weekday())),
            Frequency::Monthly | Frequency::Yearly => by_month_day.extend(i8::try_from(start.day())),
        }
        if rule.frequency == Frequency::Yearly && rule.by_week_no.is_empty() && by_month.is_empty() {
            by_month.extend(u8::try_from(start.month()));
        }
    }
    let months: Vec<Month> = by_month.iter().filter_map(|month| Month::try_from(*month).ok()).collect();
    RRule::new(match rule.frequency {
        Frequency::Daily => rrule::Frequency::Daily,
        Frequency::Weekly => rrule::Frequency::Weekly,
        Frequency::Monthly => rrule::Frequency::Monthly,
        Frequency::Yearly => rrule::Frequency::Yearly,
    })
    .interval(rule.interval)
    .week_start(rule.week_start)
    .by_month(&months)
    .by_week_no(rule.by_week_no.clone())
    .by_year_day(rule.by_year_day.clone())
    .by_month_day(by_month_day)
    .by_weekday(by_day)
    .by_hour(from_start(&rule.by_hour, start.hour()))
    .by_minute(from_start(&rule.by_minute, start.minute()))
    .by_second(from_start(&rule.by_second, start.second()))
    .by_set_pos(rule.by_set_pos.clone())
}

/// `BYDAY` for the crate, which takes days with and without an ordinal
/// together as a condition on each other; RFC 5545 means all of both, so
/// that a plain day becomes every ordinal it can have.
fn weekdays(rule: &Rule) -> Vec<NWeekday> {
    let mixed = rule.by_day.iter().any(|day| day.ordinal.is_some());
    let within_month = rule.frequency == Frequency::Monthly || !rule.by_month.is_empty();
    let last = if within_month { 5 } else { 53 };
    let one = |day: &Day| match day.ordinal {
        Some(ordinal) => vec![NWeekday::Nth(ordinal, day.weekday)],
        None if mixed => (1..=last).map(|ordinal| NWeekday::Nth(ordinal, day.weekday)).collect(),
        None => vec![NWeekday::Every(day.weekday)],
    };
    rule.by_day.iter().flat_map(one).collect()
}
