//! How a due item moved from one computation to the next, and why. Looks at
//! nothing but what both computations say and rest on.

use super::due::{DueItem, DueState, TriggerState};
use super::evidence::{DueDates, ReadingsUsed, digits};
use super::report::day;
use super::rules::words;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// A likely date that changes by no more has not moved: a forecast trembles.
const TREMOR: TimeDelta = TimeDelta::hours(1);
/// Hours of use that count as a change of bookings.
const LEAST_HOURS: f64 = 0.01;

words! {
    /// Why an item moved, the most specific first.
    Cause {
        /// It was computed for the first time.
        First = "first",
        /// A service was recorded, corrected or withdrawn.
        Service = "service",
        /// The rule was changed.
        Rule = "rule",
        /// Readings came in, or were removed.
        Reading = "reading",
        /// What is booked, or was logged as used, changed.
        Booking = "booking",
        /// The part or the facility was changed.
        Part = "part",
        /// Nothing but time has passed.
        Time = "time",
    }
}

/// One reason why an item moved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// Its kind.
    pub cause: Cause,
    /// What it was, in a few words.
    pub detail: String,
}

/// A move of an item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Move {
    /// The moment that it was computed for.
    pub at: DateTime<Utc>,
    /// When it was due before.
    pub from: Option<DueDates>,
    /// Where it stood before.
    pub from_state: DueState,
    /// Why, the most specific first; never empty.
    pub reasons: Vec<Reason>,
    /// The whole in a sentence without its stop.
    pub detail: String,
}

/// The reason of an item that was not there before.
pub fn first() -> Reason {
    Reason { cause: Cause::First, detail: "computed for the first time".to_owned() }
}

/// How the new item stands apart from the old one; `None` where neither state
/// nor governing trigger changed and the likely date by no more than an hour.
pub fn between(old: &DueItem, new: &DueItem, zone: Tz) -> Option<Move> {
    let likely = |item: &DueItem| item.due.map(|due| due.likely);
    let shifted = match (likely(old), likely(new)) {
        (Some(before), Some(after)) => (after - before).abs() > TREMOR,
        (before, after) => before != after,
    };
    if !shifted && old.state == new.state && old.governing_trigger == new.governing_trigger {
        return None;
    }
    let reasons = reasons(old, new, zone);
    let told: Vec<&str> = reasons.iter().map(|reason| reason.detail.as_str()).collect();
    let detail = format!("{}: {}", headline(old, new, zone), told.join("; "));
    Some(Move { at: new.computed_at, from: old.due, from_state: old.state, reasons, detail })
}

/// What became of the item, in a few words.
fn headline(old: &DueItem, new: &DueItem, zone: Tz) -> String {
    let (before, after) = match (old.due, new.due) {
        (Some(before), Some(after)) => (before.likely, after.likely),
        (None, Some(after)) => return format!("has a date, {}", day(after.likely, zone)),
        (Some(_), None) => return "has no date any more".to_owned(),
        (None, None) => return format!("went from {} to {}", old.state.word(), new.state.word()),
    };
    let by = after - before;
    if by.abs() > TREMOR {
        let direction = if by > TimeDelta::zero() { "later" } else { "earlier" };
        return format!("moved {} {direction}", length(by.abs()));
    }
    if old.state == new.state {
        let by = new.governing_trigger.as_deref().unwrap_or("nothing");
        return format!("is governed by {by}");
    }
    format!("went from {} to {}", old.state.word(), new.state.word())
}

/// A length for people: days from two days on, else hours.
fn length(by: TimeDelta) -> String {
    let (days, hours) = ((by + TimeDelta::hours(12)).num_days(), (by + TimeDelta::minutes(30)).num_hours());
    match (days, hours) {
        (2.., _) => format!("{days} days"),
        (_, 1) => "1 hour".to_owned(),
        _ => format!("{hours} hours"),
    }
}

