//! Tokens and commands to try the demonstration with, one a line, that work
//! as they are pasted.

use crate::cli::Failure;
use crate::cli::token::issue;
use crate::config::Config;
use crate::domain::access::Actor;
use crate::domain::booking::{Places, Sample, Transfer, Work};
use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::{MeasuredQuantity, Scope, WorkingGas};
use crate::domain::names::Reference;
use crate::usecases::ingest_readings::{self, Wanted};
use crate::usecases::openings::{Boxes, Opening, Search, find};
use crate::usecases::{App, Error};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use chrono_tz::Tz;
use std::fmt::Write as _;
use std::net::SocketAddr;

/// Whom there is a token for, and what it allows.
const TOKENS: [(&str, &str, &[Scope]); 5] = [
    ("keeper", "runs the facility", Scope::ALL),
    ("researcher", "books for herself", &[Scope::FacilityRead, Scope::BookingsWrite]),
    ("gateway", "sends readings", &[Scope::ReadingsWrite]),
    ("portal", "keeps a copy for a department's pages", &[Scope::FacilityRead, Scope::UsageRead]),
    ("wall", "a screen that everybody passes", &[Scope::FacilityRead]),
];
const VALID: &str = "P7D";
/// Time between now and the booking shown, so that there is leisure to paste it.
const LEISURE: TimeDelta = TimeDelta::hours(20);

/// The tokens and the commands.
pub(super) fn tour(app: &App, config: &Config, at: SocketAddr, zone: Tz) -> Result<String, Failure> {
    let valid = Length::parse(VALID)?;
    let mut text =
        format!("\nServing at http://{at} until interrupted; the contract is at http://{at}/docs/\n");
    text.push_str("\nTokens, valid for seven days\n");
    line(
        &mut text,
        &format!(
            "# To look instead of calling, open http://{at}/ and paste one of them, without its name, to sign in."
        ),
    );
    let mut tokens = Vec::new();
    for (subject, about, scopes) in TOKENS {
        let words: Vec<&str> = scopes.iter().map(|scope| scope.word()).collect();
        let token = issue(config, subject, &words.join(" "), valid)?;
        line(&mut text, &format!("# {subject}: {about} ({})", words.join(" ")));
        line(&mut text, &format!("export {}={token}", subject.to_uppercase()));
        tokens.push(token);
    }
    let [keeper, researcher, gateway, portal, _wall] = tokens.as_slice() else {
        return Err("a token is missing".into());
    };
    let call = Call { base: format!("http://{at}/api/v1") };
    let now = app.now();
    text.push_str("\nWhat is due, most pressing dates in `due`\n");
    line(&mut text, &call.get(keeper, "/due-items?state=approaching,due,overdue"));
    text.push_str("\nWhen the argon runs out\n");
    line(&mut text, &call.get(portal, "/gas-supplies/AR/forecast"));
    text.push_str(
        "\nWhat the gas kept in a room would do to its oxygen: a screening estimate, no assessment\n",
    );
    line(&mut text, &call.get(keeper, "/rooms/LAB-E/oxygen-assessment"));
    text.push_str("\nWhere and when two hours in argon fit, with something taken in by a small chamber\n");
    line(
        &mut text,
        &call.get(researcher, "/openings?duration=PT2H&working_gas=argon&transfers_in=SMALL&limit=5"),
    );
    match opening(app, now)? {
        Some(opening) => {
            text.push_str("\nBook such a place\n");
            line(&mut text, &call.post(researcher, "/bookings", &booking(&opening, zone)));
        }
        None => text.push_str("\nNo opening was found to book in the next two weeks.\n"),
    }
    text.push_str(
        "\nPlan the upkeep of two weeks around the bookings; nothing on the calendar changes yet\n",
    );
    let two_weeks = (now + TimeDelta::days(14)).to_rfc3339_opts(SecondsFormat::Secs, true);
    line(&mut text, &call.post(keeper, "/maintenance-plans", &serde_json::json!({ "to": two_weeks })));
    text.push_str("\nSend a reading\n");
    line(&mut text, &call.post(gateway, "/readings", &reading(app, now)?));
    Ok(text)
}

fn line(text: &mut String, content: &str) {
    // Writing to a string cannot fail.
    writeln!(text, "{content}").unwrap_or_default();
}

/// Writes commands.
struct Call {
    base: String,
}

impl Call {
    fn get(&self, token: &str, path: &str) -> String {
        format!("curl -H 'Authorization: Bearer {token}' '{}{path}'", self.base)
    }

    fn post(&self, token: &str, path: &str, body: &serde_json::Value) -> String {
        format!(
            "curl -X POST -H 'Authorization: Bearer {token}' -H 'Content-Type: application/json' -d '{body}' '{}{path}'",
            self.base
        )
    }
}

/// A time at which the researcher may work in argon, free as things stand.
fn opening(app: &App, now: DateTime<Utc>) -> Result<Option<Opening>, Failure> {
    let range = Interval::lasting(now + LEISURE, TimeDelta::days(14))?;
    let small: Reference = "SMALL".parse()?;
    let search = Search {
        work: Work {
            places: Places::Any(1),
            transfers_in: vec![Transfer { antechamber: Some(small), sample: Sample::Compact, at: None }],
            transfers_out: Vec::new(),
            instruments: Vec::new(),
            solvents: Vec::new(),
        },
        length: TimeDelta::hours(2),
        range,
        boxes: Boxes::OfGas(WorkingGas::Argon),
    };
    let researcher = Actor { subject: TOKENS[1].0.to_owned(), scopes: TOKENS[1].2.iter().copied().collect() };
    let found = app.query_blocking(move |tx, _| find(tx, &researcher, now, &search, 50))?;
    // A time without cautions first: it is confirmed at once.
    let mut fitting: Vec<Opening> = found.into_iter().filter(|one| one.qualified == Some(true)).collect();
    fitting.sort_by_key(|one| (one.cautions.len(), one.interval));
    Ok(fitting.into_iter().next())
}

fn booking(opening: &Opening, zone: Tz) -> serde_json::Value {
    let local = |at: DateTime<Utc>| at.with_timezone(&zone).to_rfc3339_opts(SecondsFormat::Secs, false);
    serde_json::json!({
        "glovebox": opening.tag.to_string(),
        "station": opening.stations.first().map(|(_, tag)| tag.to_string()),
        "start": local(opening.interval.start()),
        "end": local(opening.interval.end()),
        "purpose": "Sealing ampoules",
        "transfers_in": [{ "antechamber": "SMALL", "sample": "compact" }],
    })
}

/// The oxygen in a box as last read, once more now.
fn reading(app: &App, now: DateTime<Utc>) -> Result<serde_json::Value, Failure> {
    let wanted = Wanted {
        subject: "OTTER".parse()?,
        quantity: MeasuredQuantity::OxygenPpm,
        sensor: None,
        range: Interval::lasting(now - TimeDelta::days(1), TimeDelta::days(1))?,
    };
    let shown =
        app.query_blocking(move |tx, _| ingest_readings::show(tx, &Actor::operator(), &wanted, None, 1))?;
    let last = shown.latest.ok_or_else(|| Error::unknown("reading", "OTTER, oxygen_ppm"))?;
    Ok(serde_json::json!({ "readings": [{
        "subject": "OTTER", "quantity": "oxygen_ppm",
        "at": now.to_rfc3339_opts(SecondsFormat::Secs, true), "value": last.value,
    }] }))
}
