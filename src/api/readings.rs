//! `/readings`.

#![expect(unused_qualifications, reason = "utoipa qualifies the query types of params(…)")]

mod formats;

use super::Api;
use super::auth::Caller;
use super::body;
use super::crud;
use super::fields::instant;
use super::paging;
use super::params::Params;
use super::problem::Problem;
use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::{MeasuredQuantity, Scope};
use crate::domain::names::Reference;
use crate::domain::upkeep::readings::{Batch, Bucket, Buckets, Rejected};
use crate::domain::violations::{Check, Coded as _};
use crate::usecases::Error;
use crate::usecases::ingest_readings::{self as readings, After, Alarm, Ingested, Point, Shown, Wanted};
use crate::usecases::once::{Answer, OnceKey};
use crate::usecases::under_way::{Kind, Work};
use actix_web::dev::Payload;
use actix_web::http::header::LINK;
use actix_web::web::Bytes;
use actix_web::{FromRequest, HttpRequest, HttpResponse, delete, get, post, web};
use chrono::{DateTime, TimeDelta, Utc};
use formats::Format;
use futures_util::future::LocalBoxFuture;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::Arc;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// One reading.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({
    "subject": "LYNX", "quantity": "oxygen_ppm", "at": "2026-03-02T11:00:00Z", "value": 0.4, "sensor": "o2-1"
}))]
struct ReadingForm {
    /// What was read: id, tag, or `BOX/PART`.
    subject: String,
    /// Which quantity: `oxygen_ppm`, `water_ppm`, `gauge_bar`, `temperature_c`,
    /// `box_pressure_mbar`, `filter_pressure_mbar`, `circulation_m3_h`,
    /// `pump_hours`, `station_hours` or `antechamber_cycles`.
    quantity: String,
    /// When, RFC 3339 with an offset.
    at: DateTime<Utc>,
    /// The value.
    value: f64,
    /// Its unit, where it is not the one in the quantity's name, such as `ppb`, `kPa`, `K`.
    unit: Option<String>,
    /// The sensor, where a thing has several of one kind; up to 120 characters.
    sensor: Option<String>,
}

/// Readings sent together.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({ "readings": [
    {"subject": "LYNX", "quantity": "oxygen_ppm", "at": "2026-03-02T11:00:00Z", "value": 0.4, "sensor": "o2-1"},
    {"subject": "ARGON-1", "quantity": "gauge_bar", "at": "2026-03-02T11:00:00Z", "value": 14.2, "unit": "MPa"}
]}))]
struct ReadingsForm {
    /// The rows, at most 100 000.
    readings: Vec<ReadingForm>,
}

/// A row that was not taken.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({ "index": 3, "code": "unknown_subject", "detail": "there is nothing with the id or tag \"LYNZ\"" }))]
struct RejectedBody {
    /// Its place among the rows of data, from zero.
    index: usize,
    /// Stable code.
    code: &'static str,
    /// A sentence.
    detail: String,
}

impl From<&Rejected> for RejectedBody {
    fn from(rejected: &Rejected) -> Self {
        let (code, detail) = (rejected.fault.code(), rejected.fault.to_string());
        Self { index: rejected.index, code, detail }
    }
}

/// A hold that stands because of readings.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "hold": "0190f0a2-7d10-7000-8000-000000000001", "glovebox": "0190f0a2-7d10-7000-8000-000000000002",
    "glovebox_tag": "LYNX", "quantity": "oxygen_ppm",
    "reason": "oxygen_ppm read 140 ppm, at or past the action level of 100 ppm."
}))]
struct AlarmBody {
    /// The hold.
    hold: Uuid,
    /// The box it closes.
    glovebox: Uuid,
    /// Tag of the box.
    glovebox_tag: Option<String>,
    /// The quantity at or past its action level.
    quantity: &'static str,
    /// The hold's reason.
    reason: String,
}

impl From<&Alarm> for AlarmBody {
    fn from(alarm: &Alarm) -> Self {
        Self {
            hold: alarm.hold,
            glovebox: alarm.glovebox.id,
            glovebox_tag: alarm.glovebox.tag.as_ref().map(ToString::to_string),
            quantity: alarm.quantity.word(),
            reason: alarm.reason.to_string(),
        }
    }
}

