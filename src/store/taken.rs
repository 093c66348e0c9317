//! What is taken, remembered between reads, so that looking for openings does not read all
//! bookings each time. Of `SQLite` only, where one writer numbers the events: whoever sees
//! event 7 sees all that came before it.
//!
//! Whatever a booking claims changes together with an event about it, so what was remembered
//! at one event is brought to a later one by reading again what the bookings named by the
//! events between claim. Claims of visits raise the facility's revision, under which all this
//! is remembered (`memory`). A transaction that may write asks the database. Claims that somebody
//! changes by hand, without an event, are noticed at the next revision.

use super::Tx;
use super::claims::{from, of_bookings};
use super::db::{Db, either};
use super::error::StoreResult;
use super::schema::events;
use super::things::uuid;
use crate::domain::booking::{Busy, Owner};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, ThingId};
use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use diesel::prelude::*;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// The most claims remembered; where there are more none are.
const MOST: usize = 200_000;
/// Beyond so many events everything is read anew.
const MOST_EVENTS: i64 = 500;
/// How far before the time asked for claims are remembered too.
const BEFORE: TimeDelta = TimeDelta::days(7);
/// Who asks for times that long before the last event is answered by the database.
const FARTHEST: TimeDelta = TimeDelta::days(60);

/// An event, with enough of it to know it again: a file that is put back to an earlier state comes
/// to the same numbers with other events.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::store) struct Mark {
    seq: i64,
    at: NaiveDateTime,
    subject: String,
}

/// What is taken as of an event.
#[derive(Debug, Clone)]
pub(in crate::store) struct Taken {
    /// The last event that it takes into account.
    upto: Mark,
    on: HashMap<ThingId, Resource>,
    /// Whether it is more than is remembered.
    too_much: bool,
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
    let Some((revision, now)) = moment(tx)? else { return Ok(None) };
    if range.start().naive_utc() < now.at - FARTHEST {
        return Ok(None);
    }
    let memory = tx.memory;
    let known = memory.at(revision, |generation| generation.taken.clone()).flatten();
    let mut taken = match known {
        // Somebody else has seen later changes than this transaction sees, or it is too much.
        Some(taken) if taken.too_much || taken.upto.seq > now.seq => return Ok(None),
        Some(taken) if taken.upto == now => taken,
        Some(taken) if now.seq - taken.upto.seq <= MOST_EVENTS && taken.upto.is_still_there(tx)? => {
            Arc::new(taken.brought_to(tx, now)?)
        }
        Some(_) | None => Arc::new(Taken { upto: now, on: HashMap::new(), too_much: false }),
    };
    let missing: Vec<ThingId> =
        resources.iter().copied().filter(|resource| !taken.knows(*resource, range.start())).collect();
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
fn moment(tx: &mut Tx<'_>) -> StoreResult<Option<(i64, Mark)>> {
    if !tx.only_reads || matches!(tx.db, Db::Postgres(_)) {
        return Ok(None);
    }
    let Some(revision) = tx.revision()? else { return Ok(None) };
    if tx.last_event.is_none() {
        let last = marks().order(events::seq.desc());
        let last = either!(tx.db(), connection => last.first(connection).optional()?);
        tx.last_event = last.map(Mark::of);
    }
    Ok(tx.last_event.clone().map(|last| (revision, last)))
}

#[diesel::dsl::auto_type]
fn marks() -> _ {
    events::table.select((events::seq, events::at, events::subject_id))
}

impl Mark {
    fn of((seq, at, subject): (i64, NaiveDateTime, String)) -> Self {
        Self { seq, at, subject }
    }

    fn is_still_there(&self, tx: &mut Tx<'_>) -> StoreResult<bool> {
        let there = marks().filter(events::seq.eq(self.seq));
        let there = either!(tx.db(), connection => there.first(connection).optional()?);
        Ok(there.map(Self::of).as_ref() == Some(self))
    }
}

impl Taken {
    fn knows(&self, resource: ThingId, start: DateTime<Utc>) -> bool {
        self.on.get(&resource).is_some_and(|known| known.since <= start)
    }

    /// What was taken at a later event.
    fn brought_to(&self, tx: &mut Tx<'_>, upto: Mark) -> StoreResult<Self> {
        let named: Vec<String> = events::table
            .filter(events::seq.gt(self.upto.seq))
            .filter(events::seq.le(upto.seq))
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
        Ok(Self { upto, on, too_much: false })
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
    /// Keeps what is taken, unless somebody kept something later; of too much only that it is.
    fn keep(&mut self, mut taken: Arc<Taken>) {
        let same = self.taken.as_ref().is_some_and(|known| Arc::ptr_eq(known, &taken));
        let later = self.taken.as_ref().is_some_and(|known| known.upto.seq > taken.upto.seq);
        if same || later {
            return;
        }
        if taken.size() > MOST {
            taken = Arc::new(Taken { upto: taken.upto.clone(), on: HashMap::new(), too_much: true });
        }
        self.taken = Some(taken);
    }
}
