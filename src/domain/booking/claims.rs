//! The claims that a piece of work needs, relative to its start and end:
//! stations for the work itself, antechamber turns before and after it,
//! instruments, and the purge after work with the circulation off.

use crate::domain::booking::record::{BookedTransfer, BookedWork, Caution};
use crate::domain::booking::request::{BookingRequest, Places, Sample, Transfer, Work};
use crate::domain::calendar::Interval;
use crate::domain::facility::{Antechamber, Glovebox, Policies, Solvent, SolventClass};
use crate::domain::ids::{BookingId, InstrumentId, StationId, ThingId, VisitId};
use crate::domain::names::{Reference, Tag};
use crate::domain::physics::antechamber::{ChamberCycle, Goal, ROOM_TEMPERATURE_C};
use crate::domain::physics::purge::Purge;
use crate::domain::quantity::{Celsius, Fraction, Millibar, NormalLitres, Ppm};
use crate::domain::violations::Violation;
use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

/// No claim is longer; the store relies on it to bound its searches.
pub const LONGEST_CLAIM: TimeDelta = TimeDelta::days(31);

/// How far the claims of a booking may reach beyond its work on either side.
pub const REACH: TimeDelta = TimeDelta::days(2);

/// Why a resource is claimed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Why {
    /// Hands in the gloves.
    Work,
    /// An antechamber turn on the way in.
    TransferIn,
    /// An antechamber turn on the way out.
    TransferOut,
    /// An instrument in use.
    Instrument,
    /// The circulation is off, to spare the purifier.
    CirculationOff,
    /// The box is purged after work with the circulation off.
    Purge,
    /// Upkeep.
    Upkeep,
}

impl Why {
    const ALL: [Self; 7] = [
        Self::Work,
        Self::TransferIn,
        Self::TransferOut,
        Self::Instrument,
        Self::CirculationOff,
        Self::Purge,
        Self::Upkeep,
    ];

    /// The word for the reason.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Work => "work",
            Self::TransferIn => "transfer_in",
            Self::TransferOut => "transfer_out",
            Self::Instrument => "instrument",
            Self::CirculationOff => "circulation_off",
            Self::Purge => "purge",
            Self::Upkeep => "upkeep",
        }
    }

    /// The reason a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|why| why.word() == word)
    }
}

/// What a claim belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Owner {
    /// A booking.
    Booking(BookingId),
    /// A visit for upkeep.
    Visit(VisitId),
}

/// One resource to be occupied over one interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlannedClaim {
    /// The resource.
    pub resource: ThingId,
    /// From when to when.
    pub interval: Interval,
    /// Why.
    pub why: Why,
}

/// A claim other than a station's, as its distance from the start of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offset {
    /// The resource.
    pub resource: ThingId,
    /// Its beginning, from the start of the work.
    pub from: TimeDelta,
    /// Its end, from the start of the work.
    pub to: TimeDelta,
    /// Why.
    pub why: Why,
}

/// A piece of work fitted to one box: everything settled but the stations
/// that "any" leaves open, and the time.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// How long the work takes.
    pub length: TimeDelta,
    /// The stations it may use, in the box's order.
    pub stations: Vec<StationId>,
    /// How many of them it takes.
    pub places: usize,
    /// Claims that do not depend on which stations are taken.
    pub offsets: Vec<Offset>,
    /// What goes in.
    pub transfers_in: Vec<BookedTransfer>,
    /// What comes out.
    pub transfers_out: Vec<BookedTransfer>,
    /// Instruments.
    pub instruments: Vec<InstrumentId>,
    /// Gas for the turns and the purge.
    pub gas: NormalLitres,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// Length and gas of one antechamber turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnNeed {
    /// How long, rounded up to whole minutes.
    pub length: TimeDelta,
    /// Gas of its refills, litres at 0 °C and 1 atm.
    pub gas_nl: f64,
}

