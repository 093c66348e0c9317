//! Query parameters, with faults answered as problems.

use super::problem::Problem;
use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, web};
use serde::de::DeserializeOwned;
use std::future::{Ready, ready};

/// The query of a request as a `T`.
pub(crate) struct Params<T>(pub(crate) T);

impl<T: DeserializeOwned> FromRequest for Params<T> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(
            web::Query::<T>::from_query(request.query_string())
                .map(|query| Self(query.into_inner()))
                .map_err(|error| {
                    let text = error.to_string();
                    // What the library puts before it says nothing to callers.
                    let text = text.trim_start_matches("Query deserialize error: ");
                    let field = text.split('`').nth(1).unwrap_or_default();
                    Problem::field(field, "bad_parameter", text)
                }),
        )
    }
}
