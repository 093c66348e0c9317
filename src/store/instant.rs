//! Instants as `SQLite` keeps them, written and read without asking for every format that one
//! might have: `2026-03-02 11:00:00`, with the fraction of a second where there is one. It is
//! what diesel writes; texts sort only while all have it.

use super::error::StoreResult;
use super::things::checked;
use chrono::{DateTime, Datelike as _, NaiveDate, NaiveDateTime, NaiveTime, Timelike as _, Utc};
use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::serialize::{self, IsNull, Output, ToSql};
use diesel::sql_types::Timestamp;
use diesel::sqlite::{Sqlite, SqliteValue};

/// An instant in the words of `SQLite`.
#[derive(Debug, Clone, PartialEq, Eq, AsExpression)]
#[diesel(sql_type = Timestamp)]
pub(super) struct Written(String);

impl From<NaiveDateTime> for Written {
    fn from(at: NaiveDateTime) -> Self {
        if at.nanosecond() != 0 || !(0..=9999).contains(&at.year()) {
            return Self(at.format("%F %T%.f").to_string());
        }
        let mut text = *b"0000-00-00 00:00:00";
        let parts = [
            (0, 4, at.year().unsigned_abs()),
            (5, 2, at.month()),
            (8, 2, at.day()),
            (11, 2, at.hour()),
            (14, 2, at.minute()),
            (17, 2, at.second()),
        ];
        for (from, digits, mut number) in parts {
            for place in text[from..from + digits].iter_mut().rev() {
                *place = b'0' + u8::try_from(number % 10).expect("a digit");
                number /= 10;
            }
        }
        Self(text.iter().copied().map(char::from).collect())
    }
}

impl ToSql<Timestamp, Sqlite> for Written {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Sqlite>) -> serialize::Result {
        out.set_value(self.0.as_str());
        Ok(IsNull::No)
    }
}

/// An instant read from the words of `SQLite`.
#[derive(Debug, Clone, Copy, FromSqlRow)]
pub(super) struct AsKept(pub(super) DateTime<Utc>);

impl FromSql<Timestamp, Sqlite> for AsKept {
    fn from_sql(mut value: SqliteValue<'_, '_, '_>) -> deserialize::Result<Self> {
        Ok(Self(instant(value.read_text())?))
    }
}

/// Later than anything that is kept, in a text that sorts so: a year of five digits would not.
pub(super) fn far_ahead() -> DateTime<Utc> {
    NaiveDate::from_ymd_opt(9999, 12, 31).unwrap_or_default().and_time(NaiveTime::MIN).and_utc()
}

/// Reads an instant as it is kept.
fn instant(text: &str) -> StoreResult<DateTime<Utc>> {
    let number = |from: usize, to: usize| -> Option<u32> {
        text.as_bytes()
            .get(from..to)?
            .iter()
            .try_fold(0, |sum, digit| digit.is_ascii_digit().then(|| 10 * sum + u32::from(digit - b'0')))
    };
    let whole = || {
        let year = i32::try_from(number(0, 4)?).ok()?;
        let date = NaiveDate::from_ymd_opt(year, number(5, 7)?, number(8, 10)?)?;
        date.and_hms_opt(number(11, 13)?, number(14, 16)?, number(17, 19)?)
    };
    if text.len() == 19
        && let Some(at) = whole()
    {
        return Ok(at.and_utc());
    }
    let parsed = NaiveDateTime::parse_from_str(text, "%F %T%.f");
    Ok(checked("readings.at", parsed)?.and_utc())
}

#[cfg(test)]
mod tests {
    use super::*;
    use diesel::sql_types::Text;
    use diesel::{Connection as _, RunQueryDsl as _, SqliteConnection, sql_query};

    #[test]
    fn instants_are_read_as_they_are_kept() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        assert_eq!(instant("2026-03-02 11:00:09").unwrap(), at("2026-03-02T11:00:09Z"));
        assert_eq!(instant("2026-03-02 11:00:09.000001").unwrap(), at("2026-03-02T11:00:09.000001Z"));
        assert_eq!(instant("2016-12-31 23:59:59.5").unwrap(), at("2016-12-31T23:59:59.5Z"));
        for wrong in ["", "2026-03-02", "2026-02-30 11:00:09", "2026-03-02 1x:00:09", "2026-03-02 11:00:09.x"]
        {
            assert!(instant(wrong).is_err(), "{wrong}");
        }
    }

    #[derive(diesel::QueryableByName)]
    struct Line {
        #[diesel(sql_type = Text)]
        line: String,
    }

    /// Beside diesel itself.
    #[test]
    fn instants_are_written_as_diesel_writes_them() {
        let mut connection = SqliteConnection::establish(":memory:").unwrap();
        let mut by_diesel = |at: NaiveDateTime| {
            let query = sql_query("SELECT ? AS line").bind::<Timestamp, _>(at);
            query.get_result::<Line>(&mut connection).unwrap().line
        };
        for seconds in [0, 1_772_449_200, 253_402_300_799, 253_402_300_800, -1, -62_167_219_201, 951_782_399]
        {
            for micros in [0, 1, 500_000, 999_999] {
                let at = DateTime::from_timestamp(seconds, micros * 1000).unwrap().naive_utc();
                assert_eq!(Written::from(at).0, by_diesel(at));
            }
        }
    }
}