fn reasons(old: &DueItem, new: &DueItem, zone: Tz) -> Vec<Reason> {
    let mut found: Vec<Reason> = Vec::new();
    let mut note = |cause, detail: String| {
        if !found.iter().any(|reason| reason.cause == cause && reason.detail == detail) {
            found.push(Reason { cause, detail });
        }
    };
    if let Some(detail) = service(old, new, zone) {
        note(Cause::Service, detail);
    }
    // An earlier release did not note the version: then nothing is known of it.
    if old.rule_version != 0 && old.rule_version != new.rule_version {
        note(Cause::Rule, "the upkeep rule was changed".to_owned());
    }
    for (before, after) in decisive(old, new) {
        if let Some(detail) = readings(before, after) {
            note(Cause::Reading, detail);
        }
        // What counts from another service is not to be compared.
        if old.last_service == new.last_service
            && let Some(detail) = bookings(before, after)
        {
            note(Cause::Booking, detail);
        }
    }
    if found.is_empty() {
        found.push(otherwise(old, new));
    }
    found.sort_by_key(|reason| reason.cause);
    found
}

/// Services show in when the task was last done, and in what a finding asks for.
fn service(old: &DueItem, new: &DueItem, zone: Tz) -> Option<String> {
    let on = |at| day(at, zone);
    match (old.last_service, new.last_service) {
        (before, after) if before == after => {}
        (Some(before), Some(after)) if after < before => {
            return Some(format!(
                "the service of {} was corrected or withdrawn; it counts from {}",
                on(before),
                on(after)
            ));
        }
        (_, Some(after)) => return Some(format!("a service of {} counts", on(after))),
        (Some(before), None) => {
            return Some(format!("the service of {} was corrected or withdrawn", on(before)));
        }
        (None, None) => {}
    }
    let finding = |item: &DueItem| item.triggers.iter().find(|one| one.kind == "finding").cloned();
    let (before, after) = (finding(old)?, finding(new)?);
    (before.due != after.due).then_some(after.summary)
}

/// The triggers that decide the two dates, each as it was and as it is; where
/// neither item has a date, all of them.
fn decisive<'a>(
    old: &'a DueItem,
    new: &'a DueItem,
) -> impl Iterator<Item = (&'a TriggerState, &'a TriggerState)> {
    let dated = old.due.is_some() || new.due.is_some();
    old.triggers.iter().zip(&new.triggers).filter(move |(before, after)| {
        before.kind == after.kind
            && before.quantity == after.quantity
            && (before.governs || after.governs || !dated)
            && (before.due != after.due || before.known != after.known)
    })
}

/// What changed about the readings that a trigger rests on.
fn readings(before: &TriggerState, after: &TriggerState) -> Option<String> {
    let (old, new) = (before.evidence.readings.as_ref(), after.evidence.readings.as_ref());
    let count = |used: Option<&ReadingsUsed>| used.map_or(0, |used| used.count);
    let span = |used: Option<&ReadingsUsed>| used.map(|used| (used.first, used.last));
    if count(old) == count(new) && span(old) == span(new) {
        return None;
    }
    let of = after.quantity.as_deref().unwrap_or("the quantity");
    let last = |used: Option<&ReadingsUsed>| used.and_then(|used| used.last);
    Some(match count(new).cmp(&count(old)) {
        std::cmp::Ordering::Greater => match count(new) - count(old) {
            1 => format!("a new reading of {of}"),
            more => format!("{more} new readings of {of}"),
        },
        // Old ones leave the time that is looked at as new ones come in.
        _ if last(new) > last(old) => format!("new readings of {of}"),
        std::cmp::Ordering::Less => match count(old) - count(new) {
            1 => format!("a reading of {of} less"),
            fewer => format!("{fewer} readings of {of} less"),
        },
        std::cmp::Ordering::Equal => format!("other readings of {of}"),
    })
}

/// Parameters of evidence that tell logged and booked hours of use.
const LOGGED_AND_BOOKED: [(&str, &str); 2] =
    [("used", "booked_ahead"), ("work_since_first_reading", "booked_work")];

