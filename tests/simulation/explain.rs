//! Answers and events explain each other: what was acknowledged has its event,
//! and what happened was asked for or follows from a rule.

use crate::calls::{Call, Change, Intent, Reply};
use crate::feed::Event;
use crate::model::{Model, bookings_in};
use chrono::{DateTime, Utc};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What must have happened in a turn, and what may have.
#[derive(Debug, Default)]
pub(crate) struct Explanations {
    /// What was answered, by kind of event and thing, in order.
    answered: BTreeMap<(&'static str, String), VecDeque<Value>>,
    /// Things that were changed in ways that are not followed further.
    changed: BTreeSet<String>,
    /// Readings that were taken in and not yet told of.
    readings: i64,
    /// What nobody got an answer to, though it was committed.
    lost: Vec<Intent>,
    /// The bookings of those, as they are now.
    shown: BTreeMap<String, Value>,
    adopting: bool,
}

impl Explanations {
    /// From the answers to the first of the calls; what has none was lost.
    pub(crate) fn of(
        model: &mut Model,
        calls: &[Call],
        replies: &[Reply],
        shown: &[Value],
        struck: bool,
        now: DateTime<Utc>,
    ) -> Self {
        let id_of = |body: &Value| body["id"].as_str().expect("a booking has an id").to_owned();
        let shown = shown.iter().map(|body| (id_of(body), body.clone())).collect();
        let mut explained = Self { shown, ..Self::default() };
        for (call, reply) in calls.iter().zip(replies) {
            assert!(reply.status != 500, "{} {}: {}", call.method, call.path, reply.body);
            assert!(struck || !reply.is_unavailable(), "{} {}: {}", call.method, call.path, reply.body);
            assert!(
                ![400, 401, 403, 405, 415].contains(&reply.status) || call.who != crate::calls::Who::Keeper,
                "{call:?}: {}",
                reply.body
            );
            if !reply.is_done() {
                continue;
            }
            if let Some(known) =
                model.answered.iter().find(|known| call.key.is_some() && known.call.key == call.key)
            {
                let (then, again) = (&known.reply, reply);
                assert!(
                    then.status == again.status && then.body == again.body,
                    "{call:?} was answered {then:?} and then {again:?}"
                );
                continue;
            }
            explained.answer(model, call, reply);
            model.remember(call, reply, now);
        }
        for call in &calls[replies.len()..] {
            explained.lose(model, call);
        }
        explained.adopting = calls.iter().any(|call| call.intent == Intent::Plan);
        explained
    }

    fn expect(&mut self, kind: &'static str, subject: &str, body: Value) {
        self.answered.entry((kind, subject.to_owned())).or_default().push_back(body);
    }

    fn answer(&mut self, model: &mut Model, call: &Call, reply: &Reply) {
        let body = &reply.body;
        match &call.intent {
            Intent::Book => {
                for booking in bookings_in(body) {
                    self.expect("booking.created", booking["id"].as_str().unwrap(), booking.clone());
                }
            }
            Intent::OnBooking(id, change) => self.expect(change.event(), id, body.clone()),
            Intent::OpenHold => self.expect("hold.opened", reply.text("id"), Value::Null),
            Intent::ReleaseHold(id) => self.expect("hold.released", id, Value::Null),
            Intent::Readings(sent) => {
                let (new, known, differ) = model.take_readings(sent);
                let told = |name: &str| body[name].as_u64().map(|count| usize::try_from(count).unwrap());
                let refused = body["rejected"].as_array().map(Vec::len);
                assert_eq!(
                    (told("accepted"), told("duplicates"), refused),
                    (Some(new), Some(known), Some(differ)),
                    "{sent:?} were answered {body}"
                );
                self.readings += i64::try_from(new).unwrap();
                for hold in body["holds_opened"].as_array().unwrap() {
                    self.expect("hold.opened", hold["hold"].as_str().unwrap(), Value::Null);
                }
            }
            Intent::Night if reply.status == 201 => {
                self.expect("nightly_run.finished", reply.text("id"), Value::Null);
            }
            Intent::Keep if !call.path.ends_with("cylinder-swaps") => {
                self.changed.extend(body["id"].as_str().map(str::to_owned));
            }
            Intent::WithdrawReading(_)
            | Intent::Night
            | Intent::KeepHouse
            | Intent::CloseMonth(_)
            | Intent::Plan
            | Intent::Keep
            | Intent::Look => {}
        }
    }

