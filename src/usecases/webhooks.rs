//! Setting up who is told of events, and looking after what they are sent.

use super::follow::checked;
use super::keep::{self, Managed, Precondition};
use super::{Error, Result, Tx};
use crate::clock::{fresh_id, fresh_secret};
use crate::domain::access::Actor;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::{ParseContext, Scope, Stored};
use crate::domain::feed::{Cause, Cursor, Delivery, DeliveryState, Event, Secret, Webhook};
use crate::domain::ids::{DeliveryId, WebhookId};
use crate::domain::names::Reference;
use crate::domain::violations::Violations;
use crate::store::{deliveries, events, feed, webhooks};
use chrono::{DateTime, Utc};
use serde_json::json;
use uuid::Uuid;

/// The most webhooks of a site.
const MOST_WEBHOOKS: i64 = 50;
/// The most messages that one request sends again.
const MOST_REPLAYED: usize = 1000;

impl Managed for Webhook {
    const SEE: &'static [Scope] = &[Scope::FacilityManage];
    const CHANGE: &'static [Scope] = &[Scope::FacilityManage];
}

/// Sets one up from what `parse` makes of the input. It is told what happens from
/// now on. The secret is not to be had again.
pub(crate) fn create(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<Webhook, Violations>,
) -> Result<(Stored<Webhook>, Secret)> {
    actor.needs_any(Webhook::CHANGE)?;
    let known = i64::try_from(keep::list::<Webhook>(tx, actor, None, MOST_WEBHOOKS)?.len());
    if known.is_ok_and(|known| known >= MOST_WEBHOOKS) {
        let detail = format!("there are {MOST_WEBHOOKS} webhooks already; remove those that nobody needs");
        return Err(Error::invalid("", "too_many_webhooks", detail));
    }
    let last = feed::last(tx)?;
    let stored = keep::create(tx, actor, now, parse)?;
    let secret = Secret::of(fresh_secret());
    webhooks::begin(tx, stored.id.into(), &secret, last)?;
    Ok((stored, secret))
}

/// Gives one a new secret; for `overlap` the present one signs too, so that its
/// receiver can change over without losing a message.
pub(crate) fn rotate(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: WebhookId,
    precondition: &Precondition,
    overlap: Length,
) -> Result<(Secret, DateTime<Utc>)> {
    actor.needs_any(Webhook::CHANGE)?;
    let before: Stored<Webhook> = keep::load(tx, &Reference::Id(id.uuid()))?;
    precondition.allows(before.version)?;
    let (secret, until) = (Secret::of(fresh_secret()), now + overlap.delta());
    webhooks::rotate(tx, &before, &secret, until, now)?;
    let body = json!({ "version": before.version + 1, "tag": null, "former_until": until });
    events::append(tx, now, "webhook.secret_rotated", before.id, &actor.subject, &body)?;
    Ok((secret, until))
}

fn exists(tx: &mut Tx<'_>, actor: &Actor, id: WebhookId) -> Result<Stored<Webhook>> {
    keep::get(tx, actor, &Reference::Id(id.uuid()))
}

/// Sends a trial message.
pub(crate) fn ping(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, id: WebhookId) -> Result<Delivery> {
    let webhook = exists(tx, actor, id)?;
    if !webhook.value.enabled {
        return Err(Error::WrongState("the webhook is switched off; switch it on first".to_owned()));
    }
    let delivery = Delivery::new(fresh_id().into(), id, None, Cause::Ping, now);
    deliveries::insert(tx, &delivery)?;
    Ok(delivery)
}

/// What is to be sent again.
#[derive(Debug, Clone)]
pub(crate) enum Replay {
    /// Everything that the webhook wants after a cursor, as far as it has been told.
    After(Cursor),
    /// One message.
    One(DeliveryId),
}

/// Sends messages again. Returns how many, and where to go on where there are more.
pub(crate) fn replay(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: WebhookId,
    what: &Replay,
) -> Result<(usize, Option<Cursor>)> {
    let webhook = exists(tx, actor, id)?;
    let again = |tx: &mut Tx<'_>, position| {
        deliveries::insert(tx, &Delivery::new(fresh_id().into(), id, position, Cause::Replay, now))
    };
    let after = match what {
        Replay::One(delivery) => {
            let found = find(tx, id, *delivery)?.ok_or_else(|| {
                Error::invalid("delivery", "unknown_reference", "there is no such delivery")
            })?;
            again(tx, found.position)?;
            return Ok((1, None));
        }
        Replay::After(after) => after,
    };
    checked(tx, after)?;
    let told = webhooks::told(tx, id)?;
    let limit = i64::try_from(MOST_REPLAYED).unwrap_or(i64::MAX);
    let events = feed::after(tx, after.position(), limit)?;
    let mut count = 0;
    for event in events.iter().filter(|event| event.position <= told && webhook.value.wants(&event.kind)) {
        again(tx, Some(event.position))?;
        count += 1;
    }
    let more = events.len() == MOST_REPLAYED && events.last().is_some_and(|last| last.position < told);
    Ok((count, events.last().filter(|_| more).map(Event::cursor)))
}

fn find(tx: &mut Tx<'_>, webhook: WebhookId, id: DeliveryId) -> Result<Option<Delivery>> {
    Ok(deliveries::find(tx, webhook, id)?)
}

/// Shows one message to a webhook.
pub(crate) fn delivery(
    tx: &mut Tx<'_>,
    actor: &Actor,
    webhook: WebhookId,
    id: DeliveryId,
) -> Result<Delivery> {
    exists(tx, actor, webhook)?;
    find(tx, webhook, id)?.ok_or_else(|| Error::unknown("delivery", id))
}

/// Lists the messages to a webhook, in the order in which they were put on the list.
pub(crate) fn list_deliveries(
    tx: &mut Tx<'_>,
    actor: &Actor,
    webhook: WebhookId,
    state: Option<DeliveryState>,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Delivery>> {
    exists(tx, actor, webhook)?;
    Ok(deliveries::page(tx, webhook, state, after, limit)?)
}
