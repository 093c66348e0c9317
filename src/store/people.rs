//! People.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::people;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::facility::{Person, Stored, ThingKind};
use crate::domain::names::{Name, Tag};
use chrono::NaiveDateTime;
use diesel::prelude::*;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = people, treat_none_as_null = true)]
struct PersonRow {
    id: String,
    tag: Option<String>,
    name: String,
    subject: Option<String>,
    email: Option<String>,
    groups: String,
    active: bool,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
    working_hours: Option<String>,
    absences: String,
}

impl From<&Stored<Person>> for PersonRow {
    fn from(stored: &Stored<Person>) -> Self {
        let person = &stored.value;
        Self {
            id: stored.id.to_string(),
            tag: person.tag.as_ref().map(ToString::to_string),
            name: person.name.to_string(),
            subject: person.subject.as_ref().map(ToString::to_string),
            email: person.email.as_ref().map(ToString::to_string),
            groups: document(&person.groups),
            active: person.active,
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
            working_hours: person.working_hours.as_ref().map(document),
            absences: document(&person.absences),
        }
    }
}

impl TryFrom<PersonRow> for Stored<Person> {
    type Error = StoreError;

    fn try_from(row: PersonRow) -> StoreResult<Self> {
        let name =
            |what, text: Option<String>| text.map(|text| checked(what, Name::parse(&text))).transpose();
        let value = Person {
            tag: row.tag.map(|tag| checked("people.tag", Tag::parse(&tag))).transpose()?,
            name: checked("people.name", Name::parse(&row.name))?,
            subject: name("people.subject", row.subject)?,
            email: name("people.email", row.email)?,
            groups: checked("people.groups", serde_json::from_str(&row.groups))?,
            active: row.active,
            working_hours: row
                .working_hours
                .map(|text| checked("people.working_hours", serde_json::from_str(&text)))
                .transpose()?,
            absences: checked("people.absences", serde_json::from_str(&row.absences))?,
        };
        Ok(Self {
            id: uuid("people.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Person, "person", Some(ThingKind::Person), PersonRow, people, |person| person.tag.as_ref());

/// The person who signs in with that token subject.
pub(crate) fn by_subject(tx: &mut Tx<'_>, subject: &str) -> StoreResult<Option<Stored<Person>>> {
    let row: Option<PersonRow> =
        people::table.filter(people::subject.eq(subject)).first(tx.db()).optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Every person who may use the facility, in order of creation.
pub(crate) fn active(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<Person>>> {
    let rows: Vec<PersonRow> =
        people::table.filter(people::active.eq(true)).order(people::id).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
