//! Fields that many forms share: references, words, counts, instants, and the
//! identity of parts within a whole.

use crate::domain::calendar::{Interval, LocalTime};
use crate::domain::facility::{ParseContext, ThingKind};
use crate::domain::names::{Name, Reference, Tag};
use crate::domain::violations::{Check, Violation};
use chrono::{DateTime, Days, NaiveDate, NaiveTime, SecondsFormat, SubsecRound as _, Utc};
use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use uuid::Uuid;

/// The id of the thing of a kind that a field names by id or tag; naming
/// nothing is noted as `unknown_reference`.
pub(crate) fn refer<T: From<Uuid>>(
    check: &mut Check,
    context: &mut dyn ParseContext,
    kind: ThingKind,
    field: &str,
    text: &str,
) -> Option<T> {
    let found = text.parse::<Reference>().ok().and_then(|reference| context.find(kind, None, &reference));
    if found.is_none() {
        let what = kind.word().replace('_', " ");
        check.note(Violation::new(field, "unknown_reference", format!("there is no {what} {text:?}")));
    }
    found.map(T::from)
}

/// The value that a word stands for; another word is noted as `unknown_word`
/// together with those that would do.
pub(crate) fn word<T: Copy>(
    check: &mut Check,
    field: &str,
    text: &str,
    all: &[T],
    word_of: impl Fn(T) -> &'static str,
) -> Option<T> {
    let found = all.iter().copied().find(|one| word_of(*one) == text);
    if found.is_none() {
        let words: Vec<&str> = all.iter().map(|one| word_of(*one)).collect();
        let detail = format!("must be one of {}, not {text:?}", words.join(", "));
        check.note(Violation::new(field, "unknown_word", detail));
    }
    found
}

/// A small count within a range; another is noted as `out_of_range`.
pub(crate) fn count(check: &mut Check, field: &str, value: u32, range: RangeInclusive<u8>) -> Option<u8> {
    let found = u8::try_from(value).ok().filter(|count| range.contains(count));
    if found.is_none() {
        let detail = format!("must be {} to {}, not {value}", range.start(), range.end());
        check.note(Violation::new(field, "out_of_range", detail));
    }
    found
}

/// A list with no more elements than allowed; a longer one is noted as `too_many`.
pub(crate) fn at_most<T>(check: &mut Check, field: &str, list: &[T], most: usize) {
    check.require(list.len() <= most, field, "too_many", format!("holds at most {most}"));
}

/// 1 January 2100 in seconds since 1970: zone tables end there.
const END_OF_CALENDAR: i64 = 4_102_444_800;

/// An instant in RFC 3339 form, to the microsecond; other text is noted as
/// `bad_time`, an instant outside the years 1970 to 2099 as `out_of_range`.
pub(crate) fn instant(check: &mut Check, field: &str, text: &str) -> Option<DateTime<Utc>> {
    let (code, detail) = match DateTime::parse_from_rfc3339(text) {
        Ok(at) if (0..END_OF_CALENDAR).contains(&at.timestamp()) => {
            return Some(at.to_utc().trunc_subsecs(6));
        }
        Ok(_) => ("out_of_range", "must lie in the years 1970 to 2099"),
        Err(_) => (
            "bad_time",
            "must be an RFC 3339 time with its offset, such as 2026-03-02T08:00:00Z (a '+' in an address is \
             written %2B)",
        ),
    };
    check.note(Violation::new(field, code, detail));
    None
}

/// An instant in UTC as text.
pub(crate) fn rfc3339(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// An interval of two instants, the end of which comes after the start.
pub(crate) fn interval(check: &mut Check, start: &str, end: &str) -> Option<Interval> {
    let (start, end) = (instant(check, "start", start), instant(check, "end", end));
    let interval = Interval::new(start?, end?);
    interval.map_err(|error| check.note(Violation::new("end", "out_of_order", error.to_string()))).ok()
}

/// An instant as [`instant`], or for a date the midnight that ends that day in the facility's zone.
pub(crate) fn end_of_day(
    check: &mut Check,
    context: &mut dyn ParseContext,
    field: &str,
    text: &str,
) -> Option<DateTime<Utc>> {
    let Ok(last_day) = NaiveDate::parse_from_str(text, "%Y-%m-%d") else {
        return instant(check, field, text);
    };
    let midnight = last_day.checked_add_days(Days::new(1)).map(|day| day.and_time(NaiveTime::MIN));
    let wall = midnight.and_then(|midnight| LocalTime::new(midnight).ok());
    if wall.is_none() {
        check.note(Violation::new(field, "outside_calendar", "must lie in the years 1970 to 2099"));
    }
    wall.map(|wall| wall.instant(context.zone()))
}

/// How a caller names a part within a whole.
#[derive(Debug, Clone)]
pub(crate) struct PartName<'a> {
    /// The id it has, when it is there already.
    pub(crate) id: Option<Uuid>,
    /// Its tag.
    pub(crate) tag: &'a str,
    /// Its name for people; the tag unless given.
    pub(crate) name: Option<&'a str>,
}

/// Who a part is.
#[derive(Debug, Clone)]
pub(crate) struct Identity {
    /// Its id: that of the part it continues, or a fresh one.
    pub(crate) id: Uuid,
    /// Its tag.
    pub(crate) tag: Tag,
    /// Its name.
    pub(crate) name: Name,
}

/// The parts that a whole has so far, to be continued by id or else by tag.
#[derive(Debug, Clone, Default)]
pub(crate) struct Present {
    parts: Vec<(Uuid, Tag)>,
    /// Parts that the form names by id, which no tag may continue.
    named: BTreeSet<Uuid>,
}

