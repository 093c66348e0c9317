//! Tests of levels that were read with errors while they moved.

use super::*;
use proptest::prelude::*;

const FREE: Prior = Prior { mean: 0.0, sd: 1e6 };

fn model(nonnegative: bool) -> LevelModel<1> {
    LevelModel { priors: [FREE], nonnegative, least_error: 1e-6, margin: 1.0, grid: Grid::WIDE }
}

fn line(hours: impl Iterator<Item = u32>, level: impl Fn(f64) -> f64) -> Vec<Observation<1>> {
    hours.map(f64::from).map(|hours| Observation { hours, level: level(hours), causes: [hours] }).collect()
}

fn at(hours: f64) -> Ahead<1> {
    Ahead { hours, causes: [hours], variances: [0.0], common: 0.0 }
}

/// 10 + 2·t exactly: 50 is reached at 20 h.
#[test]
fn a_straight_line_is_followed_exactly() {
    let fit = model(false).fit(&[line(0..10, |t| 10.0 + 2.0 * t)]).unwrap();
    assert!((fit.coefficient(0).mean - 2.0).abs() < 1e-6);
    for chance in [0.1, 0.5, 0.9] {
        let hours = fit.reaches(50.0, chance, (9.0, 1000.0), at).unwrap();
        assert!((hours - 20.0).abs() < 0.02, "{chance} {hours}");
    }
    assert_eq!(fit.reaches(50.0, 0.5, (9.0, 19.0), at), None);
    assert_eq!(fit.reaches(20.0, 0.5, (9.0, 1000.0), at), Some(9.0));
}

/// Two segments with different starts share their slope.
#[test]
fn segments_share_what_moves_the_level() {
    let segments = [line(0..10, |t| 100.0 + 3.0 * t), line(10..12, |t| 5.0 + 3.0 * t)];
    let fit = model(true).fit(&segments).unwrap();
    assert!((fit.coefficient(0).mean - 3.0).abs() < 1e-6);
    assert!((fit.level(&at(20.0)).mean - 65.0).abs() < 1e-3);
    assert_eq!(fit.readings(), 12);
    // One reading alone tells the level, and the prior the rest.
    let known = LevelModel { priors: [Prior { mean: 1.0, sd: 0.1 }], ..model(true) };
    let fit = known.fit(&[line(5..6, |_| 7.0)]).unwrap();
    assert!((fit.level(&at(15.0)).mean - 17.0).abs() < 1e-6);
    assert_eq!(model(true).fit(&[]), None);
    assert_eq!(model(true).fit(&[Vec::new()]), None);
}

/// What cannot be negative is nought, and a mark above is never reached.
#[test]
fn a_falling_level_never_reaches_a_higher_mark() {
    let falling = [line(0..10, |t| 100.0 - t)];
    assert!(model(true).fit(&falling).unwrap().coefficient(0).mean.abs() < 1e-12);
    let fit = model(false).fit(&falling).unwrap();
    assert_eq!(fit.reaches(200.0, 0.1, (9.0, 1e4), at), None);
}

/// The slope of y = 1, 2, 4, 4, 6 over 0..4 by ordinary least squares is 1.2
/// with standard error √(0.8/3/10) = 0.1633 (by hand: the squared residuals
/// sum to 0.8). Wandering is possible too, so the interval is wider.
#[test]
fn the_doubt_is_not_less_than_that_of_least_squares() {
    let levels = [1.0, 2.0, 4.0, 4.0, 6.0];
    let segment = (0_u32..).map(f64::from).zip(levels);
    let segment: Vec<Observation<1>> =
        segment.map(|(hours, level)| Observation { hours, level, causes: [hours] }).collect();
    let slope = model(false).fit(&[segment]).unwrap().coefficient(0);
    assert!((slope.mean - 1.2).abs() < 0.1, "{}", slope.mean);
    assert!(slope.sd > 0.163 && slope.sd < 1.0, "{}", slope.sd);
}

proptest! {
    #[test]
    fn later_is_surer_and_surer_is_later(
        noise in prop::collection::vec(-1.0..1.0_f64, 3..40), slope in 0.05..3.0_f64, mark in 1.0..500.0_f64,
    ) {
        let segment: Vec<Observation<1>> = (0_u32..)
            .map(f64::from)
            .zip(&noise)
            .map(|(hours, noise)| Observation { hours, level: slope * hours + noise, causes: [hours] })
            .collect();
        let from = segment.last().unwrap().hours;
        let fit = model(true).fit(&[segment]).unwrap();
        let found = [0.1, 0.5, 0.9].map(|chance| fit.reaches(mark, chance, (from, 1e4), at));
        for pair in found.windows(2) {
            prop_assert!(pair[1].is_none() || pair[0].is_some_and(|sooner| sooner <= pair[1].unwrap()));
        }
    }
}
