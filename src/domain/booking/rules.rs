//! The rules of the facility that every booking is checked against. All are
//! checked, and everything broken is named at once.

use crate::domain::booking::claims::LONGEST_CLAIM;
use crate::domain::booking::request::BookingRequest;
use crate::domain::calendar::Interval;
use crate::domain::calendar::zone::LocalTime;
use crate::domain::facility::{Person, Policies, Qualification, people::QualifiedFor, site::SiteClosure};
use crate::domain::ids::{GloveboxId, HoldId, ThingId};
use crate::domain::names::{Name, Tag};
use crate::domain::violations::Violation;
use chrono::{DateTime, Datelike as _, Days, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// How long ago a booking may begin, so that whoever stands at the box can
/// book from now on.
pub const WALK_UP: TimeDelta = TimeDelta::minutes(5);

/// The facility's rules and hours, as they bear on a span of time.
#[derive(Debug, Clone)]
pub struct SiteView {
    /// The present.
    pub now: DateTime<Utc>,
    /// The facility's zone.
    pub zone: Tz,
    /// Its policies.
    pub policies: Policies,
    /// When it is open, over the span; merged and sorted.
    pub open: Vec<Interval>,
    /// Closures that touch the span.
    pub closures: Vec<SiteClosure>,
}

/// Whoever the booking is for.
#[derive(Debug, Clone)]
pub struct RequesterView {
    /// The person.
    pub person: Person,
    /// Their qualifications.
    pub qualifications: Vec<Qualification>,
    /// What the groups concerned have booked in the weeks concerned.
    pub group_bookings: Vec<(Name, Interval)>,
    /// When the person is to do upkeep.
    pub upkeep: Vec<Interval>,
}

/// A hold on a box.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldView {
    /// Its id.
    pub id: HoldId,
    /// Why it was opened.
    pub reason: String,
    /// The part it closes; `None` for the whole box.
    pub part: Option<ThingId>,
}

impl HoldView {
    /// Says that the box, or the part of it, is closed.
    pub fn violation(&self, tag: &Tag) -> Violation {
        let what = if self.part.is_some() { "a part of " } else { "" };
        Violation::new("glovebox", "on_hold", format!("{what}{tag} is closed to use: {}", self.reason))
    }
}

/// Seven days from Monday to Sunday in the zone, around an instant.
pub fn week_around(at: DateTime<Utc>, zone: Tz) -> Interval {
    let date = at.with_timezone(&zone).date_naive();
    let monday = date - Days::new(u64::from(date.weekday().num_days_from_monday()));
    let midnight = |day: chrono::NaiveDate| {
        let local = day.and_time(NaiveTime::MIN);
        // Beyond the zone tables there is only UTC; no booking gets there.
        LocalTime::new(local).map_or_else(|_| local.and_utc(), |local| local.instant(zone))
    };
    Interval::new(midnight(monday), midnight(monday + Days::new(7))).expect("a week has length")
}

/// The group a booking counts against: the one it names, else the person's only one.
pub fn group_of(request: &BookingRequest, person: &Person) -> Option<Name> {
    request.group.clone().or_else(|| match person.groups.as_slice() {
        [only] => Some(only.clone()),
        _ => None,
    })
}

/// Everything about the request that the rules forbid.
pub fn broken_rules(
    request: &BookingRequest,
    site: &SiteView,
    requester: &RequesterView,
    glovebox: (GloveboxId, &Tag),
    holds: &[HoldView],
) -> Vec<Violation> {
    let mut broken = Vec::new();
    timing(request.interval, site, &mut broken);
    hours(request.interval, site, glovebox.0, &mut broken);
    person(request, requester, glovebox, &mut broken);
    quota(request, site, requester, &mut broken);
    if let Some(upkeep) = requester.upkeep.iter().find(|upkeep| upkeep.overlaps(&request.interval)) {
        let detail = format!(
            "{} is to do upkeep from {} to {}",
            requester.person.name,
            upkeep.start().format("%FT%TZ"),
            upkeep.end().format("%FT%TZ")
        );
        broken.push(Violation::new("start", "doing_upkeep", detail));
    }
    broken.extend(holds.iter().filter(|hold| hold.part.is_none()).map(|hold| hold.violation(glovebox.1)));
    broken
}

