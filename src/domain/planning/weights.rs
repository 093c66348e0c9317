//! What a plan's drawbacks count for: policy, in hundredths of a displaced
//! person-hour. The defaults are judgement of our own, for a site to
//! override; each says why it is what it is.

use chrono::{DateTime, TimeDelta, Utc};

/// What one hundred units are worth: one person-hour taken from somebody who
/// had booked it, with fair notice and nowhere as good to go.
pub const PERSON_HOUR: i64 = 100;

/// What each drawback of a plan costs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Weights {
    /// Units for each person-hour of a displaced booking.
    pub displaced_hour: i64,
    /// Percent of that where the booking begins within [`Self::short_notice`]
    /// of the present: work already prepared is lost, not only moved.
    pub short_notice_percent: i64,
    /// What counts as short notice.
    pub short_notice: TimeDelta,
    /// Percent where an equal opening exists that the person can move to.
    pub equal_opening_percent: i64,
    /// Percent where the booking was tentative: its holder was told so.
    pub tentative_percent: i64,
    /// Units for each day past the date to have acted by, for what people's
    /// safety depends on and could not be done in time any more.
    pub late_day_safety: i64,
    /// The same for what is due or overdue as the plan is made.
    pub late_day_due: i64,
    /// The same for what is still current or approaching.
    pub late_day: i64,
    /// Units for each day before the earliest sensible date: unused life.
    pub wasted_day: i64,
    /// Units for each visit: tools fetched, the log kept, the box handed over.
    pub visit: i64,
    /// Units for each purge: gas, and the box brought back into use.
    pub purge: i64,
    /// Units for each task left out, beside its lateness at the end of the
    /// horizon: somebody has to think of it again.
    pub left_out: i64,
}

impl Default for Weights {
    /// Common sense, no source: a person-hour is the unit; a purge costs two
    /// of them, a visit one; a day's lateness half of one, or a whole one
    /// once due; unused life fifty times less than a day's lateness of a due
    /// task, so that it only breaks ties between otherwise equal days.
    fn default() -> Self {
        Self {
            displaced_hour: PERSON_HOUR,
            short_notice_percent: 200,
            short_notice: TimeDelta::days(7),
            equal_opening_percent: 40,
            tentative_percent: 50,
            late_day_safety: 1000,
            late_day_due: 100,
            late_day: 50,
            wasted_day: 2,
            visit: 100,
            purge: 200,
            left_out: 2000,
        }
    }
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
        let short = start < now + self.short_notice;
        let scaled = i128::from(minutes.max(0))
            * i128::from(self.displaced_hour)
            * percent(short, self.short_notice_percent)
            * percent(equal_opening, self.equal_opening_percent)
            * percent(tentative, self.tentative_percent);
        let whole = 60 * 1_000_000_i128;
        i64::try_from((scaled + whole - 1) / whole).unwrap_or(i64::MAX / 1_000_000)
    }

    /// Whether every weight is within the range the planner computes with:
    /// nought to a million, and percentages up to ten thousand.
    pub fn in_range(&self) -> bool {
        let units = [
            self.displaced_hour,
            self.late_day_safety,
            self.late_day_due,
            self.late_day,
            self.wasted_day,
            self.visit,
            self.purge,
            self.left_out,
        ];
        let percents = [self.short_notice_percent, self.equal_opening_percent, self.tentative_percent];
        units.iter().all(|units| (0..=1_000_000).contains(units))
            && percents.iter().all(|percent| (0..=10_000).contains(percent))
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
