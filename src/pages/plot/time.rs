//! From moments to shares of an axis of time, and where its ticks stand: at midnights
//! and hours of the facility's own clock, also when that is put forward or back. Pure.

use crate::domain::calendar::Interval;
use crate::domain::upkeep::due::start_of_day;
use crate::domain::upkeep::trend::hours_between;
use chrono::{DateTime, Datelike as _, Days, TimeDelta, Timelike as _, Utc};
use chrono_tz::Tz;

/// An axis of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::pages) struct TimeAxis {
    /// From its beginning to its end.
    pub(in crate::pages) whole: Interval,
    /// The zone that people there go by.
    pub(in crate::pages) zone: Tz,
}

/// A tick.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::pages) struct Tick {
    /// Where.
    pub(in crate::pages) at: DateTime<Utc>,
    /// What is written there.
    pub(in crate::pages) text: String,
    /// Whether a day begins there.
    pub(in crate::pages) midnight: bool,
}

/// Hours between ticks, for less than a few days.
const HOURS: [u32; 3] = [3, 6, 12];
/// Days between ticks, for more.
const DAYS: [u64; 9] = [1, 2, 7, 14, 28, 56, 91, 182, 364];

impl TimeAxis {
    /// Where a moment lies, from 0 at the beginning to 1 at the end; beyond them at them.
    pub(in crate::pages) fn share(self, at: DateTime<Utc>) -> f64 {
        let whole = hours_between(self.whole.start(), self.whole.end());
        (hours_between(self.whole.start(), at) / whole).clamp(0.0, 1.0)
    }

    /// At most about so many ticks.
    pub(in crate::pages) fn ticks(self, most: u32) -> Vec<Tick> {
        let hours = hours_between(self.whole.start(), self.whole.end());
        let most = f64::from(most.max(1));
        match HOURS.into_iter().find(|step| hours / f64::from(*step) <= most) {
            Some(step) => self.hours(step),
            None => {
                let fits = |step: &u64| hours / 24.0 / days(*step) <= most;
                self.days(DAYS.into_iter().find(fits).unwrap_or(364))
            }
        }
    }

    fn days(self, step: u64) -> Vec<Tick> {
        let first = self.whole.start().with_timezone(&self.zone).date_naive();
        // Weeks and more are counted from a Monday.
        let back = if step >= 7 { u64::from(first.weekday().num_days_from_monday()) } else { 0 };
        let with_year = hours_between(self.whole.start(), self.whole.end()) > 24.0 * 400.0;
        let mut date = first.checked_sub_days(Days::new(back));
        let mut ticks = Vec::new();
        while let Some(at) = date.and_then(|date| start_of_day(date, self.zone)) {
            if at >= self.whole.end() || ticks.len() > 400 {
                break;
            }
            if at >= self.whole.start() {
                let local = at.with_timezone(&self.zone);
                let text = local.format(if with_year {
                    "%b %Y"
                } else if step == 1 {
                    "%a %-d"
                } else {
                    "%-d %b"
                });
                ticks.push(Tick { at, text: text.to_string(), midnight: true });
            }
            date = date.and_then(|date| date.checked_add_days(Days::new(step)));
        }
        ticks
    }

    fn hours(self, step: u32) -> Vec<Tick> {
        let mut at = self.whole.start();
        if let Some(hour) =
            at.with_minute(0).and_then(|at| at.with_second(0)).and_then(|at| at.with_nanosecond(0))
        {
            at = hour;
        }
        let mut ticks = Vec::new();
        while at < self.whole.end() {
            let local = at.with_timezone(&self.zone);
            if at >= self.whole.start() && local.hour().is_multiple_of(step) && local.minute() == 0 {
                let midnight = local.hour() == 0;
                let text = local.format(if midnight { "%a %-d" } else { "%H:%M" }).to_string();
                ticks.push(Tick { at, text, midnight });
            }
            // Zones lie whole quarters of an hour apart.
            at += TimeDelta::minutes(15);
        }
        ticks
    }
}

/// A step of days as a number to divide by.
fn days(step: u64) -> f64 {
    u32::try_from(step).map_or(f64::MAX, f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(from: &str, to: &str) -> TimeAxis {
        let whole = Interval::new(from.parse().unwrap(), to.parse().unwrap()).unwrap();
        TimeAxis { whole, zone: chrono_tz::Europe::Vienna }
    }

    fn told(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().map(|tick| tick.text.as_str()).collect()
    }

    #[test]
    fn days_begin_at_midnight_of_the_facility_whatever_its_clock_does() {
        // Summer time began in Vienna on 29 March 2026 (EU directive 2000/84/EC).
        let axis = axis("2026-03-27T12:00:00Z", "2026-03-31T12:00:00Z");
        let ticks = axis.ticks(6);
        assert_eq!(told(&ticks), ["Sat 28", "Sun 29", "Mon 30", "Tue 31"]);
        let first: DateTime<Utc> = "2026-03-27T23:00:00Z".parse().unwrap();
        let last: DateTime<Utc> = "2026-03-30T22:00:00Z".parse().unwrap();
        assert_eq!((ticks[0].at, ticks[3].at), (first, last));
    }

    #[test]
    fn short_times_have_hours_and_long_ones_weeks() {
        assert_eq!(
            told(&axis("2026-01-01T22:10:00Z", "2026-01-02T12:00:00Z").ticks(6)),
            ["Fri 2", "03:00", "06:00", "09:00", "12:00"]
        );
        let month = axis("2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z").ticks(6);
        assert_eq!(told(&month), ["5 Jan", "12 Jan", "19 Jan", "26 Jan"]);
        assert!(axis("2000-01-01T00:00:00Z", "2026-02-01T00:00:00Z").ticks(6).len() < 40);
    }

    #[test]
    fn moments_beyond_the_ends_are_drawn_at_them() {
        let axis = axis("2026-01-01T00:00:00Z", "2026-01-02T00:00:00Z");
        let share = |at: DateTime<Utc>| axis.share(at);
        assert!(
            (share(DateTime::<Utc>::MIN_UTC)).abs() < 1e-9
                && (share(DateTime::<Utc>::MAX_UTC) - 1.0).abs() < 1e-9
        );
        assert!((share("2026-01-01T06:00:00Z".parse().unwrap()) - 0.25).abs() < 1e-9);
    }
}
