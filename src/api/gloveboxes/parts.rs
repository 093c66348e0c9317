//! The parts of a glovebox as callers write them.

use crate::api::fields::{Identity, PartName, Present, count, refer, word};
use crate::domain::facility::{
    Antechamber, Instrument, LevelLimits, Limits, ParseContext, Purifier, SolventClass, SolventRules,
    Station, ThingKind,
};
use crate::domain::ids::GasSupplyId;
use crate::domain::physics::STANDARD_ATMOSPHERE_MBAR;
use crate::domain::quantity::{CubicMetresPerHour, Litres, Millibar, Minutes, Moles, Ppm};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Longest refill, hold or measured cycle, min: a day, of our own choosing.
const LONGEST_STEP_MINUTES: f64 = 1440.0;

/// A working place at a box as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"tag": "S1", "name": "Left, window side", "port_pairs": 1}))]
pub(crate) struct StationForm {
    /// Its id, to change one that is there; a tag that is there does the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) id: Option<Uuid>,
    /// Tag, unique within the box; S1, S2, … unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    pub(super) tag: Option<String>,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// Pairs of glove ports: 1 to 8.
    #[serde(default = "one")]
    port_pairs: u32,
}

const fn one() -> u32 {
    1
}

impl StationForm {
    pub(super) fn parse(
        &self,
        context: &mut dyn ParseContext,
        present: &Present,
        tag: &str,
    ) -> Result<Station, Violations> {
        let mut check = Check::default();
        let name = PartName { id: self.id, tag, name: self.name.as_deref() };
        let part = present.identify(&mut check, context, &name);
        let port_pairs = count(&mut check, "port_pairs", self.port_pairs, 1..=8);
        let station = part.zip(port_pairs).map(|(Identity { id, tag, name }, port_pairs)| Station {
            id: id.into(),
            tag,
            name,
            port_pairs,
        });
        check.build(station, |station| station)
    }

    pub(super) fn of(station: &Station) -> Self {
        Self {
            id: Some(station.id.uuid()),
            tag: Some(station.tag.to_string()),
            name: Some(station.name.to_string()),
            port_pairs: station.port_pairs.into(),
        }
    }
}

/// An antechamber as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "LARGE", "name": "Large antechamber", "volume_l": 40.0, "pump_speed_m3_h": 12.0,
    "ultimate_mbar": 0.05, "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "hold_minutes": 2.0
}))]
pub(crate) struct AntechamberForm {
    /// Its id, to change one that is there; a tag that is there does the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) id: Option<Uuid>,
    /// Tag, unique within the box.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    pub(super) tag: String,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// Inner volume, litres.
    volume_l: f64,
    /// Pumping speed at the chamber, taken as constant, m³/h.
    pump_speed_m3_h: f64,
    /// The lowest pressure that the pump reaches there, mbar.
    ultimate_mbar: f64,
    /// The pressure that each cycle evacuates to, mbar; above the ultimate pressure.
    evacuate_to_mbar: f64,
    /// Evacuate-and-refill cycles that a compact sample takes: 1 to 50.
    cycles: u32,
    /// Time to refill, min.
    refill_minutes: f64,
    /// Time held under vacuum in each cycle, min.
    #[serde(default)]
    hold_minutes: f64,
    /// Measured length of one cycle, min, which wins over the computed one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    measured_cycle_minutes: Option<f64>,
}

fn step(check: &mut Check, field: &str, minutes: f64) -> Option<Minutes> {
    let parsed = check.field(field, Minutes::new(minutes))?;
    if parsed.get() > LONGEST_STEP_MINUTES {
        let detail = format!("must be at most {LONGEST_STEP_MINUTES} min, not {minutes}");
        check.note(Violation::new(field, "too_large", detail));
    }
    Some(parsed)
}

