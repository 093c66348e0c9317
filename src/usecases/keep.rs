//! Keeping the facility's model: creating, reading, listing, changing and
//! removing what it consists of.

use super::{Error, Lookup, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::{
    GasSupply, Glovebox, ParseContext, Person, Qualification, Scope, Stored, WorkingGas,
};
use crate::domain::ids::{GasSupplyId, GloveboxId};
use crate::domain::names::Reference;
use crate::domain::violations::Violations;
pub(crate) use crate::store::kept::Kept;
use crate::store::{events, gloveboxes, qualifications, things};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

/// An aggregate that callers keep through these use cases.
pub(crate) trait Managed: Kept {
    /// Any of these lets a caller see it.
    const SEE: &'static [Scope] = &[Scope::FacilityRead, Scope::FacilityManage];
    /// Any of these lets a caller change it.
    const CHANGE: &'static [Scope] = &[Scope::FacilityManage];

    /// What else becomes of a change, once it is stored.
    fn after_change(tx: &mut Tx<'_>, now: DateTime<Utc>, stored: &Stored<Self>) -> Result<()> {
        let _ = (tx, now, stored);
        Ok(())
    }

    /// Whether it fits what refers to it; asked before it is stored.
    fn check(tx: &mut Tx<'_>, stored: &Stored<Self>) -> Result<()> {
        let _ = (tx, stored);
        Ok(())
    }
}

impl Managed for crate::domain::facility::Room {}
impl Managed for crate::domain::facility::Site {}
impl Managed for Glovebox {
    fn after_change(tx: &mut Tx<'_>, now: DateTime<Utc>, stored: &Stored<Self>) -> Result<()> {
        super::visits::cover_parts(tx, now, stored)
    }
}
impl Managed for Person {}
impl Managed for Qualification {}

impl Managed for GasSupply {
    /// Refused while a box that it feeds is filled with another gas.
    fn check(tx: &mut Tx<'_>, stored: &Stored<Self>) -> Result<()> {
        for id in gloveboxes::fed_by(tx, stored.id.into())? {
            let Some(fed) = Glovebox::find(tx, id.into())? else { continue };
            if stored.value.gas.working_gas() != Some(fed.value.working_gas) {
                let detail = format!(
                    "it feeds {}, which is filled with {}",
                    fed.value.tag,
                    fed.value.working_gas.word()
                );
                return Err(Error::invalid("gas", "gas_mismatch", detail));
            }
        }
        Ok(())
    }
}

impl Managed for crate::domain::facility::MaintenanceWindow {
    const SEE: &'static [Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];
    const CHANGE: &'static [Scope] = &[Scope::UpkeepManage, Scope::FacilityManage];
}

/// What a caller says of the version it means to change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Precondition {
    /// It said nothing.
    None,
    /// Any version will do.
    Any,
    /// One of these versions.
    OneOf(Vec<i32>),
}

impl Precondition {
    /// Passes when `current` is a version the caller means; saying nothing passes.
    pub(crate) fn allows(&self, current: i32) -> Result<()> {
        match self {
            Self::OneOf(versions) if !versions.contains(&current) => Err(Error::Stale { current }),
            Self::None | Self::Any | Self::OneOf(_) => Ok(()),
        }
    }

    /// Passes when the caller said something and `current` is what it means.
    pub(crate) fn demands(&self, current: i32) -> Result<()> {
        if *self == Self::None { Err(Error::ConditionMissing) } else { self.allows(current) }
    }
}

/// Resolves a reference to the id of an aggregate.
pub(crate) fn resolve<T: Kept>(tx: &mut Tx<'_>, reference: &Reference) -> Result<Uuid> {
    match (T::KIND, reference) {
        (_, Reference::Id(id)) => Ok(*id),
        (Some(kind), tagged) => things::matching(tx, tagged)?
            .into_iter()
            .find(|thing| thing.kind == kind)
            .map(|thing| thing.id)
            .ok_or_else(|| Error::unknown(T::NAME, tagged)),
        (None, tagged) => Err(Error::unknown(T::NAME, tagged)),
    }
}

/// Loads an aggregate without asking who wants it.
pub(crate) fn load<T: Kept>(tx: &mut Tx<'_>, reference: &Reference) -> Result<Stored<T>> {
    let id = resolve::<T>(tx, reference)?;
    T::find(tx, id)?.ok_or_else(|| Error::unknown(T::NAME, reference))
}

/// The tag of a thing, for showing beside its id.
pub(crate) fn tag_of(tx: &mut Tx<'_>, id: impl Into<Uuid>) -> Result<Option<String>> {
    Ok(things::get(tx, id.into())?.and_then(|thing| thing.tag).map(|tag| tag.to_string()))
}

