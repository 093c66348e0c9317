//! `/usage-statements`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::auth::Caller;
use super::csv_cells::harmless;
use super::fields::word;
use super::params::Params;
use super::problem::{self, Problem};
use super::{Api, accept};
use crate::domain::usage::{Figures, Grouping, Month, Part};
use crate::domain::violations::{Check, Coded, Violations};
use crate::usecases::Error;
use crate::usecases::usage_statements::{self, Line, Statement};
use actix_web::http::header::VARY;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Which statement is wanted.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct StatementQuery {
    /// The month; the present one unless given.
    #[param(example = "2026-05")]
    month: Option<String>,
    /// `group`, `person` or `glovebox`; `group` unless given.
    by: Option<String>,
}

impl Coded for crate::domain::usage::BadMonth {
    fn code(&self) -> &'static str {
        "bad_month"
    }
}

impl StatementQuery {
    fn parse(&self) -> Result<(Option<Month>, Grouping), Violations> {
        let mut check = Check::default();
        let month = check.field("month", self.month.as_deref().map(str::parse).transpose());
        let by = match &self.by {
            None => Some(Grouping::Group),
            Some(text) => word(&mut check, "by", text, &Grouping::ALL, Grouping::word),
        };
        check.build(month.zip(by), |parts| parts)
    }
}

/// What was used. Each booking counts in whole hundredths of an hour and whole
/// millilitres, so that sums agree to the last digit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "bookings": 12, "hours": 31.5, "hours_logged": 27.5, "hours_booked": 4.0, "station_hours": 35.25,
    "transfers": 18, "gas_turns_nl": 1894.32, "gas_purge_nl": 7461.0, "gas_nl": 9355.32
}))]
pub(crate) struct FiguresBody {
    /// How many bookings.
    bookings: i64,
    /// Hours, logged and booked.
    hours: f64,
    /// Hours in use of bookings that were closed out.
    hours_logged: f64,
    /// Hours booked of those that were not.
    hours_booked: f64,
    /// Hours, times the stations taken.
    station_hours: f64,
    /// Antechamber turns.
    transfers: i64,
    /// Gas of antechamber turns, litres at 0 °C and 1 atm.
    gas_turns_nl: f64,
    /// Gas of purges after work with the circulation off, litres at 0 °C and 1 atm.
    gas_purge_nl: f64,
    /// Gas as the bookings estimate it, litres at 0 °C and 1 atm.
    gas_nl: f64,
}

#[expect(clippy::cast_precision_loss, reason = "sums of a facility stay far below 2^53")]
fn scaled(whole: i64, by: f64) -> f64 {
    whole as f64 / by
}

impl From<Figures> for FiguresBody {
    fn from(figures: Figures) -> Self {
        Self {
            bookings: figures.bookings,
            hours: scaled(figures.time(), 100.0),
            hours_logged: scaled(figures.logged, 100.0),
            hours_booked: scaled(figures.booked, 100.0),
            station_hours: scaled(figures.station_time, 100.0),
            transfers: figures.transfers,
            gas_turns_nl: scaled(figures.turns_ml, 1000.0),
            gas_purge_nl: scaled(figures.purge_ml, 1000.0),
            gas_nl: scaled(figures.gas_ml(), 1000.0),
        }
    }
}

/// A line of a statement.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "group": "Interfaces", "name": "Interfaces", "bookings": 12, "hours": 31.5, "hours_logged": 27.5,
    "hours_booked": 4.0, "station_hours": 35.25, "transfers": 18, "gas_turns_nl": 1894.32,
    "gas_purge_nl": 7461.0, "gas_nl": 9355.32
}))]
pub(crate) struct UsageLineBody {
    /// The month that a correction is about; absent from other lines.
    #[serde(skip_serializing_if = "Option::is_none")]
    of_month: Option<String>,
    /// The group, in statements by group; absent where bookings count against none.
    #[serde(skip_serializing_if = "Option::is_none")]
    group: Option<String>,
    /// The person, in statements by person.
    #[serde(skip_serializing_if = "Option::is_none")]
    person: Option<Uuid>,
    /// The box, in statements by box.
    #[serde(skip_serializing_if = "Option::is_none")]
    glovebox: Option<Uuid>,
    /// What it is called.
    name: Option<String>,
    #[serde(flatten)]
    figures: FiguresBody,
}

