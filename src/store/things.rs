//! The register of everything that can be pointed at by id or tag.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::schema::{due_items, things};
use crate::domain::facility::{Thing, ThingKind};
use crate::domain::names::{Reference, Tag};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable)]
#[diesel(table_name = things)]
struct ThingRow {
    id: String,
    kind: String,
    parent_id: Option<String>,
    tag: Option<String>,
}

/// Reads a stored id.
pub(in crate::store) fn uuid(what: &'static str, text: &str) -> StoreResult<Uuid> {
    Uuid::parse_str(text).map_err(|e| StoreError::corrupt(what, e))
}

/// Reads a stored word or document by its type's own check.
pub(in crate::store) fn checked<T, E: ToString>(what: &'static str, parsed: Result<T, E>) -> StoreResult<T> {
    parsed.map_err(|e| StoreError::corrupt(what, e.to_string()))
}

impl TryFrom<ThingRow> for Thing {
    type Error = StoreError;

    fn try_from(row: ThingRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("things.id", &row.id)?,
            kind: ThingKind::from_word(&row.kind)
                .ok_or_else(|| StoreError::corrupt("things.kind", &row.kind))?,
            parent: row.parent_id.as_deref().map(|id| uuid("things.parent_id", id)).transpose()?,
            tag: row.tag.as_deref().map(|tag| checked("things.tag", Tag::parse(tag))).transpose()?,
        })
    }
}

/// Registers a thing.
pub(crate) fn insert(tx: &mut Tx<'_>, thing: &Thing) -> StoreResult<()> {
    tx.changes("things");
    let row = ThingRow {
        id: thing.id.to_string(),
        kind: thing.kind.word().to_owned(),
        parent_id: thing.parent.map(|id| id.to_string()),
        tag: thing.tag.as_ref().map(ToString::to_string),
    };
    diesel::insert_into(things::table).values(&row).execute(tx.db())?;
    Ok(())
}

/// Changes a thing's tag.
pub(crate) fn retag(tx: &mut Tx<'_>, id: Uuid, tag: Option<&Tag>) -> StoreResult<()> {
    tx.changes("things");
    diesel::update(things::table.find(id.to_string()))
        .set(things::tag.eq(tag.map(ToString::to_string)))
        .execute(tx.db())?;
    Ok(())
}

/// Takes a thing out of the register; refused while anything refers to it.
pub(crate) fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    tx.changes("things");
    diesel::delete(things::table.find(id.to_string())).execute(tx.db())?;
    Ok(())
}

/// The parts of a thing.
fn parts(tx: &mut Tx<'_>, whole: Uuid) -> StoreResult<Vec<Thing>> {
    let rows: Vec<ThingRow> = things::table.filter(things::parent_id.eq(whole.to_string())).load(tx.db())?;
    rows.into_iter().map(Thing::try_from).collect()
}

/// Makes `wanted` the parts of `whole`: registers the new ones, retags those
/// that changed and takes out the rest, which is refused while anything
/// refers to them. What was computed of a part taken out goes with it.
pub(in crate::store) fn keep_parts(tx: &mut Tx<'_>, whole: Uuid, wanted: &[Thing]) -> StoreResult<()> {
    let present = parts(tx, whole)?;
    let in_place = |thing: &Thing| wanted.iter().find(|part| part.id == thing.id);
    for thing in &present {
        match in_place(thing) {
            None => {
                forget_computed(tx, thing.id)?;
                delete(tx, thing.id)?;
            }
            // Tags may change hands, so all that change are given up before any is taken.
            Some(part) if part.tag != thing.tag => retag(tx, thing.id, None)?,
            Some(_) => {}
        }
    }
    for part in wanted {
        match present.iter().find(|thing| thing.id == part.id) {
            None => insert(tx, part)?,
            Some(thing) if thing.tag != part.tag => retag(tx, part.id, part.tag.as_ref())?,
            Some(_) => {}
        }
    }
    Ok(())
}

/// Deletes the due items computed of a thing, which are never kept for their own sake.
pub(in crate::store) fn forget_computed(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    let id = id.to_string();
    diesel::delete(due_items::table.filter(due_items::subject_id.eq(&id).or(due_items::glovebox_id.eq(&id))))
        .execute(tx.db())?;
    Ok(())
}

/// The thing of that id.
pub(crate) fn get(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Thing>> {
    let row: Option<ThingRow> = things::table.find(id.to_string()).first(tx.db()).optional()?;
    row.map(Thing::try_from).transpose()
}

/// The things a reference may mean: one for an id; for a tag, a thing of its
/// own before a part of another.
pub(crate) fn matching(tx: &mut Tx<'_>, reference: &Reference) -> StoreResult<Vec<Thing>> {
    match reference {
        Reference::Id(id) => Ok(get(tx, *id)?.into_iter().collect()),
        Reference::Tag(tag) => {
            let rows: Vec<ThingRow> = things::table
                .filter(things::tag.eq(tag.as_str()))
                .order(things::id)
                .limit(100)
                .load(tx.db())?;
            let found = rows.into_iter().map(Thing::try_from).collect::<StoreResult<Vec<_>>>()?;
            if found.iter().any(|thing| thing.parent.is_none()) {
                return Ok(found.into_iter().filter(|thing| thing.parent.is_none()).collect());
            }
            Ok(found)
        }
        Reference::Part(whole, part) => {
            let wholes: Vec<String> = things::table
                .filter(things::tag.eq(whole.as_str()))
                .filter(things::parent_id.is_null())
                .select(things::id)
                .load(tx.db())?;
            let rows: Vec<ThingRow> = things::table
                .filter(things::tag.eq(part.as_str()))
                .filter(things::parent_id.eq_any(wholes))
                .load(tx.db())?;
            rows.into_iter().map(Thing::try_from).collect()
        }
    }
}
