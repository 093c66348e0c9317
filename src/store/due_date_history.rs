//! How due items moved, from one computation to the next. Items that are
//! deleted take their history with them.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::schema::due_date_history;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::upkeep::evidence::DueDates;
use crate::domain::upkeep::moves::Reason;
use crate::domain::upkeep::{DueItem, DueState};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// Where an item stood from a moment on, and why.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Entry {
    /// Its id, which sorts by when it was written.
    pub(crate) id: Uuid,
    /// The moment that it was computed for.
    pub(crate) at: DateTime<Utc>,
    /// Where the item stood.
    pub(crate) state: DueState,
    /// When it was due.
    pub(crate) due: Option<DueDates>,
    /// The kind of trigger that governed.
    pub(crate) governing_trigger: Option<String>,
    /// Why, the most specific first.
    pub(crate) reasons: Vec<Reason>,
    /// The whole in a sentence.
    pub(crate) detail: String,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = due_date_history)]
struct EntryRow {
    id: String,
    due_item_id: String,
    at: NaiveDateTime,
    state: String,
    earliest_at: Option<NaiveDateTime>,
    likely_at: Option<NaiveDateTime>,
    latest_at: Option<NaiveDateTime>,
    governing_trigger: Option<String>,
    reasons: String,
    detail: String,
}

impl TryFrom<EntryRow> for Entry {
    type Error = StoreError;

    fn try_from(row: EntryRow) -> StoreResult<Self> {
        let utc = |at: NaiveDateTime| at.and_utc();
        let (earliest, latest) = (row.earliest_at.map(utc), row.latest_at.map(utc));
        let state = DueState::from_word(&row.state);
        Ok(Self {
            id: uuid("due_date_history.id", &row.id)?,
            at: row.at.and_utc(),
            state: state.ok_or_else(|| StoreError::corrupt("due_date_history.state", &row.state))?,
            due: row.likely_at.map(utc).map(|likely| DueDates { earliest, likely, latest }),
            governing_trigger: row.governing_trigger,
            reasons: checked("due_date_history.reasons", serde_json::from_str(&row.reasons))?,
            detail: row.detail,
        })
    }
}

/// Notes where an item stands now, and why.
pub(crate) fn append(
    tx: &mut Tx<'_>,
    id: Uuid,
    due_item: Uuid,
    item: &DueItem,
    reasons: &[Reason],
    detail: &str,
) -> StoreResult<()> {
    let naive = |at: DateTime<Utc>| at.naive_utc();
    let row = EntryRow {
        id: id.to_string(),
        due_item_id: due_item.to_string(),
        at: item.computed_at.naive_utc(),
        state: item.state.word().to_owned(),
        earliest_at: item.due.and_then(|due| due.earliest).map(naive),
        likely_at: item.due.map(|due| due.likely).map(naive),
        latest_at: item.due.and_then(|due| due.latest).map(naive),
        governing_trigger: item.governing_trigger.clone(),
        reasons: document(&reasons),
        detail: detail.to_owned(),
    };
    diesel::insert_into(due_date_history::table).values(&row).execute(tx.db())?;
    Ok(())
}

/// Up to `limit` entries of an item, the newest last, after the one of id `after`.
pub(crate) fn page(
    tx: &mut Tx<'_>,
    due_item: Uuid,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Entry>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let rows: Vec<EntryRow> = due_date_history::table
        .filter(due_date_history::due_item_id.eq(due_item.to_string()))
        .filter(due_date_history::id.gt(after))
        .order(due_date_history::id)
        .limit(limit)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
