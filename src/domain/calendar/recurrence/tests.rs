//! Recurrences on the nights the clocks change, and at their bounds.
//!
//! Clocks change in the European Union at 01:00 UTC on the last Sundays of
//! March and October (Directive 2000/84/EC), in the United States at 02:00
//! local on the second Sunday of March and the first of November (15 U.S.C.
//! §260a): in 2026 on 29 March, 25 October, 8 March and 1 November.

use super::*;
use proptest::prelude::*;
use std::time::{Duration, Instant};

fn text(dtstart: &str, timezone: &str, rrule: &str) -> RecurrenceText {
    let rrule = (!rrule.is_empty()).then(|| rrule.to_owned());
    RecurrenceText { dtstart: dtstart.into(), timezone: timezone.into(), rrule, ..RecurrenceText::default() }
}

fn recurrence(dtstart: &str, timezone: &str, rrule: &str) -> Recurrence {
    Recurrence::parse(&text(dtstart, timezone, rrule)).unwrap()
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn range(start: &str, end: &str) -> Interval {
    Interval::new(utc(start), utc(end)).unwrap()
}

fn starts(recurrence: &Recurrence, start: &str, end: &str) -> Vec<String> {
    let found = recurrence.expand(range(start, end), 1000).unwrap();
    found.iter().map(|at| at.format("%FT%TZ").to_string()).collect()
}

fn codes(text: &RecurrenceText) -> Vec<(String, &'static str)> {
    let faults = Recurrence::parse(text).unwrap_err().into_vec();
    faults.into_iter().map(|fault| (fault.field, fault.code)).collect()
}

fn rule_code(dtstart: &str, rrule: &str) -> &'static str {
    codes(&text(dtstart, "Europe/Berlin", rrule))[0].1
}

#[test]
fn a_skipped_time_keeps_the_offset_before_the_gap() {
    let berlin = recurrence("2026-03-28T02:30:00", "Europe/Berlin", "FREQ=DAILY;COUNT=3");
    assert_eq!(
        starts(&berlin, "2026-03-01T00:00:00Z", "2026-04-30T00:00:00Z"),
        ["2026-03-28T01:30:00Z", "2026-03-29T01:30:00Z", "2026-03-30T00:30:00Z"]
    );
    let new_york = recurrence("2026-03-07T02:30:00", "America/New_York", "FREQ=DAILY;COUNT=3");
    assert_eq!(
        starts(&new_york, "2026-03-01T00:00:00Z", "2026-04-30T00:00:00Z"),
        ["2026-03-07T07:30:00Z", "2026-03-08T07:30:00Z", "2026-03-09T06:30:00Z"]
    );
}

#[test]
fn a_time_that_occurs_twice_is_its_first() {
    let berlin = recurrence("2026-10-24T02:30:00", "Europe/Berlin", "FREQ=DAILY;COUNT=3");
    assert_eq!(
        starts(&berlin, "2026-10-01T00:00:00Z", "2026-11-30T00:00:00Z"),
        ["2026-10-24T00:30:00Z", "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"]
    );
    let new_york = recurrence("2026-10-31T01:30:00", "America/New_York", "FREQ=DAILY;COUNT=3");
    assert_eq!(
        starts(&new_york, "2026-10-01T00:00:00Z", "2026-11-30T00:00:00Z"),
        ["2026-10-31T05:30:00Z", "2026-11-01T05:30:00Z", "2026-11-02T06:30:00Z"]
    );
}

#[test]
fn two_times_that_a_gap_makes_one_occur_once() {
    let hours = recurrence("2026-03-29T02:30:00", "Europe/Berlin", "FREQ=DAILY;BYHOUR=2,3");
    assert_eq!(starts(&hours, "2026-03-29T00:00:00Z", "2026-03-30T00:00:00Z"), ["2026-03-29T01:30:00Z"]);
}

