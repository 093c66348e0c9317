//! Qualifications.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::qualifications;
use super::things::{checked, uuid};
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::{Qualification, Stored};
use crate::domain::ids::{GloveboxId, PersonId};
use crate::domain::names::Word;
use chrono::NaiveDateTime;
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = qualifications, treat_none_as_null = true)]
struct QualificationRow {
    id: String,
    person_id: String,
    glovebox_id: Option<String>,
    task: Option<String>,
    valid_until: Option<NaiveDateTime>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<Qualification>> for QualificationRow {
    fn from(stored: &Stored<Qualification>) -> Self {
        let qualification = &stored.value;
        let (glovebox_id, task) = match &qualification.qualified_for {
            QualifiedFor::Glovebox(id) => (Some(id.to_string()), None),
            QualifiedFor::Task(task) => (None, Some(task.to_string())),
        };
        Self {
            id: stored.id.to_string(),
            person_id: qualification.person.to_string(),
            glovebox_id,
            task,
            valid_until: qualification.valid_until.map(|until| until.naive_utc()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<QualificationRow> for Stored<Qualification> {
    type Error = StoreError;

    fn try_from(row: QualificationRow) -> StoreResult<Self> {
        let qualified_for = match (row.glovebox_id, row.task) {
            (Some(id), None) => QualifiedFor::Glovebox(uuid("qualifications.glovebox_id", &id)?.into()),
            (None, Some(task)) => QualifiedFor::Task(checked("qualifications.task", Word::parse(&task))?),
            _ => {
                return Err(StoreError::corrupt("qualifications", "it is for neither box nor task, or both"));
            }
        };
        let value = Qualification {
            person: uuid("qualifications.person_id", &row.person_id)?.into(),
            qualified_for,
            valid_until: row.valid_until.map(|until| until.and_utc()),
        };
        Ok(Self {
            id: uuid("qualifications.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Qualification, "qualification", None, QualificationRow, qualifications, |_| None);

/// Everything a person is or was qualified for.
pub(crate) fn of_person(tx: &mut Tx<'_>, person: PersonId) -> StoreResult<Vec<Stored<Qualification>>> {
    let rows: Vec<QualificationRow> = qualifications::table
        .filter(qualifications::person_id.eq(person.to_string()))
        .order(qualifications::id)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Which qualifications a list is narrowed to; an absent part narrows nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Narrowed {
    /// Those of one person.
    pub(crate) person: Option<PersonId>,
    /// Those for one glovebox.
    pub(crate) glovebox: Option<GloveboxId>,
}

/// Up to `limit` of them in order of id, after the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    narrowed: Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<Qualification>>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query = qualifications::table
        .filter(qualifications::id.gt(after))
        .order(qualifications::id)
        .limit(limit)
        .into_boxed();
    if let Some(person) = narrowed.person {
        query = query.filter(qualifications::person_id.eq(person.to_string()));
    }
    if let Some(glovebox) = narrowed.glovebox {
        query = query.filter(qualifications::glovebox_id.eq(glovebox.to_string()));
    }
    let rows: Vec<QualificationRow> = query.load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}