/// What one turn of a chamber takes; a measured cycle wins over the computed
/// one. A porous sample takes the compact one's cycles times the site's factor.
///
/// Inward and outward turns take the same cycles: the chamber must be inert
/// before the inner door opens, whichever way things go.
pub fn turn_need(chamber: &Antechamber, sample: Sample, porous_factor: u8) -> Result<TurnNeed, Violation> {
    let cycles = turn_cycles(chamber, sample, porous_factor);
    let atmosphere = Millibar::new(1013.25).expect("one atmosphere is a pressure");
    let turn = ChamberCycle {
        volume: chamber.volume,
        pump_speed: chamber.pump_speed,
        ultimate: chamber.ultimate,
        start: atmosphere,
        evacuate_to: chamber.evacuate_to,
        refill_to: atmosphere,
        refill: chamber.refill,
        hold: chamber.hold,
        temperature: Celsius::new(ROOM_TEMPERATURE_C).expect("room temperature is a temperature"),
    }
    .turn(Goal::Cycles(cycles))
    .map_err(|error| Violation::new("antechamber", "turn_not_computable", error.to_string()))?;
    let minutes = chamber.measured_cycle.map_or(turn.total_minutes, |one| one.get() * f64::from(cycles));
    Ok(TurnNeed { length: whole_minutes(minutes), gas_nl: turn.gas_nl })
}

/// How many cycles a turn takes: a porous sample takes the compact one's times the site's factor.
pub fn turn_cycles(chamber: &Antechamber, sample: Sample, porous_factor: u8) -> u32 {
    let factor = if sample == Sample::Porous { porous_factor.max(1) } else { 1 };
    u32::from(chamber.cycles) * u32::from(factor)
}

#[expect(clippy::cast_possible_truncation, reason = "bounded by clamp before the cast")]
fn whole_minutes(minutes: f64) -> TimeDelta {
    // A hair under a whole minute more is rounding of the sum, not time.
    TimeDelta::minutes((minutes - 1e-9).ceil().clamp(1.0, 30.0 * 1440.0) as i64)
}

/// Length and gas of the purge after work with the circulation off: whatever
/// vapour there is, diluted by the site's factor.
pub fn purge_need(glovebox: &Glovebox, policies: &Policies) -> TurnNeed {
    dilution_need(glovebox, policies.purge_dilution)
}

/// Length and gas of a purge that dilutes what is in a box so many times
/// (sweep-through dilution, NFPA 69 annex), with the box's purge flow.
pub fn dilution_need(glovebox: &Glovebox, dilution: f64) -> TurnNeed {
    let from = Ppm::new(1e6).expect("the whole gas is a fraction of it");
    let to = Ppm::new(1e6 / dilution.clamp(1.000_001, 1e9)).expect("a part of the whole gas");
    let purge = Purge {
        volume: glovebox.internal_volume,
        flow: glovebox.purge_flow,
        from,
        to,
        supply: Ppm::new(0.0).expect("nothing is a fraction"),
        mixing: Fraction::new(1.0).expect("one is a fraction"),
    };
    let need = purge.need().expect("from the whole gas down to a part of it, with clean gas");
    // Litres at 20 °C and the box's pressure, about one atmosphere.
    TurnNeed {
        length: whole_minutes(need.minutes),
        gas_nl: need.gas_l * 273.15 / (273.15 + ROOM_TEMPERATURE_C),
    }
}

