//! At which instants a fitted piece of work can start, computed from what is
//! free instead of by trying times.
//!
//! A claim that reaches from `o0` to `o1` after the start meets a busy time
//! `[b0, b1)` exactly when the start lies strictly between `b0 − o1` and
//! `b1 − o0`. The starts that work are what such open spans leave of the
//! starts that the facility's hours allow.

use crate::domain::booking::claims::Fitted;
use crate::domain::booking::decide::Busy;
use crate::domain::calendar::Interval;
use crate::domain::ids::StationId;
use chrono::{DateTime, DurationRound, TimeDelta, Utc};

/// A closed range of possible starts, and stations that are free for all of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Starts {
    /// The first possible start.
    pub first: DateTime<Utc>,
    /// The last possible start; may equal the first.
    pub last: DateTime<Utc>,
    /// Stations to use.
    pub stations: Vec<StationId>,
}

/// A closed range of instants.
type Span = (DateTime<Utc>, DateTime<Utc>);

/// Every range of starts at which the work fits: within `allowed` (times when
/// hands may be in the gloves), clear of `busy`. In order of time; `most`
/// ranges at the most.
pub fn possible_starts(fitted: &Fitted, allowed: &[Interval], busy: &[Busy], most: usize) -> Vec<Starts> {
    let whole: Vec<Span> = allowed
        .iter()
        .filter(|open| open.length() >= fitted.length)
        .map(|open| (open.start(), open.end() - fitted.length))
        .collect();
    let common: Vec<Span> = fitted
        .offsets
        .iter()
        .flat_map(|o| {
            busy.iter()
                .filter(move |b| b.resource == o.resource)
                .map(move |b| (b.interval.start() - o.to, b.interval.end() - o.from))
        })
        .collect();
    let clear = without(&whole, common);
    let by_station: Vec<(StationId, Vec<Span>)> = fitted
        .stations
        .iter()
        .map(|id| {
            let taken = busy
                .iter()
                .filter(|b| b.resource == (*id).into())
                .map(|b| (b.interval.start() - fitted.length, b.interval.end()))
                .collect();
            (*id, without(&clear, taken))
        })
        .collect();
    enough_stations(&by_station, fitted.places, most)
}

/// The starts at which at least `places` stations are free.
fn enough_stations(by_station: &[(StationId, Vec<Span>)], places: usize, most: usize) -> Vec<Starts> {
    let mut firsts: Vec<DateTime<Utc>> =
        by_station.iter().flat_map(|(_, spans)| spans.iter().map(|span| span.0)).collect();
    firsts.sort_unstable();
    firsts.dedup();
    let mut ahead: Vec<(StationId, &[Span])> =
        by_station.iter().map(|(id, spans)| (*id, spans.as_slice())).collect();
    let mut found: Vec<Starts> = Vec::new();
    for first in firsts {
        if found.len() == most {
            break;
        }
        let mut free: Vec<(DateTime<Utc>, StationId)> = ahead
            .iter_mut()
            .filter_map(|(id, spans)| {
                let passed = spans.iter().take_while(|span| span.1 < first).count();
                *spans = &spans[passed..];
                spans.first().filter(|span| span.0 <= first).map(|span| (span.1, *id))
            })
            .collect();
        if free.len() < places {
            continue;
        }
        // Those free longest leave the most room; ties keep the box's order.
        free.sort_by_key(|(until, _)| std::cmp::Reverse(*until));
        free.truncate(places);
        let last = free.iter().map(|(until, _)| *until).min().unwrap_or(first);
        let adds = found.last().is_none_or(|before| before.last < last);
        if adds {
            let mut stations: Vec<StationId> = free.into_iter().map(|(_, id)| id).collect();
            stations.sort_by_key(|id| by_station.iter().position(|(station, _)| station == id));
            found.push(Starts { first, last, stations });
        }
    }
    found
}

/// What open spans of forbidden starts leave of closed spans of allowed ones, which are in order.
fn without(allowed: &[Span], mut forbidden: Vec<Span>) -> Vec<Span> {
    forbidden.sort_unstable();
    let mut ahead = forbidden.as_slice();
    let mut left = Vec::new();
    for &(first, last) in allowed {
        let mut from = first;
        let passed = ahead.iter().take_while(|(_, high)| *high <= first).count();
        ahead = &ahead[passed..];
        for &(low, high) in ahead {
            if high <= from {
                continue;
            }
            if low >= last && low >= from {
                break;
            }
            if low >= from {
                left.push((from, low));
            }
            from = from.max(high);
            if from > last {
                break;
            }
        }
        if from <= last {
            left.push((from, last));
        }
    }
    left
}

