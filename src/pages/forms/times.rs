//! Local times out of forms: what the clock on the facility's wall shows, which the
//! clocks may skip or show twice.

use chrono::{DateTime, MappedLocalTime, TimeZone as _, Utc};
use chrono_tz::Tz;

use crate::domain::calendar::zone::LocalTime;

/// A local time as an instant, and what to know of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::pages) struct Instant {
    /// The instant; of a time that comes twice, the first.
    pub(in crate::pages) at: DateTime<Utc>,
    /// That the clocks show the time twice.
    pub(in crate::pages) twice: Option<Twice>,
}

/// A time that the clocks show twice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::pages) struct Twice {
    /// When they show it again.
    pub(in crate::pages) again: DateTime<Utc>,
    /// What the zone is called at the first and at the second time.
    pub(in crate::pages) zones: [String; 2],
    /// All this in a sentence.
    pub(in crate::pages) said: String,
}

/// Whether a text is a local time at all.
pub(super) fn is_local(text: &str) -> bool {
    LocalTime::parse(text).is_ok()
}

/// Reads what `datetime-local` sends; a time that comes twice is told with the reason,
/// one that is skipped is refused with it.
pub(in crate::pages) fn instant(text: &str, zone: Tz) -> Result<Instant, String> {
    if text.is_empty() {
        return Err("Give a date and a time.".to_owned());
    }
    let local = LocalTime::parse(text).map_err(|error| format!("This {error}."))?;
    let wall = local.wall();
    let (day, clock) = (wall.format("%-d %b %Y"), wall.format("%H:%M"));
    match zone.from_local_datetime(&wall) {
        MappedLocalTime::Single(at) => Ok(Instant { at: at.to_utc(), twice: None }),
        MappedLocalTime::Ambiguous(first, second) => {
            let zones = [&first, &second].map(|at| at.format("%Z").to_string());
            let said =
                format!("On {day} the clocks show {clock} twice: in {} and in {}.", zones[0], zones[1]);
            Ok(Instant { at: first.to_utc(), twice: Some(Twice { again: second.to_utc(), zones, said }) })
        }
        MappedLocalTime::None => Err(format!(
            "On {day} there is no {clock} in {}: the clocks are put forward then. Choose a time after the change.",
            zone.name()
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The changes of 2026 in the European Union: Directive 2000/84/EC.
    #[test]
    fn times_that_are_skipped_or_come_twice_are_explained() {
        let zone = chrono_tz::Europe::Vienna;
        let plain = instant("2026-03-02T08:00", zone).unwrap();
        assert_eq!((plain.at.to_rfc3339(), plain.twice), ("2026-03-02T07:00:00+00:00".to_owned(), None));
        let twice = instant("2026-10-25T02:30", zone).unwrap();
        assert_eq!(twice.at.to_rfc3339(), "2026-10-25T00:30:00+00:00");
        let again = twice.twice.unwrap();
        assert!(again.said.contains("twice: in CEST and in CET"));
        assert_eq!(again.again.to_rfc3339(), "2026-10-25T01:30:00+00:00");
        assert!(instant("2026-03-29T02:30", zone).unwrap_err().contains("there is no 02:30"));
        assert!(instant("", zone).is_err() && instant("tomorrow", zone).is_err());
    }
}
