//! Holds, and the marks they leave on bookings.

use super::Tx;
use super::db::Db;
use super::error::{StoreError, StoreResult};
use super::kept::{one_row, only_one};
use super::schema::{bookings, claims, holds, things};
use super::things::{checked, uuid};
use crate::domain::facility::Stored;
use crate::domain::facility::holds::{Hold, HoldSource, Release};
use crate::domain::ids::{GloveboxId, HoldId};
use crate::domain::names::Remark;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = holds, treat_none_as_null = true)]
struct HoldRow {
    id: String,
    glovebox_id: String,
    part_id: Option<String>,
    source: String,
    reason: String,
    evidence: String,
    opened_by: String,
    opened_at: NaiveDateTime,
    released_by: Option<String>,
    released_at: Option<NaiveDateTime>,
    release_remark: Option<String>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<Hold>> for HoldRow {
    fn from(stored: &Stored<Hold>) -> Self {
        let hold = &stored.value;
        let released = hold.released.as_ref();
        Self {
            id: stored.id.to_string(),
            glovebox_id: hold.glovebox.to_string(),
            part_id: hold.part.map(|part| part.to_string()),
            source: hold.source.word().to_owned(),
            reason: hold.reason.to_string(),
            evidence: hold.evidence.to_string(),
            opened_by: hold.opened_by.clone(),
            opened_at: hold.opened_at.naive_utc(),
            released_by: released.map(|release| release.by.clone()),
            released_at: released.map(|release| release.at.naive_utc()),
            release_remark: released.map(|release| release.remark.to_string()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<HoldRow> for Stored<Hold> {
    type Error = StoreError;

    fn try_from(row: HoldRow) -> StoreResult<Self> {
        let released = match (row.released_by, row.released_at) {
            (Some(by), Some(at)) => {
                let remark = row.release_remark.unwrap_or_default();
                let remark = checked("holds.release_remark", Remark::parse(&remark))?;
                Some(Release { by, at: at.and_utc(), remark })
            }
            (None, None) => None,
            _ => return Err(StoreError::corrupt("holds.released_at", "half a release")),
        };
        let value = Hold {
            glovebox: uuid("holds.glovebox_id", &row.glovebox_id)?.into(),
            part: row.part_id.map(|id| uuid("holds.part_id", &id)).transpose()?.map(Into::into),
            source: HoldSource::from_word(&row.source)
                .ok_or_else(|| StoreError::corrupt("holds.source", &row.source))?,
            reason: checked("holds.reason", Remark::parse(&row.reason))?,
            evidence: checked("holds.evidence", serde_json::from_str(&row.evidence))?,
            opened_by: row.opened_by,
            opened_at: row.opened_at.and_utc(),
            released,
        };
        Ok(Self {
            id: uuid("holds.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Hold, "hold", None, HoldRow, holds, |_| None);

fn all(rows: Vec<HoldRow>) -> StoreResult<Vec<Stored<Hold>>> {
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The open holds of a box, oldest first.
pub(crate) fn open_of(tx: &mut Tx<'_>, glovebox: GloveboxId) -> StoreResult<Vec<Stored<Hold>>> {
    all(holds::table
        .filter(holds::glovebox_id.eq(glovebox.to_string()))
        .filter(holds::released_at.is_null())
        .order(holds::id)
        .load(tx.db())?)
}

/// Which holds a list shows.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct HoldFilter {
    /// Those of this box only.
    pub(crate) glovebox: Option<GloveboxId>,
    /// The open ones only, or the released ones only.
    pub(crate) open: Option<bool>,
}

/// Up to `limit` holds in order of id, after the one of id `after`.
pub(crate) fn page(
    tx: &mut Tx<'_>,
    filter: HoldFilter,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<Hold>>> {
    let mut query = holds::table.into_boxed();
    if let Some(glovebox) = filter.glovebox {
        query = query.filter(holds::glovebox_id.eq(glovebox.to_string()));
    }
    if let Some(open) = filter.open {
        query = if open {
            query.filter(holds::released_at.is_null())
        } else {
            query.filter(holds::released_at.is_not_null())
        };
    }
    if let Some(after) = after {
        query = query.filter(holds::id.gt(after.to_string()));
    }
    all(query.order(holds::id).limit(limit).load(tx.db())?)
}

/// The released holds that readings opened on a box, the last released first.
pub(crate) fn released_by_reading_of(
    tx: &mut Tx<'_>,
    glovebox: GloveboxId,
) -> StoreResult<Vec<Stored<Hold>>> {
    all(holds::table
        .filter(holds::glovebox_id.eq(glovebox.to_string()))
        .filter(holds::released_at.is_not_null())
        .filter(holds::source.eq(HoldSource::Reading.word()))
        .order(holds::released_at.desc())
        .load(tx.db())?)
}

/// Makes other transactions that change the same box's holds wait for this
/// one; `SQLite` has one writer at a time anyway.
pub(crate) fn lock(tx: &mut Tx<'_>, glovebox: GloveboxId) -> StoreResult<()> {
    match tx.db() {
        Db::Sqlite(_) => Ok(()),
        Db::Postgres(connection) => {
            let query = things::table.find(glovebox.to_string()).select(things::id).for_no_key_update();
            query.first::<String>(connection).optional()?;
            // What was remembered before the wait may have changed during it.
            tx.look_again();
            Ok(())
        }
    }
}

/// A booking that a hold affects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Affected {
    /// The booking.
    pub(crate) booking: Uuid,
    /// Its version before the change.
    pub(crate) version: i32,
}

impl Affected {
    fn read(rows: Vec<(String, i32)>) -> StoreResult<Vec<Self>> {
        rows.into_iter()
            .map(|(id, version)| Ok(Self { booking: uuid("bookings.id", &id)?, version }))
            .collect()
    }
}

/// The bookings that a hold closes and that no hold has marked yet: booked or
/// in use, and not over at `now`.
pub(crate) fn unmarked(tx: &mut Tx<'_>, hold: &Hold, now: DateTime<Utc>) -> StoreResult<Vec<Affected>> {
    let mut query = bookings::table
        .filter(bookings::glovebox_id.eq(hold.glovebox.to_string()))
        .filter(bookings::progress.eq_any(["booked", "in_use"]))
        .filter(bookings::ends_at.gt(now.naive_utc()))
        .filter(bookings::hold_id.is_null())
        .order(bookings::id)
        .select((bookings::id, bookings::version))
        .into_boxed();
    if let Some(part) = hold.part {
        let users: Vec<Option<String>> = claims::table
            .filter(claims::resource_id.eq(part.to_string()))
            .filter(claims::booking_id.is_not_null())
            .filter(claims::ends_at.gt(now.naive_utc()))
            .select(claims::booking_id)
            .load(tx.db())?;
        let users: Vec<String> = users.into_iter().flatten().collect();
        query = query.filter(bookings::id.eq_any(users));
    }
    Affected::read(query.load(tx.db())?)
}

/// The bookings that carry the hold's mark.
pub(crate) fn marked(tx: &mut Tx<'_>, hold: HoldId) -> StoreResult<Vec<Affected>> {
    let query = bookings::table
        .filter(bookings::hold_id.eq(hold.to_string()))
        .order(bookings::id)
        .select((bookings::id, bookings::version));
    Affected::read(query.load(tx.db())?)
}

/// Marks a booking as affected by a hold: tentative until it is released.
pub(crate) fn mark(
    tx: &mut Tx<'_>,
    affected: &Affected,
    hold: HoldId,
    now: DateTime<Utc>,
) -> StoreResult<()> {
    let before =
        bookings::table.find(affected.booking.to_string()).filter(bookings::version.eq(affected.version));
    let changed = diesel::update(before)
        .set((
            bookings::hold_id.eq(Some(hold.to_string())),
            bookings::status.eq("tentative"),
            bookings::version.eq(bookings::version + 1),
            bookings::updated_at.eq(now.naive_utc()),
        ))
        .execute(tx.db())?;
    only_one(changed)
}

/// Takes the mark off every booking that carries the hold's; what was
/// tentative because of it is confirmed; what was cancelled, or may have to
/// give way to upkeep, stays as it is.
pub(crate) fn unmark(tx: &mut Tx<'_>, hold: HoldId, now: DateTime<Utc>) -> StoreResult<()> {
    diesel::update(
        bookings::table
            .filter(bookings::hold_id.eq(hold.to_string()))
            .filter(bookings::status.eq("tentative"))
            .filter(bookings::work.not_like("%\"may_give_way\"%")),
    )
    .set(bookings::status.eq("confirmed"))
    .execute(tx.db())?;
    diesel::update(bookings::table.filter(bookings::hold_id.eq(hold.to_string())))
        .set((
            bookings::hold_id.eq(None::<String>),
            bookings::version.eq(bookings::version + 1),
            bookings::updated_at.eq(now.naive_utc()),
        ))
        .execute(tx.db())?;
    Ok(())
}
