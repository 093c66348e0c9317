//! How a plan is shown.

use crate::api::bookings::CautionBody;
use crate::domain::calendar::Interval;
use crate::domain::facility::Stored;
use crate::domain::ids::DueItemId;
use crate::domain::planning::cautions::cautions;
use crate::domain::planning::plan::{Attendance, Displaced, VisitCost};
use crate::domain::planning::record::{OtherPlace, ProposedPlan, Scope};
use crate::domain::planning::snapshot::Grid;
use crate::domain::planning::weights::person_hours;
use crate::domain::planning::{Place, Visit};
use crate::usecases::named::Names;
use crate::usecases::visits::{self, VisitOf};
use crate::usecases::{Error, Tx, due_items, plan_text};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// A stretch of time.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"start": "2026-04-07T08:00:00Z", "end": "2026-04-07T09:00:00Z"}))]
pub(crate) struct SpanBody {
    /// From when.
    start: DateTime<Utc>,
    /// Until when, exclusive.
    end: DateTime<Utc>,
}

impl From<Interval> for SpanBody {
    fn from(interval: Interval) -> Self {
        Self { start: interval.start(), end: interval.end() }
    }
}

/// Somebody at work.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct WorkerBody {
    /// Their id.
    id: Uuid,
    /// Their name.
    name: Option<String>,
}

/// People at work on a part of a task.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct AttendanceBody {
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
    /// Who.
    people: Vec<WorkerBody>,
}

impl AttendanceBody {
    /// Attendance with people's names.
    pub(crate) fn new(tx: &mut Tx<'_>, names: &mut Names, attendance: &Attendance) -> Result<Self, Error> {
        let people = attendance.people.iter();
        Ok(Self {
            start: attendance.interval.start(),
            end: attendance.interval.end(),
            people: people
                .map(|id| Ok(WorkerBody { id: id.uuid(), name: names.of(tx, id.uuid())? }))
                .collect::<Result<_, Error>>()?,
        })
    }
}

/// A task of a proposed visit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct PlacedTaskBody {
    /// Id of the due item.
    due_item: Uuid,
    /// The task.
    task: String,
    /// Id of the part.
    subject: Uuid,
    /// The part's tag.
    subject_tag: String,
    /// From when.
    start: DateTime<Utc>,
    /// Until when, what runs by itself included.
    end: DateTime<Utc>,
    /// The attended parts, in order.
    attended: Vec<AttendanceBody>,
    /// The date to have acted by.
    act_by: Option<DateTime<Utc>>,
}

/// A box closed to use.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ClosedBody {
    /// Id of the box.
    glovebox: Uuid,
    /// Its tag.
    glovebox_tag: Option<String>,
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
}

/// Boxes closed to use, with their tags.
pub(crate) fn closed(
    tx: &mut Tx<'_>,
    names: &mut Names,
    closes: &[(crate::domain::ids::GloveboxId, Interval)],
) -> Result<Vec<ClosedBody>, Error> {
    let one = |(glovebox, interval): &(crate::domain::ids::GloveboxId, Interval)| {
        Ok(ClosedBody {
            glovebox: glovebox.uuid(),
            glovebox_tag: names.of(tx, glovebox.uuid())?,
            start: interval.start(),
            end: interval.end(),
        })
    };
    closes.iter().map(one).collect()
}

/// A resource that a visit occupies.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct OccupiedBody {
    /// Id of the resource.
    resource: Uuid,
    /// Its tag, or a person's name.
    resource_tag: Option<String>,
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
}

impl OccupiedBody {
    /// A resource by what it is called.
    pub(crate) fn new(
        tx: &mut Tx<'_>,
        names: &mut Names,
        resource: Uuid,
        interval: Interval,
    ) -> Result<Self, Error> {
        let resource_tag = names.of(tx, resource)?;
        Ok(Self { resource, resource_tag, start: interval.start(), end: interval.end() })
    }
}

