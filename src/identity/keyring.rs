//! The keys of an issuer as they are kept: for how long, when they are fetched
//! again, and what holds while they cannot be.
//!
//! Whoever brings a token with an unknown `kid` has the keys fetched, but however
//! many such tokens come, only once in a while. Keys are fetched by a thread of
//! their own; requests that need them wait without holding a thread up.

use super::KeyError;
use super::fetch::{Fetched, KeySource};
use super::keys::KeySet;
use crate::clock::Clock;
use chrono::{DateTime, TimeDelta, Utc};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::watch;

/// For how long old keys hold, after they should have been renewed and could not be.
const STALE: TimeDelta = TimeDelta::hours(12);
/// How long a request waits for keys. Longer than a fetch may take.
const LONGEST_WAIT: Duration = Duration::from_secs(7);

/// How often a source is asked.
#[derive(Debug, Clone, Copy)]
struct Habit {
    /// Keys hold for at least this long, whatever the issuer says.
    shortest: TimeDelta,
    /// And for at most this long.
    longest: TimeDelta,
    /// And for this long when it says nothing.
    unless_said: TimeDelta,
    /// The least time between two times of asking.
    pause: TimeDelta,
    /// The same while there are no keys at all.
    pause_without_keys: TimeDelta,
}

const OF_URLS: Habit = Habit {
    shortest: TimeDelta::minutes(5),
    longest: TimeDelta::hours(24),
    unless_said: TimeDelta::hours(1),
    pause: TimeDelta::seconds(60),
    pause_without_keys: TimeDelta::seconds(15),
};

/// A file is looked at often, so that one that was replaced counts soon.
const OF_FILES: Habit = Habit {
    shortest: TimeDelta::seconds(30),
    longest: TimeDelta::seconds(30),
    unless_said: TimeDelta::seconds(30),
    pause: TimeDelta::seconds(5),
    pause_without_keys: TimeDelta::seconds(5),
};

/// What is known of the keys.
#[derive(Debug, Default)]
struct State {
    keys: Option<Arc<KeySet>>,
    /// Until when they need not be renewed.
    fresh_until: DateTime<Utc>,
    last_asked: Option<DateTime<Utc>>,
    /// Whether the last time of asking came to nothing.
    failing: bool,
    under_way: bool,
}

/// What a request that needs keys does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    /// Goes on with what there is.
    GoOn,
    /// Waits for a fetch that is under way.
    Wait,
    /// Has the keys fetched, and waits for them or goes on with the old ones.
    Fetch { and_wait: bool },
}

impl State {
    fn usable(&self, now: DateTime<Utc>) -> Option<&Arc<KeySet>> {
        self.keys.as_ref().filter(|_| now < self.fresh_until + STALE)
    }

    /// Decides; where it says to fetch, the fetch counts as begun.
    fn next(&mut self, now: DateTime<Utc>, habit: Habit, kid: Option<&str>) -> Next {
        let usable = self.usable(now);
        let lacking = match (usable, kid) {
            (None, _) => true,
            (Some(keys), Some(kid)) => keys.find(Some(kid)).is_err(),
            (Some(_), None) => false,
        };
        let pause = if usable.is_some() { habit.pause } else { habit.pause_without_keys };
        if !lacking && now < self.fresh_until {
            return Next::GoOn;
        }
        // While an issuer is down, those whose keys are known do not wait for it.
        let and_wait = lacking || !self.failing;
        if self.under_way {
            return if and_wait { Next::Wait } else { Next::GoOn };
        }
        if self.last_asked.is_some_and(|at| now < at + pause) {
            return Next::GoOn;
        }
        self.last_asked = Some(now);
        self.under_way = true;
        Next::Fetch { and_wait }
    }

    /// Keeps what came of a fetch.
    fn settle(
        &mut self,
        now: DateTime<Utc>,
        habit: Habit,
        fetched: Result<Fetched, KeyError>,
    ) -> Option<KeyError> {
        self.under_way = false;
        self.failing = fetched.is_err();
        let fetched = match fetched {
            Ok(fetched) => fetched,
            Err(error) => return Some(error),
        };
        let said = fetched.fresh_for.unwrap_or(habit.unless_said);
        self.fresh_until = now + said.clamp(habit.shortest, habit.longest);
        self.keys = Some(Arc::new(fetched.keys));
        None
    }
}

