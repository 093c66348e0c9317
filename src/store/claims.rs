//! Claims: which resource is occupied when.

use super::Tx;
use super::db::either;
use super::error::{StoreError, StoreResult};
use super::instant::far_ahead;
use super::schema::claims;
use super::taken;
use super::things::uuid;
use crate::domain::booking::claims::{LONGEST_CLAIM, Owner};
use crate::domain::booking::{Busy, PlannedClaim, Why};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, ThingId, VisitId};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Nullable, Timestamp};
use uuid::Uuid;

#[derive(Queryable, Insertable)]
#[diesel(table_name = claims, treat_none_as_default_value = false)]
struct ClaimRow {
    id: String,
    resource_id: String,
    booking_id: Option<String>,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    why: String,
    visit_id: Option<String>,
}

impl TryFrom<ClaimRow> for Busy {
    type Error = StoreError;

    fn try_from(row: ClaimRow) -> StoreResult<Self> {
        Ok(Self {
            resource: uuid("claims.resource_id", &row.resource_id)?.into(),
            interval: Interval::new(row.starts_at.and_utc(), row.ends_at.and_utc())
                .map_err(|e| StoreError::corrupt("claims", e))?,
            why: Why::from_word(&row.why).ok_or_else(|| StoreError::corrupt("claims.why", &row.why))?,
            owner: match (&row.booking_id, &row.visit_id) {
                (Some(id), None) => Owner::Booking(uuid("claims.booking_id", id)?.into()),
                (None, Some(id)) => Owner::Visit(uuid("claims.visit_id", id)?.into()),
                (Some(_), Some(_)) | (None, None) => {
                    return Err(StoreError::corrupt("claims", "belongs to a booking or to a visit"));
                }
            },
        })
    }
}

#[diesel::declare_sql_function]
extern "SQL" {
    /// The value, or what stands for it where there is none.
    fn coalesce(value: Nullable<Timestamp>, otherwise: Timestamp) -> Timestamp;
}

/// Stores the claims of a booking or a visit, in order of resource so that concurrent
/// writers meet in the same order. The database refuses overlaps.
pub(crate) fn insert(
    tx: &mut Tx<'_>,
    owner: Owner,
    planned: &[PlannedClaim],
    fresh_id: impl Fn() -> Uuid,
) -> StoreResult<()> {
    note_visit(tx, owner);
    let mut planned = planned.to_vec();
    planned.sort_by_key(|claim| (claim.resource, claim.interval));
    for claim in planned {
        let row = ClaimRow {
            id: fresh_id().to_string(),
            resource_id: claim.resource.to_string(),
            booking_id: if let Owner::Booking(id) = owner { Some(id.to_string()) } else { None },
            starts_at: claim.interval.start().naive_utc(),
            ends_at: claim.interval.end().naive_utc(),
            why: claim.why.word().to_owned(),
            visit_id: if let Owner::Visit(id) = owner { Some(id.to_string()) } else { None },
        };
        let statement = diesel::insert_into(claims::table).values(&row);
        either!(tx.db(), connection => statement.execute(connection)?);
    }
    Ok(())
}

/// What visits take, people's time and parts, is remembered at a revision of the facility; what
/// bookings take follows events (`taken`).
fn note_visit(tx: &mut Tx<'_>, owner: Owner) {
    if matches!(owner, Owner::Visit(_)) {
        tx.changes("claims");
    }
}

/// All claims on a resource, in order of start.
pub(crate) fn on(tx: &mut Tx<'_>, resource: ThingId) -> StoreResult<Vec<Busy>> {
    let rows: Vec<ClaimRow> = claims::table
        .filter(claims::resource_id.eq(resource.to_string()))
        .order(claims::starts_at)
        .load(tx.db())?;
    rows.into_iter().map(Busy::try_from).collect()
}

/// The claims on any of the resources that touch `range`, in order of start and resource.
///
/// No claim is longer than [`LONGEST_CLAIM`], which bounds the walk along the
/// index on (resource, start) at both ends.
pub(crate) fn touching(tx: &mut Tx<'_>, resources: &[ThingId], range: Interval) -> StoreResult<Vec<Busy>> {
    let Some(remembered) = taken::touching(tx, resources, range)? else {
        return stored(tx, resources, range);
    };
    if tx.memory.is_doubted() {
        assert_eq!(remembered, stored(tx, resources, range)?, "remembered, and stored");
    }
    Ok(remembered)
}

fn stored(tx: &mut Tx<'_>, resources: &[ThingId], range: Interval) -> StoreResult<Vec<Busy>> {
    let ids: Vec<String> = resources.iter().map(ToString::to_string).collect();
    let earliest = (range.start() - LONGEST_CLAIM).naive_utc();
    let rows: Vec<ClaimRow> =
        touching_query(ids, earliest, range.start().naive_utc(), range.end().naive_utc()).load(tx.db())?;
    rows.into_iter().map(Busy::try_from).collect()
}

