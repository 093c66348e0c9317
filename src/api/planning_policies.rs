//! The part of `/facility` that says what is asked of maintenance plans.

use crate::domain::calendar::Length;
use crate::domain::facility::planning::{MOST_PERCENT, MOST_UNITS, PERSON_HOUR};
use crate::domain::facility::{PlanningPolicies, Weights, WorkingGas};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// The most boxes that must stay open.
const MOST_BOXES: u32 = 10_000;

/// What is asked of maintenance plans; a field left out has its default,
/// which is judgement of drykeep's own.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({
    "open_minimum": {"argon": 2}, "weights": {"displaced_hour": 1.0, "equal_opening_factor": 0.4, "late_day": 0.5}
}))]
pub(crate) struct PlanningForm {
    /// How many boxes of each working gas (`argon`, `nitrogen`, `helium`) stay
    /// open at any moment while upkeep closes others; none unless named.
    open_minimum: BTreeMap<String, u32>,
    /// What each drawback of a plan counts for.
    weights: WeightsForm,
}

/// What each drawback of a plan counts for, in person-hours taken from
/// somebody who had booked them with fair notice and has nowhere as good to
/// go, to two decimals; factors multiply what a booking counts for.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({
    "displaced_hour": 1.0, "short_notice": "P7D", "short_notice_factor": 2.0, "equal_opening_factor": 0.4,
    "tentative_factor": 0.5, "late_day_safety": 10.0, "late_day_due": 1.0, "late_day": 0.5, "wasted_day": 0.02,
    "visit": 1.0, "purge": 2.0, "left_out": 20.0
}))]
pub(crate) struct WeightsForm {
    /// An hour taken from a booking; 1 unless given.
    displaced_hour: Option<f64>,
    /// What counts as short notice: so long before the booking; `P7D` unless given.
    short_notice: Option<String>,
    /// Times that at short notice: work already prepared is lost, not only moved; 2 unless given.
    short_notice_factor: Option<f64>,
    /// Times that where an opening as good exists; 0.4 unless given.
    equal_opening_factor: Option<f64>,
    /// Times that where the booking was tentative, as its holder was told; 0.5 unless given.
    tentative_factor: Option<f64>,
    /// A day past the date to have acted by, for what people's safety depends
    /// on and could not be done in time any more; 10 unless given.
    late_day_safety: Option<f64>,
    /// The same for what is due or overdue as the plan is made; 1 unless given.
    late_day_due: Option<f64>,
    /// The same for the rest; 0.5 unless given.
    late_day: Option<f64>,
    /// A day of life left unused, before the earliest date due; 0.02 unless given.
    wasted_day: Option<f64>,
    /// A visit: tools fetched, the box handed over; 1 unless given.
    visit: Option<f64>,
    /// A purge: gas, and the box brought back into use; 2 unless given.
    purge: Option<f64>,
    /// A task left out, beside its lateness at the end of the plan; 20 unless given.
    left_out: Option<f64>,
}

impl PlanningForm {
    /// Parses it.
    pub(super) fn parse(&self) -> Result<PlanningPolicies, Violations> {
        let mut check = Check::default();
        let mut open_minimum = BTreeMap::new();
        for (word, boxes) in &self.open_minimum {
            let field = format!("open_minimum.{word}");
            let gas = WorkingGas::from_word(word);
            let known = "the working gases are argon, nitrogen and helium";
            check.require(gas.is_some(), &field, "unknown_word", known);
            let most = format!("must be at most {MOST_BOXES}");
            check.require(*boxes <= MOST_BOXES, &field, "out_of_range", most);
            open_minimum.extend(gas.map(|gas| (gas, *boxes)));
        }
        let weights = check.part("weights", self.weights.parse());
        check.build(weights, |weights| PlanningPolicies { open_minimum, weights })
    }

    /// The form that would produce the policies.
    pub(super) fn of(policies: &PlanningPolicies) -> Self {
        let named = policies.open_minimum.iter();
        Self {
            open_minimum: named.map(|(gas, boxes)| (gas.word().to_owned(), *boxes)).collect(),
            weights: WeightsForm::of(&policies.weights),
        }
    }
}

