//! Requests that may be sent twice but take effect once.

use super::{App, Error, Result, Tx};
use crate::domain::access::Actor;
use crate::store::idempotency::{self, KeptAnswer};
use chrono::{DateTime, Utc};

/// What makes a request recognisable when it is sent again.
#[derive(Debug, Clone)]
pub(crate) struct OnceKey {
    /// The key the caller chose.
    pub(crate) key: String,
    /// Hash of method, path and body.
    pub(crate) request_hash: String,
}

/// An answer that can be kept and given again.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    /// HTTP status.
    pub(crate) status: u16,
    /// JSON text.
    pub(crate) body: String,
    /// `Location` header.
    pub(crate) location: Option<String>,
    /// `ETag` header.
    pub(crate) etag: Option<String>,
    /// Whether it was given before.
    pub(crate) replayed: bool,
}

impl App {
    /// Runs a use case that creates something. With a key, the first answer
    /// is kept in the same transaction and given again to the same request.
    pub(crate) async fn command_once(
        &self,
        actor: &Actor,
        once: Option<OnceKey>,
        work: impl Fn(&mut Tx<'_>, DateTime<Utc>) -> Result<Answer> + Send + 'static,
    ) -> Result<Answer> {
        self.command_once_told(actor, once, work, Clone::clone).await
    }

    /// The same, with the answer told from what the work found: where nothing has to
    /// be kept, after the commit and not while others wait to write.
    pub(crate) async fn command_once_told<T: Send + 'static>(
        &self,
        actor: &Actor,
        once: Option<OnceKey>,
        work: impl Fn(&mut Tx<'_>, DateTime<Utc>) -> Result<T> + Send + 'static,
        tell: impl Fn(&T) -> Answer + Clone + Send + 'static,
    ) -> Result<Answer> {
        let Some(once) = once else {
            return Ok(tell(&self.command(work).await?));
        };
        let subject = actor.subject.clone();
        self.command(move |tx, now| {
            if let Some(kept) = idempotency::take(tx, &subject, &once.key, &once.request_hash, now)? {
                return replay(&once, kept);
            }
            let answer = tell(&work(tx, now)?);
            let kept = KeptAnswer {
                request_hash: once.request_hash.clone(),
                status: i32::from(answer.status),
                body: answer.body.clone(),
                location: answer.location.clone(),
                etag: answer.etag.clone(),
            };
            idempotency::keep(tx, &subject, &once.key, &kept)?;
            Ok(answer)
        })
        .await
    }
}

impl App {
    /// The answer that a request was given before, where it carries a key: for
    /// those that compute for long before they write.
    pub(crate) async fn answered(&self, actor: &Actor, once: Option<&OnceKey>) -> Result<Option<Answer>> {
        let Some(once) = once.cloned() else { return Ok(None) };
        let subject = actor.subject.clone();
        self.query(move |tx, _| {
            let kept = idempotency::peek(tx, &subject, &once.key)?;
            kept.map(|kept| replay(&once, kept)).transpose()
        })
        .await
    }
}

fn replay(once: &OnceKey, kept: KeptAnswer) -> Result<Answer> {
    if kept.request_hash != once.request_hash {
        return Err(Error::KeyReused);
    }
    Ok(Answer {
        status: u16::try_from(kept.status).unwrap_or(200),
        body: kept.body,
        location: kept.location,
        etag: kept.etag,
        replayed: true,
    })
}
