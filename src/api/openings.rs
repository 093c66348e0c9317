//! `/openings`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::bookings::{CautionBody, StationRef};
use super::fields::instant;
use super::paging::Listing;
use super::params::Params;
use super::problem::Problem;
use crate::domain::booking::{Places, Sample, Transfer, Work};
use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::{Solvent, WorkingGas};
use crate::domain::names::{Name, Reference};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::openings::{Boxes, LONGEST_SEARCH, Opening, Search, find};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// What is looked for.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct OpeningQuery {
    /// Time with hands in the gloves, ISO 8601.
    #[param(example = "PT3H")]
    duration: Option<String>,
    /// Not before; now unless given.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Not after; 14 days later unless given, 120 at most.
    #[param(format = DateTime)]
    to: Option<String>,
    /// Boxes of this working gas: argon, nitrogen or helium.
    working_gas: Option<String>,
    /// One box, by id or tag; instead of `working_gas`.
    glovebox: Option<String>,
    /// How many stations; one unless given.
    stations: Option<String>,
    /// Instruments inside the box, by tag, separated by commas.
    instruments: Option<String>,
    /// Transfers in: a number, or antechamber tags separated by commas, each with `:porous` where it applies.
    transfers_in: Option<String>,
    /// Transfers out, in the same form.
    transfers_out: Option<String>,
    /// Solvents opened in the box, separated by commas.
    solvents: Option<String>,
    /// How many openings at most: 1 to 500, 100 unless given.
    limit: Option<String>,
}

/// A place and time that fits and can be booked as it stands.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "glovebox": "0190f0a2-7000-7000-8000-000000000001", "glovebox_tag": "OTTER",
    "stations": [{"id": "0190f0a2-7000-7000-8000-000000000002", "tag": "S1"}],
    "start": "2026-03-02T08:00:00Z", "end": "2026-03-02T11:00:00Z", "latest_start": "2026-03-02T09:30:00Z",
    "occupied_from": "2026-03-02T07:38:00Z", "occupied_until": "2026-03-02T11:22:00Z",
    "gas_estimate_nl": 210.5, "qualified": true, "cautions": []
}))]
pub(crate) struct OpeningBody {
    /// The box.
    glovebox: Uuid,
    /// Its tag.
    glovebox_tag: String,
    /// The stations to use.
    stations: Vec<StationRef>,
    /// The earliest start.
    start: DateTime<Utc>,
    /// The end that goes with it.
    end: DateTime<Utc>,
    /// The latest start on the same stations.
    latest_start: DateTime<Utc>,
    /// When the first claim begins, antechamber turns included.
    occupied_from: DateTime<Utc>,
    /// When the last claim ends, turns and purge included.
    occupied_until: DateTime<Utc>,
    /// Gas for turns and purge, litres at 0 °C and 1 atm.
    gas_estimate_nl: f64,
    /// Whether the caller is qualified for the box; null when the token's subject is no person here.
    qualified: Option<bool>,
    /// What to mind.
    cautions: Vec<CautionBody>,
}

impl From<&Opening> for OpeningBody {
    fn from(opening: &Opening) -> Self {
        Self {
            glovebox: opening.glovebox.uuid(),
            glovebox_tag: opening.tag.to_string(),
            stations: opening
                .stations
                .iter()
                .map(|(id, tag)| StationRef { id: id.uuid(), tag: tag.to_string() })
                .collect(),
            start: opening.interval.start(),
            end: opening.interval.end(),
            latest_start: opening.latest_start,
            occupied_from: opening.occupied.start(),
            occupied_until: opening.occupied.end(),
            gas_estimate_nl: (opening.gas_nl * 10.0).round() / 10.0,
            qualified: opening.qualified,
            cautions: opening.cautions.iter().map(Into::into).collect(),
        }
    }
}

fn words(text: Option<&String>) -> Vec<&str> {
    text.iter().flat_map(|text| text.split(',')).map(str::trim).filter(|word| !word.is_empty()).collect()
}

