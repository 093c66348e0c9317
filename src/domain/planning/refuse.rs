//! Why there is no plan: the smallest set of kinds of rule in the way, found
//! by dropping one kind after the other.
//!
//! A kind without which the tasks still do not fit is dropped for good; what
//! remains at the end is in the way, and nothing of it can be spared
//! (a deletion filter, the usual way to an irreducible infeasible subset).

use super::improve::Occupancy;
use super::model::Model;
use super::must::{Fit, Question};
use super::plan::{Budget, InTheWay, Refusal, RuleFamily};
use super::snapshot::Task;

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

/// The refusal, where of the tasks asked about no place was found for some.
/// When the budget ends before all is looked into, it names the rules found in
/// the way so far.
pub(super) fn refusal(
    asked: &Question<'_>,
    missing: &[usize],
    proved: bool,
    budget: &mut dyn Budget,
) -> Refusal {
    // A task that does not fit alone says more than several that do not together.
    let mut alone = None;
    for task in missing {
        let fit = asked.about(vec![*task]).fit(&[], budget);
        if matches!(fit, Fit::No | Fit::NotFound) {
            alone = Some((*task, fit));
            break;
        }
    }
    let (question, certain) = match alone {
        Some((task, fit)) => (asked.about(vec![task]), fit == Fit::No),
        None => fewest(asked, missing, proved, budget),
    };
    let families = smallest(&question, budget);
    let tasks: Vec<&Task> = question.tasks.iter().map(|index| &question.snapshot.tasks[*index]).collect();
    let in_the_way: Vec<InTheWay> = families
        .iter()
        .map(|family| InTheWay {
            family: *family,
            sentence: sentence(*family, &tasks, &question),
            relax: relax(*family).to_owned(),
            suffices: families.len() == 1 || question.fit(&[*family], budget) == Fit::Yes,
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
    Refusal { tasks: tasks.iter().map(|task| task.id).collect(), in_the_way, proved: certain, summary }
}

/// Why a task that need not be placed has no place of its own, if it has none:
/// the rules in the way.
pub(super) fn alone_in_the_way(
    asked: &Question<'_>,
    task: usize,
    budget: &mut dyn Budget,
) -> Option<Vec<String>> {
    let question = asked.about(vec![task]);
    if question.fit(&[], budget) != Fit::No {
        return None;
    }
    let tasks = [&question.snapshot.tasks[task]];
    let families = smallest(&question, budget);
    Some(families.into_iter().map(|family| sentence(family, &tasks, &question)).collect())
}

/// Of all the tasks asked about, a smallest set that does not fit together,
/// and whether that is proved: half of them are taken off where the rest still
/// does not fit, then quarters, and so on. Where the budget ends before any is
/// taken off, those for which no place was found.
fn fewest<'a>(
    asked: &Question<'a>,
    missing: &[usize],
    proved: bool,
    budget: &mut dyn Budget,
) -> (Question<'a>, bool) {
    let (mut tasks, mut certain) = (asked.tasks.clone(), proved);
    let mut size = tasks.len() / 2;
    while size > 0 {
        let mut from = 0;
        while from < tasks.len() && tasks.len() > 1 {
            let to = tasks.len().min(from + size);
            let rest: Vec<usize> = tasks[..from].iter().chain(&tasks[to..]).copied().collect();
            match asked.about(rest.clone()).fit(&[], budget) {
                Fit::Yes => from = to,
                Fit::No => (tasks, certain) = (rest, true),
                Fit::NotFound => (tasks, certain) = (rest, false),
                Fit::NotAsked => {
                    let tasks = if tasks == asked.tasks { missing.to_vec() } else { tasks };
                    return (asked.about(tasks), false);
                }
            }
        }
        size /= 2;
    }
    (asked.about(tasks), certain)
}

/// The kinds of rule that remain when every other is dropped without which
/// the tasks still do not fit.
fn smallest(question: &Question<'_>, budget: &mut dyn Budget) -> Vec<RuleFamily> {
    let mut dropped: Vec<RuleFamily> = Vec::new();
    let mut needed: Vec<RuleFamily> = Vec::new();
    for family in RuleFamily::ALL {
        let mut trial = dropped.clone();
        trial.push(family);
        match question.fit(&trial, budget) {
            Fit::Yes => needed.push(family),
            Fit::No | Fit::NotFound => dropped = trial,
            Fit::NotAsked => break,
        }
    }
    needed
}

fn sentence(family: RuleFamily, tasks: &[&Task], question: &Question<'_>) -> String {
    let snapshot = question.snapshot;
    let dates = tasks.iter().filter_map(|task| task.deadline(question.now));
    let dates = dates.filter(|by| *by < snapshot.horizon.end());
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
            format!("one thing at a time is done on the supply of regeneration gas, before {by}")
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
        RuleFamily::OneRegeneration => {
            "Use another supply of regeneration gas, or do what else is done on it at another time."
        }
        RuleFamily::OpenMinimum => "Let fewer boxes of the gas stay open for the time.",
        RuleFamily::Stock => "Have the material delivered sooner.",
        RuleFamily::Competence => "Have somebody else qualified, or ask somebody competent from outside.",
        RuleFamily::WorkingTime => "Have more people who can do it work at the time.",
        RuleFamily::Claims => "Move what claims the time.",
        RuleFamily::Windows => "Add a maintenance window.",
        RuleFamily::ActBy => {
            "Consider what may still be used past that date; that is for a competent person to decide."
        }
    }
}
