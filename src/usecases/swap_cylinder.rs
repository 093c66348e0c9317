//! Swapping a gas cylinder: the states change, a service is recorded, and the
//! pressure of the new cylinder is kept as a reading.

use super::keep;
use super::upkeep;
use super::{Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::facility::{
    Cylinder, CylinderState, GasSupply, MeasuredQuantity, Scope, Stored, ThingKind,
};
use crate::domain::ids::CylinderId;
use crate::domain::names::{Name, Reference, Remark, Word};
use crate::domain::upkeep::{Outcome, Service, defaults};
use crate::domain::violations::{Check, Violation};
use crate::store::kept::Kept as _;
use crate::store::readings::{self, NewPoint};
use crate::store::{events, things};
use chrono::{DateTime, SubsecRound as _, TimeDelta, Utc};
use serde_json::json;
use std::collections::BTreeMap;
use uuid::Uuid;

/// What was swapped, as a caller says it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Swap {
    /// The cylinder taken off.
    pub(crate) removed: Reference,
    /// The cylinder put on.
    pub(crate) connected: Reference,
    /// When; now unless given.
    pub(crate) at: Option<DateTime<Utc>>,
    /// The pressure of the new cylinder, bar gauge.
    pub(crate) gauge_bar: Option<f64>,
}

/// A swap that was recorded.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Swapped {
    /// The service that records it.
    pub(crate) service: Stored<Service>,
    /// The supply as it stands now.
    pub(crate) supply: Stored<GasSupply>,
    /// The cylinder taken off.
    pub(crate) removed: Cylinder,
    /// The cylinder put on.
    pub(crate) connected: Cylinder,
    /// The pressure of the new cylinder, bar gauge.
    pub(crate) gauge_bar: Option<f64>,
}

/// A swap that was checked: where the two cylinders stand among the supply's.
struct Checked {
    removed: usize,
    connected: usize,
    at: DateTime<Utc>,
    gauge_bar: Option<f64>,
}

/// How long ago a swap may have been: readings taken since are taken for the
/// new cylinder's.
const LONGEST_AGO: TimeDelta = TimeDelta::days(7);

/// Records that one cylinder of a supply was taken off and another put on.
pub(crate) fn swap(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    swap: &Swap,
) -> Result<Swapped> {
    actor.needs(Scope::UpkeepManage)?;
    let mut supply: Stored<GasSupply> = keep::load(tx, reference)?;
    let checked = check(tx, &supply, swap, now)?;
    let before = supply.clone();
    let cylinders = &mut supply.value.cylinders;
    cylinders[checked.removed].state = CylinderState::Empty;
    cylinders[checked.connected].state = CylinderState::Connected;
    let (removed, connected) = (cylinders[checked.removed].clone(), cylinders[checked.connected].clone());
    supply.version += 1;
    supply.updated_at = now;
    GasSupply::update(tx, &supply)?;
    let body = json!({ "version": supply.version, "tag": supply.value.tag.to_string() });
    let body = keep::audited(body, Some(&before), Some(&supply));
    events::append(tx, now, "gas_supply.changed", supply.id, &actor.subject, &body)?;
    if let Some(value) = checked.gauge_bar {
        let series = readings::series(tx, connected.id.uuid(), MeasuredQuantity::GaugeBar, "")?;
        let kept = readings::insert(tx, &[NewPoint { series, at: checked.at, value, flag: None }], now)?;
        #[expect(clippy::float_cmp, reason = "the same reading sent twice is the same to the bit")]
        if kept.iter().any(|(_, stands)| *stands != value) {
            return Err(Error::invalid(
                "gauge_bar",
                "differs_from_stored",
                "another reading of that instant stands",
            ));
        }
    }
    let service = record(tx, actor, now, &supply, &checked, [&removed, &connected])?;
    Ok(Swapped { service, supply, removed, connected, gauge_bar: checked.gauge_bar })
}

