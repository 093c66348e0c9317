//! What would become of a room's oxygen if the gas kept there got out: a
//! screening estimate from the contents of cylinders and boxes as last known.
//! Knows nothing of where pressures are stored or who asks.

mod remarks;

use super::contents::mixture;
use super::evidence::{Evidence, digits};
use crate::domain::facility::{Cylinder, CylinderState, Room, SuppliedGas, WorkingGas};
use crate::domain::ids::{GasSupplyId, GloveboxId};
use crate::domain::names::Tag;
use crate::domain::physics::gas::{CylinderReading, GasError, METHOD, cylinder_content, released_volume_m3};
use crate::domain::physics::room_oxygen::{DEFICIENT_PERCENT, Release, RoomError, RoomOxygen, RoomRelease};
use crate::domain::quantity::{
    Bar, Celsius, CubicMetres, CubicMetresPerHour, GaugeBar, Litres, LitresPerMinute, Moles, PerHour, Percent,
};
use chrono::{DateTime, Utc};

/// Released gas is counted at this temperature, °C, and at one atmosphere.
pub const ROOM_C: f64 = 20.0;
/// Filling pressures are stated at this temperature, °C.
const FILLING_C: f64 = 15.0;
/// Standard atmosphere, bar.
const ATMOSPHERE_BAR: f64 = 1.013_25;
/// The most gas, m³, that a sum is carried to; far more than any room holds.
const MOST_M3: f64 = 1e6;

/// What the figures come from.
const MODEL: &str = "all at once, ventilation not counted: displacement 20.95*(V_room - V_gas)/V_room, and well mixed \
     20.95*exp(-V_gas/V_room); steadily: 20.95*Q/(Q + q) with fresh air Q = air changes * V_room; V_gas is \
     the contents at 20 °C and 1 atm";
/// Where the formulas and figures are from.
const SOURCE: &str = "displacement as in published university guidance on compressed gases, dilution and balance by \
     arithmetic; 19.5 % as oxygen-deficient by OSHA 29 CFR 1910.134; contents:";

/// A pressure as it was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureRead {
    /// The gauge.
    pub gauge: GaugeBar,
    /// When.
    pub at: DateTime<Utc>,
    /// Temperature of the gas then, read or as stated for the supply.
    pub temperature: Celsius,
    /// Whether the gauge is that of the supply, which its connected cylinders share.
    pub of_supply: bool,
}

/// A cylinder that stands, or may stand, in the room.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptCylinder {
    /// Its supply.
    pub supply: GasSupplyId,
    /// The supply's tag.
    pub supply_tag: Tag,
    /// What is in it.
    pub gas: SuppliedGas,
    /// The pressure at which it is changed.
    pub changeover: GaugeBar,
    /// The cylinder.
    pub cylinder: Cylinder,
    /// The last pressure that was read of its present filling.
    pub read: Option<PressureRead>,
    /// Whether the supply is on record as standing in this room; otherwise it
    /// has no room on record and feeds a box here.
    pub placed: bool,
}

/// A box that stands in the room.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptBox {
    /// Its id.
    pub id: GloveboxId,
    /// Its tag.
    pub tag: Tag,
    /// What it is filled with.
    pub gas: WorkingGas,
    /// Its inner volume.
    pub volume: Litres,
    /// Flow of fresh gas while purging.
    pub purge_flow: LitresPerMinute,
}

/// A room and the gas in it.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomGas {
    /// The room.
    pub room: Room,
    /// Cylinders that stand there, and those of supplies without a room that
    /// feed a box there.
    pub cylinders: Vec<KeptCylinder>,
    /// Boxes that stand there.
    pub boxes: Vec<KeptBox>,
    /// Supplies that stand in another room and feed a box here.
    pub fed_from_elsewhere: Vec<Tag>,
    /// Supplies that have no room on record and feed no box, so that they count nowhere.
    pub nowhere: Vec<Tag>,
}

/// What a cylinder's contents follow from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// A pressure read at the cylinder.
    Reading,
    /// A pressure read at the supply while the cylinder was connected.
    SupplyReading,
    /// Its filling pressure at 15 °C.
    Filling,
    /// The pressure at which it is changed, at 15 °C.
    Changeover,
}

