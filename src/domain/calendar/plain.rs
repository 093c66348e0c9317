//! The times of the rules that windows and series mostly have: one time of day, days
//! chosen by the week or the month. Listed period by period on the wall clock, since
//! bookings and openings ask for them all the time; rules with `BYWEEKNO`,
//! `BYYEARDAY`, `BYSETPOS`, several times of day, or days counted over a year are
//! left to the library that [`pattern`](super::pattern) asks.

use crate::domain::calendar::rule::{Day, Frequency, Rule};
use crate::domain::calendar::zone::END_YEAR;
use chrono::{Datelike, Days, Months, NaiveDate, NaiveDateTime, NaiveTime, Timelike, Weekday};

/// The days of a rule, and the time on each.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Plain {
    frequency: Frequency,
    interval: u16,
    months: Months12,
    month_days: Vec<i8>,
    days: Vec<Day>,
    time: NaiveTime,
}

/// The months of a year that count, January being the lowest bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Months12(u16);

impl Months12 {
    const ALL: Self = Self(0xfff);

    fn only(months: impl IntoIterator<Item = u32>) -> Self {
        Self(months.into_iter().filter(|month| (1..=12).contains(month)).fold(0, |all, m| all | 1 << (m - 1)))
    }

    const fn has(self, month: u32) -> bool {
        self.0 >> (month - 1) & 1 == 1
    }
}

impl Plain {
    /// The rule from its start, with what RFC 5545 §3.3.10 derives from the start
    /// filled in; `None` for rules that are the library's.
    pub(super) fn of(rule: &Rule, start: NaiveDateTime) -> Option<Self> {
        let once = |given: &[u8], from_start: u32| match given {
            [] => Some(from_start),
            [only] => Some(u32::from(*only)),
            _ => None,
        };
        let (hour, minute, second) = (
            once(&rule.by_hour, start.hour())?,
            once(&rule.by_minute, start.minute())?,
            once(&rule.by_second, start.second())?,
        );
        let yearly = rule.frequency == Frequency::Yearly;
        let over_the_year = yearly && rule.by_month.is_empty() && !rule.by_day.is_empty();
        if over_the_year
            || !(rule.by_week_no.is_empty() && rule.by_year_day.is_empty() && rule.by_set_pos.is_empty())
        {
            return None;
        }
        let (mut month_days, mut days) = (rule.by_month_day.clone(), rule.by_day.clone());
        let mut months = match rule.by_month.as_slice() {
            [] => Months12::ALL,
            some => Months12::only(some.iter().copied().map(u32::from)),
        };
        if month_days.is_empty() && days.is_empty() {
            match rule.frequency {
                Frequency::Daily => {}
                Frequency::Weekly => days.push(Day { weekday: start.weekday(), ordinal: None }),
                Frequency::Monthly | Frequency::Yearly => month_days.extend(i8::try_from(start.day())),
            }
            if yearly && rule.by_month.is_empty() {
                months = Months12::only([start.month()]);
            }
        }
        Some(Self {
            frequency: rule.frequency,
            interval: rule.interval,
            months,
            month_days,
            days,
            time: NaiveTime::from_hms_opt(hour, minute, second)?,
        })
    }

    /// The times from the period on that begins with `first`, ascending, up to the end of the calendar.
    pub(super) fn walls(&self, first: NaiveDate) -> impl Iterator<Item = NaiveDateTime> {
        let mut period = Some(first);
        let mut found: Vec<NaiveDate> = Vec::with_capacity(31);
        let mut next = 0;
        std::iter::from_fn(move || {
            while next == found.len() {
                let first = period?;
                found.clear();
                next = 0;
                self.list(first, &mut found);
                // A rule may name no day ever, such as 30 February.
                period = self.after(first).filter(|next| next.year() < END_YEAR);
            }
            next += 1;
            found.get(next - 1).map(|date| date.and_time(self.time))
        })
    }

    fn after(&self, first: NaiveDate) -> Option<NaiveDate> {
        let step = self.interval;
        match self.frequency {
            Frequency::Daily => first.checked_add_days(Days::new(step.into())),
            Frequency::Weekly => first.checked_add_days(Days::new(u64::from(step) * 7)),
            Frequency::Monthly => first.checked_add_months(Months::new(step.into())),
            Frequency::Yearly => first.checked_add_months(Months::new(u32::from(step) * 12)),
        }
    }

    /// The days of the period that begins with `first`, in order.
    fn list(&self, first: NaiveDate, found: &mut Vec<NaiveDate>) {
        let fits = |date: &NaiveDate| self.months.has(date.month()) && self.has_weekday(date.weekday());
        match self.frequency {
            Frequency::Daily => {
                found.extend(Some(first).filter(|date| fits(date) && self.has_month_day(*date)));
            }
            Frequency::Weekly => found.extend(first.iter_days().take(7).filter(fits)),
            Frequency::Monthly => self.list_month(first, found),
            Frequency::Yearly => {
                let months = (1..=12).filter(|month| self.months.has(*month));
                for first in months.filter_map(|month| first.with_month(month)) {
                    self.list_month(first, found);
                }
            }
        }
    }

