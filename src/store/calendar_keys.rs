//! Keys of calendar feeds.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::calendar_keys;
use super::things::{checked, uuid};
use crate::domain::calendar_feeds::{CalendarKey, FeedOf};
use crate::domain::facility::Stored;
use crate::domain::ids::ThingId;
use crate::domain::names::Name;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use serde::Serialize;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, Serialize)]
#[diesel(table_name = calendar_keys, treat_none_as_null = true)]
struct KeyRow {
    id: String,
    thing_id: String,
    feed: String,
    label: String,
    /// No part of what an audit shows.
    #[serde(skip)]
    key_hash: String,
    made_by: String,
    last_used_at: Option<NaiveDateTime>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<CalendarKey>> for KeyRow {
    fn from(stored: &Stored<CalendarKey>) -> Self {
        let key = &stored.value;
        Self {
            id: stored.id.to_string(),
            thing_id: key.of.thing().to_string(),
            feed: key.of.word().to_owned(),
            label: key.label.to_string(),
            key_hash: key.key_hash.clone(),
            made_by: key.made_by.clone(),
            last_used_at: key.last_used_at.map(|at| at.naive_utc()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<KeyRow> for Stored<CalendarKey> {
    type Error = StoreError;

    fn try_from(row: KeyRow) -> StoreResult<Self> {
        let thing = uuid("calendar_keys.thing_id", &row.thing_id)?;
        let value = CalendarKey {
            of: FeedOf::from_parts(&row.feed, thing)
                .ok_or_else(|| StoreError::corrupt("calendar_keys.feed", &row.feed))?,
            label: checked("calendar_keys.label", Name::parse(&row.label))?,
            key_hash: row.key_hash,
            made_by: row.made_by,
            last_used_at: row.last_used_at.map(|at| at.and_utc()),
        };
        Ok(Self {
            id: uuid("calendar_keys.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(CalendarKey, "calendar_key", None, KeyRow, calendar_keys, |_| None);

/// Every key of one box or person, in order of creation.
pub(crate) fn of_thing(tx: &mut Tx<'_>, thing: ThingId) -> StoreResult<Vec<Stored<CalendarKey>>> {
    page_of(tx, Some(thing), None, i64::MAX)
}

/// Up to `limit` of them in order of id, of one box or person where given,
/// after the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    thing: Option<ThingId>,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<CalendarKey>>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query = calendar_keys::table
        .filter(calendar_keys::id.gt(after))
        .order(calendar_keys::id)
        .limit(limit)
        .into_boxed();
    if let Some(thing) = thing {
        query = query.filter(calendar_keys::thing_id.eq(thing.to_string()));
    }
    let rows: Vec<KeyRow> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Notes that a key was used; that changes nothing of the key itself.
pub(crate) fn used(tx: &mut Tx<'_>, id: Uuid, at: DateTime<Utc>) -> StoreResult<()> {
    diesel::update(calendar_keys::table.find(id.to_string()))
        .set(calendar_keys::last_used_at.eq(Some(at.naive_utc())))
        .execute(tx.db())?;
    Ok(())
}
