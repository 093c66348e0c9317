//! Calendar feeds, opened by their keys: what happens at a box, or to a person.

use super::calendar_keys::hashed;
use super::situation::all_windows;
use super::{Error, Result, Tx, keep};
use crate::domain::booking::Booking;
use crate::domain::booking::claims::Owner;
use crate::domain::calendar::ics::{Calendar, Event, ToDo};
use crate::domain::calendar::{Interval, Length};
use crate::domain::calendar_feeds::entries::{self, BookingNames, Detail};
use crate::domain::calendar_feeds::{CalendarKey, FeedOf, MOST_ENTRIES, REFRESH_SECONDS, Whereabouts, span};
use crate::domain::facility::{Glovebox, Person, Room, Site, Stored};
use crate::domain::ids::{BookingId, GloveboxId, PersonId};
use crate::domain::names::Reference;
use crate::store::bookings::Wanted;
use crate::store::due_items::Narrowed as DueNarrowed;
use crate::store::kept::Kept as _;
use crate::store::visits::Narrowed;
use crate::store::{bookings, calendar_keys, claims, due_items, site, visits};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;
use subtle::ConstantTimeEq as _;
use uuid::Uuid;

/// A feed as text, and the key that opened it where its use is to be noted.
#[derive(Debug)]
pub(crate) struct Feed {
    /// The calendar.
    pub(crate) text: String,
    /// The key whose use is to be noted.
    pub(crate) to_be_noted: Option<Uuid>,
}

/// Which feed is asked for.
#[derive(Debug, Clone)]
pub(crate) enum Asked {
    /// That of a box.
    Glovebox(Reference),
    /// That of a person.
    Person(Reference),
}

/// Opens a feed. What does not exist and what the key does not open are told alike.
pub(crate) fn open(tx: &mut Tx<'_>, now: DateTime<Utc>, asked: &Asked, key: &str) -> Result<Feed> {
    let given = hashed(key);
    let (named, found) = match asked {
        Asked::Glovebox(reference) => {
            (reference, known(keep::load::<Glovebox>(tx, reference))?.map(Found::Box))
        }
        Asked::Person(reference) => {
            (reference, known(keep::load::<Person>(tx, reference))?.map(Found::Person))
        }
    };
    let unknown = || Error::unknown("calendar with this key:", named);
    let found = found.ok_or_else(unknown)?;
    let key = opened_by(tx, found.of(), &given)?.ok_or_else(unknown)?;
    let text = match &found {
        Found::Box(glovebox) => of_box(tx, now, glovebox)?,
        // Whoever has left the facility has no calendar there.
        Found::Person(person) if !person.value.active => return Err(unknown()),
        Found::Person(person) => of_person(tx, now, person)?,
    };
    Ok(Feed { text, to_be_noted: key.value.is_to_be_noted(now).then_some(key.id) })
}

/// Notes that a key was used.
pub(crate) fn note_use(tx: &mut Tx<'_>, now: DateTime<Utc>, key: Uuid) -> Result<()> {
    Ok(calendar_keys::used(tx, key, now)?)
}

enum Found {
    Box(Stored<Glovebox>),
    Person(Stored<Person>),
}

impl Found {
    fn of(&self) -> FeedOf {
        match self {
            Self::Box(glovebox) => FeedOf::Glovebox(glovebox.id.into()),
            Self::Person(person) => FeedOf::Person(person.id.into()),
        }
    }
}

/// What was found, with absence as a value.
fn known<T>(found: Result<T>) -> Result<Option<T>> {
    match found {
        Ok(found) => Ok(Some(found)),
        Err(Error::Unknown { .. }) => Ok(None),
        Err(other) => Err(other),
    }
}

/// The key of a feed that has the hash; every one is compared, each in
/// constant time.
fn opened_by(tx: &mut Tx<'_>, of: FeedOf, given: &str) -> Result<Option<Stored<CalendarKey>>> {
    let mut opens = None;
    for key in calendar_keys::of_thing(tx, of.thing())? {
        let same: bool = key.value.key_hash.as_bytes().ct_eq(given.as_bytes()).into();
        if same {
            opens = Some(key);
        }
    }
    Ok(opens)
}

/// Boxes and what they are called, looked up once each.
struct Boxes(HashMap<GloveboxId, (Glovebox, Whereabouts)>);

impl Boxes {
    fn get(&mut self, tx: &mut Tx<'_>, id: GloveboxId) -> Result<Option<&(Glovebox, Whereabouts)>> {
        if !self.0.contains_key(&id)
            && let Some(found) = Glovebox::find(tx, id.uuid())?
        {
            let place = whereabouts(tx, &found.value)?;
            self.0.insert(id, (found.value, place));
        }
        Ok(self.0.get(&id))
    }
}

fn whereabouts(tx: &mut Tx<'_>, glovebox: &Glovebox) -> Result<Whereabouts> {
    let room = Room::find(tx, glovebox.room.uuid())?.map(|room| room.value.name.to_string());
    Ok(Whereabouts { glovebox: glovebox.tag.clone(), room: room.unwrap_or_default() })
}

