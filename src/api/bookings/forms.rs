//! How bookings are written and read.

use crate::api::fields::{instant, rfc3339};
use crate::api::maintenance_plans::OtherPlaceBody;
use crate::domain::booking::record::{BookedTransfer, CylinderPressure};
use crate::domain::booking::{
    Booking, BookingRequest, Busy, Caution, EndOfRun, Places, Sample, Transfer, Work,
};
use crate::domain::calendar::Interval;
use crate::domain::facility::{ParseContext, Solvent, Stored, ThingKind};
use crate::domain::names::{Name, Reference, Remark};
use crate::domain::planning::record::OtherPlace;
use crate::domain::quantity::{GaugeBar, Ppm};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::book::{Booked, BookedSeries, NewBooking, OnConflict};
use crate::usecases::run_booking::Sight;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// One transfer through an antechamber.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"antechamber": "LARGE", "sample": "compact"}))]
pub(crate) struct TransferForm {
    /// Id or tag of the antechamber; the box's first unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    antechamber: Option<String>,
    /// `compact`, or `porous` for what outgasses and takes more cycles; compact unless given.
    #[serde(default = "compact")]
    sample: String,
    /// When it is to be inside, or to come out; within the time of the work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    at: Option<String>,
}

fn compact() -> String {
    Sample::Compact.word().to_owned()
}

/// How a booking recurs: the value of an RFC 5545 RRULE, alone or as `rrule`.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
#[schema(example = json!("FREQ=WEEKLY;COUNT=6"))]
pub(crate) enum RecurrenceForm {
    /// The value alone.
    Rule(String),
    /// In an object.
    Object(RecurrenceObject),
}

/// A recurrence in an object.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"rrule": "FREQ=WEEKLY;COUNT=6"}))]
pub(crate) struct RecurrenceObject {
    /// The value of an RFC 5545 RRULE.
    rrule: String,
}

