//! Searches for plans that are begun and looked at later, by whoever may make plans. A
//! search has the id that its plan gets, so that what was found is seen from any
//! instance of the service, and after it was started anew; why nothing was found is
//! kept in memory only, of the last few searches.

use super::propose_plan::{self, Prepared, Turn};
use super::under_way::{Kind, Report, Told, Work};
use super::{App, Error, Result};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::Stored;
use crate::domain::planning::Refusal;
use crate::domain::planning::record::ProposedPlan;
use crate::store::begin_off_thread;
use crate::store::kept::Kept as _;
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use uuid::Uuid;

/// So many searches are remembered.
const REMEMBERED: usize = 16;
/// No search takes longer, with all that stands around it; one that nobody knows of by
/// then has come to nothing.
const LONGEST: TimeDelta = TimeDelta::seconds(90);

/// How a search stands.
#[derive(Debug)]
pub(crate) enum Seen {
    /// It goes on here, this far.
    UnderWay(Told),
    /// It was begun a moment ago and is not known here: another instance may be at it.
    Elsewhere,
    /// The plan of its id is there.
    Found,
    /// There is no plan that does what must be done.
    Impossible(Arc<Refusal>),
    /// It came to nothing, for a reason told in a sentence.
    BrokenOff(String),
    /// Nobody knows of it, or not any more.
    Unknown,
}

/// How a search ended.
#[derive(Debug, Clone)]
enum End {
    Found,
    Impossible(Arc<Refusal>),
    BrokenOff(String),
}

#[derive(Debug)]
struct Known {
    id: Uuid,
    far: Report,
    end: Option<End>,
}

/// The searches of this process, the newest last.
#[derive(Debug, Clone, Default)]
pub(super) struct Searches(Arc<Mutex<VecDeque<Known>>>);

impl Searches {
    fn known(&self) -> MutexGuard<'_, VecDeque<Known>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn begin(&self, id: Uuid, far: Report) {
        let mut known = self.known();
        // One search goes on at a time, so that the oldest has ended.
        while known.len() >= REMEMBERED {
            known.pop_front();
        }
        known.push_back(Known { id, far, end: None });
    }

    fn end(&self, id: Uuid, end: End) {
        if let Some(known) = self.known().iter_mut().find(|known| known.id == id) {
            known.end.get_or_insert(end);
        }
    }

    /// How a search stands as far as this process knows.
    fn of(&self, id: Uuid) -> Option<Seen> {
        let all = self.known();
        let known = all.iter().find(|known| known.id == id)?;
        match &known.end {
            None => known.far.told().map(Seen::UnderWay),
            Some(End::Found) => None,
            Some(End::Impossible(refusal)) => Some(Seen::Impossible(Arc::clone(refusal))),
            Some(End::BrokenOff(why)) => Some(Seen::BrokenOff(why.clone())),
        }
    }
}

/// A search that goes on; where it ends in no other way, it was cut short.
struct Running {
    searches: Searches,
    id: Uuid,
    work: Work,
    _turn: Turn,
}

impl Drop for Running {
    fn drop(&mut self) {
        let why = "the search was cut short by a fault of the service, whose log tells more";
        self.searches.end(self.id, End::BrokenOff(why.to_owned()));
    }
}

impl App {
    /// Begins a search that nobody waits for; [`App::search_seen`] tells how it stands.
    pub(crate) fn begin_search(&self, actor: &Actor, prepared: Prepared) -> Result<Uuid> {
        actor.needs_any(propose_plan::MAY)?;
        let turn = self.planner_turn()?;
        let (app, actor, id) = (self.clone(), actor.clone(), fresh_id());
        let work = self.under_way().begin(Kind::Search(prepared.time()), self.now());
        let running = Running { searches: self.searches.clone(), id, work, _turn: turn };
        self.searches.begin(id, running.work.report());
        begin_off_thread(move || {
            let end = match app.search_and_keep(&actor, prepared, &running) {
                Ok(_) => End::Found,
                Err(Error::PlanImpossible(refusal)) => End::Impossible(Arc::from(refusal)),
                Err(error) => {
                    if let Error::Store(error) = &error {
                        tracing::error!(error = ?error, "a plan was not kept");
                    }
                    End::BrokenOff(error.to_string())
                }
            };
            running.searches.end(id, end);
        });
        Ok(id)
    }

    fn search_and_keep(
        &self,
        actor: &Actor,
        prepared: Prepared,
        running: &Running,
    ) -> Result<Stored<ProposedPlan>> {
        let halts = [self.planner_halt()];
        let mut found = prepared.search(actor.subject.clone(), &halts, running.work.report())?;
        found.alternatives = self.query_blocking(|tx, now| propose_plan::rehouse(tx, now, &found.plan))?;
        let (actor, id) = (actor.clone(), running.id);
        self.command_blocking(move |tx, now| propose_plan::save_as(tx, &actor, now, id, &found))
    }

    /// How a search stands.
    pub(crate) async fn search_seen(&self, actor: &Actor, id: Uuid) -> Result<Seen> {
        actor.needs_any(propose_plan::MAY)?;
        if let Some(seen) = self.searches.of(id) {
            return Ok(seen);
        }
        let found = self.query(move |tx, _| Ok(ProposedPlan::find(tx, id)?.is_some())).await?;
        Ok(match found {
            true => Seen::Found,
            false if begun(id).is_some_and(|at| (self.now() - at).abs() < LONGEST) => Seen::Elsewhere,
            false => Seen::Unknown,
        })
    }
}

/// When an id was made, which it carries.
fn begun(id: Uuid) -> Option<DateTime<Utc>> {
    let (seconds, nanos) = id.get_timestamp()?.to_unix();
    DateTime::from_timestamp(i64::try_from(seconds).ok()?, nanos)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_searches_are_remembered_and_each_ends_once() {
        let searches = Searches::default();
        let ids: Vec<Uuid> = (0..40).map(|_| fresh_id()).collect();
        for id in &ids {
            searches.begin(*id, Report::default());
            searches.end(*id, End::BrokenOff("first".to_owned()));
            searches.end(*id, End::Found);
        }
        let told = |id: &Uuid| searches.of(*id).map(|seen| format!("{seen:?}"));
        assert_eq!(told(&ids[39]).as_deref(), Some("BrokenOff(\"first\")"));
        assert_eq!((told(&ids[0]), searches.known().len()), (None, REMEMBERED));
    }

    #[test]
    fn an_id_tells_when_its_search_began() {
        let id: Uuid = "0192d1a0-7c00-7000-8000-000000000000".parse().unwrap();
        assert_eq!(begun(id).unwrap().timestamp_millis(), 0x0192_d1a0_7c00);
        assert_eq!(begun(Uuid::nil()), None);
    }
}