fn record(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    supply: &Stored<GasSupply>,
    swap: &Checked,
    [removed, connected]: [&Cylinder; 2],
) -> Result<Stored<Service>> {
    let mut measured = BTreeMap::from([
        ("removed".to_owned(), json!(removed.tag)),
        ("connected".to_owned(), json!(connected.tag)),
    ]);
    measured.extend(swap.gauge_bar.map(|bar| ("gauge_bar".to_owned(), json!(bar))));
    let service = Service {
        subject: supply.id.into(),
        task: Word::parse(defaults::CYLINDER_SWAP).expect("a constant that passes its own check"),
        done_at: swap.at,
        done_by: by(actor)?,
        person: None,
        outcome: Outcome::Passed,
        findings: Remark::parse("").expect("a remark may be empty"),
        calls_for: Vec::new(),
        measured,
        replaced: false,
        restarts: None,
        required_class: None,
    };
    upkeep::record(tx, actor, now, service)
}

/// The caller by name.
pub(crate) fn by(actor: &Actor) -> Result<Name> {
    Name::parse(&actor.subject).map_err(|e| Error::invalid("done_by", "bad_name", e.to_string()))
}

/// Checks everything about a swap at once.
fn check(tx: &mut Tx<'_>, supply: &Stored<GasSupply>, swap: &Swap, now: DateTime<Utc>) -> Result<Checked> {
    let mut check = Check::default();
    let removed = find(tx, supply, &swap.removed)?;
    let connected = find(tx, supply, &swap.connected)?;
    let cylinders = &supply.value.cylinders;
    for (field, reference, found) in
        [("removed", &swap.removed, removed), ("connected", &swap.connected, connected)]
    {
        let detail = format!("the supply has no cylinder {reference}");
        check.require(found.is_some(), field, "unknown_reference", detail);
    }
    if let Some(index) = removed {
        let is = cylinders[index].state == CylinderState::Connected;
        check.require(is, "removed", "not_connected", "this cylinder is not connected");
    }
    if let Some(index) = connected {
        let fresh = matches!(cylinders[index].state, CylinderState::Full | CylinderState::Standby);
        check.require(fresh, "connected", "not_full", "this cylinder is neither full nor on standby");
    }
    let at = swap.at.unwrap_or(now).trunc_subsecs(6);
    check.require(at <= now, "at", "in_the_future", "must not be later than now");
    let recent = at > now - LONGEST_AGO;
    check.require(
        recent,
        "at",
        "too_long_ago",
        "a swap is recorded within a week; readings since would be misread",
    );
    let gauge_bar = swap.gauge_bar.map(|bar| MeasuredQuantity::GaugeBar.check(bar, None)).transpose();
    let gauge_bar = check.field("gauge_bar", gauge_bar).flatten();
    if let (Some(bar), Some(index)) = (gauge_bar, connected) {
        let most = WARM * cylinders[index].fill.get();
        if bar > most {
            let detail = format!("is more than this cylinder can hold, {most:.0} bar when warm");
            check.note(Violation::new("gauge_bar", "above_rating", detail));
        }
    }
    let parts = removed.zip(connected);
    let checked = check.build(parts, |(removed, connected)| Checked { removed, connected, at, gauge_bar })?;
    Ok(checked)
}

/// A cylinder filled at 15 °C shows at most this many times its filling
/// pressure when warm, as readings are judged too (our own margin above the
/// 222 bar of argon near 30 °C).
const WARM: f64 = 1.15;

/// Where among the supply's cylinders the one referred to stands.
fn find(tx: &mut Tx<'_>, supply: &Stored<GasSupply>, reference: &Reference) -> Result<Option<usize>> {
    let is_part =
        |id: Uuid| supply.value.cylinders.iter().position(|cylinder| cylinder.id == CylinderId::from(id));
    let found = things::matching(tx, reference)?
        .into_iter()
        .filter(|thing| thing.kind == ThingKind::Cylinder)
        .find_map(|thing| is_part(thing.id));
    // A tag is unique within the supply, whatever other supplies call theirs.
    Ok(found.or_else(|| {
        let Reference::Tag(tag) = reference else { return None };
        supply.value.cylinders.iter().position(|cylinder| cylinder.tag == *tag)
    }))
}
