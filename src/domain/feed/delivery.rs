//! One message to one receiver: how often it is tried, when again, and when the
//! receiver is given up.

use crate::domain::ids::{DeliveryId, WebhookId};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

/// How long after each failure a message is tried again, in seconds: 5 s, 5 min,
/// 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h, as Standard Webhooks 1.0.0 proposes
/// (§"Deliverability and reliability"; from memory).
const WAITS: [i64; 9] = [5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400];
/// How much longer a wait may be, in parts of itself, so that not all come at once.
const JITTER: f64 = 0.1;
/// A receiver at which nothing has arrived for so long is switched off; common
/// practice, no source.
pub const GIVEN_UP_AFTER: TimeDelta = TimeDelta::days(5);

/// Why a message is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// Something happened.
    Event,
    /// Somebody asked for it again.
    Replay,
    /// Somebody asked for a trial.
    Ping,
}

impl Cause {
    /// Every cause.
    pub const ALL: [Self; 3] = [Self::Event, Self::Replay, Self::Ping];

    /// The word for the cause.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Event => "event",
            Self::Replay => "replay",
            Self::Ping => "ping",
        }
    }

    /// The cause a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|cause| cause.word() == word)
    }
}

/// What became of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeliveryState {
    /// It is still to be tried.
    Pending,
    /// It arrived.
    Delivered,
    /// It was tried as often as it is, and did not arrive.
    Failed,
}

impl DeliveryState {
    /// Every state.
    pub const ALL: [Self; 3] = [Self::Pending, Self::Delivered, Self::Failed];

    /// The word for the state.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pending => "pending",
            Self::Delivered => "delivered",
            Self::Failed => "failed",
        }
    }

    /// The state a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// One try.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Attempt {
    /// When it began.
    pub at: DateTime<Utc>,
    /// How long it took, ms.
    pub took_ms: u32,
    /// The HTTP status it was answered with.
    pub status: Option<u16>,
    /// Why there was no answer.
    pub fault: Option<String>,
}

impl Attempt {
    /// Whether the receiver took the message.
    pub fn arrived(&self) -> bool {
        self.status.is_some_and(|status| (200..300).contains(&status))
    }

    /// Whether the receiver says that it is gone for good.
    fn gone(&self) -> bool {
        self.status == Some(410)
    }
}

/// One message to one receiver.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// Its id.
    pub id: DeliveryId,
    /// To whom.
    pub webhook: WebhookId,
    /// The place in the feed of the event; `None` for a trial.
    pub position: Option<i64>,
    /// Why.
    pub cause: Cause,
    /// What became of it.
    pub state: DeliveryState,
    /// Every try.
    pub attempts: Vec<Attempt>,
    /// When it is to be tried next.
    pub due_at: Option<DateTime<Utc>>,
    /// When it was put on the list.
    pub created_at: DateTime<Utc>,
    /// When it arrived or was given up.
    pub finished_at: Option<DateTime<Utc>>,
}

impl Delivery {
    /// A message to be sent at once.
    pub fn new(
        id: DeliveryId,
        webhook: WebhookId,
        position: Option<i64>,
        cause: Cause,
        now: DateTime<Utc>,
    ) -> Self {
        Self {
            id,
            webhook,
            position,
            cause,
            state: DeliveryState::Pending,
            attempts: Vec::new(),
            due_at: Some(now),
            created_at: now,
            finished_at: None,
        }
    }

    /// The message after a try that ended at `now`.
    #[must_use]
    pub fn after(mut self, attempt: Attempt, now: DateTime<Utc>) -> Self {
        let arrived = attempt.arrived();
        self.attempts.push(attempt);
        let again = wait(self.id, self.attempts.len()).filter(|_| !arrived);
        self.due_at = again.map(|wait| now + wait);
        self.state = match (arrived, again) {
            (true, _) => DeliveryState::Delivered,
            (false, Some(_)) => DeliveryState::Pending,
            (false, None) => DeliveryState::Failed,
        };
        self.finished_at = (self.state != DeliveryState::Pending).then_some(now);
        self
    }
}

/// How long to wait after so many failed tries; `None` when it was the last.
///
/// The part that differs from message to message comes from its id.
fn wait(id: DeliveryId, failed: usize) -> Option<TimeDelta> {
    let seconds = *WAITS.get(failed.checked_sub(1)?)?;
    let mut hash = Sha256::new();
    hash.update(id.uuid().as_bytes());
    hash.update(failed.to_le_bytes());
    let part = f64::from(hash.finalize()[0]) / 255.0;
    #[expect(clippy::cast_precision_loss, reason = "a day has few milliseconds")]
    let millis = (seconds * 1000) as f64 * (1.0 + JITTER * part);
    #[expect(clippy::cast_possible_truncation, reason = "a day has few milliseconds")]
    Some(TimeDelta::milliseconds(millis as i64))
}