/// A booking as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "glovebox": "OTTER", "station": "S1", "start": "2026-03-02T09:00:00+01:00", "end": "2026-03-02T12:00:00+01:00",
    "purpose": "Sealing ampoules", "transfers_in": [{"antechamber": "LARGE", "sample": "compact"}],
    "solvents": ["toluene"]
}))]
pub(crate) struct BookingForm {
    /// Id or tag of the box.
    pub(crate) glovebox: String,
    /// Id or tag of a station; any free one unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) station: Option<String>,
    /// Several stations, instead of `station`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) stations: Vec<String>,
    /// Every station of the box.
    #[serde(default, skip_serializing_if = "is_false")]
    pub(crate) whole_box: bool,
    /// When hands go into the gloves.
    #[schema(format = DateTime)]
    pub(crate) start: String,
    /// When they come out.
    #[schema(format = DateTime)]
    pub(crate) end: String,
    /// What it is for.
    #[serde(default)]
    pub(crate) purpose: String,
    /// The group it counts against; the person's only group unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) group: Option<String>,
    /// The person it is for, by id or tag; the caller unless given. For others it needs `bookings:manage`.
    #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
    pub(crate) beneficiary: Option<String>,
    /// What goes in before the work; turns queue up before `start`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) transfers_in: Vec<TransferForm>,
    /// What comes out after it; turns queue up after `end`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) transfers_out: Vec<TransferForm>,
    /// Instruments inside the box, by id or tag.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) instruments: Vec<String>,
    /// Solvents opened in the box, by common name or class.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) solvents: Vec<String>,
    /// Makes a series of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) recurrence: Option<RecurrenceForm>,
    /// For a series: `refuse` all when one time cannot be had (unless given), or `skip` those.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) on_conflict: Option<String>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference")]
const fn is_false(flag: &bool) -> bool {
    !*flag
}

/// The most parts that one booking names.
const MOST_PARTS: usize = 20;

fn references(check: &mut Check, field: &str, texts: &[String]) -> Vec<Reference> {
    check.require(texts.len() <= MOST_PARTS, field, "too_many", format!("at most {MOST_PARTS}"));
    let parse =
        |(i, text): (usize, &String)| check.field(&format!("{field}[{i}]"), text.parse::<Reference>());
    texts.iter().take(MOST_PARTS).enumerate().filter_map(parse).collect()
}

fn transfers(check: &mut Check, field: &str, forms: &[TransferForm]) -> Vec<Transfer> {
    check.require(forms.len() <= MOST_PARTS, field, "too_many", format!("at most {MOST_PARTS}"));
    let parse = |(i, form): (usize, &TransferForm)| {
        let at = |name: &str| format!("{field}[{i}].{name}");
        let antechamber = match &form.antechamber {
            None => None,
            Some(text) => Some(check.field(&at("antechamber"), text.parse::<Reference>())?),
        };
        let sample = Sample::from_word(&form.sample);
        check.require(sample.is_some(), &at("sample"), "unknown_word", "must be compact or porous");
        let time = form.at.as_ref().and_then(|text| instant(check, &at("at"), text));
        Some(Transfer { antechamber, sample: sample?, at: time })
    };
    forms.iter().take(MOST_PARTS).enumerate().filter_map(parse).collect()
}

impl BookingForm {
    /// Parses and checks the form; every fault is named.
    pub(crate) fn parse(&self) -> Result<NewBooking, Violations> {
        let mut check = Check::default();
        let glovebox = check.field("glovebox", self.glovebox.parse::<Reference>());
        let start = instant(&mut check, "start", &self.start);
        let end = instant(&mut check, "end", &self.end);
        let interval = start.zip(end).and_then(|(start, end)| {
            let interval = Interval::new(start, end).ok();
            check.require(interval.is_some(), "end", "empty_interval", "must come after start");
            interval
        });
        let places = self.places(&mut check);
        let purpose = check.field("purpose", Remark::parse(&self.purpose));
        let group = self.group.as_ref().map(|text| check.field("group", Name::parse(text)));
        let beneficiary = self.beneficiary.as_ref().map(|text| check.field("for", text.parse::<Reference>()));
        let transfers_in = transfers(&mut check, "transfers_in", &self.transfers_in);
        let transfers_out = transfers(&mut check, "transfers_out", &self.transfers_out);
        let instruments = references(&mut check, "instruments", &self.instruments);
        let solvents = self.solvents(&mut check);
        let on_conflict = match self.on_conflict.as_deref() {
            None | Some("refuse") => OnConflict::Refuse,
            Some("skip") => OnConflict::Skip,
            Some(_) => {
                check.note(Violation::new("on_conflict", "unknown_word", "must be refuse or skip"));
                OnConflict::Refuse
            }
        };
        let parts = glovebox.zip(interval).zip(purpose);
        check.build(parts, |((glovebox, interval), purpose)| NewBooking {
            glovebox,
            beneficiary: beneficiary.flatten(),
            request: BookingRequest {
                work: Work { places, transfers_in, transfers_out, instruments, solvents },
                interval,
                purpose,
                group: group.flatten(),
            },
            rrule: self.recurrence.as_ref().map(|form| match form {
                RecurrenceForm::Rule(rule) => rule.clone(),
                RecurrenceForm::Object(object) => object.rrule.clone(),
            }),
            on_conflict,
        })
    }

    fn places(&self, check: &mut Check) -> Places {
        let ways = [self.station.is_some(), !self.stations.is_empty(), self.whole_box];
        let given = ways.into_iter().filter(|given| *given).count();
        check.require(given <= 1, "station", "either_or", "give one of station, stations and whole_box");
        if self.whole_box {
            return Places::WholeBox;
        }
        let mut named = references(check, "stations", &self.stations);
        named.extend(self.station.as_ref().and_then(|text| check.field("station", text.parse())));
        if named.is_empty() { Places::Any(1) } else { Places::Named(named) }
    }

    fn solvents(&self, check: &mut Check) -> Vec<Solvent> {
        check.require(self.solvents.len() <= MOST_PARTS, "solvents", "too_many", "at most 20");
        let parse = |(i, name): (usize, &String)| {
            check.field(&format!("solvents[{i}]"), Name::parse(name)).map(Solvent::classify)
        };
        self.solvents.iter().take(MOST_PARTS).enumerate().filter_map(parse).collect()
    }

    /// The form that would make the booking again.
    pub(crate) fn of(booking: &Booking) -> Self {
        let work = &booking.work;
        let transfer = |transfer: &BookedTransfer| TransferForm {
            antechamber: Some(transfer.antechamber.to_string()),
            sample: transfer.sample.word().to_owned(),
            at: transfer.at.map(rfc3339),
        };
        let stations: Vec<String> = work.stations.iter().map(ToString::to_string).collect();
        Self {
            glovebox: booking.glovebox.to_string(),
            station: None,
            stations: if work.whole_box { Vec::new() } else { stations },
            whole_box: work.whole_box,
            start: rfc3339(booking.interval.start()),
            end: rfc3339(booking.interval.end()),
            purpose: work.purpose.to_string(),
            group: booking.group.as_ref().map(ToString::to_string),
            beneficiary: None,
            transfers_in: work.transfers_in.iter().map(transfer).collect(),
            transfers_out: work.transfers_out.iter().map(transfer).collect(),
            instruments: work.instruments.iter().map(ToString::to_string).collect(),
            solvents: work.solvents.iter().map(|solvent| solvent.name.to_string()).collect(),
            recurrence: None,
            on_conflict: None,
        }
    }

