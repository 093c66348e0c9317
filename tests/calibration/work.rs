//! The work that is booked at a box: what was done, what is known to come,
//! and what will come besides.

use crate::chance::Chance;

/// Hours of a week; hour nought of all histories is a Monday's midnight.
pub(crate) const WEEK: f64 = 168.0;
/// Bookings are made so long ahead.
pub(crate) const BOOKED_AHEAD: f64 = 14.0 * 24.0;

/// What was read: hours and values, in order of time.
pub(crate) type Readings = Vec<(f64, f64)>;

/// A turn of an antechamber.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Turn {
    /// When.
    pub(crate) at: f64,
    /// Its size against the usual turn at this place, as computed beforehand.
    pub(crate) size: f64,
}

/// Work at a box.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Booking {
    /// When it begins, hours.
    pub(crate) start: f64,
    /// When it ends.
    pub(crate) end: f64,
    /// Turns of the antechamber for it.
    pub(crate) turns: Vec<Turn>,
    /// Whether the circulation is off meanwhile.
    pub(crate) circulation_off: bool,
    /// Whether it is booked late, some days before it begins.
    short_notice: bool,
}

impl Booking {
    /// When it was put on the calendar.
    pub(crate) fn booked_at(&self) -> f64 {
        self.start - if self.short_notice { 48.0 } else { BOOKED_AHEAD }
    }

    /// Whether it is on the calendar at a moment.
    pub(crate) fn is_known(&self, now: f64) -> bool {
        self.booked_at() <= now
    }
}

/// How people use a box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Habit {
    /// Chance of a booking on a working day.
    pub(crate) busy: f64,
    /// Shortest and longest booking, hours.
    pub(crate) hours: (f64, f64),
    /// Chance of each of three possible turns of the antechamber.
    pub(crate) turn: f64,
    /// Share of bookings with the circulation off.
    pub(crate) circulation_off: f64,
    /// Share of bookings made at short notice.
    pub(crate) short_notice: f64,
    /// How much one week's work differs from another's.
    pub(crate) unevenness: f64,
}

impl Habit {
    /// Some habit.
    pub(crate) fn any(chance: &mut Chance) -> Self {
        let shortest = chance.between(1.0, 3.0);
        Self {
            busy: chance.between(0.35, 0.9),
            hours: (shortest, shortest + chance.between(1.0, 4.0)),
            turn: chance.between(0.4, 0.9),
            circulation_off: chance.one_of(&[0.0, 0.1, 0.3]),
            short_notice: chance.one_of(&[0.0, 0.1, 0.2]),
            unevenness: chance.between(0.0, 0.3),
        }
    }

    /// Mean booked hours of an hour.
    pub(crate) fn hours_an_hour(&self) -> f64 {
        5.0 * self.busy * f64::midpoint(self.hours.0, self.hours.1) / WEEK
    }

    /// Mean turns of the usual size in an hour.
    pub(crate) fn turns_an_hour(&self) -> f64 {
        5.0 * self.busy * 3.0 * self.turn / WEEK
    }

    /// The work of all weeks from one hour to another.
    pub(crate) fn work(&self, chance: &mut Chance, from: f64, until: f64) -> Vec<Booking> {
        let mut bookings = Vec::new();
        let mut monday = (from / WEEK).floor() * WEEK;
        while monday < until {
            let busy = (self.busy * chance.factor(self.unevenness)).min(1.0);
            for day in 0..5 {
                if chance.happens(busy) {
                    bookings.push(self.booking(chance, monday + 24.0 * f64::from(day)));
                }
            }
            monday += WEEK;
        }
        bookings.retain(|booking| booking.start >= from && booking.end <= until);
        bookings
    }

    fn booking(&self, chance: &mut Chance, midnight: f64) -> Booking {
        let start = midnight + quarter(chance.between(8.0, 13.0));
        let end = start + quarter(chance.between(self.hours.0, self.hours.1)).max(0.5);
        let mut turns = Vec::new();
        for at in [start, start, end] {
            if chance.happens(self.turn) {
                turns.push(Turn { at, size: chance.one_of(&[0.7, 1.0, 1.3]) });
            }
        }
        let circulation_off = chance.happens(self.circulation_off);
        Booking { start, end, turns, circulation_off, short_notice: chance.happens(self.short_notice) }
    }
}

/// To a quarter of an hour.
fn quarter(hours: f64) -> f64 {
    (4.0 * hours).round() / 4.0
}

/// Moments at which somebody, or something, reads: from one hour to another,
/// with gaps of days.
pub(crate) fn reading_times(chance: &mut Chance, per_day: f64, from: f64, until: f64) -> Vec<f64> {
    let gaps: Vec<(f64, f64)> = (0..chance.one_of(&[0, 0, 1, 2]))
        .map(|_| {
            let start = chance.between(from, until);
            (start, start + 24.0 * chance.between(1.5, 5.0))
        })
        .collect();
    // A person reads at about the same hour of the day; an instrument to the minute.
    let jitter = if per_day <= 2.0 { 1.0 } else { 0.02 };
    let phase = chance.between(7.0, 9.0);
    let mut times = Vec::new();
    let mut due = (from / 24.0).floor() * 24.0 + phase;
    while due < until {
        let at = due + jitter * chance.between(-1.0, 1.0);
        let seen = gaps.iter().all(|(start, end)| at < *start || at > *end);
        if at > from && at < until && seen && times.last().is_none_or(|last| at > *last) {
            times.push(at);
        }
        due += 24.0 / per_day;
    }
    times
}

#[test]
fn the_work_is_as_much_as_the_habit_says() {
    let mut chance = Chance::of(3, 1);
    let habit = Habit { busy: 0.6, unevenness: 0.2, ..Habit::any(&mut chance) };
    let span = 4000.0 * WEEK;
    let work = habit.work(&mut chance, 0.0, span);
    let hours: f64 = work.iter().map(|one| one.end - one.start).sum();
    let turns: f64 = work.iter().flat_map(|one| &one.turns).map(|turn| turn.size).sum();
    assert!((hours / span / habit.hours_an_hour() - 1.0).abs() < 0.03);
    assert!((turns / span / habit.turns_an_hour() - 1.0).abs() < 0.03);
    assert!(work.windows(2).all(|pair| pair[0].end < pair[1].start), "one at a time");
}

#[test]
fn bookings_are_known_two_weeks_ahead_unless_made_late() {
    let booking = |start, short_notice| Booking {
        start,
        end: start + 2.0,
        turns: Vec::new(),
        circulation_off: false,
        short_notice,
    };
    assert!(booking(300.0, false).is_known(0.0) && !booking(340.0, false).is_known(0.0));
    assert!(booking(40.0, true).is_known(0.0) && !booking(50.0, true).is_known(0.0));
}