#[test]
fn further_dates_join_and_exceptions_win() {
    let mut parts = text("2026-03-02T08:00:00", "Europe/Berlin", "FREQ=WEEKLY;COUNT=3");
    parts.rdates =
        vec!["2026-03-03T08:00:00".into(), "2026-03-09T08:00".into(), "2026-03-04T08:00:00".into()];
    parts.exdates =
        vec!["2026-03-16T08:00:00".into(), "2026-03-04T08:00:00".into(), "2026-03-17T08:00:00".into()];
    let set = Recurrence::parse(&parts).unwrap();
    assert_eq!(
        starts(&set, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"),
        ["2026-03-02T07:00:00Z", "2026-03-03T07:00:00Z", "2026-03-09T07:00:00Z"]
    );
    let again: Recurrence = serde_json::from_str(&serde_json::to_string(&set).unwrap()).unwrap();
    assert_eq!(again, set);
}

#[test]
fn without_a_rule_the_start_occurs_and_with_one_it_must_match() {
    let once = recurrence("2026-03-02T08:00:00", "UTC", "");
    assert_eq!(starts(&once, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"), ["2026-03-02T08:00:00Z"]);
    // 2 March 2026 is a Monday.
    let fridays = recurrence("2026-03-02T08:00:00", "UTC", "FREQ=WEEKLY;BYDAY=FR;COUNT=1");
    assert_eq!(starts(&fridays, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"), ["2026-03-06T08:00:00Z"]);
    assert_eq!(fridays.first_named().to_string(), "2026-03-06T08:00:00");
    assert_eq!(once.first_named(), once.dtstart());
}

#[test]
fn until_is_an_instant_and_included() {
    let daily = |until: &str| {
        recurrence("2026-03-02T08:00:00", "Europe/Berlin", &format!("FREQ=DAILY;UNTIL={until}"))
    };
    let count = |set: &Recurrence| starts(set, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z").len();
    assert_eq!(count(&daily("20260304T070000Z")), 3);
    assert_eq!(count(&daily("20260304T065959Z")), 2);
}

/// RFC 5545 §3.3.10: every value of `BYDAY` adds days. In March 2026 the
/// Mondays are 2, 9, 16, 23 and 30, the first Tuesday is the 3rd.
#[test]
fn days_with_and_without_a_number_add_up() {
    let mixed = recurrence("2026-03-02T08:00:00", "UTC", "FREQ=MONTHLY;BYDAY=MO,1TU");
    let days: Vec<String> = starts(&mixed, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z");
    let expected = ["02", "03", "09", "16", "23", "30"].map(|day| format!("2026-03-{day}T08:00:00Z"));
    assert_eq!(days, expected);
}

/// RFC 5545 §3.3.10: what the rule does not say is taken from the start,
/// here the Wednesday. Week 20 of 2026 is 11 to 17 May (ISO 8601).
#[test]
fn a_week_number_alone_takes_the_weekday_of_the_start() {
    let week = recurrence("2026-01-07T08:00:00", "UTC", "FREQ=YEARLY;BYWEEKNO=20");
    assert_eq!(starts(&week, "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z"), ["2026-05-13T08:00:00Z"]);
}

/// RFC 5545 §3.3.10: `BYSETPOS` chooses within the whole week, of which a
/// start in the middle sees the rest only.
#[test]
fn positions_count_within_the_whole_first_week() {
    let set = recurrence("2026-03-04T08:00:00", "UTC", "FREQ=WEEKLY;BYDAY=MO,WE,FR;BYSETPOS=1;COUNT=2");
    assert_eq!(
        starts(&set, "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"),
        ["2026-03-09T08:00:00Z", "2026-03-16T08:00:00Z"]
    );
}

#[test]
fn occurrences_that_reach_into_the_range_count() {
    let nights = recurrence("2026-03-02T20:00:00", "UTC", "FREQ=DAILY");
    let length: Length = "PT16H30M".parse().unwrap();
    let found = nights.intervals(range("2026-03-10T12:00:00Z", "2026-03-11T20:00:00Z"), length, 5).unwrap();
    let shown: Vec<String> = found.iter().map(ToString::to_string).collect();
    assert_eq!(
        shown,
        ["2026-03-09T20:00:00Z/2026-03-10T12:30:00Z", "2026-03-10T20:00:00Z/2026-03-11T12:30:00Z"]
    );
    let touching = nights.intervals(range("2026-03-10T12:30:00Z", "2026-03-10T20:00:00Z"), length, 0);
    assert_eq!(touching, Ok(vec![]));
    let one = nights.intervals(range("2026-03-10T12:30:00Z", "2026-03-10T20:00:01Z"), length, 0);
    assert_eq!(one, Err(RecurrenceError::TooMany { most: 0 }));
    let first = range("1970-01-01T00:00:00Z", "1970-01-02T00:00:00Z");
    assert_eq!(nights.intervals(first, length, 0), Ok(vec![]));
}

#[test]
fn the_next_start_is_found_however_far() {
    let leap = recurrence("2026-01-01T08:00:00", "UTC", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29");
    assert_eq!(leap.next_from(utc("2028-02-29T08:00:01Z")), Some(utc("2032-02-29T08:00:00Z")));
    assert_eq!(leap.next_from(utc("1970-01-01T00:00:00Z")), Some(utc("2028-02-29T08:00:00Z")));
    assert_eq!(leap.next_from(utc("2096-03-01T00:00:00Z")), None);
    assert_eq!(leap.next_from(DateTime::<Utc>::MIN_UTC), Some(utc("2028-02-29T08:00:00Z")));
    assert_eq!(leap.next_from(DateTime::<Utc>::MAX_UTC), None);
    let mut parts = text("2026-03-02T08:00:00", "UTC", "FREQ=DAILY");
    parts.exdates = vec!["2026-03-03T08:00:00".into()];
    parts.rdates = vec!["2026-03-03T09:00:00".into()];
    let set = Recurrence::parse(&parts).unwrap();
    assert_eq!(set.next_from(utc("2026-03-02T08:00:01Z")), Some(utc("2026-03-03T09:00:00Z")));
    let once = recurrence("2026-03-02T08:00:00", "UTC", "");
    assert_eq!(once.next_from(utc("2026-03-02T08:00:00Z")), Some(utc("2026-03-02T08:00:00Z")));
    assert_eq!(once.next_from(utc("2026-03-02T08:00:01Z")), None);
}

#[test]
fn everything_wrong_is_told_at_once() {
    let parts = RecurrenceText {
        dtstart: "2026-03-02T08:00:00Z".into(),
        timezone: "Berlin".into(),
        rrule: Some("FREQ=SECONDLY;BYMONTH=13".into()),
        rdates: vec!["2026-03-02T08:00:00".into(), "2100-01-01T00:00:00".into()],
        exdates: vec!["tomorrow".into()],
    };
    let expected = [
        ("dtstart", "offset_not_allowed"),
        ("timezone", "unknown_timezone"),
        ("rrule", "frequency_not_allowed"),
        ("rrule", "bad_rule_value"),
        ("rdates[1]", "outside_calendar"),
        ("exdates[0]", "bad_local_time"),
    ];
    assert_eq!(codes(&parts), expected.map(|(field, code)| (field.to_owned(), code)));
    let mut long = text("2026-03-02T08:00:00", "UTC", "");
    long.rdates = vec!["2026-03-02T08:00:00".into(); MOST_DATES + 1];
    assert_eq!(codes(&long), [("rdates".to_owned(), "too_many_dates")]);
}

#[test]
fn rules_that_never_match_are_refused_quickly() {
    let begun = Instant::now();
    for rule in [
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=MONTHLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=YEARLY;BYYEARDAY=1;BYMONTH=2",
        "FREQ=WEEKLY;BYDAY=MO;BYSETPOS=2",
        // From a Monday on, every seventh day is a Monday.
        "FREQ=DAILY;INTERVAL=7;BYDAY=TU",
        // 2027 is no leap year, and neither is any hundredth after it.
        "FREQ=YEARLY;INTERVAL=100;BYMONTH=2;BYMONTHDAY=29;UNTIL=20990101T000000Z",
    ] {
        assert_eq!(rule_code("2027-03-01T08:00:00", rule), "never_matches", "{rule}");
    }
    assert!(begun.elapsed() < Duration::from_secs(5), "took {:?}", begun.elapsed());
    assert_eq!(rule_code("2026-03-02T08:00:00", "FREQ=DAILY;UNTIL=20260302T065959Z"), "until_before_start");
    assert_eq!(
        rule_code("2026-03-02T08:00:00", "FREQ=WEEKLY;BYDAY=FR;UNTIL=20260303T000000Z"),
        "never_matches"
    );
}

#[test]
fn the_calendar_ends_with_the_zone_tables() {
    assert_eq!(rule_code("2100-01-01T00:00:00", "FREQ=DAILY"), "outside_calendar");
    assert_eq!(rule_code("2026-03-02T08:00:00", "FREQ=DAILY;UNTIL=21000101T000000Z"), "outside_calendar");
    let daily = recurrence("2099-12-30T08:00:00", "Pacific/Auckland", "FREQ=DAILY");
    assert_eq!(starts(&daily, "2099-12-01T00:00:00Z", "2100-01-01T00:00:00Z").len(), 2);
    let past = range("2099-12-01T00:00:00Z", "2100-01-02T00:00:00Z");
    assert_eq!(daily.expand(past, 10), Err(RecurrenceError::Range(RangeError::OutsideCalendar)));
    let millennium = range("1026-01-01T00:00:00Z", "2026-01-01T00:00:00Z");
    assert_eq!(daily.expand(millennium, 10), Err(RecurrenceError::Range(RangeError::OutsideCalendar)));
    let century = range("2000-01-01T00:00:00Z", "2099-01-01T00:00:00Z");
    assert_eq!(daily.expand(century, 10), Err(RecurrenceError::Range(RangeError::TooLong)));
}

#[test]
fn more_occurrences_than_allowed_are_an_error() {
    let daily = recurrence("2026-03-02T08:00:00", "UTC", "FREQ=DAILY");
    let week = range("2026-03-02T00:00:00Z", "2026-03-09T00:00:00Z");
    assert_eq!(daily.expand(week, 6), Err(RecurrenceError::TooMany { most: 6 }));
    assert_eq!(daily.expand(week, 7).unwrap().len(), 7);
}

/// A start long ago costs no more than one of yesterday, except to count.
#[test]
fn the_busiest_rules_of_long_ago_are_listed_soon() {
    let quarters = "BYHOUR=0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23;BYMINUTE=0,15,30,45";
    let begun = Instant::now();
    let busy = recurrence("1970-01-01T00:00:00", "Europe/Berlin", &format!("FREQ=DAILY;{quarters}"));
    let far = range("2097-01-01T00:00:00Z", "2099-03-01T00:00:00Z");
    let found = busy.expand(far, 100_000).unwrap();
    // 789 days of 96 quarters, less the four that each of two nights in March
    // moves onto those of the hour after.
    assert_eq!(found.len(), 96 * 789 - 4 * 2);
    let counted = recurrence("1970-01-01T00:00:00", "Europe/Berlin", "FREQ=YEARLY;INTERVAL=1000;COUNT=5000");
    assert_eq!(counted.expand(far, 10), Ok(vec![]));
    assert!(begun.elapsed() < Duration::from_secs(5), "took {:?}", begun.elapsed());
}

fn rules() -> impl Strategy<Value = String> {
    let frequency = prop::sample::select(vec!["DAILY", "WEEKLY", "MONTHLY", "YEARLY", "HOURLY"]);
    let part = prop::sample::select(vec![
        "INTERVAL=2",
        "INTERVAL=1000",
        "COUNT=3",
        "COUNT=5000",
        "UNTIL=20400101T000000Z",
        "BYMONTH=2,12",
        "BYMONTHDAY=-1,29,31",
        "BYDAY=MO,-1FR",
        "BYDAY=-53SU,5MO",
        "BYDAY=TU,WE",
        "BYYEARDAY=-366,1,366",
        "BYWEEKNO=-53,1,53",
        "BYHOUR=0,2,23",
        "BYMINUTE=30",
        "BYSETPOS=-1,1",
        "BYSETPOS=366",
        "WKST=SU",
    ]);
    (frequency, prop::collection::vec(part, 0..5)).prop_map(|(frequency, parts)| {
        format!("FREQ={frequency};{}", parts.join(";")).trim_end_matches(';').to_owned()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_text_is_taken_or_refused(
        dtstart in "\\PC{0,20}|20[0-9]{2}-0[1-9]-[12][0-9]T0[0-9]:30",
        timezone in "\\PC{0,12}|Europe/Berlin",
        rrule in "\\PC{0,40}|FREQ=(DAILY|WEEKLY);BY(DAY|HOUR)=[A-Z0-9,]{0,6}",
    ) {
        let found = Recurrence::parse(&text(&dtstart, &timezone, &rrule));
        prop_assert!(found.is_ok() || !found.unwrap_err().as_slice().is_empty());
    }

    #[test]
    fn starts_are_ascending_within_the_range_and_the_same_from_any_side(
        rrule in rules(),
        year in 1970..2098,
        zone in prop::sample::select(vec!["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe"]),
        days in 0_i64..20_000,
    ) {
        let Ok(set) = Recurrence::parse(&text(&format!("{year}-01-31T02:30:00"), zone, &rrule)) else {
            return Ok(());
        };
        let first = utc("1970-01-01T00:00:00Z").max(set.first_named().instant(set.zone()) - TimeDelta::days(400));
        let start = (first + TimeDelta::days(days)).min(utc("2097-10-01T00:00:00Z"));
        let whole = Interval::lasting(start, TimeDelta::days(800)).unwrap();
        let middle = start + TimeDelta::days(399);
        let found = set.expand(whole, 10_000).unwrap();
        prop_assert!(found.windows(2).all(|pair| pair[0] < pair[1]));
        prop_assert!(found.iter().all(|at| whole.contains(*at)));
        let mut halves = set.expand(Interval::new(start, middle).unwrap(), 10_000).unwrap();
        halves.extend(set.expand(Interval::new(middle, whole.end()).unwrap(), 10_000).unwrap());
        prop_assert_eq!(&halves, &found);
        if let Some(next) = found.first() {
            prop_assert_eq!(set.next_from(start), Some(*next));
        }
    }
}