    /// The same booking elsewhere and at another time, as it could be sent.
    pub(crate) fn relocated(&self, glovebox: String, named: Vec<String>, interval: Interval) -> Self {
        let by = DateTime::parse_from_rfc3339(&self.start)
            .map(|start| interval.start() - start.with_timezone(&Utc));
        let shift = |form: &TransferForm| {
            let at = form.at.as_ref().and_then(|at| DateTime::parse_from_rfc3339(at).ok()).zip(by.ok());
            TransferForm { at: at.map(|(at, by)| rfc3339(at.with_timezone(&Utc) + by)), ..form.clone() }
        };
        let (station, stations) = match (self.whole_box, named.as_slice()) {
            (true, _) => (None, Vec::new()),
            (false, [only]) => (Some(only.clone()), Vec::new()),
            (false, _) => (None, named),
        };
        Self {
            glovebox,
            station,
            stations,
            start: rfc3339(interval.start()),
            end: rfc3339(interval.end()),
            transfers_in: self.transfers_in.iter().map(shift).collect(),
            transfers_out: self.transfers_out.iter().map(shift).collect(),
            recurrence: None,
            on_conflict: None,
            ..self.clone()
        }
    }
}

/// Something to mind.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"code": "antechamber_doors", "text": "Never open both doors of an antechamber together."}))]
pub(crate) struct CautionBody {
    /// Stable code.
    code: String,
    /// A sentence.
    text: String,
}

impl From<&Caution> for CautionBody {
    fn from(caution: &Caution) -> Self {
        Self { code: caution.code.clone(), text: caution.text.clone() }
    }
}

/// A station, by id and tag.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct StationRef {
    /// Its id.
    pub(crate) id: Uuid,
    /// Its tag.
    pub(crate) tag: String,
}

/// One resource occupied over one interval.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ClaimBody {
    /// Id of the resource.
    resource: Uuid,
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
    /// `work`, `transfer_in`, `transfer_out`, `instrument`, `circulation_off`, `purge` or `upkeep`.
    why: &'static str,
}

impl From<&Busy> for ClaimBody {
    fn from(claim: &Busy) -> Self {
        Self {
            resource: claim.resource.uuid(),
            start: claim.interval.start(),
            end: claim.interval.end(),
            why: claim.why.word(),
        }
    }
}