impl Basis {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reading => "reading",
            Self::SupplyReading => "supply_reading",
            Self::Filling => "filling",
            Self::Changeover => "changeover",
        }
    }
}

/// A cylinder with what it holds.
#[derive(Debug, Clone, PartialEq)]
pub struct CountedCylinder {
    /// The cylinder and its supply.
    pub kept: KeptCylinder,
    /// What its contents follow from.
    pub basis: Basis,
    /// The pressure they follow from.
    pub gauge: GaugeBar,
    /// The temperature they follow from.
    pub temperature: Celsius,
    /// When that was read; `None` for a filling or changeover pressure.
    pub read_at: Option<DateTime<Utc>>,
    /// Amount of gas, mol.
    pub moles: f64,
    /// What it fills at 20 °C and 1 atm, m³.
    pub volume_m3: f64,
}

impl CountedCylinder {
    /// Whether the sums hold it; one recorded as empty is shown only.
    pub fn counted(&self) -> bool {
        self.kept.cylinder.state != CylinderState::Empty
    }
}

/// What gets out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScenarioKind {
    /// The largest single cylinder, all at once.
    LargestCylinder,
    /// All connected cylinders and the boxes, all at once.
    EverythingConnected,
    /// All cylinders connected, on standby and full, and the boxes, all at once.
    EverythingKept,
    /// A steady flow as large as the largest purge flow of a box here.
    BrokenLine,
}

impl ScenarioKind {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::LargestCylinder => "largest_cylinder",
            Self::EverythingConnected => "everything_connected",
            Self::EverythingKept => "everything_kept",
            Self::BrokenLine => "broken_line",
        }
    }
}

/// One way in which gas gets out, and the oxygen it leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// What gets out.
    pub kind: ScenarioKind,
    /// Whether fresh air is counted; the cases without come first.
    pub ventilated: bool,
    /// The case in words, with what it is about.
    pub what: String,
    /// Gas let out at once, m³ at 20 °C and 1 atm.
    pub released_m3: Option<f64>,
    /// The part of it from boxes, m³.
    pub boxes_m3: Option<f64>,
    /// Gas let out steadily, m³/h.
    pub release_m3_h: Option<f64>,
    /// The oxygen left.
    pub oxygen: RoomOxygen,
}

/// Something to know, with the facts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoomRemark {
    /// Stable code.
    pub code: &'static str,
    /// A sentence.
    pub text: String,
}

/// The screening estimate of a room.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomAssessment {
    /// Lowest oxygen, per cent, of the cases all at once, by displacement;
    /// `None` where no gas is on record.
    pub lowest_oxygen_percent: Option<f64>,
    /// The cases, those without ventilation first.
    pub scenarios: Vec<Scenario>,
    /// The cylinders with their contents.
    pub cylinders: Vec<CountedCylinder>,
    /// What to know, the gravest first; never empty.
    pub cautions: Vec<RoomRemark>,
    /// What the figures rest on.
    pub evidence: Evidence,
}

/// What would become of the oxygen in a room if the gas kept there got out.
///
/// `threshold` is the site's least oxygen.
pub fn assess(gas: &RoomGas, threshold: Percent) -> Result<RoomAssessment, RoomError> {
    let mut notes = Vec::new();
    let mut cylinders = Vec::new();
    for kept in &gas.cylinders {
        match counted(kept, &mut notes) {
            Ok(cylinder) => cylinders.push(cylinder),
            Err(error) => notes.push(format!(
                "the contents of {}/{} cannot be computed and are NOT counted: {error}",
                kept.supply_tag, kept.cylinder.tag
            )),
        }
    }
    let case = Case { room: &gas.room, threshold };
    let mut scenarios = case.sudden(&cylinders, &gas.boxes)?;
    scenarios.extend(case.steady(&gas.boxes, &mut notes)?);
    scenarios.sort_by_key(|scenario| scenario.ventilated);
    let sudden = scenarios.iter().filter(|scenario| scenario.released_m3.is_some());
    let lowest = sudden.map(|scenario| scenario.oxygen.lowest_oxygen_percent).reduce(f64::min);
    let cautions = remarks::cautions(gas, &scenarios);
    let mut evidence = Evidence::new(MODEL, &format!("{SOURCE} {METHOD}"))
        .with("room_volume", gas.room.volume.get(), "m³")
        .with("threshold", threshold.get(), "%");
    if let Some(changes) = gas.room.air_changes {
        evidence = evidence.with("air_changes", changes.get(), "per hour");
    }
    evidence.notes = notes;
    Ok(RoomAssessment { lowest_oxygen_percent: lowest, scenarios, cylinders, cautions, evidence })
}

