//! Collecting everything that is wrong with an input before answering, so
//! that the sender learns of every fault at once.

use serde::Serialize;
use std::fmt;

/// One thing wrong with an input: where, a stable code, and a sentence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Violation {
    /// Path of the offending field, such as `stations[1].tag`; empty when the whole is meant.
    pub field: String,
    /// Stable machine-readable code in `snake_case`.
    pub code: &'static str,
    /// A sentence for a person.
    pub detail: String,
}

impl Violation {
    /// A violation of one field.
    pub fn new(field: impl Into<String>, code: &'static str, detail: impl Into<String>) -> Self {
        Self { field: field.into(), code, detail: detail.into() }
    }
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.field.is_empty() {
            f.write_str(&self.detail)
        } else {
            write!(f, "{}: {}", self.field, self.detail)
        }
    }
}

/// All violations found in one input; never empty once returned as an error.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct Violations(Vec<Violation>);

impl Violations {
    /// The single violation `violation`.
    pub fn one(violation: Violation) -> Self {
        Self(vec![violation])
    }

    /// The violations that a list holds, if it holds any.
    pub fn from_vec(violations: Vec<Violation>) -> Option<Self> {
        if violations.is_empty() { None } else { Some(Self(violations)) }
    }

    /// The violations, in the order found.
    pub fn as_slice(&self) -> &[Violation] {
        &self.0
    }

    /// The same, all of one field: that under which a caller gave what they are about.
    #[must_use]
    pub fn all_at(self, field: &str) -> Self {
        Self(self.0.into_iter().map(|violation| Violation { field: field.to_owned(), ..violation }).collect())
    }

    /// The violations by value.
    pub fn into_vec(self) -> Vec<Violation> {
        self.0
    }
}

impl From<Violation> for Violations {
    fn from(violation: Violation) -> Self {
        Self::one(violation)
    }
}

impl fmt::Display for Violations {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, violation) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("; ")?;
            }
            violation.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Violations {}

/// Gathers violations while an input is parsed field by field.
///
/// ```
/// use drykeep::domain::violations::Check;
/// use drykeep::domain::names::{Name, Tag};
/// let mut check = Check::default();
/// let tag = check.field("tag", Tag::parse("lower case"));
/// let name = check.field("name", Name::parse(""));
/// let faults = check.finish(|| (tag, name)).unwrap_err();
/// assert_eq!(faults.as_slice().len(), 2);
/// ```
#[derive(Debug, Default)]
pub struct Check {
    found: Vec<Violation>,
}

/// An error that knows its stable code, so that [`Check::field`] can report it.
pub trait Coded: fmt::Display {
    /// Stable machine-readable code in `snake_case`.
    fn code(&self) -> &'static str;
}

impl Check {
    /// Takes the value, or notes what is wrong with the field and goes on.
    pub fn field<T, E: Coded>(&mut self, field: &str, parsed: Result<T, E>) -> Option<T> {
        match parsed {
            Ok(value) => Some(value),
            Err(error) => {
                self.found.push(Violation::new(field, error.code(), error.to_string()));
                None
            }
        }
    }

    /// Takes the value of a nested part, prefixing its violations' paths.
    pub fn part<T>(&mut self, prefix: &str, parsed: Result<T, Violations>) -> Option<T> {
        match parsed {
            Ok(value) => Some(value),
            Err(Violations(inner)) => {
                self.found.extend(inner.into_iter().map(|v| Violation {
                    field: match (prefix.is_empty(), v.field.is_empty()) {
                        (true, _) => v.field,
                        (_, true) => prefix.to_owned(),
                        _ => format!("{prefix}.{}", v.field),
                    },
                    ..v
                }));
                None
            }
        }
    }

    /// Takes every element of a list, prefixing violations with `field[index]`.
    pub fn each<W, T>(
        &mut self,
        field: &str,
        items: &[W],
        mut parse: impl FnMut(&W) -> Result<T, Violations>,
    ) -> Vec<T> {
        items
            .iter()
            .enumerate()
            .filter_map(|(i, item)| self.part(&format!("{field}[{i}]"), parse(item)))
            .collect()
    }

    /// Notes a violation.
    pub fn note(&mut self, violation: Violation) {
        self.found.push(violation);
    }

    /// Notes a violation of `field` unless `holds`.
    pub fn require(&mut self, holds: bool, field: &str, code: &'static str, detail: impl Into<String>) {
        if !holds {
            self.note(Violation::new(field, code, detail));
        }
    }

    /// Whether nothing is wrong so far.
    pub fn is_clean(&self) -> bool {
        self.found.is_empty()
    }

    /// Builds the value from parts taken through this check, or returns every
    /// violation noted.
    ///
    /// A part is absent only when a violation of it was noted.
    pub fn build<P, T>(self, parts: Option<P>, build: impl FnOnce(P) -> T) -> Result<T, Violations> {
        match parts {
            Some(parts) if self.found.is_empty() => Ok(build(parts)),
            _ => Err(Violations(self.found)),
        }
    }

    /// Builds the value, or returns every violation noted.
    ///
    /// `build` runs only when nothing was noted, so it may rely on every
    /// optional taken through this check being present.
    pub fn finish<T>(self, build: impl FnOnce() -> T) -> Result<T, Violations> {
        if self.found.is_empty() { Ok(build()) } else { Err(Violations(self.found)) }
    }
}