/// A booking.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0190f0a2-7000-7000-8000-00000000000a", "glovebox": "0190f0a2-7000-7000-8000-000000000001",
    "person": "0190f0a2-7000-7000-8000-00000000000b", "group": "Interfaces", "status": "confirmed",
    "progress": "booked", "start": "2026-03-02T08:00:00Z", "end": "2026-03-02T11:00:00Z",
    "stations": ["0190f0a2-7000-7000-8000-000000000002"], "whole_box": false, "purpose": "Sealing ampoules",
    "transfers_in": [], "transfers_out": [], "instruments": [], "solvents": ["toluene"],
    "claims": [{"resource": "0190f0a2-7000-7000-8000-000000000002", "start": "2026-03-02T08:00:00Z",
                "end": "2026-03-02T11:00:00Z", "why": "work"}],
    "gas_estimate_nl": 105.2, "cautions": [],
    "created_at": "2026-02-20T10:00:00Z", "updated_at": "2026-02-20T10:00:00Z"
}))]
pub(crate) struct BookingBody {
    /// Its id.
    id: Uuid,
    /// The box.
    glovebox: Uuid,
    /// Whose it is; absent from others' bookings.
    #[serde(skip_serializing_if = "Option::is_none")]
    person: Option<Uuid>,
    /// The group it counts against.
    #[serde(skip_serializing_if = "Option::is_none")]
    group: Option<String>,
    /// The series it belongs to.
    #[serde(skip_serializing_if = "Option::is_none")]
    series: Option<Uuid>,
    /// `tentative`, `confirmed` or `cancelled` (RFC 5545).
    status: &'static str,
    /// `booked`, `in_use`, `closed_out`, `no_show` or `cancelled`.
    progress: &'static str,
    /// When hands go into the gloves.
    start: DateTime<Utc>,
    /// When they come out.
    end: DateTime<Utc>,
    /// Stations taken.
    stations: Vec<Uuid>,
    /// Whether the whole box was asked for.
    whole_box: bool,
    /// What it is for; absent from others' bookings.
    #[serde(skip_serializing_if = "Option::is_none")]
    purpose: Option<String>,
    /// What goes in.
    transfers_in: Vec<TransferForm>,
    /// What comes out.
    transfers_out: Vec<TransferForm>,
    /// Instruments occupied.
    instruments: Vec<Uuid>,
    /// Solvents opened; others at the box need to know.
    solvents: Vec<String>,
    /// Everything it occupies.
    claims: Vec<ClaimBody>,
    /// Gas for turns and purge, litres at 0 °C and 1 atm.
    gas_estimate_nl: f64,
    /// What to mind.
    cautions: Vec<CautionBody>,
    /// The open hold that affects it.
    #[serde(skip_serializing_if = "Option::is_none")]
    hold: Option<Uuid>,
    /// When it was begun.
    #[serde(skip_serializing_if = "Option::is_none")]
    started_at: Option<DateTime<Utc>>,
    /// When it was closed out, released or cancelled.
    #[serde(skip_serializing_if = "Option::is_none")]
    closed_at: Option<DateTime<Utc>>,
    /// What was written down at the end; absent from others' bookings.
    #[serde(skip_serializing_if = "Option::is_none")]
    end_of_run: Option<EndOfRunForm>,
    /// The maintenance visit that it gave way to.
    #[serde(skip_serializing_if = "Option::is_none")]
    displaced_by: Option<Uuid>,
    /// Where it could have gone instead, as it was found when the plan was
    /// made; told with a single booking, to its holder.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    alternatives: Vec<OtherPlaceBody>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl BookingBody {
    /// A booking as far as the caller may see it.
    pub(crate) fn new(booked: &Booked, sight: Sight) -> Self {
        let Stored { id, value, created_at, updated_at, .. } = &booked.booking;
        let form = BookingForm::of(value);
        let whole = sight == Sight::Whole;
        Self {
            id: *id,
            glovebox: value.glovebox.uuid(),
            person: whole.then_some(value.person.uuid()),
            group: value.group.as_ref().map(ToString::to_string),
            series: value.series.map(Into::into),
            status: value.status.word(),
            progress: value.progress.word(),
            start: value.interval.start(),
            end: value.interval.end(),
            stations: value.work.stations.iter().map(|id| id.uuid()).collect(),
            whole_box: value.work.whole_box,
            purpose: whole.then(|| value.work.purpose.to_string()),
            transfers_in: form.transfers_in,
            transfers_out: form.transfers_out,
            instruments: value.work.instruments.iter().map(|id| id.uuid()).collect(),
            solvents: form.solvents,
            claims: booked.claims.iter().map(ClaimBody::from).collect(),
            gas_estimate_nl: (value.gas_estimate.get() * 10.0).round() / 10.0,
            cautions: value.work.cautions.iter().map(CautionBody::from).collect(),
            hold: value.hold.map(Into::into),
            started_at: value.started_at,
            closed_at: value.closed_at,
            end_of_run: value.end_of_run.as_ref().filter(|_| whole).map(EndOfRunForm::of),
            displaced_by: value.displaced_by.map(Into::into),
            alternatives: Vec::new(),
            created_at: *created_at,
            updated_at: *updated_at,
        }
    }
}

impl BookingBody {
    /// The booking with where it could have gone, for its holder.
    pub(crate) fn with_alternatives(self, elsewhere: &[OtherPlace], sight: Sight) -> Self {
        let told = elsewhere.iter().filter(|_| sight == Sight::Whole);
        Self { alternatives: told.map(Into::into).collect(), ..self }
    }
}

/// A time of a series that was left out.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SkippedBody {
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
    /// Why: rules broken.
    #[schema(value_type = Vec<Object>)]
    violations: Vec<Violation>,
    /// Why: what is taken.
    #[schema(value_type = Vec<Object>)]
    conflicts: Vec<super::refusals::ConflictBody>,
}

