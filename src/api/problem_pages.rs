//! What the `type` of a problem points at: an explanation of its kind.

use super::problem::{self, KINDS, Problem};
use actix_web::{HttpResponse, get, web};

#[get("/problems/{slug}")]
pub(crate) async fn explain(slug: web::Path<String>) -> Result<HttpResponse, Problem> {
    let kind = KINDS
        .iter()
        .find(|kind| kind.slug == slug.as_str())
        .ok_or_else(|| Problem::new(problem::NOT_FOUND, "there is no such kind of problem"))?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(format!(
        "{} ({})\n\n{}\n",
        kind.title,
        kind.status.as_u16(),
        kind.help
    )))
}
