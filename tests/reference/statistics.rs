//! Quantiles, nonnegative least squares, lines with their bands, and lives,
//! against scipy, statsmodels and published examples; see `README.md`.

use drykeep::domain::upkeep::line::Line;
use drykeep::domain::upkeep::nnls::nnls;
use drykeep::domain::upkeep::quantiles;
use drykeep::domain::upkeep::weibull::{Between, Life, NoEstimate, estimate, most_likely};
use serde::Deserialize;
use serde::de::DeserializeOwned;

#[derive(Deserialize)]
struct Reference<T> {
    sets: Vec<T>,
}

fn sets<T: DeserializeOwned>(text: &str) -> Vec<T> {
    serde_json::from_str::<Reference<T>>(text).unwrap().sets
}

#[track_caller]
fn assert_near(ours: f64, theirs: f64, relative: f64, what: &str) {
    let off = (ours - theirs).abs() / theirs.abs().max(1e-300);
    assert!(off <= relative || (ours - theirs).abs() < 1e-12, "{what}: {ours}, not {theirs}");
}

#[derive(Deserialize)]
struct Quantiles {
    name: String,
    freedom: Option<f64>,
    values: Vec<(f64, f64)>,
}

/// scipy.stats norm.ppf and t.ppf.
#[test]
fn points_of_distributions_agree_with_scipy() {
    let mut compared = 0;
    for set in sets::<Quantiles>(include_str!("quantiles.json")) {
        for (p, theirs) in &set.values {
            let ours = match (set.name.as_str(), set.freedom) {
                ("normal", None) => quantiles::normal(*p),
                ("student", Some(freedom)) => quantiles::student(*p, freedom),
                (other, _) => panic!("{other}"),
            };
            assert_near(ours, *theirs, 1e-8, &format!("{} {:?} at {p}", set.name, set.freedom));
            compared += 1;
        }
    }
    assert_eq!(compared, 143);
}

#[derive(Deserialize)]
struct Nnls {
    name: String,
    a: Vec<Vec<f64>>,
    b: Vec<f64>,
    x: Vec<f64>,
    residual_norm: f64,
    unique: bool,
}

/// scipy.optimize.nnls. Where columns depend on each other many coefficients
/// are as good; then the distance left is compared.
#[test]
fn coefficients_not_below_nought_agree_with_scipy() {
    let problems: Vec<Nnls> = sets(include_str!("nnls.json"));
    let (mut alike, mut at_the_edge) = (0, 0);
    for one in &problems {
        let x = nnls(&one.a, &one.b);
        assert!(x.len() == one.x.len() && x.iter().all(|x| *x >= 0.0), "{}: {x:?}", one.name);
        let squares: f64 = one
            .a
            .iter()
            .zip(&one.b)
            .map(|(row, b)| (row.iter().zip(&x).map(|(a, x)| a * x).sum::<f64>() - b).powi(2))
            .sum();
        assert!(
            (squares.sqrt() - one.residual_norm).abs() < 1e-9 * (1.0 + one.residual_norm),
            "{}",
            one.name
        );
        if one.unique {
            let largest = one.x.iter().fold(1.0_f64, |most, x| most.max(*x));
            for (ours, theirs) in x.iter().zip(&one.x) {
                assert!((ours - theirs).abs() < 1e-9 * largest, "{}: {x:?}, not {:?}", one.name, one.x);
            }
            alike += 1;
        }
        at_the_edge += usize::from(one.x.iter().any(|x| *x <= 0.0));
    }
    assert!(problems.len() == 54 && alike > 25 && at_the_edge > 40, "{alike} {at_the_edge}");
}

#[derive(Deserialize)]
struct Band {
    name: String,
    x: Vec<f64>,
    y: Vec<f64>,
    intercept: f64,
    slope: f64,
    residual_sd: f64,
    level: f64,
    results: Vec<BandResult>,
}

#[derive(Deserialize)]
struct BandResult {
    confidence: f64,
    predictions: Vec<BandAt>,
    earliest: Option<f64>,
    latest: Option<f64>,
}