impl UsageLineBody {
    fn new(line: &Line, of_month: Option<Month>) -> Self {
        let (mut group, mut person, mut glovebox) = (None, None, None);
        match &line.part {
            Part::Group(name) => group = name.as_ref().map(ToString::to_string),
            Part::Person(id) => person = Some(id.uuid()),
            Part::Glovebox(id) => glovebox = Some(id.uuid()),
        }
        Self {
            of_month: of_month.map(|month| month.to_string()),
            group,
            person,
            glovebox,
            name: line.label.clone(),
            figures: line.figures.into(),
        }
    }
}

/// A statement of usage.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "month": "2026-05", "by": "group", "start": "2026-04-30T22:00:00Z", "end": "2026-05-31T22:00:00Z",
    "state": "open", "closed_at": null, "closed_by": null,
    "items": [{"group": "Interfaces", "name": "Interfaces", "bookings": 12, "hours": 31.5, "hours_logged": 27.5,
               "hours_booked": 4.0, "station_hours": 35.25, "transfers": 18, "gas_turns_nl": 1894.32,
               "gas_purge_nl": 7461.0, "gas_nl": 9355.32}],
    "corrections": [{"of_month": "2026-04", "group": "Interfaces", "name": "Interfaces", "bookings": 0, "hours": -0.5,
               "hours_logged": 1.5, "hours_booked": -2.0, "station_hours": -0.5, "transfers": 0, "gas_turns_nl": 0.0,
               "gas_purge_nl": 0.0, "gas_nl": 0.0}],
    "total": {"bookings": 12, "hours": 31.0, "hours_logged": 29.0, "hours_booked": 2.0, "station_hours": 34.75,
              "transfers": 18, "gas_turns_nl": 1894.32, "gas_purge_nl": 7461.0, "gas_nl": 9355.32}
}))]
pub(crate) struct StatementBody {
    /// The month.
    month: String,
    /// `group`, `person` or `glovebox`.
    by: &'static str,
    /// When the month begins, in the facility's zone.
    start: DateTime<Utc>,
    /// When it ends.
    end: DateTime<Utc>,
    /// `open`, or `closed`: then it stays as it is.
    state: &'static str,
    /// When it was closed.
    closed_at: Option<DateTime<Utc>>,
    /// The token subject of whoever closed it.
    closed_by: Option<String>,
    /// What was used, by bookings that begin in the month.
    items: Vec<UsageLineBody>,
    /// What months closed before would say otherwise by now, as differences.
    corrections: Vec<UsageLineBody>,
    /// All items and corrections together.
    total: FiguresBody,
}

impl From<&Statement> for StatementBody {
    fn from(statement: &Statement) -> Self {
        let (closed_at, closed_by) = statement.closed.clone().unzip();
        let corrections = statement.corrections.iter();
        Self {
            month: statement.month.to_string(),
            by: statement.by.word(),
            start: statement.range.start(),
            end: statement.range.end(),
            state: if closed_at.is_some() { "closed" } else { "open" },
            closed_at,
            closed_by,
            items: statement.lines.iter().map(|line| UsageLineBody::new(line, None)).collect(),
            corrections: corrections.map(|(month, line)| UsageLineBody::new(line, Some(*month))).collect(),
            total: statement.total.into(),
        }
    }
}

/// Show what was used in a month, by group, person or box.
///
/// Bookings that begin in the month, in the facility's zone: hours in use where they were closed out, else hours
/// booked; antechamber turns; and gas as the bookings estimate it. Bookings that were called off or that nobody
/// came for count nothing. A closed month stays as it was; what it would say otherwise by now stands under
/// `corrections` in the first month still open. As `text/csv` one line each with `usage`, `correction` or `total`
/// in the column `line`; text that a spreadsheet would take for a formula begins with an apostrophe.
#[utoipa::path(tag = "usage", params(StatementQuery), security(("token" = ["usage:read"])),
    responses((status = 200, description = "The statement",
        content((StatementBody = "application/json"), (String = "text/csv")))))]
