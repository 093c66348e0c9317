//! How long the parts under a rule lived.

use super::part_history::Loader;
use super::parts::parts;
use super::{Result, Tx};
use crate::domain::access::Actor;
use crate::domain::facility::Stored;
use crate::domain::names::Reference;
use crate::domain::upkeep::UpkeepRule;
use crate::domain::upkeep::due::Subject;
use crate::domain::upkeep::lives::{self, Lifetimes, PartLife};
use crate::domain::upkeep::rules::Meter;
use chrono::{DateTime, Utc};

/// The lives of all parts under a rule.
pub(crate) struct RuleLives {
    /// The rule.
    pub(crate) rule: Stored<UpkeepRule>,
    /// The meter that they are measured in; none for days.
    pub(crate) meter: Option<Meter>,
    /// The lives of each part, in order of time.
    pub(crate) lives: Vec<(Subject, PartLife)>,
    /// What they say together.
    pub(crate) found: Lifetimes,
}

/// How long the parts under a rule lived, by the services on record.
pub(crate) fn of_rule(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
) -> Result<RuleLives> {
    let rule = super::keep::get::<UpkeepRule>(tx, actor, reference)?;
    let parts = parts(tx)?;
    let meter = lives::meter_of(&rule.value);
    let mut loader = Loader::new(tx, &parts, now)?;
    let mut all = Vec::new();
    let covered = |part: &&Subject| rule.value.applies_to.covers(part.kind, part.id);
    for subject in parts.subjects.iter().filter(covered) {
        let notes = loader.notes(subject)?;
        let measure = loader.measure(subject, &rule.value.task, meter, &notes)?;
        let lived = lives::lives(&notes, &rule.value.task, &measure, now);
        all.extend(lived.into_iter().map(|life| (subject.clone(), life)));
    }
    let found = lives::judge(all.iter().map(|(_, life)| life));
    Ok(RuleLives { rule, meter, lives: all, found })
}
