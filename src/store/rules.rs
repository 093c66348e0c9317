//! Upkeep rules, each a document of its own form.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::upkeep_rules;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::facility::Stored;
use crate::domain::upkeep::UpkeepRule;
use chrono::NaiveDateTime;
use diesel::prelude::*;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = upkeep_rules, treat_none_as_null = true)]
struct RuleRow {
    id: String,
    task: String,
    body: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<UpkeepRule>> for RuleRow {
    fn from(stored: &Stored<UpkeepRule>) -> Self {
        Self {
            id: stored.id.to_string(),
            task: stored.value.task.to_string(),
            body: document(&stored.value),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<RuleRow> for Stored<UpkeepRule> {
    type Error = StoreError;

    fn try_from(row: RuleRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("upkeep_rules.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value: checked("upkeep_rules.body", serde_json::from_str(&row.body))?,
        })
    }
}

one_row!(UpkeepRule, "upkeep_rule", None, RuleRow, upkeep_rules, |_| None);

/// Every rule, in order of id.
pub(crate) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<UpkeepRule>>> {
    let rows: Vec<RuleRow> = upkeep_rules::table.order(upkeep_rules::id).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
