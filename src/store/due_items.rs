//! Due items as last computed, one for each rule and part.

use super::Tx;
use super::db::either;
use super::error::{Constraint, StoreError, StoreResult};
use super::kept::only_one;
use super::schema::due_items;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::ids::{GloveboxId, RuleId, ThingId};
use crate::domain::upkeep::moves::Move;
use crate::domain::upkeep::{DueItem, DueState};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// A due item as kept.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct KeptItem {
    /// Its id, the same from night to night.
    pub(crate) id: Uuid,
    /// One more whenever what it says has changed.
    pub(crate) version: i32,
    /// What it says.
    pub(crate) item: DueItem,
    /// Its last move, where it has moved since it was first computed.
    pub(crate) moved: Option<Move>,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = due_items)]
struct ItemRow {
    id: String,
    rule_id: String,
    subject_id: String,
    glovebox_id: Option<String>,
    task: String,
    state: String,
    likely_at: Option<NaiveDateTime>,
    safety: bool,
    body: String,
    computed_at: NaiveDateTime,
    version: i32,
    moved: Option<String>,
}

impl From<&KeptItem> for ItemRow {
    fn from(kept: &KeptItem) -> Self {
        let item = &kept.item;
        Self {
            id: kept.id.to_string(),
            rule_id: item.rule.to_string(),
            subject_id: item.subject.to_string(),
            glovebox_id: item.glovebox.map(|id| id.to_string()),
            task: item.task.to_string(),
            state: item.state.word().to_owned(),
            likely_at: item.due.map(|due| due.likely.naive_utc()),
            safety: item.safety,
            body: document(item),
            computed_at: item.computed_at.naive_utc(),
            version: kept.version,
            moved: kept.moved.as_ref().map(document),
        }
    }
}

impl TryFrom<ItemRow> for KeptItem {
    type Error = StoreError;

    fn try_from(row: ItemRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("due_items.id", &row.id)?,
            version: row.version,
            item: checked("due_items.body", serde_json::from_str(&row.body))?,
            moved: checked("due_items.moved", row.moved.as_deref().map(serde_json::from_str).transpose())?,
        })
    }
}

/// The item of that id.
pub(crate) fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<KeptItem>> {
    let row: Option<ItemRow> = due_items::table.find(id.to_string()).first(tx.db()).optional()?;
    row.map(TryInto::try_into).transpose()
}

/// The item of a rule and a part.
pub(crate) fn of(tx: &mut Tx<'_>, rule: RuleId, subject: ThingId) -> StoreResult<Option<KeptItem>> {
    let item = due_items::table
        .filter(due_items::rule_id.eq(rule.to_string()))
        .filter(due_items::subject_id.eq(subject.to_string()));
    let row: Option<ItemRow> = either!(tx.db(), connection => item.first(connection).optional()?);
    row.map(TryInto::try_into).transpose()
}

/// Every item of some rules, in order of id.
pub(crate) fn of_rules(tx: &mut Tx<'_>, rules: &[RuleId]) -> StoreResult<Vec<KeptItem>> {
    let rules: Vec<String> = rules.iter().map(ToString::to_string).collect();
    let rows: Vec<ItemRow> =
        due_items::table.filter(due_items::rule_id.eq_any(rules)).order(due_items::id).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Keeps an item for the first time.
pub(crate) fn insert(tx: &mut Tx<'_>, kept: &KeptItem) -> StoreResult<()> {
    let inserted = diesel::insert_into(due_items::table).values(&ItemRow::from(kept)).execute(tx.db());
    match inserted.map_err(StoreError::from) {
        Ok(_) => Ok(()),
        // Another computation kept it meanwhile: trying again finds it.
        Err(StoreError::Constraint(Constraint::Other(name))) if name.contains("due_items") => {
            Err(StoreError::Contention)
        }
        Err(error) => Err(error),
    }
}

/// Keeps what an item says now. Which rule and part it is about stays: a night writes many
/// items, and what finds them need not be written again.
pub(crate) fn update(tx: &mut Tx<'_>, kept: &KeptItem) -> StoreResult<()> {
    let row = ItemRow::from(kept);
    let before = due_items::table.find(row.id).filter(due_items::version.eq(kept.version - 1));
    let update = diesel::update(before).set((
        due_items::glovebox_id.eq(row.glovebox_id),
        due_items::task.eq(row.task),
        due_items::state.eq(row.state),
        due_items::likely_at.eq(row.likely_at),
        due_items::safety.eq(row.safety),
        due_items::body.eq(row.body),
        due_items::computed_at.eq(row.computed_at),
        due_items::version.eq(row.version),
        due_items::moved.eq(row.moved),
    ));
    only_one(either!(tx.db(), connection => update.execute(connection)?))
}

/// Counts an item one version on, as what is told of it has changed though it
/// says the same itself: it was put on the calendar, or taken off it.
pub(crate) fn touch(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    diesel::update(due_items::table.find(id.to_string()))
        .set(due_items::version.eq(due_items::version + 1))
        .execute(tx.db())?;
    Ok(())
}

/// Every item's id and when it was computed, in order of id.
pub(crate) fn ages(tx: &mut Tx<'_>) -> StoreResult<Vec<(Uuid, DateTime<Utc>)>> {
    let rows: Vec<(String, NaiveDateTime)> = due_items::table
        .order(due_items::id)
        .select((due_items::id, due_items::computed_at))
        .load(tx.db())?;
    rows.into_iter().map(|(id, at)| Ok((uuid("due_items.id", &id)?, at.and_utc()))).collect()
}

/// Forgets an item that no rule asks for any more.
pub(crate) fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    diesel::delete(due_items::table.find(id.to_string())).execute(tx.db())?;
    Ok(())
}

/// Which items a list is narrowed to; an absent part narrows nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Narrowed {
    /// Those in any of these states.
    pub(crate) states: Option<Vec<DueState>>,
    /// Those of one box and its parts.
    pub(crate) glovebox: Option<GloveboxId>,
    /// Those likely due before.
    pub(crate) before: Option<DateTime<Utc>>,
}

/// Up to `limit` of them in order of id, after the one of id `after`.
pub(crate) fn page(
    tx: &mut Tx<'_>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<KeptItem>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query =
        due_items::table.filter(due_items::id.gt(after)).order(due_items::id).limit(limit).into_boxed();
    if let Some(states) = &narrowed.states {
        let words: Vec<&str> = states.iter().map(|state| state.word()).collect();
        query = query.filter(due_items::state.eq_any(words));
    }
    if let Some(glovebox) = narrowed.glovebox {
        query = query.filter(due_items::glovebox_id.eq(glovebox.to_string()));
    }
    if let Some(before) = narrowed.before {
        query = query.filter(due_items::likely_at.lt(before.naive_utc()));
    }
    let rows: Vec<ItemRow> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
