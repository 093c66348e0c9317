//! A ruler for one level: where the last reading lies between the levels that call
//! for caution and for action, on a logarithmic scale from 0.1 to 1000 ppm. The marks
//! differ in form, not in colour alone.

use super::px;
use crate::domain::facility::LevelLimits;
use crate::domain::upkeep::standing::Height;
use maud::{Markup, html};

const WIDTH: f64 = 240.0;
/// Room at both ends for marks and their words.
const EDGE: f64 = 8.0;
const LINE: f64 = 20.0;
/// The powers of ten at the ends.
const ENDS: (f64, f64) = (-1.0, 3.0);

/// Where a level lies on the ruler; beyond its ends at them.
fn place(ppm: f64) -> f64 {
    let power = ppm.max(1e-9).log10().clamp(ENDS.0, ENDS.1);
    EDGE + (WIDTH - 2.0 * EDGE) * (power - ENDS.0) / (ENDS.1 - ENDS.0)
}

/// The ruler of a level, for eyes only: what it says stands beside it in words.
pub(in crate::pages) fn ruler(value: Option<f64>, height: Option<Height>, limits: LevelLimits) -> Markup {
    let (caution, action) = (place(limits.caution.get()), place(limits.action.get()));
    let decades = [0.1, 1.0, 10.0, 100.0, 1000.0];
    html! {
        svg.ruler viewBox={ "0 0 " (WIDTH) " 40" } aria-hidden="true" focusable="false" {
            line.ruler-line x1=(px(EDGE)) y1=(px(LINE)) x2=(px(WIDTH - EDGE)) y2=(px(LINE)) {}
            line.ruler-past x1=(px(action)) y1=(px(LINE)) x2=(px(WIDTH - EDGE)) y2=(px(LINE)) {}
            @for decade in decades {
                line.ruler-tick x1=(px(place(decade))) y1=(px(LINE - 3.0)) x2=(px(place(decade))) y2=(px(LINE)) {}
            }
            line.ruler-limit x1=(px(caution)) y1=(px(LINE - 8.0)) x2=(px(caution)) y2=(px(LINE + 4.0)) {}
            line.ruler-limit.is-action x1=(px(action)) y1=(px(LINE - 8.0)) x2=(px(action)) y2=(px(LINE + 4.0)) {}
            text.ruler-word x=(px(caution + 6.0)) y="36" text-anchor="end" { "caution " (limits.caution.get()) }
            @if action > WIDTH * 0.75 {
                text.ruler-word x=(px(WIDTH)) y="36" text-anchor="end" { "action " (limits.action.get()) }
            } @else {
                text.ruler-word x=(px(action - 6.0)) y="36" text-anchor="start" { "action " (limits.action.get()) }
            }
            @if let Some(value) = value {
                @let x = place(value);
                @match height {
                    Some(Height::Caution | Height::Action) => {
                        path.ruler-now.is-high d={ "M" (px(x - 8.0)) " " (px(LINE + 3.0)) "h16l-8-15z" } {}
                    }
                    Some(Height::Below) | None => { circle.ruler-now cx=(px(x)) cy=(px(LINE)) r="5.5" {} }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::facility::Limits;

    #[test]
    fn levels_are_placed_by_their_powers_of_ten() {
        let equal = |left: f64, right: f64| (left - right).abs() < 1e-9;
        assert!(
            equal(place(0.1), EDGE) && equal(place(1000.0), WIDTH - EDGE) && equal(place(10.0), WIDTH / 2.0)
        );
        assert!(equal(place(0.0), EDGE) && equal(place(209_500.0), WIDTH - EDGE));
    }

    #[test]
    fn a_high_level_has_another_form() {
        let limits = Limits::default().oxygen_ppm;
        assert!(ruler(Some(1.0), Some(Height::Below), limits).0.contains("<circle"));
        assert!(ruler(Some(20.0), Some(Height::Caution), limits).0.contains("is-high"));
        assert!(!ruler(None, None, limits).0.contains("ruler-now"));
    }
}