fn timing(wanted: Interval, site: &SiteView, broken: &mut Vec<Violation>) {
    let policies = &site.policies;
    let mut note = |field: &str, code, detail: String| broken.push(Violation::new(field, code, detail));
    if wanted.start() < site.now - WALK_UP {
        note("start", "in_the_past", "a booking cannot begin in the past".to_owned());
    } else if let Some(notice) = policies.minimum_notice
        && wanted.start() < site.now + notice.delta()
    {
        note("start", "short_notice", format!("book at least {notice} ahead"));
    }
    if wanted.start() > site.now + policies.horizon.delta() {
        note("start", "beyond_horizon", format!("book at most {} ahead", policies.horizon));
    }
    if wanted.length() > policies.longest_booking.delta().min(LONGEST_CLAIM) {
        note("end", "too_long", format!("a booking lasts at most {}", policies.longest_booking));
    }
}

fn hours(wanted: Interval, site: &SiteView, glovebox: GloveboxId, broken: &mut Vec<Violation>) {
    if !site.open.iter().any(|open| open.covers(&wanted)) {
        broken.push(Violation::new(
            "start",
            "outside_opening_hours",
            format!("the facility is not open all that time ({})", site.zone),
        ));
    }
    for closure in &site.closures {
        if closure.interval.overlaps(&wanted) && closure.glovebox.is_none_or(|only| only == glovebox) {
            broken.push(Violation::new("start", "closed", format!("closed then: {}", closure.reason)));
        }
    }
}

fn person(
    request: &BookingRequest,
    requester: &RequesterView,
    (glovebox, tag): (GloveboxId, &Tag),
    broken: &mut Vec<Violation>,
) {
    let person = &requester.person;
    if !person.active {
        broken.push(Violation::new(
            "for",
            "person_inactive",
            format!("{} no longer uses the facility", person.name),
        ));
    }
    let mut held = requester
        .qualifications
        .iter()
        .filter(|held| held.qualified_for == QualifiedFor::Glovebox(glovebox))
        .peekable();
    if held.peek().is_none() {
        broken.push(Violation::new(
            "glovebox",
            "not_qualified",
            format!("{} is not qualified for {tag}", person.name),
        ));
    } else if !held.any(|held| held.holds_at(request.interval.end())) {
        broken.push(Violation::new(
            "glovebox",
            "qualification_expired",
            format!("the qualification of {} for {tag} ends before the work does", person.name),
        ));
    }
    if let Some(group) = &request.group
        && !person.groups.contains(group)
    {
        broken.push(Violation::new(
            "group",
            "not_in_group",
            format!("{} is not in group {group}", person.name),
        ));
    }
}

fn quota(request: &BookingRequest, site: &SiteView, requester: &RequesterView, broken: &mut Vec<Violation>) {
    let Some(group) = group_of(request, &requester.person) else { return };
    let Some(quota) = site.policies.quota_of(&group) else { return };
    let mut week = week_around(request.interval.start(), site.zone);
    loop {
        let own = request.interval.intersection(&week).map_or(0.0, |part| part.hours());
        let others: f64 = requester
            .group_bookings
            .iter()
            .filter(|(name, _)| *name == group)
            .filter_map(|(_, booked)| booked.intersection(&week))
            .map(|part| part.hours())
            .sum();
        if own > 0.0 && own + others > quota.get() + 1e-9 {
            broken.push(Violation::new(
                "group",
                "quota_exceeded",
                format!(
                    "group {group} has {others:.1} of its {:.1} h booked in the week of {}; this takes {own:.1} h",
                    quota.get(),
                    week.start().with_timezone(&site.zone).format("%F"),
                ),
            ));
        }
        if request.interval.end() <= week.end() {
            return;
        }
        week = week_around(week.end() + TimeDelta::hours(12), site.zone);
    }
}
