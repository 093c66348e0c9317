//! Checks a plan against every rule from the snapshot alone, and adds its
//! cost up again. It shares no code with the search: it works on instants and
//! intervals, not on slots and candidates.

use super::plan::{Plan, Visit};
use super::snapshot::{Place, Request, Snapshot, Task, WindowOccurrence};
use crate::domain::booking::record::Status;
use crate::domain::calendar::Interval;
use crate::domain::ids::{DueItemId, PersonId, ThingId};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// Every fault of a plan, in sentences; none for a plan that obeys all rules
/// and whose figures are right.
pub fn faults(snapshot: &Snapshot, request: &Request, now: DateTime<Utc>, plan: &Plan) -> Vec<String> {
    let mut check = Check { snapshot, request, now, faults: Vec::new() };
    for visit in &plan.visits {
        check.visit(visit);
    }
    check.every_task_once(plan);
    check.nothing_twice(plan);
    check.people_not_twice(plan);
    check.open_minimum(plan);
    check.stock(plan);
    check.cost(plan);
    check.faults
}

/// What of a plan breaks a rule of the snapshot, whatever it costs and leaves
/// out: for a plan made on an earlier snapshot.
pub fn broken_rules(snapshot: &Snapshot, request: &Request, now: DateTime<Utc>, plan: &Plan) -> Vec<String> {
    let mut check = Check { snapshot, request, now, faults: Vec::new() };
    for visit in &plan.visits {
        check.visit(visit);
    }
    check.nothing_twice(plan);
    check.people_not_twice(plan);
    check.open_minimum(plan);
    check.stock(plan);
    check.faults
}

struct Check<'a> {
    snapshot: &'a Snapshot,
    request: &'a Request,
    now: DateTime<Utc>,
    faults: Vec<String>,
}

