//! When a purifier has taken up its share of what it is rated for: what it
//! took up since its regeneration, by what was read, and when that reaches
//! the share at the pace it was taken up lately, with the circulation that
//! is booked off left out.

use super::circulation::{Circulation, Place, PurifierHistory};
use super::days::Day;
use super::evidence::{Assessment, DueDates, Evidence, digits, is_stale};
use super::level::{Ahead, CHANCES, EIGHTY, Fit, Grid, LevelModel, Observation, Prior};
use super::report::moment;
use super::rules::Species;
use super::sensors::{self, FaultKind, Inspected, SensorReadings, longest_step};
use super::summed::{Summed, averages};
use super::trend::{HORIZON_DAYS, after_hours, hours_between, hours_of};
use super::uptake_sum::{BOX_C, Inlet, Taken, whole_days};
use super::use_ahead::{GasUse, UseCurve};
use crate::domain::facility::MeasuredQuantity;
use crate::domain::quantity::Moles;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// Less circulation that was read tells no pace, hours.
const FEWEST_HOURS: f64 = 72.0;
/// Beside so many hours that nobody read an hour's mean counts from its first
/// reading, or until its last.
const EDGE_HOURS: f64 = 6.0;
/// A level not read for so long says nothing of the present pace.
const STALE_DAYS: i64 = 7;
/// Gaps that are listed one by one in words.
const MOST_GAPS: usize = 5;
/// An integral is read almost without error, so that its pace is what drifts.
const GRID: Grid = Grid { wanderings: &[0.1, 1.0, 10.0], drifts: &[15.0, 75.0, 375.0, 1875.0] };
/// Intervals are widened by so much; see `tests/calibration`.
const MARGIN: f64 = 1.35;
/// What was taken up until a reading is hardly known better than this share
/// of a day's uptake.
const LEAST_ERROR: f64 = 0.1;

const MODEL: &str = "integral of circulation x level x p/RT since the regeneration, by trapezoids over the readings \
                     while the circulation ran; then at the pace of late, with the circulation booked off left out";
const SOURCES: &str = "mole balance of an ideal gas at 1 atm, R = 8.314462618 J/(mol K) (CODATA 2018); Durbin and \
                       Koopman, Time Series Analysis by State Space Methods";

impl Species {
    /// The quantity that reports it.
    pub const fn quantity(self) -> MeasuredQuantity {
        match self {
            Self::Oxygen => MeasuredQuantity::OxygenPpm,
            Self::Water => MeasuredQuantity::WaterPpm,
        }
    }
}

/// A trigger's question, and what is known to answer it.
pub(super) struct Uptake<'a> {
    /// What is taken up.
    pub(super) species: Species,
    /// The share of the rated capacity.
    pub(super) fraction: f64,
    /// The purifier.
    pub(super) purifier: &'a PurifierHistory,
    /// Levels read in its box.
    pub(super) levels: &'a [SensorReadings],
    /// The last regeneration that went well.
    pub(super) regenerated: Option<DateTime<Utc>>,
    /// When the purifier was entered.
    pub(super) entered: DateTime<Utc>,
    /// The facility's zone, for what people read.
    pub(super) zone: Tz,
}

/// What the sensor that counts showed.
struct Level<'a> {
    /// Its name.
    sensor: String,
    /// What it showed while it was not stuck.
    points: Vec<Summed>,
    /// What some of the points are whole days of.
    days: &'a [Day],
    /// What is wrong with the sensors.
    notes: Vec<String>,
}

/// What was taken up, and what is assumed beside.
struct Account<'a> {
    question: &'a Uptake<'a>,
    now: DateTime<Utc>,
    since: DateTime<Utc>,
    mark: f64,
    taken: Taken,
    circulation: &'a Circulation,
    brought: UseCurve,
    /// Let in by turns since the beginning, mol, until each point of what was taken.
    let_in: Vec<f64>,
    off: UseCurve,
}

