//! Reading iCalendar text: unfolding, content lines, and the components that
//! a calendar consists of. Components within those are passed over.

use crate::domain::violations::Coded;
use thiserror::Error;

/// The most lines that are read.
pub const MOST_LINES: usize = 100_000;

/// How deep components may lie within one another.
const DEEPEST: usize = 8;

/// Why a text is not a calendar; lines count from 1.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Unreadable {
    /// It does not begin with `BEGIN:VCALENDAR`.
    #[error("is not an iCalendar file: it does not begin with BEGIN:VCALENDAR")]
    NotACalendar,
    /// Octets that are no UTF-8.
    #[error("line {0} is not UTF-8 text")]
    NotText(usize),
    /// A line without a name and a value.
    #[error("line {0} is not a name and a value divided by a colon")]
    BadLine(usize),
    /// A component that ends without having begun, or the other way round.
    #[error("line {0}: what begins and what ends do not match")]
    Unbalanced(usize),
    /// Components too deep within one another.
    #[error("line {0}: components lie more than {DEEPEST} deep within one another")]
    TooDeep(usize),
    /// More than [`MOST_LINES`].
    #[error("has more than {MOST_LINES} lines")]
    TooLong,
}

impl Coded for Unreadable {
    fn code(&self) -> &'static str {
        match self {
            Self::NotACalendar => "not_a_calendar",
            Self::NotText(_) => "not_text",
            Self::BadLine(_) => "bad_line",
            Self::Unbalanced(_) => "unbalanced",
            Self::TooDeep(_) => "too_deep",
            Self::TooLong => "too_long",
        }
    }
}

/// A property: a line of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Property {
    /// Its name, in capitals.
    pub name: String,
    /// Its parameters, names in capitals.
    pub parameters: Vec<(String, String)>,
    /// Its value, as it stands.
    pub value: String,
}

impl Property {
    /// The value of a parameter.
    pub fn parameter(&self, name: &str) -> Option<&str> {
        self.parameters.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }
}

/// A component of a calendar, such as an event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Component {
    /// Its name, in capitals.
    pub name: String,
    /// The line it begins on.
    pub line: usize,
    /// Its own properties.
    pub properties: Vec<Property>,
}

impl Component {
    /// The first property of a name.
    pub fn get(&self, name: &str) -> Option<&Property> {
        self.all(name).next()
    }

    /// Every property of a name.
    pub fn all(&self, name: &str) -> impl Iterator<Item = &Property> {
        self.properties.iter().filter(move |property| property.name == name)
    }
}

/// The components of every calendar in a text.
pub fn components(text: &[u8]) -> Result<Vec<Component>, Unreadable> {
    let mut found: Vec<Component> = Vec::new();
    let mut open: Vec<String> = Vec::new();
    let lines = unfolded(text)?;
    let last = lines.last().map_or(0, |(number, _)| *number);
    for (number, line) in lines {
        let property = parse(&line).ok_or(Unreadable::BadLine(number));
        let property =
            if open.is_empty() { property.map_err(|_| Unreadable::NotACalendar)? } else { property? };
        let named = property.value.trim().to_ascii_uppercase();
        match (property.name.as_str(), open.len()) {
            ("BEGIN", 0) if named == "VCALENDAR" => open.push(named),
            (_, 0) => return Err(Unreadable::NotACalendar),
            ("BEGIN", DEEPEST..) => return Err(Unreadable::TooDeep(number)),
            ("BEGIN", depth) => {
                if depth == 1 {
                    found.push(Component { name: named.clone(), line: number, properties: Vec::new() });
                }
                open.push(named);
            }
            ("END", _) => match open.pop() {
                Some(begun) if begun == named => {}
                Some(_) | None => return Err(Unreadable::Unbalanced(number)),
            },
            (_, 2) => {
                if let Some(component) = found.last_mut() {
                    component.properties.push(property);
                }
            }
            // The calendar's own properties, and those of what lies within components.
            _ => {}
        }
    }
    match (open.is_empty(), last) {
        (_, 0) => Err(Unreadable::NotACalendar),
        (true, _) => Ok(found),
        (false, last) => Err(Unreadable::Unbalanced(last)),
    }
}

/// The lines with their numbers, continuations joined to what they continue.
/// Joined as octets, since some programs fold within a character.
fn unfolded(text: &[u8]) -> Result<Vec<(usize, String)>, Unreadable> {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let mut joined: Vec<(usize, Vec<u8>)> = Vec::new();
    for (index, line) in text.split(|octet| *octet == b'\n').enumerate() {
        if index >= MOST_LINES {
            return Err(Unreadable::TooLong);
        }
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        match (line.first(), joined.last_mut()) {
            (Some(b' ' | b'\t'), Some((_, before))) => before.extend_from_slice(&line[1..]),
            (None, _) => {}
            (Some(_), _) => joined.push((index + 1, line.to_vec())),
        }
    }
    joined
        .into_iter()
        .map(|(number, line)| Ok((number, String::from_utf8(line).map_err(|_| Unreadable::NotText(number))?)))
        .collect()
}