fn transfers(check: &mut Check, field: &str, text: Option<&String>) -> Vec<Transfer> {
    let any = |sample| Transfer { antechamber: None, sample, at: None };
    let words = words(text);
    if let [number] = words.as_slice()
        && let Ok(count) = number.parse::<usize>()
    {
        check.require(count <= 20, field, "too_large", "at most 20 transfers");
        return (0..count.min(20)).map(|_| any(Sample::Compact)).collect();
    }
    check.require(words.len() <= 20, field, "too_large", "at most 20 transfers");
    let parse = |word: &str, check: &mut Check| {
        let (chamber, kind) = word.split_once(':').unwrap_or((word, "compact"));
        let sample = Sample::from_word(kind);
        check.require(sample.is_some(), field, "unknown_word", "a sample is compact or porous");
        let antechamber = check.field(field, chamber.parse::<Reference>());
        Some(Transfer { antechamber: Some(antechamber?), sample: sample?, at: None })
    };
    words.into_iter().take(20).filter_map(|word| parse(word, check)).collect()
}

impl OpeningQuery {
    fn parse(&self, now: DateTime<Utc>) -> Result<(Search, usize), Violations> {
        let mut check = Check::default();
        let length = match &self.duration {
            Some(text) => check.field("duration", Length::parse(text)).map(|length| length.delta()),
            None => {
                check.note(Violation::new("duration", "missing_field", "say how long the work takes"));
                None
            }
        };
        let from = self.from.as_ref().map_or(Some(now), |text| instant(&mut check, "from", text));
        let to = match &self.to {
            Some(text) => instant(&mut check, "to", text),
            None => from.map(|from| from + TimeDelta::days(14)),
        };
        let range = from.zip(to).and_then(|(from, to)| {
            let range = Interval::new(from, to).ok();
            let fits = range.is_some_and(|range| range.length() <= LONGEST_SEARCH);
            check.require(fits, "to", "bad_range", "must come after `from`, by 120 days at most");
            range.filter(|_| fits)
        });
        let boxes = self.boxes(&mut check);
        let stations: Option<u8> = match self.stations.as_deref().map(str::parse) {
            None => Some(1),
            Some(Ok(count)) if (1..=16).contains(&count) => Some(count),
            Some(_) => {
                check.note(Violation::new("stations", "out_of_range", "must be 1 to 16"));
                None
            }
        };
        let instruments = words(self.instruments.as_ref())
            .into_iter()
            .filter_map(|word| check.field("instruments", word.parse::<Reference>()))
            .collect();
        let solvents = words(self.solvents.as_ref())
            .into_iter()
            .filter_map(|word| check.field("solvents", Name::parse(word)).map(Solvent::classify))
            .collect();
        let transfers_in = transfers(&mut check, "transfers_in", self.transfers_in.as_ref());
        let transfers_out = transfers(&mut check, "transfers_out", self.transfers_out.as_ref());
        let limit: Option<usize> = match self.limit.as_deref().map(str::parse) {
            None => Some(100),
            Some(Ok(limit)) if (1..=500).contains(&limit) => Some(limit),
            Some(_) => {
                check.note(Violation::new("limit", "out_of_range", "must be 1 to 500"));
                None
            }
        };
        let parts = length.zip(range).zip(boxes).zip(stations).zip(limit);
        check.build(parts, |((((length, range), boxes), stations), limit)| {
            let places = Places::Any(stations);
            let work = Work { places, transfers_in, transfers_out, instruments, solvents };
            (Search { work, length, range, boxes }, limit)
        })
    }

    fn boxes(&self, check: &mut Check) -> Option<Boxes> {
        match (&self.glovebox, &self.working_gas) {
            (Some(_), Some(_)) => {
                check.note(Violation::new("glovebox", "either_or", "name a box or a working gas, not both"));
                None
            }
            (Some(text), None) => check.field("glovebox", text.parse().map(Boxes::One)),
            (None, Some(word)) => {
                let gas = WorkingGas::from_word(word);
                check.require(gas.is_some(), "working_gas", "unknown_word", "argon, nitrogen or helium");
                gas.map(Boxes::OfGas)
            }
            (None, None) => Some(Boxes::All),
        }
    }
}

/// Find where and when a piece of work fits.
///
/// Ordered by start. Each opening can be booked as it stands by a person
/// qualified for the box. For openings after the last one, search again with a later `from`.
#[utoipa::path(tag = "bookings", params(OpeningQuery),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "Openings, in order of start", body = Listing<OpeningBody>)))]
#[get("/openings")]
async fn find_openings(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<OpeningQuery>,
) -> Result<HttpResponse, Problem> {
    let (search, limit) = query.0.parse(app.now()).map_err(|faults| Problem::invalid(&faults))?;
    let found = app.query(move |tx, now| find(tx, &caller.0, now, &search, limit)).await?;
    Ok(Listing::whole(found.iter().map(OpeningBody::from).collect()).answer(&request))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(find_openings);
}
