//! How a page can end other than well: as a page that says so in plain words, or on
//! the way to signing in. The only file of the pages that knows which status a use
//! case's error is; a failing store is logged here, once.

use super::{layout, session};
use crate::identity::Refusal;
use crate::usecases::Error;
use actix_web::http::StatusCode;
use actix_web::http::header::{LOCATION, RETRY_AFTER};
use actix_web::{HttpResponse, ResponseError};
use maud::html;
use std::fmt;

/// The way to sign in, before what is told on the way.
const SIGN_IN: &str = "/sign-in?";

/// Why a page is not shown.
#[derive(Debug)]
pub(super) enum Fault {
    /// Whoever asks is not signed in, or no longer.
    SignIn {
        /// The page to come back to.
        to: String,
        /// Whether they had been.
        expired: bool,
    },
    /// Anything else.
    Page {
        /// The status.
        status: StatusCode,
        /// What happened, in a few words.
        title: &'static str,
        /// What to know and do, in a sentence or two.
        detail: String,
    },
}

impl Fault {
    fn page(status: StatusCode, title: &'static str, detail: impl Into<String>) -> Self {
        Self::Page { status, title, detail: detail.into() }
    }

    /// There is nothing at the address.
    pub(super) fn nowhere() -> Self {
        Self::page(
            StatusCode::NOT_FOUND,
            "There is no such page",
            "The address may be mistyped, or what it showed is gone.",
        )
    }

    /// Somebody asks more often than they may.
    pub(super) fn too_often() -> Self {
        Self::page(
            StatusCode::TOO_MANY_REQUESTS,
            "That was too much at once",
            "Pages were asked for, or sign-ins failed, more often than this service allows. Nothing was changed; wait \
             a minute and try again.",
        )
    }

    /// A form that did not come from a page of ours, or from an older sign-in.
    pub(super) fn strange_form() -> Self {
        Self::page(
            StatusCode::FORBIDDEN,
            "This form was not accepted",
            "It did not come from a page of this service, or from before you last signed in. Nothing was changed. \
             Go back, load the page again, and send it once more.",
        )
    }

    /// A form that cannot be read.
    pub(super) fn unreadable_form() -> Self {
        Self::page(
            StatusCode::BAD_REQUEST,
            "This form cannot be read",
            "What arrived was not a form, or too long for one. Nothing was changed.",
        )
    }

    /// A token that was not let in, where that is not for a new sign-in to mend.
    pub(super) fn of_refusal(refusal: &Refusal, to: String) -> Self {
        match refusal {
            Refusal::Token(_) => Self::SignIn { to, expired: true },
            Refusal::KeysOutOfReach { .. } => Self::page(
                StatusCode::SERVICE_UNAVAILABLE,
                "You cannot be signed in just now",
                "The keys of whoever issued your token are out of reach. Try again in a minute.",
            ),
        }
    }

    /// The answer.
    pub(super) fn answer(&self) -> HttpResponse {
        match self {
            Self::SignIn { to, expired } => {
                let mut address =
                    url::form_urlencoded::Serializer::for_suffix(SIGN_IN.to_owned(), SIGN_IN.len());
                address.append_pair("to", to);
                if *expired {
                    address.append_pair("why", "expired");
                }
                let mut answer = HttpResponse::SeeOther();
                answer.insert_header((LOCATION, address.finish()));
                if *expired {
                    session::forget(&mut answer);
                }
                answer.finish()
            }
            Self::Page { status, title, detail } => {
                let body = html! {
                    h1 { (title) }
                    p.lead { (detail) }
                    p { a href="/" { "Go to today" } }
                };
                let mut answer = HttpResponse::build(*status);
                if *status == StatusCode::SERVICE_UNAVAILABLE {
                    answer.insert_header((RETRY_AFTER, "5"));
                }
                layout::sent(&mut answer, &layout::bare(title, &body))
            }
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SignIn { .. } => f.write_str("not signed in"),
            Self::Page { title, detail, .. } => write!(f, "{title}: {detail}"),
        }
    }
}

impl ResponseError for Fault {
    fn status_code(&self) -> StatusCode {
        match self {
            Self::SignIn { .. } => StatusCode::SEE_OTHER,
            Self::Page { status, .. } => *status,
        }
    }

    fn error_response(&self) -> HttpResponse {
        self.answer()
    }
}

impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        let detail = error.to_string();
        match error {
            Error::Unknown { .. } => {
                Self::page(StatusCode::NOT_FOUND, "There is no such thing", format!("{detail}."))
            }
            Error::Forbidden { any_of } => {
                let words: Vec<&str> = any_of.iter().map(|scope| scope.word()).collect();
                let needed = words.join(" or ");
                let detail = format!(
                    "It takes a token with the scope {needed}. Ask the keeper for one, or sign in as somebody else."
                );
                Self::page(StatusCode::FORBIDDEN, "You may not see or do this", detail)
            }
            Error::NotYours(_) => {
                Self::page(StatusCode::FORBIDDEN, "You may not see or do this", format!("{detail}."))
            }
            Error::Stale { .. } | Error::ConditionMissing => Self::page(
                StatusCode::CONFLICT,
                "It has changed since you saw it",
                "Nothing was changed. Load the page again, look at what is new, and decide anew.",
            ),
            Error::Taken { .. } | Error::WrongState(_) | Error::PlanOutdated(_) | Error::NightRunning => {
                Self::page(StatusCode::CONFLICT, "This cannot be done as things stand", format!("{detail}."))
            }
            Error::Invalid(_) | Error::BookingRefused(_) | Error::PlanImpossible(_) | Error::KeyReused => {
                Self::page(
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "This cannot be done as asked",
                    format!("{detail}."),
                )
            }
            Error::PlannerOccupied | Error::PlannerStopped => Self::page(
                StatusCode::SERVICE_UNAVAILABLE,
                "Not just now",
                format!("{detail}. Try again in a moment."),
            ),
            Error::Store(error) => {
                tracing::error!(error = ?error, "a page failed inside");
                Self::page(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "The page could not be made",
                    "The cause is in the log of the service. Nothing was half done; try again in a moment.",
                )
            }
        }
    }
}
