//! Taking over closures from an iCalendar file. What is there already is not
//! added again, so the same file may be sent as often as one likes.

use super::keep::{self, Managed as _, Precondition};
use super::{Error, Result, Tx, site as facility};
use crate::domain::access::Actor;
use crate::domain::calendar::ics::closures::{self, Skipped};
use crate::domain::facility::site::{MOST_CLOSURES, SiteClosure};
use crate::domain::facility::{Glovebox, Site, Stored};
use crate::domain::ids::GloveboxId;
use crate::domain::names::Reference;
use crate::domain::violations::Coded as _;
use crate::store::kept::Kept as _;
use chrono::{DateTime, Utc};

/// What became of a file.
#[derive(Debug)]
pub(crate) struct Imported {
    /// The version of the facility now.
    pub(crate) version: i32,
    /// The closures that are new.
    pub(crate) added: Vec<SiteClosure>,
    /// How many were there already.
    pub(crate) known: usize,
    /// What was not taken over, and why.
    pub(crate) skipped: Vec<Skipped>,
}

/// Passes when the caller may import at all; asked before a file is read.
pub(crate) fn allowed(actor: &Actor) -> Result<()> {
    Ok(actor.needs_any(Site::CHANGE)?)
}

/// Adds the closures of a file, of all boxes or one. Nothing changes unless
/// the whole file can be read and every closure has room.
pub(crate) fn import(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    precondition: &Precondition,
    glovebox: Option<&Reference>,
    file: &[u8],
) -> Result<Imported> {
    allowed(actor)?;
    let glovebox: Option<GloveboxId> = match glovebox.map(|reference| keep::load::<Glovebox>(tx, reference)) {
        None => None,
        Some(Ok(found)) => Some(found.id.into()),
        Some(Err(error @ Error::Unknown { .. })) => {
            return Err(Error::invalid("glovebox", "unknown_reference", error.to_string()));
        }
        Some(Err(other)) => return Err(other),
    };
    let current = facility::ensure(tx, now)?;
    precondition.allows(current.version)?;
    let found = closures::read(file, current.value.timezone, now)
        .map_err(|error| Error::invalid("", error.code(), format!("the file {error}")))?;
    let wanted = found.closures.len();
    let mut site = current.value.clone();
    let mut added = Vec::new();
    for closure in found.closures {
        let closure = SiteClosure { interval: closure.interval, reason: closure.reason, glovebox };
        if !site.closures.contains(&closure) {
            site.closures.push(closure.clone());
            added.push(closure);
        }
    }
    if site.closures.len() > MOST_CLOSURES {
        let detail = format!(
            "with the {} new closures of the file there would be {}; at most {MOST_CLOSURES} are kept: remove \
             those that are over",
            added.len(),
            site.closures.len()
        );
        return Err(Error::invalid("", "too_many_closures", detail));
    }
    let mut version = current.version;
    if !added.is_empty() {
        version += 1;
        let (id, created_at) = (current.id, current.created_at);
        let changed = Stored { id, version, created_at, updated_at: now, value: site };
        Site::update(tx, &changed)?;
        keep::note(tx, actor, now, "changed", Some(&current), Some(&changed))?;
    }
    Ok(Imported { version, known: wanted - added.len(), added, skipped: found.skipped })
}