/// What a cylinder holds: what was last read, else its filling. One in store
/// counts as full even where less was read, for the reading may be of its
/// former filling.
fn counted(kept: &KeptCylinder, notes: &mut Vec<String>) -> Result<CountedCylinder, GasError> {
    let filling_c = Celsius::new(FILLING_C).expect("a constant within range");
    let name = format!("{}/{}", kept.supply_tag, kept.cylinder.tag);
    let read = kept.read.and_then(|read| {
        let basis = if read.of_supply { Basis::SupplyReading } else { Basis::Reading };
        match held(kept, basis, read.gauge, read.temperature, Some(read.at)) {
            Ok(found) => Some(found),
            Err(error) => {
                notes.push(format!("{name}: a reading of {} cannot be used: {error}", read.gauge));
                None
            }
        }
    });
    let filled = || held(kept, Basis::Filling, kept.cylinder.fill, filling_c, None);
    match (kept.cylinder.state, read) {
        (CylinderState::Connected | CylinderState::Standby, Some(read)) => Ok(read),
        (CylinderState::Full, Some(read)) => {
            let filled = filled()?;
            if read.moles >= filled.moles {
                return Ok(read);
            }
            notes.push(format!(
                "{name} is on record as full: its filling counts, not the {} read",
                read.gauge
            ));
            Ok(filled)
        }
        (CylinderState::Empty, Some(read)) => Ok(read),
        (CylinderState::Empty, None) => held(kept, Basis::Changeover, kept.changeover, filling_c, None),
        (CylinderState::Connected | CylinderState::Standby | CylinderState::Full, None) => filled(),
    }
}

fn held(
    kept: &KeptCylinder,
    basis: Basis,
    gauge: GaugeBar,
    temperature: Celsius,
    read_at: Option<DateTime<Utc>>,
) -> Result<CountedCylinder, GasError> {
    let gas = mixture(kept.gas);
    let ambient = Bar::new(ATMOSPHERE_BAR).expect("a constant within range");
    let water_volume = kept.cylinder.water_volume;
    let moles = cylinder_content(&gas, &CylinderReading { water_volume, gauge, temperature, ambient })?.moles;
    let amount = Moles::new(moles).map_err(|_| GasError::TooMuchGas { moles })?;
    let room = Celsius::new(ROOM_C).expect("a constant within range");
    let volume_m3 = released_volume_m3(&gas, amount, room, ambient)?;
    Ok(CountedCylinder { kept: kept.clone(), basis, gauge, temperature, read_at, moles, volume_m3 })
}

/// The room that releases are looked at in.
struct Case<'a> {
    room: &'a Room,
    threshold: Percent,
}

