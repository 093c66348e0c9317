//! Keys of calendar feeds: made, shown, revoked. A person's feed is opened by
//! keys that the person makes; those of boxes are made by whoever manages the
//! facility, who may also revoke any key.

use super::keep::{self, Precondition};
use super::situation::person_of;
use super::{Error, Result, Tx};
use crate::clock::{fresh_id, fresh_secret};
use crate::domain::access::Actor;
use crate::domain::calendar_feeds::{CalendarKey, FeedOf, MOST_KEYS};
use crate::domain::facility::{Glovebox, Scope, Stored};
use crate::domain::names::{Name, Reference};
use crate::store::kept::Kept as _;
use crate::store::{calendar_keys, events};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Utc};
use serde_json::json;
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;
use uuid::Uuid;

/// Any of these lets a caller make keys of their own.
const OWN: &[Scope] =
    &[Scope::FacilityRead, Scope::BookingsWrite, Scope::BookingsManage, Scope::FacilityManage];

/// A key with what its feed is of.
#[derive(Debug)]
pub(crate) struct ShownKey {
    /// The key.
    pub(crate) key: Stored<CalendarKey>,
    /// Tag of the box or person, where there is one.
    pub(crate) tag: Option<String>,
}

/// A key that nobody has yet.
#[derive(Debug)]
pub(crate) struct NewKey {
    /// The key, for its bearer.
    pub(crate) key: String,
    /// What is kept of it.
    pub(crate) hash: String,
}

/// A fresh key, which an address may hold as it is.
pub(crate) fn fresh() -> NewKey {
    let key = URL_SAFE_NO_PAD.encode(fresh_secret());
    let hash = hashed(&key);
    NewKey { key, hash }
}

/// What is kept of a key instead of it. A key is 256 random bits, so a plain
/// hash cannot be turned back by guessing.
pub(super) fn hashed(key: &str) -> String {
    let mut digits = String::with_capacity(64);
    for octet in Sha256::digest(key.as_bytes()) {
        write!(digits, "{octet:02x}").expect("writing to a string does not fail");
    }
    digits
}

fn show(tx: &mut Tx<'_>, key: Stored<CalendarKey>) -> Result<ShownKey> {
    let tag = keep::tag_of(tx, key.value.of.thing().uuid())?;
    Ok(ShownKey { key, tag })
}

fn own_feed(tx: &mut Tx<'_>, actor: &Actor) -> Result<Option<FeedOf>> {
    Ok(person_of(tx, actor)?.map(|person| FeedOf::Person(person.id.into())))
}

/// Makes a key of a box's feed, or of the caller's own, and keeps its hash.
pub(crate) fn make(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    glovebox: Option<&Reference>,
    label: Name,
    key_hash: String,
) -> Result<ShownKey> {
    actor.needs_any(OWN)?;
    let of = match glovebox {
        None => own_feed(tx, actor)?.ok_or_else(|| {
            let detail = "your token's subject is no person of this facility; say which glovebox";
            Error::invalid("glovebox", "no_such_person", detail)
        })?,
        Some(_) if !actor.has(Scope::FacilityManage) => {
            return Err(Error::NotYours("keys of boxes are made with the scope facility:manage".to_owned()));
        }
        Some(reference) => match keep::load::<Glovebox>(tx, reference) {
            Ok(found) => FeedOf::Glovebox(found.id.into()),
            Err(Error::Unknown { .. }) => {
                let detail = format!("there is no glovebox {reference}");
                return Err(Error::invalid("glovebox", "unknown_reference", detail));
            }
            Err(other) => return Err(other),
        },
    };
    if calendar_keys::of_thing(tx, of.thing())?.len() >= MOST_KEYS {
        let detail = format!("there are {MOST_KEYS} keys of this calendar already; revoke those not in use");
        return Err(Error::invalid("", "too_many_keys", detail));
    }
    let value = CalendarKey { of, label, key_hash, made_by: actor.subject.clone(), last_used_at: None };
    let key = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
    CalendarKey::insert(tx, &key)?;
    note(tx, actor, now, "calendar_key.created", None, Some(&key))?;
    show(tx, key)
}

/// Lists keys, in order of creation: the caller's own, or all of them for
/// whoever manages the facility.
pub(crate) fn list(tx: &mut Tx<'_>, actor: &Actor, after: Option<Uuid>, limit: i64) -> Result<Vec<ShownKey>> {
    actor.needs_any(OWN)?;
    let thing = if actor.has(Scope::FacilityManage) { None } else { own_feed(tx, actor)?.map(FeedOf::thing) };
    if thing.is_none() && !actor.has(Scope::FacilityManage) {
        return Ok(Vec::new());
    }
    let found = calendar_keys::page_of(tx, thing, after, limit)?;
    found.into_iter().map(|key| show(tx, key)).collect()
}

/// A key that the caller may see.
fn visible(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<Stored<CalendarKey>> {
    actor.needs_any(OWN)?;
    let unknown = || Error::unknown("calendar_key", id);
    let key = CalendarKey::find(tx, id)?.ok_or_else(unknown)?;
    let own = own_feed(tx, actor)?;
    if actor.has(Scope::FacilityManage) || own == Some(key.value.of) { Ok(key) } else { Err(unknown()) }
}

/// Shows a key.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<ShownKey> {
    let key = visible(tx, actor, id)?;
    show(tx, key)
}

/// Revokes a key: from now on it opens nothing.
pub(crate) fn revoke(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: Uuid,
    precondition: &Precondition,
) -> Result<()> {
    let key = visible(tx, actor, id)?;
    precondition.demands(key.version)?;
    CalendarKey::delete(tx, key.id)?;
    note(tx, actor, now, "calendar_key.revoked", Some(&key), None)
}

/// Tells of a key; whose it is, the audit alone shows.
fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    before: Option<&Stored<CalendarKey>>,
    after: Option<&Stored<CalendarKey>>,
) -> Result<()> {
    let Some(key) = after.or(before) else { return Ok(()) };
    let body = json!({ "version": key.version, "feed": key.value.of.word() });
    Ok(events::append(tx, now, kind, key.id, &actor.subject, &keep::audited(body, before, after))?)
}
