//! What the outbox does in the database, one transaction each.

use crate::clock::{Clock, fresh_id};
use crate::domain::access::Actor;
use crate::domain::facility::Stored;
use crate::domain::feed::{
    Attempt, Cause, CloudEvent, Delivery, Event, Secrets, Sight, Standing, Webhook, standing,
};
use crate::domain::ids::WebhookId;
use crate::store::kept::Kept as _;
use crate::store::{Store, StoreResult, deliveries, events, feed, site, webhooks};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;

/// Events put on a webhook's list in one transaction at most.
const MOST_EVENTS: i64 = 500;
/// Messages taken at once at most. Together with the courier's time limit it
/// keeps a sender within its lease.
const MOST_MESSAGES: i64 = 16;
/// How long nobody else sends what was taken.
const LEASE: TimeDelta = TimeDelta::minutes(5);

/// Gives positions to the events that have none.
pub(super) fn number(store: &Store) -> StoreResult<bool> {
    if !store.read_blocking(feed::waiting)? {
        return Ok(false);
    }
    Ok(store.write_blocking(feed::number)? > 0)
}

/// Puts what webhooks have not been told on their lists.
pub(super) fn put_on_lists(store: &Store, clock: &Clock) -> StoreResult<bool> {
    let behind = store.read_blocking(|tx| {
        let last = feed::last(tx)?;
        webhooks::behind(tx, last)
    })?;
    let did = !behind.is_empty();
    for (webhook, position) in behind {
        let now = clock.now();
        store.write_blocking(move |tx| {
            let events = feed::after(tx, position, MOST_EVENTS)?;
            let Some(last) = events.last() else { return Ok(()) };
            // Whoever moves the place first puts the events on the list.
            if !webhooks::advance(tx, webhook.id, position, last.position)? {
                return Ok(());
            }
            for event in events.iter().filter(|event| webhook.value.wants(&event.kind)) {
                let id = fresh_id().into();
                let delivery = Delivery::new(id, webhook.id.into(), Some(event.position), Cause::Event, now);
                deliveries::insert(tx, &delivery)?;
            }
            StoreResult::Ok(())
        })?;
    }
    Ok(did)
}

/// Takes messages to one webhook that are due: only one where the last did not arrive.
pub(super) fn claim(
    store: &Store,
    now: DateTime<Utc>,
    busy: &[WebhookId],
    lease: &str,
) -> StoreResult<Option<Vec<Delivery>>> {
    let Some(id) = store.read_blocking(|tx| deliveries::most_due(tx, now, busy))? else { return Ok(None) };
    let lease = lease.to_owned();
    store.write_blocking(move |tx| {
        let Some(webhook) = Webhook::find(tx, id.uuid())? else { return Ok(None) };
        let limit = if webhook.value.failing_since.is_some() { 1 } else { MOST_MESSAGES };
        deliveries::claim(tx, id, now, limit, &lease, now + LEASE).map(Some)
    })
}

/// All that is needed to send a message.
pub(super) struct Message {
    /// To whom, as it is set up now.
    pub(super) webhook: Stored<Webhook>,
    /// What it is signed with.
    pub(super) secrets: Secrets,
    /// What it says.
    pub(super) event: CloudEvent,
}

/// Composes a message; `None` where it is no longer wanted.
pub(super) fn compose(store: &Store, delivery: &Delivery) -> StoreResult<Option<Message>> {
    store.read_blocking(|tx| {
        let Some(webhook) = Webhook::find(tx, delivery.webhook.uuid())?.filter(|found| found.value.enabled)
        else {
            return Ok(None);
        };
        let Some(secrets) = webhooks::secrets(tx, delivery.webhook)? else { return Ok(None) };
        let event = match delivery.position {
            Some(position) => feed::at(tx, position)?,
            None => Some(trial(delivery)),
        };
        let facility = site::get(tx)?.id;
        // Whoever receives is nobody's holder: whose a booking is stays untold.
        let event = event.map(|event| event.told(facility, Sight::Only(None)));
        Ok(event.map(|event| Message { webhook, secrets, event }))
    })
}

/// The event of a trial, which is in no feed.
fn trial(delivery: &Delivery) -> Event {
    Event {
        position: 0,
        id: delivery.id.uuid().simple().to_string(),
        at: delivery.created_at,
        kind: "webhook.ping".to_owned(),
        subject: delivery.webhook.uuid(),
        actor: Actor::operator().subject,
        body: json!({}),
    }
}

/// Keeps what became of a message and how its receiver stands.
pub(super) fn settle(
    store: &Store,
    delivery: Delivery,
    attempt: Attempt,
    now: DateTime<Utc>,
    lease: &str,
) -> StoreResult<()> {
    let lease = lease.to_owned();
    let webhook = delivery.webhook;
    let after = delivery.after(attempt.clone(), now);
    store.write_blocking(move |tx| {
        if !deliveries::settle(tx, &after, &lease)? {
            return Ok(());
        }
        let Some(webhook) = Webhook::find(tx, webhook.uuid())? else { return Ok(()) };
        let stands = standing(webhook.value.failing_since, &attempt, now);
        let known = match &stands {
            Standing::Well => webhook.value.failing_since.is_none(),
            Standing::Failing(since) => webhook.value.failing_since == Some(*since),
            Standing::Disabled(_) => !webhook.value.enabled,
        };
        if known {
            return Ok(());
        }
        webhooks::stands(tx, &webhook, &stands, now)?;
        if let Standing::Disabled(why) = &stands {
            let body = json!({
                "version": webhook.version + 1, "tag": null, "why": why,
                "before": Webhook::record(&webhook),
                "after": Webhook::find(tx, webhook.id)?.as_ref().map(Webhook::record),
            });
            let actor = Actor::operator().subject;
            events::append(tx, now, "webhook.disabled", webhook.id, &actor, &body)?;
        }
        StoreResult::Ok(())
    })
}

/// Lets go of what was taken and not sent.
pub(super) fn release(store: &Store, lease: &str) -> StoreResult<()> {
    let lease = lease.to_owned();
    store.write_blocking(move |tx| deliveries::release(tx, &lease))
}
