//! What the facility's people and programs can ask for, one verb a file. Each
//! use case authorises, loads, lets the domain decide, and writes the decision
//! and its event in one transaction.

pub(crate) mod adopt_plan;
pub(crate) mod archive;
pub(crate) mod assess_room;
pub(crate) mod book;
pub(crate) mod booking_sheet;
pub(crate) mod calendar_feeds;
pub(crate) mod calendar_keys;
pub(crate) mod choices;
pub(crate) mod correct_service;
pub(crate) mod due_items;
mod error;
pub(crate) mod follow;
pub(crate) mod free_busy;
pub(crate) mod gas;
pub(crate) mod holds;
pub(crate) mod import_closures;
pub(crate) mod ingest_readings;
pub(crate) mod keep;
pub(crate) mod lives;
pub(crate) mod morning;
pub(crate) mod named;
mod observe;
pub(crate) mod once;
pub(crate) mod one_box;
pub(crate) mod openings;
mod part_history;
pub(crate) mod parts;
pub(crate) mod plan_desk;
mod plan_snapshot;
pub(crate) mod plan_text;
pub(crate) mod propose_plan;
pub(crate) mod run_booking;
pub(crate) mod run_night;
pub(crate) mod searches;
pub(crate) mod site;
pub(crate) mod situation;
pub(crate) mod stock;
pub(crate) mod swap_cylinder;
mod two_hands;
pub(crate) mod under_way;
pub(crate) mod upkeep;
pub(crate) mod usage_statements;
pub(crate) mod visits;
pub(crate) mod webhooks;
pub(crate) mod windows;

pub use error::{Alternative, BookingRefusal, Error, NamedConflict, Result};

use crate::clock::{Clock, Halt, fresh_id};
use crate::domain::facility::{GasSupply, ParseContext, SuppliedGas, ThingKind};
use crate::domain::feed::Reach;
use crate::domain::ids::GasSupplyId;
use crate::domain::names::Reference;
use crate::store::kept::Kept as _;
use crate::store::{self, Store, StoreResult, deliveries, idempotency, things};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::sync::Arc;
use uuid::Uuid;

pub(crate) use crate::store::Tx;

/// The store and the clock: everything a use case needs from outside.
#[derive(Debug, Clone)]
pub struct App {
    store: Store,
    clock: Clock,
    planner: Arc<propose_plan::Planner>,
    /// What takes a while in this process.
    under_way: under_way::UnderWay,
    /// The searches that nobody waits for at the other end of a request.
    searches: searches::Searches,
    /// Where webhooks may go.
    reach: Arc<Reach>,
    /// Called once the process was asked to stop.
    stopping: Halt,
}

impl App {
    /// The application over a store and a clock.
    pub fn new(store: Store, clock: Clock) -> Self {
        Self {
            store,
            clock,
            planner: Arc::default(),
            under_way: under_way::UnderWay::default(),
            searches: searches::Searches::default(),
            reach: Arc::default(),
            stopping: Halt::default(),
        }
    }

    /// The same, with webhooks going where the site lets them.
    #[must_use]
    pub fn reaching(self, reach: Reach) -> Self {
        Self { reach: Arc::new(reach), ..self }
    }

    /// Lets those who ask know that the process ends soon.
    pub fn stops_soon(&self) {
        self.stopping.call();
    }

    /// Whether it does.
    pub(crate) fn is_stopping(&self) -> bool {
        self.stopping.called()
    }

    /// Where webhooks may go.
    pub fn reach(&self) -> &Reach {
        &self.reach
    }

    /// The clock.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Makes sure of what must be there before anything can be asked for: the
    /// facility itself.
    pub fn prepare(&self) -> Result<()> {
        if self.query_blocking(|tx, _| site::exists(tx))? {
            return Ok(());
        }
        self.command_blocking(|tx, now| site::ensure(tx, now).map(drop))
    }

