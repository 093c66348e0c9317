//! `/due-items`.

use utoipa_actix_web::service_config::ServiceConfig;

/// Puts the routes on a scope.
pub(crate) fn routes(_config: &mut ServiceConfig<'_>) {}