/// Fits a piece of work of a given time to a box, or says everything in the way.
pub fn fit(
    work: &Work,
    interval: Interval,
    glovebox: &Glovebox,
    policies: &Policies,
) -> Result<Fitted, Vec<Violation>> {
    let mut fitting =
        Fitting { glovebox, policies, interval, faults: Vec::new(), offsets: Vec::new(), gas: 0.0 };
    let (stations, places) = fitting.stations(&work.places);
    let instruments = fitting.instruments(&work.instruments);
    let transfers_in = fitting.transfers(&work.transfers_in, Why::TransferIn);
    let transfers_out = fitting.transfers(&work.transfers_out, Why::TransferOut);
    fitting.turns_apart();
    let circulation_off = fitting.solvents(&work.solvents);
    fitting.within_reach();
    if !fitting.faults.is_empty() {
        return Err(fitting.faults);
    }
    let cautions = cautions(work, circulation_off);
    Ok(Fitted {
        length: interval.length(),
        stations,
        places,
        offsets: fitting.offsets,
        transfers_in,
        transfers_out,
        instruments,
        gas: NormalLitres::new(fitting.gas.min(1e11)).expect("a sum of amounts, cut off at the greatest"),
        cautions,
    })
}

impl Fitted {
    /// The claims at a start, on the stations chosen.
    pub fn claims(&self, start: DateTime<Utc>, chosen: &[StationId]) -> Vec<PlannedClaim> {
        let place = |resource, from, to, why| {
            let interval =
                Interval::new(start + from, start + to).expect("an offset's end follows its start");
            PlannedClaim { resource, interval, why }
        };
        let stations = chosen.iter().map(|id| place((*id).into(), TimeDelta::zero(), self.length, Why::Work));
        let others = self.offsets.iter().map(|o| place(o.resource, o.from, o.to, o.why));
        stations.chain(others).collect()
    }

    /// What is kept of the work once the stations are chosen.
    pub fn booked(&self, request: &BookingRequest, chosen: Vec<StationId>) -> BookedWork {
        BookedWork {
            purpose: request.purpose.clone(),
            stations: chosen,
            whole_box: request.work.places == Places::WholeBox,
            transfers_in: self.transfers_in.clone(),
            transfers_out: self.transfers_out.clone(),
            instruments: self.instruments.clone(),
            solvents: request.work.solvents.clone(),
            cautions: self.cautions.clone(),
        }
    }
}

struct Fitting<'a> {
    glovebox: &'a Glovebox,
    policies: &'a Policies,
    interval: Interval,
    faults: Vec<Violation>,
    offsets: Vec<Offset>,
    gas: f64,
}

/// Whether a reference means the part of that id and tag.
fn means(reference: &Reference, box_tag: &Tag, id: Uuid, tag: &Tag) -> bool {
    match reference {
        Reference::Id(given) => *given == id,
        Reference::Tag(given) => given == tag,
        Reference::Part(whole, given) => whole == box_tag && given == tag,
    }
}

