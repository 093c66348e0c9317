//! How often somebody may ask: the generic cell rate algorithm, which is a token
//! bucket kept as one instant, that at which the bucket will be full again.
//!
//! Source: ITU-T I.371 (virtual scheduling), from memory. Instants are durations
//! since a beginning of the caller's choosing.

use std::num::NonZeroU32;
use std::time::Duration;

/// What requests are counted as, each kind by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Budget {
    /// Looking.
    Reads,
    /// Changing.
    Writes,
    /// What takes a core for a while: searches, computations, statements.
    Expensive,
    /// Tokens and keys that were refused.
    Failures,
}

impl Budget {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::Reads, Self::Writes, Self::Expensive, Self::Failures];

    /// Its name to callers.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reads => "reads",
            Self::Writes => "writes",
            Self::Expensive => "expensive",
            Self::Failures => "failures",
        }
    }
}

/// So many requests a window, all of them at once if need be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quota {
    requests: NonZeroU32,
    window: Duration,
}

/// Where somebody stands after asking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// Requests that would be granted now.
    pub remaining: u32,
    /// Until all of the quota is there again.
    pub full_in: Duration,
}

/// Too many requests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spent {
    /// Until the next one would be granted; more than nothing.
    pub wait: Duration,
}

impl Quota {
    /// So many requests a minute.
    pub const fn a_minute(requests: NonZeroU32) -> Self {
        Self { requests, window: Duration::from_secs(60) }
    }

    /// How many requests the window grants.
    pub const fn requests(self) -> u32 {
        self.requests.get()
    }

    /// How long the window is.
    pub const fn window(self) -> Duration {
        self.window
    }

    /// What one request takes.
    fn share(self) -> Duration {
        self.window / self.requests.get()
    }

    /// All that can be taken at once; the window, but for the remainder of the division.
    fn whole(self) -> Duration {
        self.share() * self.requests.get()
    }

    /// Takes one request at `now` from a bucket that will be full at `full_at`, which it puts off.
    pub fn take(self, full_at: &mut Duration, now: Duration) -> Result<Standing, Spent> {
        let standing = self.look(*full_at, now)?;
        *full_at = (*full_at).max(now) + self.share();
        Ok(Standing { remaining: standing.remaining - 1, full_in: full_at.saturating_sub(now) })
    }

    /// Where somebody stands without asking; an error where nothing is left.
    pub fn look(self, full_at: Duration, now: Duration) -> Result<Standing, Spent> {
        let full_in = full_at.saturating_sub(now);
        let left = self.whole().saturating_sub(full_in);
        if left < self.share() {
            return Err(Spent {
                wait: self.share().saturating_sub(left) + full_in.saturating_sub(self.whole()),
            });
        }
        let remaining = u32::try_from(left.as_nanos() / self.share().as_nanos().max(1)).unwrap_or(u32::MAX);
        Ok(Standing { remaining, full_in })
    }
}

/// How much each kind of request may be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rates {
    /// Of a caller.
    pub reads: Quota,
    /// Of a caller.
    pub writes: Quota,
    /// Of a caller.
    pub expensive: Quota,
    /// Of an address.
    pub failures: Quota,
}

impl Rates {
    /// The quota of a kind.
    pub const fn of(&self, budget: Budget) -> Quota {
        match budget {
            Budget::Reads => self.reads,
            Budget::Writes => self.writes,
            Budget::Expensive => self.expensive,
            Budget::Failures => self.failures,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn a_minute(requests: u32) -> Quota {
        Quota::a_minute(NonZeroU32::new(requests).unwrap())
    }

    fn seconds(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    /// Sums by hand: three a minute are one every twenty seconds.
    #[test]
    fn a_quota_is_spent_at_once_and_comes_back_bit_by_bit() {
        let quota = a_minute(3);
        let mut full_at = Duration::ZERO;
        let begin = seconds(1000);
        for (remaining, full_in) in [(2, 20), (1, 40), (0, 60)] {
            let standing = Standing { remaining, full_in: seconds(full_in) };
            assert_eq!(quota.take(&mut full_at, begin), Ok(standing));
        }
        assert_eq!(quota.take(&mut full_at, begin), Err(Spent { wait: seconds(20) }));
        assert_eq!(quota.take(&mut full_at, begin + seconds(19)), Err(Spent { wait: seconds(1) }));
        let again = Standing { remaining: 0, full_in: seconds(60) };
        assert_eq!(quota.take(&mut full_at, begin + seconds(20)), Ok(again));
        let rested = Standing { remaining: 3, full_in: Duration::ZERO };
        assert_eq!(quota.look(full_at, begin + seconds(3600)), Ok(rested));
    }

    #[test]
    fn a_refusal_takes_nothing() {
        let quota = a_minute(1);
        let mut full_at = Duration::ZERO;
        quota.take(&mut full_at, seconds(5)).unwrap();
        let before = full_at;
        for _ in 0..10 {
            assert_eq!(quota.take(&mut full_at, seconds(6)), Err(Spent { wait: seconds(59) }));
        }
        assert_eq!(full_at, before);
    }

    proptest! {
        /// What a token bucket of the same size and rate, counted in whole
        /// requests, would grant is granted, and what it would not is not.
        #[test]
        fn it_grants_what_a_bucket_of_tokens_would(
            requests in 1_u32..50,
            steps in proptest::collection::vec(0_u64..20_000, 1..200),
        ) {
            let quota = a_minute(requests);
            let (mut full_at, mut now) = (Duration::ZERO, seconds(1));
            // Tokens in nanoseconds of the window's share, refilled by the passing of time.
            let share = u64::try_from(quota.share().as_nanos()).unwrap();
            let most = share * u64::from(requests);
            let mut tokens = most;
            for step in steps {
                let passed = Duration::from_millis(step);
                now += passed;
                tokens = most.min(tokens + u64::try_from(passed.as_nanos()).unwrap());
                let granted = quota.take(&mut full_at, now);
                prop_assert_eq!(granted.is_ok(), tokens >= share);
                match granted {
                    Ok(standing) => {
                        tokens -= share;
                        prop_assert_eq!(u64::from(standing.remaining), tokens / share);
                    }
                    // One waits for as long as is said, and not a nanosecond longer.
                    Err(spent) => {
                        prop_assert!(quota.look(full_at, now + spent.wait).is_ok());
                        let early = spent.wait.saturating_sub(Duration::from_nanos(1));
                        prop_assert!(quota.look(full_at, now + early).is_err());
                    }
                }
            }
        }
    }
}
