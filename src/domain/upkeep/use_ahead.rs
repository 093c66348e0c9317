//! Work that draws gas: what was done, what is booked, and what to expect
//! where nobody has booked yet. Knows nothing of who does it or of cylinders.
//!
//! For the next two weeks bookings count as they stand. In each later week
//! the larger of what is booked and the recent weekly use counts: people book
//! late, and a lone series booked far ahead says nothing of the rest.

use super::trend::{HORIZON_DAYS, hours_between};
use crate::domain::calendar::Interval;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// Weeks ahead for which bookings count as they stand.
pub const SETTLED_WEEKS: i64 = 2;
/// Weeks that the recent use is averaged over.
const WEEKS: i64 = 8;
/// Hours of a week.
const WEEK_HOURS: f64 = 168.0;

/// Work at a box, done or booked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GasUse {
    /// From when to when somebody has hands in the gloves.
    pub interval: Interval,
    /// Gas that its antechamber turns and its purge are computed to take, mol;
    /// counted at its start.
    pub computed_mol: f64,
}

/// Work summed up from an origin.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Total {
    /// Hours of work.
    pub hours: f64,
    /// Gas of antechamber turns and purges, as computed, mol.
    pub computed_mol: f64,
}

/// Weekly use: the mean and the variance between weeks.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Weekly {
    /// Mean.
    pub mean: Total,
    /// Variance of one week.
    pub variance: Total,
    /// How many weeks it rests on.
    pub weeks: usize,
}

/// A point from which the sums grow evenly until the next.
#[derive(Debug, Clone, Copy)]
struct Knot {
    at: f64,
    sum: Total,
    slope: Total,
}

/// All work from an origin on, summed up.
#[derive(Debug, Clone)]
pub struct UseCurve {
    origin: DateTime<Utc>,
    knots: Vec<Knot>,
    now: f64,
    /// For each week ahead which share of the usual use nobody has booked.
    unbooked: Vec<Total>,
    weekly: Weekly,
}

/// A change of the sums: at once, or of how fast they grow.
struct Change {
    at: f64,
    jump: Total,
    slope: Total,
}

impl UseCurve {
    /// Sums up work from `origin` on; what `now` lies before is foreseen.
    pub fn new(uses: &[GasUse], origin: DateTime<Utc>, now: DateTime<Utc>) -> Self {
        let mut changes: Vec<Change> = uses.iter().flat_map(|one| changes_of(one, origin)).collect();
        let knots = summed(&mut changes);
        let now_hours = hours_between(origin, now);
        let plain = Self { origin, knots, now: now_hours, unbooked: Vec::new(), weekly: Weekly::default() };
        let weekly = plain.recent(uses.iter().map(|one| one.interval.start()).min(), now);
        let unbooked = plain.unbooked(&weekly);
        changes.extend(unbooked.iter().zip(0_u32..).flat_map(|(share, week)| {
            let (from, to) =
                (now_hours + WEEK_HOURS * f64::from(week), now_hours + WEEK_HOURS * f64::from(week + 1));
            let slope = Total {
                hours: share.hours * weekly.mean.hours / WEEK_HOURS,
                computed_mol: share.computed_mol * weekly.mean.computed_mol / WEEK_HOURS,
            };
            let none = Total::default();
            let back = Total { hours: -slope.hours, computed_mol: -slope.computed_mol };
            [Change { at: from, jump: none, slope }, Change { at: to, jump: none, slope: back }]
        }));
        Self { knots: summed(&mut changes), unbooked, weekly, ..plain }
    }

    /// Work until a moment, hours after the origin.
    pub fn until(&self, hours: f64) -> Total {
        let next = self.knots.partition_point(|knot| knot.at <= hours);
        let Some(knot) = next.checked_sub(1).map(|before| self.knots[before]) else {
            return Total::default();
        };
        let passed = hours - knot.at;
        Total {
            hours: knot.sum.hours + passed * knot.slope.hours,
            computed_mol: knot.sum.computed_mol + passed * knot.slope.computed_mol,
        }
    }

