//! Serves the API and the pages: routes, request ids, limits and a graceful stop.

mod arrival;
mod cors;
mod headers;

use crate::api::limits::{self, Limiter, Proxies};
use crate::api::metrics::{self, Metrics};
use crate::api::problem::{self, Problem};
use crate::api::{self, contract, problem_pages};
use crate::clock::fresh_secret;
use crate::config::HttpSettings;
use crate::identity::{FormKey, Verifier};
use crate::outbox;
use crate::pages;
use crate::telemetry;
use crate::usecases::App;
use actix_web::body::{EitherBody, MessageBody};
use actix_web::dev::{Server, ServiceRequest, ServiceResponse};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::{Compress, Condition, Next, from_fn};
use actix_web::{HttpRequest, HttpResponse, HttpServer, web};
use std::net::TcpListener;
use std::time::Duration;
use thiserror::Error;
use utoipa_actix_web::AppExt as _;
use utoipa_swagger_ui::SwaggerUi;

/// How long the head of a request may take to arrive.
const HEAD_WITHIN: Duration = Duration::from_secs(15);

/// How long a connection without requests is kept: longer than proxies keep theirs, which is a minute
/// mostly, so that none sends a request into one that is just being closed.
const KEPT_OPEN: Duration = Duration::from_secs(75);

/// Where the contract is published.
const CONTRACT: &str = "/openapi.json";

/// Why the server could not start.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address cannot be listened at.
    #[error("cannot serve: {0}")]
    Io(#[from] std::io::Error),
    /// The counters could not be set up.
    #[error("cannot set up metrics: {0}")]
    Metrics(#[from] prometheus::Error),
    /// Webhooks cannot be sent.
    #[error("cannot send webhooks: {0}")]
    Outbox(#[from] outbox::StartError),
}

/// Starts serving on a bound listener; stops gracefully on SIGINT and SIGTERM.
pub fn serve(
    app: App,
    verifier: Verifier,
    listener: TcpListener,
    workers: usize,
    settings: &HttpSettings,
) -> Result<Server, ServeError> {
    outbox::start(app.store().clone(), app.clock().clone(), app.reach())?;
    actix_web::rt::spawn(keep_house(app.clone()));
    let (stopping, drain) = (app.clone(), settings.drain);
    let data = web::Data::new(app);
    verifier.fetch_ahead();
    let verifier = web::Data::new(verifier);
    let metrics = web::Data::new(Metrics::new()?);
    let proxies = Proxies { trusted: settings.trusted_proxies.clone(), forwarded: settings.forwarded };
    let limiter = web::Data::new(Limiter::new(settings.rates, proxies));
    let contract::Published { methods, text } = contract::published();
    let (methods, text) = (web::Data::new(methods), web::Data::new(text));
    let HttpSettings { cors_origins, hsts, body_within, form_key, .. } = settings.clone();
    let form_key = form_key.unwrap_or_else(|| FormKey::of(fresh_secret()));
    let keep = web::Data::new(pages::Keep { form_key, over_tls: hsts.is_some() });
    let server = HttpServer::new(move || {
        let (counters, counted, limiter) = (metrics.clone(), metrics.clone(), limiter.clone());
        // What stands below sees a request first, and its answer last.
        actix_web::App::new()
            .app_data(data.clone())
            .app_data(verifier.clone())
            .app_data(metrics.clone())
            .app_data(methods.clone())
            .app_data(text.clone())
            .app_data(keep.clone())
            .wrap(Compress::default())
            .wrap(from_fn(move |request, next| arrival::in_time(body_within, request, next)))
            .wrap(from_fn(move |request, next| {
                limits::hold_back(limiter.clone(), counted.clone(), request, next)
            }))
            .wrap(from_fn(held_back_on_a_page))
            .wrap(from_fn(move |request, next| metrics::observe(counters.clone(), request, next)))
            .wrap(Condition::new(!cors_origins.is_empty(), cors::rules(&cors_origins)))
            .wrap(from_fn(move |request, next| headers::protect(hsts, request, next)))
            .wrap(from_fn(telemetry::with_request_id))
            .wrap(from_fn(head_as_get))
            .into_utoipa_app()
            .configure(api::described)
            .into_app()
            .service(problem_pages::explain)
            .configure(pages::routes)
            .service(SwaggerUi::new("/docs/{_:.*}").config(utoipa_swagger_ui::Config::new([CONTRACT])))
            .route("/docs", web::get().to(docs))
            .route(CONTRACT, web::get().to(published))
            .default_service(web::route().to(no_such_route))
    })
    .workers(workers)
    .max_connections(settings.most_connections.div_ceil(workers))
    .client_request_timeout(HEAD_WITHIN)
    .keep_alive(KEPT_OPEN)
    // A client that has gone away is not worked for.
    .h1_allow_half_closed(false)
    .shutdown_timeout(15)
    .shutdown_signal(async move {
        arrival::asked_to_stop().await;
        stopping.stops_soon();
        tokio::time::sleep(drain).await;
        stopping.stop_searching();
    })
    .listen(listener)?
    .run();
    Ok(server)
}

/// Does what is due every minute; a failure is logged and the next minute tries again.
async fn keep_house(app: App) {
    let mut minute = tokio::time::interval(Duration::from_secs(60));
    minute.tick().await;
    loop {
        minute.tick().await;
        if let Err(error) = app.keep_house().await {
            tracing::warn!(error = ?error, "could not keep house");
        }
    }
}

/// Tells people at a browser on a page that they asked for too much, with the headers
/// that a program would have got.
async fn held_back_on_a_page<B: MessageBody>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<EitherBody<B>>, actix_web::Error> {
    let at_a_browser = pages::are_asked_for(request.request());
    let answered = next.call(request).await?;
    if !at_a_browser || answered.status() != StatusCode::TOO_MANY_REQUESTS {
        return Ok(answered.map_into_left_body());
    }
    let (request, answer) = answered.into_parts();
    let mut page = pages::too_often();
    for (name, value) in answer.headers() {
        if !page.headers().contains_key(name) {
            page.headers_mut().insert(name.clone(), value.clone());
        }
    }
    Ok(ServiceResponse::new(request, page).map_into_right_body())
}

/// Answers HEAD as GET (RFC 9110 §9.3.2); the encoder leaves the body out.
async fn head_as_get<B: MessageBody>(
    mut request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, actix_web::Error> {
    if request.method() == Method::HEAD {
        request.head_mut().method = Method::GET;
    }
    next.call(request).await
}

async fn published(contract: web::Data<contract::Text>) -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(contract.0.clone())
}

async fn docs() -> HttpResponse {
    HttpResponse::PermanentRedirect().insert_header(("Location", "/docs/")).finish()
}

/// Tells a path that does not exist from one that takes other methods.
async fn no_such_route(
    request: HttpRequest,
    methods: web::Data<contract::Methods>,
) -> Result<HttpResponse, Problem> {
    if pages::are_asked_for(&request) {
        return Ok(pages::nowhere());
    }
    let allowed = methods.of(request.path());
    if allowed.is_empty() {
        return Err(Problem::new(problem::NOT_FOUND, format!("there is nothing at {}", request.path())));
    }
    Err(Problem::method_not_allowed(allowed.join(", ")))
}