    fn list_month(&self, first: NaiveDate, found: &mut Vec<NaiveDate>) {
        if !self.months.has(first.month()) {
            return;
        }
        let length = u32::from(first.num_days_in_month());
        if let [only] = self.month_days.as_slice()
            && self.days.is_empty()
        {
            let day = if *only < 0 { i64::from(length) + 1 + i64::from(*only) } else { i64::from(*only) };
            found.extend(u32::try_from(day).ok().and_then(|day| first.with_day(day)));
            return;
        }
        let fits = |date: &NaiveDate| self.has_month_day(*date) && self.has_day_of_month(*date, length);
        found.extend((1..=length).filter_map(|day| first.with_day(day)).filter(fits));
    }

    fn has_weekday(&self, weekday: Weekday) -> bool {
        self.days.is_empty() || self.days.iter().any(|day| day.weekday == weekday)
    }

    fn has_month_day(&self, date: NaiveDate) -> bool {
        let from_start = i64::from(date.day());
        let from_end = || from_start - i64::from(date.num_days_in_month()) - 1;
        self.month_days.is_empty()
            || self
                .month_days
                .iter()
                .map(|day| i64::from(*day))
                .any(|day| day == from_start || day == from_end())
    }

    /// Whether the date is one of the weekdays, with their ordinals counted in its month.
    fn has_day_of_month(&self, date: NaiveDate, length: u32) -> bool {
        let (from_start, from_end) = (date.day0() / 7 + 1, (length - date.day()) / 7 + 1);
        let is = |day: &Day| {
            let counts = day.ordinal.is_none_or(|ordinal| {
                let count = u32::from(ordinal.unsigned_abs());
                count == if ordinal < 0 { from_end } else { from_start }
            });
            counts && day.weekday == date.weekday()
        };
        self.days.is_empty() || self.days.iter().any(is)
    }
}

#[cfg(test)]
mod tests {
    use crate::domain::calendar::pattern::Pattern;
    use crate::domain::calendar::rule::Rule;
    use chrono::{DateTime, NaiveDateTime, TimeDelta};
    use proptest::prelude::*;

    fn rules() -> impl Strategy<Value = String> {
        let part = prop_oneof![
            3 => Just(String::new()),
            1 => prop::sample::subsequence(vec!["MO", "TU", "WE", "TH", "FR", "SA", "SU"], 1..4)
                .prop_map(|days| format!(";BYDAY={}", days.join(","))),
            1 => prop::sample::subsequence(vec!["1MO", "-1FR", "2TU", "3WE", "5SA", "-5SU"], 1..3)
                .prop_map(|days| format!(";BYDAY={}", days.join(","))),
        ];
        let list = |name: &'static str, of: Vec<i32>| {
            prop_oneof![
                2 => Just(String::new()),
                1 => prop::sample::subsequence(of, 1..4).prop_map(move |some| {
                    let some: Vec<String> = some.iter().map(ToString::to_string).collect();
                    format!(";{name}={}", some.join(","))
                }),
            ]
        };
        let end = prop_oneof![2 => Just(String::new()), 1 => (1_u32..40).prop_map(|count| format!(";COUNT={count}"))];
        (
            prop::sample::select(vec!["DAILY", "WEEKLY", "MONTHLY", "YEARLY"]),
            1_u16..5,
            part,
            list("BYMONTH", (1..=12).collect()),
            list("BYMONTHDAY", vec![1, 13, 28, 29, 30, 31, -1, -2, -30, -31]),
            prop::sample::select(vec!["", ";BYHOUR=7", ";BYHOUR=7;BYMINUTE=30"]),
            prop::sample::select(vec!["", ";WKST=SU", ";WKST=WE"]),
            end,
        )
            .prop_map(|(frequency, interval, days, months, month_days, time, week, end)| {
                format!("FREQ={frequency};INTERVAL={interval}{days}{months}{month_days}{time}{week}{end}")
            })
    }

    fn near(seconds: i64) -> NaiveDateTime {
        DateTime::from_timestamp(seconds, 0).unwrap().naive_utc()
    }

    /// As python-dateutil 2.9 lists it.
    #[test]
    fn the_fifth_sunday_from_the_end_is_there_in_months_of_five() {
        let rule = Rule::parse("FREQ=MONTHLY;BYDAY=-5SU").unwrap();
        let pattern = Pattern::plainly(&rule, near(1_700_000_000)).unwrap();
        let found: Vec<String> =
            pattern.walls(near(1_700_000_000)).take(4).map(|wall| wall.to_string()).collect();
        let expected =
            ["2023-12-03 22:13:20", "2024-03-03 22:13:20", "2024-06-02 22:13:20", "2024-09-01 22:13:20"];
        assert_eq!(found, expected);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1500))]

        /// Against the crate `rrule`, which is what the other rules are asked of.
        #[test]
        fn plain_rules_name_what_the_library_names(
            text in rules(),
            start in 1_700_000_000_i64..1_900_000_000,
            later in -40_i64..900,
        ) {
            let Ok(rule) = Rule::parse(&text) else { return Ok(()) };
            let (start, from) = (near(start), near(start) + TimeDelta::days(later));
            let until = from.max(start) + TimeDelta::days(800);
            let listed = |pattern: &Pattern| -> Vec<NaiveDateTime> {
                pattern.walls(from).take_while(|wall| *wall < until).collect()
            };
            let Some(plain) = Pattern::plainly(&rule, start) else { return Ok(()) };
            // It has no fifth day from the end of a month.
            let Ok(library) = Pattern::by_library(&rule, start) else { return Ok(()) };
            prop_assert_eq!(listed(&plain), listed(&library), "{} from {}", text, start);
        }
    }
}
