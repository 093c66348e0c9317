//! Drawings as SVG, made from numbers alone: pure, so that the same numbers give the
//! same drawing. What a drawing shows stands beside it in words, too.

pub(super) mod ruler;

/// A coordinate with the digits that a screen can show.
fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}
