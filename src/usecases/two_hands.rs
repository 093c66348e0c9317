//! Judging on two threads what one of them loads and keeps: while a thing is judged, the
//! next ones are loaded and those before it kept. Knows nothing of what is judged.
//!
//! What is loaded and kept when does not hang on how fast either thread is, so that
//! whatever happens in the database happens in the same order every time.

use std::collections::{HashMap, VecDeque};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// So many things are loaded ahead of the one that is kept.
const AHEAD: usize = 24;

/// What is done with each of some things, one after the other.
pub(super) trait Work {
    /// What is loaded of a thing.
    type Loaded: Send;
    /// What it is judged to be.
    type Judged: Send;
    /// What may go wrong.
    type Error;

    /// Loads the thing of that number.
    fn load(&mut self, number: usize) -> Result<Self::Loaded, Self::Error>;

    /// Keeps what it was judged to be.
    fn keep(&mut self, judged: Self::Judged) -> Result<(), Self::Error>;
}

/// Loads, judges and keeps so many things, in their order.
pub(super) fn work_through<W: Work>(
    count: usize,
    work: &mut W,
    judge: impl Fn(W::Loaded) -> W::Judged + Sync,
) -> Result<(), W::Error> {
    let table = Table::default();
    std::thread::scope(|scope| {
        let other = scope.spawn(|| {
            let _leaving = Leaving(&table);
            while let Some((number, loaded)) = table.next() {
                table.put(number, judge(loaded));
            }
        });
        let done = {
            let _leaving = Leaving(&table);
            (0..count + AHEAD).try_for_each(|number| {
                if number < count {
                    table.offer(number, work.load(number)?);
                }
                let Some(due) = number.checked_sub(AHEAD).filter(|due| *due < count) else { return Ok(()) };
                // Without one the other thread has come to grief, which is told below.
                table.get(due, &judge).map_or(Ok(()), |judged| work.keep(judged))
            })
        };
        match other.join() {
            Ok(()) => done,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

/// What lies between the two threads.
struct Table<L, J> {
    things: Mutex<Things<L, J>>,
    changed: Condvar,
}

struct Things<L, J> {
    waiting: VecDeque<(usize, L)>,
    judged: HashMap<usize, J>,
    /// Whether one of the two has left.
    left: bool,
}

impl<L, J> Default for Table<L, J> {
    fn default() -> Self {
        let things = Things { waiting: VecDeque::new(), judged: HashMap::new(), left: false };
        Self { things: Mutex::new(things), changed: Condvar::new() }
    }
}

impl<L, J> Table<L, J> {
    fn things(&self) -> MutexGuard<'_, Things<L, J>> {
        self.things.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wait<'a>(&self, things: MutexGuard<'a, Things<L, J>>) -> MutexGuard<'a, Things<L, J>> {
        self.changed.wait(things).unwrap_or_else(PoisonError::into_inner)
    }

    fn offer(&self, number: usize, loaded: L) {
        self.things().waiting.push_back((number, loaded));
        self.changed.notify_all();
    }

    fn put(&self, number: usize, judged: J) {
        self.things().judged.insert(number, judged);
        self.changed.notify_all();
    }

    /// The next one to be judged, once there is one; `None` when none will come.
    fn next(&self) -> Option<(usize, L)> {
        let mut things = self.things();
        loop {
            if things.left {
                return None;
            }
            if let Some(next) = things.waiting.pop_front() {
                return Some(next);
            }
            things = self.wait(things);
        }
    }

    /// The one of that number, judged; until it is, what waits is judged here. `None`
    /// where the other thread has left with it.
    fn get(&self, number: usize, judge: impl Fn(L) -> J) -> Option<J> {
        let mut things = self.things();
        loop {
            if let Some(judged) = things.judged.remove(&number) {
                return Some(judged);
            }
            if let Some((next, loaded)) = things.waiting.pop_front() {
                drop(things);
                let judged = judge(loaded);
                if next == number {
                    return Some(judged);
                }
                things = self.things();
                things.judged.insert(next, judged);
            } else if things.left {
                return None;
            } else {
                things = self.wait(things);
            }
        }
    }
}

/// Tells the other thread that this one has left, whatever made it leave.
struct Leaving<'a, L, J>(&'a Table<L, J>);

impl<L, J> Drop for Leaving<'_, L, J> {
    fn drop(&mut self) {
        self.0.things().left = true;
        self.0.changed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Doubles numbers, and notes what is done in which order.
    #[derive(Default)]
    struct Doubling {
        done: Vec<(char, usize)>,
        kept: Vec<usize>,
        fails_at: Option<usize>,
    }

    impl Work for Doubling {
        type Loaded = usize;
        type Judged = usize;
        type Error = &'static str;

        fn load(&mut self, number: usize) -> Result<usize, &'static str> {
            self.done.push(('l', number));
            if self.fails_at == Some(number) { Err("cannot be loaded") } else { Ok(number) }
        }

        fn keep(&mut self, judged: usize) -> Result<(), &'static str> {
            self.done.push(('k', judged));
            self.kept.push(judged);
            Ok(())
        }
    }

    fn spun(number: usize) -> usize {
        // Some take longer than others.
        (0..(number * 7919 % 13) * 1000).fold(0, |sum: usize, one| std::hint::black_box(sum ^ one));
        2 * number
    }

    #[test]
    fn everything_is_kept_in_order_and_done_in_the_same_order_every_time() {
        for count in [0, 1, AHEAD - 1, AHEAD, AHEAD + 1, 500] {
            let mut runs = (0..20).map(|_| {
                let mut work = Doubling::default();
                work_through(count, &mut work, spun).unwrap();
                assert_eq!(work.kept, (0..count).map(|number| 2 * number).collect::<Vec<_>>());
                work.done
            });
            let first = runs.next().unwrap();
            assert!(runs.all(|run| run == first));
        }
    }

    #[test]
    fn what_goes_wrong_ends_it() {
        let mut work = Doubling { fails_at: Some(40), ..Doubling::default() };
        assert_eq!(work_through(500, &mut work, spun), Err("cannot be loaded"));
        assert_eq!(work.kept.len(), 40 - AHEAD);
    }

    #[test]
    #[should_panic(expected = "cannot be judged")]
    fn a_panic_while_judging_is_handed_on() {
        let judge = |number| if number == 30 { panic!("cannot be judged") } else { spun(number) };
        work_through(500, &mut Doubling::default(), judge).unwrap();
    }
}
