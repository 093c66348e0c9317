//! The facility as a whole: one row, there from the first start on.

use super::Tx;
use super::db::Db;
use super::error::{StoreError, StoreResult};
use super::kept::{Kept as _, one_row};
use super::schema::facility;
use super::things::{checked, uuid};
use crate::domain::calendar::zone::parse_zone;
use crate::domain::facility::{Site, Stored};
use crate::domain::names::{Name, Remark};
use chrono::NaiveDateTime;
use diesel::prelude::*;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = facility)]
struct SiteRow {
    id: String,
    name: String,
    timezone: String,
    contact: String,
    opening_hours: String,
    closures: String,
    policies: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

/// Writes a document that cannot fail to be written as JSON.
pub(in crate::store) fn document(value: &impl serde::Serialize) -> String {
    serde_json::to_string(value).expect("the domain's documents have text keys and finite numbers")
}

impl From<&Stored<Site>> for SiteRow {
    fn from(stored: &Stored<Site>) -> Self {
        let site = &stored.value;
        Self {
            id: stored.id.to_string(),
            name: site.name.to_string(),
            timezone: site.timezone.name().to_owned(),
            contact: site.contact.to_string(),
            opening_hours: document(&site.opening_hours),
            closures: document(&site.closures),
            policies: document(&site.policies),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<SiteRow> for Stored<Site> {
    type Error = StoreError;

    fn try_from(row: SiteRow) -> StoreResult<Self> {
        let value = Site {
            name: checked("facility.name", Name::parse(&row.name))?,
            timezone: checked("facility.timezone", parse_zone(&row.timezone))?,
            contact: checked("facility.contact", Remark::parse(&row.contact))?,
            opening_hours: checked("facility.opening_hours", serde_json::from_str(&row.opening_hours))?,
            closures: checked("facility.closures", serde_json::from_str(&row.closures))?,
            policies: checked("facility.policies", serde_json::from_str(&row.policies))?,
        };
        Ok(Self {
            id: uuid("facility.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Site, "facility", None, SiteRow, facility, |_| None);

/// The facility, where it has been set up; the first ever created counts.
pub(crate) fn find(tx: &mut Tx<'_>) -> StoreResult<Option<Stored<Site>>> {
    Ok(Site::page(tx, None, 1)?.pop())
}

/// Waits for whoever adds or changes a facility, and keeps others from it until the
/// transaction ends. `SQLite` has one writer.
pub(crate) fn keep_others_from_adding(tx: &mut Tx<'_>) -> StoreResult<()> {
    if let Db::Postgres(connection) = tx.db() {
        diesel::sql_query("LOCK TABLE facility IN SHARE ROW EXCLUSIVE MODE").execute(connection)?;
    }
    Ok(())
}

/// The facility.
pub(crate) fn get(tx: &mut Tx<'_>) -> StoreResult<Stored<Site>> {
    find(tx)?.ok_or_else(|| StoreError::corrupt("facility", "it has not been set up"))
}

/// Stores the facility, for the first time or changed.
pub(crate) fn put(tx: &mut Tx<'_>, stored: &Stored<Site>) -> StoreResult<()> {
    if Site::find(tx, stored.id)?.is_some() { Site::update(tx, stored) } else { Site::insert(tx, stored) }
}
