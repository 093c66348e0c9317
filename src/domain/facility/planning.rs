//! What a site asks of its maintenance plans: how many boxes stay open, and
//! what each drawback counts for, in hundredths of a displaced person-hour.
//! The defaults are judgement of our own, for a site to override.

use crate::domain::calendar::duration::Length;
use crate::domain::facility::WorkingGas;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What one hundred units are worth: one person-hour taken from somebody who
/// had booked it, with fair notice and nowhere as good to go.
pub const PERSON_HOUR: i64 = 100;

/// The most that one drawback may count for, in units: ten thousand person-hours.
pub const MOST_UNITS: i64 = 1_000_000;

/// The most that a percentage of a drawback may be: a hundredfold.
pub const MOST_PERCENT: i64 = 10_000;

/// A site's policy on maintenance plans.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanningPolicies {
    /// How many boxes of each working gas stay open at any moment; none unless named.
    pub open_minimum: BTreeMap<WorkingGas, u32>,
    /// What each drawback of a plan counts for.
    pub weights: Weights,
}

/// What each drawback of a plan costs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weights {
    /// Units for each person-hour of a displaced booking.
    pub displaced_hour: i64,
    /// Percent of that where the booking begins within [`Self::short_notice`]
    /// of the present: work already prepared is lost, not only moved.
    pub short_notice_percent: i64,
    /// What counts as short notice.
    pub short_notice: Length,
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
            short_notice: Length::of_seconds(7 * 86_400).expect("a constant within range"),
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