/// An opening for somebody whose booking gives way.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct OtherPlaceBody {
    /// Id of the box.
    glovebox: Uuid,
    /// Its tag.
    glovebox_tag: String,
    /// Tags of the stations.
    stations: Vec<String>,
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
}

impl From<&OtherPlace> for OtherPlaceBody {
    fn from(other: &OtherPlace) -> Self {
        Self {
            glovebox: other.glovebox.uuid(),
            glovebox_tag: other.glovebox_tag.clone(),
            stations: other.stations.clone(),
            start: other.interval.start(),
            end: other.interval.end(),
        }
    }
}

/// A booking that gives way.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct DisplacedBody {
    /// Id of the booking.
    booking: Uuid,
    /// Whose it is.
    person: Option<Uuid>,
    /// Their name.
    person_name: Option<String>,
    /// When it begins.
    start: Option<DateTime<Utc>>,
    /// When it ends.
    end: Option<DateTime<Utc>>,
    /// What that counts for, in person-hours weighted by the site's policy.
    person_hours: f64,
    /// Where they could go instead: bookings that would be accepted as they
    /// stood when the plan was made, with the plan adopted.
    alternatives: Vec<OtherPlaceBody>,
}

/// What a visit counts for, in person-hours weighted by the site's policy.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"setup": 3.0, "displaced": 1.2, "late": 0.0, "wasted": 0.1, "total": 4.3}))]
pub(crate) struct CostBody {
    /// The visit and its purge.
    setup: f64,
    /// Bookings that give way.
    displaced: f64,
    /// Days past the dates to act by.
    late: f64,
    /// Life left unused.
    wasted: f64,
    /// All of it.
    total: f64,
}

impl From<VisitCost> for CostBody {
    fn from(cost: VisitCost) -> Self {
        Self {
            setup: person_hours(cost.setup),
            displaced: person_hours(cost.displaced),
            late: person_hours(cost.late),
            wasted: person_hours(cost.wasted),
            total: person_hours(cost.total()),
        }
    }
}

/// The best other start for the same tasks, with the rest of the plan as it is.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct NextBestBody {
    /// Its start.
    start: DateTime<Utc>,
    /// What it would count for more, in person-hours.
    more_person_hours: f64,
}

/// A proposed visit: tasks at one place, one after the other, and one purge.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ProposedVisitBody {
    /// Id of the visit on the calendar, once the plan is adopted.
    visit: Option<Uuid>,
    /// Id of the box; absent for what belongs to no box.
    glovebox: Option<Uuid>,
    /// Id of the place: the box, the supply or the room.
    place: Uuid,
    /// Its tag.
    place_tag: Option<String>,
    /// From the first task.
    start: DateTime<Utc>,
    /// To the end of the purge.
    end: DateTime<Utc>,
    /// Id of the maintenance window that it begins in.
    window: Uuid,
    /// Its tasks, in order.
    tasks: Vec<PlacedTaskBody>,
    /// The purge at its end.
    purge: Option<SpanBody>,
    /// The boxes closed to use.
    closes: Vec<ClosedBody>,
    /// The parts that it occupies; people are named with the tasks.
    claims: Vec<OccupiedBody>,
    /// The bookings that give way.
    displaced: Vec<DisplacedBody>,
    /// What it counts for.
    cost: CostBody,
    /// Why it is where it is.
    reasons: Vec<String>,
    /// The best other start.
    next_best: Option<NextBestBody>,
    /// What to mind.
    cautions: Vec<CautionBody>,
}

/// A task that a plan leaves out.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct LeftOutBody {
    /// Id of the due item.
    due_item: Uuid,
    /// The task.
    task: Option<String>,
    /// The part's tag.
    subject_tag: Option<String>,
    /// What leaving it out counts for, in person-hours.
    person_hours: f64,
    /// Why it is left out.
    reason: String,
}

/// A task held to a start.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct PinBody {
    /// Id of the due item.
    due_item: Uuid,
    /// When work at it begins.
    start: DateTime<Utc>,
}

