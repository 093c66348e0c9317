//! Theil–Sen slopes and Sen's intervals against scipy.

use drykeep::domain::upkeep::trend::theil_sen;
use serde::Deserialize;

/// Both take medians of the same quotients; they differ by rounding only.
const TOLERANCE: f64 = 1e-9;

#[derive(Deserialize)]
struct Reference {
    sets: Vec<Set>,
}

#[derive(Deserialize)]
struct Set {
    name: String,
    x: Vec<f64>,
    y: Vec<f64>,
    results: Vec<Expected>,
}

#[derive(Deserialize)]
struct Expected {
    confidence: f64,
    slope: f64,
    intercept: f64,
    low: f64,
    high: f64,
}

/// scipy.stats.theilslopes 1.17.1, see `README.md`.
#[test]
fn slopes_and_their_intervals_agree_with_scipy() {
    let reference: Reference = serde_json::from_str(include_str!("theil_sen.json")).unwrap();
    let mut compared = 0;
    for set in &reference.sets {
        let points: Vec<(f64, f64)> = set.x.iter().copied().zip(set.y.iter().copied()).collect();
        for expected in &set.results {
            let found = theil_sen(&points, expected.confidence).unwrap();
            let pairs = [
                (found.slope, expected.slope),
                (found.intercept, expected.intercept),
                (found.low, expected.low),
                (found.high, expected.high),
            ];
            for (ours, theirs) in pairs {
                let off = (ours - theirs).abs() / theirs.abs().max(1.0);
                assert!(off <= TOLERANCE, "{} at {}: {ours} {theirs}", set.name, expected.confidence);
            }
            compared += 1;
        }
    }
    assert_eq!(compared, 33);
}
