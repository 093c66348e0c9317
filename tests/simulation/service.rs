//! The service without a network: the routes as the server has them, over a
//! store that commits when it is told to, on one thread.

use crate::calls::{Call, Intent, Reply, Who};
use actix_web::dev::{Extensions, Service as _};
use actix_web::test::{TestRequest, init_service};
use actix_web::{body, web};
use drykeep::api;
use drykeep::api::auth::{Claims, Verifier, sign};
use drykeep::clock::Clock;
use drykeep::store::{Batches, Store, StoreError};
use drykeep::usecases::{App, Error};
use serde_json::Value;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::future::{Future, poll_fn};
use std::path::Path;
use std::pin::Pin;
use std::rc::Rc;
use std::task::Poll;
use utoipa_actix_web::AppExt as _;

const SECRET: &[u8] = b"a secret of the simulation, longer than it needs to be";
const NAME: &str = "drykeep";

type Answering = Pin<Box<dyn Future<Output = Reply>>>;
type Present = Rc<RefCell<Rc<Extensions>>>;

/// The routes, made once; which application answers is set world by world.
pub(crate) struct Front {
    present: Present,
    answer: Box<dyn Fn(TestRequest) -> Answering>,
    tokens: BTreeMap<Who, String>,
}

impl Front {
    /// Makes the routes.
    pub(crate) async fn new() -> Self {
        let present: Present = Rc::new(RefCell::new(Rc::new(Extensions::new())));
        let verifier = web::Data::new(Verifier::new().with_secret(SECRET, NAME, NAME).unwrap());
        let current = Rc::clone(&present);
        let routes = actix_web::App::new()
            .app_data(verifier)
            .wrap_fn(move |mut request, next| {
                request.add_data_container(Rc::clone(&current.borrow()));
                next.call(request)
            })
            .into_utoipa_app()
            .configure(api::described)
            .into_app();
        let routes = init_service(routes).await;
        let answer = move |request: TestRequest| -> Answering {
            let answering = routes.call(request.to_request());
            Box::pin(async move { read(answering.await.expect("every error is an answer")).await })
        };
        let tokens = Who::ALL.into_iter().map(|who| (who, token(who))).collect();
        Self { present, answer: Box::new(answer), tokens }
    }

    fn ask(&self, call: &Call) -> Answering {
        let mut request = TestRequest::default()
            .method(call.method.parse().unwrap())
            .uri(&format!("/api/v1{}", call.path))
            .insert_header(("authorization", self.tokens[&call.who].as_str()));
        if let Some(key) = &call.key {
            request = request.insert_header(("idempotency-key", key.as_str()));
        }
        if call.any_version {
            request = request.insert_header(("if-match", "*"));
        }
        if let Some(body) = &call.body {
            request =
                request.insert_header(("content-type", "application/json")).set_payload(body.to_string());
        }
        (self.answer)(request)
    }
}

async fn read<B: body::MessageBody>(response: actix_web::dev::ServiceResponse<B>) -> Reply {
    let status = response.status().as_u16();
    let bytes = body::to_bytes(response.into_body()).await.ok().expect("a body that is at hand");
    Reply { status, body: serde_json::from_slice(&bytes).unwrap_or(Value::Null) }
}

/// Valid for a day of the machine's clock, which is the clock that tokens are checked by.
fn token(who: Who) -> String {
    let now = Clock::System.now().timestamp();
    let claims = Claims {
        sub: who.subject().to_owned(),
        iss: NAME.to_owned(),
        aud: NAME.into(),
        exp: now + 86_400,
        iat: Some(now),
        scope: who.scope().to_owned(),
        groups: Vec::new(),
    };
    format!("Bearer {}", sign(SECRET, &claims).unwrap())
}

/// The application over one file, until it ends or is cut off.
pub(crate) struct Service {
    front: Rc<Front>,
    app: App,
    batches: Batches,
    present: Rc<Extensions>,
}

impl Service {
    /// Opens a file and starts to serve from it.
    pub(crate) fn open(front: Rc<Front>, path: &Path, clock: &Clock) -> Self {
        let (store, batches) = Store::open_in_turn(path).expect("the database opens");
        let app = App::new(store, clock.clone());
        let mut present = Extensions::new();
        present.insert(web::Data::new(app.clone()));
        let service = Self { front, app, batches, present: Rc::new(present) };
        service.comes_forward();
        service
    }

    /// Lets the routes lead here.
    pub(crate) fn comes_forward(&self) {
        *self.front.present.borrow_mut() = Rc::clone(&self.present);
    }

    fn call(&self, call: &Call) -> Answering {
        if call.intent != Intent::KeepHouse {
            return self.front.ask(call);
        }
        let app = self.app.clone();
        Box::pin(async move {
            let status = match app.keep_house().await {
                Ok(()) => 204,
                Err(Error::Store(StoreError::Unavailable(_))) => 503,
                Err(error) => panic!("could not keep house: {error:?}"),
            };
            Reply { status, body: Value::Null }
        })
    }

    /// Asks for several things at once and answers them, committing as `commit`
    /// does. Nothing comes back once that says that the process is gone.
    pub(crate) async fn ask_all(
        &mut self,
        calls: &[&Call],
        mut commit: impl FnMut(&mut Batches) -> Committed,
    ) -> Option<Vec<Reply>> {
        let mut asked: Vec<Answering> = calls.iter().map(|call| self.call(call)).collect();
        let mut replies: Vec<Option<Reply>> = vec![None; calls.len()];
        let batches = &mut self.batches;
        let alive = poll_fn(|context| {
            loop {
                let mut waits = false;
                for (asked, reply) in asked.iter_mut().zip(&mut replies) {
                    if reply.is_none() {
                        match asked.as_mut().poll(context) {
                            Poll::Ready(answer) => *reply = Some(answer),
                            Poll::Pending => waits = true,
                        }
                    }
                }
                if !waits {
                    return Poll::Ready(true);
                }
                match commit(batches) {
                    Committed::Batch => {}
                    // What is still to come comes from another thread.
                    Committed::Nothing => return Poll::Pending,
                    Committed::CutOff => return Poll::Ready(false),
                }
            }
        })
        .await;
        alive.then(|| replies.into_iter().map(|reply| reply.expect("all have answered")).collect())
    }

    /// Asks for one thing in fair weather.
    pub(crate) async fn ask(&mut self, call: &Call) -> Reply {
        let replies = self.ask_all(&[call], |batches| Committed::of(batches.commit())).await;
        replies.and_then(|mut replies| replies.pop()).expect("nothing cuts it off")
    }

    /// Ends as if the process had: what waits is never written.
    pub(crate) fn cut_off(self) {
        let Self { app, batches, .. } = self;
        drop(batches);
        app.store().close();
    }
}

/// What came of telling the writer to commit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Committed {
    /// What was waiting has been answered.
    Batch,
    /// Nothing was waiting.
    Nothing,
    /// The process is gone.
    CutOff,
}

impl Committed {
    /// As the writer says.
    pub(crate) const fn of(any: bool) -> Self {
        if any { Self::Batch } else { Self::Nothing }
    }
}
