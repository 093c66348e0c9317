//! What is remembered of the facility between transactions: its rules, boxes,
//! people and windows change rarely and are asked for at every booking.
//!
//! The database keeps a number that every change of these raises
//! (`facility_revision`). A transaction reads it once and takes what was
//! remembered at that number; what it loads itself it remembers under it. A
//! transaction that changes any of it remembers nothing from there on.

use super::Tx;
use super::error::StoreResult;
use super::kept::Kept as _;
use super::schema::facility_revision;
use super::taken::Taken;
use super::{claims, gloveboxes, holds, people, qualifications, site, things, windows};
use crate::domain::calendar::Interval;
use crate::domain::facility::holds::Hold;
use crate::domain::facility::{Glovebox, MaintenanceWindow, Person, Qualification, Site, Stored, ThingKind};
use crate::domain::ids::{GloveboxId, PersonId};
use crate::domain::names::{Reference, Tag};
use diesel::prelude::*;
use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// The tables whose changes raise the revision, by triggers of the database.
pub(in crate::store) const REMEMBERED: [&str; 12] = [
    "facility",
    "things",
    "gloveboxes",
    "stations",
    "antechambers",
    "instruments",
    "purifiers",
    "people",
    "qualifications",
    "maintenance_windows",
    "holds",
    // Those of visits: when people do upkeep, and what it takes up (`taken`).
    "claims",
];

/// The most answers remembered at once; beyond it all are forgotten.
const MOST: usize = 20_000;

/// What a transaction knows of the facility's revision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::store) enum Known {
    /// It has not asked.
    Nothing,
    /// It is this.
    Revision(i64),
    /// The transaction has itself changed what is remembered.
    Changed,
}

/// What was asked for at one revision.
#[derive(Debug, Default)]
pub(in crate::store) struct Generation {
    revision: i64,
    site: Option<Arc<Stored<Site>>>,
    windows: Option<Arc<Vec<Stored<MaintenanceWindow>>>>,
    people: HashMap<String, Arc<Stored<Person>>>,
    qualifications: HashMap<PersonId, Option<Arc<Vec<Stored<Qualification>>>>>,
    tags: HashMap<Tag, Uuid>,
    gloveboxes: HashMap<Uuid, Arc<Stored<Glovebox>>>,
    all_gloveboxes: Option<Arc<Vec<Stored<Glovebox>>>>,
    holds: HashMap<GloveboxId, Option<Arc<Vec<Stored<Hold>>>>>,
    upkeep: HashMap<PersonId, Option<Arc<Vec<Interval>>>>,
    pub(in crate::store) taken: Option<Arc<Taken>>,
}

impl Generation {
    fn size(&self) -> usize {
        self.people.len()
            + self.qualifications.len()
            + self.tags.len()
            + self.gloveboxes.len()
            + self.holds.len()
            + self.upkeep.len()
    }
}

/// What all transactions of a store remember together: of the newest revision
/// that any of them has seen.
#[derive(Debug, Default)]
pub(in crate::store) struct Memory {
    known: Mutex<Generation>,
    doubted: bool,
}

impl Memory {
    /// One that is compared with the database whenever it answers what is taken.
    pub(in crate::store) fn doubted() -> Self {
        Self { doubted: true, ..Self::default() }
    }

    /// Whether it is compared with the database.
    pub(in crate::store) fn is_doubted(&self) -> bool {
        cfg!(debug_assertions) || self.doubted
    }

    /// Forgets everything: what was remembered may never have been committed.
    pub(in crate::store) fn forget(&self) {
        *self.known.lock().unwrap_or_else(PoisonError::into_inner) = Generation::default();
    }

    /// What is remembered at a revision; nothing where a newer one has been seen.
    pub(in crate::store) fn at<R>(
        &self,
        revision: i64,
        look: impl FnOnce(&mut Generation) -> R,
    ) -> Option<R> {
        let mut generation = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if generation.revision < revision || generation.size() > MOST {
            *generation = Generation { revision, ..Generation::default() };
        }
        (generation.revision == revision).then(|| look(&mut generation))
    }
}