/// The claims on any of the resources that end after an instant, in order of start and resource.
pub(in crate::store) fn from(
    tx: &mut Tx<'_>,
    resources: &[ThingId],
    since: DateTime<Utc>,
) -> StoreResult<Vec<Busy>> {
    let range = Interval::new(since, far_ahead()).map_err(|e| StoreError::corrupt("claims", e))?;
    stored(tx, resources, range)
}

/// The claims that overlap any of the times, each of one resource; in order of start.
///
/// Stored claims of one resource never overlap, so of those that begin before a
/// time only the last can reach into it.
pub(crate) fn overlapping(tx: &mut Tx<'_>, wanted: &[(ThingId, Interval)]) -> StoreResult<Vec<Busy>> {
    let earlier = diesel::alias!(claims as earlier);
    let mut rows: Vec<ClaimRow> = Vec::new();
    for (resource, interval) in wanted {
        let resource = resource.to_string();
        let (start, end) = (interval.start().naive_utc(), interval.end().naive_utc());
        let last = earlier
            .filter(earlier.field(claims::resource_id).eq(&resource))
            .filter(earlier.field(claims::starts_at).le(start))
            .select(diesel::dsl::max(earlier.field(claims::starts_at)))
            .single_value();
        let found = claims::table
            .filter(claims::resource_id.eq(&resource))
            .filter(claims::starts_at.ge(coalesce(last, start)))
            .filter(claims::starts_at.lt(end))
            .filter(claims::ends_at.gt(start));
        rows.extend(either!(tx.db(), connection => found.load::<ClaimRow>(connection)?));
    }
    // One claim may be met by several of the times.
    rows.sort_by(|a, b| (a.starts_at, &a.id).cmp(&(b.starts_at, &b.id)));
    rows.dedup_by(|a, b| a.id == b.id);
    rows.into_iter().map(Busy::try_from).collect()
}

#[diesel::dsl::auto_type]
fn touching_query(
    resources: Vec<String>,
    earliest: NaiveDateTime,
    from: NaiveDateTime,
    to: NaiveDateTime,
) -> _ {
    claims::table
        .filter(claims::resource_id.eq_any(resources))
        .filter(claims::starts_at.ge(earliest))
        .filter(claims::starts_at.lt(to))
        .filter(claims::ends_at.gt(from))
        .order((claims::starts_at, claims::resource_id))
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

/// Gives up all claims of a booking or a visit.
pub(crate) fn release(tx: &mut Tx<'_>, owner: Owner) -> StoreResult<()> {
    note_visit(tx, owner);
    match owner {
        Owner::Booking(id) => {
            diesel::delete(claims::table.filter(claims::booking_id.eq(id.to_string()))).execute(tx.db())?
        }
        Owner::Visit(id) => {
            diesel::delete(claims::table.filter(claims::visit_id.eq(id.to_string()))).execute(tx.db())?
        }
    };
    Ok(())
}

/// The claims of a visit, in order of start.
pub(crate) fn of_visit(tx: &mut Tx<'_>, visit: VisitId) -> StoreResult<Vec<Busy>> {
    let rows: Vec<ClaimRow> = claims::table
        .filter(claims::visit_id.eq(visit.to_string()))
        .order((claims::starts_at, claims::id))
        .load(tx.db())?;
    rows.into_iter().map(Busy::try_from).collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::db::{Db, open_sqlite};
    use crate::store::migrate::migrate;
    use diesel::sqlite::Sqlite;

    #[derive(QueryableByName)]
    struct Step {
        #[diesel(sql_type = diesel::sql_types::Text)]
        detail: String,
    }

    /// SQLite's own account of how it will search (EXPLAIN QUERY PLAN).
    #[test]
    fn claims_are_found_by_their_index_and_never_by_a_scan() {
        let mut db = open_sqlite(std::path::Path::new(":memory:")).unwrap();
        migrate(&mut db).unwrap();
        let at = DateTime::<Utc>::UNIX_EPOCH.naive_utc();
        let query = touching_query(vec!["a".to_owned(), "b".to_owned()], at, at, at);
        let text = diesel::debug_query::<Sqlite, _>(&query).to_string();
        let (sql, _) = text.split_once("-- binds").unwrap();
        let Db::Sqlite(connection) = &mut db else { panic!("an SQLite file") };
        let plan: Vec<Step> =
            diesel::sql_query(format!("EXPLAIN QUERY PLAN {sql}")).load(connection).unwrap();
        let plan: Vec<String> = plan.into_iter().map(|step| step.detail).collect();
        let by_index = plan.iter().any(|step| {
            step.contains("SEARCH claims USING INDEX claims_by_resource (resource_id=? AND starts_at>? AND starts_at<?)")
        });
        assert!(by_index && !plan.iter().any(|step| step.starts_with("SCAN claims")), "{plan:?}");
    }
}
