//! The parts of the facility that upkeep is done on, and how they belong together.

use super::{Result, Tx};
use crate::domain::facility::{GasSupply, Glovebox, Room, Stored};
use crate::domain::ids::ThingId;
use crate::domain::upkeep::due::Subject;
use crate::domain::upkeep::rules::PartKind;
use crate::store::gloveboxes;
use crate::store::kept::Kept as _;
use chrono::{DateTime, Utc};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// The parts of the facility that upkeep may be done on, and how they belong together.
pub(crate) struct Parts {
    /// Each part, in a fixed order.
    pub(crate) subjects: Vec<Subject>,
    /// The gas supplies.
    pub(crate) supplies: Vec<Stored<GasSupply>>,
    /// For each part the parts of it, for each box its stations.
    pub(crate) inside: HashMap<ThingId, Vec<ThingId>>,
    pub(crate) stations: HashMap<ThingId, Vec<Uuid>>,
    /// The boxes that have a purifier.
    pub(crate) purified: HashMap<ThingId, Glovebox>,
}

/// Loads the parts of the facility, in a fixed order.
pub(crate) fn parts(tx: &mut Tx<'_>) -> Result<Parts> {
    let mut parts = Parts {
        subjects: Vec::new(),
        supplies: GasSupply::page(tx, None, i64::MAX)?,
        inside: HashMap::new(),
        stations: HashMap::new(),
        purified: HashMap::new(),
    };
    for stored in gloveboxes::all(tx)? {
        parts.add_glovebox(&stored);
    }
    for supply in &parts.supplies {
        let tag = supply.value.tag.to_string();
        parts.subjects.push(whole(supply.id, PartKind::GasSupply, tag, supply.created_at));
    }
    for room in Room::page(tx, None, i64::MAX)? {
        parts.subjects.push(whole(room.id, PartKind::Room, room.value.tag.to_string(), room.created_at));
    }
    Ok(parts)
}

fn whole(id: Uuid, kind: PartKind, tag: String, created_at: DateTime<Utc>) -> Subject {
    Subject { id: thing(id), kind, tag, glovebox: None, created_at }
}

pub(crate) fn thing(id: Uuid) -> ThingId {
    id.into()
}

impl Parts {
    /// One gas supply and nothing else.
    pub(crate) fn only_supply(supply: Stored<GasSupply>) -> Self {
        let supplies = vec![supply];
        let (subjects, inside, stations, purified) =
            (Vec::new(), HashMap::new(), HashMap::new(), HashMap::new());
        Self { subjects, supplies, inside, stations, purified }
    }

    fn add_glovebox(&mut self, stored: &Stored<Glovebox>) {
        let (id, created_at, glovebox) = (stored.id, stored.created_at, &stored.value);
        let part = |part: ThingId, kind, tag: &str| Subject {
            id: part,
            kind,
            tag: format!("{}/{tag}", glovebox.tag),
            glovebox: Some(id.into()),
            created_at,
        };
        let stations =
            glovebox.stations.iter().map(|one| part(one.id.into(), PartKind::Station, one.tag.as_str()));
        let chambers = glovebox
            .antechambers
            .iter()
            .map(|one| part(one.id.into(), PartKind::Antechamber, one.tag.as_str()));
        let purifier =
            glovebox.purifier.iter().map(|one| part(one.id.into(), PartKind::Purifier, "purifier"));
        let parts: Vec<Subject> = stations.chain(chambers).chain(purifier).collect();
        self.inside.insert(thing(id), parts.iter().map(|part| part.id).collect());
        self.stations.insert(thing(id), glovebox.stations.iter().map(|one| one.id.uuid()).collect());
        self.subjects.push(Subject {
            glovebox: Some(id.into()),
            ..whole(id, PartKind::Glovebox, glovebox.tag.to_string(), created_at)
        });
        self.subjects.extend(parts);
        if glovebox.purifier.is_some() {
            self.purified.insert(thing(id), glovebox.clone());
        }
    }

    /// The part of that id, where upkeep may be done on it.
    pub(crate) fn subject(&self, id: ThingId) -> Option<&Subject> {
        self.subjects.iter().find(|subject| subject.id == id)
    }

    /// A part, the parts of it, and the box it belongs to.
    pub(crate) fn family(&self, id: ThingId) -> BTreeSet<ThingId> {
        let mut family: BTreeSet<ThingId> = self.inside.get(&id).into_iter().flatten().copied().collect();
        family.insert(id);
        family.extend(self.subject(id).and_then(|subject| subject.glovebox).map(ThingId::from));
        family
    }
}
