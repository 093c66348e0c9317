//! How a plan is asked for.

use crate::api::fields::{at_most, instant, interval, refer};
use crate::domain::calendar::{Interval, Length};
use crate::domain::facility::{ParseContext, ThingKind};
use crate::domain::ids::{GloveboxId, ThingId};
use crate::domain::planning::record::Scope;
use crate::domain::planning::snapshot::{Grid, Pin};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::propose_plan::{Asked, Free, LEAD, LONGEST_HORIZON, Named, USUAL_HORIZON};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::time::Duration;
use utoipa::ToSchema;
use uuid::Uuid;

/// How long is searched, seconds: unless told otherwise, and at most.
const USUAL_SECONDS: i64 = 5;
const MOST_SECONDS: i64 = 30;
/// The most pins, times kept free, and due items that a request names.
const MOST_NAMED: usize = 500;

/// What a plan is asked for; everything may be left out.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({
    "to": "2026-04-30T00:00:00Z", "gloveboxes": ["LYNX"], "time_limit": "PT5S",
    "keep_free": [{"glovebox": "LYNX", "start": "2026-04-06T00:00:00Z", "end": "2026-04-11T00:00:00Z"}]
}))]
pub(crate) struct PlanForm {
    /// Visits begin after this (RFC 3339); an hour from now unless given, so
    /// that the plan can be looked at, adopted and prepared for.
    #[schema(format = DateTime)]
    from: Option<String>,
    /// Visits end before this, at most 92 days after `from`; 28 days unless given.
    #[schema(format = DateTime)]
    to: Option<String>,
    /// The spacing of starts: `PT30M`, also unless given, or `PT15M`.
    grid: Option<String>,
    /// Ids of the due items to place. Unless given: all that are approaching,
    /// due or overdue, or whose date to act by comes before `to`.
    due_items: Option<Vec<Uuid>>,
    /// Only due items of these boxes and their parts, by id or tag.
    gloveboxes: Option<Vec<String>>,
    /// Tasks held to a start; they are not left out.
    pins: Option<Vec<PinForm>>,
    /// Times kept free of visits, and of the purges after them.
    keep_free: Option<Vec<KeepFreeForm>>,
    /// Ids of due items not to be placed; they do not count.
    leave_out: Option<Vec<Uuid>>,
    /// Id of an earlier plan: what it was asked holds here too, except for the
    /// fields that are given, which take the place of its own. To move a visit,
    /// base a plan on it and pin its tasks.
    #[serde(skip_serializing_if = "Option::is_none")]
    based_on: Option<Uuid>,
    /// Seed of the search; 0 unless given.
    seed: Option<u32>,
    /// How long to search at most, `PT1S` to `PT30S`; `PT5S` unless given.
    time_limit: Option<String>,
}

/// A task held to a start.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"due_item": "0199c5a0-0000-7000-8000-000000000001", "start": "2026-04-07T08:00:00Z"}))]
pub(crate) struct PinForm {
    /// Id of the due item.
    due_item: Uuid,
    /// When work at it begins (RFC 3339): on a full or half hour, or with
    /// `PT15M` on a quarter.
    #[schema(format = DateTime)]
    start: String,
}

/// A time kept free of visits.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"glovebox": "LYNX", "start": "2026-04-06T00:00:00Z", "end": "2026-04-11T00:00:00Z"}))]
pub(crate) struct KeepFreeForm {
    /// Id of the only due item meant; all unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    due_item: Option<Uuid>,
    /// Id or tag of the only box meant; all places unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    glovebox: Option<String>,
    /// From when on (RFC 3339).
    #[schema(format = DateTime)]
    start: String,
    /// Until when, exclusive (RFC 3339).
    #[schema(format = DateTime)]
    end: String,
}

impl PlanForm {
    /// The plan that it is based on.
    pub(super) const fn based_on(&self) -> Option<Uuid> {
        self.based_on
    }