/// What changed about booked and logged use. With time booked use becomes
/// logged use, so their sum is compared. Where what is logged counts from
/// another reading than before, only more bookings can be told from time.
fn bookings(before: &TriggerState, after: &TriggerState) -> Option<String> {
    let value = |trigger: &TriggerState, name: &str| {
        trigger.evidence.parameters.iter().find(|one| one.name == name).map(|one| one.value)
    };
    let first = |trigger: &TriggerState| trigger.evidence.readings.as_ref().map(|used| used.first);
    let change = LOGGED_AND_BOOKED.iter().find_map(|(logged, booked)| {
        let more = value(after, booked)? - value(before, booked)?;
        let passed = value(after, logged)? - value(before, logged)?;
        Some(if first(before) == first(after) { more + passed } else { more.max(0.0) })
    })?;
    (change.abs() > LEAST_HOURS).then(|| {
        let direction = if change > 0.0 { "more" } else { "less" };
        format!("{} h {direction} are booked or were used", digits(change.abs()))
    })
}

/// Neither service nor rule, readings or bookings explain it.
fn otherwise(old: &DueItem, new: &DueItem) -> Reason {
    let by_date = |item: &DueItem| item.governing_trigger.as_deref().is_none_or(|kind| kind == "calendar");
    let moved = old.due != new.due;
    // Time alone moves no date that the calendar gives.
    if moved && (old.computed_at == new.computed_at || (by_date(old) && by_date(new))) {
        return Reason { cause: Cause::Part, detail: "the part or the facility was changed".to_owned() };
    }
    Reason { cause: Cause::Time, detail: "nothing but time has passed".to_owned() }
}

#[cfg(test)]
mod tests {
    use super::super::evidence::Evidence;
    use super::super::rules::PartKind;
    use super::super::trend::Sample;
    use super::*;
    use crate::domain::names::Word;
    use uuid::Uuid;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn trigger(kind: &str, quantity: Option<&str>, likely: &str, evidence: Evidence) -> TriggerState {
        TriggerState {
            kind: kind.to_owned(),
            quantity: quantity.map(str::to_owned),
            governs: true,
            due: Some(DueDates::certain(utc(likely))),
            reason: None,
            known: true,
            summary: "as it is".to_owned(),
            evidence,
        }
    }

    fn item(trigger: TriggerState, last_service: Option<&str>) -> DueItem {
        DueItem {
            rule: Uuid::nil().into(),
            rule_version: 1,
            subject: Uuid::nil().into(),
            subject_kind: PartKind::GasSupply,
            subject_tag: "AR".to_owned(),
            glovebox: None,
            task: Word::parse("cylinder_swap").unwrap(),
            state: DueState::Current,
            due: trigger.due,
            governing_trigger: Some(trigger.kind.clone()),
            reason: None,
            act_by: trigger.due.map(|due| due.likely),
            triggers: vec![trigger],
            safety: false,
            last_service: last_service.map(utc),
            computed_at: utc("2026-03-02T00:00:00Z"),
        }
    }

    fn gauge(count: i64, likely: &str) -> DueItem {
        let at = |day| Sample { at: utc("2026-02-01T06:00:00Z") + TimeDelta::days(day), value: 100.0 };
        let samples: Vec<Sample> = (0..count).map(at).collect();
        let evidence = Evidence { readings: Some(ReadingsUsed::of(&samples)), ..Evidence::default() };
        item(trigger("contents", Some("gauge_bar"), likely, evidence), None)
    }

    fn hours(used: f64, booked: f64, likely: &str) -> DueItem {
        let evidence = Evidence::default().with("used", used, "h").with("booked_ahead", booked, "h");
        item(trigger("usage", Some("station_hours"), likely, evidence), None)
    }

    fn calendar(last_service: Option<&str>, likely: &str) -> DueItem {
        item(trigger("calendar", None, likely, Evidence::default()), last_service)
    }

    fn told(old: &DueItem, new: &DueItem) -> (Vec<Cause>, String) {
        let moved = between(old, new, Tz::UTC).unwrap();
        assert_eq!((moved.from, moved.from_state), (old.due, old.state));
        (moved.reasons.iter().map(|reason| reason.cause).collect(), moved.detail)
    }

