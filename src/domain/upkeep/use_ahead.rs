//! Work that draws gas: what was done, what is booked, and what to expect
//! where nobody has booked yet. Knows nothing of who does it or of cylinders.
//!
//! What comes on top of the bookings is learned from how long ahead people
//! have booked: of use that lies some days ahead, the share that used to be
//! booked later than that is still to come, at the recent weekly rate. Where
//! no such record exists, bookings of the next two weeks count as they stand,
//! and in each later week the larger of what is booked and the usual week.

use super::trend::{HORIZON_DAYS, forward, hours_between};
use crate::domain::calendar::Interval;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// Days ahead for which bookings count as they stand where nothing is known
/// of how long ahead people book.
const SETTLED_DAYS: u32 = 14;
/// The fewest uses that tell how long ahead people book.
const FEWEST_LEADS: usize = 5;
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
    /// When it was booked; later than its start for what was written down afterwards.
    pub booked_at: DateTime<Utc>,
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
    /// The squares of all uses of a week, summed: the variance of a week from
    /// which uses are missing here and there.
    pub squares: Total,
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
    /// What is still to be booked of the days ahead until each of them begins.
    doubts: Vec<Doubts>,
    learned: bool,
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
        let plain = Self {
            origin,
            knots,
            now: now_hours,
            doubts: Vec::new(),
            learned: false,
            weekly: Weekly::default(),
        };
        let weekly = plain.recent(uses, now);
        let leads = Leads::of(uses, now);
        let unbooked = plain.unbooked(&weekly, leads.as_ref());
        changes.extend(unbooked.iter().zip(0_u32..).flat_map(|(share, day)| {
            let at = |day: u32| now_hours + 24.0 * f64::from(day);
            let slope = Total {
                hours: share.hours * weekly.mean.hours / WEEK_HOURS,
                computed_mol: share.computed_mol * weekly.mean.computed_mol / WEEK_HOURS,
            };
            let (jump, back) =
                (Total::default(), Total { hours: -slope.hours, computed_mol: -slope.computed_mol });
            [Change { at: at(day), jump, slope }, Change { at: at(day + 1), jump, slope: back }]
        }));
        let doubts = Doubts::until_each(&unbooked);
        Self { knots: summed(&mut changes), doubts, weekly, learned: leads.is_some(), ..plain }
    }

    /// Whether it is known from the past how long ahead people book.
    pub const fn learned(&self) -> bool {
        self.learned
    }

    /// Work until a moment, hours after the origin.
    pub fn until(&self, hours: f64) -> Total {
        self.after(self.knots.partition_point(|knot| knot.at <= hours), hours)
    }

    /// The same where it is known which is the first knot after it.
    fn after(&self, next: usize, hours: f64) -> Total {
        let Some(knot) = next.checked_sub(1).map(|before| self.knots[before]) else {
            return Total::default();
        };
        let passed = hours - knot.at;
        Total {
            hours: knot.sum.hours + passed * knot.slope.hours,
            computed_mol: knot.sum.computed_mol + passed * knot.slope.computed_mol,
        }
    }

    /// [`Self::until`] for moments each of which is no earlier than the one before.
    pub fn until_each<'a>(
        &'a self,
        hours: impl Iterator<Item = f64> + 'a,
    ) -> impl Iterator<Item = Total> + 'a {
        let mut next = 0;
        hours.map(move |hours| {
            forward(&self.knots, &mut next, |knot| knot.at <= hours);
            self.after(next, hours)
        })
    }

    /// How unsure the foreseen work is at a moment: its variance. What is
    /// booked is taken as certain.
    #[expect(clippy::cast_precision_loss, reason = "at most eight weeks")]
    pub fn variance(&self, hours: f64) -> Total {
        let days_ahead = (hours - self.now) / 24.0;
        let begun = self.doubts.partition_point(|doubts| doubts.day <= days_ahead);
        let doubts = begun.checked_sub(1).and_then(|last| self.doubts.get(last)).copied();
        let doubts = doubts.map(|last| last.and((days_ahead - last.day).clamp(0.0, 1.0))).unwrap_or_default();
        let n = self.weekly.weeks.max(1) as f64;
        // The mean is not known well, whole weeks differ from it, and of
        // others uses are missing here and there.
        let doubt = |variance: f64, squares: f64, Weeks { mean, whole, part }: Weeks| {
            variance * (mean * mean / n + whole) + squares * part
        };
        let Weekly { variance, squares, .. } = self.weekly;
        Total {
            hours: doubt(variance.hours, squares.hours, doubts.hours),
            computed_mol: doubt(variance.computed_mol, squares.computed_mol, doubts.computed_mol),
        }
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
    fn recent(&self, uses: &[GasUse], now: DateTime<Utc>) -> Weekly {
        let Some(first) = uses.iter().map(|one| one.interval.start()).min() else { return Weekly::default() };
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
        let since = now - TimeDelta::weeks(i64::try_from(weeks.len()).unwrap_or(WEEKS));
        let recent = uses.iter().filter(|one| one.interval.start() > since && one.interval.start() <= now);
        let mut squares = Total::default();
        for one in recent {
            squares.hours += one.interval.hours().powi(2) / n;
            squares.computed_mol += one.computed_mol.powi(2) / n;
        }
        // One week alone does not tell how much weeks differ.
        let variance = |of: fn(&Total) -> f64, mean: f64, alone: f64| match weeks.len() {
            1 => alone,
            _ => weeks.iter().map(|one| (of(one) - mean).powi(2)).sum::<f64>() / (n - 1.0),
        };
        let variance = Total {
            hours: variance(|one| one.hours, mean.hours, squares.hours),
            computed_mol: variance(|one| one.computed_mol, mean.computed_mol, squares.computed_mol),
        };
        Weekly { mean, variance, squares, weeks: weeks.len() }
    }

    /// For each day ahead the share of the usual use that is still to be booked.
    fn unbooked(&self, weekly: &Weekly, leads: Option<&Leads>) -> Vec<Total> {
        let days = 0..u32::try_from(HORIZON_DAYS + 7).unwrap_or(0);
        let Some(leads) = leads else { return days.map(|day| self.short_of_usual(weekly, day)).collect() };
        days.map(|day| {
            let share = leads.later_than(24.0 * (f64::from(day) + 0.5));
            Total { hours: share, computed_mol: share }
        })
        .collect()
    }

    /// What a day's week, counted from now, is short of the usual week; nothing
    /// in the first two weeks.
    fn short_of_usual(&self, weekly: &Weekly, day: u32) -> Total {
        if day < SETTLED_DAYS {
            return Total::default();
        }
        let monday = self.now + WEEK_HOURS * f64::from(day / 7);
        let (from, to) = (self.until(monday), self.until(monday + WEEK_HOURS));
        let share = |booked: f64, usual: f64| if usual > 0.0 { (1.0 - booked / usual).max(0.0) } else { 0.0 };
        Total {
            hours: share(to.hours - from.hours, weekly.mean.hours),
            computed_mol: share(to.computed_mol - from.computed_mol, weekly.mean.computed_mol),
        }
    }
}