/// A time kept free.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct KeptFreeBody {
    /// Id of the only due item meant.
    due_item: Option<Uuid>,
    /// Id of the only box meant.
    glovebox: Option<Uuid>,
    /// From when.
    start: DateTime<Utc>,
    /// Until when, exclusive.
    end: DateTime<Utc>,
}

/// What a plan was asked for.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "grid": "PT30M", "due_items": null, "gloveboxes": null, "pins": [], "keep_free": [], "leave_out": []
}))]
pub(crate) struct AskedBody {
    /// The spacing of starts.
    grid: &'static str,
    /// The only due items meant.
    due_items: Option<Vec<Uuid>>,
    /// The only boxes meant.
    gloveboxes: Option<Vec<Uuid>>,
    /// Tasks held to a start.
    pins: Vec<PinBody>,
    /// Times kept free.
    keep_free: Vec<KeptFreeBody>,
    /// Due items left out as asked.
    leave_out: Vec<Uuid>,
}

impl AskedBody {
    fn new(scope: &Scope) -> Self {
        let request = &scope.request;
        let pins = request.pins.iter();
        let free = request.forbids.iter();
        Self {
            grid: match scope.grid {
                Grid::Quarter => "PT15M",
                Grid::Half => "PT30M",
            },
            due_items: scope.due_items.as_ref().map(|ids| ids.iter().map(|id| id.uuid()).collect()),
            gloveboxes: scope.gloveboxes.as_ref().map(|ids| ids.iter().map(|id| id.uuid()).collect()),
            pins: pins.map(|pin| PinBody { due_item: pin.task.uuid(), start: pin.start }).collect(),
            keep_free: free
                .map(|free| KeptFreeBody {
                    due_item: free.task.map(Into::into),
                    glovebox: free.place.map(|place| place.thing().uuid()),
                    start: free.interval.start(),
                    end: free.interval.end(),
                })
                .collect(),
            leave_out: request.left_out.iter().map(|id| id.uuid()).collect(),
        }
    }
}

/// How good a plan is, in person-hours weighted by the site's policy.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "person_hours": 41.5, "lower_bound_person_hours": 41.5, "gap": 0.0, "stopped": "proved", "joint_visits_cut": false
}))]
pub(crate) struct QualityBody {
    /// What it counts for.
    person_hours: f64,
    /// No plan for the same request counts for less.
    lower_bound_person_hours: f64,
    /// How far it may lie above the best, as a fraction of what it counts for.
    gap: f64,
    /// Why the search ended: `proved`, `budget_spent` or `solver_gave_up`.
    stopped: &'static str,
    /// Whether some ways to join tasks in one visit were not looked at,
    /// because a place has too many; the bound is about those that were.
    joint_visits_cut: bool,
}

