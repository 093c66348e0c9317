//! Counting how well dates foretold agree with what came true, and the table
//! that is kept of it.

use std::thread;

/// Simulated histories for each row of the table.
pub(crate) const RUNS: u64 = 1000;

/// Dates as foretold, hours from now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Dates {
    /// Hardly before; nothing is said where there is none.
    pub(crate) earliest: Option<f64>,
    /// The best single date.
    pub(crate) likely: f64,
    /// Hardly after; infinitely late where there is none.
    pub(crate) latest: Option<f64>,
}

/// What came of one run, hours from now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outcome {
    /// What came true.
    pub(crate) truth: f64,
    /// What drykeep foretold, if anything.
    pub(crate) dates: Option<Dates>,
    /// What a straight line through the last two readings foretells, if anything.
    pub(crate) baseline: Option<f64>,
}

/// A straight line through the last two readings: when it reaches a level,
/// hours after `now`; none where it leads away from it.
pub(crate) fn line_through_last_two(readings: &[(f64, f64)], level: f64, now: f64) -> Option<f64> {
    let [.., (x0, y0), (x1, y1)] = readings else { return None };
    let slope = (y1 - y0) / (x1 - x0);
    let hours = x1 + (level - y1) / slope - now;
    (hours.is_finite() && (level - y1) / slope >= 0.0).then_some(hours)
}

/// Every run once, shared between threads; the order of outcomes is that of the runs.
pub(crate) fn all_runs(run: impl Fn(u64) -> Outcome + Sync) -> Vec<Outcome> {
    let threads = thread::available_parallelism().map_or(2, |threads| threads.get() as u64);
    let run = &run;
    let mut outcomes: Vec<(u64, Outcome)> = thread::scope(|scope| {
        let share = |first: u64| {
            let runs = (0..RUNS).filter(move |index| index % threads == first);
            scope.spawn(move || runs.map(|index| (index, run(index))).collect::<Vec<_>>())
        };
        let shares: Vec<_> = (0..threads).map(share).collect();
        shares.into_iter().flat_map(|share| share.join().unwrap()).collect()
    });
    outcomes.sort_by_key(|(index, _)| *index);
    outcomes.into_iter().map(|(_, outcome)| outcome).collect()
}

/// One row of the table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    kind: &'static str,
    days: f64,
    runs: usize,
    /// All in per cent: runs without a date, and of those with one, the truth
    /// inside the interval, before it, after it, and no latest date.
    no_date: f64,
    inside: f64,
    before: f64,
    after: f64,
    no_latest: f64,
    /// All in days: medians of width and error.
    width: f64,
    error: f64,
    /// The baseline: runs without a date, and where both have one the median
    /// errors in days of drykeep and of the baseline.
    baseline_no_date: f64,
    error_of_both: f64,
    baseline_error: f64,
}

/// The table's head.
pub(crate) const HEAD: &str = "\
| kind | days ahead | runs | no date, % | in the interval, % | earlier, % | later, % | no latest date, % | \
median width, d | median error, d | line: no date, % | line: median error, d | error, d, where both have a date | \
line's error / drykeep's |
|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|
";

impl Row {
    pub(crate) fn of(kind: &'static str, days: f64, outcomes: &[Outcome]) -> Self {
        let dated: Vec<(f64, Dates)> =
            outcomes.iter().filter_map(|one| Some((one.truth, one.dates?))).collect();
        let percent = |count: usize, of: usize| 100.0 * count as f64 / of.max(1) as f64;
        let share = |holds: &dyn Fn(f64, &Dates) -> bool| {
            percent(dated.iter().filter(|(truth, dates)| holds(*truth, dates)).count(), dated.len())
        };
        let before = share(&|truth, dates| dates.earliest.is_some_and(|earliest| truth < earliest));
        let after = share(&|truth, dates| dates.latest.is_some_and(|latest| truth > latest));
        let width =
            |dates: &Dates| dates.latest.unwrap_or(f64::INFINITY) - dates.earliest.unwrap_or(0.0).max(0.0);
        let both: Vec<(f64, f64)> = outcomes
            .iter()
            .filter_map(|one| {
                Some(((one.dates?.likely - one.truth).abs(), (one.baseline? - one.truth).abs()))
            })
            .collect();
        Self {
            kind,
            days,
            runs: outcomes.len(),
            no_date: percent(outcomes.len() - dated.len(), outcomes.len()),
            inside: 100.0 - before - after,
            before,
            after,
            no_latest: share(&|_, dates| dates.latest.is_none()),
            width: median(dated.iter().map(|(_, dates)| width(dates) / 24.0)),
            error: median(dated.iter().map(|(truth, dates)| (dates.likely - truth).abs() / 24.0)),
            baseline_no_date: percent(
                outcomes.iter().filter(|one| one.baseline.is_none()).count(),
                outcomes.len(),
            ),
            error_of_both: median(both.iter().map(|(ours, _)| ours / 24.0)),
            baseline_error: median(both.iter().map(|(_, line)| line / 24.0)),
        }
    }

