use super::{FIXTURES, fill, fixture_times};
use crate::clock::Clock;
use crate::domain::access::Actor;
use crate::domain::booking::Progress;
use crate::store::{Store, examine};
use crate::usecases::App;
use crate::usecases::run_booking::{self, Wanted};
use chrono::{DateTime, Utc};

/// How far a booking has come, and from when to when it is.
type Kept = (Progress, DateTime<Utc>, DateTime<Utc>);

/// Loads the invented facility as of `now`, and tells how far its bookings are
/// and when the last reading was taken.
fn load_at(now: DateTime<Utc>) -> (Vec<Kept>, DateTime<Utc>) {
    let directory = tempfile::tempdir().unwrap();
    let url = format!("sqlite://{}/demo.db", directory.path().display()).parse().unwrap();
    let app = App::new(Store::open(&url).unwrap(), Clock::standing_at(now));
    fill(&app).unwrap();
    let all = app
        .query_blocking(|tx, _| run_booking::list(tx, &Actor::operator(), Wanted::default(), None, 1000))
        .unwrap();
    app.store().close();
    let bookings = all.into_iter().map(|(booked, _)| {
        let booking = booked.booking.value;
        (booking.progress, booking.interval.start(), booking.interval.end())
    });
    let last = examine(&url).unwrap().last_reading.unwrap();
    (bookings.collect(), last)
}

/// The weeks are those in which the clocks of Vienna change (last Sundays of
/// March and October, at 01:00 UTC: EU directive 2000/84/EC, from memory), and the turns of
/// a week.
#[test]
fn the_facility_can_be_loaded_at_any_time_and_its_past_has_happened() {
    for now in
        ["2026-03-29T00:30:00Z", "2026-10-25T22:30:00Z", "2027-07-05T10:15:00Z", "2028-02-29T23:30:00Z"]
    {
        let now: DateTime<Utc> = now.parse().unwrap();
        let (bookings, last_reading) = load_at(now);
        assert!(bookings.len() > 250, "{now}: {} bookings", bookings.len());
        assert!(
            last_reading <= now && last_reading > now - chrono::TimeDelta::hours(13),
            "{now}: {last_reading}"
        );
        for (progress, start, end) in bookings {
            let fits = match progress {
                Progress::Booked => start > now - chrono::TimeDelta::minutes(30),
                Progress::InUse => start <= now && now < end,
                Progress::ClosedOut => end <= now,
                Progress::NoShow | Progress::Cancelled => true,
            };
            assert!(fits, "{now}: {} from {start} to {end}", progress.word());
        }
    }
}

#[test]
fn the_fixtures_are_written_for_the_week_that_they_are_moved_from() {
    let times = fixture_times("2026-01-07T12:00:00Z".parse().unwrap()).unwrap();
    assert_eq!(times.instant("2026-01-05T00:00"), Ok("2026-01-04T23:00:00Z".parse().unwrap()));
    assert_eq!(FIXTURES.len(), 9);
}
