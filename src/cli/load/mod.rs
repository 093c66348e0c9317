//! Loading files of fixtures and readings: each file whole or not at all,
//! through the same forms and use cases as requests.
//!
//! A time without an offset is wall time in the facility's zone. The
//! demonstration moves all times by whole weeks and lets what is past happen
//! at the time it happened; a site's own files are taken as they stand.

mod apply;
mod bookings;
mod read;
mod times;

use super::Failure;
use crate::domain::violations::Violation;
use crate::usecases::under_way::Kind;
use crate::usecases::{App, Error, due_items};
use chrono::{DateTime, Utc};
pub(super) use read::Source;
use std::fmt::Write as _;
use std::sync::Arc;
use thiserror::Error as ThisError;
pub(super) use times::Times;

/// The most faults of one file that are told.
const MOST_TOLD: usize = 40;

/// One thing wrong with a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    /// The line, from one.
    pub(super) line: usize,
    /// A sentence.
    pub(super) detail: String,
}

impl Fault {
    fn new(line: usize, detail: impl Into<String>) -> Self {
        Self { line, detail: detail.into() }
    }

    /// As use cases carry it, so that the transaction ends with it.
    fn violation(&self) -> Violation {
        Violation::new(format!("line {}", self.line), "refused", self.detail.clone())
    }
}

/// A file that was not loaded; nothing of it was kept.
#[derive(Debug, ThisError)]
#[error("{}", self.told())]
pub(super) struct Refused {
    name: String,
    faults: Vec<String>,
}

impl Refused {
    fn new(name: &str, faults: &[Fault]) -> Self {
        let faults = faults.iter().map(|fault| fault.violation().to_string()).collect();
        Self { name: name.to_owned(), faults }
    }

    fn told(&self) -> String {
        let mut text = format!("{}: nothing of it was loaded", self.name);
        for fault in self.faults.iter().take(MOST_TOLD) {
            // Writing to a string cannot fail.
            write!(text, "\n  {fault}").unwrap_or_default();
        }
        if self.faults.len() > MOST_TOLD {
            write!(text, "\n  and {} more", self.faults.len() - MOST_TOLD).unwrap_or_default();
        }
        text
    }
}

/// What was loaded from a file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Loaded {
    /// How many of what, in the words of the kinds.
    pub(super) counts: Vec<(&'static str, usize)>,
    /// Readings that were stored already.
    pub(super) duplicates: usize,
    /// What people should know of it.
    pub(super) notes: Vec<String>,
}

impl Loaded {
    /// The counts in a line.
    pub(super) fn summary(&self) -> String {
        let mut parts: Vec<String> =
            self.counts.iter().map(|(what, count)| format!("{count} {what}")).collect();
        if self.duplicates > 0 {
            parts.push(format!("{} that were there already", self.duplicates));
        }
        if parts.is_empty() { "nothing".to_owned() } else { parts.join(", ") }
    }
}

/// When a file's content counts as having come.
#[derive(Debug, Clone, Copy)]
pub(super) struct Occasion {
    /// The present; nothing is later.
    pub(super) now: DateTime<Utc>,
    /// When the facility was set up, where the file tells a history; the
    /// services of it are recorded when they were done.
    pub(super) since: Option<DateTime<Utc>>,
}

impl Occasion {
    /// A file that comes now.
    pub(super) const fn present(now: DateTime<Utc>) -> Self {
        Self { now, since: None }
    }

    /// When something that was done at a time counts as recorded.
    fn recorded(&self, done: Option<DateTime<Utc>>) -> DateTime<Utc> {
        let in_time = |since| done.map_or(self.now, |at| at.clamp(since, self.now));
        self.since.map_or(self.now, in_time)
    }
}

/// Loads one file in one transaction.
pub(super) fn load(
    app: &App,
    source: Source<'_>,
    times: Option<Times>,
    occasion: Occasion,
) -> Result<Loaded, Failure> {
    let times = match times {
        Some(times) => times,
        None => Times::in_zone(app.query_blocking(|tx, _| due_items::zone(tx))?),
    };
    let content = read::read(source, times).map_err(|faults| Refused::new(source.name, &faults))?;
    let content = Arc::new(content);
    let work = app.under_way().begin(Kind::Import, app.now());
    let far = work.report();
    let done = app.command_blocking(move |tx, _| apply::apply(tx, &content, occasion, &far));
    match done {
        Ok(loaded) => Ok(loaded),
        Err(Error::Invalid(faults)) => Err(Refused {
            name: source.name.to_owned(),
            faults: faults.as_slice().iter().map(ToString::to_string).collect(),
        }
        .into()),
        Err(other) => Err(other.into()),
    }
}

/// Reads a file without loading it; tells how many entries or readings it has.
pub(super) fn check(source: Source<'_>, times: Times) -> Result<usize, Refused> {
    let content = read::read(source, times).map_err(|faults| Refused::new(source.name, &faults))?;
    Ok(content.count())
}

#[cfg(test)]
mod tests;
