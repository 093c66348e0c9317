//! A booking once made, and what becomes of it.

use crate::domain::booking::request::{BookingRequest, Places, Sample, Transfer, Work};
use crate::domain::calendar::Interval;
use crate::domain::facility::Solvent;
use crate::domain::ids::{
    AntechamberId, CylinderId, GloveboxId, HoldId, InstrumentId, PersonId, SeriesId, StationId, VisitId,
};
use crate::domain::names::{Name, Reference, Remark};
use crate::domain::quantity::{GaugeBar, NormalLitres, Ppm};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// RFC 5545's `STATUS` of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// May have to give way: a hold is open, or upkeep may need the time.
    Tentative,
    /// Stands.
    Confirmed,
    /// No longer takes any time.
    Cancelled,
}

impl Status {
    /// The word for the status.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tentative => "tentative",
            Self::Confirmed => "confirmed",
            Self::Cancelled => "cancelled",
        }
    }

    /// The status a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Tentative, Self::Confirmed, Self::Cancelled].into_iter().find(|status| status.word() == word)
    }
}

/// How far the work has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Progress {
    /// Not begun.
    Booked,
    /// Hands are in the gloves.
    InUse,
    /// Done, and the end-of-run record is in.
    ClosedOut,
    /// Nobody came; the time was released.
    NoShow,
    /// Called off.
    Cancelled,
}

impl Progress {
    /// Every stage.
    pub const ALL: [Self; 5] = [Self::Booked, Self::InUse, Self::ClosedOut, Self::NoShow, Self::Cancelled];

    /// The word for the stage.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Booked => "booked",
            Self::InUse => "in_use",
            Self::ClosedOut => "closed_out",
            Self::NoShow => "no_show",
            Self::Cancelled => "cancelled",
        }
    }

    /// The stage a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|progress| progress.word() == word)
    }
}

/// A transfer of a booking, with its antechamber settled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BookedTransfer {
    /// Which antechamber.
    pub antechamber: AntechamberId,
    /// What goes through.
    pub sample: Sample,
    /// When, if it was said.
    pub at: Option<DateTime<Utc>>,
}

/// Something to mind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Caution {
    /// Stable code.
    pub code: String,
    /// A sentence for a person.
    pub text: String,
}

impl Caution {
    /// A caution.
    pub fn new(code: &str, text: impl Into<String>) -> Self {
        Self { code: code.to_owned(), text: text.into() }
    }
}

/// What is done in a booking, with every part settled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BookedWork {
    /// What it is for.
    pub purpose: Remark,
    /// Stations taken.
    pub stations: Vec<StationId>,
    /// Whether the whole box was asked for.
    pub whole_box: bool,
    /// What goes in before it.
    pub transfers_in: Vec<BookedTransfer>,
    /// What comes out after it.
    pub transfers_out: Vec<BookedTransfer>,
    /// Instruments occupied.
    pub instruments: Vec<InstrumentId>,
    /// Solvents opened in the box.
    pub solvents: Vec<Solvent>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// A cylinder's pressure, as read when leaving.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CylinderPressure {
    /// Which cylinder.
    pub cylinder: CylinderId,
    /// What its gauge shows.
    pub gauge: GaugeBar,
}

/// What is written down when leaving the box.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EndOfRun {
    /// Cylinder pressures.
    pub cylinders: Vec<CylinderPressure>,
    /// Oxygen in the box.
    pub oxygen: Option<Ppm>,
    /// Water in the box.
    pub water: Option<Ppm>,
    /// Whether every antechamber was left under vacuum.
    pub chambers_under_vacuum: bool,
    /// Anything else.
    pub remarks: Remark,
}

/// A booking.
#[derive(Debug, Clone, PartialEq)]
pub struct Booking {
    /// The box.
    pub glovebox: GloveboxId,
    /// Whose it is.
    pub person: PersonId,
    /// The token subject that made it.
    pub booked_by: String,
    /// The group it counts against.
    pub group: Option<Name>,
    /// The series it belongs to.
    pub series: Option<SeriesId>,
    /// RFC 5545 status.
    pub status: Status,
    /// How far it has come.
    pub progress: Progress,
    /// The time with hands in the gloves.
    pub interval: Interval,
    /// What is done.
    pub work: BookedWork,
    /// Gas that its transfers and purge take.
    pub gas_estimate: NormalLitres,
    /// The open hold that affects it.
    pub hold: Option<HoldId>,
    /// When it was begun.
    pub started_at: Option<DateTime<Utc>>,
    /// When it was closed out, released or cancelled.
    pub closed_at: Option<DateTime<Utc>>,
    /// What was written down at the end.
    pub end_of_run: Option<EndOfRun>,
    /// The visit for upkeep that it gave way to.
    pub displaced_by: Option<VisitId>,
}

impl Booking {
    /// The same work as somebody would ask for it anew: at any stations and
    /// antechambers, so that other boxes and times can be looked at for it.
    pub fn asked_anew(&self) -> BookingRequest {
        let transfer =
            |booked: &BookedTransfer| Transfer { antechamber: None, sample: booked.sample, at: booked.at };
        let places = if self.work.whole_box {
            Places::WholeBox
        } else {
            Places::Any(u8::try_from(self.work.stations.len()).unwrap_or(u8::MAX))
        };
        BookingRequest {
            work: Work {
                places,
                transfers_in: self.work.transfers_in.iter().map(transfer).collect(),
                transfers_out: self.work.transfers_out.iter().map(transfer).collect(),
                instruments: self.work.instruments.iter().map(|id| Reference::Id(id.uuid())).collect(),
                solvents: self.work.solvents.clone(),
            },
            interval: self.interval,
            purpose: self.work.purpose.clone(),
            group: self.group.clone(),
        }
    }
}