    /// Parses it; `earlier` is what the plan that it is based on was asked.
    pub(super) fn parse(
        &self,
        context: &mut dyn ParseContext,
        now: DateTime<Utc>,
        earlier: Option<&Scope>,
    ) -> Result<Asked, Violations> {
        let mut check = Check::default();
        let horizon = self.horizon(&mut check, now, earlier);
        let grid = self.grid(&mut check, earlier);
        let time = self.time(&mut check);
        for (field, count) in [
            ("due_items", self.due_items.as_ref().map_or(0, Vec::len)),
            ("pins", self.pins.as_ref().map_or(0, Vec::len)),
            ("keep_free", self.keep_free.as_ref().map_or(0, Vec::len)),
            ("leave_out", self.leave_out.as_ref().map_or(0, Vec::len)),
        ] {
            check.require(count <= MOST_NAMED, field, "too_many", format!("at most {MOST_NAMED}"));
        }
        let gloveboxes = self.gloveboxes(&mut check, context, earlier);
        let step = grid.map_or(TimeDelta::minutes(15), Grid::step);
        let (pinned, kept_free) = (self.pins.as_deref(), self.keep_free.as_deref());
        let pins = check.each("pins", pinned.unwrap_or_default(), |pin| pin.parse(step));
        let free = check.each("keep_free", kept_free.unwrap_or_default(), |free| free.parse(context));
        self.no_contradiction(&mut check);
        let mut request = earlier.map(|scope| scope.request.clone()).unwrap_or_default();
        if let Some(ids) = &self.leave_out {
            request.left_out = ids.iter().copied().map(Into::into).collect();
            request.pins.retain(|pin| !request.left_out.contains(&pin.task));
        }
        if pinned.is_some() {
            request.left_out.retain(|id| pins.iter().all(|pin| pin.task != *id));
            request.pins = pins;
        }
        if kept_free.is_some() {
            request.forbids.clear();
        }
        let due_items = match &self.due_items {
            Some(ids) => Some(ids.iter().copied().map(Into::into).collect()),
            None => earlier.and_then(|scope| scope.due_items.clone()),
        };
        let seed = self.seed.map(u64::from).or(earlier.map(|scope| scope.seed)).unwrap_or(0);
        let named = self.named();
        check.build(horizon.zip(grid).zip(time), |((horizon, grid), time)| Asked {
            scope: Scope { horizon, grid, due_items, gloveboxes, request, seed },
            free,
            named,
            time,
        })
    }

    /// Nothing is pinned twice, or pinned and left out.
    fn no_contradiction(&self, check: &mut Check) {
        let pins = self.pins.as_deref().unwrap_or_default();
        for (index, pin) in pins.iter().enumerate() {
            let twice = pins[..index].iter().any(|other| other.due_item == pin.due_item);
            check.require(!twice, &format!("pins[{index}].due_item"), "duplicate", "is pinned already");
        }
        for (index, id) in self.leave_out.iter().flatten().enumerate() {
            let pinned = pins.iter().any(|pin| pin.due_item == *id);
            check.require(!pinned, &format!("leave_out[{index}]"), "contradiction", "is pinned as well");
        }
    }

    /// The due items that are named.
    fn named(&self) -> Vec<Named> {
        let of = |field: String, id: Uuid, to_place| Named { field, id: id.into(), to_place };
        let listed = self.due_items.iter().flatten().enumerate();
        let listed = listed.map(|(i, id)| of(format!("due_items[{i}]"), *id, true));
        let pinned = self.pins.iter().flatten().enumerate();
        let pinned = pinned.map(|(i, pin)| of(format!("pins[{i}].due_item"), pin.due_item, true));
        let left_out = self.leave_out.iter().flatten().enumerate();
        let left_out = left_out.map(|(i, id)| of(format!("leave_out[{i}]"), *id, false));
        let kept_free = self.keep_free.iter().flatten().enumerate();
        let kept_free = kept_free
            .filter_map(|(i, free)| Some(of(format!("keep_free[{i}].due_item"), free.due_item?, false)));
        listed.chain(pinned).chain(left_out).chain(kept_free).collect()
    }

