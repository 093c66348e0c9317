//! Rules to start from. A site changes them to what its makers' manuals, its
//! own experience and its rules at work say.
//!
//! Every figure here is a starting value: intervals and limits are common
//! practice without a source, or from memory where marked.

use super::rules::{
    AppliesTo, Calendar, Closes, Consumable, Limit, Meter, PartKind, Species, Trigger, UpkeepRule,
};
use crate::domain::calendar::{Length, Span};
use crate::domain::facility::MeasuredQuantity;
use crate::domain::names::{Name, Word};
use crate::domain::quantity::Fraction;

/// The task of changing a gas cylinder, which supplies count from.
pub const CYLINDER_SWAP: &str = "cylinder_swap";
/// The task of testing a box for leaks; a box that fails is closed to use.
pub const LEAK_TEST: &str = "leak_test";

const WRITTEN_OUT: &str = "a constant that passes its own check";

fn every(span: &str) -> Trigger {
    Trigger::Calendar(Calendar::Every { every: Span::parse(span).expect(WRITTEN_OUT) })
}

fn usage(meter: Meter, limit: f64) -> Trigger {
    Trigger::Usage { meter, limit: Limit::new(limit).expect(WRITTEN_OUT) }
}

fn above(quantity: MeasuredQuantity, limit: f64, sustained: &str) -> Trigger {
    Trigger::Condition {
        quantity,
        limit: Limit::new(limit).expect(WRITTEN_OUT),
        sustained: Some(length(sustained)),
    }
}

fn length(text: &str) -> Length {
    Length::parse(text).expect(WRITTEN_OUT)
}

fn word(text: &str) -> Word {
    Word::parse(text).expect(WRITTEN_OUT)
}

/// A rule without consumables for one person who needs no qualification.
fn rule(task: &str, kind: PartKind, duration: &str, closes: Closes, triggers: Vec<Trigger>) -> UpkeepRule {
    UpkeepRule {
        task: word(task),
        applies_to: AppliesTo::all(kind),
        triggers,
        duration: length(duration),
        unattended: None,
        finish: None,
        purge_dilution: None,
        closes,
        people: 1,
        competence: None,
        consumables: Vec::new(),
        approach: length("P30D"),
        safety: false,
    }
}

fn using(rule: UpkeepRule, stock_item: &str) -> UpkeepRule {
    let one = Consumable {
        stock_item: Name::parse(stock_item).expect(WRITTEN_OUT),
        quantity: Limit::new(1.0).expect(WRITTEN_OUT),
    };
    UpkeepRule { consumables: vec![one], ..rule }
}

/// One rule for each of the twelve usual tasks.
pub fn default_rules() -> Vec<UpkeepRule> {
    let mut rules = vec![purifier_regeneration(), glove_change(), cylinder_swap()];
    rules.extend(yearly_care());
    rules.extend(tests_and_seals());
    rules
}

/// Regeneration at 80 % of rated uptake, at 10 ppm for six hours, or after
/// six months (common practice, no source); 1.5 h of attendance and 16 h by
/// itself (from memory).
fn purifier_regeneration() -> UpkeepRule {
    let share = Fraction::new(0.8).expect(WRITTEN_OUT);
    let triggers = vec![
        Trigger::Uptake { species: Species::Oxygen, fraction: share },
        Trigger::Uptake { species: Species::Water, fraction: share },
        above(MeasuredQuantity::OxygenPpm, 10.0, "PT6H"),
        above(MeasuredQuantity::WaterPpm, 10.0, "PT6H"),
        every("P6M"),
    ];
    let regeneration =
        rule("purifier_regeneration", PartKind::Purifier, "PT1H30M", Closes::WholeBox, triggers);
    using(
        UpkeepRule {
            unattended: Some(length("PT16H")),
            finish: Some(length("PT30M")),
            competence: Some(word("purifier_regeneration")),
            ..regeneration
        },
        "regeneration gas",
    )
}

/// Gloves after 500 h at a station or a year (common practice, no source).
fn glove_change() -> UpkeepRule {
    let triggers =
        vec![usage(Meter::StationHours, 500.0), every("P12M"), Trigger::Finding { after: Vec::new() }];
    let gloves = rule("glove_change", PartKind::Station, "PT1H", Closes::Station, triggers);
    // Two orders of magnitude by dilution, the rest by the purifier: common practice, no source.
    let gloves = UpkeepRule { competence: Some(word("glove_change")), purge_dilution: Some(100.0), ..gloves };
    using(gloves, "glove pair")
}

