//! Where and when a piece of work fits.

use super::keep::load;
use super::situation::{all_windows, box_view, person_of, requester_view, site_view};
use super::{Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::booking::claims::{Fitted, fit};
use crate::domain::booking::decide::{WindowTime, gives_way, openings};
use crate::domain::booking::starts::Starts;
use crate::domain::booking::{BookingRequest, Caution, Work};
use crate::domain::calendar::Interval;
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::{Glovebox, Scope, Stored, WorkingGas};
use crate::domain::ids::{GloveboxId, StationId};
use crate::domain::names::{Reference, Remark, Tag};
use crate::domain::violations::Violations;
use crate::store::memory;
use chrono::{DateTime, TimeDelta, Utc};
use std::sync::Arc;

/// Longest span searched.
pub(crate) const LONGEST_SEARCH: TimeDelta = TimeDelta::days(120);

/// What is looked for.
#[derive(Debug, Clone)]
pub(crate) struct Search {
    /// The work.
    pub(crate) work: Work,
    /// How long it takes.
    pub(crate) length: TimeDelta,
    /// Where in time.
    pub(crate) range: Interval,
    /// In which boxes.
    pub(crate) boxes: Boxes,
}

/// Which boxes are searched.
#[derive(Debug, Clone)]
pub(crate) enum Boxes {
    /// One.
    One(Reference),
    /// Those of a working gas.
    OfGas(WorkingGas),
    /// All.
    All,
}

/// A place and time that fits.
#[derive(Debug, Clone)]
pub(crate) struct Opening {
    /// The box.
    pub(crate) glovebox: GloveboxId,
    /// Its tag.
    pub(crate) tag: Tag,
    /// The stations to use, with their tags.
    pub(crate) stations: Vec<(StationId, Tag)>,
    /// The earliest time for the work.
    pub(crate) interval: Interval,
    /// The latest start on the same stations.
    pub(crate) latest_start: DateTime<Utc>,
    /// From the first claim to the last, turns and purge included.
    pub(crate) occupied: Interval,
    /// Gas for its turns and purge, litres at 0 °C and 1 atm.
    pub(crate) gas_nl: f64,
    /// Whether the caller is qualified for the box; `None` when they are no person of the facility.
    pub(crate) qualified: Option<bool>,
    /// What to mind.
    pub(crate) cautions: Vec<Caution>,
}

/// Finds openings, in order of start; `most` at the most.
pub(crate) fn find(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    search: &Search,
    most: usize,
) -> Result<Vec<Opening>> {
    actor.needs_any(&[Scope::FacilityRead, Scope::BookingsWrite, Scope::BookingsManage])?;
    let boxes = match &search.boxes {
        Boxes::One(reference) => Arc::new(vec![load::<Glovebox>(tx, reference)?]),
        Boxes::OfGas(_) | Boxes::All => memory::gloveboxes(tx)?,
    };
    let wanted = |glovebox: &&Stored<Glovebox>| match &search.boxes {
        Boxes::OfGas(gas) => glovebox.value.working_gas == *gas,
        Boxes::One(_) | Boxes::All => true,
    };
    let site = site_view(tx, now, search.range)?;
    let earliest = site.policies.minimum_notice.map_or(now, |notice| now + notice.delta());
    let latest = now + site.policies.horizon.delta() + search.length;
    let bounds = Interval::new(search.range.start().max(earliest), search.range.end().min(latest));
    let Ok(range) = bounds else { return Ok(Vec::new()) };
    if search.length > site.policies.longest_booking.delta() {
        return Err(Error::invalid(
            "duration",
            "too_long",
            format!("a booking lasts at most {}", site.policies.longest_booking),
        ));
    }
    let person = person_of(tx, actor)?;
    let requester = match &person {
        Some(person) => Some(requester_view(tx, person, &site, range, None)?),
        None => None,
    };
    let windows = all_windows(tx)?;
    let one_box = matches!(search.boxes, Boxes::One(_));
    let request = request(search, range)?;
    let mut places = Vec::new();
    let mut found: Vec<(DateTime<Utc>, usize, Starts)> = Vec::new();
    for glovebox in boxes.iter().filter(wanted) {
        let on = box_view(tx, glovebox, &windows, range, None)?;
        if one_box {
            // On a named box, what it does not have is the caller's error.
            fit(&search.work, request.interval, &on.glovebox, &site.policies).map_err(|faults| {
                Violations::from_vec(faults).map_or_else(|| Error::unknown("opening", ""), Error::Invalid)
            })?;
        }
        let Some((fitted, starts)) = openings(&request, range, &site, &on, most) else { continue };
        let qualified = requester.as_ref().map(|requester| {
            let mut held = requester.qualifications.iter();
            held.any(|q| q.qualified_for == QualifiedFor::Glovebox(on.id) && q.holds_at(range.start()))
        });
        found.extend(starts.into_iter().map(|starts| (starts.nearest(starts.first), places.len(), starts)));
        places.push(Place { glovebox, windows: on.windows, fitted, qualified });
    }
    let tag = |place: &usize| places.get(*place).map(|place| &place.glovebox.value.tag);
    found.sort_by(|(at, place, _), (other, beside, _)| (at, tag(place)).cmp(&(other, tag(beside))));
    let told = found.into_iter().take(most);
    told.filter_map(|(start, place, starts)| Some(places.get(place)?.opening(start, &starts))).collect()
}

/// A box where the work can be done.
struct Place<'a> {
    glovebox: &'a Stored<Glovebox>,
    /// The maintenance windows that touch the time searched.
    windows: Vec<WindowTime>,
    fitted: Fitted,
    qualified: Option<bool>,
}

impl Place<'_> {
    fn opening(&self, start: DateTime<Utc>, starts: &Starts) -> Result<Opening> {
        let Self { glovebox, windows, fitted, qualified } = self;
        let interval = Interval::lasting(start, fitted.length)
            .map_err(|e| Error::invalid("duration", "empty_interval", e.to_string()))?;
        let claims = fitted.claims(start, &starts.stations);
        Ok(Opening {
            glovebox: Glovebox::id_of(glovebox),
            tag: glovebox.value.tag.clone(),
            stations: tagged(glovebox, &starts.stations),
            occupied: claims.iter().fold(interval, |whole, claim| {
                let start = whole.start().min(claim.interval.start());
                Interval::new(start, whole.end().max(claim.interval.end())).unwrap_or(whole)
            }),
            interval,
            latest_start: starts.last,
            gas_nl: fitted.gas.get(),
            qualified: *qualified,
            cautions: fitted.cautions.iter().cloned().chain(gives_way(windows, interval)).collect(),
        })
    }
}

fn tagged(glovebox: &Stored<Glovebox>, ids: &[StationId]) -> Vec<(StationId, Tag)> {
    let stations = ids.iter().filter_map(|id| glovebox.value.station(*id));
    stations.map(|station| (station.id, station.tag.clone())).collect()
}

fn request(search: &Search, range: Interval) -> Result<BookingRequest> {
    Ok(BookingRequest {
        work: search.work.clone(),
        interval: Interval::lasting(range.start(), search.length)
            .map_err(|e| Error::invalid("duration", "empty_interval", e.to_string()))?,
        purpose: Remark::parse("").expect("a remark may be empty"),
        group: None,
    })
}
