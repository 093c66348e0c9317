//! Drawings as SVG, made from numbers alone: pure, so that the same numbers give the
//! same drawing. What a drawing shows stands beside it in words and, where it is more
//! than a ruler, in a table; what differs in meaning differs in form, not in colour.

pub(super) mod chart;
pub(super) mod frame;
pub(super) mod meter;
pub(super) mod ruler;
pub(super) mod scale;
pub(super) mod spans;
pub(super) mod time;
pub(super) mod timeline;
mod words;

/// A coordinate with the digits that a screen can show.
fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}
