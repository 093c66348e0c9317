//! Why there is no plan: the smallest set of kinds of rule in the way, found
//! by dropping one kind after the other.
//!
//! A kind without which the tasks still do not fit is dropped for good; what
//! remains at the end is in the way, and nothing of it can be spared
//! (a deletion filter, the usual way to an irreducible infeasible subset).

use super::improve::Occupancy;
use super::model::{Model, Rules};
use super::plan::{InTheWay, Refusal, RuleFamily, Steps};
use super::snapshot::{Request, Snapshot, Task};
use super::solve::search;
use chrono::{DateTime, Utc};

/// Steps of search for each combination of rules.
const STEPS: u64 = 600;

/// The tasks that no visit covers, by index in the snapshot.
pub(super) fn left_out(model: &Model<'_>, occupancy: &Occupancy) -> Vec<usize> {
    let done: Vec<usize> = occupancy
        .chosen
        .iter()
        .flatten()
        .flat_map(|chosen| model.candidates[chosen.candidate].tasks.iter().map(|(task, _)| *task))
        .collect();
    model.active.iter().copied().filter(|task| !done.contains(task)).collect()
}

/// Those of them that must not be left out.
pub(super) fn missing(model: &Model<'_>, occupancy: &Occupancy) -> Vec<usize> {
    left_out(model, occupancy).into_iter().filter(|task| model.must[*task]).collect()
}

struct Question<'a> {
    snapshot: &'a Snapshot,
    request: &'a Request,
    now: DateTime<Utc>,
    tasks: Vec<usize>,
}

impl Question<'_> {
    /// Whether the tasks are found to fit without these kinds of rule, and
    /// whether it is certain if they do not.
    fn fit(&self, dropped: &[RuleFamily]) -> (bool, bool) {
        let wanted = |task: &Task| self.tasks.iter().any(|index| self.snapshot.tasks[*index].id == task.id);
        let rules = Rules::without(dropped.iter().copied());
        let mut model = Model::build(self.snapshot, self.request, self.now, rules, wanted);
        model.only_placing_counts();
        let found = search(&model, 0, &mut Steps(STEPS));
        (found.cost == 0, found.lower_bound > 0)
    }
}

/// The refusal for tasks that do not fit.
pub(super) fn refusal(
    snapshot: &Snapshot,
    request: &Request,
    now: DateTime<Utc>,
    missing: &[usize],
    proved: bool,
) -> Refusal {
    let ask = |tasks: Vec<usize>| Question { snapshot, request, now, tasks };
    // A task that does not fit alone says more than several that do not together.
    let alone = missing.iter().copied().find(|task| !ask(vec![*task]).fit(&[]).0);
    let question = match alone {
        Some(task) => ask(vec![task]),
        None => ask(fewest(snapshot, request, now)),
    };
    let (fits, certain) = question.fit(&[]);
    let families = if fits { Vec::new() } else { smallest(&question) };
    let tasks: Vec<&Task> = question.tasks.iter().map(|index| &snapshot.tasks[*index]).collect();
    let in_the_way: Vec<InTheWay> = families
        .iter()
        .map(|family| InTheWay {
            family: *family,
            sentence: sentence(*family, &tasks, snapshot),
            relax: relax(*family).to_owned(),
            suffices: question.fit(&[*family]).0,
        })
        .collect();
    let names: Vec<String> =
        tasks.iter().map(|task| format!("{} on {}", task.task, task.subject_tag)).collect();
    let because: Vec<&str> = in_the_way.iter().map(|way| way.sentence.as_str()).collect();
    let summary = if because.is_empty() {
        format!("No place was found for {}.", names.join(", "))
    } else {
        format!("No place for {}: {}.", names.join(", "), because.join("; "))
    };
    Refusal {
        tasks: tasks.iter().map(|task| task.id).collect(),
        in_the_way,
        proved: !fits && (certain || proved),
        summary,
    }
}

