//! How the sums of a day are packed into bytes, to be read as exactly what they were.

use super::begin_of;
use crate::domain::upkeep::Sample;
use crate::domain::upkeep::days::Day;
use crate::domain::upkeep::summed::Summed;
use crate::store::error::StoreResult;
use crate::store::things::checked;
use chrono::{DateTime, TimeDelta, Utc};

/// What the first byte of a packed point says besides its digits: a reading by itself.
const SINGLE: u8 = 0x80;
/// Or counts that take four bytes each rather than two.
const MANY: u8 = 0x40;
/// Values as they are, for want of a decimal that is exactly the same.
const UNROUNDED: u8 = 0x0f;

/// The points of a day one after the other, numbers with the last byte first:
/// what follows how, microseconds of the day in five bytes, values. Readings are
/// decimals of few digits mostly and take four bytes each then.
pub(super) fn pack(day: i64, points: &[Summed]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(points.len() * 56);
    pack_points(day, points, &mut bytes);
    bytes
}

fn pack_points(day: i64, points: &[Summed], bytes: &mut Vec<u8>) {
    for point in points {
        let Summed { first, last, middle, low, high, .. } = *point;
        let values = [first.value, last.value, middle, low, high];
        let of_day = first.at.timestamp_micros() - day * 86_400_000_000;
        let of_day = |bytes: &mut Vec<u8>| bytes.extend(&of_day.to_le_bytes()[..5]);
        if point.count == 1 {
            bytes.push(SINGLE);
            of_day(bytes);
            bytes.extend(first.value.to_le_bytes());
            continue;
        }
        let digits = (0..=6).find(|digits| values.iter().all(|value| decimal(*value, *digits).is_some()));
        let is_many = point.count > u32::from(u16::MAX);
        bytes.push(digits.unwrap_or(UNROUNDED) | if is_many { MANY } else { 0 });
        of_day(bytes);
        bytes.extend(&(last.at - first.at).num_microseconds().unwrap_or_default().to_le_bytes()[..5]);
        for count in [point.count, point.same, point.far] {
            bytes.extend(&count.to_le_bytes()[..if is_many { 4 } else { 2 }]);
        }
        bytes.extend(point.mean.to_le_bytes());
        bytes.extend(point.step.to_le_bytes());
        for value in values {
            match digits.and_then(|digits| decimal(value, digits)) {
                Some(whole) => bytes.extend(whole.to_le_bytes()),
                None => bytes.extend(value.to_le_bytes()),
            }
        }
    }
}

/// A whole day: how many means of hours it has, these in four bytes each, its parts.
pub(super) fn pack_day(number: i64, day: &Day) -> Vec<u8> {
    let means = u8::try_from(day.means.len()).unwrap_or_default();
    let mut bytes = vec![means];
    bytes.extend(day.means.iter().take(means.into()).flat_map(|mean| mean.to_le_bytes()));
    pack_points(number, &day.parts, &mut bytes);
    bytes
}

/// The whole number that, divided by a power of ten, is exactly the value.
fn decimal(value: f64, digits: u8) -> Option<i32> {
    let scaled = (value * 10.0_f64.powi(i32::from(digits))).round();
    if scaled.abs() > f64::from(i32::MAX) || scaled.is_nan() {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "a whole number within bounds, just above")]
    let whole = scaled as i32;
    (undecimal(whole, digits).to_bits() == value.to_bits()).then_some(whole)
}

fn undecimal(whole: i32, digits: u8) -> f64 {
    f64::from(whole) / 10.0_f64.powi(i32::from(digits))
}

/// Reads numbers off the front of packed points.
struct Packed<'a>(&'a [u8]);