/// What became of the rows sent. Every row is counted once.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "accepted": 2, "duplicates": 1,
    "rejected": [{"index": 3, "code": "unknown_subject", "detail": "there is nothing with the id or tag \"LYNZ\""}],
    "holds_opened": [], "holds_standing": []
}))]
struct IngestedBody {
    /// How many were stored.
    accepted: usize,
    /// How many were stored already, with the same value.
    duplicates: usize,
    /// Those not taken, in the order sent.
    rejected: Vec<RejectedBody>,
    /// The holds that these readings opened.
    holds_opened: Vec<AlarmBody>,
    /// The holds, open already, that these readings would have opened.
    holds_standing: Vec<AlarmBody>,
}

impl From<&Ingested> for IngestedBody {
    fn from(done: &Ingested) -> Self {
        Self {
            accepted: done.accepted,
            duplicates: done.duplicates,
            rejected: done.rejected.iter().map(Into::into).collect(),
            holds_opened: done.opened.iter().map(Into::into).collect(),
            holds_standing: done.standing.iter().map(Into::into).collect(),
        }
    }
}

/// Bytes of a body that is parsed where it is received.
const SMALL: usize = 8 * 1024;
/// From so many rows on, a batch takes long enough to be told of.
const MANY: usize = 2_000;

/// What a body of readings of a media type says, received at a time; an error says why none of it can be read.
///
/// ```
/// let body = b"subject,quantity,at,value\nLYNX,oxygen_ppm,2026-03-02T11:00:00Z,0.4";
/// let batch = drykeep::api::readings_in("text/csv", body, chrono::DateTime::UNIX_EPOCH).unwrap();
/// assert_eq!(batch.count(), 1);
/// ```
pub fn readings_in(media_type: &str, body: &[u8], received: DateTime<Utc>) -> Result<Batch, String> {
    let mut batch = Batch::received_at(received);
    let read = Format::named(media_type).and_then(|format| format.read(body, &mut batch));
    read.map(|()| batch).map_err(|problem| problem.to_string())
}

/// A body of readings, not yet parsed.
struct Sent {
    format: Format,
    bytes: Bytes,
    once: Option<OnceKey>,
}

impl FromRequest for Sent {
    type Error = Problem;
    type Future = LocalBoxFuture<'static, Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let request = request.clone();
        let payload = payload.take();
        Box::pin(async move {
            let format = Format::of(&request)?;
            let bytes = body::read(payload, formats::LIMIT).await?;
            let once = body::once_key(&request, &bytes)?;
            Ok(Self { format, bytes, once })
        })
    }
}

impl Sent {
    /// Parses a large body off the threads that serve requests: it takes a while.
    /// Handing a small one over would take longer than parsing it.
    async fn parse(self, now: DateTime<Utc>) -> Result<(Batch, Option<OnceKey>), Problem> {
        if self.bytes.len() <= SMALL {
            return self.parsed(now);
        }
        let parsed = web::block(move || self.parsed(now));
        parsed.await.unwrap_or_else(|_| Err(Problem::new(super::problem::INTERNAL, "parsing was cut short")))
    }

    fn parsed(self, now: DateTime<Utc>) -> Result<(Batch, Option<OnceKey>), Problem> {
        let mut batch = Batch::received_at(now);
        self.format.read(&self.bytes, &mut batch).map(|()| (batch, self.once))
    }
}

