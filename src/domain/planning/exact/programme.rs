//! One group of places as a mixed-integer programme for microlp.
//!
//! Rows: each task is done once or left out; each resource, place and person
//! does one thing at a time; boxes of a gas stay open; stock lasts. Of the
//! rows of one resource only those at the start of a candidate are written,
//! and equal rows once: intervals overlap exactly where one begins within
//! another.

use super::super::improve::{Chosen, Occupancy};
use super::super::model::{Candidate, Model, does_two};
use super::super::plan::{Budget, Stopped};
use super::super::slots::Range;
use microlp::{
    ComparisonOp, OptimizationDirection, Problem, ResumeOptions, SolveOptions, SolveOutcome,
    TerminationReason, Variable,
};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// Nodes of the search tree between two looks at the budget, times candidates:
/// the more candidates, the longer a node takes.
const WORK_A_STEP: usize = 3000;

/// How far the solver's bound may be off by rounding, in units.
const BOUND_ROUNDING: f64 = 0.01;

/// The most tasks of a place for which every three get a row.
const MOST_TASKS_BY_THREES: usize = 7;

/// What the solver found.
pub(super) struct Answer {
    /// No choice for the group costs less.
    pub(super) bound: i64,
    /// A choice better than the present one.
    pub(super) better: Option<Vec<Chosen>>,
    /// Why it stopped.
    pub(super) stopped: Stopped,
}

/// A part of a task at one range, whoever does it.
type Placement = (usize, Range);

struct Programme<'m, 'a> {
    model: &'m Model<'a>,
    problem: Problem,
    candidates: Vec<(usize, Variable)>,
    left_out: Vec<(usize, Variable)>,
    at_part: BTreeMap<Placement, Vec<(usize, Variable)>>,
}

/// The solver asks nobody while it works, so it works in slices: a search that is
/// broken off ends with the present one.
const LONGEST_SLICE: Duration = Duration::from_millis(100);

fn slice(budget: &dyn Budget) -> Option<Duration> {
    budget.left().map(|left| left.min(LONGEST_SLICE))
}

/// Solves a group, beginning from what is chosen now.
pub(super) fn solve(
    model: &Model<'_>,
    places: &[usize],
    candidates: &[usize],
    occupancy: &Occupancy,
    budget: &mut dyn Budget,
) -> Answer {
    let present: i64 = places.iter().map(|place| occupancy.cost_of(model, *place)).sum();
    // Only what costs less is asked for, so the present choice is kept among
    // the candidates as the start of the search.
    let mut all: BTreeSet<usize> = candidates.iter().copied().collect();
    all.extend(places.iter().flat_map(|place| occupancy.chosen[*place].iter().map(|c| c.candidate)));
    let all: Vec<usize> = all.into_iter().collect();
    let programme = Programme::write(model, places, &all);
    let mut options = SolveOptions::default();
    let nodes = u64::try_from(WORK_A_STEP / all.len().max(1)).unwrap_or(1).clamp(1, 20);
    options.node_limit = Some(nodes);
    options.time_limit = slice(budget);
    options.warm_start = Some(programme.start(places, occupancy));
    let mut outcome = programme.problem.solve_with(options);
    loop {
        let reached = match outcome {
            Ok(reached) => reached,
            Err(microlp::Error::Infeasible) => {
                return Answer { bound: present, better: None, stopped: Stopped::Proved };
            }
            Err(_) => return Answer { bound: i64::MIN, better: None, stopped: Stopped::SolverGaveUp },
        };
        let proved = reached.termination_reason() == TerminationReason::ProvenOptimal;
        if proved || budget.spent() {
            let stopped = if proved { Stopped::Proved } else { Stopped::BudgetSpent };
            return programme.answer(&reached, present, stopped);
        }
        let mut options = ResumeOptions::default();
        options.node_limit = Some(nodes);
        options.time_limit = slice(budget);
        outcome = reached.resume_with(options);
    }
}

