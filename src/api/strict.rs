//! Reading JSON so that a form is an object wherever it stands: read by serde
//! as it comes, a list would give a form its fields by position.

use serde::de::value::{MapDeserializer, SeqDeserializer};
use serde::de::{Deserializer, Error as _, IntoDeserializer, Unexpected, Visitor};
use serde::forward_to_deserialize_any;
use serde_json::{Error, Value};

/// A JSON value that is read strictly.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Strict<'de>(pub(crate) &'de Value);

impl<'de> IntoDeserializer<'de, Error> for Strict<'de> {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'de> Deserializer<'de> for Strict<'de> {
    type Error = Error;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        match self.0 {
            Value::Array(items) => {
                let mut list = SeqDeserializer::new(items.iter().map(Strict));
                let read = visitor.visit_seq(&mut list)?;
                list.end()?;
                Ok(read)
            }
            Value::Object(fields) => {
                let mut object =
                    MapDeserializer::new(fields.iter().map(|(name, value)| (name.as_str(), Strict(value))));
                let read = visitor.visit_map(&mut object)?;
                object.end()?;
                Ok(read)
            }
            plain @ (Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_)) => {
                plain.deserialize_any(visitor)
            }
        }
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        if self.0.is_null() { visitor.visit_none() } else { visitor.visit_some(self) }
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        visitor: V,
    ) -> Result<V::Value, Error> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        self.0.deserialize_enum(name, variants, visitor)
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        if self.0.is_array() {
            return Err(Error::invalid_type(Unexpected::Seq, &"an object"));
        }
        self.deserialize_any(visitor)
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf unit unit_struct
        seq tuple tuple_struct map identifier ignored_any
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;
    use serde_json::json;

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Part {
        tag: Option<String>,
        pairs: Option<u32>,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Whole {
        parts: Vec<Part>,
        pair: Option<(f64, i64)>,
    }

    #[test]
    fn forms_are_objects_at_every_depth() {
        let read = |value: &Value| Whole::deserialize(Strict(value));
        let good = json!({ "parts": [{ "tag": "S1", "pairs": 2 }, {}], "pair": [1, -2] });
        let expected = Whole {
            parts: vec![Part { tag: Some("S1".to_owned()), pairs: Some(2) }, Part { tag: None, pairs: None }],
            pair: Some((1.0, -2)),
        };
        assert_eq!(read(&good).unwrap(), expected);
        for (wrong, part) in [
            (json!([[], null]), "expected an object"),
            (json!({ "parts": [["S1", 2]] }), "expected an object"),
            (json!({ "parts": [{ "tag": 3 }] }), "expected a string"),
            (json!({ "parts": [], "pair": [1] }), "invalid length"),
            (json!({ "parts": [], "more": 1 }), "unknown field"),
        ] {
            let text = read(&wrong).unwrap_err().to_string();
            assert!(text.contains(part), "{wrong}: {text}");
        }
    }
}
