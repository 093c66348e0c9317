//! How large a wall screen is written, so that all of it fits at once: how many boxes
//! stand beside each other, and into how many lines height and width are divided. Both
//! are estimates on the side of too much room; where scripts run, one looks again. Pure.

/// From how many lines on a screen is divided in steps, each with a class of its own.
const HIGH: [u16; 21] =
    [32, 34, 36, 38, 40, 43, 46, 49, 52, 56, 60, 64, 68, 73, 78, 84, 90, 97, 105, 115, 128];
const WIDE: [u16; 16] = [48, 52, 57, 62, 68, 74, 81, 88, 96, 104, 114, 124, 135, 147, 160, 175];
/// The widest screen beside its height: what is asked for is a screen of 16 to 9.
const ASPECT: f64 = 16.0 / 9.0;
/// Boxes beside each other.
const COLUMNS: std::ops::RangeInclusive<u16> = 1..=8;
/// What a box takes from side to side, what is between two, and what is beside all.
const BOX: f64 = 15.0;
const BETWEEN: f64 = 2.5;
const BESIDE: f64 = 6.0;

/// Holds beside each other, what one takes at least, and a letter of it.
const HOLDS: std::ops::RangeInclusive<u16> = 1..=6;
const HOLD: f64 = 30.0;
const LETTER: f64 = 0.56;

/// What is on a wall screen, as far as its size goes.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Content {
    /// For each box, whether a level of it is told in words too.
    pub(super) boxes: Vec<bool>,
    /// For each hold, the characters of its caution.
    pub(super) holds: Vec<usize>,
    /// Lines of the longer of the two lists below.
    pub(super) listed: u16,
    /// Characters of whom to call.
    pub(super) contact: usize,
}

/// The classes by which the style sheet knows the sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fit {
    columns: u16,
    high: u16,
    wide: u16,
}

impl Fit {
    /// The fit with the largest letters.
    pub(super) fn of(content: &Content) -> Self {
        let boxes = u16::try_from(content.boxes.len()).unwrap_or(u16::MAX);
        let fits = COLUMNS.filter(|columns| *columns == 1 || *columns <= boxes).map(|columns| {
            let beside = f64::from(columns);
            let wide = beside * BOX + (beside - 1.0) * BETWEEN + BESIDE;
            let wide = step(&WIDE, wide);
            // The lines that fit follow from the letters, which the narrower of both makes smaller.
            let high = step(&HIGH, content.height(columns, wide));
            Self { columns, high, wide }
        });
        let letters = |fit: &Self| (ASPECT / f64::from(fit.wide)).min(1.0 / f64::from(fit.high));
        // Of the same letters, those with the fewest empty places, and with the more beside each other.
        let empty =
            |fit: &Self| boxes.div_ceil(fit.columns).saturating_mul(fit.columns).saturating_sub(boxes);
        fits.max_by(|one, other| {
            letters(one).total_cmp(&letters(other)).then_with(|| empty(other).cmp(&empty(one)))
        })
        .expect("there is a smallest number")
    }

    /// The classes.
    pub(super) fn classes(self) -> String {
        format!("cols-{} high-{} wide-{}", self.columns, self.high, self.wide)
    }
}

/// The smallest step that is no less.
fn step(steps: &[u16], least: f64) -> u16 {
    let last = steps.last().copied().unwrap_or(1);
    steps.iter().copied().find(|step| f64::from(*step) >= least).unwrap_or(last)
}

/// Lines of a text, so many to a line.
fn lines(characters: usize, to_a_line: f64) -> f64 {
    let characters = f64::from(u32::try_from(characters).unwrap_or(u32::MAX));
    (characters / to_a_line.max(1.0)).ceil().max(1.0)
}

impl Content {
    /// The height in the units of the style sheet, with so many boxes beside each other.
    fn height(&self, columns: u16, wide: u16) -> f64 {
        let across = f64::from(wide) - BESIDE;
        let rows = self.boxes.chunks(usize::from(columns));
        let boxes: f64 = rows.map(|row| if row.contains(&true) { 12.4 } else { 9.6 }).sum();
        let beside = HOLDS.filter(|holds| f64::from(*holds) * (HOLD + 1.0) <= across + 1.0).max();
        let beside = beside.unwrap_or(1).min(u16::try_from(self.holds.len()).unwrap_or(1)).max(1);
        let characters = (across / f64::from(beside) - 3.5) / LETTER;
        let holds: f64 = self
            .holds
            .chunks(usize::from(beside))
            .map(|row| 8.8 + 1.45 * row.iter().map(|caution| lines(*caution, characters)).fold(0.0, f64::max))
            .sum();
        let lists = 4.3 + 1.65 * f64::from(self.listed);
        let contact =
            if self.contact == 0 { 0.0 } else { 1.0 + 1.5 * lines(self.contact, across / LETTER).min(2.0) };
        3.4 + holds + boxes + lists + contact + 3.4
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(boxes: usize, holds: usize) -> Fit {
        Fit::of(&Content { boxes: vec![true; boxes], holds: vec![180; holds], listed: 6, contact: 80 })
    }

    #[test]
    fn few_boxes_stand_in_one_row_and_many_in_several() {
        let columns = [0, 1, 2, 3, 5, 8, 12].map(|boxes| fit(boxes, 0).columns);
        assert_eq!(columns[..4], [1, 1, 2, 3]);
        assert!(columns.is_sorted(), "{columns:?}");
        assert_eq!(fit(8, 2).columns, 4, "{:?}", fit(8, 2));
    }

    #[test]
    fn letters_become_smaller_with_what_there_is_to_tell() {
        let letters = |fit: Fit| (ASPECT / f64::from(fit.wide)).min(1.0 / f64::from(fit.high));
        let sizes = [fit(2, 0), fit(8, 0), fit(8, 2), fit(24, 6)].map(letters);
        assert!(sizes.is_sorted_by(|one, other| one >= other), "{sizes:?}");
        // Of 1080 lines of a screen a letter of eight boxes and two holds keeps 15 or more.
        assert!(letters(fit(8, 2)) * 1080.0 >= 15.0, "{:?}", fit(8, 2));
    }

    #[test]
    fn every_size_has_its_class() {
        let style = include_str!("../style.css");
        for (name, steps) in [("high", HIGH.as_slice()), ("wide", WIDE.as_slice())] {
            for step in steps {
                assert!(style.contains(&format!(".{name}-{step} {{ --{name}: {step}; }}")), "{name}-{step}");
            }
        }
        for columns in COLUMNS {
            assert!(style.contains(&format!(".cols-{columns} {{ --cols: {columns}; }}")), "cols-{columns}");
        }
    }
}
