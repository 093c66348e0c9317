//! Where words at a line stand, so that they cover nothing that is drawn. Pure geometry.

/// A straight piece of what is drawn, from end to end.
pub(super) type Piece = ((f64, f64), (f64, f64));

/// A box around words.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Around {
    x: (f64, f64),
    y: (f64, f64),
}

impl Around {
    /// Whether a piece goes through it.
    fn is_met(self, ((x1, y1), (x2, y2)): Piece) -> bool {
        let (from, to) = if x1 <= x2 { ((x1, y1), (x2, y2)) } else { ((x2, y2), (x1, y1)) };
        let (left, right) = (from.0.max(self.x.0), to.0.min(self.x.1));
        if left > right {
            return false;
        }
        let at = |x: f64| {
            let length = to.0 - from.0;
            if length > 0.0 { from.1 + (to.1 - from.1) * (x - from.0) / length } else { from.1 }
        };
        // An upright piece has both its ends at one place.
        let (one, other) = if to.0 > from.0 { (at(left), at(right)) } else { (from.1, to.1) };
        one.min(other) <= self.y.1 && one.max(other) >= self.y.0
    }
}

/// Above and below a line, as what is added to its height for the foot of the words.
const BESIDE: [f64; 2] = [-5.0, 15.0];
/// So many places from side to side are tried.
const TRIED: u32 = 12;

/// The left foot of words of a width at a line of a height, where the fewest pieces go
/// through them: within `across` from left to right and `along` from top to bottom.
pub(super) fn spot(pieces: &[Piece], y: f64, wide: f64, across: (f64, f64), along: (f64, f64)) -> (f64, f64) {
    let room = (across.1 - across.0 - wide).max(0.0);
    let places = BESIDE.into_iter().flat_map(|beside| {
        (0..=TRIED).map(move |step| (across.0 + room * f64::from(step) / f64::from(TRIED), y + beside))
    });
    let within = places.filter(|(_, foot)| foot - 11.0 >= along.0 && *foot + 3.0 <= along.1);
    let met = |(x, foot): &(f64, f64)| {
        let around = Around { x: (*x - 3.0, x + wide + 3.0), y: (foot - 12.0, foot + 3.0) };
        pieces.iter().filter(|piece| around.is_met(**piece)).count()
    };
    within.min_by_key(met).unwrap_or((across.0, y + BESIDE[0]))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ACROSS: (f64, f64) = (50.0, 1000.0);
    const ALONG: (f64, f64) = (50.0, 300.0);

    #[test]
    fn words_stand_at_the_left_above_their_line_where_nothing_is_in_the_way() {
        assert_eq!(spot(&[], 200.0, 150.0, ACROSS, ALONG), (50.0, 195.0));
        // Too near to the top, below; where neither is within, above all the same.
        assert_eq!(spot(&[], 55.0, 150.0, ACROSS, ALONG), (50.0, 70.0));
        assert_eq!(spot(&[], 55.0, 150.0, ACROSS, (54.0, 60.0)), (50.0, 50.0));
    }

    #[test]
    fn words_go_where_no_curve_goes_through_them() {
        // Falling from left to right through the line: above it at the left, below it at the right.
        let falling = ((50.0, 180.0), (1000.0, 220.0));
        let (x, foot) = spot(&[falling], 200.0, 150.0, ACROSS, ALONG);
        let around = Around { x: (x, x + 150.0), y: (foot - 11.0, foot + 2.0) };
        assert!(!around.is_met(falling), "{x} {foot}");
        // A curve along all of the line above leaves the room below.
        let above = ((50.0, 190.0), (1000.0, 190.0));
        assert_eq!(spot(&[above], 200.0, 150.0, ACROSS, ALONG), (50.0, 215.0));
        // An upright line, such as the present, is gone around.
        let upright = ((100.0, 50.0), (100.0, 300.0));
        assert!(spot(&[upright], 200.0, 150.0, ACROSS, ALONG).0 > 100.0);
    }

    #[test]
    fn pieces_are_met_where_they_go_through() {
        let around = Around { x: (10.0, 20.0), y: (10.0, 20.0) };
        for through in [
            ((0.0, 0.0), (30.0, 30.0)),
            ((15.0, 0.0), (15.0, 50.0)),
            ((30.0, 15.0), (0.0, 15.0)),
            ((12.0, 12.0), (13.0, 13.0)),
        ] {
            assert!(around.is_met(through), "{through:?}");
        }
        for past in [((0.0, 0.0), (30.0, 5.0)), ((25.0, 0.0), (25.0, 50.0)), ((0.0, 30.0), (15.0, 21.0))] {
            assert!(!around.is_met(past), "{past:?}");
        }
    }
}
