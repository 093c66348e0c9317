//! The rise of oxygen and water while a box's circulation is off.

use super::{Observation, ObservationKind, Scene};
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::{merge, seconds};
use crate::domain::physics::STANDARD_ATMOSPHERE_MBAR;
use crate::domain::physics::ingress::{
    Ingress, OxygenReading, Slope, air_ingress, air_leak_water_to_oxygen, least_squares,
};
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::quantity::{Celsius, Fraction, Litres, Millibar, Minutes, Ppm};
use crate::domain::upkeep::evidence::{Evidence, digits};
use crate::domain::upkeep::report::moment;
use crate::domain::upkeep::summed::Summed;
use crate::domain::upkeep::trend::{Sample, hours_between, median};
use chrono::TimeDelta;

/// The fewest readings that a rise is taken from.
const FEWEST: usize = 5;
/// The shortest stretch that a rise is taken from, hours.
const SHORTEST_HOURS: f64 = 1.0;
/// A stretch is spoken of so long after its end.
const RECENT: TimeDelta = TimeDelta::days(7);
/// So many earlier stretches say what is usual for a box.
const EARLIER: usize = 3;
/// A rise is unusual beyond so many times the usual.
const UNUSUAL: f64 = 3.0;
/// Circulation below this, m³/h, is none.
pub const STANDSTILL_M3_H: f64 = 0.05;
/// Two readings of no circulation farther apart say nothing of the time between.
const LONGEST_STEP: TimeDelta = TimeDelta::hours(6);

const MODEL: &str = "air ingress from the rise of oxygen with the circulation off, least squares: V*dC/dt = \
     q*(20.95 % - C); hourly leak rate q/V against the class limits";
const SOURCE: &str = "oxygen method of tightness testing; class limits of ISO 10648-2 as quoted from memory";
const NO_CONFORMITY: &str =
    "a figure from ordinary work, no test: conformity needs the standard itself and a competent tester";
const NO_DIAGNOSIS: &str = "what rises is no diagnosis: it takes the ambient dew point to tell a leak from \
     permeation and outgassing, and transfers during the stretch bring air too";

/// A time with the circulation off, and what was read in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// From when to when.
    pub interval: Interval,
    /// Oxygen, ppm, in order of time.
    pub oxygen: Vec<Sample>,
    /// Water, ppm, in order of time.
    pub water: Vec<Sample>,
}

/// When the circulation was off: as claimed by bookings, unless it was seen to
/// run meanwhile, and between readings of none. Readings are in order of time;
/// those summed up are all of some circulation or all of none.
pub fn off_stretches(claimed: &[Interval], circulation: &[Summed]) -> Vec<Interval> {
    let runs = |point: &Summed| point.mean >= STANDSTILL_M3_H;
    let seen_running = |interval: &&Interval| {
        let first = circulation.partition_point(|point| point.last.at < interval.start());
        circulation[first..].iter().take_while(|point| point.first.at < interval.end()).any(runs)
    };
    let mut stretches: Vec<Interval> =
        claimed.iter().filter(|interval| !seen_running(interval)).copied().collect();
    let within = circulation.iter().filter(|point| !runs(point));
    stretches.extend(within.filter_map(|point| Interval::new(point.first.at, point.last.at).ok()));
    let standing =
        |pair: &&[Summed]| !pair.iter().any(runs) && pair[1].first.at - pair[0].last.at <= LONGEST_STEP;
    let between = circulation.windows(2).filter(standing);
    stretches.extend(between.filter_map(|pair| Interval::new(pair[0].last.at, pair[1].first.at).ok()));
    merge(stretches)
}

/// The ingress over a stretch that has enough readings.
struct Fitted<'a> {
    stretch: &'a Stretch,
    ingress: Ingress,
    error_per_h: f64,
}

