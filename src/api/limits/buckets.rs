//! The buckets of everybody who asked of late, in bounded memory: each is one
//! instant under a hash of its owner, in shards that are locked for a moment.

use std::collections::HashMap;
use std::hash::{BuildHasher as _, Hash, RandomState};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Enough that threads rarely meet; a power of two.
const SHARDS: usize = 64;

/// Buckets by owner. An owner that is not there has a full one.
#[derive(Debug)]
pub(super) struct Buckets {
    shards: Vec<Mutex<HashMap<u64, Duration>>>,
    /// Nobody outside can make two owners meet: the hash begins with a secret.
    hasher: RandomState,
    /// The most that a shard holds.
    most: usize,
}

impl Buckets {
    /// None yet, and never more than about `most`.
    pub(super) fn new(most: usize) -> Self {
        let shards = (0..SHARDS).map(|_| Mutex::default()).collect();
        Self { shards, hasher: RandomState::new(), most: (most / SHARDS).max(2) }
    }

    /// Looks at the instant kept for an owner, and may change it.
    pub(super) fn with<T>(
        &self,
        owner: &impl Hash,
        now: Duration,
        act: impl FnOnce(&mut Duration) -> T,
    ) -> T {
        let key = self.hasher.hash_one(owner);
        let shard = usize::try_from(key % SHARDS as u64).unwrap_or_default();
        // A thread that panicked left a number, which is as good as any.
        let mut shard = self.shards[shard].lock().unwrap_or_else(PoisonError::into_inner);
        let mut full_at = shard.get(&key).copied().unwrap_or_default();
        let answer = act(&mut full_at);
        if full_at > now {
            if shard.len() >= self.most && !shard.contains_key(&key) {
                make_room(&mut shard, now);
            }
            shard.insert(key, full_at);
        }
        answer
    }

    /// How many are kept.
    #[cfg(test)]
    fn len(&self) -> usize {
        self.shards.iter().map(|shard| shard.lock().unwrap().len()).sum()
    }
}

/// Forgets the full buckets, which say nothing, and, where all are in use, the
/// fuller half: whoever asked for most is remembered longest, so that a crowd of
/// made-up owners does not wash away those who ask too much.
fn make_room(shard: &mut HashMap<u64, Duration>, now: Duration) {
    let before = shard.len();
    shard.retain(|_, full_at| *full_at > now);
    // Unless a good part was full, the next ones would have to come here again.
    if shard.len() <= before - before / 4 {
        return;
    }
    let mut all: Vec<(Duration, u64)> = shard.iter().map(|(key, full_at)| (*full_at, *key)).collect();
    let half = all.len() / 2;
    all.select_nth_unstable(half);
    all.truncate(half + 1);
    for (_, key) in all {
        shard.remove(&key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn until(seconds: u64) -> impl Fn(&mut Duration) {
        move |full_at| *full_at = Duration::from_secs(seconds)
    }

    #[test]
    fn memory_is_bounded_and_whoever_asked_most_is_remembered() {
        let buckets = Buckets::new(6400);
        let now = Duration::from_secs(1);
        buckets.with(&"greedy", now, until(1000));
        for crowd in 0..100_000 {
            buckets.with(&crowd, now, until(2));
        }
        assert!(buckets.len() <= 6400, "{}", buckets.len());
        assert!(buckets.len() > 3000, "{}", buckets.len());
        assert_eq!(buckets.with(&"greedy", now, |full_at| *full_at), Duration::from_secs(1000));
    }

    #[test]
    fn full_buckets_make_room_first() {
        let buckets = Buckets::new(6400);
        for early in 0..10_000 {
            buckets.with(&early, Duration::from_secs(1), until(2));
        }
        let later = Duration::from_secs(10);
        let owners: Vec<_> = (10_000..12_000).collect();
        for owner in &owners {
            buckets.with(owner, later, until(70));
        }
        let kept = owners.iter().filter(|owner| buckets.with(owner, later, |f| *f) > later).count();
        assert_eq!(kept, owners.len());
    }

    #[test]
    fn looking_keeps_nothing() {
        let buckets = Buckets::new(6400);
        for owner in 0..1000 {
            buckets.with(&owner, Duration::from_secs(1), |full_at| *full_at);
        }
        assert_eq!(buckets.len(), 0);
    }
}
