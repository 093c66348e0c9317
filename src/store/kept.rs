//! What every kept aggregate can do: be inserted, found, listed, changed
//! against a version, and deleted.

use super::Tx;
use super::error::StoreResult;
use crate::domain::facility::{Stored, ThingKind};
use crate::domain::names::Tag;
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

/// An aggregate with a table of its own.
pub(crate) trait Kept: Sized + Send + 'static {
    /// The word for it in messages and events, in `snake_case`.
    const NAME: &'static str;
    /// Its kind in the register of things; `None` where it is not a thing.
    const KIND: Option<ThingKind>;

    /// The tag it carries, if any.
    fn tag(&self) -> Option<&Tag>;
    /// Stores it for the first time; things are registered with it.
    fn insert(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()>;
    /// The one of that id.
    fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Stored<Self>>>;
    /// Up to `limit` of them in order of id, after the one of id `after`.
    fn page(tx: &mut Tx<'_>, after: Option<Uuid>, limit: i64) -> StoreResult<Vec<Stored<Self>>>;
    /// Stores a changed one, whose version must be the next; lost against a
    /// concurrent change ([`StoreError::Contention`](super::error::StoreError)) when it is not.
    fn update(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()>;
    /// Deletes it; refused by the database while anything refers to it.
    fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()>;
    /// All that is kept of it, for the audit; secrets excepted.
    fn record(stored: &Stored<Self>) -> Value;
}

/// Implements [`Kept`] for an aggregate that is one row of one table, by a row
/// type that converts both ways (`From<&Stored<T>>`, `TryInto<Stored<T>>`).
macro_rules! one_row {
    ($value:ty, $name:literal, $kind:expr, $row:ty, $table:ident, $tag:expr) => {
        impl crate::store::kept::Kept for $value {
            const NAME: &'static str = $name;
            const KIND: Option<crate::domain::facility::ThingKind> = $kind;

            fn tag(&self) -> Option<&crate::domain::names::Tag> {
                let tag: fn(&Self) -> Option<&crate::domain::names::Tag> = $tag;
                tag(self)
            }

            fn insert(
                tx: &mut crate::store::Tx<'_>,
                stored: &crate::domain::facility::Stored<Self>,
            ) -> crate::store::StoreResult<()> {
                tx.changes(stringify!($table));
                crate::store::kept::register(tx, stored)?;
                diesel::insert_into($table::table).values(&<$row>::from(stored)).execute(tx.db())?;
                Ok(())
            }

            fn find(
                tx: &mut crate::store::Tx<'_>,
                id: uuid::Uuid,
            ) -> crate::store::StoreResult<Option<crate::domain::facility::Stored<Self>>> {
                let row: Option<$row> = $table::table.find(id.to_string()).first(tx.db()).optional()?;
                row.map(TryInto::try_into).transpose()
            }

            fn page(
                tx: &mut crate::store::Tx<'_>,
                after: Option<uuid::Uuid>,
                limit: i64,
            ) -> crate::store::StoreResult<Vec<crate::domain::facility::Stored<Self>>> {
                let after = after.map(|id| id.to_string()).unwrap_or_default();
                let rows: Vec<$row> = $table::table
                    .filter($table::id.gt(after))
                    .order($table::id)
                    .limit(limit)
                    .load(tx.db())?;
                rows.into_iter().map(TryInto::try_into).collect()
            }

            fn update(
                tx: &mut crate::store::Tx<'_>,
                stored: &crate::domain::facility::Stored<Self>,
            ) -> crate::store::StoreResult<()> {
                tx.changes(stringify!($table));
                crate::store::kept::reregister(tx, stored)?;
                let before =
                    $table::table.find(stored.id.to_string()).filter($table::version.eq(stored.version - 1));
                let changed = diesel::update(before).set(&<$row>::from(stored)).execute(tx.db())?;
                crate::store::kept::only_one(changed)
            }

            fn delete(tx: &mut crate::store::Tx<'_>, id: uuid::Uuid) -> crate::store::StoreResult<()> {
                tx.changes(stringify!($table));
                if <Self as crate::store::kept::Kept>::KIND.is_some() {
                    crate::store::things::forget_computed(tx, id)?;
                }
                diesel::delete($table::table.find(id.to_string())).execute(tx.db())?;
                if <Self as crate::store::kept::Kept>::KIND.is_some() {
                    crate::store::things::delete(tx, id)?;
                }
                Ok(())
            }

            fn record(stored: &crate::domain::facility::Stored<Self>) -> serde_json::Value {
                crate::store::kept::recorded(&<$row>::from(stored))
            }
        }
    };
}
pub(crate) use one_row;

/// The columns that hold documents.
const DOCUMENTS: [&str; 17] = [
    "absences",
    "body",
    "closures",
    "end_of_run",
    "event_types",
    "evidence",
    "exdates",
    "gloveboxes",
    "groups",
    "limits",
    "opening_hours",
    "policies",
    "rdates",
    "solvents",
    "tasks",
    "work",
    "working_hours",
];
/// The columns that every event tells of anyway.
const TOLD_ANYWAY: [&str; 4] = ["id", "version", "created_at", "updated_at"];

/// A row as an audit shows it: documents as what they hold, instants in UTC.
pub(in crate::store) fn recorded(row: &impl Serialize) -> Value {
    let Ok(Value::Object(mut columns)) = serde_json::to_value(row) else { return Value::Null };
    // A part of something has no version; its id is not told of otherwise.
    if columns.contains_key("version") {
        columns.retain(|name, _| !TOLD_ANYWAY.contains(&name.as_str()));
    }
    for (name, value) in &mut columns {
        let Value::String(text) = &*value else { continue };
        if DOCUMENTS.contains(&name.as_str()) {
            if let Ok(document) = serde_json::from_str(text) {
                *value = document;
            }
        } else if name.ends_with("_at") || name.ends_with("_until") {
            *value = Value::String(format!("{text}Z"));
        }
    }
    Value::Object(columns)
}

/// Passes when a change met the version it was decided on; otherwise another
/// transaction changed it meanwhile, and this one has to be decided again.
pub(in crate::store) fn only_one(changed: usize) -> StoreResult<()> {
    if changed == 1 { Ok(()) } else { Err(super::error::StoreError::Contention) }
}

/// Registers a new aggregate that is a thing.
pub(in crate::store) fn register<T: Kept>(tx: &mut Tx<'_>, stored: &Stored<T>) -> StoreResult<()> {
    let Some(kind) = T::KIND else { return Ok(()) };
    let thing = crate::domain::facility::Thing {
        id: stored.id,
        kind,
        parent: None,
        tag: stored.value.tag().cloned(),
    };
    super::things::insert(tx, &thing)
}

/// Keeps the register's tag in step with a changed aggregate.
pub(in crate::store) fn reregister<T: Kept>(tx: &mut Tx<'_>, stored: &Stored<T>) -> StoreResult<()> {
    if T::KIND.is_some() {
        super::things::retag(tx, stored.id, stored.value.tag())?;
    }
    Ok(())
}
