//! `/people`.
//!
//! These are personal data: listing them needs a scope, and a mail address is
//! shown only to the facility's keepers and to the person it belongs to.

use super::crud::{Form, crud_routes};
use super::fields::{at_most, distinct};
use crate::domain::access::Actor;
use crate::domain::facility::{ParseContext, Person, Scope, Stored};
use crate::domain::names::{Name, Tag};
use crate::domain::violations::{Check, Violations};
use crate::usecases::{Error, Tx};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Most groups that one person belongs to.
const MOST_GROUPS: usize = 32;

/// A person as callers write them.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "IVB", "name": "Ivo Brandl", "subject": "ivo.brandl", "email": "ivo.brandl@example.org",
    "groups": ["Batteries"], "active": true
}))]
pub(crate) struct PersonForm {
    /// Short tag, such as initials on a rota.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: Option<String>,
    /// Name.
    name: String,
    /// The `sub` of the tokens this person signs in with; no two people share one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    subject: Option<String>,
    /// Mail address; shown to keepers and to the person only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    email: Option<String>,
    /// Groups the person belongs to; bookings count against one of them.
    #[serde(default)]
    groups: Vec<String>,
    /// Whether the person may still use the facility.
    #[serde(default = "yes")]
    active: bool,
}

const fn yes() -> bool {
    true
}

/// A person.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct PersonBody {
    /// Their id.
    id: Uuid,
    #[serde(flatten)]
    person: PersonForm,
    /// When they were entered.
    created_at: DateTime<Utc>,
    /// When this was last changed.
    updated_at: DateTime<Utc>,
}

/// Looks like a mail address; whether mail arrives there only sending tells.
fn looks_like_mail(text: &str) -> bool {
    let text = text.trim();
    text.split_once('@')
        .is_some_and(|(local, domain)| !local.is_empty() && !domain.is_empty() && !domain.contains('@'))
        && !text.contains(char::is_whitespace)
}

impl Form for PersonForm {
    type Value = Person;
    type View = PersonBody;
    const PATH: &'static str = "people";

    fn parse(&self, _: &mut dyn ParseContext, _: Option<&Person>) -> Result<Person, Violations> {
        let mut check = Check::default();
        let tag = check.field("tag", self.tag.as_deref().map(Tag::parse).transpose());
        let name = check.field("name", Name::parse(&self.name));
        let subject = check.field("subject", self.subject.as_deref().map(Name::parse).transpose());
        let email = check.field("email", self.email.as_deref().map(Name::parse).transpose());
        check.require(
            self.email.as_deref().is_none_or(looks_like_mail),
            "email",
            "bad_email",
            "is not a mail address such as name@example.org",
        );
        at_most(&mut check, "groups", &self.groups, MOST_GROUPS);
        let mut groups = Vec::new();
        for (i, group) in self.groups.iter().enumerate() {
            groups.extend(check.field(&format!("groups[{i}]"), Name::parse(group)));
        }
        let named = self.groups.iter().map(|group| group.trim());
        distinct(
            &mut check,
            "duplicate",
            named.enumerate().map(|(i, group)| (format!("groups[{i}]"), group)),
        );
        let person = (|| {
            Some(Person {
                tag: tag?,
                name: name?,
                subject: subject?,
                email: email?,
                groups,
                active: self.active,
            })
        })();
        check.build(person, |person| person)
    }

    fn of(person: &Person) -> Self {
        Self {
            tag: person.tag.as_ref().map(ToString::to_string),
            name: person.name.to_string(),
            subject: person.subject.as_ref().map(ToString::to_string),
            email: person.email.as_ref().map(ToString::to_string),
            groups: person.groups.iter().map(ToString::to_string).collect(),
            active: person.active,
        }
    }

    fn view(_: &mut Tx<'_>, actor: &Actor, stored: &Stored<Person>) -> Result<PersonBody, Error> {
        let themself = stored.value.subject.as_ref().is_some_and(|sub| sub.as_str() == actor.subject);
        let mut view = PersonBody::from(stored);
        if themself || actor.has(Scope::FacilityManage) {
            view.person.email = stored.value.email.as_ref().map(ToString::to_string);
        }
        Ok(view)
    }
}

impl From<&Stored<Person>> for PersonBody {
    /// What anyone who may see people sees: all but the mail address.
    fn from(stored: &Stored<Person>) -> Self {
        Self {
            id: stored.id,
            person: PersonForm { email: None, ..PersonForm::of(&stored.value) },
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

crud_routes! {
    PersonForm, PersonBody, tag "people", path "/people", item "/people/{id}",
    see "facility:read", change "facility:manage",
    create_person "Add a person.",
    list_people "List the people.",
    get_person "Show a person.",
    patch_person "Change a person by a JSON merge patch (RFC 7396).",
    delete_person "Remove a person that nothing refers to; make one inactive that something does.",
}