impl AntechamberForm {
    pub(super) fn parse(
        &self,
        context: &mut dyn ParseContext,
        present: &Present,
    ) -> Result<Antechamber, Violations> {
        let mut check = Check::default();
        let name = PartName { id: self.id, tag: &self.tag, name: self.name.as_deref() };
        let part = present.identify(&mut check, context, &name);
        let volume = check.field("volume_l", Litres::new(self.volume_l));
        let pump_speed = check.field("pump_speed_m3_h", CubicMetresPerHour::new(self.pump_speed_m3_h));
        let ultimate = check.field("ultimate_mbar", Millibar::new(self.ultimate_mbar));
        let evacuate_to = check.field("evacuate_to_mbar", Millibar::new(self.evacuate_to_mbar));
        if let (Some(ultimate), Some(evacuate_to)) = (ultimate, evacuate_to) {
            reachable(&mut check, ultimate, evacuate_to);
        }
        let cycles = count(&mut check, "cycles", self.cycles, 1..=50);
        let refill = step(&mut check, "refill_minutes", self.refill_minutes);
        let hold = step(&mut check, "hold_minutes", self.hold_minutes);
        let measured_cycle = match self.measured_cycle_minutes {
            None => Some(None),
            Some(minutes) => {
                check.require(
                    minutes != 0.0,
                    "measured_cycle_minutes",
                    "too_small",
                    "must be more than 0 min",
                );
                step(&mut check, "measured_cycle_minutes", minutes).map(Some)
            }
        };
        let chamber = (|| {
            let Identity { id, tag, name } = part?;
            Some(Antechamber {
                id: id.into(),
                tag,
                name,
                volume: volume?,
                pump_speed: pump_speed?,
                ultimate: ultimate?,
                evacuate_to: evacuate_to?,
                cycles: cycles?,
                refill: refill?,
                hold: hold?,
                measured_cycle: measured_cycle?,
            })
        })();
        check.build(chamber, |chamber| chamber)
    }

    pub(super) fn of(chamber: &Antechamber) -> Self {
        Self {
            id: Some(chamber.id.uuid()),
            tag: chamber.tag.to_string(),
            name: Some(chamber.name.to_string()),
            volume_l: chamber.volume.get(),
            pump_speed_m3_h: chamber.pump_speed.get(),
            ultimate_mbar: chamber.ultimate.get(),
            evacuate_to_mbar: chamber.evacuate_to.get(),
            cycles: chamber.cycles.into(),
            refill_minutes: chamber.refill.get(),
            hold_minutes: chamber.hold.get(),
            measured_cycle_minutes: chamber.measured_cycle.map(Minutes::get),
        }
    }
}

/// Notes a pressure to evacuate to that the pump never reaches or that is no vacuum.
fn reachable(check: &mut Check, ultimate: Millibar, evacuate_to: Millibar) {
    let above = evacuate_to > ultimate;
    let detail = format!("must be above the ultimate pressure of the pump, {ultimate}");
    check.require(above, "evacuate_to_mbar", "not_above_ultimate_pressure", detail);
    let vacuum = evacuate_to.get() < STANDARD_ATMOSPHERE_MBAR;
    let detail = format!("must be below {STANDARD_ATMOSPHERE_MBAR} mbar, or nothing is evacuated");
    check.require(vacuum, "evacuate_to_mbar", "too_large", detail);
}

/// An instrument inside a box as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"tag": "BALANCE", "name": "Analytical balance"}))]
pub(crate) struct InstrumentForm {
    /// Its id, to change one that is there; a tag that is there does the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) id: Option<Uuid>,
    /// Tag, unique within the box.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    pub(super) tag: String,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
}

impl InstrumentForm {
    pub(super) fn parse(
        &self,
        context: &mut dyn ParseContext,
        present: &Present,
    ) -> Result<Instrument, Violations> {
        let mut check = Check::default();
        let name = PartName { id: self.id, tag: &self.tag, name: self.name.as_deref() };
        let part = present.identify(&mut check, context, &name);
        check.build(part, |Identity { id, tag, name }| Instrument { id: id.into(), tag, name })
    }

    pub(super) fn of(instrument: &Instrument) -> Self {
        Self {
            id: Some(instrument.id.uuid()),
            tag: instrument.tag.to_string(),
            name: Some(instrument.name.to_string()),
        }
    }
}

