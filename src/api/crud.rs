//! The five operations that every part of the facility's model shares, over
//! the form in which callers write it and the view in which they read it.

use super::body::{Body, shape_fault};
use super::conditional::{self, IfMatch};
use super::paging::{Listing, Page, PageQuery};
use super::problem::Problem;
use super::strict::Strict;
use crate::domain::access::Actor;
use crate::domain::facility::{ParseContext, Stored};
use crate::domain::names::Reference;
use crate::domain::violations::Violations;
use crate::usecases::keep::{self, Kept as _, Managed};
use crate::usecases::once::Answer;
use crate::usecases::{App, Error, Tx};
use actix_web::http::StatusCode;
use actix_web::http::header::{ETAG, LOCATION};
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// The form in which callers write an aggregate.
pub(crate) trait Form: Serialize + DeserializeOwned + Clone + Send + Sync + 'static {
    /// What it is parsed into.
    type Value: Managed;
    /// How it is shown.
    type View: Serialize + Send + 'static + for<'a> From<&'a Stored<Self::Value>>;
    /// Path of the collection, under the base path.
    const PATH: &'static str;

    /// Parses and checks; `current` is what is being changed, absent when creating.
    fn parse(
        &self,
        context: &mut dyn ParseContext,
        current: Option<&Self::Value>,
    ) -> Result<Self::Value, Violations>;

    /// The form that would produce the value.
    fn of(value: &Self::Value) -> Self;

    /// How `actor` sees it, with what its view shows of other things.
    fn view(tx: &mut Tx<'_>, actor: &Actor, stored: &Stored<Self::Value>) -> Result<Self::View, Error> {
        // Views that show more, or less to some, say so themselves.
        let _ = (tx, actor);
        Ok(Self::View::from(stored))
    }
}

/// Parses a reference in a path.
pub(crate) fn reference(what: &'static str, text: &str) -> Result<Reference, Problem> {
    text.parse().map_err(|_| Error::unknown(what, text).into())
}

/// The answer to a creation: 201, where it is and its version.
pub(crate) fn created<V: Serialize>(
    path: &str,
    id: impl std::fmt::Display,
    version: i32,
    view: &V,
) -> Answer {
    Answer {
        status: 201,
        body: serde_json::to_string(view).unwrap_or_default(),
        location: Some(format!("/api/v1/{path}/{id}")),
        etag: Some(conditional::etag(version)),
        replayed: false,
    }
}

/// Writes an answer out.
pub(crate) fn respond(answer: Answer) -> HttpResponse {
    let status = StatusCode::from_u16(answer.status).unwrap_or(StatusCode::OK);
    let mut response = HttpResponse::build(status);
    response.content_type("application/json");
    if let Some(location) = answer.location {
        response.insert_header((LOCATION, location));
    }
    if let Some(etag) = answer.etag {
        response.insert_header((ETAG, etag));
    }
    if answer.replayed {
        response.insert_header(("idempotency-replayed", "true"));
    }
    response.body(answer.body)
}

/// Answers with one thing and its entity tag.
pub(crate) fn shown<V: Serialize>(version: i32, view: &V) -> HttpResponse {
    HttpResponse::Ok().insert_header((ETAG, conditional::etag(version))).json(view)
}

/// Creates one.
pub(crate) async fn create<F: Form>(app: &App, actor: Actor, body: Body<F>) -> Result<HttpResponse, Problem> {
    let form = body.value;
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let stored = keep::create(tx, &who, now, |context| form.parse(context, None))?;
            Ok(created(F::PATH, stored.id, stored.version, &F::view(tx, &who, &stored)?))
        })
        .await?;
    Ok(respond(answer))
}

/// Lists them, a page at a time.
pub(crate) async fn list<F: Form>(
    app: &App,
    actor: Actor,
    request: &HttpRequest,
    query: &PageQuery,
) -> Result<HttpResponse, Problem> {
    let page = query.parse()?;
    list_of::<F>(app, actor, request, page, move |tx, actor| keep::list(tx, actor, page.after, page.probe()))
        .await
}

