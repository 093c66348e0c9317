//! The HTTP interface: parses requests, calls one use case each, and answers.

pub mod auth;
pub(crate) mod body;
pub(crate) mod conditional;
pub(crate) mod contract;
pub(crate) mod crud;
mod health;
pub(crate) mod metrics;
pub(crate) mod paging;
pub(crate) mod params;
pub(crate) mod problem;
pub(crate) mod problem_pages;
mod rooms;

use crate::usecases::App;
use actix_web::web;
use utoipa_actix_web::service_config::ServiceConfig;

/// The application, as handlers receive it.
pub(crate) type Api = web::Data<App>;

/// Base path of every resource.
pub(crate) const BASE: &str = "/api/v1";

/// Everything that the contract describes.
pub(crate) fn described(config: &mut ServiceConfig<'_>) {
    config
        .service(health::live)
        .service(health::ready)
        .service(metrics::scrape)
        .service(utoipa_actix_web::scope(BASE).configure(resources));
}

fn resources(config: &mut ServiceConfig<'_>) {
    rooms::routes(config);
}