impl Case<'_> {
    fn oxygen(&self, release: Release, air_changes: Option<PerHour>) -> Result<RoomOxygen, RoomError> {
        let threshold = Some(self.threshold);
        RoomRelease { room: self.room.volume, release, air_changes, threshold, gas: None }.assess()
    }

    /// The cases in which gas gets out all at once; ventilation does not count.
    fn sudden(&self, cylinders: &[CountedCylinder], boxes: &[KeptBox]) -> Result<Vec<Scenario>, RoomError> {
        let boxes_m3 = boxes.iter().map(|one| one.volume.get() / 1000.0).sum::<f64>();
        let counted = || cylinders.iter().filter(|one| one.counted());
        let total = |these: &dyn Fn(CylinderState) -> bool| {
            let these = counted().filter(|one| these(one.kept.cylinder.state));
            these.fold((0, 0.0), |(count, sum), one| (count + 1, sum + one.volume_m3))
        };
        let largest = counted().max_by(|a, b| a.volume_m3.total_cmp(&b.volume_m3));
        let (connected, connected_m3) = total(&|state| state == CylinderState::Connected);
        let (kept, kept_m3) = total(&|_| true);
        let inside = |count: usize, which: &str| {
            format!("{count} {which} and the gas inside {} at once", plural(boxes.len(), "box", "boxes"))
        };
        let mut cases = Vec::new();
        if let Some(largest) = largest {
            let what = format!(
                "the largest single cylinder, {}/{}, at once",
                largest.kept.supply_tag, largest.kept.cylinder.tag
            );
            cases.push((ScenarioKind::LargestCylinder, what, largest.volume_m3, 0.0));
        }
        let what =
            inside(connected, if connected == 1 { "connected cylinder" } else { "connected cylinders" });
        cases.push((ScenarioKind::EverythingConnected, what, connected_m3, boxes_m3));
        let what = inside(
            kept,
            if kept == 1 {
                "cylinder connected, on standby or full"
            } else {
                "cylinders connected, on standby or full"
            },
        );
        cases.push((ScenarioKind::EverythingKept, what, kept_m3, boxes_m3));
        let mut scenarios = Vec::new();
        for (kind, what, cylinders_m3, boxes_m3) in cases {
            let released = (cylinders_m3 + boxes_m3).min(MOST_M3);
            // Nothing of that kind is kept here.
            let Ok(volume) = CubicMetres::new(released) else { continue };
            scenarios.push(Scenario {
                kind,
                ventilated: false,
                what,
                released_m3: Some(released),
                boxes_m3: Some(boxes_m3),
                release_m3_h: None,
                oxygen: self.oxygen(Release::Sudden(volume), None)?,
            });
        }
        Ok(scenarios)
    }

    /// A broken line, with the ventilation failed and, where its air changes
    /// are known, running.
    fn steady(&self, boxes: &[KeptBox], notes: &mut Vec<String>) -> Result<Vec<Scenario>, RoomError> {
        let largest = boxes.iter().max_by(|a, b| a.purge_flow.get().total_cmp(&b.purge_flow.get()));
        let Some(largest) = largest else { return Ok(Vec::new()) };
        let litres = largest.purge_flow.get();
        let m3_h = litres * 60.0 / 1000.0;
        let Ok(flow) = CubicMetresPerHour::new(m3_h) else { return Ok(Vec::new()) };
        notes.push(format!(
            "a broken line is taken to let out the largest purge flow of a box here, {} L/min at {}; the real flow \
             may be larger, and it is followed without end, as if the supply never ran out",
            digits(litres),
            largest.tag
        ));
        let running = self.room.air_changes.filter(|changes| changes.get() > 0.0);
        if running.is_none() {
            notes.push(
                "no air changes are on record: there is no case with the ventilation running".to_owned(),
            );
        }
        std::iter::once(None)
            .chain(running.map(Some))
            .map(|changes: Option<PerHour>| {
                let how = match changes {
                    None => "with the ventilation failed".to_owned(),
                    Some(changes) => format!("with {} air changes an hour", digits(changes.get())),
                };
                Ok(Scenario {
                    kind: ScenarioKind::BrokenLine,
                    ventilated: changes.is_some(),
                    what: format!(
                        "a broken line at {}, {} m³/h without end, {how}",
                        largest.tag,
                        digits(m3_h)
                    ),
                    released_m3: None,
                    boxes_m3: None,
                    release_m3_h: Some(m3_h),
                    oxygen: self.oxygen(Release::Steady(flow), changes)?,
                })
            })
            .collect()
    }
}

fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// Whether a threshold is the one that holds where a site sets none.
pub fn is_default(threshold: Percent) -> bool {
    (threshold.get() - DEFICIENT_PERCENT).abs() < f64::EPSILON
}

/// Where a threshold comes from, in words.
pub fn threshold_source(threshold: Percent) -> &'static str {
    if is_default(threshold) {
        "below 19.5 % counts as oxygen-deficient by OSHA 29 CFR 1910.134"
    } else {
        "policy oxygen_deficiency_percent of the facility; OSHA 29 CFR 1910.134 names 19.5 %"
    }
}

#[cfg(test)]
#[path = "room_assessment_tests.rs"]
mod tests;
