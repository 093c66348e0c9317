//! Counters and timings for Prometheus.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::middleware::Next;
use actix_web::{HttpResponse, get, web};
use prometheus::{HistogramOpts, HistogramVec, IntCounterVec, Opts, Registry, TextEncoder};
use std::time::Instant;

/// What is counted; one for the whole service.
#[derive(Clone)]
pub(crate) struct Metrics {
    registry: Registry,
    requests: IntCounterVec,
    seconds: HistogramVec,
    held_back: IntCounterVec,
}

impl Metrics {
    /// Counters at zero.
    pub(crate) fn new() -> Result<Self, prometheus::Error> {
        let registry = Registry::new();
        let requests = IntCounterVec::new(
            Opts::new("drykeep_http_requests_total", "Requests answered"),
            &["method", "route", "status"],
        )?;
        let seconds = HistogramVec::new(
            HistogramOpts::new("drykeep_http_request_seconds", "Time to answer"),
            &["method", "route"],
        )?;
        let held_back = IntCounterVec::new(
            Opts::new("drykeep_http_held_back_total", "Requests refused because too many were made"),
            &["quota"],
        )?;
        registry.register(Box::new(held_back.clone()))?;
        registry.register(Box::new(requests.clone()))?;
        registry.register(Box::new(seconds.clone()))?;
        Ok(Self { registry, requests, seconds, held_back })
    }

    /// Counts a request that was one too many for the quota.
    pub(crate) fn held_back(&self, quota: &str) {
        self.held_back.with_label_values(&[quota]).inc();
    }
}

/// Counts and times every request under the pattern of its route, so that ids
/// in paths do not multiply the series.
pub(crate) async fn observe<B: MessageBody>(
    metrics: web::Data<Metrics>,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, actix_web::Error> {
    let began = Instant::now();
    let method = request.method().as_str().to_owned();
    let answered = next.call(request).await?;
    let route = answered.request().match_pattern().unwrap_or_else(|| "unmatched".to_owned());
    metrics.requests.with_label_values(&[method.as_str(), route.as_str(), answered.status().as_str()]).inc();
    metrics
        .seconds
        .with_label_values(&[method.as_str(), route.as_str()])
        .observe(began.elapsed().as_secs_f64());
    Ok(answered)
}

/// Metrics in the Prometheus text format.
#[utoipa::path(tag = "operations",
    responses((status = 200, description = "Metrics", body = String, content_type = "text/plain")))]
#[get("/metrics")]
pub(crate) async fn scrape(metrics: web::Data<Metrics>) -> HttpResponse {
    match TextEncoder::new().encode_to_string(&metrics.registry.gather()) {
        Ok(text) => HttpResponse::Ok().content_type("text/plain; version=0.0.4").body(text),
        Err(error) => {
            tracing::error!(%error, "metrics cannot be written");
            HttpResponse::InternalServerError().finish()
        }
    }
}
