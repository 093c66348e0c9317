//! Tests of due items.

use super::super::rules::{AppliesTo, Closes, Limit};
use super::super::trend::Sample;
use super::*;
use crate::domain::calendar::{Length, Span};
use proptest::prelude::*;
use uuid::Uuid;

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn word(text: &str) -> Word {
    Word::parse(text).unwrap()
}

fn every(span: &str) -> Trigger {
    Trigger::Calendar(Calendar::Every { every: Span::parse(span).unwrap() })
}

fn rule(task: &str, kind: PartKind, triggers: Vec<Trigger>) -> UpkeepRule {
    UpkeepRule {
        task: word(task),
        applies_to: AppliesTo::all(kind),
        triggers,
        duration: Length::parse("PT1H").unwrap(),
        unattended: None,
        finish: None,
        purge_dilution: None,
        closes: Closes::Nothing,
        people: 1,
        competence: None,
        consumables: Vec::new(),
        approach: Length::parse("P14D").unwrap(),
        safety: false,
    }
}

fn part(kind: PartKind) -> Subject {
    Subject {
        id: Uuid::from_u128(7).into(),
        kind,
        tag: "LYNX".to_owned(),
        glovebox: None,
        created_at: utc("2025-01-01T09:00:00Z"),
    }
}

fn done(task: &str, at: &str) -> ServiceNote {
    ServiceNote {
        relation: Relation::Itself,
        task: word(task),
        done_at: utc(at),
        failed: false,
        calls_for: Vec::new(),
        replaced: false,
        restarts: None,
    }
}

fn with_services(services: Vec<ServiceNote>) -> History {
    History { services, ..History::empty(Tz::Europe__Berlin) }
}

fn item(rule: &UpkeepRule, history: &History, now: &str) -> DueItem {
    compute(Uuid::nil().into(), rule, &part(rule.applies_to.kind), history, utc(now))
}

/// Six calendar months on the wall in Berlin: from 10:00 CET (09:00 UTC) on
/// 15 January to 10:00 CEST (08:00 UTC) on 15 July.
#[test]
fn the_calendar_counts_from_the_last_service_by_the_wall() {
    let rule = rule("leak_test", PartKind::Glovebox, vec![every("P6M")]);
    let history = with_services(vec![
        done("leak_test", "2026-01-15T09:00:00Z"),
        done("leak_test", "2025-06-01T09:00:00Z"),
        done("filter_change", "2026-02-15T09:00:00Z"),
        done("leak_test", "2026-12-31T09:00:00Z"),
    ]);
    let state = |now: &str| {
        let item = item(&rule, &history, now);
        assert_eq!(item.due, Some(DueDates::certain(utc("2026-07-15T08:00:00Z"))));
        item.state
    };
    assert_eq!(state("2026-06-30T08:00:00Z"), DueState::Current);
    assert_eq!(state("2026-07-01T08:00:00Z"), DueState::Approaching);
    assert_eq!(state("2026-07-14T21:59:59Z"), DueState::Approaching);
    assert_eq!(state("2026-07-14T22:00:00Z"), DueState::Due);
    assert_eq!(state("2026-07-15T21:59:59Z"), DueState::Due);
    assert_eq!(state("2026-07-15T22:00:00Z"), DueState::Overdue);
}

#[test]
fn without_a_service_the_entry_of_the_part_counts_and_that_is_said() {
    let rule = rule("leak_test", PartKind::Glovebox, vec![every("P1Y")]);
    let found = item(&rule, &with_services(Vec::new()), "2026-06-01T00:00:00Z");
    assert_eq!(found.due, Some(DueDates::certain(utc("2026-01-01T09:00:00Z"))));
    assert_eq!((found.state, found.last_service), (DueState::Overdue, None));
    assert!(found.triggers[0].evidence.notes[0].contains("no service is on record"));
}

#[test]
fn whichever_trigger_comes_first_governs_and_the_others_stay_visible() {
    let usage = Trigger::Usage { meter: Meter::StationHours, limit: Limit::new(8.0).unwrap() };
    let rule = rule("glove_change", PartKind::Station, vec![every("P2Y"), usage]);
    let mut history = with_services(vec![done("glove_change", "2026-05-30T00:00:00Z")]);
    history.use_of.insert(
        Meter::StationHours,
        vec![Interval::new(utc("2026-06-02T08:00:00Z"), utc("2026-06-02T18:00:00Z")).unwrap()],
    );
    let found = item(&rule, &history, "2026-06-01T00:00:00Z");
    assert_eq!(found.governing_trigger.as_deref(), Some("usage"));
    assert_eq!(found.due.unwrap().likely, utc("2026-06-02T16:00:00Z"));
    assert!(found.triggers[0].due.is_some() && !found.triggers[0].governs && found.triggers[1].governs);
}