/// The purifier of a box and its circulation loop as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "circulation_m3_h": 60.0, "columns": 1, "oxygen_capacity_mol": 1.5, "water_capacity_mol": 60.0,
    "solvents": {"circulation_off": ["halogenated", "amine", "thiol", "unknown"], "refused": ["phosphine"]}
}))]
pub(crate) struct PurifierForm {
    /// Its id, under which readings of the circulation come in; set by drykeep.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    id: Option<Uuid>,
    /// Gas circulated through it, m³/h.
    circulation_m3_h: f64,
    /// Columns: 1 to 4. With one, the box has no purification while it regenerates.
    #[serde(default = "one")]
    columns: u32,
    /// Rated oxygen capacity, mol; not known unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    oxygen_capacity_mol: Option<f64>,
    /// Rated water capacity, mol; not known unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    water_capacity_mol: Option<f64>,
    /// What becomes of work with solvents.
    #[serde(default)]
    solvents: SolventsForm,
    /// Id or tag of the supply of the gas it is regenerated with, of which one
    /// regeneration at a time draws; not known unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    regeneration_supply: Option<String>,
}

/// Which classes of solvent a purifier's rules concern, of `hydrocarbon`,
/// `ether`, `alcohol`, `nitrile`, `carbonyl`, `halogenated`, `amine`, `thiol`,
/// `phosphine`, `sulfur` and `unknown`.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"circulation_off": ["halogenated", "amine"], "refused": ["phosphine"]}))]
pub(crate) struct SolventsForm {
    /// Work with these runs with the circulation off and a purge after it.
    /// Unless given: halogenated, amine, thiol, phosphine, sulfur and unknown,
    /// which poison a copper catalyst (common practice) or may.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    circulation_off: Option<Vec<String>>,
    /// Work with these is not allowed in the box at all; none unless given.
    #[serde(default)]
    refused: Vec<String>,
}

impl PurifierForm {
    /// Parses it; `current` is the id of the purifier that is there.
    pub(super) fn parse(
        &self,
        context: &mut dyn ParseContext,
        current: Option<Uuid>,
    ) -> Result<Purifier, Violations> {
        let mut check = Check::default();
        if self.id.is_some() && self.id != current {
            let detail = "is not the id of this box's purifier; leave it out";
            check.note(Violation::new("id", "unknown_reference", detail));
        }
        let circulation = check.field("circulation_m3_h", CubicMetresPerHour::new(self.circulation_m3_h));
        let columns = count(&mut check, "columns", self.columns, 1..=4);
        let mut capacity = |field: &str, amount: Option<f64>| {
            check.require(amount != Some(0.0), field, "too_small", "must be more than 0 mol");
            check.field(field, amount.map(Moles::new).transpose())
        };
        let oxygen_capacity = capacity("oxygen_capacity_mol", self.oxygen_capacity_mol);
        let water_capacity = capacity("water_capacity_mol", self.water_capacity_mol);
        let solvents = check.part("solvents", self.solvents.parse());
        let regeneration_supply =
            self.regeneration_supply.as_ref().and_then(|text| regeneration_supply(&mut check, context, text));
        let purifier = (|| {
            Some(Purifier {
                id: current.unwrap_or_else(|| context.fresh_id()).into(),
                circulation: circulation?,
                columns: columns?,
                oxygen_capacity: oxygen_capacity?,
                water_capacity: water_capacity?,
                solvents: solvents?,
                regeneration_supply,
            })
        })();
        check.build(purifier, |purifier| purifier)
    }

    pub(super) fn of(purifier: &Purifier) -> Self {
        Self {
            id: Some(purifier.id.uuid()),
            circulation_m3_h: purifier.circulation.get(),
            columns: purifier.columns.into(),
            oxygen_capacity_mol: purifier.oxygen_capacity.map(Moles::get),
            water_capacity_mol: purifier.water_capacity.map(Moles::get),
            solvents: SolventsForm::of(&purifier.solvents),
            regeneration_supply: purifier.regeneration_supply.map(|id| id.to_string()),
        }
    }
}