    /// How many times larger the baseline's median error is, where both have a date.
    pub(crate) fn factor(&self) -> f64 {
        self.baseline_error / self.error_of_both
    }

    /// Share of the runs with a date whose interval holds the truth, per cent.
    pub(crate) const fn inside(&self) -> f64 {
        self.inside
    }

    fn cells(&self) -> [f64; 13] {
        [
            self.days,
            self.runs as f64,
            self.no_date,
            self.inside,
            self.before,
            self.after,
            self.no_latest,
            self.width,
            self.error,
            self.baseline_no_date,
            self.baseline_error,
            self.error_of_both,
            self.factor(),
        ]
    }

    /// As a line of the table.
    pub(crate) fn line(&self) -> String {
        let decimals = [0, 0, 1, 1, 1, 1, 1, 1, 2, 1, 2, 2, 1];
        let mut line = format!("| {} |", self.kind);
        for (value, decimals) in self.cells().into_iter().zip(decimals) {
            line += &format!(" {value:.decimals$} |");
        }
        line
    }

    /// Whether a line of the table says the same. Other machines round
    /// otherwise, which may turn a run in a thousand: half a per cent of the
    /// runs and 3 % of a median are the same.
    pub(crate) fn agrees_with(&self, line: &str) -> bool {
        let mut cells = line.split('|').map(str::trim).skip(1);
        if cells.next() != Some(self.kind) {
            return false;
        }
        let told: Vec<f64> = cells.filter_map(|cell| cell.parse().ok()).collect();
        told.len() == 13
            && self.cells().iter().zip(&told).enumerate().all(|(column, (ours, told))| match column {
                0 | 1 => (ours - told).abs() < 1e-9,
                2..=6 | 9 => (ours - told).abs() <= 0.55,
                _ => {
                    (ours - told).abs() <= 0.03 * told.abs() + 0.06
                        || (ours.is_infinite() && told.is_infinite())
                }
            })
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => f64::INFINITY,
        n if n % 2 == 1 => values[n / 2],
        n => f64::midpoint(values[n / 2 - 1], values[n / 2]),
    }
}

/// By hand: truths 10, 20, 30 and 40 h, of which the first lies before its
/// interval, the second in it, the third has no latest date, the last no date.
#[test]
fn outcomes_are_counted_as_by_hand() {
    let dates = |earliest, likely, latest| Some(Dates { earliest: Some(earliest), likely, latest });
    let outcome = |truth, dates, baseline| Outcome { truth, dates, baseline };
    let row = Row::of(
        "gas",
        1.0,
        &[
            outcome(10.0, dates(12.0, 13.0, Some(36.0)), Some(34.0)),
            outcome(20.0, dates(12.0, 26.0, Some(36.0)), None),
            outcome(30.0, dates(12.0, 54.0, None), Some(42.0)),
            outcome(40.0, None, Some(40.0)),
        ],
    );
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    near(row.no_date, 25.0);
    near(row.before, 100.0 / 3.0);
    near(row.after, 0.0);
    near(row.no_latest, 100.0 / 3.0);
    near(row.width, 1.0);
    near(row.error, 0.25);
    near(row.baseline_no_date, 25.0);
    near(row.error_of_both, 13.5 / 24.0);
    near(row.factor(), 18.0 / 13.5);
    assert!(row.agrees_with(&row.line()) && !row.agrees_with(&row.line().replace("66.7", "60.0")));
}

#[test]
fn a_line_through_two_readings_goes_on() {
    let readings = [(0.0, 9.0), (10.0, 100.0), (20.0, 90.0)];
    assert_eq!(line_through_last_two(&readings, 20.0, 25.0), Some(65.0));
    assert_eq!(line_through_last_two(&readings, 120.0, 25.0), None);
    assert_eq!(line_through_last_two(&[(0.0, 5.0), (1.0, 5.0)], 20.0, 2.0), None);
}