#[test]
fn what_the_data_cannot_carry_is_unknown_with_the_reason() {
    let uptake = Trigger::Uptake { species: Species::Oxygen, fraction: Fraction::new(0.8).unwrap() };
    let condition = Trigger::Condition {
        quantity: MeasuredQuantity::OxygenPpm,
        limit: Limit::new(10.0).unwrap(),
        sustained: None,
    };
    let mut rule = rule("purifier_regeneration", PartKind::Purifier, vec![uptake, condition]);
    let found = item(&rule, &with_services(Vec::new()), "2026-06-01T00:00:00Z");
    assert_eq!((found.state, found.due, found.act_by), (DueState::Unknown, None, None));
    let reason = found.reason.unwrap();
    assert!(reason.contains("uptake") && reason.contains("no reading of oxygen_ppm"), "{reason}");
    // A calendar beside them gives a date, and the unknown ones remain to be seen.
    rule.triggers.push(every("P6M"));
    let found = item(&rule, &with_services(Vec::new()), "2025-02-01T00:00:00Z");
    assert_eq!(found.state, DueState::Current);
    assert!(!found.triggers[0].known && found.triggers[2].governs);
}

#[test]
fn findings_ask_for_a_task_until_it_is_done_well() {
    let trigger = Trigger::Finding { after: vec![word("glove_change")] };
    let rule = rule("leak_test", PartKind::Glovebox, vec![trigger]);
    let due = |services: Vec<ServiceNote>| {
        item(&rule, &with_services(services), "2026-06-01T00:00:00Z").due.map(|due| due.likely)
    };
    assert_eq!(due(Vec::new()), None);
    let gloves = ServiceNote { relation: Relation::Part, ..done("glove_change", "2026-05-01T00:00:00Z") };
    assert_eq!(due(vec![gloves.clone()]), Some(utc("2026-05-01T00:00:00Z")));
    let failed = ServiceNote { failed: true, ..done("leak_test", "2026-05-02T00:00:00Z") };
    assert_eq!(due(vec![failed.clone()]), Some(utc("2026-05-02T00:00:00Z")));
    assert_eq!(due(vec![gloves.clone(), failed.clone()]), Some(utc("2026-05-01T00:00:00Z")));
    assert_eq!(due(vec![gloves, failed, done("leak_test", "2026-05-03T00:00:00Z")]), None);
    let asked =
        ServiceNote { calls_for: vec![word("leak_test")], ..done("filter_change", "2026-05-04T00:00:00Z") };
    assert_eq!(due(vec![asked]), Some(utc("2026-05-04T00:00:00Z")));
}

#[test]
fn safety_acts_by_the_earliest_date() {
    let condition = Trigger::Condition {
        quantity: MeasuredQuantity::OxygenPpm,
        limit: Limit::new(10.0).unwrap(),
        sustained: None,
    };
    let mut rule = rule("oxygen_check", PartKind::Glovebox, vec![condition]);
    let mut history = with_services(Vec::new());
    let values = [1.0, 1.6, 1.9, 2.6, 2.9, 3.6, 3.9];
    let samples = (0_i64..)
        .zip(values)
        .map(|(day, value)| Sample { at: utc("2026-05-25T00:00:00Z") + TimeDelta::days(day), value });
    history
        .readings
        .insert(MeasuredQuantity::OxygenPpm, vec![SensorReadings::new("o2-1", samples.collect())]);
    let found = item(&rule, &history, "2026-06-01T00:00:00Z");
    let due = found.due.unwrap();
    assert!(due.earliest.unwrap() < due.likely);
    assert_eq!(found.act_by, Some(due.likely));
    rule.safety = true;
    assert_eq!(item(&rule, &history, "2026-06-01T00:00:00Z").act_by, due.earliest);
}

#[test]
fn an_item_survives_its_json() {
    let rule =
        rule("leak_test", PartKind::Glovebox, vec![every("P1Y"), Trigger::Finding { after: Vec::new() }]);
    let found = item(&rule, &with_services(Vec::new()), "2026-06-01T00:00:00Z");
    let text = serde_json::to_string(&found).unwrap();
    assert_eq!(serde_json::from_str::<DueItem>(&text).unwrap(), found);
}

proptest! {
    /// Later is never less pressing.
    #[test]
    fn states_only_become_more_pressing(
        act_by in 0_i64..4_000_000_000, approach in 1_i64..10_000_000, steps in prop::collection::vec(0_i64..100_000, 1..40),
        zone in prop::sample::select(vec![Tz::UTC, Tz::Europe__Berlin, Tz::America__Havana, Tz::Pacific__Apia]),
    ) {
        let act_by = DateTime::from_timestamp(act_by, 0).unwrap();
        let mut now = act_by - TimeDelta::days(10);
        let mut before = DueState::Current;
        for step in steps {
            let found = state(act_by, TimeDelta::seconds(approach), zone, now);
            prop_assert!(found >= before);
            before = found;
            now += TimeDelta::seconds(step);
        }
    }
}
