//! Times, ages, levels and counts as people say them: in the facility's zone, with
//! the digits that a person can use. Pure.

use chrono::{DateTime, Datelike as _, MappedLocalTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

/// A name that somebody chose, kept from turning what stands around it.
pub(super) fn name(text: &str) -> Markup {
    html! { bdi { (text) } }
}

/// Names that people chose, one after the other, each kept by itself.
pub(super) fn names(all: &[String]) -> Markup {
    html! {
        @for (number, one) in all.iter().enumerate() {
            @if number > 0 && number + 1 == all.len() { " and " } @else if number > 0 { ", " }
            (name(one))
        }
    }
}

/// The time of day: `08:30`; where the clocks show it twice, with what the zone is called then: `02:30 CET`.
pub(super) fn clock(at: DateTime<Utc>, zone: Tz) -> String {
    let local = at.with_timezone(&zone);
    let once = !matches!(zone.from_local_datetime(&local.naive_local()), MappedLocalTime::Ambiguous(..));
    local.format(if once { "%H:%M" } else { "%H:%M %Z" }).to_string()
}

/// The day as the facility counts it.
fn date(at: DateTime<Utc>, zone: Tz) -> chrono::NaiveDate {
    at.with_timezone(&zone).date_naive()
}

/// The day, seen from another: `today`, `tomorrow`, `Thu 3 Dec`, with the year where it is another.
pub(super) fn day(at: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> String {
    let (day, today) = (date(at, zone), date(now, zone));
    match (day - today).num_days() {
        -1 => "yesterday".to_owned(),
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        _ if day.year() == today.year() => day.format("%a %-d %b").to_string(),
        _ => day.format("%a %-d %b %Y").to_string(),
    }
}

/// The day and the time, without the day where it is today.
pub(super) fn moment(at: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> Markup {
    html! { time datetime=(at.to_rfc3339()) { (when(at, now, zone)) } }
}

/// [`moment`] as mere text.
pub(super) fn when(at: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> String {
    let clock = clock(at, zone);
    if date(at, zone) == date(now, zone) { clock } else { format!("{} {clock}", day(at, now, zone)) }
}

/// The time as a form's `datetime-local` takes it.
pub(super) fn wall(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%Y-%m-%dT%H:%M").to_string()
}

/// From when to when, the day said once where it is one.
pub(super) fn span(from: DateTime<Utc>, to: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> Markup {
    let same = date(from, zone) == date(to, zone);
    html! {
        (moment(from, now, zone)) " to "
        @if same { time datetime=(to.to_rfc3339()) { (clock(to, zone)) } } @else { (moment(to, now, zone)) }
    }
}

/// From when to when on a page about one day: without that day where both are of it.
pub(super) fn span_on(
    date_told: chrono::NaiveDate,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    now: DateTime<Utc>,
    zone: Tz,
) -> Markup {
    if date(from, zone) == date_told && date(to, zone) == date_told {
        return span(from, to, from, zone);
    }
    span(from, to, now, zone)
}

/// The moment beside another that is told already: without the day where it is the same.
pub(super) fn beside(at: DateTime<Utc>, told: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> Markup {
    moment(at, if date(at, zone) == date(told, zone) { told } else { now }, zone)
}

/// The zone and what it is called at the time: `Europe/Vienna, CET`.
pub(super) fn zone(at: DateTime<Utc>, zone: Tz) -> String {
    format!("{}, {}", zone.name(), at.with_timezone(&zone).format("%Z"))
}

/// A length in its largest fitting unit: `25 min`, `3 h`, `6 days`.
pub(super) fn length(length: TimeDelta) -> String {
    let minutes = length.num_minutes().abs();
    match minutes {
        0 => "less than a minute".to_owned(),
        1..=89 => format!("{minutes} min"),
        90..=2159 => format!("{} h", (minutes + 30) / 60),
        _ => count(usize::try_from((minutes + 720) / 1440).unwrap_or(usize::MAX), "day"),
    }
}

/// A length to the minute: `45 min`, `2 h`, `1 h 30 min`.
pub(super) fn lasting(length: TimeDelta) -> String {
    let minutes = length.num_minutes().abs();
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// How long ago.
pub(super) fn ago(at: DateTime<Utc>, now: DateTime<Utc>) -> String {
    if now - at < TimeDelta::minutes(1) { "just now".to_owned() } else { format!("{} ago", length(now - at)) }
}

/// A level or a rate, with the digits that matter.
pub(super) fn level(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 9.95 {
        0
    } else if size >= 0.995 {
        1
    } else {
        2
    };
    format!("{value:.decimals$}")
}

/// An amount with two digits that count, since it was computed and not measured.
pub(super) fn roughly(value: f64) -> String {
    if value.abs() < 100.0 {
        return level(value);
    }
    let mut unit = 10.0;
    while value.abs() >= unit * 100.0 {
        unit *= 10.0;
    }
    format!("{:.0}", (value / unit).round() * unit)
}

/// So many of something.
pub(super) fn count(number: usize, what: &str) -> String {
    let ending = if number == 1 { "" } else { "s" };
    format!("{number} {what}{ending}")
}

/// A small number as a word, larger ones in digits.
pub(super) fn number(number: usize) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
        "twelve",
    ];
    WORDS.get(number).map_or_else(|| number.to_string(), |word| (*word).to_owned())
}

/// Words of a task as a heading: `glove_change` is `Glove change`.
pub(super) fn task(word: &str) -> String {
    capital(&word.replace('_', " "))
}

/// A sentence of the domain's for people: a capital at its front, lengths as words
/// instead of `P3M`, and tasks without their underscores.
pub(super) fn plainly(text: &str) -> String {
    let words: Vec<String> =
        text.split(' ').map(|word| duration(word).unwrap_or_else(|| word.replace('_', " "))).collect();
    capital(&words.join(" "))
}

/// [`plainly`], with the instants in the sentence told by the facility's clock.
pub(super) fn locally(text: &str, now: DateTime<Utc>, zone: Tz) -> String {
    let told = |word: &str| {
        let bare = word.trim_end_matches(['.', ',', ';', ':']);
        let at = DateTime::parse_from_rfc3339(bare).ok()?;
        Some(format!("{}{}", when(at.to_utc(), now, zone), &word[bare.len()..]))
    };
    let words: Vec<String> =
        text.split(' ').map(|word| told(word).unwrap_or_else(|| word.to_owned())).collect();
    plainly(&words.join(" "))
}

/// An ISO 8601 duration in words.
fn duration(text: &str) -> Option<String> {
    let rest = text.strip_prefix('P')?;
    let (days, hours) = rest.split_once('T').unwrap_or((rest, ""));
    let of_days = [('Y', "year"), ('M', "month"), ('W', "week"), ('D', "day")];
    let of_hours = [('H', "hour"), ('M', "minute"), ('S', "second")];
    let mut told = parts(days, &of_days)?;
    told.extend(parts(hours, &of_hours)?);
    (!told.is_empty()).then(|| and(&told))
}

/// The numbers before each letter, as counts of what the letter stands for.
fn parts(mut text: &str, units: &[(char, &str)]) -> Option<Vec<String>> {
    let mut told = Vec::new();
    while !text.is_empty() {
        let end = text.find(|c: char| !c.is_ascii_digit())?;
        let number = text[..end].parse().ok()?;
        let letter = text[end..].chars().next()?;
        let (_, unit) = units.iter().find(|(known, _)| *known == letter)?;
        told.push(count(number, unit));
        text = &text[end + letter.len_utf8()..];
    }
    Some(told)
}

/// The text with a capital at its front.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Things one after the other: `A, B and C`.
pub(super) fn and(things: &[String]) -> String {
    match things {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    #[test]
    fn days_are_those_of_the_facility() {
        let (now, zone) = (at("2026-03-28T23:30:00Z"), chrono_tz::Europe::Vienna);
        assert_eq!(day(at("2026-03-29T10:00:00Z"), now, zone), "today");
        assert_eq!(day(at("2026-03-28T22:00:00Z"), now, zone), "yesterday");
        assert_eq!(day(at("2026-04-02T10:00:00Z"), now, zone), "Thu 2 Apr");
        assert_eq!(day(at("2027-01-01T10:00:00Z"), now, zone), "Fri 1 Jan 2027");
        let twice = ["2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "2026-10-25T02:30:00Z"];
        assert_eq!(twice.map(|time| clock(at(time), zone)), ["02:30 CEST", "02:30 CET", "03:30"]);
        assert_eq!(super::zone(at("2026-03-29T10:00:00Z"), zone), "Europe/Vienna, CEST");
    }

    #[test]
    fn lengths_and_levels_have_the_digits_that_matter() {
        let lengths = [0, 45, 89, 90, 1439, 2160, 10_080].map(|minutes| length(TimeDelta::minutes(minutes)));
        assert_eq!(lengths, ["less than a minute", "45 min", "89 min", "2 h", "24 h", "2 days", "7 days"]);
        let levels = [0.041, 0.999, 8.42, 9.96, 104.4, 0.0].map(level);
        assert_eq!(levels, ["0.04", "1.0", "8.4", "10", "104", "0.00"]);
    }

    #[test]
    fn things_are_listed_as_people_do() {
        let things = |n: usize| (0..n).map(|n| n.to_string()).collect::<Vec<_>>();
        assert_eq!([0, 1, 2, 3].map(|n| and(&things(n))), ["", "0", "0 and 1", "0, 1 and 2"]);
        assert_eq!(
            (count(1, "day"), count(2, "day"), number(2), number(40)),
            ("1 day".into(), "2 days".into(), "two".into(), "40".into())
        );
        assert_eq!(names(&things(3)).0, "<bdi>0</bdi>, <bdi>1</bdi> and <bdi>2</bdi>");
        assert_eq!(names(&["<b>".to_owned()]).0, "<bdi>&lt;b&gt;</bdi>");
        assert_eq!(task("glove_change"), "Glove change");
        assert_eq!(plainly("P1Y6M after a glove_change"), "1 year and 6 months after a glove change");
        assert_eq!(plainly("PT12H in P-1 of P3X"), "12 hours in P-1 of P3X");
    }

    #[test]
    fn instants_in_sentences_are_told_by_the_clock_on_the_wall() {
        let (now, zone) = (at("2026-03-02T08:00:00Z"), chrono_tz::Europe::Vienna);
        let told = locally("a start at 2026-03-04T08:00:00Z, or 2026-03-02T10:30:00Z.", now, zone);
        assert_eq!(told, "A start at Wed 4 Mar 09:00, or 11:30.");
        assert_eq!(wall(now, zone), "2026-03-02T09:00");
        let lengths = [45, 120, 90].map(|minutes| lasting(TimeDelta::minutes(minutes)));
        assert_eq!(lengths, ["45 min", "2 h", "1 h 30 min"]);
        assert_eq!([0.7, 83.4, 104.4, 3214.0].map(roughly), ["0.70", "83", "100", "3200"]);
    }
}
