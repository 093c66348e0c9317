//! `drykeep nightly`: computes what is due.

use super::progress::Progress;
use super::{Failure, complain, note, open, say};
use crate::api::NightReportBody;
use crate::config::Config;
use crate::domain::access::Actor;
use crate::usecases::Error;
use chrono::SecondsFormat;
use clap::Args;
use std::process::ExitCode;

/// Exit code when another process is at it.
const RUNNING: u8 = 3;

/// Exit code when something that people's safety depends on is overdue.
const SAFETY_OVERDUE: u8 = 1;

/// Work out what is due and print the report.
///
/// Exits with 0, with 1 when something that people's safety depends on is
/// overdue, with 2 when the computation failed, and with 3 when another process
/// computes a night just now, so that nothing was done.
#[derive(Debug, Args)]
pub(super) struct Nightly {
    /// The moment to compute for: a date, which means when that day begins in
    /// the facility's zone, or an RFC 3339 time; now unless given. A moment
    /// computed before prints its report again, and says so on standard error.
    #[arg(long, value_name = "DATE")]
    as_of: Option<String>,
    /// Print the report as JSON, as `GET /nightly-runs/{id}` gives it.
    #[arg(long)]
    json: bool,
}

impl Nightly {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let app = open(config)?;
        let progress = if self.json {
            Progress::silent()
        } else {
            Progress::begin("working out what is due", app.under_way())
        };
        let run = app.night_blocking(&Actor::operator(), self.as_of.as_deref());
        drop(progress);
        app.store().close();
        let run = match run {
            Err(running @ Error::NightRunning) => {
                complain(&running);
                return Ok(ExitCode::from(RUNNING));
            }
            run => run?,
        };
        if run.again {
            let at = run.night.started_at.to_rfc3339_opts(SecondsFormat::Secs, true);
            note(&format!("drykeep: this was computed before, at {at}\n"));
        }
        let report = &run.night.report;
        if self.json {
            say(&format!("{}\n", serde_json::to_string_pretty(&NightReportBody::from(&run.night))?))?;
        } else {
            say(&report.text)?;
        }
        Ok(if report.safety_overdue { ExitCode::from(SAFETY_OVERDUE) } else { ExitCode::SUCCESS })
    }
}