/// The supply named, which must hold a mixture for regeneration.
fn regeneration_supply(check: &mut Check, context: &mut dyn ParseContext, text: &str) -> Option<GasSupplyId> {
    const FIELD: &str = "regeneration_supply";
    let id: GasSupplyId = refer(check, context, ThingKind::GasSupply, FIELD, text)?;
    let mixture = context.supplied_gas(id).is_some_and(|gas| gas.working_gas().is_none());
    check.require(mixture, FIELD, "gas_mismatch", "holds no mixture for regeneration");
    Some(id)
}

fn classes(check: &mut Check, field: &str, words: &[String]) -> Vec<SolventClass> {
    let mut classes = Vec::new();
    for (i, text) in words.iter().enumerate() {
        let field = format!("{field}[{i}]");
        let class = word(check, &field, text, &SolventClass::ALL, SolventClass::word);
        classes.extend(class.filter(|class| !classes.contains(class)));
    }
    classes
}

impl SolventsForm {
    fn parse(&self) -> Result<SolventRules, Violations> {
        let mut check = Check::default();
        let circulation_off = match &self.circulation_off {
            None => SolventRules::default().circulation_off,
            Some(words) => classes(&mut check, "circulation_off", words),
        };
        let refused = classes(&mut check, "refused", &self.refused);
        check.finish(|| SolventRules { circulation_off, refused })
    }

    fn of(rules: &SolventRules) -> Self {
        let words = |classes: &[SolventClass]| classes.iter().map(|class| class.word().to_owned()).collect();
        Self { circulation_off: Some(words(&rules.circulation_off)), refused: words(&rules.refused) }
    }
}

/// The levels of a box that call for attention and for action, as callers write them.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "oxygen_ppm": {"caution": 10.0, "action": 100.0}, "water_ppm": {"caution": 10.0, "action": 500.0}
}))]
pub(crate) struct LimitsForm {
    /// Oxygen, mole-ppm; caution 10, action 100 unless given (common practice).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    oxygen_ppm: Option<LevelsForm>,
    /// Water, mole-ppm; caution 10, action 500 unless given (common practice).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    water_ppm: Option<LevelsForm>,
}

/// The two levels of one quantity.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"caution": 10.0, "action": 100.0}))]
pub(crate) struct LevelsForm {
    /// From here on the keeper should look; not above `action`.
    caution: f64,
    /// From here on the box is closed to use.
    action: f64,
}

impl LevelsForm {
    fn parse(&self) -> Result<LevelLimits, Violations> {
        let mut check = Check::default();
        let caution = check.field("caution", Ppm::new(self.caution));
        let action = check.field("action", Ppm::new(self.action));
        let limits = caution
            .zip(action)
            .and_then(|(caution, action)| check.part("", LevelLimits::new(caution, action)));
        check.build(limits, |limits| limits)
    }

    fn of(limits: LevelLimits) -> Self {
        Self { caution: limits.caution.get(), action: limits.action.get() }
    }
}

impl LimitsForm {
    pub(super) fn parse(&self) -> Result<Limits, Violations> {
        let mut check = Check::default();
        let default = Limits::default();
        let mut levels = |field: &str, form: &Option<LevelsForm>, otherwise| match form {
            None => Some(otherwise),
            Some(form) => check.part(field, form.parse()),
        };
        let oxygen = levels("oxygen_ppm", &self.oxygen_ppm, default.oxygen_ppm);
        let water = levels("water_ppm", &self.water_ppm, default.water_ppm);
        check.build(oxygen.zip(water), |(oxygen_ppm, water_ppm)| Limits { oxygen_ppm, water_ppm })
    }

    pub(super) fn of(limits: &Limits) -> Self {
        Self {
            oxygen_ppm: Some(LevelsForm::of(limits.oxygen_ppm)),
            water_ppm: Some(LevelsForm::of(limits.water_ppm)),
        }
    }
}
