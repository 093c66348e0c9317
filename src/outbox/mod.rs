//! Pushes events to webhooks: a thread that puts events on each webhook's list,
//! takes what is due and hands it to senders of its own. Decides nothing about
//! what a message says or when it is tried again, which is the domain's.
//!
//! Several instances on one database share the work: positions in the feed are
//! given under one lock, a webhook's list is extended by whoever moves its place
//! first, and a message is leased to one sender at a time. A message may come
//! twice all the same, when a sender is lost after the receiver has taken it.

mod courier;
mod rounds;

pub(crate) use courier::BadAuthorities;

use crate::clock::{Clock, fresh_id};
use crate::domain::feed::{Attempt, Delivery, Reach};
use crate::domain::ids::WebhookId;
use crate::store::{Store, StoreResult};
use courier::Courier;
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Webhooks that are sent to at the same time, by one instance.
const MOST_AT_ONCE: usize = 4;
/// How often the lists are looked at when nothing is committed here: another
/// instance may have, and messages fall due.
const LONGEST_WAIT: Duration = Duration::from_secs(1);
/// The shortest time between two rounds, so that a busy service numbers many
/// events at once.
const BREATH: Duration = Duration::from_millis(20);

/// What the thread and the senders it starts share.
struct Outbox {
    store: Store,
    clock: Clock,
    courier: Courier,
    /// The webhooks that are being sent to.
    busy: Mutex<BTreeSet<WebhookId>>,
}

/// Starts the thread; it ends when the store is closed.
pub(crate) fn start(store: Store, clock: Clock, reach: &Reach) -> Result<(), StartError> {
    let courier = Courier::new(reach)?;
    let outbox = Arc::new(Outbox { store, clock, courier, busy: Mutex::default() });
    std::thread::Builder::new().name("outbox".to_owned()).spawn(move || run(&outbox))?;
    Ok(())
}

/// Why the thread could not be started.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The certificates of the authorities cannot be read.
    #[error("{0}")]
    Authorities(#[from] BadAuthorities),
    /// The system gives no thread.
    #[error("cannot start a thread: {0}")]
    Thread(#[from] std::io::Error),
}

fn run(outbox: &Arc<Outbox>) {
    let mut seen = 0;
    while !outbox.store.is_closed() {
        match round(outbox) {
            Ok(true) => std::thread::sleep(BREATH),
            Ok(false) => seen = outbox.store.wait_for_change(seen, LONGEST_WAIT),
            Err(error) => {
                if !outbox.store.is_closed() {
                    tracing::warn!(error = ?error, "could not look after the webhooks");
                }
                seen = outbox.store.wait_for_change(seen, LONGEST_WAIT);
                std::thread::sleep(BREATH);
            }
        }
    }
}

/// One look at everything; tells whether there was anything to do.
fn round(outbox: &Arc<Outbox>) -> StoreResult<bool> {
    let mut did = rounds::number(&outbox.store)?;
    did |= rounds::put_on_lists(&outbox.store, &outbox.clock)?;
    loop {
        let busy: Vec<WebhookId> = outbox.busy().iter().copied().collect();
        if busy.len() >= MOST_AT_ONCE {
            return Ok(did);
        }
        let lease = fresh_id().to_string();
        let Some(claimed) = rounds::claim(&outbox.store, outbox.clock.now(), &busy, &lease)? else {
            return Ok(did);
        };
        did = true;
        let Some(first) = claimed.first() else { return Ok(did) };
        let webhook = first.webhook;
        outbox.busy().insert(webhook);
        let own = Arc::clone(outbox);
        let started = std::thread::Builder::new().name("sender".to_owned()).spawn(move || {
            send_all(&own, claimed, &lease);
            own.busy().remove(&webhook);
            own.store.ring();
        });
        if let Err(error) = started {
            // The lease runs out, and somebody tries again.
            tracing::warn!(%error, "no thread to send from");
            outbox.busy().remove(&webhook);
            return Ok(false);
        }
    }
}

/// Sends messages to one webhook, one after the other, until one does not arrive.
fn send_all(outbox: &Outbox, claimed: Vec<Delivery>, lease: &str) {
    for delivery in claimed {
        match outbox.send(delivery, lease) {
            Ok(true) if !outbox.store.is_closed() => {}
            Ok(_) => break,
            Err(error) => {
                if !outbox.store.is_closed() {
                    tracing::warn!(error = ?error, "a message could not be looked after");
                }
                break;
            }
        }
    }
    // What is left is somebody's to send; a lease that stays runs out.
    drop(rounds::release(&outbox.store, lease));
}

impl Outbox {
    fn busy(&self) -> std::sync::MutexGuard<'_, BTreeSet<WebhookId>> {
        self.busy.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sends one message and keeps what became of it; tells whether it arrived.
    fn send(&self, delivery: Delivery, lease: &str) -> StoreResult<bool> {
        let Some(message) = rounds::compose(&self.store, &delivery)? else { return Ok(false) };
        let at = self.clock.now();
        let body = serde_json::to_string(&message.event).unwrap_or_default();
        let signature = message.secrets.sign(&message.event.id, at, &body);
        let sent = self.courier.send(
            message.webhook.value.url.as_str(),
            &message.event.id,
            at.timestamp(),
            &signature,
            &body,
        );
        let attempt = Attempt { at, took_ms: sent.took_ms, status: sent.status, fault: sent.fault };
        let arrived = attempt.arrived();
        rounds::settle(&self.store, delivery, attempt, self.clock.now(), lease)?;
        Ok(arrived)
    }
}