/// A cylinder when it is down to the supply's changeover pressure.
fn cylinder_swap() -> UpkeepRule {
    let swap =
        rule(CYLINDER_SWAP, PartKind::GasSupply, "PT30M", Closes::SuppliedBoxes, vec![Trigger::Contents]);
    let swap = UpkeepRule { approach: length("P7D"), competence: Some(word(CYLINDER_SWAP)), ..swap };
    using(swap, "full cylinder")
}

/// What wears by use and by the year: pump oil after 3000 h; a filter at
/// 5 mbar (from memory); a solvent trap after 200 h with solvents (from
/// memory) or six months; sensors and regulators by the year.
fn yearly_care() -> Vec<UpkeepRule> {
    vec![
        using(
            rule(
                "pump_oil_change",
                PartKind::Antechamber,
                "PT1H",
                Closes::Antechambers,
                vec![usage(Meter::PumpHours, 3000.0), every("P12M")],
            ),
            "pump oil",
        ),
        using(
            rule(
                "filter_change",
                PartKind::Glovebox,
                "PT1H",
                Closes::WholeBox,
                vec![above(MeasuredQuantity::FilterPressureMbar, 5.0, "PT1H"), every("P12M")],
            ),
            "filter",
        ),
        using(
            rule(
                "solvent_trap_change",
                PartKind::Purifier,
                "PT1H",
                Closes::Circulation,
                vec![usage(Meter::SolventHours, 200.0), every("P6M")],
            ),
            "activated carbon",
        ),
        using(
            rule("oxygen_sensor_service", PartKind::Glovebox, "PT1H", Closes::Nothing, vec![every("P12M")]),
            "oxygen cell",
        ),
        using(
            rule("moisture_sensor_service", PartKind::Glovebox, "PT1H", Closes::Nothing, vec![every("P12M")]),
            "moisture cell",
        ),
        rule("regulator_inspection", PartKind::GasSupply, "PT30M", Closes::Nothing, vec![every("P12M")]),
    ]
}

/// Leak tests every six months and after work on gloves and seals; door
/// seals every two years (from memory) or when found worn; the room's oxygen
/// monitor every three months, on which people's safety depends.
fn tests_and_seals() -> Vec<UpkeepRule> {
    let after = vec![word("glove_change"), word("door_seal_change")];
    let monitor = rule("room_monitor_test", PartKind::Room, "PT30M", Closes::Nothing, vec![every("P3M")]);
    vec![
        rule(
            LEAK_TEST,
            PartKind::Glovebox,
            "PT2H",
            Closes::WholeBox,
            vec![every("P6M"), Trigger::Finding { after }],
        ),
        using(
            rule(
                "door_seal_change",
                PartKind::Antechamber,
                "PT1H",
                Closes::Antechambers,
                vec![every("P24M"), Trigger::Finding { after: Vec::new() }],
            ),
            "door seal",
        ),
        using(UpkeepRule { safety: true, approach: length("P14D"), ..monitor }, "test gas"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn there_is_one_sound_rule_for_each_usual_task() {
        let rules = default_rules();
        for rule in &rules {
            assert!(rule.check().is_ok(), "{}", rule.task);
        }
        let tasks: BTreeSet<&str> = rules.iter().map(|rule| rule.task.as_str()).collect();
        let expected = [
            "purifier_regeneration",
            "glove_change",
            "cylinder_swap",
            "pump_oil_change",
            "filter_change",
            "solvent_trap_change",
            "oxygen_sensor_service",
            "moisture_sensor_service",
            "leak_test",
            "door_seal_change",
            "regulator_inspection",
            "room_monitor_test",
        ];
        assert_eq!(tasks, BTreeSet::from(expected));
        assert_eq!(rules.len(), expected.len());
    }

    #[test]
    fn rules_survive_their_json() {
        for rule in default_rules() {
            let text = serde_json::to_string(&rule).unwrap();
            assert_eq!(serde_json::from_str::<UpkeepRule>(&text).unwrap(), rule);
        }
    }
}