impl Uptake<'_> {
    /// When the share is reached.
    #[cfg(test)]
    pub(super) fn assess(&self, now: DateTime<Utc>) -> Assessment {
        self.assess_by(&Circulation::until(self.purifier, now), now)
    }

    /// When the share is reached, by when the gas circulated.
    pub(super) fn assess_by(&self, circulation: &Circulation, now: DateTime<Utc>) -> Assessment {
        let word = self.species.word();
        let evidence = Evidence::new(MODEL, SOURCES).with("fraction", self.fraction, "of rated capacity");
        let capacity = match self.species {
            Species::Oxygen => self.purifier.oxygen_capacity,
            Species::Water => self.purifier.water_capacity,
        };
        let Some(capacity) = capacity.map(Moles::get) else {
            let reason =
                format!("the uptake of {word} has no measure: no rated {word} capacity is on record");
            return Assessment::unknown(reason, evidence);
        };
        let mark = self.fraction * capacity;
        let evidence = evidence.with("capacity", capacity, "mol").with("limit", mark, "mol");
        let Some(Level { sensor, points: level, days, notes }) = self.level(now) else {
            let reason = format!(
                "the uptake of {word} cannot be told: no reading of {} since the last regeneration",
                self.species.quantity().word()
            );
            return Assessment::unknown(reason, evidence);
        };
        let since = self.regenerated.unwrap_or_else(|| self.entered.min(level[0].first.at)).min(now);
        let first = level.partition_point(|point| point.at < since);
        let mut evidence = evidence.with_summed(&level[first..]).noting(format!("read by {sensor}"));
        evidence.notes.extend(notes);
        let account = Account::new(self, since, mark, (&level, days), circulation, now);
        account.assess(level.last().map(|last| last.last.at), evidence)
    }

    /// The levels of the sensor with most readings since the regeneration,
    /// without those that stuck.
    fn level(&self, now: DateTime<Utc>) -> Option<Level<'_>> {
        let quantity = self.species.quantity();
        let since = self.regenerated.unwrap_or(DateTime::<Utc>::MIN_UTC);
        let inspected = sensors::inspect_but_for_jumps(quantity, self.levels, now);
        let after = |point: &Summed| point.at >= since;
        let counted =
            |one: &Inspected| one.moving().filter(after).map(|point| u64::from(point.count)).sum::<u64>();
        // Of equals the first, which has the most readings of all.
        let best = inspected.iter().rev().max_by_key(|one| counted(one)).filter(|one| counted(one) > 0)?;
        let kinds = [FaultKind::Stuck, FaultKind::Saturated, FaultKind::Silent];
        let mut told: Vec<String> =
            inspected.iter().flat_map(|one| one.told(&kinds, since, quantity.unit(), self.zone)).collect();
        if !told.is_empty() {
            told.push(
                "readings of a stuck sensor count as none; one at the end of its scale counts as it shows, which is \
                 at least as much"
                    .to_owned(),
            );
        }
        let days = self.levels.iter().find(|one| best.is_of(one)).map_or(&[][..], SensorReadings::days);
        Some(Level { sensor: best.name(), points: best.moving().collect(), days, notes: told })
    }
}

impl<'a> Account<'a> {
    fn new(
        question: &'a Uptake<'a>,
        since: DateTime<Utc>,
        mark: f64,
        (level, days): (&[Summed], &[Day]),
        circulation: &'a Circulation,
        now: DateTime<Utc>,
    ) -> Self {
        let purifier = question.purifier;
        let longest = longest_step(&level[level.partition_point(|point| point.at < since)..]);
        let is_even = |day: &Summed| circulation.is_even(day.first.at, day.last.at);
        let level = averages(level, days, EDGE_HOURS, is_even);
        let inlet = Inlet { level: &level, circulation, temperature: circulation.temperature(), longest };
        let taken = inlet.taken(since, now);
        let mol = |air: super::circulation::AirLeft| match question.species {
            Species::Oxygen => air.oxygen_mol,
            Species::Water => air.water_mol,
        };
        let turns: Vec<GasUse> = purifier
            .brought
            .iter()
            .map(|one| GasUse {
                interval: one.interval,
                computed_mol: mol(one.air),
                booked_at: one.booked_at,
            })
            .collect();
        let mut off = purifier.off.clone();
        // Times that were seen off without a booking are a habit too.
        let unbooked = circulation.off().iter().filter(|seen| {
            seen.end() > since && !purifier.off.iter().any(|booked| booked.interval.overlaps(seen))
        });
        off.extend(unbooked.map(|seen| GasUse { interval: *seen, computed_mol: 0.0, booked_at: seen.end() }));
        let brought = UseCurve::new(&turns, since, now);
        let off = UseCurve::new(&off, since, now);
        let before = brought.until(0.0).computed_mol;
        let until = brought.until_each(taken.points.iter().map(|point| point.hours));
        let let_in = until.map(|total| (total.computed_mol - before).max(0.0)).collect();
        Self { question, now, since, mark, taken, circulation, brought, let_in, off }
    }

    /// Everything taken up until a point, with `pace` mol an hour in the gaps.
    fn total(&self, index: usize, pace: f64) -> f64 {
        let point = &self.taken.points[index];
        point.known_mol + pace * point.unknown_hours + self.let_in[index]
    }

    /// Everything taken up until now.
    fn total_now(&self, pace: f64) -> f64 {
        self.total(self.taken.points.len() - 1, pace)
    }

