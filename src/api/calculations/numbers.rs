//! Taking numbers from a question: what must be there, what may be, and which
//! of two alternatives is meant.

use crate::domain::quantity::QuantityError;
use crate::domain::violations::{Check, Violation, Violations};

/// A number that must be given, as a quantity.
pub(super) fn needed<T>(
    check: &mut Check,
    field: &str,
    number: Option<f64>,
    quantity: fn(f64) -> Result<T, QuantityError>,
) -> Option<T> {
    if number.is_none() {
        check.note(Violation::new(field, "missing_field", "must be given"));
    }
    number.and_then(|number| check.field(field, quantity(number)))
}

/// A number that stands for `otherwise` when it is not given, as a quantity.
pub(super) fn or<T>(
    check: &mut Check,
    field: &str,
    number: Option<f64>,
    otherwise: f64,
    quantity: fn(f64) -> Result<T, QuantityError>,
) -> Option<T> {
    check.field(field, quantity(number.unwrap_or(otherwise)))
}

/// The one of two alternatives that is given.
pub(super) enum Either<A, B> {
    /// The first.
    First(A),
    /// The second.
    Second(B),
}

/// Takes the one alternative that is given; neither, or both, is a violation
/// of both fields.
pub(super) fn either<A, B>(
    check: &mut Check,
    fields: [&str; 2],
    first: Option<A>,
    second: Option<B>,
) -> Option<Either<A, B>> {
    let (code, detail) = match (first, second) {
        (Some(first), None) => return Some(Either::First(first)),
        (None, Some(second)) => return Some(Either::Second(second)),
        (None, None) => ("missing_field", "must be given"),
        (Some(_), Some(_)) => ("excludes_each_other", "may be given"),
    };
    let [one, other] = fields;
    for field in fields {
        check.note(Violation::new(field, code, format!("exactly one of {one} and {other} {detail}")));
    }
    None
}

/// Refuses answers that have grown beyond every number; each comes with the
/// field that drove it there.
pub(super) fn finite(results: &[(&str, f64)]) -> Result<(), Violations> {
    let mut check = Check::default();
    for (field, result) in results {
        check.require(
            result.is_finite(),
            field,
            "answer_out_of_range",
            "with this value the answer is beyond every number",
        );
    }
    check.finish(|| ())
}
