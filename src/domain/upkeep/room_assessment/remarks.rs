//! What has to be said with a room's figures, and what the record leaves open.

use super::{RoomGas, RoomRemark, Scenario};
use crate::domain::facility::SuppliedGas;
use crate::domain::names::Tag;
use crate::domain::physics::room_oxygen::RoomCaution;

/// What has to be said, the gravest first.
pub(super) fn cautions(gas: &RoomGas, scenarios: &[Scenario]) -> Vec<RoomRemark> {
    use RoomCaution as C;
    let said = |caution: C| RoomRemark { code: caution.code(), text: caution.sentence().to_owned() };
    let below = scenarios.iter().any(|scenario| scenario.oxygen.below_threshold);
    let fills = scenarios.iter().any(|scenario| scenario.oxygen.cautions.contains(&C::FillsRoom));
    let hydrogen = gas
        .cylinders
        .iter()
        .any(|kept| matches!(kept.gas, SuppliedGas::Hydrogen5InNitrogen | SuppliedGas::Hydrogen5InArgon));
    let always = [C::VentilationFailedFirst, C::NoSenseDetects];
    let mut all: Vec<RoomRemark> = [(C::FillsRoom, fills), (C::BelowThreshold, below)]
        .into_iter()
        .filter(|(_, applies)| *applies)
        .map(|(caution, _)| said(caution))
        .chain(always.map(said))
        .collect();
    all.push(monitor(gas.room.oxygen_monitor));
    all.push(said(C::ArgonPools));
    all.push(RoomRemark {
        code: C::LightGasRises.code(),
        text: "Helium and hydrogen are lighter than air: they rise and gather under the ceiling, where oxygen is \
               lower than a figure for the whole room."
            .to_owned(),
    });
    if hydrogen {
        all.push(said(C::HydrogenBurns));
    }
    all.extend(doubts(gas));
    all.push(said(C::ScreeningOnly));
    all.push(said(C::LocalCodesDecide));
    all
}

fn monitor(on_record: bool) -> RoomRemark {
    if on_record {
        RoomRemark {
            code: "oxygen_monitor_on_record",
            text: "An oxygen monitor with alarm is on record for this room. That does not tell whether it works \
                   or stands where the gas gathers: it is tested as local codes ask."
                .to_owned(),
        }
    } else {
        RoomRemark {
            code: "no_oxygen_monitor_on_record",
            text: "No oxygen monitor with alarm is on record for this room. Whether one is required, local codes \
                   and competent people decide."
                .to_owned(),
        }
    }
}

/// What the record leaves open.
fn doubts(gas: &RoomGas) -> Vec<RoomRemark> {
    let mut unplaced: Vec<&str> =
        gas.cylinders.iter().filter(|kept| !kept.placed).map(|kept| kept.supply_tag.as_str()).collect();
    unplaced.dedup();
    let listed = |tags: &[Tag]| tags.iter().map(Tag::as_str).collect::<Vec<_>>().join(", ");
    let mut doubts = Vec::new();
    if gas.cylinders.is_empty() && gas.boxes.is_empty() {
        doubts.push(RoomRemark {
            code: "no_gas_on_record",
            text: "No cylinder and no box is on record for this room. Gas that is not on record is not counted: \
                   no estimate can be made, and that says nothing of the room."
                .to_owned(),
        });
    }
    if !unplaced.is_empty() {
        doubts.push(RoomRemark {
            code: "supply_without_room",
            text: format!(
                "No room is on record for {}, which feeds a box here: all its cylinders are counted here, and so \
                 in every other room where it feeds a box.",
                unplaced.join(", ")
            ),
        });
    }
    if !gas.fed_from_elsewhere.is_empty() {
        doubts.push(RoomRemark {
            code: "fed_from_another_room",
            text: format!(
                "{} stands in another room and feeds a box here: its cylinders are not counted here, though their \
                 gas can come through a broken line.",
                listed(&gas.fed_from_elsewhere)
            ),
        });
    }
    if !gas.nowhere.is_empty() {
        doubts.push(RoomRemark {
            code: "supply_counted_nowhere",
            text: format!(
                "No room is on record for {}, which feeds no box: its cylinders are counted in no room.",
                listed(&gas.nowhere)
            ),
        });
    }
    doubts
}
