//! `/qualifications`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::crud::{self, Form, item_routes};
use super::fields::{end_of_day, refer, rfc3339};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use super::{Api, auth::Caller};
use crate::domain::access::Actor;
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::{ParseContext, Qualification, Stored, ThingKind};
use crate::domain::names::{Reference, Word};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::{Error, Tx, keep};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A qualification as callers write it: for one glovebox or for one kind of upkeep.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"person": "IVB", "glovebox": "LYNX", "valid_until": "2027-06-30T22:00:00Z"}))]
pub(crate) struct QualificationForm {
    /// Id or tag of the person.
    person: String,
    /// Id or tag of the glovebox that the person may use; either this or `task`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    glovebox: Option<String>,
    /// The kind of upkeep that the person is competent for, such as `glove_change`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    task: Option<String>,
    /// When it ends (RFC 3339), or the last day it holds, such as `2027-06-30`,
    /// by the facility's zone; answered as an instant. No end unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    valid_until: Option<String>,
}

/// A qualification.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct QualificationBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    qualification: QualificationForm,
    /// The person's tag, where they have one.
    #[serde(skip_serializing_if = "Option::is_none")]
    person_tag: Option<String>,
    /// The glovebox's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    glovebox_tag: Option<String>,
    /// When it was entered.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for QualificationForm {
    type Value = Qualification;
    type View = QualificationBody;
    const PATH: &'static str = "qualifications";

    fn parse(
        &self,
        context: &mut dyn ParseContext,
        _: Option<&Qualification>,
    ) -> Result<Qualification, Violations> {
        let mut check = Check::default();
        let person = refer(&mut check, context, ThingKind::Person, "person", &self.person);
        let qualified_for = match (&self.glovebox, &self.task) {
            (Some(glovebox), None) => refer(&mut check, context, ThingKind::Glovebox, "glovebox", glovebox)
                .map(QualifiedFor::Glovebox),
            (None, Some(task)) => check.field("task", Word::parse(task)).map(QualifiedFor::Task),
            (Some(_), Some(_)) => {
                check.note(Violation::new(
                    "task",
                    "not_both",
                    "it is for a glovebox or for a task, not both",
                ));
                None
            }
            (None, None) => {
                check.note(Violation::new("glovebox", "missing_field", "it needs a glovebox or a task"));
                None
            }
        };
        let valid_until = match &self.valid_until {
            None => Some(None),
            Some(text) => end_of_day(&mut check, context, "valid_until", text).map(Some),
        };
        let qualification = (|| {
            Some(Qualification { person: person?, qualified_for: qualified_for?, valid_until: valid_until? })
        })();
        check.build(qualification, |qualification| qualification)
    }

    fn of(qualification: &Qualification) -> Self {
        let (glovebox, task) = match &qualification.qualified_for {
            QualifiedFor::Glovebox(id) => (Some(id.to_string()), None),
            QualifiedFor::Task(task) => (None, Some(task.to_string())),
        };
        Self {
            person: qualification.person.to_string(),
            glovebox,
            task,
            valid_until: qualification.valid_until.map(rfc3339),
        }
    }

    fn view(tx: &mut Tx<'_>, _: &Actor, stored: &Stored<Qualification>) -> Result<QualificationBody, Error> {
        let glovebox_tag = match &stored.value.qualified_for {
            QualifiedFor::Glovebox(id) => keep::tag_of(tx, *id)?,
            QualifiedFor::Task(_) => None,
        };
        let person_tag = keep::tag_of(tx, stored.value.person)?;
        Ok(QualificationBody { person_tag, glovebox_tag, ..QualificationBody::from(stored) })
    }
}

impl From<&Stored<Qualification>> for QualificationBody {
    fn from(stored: &Stored<Qualification>) -> Self {
        Self {
            id: stored.id,
            qualification: QualificationForm::of(&stored.value),
            person_tag: None,
            glovebox_tag: None,
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// Query of the list of qualifications.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct QualificationQuery {
    /// Only those of this person, by id or tag.
    person: Option<String>,
    /// Only those for this glovebox, by id or tag.
    glovebox: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// List the qualifications.
#[utoipa::path(tag = "people", params(QualificationQuery), security(("token" = ["facility:read"])),
    responses((status = 200, description = "A page of them", body = Listing<QualificationBody>)))]
#[get("/qualifications")]
async fn list_qualifications(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<QualificationQuery>,
) -> Result<HttpResponse, Problem> {
    let QualificationQuery { person, glovebox, limit, after } = query.0;
    let page = PageQuery { limit, after }.parse()?;
    let named = |field: &str, text: Option<String>| {
        let unknown = |_| Problem::field(field, "unknown_reference", "must be an id or a tag");
        text.map(|text| text.parse::<Reference>().map_err(unknown)).transpose()
    };
    let (person, glovebox) = (named("person", person)?, named("glovebox", glovebox)?);
    crud::list_of::<QualificationForm>(&app, caller.0, &request, page, move |tx, actor| {
        keep::list_qualifications(tx, actor, person.as_ref(), glovebox.as_ref(), page.after, page.probe())
    })
    .await
}

item_routes! {
    QualificationForm, QualificationBody, tag "people", path "/qualifications", item "/qualifications/{id}",
    see "facility:read", change "facility:manage",
    create_qualification "Add a qualification.",
    get_qualification "Show a qualification.",
    patch_qualification "Change a qualification by a JSON merge patch (RFC 7396).",
    delete_qualification "Remove a qualification.",
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_qualification)
        .service(list_qualifications)
        .service(get_qualification)
        .service(patch_qualification)
        .service(delete_qualification);
}
