//! What somebody asks for: a piece of work, and when.

use crate::domain::calendar::Interval;
use crate::domain::facility::Solvent;
use crate::domain::names::{Name, Reference, Remark};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// What kind of thing goes through an antechamber.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sample {
    /// Closed, smooth, dry: glass, metal, sealed vials opened to vacuum.
    Compact,
    /// Outgassing: paper, powders, gloves. Takes more cycles.
    Porous,
}

impl Sample {
    /// Every kind.
    pub const ALL: [Self; 2] = [Self::Compact, Self::Porous];

    /// The word for the kind.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Compact => "compact",
            Self::Porous => "porous",
        }
    }

    /// The kind a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|sample| sample.word() == word)
    }
}

/// One transfer through an antechamber.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transfer {
    /// Which antechamber; `None` for the box's first.
    pub antechamber: Option<Reference>,
    /// What goes through.
    pub sample: Sample,
    /// When it is to be inside (in) or taken out of the box (out); the start
    /// and the end of the work unless given.
    pub at: Option<DateTime<Utc>>,
}

/// Which working places the work takes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Places {
    /// Any so many stations.
    Any(u8),
    /// These stations.
    Named(Vec<Reference>),
    /// Every station of the box.
    WholeBox,
}

/// A piece of work, wherever and whenever it is done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Work {
    /// Working places.
    pub places: Places,
    /// What goes in before it.
    pub transfers_in: Vec<Transfer>,
    /// What comes out after it.
    pub transfers_out: Vec<Transfer>,
    /// Instruments inside the box that it occupies.
    pub instruments: Vec<Reference>,
    /// Solvents opened in the box.
    pub solvents: Vec<Solvent>,
}

/// A request for a booking.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookingRequest {
    /// The work.
    pub work: Work,
    /// The time with hands in the gloves.
    pub interval: Interval,
    /// What it is for.
    pub purpose: Remark,
    /// The group it counts against; the person's only group unless given.
    pub group: Option<Name>,
}
