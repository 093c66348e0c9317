//! Visits for upkeep on the calendar.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::maintenance_visits;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::facility::Stored;
use crate::domain::ids::{PlanId, ThingId};
use crate::domain::planning::record::{MaintenanceVisit, VisitStatus};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = maintenance_visits, treat_none_as_null = true)]
struct VisitRow {
    id: String,
    plan_id: String,
    place_id: String,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    status: String,
    body: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<MaintenanceVisit>> for VisitRow {
    fn from(stored: &Stored<MaintenanceVisit>) -> Self {
        let visit = &stored.value;
        Self {
            id: stored.id.to_string(),
            plan_id: visit.plan.to_string(),
            place_id: visit.place.thing().to_string(),
            starts_at: visit.interval.start().naive_utc(),
            ends_at: visit.interval.end().naive_utc(),
            status: visit.status.word().to_owned(),
            body: document(visit),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<VisitRow> for Stored<MaintenanceVisit> {
    type Error = StoreError;

    fn try_from(row: VisitRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("maintenance_visits.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value: checked("maintenance_visits.body", serde_json::from_str(&row.body))?,
        })
    }
}

one_row!(MaintenanceVisit, "maintenance_visit", None, VisitRow, maintenance_visits, |_| None);

/// Which visits are wanted; an absent part narrows nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Narrowed {
    /// Those at this place.
    pub(crate) place: Option<ThingId>,
    /// Those of this plan.
    pub(crate) plan: Option<PlanId>,
    /// Those that stand in one of these ways.
    pub(crate) status: Option<Vec<VisitStatus>>,
    /// Those that end after.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Those that begin before.
    pub(crate) to: Option<DateTime<Utc>>,
}

/// Up to `limit` of them in order of id, after the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<MaintenanceVisit>>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query = maintenance_visits::table
        .filter(maintenance_visits::id.gt(after))
        .order(maintenance_visits::id)
        .limit(limit)
        .into_boxed();
    if let Some(place) = narrowed.place {
        query = query.filter(maintenance_visits::place_id.eq(place.to_string()));
    }
    if let Some(plan) = narrowed.plan {
        query = query.filter(maintenance_visits::plan_id.eq(plan.to_string()));
    }
    if let Some(status) = &narrowed.status {
        let words: Vec<&str> = status.iter().map(|status| status.word()).collect();
        query = query.filter(maintenance_visits::status.eq_any(words));
    }
    if let Some(from) = narrowed.from {
        query = query.filter(maintenance_visits::ends_at.gt(from.naive_utc()));
    }
    if let Some(to) = narrowed.to {
        query = query.filter(maintenance_visits::starts_at.lt(to.naive_utc()));
    }
    let rows: Vec<VisitRow> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Every visit on the calendar that is not over.
pub(crate) fn ahead(tx: &mut Tx<'_>, now: DateTime<Utc>) -> StoreResult<Vec<Stored<MaintenanceVisit>>> {
    let status = Some(vec![VisitStatus::Confirmed]);
    page_of(tx, &Narrowed { status, from: Some(now), ..Narrowed::default() }, None, i64::MAX)
}

/// Every visit that still has something to do, those that are over without it
/// having been done among them.
pub(crate) fn undone(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<MaintenanceVisit>>> {
    let narrowed = Narrowed { status: Some(vec![VisitStatus::Confirmed]), ..Narrowed::default() };
    page_of(tx, &narrowed, None, i64::MAX)
}
