//! What people call the things that answers point at.

use super::{Result, Tx};
use crate::domain::facility::{Person, ThingKind};
use crate::store::kept::Kept as _;
use crate::store::things;
use std::collections::HashMap;
use uuid::Uuid;

/// Names looked up so far.
#[derive(Debug, Default)]
pub(crate) struct Names {
    known: HashMap<Uuid, Option<String>>,
}

impl Names {
    /// What a thing is called: a person by name, a part by the tags of its
    /// whole and its own, anything else by its tag.
    pub(crate) fn of(&mut self, tx: &mut Tx<'_>, id: impl Into<Uuid>) -> Result<Option<String>> {
        let id = id.into();
        if let Some(known) = self.known.get(&id) {
            return Ok(known.clone());
        }
        let found = Self::look_up(tx, id)?;
        self.known.insert(id, found.clone());
        Ok(found)
    }

    fn look_up(tx: &mut Tx<'_>, id: Uuid) -> Result<Option<String>> {
        let Some(thing) = things::get(tx, id)? else { return Ok(None) };
        if thing.kind == ThingKind::Person {
            return Ok(Person::find(tx, id)?.map(|person| person.value.name.to_string()));
        }
        let own = match (thing.tag, thing.kind) {
            (Some(tag), _) => tag.to_string(),
            (None, ThingKind::Purifier) => "purifier".to_owned(),
            (None, _) => return Ok(None),
        };
        let whole = thing.parent.map(|parent| things::get(tx, parent)).transpose()?.flatten();
        Ok(Some(match whole.and_then(|whole| whole.tag) {
            Some(whole) => format!("{whole}/{own}"),
            None => own,
        }))
    }
}