fn of_box(tx: &mut Tx<'_>, now: DateTime<Utc>, glovebox: &Stored<Glovebox>) -> Result<String> {
    let site = site::get(tx)?.value;
    let span = span(now, site.policies.horizon);
    let id = GloveboxId::from(glovebox.id);
    let place = whereabouts(tx, &glovebox.value)?;
    let location = place.to_string();
    let wanted = Wanted { glovebox: Some(id), ..Wanted::default() };
    let mut boxes = Boxes(HashMap::from([(id, (glovebox.value.clone(), place))]));
    let mut events = booked(tx, now, span, wanted, &mut boxes, Detail::Outline)?;
    for visit in visits_in(tx, span)? {
        events.extend(entries::visit(&visit, id, &location));
    }
    for window in all_windows(tx)?.iter().filter(|window| window.value.applies_to(id)) {
        // Beyond the end of the zone tables there are no windows to tell of.
        let times = window.value.occurrences(span).unwrap_or_default();
        events.extend(times.into_iter().map(|interval| entries::window(window, interval, &location)));
    }
    let due = DueNarrowed { glovebox: Some(id), ..DueNarrowed::default() };
    let due = due_items::page(tx, &due, None, 1000)?;
    let mut to_dos: Vec<ToDo> =
        due.iter().filter_map(|kept| entries::to_do(kept.id, kept.version, &kept.item, &location)).collect();
    to_dos.sort_by_key(|to_do| to_do.due);
    let about = format!("{} \u{2013} {}", glovebox.value.tag, site.name);
    Ok(calendar(about, &site, span, events, to_dos))
}

fn of_person(tx: &mut Tx<'_>, now: DateTime<Utc>, person: &Stored<Person>) -> Result<String> {
    let site = site::get(tx)?.value;
    let span = span(now, site.policies.horizon);
    let id = PersonId::from(person.id);
    let wanted = Wanted { person: Some(id), ..Wanted::default() };
    let mut boxes = Boxes(HashMap::new());
    let mut events = booked(tx, now, span, wanted, &mut boxes, Detail::Whole)?;
    for visit in visits_in(tx, span)? {
        let place = visit.value.place.thing();
        let location = match boxes.get(tx, place.uuid().into())? {
            Some((_, place)) => place.to_string(),
            None => keep::tag_of(tx, place)?.unwrap_or_default(),
        };
        events.extend(entries::attendance(&visit, id, &location));
    }
    let about = format!("{} \u{2013} {}", person.value.name, site.name);
    Ok(calendar(about, &site, span, events, Vec::new()))
}

/// Visits in a span, those called off included.
fn visits_in(
    tx: &mut Tx<'_>,
    span: Interval,
) -> Result<Vec<Stored<crate::domain::planning::record::MaintenanceVisit>>> {
    let narrowed = Narrowed { from: Some(span.start()), to: Some(span.end()), ..Narrowed::default() };
    Ok(visits::page_of(tx, &narrowed, None, 2000)?)
}

/// Bookings as events.
fn booked(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    span: Interval,
    wanted: Wanted,
    boxes: &mut Boxes,
    detail: Detail,
) -> Result<Vec<Event>> {
    let wanted = Wanted { from: Some(span.start()), to: Some(span.end()), ..wanted };
    let most = i64::try_from(MOST_ENTRIES).unwrap_or(i64::MAX);
    let mut found: Vec<Stored<Booking>> = bookings::select(tx, &wanted, None, most)?;
    found.retain(|booking| entries::is_worth_telling(&booking.value, now));
    let ids: Vec<BookingId> = found.iter().map(|booking| booking.id.into()).collect();
    let mut occupied: HashMap<BookingId, Interval> = HashMap::new();
    for claim in claims::of_bookings(tx, &ids)? {
        let Owner::Booking(id) = claim.owner else { continue };
        let whole = occupied.entry(id).or_insert(claim.interval);
        let (start, end) = (whole.start().min(claim.interval.start()), whole.end().max(claim.interval.end()));
        *whole = Interval::new(start, end).unwrap_or(*whole);
    }
    let zone = site::get(tx)?.value.timezone;
    let mut events = Vec::with_capacity(found.len());
    for booking in &found {
        let Some((glovebox, place)) = boxes.get(tx, booking.value.glovebox)? else { continue };
        let names = names(booking, glovebox, place, zone);
        events.push(entries::booking(booking, &names, occupied.get(&booking.id.into()).copied(), detail));
    }
    Ok(events)
}

fn names(booking: &Stored<Booking>, glovebox: &Glovebox, place: &Whereabouts, zone: Tz) -> BookingNames {
    let work = &booking.value.work;
    let stations = glovebox.stations.iter().filter(|one| work.stations.contains(&one.id));
    let instruments = glovebox.instruments.iter().filter(|one| work.instruments.contains(&one.id));
    BookingNames {
        place: place.clone(),
        stations: stations.map(|one| one.tag.to_string()).collect(),
        instruments: instruments.map(|one| one.tag.to_string()).collect(),
        zone,
    }
}

fn calendar(name: String, site: &Site, span: Interval, mut events: Vec<Event>, to_dos: Vec<ToDo>) -> String {
    events.sort_by(|one, other| (one.interval, &one.entry.uid).cmp(&(other.interval, &other.entry.uid)));
    let cut = events.len() > MOST_ENTRIES;
    events.truncate(MOST_ENTRIES);
    let description = if cut {
        format!("Only the first {MOST_ENTRIES} entries are shown; later ones are missing.")
    } else {
        String::new()
    };
    Calendar {
        name,
        description,
        zone: site.timezone,
        span,
        refresh: Length::of_seconds(REFRESH_SECONDS).expect("a constant within range"),
        events,
        to_dos,
    }
    .write()
}