/// Of all the tasks that must be placed, a smallest set that does not fit together.
fn fewest(snapshot: &Snapshot, request: &Request, now: DateTime<Utc>) -> Vec<usize> {
    let model = Model::build(snapshot, request, now, Rules::all(), |_| true);
    let mut tasks: Vec<usize> = model.active.iter().copied().filter(|task| model.must[*task]).collect();
    for index in tasks.clone() {
        let rest: Vec<usize> = tasks.iter().copied().filter(|other| *other != index).collect();
        let question = Question { snapshot, request, now, tasks: rest };
        if !question.tasks.is_empty() && !question.fit(&[]).0 {
            tasks = question.tasks;
        }
    }
    tasks
}

fn smallest(question: &Question<'_>) -> Vec<RuleFamily> {
    let mut dropped: Vec<RuleFamily> = Vec::new();
    let mut needed: Vec<RuleFamily> = Vec::new();
    for family in RuleFamily::ALL {
        let mut trial = dropped.clone();
        trial.push(family);
        if question.fit(&trial).0 {
            needed.push(family);
        } else {
            dropped = trial;
        }
    }
    needed
}

fn sentence(family: RuleFamily, tasks: &[&Task], snapshot: &Snapshot) -> String {
    let dates = tasks.iter().filter_map(|task| task.act_by).filter(|by| *by < snapshot.horizon.end());
    let by = dates.min().unwrap_or(snapshot.horizon.end()).format("%FT%TZ");
    let words = |list: Vec<String>| {
        let mut list = list;
        list.sort_unstable();
        list.dedup();
        list.join(", ")
    };
    match family {
        RuleFamily::WhatIf => "what is pinned or kept free leaves no place".to_owned(),
        RuleFamily::Notice => {
            format!("bookings stand in the way that need not, or need no longer, give way before {by}")
        }
        RuleFamily::OneRegeneration => {
            format!("the regeneration gas is in use by one regeneration at a time until {by}")
        }
        RuleFamily::OpenMinimum => {
            let gases = tasks.iter().flat_map(|task| &task.closes).filter_map(|id| {
                let closed = snapshot.boxes.iter().find(|b| b.id == *id)?;
                Some(closed.gas.word().to_owned())
            });
            format!("too few {} boxes would stay open before {by}", words(gases.collect()))
        }
        RuleFamily::Stock => {
            let items = tasks.iter().flat_map(|task| &task.consumables);
            let watched = items.filter(|need| snapshot.stock.iter().any(|level| level.item == need.item));
            format!("stock: not enough {} before {by}", words(watched.map(|n| n.item.to_string()).collect()))
        }
        RuleFamily::Competence => {
            let asked = tasks.iter().filter_map(|task| task.competence.as_ref().map(ToString::to_string));
            let asked = words(asked.collect());
            format!("too few technicians competent for {asked} at work in a window before {by}")
        }
        RuleFamily::WorkingTime => format!("too few people at work in a window before {by}"),
        RuleFamily::Claims => format!("other claims that do not give way take the time before {by}"),
        RuleFamily::Windows => {
            let asked = words(tasks.iter().map(|task| task.task.to_string()).collect());
            format!("no window of the right kind for {asked} is free and long enough before {by}")
        }
        RuleFamily::ActBy => format!("it has to be done by {by}"),
    }
}

const fn relax(family: RuleFamily) -> &'static str {
    match family {
        RuleFamily::WhatIf => "Drop the pin, or free the time.",
        RuleFamily::Notice => "Agree with the holders of the bookings, or shorten the window's notice.",
        RuleFamily::OneRegeneration => "Use another supply of regeneration gas.",
        RuleFamily::OpenMinimum => "Let fewer boxes of the gas stay open for the time.",
        RuleFamily::Stock => "Have the material delivered sooner.",
        RuleFamily::Competence => "Have somebody else qualified, or ask somebody competent from outside.",
        RuleFamily::WorkingTime => "Have somebody work at another time.",
        RuleFamily::Claims => "Move what claims the time.",
        RuleFamily::Windows => "Add a maintenance window.",
        RuleFamily::ActBy => {
            "Consider what may still be used past that date; that is for a competent person to decide."
        }
    }
}
