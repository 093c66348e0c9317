//! What a plan's drawbacks count for, by the site's [`Weights`].

pub use crate::domain::facility::planning::Weights;
use chrono::{DateTime, TimeDelta, Utc};

pub use crate::domain::facility::planning::PERSON_HOUR;

/// Units as person-hours.
#[expect(clippy::cast_precision_loss, reason = "a bounded number of hundredths")]
pub fn person_hours(units: i64) -> f64 {
    units as f64 / PERSON_HOUR as f64
}

/// The cost of `length` at `per_day` a day, rounded up to whole units.
pub fn by_day(per_day: i64, length: TimeDelta) -> i64 {
    let minutes = length.num_minutes().max(0);
    per_day.saturating_mul(minutes).saturating_add(1439) / 1440
}

impl Weights {
    /// The cost of taking its time from a booking, rounded up.
    pub fn displacement(
        &self,
        minutes: i64,
        start: DateTime<Utc>,
        now: DateTime<Utc>,
        equal_opening: bool,
        tentative: bool,
    ) -> i64 {
        let percent = |applies: bool, percent: i64| i128::from(if applies { percent } else { 100 });
        let short = start < now + self.short_notice.delta();
        let scaled = i128::from(minutes.max(0))
            * i128::from(self.displaced_hour)
            * percent(short, self.short_notice_percent)
            * percent(equal_opening, self.equal_opening_percent)
            * percent(tentative, self.tentative_percent);
        let whole = 60 * 1_000_000_i128;
        i64::try_from((scaled + whole - 1) / whole).unwrap_or(i64::MAX / 1_000_000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_displaced_with_fair_notice_costs_one_person_hour() {
        let now = DateTime::UNIX_EPOCH;
        let weights = Weights::default();
        let later = now + TimeDelta::days(10);
        assert_eq!(weights.displacement(60, later, now, false, false), PERSON_HOUR);
        assert_eq!(weights.displacement(60, now, now, false, false), 2 * PERSON_HOUR);
        assert_eq!(weights.displacement(60, later, now, true, false), 40);
        assert_eq!(weights.displacement(60, now, now, true, true), 40);
        assert_eq!(weights.displacement(1, later, now, false, false), 2);
    }

    #[test]
    fn a_part_of_a_day_is_rounded_up() {
        assert_eq!(by_day(50, TimeDelta::hours(12)), 25);
        assert_eq!(by_day(50, TimeDelta::minutes(1)), 1);
        assert_eq!(by_day(50, TimeDelta::minutes(-1)), 0);
    }
}