    /// How unsure the foreseen work is at a moment: its variance. What is
    /// booked is taken as certain.
    #[expect(clippy::cast_precision_loss, reason = "at most eight weeks")]
    pub fn variance(&self, hours: f64) -> Total {
        let weeks_ahead = (hours - self.now) / WEEK_HOURS;
        let mut each = Total::default();
        let mut all = Total::default();
        for (share, week) in self.unbooked.iter().zip(0_u32..) {
            let passed = (weeks_ahead - f64::from(week)).clamp(0.0, 1.0);
            each.hours += passed * share.hours;
            each.computed_mol += passed * share.computed_mol;
        }
        let n = self.weekly.weeks.max(1) as f64;
        // Each week differs from the mean, and the mean is not known well.
        all.hours = self.weekly.variance.hours * (each.hours + each.hours * each.hours / n);
        all.computed_mol = self.weekly.variance.computed_mol
            * (each.computed_mol + each.computed_mol * each.computed_mol / n);
        all
    }

    /// The recent weekly use that goes on where nobody has booked.
    pub const fn weekly(&self) -> Weekly {
        self.weekly
    }

    /// Hours after the origin.
    pub fn hours_at(&self, at: DateTime<Utc>) -> f64 {
        hours_between(self.origin, at)
    }

    /// The weeks before now that the record covers.
    #[expect(clippy::cast_precision_loss, reason = "at most eight weeks")]
    fn recent(&self, first: Option<DateTime<Utc>>, now: DateTime<Utc>) -> Weekly {
        let Some(first) = first else { return Weekly::default() };
        let weeks: Vec<Total> = (1..=WEEKS)
            .take_while(|week| now - TimeDelta::weeks(*week) >= first)
            .map(|week| {
                let from = self.until(self.now - WEEK_HOURS * week as f64);
                let to = self.until(self.now - WEEK_HOURS * (week - 1) as f64);
                Total { hours: to.hours - from.hours, computed_mol: to.computed_mol - from.computed_mol }
            })
            .collect();
        let n = weeks.len() as f64;
        if weeks.is_empty() {
            return Weekly::default();
        }
        let mean = |of: fn(&Total) -> f64| weeks.iter().map(of).sum::<f64>() / n;
        let mean = Total { hours: mean(|one| one.hours), computed_mol: mean(|one| one.computed_mol) };
        let variance = |of: fn(&Total) -> f64, mean: f64| {
            weeks.iter().map(|one| (of(one) - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)
        };
        let variance = Total {
            hours: variance(|one| one.hours, mean.hours),
            computed_mol: variance(|one| one.computed_mol, mean.computed_mol),
        };
        Weekly { mean, variance, weeks: weeks.len() }
    }

    /// For each week ahead the share of the usual use that is not booked.
    fn unbooked(&self, weekly: &Weekly) -> Vec<Total> {
        let share = |booked: f64, usual: f64| if usual > 0.0 { (1.0 - booked / usual).max(0.0) } else { 0.0 };
        (0..HORIZON_DAYS / 7 + 1)
            .zip(0_u32..)
            .map(|(week, number)| {
                if week < SETTLED_WEEKS {
                    return Total::default();
                }
                let from = self.until(self.now + WEEK_HOURS * f64::from(number));
                let to = self.until(self.now + WEEK_HOURS * f64::from(number + 1));
                Total {
                    hours: share(to.hours - from.hours, weekly.mean.hours),
                    computed_mol: share(to.computed_mol - from.computed_mol, weekly.mean.computed_mol),
                }
            })
            .collect()
    }
}

fn changes_of(one: &GasUse, origin: DateTime<Utc>) -> [Change; 2] {
    let none = Total::default();
    let (start, end) =
        (hours_between(origin, one.interval.start()), hours_between(origin, one.interval.end()));
    let jump = Total { hours: 0.0, computed_mol: one.computed_mol };
    [
        Change { at: start, jump, slope: Total { hours: 1.0, ..none } },
        Change { at: end, jump: none, slope: Total { hours: -1.0, ..none } },
    ]
}

/// The sums after each change, in order of time.
fn summed(changes: &mut [Change]) -> Vec<Knot> {
    changes.sort_by(|one, other| one.at.total_cmp(&other.at));
    let mut knots: Vec<Knot> = Vec::with_capacity(changes.len());
    for change in changes {
        let mut knot = knots.last().copied().unwrap_or(Knot {
            at: change.at,
            sum: Total::default(),
            slope: Total::default(),
        });
        let passed = change.at - knot.at;
        knot.sum.hours += passed * knot.slope.hours + change.jump.hours;
        knot.sum.computed_mol += passed * knot.slope.computed_mol + change.jump.computed_mol;
        knot.slope.hours += change.slope.hours;
        knot.slope.computed_mol += change.slope.computed_mol;
        knot.at = change.at;
        knots.push(knot);
    }
    knots
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn now() -> DateTime<Utc> {
        "2026-03-02T00:00:00Z".parse().unwrap()
    }

    fn work(from: i64, to: i64, computed_mol: f64) -> GasUse {
        let at = |hour| now() + TimeDelta::hours(hour);
        GasUse { interval: Interval::new(at(from), at(to)).unwrap(), computed_mol }
    }

    fn curve(uses: &[GasUse]) -> UseCurve {
        UseCurve::new(uses, now(), now())
    }

    #[test]
    fn work_is_summed_while_it_goes_on_and_gas_when_it_starts() {
        let curve = curve(&[work(10, 14, 3.0), work(12, 16, 1.0)]);
        for (hours, sum, mol) in
            [(9.0, 0.0, 0.0), (10.0, 0.0, 3.0), (13.0, 4.0, 4.0), (16.0, 8.0, 4.0), (90.0, 8.0, 4.0)]
        {
            let total = curve.until(hours);
            assert!((total.hours - sum).abs() < 1e-9 && (total.computed_mol - mol).abs() < 1e-9, "{hours}");
        }
    }

    /// Ten hours a week for eight weeks. Nothing is booked: two weeks without,
    /// then ten a week. Six hours booked in the third week: still ten in all;
    /// fourteen: fourteen.
    #[test]
    fn beyond_two_weeks_the_larger_of_booked_and_usual_counts() {
        let mut past: Vec<GasUse> =
            (1..=8).map(|week| work(-168 * week + 5, -168 * week + 15, 2.0)).collect();
        let usual = curve(&past);
        let ahead = |curve: &UseCurve, weeks: f64| curve.until(168.0 * weeks).hours - curve.until(0.0).hours;
        assert!(ahead(&usual, 2.0).abs() < 1e-9 && (ahead(&usual, 4.0) - 20.0).abs() < 1e-9);
        assert!((usual.weekly().mean.computed_mol - 2.0).abs() < 1e-9);
        assert!(usual.variance(168.0 * 4.0).hours.abs() < 1e-9);
        past.push(work(2 * 168 + 5, 2 * 168 + 11, 0.0));
        assert!((ahead(&curve(&past), 4.0) - 20.0).abs() < 1e-9);
        past.push(work(2 * 168 + 20, 2 * 168 + 28, 0.0));
        assert!((ahead(&curve(&past), 4.0) - 24.0).abs() < 1e-9);
    }

    /// Weeks of 8 and 12 hours: variance 8 with one degree of freedom; one
    /// unbooked week adds 8 and, for the mean of two, 8/2.
    #[test]
    fn unbooked_weeks_are_not_foreseen_for_certain() {
        let curve = curve(&[work(-168 * 2, -168 * 2 + 8, 0.0), work(-168 + 5, -168 + 17, 0.0)]);
        assert_eq!(curve.weekly().weeks, 2);
        assert!((curve.variance(168.0 * 3.0).hours - 12.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn sums_never_fall(uses in prop::collection::vec((-2000_i64..4000, 1_i64..40, 0.0..9.0_f64), 0..40)) {
            let uses: Vec<GasUse> = uses.into_iter().map(|(from, long, mol)| work(from, from + long, mol)).collect();
            let curve = curve(&uses);
            let sums: Vec<Total> = (-50..150).map(|step| curve.until(40.0 * f64::from(step))).collect();
            for pair in sums.windows(2) {
                prop_assert!(pair[1].hours >= pair[0].hours - 1e-6);
                prop_assert!(pair[1].computed_mol >= pair[0].computed_mol - 1e-6);
            }
        }
    }
}
