//! What was acknowledged, and whether it is there.

use super::writers::{BATCH, Request, Sent, send};
use crate::world::{Client, Raw};
use diesel::QueryableByName;
use diesel::sql_types::{BigInt, Text};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;

/// How many of the answers of a round are asked for again.
const ASKED_AGAIN: usize = 4;

/// Everything that was acknowledged since the beginning.
#[derive(Default)]
pub(super) struct Ledger {
    /// Bookings by id, with the number of their claims.
    bookings: BTreeMap<String, i64>,
    /// Readings by sensor: the numbers of the batches.
    batches: BTreeSet<(String, u32)>,
    /// Acknowledged since the last look.
    fresh: Vec<Sent>,
    /// Sent, and not answered.
    cut_off: Vec<Sent>,
    /// How many were ever cut off, and how many of those had been done all the same.
    ever_cut_off: usize,
    had_been_done: usize,
    /// The ids of the bookings that were there at the last look, acknowledged or not.
    seen: BTreeSet<String>,
    /// The ids of the events told so far, in order, and where the reader stands.
    told: Vec<String>,
    next: Option<String>,
}

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = Text)]
    id: String,
    #[diesel(sql_type = BigInt)]
    number: i64,
}

fn counted(raw: &mut Raw, query: &str) -> BTreeMap<String, i64> {
    raw.rows::<Counted>(query, query).into_iter().map(|row| (row.id, row.number)).collect()
}

