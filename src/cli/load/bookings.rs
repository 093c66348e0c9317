//! Bookings of a file and what became of them, carried out in the order in
//! which they happened: each was made, begun and closed out when the file
//! says, so that the rules are kept as they stood then.

use super::Fault;
use super::apply::{faults_of, form};
use super::read::Entry;
use crate::api::forms::{BookingForm, EndOfRunForm};
use crate::domain::access::Actor;
use crate::domain::ids::BookingId;
use crate::usecases::book::{NewBooking, book};
use crate::usecases::keep::Precondition;
use crate::usecases::run_booking::{cancel, close_out, release_no_shows, start};
use crate::usecases::{Error, Lookup, Result, Tx};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use std::collections::HashMap;

/// Bookings that were called off were called off so long before their start.
const CALLED_OFF_BEFORE: TimeDelta = TimeDelta::hours(26);

/// What became of a booking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Nothing is said of it.
    Open,
    /// It was begun and closed out.
    Done,
    /// Nobody came.
    NoShow,
    /// It was called off.
    Cancelled,
}

/// What happened; those that end a claim come before those that need one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Step {
    Close,
    Cancel,
    Book,
    Start,
}

/// A booking of the file.
struct Past {
    line: usize,
    new: NewBooking,
    outcome: Outcome,
    /// When it was made; now unless the file says.
    made: DateTime<Utc>,
}

impl Past {
    fn read(entry: &Entry, now: DateTime<Utc>) -> Result<Self> {
        let mut body = entry.body.as_object().cloned().unwrap_or_default();
        let outcome = match body.remove("outcome").as_ref().and_then(Value::as_str) {
            None => Outcome::Open,
            Some("done") => Outcome::Done,
            Some("no_show") => Outcome::NoShow,
            Some("cancelled") => Outcome::Cancelled,
            Some(other) => {
                let detail = format!("{other:?} must be done, no_show, cancelled or empty");
                return Err(Error::invalid("outcome", "unknown_word", detail));
            }
        };
        let made = body.remove("booked_at");
        let made = made.as_ref().and_then(Value::as_str).and_then(|text| text.parse::<DateTime<Utc>>().ok());
        if let Some(person) = body.remove("person") {
            body.insert("for".to_owned(), person);
        }
        let form: BookingForm = form(&Value::Object(body))?;
        Ok(Self { line: entry.line, new: form.parse()?, outcome, made: made.unwrap_or(now).min(now) })
    }

    /// What happened to it until now, and when.
    fn steps(&self, now: DateTime<Utc>) -> Vec<(DateTime<Utc>, Step)> {
        let interval = self.new.request.interval;
        let mut steps = vec![(self.made, Step::Book)];
        match self.outcome {
            Outcome::Open | Outcome::NoShow => {}
            Outcome::Done => steps.extend([(interval.start(), Step::Start), (interval.end(), Step::Close)]),
            Outcome::Cancelled => {
                steps.push(((interval.start() - CALLED_OFF_BEFORE).max(self.made), Step::Cancel));
            }
        }
        steps.retain(|(at, _)| *at <= now);
        steps
    }
}

/// Makes the bookings and lets happen what became of them; tells what was refused.
pub(super) fn replay(tx: &mut Tx<'_>, entries: &[&Entry], now: DateTime<Utc>) -> Result<Vec<Fault>> {
    let (mut pasts, mut faults) = (Vec::new(), Vec::new());
    for entry in entries {
        match Past::read(entry, now) {
            Ok(past) => pasts.push(past),
            Err(error) => faults.extend(faults_of::<()>(entry.line, Err(error))?),
        }
    }
    let mut steps: Vec<(DateTime<Utc>, Step, usize)> = Vec::new();
    for (index, past) in pasts.iter().enumerate() {
        steps.extend(past.steps(now).into_iter().map(|(at, step)| (at, step, index)));
    }
    // A booking called off at the moment it was made is made first.
    steps.sort_by_key(|(at, step, index)| {
        (*at, *step == Step::Cancel && pasts[*index].made == *at, *step, *index)
    });
    let mut made: HashMap<usize, BookingId> = HashMap::new();
    for (at, step, index) in steps {
        let past = &pasts[index];
        let done = tx.nested(|tx| take(tx, at, step, past, made.get(&index).copied()));
        match done {
            Ok(Some(id)) => drop(made.insert(index, id)),
            Ok(None) => {}
            Err(error) => faults.extend(faults_of::<()>(past.line, Err(error))?),
        }
    }
    if !entries.is_empty() && faults.is_empty() {
        release_no_shows(tx, now)?;
    }
    Ok(faults)
}

/// Lets one thing happen; tells the booking where one was made.
fn take(
    tx: &mut Tx<'_>,
    at: DateTime<Utc>,
    step: Step,
    past: &Past,
    id: Option<BookingId>,
) -> Result<Option<BookingId>> {
    let actor = Actor::operator();
    let any = Precondition::Any;
    match (step, id) {
        (Step::Book, _) => Ok(Some(book(tx, &actor, at, &past.new)?.booking.id.into())),
        (Step::Start, Some(id)) => start(tx, &actor, at, id, &any).map(|_| None),
        (Step::Cancel, Some(id)) => cancel(tx, &actor, at, id, &any).map(|_| None),
        (Step::Close, Some(id)) => {
            let end: EndOfRunForm = form(&json!({ "chambers_under_vacuum": true }))?;
            let record = Lookup::parse(tx, |context| end.parse(context))?;
            close_out(tx, &actor, at, id, &any, &record).map(|_| None)
        }
        // It was not made, which has been told.
        (Step::Start | Step::Cancel | Step::Close, None) => Ok(None),
    }
}
