//! The messages to receivers, and who is at sending them.

use super::Tx;
use super::db::Db;
use super::error::{StoreError, StoreResult};
use super::schema::{webhook_deliveries as deliveries, webhooks};
use super::things::{checked, uuid};
use crate::domain::feed::{Cause, Delivery, DeliveryState};
use crate::domain::ids::{DeliveryId, WebhookId};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable)]
#[diesel(table_name = deliveries)]
struct Row {
    id: String,
    webhook_id: String,
    position: Option<i64>,
    cause: String,
    state: String,
    attempts: String,
    attempt_count: i32,
    due_at: Option<NaiveDateTime>,
    lease: Option<String>,
    leased_until: Option<NaiveDateTime>,
    created_at: NaiveDateTime,
    finished_at: Option<NaiveDateTime>,
}

fn attempts_text(delivery: &Delivery) -> String {
    serde_json::to_string(&delivery.attempts).expect("a list of numbers and texts")
}

impl From<&Delivery> for Row {
    fn from(delivery: &Delivery) -> Self {
        Self {
            id: delivery.id.to_string(),
            webhook_id: delivery.webhook.to_string(),
            position: delivery.position,
            cause: delivery.cause.word().to_owned(),
            state: delivery.state.word().to_owned(),
            attempts: attempts_text(delivery),
            attempt_count: i32::try_from(delivery.attempts.len()).unwrap_or(i32::MAX),
            due_at: delivery.due_at.map(|at| at.naive_utc()),
            lease: None,
            leased_until: None,
            created_at: delivery.created_at.naive_utc(),
            finished_at: delivery.finished_at.map(|at| at.naive_utc()),
        }
    }
}

impl TryFrom<Row> for Delivery {
    type Error = StoreError;

    fn try_from(row: Row) -> StoreResult<Self> {
        let unknown = |column: &'static str, word: &str| StoreError::corrupt(column, format!("{word:?}"));
        Ok(Self {
            id: uuid("webhook_deliveries.id", &row.id)?.into(),
            webhook: uuid("webhook_deliveries.webhook_id", &row.webhook_id)?.into(),
            position: row.position,
            cause: Cause::from_word(&row.cause)
                .ok_or_else(|| unknown("webhook_deliveries.cause", &row.cause))?,
            state: DeliveryState::from_word(&row.state)
                .ok_or_else(|| unknown("webhook_deliveries.state", &row.state))?,
            attempts: checked("webhook_deliveries.attempts", serde_json::from_str(&row.attempts))?,
            due_at: row.due_at.map(|at| at.and_utc()),
            created_at: row.created_at.and_utc(),
            finished_at: row.finished_at.map(|at| at.and_utc()),
        })
    }
}

/// Puts a message on the list.
pub(crate) fn insert(tx: &mut Tx<'_>, delivery: &Delivery) -> StoreResult<()> {
    diesel::insert_into(deliveries::table).values(&Row::from(delivery)).execute(tx.db())?;
    Ok(())
}

