//! Webhooks: to whom events are pushed, signed with what, and how far they have been told.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::{Kept, only_one, recorded};
use super::schema::webhooks;
use super::things::{checked, uuid};
use crate::domain::facility::{Stored, ThingKind};
use crate::domain::feed::{Secret, Secrets, Standing, Webhook, WebhookUrl};
use crate::domain::ids::WebhookId;
use crate::domain::names::{Remark, Tag};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// What callers see and write of a webhook.
#[derive(Queryable, Selectable, AsChangeset, serde::Serialize)]
#[diesel(table_name = webhooks, treat_none_as_null = true)]
struct WebhookRow {
    id: String,
    url: String,
    description: String,
    event_types: String,
    enabled: bool,
    disabled_why: Option<String>,
    failing_since: Option<NaiveDateTime>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

type Columns = (
    webhooks::id,
    webhooks::url,
    webhooks::description,
    webhooks::event_types,
    webhooks::enabled,
    webhooks::disabled_why,
    webhooks::failing_since,
    webhooks::version,
    webhooks::created_at,
    webhooks::updated_at,
);

const COLUMNS: Columns = (
    webhooks::id,
    webhooks::url,
    webhooks::description,
    webhooks::event_types,
    webhooks::enabled,
    webhooks::disabled_why,
    webhooks::failing_since,
    webhooks::version,
    webhooks::created_at,
    webhooks::updated_at,
);

impl From<&Stored<Webhook>> for WebhookRow {
    fn from(stored: &Stored<Webhook>) -> Self {
        let webhook = &stored.value;
        Self {
            id: stored.id.to_string(),
            url: webhook.url.to_string(),
            description: webhook.description.to_string(),
            event_types: serde_json::to_string(&webhook.event_types).expect("a list of texts"),
            enabled: webhook.enabled,
            disabled_why: webhook.disabled_why.clone(),
            failing_since: webhook.failing_since.map(|since| since.naive_utc()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<WebhookRow> for Stored<Webhook> {
    type Error = StoreError;

    fn try_from(row: WebhookRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("webhooks.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value: Webhook {
                url: checked("webhooks.url", WebhookUrl::parse(&row.url))?,
                description: checked("webhooks.description", Remark::parse(&row.description))?,
                event_types: checked("webhooks.event_types", serde_json::from_str(&row.event_types))?,
                enabled: row.enabled,
                disabled_why: row.disabled_why,
                failing_since: row.failing_since.map(|since| since.and_utc()),
            },
        })
    }
}

impl Kept for Webhook {
    const NAME: &'static str = "webhook";
    const KIND: Option<ThingKind> = None;

    fn tag(&self) -> Option<&Tag> {
        None
    }

    /// Without a secret: nothing can be sent before [`begin`].
    fn insert(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        let row = WebhookRow::from(stored);
        diesel::insert_into(webhooks::table)
            .values((
                webhooks::id.eq(row.id),
                webhooks::url.eq(row.url),
                webhooks::description.eq(row.description),
                webhooks::event_types.eq(row.event_types),
                webhooks::enabled.eq(row.enabled),
                webhooks::secret.eq(""),
                webhooks::position.eq(0_i64),
                webhooks::version.eq(row.version),
                webhooks::created_at.eq(row.created_at),
                webhooks::updated_at.eq(row.updated_at),
            ))
            .execute(tx.db())?;
        Ok(())
    }

    fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Stored<Self>>> {
        let row: Option<WebhookRow> =
            webhooks::table.find(id.to_string()).select(COLUMNS).first(tx.db()).optional()?;
        row.map(TryInto::try_into).transpose()
    }

    fn page(tx: &mut Tx<'_>, after: Option<Uuid>, limit: i64) -> StoreResult<Vec<Stored<Self>>> {
        let after = after.map(|id| id.to_string()).unwrap_or_default();
        let rows: Vec<WebhookRow> = webhooks::table
            .filter(webhooks::id.gt(after))
            .order(webhooks::id)
            .limit(limit)
            .select(COLUMNS)
            .load(tx.db())?;
        rows.into_iter().map(TryInto::try_into).collect()
    }

    /// Leaves the secrets and how far it has been told as they are.
    fn update(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        let before =
            webhooks::table.find(stored.id.to_string()).filter(webhooks::version.eq(stored.version - 1));
        only_one(diesel::update(before).set(&WebhookRow::from(stored)).execute(tx.db())?)
    }

    fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
        diesel::delete(webhooks::table.find(id.to_string())).execute(tx.db())?;
        Ok(())
    }

    fn record(stored: &Stored<Self>) -> serde_json::Value {
        recorded(&WebhookRow::from(stored))
    }
}

/// Gives a new webhook its secret, and the place in the feed after which it is told.
pub(crate) fn begin(tx: &mut Tx<'_>, id: WebhookId, secret: &Secret, position: i64) -> StoreResult<()> {
    let begun = diesel::update(webhooks::table.find(id.to_string()))
        .set((webhooks::secret.eq(secret.reveal()), webhooks::position.eq(position)))
        .execute(tx.db())?;
    only_one(begun)
}

/// What its messages are signed with.
pub(crate) fn secrets(tx: &mut Tx<'_>, id: WebhookId) -> StoreResult<Option<Secrets>> {
    let row: Option<(String, Option<String>, Option<NaiveDateTime>)> = webhooks::table
        .find(id.to_string())
        .select((webhooks::secret, webhooks::former_secret, webhooks::former_until))
        .first(tx.db())
        .optional()?;
    let Some((current, former, until)) = row else { return Ok(None) };
    let read = |text: &str| checked("webhooks.secret", Secret::parse(text));
    let former = former.as_deref().map(read).transpose()?;
    Ok(Some(Secrets { current: read(&current)?, former: former.zip(until.map(|until| until.and_utc())) }))
}

/// Gives it a new secret; the present one signs too until `until`.
pub(crate) fn rotate(
    tx: &mut Tx<'_>,
    before: &Stored<Webhook>,
    secret: &Secret,
    until: DateTime<Utc>,
    now: DateTime<Utc>,
) -> StoreResult<()> {
    let current: String =
        webhooks::table.find(before.id.to_string()).select(webhooks::secret).first(tx.db())?;
    let row = webhooks::table.find(before.id.to_string()).filter(webhooks::version.eq(before.version));
    let rotated = diesel::update(row)
        .set((
            webhooks::secret.eq(secret.reveal()),
            webhooks::former_secret.eq(Some(current)),
            webhooks::former_until.eq(Some(until.naive_utc())),
            webhooks::version.eq(before.version + 1),
            webhooks::updated_at.eq(now.naive_utc()),
        ))
        .execute(tx.db())?;
    only_one(rotated)
}

/// The webhooks that are to be told more than they have been: each with the place
/// up to which they have been told.
pub(crate) fn behind(tx: &mut Tx<'_>, last: i64) -> StoreResult<Vec<(Stored<Webhook>, i64)>> {
    let rows: Vec<(WebhookRow, i64)> = webhooks::table
        .filter(webhooks::enabled.eq(true))
        .filter(webhooks::position.lt(last))
        .order(webhooks::id)
        .select((COLUMNS, webhooks::position))
        .load(tx.db())?;
    rows.into_iter().map(|(row, position)| Ok((row.try_into()?, position))).collect()
}

/// Notes that a webhook has been told up to `to`; tells whether it still stood at
/// `from`, which it does not when another instance has told it meanwhile.
pub(crate) fn advance(tx: &mut Tx<'_>, id: Uuid, from: i64, to: i64) -> StoreResult<bool> {
    let row = webhooks::table.find(id.to_string()).filter(webhooks::position.eq(from));
    Ok(diesel::update(row).set(webhooks::position.eq(to)).execute(tx.db())? == 1)
}

/// Notes how a webhook stands after a try. Switching it off is a change of its own.
pub(crate) fn stands(
    tx: &mut Tx<'_>,
    webhook: &Stored<Webhook>,
    standing: &Standing,
    now: DateTime<Utc>,
) -> StoreResult<()> {
    let row = webhooks::table.find(webhook.id.to_string());
    match standing {
        Standing::Well | Standing::Failing(_) => {
            let since = if let Standing::Failing(since) = standing { Some(since.naive_utc()) } else { None };
            diesel::update(row).set(webhooks::failing_since.eq(since)).execute(tx.db())?;
            Ok(())
        }
        Standing::Disabled(why) => {
            let row = row.filter(webhooks::version.eq(webhook.version));
            let disabled = diesel::update(row)
                .set((
                    webhooks::enabled.eq(false),
                    webhooks::disabled_why.eq(Some(why)),
                    webhooks::version.eq(webhook.version + 1),
                    webhooks::updated_at.eq(now.naive_utc()),
                ))
                .execute(tx.db())?;
            only_one(disabled)
        }
    }
}

/// The place in the feed up to which a webhook has been told.
pub(crate) fn told(tx: &mut Tx<'_>, id: WebhookId) -> StoreResult<i64> {
    Ok(webhooks::table.find(id.to_string()).select(webhooks::position).first(tx.db())?)
}