/// How a receiver stands after a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// Messages arrive.
    Well,
    /// None has arrived since.
    Failing(DateTime<Utc>),
    /// It is switched off, for this reason.
    Disabled(String),
}

/// How a receiver stands at which nothing has arrived since `failing_since`.
pub fn standing(failing_since: Option<DateTime<Utc>>, attempt: &Attempt, now: DateTime<Utc>) -> Standing {
    if attempt.arrived() {
        return Standing::Well;
    }
    if attempt.gone() {
        return Standing::Disabled("the receiver answered 410 Gone".to_owned());
    }
    let since = failing_since.unwrap_or(attempt.at);
    if now - since >= GIVEN_UP_AFTER {
        return Standing::Disabled(format!("nothing has arrived since {}", since.format("%FT%TZ")));
    }
    Standing::Failing(since)
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_900_000_000 + seconds, 0).unwrap()
    }

    fn attempt(status: u16) -> Attempt {
        Attempt { at: at(0), took_ms: 12, status: Some(status), fault: None }
    }

    fn delivery(id: u128) -> Delivery {
        let (id, webhook) = (Uuid::from_u128(id).into(), Uuid::from_u128(2).into());
        Delivery::new(id, webhook, Some(1), Cause::Event, at(0))
    }

    /// Standard Webhooks 1.0.0: ten tries over a little more than three days (75 h 35 min
    /// 5 s without what is added).
    #[test]
    fn a_message_is_tried_ten_times_ever_less_often() {
        for id in 1..50 {
            let mut delivery = delivery(id);
            let mut now = at(0);
            let mut waits = Vec::new();
            while let Some(due) = delivery.due_at {
                waits.push(due - now);
                now = due;
                delivery = delivery.after(attempt(500), now);
            }
            assert_eq!(delivery.state, DeliveryState::Failed);
            assert_eq!(delivery.finished_at, Some(now));
            assert_eq!(delivery.attempts.len(), 10);
            let plain =
                [0, 5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400].map(TimeDelta::seconds);
            for (wait, plain) in waits.iter().zip(plain) {
                assert!(*wait >= plain && *wait <= plain + plain / 10, "{wait} for {plain}");
            }
        }
    }

    #[test]
    fn what_is_added_differs_from_message_to_message_and_not_from_run_to_run() {
        let due: Vec<_> = (1..20).map(|id| delivery(id).after(attempt(500), at(0)).due_at).collect();
        let again: Vec<_> = (1..20).map(|id| delivery(id).after(attempt(500), at(0)).due_at).collect();
        assert_eq!(due, again);
        let mut different = due.clone();
        different.dedup();
        assert!(different.len() > 15, "{different:?}");
    }

    #[test]
    fn only_an_answer_between_200_and_299_is_arrival() {
        for status in [200, 201, 202, 204, 299] {
            let done = delivery(1).after(attempt(status), at(1));
            assert_eq!(
                (done.state, done.due_at, done.finished_at),
                (DeliveryState::Delivered, None, Some(at(1)))
            );
        }
        for status in [100, 199, 300, 301, 307, 400, 404, 410, 429, 500, 503] {
            assert_eq!(delivery(1).after(attempt(status), at(1)).state, DeliveryState::Pending, "{status}");
        }
        let silent = Attempt { status: None, fault: Some("timeout".to_owned()), ..attempt(200) };
        assert_eq!(delivery(1).after(silent, at(1)).state, DeliveryState::Pending);
    }

    #[test]
    fn a_receiver_is_given_up_after_five_days_of_nothing_or_when_it_says_so() {
        let days = |days: i64| at(days * 86_400);
        assert_eq!(standing(None, &attempt(500), at(9)), Standing::Failing(at(0)));
        assert_eq!(
            standing(Some(at(0)), &attempt(500), days(5) - TimeDelta::seconds(1)),
            Standing::Failing(at(0))
        );
        assert!(matches!(standing(Some(at(0)), &attempt(500), days(5)), Standing::Disabled(_)));
        assert!(matches!(standing(None, &attempt(410), at(0)), Standing::Disabled(_)));
        assert_eq!(standing(Some(at(0)), &attempt(204), days(9)), Standing::Well);
    }
}