/// Lists those that `found` finds, a page at a time.
pub(crate) async fn list_of<F: Form>(
    app: &App,
    actor: Actor,
    request: &HttpRequest,
    page: Page,
    found: impl FnOnce(&mut Tx<'_>, &Actor) -> Result<Vec<Stored<F::Value>>, Error> + Send + 'static,
) -> Result<HttpResponse, Problem> {
    let views = app
        .query(move |tx, _| {
            let stored = found(tx, &actor)?;
            stored
                .iter()
                .map(|item| Ok((item.id, F::view(tx, &actor, item)?)))
                .collect::<Result<Vec<_>, Error>>()
        })
        .await?;
    let listing = Listing::new(views, page, |(id, _)| id.to_string());
    Ok(listing.map_owned(|(_, view)| view).answer(request))
}

/// Shows one; 304 where the caller has this version.
pub(crate) async fn read<F: Form>(
    app: &App,
    actor: Actor,
    request: &HttpRequest,
    id: &str,
) -> Result<HttpResponse, Problem> {
    let reference = reference(F::Value::NAME, id)?;
    let (version, view) = app
        .query(move |tx, _| {
            let stored = keep::get::<F::Value>(tx, &actor, &reference)?;
            Ok((stored.version, F::view(tx, &actor, &stored)?))
        })
        .await?;
    Ok(shown_unless_known(request, version, &view))
}

/// Answers with one thing, or 304 where the caller has this version.
pub(crate) fn shown_unless_known<V: Serialize>(
    request: &HttpRequest,
    version: i32,
    view: &V,
) -> HttpResponse {
    if conditional::none_match(request, version) {
        return HttpResponse::NotModified().insert_header((ETAG, conditional::etag(version))).finish();
    }
    shown(version, view)
}

/// Changes one by a JSON merge patch (RFC 7396) of the form it was written in.
pub(crate) async fn patch<F: Form>(
    app: &App,
    actor: Actor,
    id: &str,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let reference = reference(F::Value::NAME, id)?;
    let patch = body.value;
    let (version, view) = app
        .command(move |tx, now| {
            let stored = keep::change(tx, &actor, now, &reference, &if_match.0, |context, current| {
                merged::<F>(current, &patch)?.parse(context, Some(current))
            })?;
            Ok((stored.version, F::view(tx, &actor, &stored)?))
        })
        .await?;
    Ok(shown(version, &view))
}

/// Removes one.
pub(crate) async fn delete<F: Form>(
    app: &App,
    actor: Actor,
    id: &str,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let reference = reference(F::Value::NAME, id)?;
    app.command(move |tx, now| keep::remove::<F::Value>(tx, &actor, now, &reference, &if_match.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// The present form with a merge patch applied.
pub(crate) fn merged<F: Form>(current: &F::Value, patch: &Value) -> Result<F, Violations> {
    patched(&F::of(current), patch)
}

/// A form with a merge patch applied.
pub(crate) fn patched<F: Serialize + DeserializeOwned>(form: &F, patch: &Value) -> Result<F, Violations> {
    let mut form = serde_json::to_value(form).unwrap_or(Value::Null);
    refuse_unknown_nulls::<F>(&form, patch)?;
    merge(&mut form, patch);
    serde_path_to_error::deserialize(Strict(&form))
        .map_err(|error| shape_fault(&error.path().to_string(), error.inner()).into())
}

/// A null takes a field away, so that one of an unknown field would go unseen.
fn refuse_unknown_nulls<F: DeserializeOwned>(form: &Value, patch: &Value) -> Result<(), Violations> {
    let Value::Object(changes) = patch else { return Ok(()) };
    for name in changes.iter().filter(|(_, change)| change.is_null()).map(|(name, _)| name) {
        let mut with_null = form.clone();
        if let Value::Object(fields) = &mut with_null {
            fields.entry(name.clone()).or_insert(Value::Null);
        }
        if let Err(error) = serde_path_to_error::deserialize::<_, F>(Strict(&with_null))
            && error.inner().to_string().starts_with("unknown field")
        {
            return Err(shape_fault(&error.path().to_string(), error.inner()).into());
        }
    }
    Ok(())
}

/// JSON merge patch, RFC 7396 §2.
pub(crate) fn merge(target: &mut Value, patch: &Value) {
    let Value::Object(changes) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(serde_json::Map::new());
    }
    if let Value::Object(fields) = target {
        for (name, change) in changes {
            if change.is_null() {
                fields.remove(name);
            } else {
                merge(fields.entry(name.clone()).or_insert(Value::Null), change);
            }
        }
    }
}

/// Declares the five routes of a collection that callers keep through [`Form`].
macro_rules! crud_routes {
    (
        $form:ty, $view:ty, tag $tag:tt, path $path:tt, item $item:tt,
        see $see:tt, change $change:tt,
        $create:ident $create_doc:tt, $list:ident $list_doc:literal, $get:ident $get_doc:tt,
        $patch:ident $patch_doc:tt, $delete:ident $delete_doc:tt $(,)?
    ) => {
        use actix_web::get;
        use $crate::api::paging::Listing;

        $crate::api::crud::item_routes! {
            $form, $view, tag $tag, path $path, item $item, see $see, change $change,
            $create $create_doc, $get $get_doc, $patch $patch_doc, $delete $delete_doc,
        }

        #[doc = $list_doc]
        #[utoipa::path(tag = $tag, params($crate::api::paging::PageQuery), security(("token" = [$see])),
                                                    responses((status = 200, description = "A page of them",
                                                        body = $crate::api::paging::Listing<$view>)))]
        #[get($path)]
        async fn $list(
            app: $crate::api::Api,
            caller: $crate::api::auth::Caller,
            request: actix_web::HttpRequest,
            query: $crate::api::params::Params<$crate::api::paging::PageQuery>,
        ) -> Result<actix_web::HttpResponse, $crate::api::problem::Problem> {
            $crate::api::crud::list::<$form>(&app, caller.0, &request, &query.0).await
        }

        /// Puts the routes on a scope.
        pub(crate) fn routes(config: &mut utoipa_actix_web::service_config::ServiceConfig<'_>) {
            config.service($create).service($list).service($get).service($patch).service($delete);
        }
    };
}
pub(crate) use crud_routes;

/// Declares the routes of [`crud_routes`] except the list, for collections
/// whose list takes more than a page; `actix_web::get` must be in scope.
macro_rules! item_routes {
    (
        $form:ty, $view:ty, tag $tag:tt, path $path:tt, item $item:tt,
        see $see:tt, change $change:tt,
        $create:ident $create_doc:tt, $get:ident $get_doc:tt,
        $patch:ident $patch_doc:tt, $delete:ident $delete_doc:tt $(,)?
    ) => {
        use actix_web::{delete, patch, post};

        #[doc = $create_doc]
        #[utoipa::path(tag = $tag, request_body = $form, security(("token" = [$change])),
            responses((status = 201, description = "It was created", body = $view)))]
        #[post($path)]
        async fn $create(
            app: $crate::api::Api,
            caller: $crate::api::auth::Caller,
            body: $crate::api::body::Body<$form>,
        ) -> Result<actix_web::HttpResponse, $crate::api::problem::Problem> {
            $crate::api::crud::create(&app, caller.0, body).await
        }

        #[doc = $get_doc]
        #[utoipa::path(tag = $tag, params(("id" = String, Path, description = "Id or tag")),
            security(("token" = [$see])), responses((status = 200, description = "It", body = $view)))]
        #[get($item)]
        async fn $get(
            app: $crate::api::Api,
            caller: $crate::api::auth::Caller,
            request: actix_web::HttpRequest,
            id: actix_web::web::Path<String>,
        ) -> Result<actix_web::HttpResponse, $crate::api::problem::Problem> {
            $crate::api::crud::read::<$form>(&app, caller.0, &request, &id).await
        }

        #[doc = $patch_doc]
        #[utoipa::path(tag = $tag, params(("id" = String, Path, description = "Id or tag")),
            request_body(content = $form, description = "The fields to change"),
            security(("token" = [$change])),
            responses((status = 200, description = "It, changed", body = $view)))]
        #[patch($item)]
        async fn $patch(
            app: $crate::api::Api,
            caller: $crate::api::auth::Caller,
            id: actix_web::web::Path<String>,
            if_match: $crate::api::conditional::IfMatch,
            body: $crate::api::body::Body<serde_json::Value>,
        ) -> Result<actix_web::HttpResponse, $crate::api::problem::Problem> {
            $crate::api::crud::patch::<$form>(&app, caller.0, &id, if_match, body).await
        }

        #[doc = $delete_doc]
        #[utoipa::path(tag = $tag, params(("id" = String, Path, description = "Id or tag")),
            security(("token" = [$change])), responses((status = 204, description = "It was removed")))]
        #[delete($item)]
        async fn $delete(
            app: $crate::api::Api,
            caller: $crate::api::auth::Caller,
            id: actix_web::web::Path<String>,
            if_match: $crate::api::conditional::IfMatch,
        ) -> Result<actix_web::HttpResponse, $crate::api::problem::Problem> {
            $crate::api::crud::delete::<$form>(&app, caller.0, &id, if_match).await
        }
    };
}
pub(crate) use item_routes;

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// RFC 7396, appendix A: original, patch, result.
    #[test]
    fn merge_patch_follows_the_examples_of_rfc_7396() {
        let cases = [
            (json!({"a":"b"}), json!({"a":"c"}), json!({"a":"c"})),
            (json!({"a":"b"}), json!({"b":"c"}), json!({"a":"b","b":"c"})),
            (json!({"a":"b"}), json!({"a":null}), json!({})),
            (json!({"a":"b","b":"c"}), json!({"a":null}), json!({"b":"c"})),
            (json!({"a":["b"]}), json!({"a":"c"}), json!({"a":"c"})),
            (json!({"a":"c"}), json!({"a":["b"]}), json!({"a":["b"]})),
            (json!({"a":{"b":"c"}}), json!({"a":{"b":"d","c":null}}), json!({"a":{"b":"d"}})),
            (json!({"a":[{"b":"c"}]}), json!({"a":[1]}), json!({"a":[1]})),
            (json!(["a", "b"]), json!(["c", "d"]), json!(["c", "d"])),
            (json!({"a":"b"}), json!(["c"]), json!(["c"])),
            (json!({"a":"foo"}), json!(null), json!(null)),
            (json!({"a":"foo"}), json!("bar"), json!("bar")),
            (json!({"e":null}), json!({"a":1}), json!({"e":null,"a":1})),
            (json!([1, 2]), json!({"a":"b","c":null}), json!({"a":"b"})),
            (json!({}), json!({"a":{"bb":{"ccc":null}}}), json!({"a":{"bb":{}}})),
        ];
        for (mut original, patch, result) in cases {
            merge(&mut original, &patch);
            assert_eq!(original, result, "patch {patch}");
        }
    }
}