    fn lose(&mut self, model: &mut Model, call: &Call) {
        match &call.intent {
            Intent::Readings(sent) => self.readings += i64::try_from(model.take_readings(sent).0).unwrap(),
            Intent::WithdrawReading(reading) => {
                model.readings.remove(&(reading.subject, reading.quantity, reading.at));
            }
            Intent::Book
            | Intent::OnBooking(..)
            | Intent::OpenHold
            | Intent::ReleaseHold(_)
            | Intent::Night
            | Intent::KeepHouse
            | Intent::CloseMonth(_)
            | Intent::Plan
            | Intent::Keep
            | Intent::Look => {}
        }
        self.lost.push(call.intent.clone());
    }

    /// Whether somebody was told of it, or may have asked for it in vain. Tells the answer.
    fn explain(&mut self, kind: &'static str, event: &Event, may_have: impl Fn(&Intent) -> bool) -> Value {
        let key = (kind, event.subject.clone());
        if let Some(body) = self.answered.get_mut(&key).and_then(VecDeque::pop_front) {
            return body;
        }
        assert!(
            self.lost.iter().any(may_have),
            "{kind} happened to {}, and nobody asked for it: {}",
            event.subject,
            event.body
        );
        // It is shown as it is by now. Where more happened since, only the event tells how it was
        // then; what it came to in the end is compared with the table like any other booking.
        let mut shown = self.shown.get(&event.subject).cloned().unwrap_or_default();
        for member in ["glovebox", "person", "start", "end", "status", "progress"] {
            if let Some(then) = event.body.get(member) {
                shown[member] = then.clone();
            }
        }
        shown
    }

    /// Takes in an event.
    pub(crate) fn take(&mut self, model: &mut Model, event: &Event, now: DateTime<Utc>) {
        let changes = [Change::Moved, Change::Started, Change::ClosedOut, Change::Cancelled];
        if let Some(change) = changes.into_iter().find(|change| change.event() == event.kind) {
            let wanted = Intent::OnBooking(event.subject.clone(), change);
            let body = self.explain(change.event(), event, |intent| *intent == wanted);
            model.acknowledge(event, &body);
            return;
        }
        match event.kind.as_str() {
            "booking.created" => {
                let body = self.explain("booking.created", event, |intent| *intent == Intent::Book);
                model.acknowledge(event, &body);
            }
            kind if kind.starts_with("booking.") => model.happened(event, now, self.adopting),
            "hold.opened" => {
                self.explain("hold.opened", event, |intent| {
                    matches!(intent, Intent::OpenHold | Intent::Readings(_))
                });
                model.opened(event);
            }
            "hold.released" => {
                let wanted = Intent::ReleaseHold(event.subject.clone());
                self.explain("hold.released", event, |intent| *intent == wanted);
                model.released(event);
            }
            "nightly_run.finished" => {
                self.explain("nightly_run.finished", event, |intent| *intent == Intent::Night);
            }
            "readings.received" => self.readings -= event.body["count"].as_i64().unwrap(),
            "usage_statement.closed" => model.closed.push(event.body["month"].as_str().unwrap().to_owned()),
            _ => {
                self.changed.remove(&event.subject);
            }
        }
    }

    /// Passes where everything that was acknowledged has happened.
    pub(crate) fn assert_all_came_about(&self) {
        let left: Vec<_> = self.answered.iter().filter(|(_, bodies)| !bodies.is_empty()).collect();
        assert!(left.is_empty(), "acknowledged, and yet nothing tells of it: {left:?}");
        assert_eq!(self.readings, 0, "so many more readings were acknowledged than told of: {self:?}");
        assert!(self.changed.is_empty(), "changed, and yet nothing tells of it: {:?}", self.changed);
    }
}
