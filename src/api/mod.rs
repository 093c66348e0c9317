//! The HTTP interface: parses requests, calls one use case each, and answers.

mod accept;
mod audit;
pub mod auth;
pub(crate) mod body;
mod bookings;
pub(crate) mod calculations;
mod calendar_keys;
mod calendars;
mod changes;
mod closure_imports;
pub(crate) mod conditional;
pub(crate) mod contract;
pub(crate) mod crud;
mod csv_cells;
mod due_items;
mod facility;
pub(crate) mod fields;
mod free_busy;
mod gas_forecasts;
mod gas_supplies;
mod gloveboxes;
mod health;
mod holds;
pub mod limits;
mod maintenance_plans;
mod maintenance_visits;
mod maintenance_windows;
pub(crate) mod metrics;
mod nightly_runs;
mod openings;
pub(crate) mod paging;
pub(crate) mod params;
mod part_lives;
mod people;
mod planning_policies;
pub(crate) mod problem;
pub(crate) mod problem_pages;
mod qualifications;
mod readings;
mod room_oxygen;
mod rooms;
mod services;
mod stock_items;
mod stock_movements;
mod stock_projections;
mod strict;
mod upkeep_rules;
mod usage_statements;
mod webhooks;

/// The forms in which callers write things, for files that are loaded.
pub(crate) mod forms {
    pub(crate) use super::bookings::{BookingForm, EndOfRunForm};
    pub(crate) use super::facility::FacilityForm;
    pub(crate) use super::gas_supplies::GasSupplyForm;
    pub(crate) use super::gloveboxes::GloveboxForm;
    pub(crate) use super::maintenance_windows::WindowForm;
    pub(crate) use super::people::PersonForm;
    pub(crate) use super::qualifications::QualificationForm;
    pub(crate) use super::rooms::RoomForm;
    pub(crate) use super::services::ServiceForm;
    pub(crate) use super::stock_items::StockItemForm;
    pub(crate) use super::stock_movements::MovementForm;
    pub(crate) use super::upkeep_rules::RuleForm;
}

pub(crate) use nightly_runs::NightReportBody;

use crate::usecases::App;
use actix_web::{HttpRequest, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// The application, as handlers receive it.
pub(crate) type Api = web::Data<App>;

/// The media type of calendars, as answers carry it.
const ICALENDAR: &str = "text/calendar; charset=utf-8";

/// Base path of every resource.
pub(crate) const BASE: &str = "/api/v1";

pub use readings::readings_in;

/// The path of a request as routes see it: to them a letter written as `%61` is that
/// letter, and what holds for a path holds however it is written.
pub(crate) fn path_of(request: &HttpRequest) -> &str {
    request.match_info().as_str()
}

/// The published contract: the OpenAPI document as JSON text, as it is committed.
pub fn contract_document() -> String {
    let mut text = contract::document().to_pretty_json().expect("the document is made of JSON values");
    text.push('\n');
    text
}

/// Everything that the contract describes.
pub fn described(config: &mut ServiceConfig<'_>) {
    config
        .service(health::live)
        .service(health::ready)
        .service(metrics::scrape)
        .service(utoipa_actix_web::scope(BASE).configure(resources));
}

fn resources(config: &mut ServiceConfig<'_>) {
    audit::routes(config);
    bookings::routes(config);
    calculations::routes(config);
    changes::routes(config);
    calendar_keys::routes(config);
    calendars::routes(config);
    closure_imports::routes(config);
    due_items::routes(config);
    facility::routes(config);
    free_busy::routes(config);
    gas_forecasts::routes(config);
    gas_supplies::routes(config);
    gloveboxes::routes(config);
    holds::routes(config);
    maintenance_plans::routes(config);
    maintenance_visits::routes(config);
    maintenance_windows::routes(config);
    nightly_runs::routes(config);
    openings::routes(config);
    part_lives::routes(config);
    people::routes(config);
    qualifications::routes(config);
    readings::routes(config);
    room_oxygen::routes(config);
    rooms::routes(config);
    services::routes(config);
    stock_items::routes(config);
    stock_movements::routes(config);
    stock_projections::routes(config);
    upkeep_rules::routes(config);
    webhooks::routes(config);
    usage_statements::routes(config);
}