/// A maintenance plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000010", "status": "proposed", "from": "2026-04-01T08:00:00Z",
    "to": "2026-04-30T00:00:00Z", "proposed_by": "keeper", "adopted_by": null, "adopted_at": null,
    "quality": {"person_hours": 4.2, "lower_bound_person_hours": 4.2, "gap": 0.0, "stopped": "proved",
                "joint_visits_cut": false},
    "visits": [{
        "visit": null, "glovebox": "0199c5a0-0000-7000-8000-000000000005",
        "place": "0199c5a0-0000-7000-8000-000000000005", "place_tag": "LYNX",
        "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
        "window": "0199c5a0-0000-7000-8000-000000000011",
        "tasks": [{
            "due_item": "0199c5a0-0000-7000-8000-000000000004", "task": "leak_test",
            "subject": "0199c5a0-0000-7000-8000-000000000005", "subject_tag": "LYNX",
            "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
            "attended": [{"start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
                          "people": [{"id": "0199c5a0-0000-7000-8000-000000000012", "name": "Ivo Brandl"}]}],
            "act_by": "2026-04-15T08:00:00Z"
        }],
        "purge": null,
        "closes": [{"glovebox": "0199c5a0-0000-7000-8000-000000000005", "glovebox_tag": "LYNX",
                    "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z"}],
        "claims": [{"resource": "0199c5a0-0000-7000-8000-000000000006", "resource_tag": "LYNX/S1",
                    "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z"}],
        "displaced": [{
            "booking": "0199c5a0-0000-7000-8000-000000000013", "person": "0199c5a0-0000-7000-8000-000000000014",
            "person_name": "Ada Quill", "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T18:00:00Z",
            "person_hours": 3.2,
            "alternatives": [{"glovebox": "0199c5a0-0000-7000-8000-000000000015", "glovebox_tag": "OTTER",
                              "stations": ["S1"], "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T18:00:00Z"}]
        }],
        "cost": {"setup": 1.0, "displaced": 3.2, "late": 0.0, "wasted": 0.0, "total": 4.2},
        "reasons": ["leak_test on LYNX is done 6 days before it has to be."],
        "next_best": {"start": "2026-04-08T15:00:00Z", "more_person_hours": 0.4},
        "cautions": []
    }],
    "left_out": [], "asked": {"grid": "PT30M", "due_items": null, "gloveboxes": null, "pins": [], "keep_free": [],
    "leave_out": []}, "text": "1 visits, 1 bookings give way; counted as 4.2 person-hours", "seed": 0, "created_at": "2026-04-01T08:00:00Z", "updated_at": "2026-04-01T08:00:00Z"
}))]
pub(crate) struct PlanBody {
    /// Its id.
    id: Uuid,
    /// `proposed` or `adopted`.
    status: &'static str,
    /// Visits begin after this.
    from: DateTime<Utc>,
    /// Visits end before this.
    to: DateTime<Utc>,
    /// The token subject of whoever asked.
    proposed_by: String,
    /// The token subject of whoever put it on the calendar.
    adopted_by: Option<String>,
    /// When that was.
    adopted_at: Option<DateTime<Utc>>,
    /// How good it is.
    quality: QualityBody,
    /// Its visits, by start.
    visits: Vec<ProposedVisitBody>,
    /// What it leaves out.
    left_out: Vec<LeftOutBody>,
    /// What was asked besides.
    asked: AskedBody,
    /// The whole for people to read, in the facility's time.
    text: String,
    /// Seed of the search.
    seed: u64,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl PlanBody {
    /// A plan, with the names of what it is about.
    pub(crate) fn new(tx: &mut Tx<'_>, stored: &Stored<ProposedPlan>) -> Result<Self, Error> {
        let value = &stored.value;
        let plan = &value.plan;
        let mut names = Names::default();
        let zone = due_items::zone(tx)?;
        let text = plan_text::written(tx, value, zone)?;
        let on_calendar = visits::of_plan(tx, stored)?;
        let mut bodies = Vec::new();
        for visit in &plan.visits {
            bodies.push(visit_body(tx, &mut names, value, visit, &on_calendar)?);
        }
        let asked = value.scope.request.left_out.iter().filter_map(|id| value.basis_of(*id));
        let asked = asked.map(|basis| LeftOutBody {
            due_item: basis.due_item.uuid(),
            task: Some(basis.task.to_string()),
            subject_tag: Some(basis.subject_tag.clone()),
            person_hours: 0.0,
            reason: format!(
                "Left out as asked, and not counted{}.",
                if basis.safety { "; people's safety depends on it" } else { "" }
            ),
        });
        let left_out = plan.unplaced.iter().map(|one| LeftOutBody {
            due_item: one.id.uuid(),
            task: value.basis_of(one.id).map(|basis| basis.task.to_string()),
            subject_tag: value.basis_of(one.id).map(|basis| basis.subject_tag.clone()),
            person_hours: person_hours(one.cost),
            reason: one.reason.clone(),
        });
        Ok(Self {
            id: stored.id,
            status: if value.adopted.is_some() { "adopted" } else { "proposed" },
            from: value.scope.horizon.start(),
            to: value.scope.horizon.end(),
            proposed_by: value.proposed_by.clone(),
            adopted_by: value.adopted.as_ref().map(|adopted| adopted.by.clone()),
            adopted_at: value.adopted.as_ref().map(|adopted| adopted.at),
            quality: QualityBody {
                person_hours: person_hours(plan.cost),
                lower_bound_person_hours: person_hours(plan.lower_bound),
                gap: (plan.gap() * 1e4).round() / 1e4,
                stopped: plan.stopped.word(),
                joint_visits_cut: plan.candidates_cut,
            },
            visits: bodies,
            left_out: left_out.chain(asked).collect(),
            asked: AskedBody::new(&value.scope),
            text,
            seed: value.scope.seed,
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        })
    }
}

fn visit_body(
    tx: &mut Tx<'_>,
    names: &mut Names,
    plan: &ProposedPlan,
    visit: &Visit,
    on_calendar: &[VisitOf],
) -> Result<ProposedVisitBody, Error> {
    let place = visit.place.thing().uuid();
    let kept = on_calendar.iter().find(|kept| kept.place == visit.place && kept.interval == visit.interval);
    let mut tasks = Vec::new();
    for placed in &visit.tasks {
        tasks.extend(task_body(tx, names, plan, placed.id, placed.interval, &placed.attended)?);
    }
    let mut displaced = Vec::new();
    for one in &visit.displaced {
        displaced.push(displaced_body(tx, names, plan, one)?);
    }
    let words = visit.tasks.iter().filter_map(|task| plan.basis_of(task.id)).map(|basis| &basis.task);
    let mind = cautions(words, visit.purge.is_some());
    let claims = visit.claims.iter();
    Ok(ProposedVisitBody {
        visit: kept.map(|kept| kept.id.uuid()),
        glovebox: matches!(visit.place, Place::Glovebox(_)).then_some(place),
        place,
        place_tag: names.of(tx, place)?,
        start: visit.interval.start(),
        end: visit.interval.end(),
        window: visit.window.uuid(),
        tasks,
        purge: visit.purge.map(Into::into),
        closes: closed(tx, names, &visit.closes)?,
        claims: claims
            .map(|claim| OccupiedBody::new(tx, names, claim.resource.uuid(), claim.interval))
            .collect::<Result<_, Error>>()?,
        displaced,
        cost: visit.cost.into(),
        reasons: visit.reasons.clone(),
        next_best: visit
            .next_best
            .map(|next| NextBestBody { start: next.start, more_person_hours: person_hours(next.more) }),
        cautions: mind.iter().map(CautionBody::from).collect(),
    })
}

fn task_body(
    tx: &mut Tx<'_>,
    names: &mut Names,
    plan: &ProposedPlan,
    id: DueItemId,
    interval: Interval,
    attended: &[Attendance],
) -> Result<Option<PlacedTaskBody>, Error> {
    let Some(basis) = plan.basis_of(id) else { return Ok(None) };
    let parts = attended.iter().map(|part| AttendanceBody::new(tx, names, part));
    Ok(Some(PlacedTaskBody {
        due_item: id.uuid(),
        task: basis.task.to_string(),
        subject: basis.subject.uuid(),
        subject_tag: basis.subject_tag.clone(),
        start: interval.start(),
        end: interval.end(),
        attended: parts.collect::<Result<_, Error>>()?,
        act_by: basis.act_by,
    }))
}

fn displaced_body(
    tx: &mut Tx<'_>,
    names: &mut Names,
    plan: &ProposedPlan,
    displaced: &Displaced,
) -> Result<DisplacedBody, Error> {
    let booking = visits::booking(tx, displaced.booking)?;
    let person = booking.as_ref().map(|booking| booking.value.person.uuid());
    let elsewhere = plan.alternatives.iter().find(|one| one.booking == displaced.booking);
    Ok(DisplacedBody {
        booking: displaced.booking.uuid(),
        person,
        person_name: person.map(|id| names.of(tx, id)).transpose()?.flatten(),
        start: booking.as_ref().map(|booking| booking.value.interval.start()),
        end: booking.as_ref().map(|booking| booking.value.interval.end()),
        person_hours: person_hours(displaced.cost),
        alternatives: elsewhere.iter().flat_map(|one| &one.openings).map(Into::into).collect(),
    })
}
