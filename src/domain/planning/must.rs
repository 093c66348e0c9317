//! Whether the tasks that must not be left out can be placed at all, with all
//! rules or some; and how, as the start of the search for a good plan.

use super::improve::{Chosen, Occupancy};
use super::model::{Candidate, Model, Rules};
use super::part::Part;
use super::plan::{Budget, RuleFamily};
use super::snapshot::{Request, Snapshot, Task};
use super::solve::search;
use chrono::{DateTime, Utc};

/// Steps of search for one question.
const STEPS: u64 = 600;

/// One part in so many of the time left is for one question.
const TIME_PARTS: u32 = 5;

/// Whether some tasks fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fit {
    /// A way was found.
    Yes,
    /// It is proved that there is none.
    No,
    /// None was found in as many steps as one question gets.
    NotFound,
    /// The budget ended before.
    NotAsked,
}

/// Tasks, by index in the snapshot, of which is asked whether they fit.
#[derive(Debug)]
pub(super) struct Question<'a> {
    pub(super) snapshot: &'a Snapshot,
    pub(super) request: &'a Request,
    pub(super) now: DateTime<Utc>,
    pub(super) tasks: Vec<usize>,
}

impl<'a> Question<'a> {
    /// All that must not be left out.
    pub(super) fn of_all(snapshot: &'a Snapshot, request: &'a Request, now: DateTime<Utc>) -> Self {
        let must = |task: &Task| {
            let pinned = request.pins.iter().any(|pin| pin.task == task.id);
            !request.left_out.contains(&task.id) && (pinned || task.must_be_placed(snapshot.horizon))
        };
        let tasks = (0..snapshot.tasks.len()).filter(|index| must(&snapshot.tasks[*index])).collect();
        Self { snapshot, request, now, tasks }
    }

    /// The same of other tasks.
    pub(super) const fn about(&self, tasks: Vec<usize>) -> Self {
        Self { snapshot: self.snapshot, request: self.request, now: self.now, tasks }
    }

    fn model(&self, dropped: &[RuleFamily]) -> Model<'a> {
        let wanted = |task: &Task| self.tasks.iter().any(|index| self.snapshot.tasks[*index].id == task.id);
        let rules = Rules::without(dropped.iter().copied());
        let mut model = Model::build(self.snapshot, self.request, self.now, rules, wanted);
        model.only_placing_counts();
        model
    }

    /// Whether the tasks fit without these kinds of rule.
    pub(super) fn fit(&self, dropped: &[RuleFamily], budget: &mut dyn Budget) -> Fit {
        if budget.spent() {
            return Fit::NotAsked;
        }
        let mut part = Part::new(budget, STEPS, TIME_PARTS);
        let found = search(&self.model(dropped), None, 0, &mut part);
        if found.cost == 0 {
            Fit::Yes
        } else if found.lower_bound > 0 {
            Fit::No
        } else if budget.spent() {
            Fit::NotAsked
        } else {
            Fit::NotFound
        }
    }

    /// The tasks for which no place was found with all rules, whether that is
    /// proved, and the visits to begin with for those that have one.
    pub(super) fn placed(&self, budget: &mut dyn Budget) -> (Vec<usize>, bool, Vec<Begun>) {
        if self.tasks.is_empty() {
            return (Vec::new(), true, Vec::new());
        }
        let model = self.model(&[]);
        // What it takes to say what is in the way is kept back.
        let found = search(&model, None, 0, &mut Part::new(budget, u64::MAX, 2));
        let chosen = || found.occupancy.chosen.iter().flatten();
        let done: Vec<usize> = chosen()
            .flat_map(|chosen| model.candidates[chosen.candidate].tasks.iter().map(|(task, _)| *task))
            .collect();
        let missing = self.tasks.iter().copied().filter(|task| !done.contains(task)).collect();
        let begun = chosen().map(|chosen| Begun {
            candidate: model.candidates[chosen.candidate].clone(),
            crew: chosen.crew.clone(),
        });
        (missing, found.lower_bound > 0, begun.collect())
    }
}

/// A visit found in a smaller model.
#[derive(Debug, Clone)]
pub(super) struct Begun {
    candidate: Candidate,
    crew: Vec<Vec<usize>>,
}

/// A choice of the model that holds these visits, filled up.
pub(super) fn begun_with(model: &Model<'_>, begun: &[Begun]) -> Occupancy {
    let mut occupancy = Occupancy::empty(model);
    for visit in begun {
        let same = |index: &usize| {
            let candidate = &model.candidates[*index];
            candidate.range == visit.candidate.range && candidate.tasks == visit.candidate.tasks
        };
        if let Some(candidate) = (0..model.candidates.len()).find(same) {
            let chosen = Chosen { candidate, crew: visit.crew.clone() };
            if occupancy.allows(model, &chosen) {
                occupancy.put(model, candidate, chosen.crew);
            }
        }
    }
    for place in 0..model.places.len() {
        occupancy.fill(model, place, None);
    }
    occupancy
}
