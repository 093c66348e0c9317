//! The published contract: the OpenAPI document that the code generates.

mod changes;
mod words;

use super::problem::{self, Kind, Problem};
use actix_web::web::Bytes;
use std::collections::BTreeMap;
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn, PathItem};
use utoipa::openapi::response::ResponseBuilder;
use utoipa::openapi::schema::{ArrayItems, ObjectBuilder, Schema, Type};
use utoipa::openapi::security::{
    ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme,
};
use utoipa::openapi::{InfoBuilder, LicenseBuilder, OpenApi, Ref, RefOr, Required};
use utoipa_actix_web::AppExt as _;

const ABOUT: &str = "Bookings, gas, dryness and upkeep of the shared inert-atmosphere gloveboxes of one \
    facility. Times are RFC 3339 and answered in UTC; durations are ISO 8601; intervals are half-open. \
    Wherever a path or a reference takes an id it takes the tag on the equipment's label too. \
    Errors are problem details (RFC 9457). Figures about oxygen, gas and leaks are screening aids: \
    local codes and competent people decide.";

/// The scheme of feeds, which are opened by their own keys instead of a token.
const CALENDAR_KEY: &str = "calendar_key";

/// The document as the code generates it.
pub(crate) fn document() -> OpenApi {
    let (_, mut document) =
        actix_web::App::new().into_utoipa_app().configure(super::described).split_for_parts();
    complete(&mut document);
    document
}

/// What a server keeps of the document, which itself takes many times as much memory.
pub(crate) struct Published {
    pub(crate) methods: Methods,
    pub(crate) text: Text,
}

/// The document as it is sent.
pub(crate) struct Text(pub(crate) Bytes);

/// The document for a server.
pub(crate) fn published() -> Published {
    let document = document();
    let text = serde_json::to_vec(&document).expect("the document is made of JSON values");
    Published { methods: methods(&document), text: Text(text.into()) }
}

/// Says once what holds for every operation, instead of at each of them.
fn complete(document: &mut OpenApi) {
    document.info = InfoBuilder::new()
        .title("drykeep")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(ABOUT))
        .license(Some(LicenseBuilder::new().name("MIT OR Apache-2.0").build()))
        .build();
    let components = document.components.get_or_insert_default();
    components.add_security_scheme(
        "token",
        SecurityScheme::Http(
            HttpBuilder::new()
                .scheme(HttpAuthScheme::Bearer)
                .bearer_format("JWT")
                .description(Some("JSON Web Token (RFC 9068 profile); scopes are named at each operation."))
                .build(),
        ),
    );
    let about = "The key of one calendar feed, as `POST /calendar-keys` gives it.";
    let key = ApiKeyValue::with_description("key", about);
    components.add_security_scheme(CALENDAR_KEY, SecurityScheme::ApiKey(ApiKey::Query(key)));
    let mut schemas = Vec::new();
    <Problem as utoipa::ToSchema>::schemas(&mut schemas);
    schemas.push(("Problem".to_owned(), <Problem as utoipa::PartialSchema>::schema()));
    components.schemas.extend(schemas);
    open_views(document);
    for (path, item) in &mut document.paths.paths {
        complete_path(path, item);
    }
    changes::open_changes(document);
    words::spell_out(document);
}

/// A form admits no other fields; the view that answers with it has more. The
/// form is therefore written out in the view, without that limit, wherever the
/// view stands: among the components, in a list of them, in an answer.
fn open_views(document: &mut OpenApi) {
    let Some(components) = &mut document.components else { return };
    let forms = components.schemas.clone();
    for schema in components.schemas.values_mut() {
        open_view(schema, &forms);
    }
    for item in document.paths.paths.values_mut() {
        let operations = [&mut item.get, &mut item.post, &mut item.patch, &mut item.put, &mut item.delete];
        for response in operations.into_iter().flatten().flat_map(|one| one.responses.responses.values_mut())
        {
            let RefOr::T(response) = response else { continue };
            for content in response.content.values_mut() {
                if let RefOr::T(content) = content
                    && let Some(schema) = &mut content.schema
                {
                    open_view(schema, &forms);
                }
            }
        }
    }
}

