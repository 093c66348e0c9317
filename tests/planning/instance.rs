//! The plain form in which instances are written down, and the snapshot it
//! stands for. Times are minutes from [`base`].

use chrono::{DateTime, TimeDelta, Utc};
use drykeep::domain::booking::record::Status;
use drykeep::domain::calendar::{Interval, Length};
use drykeep::domain::facility::{WindowHolds, WorkingGas};
use drykeep::domain::ids::{PersonId, StationId, ThingId};
use drykeep::domain::names::{Name, Word};
use drykeep::domain::planning::snapshot::{
    ClosedBox, Competence, Grid, Need, Occupied, OpenMinimum, PlannedBooking, PlannedBox, StockLevel,
    WindowOccurrence, Worker,
};
use drykeep::domain::planning::{Place, Snapshot, Task, Weights};
use drykeep::domain::upkeep::due::DueState;
use serde::Deserialize;
use std::collections::BTreeMap;
use uuid::Uuid;

/// One instance.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Instance {
    /// Minutes between starts: 15 or 30.
    #[serde(default = "half_an_hour")]
    pub(crate) grid: i64,
    pub(crate) days: i64,
    pub(crate) boxes: Vec<ABox>,
    pub(crate) people: Vec<APerson>,
    pub(crate) windows: Vec<AWindow>,
    pub(crate) tasks: Vec<ATask>,
    pub(crate) bookings: Vec<ABooking>,
    pub(crate) taken: Vec<ATaken>,
    pub(crate) stock: Vec<(i64, i64)>,
    pub(crate) closed: Vec<AClosed>,
    pub(crate) open_minimum: BTreeMap<WorkingGas, u32>,
    #[serde(default)]
    pub(crate) optimum: Option<i64>,
}

