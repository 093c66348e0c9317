//! Faults planted in the database, each of which the checks have to find: a check that
//! has never failed proves nothing. They stand for mistakes of the service, which would leave
//! the same traces; the file has them from the beginning, whatever becomes of it.

use crate::database::{Image, Observer};

/// A fault.
pub(crate) struct Plant {
    /// What goes wrong.
    pub(crate) what: &'static str,
    /// What the check that finds it says.
    pub(crate) says: &'static str,
    /// The statements that see to it.
    statements: &'static str,
}

const fn plant(what: &'static str, says: &'static str, statements: &'static str) -> Plant {
    Plant { what, says, statements }
}

/// All of them; they strike one id in sixteen, or each time.
pub(crate) const PLANTS: [Plant; 14] = [
    plant(
        "a claim is not written",
        "has no place for its work",
        "CREATE TRIGGER plant BEFORE INSERT ON claims WHEN NEW.id LIKE '%f' BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a claim is not given up",
        "what is over still takes time",
        "CREATE TRIGGER plant BEFORE DELETE ON claims WHEN OLD.id LIKE '%f' BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a claim ends a minute early",
        "has no place for its work",
        "CREATE TRIGGER plant AFTER INSERT ON claims WHEN NEW.id LIKE '%f' BEGIN \
         UPDATE claims SET ends_at = datetime(NEW.ends_at, '-1 minute') WHERE id = NEW.id; END",
    ),
    plant(
        "an event is not told to followers",
        "has no position",
        "CREATE TRIGGER plant AFTER INSERT ON event_positions WHEN NEW.id LIKE '%f' BEGIN \
         DELETE FROM event_positions WHERE position = NEW.position; END",
    ),
    plant(
        "an event is not written",
        "so many more readings were acknowledged than told of",
        "DROP TRIGGER events_are_never_deleted; DROP TRIGGER events_get_a_position;
         CREATE TRIGGER plant AFTER INSERT ON events BEGIN \
         INSERT INTO event_positions (seq) SELECT NEW.seq WHERE NEW.seq % 16 > 0; \
         DELETE FROM events WHERE seq = NEW.seq AND NEW.seq % 16 = 0; END",
    ),
    plant(
        "a new hold goes unnoticed by what is remembered",
        "closes what booking",
        "DROP TRIGGER holds_revised_by_insert",
    ),
    plant(
        "what a granted request said is forgotten",
        "Call {",
        "CREATE TRIGGER plant AFTER INSERT ON idempotency_keys WHEN NEW.idempotency_key LIKE '%7' BEGIN \
         DELETE FROM idempotency_keys WHERE idempotency_key = NEW.idempotency_key; END",
    ),
    plant(
        "a booking keeps its former end",
        "is not as it was acknowledged",
        "CREATE TRIGGER plant AFTER UPDATE OF ends_at ON bookings WHEN NEW.id LIKE '%f' AND OLD.ends_at <> NEW.ends_at \
         BEGIN UPDATE bookings SET ends_at = max(OLD.ends_at, datetime(NEW.starts_at, '+1 second')) WHERE id = NEW.id; END",
    ),
    plant(
        "the hour at which a run was closed out is lost",
        "the statement",
        "CREATE TRIGGER plant AFTER UPDATE OF progress ON bookings WHEN NEW.progress = 'closed_out' AND NEW.id LIKE '%f' \
         BEGIN UPDATE bookings SET closed_at = NULL WHERE id = NEW.id; END",
    ),
    plant(
        "a correction of a closed month is lost",
        "the statements of",
        "CREATE TRIGGER plant BEFORE INSERT ON usage_entries WHEN NEW.id LIKE '%f' BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a due item is not kept",
        "POST /nightly-runs",
        "CREATE TRIGGER plant BEFORE UPDATE ON due_items WHEN NEW.id LIKE '%f' BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a day of readings is not summed up again",
        "kept, and from scratch",
        "CREATE TRIGGER plant BEFORE INSERT ON stale_reading_days BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a withdrawn reading stays",
        "readings that nobody was told of, or that are gone",
        "CREATE TRIGGER plant BEFORE DELETE ON readings BEGIN SELECT RAISE(IGNORE); END",
    ),
    plant(
        "a hold opens by itself",
        "closes what booking",
        "CREATE TRIGGER plant AFTER INSERT ON holds WHEN NEW.id LIKE '%f' BEGIN \
         UPDATE holds SET released_at = NEW.opened_at, version = version + 1 WHERE id = NEW.id; END",
    ),
];

impl Plant {
    /// The file with the fault in it.
    pub(crate) fn in_image(&self, image: &Image) -> Image {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("planted.db");
        image.put(&path);
        Observer::of(&path).run(self.statements);
        Image::of(&path)
    }
}
