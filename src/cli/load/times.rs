//! Times in files: instants with an offset, or wall time in the facility's
//! zone; moved by whole weeks where a demonstration asks for it.

use crate::domain::calendar::LocalTime;
use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveDateTime, SecondsFormat, TimeDelta, Utc};
use chrono_tz::Tz;

/// How the times of a file are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::cli) struct Times {
    /// The zone of wall times.
    pub(in crate::cli) zone: Tz,
    /// Weeks that all times are moved by, on the wall.
    weeks: i64,
    /// Readings later than this are passed over; none unless the file is
    /// known to run ahead of the clock.
    pub(in crate::cli) until: Option<DateTime<Utc>>,
}

impl Times {
    /// As they stand.
    pub(in crate::cli) const fn in_zone(zone: Tz) -> Self {
        Self { zone, weeks: 0, until: None }
    }

    /// Moved so that the week of `monday` becomes the one of `now`.
    pub(in crate::cli) fn moved_to(zone: Tz, monday: NaiveDate, now: DateTime<Utc>) -> Self {
        let today = now.with_timezone(&zone).date_naive();
        let days = (today - monday).num_days() - i64::from(today.weekday().num_days_from_monday());
        Self { zone, weeks: days.div_euclid(7), until: Some(now) }
    }

    fn later(&self, wall: NaiveDateTime) -> Result<LocalTime, String> {
        let moved = wall.checked_add_signed(TimeDelta::weeks(self.weeks));
        moved.and_then(|wall| LocalTime::new(wall).ok()).ok_or_else(|| "is outside the calendar".to_owned())
    }

    /// A wall time, moved, as text.
    pub(super) fn wall(&self, wall: NaiveDateTime) -> Result<String, String> {
        Ok(self.later(wall)?.to_string())
    }

    /// The instant of a wall time, moved.
    pub(super) fn instant_of_wall(&self, wall: NaiveDateTime) -> Result<DateTime<Utc>, String> {
        Ok(self.later(wall)?.instant(self.zone))
    }

    /// The instant that a text stands for: with an offset, or on the wall.
    pub(in crate::cli) fn instant(&self, text: &str) -> Result<DateTime<Utc>, String> {
        if let Ok(at) = DateTime::parse_from_rfc3339(text) {
            if self.weeks == 0 {
                return Ok(at.to_utc());
            }
            return self.instant_of_wall(at.with_timezone(&self.zone).naive_local());
        }
        let wall = LocalTime::parse(text).map_err(|_| {
            format!(
                "{text:?} is not a time such as 2026-03-02T08:00 ({} time) or 2026-03-02T08:00:00Z",
                self.zone
            )
        })?;
        self.instant_of_wall(wall.wall())
    }

    /// A day, moved.
    pub(super) fn day(&self, day: NaiveDate) -> Option<NaiveDate> {
        let by = Days::new(self.weeks.unsigned_abs().checked_mul(7)?);
        if self.weeks < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }
    }
}

/// An instant as the forms take it.
pub(super) fn rfc3339(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}