impl Fitting<'_> {
    fn fault(&mut self, field: &str, code: &'static str, detail: String) {
        self.faults.push(Violation::new(field, code, detail));
    }

    fn stations(&mut self, places: &Places) -> (Vec<StationId>, usize) {
        let glovebox = self.glovebox;
        let all: Vec<StationId> = glovebox.stations.iter().map(|station| station.id).collect();
        match places {
            Places::WholeBox => (all.clone(), all.len()),
            Places::Any(count) => {
                let count = usize::from(*count).max(1);
                if count > all.len() {
                    self.fault(
                        "stations",
                        "too_few_stations",
                        format!("{} has {} station(s), not {count}", glovebox.tag, all.len()),
                    );
                }
                (all, count)
            }
            Places::Named(named) => {
                let mut found = Vec::new();
                for reference in named {
                    let station = glovebox
                        .stations
                        .iter()
                        .find(|s| means(reference, &glovebox.tag, s.id.uuid(), &s.tag))
                        .map(|s| s.id);
                    match station {
                        Some(id) if !found.contains(&id) => found.push(id),
                        Some(_) => {}
                        None => self.fault(
                            "station",
                            "unknown_station",
                            format!("{} has no station {reference}", glovebox.tag),
                        ),
                    }
                }
                let count = found.len();
                (found, count)
            }
        }
    }

    fn instruments(&mut self, references: &[Reference]) -> Vec<InstrumentId> {
        let glovebox = self.glovebox;
        let mut found = Vec::new();
        for (i, reference) in references.iter().enumerate() {
            let instrument = glovebox
                .instruments
                .iter()
                .find(|part| means(reference, &glovebox.tag, part.id.uuid(), &part.tag));
            match instrument {
                Some(part) if found.contains(&part.id) => {}
                Some(part) => {
                    found.push(part.id);
                    self.offsets.push(Offset {
                        resource: part.id.into(),
                        from: TimeDelta::zero(),
                        to: self.interval.length(),
                        why: Why::Instrument,
                    });
                }
                None => self.fault(
                    &format!("instruments[{i}]"),
                    "unknown_instrument",
                    format!("{} has no instrument {reference}", glovebox.tag),
                ),
            }
        }
        found
    }

    /// Turns inwards end at the start of the work and queue up before it;
    /// turns outwards begin at its end and queue up after it; a stated `at`
    /// fixes the turn instead.
    fn transfers(&mut self, transfers: &[Transfer], why: Why) -> Vec<BookedTransfer> {
        let mut queued: Vec<(ThingId, TimeDelta)> = Vec::new();
        let mut booked = Vec::new();
        for (i, transfer) in transfers.iter().enumerate() {
            let field =
                format!("{}[{i}]", if why == Why::TransferIn { "transfers_in" } else { "transfers_out" });
            let Some(chamber) = self.chamber(transfer, &field) else { continue };
            let need = match turn_need(&chamber, transfer.sample, self.policies.porous_cycle_factor) {
                Ok(need) => need,
                Err(fault) => {
                    self.faults.push(Violation { field: format!("{field}.antechamber"), ..fault });
                    continue;
                }
            };
            self.gas += need.gas_nl;
            let resource: ThingId = chamber.id.into();
            let (from, to) = self.turn_times(transfer, why, need.length, resource, &mut queued, &field);
            self.offsets.push(Offset { resource, from, to, why });
            booked.push(BookedTransfer { antechamber: chamber.id, sample: transfer.sample, at: transfer.at });
        }
        booked
    }

    fn turn_times(
        &mut self,
        transfer: &Transfer,
        why: Why,
        turn: TimeDelta,
        resource: ThingId,
        queued: &mut Vec<(ThingId, TimeDelta)>,
        field: &str,
    ) -> (TimeDelta, TimeDelta) {
        if let Some(at) = transfer.at {
            if at < self.interval.start() || at > self.interval.end() {
                self.fault(
                    &format!("{field}.at"),
                    "transfer_outside_work",
                    "must be within the time of the work".to_owned(),
                );
            }
            let at = at - self.interval.start();
            return if why == Why::TransferIn { (at - turn, at) } else { (at, at + turn) };
        }
        let waiting = queued.iter().filter(|(chamber, _)| *chamber == resource).map(|(_, length)| *length);
        let before: TimeDelta = waiting.sum();
        queued.push((resource, turn));
        if why == Why::TransferIn {
            (-(before + turn), -before)
        } else {
            let end = self.interval.length();
            (end + before, end + before + turn)
        }
    }

    fn chamber(&mut self, transfer: &Transfer, field: &str) -> Option<Antechamber> {
        let glovebox = self.glovebox;
        let found = match &transfer.antechamber {
            None => glovebox.antechambers.first(),
            Some(reference) => glovebox
                .antechambers
                .iter()
                .find(|part| means(reference, &glovebox.tag, part.id.uuid(), &part.tag)),
        };
        if found.is_none() {
            let named = transfer.antechamber.as_ref().map(ToString::to_string).unwrap_or_default();
            self.fault(
                &format!("{field}.antechamber"),
                "unknown_antechamber",
                format!("{} has no antechamber {named}", glovebox.tag),
            );
        }
        found.cloned()
    }

    /// One chamber cannot do two of the booking's own turns at once.
    fn turns_apart(&mut self) {
        let turns: Vec<Offset> = self
            .offsets
            .iter()
            .copied()
            .filter(|o| matches!(o.why, Why::TransferIn | Why::TransferOut))
            .collect();
        let clash = turns.iter().enumerate().any(|(i, a)| {
            turns.iter().skip(i + 1).any(|b| a.resource == b.resource && a.from < b.to && b.from < a.to)
        });
        if clash {
            self.fault(
                "transfers_in",
                "transfers_overlap",
                "two transfers of this booking need the same antechamber at once".to_owned(),
            );
        }
    }

    /// Turns and purges that reach days beyond the work are an error of the
    /// chamber's or the box's description, not something to book.
    fn within_reach(&mut self) {
        let end = self.interval.length() + REACH;
        if self.offsets.iter().any(|o| o.from < -REACH || o.to > end) {
            self.fault(
                "transfers_in",
                "turns_too_long",
                "the antechamber turns or the purge reach more than two days beyond the work".to_owned(),
            );
        }
    }

    /// Checks the solvents against the purifier's policy; true when the work
    /// runs with the circulation off.
    fn solvents(&mut self, solvents: &[Solvent]) -> bool {
        let Some(purifier) = &self.glovebox.purifier else { return false };
        for (i, solvent) in solvents.iter().enumerate() {
            if purifier.solvents.refused.contains(&solvent.class) {
                self.faults.push(Violation::new(
                    format!("solvents[{i}]"),
                    "solvent_refused",
                    format!(
                        "{} ({}) is not allowed in {}",
                        solvent.name,
                        solvent.class.word(),
                        self.glovebox.tag
                    ),
                ));
            }
        }
        let off = solvents.iter().any(|solvent| purifier.solvents.circulation_off.contains(&solvent.class));
        if off {
            let length = self.interval.length();
            let purge = purge_need(self.glovebox, self.policies);
            self.gas += purge.gas_nl;
            let circulation: ThingId = purifier.id.into();
            let (zero, after) = (TimeDelta::zero(), length + purge.length);
            self.offsets.push(Offset {
                resource: circulation,
                from: zero,
                to: length,
                why: Why::CirculationOff,
            });
            self.offsets.push(Offset { resource: circulation, from: length, to: after, why: Why::Purge });
            // Nobody works in the vapour while it is being flushed out.
            let stations = self.glovebox.stations.iter().map(|station| Offset {
                resource: station.id.into(),
                from: length,
                to: after,
                why: Why::Purge,
            });
            self.offsets.extend(stations);
        }
        off
    }
}

fn cautions(work: &Work, circulation_off: bool) -> Vec<Caution> {
    let mut cautions = Vec::new();
    if !(work.transfers_in.is_empty() && work.transfers_out.is_empty()) {
        cautions.push(Caution::new(
            "antechamber_doors",
            "Never open both doors of an antechamber together, nor one after the other without its cycles; before \
             taking something out, evacuate and refill briefly to prove that the inner door is shut.",
        ));
    }
    if work.transfers_in.iter().chain(&work.transfers_out).any(|t| t.sample == Sample::Porous) {
        cautions.push(Caution::new(
            "porous_sample",
            "Porous things outgas for hours; the cycles planned are the site's rule of thumb, overnight is better.",
        ));
    }
    if circulation_off {
        cautions.push(Caution::new(
            "circulation_off",
            "These solvents harm the purifier: turn the circulation off before opening them and leave it off until \
             the purge has ended. Oxygen and water rise meanwhile; everybody at this box is affected.",
        ));
    }
    if work.solvents.iter().any(|solvent| solvent.class == SolventClass::Unknown) {
        cautions.push(Caution::new(
            "unknown_solvent",
            "A solvent is not known here and is treated as harmful to the purifier; ask the keeper.",
        ));
    }
    cautions
}
