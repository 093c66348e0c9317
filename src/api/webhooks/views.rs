//! Webhooks and deliveries as callers write and read them.

use crate::api::crud::Form;
use crate::api::fields::at_most;
use crate::domain::facility::{ParseContext, Stored};
use crate::domain::feed::{Attempt, Delivery, Secret, TypeFilter, Webhook, WebhookUrl, sequence};
use crate::domain::names::Remark;
use crate::domain::violations::{Check, Violations};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The most filters of a webhook.
const MOST_TYPES: usize = 100;

const fn yes() -> bool {
    true
}

/// A webhook as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "url": "https://portal.example/hooks/drykeep", "description": "The department's portal",
    "event_types": ["drykeep.booking.*", "drykeep.hold.opened"], "enabled": true
}))]
pub(crate) struct WebhookForm {
    /// Where to, by https. Names that come to mean an address of this network are refused when a message is sent.
    #[schema(max_length = 2000)]
    url: String,
    /// What it is for.
    #[serde(default)]
    description: String,
    /// Which types of event: exact ones, or groups such as `drykeep.booking.*`; all unless given.
    #[serde(default)]
    #[schema(max_items = 100)]
    event_types: Vec<String>,
    /// Whether anything is sent.
    #[serde(default = "yes")]
    enabled: bool,
}

/// A webhook.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct WebhookBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    webhook: WebhookForm,
    /// Since when nothing has arrived, while nothing does.
    failing_since: Option<DateTime<Utc>>,
    /// Why the service switched it off, where it did.
    disabled_why: Option<String>,
    /// When it was set up.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for WebhookForm {
    type Value = Webhook;
    type View = WebhookBody;
    const PATH: &'static str = "webhooks";

    fn parse(&self, _: &mut dyn ParseContext, current: Option<&Webhook>) -> Result<Webhook, Violations> {
        let mut check = Check::default();
        let url = check.field("url", WebhookUrl::parse(&self.url));
        let description = check.field("description", Remark::parse(&self.description));
        at_most(&mut check, "event_types", &self.event_types, MOST_TYPES);
        let filters = self.event_types.iter().enumerate();
        let event_types: Vec<TypeFilter> = filters
            .filter_map(|(i, text)| check.field(&format!("event_types[{i}]"), TypeFilter::parse(text)))
            .collect();
        // Switched on again, it begins with a clean record.
        let standing = current.filter(|current| current.enabled == self.enabled);
        check.build(url.zip(description), |(url, description)| Webhook {
            url,
            description,
            event_types,
            enabled: self.enabled,
            disabled_why: standing.and_then(|current| current.disabled_why.clone()),
            failing_since: standing.and_then(|current| current.failing_since),
        })
    }

    fn of(webhook: &Webhook) -> Self {
        Self {
            url: webhook.url.to_string(),
            description: webhook.description.to_string(),
            event_types: webhook.event_types.iter().map(ToString::to_string).collect(),
            enabled: webhook.enabled,
        }
    }
}

impl From<&Stored<Webhook>> for WebhookBody {
    fn from(stored: &Stored<Webhook>) -> Self {
        Self {
            id: stored.id,
            webhook: WebhookForm::of(&stored.value),
            failing_since: stored.value.failing_since,
            disabled_why: stored.value.disabled_why.clone(),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// A webhook just set up, with its secret.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(super) struct CreatedWebhookBody {
    #[serde(flatten)]
    webhook: WebhookBody,
    /// What messages are signed with; shown here only.
    #[schema(example = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")]
    secret: String,
}

impl CreatedWebhookBody {
    /// The webhook with its secret.
    pub(super) fn new(stored: &Stored<Webhook>, secret: &Secret) -> Self {
        Self { webhook: WebhookBody::from(stored), secret: secret.reveal() }
    }
}

/// How to change over to a new secret.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"overlap": "P1D"}))]
pub(super) struct RotationForm {
    /// For how long the present secret signs too: at most 30 days, a day unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) overlap: Option<String>,
}

/// A new secret.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "secret": "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "former_until": "2030-01-08T08:00:00Z"
}))]
pub(super) struct RotatedBody {
    /// What messages are signed with; shown here only.
    secret: String,
    /// Until when the secret before it signs too.
    former_until: DateTime<Utc>,
}

impl RotatedBody {
    /// The secret, and until when the one before it is used.
    pub(super) fn new(secret: &Secret, former_until: DateTime<Utc>) -> Self {
        Self { secret: secret.reveal(), former_until }
    }
}

/// What to send again: one of the two.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"after": "0"}))]
pub(super) struct ReplayForm {
    /// Everything after this cursor of `/changes`; `0` for all there is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) after: Option<String>,
    /// This delivery.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) delivery: Option<String>,
}

/// What is sent again.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"deliveries": 12, "next": null}))]
pub(super) struct ReplayBody {
    /// How many messages.
    pub(super) deliveries: usize,
    /// The `after` of a further request, where there is more.
    pub(super) next: Option<String>,
}

/// One try to send a message.
#[derive(Debug, Clone, Serialize, ToSchema)]
struct AttemptBody {
    /// When it began.
    at: DateTime<Utc>,
    /// How long it took, ms.
    took_ms: u32,
    /// The HTTP status it was answered with; null without an answer.
    status: Option<u16>,
    /// Why there was no answer: `address_not_allowed`, `timeout`, `unknown_host`, `tls`, `connection`.
    fault: Option<String>,
}

impl From<&Attempt> for AttemptBody {
    fn from(attempt: &Attempt) -> Self {
        let Attempt { at, took_ms, status, fault } = attempt.clone();
        Self { at, took_ms, status, fault }
    }
}

/// One message to a webhook, and what became of it.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "01935b62-5e1f-7c2a-8b3d-9e4f5a6b7c8d", "cause": "event", "sequence": "0000000000000042",
    "state": "pending", "due_at": "2030-01-07T08:00:05Z", "created_at": "2030-01-07T08:00:00Z", "finished_at": null,
    "attempts": [{"at": "2030-01-07T08:00:00Z", "took_ms": 41, "status": 503, "fault": null}]
}))]
pub(super) struct DeliveryBody {
    /// Its id.
    id: Uuid,
    /// Why it is sent: `event`, `replay`, `ping`.
    cause: &'static str,
    /// The `sequence` of the event; null for a trial.
    sequence: Option<String>,
    /// What became of it: `pending`, `delivered`, `failed`.
    state: &'static str,
    /// When it is tried next.
    due_at: Option<DateTime<Utc>>,
    /// When it was put on the list.
    created_at: DateTime<Utc>,
    /// When it arrived or was given up.
    finished_at: Option<DateTime<Utc>>,
    /// Every try so far.
    attempts: Vec<AttemptBody>,
}

impl From<&Delivery> for DeliveryBody {
    fn from(delivery: &Delivery) -> Self {
        Self {
            id: delivery.id.uuid(),
            cause: delivery.cause.word(),
            sequence: delivery.position.map(sequence),
            state: delivery.state.word(),
            due_at: delivery.due_at,
            created_at: delivery.created_at,
            finished_at: delivery.finished_at,
            attempts: delivery.attempts.iter().map(Into::into).collect(),
        }
    }
}