    fn horizon(&self, check: &mut Check, now: DateTime<Utc>, earlier: Option<&Scope>) -> Option<Interval> {
        let from = match &self.from {
            Some(text) => instant(check, "from", text)?.max(now),
            None => earlier.map_or(now, |scope| scope.horizon.start()).max(now + LEAD),
        };
        let to = match &self.to {
            Some(text) => instant(check, "to", text)?,
            None => match earlier.filter(|_| self.from.is_none()) {
                Some(scope) => scope.horizon.end(),
                None => from + USUAL_HORIZON,
            },
        };
        let days = LONGEST_HORIZON.num_days();
        let fits = from < to && to - from <= LONGEST_HORIZON;
        let detail = format!("must come after the present and after from, by at most {days} days");
        check.require(fits, "to", "out_of_range", detail);
        Interval::new(from, to).ok().filter(|_| fits)
    }

    fn grid(&self, check: &mut Check, earlier: Option<&Scope>) -> Option<Grid> {
        match self.grid.as_deref() {
            None => Some(earlier.map_or(Grid::Half, |scope| scope.grid)),
            Some("PT30M") => Some(Grid::Half),
            Some("PT15M") => Some(Grid::Quarter),
            Some(_) => {
                check.note(Violation::new("grid", "unknown_word", "must be PT15M or PT30M"));
                None
            }
        }
    }

    fn time(&self, check: &mut Check) -> Option<Duration> {
        let seconds = match &self.time_limit {
            None => USUAL_SECONDS,
            Some(text) => check.field("time_limit", Length::parse(text))?.seconds(),
        };
        let detail = format!("must be PT1S to PT{MOST_SECONDS}S");
        check.require((1..=MOST_SECONDS).contains(&seconds), "time_limit", "out_of_range", detail);
        u64::try_from(seconds).ok().map(Duration::from_secs)
    }

    fn gloveboxes(
        &self,
        check: &mut Check,
        context: &mut dyn ParseContext,
        earlier: Option<&Scope>,
    ) -> Option<Vec<GloveboxId>> {
        let Some(named) = &self.gloveboxes else {
            return earlier.and_then(|scope| scope.gloveboxes.clone());
        };
        at_most(check, "gloveboxes", named, MOST_NAMED);
        let found = named.iter().enumerate().filter_map(|(i, text)| {
            refer(check, context, ThingKind::Glovebox, &format!("gloveboxes[{i}]"), text)
        });
        Some(found.collect())
    }
}

impl PinForm {
    fn parse(&self, step: TimeDelta) -> Result<Pin, Violations> {
        let mut check = Check::default();
        let start = instant(&mut check, "start", &self.start);
        let on_grid =
            |at: &DateTime<Utc>| at.timestamp_subsec_nanos() == 0 && at.timestamp() % step.num_seconds() == 0;
        let detail = format!("must be on a multiple of {} minutes", step.num_minutes());
        check.require(start.as_ref().is_none_or(on_grid), "start", "off_the_grid", detail);
        check.build(start, |start| Pin { task: self.due_item.into(), start })
    }
}

impl KeepFreeForm {
    fn parse(&self, context: &mut dyn ParseContext) -> Result<Free, Violations> {
        let mut check = Check::default();
        let interval = interval(&mut check, &self.start, &self.end);
        let place = match &self.glovebox {
            None => Some(None),
            Some(text) => {
                refer::<ThingId>(&mut check, context, ThingKind::Glovebox, "glovebox", text).map(Some)
            }
        };
        check.build(interval.zip(place), |(interval, place)| Free {
            task: self.due_item.map(Into::into),
            place,
            interval,
        })
    }
}