/// Hundredths of a number within nought and `most` of them.
fn hundredths(check: &mut Check, field: &str, given: Option<f64>, otherwise: i64, most: i64) -> Option<i64> {
    let Some(number) = given else { return Some(otherwise) };
    #[expect(clippy::cast_precision_loss, reason = "a bound of a few digits")]
    let bound = most as f64 / 100.0;
    if !(0.0..=bound).contains(&number) {
        let detail = format!("must be 0 to {bound}, not {number}");
        check.note(Violation::new(field, "out_of_range", detail));
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "within the bound just checked")]
    let whole = (number * 100.0).round() as i64;
    Some(whole)
}

#[expect(clippy::cast_precision_loss, reason = "a bounded number of hundredths")]
fn number(hundredths: i64) -> f64 {
    hundredths as f64 / 100.0
}

impl WeightsForm {
    fn parse(&self) -> Result<Weights, Violations> {
        const _: () = assert!(PERSON_HOUR == 100, "person-hours are written in hundredths");
        let mut check = Check::default();
        let usual = Weights::default();
        let short_notice = match &self.short_notice {
            None => Some(usual.short_notice),
            Some(text) => check.field("short_notice", Length::parse(text)),
        };
        let mut factor =
            |field: &str, given, otherwise| hundredths(&mut check, field, given, otherwise, MOST_PERCENT);
        let short_notice_percent =
            factor("short_notice_factor", self.short_notice_factor, usual.short_notice_percent);
        let equal_opening_percent =
            factor("equal_opening_factor", self.equal_opening_factor, usual.equal_opening_percent);
        let tentative_percent = factor("tentative_factor", self.tentative_factor, usual.tentative_percent);
        let mut units =
            |field: &str, given, otherwise| hundredths(&mut check, field, given, otherwise, MOST_UNITS);
        let displaced_hour = units("displaced_hour", self.displaced_hour, usual.displaced_hour);
        let late_day_safety = units("late_day_safety", self.late_day_safety, usual.late_day_safety);
        let late_day_due = units("late_day_due", self.late_day_due, usual.late_day_due);
        let late_day = units("late_day", self.late_day, usual.late_day);
        let wasted_day = units("wasted_day", self.wasted_day, usual.wasted_day);
        let visit = units("visit", self.visit, usual.visit);
        let purge = units("purge", self.purge, usual.purge);
        let left_out = units("left_out", self.left_out, usual.left_out);
        let weights = (|| {
            Some(Weights {
                displaced_hour: displaced_hour?,
                short_notice_percent: short_notice_percent?,
                short_notice: short_notice?,
                equal_opening_percent: equal_opening_percent?,
                tentative_percent: tentative_percent?,
                late_day_safety: late_day_safety?,
                late_day_due: late_day_due?,
                late_day: late_day?,
                wasted_day: wasted_day?,
                visit: visit?,
                purge: purge?,
                left_out: left_out?,
            })
        })();
        check.build(weights, |weights| weights)
    }

    fn of(weights: &Weights) -> Self {
        Self {
            displaced_hour: Some(number(weights.displaced_hour)),
            short_notice: Some(weights.short_notice.to_string()),
            short_notice_factor: Some(number(weights.short_notice_percent)),
            equal_opening_factor: Some(number(weights.equal_opening_percent)),
            tentative_factor: Some(number(weights.tentative_percent)),
            late_day_safety: Some(number(weights.late_day_safety)),
            late_day_due: Some(number(weights.late_day_due)),
            late_day: Some(number(weights.late_day)),
            wasted_day: Some(number(weights.wasted_day)),
            visit: Some(number(weights.visit)),
            purge: Some(number(weights.purge)),
            left_out: Some(number(weights.left_out)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_what_was_read() {
        let policies = PlanningPolicies {
            open_minimum: BTreeMap::from([(WorkingGas::Argon, 2)]),
            weights: Weights { visit: 125, ..Weights::default() },
        };
        assert_eq!(PlanningForm::of(&policies).parse().unwrap(), policies);
        assert_eq!(PlanningForm::default().parse().unwrap(), PlanningPolicies::default());
    }

    #[test]
    fn every_fault_is_named_with_its_field() {
        let form: PlanningForm = serde_json::from_value(serde_json::json!({
            "open_minimum": {"xenon": 1}, "weights": {"visit": -1.0, "purge": 1e9, "short_notice": "soon"}
        }))
        .unwrap();
        let faults = form.parse().unwrap_err();
        let fields: Vec<&str> = faults.as_slice().iter().map(|fault| fault.field.as_str()).collect();
        assert_eq!(fields, ["open_minimum.xenon", "weights.short_notice", "weights.visit", "weights.purge"]);
    }
}