/// Send readings.
///
/// Takes one JSON object, a JSON object a line (`application/x-ndjson`), or
/// CSV with a header that names `subject,quantity,at,value` and perhaps `unit`
/// and `sensor`, in any order. At most 16 MiB and 100 000 rows. What can be
/// taken is stored in one transaction; rows that cannot are listed with their
/// place, counted from zero, and the reason, and spoil no others.
///
/// A sensor has one value an instant. The same row sent again is counted as a
/// duplicate and changes nothing; another value for the same subject,
/// quantity, sensor and instant is rejected as `differs_from_stored`: delete
/// the stored one first to correct it.
///
/// Not believed, and so rejected: a subject that does not exist
/// (`unknown_subject`), that several boxes have (`ambiguous_subject`), or at
/// which the quantity is not read (`wrong_subject`); a value outside what the
/// quantity can be, such as less than no oxygen (`implausible_value`,
/// `not_finite`); a unit of another quantity (`unknown_unit`); a time more
/// than 5 minutes ahead of this service's clock (`in_the_future`) or before
/// 2000 (`too_old`); a pressure of more than 1.15 times the filling pressure
/// of the cylinder, or of the supply's largest connected cylinder
/// (`above_rating`; 200 bar of argon at 15 °C pass 222 bar near 30 °C). Oxygen
/// or water of exactly zero is stored with the flag `zero`.
///
/// A reading at or past an action level of its glovebox opens a hold on the
/// box in the same transaction and marks the bookings it affects, unless a
/// hold of the same quantity is open already, which is then named in
/// `holds_standing`. A reading more than 24 hours old when it arrives, or not
/// newer than the last release of such a hold, is stored but opens none.
#[utoipa::path(tag = "readings",
    params(("Idempotency-Key" = Option<String>, Header, description = "A key of the caller's choosing: \
        the same request sent again with it gets the first answer again.",
        min_length = 1, max_length = 128, pattern = "^[!-~]{1,128}$")),
    request_body(description = "Readings in one of three forms", content(
        (ReadingsForm = "application/json"),
        (String = "application/x-ndjson"),
        (String = "text/csv"),
    )),
    security(("token" = ["readings:write"])),
    responses((status = 200, description = "What became of them", body = IngestedBody)))]
#[post("/readings")]
async fn send_readings(app: Api, caller: Caller, sent: Sent) -> Result<HttpResponse, Problem> {
    let actor = caller.0;
    actor.needs(Scope::ReadingsWrite).map_err(Error::from)?;
    let (batch, once) = sent.parse(app.now()).await?;
    let work = (batch.rows().len() >= MANY).then(|| app.under_way().begin(Kind::Import, app.now()));
    let far = work.as_ref().map(Work::report).unwrap_or_default();
    let (batch, who) = (Arc::new(batch), actor.clone());
    let answer = app
        .command_once(&actor, once, move |tx, now| {
            let done = readings::ingest(tx, &who, now, &batch, &far)?;
            let body = serde_json::to_string(&IngestedBody::from(&done)).unwrap_or_default();
            Ok(Answer { status: 200, body, location: None, etag: None, replayed: false })
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Most readings on one page.
pub(super) const MOST_ITEMS: i64 = 10_000;

/// Query of readings.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ReadingQuery {
    /// What was read: id, tag, or `BOX/PART`.
    subject: String,
    /// Which quantity.
    quantity: String,
    /// That sensor only; all unless given, and an empty text for readings that name none.
    sensor: Option<String>,
    /// From this instant on, RFC 3339; 24 hours before `to` unless given.
    from: Option<String>,
    /// Up to but not including this instant, RFC 3339; now unless given.
    to: Option<String>,
    /// An ISO 8601 duration, such as `PT1H`: sums up each stretch of this
    /// length, counted from `from`, instead of giving every reading.
    resolution: Option<String>,
    /// How many readings at most: 1 to 10 000, 1000 unless given. Sums are at most 10 000 and not paged.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// A reading, or what the readings of a stretch of time come to.
#[derive(Debug, Serialize, ToSchema)]
#[serde(untagged)]
enum ItemBody {
    /// A reading.
    Reading(PointBody),
    /// A stretch of time.
    Stretch(BucketBody),
}

/// A stored reading.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({ "at": "2026-03-02T11:00:00Z", "value": 0.4, "sensor": "o2-1" }))]
struct PointBody {
    /// When.
    at: DateTime<Utc>,
    /// The value, in the quantity's unit.
    value: f64,
    /// What is odd about it, such as `zero`.
    #[serde(skip_serializing_if = "Option::is_none")]
    flag: Option<String>,
    /// The sensor, where it was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    sensor: Option<String>,
}

impl PointBody {
    fn of(point: &Point, sensors: &HashMap<i64, String>) -> Self {
        let sensor = sensors.get(&point.series).filter(|sensor| !sensor.is_empty()).cloned();
        Self { at: point.at, value: point.value, flag: point.flag.clone(), sensor }
    }
}

/// The readings of one stretch of time; stretches without any are left out.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "at": "2026-03-02T11:00:00Z", "count": 60, "min": 0.3, "max": 0.6, "mean": 0.41, "first": 0.4, "last": 0.5
}))]
struct BucketBody {
    /// Where it begins.
    at: DateTime<Utc>,
    /// How many readings.
    count: u64,
    /// The least.
    min: f64,
    /// The greatest.
    max: f64,
    /// Their arithmetic mean.
    mean: f64,
    /// The earliest.
    first: f64,
    /// The last.
    last: f64,
}

