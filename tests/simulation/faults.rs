//! What goes wrong, and how it is brought about: the process is cut off at a
//! statement by an observer of the connection, who first takes a copy of the
//! disk; commits are made to fail by the database's own means.

use crate::chance::Chance;
use crate::database::{Image, Observer};
use crate::service::Committed;
use diesel::connection::{Instrumentation, InstrumentationEvent, set_default_instrumentation};
use drykeep::store::Batches;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::sync::Once;

/// What happens while a batch is committed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fault {
    /// Another connection holds the database for so many batches.
    Busy(u32),
    /// The disk takes no further page.
    Full,
    /// The commit itself is refused.
    CommitFails,
    /// The work panics at a statement; the process goes on.
    PanicAt(u32),
    /// The process ends at a statement.
    CutOffAt(u32),
    /// The power fails while the commit is written to the log.
    Torn,
    /// The process ends after the commit and before anybody is answered.
    Unanswered,
}

impl Fault {
    /// Any of them.
    pub(crate) fn any(chance: &mut Chance) -> Self {
        let statement = u32::try_from(chance.below(60)).unwrap();
        let batches = u32::try_from(chance.below(3)).unwrap() + 1;
        chance.weighed(&[
            (3, Self::Busy(batches)),
            (3, Self::Full),
            (3, Self::CommitFails),
            (3, Self::PanicAt(statement)),
            (4, Self::CutOffAt(statement)),
            (4, Self::Torn),
            (4, Self::Unanswered),
        ])
    }
}

/// What an observer of the connections is to do at a statement.
struct Plot {
    /// Statements until then.
    left: u32,
    /// The file to take a copy of first, if the process ends there.
    copy: Option<PathBuf>,
    /// The copy.
    image: Option<Image>,
    /// Whether it came to that.
    done: bool,
}

thread_local! {
    static PLOT: RefCell<Option<Plot>> = const { RefCell::new(None) };
}

/// Told of every statement before it is run.
struct Watcher;

impl Instrumentation for Watcher {
    fn on_connection_event(&mut self, event: InstrumentationEvent<'_>) {
        if !matches!(event, InstrumentationEvent::StartQuery { .. }) {
            return;
        }
        let now = PLOT.with_borrow_mut(|plot| {
            let Some(plot) = plot else { return false };
            if plot.done || plot.left > 0 {
                plot.left = plot.left.saturating_sub(1);
                return false;
            }
            plot.done = true;
            plot.image = plot.copy.as_deref().map(Image::of);
            true
        });
        if now {
            // Unwinds as a panic does, without a report of it.
            std::panic::resume_unwind(Box::new("cut off by the simulation"));
        }
    }
}

/// Lets every connection made from now on be watched.
pub(crate) fn watch() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        set_default_instrumentation(|| Some(Box::new(Watcher))).expect("nothing holds the setting");
    });
}

/// What remains of a process that was cut off.
pub(crate) struct Wreck {
    /// The disk.
    pub(crate) image: Image,
    /// Whether what was being committed must be there; else none of it may be.
    pub(crate) committed: bool,
}

/// Commits batch after batch while something goes wrong.
pub(crate) struct Storm<'a> {
    path: &'a Path,
    fault: Fault,
    chance: &'a mut Chance,
    batches: u32,
    blocker: Option<Observer>,
    /// Set where the process was cut off.
    pub(crate) wreck: Option<Wreck>,
    /// Whether the fault came about.
    pub(crate) struck: bool,
}

impl<'a> Storm<'a> {
    /// About to break over a file.
    pub(crate) fn over(path: &'a Path, fault: Fault, chance: &'a mut Chance) -> Self {
        let blocker = matches!(fault, Fault::Busy(_)).then(|| {
            let mut blocker = Observer::of(path);
            blocker.run("BEGIN IMMEDIATE");
            blocker
        });
        Self { path, fault, chance, batches: 0, blocker, wreck: None, struck: false }
    }