fn parsed(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn id_of(booking: &Value) -> String {
    booking["id"].as_str().unwrap().to_owned()
}

fn claims_of(booking: &Value) -> i64 {
    i64::try_from(booking["claims"].as_array().unwrap().len()).unwrap()
}

impl Ledger {
    /// What a writer sent.
    pub(super) fn take_in(&mut self, sent: Vec<Sent>) {
        for one in sent {
            if one.answer.is_some() {
                self.acknowledge(&one);
                self.fresh.push(one);
            } else {
                self.ever_cut_off += 1;
                self.cut_off.push(one);
            }
        }
    }

    fn acknowledge(&mut self, sent: &Sent) {
        let answer = parsed(sent.answer.as_deref().expect("only what was answered is acknowledged"));
        match &sent.request {
            Request::Booking { .. } => {
                assert!(claims_of(&answer) >= 2, "{answer}");
                self.bookings.insert(id_of(&answer), claims_of(&answer));
            }
            Request::Readings { sensor, number, .. } => {
                let stored = answer["accepted"].as_u64().unwrap() + answer["duplicates"].as_u64().unwrap();
                assert_eq!(stored, BATCH as u64, "{answer}");
                self.batches.insert((sensor.clone(), *number));
            }
        }
    }

    /// Every booking has its claims, one event and its kept answer, and none of
    /// these is without a booking, whether it was acknowledged or not; every batch
    /// of readings is there as a whole.
    pub(super) fn nothing_is_there_by_half(&mut self, raw: &mut Raw) {
        let claims = counted(
            raw,
            "SELECT b.id, count(c.id) AS number FROM bookings b LEFT JOIN claims c ON c.booking_id = b.id GROUP BY b.id",
        );
        let events = counted(
            raw,
            "SELECT subject_id AS id, count(*) AS number FROM events WHERE kind = 'booking.created' GROUP BY subject_id",
        );
        assert!(claims.keys().eq(events.keys()), "bookings and the events that tell of them");
        assert!(events.values().all(|number| *number == 1), "a booking is told of once");
        let few: Vec<_> = claims.iter().filter(|(_, number)| **number < 2).collect();
        assert!(few.is_empty(), "bookings without all of their claims: {few:?}");
        let answers = counted(
            raw,
            "SELECT body AS id, count(*) AS number FROM idempotency_keys \
             WHERE status = 201 AND actor LIKE 'writer-%' GROUP BY body",
        );
        let answered: BTreeMap<String, i64> =
            answers.keys().map(|body| parsed(body)).map(|body| (id_of(&body), claims_of(&body))).collect();
        assert_eq!(answered, claims, "answers that were kept and bookings with their claims");
        let halves = counted(
            raw,
            "SELECT sensor AS id, count(*) AS number FROM readings JOIN reading_series ON series_id = id \
             WHERE quantity = 'water_ppm' GROUP BY sensor, value HAVING count(*) <> 3",
        );
        assert!(halves.is_empty(), "batches of readings that are there by half: {halves:?}");
        self.seen = claims.into_keys().collect();
    }

    /// Whether it had been done or not: sent again it is done, and once.
    pub(super) fn what_was_cut_off_can_be_sent_again(&mut self, address: SocketAddr) {
        for mut sent in std::mem::take(&mut self.cut_off) {
            let answer = send(address, &sent.subject, &sent.request).expect("the service answers");
            let done = match sent.request {
                Request::Booking { .. } => self.seen.contains(&id_of(&parsed(&answer))),
                Request::Readings { .. } => parsed(&answer)["duplicates"] == BATCH,
            };
            self.had_been_done += usize::from(done);
            if let Request::Readings { .. } = sent.request {
                assert!(done || parsed(&answer)["duplicates"] == 0, "{answer}");
            }
            sent.answer = Some(answer);
            self.acknowledge(&sent);
        }
    }

    /// A request that was answered is answered by the same bytes.
    pub(super) fn answers_are_given_again(&mut self, address: SocketAddr) {
        let fresh = std::mem::take(&mut self.fresh);
        let bookings = fresh.iter().filter(|sent| matches!(sent.request, Request::Booking { .. }));
        for sent in bookings.rev().take(ASKED_AGAIN) {
            assert_eq!(send(address, &sent.subject, &sent.request), sent.answer);
        }
    }

    /// All of it, since the beginning.
    pub(super) fn all_acknowledged_is_there(&self, raw: &mut Raw) {
        let there = counted(
            raw,
            "SELECT booking_id AS id, count(*) AS number FROM claims WHERE booking_id IS NOT NULL GROUP BY booking_id",
        );
        let lost: Vec<_> =
            self.bookings.iter().filter(|(id, claims)| there.get(*id) != Some(claims)).collect();
        assert!(lost.is_empty(), "acknowledged and gone: {lost:?}");
        assert_eq!(there.len(), self.bookings.len(), "bookings that nobody asked for");
        let stored = counted(
            raw,
            "SELECT sensor AS id, count(*) AS number FROM readings JOIN reading_series ON series_id = id \
             WHERE quantity = 'water_ppm' GROUP BY sensor",
        );
        let mut expected = BTreeMap::new();
        for (sensor, _) in &self.batches {
            *expected.entry(sensor.clone()).or_default() += i64::try_from(BATCH).unwrap();
        }
        assert_eq!(stored, expected, "readings by sensor");
    }

    /// Reads on in the feed from where the reader stood before the kill.
    pub(super) fn follow(&mut self, keeper: &Client) {
        loop {
            let after = self.next.as_ref().map(|next| format!("&after={next}")).unwrap_or_default();
            let page = keeper.get(&format!("/changes?limit=500{after}")).is(200).json();
            let events = page["items"].as_array().unwrap();
            self.told.extend(events.iter().map(id_of));
            self.next = page["next"].as_str().map(str::to_owned);
            if events.len() < 500 {
                return;
            }
        }
    }

    /// Whoever read along has seen what whoever begins now sees, in the same order.
    pub(super) fn the_feed_is_as_it_was_followed(&self, keeper: &Client) {
        let mut anew = Self::default();
        anew.follow(keeper);
        assert_eq!(anew.told, self.told);
        assert!(self.told.len() >= self.bookings.len());
    }

    pub(super) fn proves_something(&self, kills: u32) {
        assert!(self.bookings.len() > kills as usize, "{} bookings prove little", self.bookings.len());
        assert!(self.batches.len() > kills as usize, "{} batches prove little", self.batches.len());
        assert!(self.ever_cut_off > kills as usize, "{} requests cut off prove little", self.ever_cut_off);
    }

    pub(super) fn summary(&self) -> String {
        format!(
            "{} bookings and {} batches of readings acknowledged, {} requests cut off, of which {} had been \
             done, {} events",
            self.bookings.len(),
            self.batches.len(),
            self.ever_cut_off,
            self.had_been_done,
            self.told.len()
        )
    }
}