#[get("/usage-statements")]
async fn show_usage_statement(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<StatementQuery>,
) -> Result<HttpResponse, Problem> {
    let (month, by) = query.0.parse().map_err(|faults| Problem::invalid(&faults))?;
    let statement = app.query(move |tx, now| usage_statements::show(tx, &caller.0, now, month, by)).await?;
    let mut answer = HttpResponse::Ok();
    answer.insert_header((VARY, "accept"));
    if accept::preferred(&request, &["application/json", "text/csv"]) == "text/csv" {
        let text = csv(&statement).map_err(|error| {
            tracing::error!(%error, "a statement could not be written");
            Problem::new(problem::INTERNAL, "the cause is in the log under this request_id")
        })?;
        return Ok(answer.content_type("text/csv; charset=utf-8").body(text));
    }
    Ok(answer.json(StatementBody::from(&statement)))
}

/// Close a month that is over: its statement stays as it is.
///
/// Months are closed in order, and not opened again. The answer is the statement by box; who used what is told
/// with `usage:read` only.
#[utoipa::path(tag = "usage", params(("month" = String, Path, description = "The month, such as 2026-05")),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "The statement", body = StatementBody)))]
#[post("/usage-statements/{month}/close")]
async fn close_usage_statement(
    app: Api,
    caller: Caller,
    month: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let actor = caller.0;
    usage_statements::may_close(&actor)?;
    let month: Month = month.parse().map_err(|_| Error::unknown("month", month.as_str()))?;
    let statement = app.command(move |tx, now| usage_statements::close(tx, &actor, now, month)).await?;
    Ok(HttpResponse::Ok().json(StatementBody::from(&statement)))
}

/// Whole parts of a unit as a decimal number.
fn decimal(whole: i64, places: usize) -> String {
    let digits = format!("{:0>width$}", whole.unsigned_abs(), width = places + 1);
    let (units, parts) = digits.split_at(digits.len() - places);
    let sign = if whole < 0 { "-" } else { "" };
    format!("{sign}{units}.{parts}")
}

/// A statement as CSV (RFC 4180): a line for each line, correction and the total.
fn csv(statement: &Statement) -> Result<String, ::csv::Error> {
    let mut writer = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(Vec::new());
    let by = statement.by.word();
    let name = format!("{by}_name");
    writer.write_record([
        "month",
        "of_month",
        "line",
        by,
        &name,
        "bookings",
        "hours",
        "hours_logged",
        "hours_booked",
        "station_hours",
        "transfers",
        "gas_turns_nl",
        "gas_purge_nl",
        "gas_nl",
    ])?;
    let mut put = |of_month: Month, kind: &str, line: Option<&Line>, figures: &Figures| {
        let identifier = match line.map(|line| &line.part) {
            Some(Part::Group(group)) => group.as_ref().map(ToString::to_string),
            Some(Part::Person(id)) => Some(id.to_string()),
            Some(Part::Glovebox(id)) => Some(id.to_string()),
            None => None,
        };
        let label = line.and_then(|line| line.label.as_deref()).unwrap_or_default();
        writer.write_record([
            statement.month.to_string(),
            of_month.to_string(),
            kind.to_owned(),
            harmless(&identifier.unwrap_or_default()),
            harmless(label),
            figures.bookings.to_string(),
            decimal(figures.time(), 2),
            decimal(figures.logged, 2),
            decimal(figures.booked, 2),
            decimal(figures.station_time, 2),
            figures.transfers.to_string(),
            decimal(figures.turns_ml, 3),
            decimal(figures.purge_ml, 3),
            decimal(figures.gas_ml(), 3),
        ])
    };
    for line in &statement.lines {
        put(statement.month, "usage", Some(line), &line.figures)?;
    }
    for (month, line) in &statement.corrections {
        put(*month, "correction", Some(line), &line.figures)?;
    }
    put(statement.month, "total", None, &statement.total)?;
    let text = writer.into_inner().map_err(::csv::IntoInnerError::into_error)?;
    Ok(String::from_utf8_lossy(&text).into_owned())
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(show_usage_statement).service(close_usage_statement);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_exact() {
        let shown = [(0, "0.00"), (5, "0.05"), (-5, "-0.05"), (100, "1.00"), (-12_345, "-123.45")];
        for (whole, text) in shown {
            assert_eq!(decimal(whole, 2), text);
        }
        assert_eq!(decimal(i64::MIN, 3), "-9223372036854775.808");
    }
}