/// Keys that are renewed from where they come from, or that stay as they are.
pub(super) struct Keyring {
    /// What the site calls the issuer.
    name: String,
    source: Option<KeySource>,
    state: Mutex<State>,
    /// Counts the fetches that have ended.
    ended: watch::Sender<u64>,
}

impl Keyring {
    /// Keys that never change.
    pub(super) fn fixed(keys: KeySet) -> Arc<Self> {
        let state = State {
            keys: Some(Arc::new(keys)),
            fresh_until: DateTime::<Utc>::MAX_UTC - STALE,
            ..State::default()
        };
        Arc::new(Self {
            name: String::new(),
            source: None,
            state: Mutex::new(state),
            ended: watch::Sender::new(0),
        })
    }

    /// Keys that are yet to be had.
    pub(super) fn of(name: &str, source: KeySource) -> Arc<Self> {
        Arc::new(Self {
            name: name.to_owned(),
            source: Some(source),
            state: Mutex::default(),
            ended: watch::Sender::new(0),
        })
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn habit(&self) -> Habit {
        if matches!(self.source, Some(KeySource::File(_))) { OF_FILES } else { OF_URLS }
    }

    /// Where the keys come from, unless they are the site's own secret.
    pub(super) fn source(&self) -> Option<&KeySource> {
        self.source.as_ref()
    }

    /// The keys that hold now.
    pub(super) fn usable(&self, now: DateTime<Utc>) -> Option<Arc<KeySet>> {
        self.state().usable(now).cloned()
    }

    /// After how many seconds keys that are not there are asked for again.
    pub(super) fn retry_after(&self, now: DateTime<Utc>) -> u32 {
        let next = self.state().last_asked.map_or(now, |at| at + self.habit().pause_without_keys);
        u32::try_from((next - now).num_seconds()).unwrap_or(0).max(1)
    }

    /// Reads or fetches the keys, and waits for it.
    pub(super) fn fetch(&self, clock: &Clock) -> Result<(), KeyError> {
        let Some(source) = &self.source else { return Ok(()) };
        let fetched = source.read();
        let before = self.state().keys.clone();
        if let Ok(found) = &fetched
            && before.is_none_or(|keys| keys.skipped() != found.keys.skipped())
        {
            for skipped in found.keys.skipped() {
                tracing::warn!(issuer = self.name, skipped, "a key is left out");
            }
        }
        let fault = self.state().settle(clock.now(), self.habit(), fetched);
        self.ended.send_modify(|count| *count += 1);
        fault.map_or(Ok(()), Err)
    }

    /// Begins to fetch keys that are not there yet.
    pub(super) fn begin(self: &Arc<Self>, clock: &Clock) {
        let next = self.state().next(clock.now(), self.habit(), None);
        if matches!(next, Next::Fetch { .. }) {
            self.fetch_aside(clock);
        }
    }

    /// Waits until there are keys, and a key of the `kid` if any, as far as waiting helps.
    pub(super) async fn make_ready(self: &Arc<Self>, clock: &Clock, kid: Option<&str>) {
        let mut ended = self.ended.subscribe();
        let next = self.state().next(clock.now(), self.habit(), kid);
        if matches!(next, Next::Fetch { .. }) {
            self.fetch_aside(clock);
        }
        if matches!(next, Next::Wait | Next::Fetch { and_wait: true }) {
            // Whoever waits too long is answered by what there is.
            drop(tokio::time::timeout(LONGEST_WAIT, ended.changed()).await);
        }
    }

    fn fetch_aside(self: &Arc<Self>, clock: &Clock) {
        let (own, clock) = (Arc::clone(self), clock.clone());
        let started = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
            if let Err(error) = own.fetch(&clock) {
                tracing::warn!(issuer = own.name, %error, "an issuer's keys could not be renewed");
            }
        });
        if let Err(error) = started {
            tracing::warn!(issuer = self.name, %error, "no thread to fetch keys from");
            self.state().under_way = false;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;

    const X: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";

    fn keys(kids: &[&str], seconds: Option<i64>) -> Result<Fetched, KeyError> {
        let listed: Vec<_> = kids
            .iter()
            .map(|kid| format!(r#"{{"kty":"OKP","crv":"Ed25519","kid":"{kid}","x":"{X}"}}"#))
            .collect();
        let keys = KeySet::read(format!(r#"{{"keys":[{}]}}"#, listed.join(",")).as_bytes())?;
        Ok(Fetched { keys, fresh_for: seconds.map(TimeDelta::seconds) })
    }

    fn down() -> Result<Fetched, KeyError> {
        Err(KeyError::Unreadable(io::Error::other("down")))
    }

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_700_000_000 + seconds, 0).unwrap()
    }

    const WAITING: Next = Next::Fetch { and_wait: true };
    const MEANWHILE: Next = Next::Fetch { and_wait: false };

    #[test]
    fn an_unknown_kid_has_the_keys_fetched_once_in_a_minute() {
        let mut state = State::default();
        assert_eq!(state.next(at(0), OF_URLS, None), WAITING);
        assert_eq!(state.next(at(0), OF_URLS, Some("a")), Next::Wait);
        assert!(state.settle(at(1), OF_URLS, keys(&["a"], None)).is_none());
        assert_eq!(state.next(at(2), OF_URLS, Some("a")), Next::GoOn);
        for second in 2..60 {
            assert_eq!(state.next(at(second), OF_URLS, Some("b")), Next::GoOn);
        }
        assert_eq!(state.next(at(60), OF_URLS, Some("b")), WAITING);
        assert_eq!(state.next(at(60), OF_URLS, Some("c")), Next::Wait);
        assert_eq!(state.next(at(60), OF_URLS, Some("a")), Next::GoOn);
        assert!(state.settle(at(61), OF_URLS, keys(&["a", "b"], None)).is_none());
        assert_eq!(state.next(at(500), OF_URLS, Some("b")), Next::GoOn);
    }

    #[test]
    fn keys_hold_as_long_as_the_issuer_says_within_bounds() {
        for (said, seconds) in [
            (None, 3600),
            (Some(0), 300),
            (Some(299), 300),
            (Some(301), 301),
            (Some(86_400), 86_400),
            (Some(90_000), 86_400),
        ] {
            let mut state = State::default();
            assert_eq!(state.next(at(0), OF_URLS, None), WAITING);
            assert!(state.settle(at(0), OF_URLS, keys(&["a"], said)).is_none());
            assert_eq!(state.next(at(seconds - 1), OF_URLS, None), Next::GoOn, "{said:?}");
            assert_eq!(state.next(at(seconds), OF_URLS, None), WAITING, "{said:?}");
        }
    }

    #[test]
    fn while_an_issuer_is_down_its_old_keys_hold_for_twelve_hours() {
        let mut state = State::default();
        assert_eq!(state.next(at(0), OF_URLS, None), WAITING);
        assert!(state.settle(at(0), OF_URLS, keys(&["a"], None)).is_none());
        assert_eq!(state.next(at(3600), OF_URLS, None), WAITING);
        assert!(state.settle(at(3605), OF_URLS, down()).is_some());
        // From now on nobody whose key is known waits.
        assert_eq!(state.next(at(3659), OF_URLS, Some("a")), Next::GoOn);
        assert_eq!(state.next(at(3660), OF_URLS, Some("a")), MEANWHILE);
        assert_eq!(state.next(at(3660), OF_URLS, Some("a")), Next::GoOn);
        assert!(state.settle(at(3665), OF_URLS, down()).is_some());
        let end = 3600 + 12 * 3600;
        assert!(state.usable(at(end - 1)).is_some());
        assert!(state.usable(at(end)).is_none());
        assert_eq!(state.next(at(end), OF_URLS, Some("a")), WAITING);
        assert!(state.settle(at(end), OF_URLS, keys(&["a"], None)).is_none());
        assert!(state.usable(at(end)).is_some());
    }

    #[test]
    fn without_any_keys_they_are_asked_for_every_quarter_of_a_minute() {
        let mut state = State::default();
        assert_eq!(state.next(at(0), OF_URLS, Some("a")), WAITING);
        assert!(state.settle(at(5), OF_URLS, down()).is_some());
        assert_eq!(state.next(at(14), OF_URLS, Some("a")), Next::GoOn);
        assert_eq!(state.next(at(15), OF_URLS, Some("a")), WAITING);
    }

    #[test]
    fn keys_that_are_fixed_are_never_asked_for() {
        let keyring = Keyring::fixed(KeySet::of_secret(&[1; 32]).unwrap());
        let far = at(4_000_000_000);
        assert!(keyring.usable(far).is_some());
        assert_eq!(keyring.state().next(far, OF_URLS, Some("any")), Next::GoOn);
    }
}