#[derive(Deserialize)]
struct BandAt {
    x: f64,
    mean: f64,
    low: f64,
    high: f64,
}

/// statsmodels `OLS.get_prediction`, and where its band crosses a level.
#[test]
fn lines_and_their_bands_agree_with_statsmodels() {
    for set in sets::<Band>(include_str!("line.json")) {
        let points: Vec<(f64, f64)> = set.x.iter().copied().zip(set.y.iter().copied()).collect();
        let line = Line::through(&points).unwrap();
        assert_near(line.intercept(), set.intercept, 1e-9, &set.name);
        assert_near(line.slope, set.slope, 1e-9, &set.name);
        assert_near(line.residual_sd, set.residual_sd, 1e-9, &set.name);
        for result in &set.results {
            let what = format!("{} at {}", set.name, result.confidence);
            for at in &result.predictions {
                let found = line.at(at.x, result.confidence);
                assert_near(found.mean, at.mean, 1e-8, &what);
                assert_near(found.low, at.low, 1e-8, &what);
                assert_near(found.high, at.high, 1e-8, &what);
            }
            let crossing = line.crossing(set.level, result.confidence).unwrap();
            assert_eq!(crossing.latest.is_some(), result.latest.is_some(), "{what}");
            assert_near(crossing.earliest.unwrap(), result.earliest.unwrap(), 1e-7, &what);
            if let (Some(ours), Some(theirs)) = (crossing.latest, result.latest) {
                assert_near(ours, theirs, 1e-7, &what);
            }
            assert_near(crossing.likely, (set.level - set.intercept) / set.slope, 1e-9, &what);
        }
    }
}

#[derive(Deserialize)]
struct Lives {
    name: String,
    failed: Vec<f64>,
    censored: Vec<f64>,
    published: Option<Published>,
    shape: f64,
    scale: f64,
    log_likelihood: f64,
    b10: f64,
    interval: LivesInterval,
}

#[derive(Deserialize)]
struct Published {
    shape: f64,
    scale: f64,
}

#[derive(Deserialize)]
struct LivesInterval {
    shape: (Option<f64>, Option<f64>),
    scale: (Option<f64>, Option<f64>),
    b10: (Option<f64>, Option<f64>),
}

/// Published sets (each source is in the set's name), and the greatest
/// likelihood with its ratio's intervals as scipy finds them.
#[test]
fn lives_agree_with_published_examples_and_scipy() {
    let all: Vec<Lives> = sets(include_str!("weibull.json"));
    assert!(all.len() == 10 && all.iter().filter(|set| set.published.is_some()).count() == 3);
    for set in &all {
        let life = |failed| move |length: &f64| Life { length: *length, failed };
        let lives: Vec<Life> =
            set.failed.iter().map(life(true)).chain(set.censored.iter().map(life(false))).collect();
        let likely = most_likely(&lives).unwrap();
        assert_near(likely.shape, set.shape, 1e-6, &set.name);
        assert_near(likely.scale, set.scale, 1e-6, &set.name);
        assert_near(likely.b10(), set.b10, 1e-6, &set.name);
        if let Some(published) = &set.published {
            // As many digits as are printed.
            assert_near(likely.shape, published.shape, 5e-5, &set.name);
            assert_near(likely.scale, published.scale, 5e-6, &set.name);
        }
        if set.failed.len() == 1 {
            assert_eq!(estimate(&lives), Err(NoEstimate::OneFailure { lives: lives.len() }));
            continue;
        }
        let found = estimate(&lives).unwrap();
        assert_near(found.log_likelihood, set.log_likelihood, 1e-9, &set.name);
        for (ours, theirs) in [
            (found.shape, &set.interval.shape),
            (found.scale, &set.interval.scale),
            (found.b10, &set.interval.b10),
        ] {
            assert_interval(ours, theirs, &set.name);
        }
    }
}

fn assert_interval(ours: Between, theirs: &(Option<f64>, Option<f64>), what: &str) {
    for (ours, theirs) in [(ours.low, theirs.0), (ours.high, theirs.1)] {
        assert_near(ours.unwrap(), theirs.unwrap(), 1e-5, what);
    }
}