const fn half_an_hour() -> i64 {
    30
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct ABox {
    pub(crate) gas: WorkingGas,
    pub(crate) stations: usize,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct APerson {
    pub(crate) working: Vec<(i64, i64)>,
    pub(crate) absent: Vec<(i64, i64)>,
    pub(crate) competences: Vec<String>,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct AWindow {
    pub(crate) start: i64,
    pub(crate) end: i64,
    pub(crate) boxes: Option<Vec<usize>>,
    pub(crate) tasks: Vec<String>,
    pub(crate) notice: Option<i64>,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct ATask {
    pub(crate) task: String,
    #[serde(rename = "box")]
    pub(crate) glovebox: Option<usize>,
    pub(crate) attended: i64,
    pub(crate) unattended: i64,
    pub(crate) finish: i64,
    pub(crate) purge: i64,
    pub(crate) closes: String,
    pub(crate) people: u8,
    pub(crate) competence: Option<String>,
    pub(crate) needs: Vec<(String, i64)>,
    pub(crate) regeneration: bool,
    pub(crate) earliest: Option<i64>,
    pub(crate) act_by: Option<i64>,
    pub(crate) safety: bool,
    pub(crate) state: DueState,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct ABooking {
    #[serde(rename = "box")]
    pub(crate) glovebox: usize,
    pub(crate) station: usize,
    pub(crate) start: i64,
    pub(crate) end: i64,
    pub(crate) tentative: bool,
    pub(crate) equal: bool,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct ATaken {
    #[serde(rename = "box")]
    pub(crate) glovebox: usize,
    pub(crate) station: usize,
    pub(crate) start: i64,
    pub(crate) end: i64,
}

#[derive(Debug, Clone, Deserialize)]
pub(crate) struct AClosed {
    #[serde(rename = "box")]
    pub(crate) glovebox: usize,
    pub(crate) start: i64,
    pub(crate) end: i64,
}

/// The instant from which minutes are counted.
pub(crate) fn base() -> DateTime<Utc> {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

pub(crate) fn at(minute: i64) -> DateTime<Utc> {
    base() + TimeDelta::minutes(minute)
}

/// The interval, where it is one; one without length is none.
fn interval(start: i64, end: i64) -> Option<Interval> {
    Interval::new(at(start), at(end)).ok()
}

fn id<T: From<Uuid>>(kind: u128, number: usize) -> T {
    Uuid::from_u128((kind << 64) + u128::try_from(number).unwrap()).into()
}

fn station(glovebox: usize, number: usize) -> StationId {
    id(2, glovebox * 10 + number)
}

pub(crate) fn task_id(number: usize) -> drykeep::domain::ids::DueItemId {
    id(6, number)
}

fn word(text: &str) -> Word {
    Word::parse(text).unwrap()
}

impl Instance {
    /// Nothing in it.
    pub(crate) fn empty(days: i64) -> Self {
        Self {
            grid: half_an_hour(),
            days,
            boxes: Vec::new(),
            people: Vec::new(),
            windows: Vec::new(),
            tasks: Vec::new(),
            bookings: Vec::new(),
            taken: Vec::new(),
            stock: Vec::new(),
            closed: Vec::new(),
            open_minimum: BTreeMap::new(),
            optimum: None,
        }
    }

    /// What it stands for, planned at [`base`].
    pub(crate) fn snapshot(&self) -> Snapshot {
        let all = |list: &[(i64, i64)]| list.iter().filter_map(|(a, b)| interval(*a, *b)).collect();
        let occupied = |resource: ThingId, start, end| {
            interval(start, end).map(|interval| Occupied { resource, interval })
        };
        Snapshot {
            horizon: interval(0, self.days * 1440).unwrap(),
            grid: if self.grid == 15 { Grid::Quarter } else { Grid::Half },
            boxes: self.boxes.iter().enumerate().map(|(n, b)| planned_box(n, b)).collect(),
            tasks: self.tasks.iter().enumerate().map(|(n, task)| self.task(n, task)).collect(),
            bookings: self
                .bookings
                .iter()
                .enumerate()
                .filter_map(|(n, booking)| planned_booking(n, booking))
                .collect(),
            taken: self
                .taken
                .iter()
                .filter_map(|t| occupied(station(t.glovebox, t.station).into(), t.start, t.end))
                .collect(),
            closed: self
                .closed
                .iter()
                .filter_map(|c| {
                    let interval = interval(c.start, c.end)?;
                    Some(ClosedBox { glovebox: id(1, c.glovebox), interval })
                })
                .collect(),
            windows: self.windows.iter().enumerate().filter_map(|(n, w)| window(n, w)).collect(),
            people: self
                .people
                .iter()
                .enumerate()
                .map(|(n, person)| Worker {
                    id: id::<PersonId>(5, n),
                    name: format!("Person {n}"),
                    working: all(&person.working),
                    absent: all(&person.absent),
                    competences: person
                        .competences
                        .iter()
                        .map(|held| Competence { word: word(held), valid_until: None })
                        .collect(),
                })
                .collect(),
            stock: self
                .stock
                .iter()
                .map(|(from, thousandths)| StockLevel {
                    item: Name::parse("glove pair").unwrap(),
                    from: at(*from),
                    thousandths: *thousandths,
                })
                .collect(),
            open_minimum: self
                .open_minimum
                .iter()
                .map(|(gas, boxes)| OpenMinimum { gas: *gas, boxes: *boxes })
                .collect(),
            weights: Weights::default(),
        }
    }

    fn task(&self, number: usize, task: &ATask) -> Task {
        let place = match task.glovebox {
            Some(glovebox) => Place::Glovebox(id(1, glovebox)),
            None => Place::Elsewhere(id(7, number)),
        };
        let closed: Vec<_> = task.glovebox.filter(|_| task.closes == "box").into_iter().collect();
        let occupies = match (task.closes.as_str(), task.glovebox) {
            ("station", Some(glovebox)) => vec![station(glovebox, 0).into()],
            ("box", Some(glovebox)) => planned_box(glovebox, &self.boxes[glovebox]).resources(),
            _ => Vec::new(),
        };
        Task {
            id: task_id(number),
            task: word(&task.task),
            subject: id(8, number),
            subject_tag: format!("PART-{number}"),
            place,
            state: task.state,
            earliest: task.earliest.map(at),
            act_by: task.act_by.map(at),
            safety: task.safety,
            attended: TimeDelta::minutes(task.attended),
            unattended: TimeDelta::minutes(task.unattended),
            finish: TimeDelta::minutes(task.finish),
            purge: TimeDelta::minutes(task.purge),
            occupies,
            closes: closed.into_iter().map(|glovebox| id(1, glovebox)).collect(),
            people: task.people,
            competence: task.competence.as_deref().map(word),
            consumables: task
                .needs
                .iter()
                .map(|(item, thousandths)| Need {
                    item: Name::parse(item).unwrap(),
                    thousandths: *thousandths,
                })
                .collect(),
            regenerates_from: task.regeneration.then(|| id(9, 0)),
        }
    }
}

fn planned_box(number: usize, shape: &ABox) -> PlannedBox {
    PlannedBox {
        id: id(1, number),
        tag: format!("BOX-{number}"),
        gas: shape.gas,
        stations: (0..shape.stations).map(|n| station(number, n)).collect(),
        antechambers: Vec::new(),
        instruments: Vec::new(),
        circulation: id(3, number),
    }
}

fn planned_booking(number: usize, booking: &ABooking) -> Option<PlannedBooking> {
    let work = interval(booking.start, booking.end)?;
    Some(PlannedBooking {
        id: id(4, number),
        person: id(5, 1000 + number),
        work,
        claims: vec![Occupied {
            resource: station(booking.glovebox, booking.station).into(),
            interval: work,
        }],
        status: if booking.tentative { Status::Tentative } else { Status::Confirmed },
        booked_at: base(),
        equal_opening: booking.equal,
    })
}

fn window(number: usize, window: &AWindow) -> Option<WindowOccurrence> {
    Some(WindowOccurrence {
        window: id(10, number),
        interval: interval(window.start, window.end)?,
        gloveboxes: window.boxes.as_ref().map(|boxes| boxes.iter().map(|b| id(1, *b)).collect()),
        tasks: window.tasks.iter().map(|task| word(task)).collect(),
        holds: match window.notice {
            None => WindowHolds::Always,
            Some(minutes) => WindowHolds::WhenNeeded { notice: Length::of_seconds(minutes * 60).ok() },
        },
    })
}