impl Check<'_> {
    fn fault(&mut self, text: impl Into<String>) {
        self.faults.push(text.into());
    }

    fn expect(&mut self, holds: bool, text: impl Fn() -> String) {
        if !holds {
            self.faults.push(text());
        }
    }

    fn task(&self, id: DueItemId) -> Option<&Task> {
        self.snapshot.tasks.iter().find(|task| task.id == id)
    }

    fn rounded(&self, length: TimeDelta) -> TimeDelta {
        let step = self.snapshot.grid.step();
        let mut whole = TimeDelta::zero();
        while whole < length {
            whole += step;
        }
        whole
    }

    fn visit(&mut self, visit: &Visit) {
        let horizon = self.snapshot.horizon;
        self.expect(horizon.covers(&visit.interval) && visit.interval.start() >= self.now, || {
            format!("visit {} lies outside the horizon", visit.interval)
        });
        let step = self.snapshot.grid.step().num_seconds();
        let on_grid = visit.interval.start().timestamp() % step == 0
            && visit.interval.start().timestamp_subsec_nanos() == 0;
        self.expect(on_grid, || format!("visit {} begins off the grid", visit.interval));
        self.sequence(visit);
        self.windows(visit);
        self.claims(visit);
        self.displaced(visit);
    }

    /// The tasks follow one another, then comes the purge, each as long as it must be.
    fn sequence(&mut self, visit: &Visit) {
        let mut at = visit.interval.start();
        let mut purge = TimeDelta::zero();
        for placed in &visit.tasks {
            let Some(task) = self.task(placed.id).cloned() else {
                self.fault("a visit has a task that is not in the snapshot");
                continue;
            };
            self.expect(task.place == visit.place, || "a task is done at another place".to_owned());
            self.expect(placed.interval.start() == at, || "a task does not follow the one before".to_owned());
            at = placed.interval.end();
            purge = purge.max(task.purge);
            let mut parts = Vec::new();
            let mut from = placed.interval.start();
            for (length, attended) in [(task.attended, true), (task.unattended, false), (task.finish, true)] {
                let length = self.rounded(length);
                if attended && length > TimeDelta::zero() {
                    parts.push((from, from + length));
                }
                from += length;
            }
            self.expect(from == placed.interval.end(), || "a task has the wrong length".to_owned());
            let attended: Vec<_> =
                placed.attended.iter().map(|a| (a.interval.start(), a.interval.end())).collect();
            self.expect(attended == parts, || "the attended parts are not where they must be".to_owned());
            for attendance in &placed.attended {
                self.crew(&task, attendance.interval, &attendance.people);
            }
            let late =
                task.safety && task.act_by.is_some_and(|by| by > self.now && placed.interval.end() > by);
            self.expect(!late, || format!("safety task {} ends after its date", task.subject_tag));
            self.as_asked(&task, visit.place, placed.interval);
        }
        let purge =
            if matches!(visit.place, Place::Glovebox(_)) { self.rounded(purge) } else { TimeDelta::zero() };
        let expected = Interval::lasting(at, purge).ok();
        if let Some(purge) = visit.purge {
            for placed in &visit.tasks {
                self.kept_free(placed.id, visit.place, purge);
            }
        }
        self.expect(visit.interval.length() <= TimeDelta::days(31), || {
            "a visit is longer than any claim may be".to_owned()
        });
        self.expect(visit.purge == expected, || "the purge is missing or wrong".to_owned());
        self.expect(visit.interval.end() == at + purge, || "the visit has the wrong end".to_owned());
        self.expect(!visit.tasks.is_empty(), || "a visit has no task".to_owned());
    }

    fn as_asked(&mut self, task: &Task, place: Place, interval: Interval) {
        for pin in &self.request.pins.clone() {
            let met = pin.task != task.id || pin.start == interval.start();
            self.expect(met, || format!("{} is not where it is pinned", task.subject_tag));
        }
        self.kept_free(task.id, place, interval);
        self.expect(!self.request.left_out.contains(&task.id), || {
            format!("{} was to be left out", task.subject_tag)
        });
    }

    fn kept_free(&mut self, task: DueItemId, place: Place, interval: Interval) {
        for forbid in &self.request.forbids.clone() {
            let concerned =
                forbid.task.is_none_or(|id| id == task) && forbid.place.is_none_or(|at| at == place);
            self.expect(!(concerned && forbid.interval.overlaps(&interval)), || {
                format!("{interval} lies in a time kept free")
            });
        }
    }

    fn crew(&mut self, task: &Task, interval: Interval, crew: &[PersonId]) {
        let mut distinct = crew.to_vec();
        distinct.sort_unstable();
        distinct.dedup();
        self.expect(distinct.len() == usize::from(task.people), || {
            format!("{} has {} people instead of {}", task.subject_tag, distinct.len(), task.people)
        });
        for id in crew {
            let Some(worker) = self.snapshot.people.iter().find(|worker| worker.id == *id).cloned() else {
                self.fault("somebody unknown is at work");
                continue;
            };
            let mut from = interval.start();
            // Walk through working time, stretch after stretch.
            while let Some(stretch) =
                worker.working.iter().filter(|w| w.contains(from)).map(Interval::end).max()
            {
                from = stretch;
                if from >= interval.end() {
                    break;
                }
            }
            self.expect(from >= interval.end(), || format!("{} works outside working time", worker.name));
            let absent = worker.absent.iter().any(|absence| absence.overlaps(&interval));
            self.expect(!absent, || format!("{} is absent", worker.name));
            if let Some(word) = &task.competence {
                let held = worker.competences.iter().any(|held| {
                    held.word == *word && held.valid_until.is_none_or(|until| until >= interval.end())
                });
                self.expect(held, || format!("{} is not competent for {word}", worker.name));
            }
        }
    }

    fn suitable(&self, visit: &Visit) -> Vec<WindowOccurrence> {
        let windows = self.snapshot.windows.iter();
        windows
            .filter(|window| {
                let boxes = match (&window.gloveboxes, visit.place) {
                    (None, _) => true,
                    (Some(named), Place::Glovebox(id)) => named.contains(&id),
                    (Some(_), Place::Elsewhere(_)) => false,
                };
                boxes
                    && visit.tasks.iter().all(|placed| {
                        let word = self.task(placed.id).map(|task| &task.task);
                        window.tasks.is_empty() || window.tasks.iter().any(|task| Some(task) == word)
                    })
            })
            .cloned()
            .collect()
    }

    fn windows(&mut self, visit: &Visit) {
        let suitable = self.suitable(visit);
        let mut pieces: Vec<Interval> =
            visit.tasks.iter().flat_map(|task| task.attended.iter().map(|a| a.interval)).collect();
        pieces.extend(visit.purge);
        for piece in pieces {
            let inside = suitable.iter().any(|window| window.interval.covers(&piece));
            self.expect(inside, || format!("{piece} is in no window of the right kind"));
        }
        let begins =
            suitable.iter().any(|w| w.window == visit.window && w.interval.contains(visit.interval.start()));
        self.expect(begins, || "the visit does not begin in the window it names".to_owned());
    }

    /// What the visit must claim, from the tasks alone.
    fn needed(&self, visit: &Visit) -> Vec<(ThingId, Interval)> {
        let mut needed = Vec::new();
        let boxes = &self.snapshot.boxes;
        let mut close = |glovebox, interval| {
            for closed in boxes.iter().filter(|b| b.id == glovebox) {
                let stations = closed.stations.iter().map(|id| ThingId::from(*id));
                let chambers = closed.antechambers.iter().map(|id| ThingId::from(*id));
                let others = closed.instruments.iter().copied().chain([closed.circulation]);
                needed.extend(stations.chain(chambers).chain(others).map(|thing| (thing, interval)));
            }
        };
        let mut plain = Vec::new();
        for placed in &visit.tasks {
            let Some(task) = self.task(placed.id) else { continue };
            for glovebox in &task.closes {
                close(*glovebox, placed.interval);
            }
            plain.extend(task.occupies.iter().map(|thing| (*thing, placed.interval)));
            plain.extend(task.regenerates_from.map(|supply| (supply.into(), placed.interval)));
        }
        if let (Some(purge), Place::Glovebox(glovebox)) = (visit.purge, visit.place) {
            close(glovebox, purge);
        }
        needed.extend(plain);
        needed
    }

    fn claims(&mut self, visit: &Visit) {
        for (thing, interval) in self.needed(visit) {
            let claimed =
                visit.claims.iter().any(|claim| claim.resource == thing && claim.interval.covers(&interval));
            self.expect(claimed, || format!("{thing} is not claimed over {interval}"));
        }
        for claim in &visit.claims {
            let clash =
                self.snapshot.taken.iter().any(|taken| {
                    taken.resource == claim.resource && taken.interval.overlaps(&claim.interval)
                });
            self.expect(!clash, || format!("{} is taken by something else", claim.resource));
        }
    }

    fn displaced(&mut self, visit: &Visit) {
        let suitable = self.suitable(visit);
        let mut expected = Vec::new();
        for booking in self.snapshot.bookings.clone() {
            if booking.status == Status::Cancelled {
                continue;
            }
            let shared: Vec<Interval> = booking
                .claims
                .iter()
                .flat_map(|booked| {
                    let same = visit.claims.iter().filter(|claim| claim.resource == booked.resource);
                    same.filter_map(|claim| claim.interval.intersection(&booked.interval))
                })
                .collect();
            if shared.is_empty() {
                continue;
            }
            expected.push(booking.id);
            let first = booking.claims.iter().map(|c| c.interval.start()).min();
            let begun = booking.work.start() <= self.now || first.is_some_and(|first| first <= self.now);
            self.expect(!begun, || "a booking that has begun is displaced".to_owned());
            for piece in shared {
                let allowed = suitable.iter().filter(|window| match window.holds.notice() {
                    None => true,
                    Some(notice) => {
                        self.now + TimeDelta::seconds(notice.seconds()) <= window.interval.start()
                    }
                });
                let mut covering: Vec<Interval> = allowed.map(|window| window.interval).collect();
                covering.sort_unstable();
                let mut from = piece.start();
                for window in covering {
                    if window.start() <= from {
                        from = from.max(window.end());
                    }
                }
                self.expect(from >= piece.end(), || {
                    format!("a booking is displaced at {piece}, where it need not give way")
                });
            }
        }
        let mut named: Vec<_> = visit.displaced.iter().map(|displaced| displaced.booking).collect();
        named.sort_unstable();
        expected.sort_unstable();
        self.expect(named == expected, || "the displaced bookings are not those that are".to_owned());
    }

    fn every_task_once(&mut self, plan: &Plan) {
        for task in &self.snapshot.tasks.clone() {
            let placed = plan.visits.iter().flat_map(|v| &v.tasks).filter(|t| t.id == task.id).count();
            let unplaced = plan.unplaced.iter().filter(|u| u.id == task.id).count();
            let wanted = usize::from(!self.request.left_out.contains(&task.id));
            self.expect(placed + unplaced == wanted, || {
                format!("{} is placed {placed} times and left out {unplaced} times", task.subject_tag)
            });
            let due = task.act_by.is_some_and(|by| by <= self.snapshot.horizon.end());
            let must = wanted == 1
                && (task.safety && due || self.request.pins.iter().any(|pin| pin.task == task.id));
            self.expect(!must || placed == 1, || format!("{} must not be left out", task.subject_tag));
        }
    }

    fn nothing_twice(&mut self, plan: &Plan) {
        for (index, one) in plan.visits.iter().enumerate() {
            for other in &plan.visits[index + 1..] {
                let clash = one.claims.iter().any(|a| {
                    other.claims.iter().any(|b| a.resource == b.resource && a.interval.overlaps(&b.interval))
                });
                self.expect(!clash, || format!("visits {} and {} overlap", one.interval, other.interval));
                let together = one.place == other.place && one.interval.overlaps(&other.interval);
                self.expect(!together, || "two visits are at one place at once".to_owned());
            }
        }
    }

    fn people_not_twice(&mut self, plan: &Plan) {
        let mut busy: BTreeMap<PersonId, Vec<Interval>> = BTreeMap::new();
        for attendance in plan.visits.iter().flat_map(|v| &v.tasks).flat_map(|t| &t.attended) {
            for person in &attendance.people {
                busy.entry(*person).or_default().push(attendance.interval);
            }
        }
        for (person, mut intervals) in busy {
            let thing = ThingId::from(person);
            let taken = self.snapshot.taken.iter().filter(|taken| taken.resource == thing);
            intervals.extend(taken.map(|taken| taken.interval));
            let planned = intervals.clone();
            intervals.sort_unstable();
            let twice = intervals.windows(2).any(|pair| pair[0].overlaps(&pair[1]));
            self.expect(!twice || planned.len() < 2, || format!("{person} is in two places at once"));
        }
    }

    fn open_minimum(&mut self, plan: &Plan) {
        let closings: Vec<(ThingId, Interval)> = plan
            .visits
            .iter()
            .flat_map(|visit| {
                let of_tasks = visit.tasks.iter().flat_map(|placed| {
                    let closes = self.task(placed.id).map(|task| task.closes.clone()).unwrap_or_default();
                    closes.into_iter().map(|id| (id.into(), placed.interval))
                });
                let purge = match visit.place {
                    Place::Glovebox(id) => visit.purge.map(|purge| (id.into(), purge)),
                    Place::Elsewhere(_) => None,
                };
                of_tasks.chain(purge).collect::<Vec<_>>()
            })
            .collect();
        let otherwise: Vec<(ThingId, Interval)> =
            self.snapshot.closed.iter().map(|closed| (closed.glovebox.into(), closed.interval)).collect();
        for minimum in &self.snapshot.open_minimum.clone() {
            let boxes: Vec<ThingId> =
                self.snapshot.boxes.iter().filter(|b| b.gas == minimum.gas).map(|b| b.id.into()).collect();
            // The count changes only where a closing begins, or something else closes a box.
            for (thing, interval) in closings.iter().filter(|(thing, _)| boxes.contains(thing)) {
                let moments =
                    otherwise.iter().map(|(_, other)| other.start()).filter(|at| interval.contains(*at));
                for at in moments.chain([interval.start()]) {
                    let shut = |list: &[(ThingId, Interval)], id: &ThingId| {
                        list.iter().any(|(closed, when)| closed == id && when.contains(at))
                    };
                    let open =
                        boxes.iter().filter(|id| !shut(&closings, id) && !shut(&otherwise, id)).count();
                    // Where too few are open anyway, the plan only must not close more.
                    let adds = !shut(&otherwise, thing);
                    let least = usize::try_from(minimum.boxes).unwrap_or(usize::MAX);
                    self.expect(!adds || open >= least, || {
                        format!("{open} {} boxes are open at {at}, fewer than {least}", minimum.gas.word())
                    });
                }
            }
        }
    }

    fn stock(&mut self, plan: &Plan) {
        let mut taken: Vec<(String, DateTime<Utc>, i64)> = Vec::new();
        for placed in plan.visits.iter().flat_map(|visit| &visit.tasks) {
            let needs = self.task(placed.id).map(|task| task.consumables.clone()).unwrap_or_default();
            taken.extend(
                needs
                    .into_iter()
                    .map(|need| (need.item.to_string(), placed.interval.start(), need.thousandths)),
            );
        }
        for (item, _, _) in &taken.clone() {
            let mut levels: Vec<_> =
                self.snapshot.stock.iter().filter(|level| level.item.as_str() == item).cloned().collect();
            levels.sort_by_key(|level| level.from);
            for (index, level) in levels.iter().enumerate() {
                let until = levels.get(index + 1).map(|next| next.from);
                let used: i64 = taken
                    .iter()
                    .filter(|(other, at, _)| other == item && until.is_none_or(|until| *at < until))
                    .map(|(_, _, amount)| *amount)
                    .sum();
                let touched =
                    taken.iter().any(|(other, at, _)| other == item && until.is_none_or(|until| *at < until));
                self.expect(!touched || used <= level.thousandths, || format!("{item} runs out"));
            }
        }
    }

    fn cost(&mut self, plan: &Plan) {
        let mut sum = 0;
        for visit in &plan.visits {
            let (setup, displaced, late, wasted) = self.visit_cost(visit);
            let stated = (visit.cost.setup, visit.cost.displaced, visit.cost.late, visit.cost.wasted);
            self.expect(stated == (setup, displaced, late, wasted), || {
                format!(
                    "visit {} costs {:?}, not {stated:?}",
                    visit.interval,
                    (setup, displaced, late, wasted)
                )
            });
            sum += setup + displaced + late + wasted;
        }
        for unplaced in &plan.unplaced {
            let Some(task) = self.task(unplaced.id) else { continue };
            let late =
                task.act_by.map_or(0, |by| per_day(self.late_day(task), self.snapshot.horizon.end() - by));
            sum += self.snapshot.weights.left_out + late;
        }
        self.expect(sum == plan.cost, || format!("the plan costs {sum}, not {}", plan.cost));
        self.expect(plan.lower_bound <= plan.cost, || "the bound lies above the cost".to_owned());
    }

    fn late_day(&self, task: &Task) -> i64 {
        use crate::domain::upkeep::due::DueState;
        let weights = &self.snapshot.weights;
        match (task.safety, task.state) {
            (true, _) => weights.late_day_safety,
            (false, DueState::Due | DueState::Overdue) => weights.late_day_due,
            (false, DueState::Current | DueState::Unknown | DueState::Approaching) => weights.late_day,
        }
    }

    fn visit_cost(&self, visit: &Visit) -> (i64, i64, i64, i64) {
        let weights = &self.snapshot.weights;
        let setup = weights.visit + visit.purge.map_or(0, |_| weights.purge);
        let mut displaced = 0;
        for named in &visit.displaced {
            let Some(booking) = self.snapshot.bookings.iter().find(|b| b.id == named.booking) else {
                continue;
            };
            let mut units =
                i128::from(booking.work.length().num_minutes()) * i128::from(weights.displaced_hour);
            let short = booking.work.start() - self.now < weights.short_notice.delta();
            units *= i128::from(if short { weights.short_notice_percent } else { 100 });
            units *= i128::from(if booking.equal_opening { weights.equal_opening_percent } else { 100 });
            let tentative = booking.status == Status::Tentative;
            units *= i128::from(if tentative { weights.tentative_percent } else { 100 });
            let whole = units / 60_000_000 + i128::from(units % 60_000_000 > 0);
            displaced += i64::try_from(whole).unwrap_or(i64::MAX);
        }
        let (mut late, mut wasted) = (0, 0);
        for placed in &visit.tasks {
            let Some(task) = self.task(placed.id) else { continue };
            late += task.act_by.map_or(0, |by| per_day(self.late_day(task), placed.interval.end() - by));
            wasted +=
                task.earliest.map_or(0, |from| per_day(weights.wasted_day, from - placed.interval.start()));
        }
        (setup, displaced, late, wasted)
    }
}

/// Units for a length at so many a day, rounded up; nothing for less than nothing.
fn per_day(units: i64, length: TimeDelta) -> i64 {
    if length <= TimeDelta::zero() {
        return 0;
    }
    let parts = units * length.num_minutes();
    parts / 1440 + i64::from(parts % 1440 > 0)
}