impl Packed<'_> {
    /// The next bytes, filled up with noughts.
    fn take<const N: usize>(&mut self, count: usize) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        let mut bytes = [0; N];
        bytes[..count].copy_from_slice(head);
        Some(bytes)
    }

    fn micros(&mut self) -> Option<i64> {
        self.take(5).map(i64::from_le_bytes)
    }

    fn count(&mut self, is_many: bool) -> Option<u32> {
        self.take(if is_many { 4 } else { 2 }).map(u32::from_le_bytes)
    }

    fn number(&mut self) -> Option<f64> {
        self.take(8).map(f64::from_le_bytes)
    }

    fn value(&mut self, digits: u8) -> Option<f64> {
        if digits == UNROUNDED {
            return self.number();
        }
        self.take(4).map(|bytes| undecimal(i32::from_le_bytes(bytes), digits))
    }

    fn means(&mut self, count: usize) -> Option<Vec<f32>> {
        let (means, rest) = self.0.split_at_checked(4 * count)?;
        self.0 = rest;
        let mean = |bytes: &[u8]| bytes.try_into().map(f32::from_le_bytes).ok();
        let mut all = Vec::with_capacity(count);
        all.extend(means.chunks_exact(4).filter_map(mean));
        Some(all)
    }

    fn point(&mut self, begin: DateTime<Utc>) -> Option<Summed> {
        let [how] = self.take(1)?;
        let at = begin + TimeDelta::microseconds(self.micros()?);
        if how & SINGLE != 0 {
            return Some(Summed::single(Sample { at, value: self.number()? }));
        }
        let (is_many, digits) = (how & MANY != 0, how & UNROUNDED);
        let lasting = self.micros()?;
        let last = at + TimeDelta::microseconds(lasting);
        let [count, same, far] = [self.count(is_many)?, self.count(is_many)?, self.count(is_many)?];
        let (mean, step) = (self.number()?, self.number()?);
        Some(Summed {
            first: Sample { at, value: self.value(digits)? },
            last: Sample { at: last, value: self.value(digits)? },
            at: at + TimeDelta::nanoseconds(500 * lasting),
            middle: self.value(digits)?,
            low: self.value(digits)?,
            high: self.value(digits)?,
            count,
            mean,
            step,
            same,
            far,
        })
    }
}

pub(super) fn unpack(day: i64, bytes: &[u8], points: &mut Vec<Summed>) -> StoreResult<()> {
    let begin = begin_of(day)?;
    let mut packed = Packed(bytes);
    while !packed.0.is_empty() {
        points.push(checked("reading_days.hours", packed.point(begin).ok_or("it ends in the middle"))?);
    }
    Ok(())
}

/// Reads a whole day.
pub(super) fn unpack_day(number: i64, bytes: &[u8]) -> StoreResult<Day> {
    let mut packed = Packed(bytes);
    let means = packed.take(1).and_then(|[count]: [u8; 1]| packed.means(count.into()));
    let means = checked("whole_days.sums", means.ok_or("it ends in the middle"))?;
    let mut parts = Vec::with_capacity(1);
    unpack(number, packed.0, &mut parts)?;
    Ok(Day { parts, means })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::upkeep::summed::{Manner, summed};

    /// To the bit, whatever the values: decimals, thirds, noughts of either sign, and many of them.
    #[test]
    fn what_is_packed_is_unpacked() {
        let at = |micros: i64| begin_of(20_000).unwrap() + TimeDelta::microseconds(micros);
        let samples = |begin: i64, every: i64, count: i32, value: fn(i32) -> f64| {
            (0..count).map(move |n| (begin + every * i64::from(n), value(n)))
        };
        let dial = samples(0, 45_000, 90_000, |n| f64::from(n * 7919 % 23) / 10.0);
        let odd = samples(7_000_000_000, 2_250, 90_000, |n| f64::from(n % 7) / 3.0);
        let signed = samples(30_000_000_000, 1_000_000, 9, |n| if n % 2 == 0 { 0.0 } else { -0.0 });
        let large = samples(40_000_000_000, 1_000_000, 9, |n| 1e12 + f64::from(n));
        let few = samples(86_399_999_999, 1, 1, |_| f64::MIN_POSITIVE);
        let all = dial.chain(odd).chain(signed).chain(large).chain(few);
        let samples: Vec<Sample> = all.map(|(micros, value)| Sample { at: at(micros), value }).collect();
        let points = summed(Manner::Level, &samples);
        assert!(points.iter().any(|point| point.count > 65_535), "an hour of many readings");
        let (packed, mut unpacked) = (pack(20_000, &points), Vec::new());
        unpack(20_000, &packed, &mut unpacked).unwrap();
        assert_eq!(format!("{unpacked:?}"), format!("{points:?}"));
        assert!(unpack(20_000, &packed[..packed.len() - 1], &mut unpacked).is_err());
    }

    #[test]
    fn a_packed_day_is_unpacked() {
        let at = |minute: i64| begin_of(20_000).unwrap() + TimeDelta::minutes(minute);
        let samples: Vec<Sample> = (0..1440)
            .map(|m: i32| Sample { at: at(m.into()), value: (f64::from(m % 97) / 7.0).sin() })
            .collect();
        let day = Day::of(Manner::Level, &summed(Manner::Level, &samples)).unwrap();
        let packed = pack_day(20_000, &day);
        assert_eq!(unpack_day(20_000, &packed).unwrap(), day);
        assert!(unpack_day(20_000, &packed[..50]).is_err() && unpack_day(20_000, &[]).is_err());
    }
}