    /// The present, by the application's clock.
    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    /// The store, for the parts that watch over it.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Passes when the database answers.
    pub(crate) async fn is_ready(&self) -> Result<()> {
        self.query(|tx, _| Ok(things::get(tx, Uuid::nil()).map(drop)?)).await
    }

    /// What is done every minute: bookings that nobody came for are released,
    /// and answers kept for longer than a day and deliveries done with for longer
    /// than thirty are forgotten.
    pub async fn keep_house(&self) -> Result<()> {
        self.command(|tx, now| {
            run_booking::release_no_shows(tx, now)?;
            deliveries::forget(tx, now - TimeDelta::days(30))?;
            Ok(idempotency::forget(tx, now - TimeDelta::days(1)).map(drop)?)
        })
        .await
    }

    /// Runs a use case that only reads.
    pub(crate) async fn query<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Tx<'_>, DateTime<Utc>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let now = self.now();
        self.store.read(move |tx| work(tx, now)).await
    }

    /// Runs a use case that changes something; durable once it has returned.
    pub(crate) async fn command<T: Send + 'static>(
        &self,
        work: impl Fn(&mut Tx<'_>, DateTime<Utc>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let now = self.now();
        self.store.write(move |tx| work(tx, now)).await
    }

    /// [`App::query`] for the command line.
    pub(crate) fn query_blocking<T>(
        &self,
        work: impl FnOnce(&mut Tx<'_>, DateTime<Utc>) -> Result<T>,
    ) -> Result<T> {
        let now = self.now();
        self.store.read_blocking(move |tx| work(tx, now))
    }

    /// [`App::command`] for the command line.
    pub(crate) fn command_blocking<T: Send + 'static>(
        &self,
        work: impl Fn(&mut Tx<'_>, DateTime<Utc>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let now = self.now();
        self.store.write_blocking(move |tx| work(tx, now))
    }
}

/// Resolves references against the register while input is parsed.
pub(crate) struct Lookup<'a, 'b> {
    tx: &'a mut Tx<'b>,
    /// The first store error met; parsing goes on and the caller reports it.
    failed: Option<store::StoreError>,
}

impl<'a, 'b> Lookup<'a, 'b> {
    /// Parses with `parse`, then reports a store error met on the way, or what it found.
    pub(crate) fn parse<T>(
        tx: &'a mut Tx<'b>,
        parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<T, crate::domain::violations::Violations>,
    ) -> Result<T> {
        let mut lookup = Lookup { tx, failed: None };
        let parsed = parse(&mut lookup);
        match lookup.failed {
            Some(error) => Err(error.into()),
            None => Ok(parsed?),
        }
    }
}

impl Lookup<'_, '_> {
    /// What the store found, or nothing, with its error kept for the caller.
    fn noted<T>(&mut self, found: StoreResult<T>) -> Option<T> {
        match found {
            Ok(found) => Some(found),
            Err(error) => {
                self.failed.get_or_insert(error);
                None
            }
        }
    }
}

impl ParseContext for Lookup<'_, '_> {
    fn find(&mut self, kind: ThingKind, parent: Option<Uuid>, reference: &Reference) -> Option<Uuid> {
        let found = things::matching(self.tx, reference);
        let mut fitting = self
            .noted(found)?
            .into_iter()
            .filter(|thing| thing.kind == kind && (parent.is_none() || thing.parent == parent));
        // A bare tag that several boxes use names none of them.
        fitting.next().filter(|_| fitting.next().is_none()).map(|thing| thing.id)
    }

    fn fresh_id(&mut self) -> Uuid {
        fresh_id()
    }

    fn supplied_gas(&mut self, supply: GasSupplyId) -> Option<SuppliedGas> {
        let found = GasSupply::find(self.tx, supply.into());
        self.noted(found)?.map(|stored| stored.value.gas)
    }

    fn zone(&mut self) -> Tz {
        let found = store::site::get(self.tx);
        self.noted(found).map_or(Tz::UTC, |stored| stored.value.timezone)
    }
}