    #[test]
    fn a_forecast_that_trembles_has_not_moved() {
        let old = gauge(10, "2026-03-20T00:00:00Z");
        assert_eq!(between(&old, &gauge(11, "2026-03-20T01:00:00Z"), Tz::UTC), None);
        assert!(between(&old, &gauge(11, "2026-03-20T01:00:01Z"), Tz::UTC).is_some());
    }

    #[test]
    fn new_readings_are_counted() {
        let (causes, detail) = told(&gauge(10, "2026-03-20T00:00:00Z"), &gauge(24, "2026-03-17T00:00:00Z"));
        assert_eq!(causes, [Cause::Reading]);
        assert_eq!(detail, "moved 3 days earlier: 14 new readings of gauge_bar");
        let (causes, detail) = told(&gauge(24, "2026-03-17T00:00:00Z"), &gauge(23, "2026-03-18T00:00:00Z"));
        assert_eq!(causes, [Cause::Reading]);
        assert_eq!(detail, "moved 24 hours later: a reading of gauge_bar less");
    }

    #[test]
    fn a_service_comes_before_the_readings_that_it_leaves_out() {
        let old = gauge(24, "2026-03-17T00:00:00Z");
        let new =
            DueItem { last_service: Some(utc("2026-03-01T10:00:00Z")), ..gauge(2, "2026-05-01T00:00:00Z") };
        let (causes, detail) = told(&old, &new);
        assert_eq!(causes, [Cause::Service, Cause::Reading]);
        assert!(detail.starts_with("moved 45 days later: a service of Sun 1 Mar 2026 counts; "), "{detail}");
        let (causes, detail) = told(&new, &old);
        assert_eq!(causes[0], Cause::Service);
        assert!(detail.contains("was corrected or withdrawn"), "{detail}");
    }

    #[test]
    fn cancelled_hours_are_told_and_hours_that_were_worked_are_not() {
        let old = hours(480.0, 16.0, "2026-03-20T00:00:00Z");
        let (causes, detail) = told(&old, &hours(480.0, 8.0, "2026-03-24T00:00:00Z"));
        assert_eq!(causes, [Cause::Booking]);
        assert_eq!(detail, "moved 4 days later: 8 h less are booked or were used");
        // Eight of the booked hours are past by now: only time has passed.
        let mut later = hours(488.0, 8.0, "2026-03-21T00:00:00Z");
        later.computed_at += TimeDelta::days(1);
        assert_eq!(told(&old, &later).0, [Cause::Time]);
    }

    #[test]
    fn time_makes_due_what_the_calendar_said() {
        let old = calendar(Some("2026-01-02T00:00:00Z"), "2026-03-05T00:00:00Z");
        let mut new = old.clone();
        new.state = DueState::Approaching;
        new.computed_at += TimeDelta::days(1);
        let (causes, detail) = told(&old, &new);
        assert_eq!(causes, [Cause::Time]);
        assert_eq!(detail, "went from current to approaching: nothing but time has passed");
        // No time moves such a date: something else was changed.
        let mut moved = calendar(Some("2026-01-02T00:00:00Z"), "2026-03-05T23:00:00Z");
        moved.computed_at += TimeDelta::days(1);
        assert_eq!(told(&old, &moved).0, [Cause::Part]);
    }

    #[test]
    fn a_changed_rule_is_told_where_its_version_was_noted() {
        let mut old = calendar(None, "2026-03-05T00:00:00Z");
        let new = DueItem { rule_version: 2, ..calendar(None, "2026-09-05T00:00:00Z") };
        assert_eq!(told(&old, &new).0, [Cause::Rule]);
        old.rule_version = 0;
        assert_eq!(told(&old, &new).0, [Cause::Part]);
    }

    #[test]
    fn a_date_that_is_gone_is_told() {
        let old = gauge(10, "2026-03-20T00:00:00Z");
        let mut new = gauge(9, "2026-03-20T00:00:00Z");
        (new.due, new.state, new.governing_trigger) = (None, DueState::Unknown, None);
        (new.triggers[0].due, new.triggers[0].known, new.triggers[0].governs) = (None, false, false);
        let (causes, detail) = told(&old, &new);
        assert_eq!(causes, [Cause::Reading]);
        assert_eq!(detail, "has no date any more: a reading of gauge_bar less");
    }
}
