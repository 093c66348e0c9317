//! `/sign-in` and `/sign-out`: a token goes in, a cookie comes out.

use super::fault::Fault;
use super::forms::{self, Field, Filled, Form};
use super::{layout, session};
use crate::domain::violations::Violation;
use crate::identity::{Refusal, SECURE_COOKIE};
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use maud::html;

const TOKEN: Field<'static> = Field {
    name: "token",
    label: "Your token",
    hint: "Paste the token that the keeper, or your organisation's sign-in, gave you. It stays in this browser until it \
           expires or you sign out.",
};

/// Browsers drop a longer cookie without a word (RFC 6265bis §5.6: name and value together).
const MOST_KEPT: usize = 4096;

#[get("/sign-in")]
async fn ask(request: HttpRequest) -> HttpResponse {
    let query = Filled::of_query(&request);
    let expired = query.get("why") == "expired";
    shown(StatusCode::OK, &query, &[], expired)
}

#[post("/sign-in")]
async fn let_in(request: HttpRequest, payload: web::Payload) -> Result<HttpResponse, Fault> {
    let filled = forms::read(&request, &mut payload.into_inner()).await?;
    // What people copy begins with the name of a header or a variable now and then; a token has none of these in it.
    let pasted =
        filled.get("token").trim_matches(['"', '\'']).rsplit([' ', '=', ':']).next().unwrap_or_default();
    if pasted.is_empty() {
        return Ok(refused(&filled, "Paste your token here."));
    }
    match session::admit(&request, pasted).await {
        Ok(_) if SECURE_COOKIE.len() + pasted.len() > MOST_KEPT => Ok(refused(
            &filled,
            "This token is too long for a browser to keep (some 4000 characters at most). Ask for one with fewer groups in it.",
        )),
        Ok(_) => {
            let to = session::local(filled.get("to")).to_owned();
            let mut answer = HttpResponse::SeeOther();
            session::remember(&mut answer, &request, pasted);
            Ok(answer.insert_header((LOCATION, to)).finish())
        }
        Err(refusal @ Refusal::Token(_)) => Ok(refused(&filled, &format!("You were not let in: {refusal}."))),
        Err(refusal @ Refusal::KeysOutOfReach { .. }) => Err(Fault::of_refusal(&refusal, String::new())),
    }
}

fn refused(filled: &Filled, why: &str) -> HttpResponse {
    let fault = Violation::new("token", "refused", why);
    shown(StatusCode::UNPROCESSABLE_ENTITY, filled, &[fault], false)
}

fn shown(status: StatusCode, filled: &Filled, faults: &[Violation], expired: bool) -> HttpResponse {
    let form = Form { filled, faults };
    let body = html! {
        h1 { "Sign in" }
        (form.summary())
        @if expired {
            p.note role="status" { "Your sign-in has ended, as every token does. Sign in again and you are taken back." }
        }
        form method="post" action="/sign-in" {
            input type="hidden" name="to" value=(session::local(filled.get("to")));
            (form.secret(TOKEN))
            button { "Sign in" }
        }
        p.quiet { "Programs use the API instead: " a href="/docs/" { "the contract" } "." }
    };
    let title = if faults.is_empty() { "Sign in" } else { "Please mend: sign in" };
    layout::sent(&mut HttpResponse::build(status), &layout::bare(title, &body))
}

#[post("/sign-out")]
async fn let_go(request: HttpRequest, payload: web::Payload) -> Result<HttpResponse, Fault> {
    // Whoever goes may go, also where the token is not good any more: its origin is all that is looked at.
    forms::read(&request, &mut payload.into_inner()).await?;
    let mut answer = HttpResponse::SeeOther();
    session::forget(&mut answer);
    Ok(answer.insert_header((LOCATION, "/sign-in")).finish())
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(ask).service(let_in).service(let_go);
}