fn fit(stretch: &Stretch, volume: Litres) -> Option<Fitted<'_>> {
    let readings: Option<Vec<OxygenReading>> = stretch
        .oxygen
        .iter()
        .map(|sample| {
            let minutes = seconds(sample.at - stretch.interval.start()) / 60.0;
            Some(OxygenReading { at: Minutes::new(minutes).ok()?, oxygen: Ppm::new(sample.value).ok()? })
        })
        .collect();
    enough(&stretch.oxygen)?;
    let ingress = air_ingress(volume, &readings?).ok()?;
    let error_per_h = ingress.standard_error_ml_min? * 60.0 / (1000.0 * volume.get());
    Some(Fitted { stretch, ingress, error_per_h })
}

fn enough(samples: &[Sample]) -> Option<()> {
    let (first, last) = (samples.first()?, samples.last()?);
    (samples.len() >= FEWEST && hours_between(first.at, last.at) >= SHORTEST_HOURS).then_some(())
}

/// The slope of readings, by the hour.
fn by_the_hour(samples: &[Sample]) -> Option<Slope> {
    enough(samples)?;
    let first = samples.first()?.at;
    let points: Vec<(f64, f64)> =
        samples.iter().map(|sample| (hours_between(first, sample.at), sample.value)).collect();
    least_squares(&points)
}

fn rises(slope: Slope) -> bool {
    slope.standard_error.is_some_and(|error| slope.slope > 2.0 * error && slope.slope > 0.0)
}

impl Fitted<'_> {
    fn per_h(&self) -> f64 {
        self.ingress.hourly_leak_rate_per_h
    }

    /// What the rate exceeds with two standard errors to spare.
    fn at_least(&self) -> f64 {
        self.per_h() - 2.0 * self.error_per_h
    }
}

/// Whether oxygen rose, in the last stretch with the circulation off, clearly
/// faster than the required class allows or than three times what is usual
/// for the box. `stretches` are in order of time.
pub fn oxygen_rise(
    scene: &Scene<'_>,
    volume: Litres,
    stretches: &[Stretch],
    required: TightnessClass,
) -> Option<Observation> {
    let mut fitted: Vec<Fitted<'_>> = stretches.iter().filter_map(|stretch| fit(stretch, volume)).collect();
    let last = fitted.pop().filter(|last| scene.now - last.stretch.interval.end() <= RECENT)?;
    // A rise lost in its own error is no smaller than that error.
    let mut before: Vec<f64> = fitted.iter().map(|one| one.per_h().max(one.error_per_h)).collect();
    let usual = median(&mut before).filter(|_| before.len() >= EARLIER);
    let beyond_class = last.at_least() > required.limit_per_h();
    let beyond_usual = usual.is_some_and(|usual| last.at_least() > UNUSUAL * usual);
    if !last.ingress.distinguishable || !(beyond_class || beyond_usual) {
        return None;
    }
    let class = TightnessClass::of(last.per_h())
        .map_or_else(|| "beyond class 4".to_owned(), |class| format!("class {}", class.number()));
    let mut why = Vec::new();
    if beyond_class {
        why.push(format!("class {} is required", required.number()));
    }
    if let Some(usual) = usual.filter(|_| beyond_usual) {
        why.push(format!("{} times what is usual here", digits(last.per_h() / usual)));
    }
    let slope = by_the_hour(&last.stretch.oxygen)?;
    let text = format!(
        "oxygen rose {} ppm/h with the circulation off from {} ({} h): hourly leak rate {:.1e} ± {:.0e} per h, a \
         figure of {class} by ISO 10648-2; {}{}",
        digits(slope.slope),
        moment(last.stretch.interval.start(), scene.zone),
        digits(last.stretch.interval.hours()),
        last.per_h(),
        last.error_per_h,
        why.join(", "),
        in_words(ratio(last.stretch)),
    );
    Some(scene.noticed(ObservationKind::OxygenRise, text, evidence(&last, usual, required, volume)))
}

