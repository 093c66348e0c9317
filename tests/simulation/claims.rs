//! Claims never overlap: a copy of the table, followed owner by owner, and
//! compared by looking at every pair that could meet.

use crate::database::Observer;
use crate::model::{Booked, Model, instant};
use chrono::{DateTime, Utc};
use diesel::QueryableByName;
use diesel::sql_types::{Bool, Text};
use std::collections::{BTreeMap, BTreeSet};

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Text)]
    id: String,
    #[diesel(sql_type = Text)]
    resource: String,
    #[diesel(sql_type = Text)]
    owner: String,
    #[diesel(sql_type = Bool)]
    of_visit: bool,
    #[diesel(sql_type = Text)]
    start: String,
    #[diesel(sql_type = Text)]
    end: String,
    #[diesel(sql_type = Text)]
    why: String,
}

/// A time that is taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Claim {
    /// Of what.
    pub(crate) resource: String,
    /// Booking or visit.
    pub(crate) owner: String,
    of_visit: bool,
    /// From then on.
    pub(crate) start: DateTime<Utc>,
    /// Until then.
    pub(crate) end: DateTime<Utc>,
    why: String,
}

/// The claims of a resource by their start: the end, and whose it is.
type Taken = BTreeMap<DateTime<Utc>, (DateTime<Utc>, String)>;

/// All that is taken: by owner and id of the claim, and by resource and start.
#[derive(Debug, Default)]
pub(crate) struct Claims {
    by_owner: BTreeMap<String, BTreeMap<String, Claim>>,
    by_resource: BTreeMap<String, Taken>,
}

fn read(observer: &mut Observer, only: &str) -> BTreeMap<String, Claim> {
    let rows: Vec<Row> = observer.rows(&format!(
        "SELECT id, resource_id AS resource, coalesce(booking_id, visit_id) AS owner, visit_id IS NOT NULL AS of_visit, \
         starts_at AS start, ends_at AS \"end\", why FROM claims {only}"
    ));
    let claim = |row: Row| {
        let claim = Claim {
            resource: row.resource,
            owner: row.owner,
            of_visit: row.of_visit,
            start: instant(&row.start),
            end: instant(&row.end),
            why: row.why,
        };
        (row.id, claim)
    };
    rows.into_iter().map(claim).collect()
}

fn quoted(ids: &BTreeSet<String>) -> String {
    let ids: Vec<String> = ids.iter().map(|id| format!("'{id}'")).collect();
    ids.join(",")
}

impl Claims {
    /// Reads again what some owners claim, and compares it with everybody's.
    pub(crate) fn follow(&mut self, observer: &mut Observer, owners: &BTreeSet<String>) {
        if owners.is_empty() {
            return;
        }
        for owner in owners {
            for claim in self.by_owner.remove(owner).unwrap_or_default().into_values() {
                self.by_resource.get_mut(&claim.resource).expect("in both").remove(&claim.start);
            }
        }
        let ids = quoted(owners);
        let now = read(observer, &format!("WHERE booking_id IN ({ids}) OR visit_id IN ({ids})"));
        for (id, claim) in now {
            let meets = self.meeting(&claim.resource, claim.start, claim.end);
            assert!(meets.is_none(), "two claims overlap: {claim:?} and {meets:?}");
            let on = self.by_resource.entry(claim.resource.clone()).or_default();
            on.insert(claim.start, (claim.end, claim.owner.clone()));
            self.by_owner.entry(claim.owner.clone()).or_default().insert(id, claim);
        }
    }

    /// Whose claim on the resource shares time with an interval. None of those
    /// known overlap, so only the last that begins before the end can.
    pub(crate) fn meeting(
        &self,
        resource: &str,
        start: DateTime<Utc>,
        end: DateTime<Utc>,
    ) -> Option<&String> {
        let (_, (until, owner)) = self.by_resource.get(resource)?.range(..end).next_back()?;
        (*until > start).then_some(owner)
    }

    /// What an owner claims.
    pub(crate) fn of(&self, owner: &str) -> impl Iterator<Item = &Claim> {
        self.by_owner.get(owner).into_iter().flat_map(BTreeMap::values)
    }

    /// Passes where the whole table is as it was followed and free of overlaps,
    /// and where everybody who has work ahead has the place for it.
    pub(crate) fn assert_all(&self, observer: &mut Observer, model: &Model) {
        let now = read(observer, "");
        for (id, claim) in &now {
            let known = self.by_owner.get(&claim.owner).and_then(|of| of.get(id));
            assert_eq!(Some(claim), known, "a claim came or changed unseen");
        }
        let followed: usize = self.by_owner.values().map(BTreeMap::len).sum();
        assert_eq!(now.len(), followed, "a claim went unseen");
        let mut by_resource: BTreeMap<&str, Vec<&Claim>> = BTreeMap::new();
        for claim in now.values() {
            assert!(claim.start < claim.end, "no time at all: {claim:?}");
            by_resource.entry(&claim.resource).or_default().push(claim);
        }
        for claims in by_resource.values_mut() {
            claims.sort_by_key(|claim| claim.start);
            for pair in claims.windows(2) {
                assert!(pair[0].end <= pair[1].start, "two claims overlap: {pair:?}");
            }
        }
        let owners: BTreeSet<&str> =
            now.values().filter(|claim| !claim.of_visit).map(|claim| claim.owner.as_str()).collect();
        for owner in &owners {
            let booked =
                model.bookings.get(*owner).unwrap_or_else(|| panic!("claims of {owner}, which is none"));
            let may = booked.stands() || booked.progress == "closed_out";
            assert!(may, "what is over still takes time: {owner} {booked:?}");
        }
        for (id, booked) in model.bookings.iter().filter(|(_, booked)| booked.stands()) {
            self.assert_has_its_place(id, booked);
        }
    }

    /// Work that stands has at least one place for all of its time.
    pub(crate) fn assert_has_its_place(&self, id: &str, booked: &Booked) {
        let whole =
            |claim: &Claim| claim.why == "work" && claim.start == booked.start && claim.end == booked.end;
        assert!(self.of(id).any(whole), "{id} has no place for its work: {booked:?}");
    }
}
