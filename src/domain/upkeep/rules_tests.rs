use super::*;

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

#[test]
fn triggers_have_the_published_form() {
    for text in [
        r#"{"kind":"calendar","every":"P1Y"}"#,
        r#"{"kind":"calendar","rrule":"FREQ=MONTHLY;BYMONTHDAY=1"}"#,
        r#"{"kind":"usage","meter":"station_hours","limit":500.0}"#,
        r#"{"kind":"condition","quantity":"oxygen_ppm","limit":10.0,"sustained":"PT6H"}"#,
        r#"{"kind":"uptake","species":"oxygen","fraction":0.8}"#,
        r#"{"kind":"contents"}"#,
        r#"{"kind":"finding","after":["glove_change"]}"#,
    ] {
        let trigger: Trigger = serde_json::from_str(text).unwrap();
        assert_eq!(serde_json::to_string(&trigger).unwrap(), text);
    }
    assert!(serde_json::from_str::<Trigger>(r#"{"kind":"usage","meter":"pump_hours","limit":0}"#).is_err());
}

#[test]
fn triggers_that_the_part_cannot_have_are_each_named() {
    let rule = UpkeepRule {
        task: Word::parse("glove_change").unwrap(),
        applies_to: AppliesTo::all(PartKind::Station),
        triggers: vec![
            Trigger::Contents,
            Trigger::Usage { meter: Meter::PumpHours, limit: Limit::new(3000.0).unwrap() },
            Trigger::Usage { meter: Meter::StationHours, limit: Limit::new(500.0).unwrap() },
            Trigger::Condition {
                quantity: MeasuredQuantity::GaugeBar,
                limit: Limit::new(20.0).unwrap(),
                sustained: None,
            },
            Trigger::Condition {
                quantity: MeasuredQuantity::OxygenPpm,
                limit: Limit::new(20.0).unwrap(),
                sustained: None,
            },
        ],
        duration: Length::parse("PT1H").unwrap(),
        unattended: None,
        finish: None,
        purge_dilution: None,
        closes: Closes::Station,
        people: 0,
        competence: None,
        consumables: Vec::new(),
        approach: Length::parse("P14D").unwrap(),
        safety: false,
    };
    let faults = rule.check().unwrap_err();
    let fields: Vec<&str> = faults.as_slice().iter().map(|fault| fault.field.as_str()).collect();
    assert_eq!(fields, ["people", "triggers[0].kind", "triggers[1].meter", "triggers[3].quantity"]);
}

/// The clocks of Berlin stand two hours ahead of UTC in July.
#[test]
fn dates_follow_the_last_service_in_the_facilitys_zone() {
    let next = |rrule: &str, dtstart: Option<&str>| {
        let text = RecurringDatesText {
            rrule: rrule.to_owned(),
            dtstart: dtstart.map(str::to_owned),
            timezone: None,
        };
        RecurringDates::parse(&text).unwrap().next_after(utc("2026-06-15T12:00:00Z"), Tz::Europe__Berlin)
    };
    let first_of_july = Some(utc("2026-07-01T06:00:00Z"));
    assert_eq!(next("FREQ=MONTHLY;BYMONTHDAY=1", Some("2026-01-01T08:00:00")), first_of_july);
    assert_eq!(next("FREQ=MONTHLY;BYMONTHDAY=1;BYHOUR=8;BYMINUTE=0;BYSECOND=0", None), first_of_july);
    // Without a start, the time on the wall is that of the last service.
    assert_eq!(next("FREQ=MONTHLY;BYMONTHDAY=1", None), Some(utc("2026-07-01T12:00:00Z")));
    assert_eq!(next("FREQ=MONTHLY;COUNT=1", Some("2026-01-01T08:00:00")), None);
}
