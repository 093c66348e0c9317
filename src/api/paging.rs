//! Lists: a limit, a cursor, and a link to the next page (RFC 8288).

use super::problem::Problem;
use actix_web::{HttpRequest, HttpResponse};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// Items on a page at most.
pub(super) const MOST_ON_A_PAGE: i64 = 500;

/// Query of a list.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct PageQuery {
    /// How many at most: 1 to 500, 100 unless given.
    pub(crate) limit: Option<String>,
    /// The `next` of the page before.
    pub(crate) after: Option<String>,
}

/// The part of a list that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Page {
    /// How many at most.
    pub(crate) limit: i64,
    /// Those after this one.
    pub(crate) after: Option<Uuid>,
}

impl PageQuery {
    /// Checks the query.
    pub(crate) fn parse(&self) -> Result<Page, Problem> {
        let limit = limit(self.limit.as_deref())?;
        let after = match &self.after {
            None => None,
            Some(text) => Some(
                Uuid::parse_str(text)
                    .map_err(|_| Problem::field("after", "bad_cursor", "must be the `next` of a page"))?,
            ),
        };
        Ok(Page { limit, after })
    }
}

/// How many at most are asked for.
pub(crate) fn limit(text: Option<&str>) -> Result<i64, Problem> {
    let Some(text) = text else { return Ok(100) };
    text.parse()
        .ok()
        .filter(|limit| (1..=MOST_ON_A_PAGE).contains(limit))
        .ok_or_else(|| Problem::field("limit", "out_of_range", "must be 1 to 500"))
}

impl Page {
    /// One more than the page holds, to learn whether another follows.
    pub(crate) const fn probe(self) -> i64 {
        self.limit + 1
    }
}

/// A page of a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Listing<T> {
    /// The things on this page.
    items: Vec<T>,
    /// The cursor of the next page; null on the last.
    next: Option<String>,
}

impl<T> Listing<T> {
    /// A page from one more item than it holds, when there are as many.
    pub(crate) fn new(mut probed: Vec<T>, page: Page, cursor: impl Fn(&T) -> String) -> Self {
        let limit = usize::try_from(page.limit).unwrap_or(500);
        let more = probed.len() > limit;
        probed.truncate(limit);
        let next = if more { probed.last().map(cursor) } else { None };
        Self { items: probed, next }
    }

    /// The same page of something else.
    pub(crate) fn map<U>(self, view: impl Fn(&T) -> U) -> Listing<U> {
        Listing { items: self.items.iter().map(view).collect(), next: self.next }
    }

    /// The same page of something else, made of the things themselves.
    pub(crate) fn map_owned<U>(self, view: impl FnMut(T) -> U) -> Listing<U> {
        Listing { items: self.items.into_iter().map(view).collect(), next: self.next }
    }

    /// A list that is whole.
    pub(crate) fn whole(items: Vec<T>) -> Self {
        Self { items, next: None }
    }

    /// The answer, with a `Link` to the next page where there is one.
    pub(crate) fn answer(&self, request: &HttpRequest) -> HttpResponse
    where
        T: Serialize,
    {
        let mut answer = HttpResponse::Ok();
        if let Some(next) = &self.next {
            answer.insert_header((actix_web::http::header::LINK, next_link(request, next)));
        }
        answer.json(self)
    }
}

/// The `Link` to the page after the one that the request asks for (RFC 8288).
pub(crate) fn next_link(request: &HttpRequest, next: &str) -> String {
    let kept: Vec<&str> = request
        .query_string()
        .split('&')
        .filter(|pair| !pair.is_empty() && !pair.starts_with("after="))
        .collect();
    let joint = if kept.is_empty() { String::new() } else { format!("{}&", kept.join("&")) };
    format!("<{}?{joint}after={next}>; rel=\"next\"", request.path())
}
