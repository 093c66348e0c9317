//! What a due date rests on, kept with it so that anyone can judge it.

use super::summed::{self, Summed};
use super::trend::{Sample, hours_between};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// The most gaps that are listed one by one.
const MOST_GAPS: usize = 20;

/// When something is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DueDates {
    /// Hardly before; `None` where the data do not tell.
    pub earliest: Option<DateTime<Utc>>,
    /// The best single date.
    pub likely: DateTime<Utc>,
    /// Hardly after; `None` where no late date follows from the data.
    pub latest: Option<DateTime<Utc>>,
}

impl DueDates {
    /// A date without uncertainty.
    pub const fn certain(at: DateTime<Utc>) -> Self {
        Self { earliest: Some(at), likely: at, latest: Some(at) }
    }
}

/// A stretch without readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// The last reading before it.
    pub from: DateTime<Utc>,
    /// The first reading after it.
    pub to: DateTime<Utc>,
}

/// The readings that were used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingsUsed {
    /// How many.
    pub count: usize,
    /// When the first was taken.
    pub first: Option<DateTime<Utc>>,
    /// When the last was taken.
    pub last: Option<DateTime<Utc>>,
    /// Stretches without any longer than a day and than five times the usual
    /// spacing; the longest twenty, in order of time.
    pub gaps: Vec<Gap>,
}

impl ReadingsUsed {
    /// Describes samples in order of time.
    pub fn of(samples: &[Sample]) -> Self {
        let single = |sample: &Sample| Summed::single(*sample);
        Self::of_summed(&samples.iter().map(single).collect::<Vec<_>>())
    }

    /// Describes readings summed up, in order of time.
    pub(super) fn of_summed(points: &[Summed]) -> Self {
        let between = points.windows(2).map(|pair| Gap { from: pair[0].last.at, to: pair[1].first.at });
        let between = between.map(|gap| (hours_between(gap.from, gap.to), gap));
        let mut gaps: Vec<(f64, Gap)> = between.filter(|(hours, _)| *hours > 24.0).collect();
        if !gaps.is_empty() {
            let usual = summed::usual_step(points);
            gaps.retain(|(hours, _)| *hours > 5.0 * usual);
        }
        gaps.sort_by(|a, b| b.0.total_cmp(&a.0));
        gaps.truncate(MOST_GAPS);
        let mut gaps: Vec<Gap> = gaps.into_iter().map(|(_, gap)| gap).collect();
        gaps.sort_by_key(|gap| gap.from);
        Self {
            count: usize::try_from(summed::count(points)).unwrap_or(usize::MAX),
            first: points.first().map(|point| point.first.at),
            last: points.last().map(|point| point.last.at),
            gaps,
        }
    }
}

/// A number that the date follows from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// What it is, in `snake_case`.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// Lower end of its uncertainty, where it has one.
    pub low: Option<f64>,
    /// Upper end of its uncertainty, where it has one.
    pub high: Option<f64>,
    /// Its unit.
    pub unit: String,
}

/// What a date, or the lack of one, rests on.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// How it was worked out.
    pub model: String,
    /// Where the method comes from.
    pub source: String,
    /// The readings used, where any were.
    pub readings: Option<ReadingsUsed>,
    /// The numbers used and found.
    pub parameters: Vec<Parameter>,
    /// What was assumed, and what to keep in mind.
    pub notes: Vec<String>,
}

impl Evidence {
    /// Evidence for a model and the source of its method.
    pub fn new(model: &str, source: &str) -> Self {
        Self { model: model.to_owned(), source: source.to_owned(), ..Self::default() }
    }

    /// With the readings that were used.
    #[must_use]
    pub fn with_readings(mut self, samples: &[Sample]) -> Self {
        self.readings = Some(ReadingsUsed::of(samples));
        self
    }

    /// With the readings that were used, summed up.
    #[must_use]
    pub(super) fn with_summed(mut self, points: &[Summed]) -> Self {
        self.readings = Some(ReadingsUsed::of_summed(points));
        self
    }

    /// With an exact number.
    #[must_use]
    pub fn with(mut self, name: &str, value: f64, unit: &str) -> Self {
        self.parameters.push(Parameter {
            name: name.to_owned(),
            value,
            low: None,
            high: None,
            unit: unit.to_owned(),
        });
        self
    }

    /// With a number and its uncertainty.
    #[must_use]
    pub fn with_range(mut self, name: &str, value: f64, range: (f64, f64), unit: &str) -> Self {
        self.parameters.push(Parameter {
            name: name.to_owned(),
            value,
            low: Some(range.0),
            high: Some(range.1),
            unit: unit.to_owned(),
        });
        self
    }

    /// With a remark.
    #[must_use]
    pub fn noting(mut self, note: impl Into<String>) -> Self {
        self.notes.push(note.into());
        self
    }
}

/// What a trigger says.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// The task falls due then.
    Dated(DueDates),
    /// By the data no date is in sight, for this reason.
    NotInSight(String),
    /// The data do not tell, for this reason.
    Unknown(String),
}

/// What one trigger says, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// What it says.
    pub verdict: Verdict,
    /// The decisive figures in a few words, for people.
    pub summary: String,
    /// What that rests on.
    pub evidence: Evidence,
}

impl Assessment {
    /// The data do not tell.
    pub fn unknown(reason: impl Into<String>, evidence: Evidence) -> Self {
        let reason = reason.into();
        Self { verdict: Verdict::Unknown(reason.clone()), summary: reason, evidence }
    }

    /// No date is in sight.
    pub fn not_in_sight(reason: impl Into<String>, evidence: Evidence) -> Self {
        let reason = reason.into();
        Self { verdict: Verdict::NotInSight(reason.clone()), summary: reason, evidence }
    }

    /// A date, with the decisive figures in a few words.
    pub fn dated(due: DueDates, summary: impl Into<String>, evidence: Evidence) -> Self {
        Self { verdict: Verdict::Dated(due), summary: summary.into(), evidence }
    }
}

/// A number with three significant digits and no needless noughts, for people.
pub fn digits(value: f64) -> String {
    if !value.is_finite() || value.abs() < 1e-12 {
        return "0".to_owned();
    }
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a finite number")]
    let exponent = value.abs().log10().floor() as i32;
    let decimals = usize::try_from(2 - exponent).unwrap_or(0);
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Whether an instant lies so long ago that what was read then says little of now.
pub fn is_stale(last: DateTime<Utc>, now: DateTime<Utc>, days: i64) -> bool {
    now - last > TimeDelta::days(days)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_see_three_digits() {
        for (value, text) in [
            (0.0, "0"),
            (512.34, "512"),
            (12.0, "12"),
            (10.54, "10.5"),
            (0.012_34, "0.0123"),
            (98_765.4, "98765"),
            (-1.25, "-1.25"),
        ] {
            assert_eq!(digits(value), text);
        }
    }

    #[test]
    fn gaps_are_told() {
        let start: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().unwrap();
        let at = |hour| Sample { at: start + TimeDelta::hours(hour), value: 1.0 };
        let used = ReadingsUsed::of(&[at(0), at(6), at(12), at(60), at(66), at(72)]);
        assert_eq!(used.count, 6);
        assert_eq!(used.gaps, [Gap { from: at(12).at, to: at(60).at }]);
        assert_eq!(ReadingsUsed::of(&[]).first, None);
    }
}