impl From<&Bucket> for BucketBody {
    fn from(bucket: &Bucket) -> Self {
        Self {
            at: bucket.start,
            count: bucket.count,
            min: bucket.min,
            max: bucket.max,
            mean: bucket.mean(),
            first: bucket.first.1,
            last: bucket.last.1,
        }
    }
}

/// Readings of one quantity of one thing.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "subject": "0190f0a2-7d10-7000-8000-000000000002", "quantity": "oxygen_ppm", "unit": "ppm",
    "from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z", "resolution": null,
    "items": [{"at": "2026-03-02T11:00:00Z", "value": 0.4, "sensor": "o2-1"}], "next": null,
    "latest": {"at": "2026-03-02T11:00:00Z", "value": 0.4, "sensor": "o2-1"}
}))]
struct ReadingsBody {
    /// What was read.
    subject: Uuid,
    /// Which quantity.
    quantity: &'static str,
    /// The unit of the values.
    unit: &'static str,
    /// From this instant on.
    from: DateTime<Utc>,
    /// Up to but not including this instant.
    to: DateTime<Utc>,
    /// The length of a stretch, where readings are summed up.
    resolution: Option<String>,
    /// The readings, or stretches, in order of time.
    items: Vec<ItemBody>,
    /// The cursor of the next page; null on the last.
    next: Option<String>,
    /// The last reading before `to`, however long ago; null where there is none.
    latest: Option<PointBody>,
}

/// What a query asks for.
struct Asked {
    wanted: Wanted,
    resolution: Option<Length>,
    limit: i64,
    after: Option<After>,
}

fn quantity(check: &mut Check, word: &str) -> Option<MeasuredQuantity> {
    let found = MeasuredQuantity::from_word(word);
    let known: Vec<&str> = MeasuredQuantity::ALL.iter().map(|quantity| quantity.word()).collect();
    let detail = format!("must be one of {}", known.join(", "));
    check.require(found.is_some(), "quantity", "unknown_quantity", detail);
    found
}

fn subject(check: &mut Check, text: &str) -> Option<Reference> {
    let parsed = text.parse().ok();
    check.require(parsed.is_some(), "subject", "unknown_subject", "is neither an id nor a tag");
    parsed
}

/// A cursor: the microsecond and the series of the last reading shown.
fn cursor(text: &str) -> Option<After> {
    let (micros, series) = text.split_once('-')?;
    Some((DateTime::from_timestamp_micros(micros.parse().ok()?)?, series.parse().ok()?))
}

impl ReadingQuery {
    fn parse(&self, now: DateTime<Utc>) -> Result<Asked, Problem> {
        let mut check = Check::default();
        let subject = subject(&mut check, &self.subject);
        let quantity = quantity(&mut check, &self.quantity);
        let to = self.to.as_deref().map_or(Some(now), |text| instant(&mut check, "to", text));
        let from = match &self.from {
            Some(text) => instant(&mut check, "from", text),
            None => to.map(|to| to - TimeDelta::hours(24)),
        };
        let range = from.zip(to).and_then(|(from, to)| Interval::new(from, to).ok());
        if from.zip(to).is_some() {
            check.require(range.is_some(), "to", "out_of_order", "must be after from");
        }
        let resolution = check.field("resolution", self.resolution.as_deref().map(Length::parse).transpose());
        let limit = self.limit.as_deref().map_or(Some(1000), |text| text.parse::<i64>().ok());
        let limit = limit.filter(|limit| (1..=MOST_ITEMS).contains(limit));
        check.require(limit.is_some(), "limit", "out_of_range", "must be 1 to 10000");
        let after = self.after.as_deref().map(cursor);
        check.require(after != Some(None), "after", "bad_cursor", "must be the `next` of a page");
        let sensor = self.sensor.clone();
        let parts = subject.zip(quantity).zip(range).zip(resolution).zip(limit);
        let asked = check.build(parts, |((((subject, quantity), range), resolution), limit)| Asked {
            wanted: Wanted { subject, quantity, sensor, range },
            resolution,
            limit,
            after: after.flatten(),
        });
        asked.map_err(|faults| Problem::invalid(&faults))
    }
}

