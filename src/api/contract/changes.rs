//! Changes as the contract shows them: by the schema derived from the form, a change
//! would have to carry every member that a creation must.

use std::collections::BTreeMap;
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::schema::{
    AdditionalProperties, Object, ObjectBuilder, OneOfBuilder, Schema, SchemaType, Type,
};
use utoipa::openapi::{OpenApi, Ref, RefOr};

/// Where a reference to a schema of the document begins.
const SCHEMAS: &str = "#/components/schemas/";
/// The media type of a JSON merge patch, RFC 7396 §3.
const MERGE_PATCH: &str = "application/merge-patch+json";

/// Gives every change in the document a schema of its own.
pub(super) fn open_changes(document: &mut OpenApi) {
    let schemas = &mut document.components.get_or_insert_default().schemas;
    let closed: BTreeMap<String, Object> = schemas
        .iter()
        .filter_map(|(name, schema)| match schema {
            RefOr::T(Schema::Object(object)) => Some((format!("{SCHEMAS}{name}"), object.clone())),
            RefOr::T(_) | RefOr::Ref(_) => None,
        })
        .filter(|(_, object)| is_closed(object))
        .collect();
    for item in document.paths.paths.values_mut() {
        schemas.extend(change(item, &closed));
    }
}

fn is_closed(object: &Object) -> bool {
    matches!(object.additional_properties.as_deref(), Some(AdditionalProperties::FreeForm(false)))
}

/// Gives a change a schema of its own: the form, with no member required and
/// null for those that can be removed.
fn change(item: &mut PathItem, closed: &BTreeMap<String, Object>) -> Option<(String, RefOr<Schema>)> {
    let body = item.patch.as_mut().and_then(|patch: &mut Operation| patch.request_body.as_mut())?;
    let RefOr::T(body) = body else { return None };
    let RefOr::T(content) = body.content.get_mut("application/json")? else { return None };
    let RefOr::Ref(reference) = content.schema.as_ref()? else { return None };
    let form = closed.get(&reference.ref_location)?;
    let name = format!("{}Changes", reference.ref_location.trim_start_matches(SCHEMAS));
    content.schema = Some(Ref::from_schema_name(&name).into());
    let content = RefOr::T(content.clone());
    body.content.insert(MERGE_PATCH.to_owned(), content);
    let mut changes = form.clone();
    changes.required.clear();
    for (name, property) in &mut changes.properties {
        if !form.required.contains(name) {
            allow_null(property);
        }
    }
    Some((name, RefOr::T(Schema::Object(changes))))
}

fn allow_null(property: &mut RefOr<Schema>) {
    match property {
        RefOr::T(Schema::Object(object)) => nullable(&mut object.schema_type),
        RefOr::T(Schema::Array(array)) => nullable(&mut array.schema_type),
        RefOr::Ref(reference) => {
            let either = OneOfBuilder::new()
                .item(ObjectBuilder::new().schema_type(Type::Null).build())
                .item(reference.clone())
                .build();
            *property = RefOr::T(Schema::OneOf(either));
        }
        // Made of several already, null among them where it may be.
        RefOr::T(_) => {}
    }
}

fn nullable(schema_type: &mut SchemaType) {
    if let SchemaType::Type(only) = schema_type
        && *only != Type::Null
    {
        *schema_type = SchemaType::from_iter([only.clone(), Type::Null]);
    }
}