    /// Commits one batch, or does not.
    pub(crate) fn commit(&mut self, batches: &mut Batches) -> Committed {
        let number = self.batches;
        self.batches += 1;
        match self.fault {
            Fault::Busy(most) => self.busy(batches, number, most),
            _ if number > 0 => Committed::of(batches.commit()),
            Fault::Full => self.full(batches),
            Fault::CommitFails => self.commit_fails(batches),
            Fault::PanicAt(statement) => self.cut_at(batches, statement, false),
            Fault::CutOffAt(statement) => self.cut_at(batches, statement, true),
            Fault::Torn => self.torn(batches),
            Fault::Unanswered => {
                if !batches.commit() {
                    return Committed::Nothing;
                }
                self.sink(Image::of(self.path), true)
            }
        }
    }

    fn sink(&mut self, image: Image, committed: bool) -> Committed {
        self.struck = true;
        self.wreck = Some(Wreck { image, committed });
        Committed::CutOff
    }

    fn busy(&mut self, batches: &mut Batches, number: u32, most: u32) -> Committed {
        if number >= most {
            drop(self.blocker.take());
        }
        // Waiting would be for nobody: the simulation stands still meanwhile.
        batches.set("PRAGMA busy_timeout = 0").expect("a setting needs no lock");
        let any = batches.commit();
        self.struck |= any && self.blocker.is_some();
        Committed::of(any)
    }

    fn full(&mut self, batches: &mut Batches) -> Committed {
        let spare = self.chance.below(3);
        let pages = Observer::of(self.path).number("SELECT page_count AS number FROM pragma_page_count");
        let limit = pages + i64::try_from(spare).unwrap();
        batches.set(&format!("PRAGMA max_page_count = {limit}")).expect("a setting needs no page");
        let any = batches.commit();
        batches.set("PRAGMA max_page_count = 1073741823").expect("a setting needs no page");
        self.struck = any;
        Committed::of(any)
    }

    /// A reference that is checked at the commit and refers to nothing.
    fn commit_fails(&mut self, batches: &mut Batches) -> Committed {
        batches
            .set(
                "CREATE TEMP TABLE nowhere (id INTEGER PRIMARY KEY); \
                 CREATE TEMP TABLE broken (to_nowhere INTEGER REFERENCES nowhere (id) \
                     DEFERRABLE INITIALLY DEFERRED); \
                 CREATE TEMP TRIGGER break_it AFTER INSERT ON main.events \
                     BEGIN INSERT INTO broken VALUES (1); END;",
            )
            .expect("temporary tables can be made");
        let any = batches.commit();
        batches
            .set("DROP TRIGGER IF EXISTS temp.break_it; DROP TABLE IF EXISTS temp.broken; DROP TABLE IF EXISTS temp.nowhere")
            .expect("temporary tables can be dropped");
        self.struck = any;
        Committed::of(any)
    }

    fn cut_at(&mut self, batches: &mut Batches, statement: u32, ends: bool) -> Committed {
        let copy = ends.then(|| self.path.to_owned());
        PLOT.set(Some(Plot { left: statement, copy, image: None, done: false }));
        let any = batches.commit();
        let plot = PLOT.take().expect("set above");
        self.struck = plot.done;
        match (any, ends, plot.image) {
            (false, _, _) => Committed::Nothing,
            (true, false, _) => Committed::Batch,
            (true, true, Some(image)) => self.sink(image, false),
            // It had fewer statements: the process ends after the commit.
            (true, true, None) => self.sink(Image::of(self.path), true),
        }
    }

    fn torn(&mut self, batches: &mut Batches) -> Committed {
        let before = Image::of(self.path);
        if !batches.commit() {
            return Committed::Nothing;
        }
        let after = Image::of(self.path);
        match Image::torn(&before, &after, self.chance) {
            Some(image) => self.sink(image, false),
            None => self.sink(after, true),
        }
    }
}