impl Starts {
    /// The possible start nearest to `wanted`, on a five-minute mark where the
    /// range holds one that near.
    pub fn nearest(&self, wanted: DateTime<Utc>) -> DateTime<Utc> {
        let near = wanted.clamp(self.first, self.last);
        let five = TimeDelta::minutes(5);
        let up = near.duration_round_up(five).unwrap_or(near);
        if up <= self.last {
            return up;
        }
        let down = near.duration_trunc(five).unwrap_or(near);
        if down >= self.first { down } else { near }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::booking::claims::{Offset, Owner, Why};
    use crate::domain::ids::ThingId;
    use crate::domain::quantity::NormalLitres;
    use proptest::prelude::*;
    use uuid::Uuid;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(minute * 60, 0).unwrap()
    }

    fn span(start: i64, end: i64) -> Interval {
        Interval::new(at(start), at(end)).unwrap()
    }

    fn thing(n: u128) -> ThingId {
        Uuid::from_u128(n).into()
    }

    fn fitted(length: i64, stations: &[u128], places: usize, offsets: &[(u128, i64, i64)]) -> Fitted {
        Fitted {
            length: TimeDelta::minutes(length),
            stations: stations.iter().map(|n| Uuid::from_u128(*n).into()).collect(),
            places,
            offsets: offsets
                .iter()
                .map(|(resource, from, to)| Offset {
                    resource: thing(*resource),
                    from: TimeDelta::minutes(*from),
                    to: TimeDelta::minutes(*to),
                    why: Why::TransferIn,
                })
                .collect(),
            transfers_in: Vec::new(),
            transfers_out: Vec::new(),
            instruments: Vec::new(),
            gas: NormalLitres::new(0.0).unwrap(),
            cautions: Vec::new(),
        }
    }

    fn somebody() -> Owner {
        Owner::Booking(Uuid::from_u128(900).into())
    }

    fn busy(resource: u128, start: i64, end: i64) -> Busy {
        Busy { resource: thing(resource), interval: span(start, end), why: Why::Work, owner: somebody() }
    }

    #[test]
    fn a_gap_of_just_the_length_fits_once() {
        let starts = possible_starts(
            &fitted(60, &[1], 1, &[]),
            &[span(0, 240)],
            &[busy(1, 0, 60), busy(1, 120, 200)],
            10,
        );
        assert_eq!(starts.len(), 1);
        assert_eq!((starts[0].first, starts[0].last), (at(60), at(60)));
    }

    #[test]
    fn a_turn_before_the_work_needs_its_chamber() {
        let work = fitted(60, &[1], 1, &[(9, -30, 0)]);
        let starts = possible_starts(&work, &[span(0, 240)], &[busy(9, 20, 90)], 10);
        assert_eq!(
            starts.iter().map(|s| (s.first, s.last)).collect::<Vec<_>>(),
            vec![(at(0), at(20)), (at(120), at(180))]
        );
    }

    proptest! {
        /// Against trying every minute: the same starts, no more and no less.
        #[test]
        fn agrees_with_trying_every_minute(
            spans in prop::collection::vec((0_u128..4, 0_i64..300, 1_i64..60), 0..14),
            length in 5_i64..90,
            places in 1_usize..3,
            before in 1_i64..30,
        ) {
            let work = fitted(length, &[0, 1], places, &[(2, -before, 0), (3, length, length + 10)]);
            let taken: Vec<Busy> = spans.iter().map(|(r, from, len)| busy(*r, *from, from + len)).collect();
            let open = [span(0, 180), span(200, 320)];
            let ranges = possible_starts(&work, &open, &taken, 1000);
            for minute in 0..320 {
                let start = at(minute);
                let free = |id: u128, from: i64, to: i64| {
                    taken.iter().filter(|b| b.resource == thing(id)).all(|b| !b.interval.overlaps(&span(from, to)))
                };
                let hours = open.iter().any(|o| o.covers(&span(minute, minute + length)));
                let stations = [0, 1].into_iter().filter(|id| free(*id, minute, minute + length)).count();
                let fits = hours
                    && stations >= places
                    && free(2, minute - before, minute)
                    && free(3, minute + length, minute + length + 10);
                let said = ranges.iter().any(|r| r.first <= start && start <= r.last);
                prop_assert_eq!(fits, said, "minute {}", minute);
            }
            for range in &ranges {
                let claims = work.claims(range.last, &range.stations);
                let clash = claims
                    .iter()
                    .any(|c| taken.iter().any(|b| b.resource == c.resource && b.interval.overlaps(&c.interval)));
                prop_assert!(!clash, "the stations named are free over the whole range");
            }
        }
    }
}
