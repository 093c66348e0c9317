//! Checked names, tags and free text.

use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};
use thiserror::Error;
use uuid::Uuid;

/// Why a piece of text was refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum TextError {
    /// A tag that is not `[A-Z0-9-]{1,24}`.
    #[error("a tag is 1 to 24 characters of A-Z, 0-9 and '-'")]
    Tag,
    /// Nothing but white space.
    #[error("must not be empty")]
    Empty,
    /// Longer than allowed.
    #[error("is longer than {0} characters")]
    TooLong(usize),
    /// A character that cannot be shown or printed.
    #[error("holds a control character")]
    Control,
    /// Not a word in lower case with underscores.
    #[error("is 1 to 40 characters of a-z, 0-9 and '_', beginning with a letter")]
    Word,
}

impl Coded for TextError {
    fn code(&self) -> &'static str {
        match self {
            Self::Tag => "bad_tag",
            Self::Empty => "empty",
            Self::TooLong(_) => "too_long",
            Self::Control => "control_character",
            Self::Word => "bad_word",
        }
    }
}

macro_rules! text_type {
    ($(#[$doc:meta])* $name:ident, $check:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// Checks the text.
            pub fn parse(text: &str) -> Result<Self, TextError> {
                let check: fn(&str) -> Result<String, TextError> = $check;
                check(text).map(Self)
            }

            /// The text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = TextError;
            fn try_from(text: String) -> Result<Self, TextError> {
                Self::parse(&text)
            }
        }

        impl From<$name> for String {
            fn from(value: $name) -> String {
                value.0
            }
        }

        impl FromStr for $name {
            type Err = TextError;
            fn from_str(text: &str) -> Result<Self, TextError> {
                Self::parse(text)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

fn printable(text: &str, longest: usize, may_be_empty: bool) -> Result<String, TextError> {
    let text = text.trim();
    if text.is_empty() && !may_be_empty {
        return Err(TextError::Empty);
    }
    if text.chars().count() > longest {
        return Err(TextError::TooLong(longest));
    }
    if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        return Err(TextError::Control);
    }
    Ok(text.to_owned())
}

text_type!(
    /// A tag as on the equipment's label: `[A-Z0-9-]{1,24}`.
    Tag,
    |text| {
        let ok = (1..=24).contains(&text.len())
            && text.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-');
        if ok { Ok(text.to_owned()) } else { Err(TextError::Tag) }
    }
);
text_type!(
    /// A name shown to people: 1 to 120 printable characters.
    Name,
    |text| printable(text, 120, false)
);
text_type!(
    /// Remarks and purposes: up to 2000 printable characters, possibly none.
    Remark,
    |text| printable(text, 2000, true)
);
text_type!(
    /// A word of the site's own, in lower case with underscores: a task, a meter.
    Word,
    |text| {
        let ok = (1..=40).contains(&text.len())
            && text.as_bytes()[0].is_ascii_lowercase()
            && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_');
        if ok { Ok(text.to_owned()) } else { Err(TextError::Word) }
    }
);

/// A reference to a thing as a caller writes it: its id or its tag.
///
/// A tag inside a glovebox (a station, an antechamber) may be qualified by
/// the box's, as in `LYNX/LARGE`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Reference {
    /// By id.
    Id(Uuid),
    /// By tag.
    Tag(Tag),
    /// By the tag of a part within the thing of another tag.
    Part(Tag, Tag),
}

impl FromStr for Reference {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        if let Ok(uuid) = Uuid::parse_str(text) {
            return Ok(Self::Id(uuid));
        }
        match text.split_once('/') {
            Some((whole, part)) => Ok(Self::Part(Tag::parse(whole)?, Tag::parse(part)?)),
            None => Tag::parse(text).map(Self::Tag),
        }
    }
}

impl fmt::Display for Reference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Id(id) => id.fmt(f),
            Self::Tag(tag) => tag.fmt(f),
            Self::Part(whole, part) => write!(f, "{whole}/{part}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_are_what_a_label_can_carry() {
        assert!(Tag::parse("GB-01").is_ok());
        assert_eq!(Tag::parse("gb-01"), Err(TextError::Tag));
        assert_eq!(Tag::parse(""), Err(TextError::Tag));
        assert_eq!(Tag::parse(&"A".repeat(25)), Err(TextError::Tag));
    }

    #[test]
    fn names_are_trimmed_and_bounded() {
        assert_eq!(Name::parse("  Lynx ").unwrap().as_str(), "Lynx");
        assert_eq!(Name::parse(" \t"), Err(TextError::Empty));
        assert_eq!(Name::parse("a\u{7}b"), Err(TextError::Control));
        assert_eq!(Name::parse(&"ö".repeat(121)), Err(TextError::TooLong(120)));
    }

    #[test]
    fn references_take_ids_tags_and_qualified_parts() {
        let id = "0190f0a2-0000-7000-8000-000000000000";
        assert!(matches!(id.parse::<Reference>(), Ok(Reference::Id(_))));
        assert!(matches!("LYNX".parse::<Reference>(), Ok(Reference::Tag(_))));
        assert!(matches!("LYNX/LARGE".parse::<Reference>(), Ok(Reference::Part(..))));
        assert!("lynx".parse::<Reference>().is_err());
    }
}