impl Present {
    /// The parts there are, and the ids by which the form names some of them.
    pub(crate) fn new(
        parts: impl IntoIterator<Item = (Uuid, Tag)>,
        named: impl IntoIterator<Item = Option<Uuid>>,
    ) -> Self {
        Self { parts: parts.into_iter().collect(), named: named.into_iter().flatten().collect() }
    }

    /// Who the part of that name is.
    pub(crate) fn identify(
        &self,
        check: &mut Check,
        context: &mut dyn ParseContext,
        part: &PartName<'_>,
    ) -> Option<Identity> {
        let tag = check.field("tag", Tag::parse(part.tag));
        // Where the tag stands for the name, its fault is the tag's alone.
        let name = match part.name {
            Some(name) => check.field("name", Name::parse(name)),
            None => Name::parse(part.tag).ok(),
        };
        let id = match part.id {
            Some(id) if self.parts.iter().any(|(present, _)| *present == id) => Some(id),
            Some(id) => {
                let detail =
                    format!("there is no such part {id} to continue; leave the id out for a new one");
                check.note(Violation::new("id", "unknown_reference", detail));
                None
            }
            None => Some(self.by_tag(tag.as_ref()).unwrap_or_else(|| context.fresh_id())),
        };
        Some(Identity { id: id?, tag: tag?, name: name? })
    }

    fn by_tag(&self, tag: Option<&Tag>) -> Option<Uuid> {
        let same = |(id, present): &&(Uuid, Tag)| Some(present) == tag && !self.named.contains(id);
        self.parts.iter().find(same).map(|(id, _)| *id)
    }
}

/// Notes every value that stood before in a list of fields.
pub(crate) fn distinct<T: Ord + std::fmt::Display>(
    check: &mut Check,
    code: &'static str,
    fields: impl IntoIterator<Item = (String, T)>,
) {
    let mut seen = BTreeSet::new();
    for (field, value) in fields {
        let detail = format!("{value} stands here twice");
        if !seen.insert(value) {
            check.note(Violation::new(field, code, detail));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::facility::SuppliedGas;
    use crate::domain::ids::GasSupplyId;
    use chrono_tz::Tz;

    /// A world with nothing in it, whose fresh ids count up.
    struct Empty(u128);

    impl ParseContext for Empty {
        fn find(&mut self, _: ThingKind, _: Option<Uuid>, _: &Reference) -> Option<Uuid> {
            None
        }

        fn fresh_id(&mut self) -> Uuid {
            self.0 += 1;
            Uuid::from_u128(self.0)
        }

        fn supplied_gas(&mut self, _: GasSupplyId) -> Option<SuppliedGas> {
            None
        }

        fn zone(&mut self) -> Tz {
            Tz::UTC
        }
    }

    fn codes(check: Check) -> Vec<(String, &'static str)> {
        let found = check.finish(|| ()).err().map(crate::domain::violations::Violations::into_vec);
        found.unwrap_or_default().into_iter().map(|fault| (fault.field, fault.code)).collect()
    }

    #[test]
    fn a_part_goes_on_by_its_id_or_else_its_tag() {
        let (one, two) = (Uuid::from_u128(101), Uuid::from_u128(102));
        let tag = |text: &str| Tag::parse(text).unwrap();
        // The first part is renamed by its id to a tag of its own; its old tag is free for a new part.
        let present = Present::new([(one, tag("S1")), (two, tag("S2"))], [Some(one), None, None]);
        let mut check = Check::default();
        let mut id = |id, tag| {
            let part = PartName { id, tag, name: None };
            present.identify(&mut check, &mut Empty(0), &part).map(|part| part.id)
        };
        assert_eq!(id(Some(one), "LEFT"), Some(one));
        assert_eq!(id(None, "S1"), Some(Uuid::from_u128(1)));
        assert_eq!(id(None, "S2"), Some(two));
        assert_eq!(id(Some(Uuid::from_u128(7)), "S3"), None);
        assert_eq!(id(None, "s 4"), None);
        assert_eq!(codes(check), [("id".into(), "unknown_reference"), ("tag".into(), "bad_tag")]);
    }

    #[test]
    fn what_stands_twice_is_named_where_it_stands_again() {
        let mut check = Check::default();
        let field = |name: &str, value: &str| (name.to_owned(), value.to_owned());
        distinct(&mut check, "duplicate_tag", [field("a", "S1"), field("b", "S2"), field("c", "S1")]);
        assert_eq!(codes(check), [("c".into(), "duplicate_tag")]);
    }

    /// RFC 3339 §5.8 gives the first two as examples.
    #[test]
    fn instants_need_their_offset() {
        let mut check = Check::default();
        let first = instant(&mut check, "a", "1985-04-12T23:20:50.52Z").unwrap();
        assert_eq!(first.timestamp_millis(), 482_196_050_520);
        assert_eq!(
            instant(&mut check, "a", "1996-12-19T16:39:57-08:00"),
            instant(&mut check, "a", "1996-12-20T00:39:57Z")
        );
        assert_eq!(instant(&mut check, "b", "1996-12-19T16:39:57"), None);
        assert_eq!(codes(check), [("b".into(), "bad_time")]);
    }

    #[test]
    fn instants_lie_in_the_years_of_the_zone_tables() {
        let mut check = Check::default();
        assert!(instant(&mut check, "a", "1970-01-01T00:00:00Z").is_some());
        assert!(instant(&mut check, "a", "2099-12-31T23:59:59.999999Z").is_some());
        // Both are a second outside in UTC, whatever year stands there.
        assert_eq!(instant(&mut check, "b", "1970-01-01T00:59:59+01:00"), None);
        assert_eq!(instant(&mut check, "c", "2099-12-31T23:00:00-01:00"), None);
        assert_eq!(codes(check), [("b".into(), "out_of_range"), ("c".into(), "out_of_range")]);
    }
}
