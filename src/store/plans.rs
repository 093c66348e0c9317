//! Maintenance plans, as proposed and adopted.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::maintenance_plans;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::facility::Stored;
use crate::domain::planning::record::ProposedPlan;
use chrono::NaiveDateTime;
use diesel::prelude::*;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = maintenance_plans, treat_none_as_null = true)]
struct PlanRow {
    id: String,
    proposed_by: String,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    adopted_at: Option<NaiveDateTime>,
    adopted_by: Option<String>,
    body: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<ProposedPlan>> for PlanRow {
    fn from(stored: &Stored<ProposedPlan>) -> Self {
        let plan = &stored.value;
        Self {
            id: stored.id.to_string(),
            proposed_by: plan.proposed_by.clone(),
            starts_at: plan.scope.horizon.start().naive_utc(),
            ends_at: plan.scope.horizon.end().naive_utc(),
            adopted_at: plan.adopted.as_ref().map(|adopted| adopted.at.naive_utc()),
            adopted_by: plan.adopted.as_ref().map(|adopted| adopted.by.clone()),
            body: document(plan),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<PlanRow> for Stored<ProposedPlan> {
    type Error = StoreError;

    fn try_from(row: PlanRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("maintenance_plans.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value: checked("maintenance_plans.body", serde_json::from_str(&row.body))?,
        })
    }
}

one_row!(ProposedPlan, "maintenance_plan", None, PlanRow, maintenance_plans, |_| None);

/// The plans last proposed that nobody has adopted, the newest first.
pub(crate) fn latest_proposed(tx: &mut Tx<'_>, most: i64) -> StoreResult<Vec<Stored<ProposedPlan>>> {
    let rows: Vec<PlanRow> = maintenance_plans::table
        .filter(maintenance_plans::adopted_at.is_null())
        .order((maintenance_plans::created_at.desc(), maintenance_plans::id.desc()))
        .limit(most)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