/// A line as a property (RFC 5545 §3.1).
fn parse(line: &str) -> Option<Property> {
    let is_name = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    let name_end = line.find(|c| !is_name(c))?;
    let (name, mut rest) = line.split_at(name_end);
    let mut parameters = Vec::new();
    while let Some(after) = rest.strip_prefix(';') {
        let (parameter, values) = after.split_once('=')?;
        let (value, later) = parameter_value(values)?;
        if !parameter.chars().all(is_name) {
            return None;
        }
        parameters.push((parameter.to_ascii_uppercase(), value));
        rest = later;
    }
    let value = rest.strip_prefix(':')?;
    (!name.is_empty()).then(|| Property {
        name: name.to_ascii_uppercase(),
        parameters,
        value: value.to_owned(),
    })
}

/// The value of a parameter without its quotation marks, and what follows it.
fn parameter_value(text: &str) -> Option<(String, &str)> {
    let mut quoted = false;
    let end = text.find(|c| {
        quoted ^= c == '"';
        !quoted && (c == ';' || c == ':')
    })?;
    let (value, rest) = text.split_at(end);
    Some((value.replace('"', ""), rest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn event(lines: &str) -> String {
        format!("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\n{lines}END:VEVENT\r\nEND:VCALENDAR\r\n")
    }

    /// RFC 5545 §3.1 folds a line so; §3.2 quotes a parameter's value so.
    #[test]
    fn lines_are_unfolded_and_parameters_unquoted() {
        let text = event(
            "DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line.\r\n\
             attendee;CN=\"Doe; Jane: J.\";ROLE=CHAIR:mailto:jd@example.com\r\n\
             BEGIN:VALARM\r\nSUMMARY:inner\r\nEND:VALARM\r\n",
        );
        let found = components(text.as_bytes()).unwrap();
        assert_eq!(found.len(), 1);
        let description = found[0].get("DESCRIPTION").unwrap();
        assert_eq!(description.value, "This is a long description that exists on a long line.");
        let attendee = found[0].get("ATTENDEE").unwrap();
        assert_eq!(attendee.parameter("CN"), Some("Doe; Jane: J."));
        assert_eq!(attendee.value, "mailto:jd@example.com");
        assert_eq!(found[0].get("SUMMARY"), None);
    }

    #[test]
    fn a_character_folded_in_two_is_joined() {
        let text = event("SUMMARY:f\u{fc}nf\r\n").into_bytes();
        let cut = text.iter().position(|octet| *octet == 0xc3).unwrap() + 1;
        let folded = [&text[..cut], b"\r\n ", &text[cut..]].concat();
        let found = components(&folded).unwrap();
        assert_eq!(found[0].get("SUMMARY").unwrap().value, "f\u{fc}nf");
    }

    #[test]
    fn what_is_no_calendar_is_refused_with_its_line() {
        let refused = |text: &str| components(text.as_bytes()).unwrap_err();
        assert_eq!(refused(""), Unreadable::NotACalendar);
        assert_eq!(refused("{\"closures\": []}"), Unreadable::NotACalendar);
        assert_eq!(refused(&event("no colon here\r\n")), Unreadable::BadLine(4));
        assert_eq!(refused("BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VCALENDAR\n"), Unreadable::Unbalanced(3));
        assert_eq!(refused("BEGIN:VCALENDAR\nBEGIN:VEVENT\n"), Unreadable::Unbalanced(2));
        let deep = format!("BEGIN:VCALENDAR\n{}", "BEGIN:A\n".repeat(50_000));
        assert_eq!(refused(&deep), Unreadable::TooDeep(9));
        assert_eq!(refused(&format!("BEGIN:VCALENDAR\n{}", "\n".repeat(MOST_LINES))), Unreadable::TooLong);
        let broken = [b"BEGIN:VCALENDAR\nNAME:".as_slice(), &[0xff], b"\nEND:VCALENDAR\n"].concat();
        assert_eq!(components(&broken), Err(Unreadable::NotText(2)));
    }

    proptest! {
        #[test]
        fn any_octets_are_read_or_refused(text in prop::collection::vec(any::<u8>(), 0..300)) {
            let wrapped = [b"BEGIN:VCALENDAR\n".as_slice(), &text, b"\nEND:VCALENDAR"].concat();
            drop((components(&text), components(&wrapped)));
        }
    }
}