/// Weeks of use that are still to be booked: as many as count for the mean, and those
/// that differ from it as a whole or in part.
#[derive(Debug, Clone, Copy, Default)]
struct Weeks {
    mean: f64,
    whole: f64,
    part: f64,
}

impl Weeks {
    fn and(self, weeks: f64, share: f64) -> Self {
        Self {
            mean: self.mean + weeks * share,
            whole: self.whole + weeks * share * share,
            part: self.part + weeks * share * (1.0 - share),
        }
    }
}

/// What is still to be booked until a day ahead begins, and of that day.
#[derive(Debug, Clone, Copy, Default)]
struct Doubts {
    day: f64,
    hours: Weeks,
    computed_mol: Weeks,
    share: Total,
}

impl Doubts {
    /// For each day ahead; of each the share of the usual use is known.
    fn until_each(unbooked: &[Total]) -> Vec<Self> {
        let mut before = Self::default();
        let day = |(share, day): (&Total, u32)| {
            let doubts = Self { day: f64::from(day), share: *share, ..before };
            before = doubts.and(1.0);
            doubts
        };
        unbooked.iter().zip(0..).map(day).collect()
    }

    /// With so much of the day.
    fn and(self, days: f64) -> Self {
        Self {
            hours: self.hours.and(days / 7.0, self.share.hours),
            computed_mol: self.computed_mol.and(days / 7.0, self.share.computed_mol),
            ..self
        }
    }
}

/// How long ahead use was booked in the recent past: hours ahead, each with
/// the hours of use, the longest ahead first.
struct Leads(Vec<(f64, f64)>);

impl Leads {
    /// `None` where too little is on record.
    fn of(uses: &[GasUse], now: DateTime<Utc>) -> Option<Self> {
        let recent = |one: &&GasUse| {
            let start = one.interval.start();
            start <= now && start > now - TimeDelta::weeks(WEEKS) && one.booked_at <= start
        };
        let lead = |one: &GasUse| (hours_between(one.booked_at, one.interval.start()), one.interval.hours());
        let mut leads: Vec<(f64, f64)> = uses.iter().filter(recent).map(lead).collect();
        leads.sort_by(|one, other| other.0.total_cmp(&one.0));
        (leads.len() >= FEWEST_LEADS).then_some(Self(leads))
    }

    /// The share of use that was booked less than so many hours ahead.
    fn later_than(&self, hours: f64) -> f64 {
        let total: f64 = self.0.iter().map(|(_, used)| used).sum();
        let before = self.0.partition_point(|(lead, _)| *lead >= hours);
        let late: f64 = self.0[before..].iter().map(|(_, used)| used).sum();
        if total > 0.0 { late / total } else { 0.0 }
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
        GasUse {
            interval: Interval::new(at(from), at(to)).unwrap(),
            computed_mol,
            booked_at: now() + TimeDelta::hours(to),
        }
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

    /// Of ten hours a week half were booked a month ahead and half three days
    /// ahead: so of what lies ten days ahead half is still to come, and of
    /// what lies within three days nothing.
    #[test]
    fn what_used_to_be_booked_late_is_still_to_come() {
        let uses: Vec<GasUse> = (1..=8)
            .flat_map(|week| {
                let ahead = |from: i64, lead| {
                    let work = work(-168 * week + from, -168 * week + from + 5, 0.0);
                    GasUse { booked_at: work.interval.start() - TimeDelta::days(lead), ..work }
                };
                [ahead(9, 30), ahead(33, 3)]
            })
            .collect();
        let curve = curve(&uses);
        let day = |day: f64| curve.until(24.0 * (day + 1.0)).hours - curve.until(24.0 * day).hours;
        assert!(curve.learned());
        for (ahead, expected) in
            [(0.0, 0.0), (2.0, 0.0), (3.0, 5.0 / 7.0), (20.0, 5.0 / 7.0), (40.0, 10.0 / 7.0)]
        {
            assert!((day(ahead) - expected).abs() < 1e-9, "{ahead} {}", day(ahead));
        }
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
