//! One world: a database, a clock, and a scheduler that decides from a seed who
//! asks for what, how far the time goes on, and what goes wrong. After each turn
//! what it touched is checked; now and then, and after each wreck, everything.

use crate::actors::{self, Scene};
use crate::calls::{Call, Intent, Reply, Who};
use crate::chance::Chance;
use crate::claims::Claims;
use crate::database::{Image, Observer};
use crate::explain::Explanations;
use crate::faults::{Fault, Storm, Wreck};
use crate::feed::Feed;
use crate::model::Model;
use crate::service::{Committed, Front, Service};
use crate::tally::Tally;
use crate::{due, furnished, kept, usage};
use chrono::{DateTime, SecondsFormat, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use drykeep::clock::{Clock, mint_ids_by};
use drykeep::store::{DatabaseUrl, Store};
use drykeep::usecases::App;
use serde_json::{Value, json};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use tempfile::TempDir;

/// Turns between checks of everything.
const WHOLE: u64 = 500;
/// Zones that the worlds lie in; their clocks are changed on different days and hours.
const ZONES: [Tz; 5] =
    [Tz::Europe__Berlin, Tz::Europe__London, Tz::Atlantic__Azores, Tz::Europe__Athens, Tz::America__New_York];

/// A facility and all that happens in it.
pub(crate) struct World {
    front: Rc<Front>,
    folder: TempDir,
    /// How often the file was put in another place.
    copies: u32,
    path: PathBuf,
    clock: Clock,
    service: Option<Service>,
    observer: Observer,
    chance: Chance,
    zone: Tz,
    model: Model,
    feed: Feed,
    claims: Claims,
    requests: u64,
    /// Of a thousand turns in which something is asked for, how many a fault comes to.
    faults: i64,
    turns: u64,
    /// What came about.
    pub(crate) tally: Tally,
}

/// Where the files are: in memory where that can be had, since what is cut off
/// is copied, and nothing here depends on a disk keeping it.
fn folder() -> TempDir {
    let memory = std::path::Path::new("/dev/shm");
    let inside = memory.is_dir().then(|| tempfile::tempdir_in(memory).ok()).flatten();
    inside.unwrap_or_else(|| tempfile::tempdir().unwrap())
}

/// A furnished file, made once and copied for each world.
pub(crate) async fn template(front: &Rc<Front>) -> Image {
    let folder = folder();
    let path = folder.path().join("template.db");
    let clock = Clock::standing_at(Utc.with_ymd_and_hms(2029, 12, 1, 8, 0, 0).unwrap());
    mint(&clock, 0, 0);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let store = Store::open(&DatabaseUrl::Sqlite(path.clone())).unwrap();
            App::new(store.clone(), clock.clone()).prepare().unwrap();
            store.close();
        });
    });
    let mut service = Service::open(Rc::clone(front), &path, &clock);
    furnished::furnish(&mut service).await;
    service.cut_off();
    Image::of(&path)
}

/// Lets ids be drawn from the seed; as in the service, later ones sort later.
fn mint(clock: &Clock, seed: u64, stream: u64) {
    let chance = RefCell::new(Chance::of(seed, stream * 2 + 1));
    let (clock, last) = (clock.clone(), RefCell::new(0_u64));
    mint_ids_by(move || {
        let now = u64::try_from(clock.now().timestamp_micros()).unwrap_or(0);
        let tick = now.max(*last.borrow() + 1);
        *last.borrow_mut() = tick;
        let random = chance.borrow_mut().bytes();
        let mut bytes = [0; 10];
        bytes.copy_from_slice(&random[..10]);
        let below = u16::try_from(tick % 1000 * 4).expect("below 4096");
        [bytes[0], bytes[1]] = below.to_be_bytes();
        uuid::Builder::from_unix_timestamp_millis(tick / 1000, &bytes).into_uuid()
    });
}

