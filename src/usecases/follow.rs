//! Telling what happened: the feed of changes for those who keep a copy, and
//! the audit for those who answer for the facility.

use super::situation::person_of;
use super::{App, Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::facility::{Person, Scope, Stored};
use crate::domain::feed::{CloudEvent, Cursor, Event, Sight};
use crate::domain::names::Reference;
use crate::store::feed::{self, Audited};
use crate::store::{site, things};
use chrono::{DateTime, Utc};
use uuid::Uuid;

/// A part of the feed.
#[derive(Debug)]
pub(crate) struct Changes {
    /// The events, in the order in which they took effect.
    pub(crate) events: Vec<CloudEvent>,
    /// Where the reader stands after them.
    pub(crate) next: Cursor,
    /// Whether more follow already.
    pub(crate) more: bool,
}

impl App {
    /// Gives every event committed before now its place, so that a caller who
    /// has the scope to read on sees them.
    pub(crate) async fn settle_feed(&self, actor: &Actor, to_read: Scope) -> Result<()> {
        actor.needs(to_read)?;
        if self.query(|tx, _| Ok(feed::waiting(tx)?)).await? {
            self.command(|tx, _| Ok(feed::number(tx).map(drop)?)).await?;
        }
        Ok(())
    }
}

/// How much of others' bookings a caller may know.
fn sight_of(tx: &mut Tx<'_>, actor: &Actor) -> Result<Sight> {
    if actor.has(Scope::BookingsManage) {
        return Ok(Sight::Everyone);
    }
    Ok(Sight::Only(person_of(tx, actor)?.map(|person: Stored<Person>| person.id.into())))
}

/// Passes when a cursor is of this feed.
pub(super) fn checked(tx: &mut Tx<'_>, cursor: &Cursor) -> Result<()> {
    let found = feed::id_at(tx, cursor)?;
    cursor
        .stands_after(found.as_deref())
        .map_err(|bad| Error::invalid("after", "bad_cursor", bad.to_string()))
}

/// Up to `limit` changes after a cursor.
pub(crate) fn changes(tx: &mut Tx<'_>, actor: &Actor, after: &Cursor, limit: usize) -> Result<Changes> {
    actor.needs(Scope::FacilityRead)?;
    checked(tx, after)?;
    let probe = i64::try_from(limit + 1).unwrap_or(i64::MAX);
    let mut events = feed::after(tx, after.position(), probe)?;
    let more = events.len() > limit;
    events.truncate(limit);
    let (facility, sight) = (site::get(tx)?.id, sight_of(tx, actor)?);
    Ok(Changes {
        next: events.last().map_or_else(|| after.clone(), Event::cursor),
        events: events.iter().map(|event| event.told(facility, sight)).collect(),
        more,
    })
}

/// What an audit asks for.
#[derive(Debug, Clone, Default)]
pub(crate) struct AuditQuery {
    /// To this thing, by id or by tag.
    pub(crate) subject: Option<Reference>,
    /// By whoever has this token subject.
    pub(crate) actor: Option<String>,
    /// Not before this.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Before this.
    pub(crate) to: Option<DateTime<Utc>>,
}

/// Up to `limit` events after a cursor, with who did it and what it was before and after.
pub(crate) fn audit(
    tx: &mut Tx<'_>,
    actor: &Actor,
    query: &AuditQuery,
    after: &Cursor,
    limit: i64,
) -> Result<Vec<Event>> {
    actor.needs(Scope::FacilityManage)?;
    checked(tx, after)?;
    let subject = query.subject.as_ref().map(|reference| one(tx, reference)).transpose()?;
    let wanted = Audited { subject, actor: query.actor.clone(), from: query.from, to: query.to };
    Ok(feed::audited(tx, &wanted, after.position(), limit)?)
}

/// The one thing that a reference means. What was removed is no longer known by
/// its tag, but still by its id.
fn one(tx: &mut Tx<'_>, reference: &Reference) -> Result<Uuid> {
    if let Reference::Id(id) = reference {
        return Ok(*id);
    }
    let mut found = things::matching(tx, reference)?.into_iter();
    match (found.next(), found.next()) {
        (Some(thing), None) => Ok(thing.id),
        (None, _) => {
            Err(Error::invalid("subject", "unknown_reference", format!("nothing has the tag {reference}")))
        }
        (Some(_), Some(_)) => Err(Error::invalid(
            "subject",
            "ambiguous_reference",
            format!("several things have the tag {reference}; give the id"),
        )),
    }
}
