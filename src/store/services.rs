//! Records of upkeep that was done.

use super::Tx;
use super::db::either;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::services;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::facility::Stored;
use crate::domain::ids::{PersonId, ThingId};
use crate::domain::names::{Name, Remark, Word};
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::upkeep::leak_test::Measured;
use crate::domain::upkeep::{Outcome, Service};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = services, treat_none_as_null = true)]
struct ServiceRow {
    id: String,
    subject_id: String,
    task: String,
    done_at: NaiveDateTime,
    done_by: String,
    body: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

/// What of a service has no column of its own.
#[derive(Serialize, Deserialize)]
struct ServiceDocument {
    person: Option<PersonId>,
    outcome: Outcome,
    findings: Remark,
    calls_for: Vec<Word>,
    measured: Measured,
    #[serde(default)]
    replaced: bool,
    #[serde(default)]
    restarts: Option<Vec<Word>>,
    #[serde(default)]
    required_class: Option<TightnessClass>,
}

impl From<&Stored<Service>> for ServiceRow {
    fn from(stored: &Stored<Service>) -> Self {
        let service = &stored.value;
        Self {
            id: stored.id.to_string(),
            subject_id: service.subject.to_string(),
            task: service.task.to_string(),
            done_at: service.done_at.naive_utc(),
            done_by: service.done_by.to_string(),
            body: document(&ServiceDocument {
                person: service.person,
                outcome: service.outcome,
                findings: service.findings.clone(),
                calls_for: service.calls_for.clone(),
                measured: service.measured.clone(),
                replaced: service.replaced,
                restarts: service.restarts.clone(),
                required_class: service.required_class,
            }),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<ServiceRow> for Stored<Service> {
    type Error = StoreError;

    fn try_from(row: ServiceRow) -> StoreResult<Self> {
        let body: ServiceDocument = checked("services.body", serde_json::from_str(&row.body))?;
        let value = Service {
            subject: uuid("services.subject_id", &row.subject_id)?.into(),
            task: checked("services.task", Word::parse(&row.task))?,
            done_at: row.done_at.and_utc(),
            done_by: checked("services.done_by", Name::parse(&row.done_by))?,
            person: body.person,
            outcome: body.outcome,
            findings: body.findings,
            calls_for: body.calls_for,
            measured: body.measured,
            replaced: body.replaced,
            restarts: body.restarts,
            required_class: body.required_class,
        };
        Ok(Self {
            id: uuid("services.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Service, "service", None, ServiceRow, services, |_| None);

/// Which services a list is narrowed to; an absent part narrows nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Narrowed {
    /// Those on one part.
    pub(crate) subject: Option<ThingId>,
    /// Those of one task.
    pub(crate) task: Option<Word>,
}

/// Up to `limit` of them in order of id, after the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<Service>>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query =
        services::table.filter(services::id.gt(after)).order(services::id).limit(limit).into_boxed();
    if let Some(subject) = narrowed.subject {
        query = query.filter(services::subject_id.eq(subject.to_string()));
    }
    if let Some(task) = &narrowed.task {
        query = query.filter(services::task.eq(task.to_string()));
    }
    let rows: Vec<ServiceRow> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The services on one part done until `until`, in order of when they were done.
pub(crate) fn on(tx: &mut Tx<'_>, subject: ThingId, until: DateTime<Utc>) -> StoreResult<Vec<Service>> {
    let done = services::table
        .filter(services::subject_id.eq(subject.to_string()))
        .filter(services::done_at.le(until.naive_utc()))
        .order((services::done_at, services::id));
    let rows: Vec<ServiceRow> = either!(tx.db(), connection => done.load(connection)?);
    rows.into_iter().map(|row| Stored::try_from(row).map(|stored| stored.value)).collect()
}