impl<'m, 'a> Programme<'m, 'a> {
    fn write(model: &'m Model<'a>, places: &[usize], candidates: &[usize]) -> Self {
        let mut problem = Problem::new(OptimizationDirection::Minimize);
        let candidates: Vec<(usize, Variable)> = candidates
            .iter()
            .map(|index| (*index, problem.add_binary_var(units(model.candidates[*index].cost.total()))))
            .collect();
        let left_out: Vec<(usize, Variable)> = places
            .iter()
            .flat_map(|place| model.places[*place].tasks.iter())
            .map(|task| (*task, problem.add_binary_var(units(model.left_out[*task]))))
            .collect();
        let mut programme = Self { model, problem, candidates, left_out, at_part: BTreeMap::new() };
        programme.each_task_once();
        programme.two_of_three_once(places);
        programme.one_thing_at_a_time();
        programme.people();
        programme.boxes_open();
        programme.stock_lasts();
        programme
    }

    fn of(&self, index: usize) -> &'m Candidate {
        &self.model.candidates[index]
    }

    fn each_task_once(&mut self) {
        for (task, left_out) in &self.left_out {
            let mut row = vec![(*left_out, 1.0)];
            let with =
                self.candidates.iter().filter(|(c, _)| self.of(*c).tasks.iter().any(|(t, _)| t == task));
            row.extend(with.map(|(_, variable)| (*variable, 1.0)));
            self.problem.add_constraint(row.as_slice(), ComparisonOp::Eq, 1.0);
        }
    }

    /// Of any three tasks of a place at most one visit does two; this follows
    /// from each being done once, but only for whole numbers.
    fn two_of_three_once(&mut self, places: &[usize]) {
        for place in places {
            let at = &self.model.places[*place];
            if at.tasks.len() > MOST_TASKS_BY_THREES {
                continue;
            }
            let here: Vec<(u32, Variable)> = self
                .candidates
                .iter()
                .filter(|(index, _)| self.of(*index).place == *place)
                .map(|(index, variable)| (self.of(*index).set, *variable))
                .collect();
            for three in at.threes() {
                let two: Vec<&(u32, Variable)> =
                    here.iter().filter(|(set, _)| does_two(*set, three)).collect();
                // Two kinds of visit exclude each other by the task they share.
                let kinds: BTreeSet<u32> = two.iter().map(|(set, _)| set & three).collect();
                if kinds.len() > 2 {
                    let row: Vec<(Variable, f64)> =
                        two.iter().map(|(_, variable)| (*variable, 1.0)).collect();
                    self.problem.add_constraint(row.as_slice(), ComparisonOp::Le, 1.0);
                }
            }
        }
    }

    fn one_thing_at_a_time(&mut self) {
        let mut by_resource: BTreeMap<usize, Vec<(Range, usize)>> = BTreeMap::new();
        for (position, (index, _)) in self.candidates.iter().enumerate() {
            for claim in &self.of(*index).claims {
                by_resource.entry(claim.resource).or_default().push((claim.range, position));
            }
        }
        let mut rows: BTreeSet<Vec<usize>> = BTreeSet::new();
        for claims in by_resource.values() {
            for row in cliques(claims) {
                if self.can_clash(&row) {
                    rows.insert(row);
                }
            }
        }
        for row in rows {
            let row: Vec<(Variable, f64)> =
                row.iter().map(|position| (self.candidates[*position].1, 1.0)).collect();
            self.problem.add_constraint(row.as_slice(), ComparisonOp::Le, 1.0);
        }
    }

    /// Whether any two of a row could be chosen together but for it.
    fn can_clash(&self, row: &[usize]) -> bool {
        let of = |position: &usize| self.of(self.candidates[*position].0);
        let Some(first) = row.first().map(of) else { return false };
        if row.iter().any(|position| of(position).place != first.place) {
            return true;
        }
        // At one place, sets that share a task exclude each other already.
        let sets: BTreeSet<u32> = row.iter().map(|position| of(position).set).collect();
        sets.iter().any(|one| sets.iter().any(|other| one & other == 0))
    }

    fn people(&mut self) {
        let mut with: BTreeMap<Placement, Vec<usize>> = BTreeMap::new();
        let mut needs: BTreeMap<Placement, (usize, Vec<usize>)> = BTreeMap::new();
        for (position, (index, _)) in self.candidates.iter().enumerate() {
            for part in self.of(*index).parts.iter().filter(|part| part.need > 0) {
                let placement = (part.task, part.range);
                with.entry(placement).or_default().push(position);
                needs.entry(placement).or_insert_with(|| (part.need, part.eligible.clone()));
            }
        }
        let mut by_person: BTreeMap<usize, Vec<(Range, Variable)>> = BTreeMap::new();
        for (placement, (need, eligible)) in &needs {
            let mut row: Vec<(Variable, f64)> = Vec::new();
            for person in eligible {
                let variable = self.problem.add_binary_var(0.0);
                row.push((variable, 1.0));
                by_person.entry(*person).or_default().push((placement.1, variable));
                self.at_part.entry(*placement).or_default().push((*person, variable));
            }
            let need = f64::from(u32::try_from(*need).unwrap_or(u32::MAX));
            row.extend(with[placement].iter().map(|position| (self.candidates[*position].1, -need)));
            self.problem.add_constraint(row.as_slice(), ComparisonOp::Eq, 0.0);
        }
        for parts in by_person.values() {
            let claims: Vec<(Range, usize)> =
                parts.iter().enumerate().map(|(position, (range, _))| (*range, position)).collect();
            let rows: BTreeSet<Vec<usize>> =
                cliques(&claims).into_iter().filter(|row| row.len() > 1).collect();
            for row in rows {
                let row: Vec<(Variable, f64)> = row.iter().map(|at| (parts[*at].1, 1.0)).collect();
                self.problem.add_constraint(row.as_slice(), ComparisonOp::Le, 1.0);
            }
        }
    }

    fn boxes_open(&mut self) {
        let mut closing: BTreeMap<(usize, usize), BTreeMap<usize, u32>> = BTreeMap::new();
        for (position, (index, _)) in self.candidates.iter().enumerate() {
            for (closed, range) in &self.of(*index).closes {
                let Some(gas) = self.model.gas_of_box[*closed] else { continue };
                for slot in range.from..range.to {
                    if !self.model.box_closed[*closed].any(Range { from: slot, to: slot + 1 }) {
                        *closing.entry((gas, slot)).or_default().entry(position).or_default() += 1;
                    }
                }
            }
        }
        let mut rows: BTreeMap<Vec<(usize, u32)>, i32> = BTreeMap::new();
        for ((gas, slot), row) in closing {
            let room = self.model.gases[gas].room[slot];
            // At most one visit at a time is at a place: no more can close than there are places.
            let mut most: BTreeMap<usize, u32> = BTreeMap::new();
            for (position, boxes) in &row {
                let here = most.entry(self.of(self.candidates[*position].0).place).or_default();
                *here = (*boxes).max(*here);
            }
            if most.values().sum::<u32>() > u32::try_from(room).unwrap_or(0) {
                let least = rows.entry(row.into_iter().collect()).or_insert(room);
                *least = room.min(*least);
            }
        }
        for (row, room) in rows {
            let row: Vec<(Variable, f64)> = row
                .iter()
                .map(|(position, boxes)| (self.candidates[*position].1, f64::from(*boxes)))
                .collect();
            self.problem.add_constraint(row.as_slice(), ComparisonOp::Le, f64::from(room));
        }
    }

    fn stock_lasts(&mut self) {
        for (item, levels) in self.model.items.iter().enumerate() {
            for (number, (_, level)) in levels.levels.iter().enumerate() {
                let until = levels.levels.get(number + 1).map(|(until, _)| *until);
                let mut row: Vec<(Variable, f64)> = Vec::new();
                for (index, variable) in &self.candidates {
                    let takes = self.of(*index).takes.iter();
                    let amount: i64 = takes
                        .filter(|take| take.item == item && until.is_none_or(|until| take.slot < until))
                        .map(|take| take.amount)
                        .sum();
                    if amount > 0 {
                        row.push((*variable, units(amount) / 1000.0));
                    }
                }
                if row.iter().map(|(_, amount)| amount).sum::<f64>() > units(*level) / 1000.0 {
                    let level = units((*level).max(0)) / 1000.0;
                    self.problem.add_constraint(row.as_slice(), ComparisonOp::Le, level);
                }
            }
        }
    }

    /// The present choice, as the solver's first.
    fn start(&self, places: &[usize], occupancy: &Occupancy) -> Vec<(Variable, f64)> {
        let chosen: Vec<&Chosen> = places.iter().flat_map(|place| &occupancy.chosen[*place]).collect();
        let mut done = BTreeSet::new();
        let mut at_work: BTreeSet<(Placement, usize)> = BTreeSet::new();
        for chosen in &chosen {
            let candidate = self.of(chosen.candidate);
            done.extend(candidate.tasks.iter().map(|(task, _)| *task));
            for (part, people) in candidate.parts.iter().zip(&chosen.crew) {
                at_work.extend(people.iter().map(|person| ((part.task, part.range), *person)));
            }
        }
        let yes = |yes: bool| if yes { 1.0 } else { 0.0 };
        let picked: BTreeSet<usize> = chosen.iter().map(|chosen| chosen.candidate).collect();
        let candidates = self.candidates.iter().map(|(c, v)| (*v, yes(picked.contains(c))));
        let left_out = self.left_out.iter().map(|(task, v)| (*v, yes(!done.contains(task))));
        let people = self.at_part.iter().flat_map(|(placement, people)| {
            let at_work = &at_work;
            people.iter().map(move |(person, v)| (*v, yes(at_work.contains(&(*placement, *person)))))
        });
        candidates.chain(left_out).chain(people).collect()
    }

    fn answer(&self, outcome: &SolveOutcome, present: i64, stopped: Stopped) -> Answer {
        let bound = outcome.stats().best_bound.map_or(i64::MIN, whole_units);
        let Some(solution) = outcome.solution() else { return Answer { bound, better: None, stopped } };
        let yes = |variable: Variable| solution.var_value(variable) > 0.5;
        let mut chosen = Vec::new();
        let mut cost: i64 =
            self.left_out.iter().filter(|(_, v)| yes(*v)).map(|(task, _)| self.model.left_out[*task]).sum();
        for (index, _) in self.candidates.iter().filter(|(_, variable)| yes(*variable)) {
            let candidate = self.of(*index);
            cost += candidate.cost.total();
            let crew = candidate.parts.iter().map(|part| {
                let people = self.at_part.get(&(part.task, part.range)).into_iter().flatten();
                people.filter(|(_, v)| yes(*v)).map(|(person, _)| *person).take(part.need).collect()
            });
            chosen.push(Chosen { candidate: *index, crew: crew.collect() });
        }
        Answer { bound, better: (cost < present).then_some(chosen), stopped }
    }
}

/// The largest sets of claims that share a slot: one at each start.
fn cliques(claims: &[(Range, usize)]) -> Vec<Vec<usize>> {
    let starts: BTreeSet<usize> = claims.iter().map(|(range, _)| range.from).collect();
    let mut found: Vec<Vec<usize>> = Vec::new();
    for slot in starts {
        let mut row: Vec<usize> = claims
            .iter()
            .filter(|(range, _)| range.from <= slot && slot < range.to)
            .map(|(_, position)| *position)
            .collect();
        row.sort_unstable();
        row.dedup();
        found.push(row);
    }
    found
}

#[expect(clippy::cast_precision_loss, reason = "costs stay far below 2^53")]
const fn units(cost: i64) -> f64 {
    cost as f64
}

#[expect(clippy::cast_possible_truncation, reason = "a bound beyond the range of i64 is cut off")]
fn whole_units(bound: f64) -> i64 {
    (bound - BOUND_ROUNDING).ceil() as i64
}
