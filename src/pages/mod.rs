//! Pages for people who would rather look than call: rendered here, whole without
//! scripts, one file a page. A page asks one use case for everything it shows, so
//! that it is of one moment; a form is posted, decided by a use case, and answered
//! with a redirection or with the form again and what is wrong with it.
//!
//! Knows nothing of the store and of the API's wire types.

mod assets;
mod book;
mod bookings;
mod closeout;
mod fault;
mod forms;
mod gas;
mod held;
mod layout;
mod one_box;
mod plan;
mod plot;
mod say;
mod session;
mod sign_in;
mod today;
mod under_way;
mod wall;

use crate::identity::FormKey;
use crate::usecases::App;
use actix_web::http::header::{ACCEPT, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};

/// What pages need to keep people signed in.
#[derive(Debug)]
pub(crate) struct Keep {
    /// What forms are stamped with.
    pub(crate) form_key: FormKey,
    /// Whether the site says that it is reached over TLS only.
    pub(crate) over_tls: bool,
}

/// The application, as pages receive it.
type Site = web::Data<App>;

/// Every page, and what pages load.
pub(crate) fn routes(config: &mut web::ServiceConfig) {
    config.service(assets::asset).configure(sign_in::routes).configure(today::routes);
    config.configure(one_box::routes).configure(gas::routes).configure(wall::routes);
    config.configure(book::routes).configure(bookings::routes).configure(closeout::routes);
    config.configure(plan::routes).configure(under_way::routes);
}

/// Whether somebody at a browser asks for something outside the API.
pub(crate) fn are_asked_for(request: &HttpRequest) -> bool {
    let accept = request.headers().get(ACCEPT).map(HeaderValue::as_bytes).unwrap_or_default();
    !request.match_info().as_str().starts_with("/api/") && accept.starts_with(b"text/html")
}

/// The page for an address at which there is nothing.
pub(crate) fn nowhere() -> HttpResponse {
    fault::Fault::nowhere().answer()
}

/// The page for those who ask more often than they may.
pub(crate) fn too_often() -> HttpResponse {
    fault::Fault::too_often().answer()
}