fn open_view(schema: &mut RefOr<Schema>, forms: &BTreeMap<String, RefOr<Schema>>) {
    let RefOr::T(schema) = schema else { return };
    match schema {
        Schema::AllOf(parts) => {
            for part in &mut parts.items {
                written_out(part, forms);
                open_view(part, forms);
            }
        }
        Schema::Object(object) => {
            object.properties.values_mut().for_each(|property| open_view(property, forms));
        }
        Schema::Array(array) => {
            if let ArrayItems::RefOrSchema(items) = &mut array.items {
                open_view(items, forms);
            }
        }
        Schema::OneOf(parts) => parts.items.iter_mut().for_each(|part| open_view(part, forms)),
        Schema::AnyOf(parts) => parts.items.iter_mut().for_each(|part| open_view(part, forms)),
        // The library may come to know more; they stay as they are.
        _ => {}
    }
}

/// Puts what a reference names in its place, open to more fields.
fn written_out(part: &mut RefOr<Schema>, forms: &BTreeMap<String, RefOr<Schema>>) {
    let RefOr::Ref(form) = part else { return };
    let name = form.ref_location.rsplit('/').next().unwrap_or_default();
    if let Some(RefOr::T(Schema::Object(form))) = forms.get(name) {
        let mut open = form.clone();
        open.additional_properties = None;
        *part = RefOr::T(Schema::Object(open));
    }
}

fn complete_path(path: &str, item: &mut PathItem) {
    if let Some(operation) = &mut item.get {
        complete_operation(path, operation, &[]);
        if path.ends_with('}') {
            describe_etag(operation, "200");
        }
    }
    if let Some(operation) = &mut item.post {
        complete_operation(path, operation, &BODY_PROBLEMS);
        if operation.responses.responses.contains_key("201") {
            operation.parameters.get_or_insert_default().push(RefOr::T(idempotency_key()));
            describe_etag(operation, "201");
            describe_header(operation, "201", "Location", "Where it is.");
        }
    }
    if let Some(operation) = &mut item.patch {
        complete_operation(path, operation, &BODY_PROBLEMS);
        conditional(operation);
        describe_etag(operation, "200");
    }
    if let Some(operation) = &mut item.delete {
        complete_operation(path, operation, &[problem::TAKEN]);
        // What is deleted by query has no version to compare.
        if path.ends_with('}') {
            conditional(operation);
        }
    }
}

const BODY_PROBLEMS: [Kind; 6] = [
    problem::UNREADABLE,
    problem::TOO_SLOW,
    problem::TAKEN,
    problem::TOO_LARGE,
    problem::UNSUPPORTED,
    problem::INVALID,
];

fn complete_operation(path: &str, operation: &mut Operation, more: &[Kind]) {
    if operation.description.is_none() {
        operation.description.clone_from(&operation.summary);
    }
    let open = operation.security.is_none();
    let keyed = operation.security.iter().flatten().any(|one| requires(one, CALENDAR_KEY));
    if let Some(scopes) = &operation.security
        && !keyed
        && let Some(description) = &mut operation.description
    {
        let words: Vec<String> = scopes.iter().filter_map(scope_words).flatten().collect();
        description.push_str(&format!("\n\nScopes: `{}`.", words.join("` or `")));
    }
    for kind in more {
        add_problem(operation, *kind);
    }
    if !open && !keyed {
        add_problem(operation, problem::UNAUTHENTICATED);
        add_problem(operation, problem::FORBIDDEN);
        add_problem(operation, problem::INVALID);
    }
    if !open {
        add_problem(operation, problem::INTERNAL);
        add_problem(operation, problem::UNAVAILABLE);
        counted(operation);
    }
    if path.contains('{') {
        add_problem(operation, problem::NOT_FOUND);
    }
    if path == "/health/ready" {
        add_problem(operation, problem::UNAVAILABLE);
    }
}

/// Whether a requirement is of the scheme.
fn requires(requirement: &SecurityRequirement, scheme: &str) -> bool {
    serde_json::to_value(requirement).is_ok_and(|value| value.get(scheme).is_some())
}

/// The scopes of one requirement, which utoipa keeps private but serialises.
fn scope_words(requirement: &SecurityRequirement) -> Option<Vec<String>> {
    let value = serde_json::to_value(requirement).ok()?;
    let scopes = value.as_object()?.values().next()?.as_array()?;
    Some(scopes.iter().filter_map(|scope| scope.as_str().map(str::to_owned)).collect())
}

fn add_problem(operation: &mut Operation, kind: Kind) {
    let status = kind.status.as_str();
    let mut response = ResponseBuilder::new().description(kind.title).content(
        "application/problem+json",
        ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build(),
    );
    if status == "401" {
        response = response.header("WWW-Authenticate", text_header("How to authenticate."));
    }
    if status == "503" || status == "429" {
        response = response.header("Retry-After", text_header("Seconds to wait."));
    }
    operation.responses.responses.entry(status.to_owned()).or_insert_with(|| RefOr::T(response.build()));
}