impl Tx<'_> {
    /// Notes that a table is changed: what is remembered no longer holds here.
    pub(in crate::store) fn changes(&mut self, table: &str) {
        if REMEMBERED.contains(&table) {
            self.known = Known::Changed;
        }
    }

    /// Asks for the revision again when next it is needed: after waiting for a lock,
    /// behind which things may have changed.
    pub(in crate::store) fn look_again(&mut self) {
        if self.known != Known::Changed {
            self.known = Known::Nothing;
        }
    }

    pub(in crate::store) fn revision(&mut self) -> StoreResult<Option<i64>> {
        match self.known {
            Known::Revision(revision) => Ok(Some(revision)),
            Known::Changed => Ok(None),
            Known::Nothing => {
                let found: Vec<i64> =
                    facility_revision::table.select(facility_revision::revision).load(self.db())?;
                // Without the row no change would be noticed.
                let Some(revision) = found.first().copied() else { return Ok(None) };
                self.known = Known::Revision(revision);
                Ok(Some(revision))
            }
        }
    }
}

/// What is remembered in a slot, or else loaded and remembered.
fn recall<T: Clone>(
    tx: &mut Tx<'_>,
    slot: impl Fn(&mut Generation) -> &mut Option<T>,
    load: impl FnOnce(&mut Tx<'_>) -> StoreResult<T>,
) -> StoreResult<T> {
    let Some(revision) = tx.revision()? else { return load(tx) };
    let memory = tx.memory;
    if let Some(found) = memory.at(revision, |generation| slot(generation).clone()).flatten() {
        return Ok(found);
    }
    let loaded = load(tx)?;
    memory.at(revision, |generation| *slot(generation) = Some(loaded.clone()));
    Ok(loaded)
}

/// As [`recall`], of what may not be there; what is not there is not remembered, since
/// anyone may ask for anything.
fn recall_found<K: Eq + Hash, T: Clone>(
    tx: &mut Tx<'_>,
    map: impl Fn(&mut Generation) -> &mut HashMap<K, T>,
    key: K,
    load: impl FnOnce(&mut Tx<'_>) -> StoreResult<Option<T>>,
) -> StoreResult<Option<T>> {
    let Some(revision) = tx.revision()? else { return load(tx) };
    let memory = tx.memory;
    let known = memory.at(revision, |generation| map(generation).get(&key).cloned()).flatten();
    if known.is_some() {
        return Ok(known);
    }
    let loaded = load(tx)?;
    if let Some(found) = &loaded {
        memory.at(revision, |generation| map(generation).insert(key, found.clone()));
    }
    Ok(loaded)
}

/// The facility.
pub(crate) fn facility(tx: &mut Tx<'_>) -> StoreResult<Arc<Stored<Site>>> {
    recall(tx, |known| &mut known.site, |tx| site::get(tx).map(Arc::new))
}

/// All maintenance windows.
pub(crate) fn all_windows(tx: &mut Tx<'_>) -> StoreResult<Arc<Vec<Stored<MaintenanceWindow>>>> {
    recall(tx, |known| &mut known.windows, |tx| windows::all(tx).map(Arc::new))
}

/// The person who signs in with that token subject.
pub(crate) fn person_by_subject(tx: &mut Tx<'_>, subject: &str) -> StoreResult<Option<Arc<Stored<Person>>>> {
    let load = |tx: &mut Tx<'_>| Ok(people::by_subject(tx, subject)?.map(Arc::new));
    recall_found(tx, |known| &mut known.people, subject.to_owned(), load)
}

/// Everything a person is or was qualified for.
pub(crate) fn qualifications_of(
    tx: &mut Tx<'_>,
    person: PersonId,
) -> StoreResult<Arc<Vec<Stored<Qualification>>>> {
    let load = |tx: &mut Tx<'_>| qualifications::of_person(tx, person).map(Arc::new);
    recall(tx, |known| known.qualifications.entry(person).or_default(), load)
}

/// When a person is to do upkeep, or has, in order.
pub(crate) fn upkeep_by(tx: &mut Tx<'_>, person: PersonId) -> StoreResult<Arc<Vec<Interval>>> {
    let load = |tx: &mut Tx<'_>| {
        let own = claims::on(tx, person.into())?;
        Ok(Arc::new(own.into_iter().map(|claim| claim.interval).collect()))
    };
    recall(tx, |known| known.upkeep.entry(person).or_default(), load)
}

/// The box that a reference means.
pub(crate) fn glovebox_meant(tx: &mut Tx<'_>, reference: &Reference) -> StoreResult<Option<Uuid>> {
    let Reference::Tag(tag) = reference else { return meant(tx, reference) };
    recall_found(tx, |known| &mut known.tags, tag.clone(), |tx| meant(tx, reference))
}

fn meant(tx: &mut Tx<'_>, reference: &Reference) -> StoreResult<Option<Uuid>> {
    let mut found = things::matching(tx, reference)?.into_iter();
    Ok(found.find(|thing| thing.kind == ThingKind::Glovebox).map(|thing| thing.id))
}

/// The box of that id, which exists.
pub(crate) fn glovebox(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Arc<Stored<Glovebox>>>> {
    let load = |tx: &mut Tx<'_>| Ok(Glovebox::find(tx, id)?.map(Arc::new));
    recall_found(tx, |known| &mut known.gloveboxes, id, load)
}

/// Every box, in order of id.
pub(crate) fn gloveboxes(tx: &mut Tx<'_>) -> StoreResult<Arc<Vec<Stored<Glovebox>>>> {
    recall(tx, |known| &mut known.all_gloveboxes, |tx| gloveboxes::all(tx).map(Arc::new))
}

/// The open holds of a box, oldest first.
pub(crate) fn open_holds(tx: &mut Tx<'_>, glovebox: GloveboxId) -> StoreResult<Arc<Vec<Stored<Hold>>>> {
    let load = |tx: &mut Tx<'_>| holds::open_of(tx, glovebox).map(Arc::new);
    recall(tx, |known| known.holds.entry(glovebox).or_default(), load)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::db::{Db, open_sqlite};
    use crate::store::migrate::migrate;
    use diesel::sql_types::Text;

    #[derive(QueryableByName)]
    struct Table {
        #[diesel(sql_type = Text)]
        name: String,
    }

    #[test]
    fn the_database_notices_changes_of_every_table_that_is_remembered() {
        let mut db = open_sqlite(std::path::Path::new(":memory:")).unwrap();
        migrate(&mut db).unwrap();
        let Db::Sqlite(connection) = &mut db else { panic!("an SQLite file") };
        let noticed: Vec<Table> = diesel::sql_query(
            "SELECT tbl_name AS name FROM sqlite_master WHERE sql LIKE '%UPDATE facility_revision%' GROUP BY tbl_name",
        )
        .load(connection)
        .unwrap();
        let mut noticed: Vec<String> = noticed.into_iter().map(|table| table.name).collect();
        let mut remembered = REMEMBERED.map(str::to_owned).to_vec();
        noticed.sort();
        remembered.sort();
        assert_eq!(noticed, remembered);
    }

    #[test]
    fn what_is_known_of_a_newer_revision_is_not_given_to_an_older_one() {
        let memory = Memory::default();
        let put = |revision, tag: &str| {
            let tag = Tag::parse(tag).unwrap();
            memory.at(revision, |known| known.tags.insert(tag, Uuid::nil()))
        };
        assert!(put(5, "A").is_some());
        assert!(put(6, "B").is_some());
        assert!(put(5, "C").is_none());
        assert_eq!(memory.at(6, |known| known.tags.len()), Some(1));
        memory.forget();
        assert_eq!(memory.at(6, |known| known.tags.len()), Some(0));
    }
}
