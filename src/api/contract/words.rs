//! The words that requests may say, where there are only so many, and the numbers
//! of pages: wire types take them as text so that all faults of a request can be
//! told together, and this says in the contract what the text may be.
//!
//! Answers name no such list. There words may come to be added, and a client that
//! was generated from a list would refuse them.

use crate::api::paging::MOST_ON_A_PAGE;
use crate::api::readings::MOST_ITEMS as MOST_READINGS;
use crate::domain::booking::record::Progress;
use crate::domain::booking::request::Sample;
use crate::domain::facility::{CylinderState, MeasuredQuantity, SuppliedGas, WorkingGas};
use crate::domain::feed::DeliveryState;
use crate::domain::planning::record::VisitStatus;
use crate::domain::upkeep::rules::{Closes, Meter, PartKind, Species};
use crate::domain::upkeep::stock::Kind as MovementKind;
use crate::domain::usage::Grouping;
use utoipa::openapi::schema::{ObjectBuilder, Schema, SchemaType, Type};
use utoipa::openapi::{OpenApi, RefOr};

type Words = Vec<&'static str>;

/// The words of each member of a form.
fn of_forms() -> Vec<(&'static str, &'static str, Words)> {
    let quantities: Words = MeasuredQuantity::ALL.iter().map(|one| one.word()).collect();
    vec![
        ("GloveboxForm", "working_gas", WorkingGas::ALL.iter().map(|one| one.word()).collect()),
        ("GasSupplyForm", "gas", SuppliedGas::ALL.iter().map(|one| one.word()).collect()),
        ("CylinderForm", "state", CylinderState::ALL.iter().map(|one| one.word()).collect()),
        ("TransferForm", "sample", Sample::ALL.iter().map(|one| one.word()).collect()),
        ("BookingForm", "on_conflict", vec!["refuse", "skip"]),
        ("MovementForm", "kind", MovementKind::ALL.iter().map(|one| one.word()).collect()),
        ("PartsForm", "kind", PartKind::ALL.iter().map(|one| one.word()).collect()),
        ("RuleForm", "closes", Closes::ALL.iter().map(|one| one.word()).collect()),
        ("TriggerForm", "meter", Meter::ALL.iter().map(|one| one.word()).collect()),
        ("TriggerForm", "species", Species::ALL.iter().map(|one| one.word()).collect()),
        ("TriggerForm", "quantity", quantities.clone()),
        ("ReadingForm", "quantity", quantities),
    ]
}

/// The words of each parameter.
fn of_parameters() -> Vec<(&'static str, &'static str, Words)> {
    let gases: Words = WorkingGas::ALL.iter().map(|one| one.word()).collect();
    vec![
        ("/api/v1/bookings", "progress", Progress::ALL.iter().map(|one| one.word()).collect()),
        ("/api/v1/gloveboxes", "working_gas", gases.clone()),
        ("/api/v1/openings", "working_gas", gases),
        ("/api/v1/maintenance-visits", "status", VisitStatus::ALL.iter().map(|one| one.word()).collect()),
        ("/api/v1/readings", "quantity", MeasuredQuantity::ALL.iter().map(|one| one.word()).collect()),
        ("/api/v1/usage-statements", "by", Grouping::ALL.iter().map(|one| one.word()).collect()),
        (
            "/api/v1/webhooks/{id}/deliveries",
            "state",
            DeliveryState::ALL.iter().map(|one| one.word()).collect(),
        ),
    ]
}

/// Says in the document which words and numbers requests may have.
pub(super) fn spell_out(document: &mut OpenApi) {
    let schemas = &mut document.components.get_or_insert_default().schemas;
    for (form, member, words) in of_forms() {
        for name in [form.to_owned(), format!("{form}Changes")] {
            if let Some(RefOr::T(Schema::Object(form))) = schemas.get_mut(&name)
                && let Some(member) = form.properties.get_mut(member)
            {
                only(member, &words);
            }
        }
    }
    not_empty(document);
    let words = of_parameters();
    for (path, item) in &mut document.paths.paths {
        let operations = [&mut item.get, &mut item.post, &mut item.delete];
        let parameters = operations.into_iter().flatten().filter_map(|one| one.parameters.as_mut()).flatten();
        for parameter in parameters {
            let RefOr::T(parameter) = parameter else { continue };
            if parameter.name == "limit" {
                let most = if path == "/api/v1/readings" { MOST_READINGS } else { MOST_ON_A_PAGE };
                parameter.schema = Some(RefOr::T(page_size(most)));
            }
            let of_this = words.iter().find(|(of, name, _)| of == path && *name == parameter.name);
            if let (Some((.., words)), Some(schema)) = (of_this, &mut parameter.schema) {
                only(schema, words);
            }
        }
    }
}

/// A body that is text is some text.
fn not_empty(document: &mut OpenApi) {
    for post in document.paths.paths.values_mut().filter_map(|item| item.post.as_mut()) {
        let Some(RefOr::T(body)) = &mut post.request_body else { continue };
        for content in body.content.values_mut() {
            if let RefOr::T(content) = content
                && let Some(RefOr::T(Schema::Object(object))) = &mut content.schema
                && object.schema_type == SchemaType::Type(Type::String)
            {
                object.min_length = Some(1);
            }
        }
    }
}

/// How many items a page may have.
fn page_size(most: i64) -> Schema {
    ObjectBuilder::new().schema_type(Type::Integer).minimum(Some(1)).maximum(Some(most)).into()
}

/// Allows these words only, and null where it was allowed.
fn only(schema: &mut RefOr<Schema>, words: &[&str]) {
    let RefOr::T(Schema::Object(object)) = schema else { return };
    let mut values: Vec<serde_json::Value> = words.iter().map(|word| (*word).into()).collect();
    if let SchemaType::Array(types) = &object.schema_type
        && types.contains(&Type::Null)
    {
        values.push(serde_json::Value::Null);
    }
    object.enum_values = Some(values);
}