    /// When everything taken up reached the limit, if it has.
    fn reached(&self, pace: f64) -> Option<DateTime<Utc>> {
        let points = &self.taken.points;
        let next = (0..points.len()).find(|index| self.total(*index, pace) >= self.mark)?;
        let Some(before) = next.checked_sub(1) else {
            return points[next].when();
        };
        let (low, high) = (self.total(before, pace), self.total(next, pace));
        let share = if high > low { (self.mark - low) / (high - low) } else { 1.0 };
        let hours = hours_of(points[next].at - points[before].at);
        after_hours(points[before].when()?, share.clamp(0.0, 1.0) * hours)
    }

    fn assess(&self, read: Option<DateTime<Utc>>, evidence: Evidence) -> Assessment {
        let (last, mean, (low, high)) = (self.taken.last(), self.taken.mean(), self.taken.range());
        let total = self.total_now(mean);
        let evidence = self.explain(evidence, total);
        let word = self.question.species.word();
        let summary = format!(
            "{} of {} mol of {word} taken up ({} mol in hours nobody read)",
            digits(total),
            digits(self.mark),
            digits(mean * last.unknown_hours),
        );
        let certain = self.reached(0.0);
        let stale = read.is_none_or(|last| is_stale(last, self.now, STALE_DAYS));
        if certain.is_none() && (stale || last.known_hours < FEWEST_HOURS) {
            let reason = if last.known_hours < FEWEST_HOURS {
                format!(
                    "the uptake of {word} cannot be told yet: {} h of circulation were read since the regeneration, \
                     and {FEWEST_HOURS} are needed",
                    digits(last.known_hours)
                )
            } else {
                format!(
                    "the uptake of {word} cannot be told: the last reading is more than {STALE_DAYS} days old"
                )
            };
            return Assessment::unknown(reason, evidence);
        }
        let fit = self.fit(mean);
        let gaps_sd = (high - low) / (2.0 * EIGHTY) * last.unknown_hours;
        let ahead = |chance| {
            let fit = fit.as_ref()?;
            self.ahead(fit, chance, mean, gaps_sd)
        };
        let [earliest, likely, latest] = CHANCES;
        let Some(likely) = self.reached(mean).or_else(|| ahead(likely)) else {
            let reason =
                format!("{summary}; at the pace of late the limit is more than {HORIZON_DAYS} days away");
            return Assessment::not_in_sight(reason, evidence);
        };
        let earliest = self.reached(high).or_else(|| ahead(earliest)).map(|early| early.min(likely));
        let latest = self.reached(low).or_else(|| ahead(latest)).map(|late| late.max(likely));
        let pace = (self.mark - total) / hours_between(self.now, likely).max(f64::MIN_POSITIVE) * 24.0;
        let evidence =
            if likely > self.now { evidence.with("pace_until_likely", pace, "mol a day") } else { evidence };
        let evidence = if latest.is_none() {
            evidence.noting(format!(
                "by what was read it may as well take more than {HORIZON_DAYS} days: there is no latest date"
            ))
        } else {
            evidence
        };
        // What went before is not known and can only make it sooner.
        let earliest = earliest.filter(|_| self.question.regenerated.is_some());
        Assessment::dated(DueDates { earliest, likely, latest }, summary, evidence)
    }

    /// What the integral says of the pace; a cause for the hours of circulation
    /// and one, taken as it is, for what is known beside the integral.
    fn fit(&self, mean: f64) -> Option<Fit<2>> {
        let model = LevelModel {
            priors: [Prior { mean: 0.0, sd: 10.0 * mean.max(1e-12) }, Prior { mean: 1.0, sd: 1e-3 }],
            nonnegative: true,
            least_error: LEAST_ERROR * 24.0 * mean.max(1e-12),
            margin: MARGIN,
            grid: GRID,
        };
        let all = &self.taken.points;
        let (begin, mut place) = (self.since.timestamp_micros(), Place::default());
        let off_before = self.circulation.off_until_from(&mut Place::default(), begin);
        let mut observed = |index: usize| {
            let off = self.circulation.off_until_from(&mut place, all[index].at) - off_before;
            let circulated = hours_of(all[index].at - begin) - off.max(0.0);
            Observation {
                hours: all[index].hours,
                level: self.total(index, mean),
                causes: [circulated, mean * all[index].unknown_hours + self.let_in[index]],
            }
        };
        let stretches = self.taken.stretches.iter().map(|(first, last)| {
            let day = |index: usize| whole_days(all[*last].hours - all[index].hours);
            let mut of_next = day(*first);
            // The last of each day, counted from the end, stands for the day.
            let ends = (*first..=*last).filter(|index| {
                let of_this = of_next;
                of_next = if index < last { day(index + 1) } else { 0 };
                index == last || of_this > of_next
            });
            let mut observed: Vec<Observation<2>> =
                std::iter::once(*first).chain(ends).map(&mut observed).collect();
            observed.dedup_by(|one, other| (one.hours - other.hours).abs() < 1e-9);
            observed
        });
        model.fit(&stretches.collect::<Vec<_>>())
    }

