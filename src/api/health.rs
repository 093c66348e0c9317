//! Whether the process lives and whether it can answer.

use super::Api;
use super::problem::{self, Problem};
use actix_web::{HttpResponse, get};
use serde::Serialize;
use utoipa::ToSchema;

/// The state of the service.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"status": "pass"}))]
pub(crate) struct Health {
    /// `pass`, or the answer is a problem.
    status: &'static str,
}

/// Whether the process is alive.
#[utoipa::path(tag = "operations", responses((status = 200, description = "Alive", body = Health)))]
#[get("/health/live")]
pub(crate) async fn live() -> HttpResponse {
    HttpResponse::Ok().json(Health { status: "pass" })
}

/// Whether the service can answer: the database is reachable, and it was not asked to stop.
#[utoipa::path(tag = "operations", responses((status = 200, description = "Ready", body = Health)))]
#[get("/health/ready")]
pub(crate) async fn ready(app: Api) -> Result<HttpResponse, Problem> {
    if app.is_stopping() {
        return Err(Problem::new(problem::UNAVAILABLE, "the service was asked to stop").again_in(1));
    }
    app.is_ready().await.map_err(|error| {
        tracing::warn!(error = ?error, "not ready");
        Problem::new(problem::UNAVAILABLE, "the database cannot be reached").again_in(1)
    })?;
    Ok(HttpResponse::Ok().json(Health { status: "pass" }))
}