/// Creates one from what `parse` makes of the input.
pub(crate) fn create<T: Managed>(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<T, Violations>,
) -> Result<Stored<T>> {
    actor.needs_any(T::CHANGE)?;
    let value = Lookup::parse(tx, parse)?;
    let stored = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
    T::check(tx, &stored)?;
    T::insert(tx, &stored)?;
    note(tx, actor, now, "created", None, Some(&stored))?;
    Ok(stored)
}

/// Shows one.
pub(crate) fn get<T: Managed>(tx: &mut Tx<'_>, actor: &Actor, reference: &Reference) -> Result<Stored<T>> {
    actor.needs_any(T::SEE)?;
    load(tx, reference)
}

/// Lists them, in order of creation.
pub(crate) fn list<T: Managed>(
    tx: &mut Tx<'_>,
    actor: &Actor,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Stored<T>>> {
    actor.needs_any(T::SEE)?;
    Ok(T::page(tx, after, limit)?)
}

/// Lists gloveboxes, of one working gas where given, in order of creation.
pub(crate) fn list_gloveboxes(
    tx: &mut Tx<'_>,
    actor: &Actor,
    gas: Option<WorkingGas>,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Stored<Glovebox>>> {
    actor.needs_any(Glovebox::SEE)?;
    Ok(gloveboxes::page_of(tx, gas, after, limit)?)
}

/// The boxes that a supply feeds.
pub(crate) fn fed_by(tx: &mut Tx<'_>, actor: &Actor, supply: GasSupplyId) -> Result<Vec<GloveboxId>> {
    actor.needs_any(Glovebox::SEE)?;
    Ok(gloveboxes::fed_by(tx, supply)?)
}

/// Lists qualifications, of one person and for one box where given, in order of creation.
pub(crate) fn list_qualifications(
    tx: &mut Tx<'_>,
    actor: &Actor,
    person: Option<&Reference>,
    glovebox: Option<&Reference>,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Stored<Qualification>>> {
    actor.needs_any(Qualification::SEE)?;
    let person = person.map(|of| named::<Person>(tx, "person", of)).transpose()?;
    let glovebox = glovebox.map(|of| named::<Glovebox>(tx, "glovebox", of)).transpose()?;
    let narrowed =
        qualifications::Narrowed { person: person.map(Into::into), glovebox: glovebox.map(Into::into) };
    Ok(qualifications::page_of(tx, narrowed, after, limit)?)
}

/// What a parameter names; naming nothing is a fault of the request, not of the path.
fn named<T: Kept>(tx: &mut Tx<'_>, field: &str, reference: &Reference) -> Result<Uuid> {
    let found = load::<T>(tx, reference).map(|stored| stored.id);
    if let Err(error @ Error::Unknown { .. }) = found {
        return Err(Error::invalid(field, "unknown_reference", error.to_string()));
    }
    found
}

/// Changes one into what `parse` makes of the input and the present state.
pub(crate) fn change<T: Managed>(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    precondition: &Precondition,
    parse: impl FnOnce(&mut dyn ParseContext, &T) -> std::result::Result<T, Violations>,
) -> Result<Stored<T>> {
    actor.needs_any(T::CHANGE)?;
    let current: Stored<T> = load(tx, reference)?;
    precondition.demands(current.version)?;
    let value = Lookup::parse(tx, |context| parse(context, &current.value))?;
    let (version, created_at) = (current.version + 1, current.created_at);
    let changed = Stored { id: current.id, version, created_at, updated_at: now, value };
    T::check(tx, &changed)?;
    T::update(tx, &changed)?;
    T::after_change(tx, now, &changed)?;
    note(tx, actor, now, "changed", Some(&current), Some(&changed))?;
    Ok(changed)
}

/// Removes one; refused while anything refers to it.
pub(crate) fn remove<T: Managed>(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    precondition: &Precondition,
) -> Result<()> {
    actor.needs_any(T::CHANGE)?;
    let current: Stored<T> = load(tx, reference)?;
    precondition.demands(current.version)?;
    T::delete(tx, current.id)?;
    note(tx, actor, now, "removed", Some(&current), None)
}

/// Tells the world what was done to one.
pub(super) fn note<T: Kept>(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    verb: &str,
    before: Option<&Stored<T>>,
    after: Option<&Stored<T>>,
) -> Result<()> {
    let Some(of) = after.or(before) else { return Ok(()) };
    let kind = format!("{}.{verb}", T::NAME);
    let body = json!({ "version": of.version, "tag": of.value.tag().map(ToString::to_string) });
    Ok(events::append(tx, now, &kind, of.id, &actor.subject, &audited(body, before, after))?)
}

/// The body of an event with the thing as it was before and after, for the audit.
pub(super) fn audited<T: Kept>(
    mut body: Value,
    before: Option<&Stored<T>>,
    after: Option<&Stored<T>>,
) -> Value {
    body["before"] = before.map_or(Value::Null, T::record);
    body["after"] = after.map_or(Value::Null, T::record);
    body
}
