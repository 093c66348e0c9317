//! `/people`.
//!
//! These are personal data: listing them needs a scope, and mail addresses and
//! absences are shown only to the facility's keepers and to the person they belong to.

use super::crud::{Form, crud_routes};
use super::facility::OpeningHours;
use super::fields::{at_most, distinct, interval, rfc3339};
use crate::domain::access::Actor;
use crate::domain::calendar::WeeklyHours;
use crate::domain::calendar::opening_hours::WeeklyHoursText;
use crate::domain::facility::{Absence, ParseContext, Person, Scope, Stored};
use crate::domain::names::{Name, Remark, Tag};
use crate::domain::violations::{Check, Violations};
use crate::usecases::{Error, Tx};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Most groups that one person belongs to.
const MOST_GROUPS: usize = 32;
/// Most absences kept of one person.
const MOST_ABSENCES: usize = 500;

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
    /// When the person does upkeep, by day of the week on the wall in the
    /// facility's zone. Unless given, those qualified for an upkeep task work
    /// in the facility's opening hours, others do none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<OpeningHours>)]
    working_hours: Option<WeeklyHoursText>,
    /// When the person is away and does no upkeep; shown to keepers and to the person only.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    absences: Vec<AbsenceForm>,
}

/// A time during which a person does no upkeep.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"start": "2026-08-03T00:00:00Z", "end": "2026-08-22T00:00:00Z"}))]
struct AbsenceForm {
    /// From when on (RFC 3339).
    #[schema(format = DateTime)]
    start: String,
    /// Until when, exclusive (RFC 3339).
    #[schema(format = DateTime)]
    end: String,
    /// Why, as far as others need to know.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    reason: String,
}

impl AbsenceForm {
    fn parse(&self) -> Result<Absence, Violations> {
        let mut check = Check::default();
        let interval = interval(&mut check, &self.start, &self.end);
        let reason = check.field("reason", Remark::parse(&self.reason));
        check.build(interval.zip(reason), |(interval, reason)| Absence { interval, reason })
    }

    fn of(absence: &Absence) -> Self {
        Self {
            start: rfc3339(absence.interval.start()),
            end: rfc3339(absence.interval.end()),
            reason: absence.reason.to_string(),
        }
    }
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
        let working_hours = match &self.working_hours {
            None => Some(None),
            Some(text) => check.part("working_hours", WeeklyHours::parse(text)).map(Some),
        };
        at_most(&mut check, "absences", &self.absences, MOST_ABSENCES);
        let absences = check.each("absences", &self.absences, AbsenceForm::parse);
        let person = (|| {
            Some(Person {
                tag: tag?,
                name: name?,
                subject: subject?,
                email: email?,
                groups,
                active: self.active,
                working_hours: working_hours?,
                absences,
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
            working_hours: person.working_hours.clone().map(Into::into),
            absences: person.absences.iter().map(AbsenceForm::of).collect(),
        }
    }

    fn view(_: &mut Tx<'_>, actor: &Actor, stored: &Stored<Person>) -> Result<PersonBody, Error> {
        let themself = stored.value.subject.as_ref().is_some_and(|sub| sub.as_str() == actor.subject);
        let mut view = PersonBody::from(stored);
        if themself || actor.has(Scope::FacilityManage) {
            view.person = PersonForm::of(&stored.value);
        }
        Ok(view)
    }
}

impl From<&Stored<Person>> for PersonBody {
    /// What anyone who may see people sees: all but the mail address and absences.
    fn from(stored: &Stored<Person>) -> Self {
        Self {
            id: stored.id,
            person: PersonForm { email: None, absences: Vec::new(), ..PersonForm::of(&stored.value) },
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