/// One message to a webhook.
pub(crate) fn find(tx: &mut Tx<'_>, webhook: WebhookId, id: DeliveryId) -> StoreResult<Option<Delivery>> {
    let row: Option<Row> = deliveries::table
        .find(id.to_string())
        .filter(deliveries::webhook_id.eq(webhook.to_string()))
        .first(tx.db())
        .optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Up to `limit` messages to a webhook, in one state where given, after the one of id `after`.
pub(crate) fn page(
    tx: &mut Tx<'_>,
    webhook: WebhookId,
    state: Option<DeliveryState>,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Delivery>> {
    let mut query = deliveries::table
        .filter(deliveries::webhook_id.eq(webhook.to_string()))
        .filter(deliveries::id.gt(after.map(|id| id.to_string()).unwrap_or_default()))
        .order(deliveries::id)
        .limit(limit)
        .into_boxed();
    if let Some(state) = state {
        query = query.filter(deliveries::state.eq(state.word()));
    }
    let rows: Vec<Row> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The webhook whose message has been due the longest, but for those in `busy`.
pub(crate) fn most_due(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    busy: &[WebhookId],
) -> StoreResult<Option<WebhookId>> {
    let busy: Vec<String> = busy.iter().map(ToString::to_string).collect();
    let found: Option<String> = deliveries::table
        .inner_join(webhooks::table)
        .filter(webhooks::enabled.eq(true))
        .filter(deliveries::state.eq(DeliveryState::Pending.word()))
        .filter(deliveries::due_at.le(Some(now.naive_utc())))
        .filter(deliveries::leased_until.is_null().or(deliveries::leased_until.le(Some(now.naive_utc()))))
        .filter(diesel::dsl::not(webhooks::id.eq_any(busy)))
        .order((deliveries::due_at, deliveries::id))
        .select(deliveries::webhook_id)
        .first(tx.db())
        .optional()?;
    found.map(|id| Ok(uuid("webhook_deliveries.webhook_id", &id)?.into())).transpose()
}

/// Takes up to `limit` messages to a webhook that are due, so that nobody else
/// sends them before `until`.
pub(crate) fn claim(
    tx: &mut Tx<'_>,
    webhook: WebhookId,
    now: DateTime<Utc>,
    limit: i64,
    lease: &str,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Delivery>> {
    macro_rules! due {
        () => {
            deliveries::table
                .filter(deliveries::webhook_id.eq(webhook.to_string()))
                .filter(deliveries::state.eq(DeliveryState::Pending.word()))
                .filter(deliveries::due_at.le(Some(now.naive_utc())))
                .filter(
                    deliveries::leased_until.is_null().or(deliveries::leased_until.le(Some(now.naive_utc()))),
                )
                .order((deliveries::due_at, deliveries::id))
                .limit(limit)
        };
    }
    let rows: Vec<Row> = match tx.db() {
        Db::Sqlite(connection) => due!().load(connection)?,
        Db::Postgres(connection) => due!().for_update().skip_locked().load(connection)?,
    };
    let ids: Vec<String> = rows.iter().map(|row| row.id.clone()).collect();
    diesel::update(deliveries::table.filter(deliveries::id.eq_any(ids)))
        .set((deliveries::lease.eq(Some(lease)), deliveries::leased_until.eq(Some(until.naive_utc()))))
        .execute(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Keeps what became of a message, and lets go of it. Returns whether the lease
/// was still held: otherwise somebody else has taken the message over.
pub(crate) fn settle(tx: &mut Tx<'_>, delivery: &Delivery, lease: &str) -> StoreResult<bool> {
    let row = Row::from(delivery);
    let held = deliveries::table.find(row.id).filter(deliveries::lease.eq(Some(lease)));
    let settled = diesel::update(held)
        .set((
            deliveries::state.eq(row.state),
            deliveries::attempts.eq(row.attempts),
            deliveries::attempt_count.eq(row.attempt_count),
            deliveries::due_at.eq(row.due_at),
            deliveries::finished_at.eq(row.finished_at),
            deliveries::lease.eq(None::<String>),
            deliveries::leased_until.eq(None::<NaiveDateTime>),
        ))
        .execute(tx.db())?;
    Ok(settled == 1)
}

/// Lets go of what is left of a lease.
pub(crate) fn release(tx: &mut Tx<'_>, lease: &str) -> StoreResult<()> {
    diesel::update(deliveries::table.filter(deliveries::lease.eq(Some(lease))))
        .set((deliveries::lease.eq(None::<String>), deliveries::leased_until.eq(None::<NaiveDateTime>)))
        .execute(tx.db())?;
    Ok(())
}

/// Forgets the messages that were done with before `before`.
pub(crate) fn forget(tx: &mut Tx<'_>, before: DateTime<Utc>) -> StoreResult<usize> {
    let done = deliveries::table.filter(deliveries::finished_at.lt(Some(before.naive_utc())));
    Ok(diesel::delete(done).execute(tx.db())?)
}