fn evidence(last: &Fitted<'_>, usual: Option<f64>, required: TightnessClass, volume: Litres) -> Evidence {
    let (rate, error) = (last.per_h(), last.error_per_h);
    let (flow, flow_error) = (last.ingress.ingress_ml_min, last.ingress.standard_error_ml_min.unwrap_or(0.0));
    let mut evidence = Evidence::new(MODEL, SOURCE)
        .with_readings(&last.stretch.oxygen)
        .with("box_volume", volume.get(), "L")
        .with_range("ingress", flow, (flow - flow_error, flow + flow_error), "mL/min")
        .with_range("hourly_leak_rate", rate, (rate - error, rate + error), "per hour")
        .with("class_limit", required.limit_per_h(), "per hour")
        .noting("ranges are one standard error; the readings are taken as independent of each other")
        .noting(NO_CONFORMITY)
        .noting(NO_DIAGNOSIS);
    if let Some(usual) = usual {
        evidence = evidence.with("usual_rate", usual, "per hour");
    }
    match ratio(last.stretch) {
        Some(found) => evidence.with("water_to_oxygen", found, "ppm/ppm").noting(compared()),
        None => evidence.noting("water was not read often enough, or did not rise: no ratio to oxygen"),
    }
}

/// What a plain leak of room air would bring, in words.
fn compared() -> String {
    let usual = (Celsius::new(23.0), Fraction::new(0.5), Millibar::new(STANDARD_ATMOSPHERE_MBAR));
    let (Ok(room), Ok(humidity), Ok(pressure)) = usual else { return String::new() };
    air_leak_water_to_oxygen(room, humidity, pressure).map_or_else(
        |_| String::new(),
        |plain| {
            format!(
                "a plain leak of air at 23 °C and 50 % humidity brings {} of water to oxygen",
                digits(plain)
            )
        },
    )
}

/// Water's rise to oxygen's, where both rise beyond doubt.
fn ratio(stretch: &Stretch) -> Option<f64> {
    let oxygen = by_the_hour(&stretch.oxygen).filter(|slope| rises(*slope))?;
    let water = by_the_hour(&stretch.water).filter(|slope| rises(*slope))?;
    Some(water.slope / oxygen.slope)
}

fn in_words(ratio: Option<f64>) -> String {
    ratio.map_or_else(String::new, |ratio| {
        format!("; water rose {} times as much (no diagnosis without the ambient dew point)", digits(ratio))
    })
}

/// Whether water rose past its caution level, in the last stretch with the
/// circulation off, while oxygen did not rise. `stretches` are in order of time.
pub fn water_rise(
    scene: &Scene<'_>,
    volume: Litres,
    stretches: &[Stretch],
    caution: Ppm,
) -> Option<Observation> {
    let last = stretches.iter().rev().find(|stretch| enough(&stretch.water).is_some())?;
    let high = last.water.last().filter(|sample| sample.value >= caution.get())?;
    let water = by_the_hour(&last.water).filter(|slope| rises(*slope))?;
    let oxygen = fit(last, volume)?;
    if scene.now - last.interval.end() > RECENT || oxygen.ingress.distinguishable {
        return None;
    }
    let text = format!(
        "water rose {} ppm/h to {} ppm with the circulation off from {} ({} h), and oxygen did not: that points to \
         permeation or outgassing rather than to a leak (common practice, no source); no diagnosis without the \
         ambient dew point",
        digits(water.slope),
        digits(high.value),
        moment(last.interval.start(), scene.zone),
        digits(last.interval.hours()),
    );
    let error = water.standard_error.unwrap_or(0.0);
    let evidence = Evidence::new("least squares of water and of oxygen with the circulation off", SOURCE)
        .with_readings(&last.water)
        .with_range("water_rise", water.slope, (water.slope - error, water.slope + error), "ppm/h")
        .with("caution_level", caution.get(), "ppm")
        .with_range(
            "hourly_leak_rate",
            oxygen.per_h(),
            (oxygen.per_h() - oxygen.error_per_h, oxygen.per_h() + oxygen.error_per_h),
            "per hour",
        )
        .noting("ranges are one standard error; the readings are taken as independent of each other")
        .noting(NO_DIAGNOSIS);
    Some(scene.noticed(ObservationKind::WaterRise, text, evidence))
}