fn text_header(about: &str) -> utoipa::openapi::header::Header {
    HeaderBuilder::new()
        .schema(Some(ObjectBuilder::new().schema_type(Type::String).build()))
        .description(Some(about))
        .build()
}

fn describe_header(operation: &mut Operation, status: &str, name: &str, about: &str) {
    if let Some(RefOr::T(response)) = operation.responses.responses.get_mut(status) {
        response.headers.insert(name.to_owned(), RefOr::T(text_header(about)));
    }
}

/// What is said of the caller's quota, in answers that are given and in those that are not.
fn counted(operation: &mut Operation) {
    add_problem(operation, problem::TOO_MANY);
    let statuses: Vec<String> = operation.responses.responses.keys().cloned().collect();
    for status in statuses.iter().filter(|status| status.starts_with('2') || *status == "429") {
        let policy = "The quota that the request counts towards: its name, requests and seconds.";
        describe_header(operation, status, "RateLimit-Policy", policy);
        let left = "What is left of it, and in how many seconds it is whole again or, where nothing is, \
             there is some.";
        describe_header(operation, status, "RateLimit", left);
    }
}

fn describe_etag(operation: &mut Operation, status: &str) {
    describe_header(operation, status, "ETag", "Version of the answer, for If-Match.");
}

fn header_parameter(name: &str, required: Required, about: &str) -> Parameter {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(required)
        .description(Some(about))
        .schema(Some(ObjectBuilder::new().schema_type(Type::String).build()))
        .build()
}

fn idempotency_key() -> Parameter {
    let visible = ObjectBuilder::new()
        .schema_type(Type::String)
        .min_length(Some(1))
        .max_length(Some(128))
        .pattern(Some("^[!-~]{1,128}$"))
        .build();
    let mut key = header_parameter(
        "Idempotency-Key",
        Required::False,
        "A key of the caller's choosing: the same request sent again with it gets the first answer again \
         (IETF draft-ietf-httpapi-idempotency-key-header).",
    );
    key.schema = Some(visible.into());
    key
}

fn conditional(operation: &mut Operation) {
    operation.parameters.get_or_insert_default().push(RefOr::T(header_parameter(
        "If-Match",
        Required::True,
        "The ETag last seen, or `*` for whatever is there.",
    )));
    add_problem(operation, problem::STALE);
    add_problem(operation, problem::CONDITION_MISSING);
}

/// Which methods each path takes, to tell a wrong method from an unknown path.
#[derive(Debug, Clone)]
pub(crate) struct Methods(Vec<(Vec<String>, Vec<&'static str>)>);

/// The methods that the document describes.
pub(crate) fn methods(document: &OpenApi) -> Methods {
    let paths = document.paths.paths.iter().map(|(path, item)| {
        let taken = [
            ("GET", item.get.is_some()),
            ("POST", item.post.is_some()),
            ("PATCH", item.patch.is_some()),
            ("PUT", item.put.is_some()),
            ("DELETE", item.delete.is_some()),
        ];
        let segments = path.split('/').map(str::to_owned).collect();
        (segments, taken.into_iter().filter(|(_, has)| *has).map(|(method, _)| method).collect())
    });
    Methods(paths.collect())
}

/// Whether a part of a path is what the pattern names: itself, or a place with what follows it.
fn fits_part(part: &str, given: &str) -> bool {
    match part.strip_prefix('{').and_then(|rest| rest.split_once('}')) {
        Some((_, end)) => given.len() > end.len() && given.ends_with(end),
        None => part == given,
    }
}

impl Methods {
    /// The methods that a concrete path takes; none for an unknown path.
    pub(crate) fn of(&self, path: &str) -> Vec<&'static str> {
        let segments: Vec<&str> = path.split('/').collect();
        let fits = |pattern: &[String]| {
            pattern.len() == segments.len()
                && pattern.iter().zip(&segments).all(|(part, given)| fits_part(part, given))
        };
        let written = |pattern: &[String]| pattern.iter().filter(|part| !part.starts_with('{')).count();
        // Where a path fits two patterns, the one that writes out more of it is meant.
        let fitting = self.0.iter().filter(|(pattern, _)| fits(pattern));
        let closest = fitting.max_by_key(|(pattern, _)| written(pattern));
        let mut methods = closest.map(|(_, methods)| methods.clone()).unwrap_or_default();
        methods.sort_unstable();
        methods
    }
}
