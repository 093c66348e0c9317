//! Points of the usual distributions. The arithmetic is that of the `statrs`
//! crate; that it is right is checked against scipy in `tests/reference`.

use statrs::distribution::{Continuous as _, ContinuousCDF as _, Normal, StudentsT};

/// Chances closer to nought or one than this are taken as this.
const RAREST: f64 = 1e-12;

fn inside(p: f64) -> f64 {
    if p.is_nan() { 0.5 } else { p.clamp(RAREST, 1.0 - RAREST) }
}

/// The point below which a standard normal variable lies with chance `p`.
pub fn normal(p: f64) -> f64 {
    Normal::standard().inverse_cdf(inside(p))
}

/// The point below which Student's variable lies with chance `p`; `freedom`
/// is its degrees of freedom, above nought.
pub fn student(p: f64, freedom: f64) -> f64 {
    let p = inside(p);
    let Ok(student) = StudentsT::new(0.0, 1.0, freedom.max(1e-3)) else { return normal(p) };
    let found = student.inverse_cdf(p);
    // With many degrees of freedom the inverse keeps eight digits; one step of Newton's gives the rest.
    let step = (student.cdf(found) - p) / student.pdf(found);
    if step.is_finite() && step.abs() < 1e-6 * found.abs() { found - step } else { found }
}