    fn hours(&self, at: DateTime<Utc>) -> f64 {
        hours_between(self.since, at)
    }

    /// Hours of circulation since the beginning, until now at most.
    fn circulated(&self, at: DateTime<Utc>) -> f64 {
        self.hours(at) - self.circulation.hours_off(self.since, at)
    }

    /// When the limit is reached from now on with that chance.
    fn ahead(&self, fit: &Fit<2>, chance: f64, mean: f64, gaps_sd: f64) -> Option<DateTime<Utc>> {
        let now = self.hours(self.now);
        let beside = mean * self.taken.last().unknown_hours;
        let ahead = |hours: f64| {
            let off = self.off.until(hours).hours - self.off.until(now).hours;
            let let_in = self.brought.until(hours).computed_mol - self.brought.until(0.0).computed_mol;
            Ahead {
                hours,
                causes: [self.circulated(self.now) + hours - now - off, beside + let_in],
                variances: [
                    self.off.variance(hours).hours,
                    self.brought.variance(hours).computed_mol + gaps_sd * gaps_sd,
                ],
                common: 0.0,
            }
        };
        let until = now + hours_between(self.now, self.now + TimeDelta::days(HORIZON_DAYS));
        let hours = fit.reaches(self.mark, chance, (now, until), ahead)?;
        after_hours(self.now, hours - now)
    }

    /// The figures that the date follows from, for someone to add up.
    fn explain(&self, evidence: Evidence, total: f64) -> Evidence {
        let (taken, last, mean) = (&self.taken, self.taken.last(), self.taken.mean());
        let (low, high) = taken.range();
        let let_in = self.let_in.last().copied().unwrap_or(0.0);
        let mut evidence = evidence
            .with("uptake_known", last.known_mol, "mol")
            .with("hours_known", last.known_hours, "h")
            .with_range(
                "uptake_in_gaps",
                mean * last.unknown_hours,
                (low.max(0.0) * last.unknown_hours, high * last.unknown_hours),
                "mol",
            )
            .with("hours_in_gaps", last.unknown_hours, "h")
            .with("uptake_by_turns", let_in, "mol")
            .with("uptake", total, "mol")
            .with_range("mean_pace", 24.0 * mean, (24.0 * low.max(0.0), 24.0 * high), "mol a day")
            .with("hours_off", taken.hours_off, "h")
            .with("longest_step", taken.longest, "h")
            .with("rated_circulation", self.question.purifier.circulation.get(), "m3/h");
        evidence.notes.extend(self.assumptions());
        evidence
    }

    fn assumptions(&self) -> Vec<String> {
        let (taken, zone) = (&self.taken, self.question.zone);
        let mut notes = vec![
            "uptake = uptake_known + uptake_in_gaps + uptake_by_turns; the gas behind the purifier is taken as free \
             of it, and the pressure as 1 atm"
                .to_owned(),
            format!(
                "two readings more than {} h apart leave a gap: what was taken up in it is not known, and assumed \
                 to be as in the hours read; its range takes the 10 % and 90 % points of the daily means",
                digits(taken.longest)
            ),
            "uptake_by_turns is the air that antechamber turns let in, by their cycles, from a room of 23 °C and 50 % \
             relative humidity (assumed); what outgasses is not counted, and what a sensor in the box sees of it \
             counts twice"
                .to_owned(),
            "dates ahead: circulation booked off is left out; the doubt of the gaps and of what is not booked yet adds \
             to that of the pace; earliest and latest are the 10 % and 90 % points"
                .to_owned(),
        ];
        if self.question.regenerated.is_none() {
            notes.push(format!(
                "no regeneration is on record: counted from {}; what was taken up before is not known, so that it may \
                 be due sooner",
                moment(self.since, zone)
            ));
        }
        notes.push(match (self.circulation.is_read(), taken.rated) {
            (false, _) => "the circulation was not read: it is taken as rated".to_owned(),
            (true, 0) => "the circulation is as it was read".to_owned(),
            (true, rated) => {
                format!("at {rated} reading(s) the circulation was not read and is taken as rated")
            }
        });
        if !taken.temperature_read {
            notes.push(format!("no temperature of the box was read: {BOX_C} °C is taken"));
        }
        let hidden = taken.gaps.len().saturating_sub(MOST_GAPS);
        let listed = taken.gaps[hidden..].iter().map(|gap| {
            let hours = digits(hours_between(gap.from, gap.to));
            format!("not read from {} to {} ({hours} h)", moment(gap.from, zone), moment(gap.to, zone))
        });
        notes.extend(listed);
        if hidden > 0 {
            notes.push(format!("{hidden} earlier gap(s) besides"));
        }
        notes
    }
}

#[cfg(test)]
#[path = "uptake_tests.rs"]
mod tests;
