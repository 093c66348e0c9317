//! A straight line by least squares, and the band in which a further reading
//! lies. Knows numbers only.
//!
//! At `x` the line says `ŷ`, and a further reading lies with a given chance in
//! `ŷ ± t·s·√(1 + 1/n + (x − x̄)²/Sxx)`, where `s` is the standard deviation of
//! the readings about the line and `t` Student's point for `n − 2` degrees of
//! freedom. Any textbook of regression, such as N. R. Draper, H. Smith,
//! "Applied Regression Analysis", 3rd ed., Wiley 1998, section 3.1.

use super::quantiles;
use thiserror::Error;

/// Why there is no line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum LineError {
    /// A coordinate is NaN or infinite.
    #[error("a point is not finite")]
    NotFinite,
    /// A line with a band needs three points.
    #[error("a line with a band needs three points, there are {0}")]
    TooFew(usize),
    /// All points stand at one `x`.
    #[error("all points stand at one place")]
    OnePlace,
}

/// A straight line through points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    n: f64,
    mean_x: f64,
    mean_y: f64,
    sxx: f64,
    /// The slope.
    pub slope: f64,
    /// Standard deviation of the points about the line.
    pub residual_sd: f64,
}

/// What a line says of one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// The line.
    pub mean: f64,
    /// A further reading hardly lies below.
    pub low: f64,
    /// A further reading hardly lies above.
    pub high: f64,
}

/// Where a line and its band reach a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Where the nearer border of the band does; none where it never did not.
    pub earliest: Option<f64>,
    /// Where the line does.
    pub likely: f64,
    /// Where the farther border does; none where it never does.
    pub latest: Option<f64>,
}

impl Line {
    /// The line for which the squares of the points' distances in `y` sum to
    /// the least.
    #[expect(clippy::cast_precision_loss, reason = "counts of points")]
    pub fn through(points: &[(f64, f64)]) -> Result<Self, LineError> {
        if points.iter().any(|(x, y)| !(x.is_finite() && y.is_finite())) {
            return Err(LineError::NotFinite);
        }
        if points.len() < 3 {
            return Err(LineError::TooFew(points.len()));
        }
        let n = points.len() as f64;
        let mean = |coordinate: fn(&(f64, f64)) -> f64| points.iter().map(coordinate).sum::<f64>() / n;
        let (mean_x, mean_y) = (mean(|point| point.0), mean(|point| point.1));
        let sxx: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
        if sxx <= 0.0 {
            return Err(LineError::OnePlace);
        }
        let sxy: f64 = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
        let slope = sxy / sxx;
        let squares: f64 = points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
        Ok(Self { n, mean_x, mean_y, sxx, slope, residual_sd: (squares / (n - 2.0)).sqrt() })
    }

    /// What the line says at nought.
    pub fn intercept(&self) -> f64 {
        self.mean_y - self.slope * self.mean_x
    }

    /// Half the width of the band at the middle of the points, without the
    /// part that every point shares.
    fn unit(&self, confidence: f64) -> f64 {
        quantiles::student(0.5 + confidence / 2.0, self.n - 2.0) * self.residual_sd
    }

    /// What it says at `x`; a further reading there lies within the band with
    /// the chance `confidence` (between 0 and 1).
    pub fn at(&self, x: f64, confidence: f64) -> Prediction {
        let off = x - self.mean_x;
        let mean = self.mean_y + self.slope * off;
        let half = self.unit(confidence) * (1.0 + 1.0 / self.n + off * off / self.sxx).sqrt();
        Prediction { mean, low: mean - half, high: mean + half }
    }

    /// Where line and band reach `level`; none where the line never does.
    ///
    /// The borders do where `(slope·d − c)² = k²·(1 + 1/n + d²/Sxx)` with
    /// `d = x − x̄`, `c = level − ȳ`, `k = t·s`. Where the slope's own interval
    /// includes nought, the farther border turns back and never reaches it.
    pub fn crossing(&self, level: f64, confidence: f64) -> Option<Crossing> {
        let off = level - self.mean_y;
        let likely = self.mean_x + off / self.slope;
        if !likely.is_finite() {
            return None;
        }
        let k = self.unit(confidence);
        let leading = self.slope.powi(2) - k * k / self.sxx;
        let half = self.slope * off;
        let last = off * off - k * k * (1.0 + 1.0 / self.n);
        let root = half * half - leading * last;
        if root < 0.0 {
            return Some(Crossing { earliest: None, likely, latest: None });
        }
        // The form that loses no digits: one root by the sum, the other by Vieta.
        let sum = half + root.sqrt().copysign(half);
        let (one, other) = (sum / leading, last / sum);
        let (near, far) = if one < other { (one, other) } else { (other, one) };
        let place = |d: f64| Some(self.mean_x + d).filter(|x| x.is_finite());
        if leading > 0.0 {
            return Some(Crossing { earliest: place(near), likely, latest: place(far) });
        }
        // The nearer border reaches the level on both sides; that on the line's side counts.
        let ahead = if likely >= self.mean_x { far } else { near };
        Some(Crossing { earliest: place(ahead), likely, latest: None })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn points_on_a_line_have_no_band() {
        let line = Line::through(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]).unwrap();
        assert!((line.slope - 2.0).abs() < 1e-12 && (line.intercept() - 1.0).abs() < 1e-12);
        let crossing = line.crossing(21.0, 0.8).unwrap();
        for place in [crossing.earliest.unwrap(), crossing.likely, crossing.latest.unwrap()] {
            assert!((place - 10.0).abs() < 1e-9);
        }
    }

    #[test]
    fn what_makes_no_line_is_told() {
        assert_eq!(Line::through(&[]), Err(LineError::TooFew(0)));
        assert_eq!(Line::through(&[(0.0, 1.0), (1.0, 2.0)]), Err(LineError::TooFew(2)));
        assert_eq!(Line::through(&[(1.0, 1.0); 5]), Err(LineError::OnePlace));
        assert_eq!(Line::through(&[(0.0, 1.0), (1.0, f64::NAN), (2.0, 1.0)]), Err(LineError::NotFinite));
        let flat = Line::through(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]).unwrap();
        assert_eq!(flat.crossing(2.0, 0.8), None);
    }

    proptest! {
        /// What `crossing` solves for, put back into the band.
        #[test]
        fn the_band_stands_at_the_level_where_it_crosses_it(
            ys in prop::collection::vec(-5.0..5.0_f64, 3..30), tilt in -2.0..2.0_f64, level in -100.0..100.0_f64,
        ) {
            let points: Vec<(f64, f64)> = (0..).map(f64::from).zip(ys).map(|(x, y)| (x, y + tilt * x)).collect();
            let line = Line::through(&points).unwrap();
            if let Some(crossing) = line.crossing(level, 0.8) {
                for place in [crossing.earliest, crossing.latest].into_iter().flatten() {
                    let band = line.at(place, 0.8);
                    let off = (band.low - level).abs().min((band.high - level).abs());
                    prop_assert!(off < 1e-6 * (1.0 + place.abs()), "{crossing:?} {band:?}");
                }
            }
        }
    }
}
