//! Claims: which resource is occupied when.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::schema::claims;
use super::things::uuid;
use crate::domain::booking::claims::LONGEST_CLAIM;
use crate::domain::booking::{Busy, PlannedClaim, Why};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, ThingId};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable)]
#[diesel(table_name = claims)]
struct ClaimRow {
    id: String,
    resource_id: String,
    booking_id: Option<String>,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    why: String,
}

impl TryFrom<ClaimRow> for Busy {
    type Error = StoreError;

    fn try_from(row: ClaimRow) -> StoreResult<Self> {
        Ok(Self {
            resource: uuid("claims.resource_id", &row.resource_id)?.into(),
            interval: Interval::new(row.starts_at.and_utc(), row.ends_at.and_utc())
                .map_err(|e| StoreError::corrupt("claims", e))?,
            why: Why::from_word(&row.why).ok_or_else(|| StoreError::corrupt("claims.why", &row.why))?,
            booking: row
                .booking_id
                .as_deref()
                .map(|id| uuid("claims.booking_id", id).map(Into::into))
                .transpose()?,
        })
    }
}

/// Stores the claims of a booking, in order of resource so that concurrent
/// writers meet in the same order. The database refuses overlaps.
pub(crate) fn insert(
    tx: &mut Tx<'_>,
    booking: BookingId,
    planned: &[PlannedClaim],
    fresh_id: impl Fn() -> Uuid,
) -> StoreResult<()> {
    let mut planned = planned.to_vec();
    planned.sort_by_key(|claim| (claim.resource, claim.interval));
    for claim in planned {
        let row = ClaimRow {
            id: fresh_id().to_string(),
            resource_id: claim.resource.to_string(),
            booking_id: Some(booking.to_string()),
            starts_at: claim.interval.start().naive_utc(),
            ends_at: claim.interval.end().naive_utc(),
            why: claim.why.word().to_owned(),
        };
        diesel::insert_into(claims::table).values(&row).execute(tx.db())?;
    }
    Ok(())
}

/// The claims on any of the resources that touch `range`, in order of start.
///
/// No claim is longer than [`LONGEST_CLAIM`], which bounds the walk along the
/// index on (resource, start) at both ends.
pub(crate) fn touching(tx: &mut Tx<'_>, resources: &[ThingId], range: Interval) -> StoreResult<Vec<Busy>> {
    let ids: Vec<String> = resources.iter().map(ToString::to_string).collect();
    let rows: Vec<ClaimRow> = claims::table
        .filter(claims::resource_id.eq_any(ids))
        .filter(claims::starts_at.ge((range.start() - LONGEST_CLAIM).naive_utc()))
        .filter(claims::starts_at.lt(range.end().naive_utc()))
        .filter(claims::ends_at.gt(range.start().naive_utc()))
        .order((claims::starts_at, claims::id))
        .load(tx.db())?;
    rows.into_iter().map(Busy::try_from).collect()
}

/// The claims of some bookings, in order of start.
pub(crate) fn of_bookings(tx: &mut Tx<'_>, bookings: &[BookingId]) -> StoreResult<Vec<Busy>> {
    let ids: Vec<String> = bookings.iter().map(ToString::to_string).collect();
    let rows: Vec<ClaimRow> = claims::table
        .filter(claims::booking_id.eq_any(ids))
        .order((claims::starts_at, claims::id))
        .load(tx.db())?;
    rows.into_iter().map(Busy::try_from).collect()
}

/// Gives up all claims of a booking.
pub(crate) fn release(tx: &mut Tx<'_>, booking: BookingId) -> StoreResult<()> {
    diesel::delete(claims::table.filter(claims::booking_id.eq(booking.to_string()))).execute(tx.db())?;
    Ok(())
}

/// Ends a booking's working claims at `at`, where they reach beyond it.
pub(crate) fn end_work(tx: &mut Tx<'_>, booking: BookingId, at: DateTime<Utc>) -> StoreResult<()> {
    let own = claims::table
        .filter(claims::booking_id.eq(booking.to_string()))
        .filter(claims::why.eq_any([Why::Work.word(), Why::Instrument.word()]))
        .filter(claims::starts_at.lt(at.naive_utc()))
        .filter(claims::ends_at.gt(at.naive_utc()));
    diesel::update(own).set(claims::ends_at.eq(at.naive_utc())).execute(tx.db())?;
    Ok(())
}
