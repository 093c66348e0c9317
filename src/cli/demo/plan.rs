//! The plan for the next weeks, as text.

use crate::cli::Failure;
use crate::domain::access::Actor;
use crate::domain::calendar::Interval;
use crate::domain::planning::record::Scope;
use crate::domain::planning::snapshot::{Grid, Request};
use crate::usecases::App;
use crate::usecases::plan_text::written;
use crate::usecases::propose_plan::{Asked, LEAD, USUAL_HORIZON, prepare, save};
use crate::usecases::under_way::Report;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::time::{Duration, Instant};

/// How long is searched at most.
const TIME: Duration = Duration::from_secs(5);

/// Proposes a plan, keeps it, and writes it out.
pub(super) fn proposed(app: &App, zone: Tz) -> Result<String, Failure> {
    let operator = Actor::operator();
    let by = operator.clone();
    let begun = Instant::now();
    let prepared = app.query_blocking(|tx, now| prepare(tx, &by, now, None, |_, _| Ok(asked(now))))?;
    let found = prepared.search(operator.subject.clone(), &[], Report::default())?;
    let took = begun.elapsed();
    let kept = app.command_blocking(move |tx, now| save(tx, &operator, now, &found))?;
    let text = app.query_blocking(|tx, _| written(tx, &kept.value, zone))?;
    Ok(format!(
        "\nA plan for {} days, found in {:.1} s\n{text}",
        USUAL_HORIZON.num_days(),
        took.as_secs_f64()
    ))
}

fn asked(now: DateTime<Utc>) -> Asked {
    let horizon = Interval::lasting(now + LEAD, USUAL_HORIZON).expect("four weeks have length");
    let scope = Scope {
        horizon,
        grid: Grid::Half,
        due_items: None,
        gloveboxes: None,
        request: Request::default(),
        seed: 0,
    };
    Asked { scope, free: Vec::new(), named: Vec::new(), time: TIME }
}