/// Show readings of one quantity of one thing, or what they come to.
///
/// Without `resolution` every reading, in order of time, a page at a time;
/// with it count, least, greatest, mean, first and last of each stretch.
#[utoipa::path(tag = "readings", params(ReadingQuery),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "They", body = ReadingsBody)))]
#[get("/readings")]
async fn show_readings(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<ReadingQuery>,
) -> Result<HttpResponse, Problem> {
    let Asked { wanted, resolution, limit, after } = query.0.parse(app.now())?;
    let (quantity, range) = (wanted.quantity, wanted.range);
    let answer = |subject, items, next: Option<String>, latest| {
        let mut answer = HttpResponse::Ok();
        if let Some(next) = &next {
            answer.insert_header((LINK, paging::next_link(&request, next)));
        }
        let (from, to) = (range.start(), range.end());
        let resolution = resolution.map(|length| length.to_string());
        let (quantity, unit) = (quantity.word(), quantity.unit());
        answer.json(ReadingsBody { subject, quantity, unit, from, to, resolution, items, next, latest })
    };
    if let Some(length) = resolution {
        let buckets = Buckets::divide(range, length)
            .map_err(|e| Problem::field("resolution", "too_many_stretches", e.to_string()))?;
        let shown = app.query(move |tx, _| readings::sum_up(tx, &caller.0, &wanted, buckets)).await?;
        let items = shown.items.iter().map(|bucket| ItemBody::Stretch(bucket.into())).collect();
        return Ok(answer(shown.subject, items, None, latest(&shown)));
    }
    let mut shown = app.query(move |tx, _| readings::show(tx, &caller.0, &wanted, after, limit + 1)).await?;
    let fitting = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = shown.items.len() > fitting;
    shown.items.truncate(fitting);
    let next = shown.items.last().filter(|_| more);
    let next = next.map(|last| format!("{}-{}", last.at.timestamp_micros(), last.series));
    let items = shown.items.iter().map(|point| ItemBody::Reading(PointBody::of(point, &shown.sensors)));
    Ok(answer(shown.subject, items.collect(), next, latest(&shown)))
}

fn latest<T>(shown: &Shown<T>) -> Option<PointBody> {
    shown.latest.as_ref().map(|point| PointBody::of(point, &shown.sensors))
}

/// Which reading to remove.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct RemovalQuery {
    /// What was read: id, tag, or `BOX/PART`.
    subject: String,
    /// Which quantity.
    quantity: String,
    /// The instant, RFC 3339, exactly as stored.
    at: String,
    /// The sensor; absent for readings that name none.
    #[serde(default)]
    sensor: String,
}

/// Remove a reading, so that it can be sent anew with another value.
///
/// A hold that the reading opened stays open until somebody releases it. A
/// reading has no version, so no `If-Match` is asked for.
#[utoipa::path(tag = "readings", params(RemovalQuery), security(("token" = ["upkeep:manage"])),
    responses((status = 204, description = "It was removed"),
              (status = 404, description = "There is none", body = Problem,
               content_type = "application/problem+json")))]
#[delete("/readings")]
async fn remove_reading(
    app: Api,
    caller: Caller,
    query: Params<RemovalQuery>,
) -> Result<HttpResponse, Problem> {
    let query = query.0;
    let mut check = Check::default();
    let subject = subject(&mut check, &query.subject);
    let quantity = quantity(&mut check, &query.quantity);
    let at = instant(&mut check, "at", &query.at);
    let (reference, quantity, at) = check
        .build(subject.zip(quantity).zip(at), |((subject, quantity), at)| (subject, quantity, at))
        .map_err(|faults| Problem::invalid(&faults))?;
    app.command(move |tx, now| {
        readings::remove(tx, &caller.0, now, (&reference, quantity, &query.sensor), at)
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(send_readings).service(show_readings).service(remove_reading);
}