/// Some moment of the year 2030, often in the days before the clocks are changed.
fn beginning(chance: &mut Chance) -> DateTime<Utc> {
    let days = chance.one_of(&[
        Utc.with_ymd_and_hms(2030, 3, 8, 6, 0, 0).unwrap(),
        Utc.with_ymd_and_hms(2030, 3, 28, 6, 0, 0).unwrap(),
        Utc.with_ymd_and_hms(2030, 10, 24, 6, 0, 0).unwrap(),
        Utc.with_ymd_and_hms(2030, 10, 31, 6, 0, 0).unwrap(),
        Utc.with_ymd_and_hms(2030, 1, 7, 8, 0, 0).unwrap(),
    ]);
    days + TimeDelta::minutes(chance.within(0, 3 * 1440))
        + TimeDelta::microseconds(chance.within(0, 1_000_000))
}

impl World {
    /// A world of a seed.
    pub(crate) async fn new(
        front: &Rc<Front>,
        template: &Image,
        seed: u64,
        number: u64,
        faults: i64,
    ) -> Self {
        let mut chance = Chance::of(seed, number * 2);
        let zone = chance.one_of(&ZONES);
        let folder = folder();
        let path = folder.path().join("world-0.db");
        template.put(&path);
        let clock = Clock::standing_at(beginning(&mut chance));
        mint(&clock, seed, number);
        let service = Service::open(Rc::clone(front), &path, &clock);
        let mut world = Self {
            front: Rc::clone(front),
            observer: Observer::of(&path),
            folder,
            copies: 0,
            path,
            service: Some(service),
            chance,
            zone,
            model: Model::at(clock.now()),
            clock,
            feed: Feed::default(),
            claims: Claims::default(),
            requests: 0,
            faults,
            turns: 0,
            tally: Tally::default(),
        };
        world.feed.read(&mut world.observer);
        let place = json!({ "timezone": zone.name() });
        let call = Call::patch(Who::Keeper, "/facility", place, Intent::Keep);
        world.exchange(vec![call]).await;
        world
    }

    fn service(&mut self) -> &mut Service {
        self.service.as_mut().expect("it runs between turns")
    }

    fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    /// One turn: time goes on, somebody asks for something, and what came of it is
    /// checked. Tells how many steps it was: requests, or else one.
    pub(crate) async fn turn(&mut self) -> u64 {
        let before = self.tally.answers();
        self.take_a_turn().await;
        (self.tally.answers() - before).max(1)
    }

    async fn take_a_turn(&mut self) {
        self.turns += 1;
        self.tick();
        match self.chance.within(0, 1000) {
            0..=3 => self.night().await,
            4 => self.plan().await,
            5 | 6 => self.pull_the_plug().await,
            7 => self.fold_the_log(),
            8..=89 => self.follow().await,
            90..=109 => self.seek_and_take().await,
            _ => {
                let calls = self.calls();
                if self.chance.permille(self.faults) {
                    let fault = Fault::any(&mut self.chance);
                    self.in_a_storm(calls, fault).await;
                } else {
                    self.exchange(calls).await;
                }
            }
        }
        if self.turns.is_multiple_of(WHOLE) {
            self.assert_everything().await;
        }
    }

    /// Time goes on, mostly by little; sometimes the clock is set, either way.
    fn tick(&mut self) {
        let chance = &mut self.chance;
        let seconds = match chance.within(0, 10_000) {
            0..=2999 => 0,
            3000..=6499 => chance.within(1, 90),
            6500..=8999 => chance.within(60, 3600),
            9000..=9799 => chance.within(3600, 8 * 3600),
            9800..=9919 => chance.within(86_400, 5 * 86_400),
            9920..=9929 => chance.within(14 * 86_400, 45 * 86_400),
            9930..=9979 => -chance.within(1, 60),
            9980..=9994 => -chance.within(60, 3 * 3600),
            _ => self.until_the_clocks_change(),
        };
        self.tally.clock_went_back(seconds);
        let micros = self.chance.within(0, 1_000_000) * i64::from(seconds != 0);
        self.clock.set(self.clock.now() + TimeDelta::seconds(seconds) + TimeDelta::microseconds(micros));
        self.model.latest = self.model.latest.max(self.clock.now());
    }

