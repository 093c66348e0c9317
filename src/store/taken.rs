//! What is taken, remembered between reads, so that looking for openings does not read all
//! bookings each time. Of `SQLite` only, where one writer numbers the events: whoever sees
//! event 7 sees all that came before it.
//!
//! Whatever a booking claims changes together with an event about it, so what was remembered
//! at one event is brought to a later one by reading again what the bookings named by the
//! events between claim. Claims of visits raise the facility's revision, under which all this
//! is remembered (`memory`). A transaction that may write asks the database.

use super::Tx;
use super::claims::{from, of_bookings};
use super::db::{Db, either};
use super::error::StoreResult;
use super::schema::events;
use super::things::uuid;
use crate::domain::booking::{Busy, Owner};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, ThingId};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// The most claims remembered; beyond it all are forgotten.
const MOST: usize = 200_000;
/// Beyond so many events everything is read anew.
const MOST_EVENTS: i64 = 500;
/// How far before the time asked for claims are remembered too.
const BEFORE: TimeDelta = TimeDelta::days(7);
/// Who asks for times that much earlier than those remembered is answered by the database.
const FARTHEST: TimeDelta = TimeDelta::days(60);

/// What is taken as of an event.
#[derive(Debug, Clone, Default)]
pub(in crate::store) struct Taken {
    /// The last event that it takes into account.
    upto: i64,
    on: HashMap<ThingId, Resource>,
}

/// All claims on one resource that end after an instant, in order of start; none overlap.
#[derive(Debug, Clone)]
struct Resource {
    since: DateTime<Utc>,
    claims: Arc<Vec<Busy>>,
}

/// The claims on any of the resources that touch `range`, where that can be told without
/// reading them all.
pub(super) fn touching(
    tx: &mut Tx<'_>,
    resources: &[ThingId],
    range: Interval,
) -> StoreResult<Option<Vec<Busy>>> {
    let Some((revision, upto)) = moment(tx)? else { return Ok(None) };
    let memory = tx.memory;
    let known = memory.at(revision, |generation| generation.taken.clone()).flatten();
    let mut taken = match known {
        // Somebody else has seen later changes than this transaction sees.
        Some(taken) if taken.upto > upto => return Ok(None),
        Some(taken) if taken.upto == upto => taken,
        Some(taken) if upto - taken.upto <= MOST_EVENTS => Arc::new(taken.brought_to(tx, upto)?),
        Some(_) | None => Arc::new(Taken { upto, on: HashMap::new() }),
    };
    let missing: Vec<ThingId> =
        resources.iter().copied().filter(|resource| !taken.knows(*resource, range.start())).collect();
    if missing.iter().any(|resource| taken.is_far_before(*resource, range.start())) {
        return Ok(None);
    }
    if !missing.is_empty() {
        let since = range.start() - BEFORE;
        let found = from(tx, &missing, since)?;
        Arc::make_mut(&mut taken).put(&missing, since, found);
    }
    let found = taken.touching(resources, range);
    memory.at(revision, |generation| generation.keep(taken));
    Ok(Some(found))
}

/// The facility's revision and the last event that the transaction sees.
fn moment(tx: &mut Tx<'_>) -> StoreResult<Option<(i64, i64)>> {
    if !tx.only_reads || matches!(tx.db, Db::Postgres(_)) {
        return Ok(None);
    }
    let Some(revision) = tx.revision()? else { return Ok(None) };
    if tx.last_event.is_none() {
        let last = events::table.select(diesel::dsl::max(events::seq));
        let last: Option<i64> = either!(tx.db(), connection => last.first(connection)?);
        tx.last_event = Some(last.unwrap_or(0));
    }
    Ok(tx.last_event.map(|upto| (revision, upto)))
}

impl Taken {
    fn knows(&self, resource: ThingId, start: DateTime<Utc>) -> bool {
        self.on.get(&resource).is_some_and(|known| known.since <= start)
    }

    fn is_far_before(&self, resource: ThingId, start: DateTime<Utc>) -> bool {
        self.on.get(&resource).is_some_and(|known| start < known.since - FARTHEST)
    }

    /// What was taken at a later event.
    fn brought_to(&self, tx: &mut Tx<'_>, upto: i64) -> StoreResult<Self> {
        let named: Vec<String> = events::table
            .filter(events::seq.gt(self.upto))
            .filter(events::seq.le(upto))
            .filter(events::kind.like("booking.%"))
            .select(events::subject_id)
            .load(tx.db())?;
        let changed: HashSet<BookingId> = named
            .iter()
            .map(|id| uuid("events.subject_id", id).map(BookingId::from))
            .collect::<StoreResult<_>>()?;
        let now = of_bookings(tx, &changed.iter().copied().collect::<Vec<_>>())?;
        let is_old = |claim: &Busy| matches!(claim.owner, Owner::Booking(id) if changed.contains(&id));
        let mut on = self.on.clone();
        for known in on.values_mut().filter(|known| known.claims.iter().any(is_old)) {
            Arc::make_mut(&mut known.claims).retain(|claim| !is_old(claim));
        }
        for claim in now {
            let known = on.get_mut(&claim.resource).filter(|known| known.since < claim.interval.end());
            let Some(claims) = known.map(|known| Arc::make_mut(&mut known.claims)) else { continue };
            let place = claims.partition_point(|other| other.interval.start() < claim.interval.start());
            claims.insert(place, claim);
        }
        Ok(Self { upto, on })
    }

    /// Notes all claims on some resources that end after `since`.
    fn put(&mut self, resources: &[ThingId], since: DateTime<Utc>, claims: Vec<Busy>) {
        let mut by_resource: HashMap<ThingId, Vec<Busy>> =
            resources.iter().map(|resource| (*resource, Vec::new())).collect();
        for claim in claims {
            by_resource.entry(claim.resource).or_default().push(claim);
        }
        let parts = by_resource.into_iter();
        self.on.extend(parts.map(|(resource, mut claims)| {
            claims.shrink_to_fit();
            (resource, Resource { since, claims: Arc::new(claims) })
        }));
    }

    /// In order of start and resource, as the database tells them.
    fn touching(&self, resources: &[ThingId], range: Interval) -> Vec<Busy> {
        let mut found = Vec::new();
        for known in resources.iter().filter_map(|resource| self.on.get(resource)) {
            let first = known.claims.partition_point(|claim| claim.interval.end() <= range.start());
            let last = known.claims.partition_point(|claim| claim.interval.start() < range.end());
            found.extend_from_slice(known.claims.get(first..last).unwrap_or_default());
        }
        found.sort_by_key(|claim| (claim.interval.start(), claim.resource));
        found
    }

    fn size(&self) -> usize {
        self.on.values().map(|known| known.claims.len()).sum()
    }
}

impl super::memory::Generation {
    /// Keeps what is taken, unless somebody kept something later or it is too much.
    fn keep(&mut self, taken: Arc<Taken>) {
        let same = self.taken.as_ref().is_some_and(|known| Arc::ptr_eq(known, &taken));
        let later = self.taken.as_ref().is_some_and(|known| known.upto > taken.upto);
        if !(same || later) {
            self.taken = (taken.size() <= MOST).then_some(taken);
        }
    }
}
