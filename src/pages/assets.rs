//! The style sheet, the script and the mark of the pages, under names that change
//! with what is in them, so that browsers may keep them for good.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpResponse, get, web};
use sha2::{Digest as _, Sha256};
use std::sync::LazyLock;

/// Something that pages load.
struct Asset {
    kind: &'static str,
    text: &'static str,
    path: String,
}

impl Asset {
    fn new(stem: &str, ending: &str, kind: &'static str, text: &'static str) -> Self {
        let digest = Sha256::digest(text.as_bytes());
        let digits = format!("{digest:x}");
        let short = &digits[..10];
        Self { kind, text, path: format!("/assets/{stem}-{short}.{ending}") }
    }
}

static STYLE: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("style", "css", "text/css; charset=utf-8", include_str!("style.css")));
static SCRIPT: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("script", "js", "text/javascript; charset=utf-8", include_str!("script.js")));
static MARK: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("mark", "svg", "image/svg+xml", include_str!("mark.svg")));

/// Where the style sheet is.
pub(super) fn style() -> &'static str {
    &STYLE.path
}

/// Where the script is.
pub(super) fn script() -> &'static str {
    &SCRIPT.path
}

/// Where the mark is that browsers show on a tab.
pub(super) fn mark() -> &'static str {
    &MARK.path
}

#[get("/assets/{name}")]
pub(super) async fn asset(name: web::Path<String>) -> HttpResponse {
    let path = format!("/assets/{name}");
    let found = [&STYLE, &SCRIPT, &MARK].into_iter().find(|asset| asset.path == path);
    match found {
        Some(asset) => HttpResponse::Ok()
            .insert_header((CONTENT_TYPE, asset.kind))
            .insert_header((CACHE_CONTROL, "public, max-age=31536000, immutable"))
            .body(asset.text),
        None => {
            HttpResponse::NotFound().content_type("text/plain; charset=utf-8").body("there is no such file\n")
        }
    }
}