    /// To shortly before the next change of the clocks on the wall.
    fn until_the_clocks_change(&self) -> i64 {
        let offset = |at: DateTime<Utc>| at.with_timezone(&self.zone).naive_local() - at.naive_utc();
        let now = self.now();
        let day = (1..200).find(|days| offset(now + TimeDelta::days(*days)) != offset(now)).unwrap_or(1);
        (day - 1) * 86_400 + 3600
    }

    fn scene(&mut self) -> Scene<'_> {
        self.requests += 1;
        Scene { model: &self.model, now: self.clock.now(), zone: self.zone, number: self.requests }
    }

    fn call(&mut self) -> Call {
        let mut chance = std::mem::replace(&mut self.chance, Chance::of(0, 0));
        let call = actors::anything(&self.scene(), &mut chance);
        self.chance = chance;
        call
    }

    /// Mostly one request, sometimes a crowd; some of it wants just the same.
    fn calls(&mut self) -> Vec<Call> {
        let count = match self.chance.below(100) {
            0..=79 => 1,
            80..=95 => 2 + self.chance.below(3),
            _ => 6 + self.chance.below(10),
        };
        let mut calls: Vec<Call> = Vec::with_capacity(count);
        while calls.len() < count {
            let before = calls.last().filter(|call| call.intent == Intent::Book).cloned();
            let again = self.again();
            calls.push(match (before, again) {
                (Some(rival), _) if self.chance.permille(400) => {
                    let who = self.chance.one_of(&Who::RESEARCHERS);
                    let mut rival = Call { who, key: None, ..rival };
                    rival.body.as_mut().and_then(Value::as_object_mut).expect("a form").remove("for");
                    rival
                }
                (_, Some(call)) if self.chance.permille(30) => call,
                _ => self.call(),
            });
        }
        calls
    }

    /// A request that was answered not long ago, as a caller sends it who did not get the answer.
    fn again(&mut self) -> Option<Call> {
        let latest = self.model.latest;
        let known = &self.model.answered;
        let recent = &known[known.len().saturating_sub(12)..];
        let nth = if recent.is_empty() { return None } else { self.chance.below(recent.len()) };
        Some(&recent[nth])
            .filter(|known| latest - known.at < TimeDelta::hours(20))
            .map(|known| known.call.clone())
    }

    /// Asks, learns from the answers, and checks what was touched.
    async fn exchange(&mut self, calls: Vec<Call>) -> Vec<Reply> {
        let asked: Vec<&Call> = calls.iter().collect();
        let replies = self.ask_fairly(&asked).await;
        self.learn(&calls, &replies, &[], false);
        self.try_what_was_offered(&calls, &replies).await;
        replies
    }

    async fn ask_fairly(&mut self, calls: &[&Call]) -> Vec<Reply> {
        let replies = self.service().ask_all(calls, |batches| Committed::of(batches.commit())).await;
        replies.expect("nothing cuts it off")
    }

    async fn in_a_storm(&mut self, calls: Vec<Call>, fault: Fault) {
        let before = self.observer.digest();
        let asked: Vec<&Call> = calls.iter().collect();
        let mut storm = Storm::over(&self.path, fault, &mut self.chance);
        let service = self.service.as_mut().expect("it runs between turns");
        let replies = service.ask_all(&asked, |batches| storm.commit(batches)).await;
        let (wreck, struck) = (storm.wreck.take(), storm.struck);
        drop(storm);
        self.tally.fault(fault, struck);
        match (replies, wreck) {
            (Some(replies), _) => {
                if replies.iter().all(Reply::is_unavailable) {
                    assert_eq!(self.observer.digest(), before, "unavailable, and yet something was changed");
                }
                self.learn(&calls, &replies, &[], struck);
            }
            (None, Some(wreck)) => self.recover(calls, before, wreck).await,
            (None, None) => unreachable!("only a wreck cuts it off"),
        }
    }

    /// Opens what a process that was cut off left behind, and lets those who got
    /// no answer ask again.
    async fn recover(&mut self, calls: Vec<Call>, before: u64, wreck: Wreck) {
        let expected = if wreck.committed { self.observer.digest() } else { before };
        self.reopen(&wreck.image);
        assert_eq!(
            self.observer.digest(),
            expected,
            "after a crash {} a commit the database is not as it was before it",
            if wreck.committed { "that followed" } else { "during" }
        );
        // Whose keys are kept were granted; the others were refused or came to nothing.
        let kept = self.observer.lines("SELECT idempotency_key AS line FROM idempotency_keys");
        let is_kept = |call: &Call| call.key.as_ref().is_some_and(|key| kept.contains(key));
        let (mut keyed, lost): (Vec<Call>, Vec<Call>) =
            calls.into_iter().partition(|call| call.key.is_some());
        keyed.sort_by_key(|call| !is_kept(call));
        let granted = keyed.iter().filter(|call| is_kept(call)).count();
        let asked: Vec<&Call> = keyed.iter().collect();
        let events = Feed::count(&mut self.observer);
        let mut replies = self.ask_fairly(&asked[..granted]).await;
        let now = Feed::count(&mut self.observer);
        assert_eq!(now, events, "what had been done was done again: {keyed:?} {replies:?}");
        assert!(replies.iter().all(Reply::is_done), "granted and then refused: {keyed:?} {replies:?}");
        replies.extend(self.ask_fairly(&asked[granted..]).await);
        let lost = if wreck.committed { lost } else { Vec::new() };
        let shown = self.look_for(&lost).await;
        let all: Vec<Call> = keyed.into_iter().chain(lost).collect();
        self.learn(&all, &replies, &shown, false);
        self.assert_everything().await;
    }

    /// The bookings as they are now, for those that nobody was told of.
    async fn look_for(&mut self, lost: &[Call]) -> Vec<Value> {
        if lost.is_empty() {
            return Vec::new();
        }
        let touched = self.feed.touched_bookings(&mut self.observer);
        let mut shown = Vec::new();
        for id in touched {
            let reply = self.service().ask(&Call::get(Who::Keeper, format!("/bookings/{id}"))).await;
            assert_eq!(reply.status, 200, "{}", reply.body);
            shown.push(reply.body);
        }
        shown
    }

    fn reopen(&mut self, image: &Image) {
        self.service.take().expect("it ran").cut_off();
        let former = self.path.clone();
        self.copies += 1;
        self.path = self.folder.path().join(format!("world-{}.db", self.copies));
        image.put(&self.path);
        self.service = Some(Service::open(Rc::clone(&self.front), &self.path, &self.clock));
        self.observer = Observer::of(&self.path);
        self.observer.assert_sound();
        std::fs::remove_file(former).unwrap();
    }

    /// Cuts the process off while nothing is being written.
    async fn pull_the_plug(&mut self) {
        let before = self.observer.digest();
        let image = Image::of(&self.path);
        self.reopen(&image);
        self.tally.pulled += 1;
        assert_eq!(self.observer.digest(), before, "what was acknowledged is lost");
        self.assert_everything().await;
    }

    /// The log is folded into the file; now and then the power fails meanwhile.
    fn fold_the_log(&mut self) {
        let before = (self.observer.digest(), Image::of(&self.path));
        self.observer.run("PRAGMA wal_checkpoint(FULL)");
        self.tally.folded += 1;
        let after = Image::of(&self.path);
        let image = Image::half_folded(&before.1, &after, &mut self.chance);
        self.reopen(&image);
        assert_eq!(self.observer.digest(), before.0, "lost while the log was folded in");
    }

    async fn follow(&mut self) {
        let (follower, limit) = (self.chance.below(3), 1 + self.chance.below(60));
        let path = self.feed.path_for(follower, limit);
        let reply = self.service().ask(&Call::get(Who::Portal, path)).await;
        assert_eq!(reply.status, 200, "{}", reply.body);
        self.feed.followed(follower, limit, &reply);
    }

    /// What is offered instead of what is taken can be had as it stands.
    async fn try_what_was_offered(&mut self, calls: &[Call], replies: &[Reply]) {
        let ([call], [reply]) = (calls, replies) else { return };
        let offered = reply.body["alternatives"].as_array().filter(|_| call.intent == Intent::Book);
        let Some(offered) = offered.filter(|offered| !offered.is_empty()) else { return };
        if call.body.as_ref().is_some_and(|form| form.get("recurrence").is_some())
            || !self.chance.permille(200)
        {
            return;
        }
        let form = self.chance.one_of(offered);
        let call = Call { body: Some(form), key: None, ..call.clone() };
        let taken = self.service().ask(&call).await;
        assert_eq!(taken.status, 201, "offered and then refused: {:?} {}", call.body, taken.body);
        self.learn(&[call], &[taken], &[], false);
    }

    /// What is open can be had as it stands, but for what rules of the house allow one person.
    async fn seek_and_take(&mut self) {
        let who = self.chance.one_of(&Who::RESEARCHERS);
        let shown = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let from = self.now() + TimeDelta::minutes(self.chance.within(0, 3 * 1440));
        let path = format!(
            "/openings?duration=PT{}M&from={}&to={}&transfers_in={}&limit=20",
            15 * self.chance.within(2, 17),
            shown(from),
            shown(from + TimeDelta::days(self.chance.within(1, 12))),
            self.chance.within(0, 2),
        );
        let found = self.service().ask(&Call::get(who, &path)).await;
        assert_eq!(found.status, 200, "{path}: {}", found.body);
        let open = |item: &&Value| item["qualified"] == true;
        let open: Vec<Value> = found.body["items"].as_array().unwrap().iter().filter(open).cloned().collect();
        self.tally.sought += 1;
        if open.is_empty() {
            return;
        }
        let opening = self.chance.one_of(&open);
        let turns: Vec<Value> =
            path.contains("transfers_in=1").then(|| json!({ "sample": "compact" })).into_iter().collect();
        let form = json!({
            "glovebox": opening["glovebox"], "station": opening["stations"][0]["tag"],
            "start": opening["start"], "end": opening["end"], "transfers_in": turns,
        });
        let call = Call::post(who, "/bookings", form, Intent::Book);
        let replies = self.exchange(vec![call]).await;
        let refused = replies[0].body["conflicts"].as_array().is_some_and(|conflicts| !conflicts.is_empty());
        assert!(!refused, "said to be open and then taken: {opening} {}", replies[0].body);
    }

    async fn night(&mut self) {
        self.requests += 1;
        let past =
            self.chance.permille(250).then(|| self.now() - TimeDelta::minutes(self.chance.within(1, 3000)));
        let form = past.map_or_else(|| json!({}), |at| json!({ "as_of": at.to_rfc3339() }));
        let call = Call::post(Who::Keeper, "/nightly-runs", form, Intent::Night)
            .once(format!("night-{}", self.requests));
        let twice = if self.chance.permille(300) { vec![call.clone(), call] } else { vec![call] };
        let replies = self.exchange(twice).await;
        assert!(replies.iter().all(Reply::is_done), "a night: {replies:?}");
        self.tally.nights += 1;
        if past.is_none() && replies[0].status == 201 && self.chance.permille(300) {
            let scratch = self.folder.path().join("scratch.db");
            due::assert_as_from_scratch(&self.front, &self.clock, &self.path, &scratch, &mut self.observer)
                .await;
            self.service.as_ref().expect("it runs").comes_forward();
            self.tally.from_scratch += 1;
        }
    }

    /// A plan is proposed, adopted, and now and then one of its visits called off.
    async fn plan(&mut self) {
        let asked = json!({ "time_limit": "PT1S" });
        let call = Call::post(Who::Keeper, "/maintenance-plans", asked, Intent::Plan);
        let proposed = self.exchange(vec![call]).await.remove(0);
        self.tally.plans += 1;
        if !proposed.is_done() {
            return;
        }
        let path = format!("/maintenance-plans/{}/adopt", proposed.text("id"));
        let call = Call::post(Who::Keeper, path, json!({}), Intent::Plan);
        self.exchange(vec![call]).await;
        let visits = self.service().ask(&Call::get(Who::Keeper, "/maintenance-visits")).await;
        let visits: Vec<String> = visits.body["items"]
            .as_array()
            .map_or(&[][..], Vec::as_slice)
            .iter()
            .filter(|visit| visit["status"] == "confirmed")
            .map(|visit| visit["id"].as_str().unwrap().to_owned())
            .collect();
        if !visits.is_empty() && self.chance.permille(500) {
            let path = format!("/maintenance-visits/{}/cancel", self.chance.one_of(&visits));
            self.exchange(vec![Call::post(Who::Keeper, path, json!({}), Intent::Plan)]).await;
        }
    }

    /// Takes in what was answered and what was told, which must explain each
    /// other, and checks what that touched.
    fn learn(&mut self, calls: &[Call], replies: &[Reply], shown: &[Value], struck: bool) {
        let events = self.feed.read(&mut self.observer);
        let now = self.now();
        let mut explained = Explanations::of(&mut self.model, calls, replies, shown, struck, now);
        self.tally.replies(replies);
        let mut touched: [BTreeSet<String>; 2] = Default::default();
        let mut closing = false;
        for event in &events {
            self.tally.event(&event.kind);
            closing |= event.kind.starts_with("booking.") || event.kind.starts_with("hold.");
            if event.kind.starts_with("booking.") {
                touched[0].insert(event.subject.clone());
            } else if event.kind.starts_with("maintenance_visit.") {
                touched[1].insert(event.subject.clone());
            }
            explained.take(&mut self.model, event, now);
        }
        explained.assert_all_came_about();
        let owners = touched.iter().flatten().cloned().collect();
        self.claims.follow(&mut self.observer, &owners);
        kept::assert_bookings(&mut self.observer, &self.model, &touched[0]);
        for id in &touched[0] {
            let booked = &self.model.bookings[id];
            if booked.stands() {
                self.claims.assert_has_its_place(id, booked);
            }
        }
        if closing {
            kept::assert_holds_are_honoured(&self.model, &self.claims);
        }
    }

    /// Everything there is.
    pub(crate) async fn assert_everything(&mut self) {
        self.tally.whole += 1;
        self.feed.assert_unchanged(&mut self.observer);
        self.claims.assert_all(&mut self.observer, &self.model);
        kept::assert_all(&mut self.observer, &self.model, &self.feed);
        kept::assert_holds_are_honoured(&self.model, &self.claims);
        self.assert_usage().await;
    }

    /// Statements of months come to what the events come to; those of closed
    /// months and of the one after them do so together.
    async fn assert_usage(&mut self) {
        let by_month = usage::by_month(&self.feed, self.zone);
        let mut months: BTreeSet<String> = by_month.keys().cloned().collect();
        months.extend(self.model.closed.iter().cloned());
        months.extend(self.model.closed.last().map(|last| usage::next(last)));
        let (mut said, mut known) = ([0; 6], [0; 6]);
        let together: BTreeSet<String> = self
            .model
            .closed
            .iter()
            .cloned()
            .chain(self.model.closed.last().map(|last| usage::next(last)))
            .collect();
        for month in months {
            let by = self.chance.one_of(&["group", "person", "glovebox"]);
            let path = format!("/usage-statements?month={month}&by={by}");
            let total = usage::total(&self.service().ask(&Call::get(Who::Portal, path)).await);
            let events = by_month.get(&month).copied().unwrap_or_default();
            if together.contains(&month) {
                usage::add(&mut said, total);
                usage::add(&mut known, events);
            } else {
                assert_eq!(total, events, "the statement of {month}, and the events");
            }
        }
        assert_eq!(said, known, "the statements of {together:?} together, and the events");
    }

    /// Ends it, checking everything once more.
    pub(crate) async fn end(mut self) -> Tally {
        self.assert_everything().await;
        self.observer.assert_sound();
        self.service.take().expect("it runs").cut_off();
        self.tally
    }
}