/// A series of bookings.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"series": "0190f0a2-7000-7000-8000-00000000000c", "bookings": [], "skipped": []}))]
pub(crate) struct SeriesBody {
    /// Id of the series.
    series: Uuid,
    /// The bookings made.
    bookings: Vec<BookingBody>,
    /// The times left out.
    skipped: Vec<SkippedBody>,
}

/// What booking answers: one booking, or with `recurrence` a series.
#[derive(Debug, Serialize, ToSchema)]
#[serde(untagged)]
#[expect(clippy::large_enum_variant, reason = "made once an answer and written out at once")]
pub(crate) enum BookedBody {
    /// One booking.
    One(BookingBody),
    /// A series.
    Series(SeriesBody),
}

impl From<&BookedSeries> for SeriesBody {
    fn from(series: &BookedSeries) -> Self {
        Self {
            series: series.id.into(),
            bookings: series.booked.iter().map(|booked| BookingBody::new(booked, Sight::Whole)).collect(),
            skipped: series
                .skipped
                .iter()
                .map(|(interval, refusal)| SkippedBody {
                    start: interval.start(),
                    end: interval.end(),
                    violations: refusal.violations.clone(),
                    conflicts: refusal.conflicts.iter().map(Into::into).collect(),
                })
                .collect(),
        }
    }
}

/// A cylinder's pressure, as read when leaving.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct CylinderPressureForm {
    /// The cylinder: its id, or its tag after its supply's, as in `ARGON/C1`.
    cylinder: String,
    /// What its gauge shows, bar.
    gauge_bar: f64,
}

/// What is written down when leaving the box.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "cylinder_pressures": [{"cylinder": "ARGON/C1", "gauge_bar": 142.0}], "oxygen_ppm": 0.8, "water_ppm": 0.5,
    "chambers_under_vacuum": true, "remarks": "Balance drifts"
}))]
pub(crate) struct EndOfRunForm {
    /// Pressures of the cylinders.
    #[serde(default)]
    cylinder_pressures: Vec<CylinderPressureForm>,
    /// Oxygen in the box, ppm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    oxygen_ppm: Option<f64>,
    /// Water in the box, ppm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    water_ppm: Option<f64>,
    /// Whether every antechamber was left under vacuum.
    chambers_under_vacuum: bool,
    /// Anything else.
    #[serde(default)]
    remarks: String,
}

impl EndOfRunForm {
    /// Parses and checks the record; every fault is named.
    pub(crate) fn parse(&self, context: &mut dyn ParseContext) -> Result<EndOfRun, Violations> {
        let mut check = Check::default();
        check.require(
            self.cylinder_pressures.len() <= MOST_PARTS,
            "cylinder_pressures",
            "too_many",
            "at most 20",
        );
        let cylinders = check.each("cylinder_pressures", &self.cylinder_pressures, |form| {
            let mut part = Check::default();
            let gauge = part.field("gauge_bar", GaugeBar::new(form.gauge_bar));
            let reference = part.field("cylinder", form.cylinder.parse::<Reference>());
            let cylinder = reference.and_then(|reference| {
                let found = context.find(ThingKind::Cylinder, None, &reference);
                part.require(found.is_some(), "cylinder", "unknown_reference", "there is no such cylinder");
                found
            });
            part.build(gauge.zip(cylinder), |(gauge, cylinder)| CylinderPressure {
                cylinder: cylinder.into(),
                gauge,
            })
        });
        let oxygen = check.field("oxygen_ppm", self.oxygen_ppm.map(Ppm::new).transpose());
        let water = check.field("water_ppm", self.water_ppm.map(Ppm::new).transpose());
        let remarks = check.field("remarks", Remark::parse(&self.remarks));
        check.build(oxygen.zip(water).zip(remarks), |((oxygen, water), remarks)| EndOfRun {
            cylinders,
            oxygen,
            water,
            chambers_under_vacuum: self.chambers_under_vacuum,
            remarks,
        })
    }

    fn of(record: &EndOfRun) -> Self {
        Self {
            cylinder_pressures: record
                .cylinders
                .iter()
                .map(|read| CylinderPressureForm {
                    cylinder: read.cylinder.to_string(),
                    gauge_bar: read.gauge.get(),
                })
                .collect(),
            oxygen_ppm: record.oxygen.map(Ppm::get),
            water_ppm: record.water.map(Ppm::get),
            chambers_under_vacuum: record.chambers_under_vacuum,
            remarks: record.remarks.to_string(),
        }
    }
}
