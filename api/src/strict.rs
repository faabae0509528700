//! JSON of any shape without doubled names: two readers of the same bytes could take two
//! different values from it (RFC 8259 section 4).

use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};
use std::fmt;

/// A JSON value in which every name stands once in its object.
#[derive(Clone, Debug, PartialEq)]
pub struct Strict(pub Value);

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Strict, D::Error> {
        deserializer.deserialize_any(Reader).map(Strict)
    }
}

struct Reader;

impl<'de> Visitor<'de> for Reader {
    type Value = Value;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value).map(Value::Number).ok_or_else(|| E::custom("not a number"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(Strict(item)) = items.next_element()? {
            list.push(item);
        }
        Ok(Value::Array(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut object = Map::new();
        while let Some(name) = members.next_key::<String>()? {
            if object.contains_key(&name) {
                return Err(A::Error::custom(format_args!("duplicate field `{name}`")));
            }
            let Strict(value) = members.next_value()?;
            object.insert(name, value);
        }
        Ok(Value::Object(object))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 8259 section 4: names within an object should be unique.
    #[test]
    fn doubled_names_are_refused_and_all_else_is_read() {
        let read = |text| serde_json::from_str::<Strict>(text);
        for text in [r#"{"a":[1,-2,2.5,"b",true,null],"c":{"a":{}}}"#, "null", "7", r#""x""#] {
            assert_eq!(read(text).unwrap().0, serde_json::from_str::<Value>(text).unwrap());
        }
        for text in [r#"{"a":1,"a":1}"#, r#"[{"b":{"a":1,"c":2,"a":null}}]"#] {
            assert!(read(text).unwrap_err().to_string().contains("`a`"), "{text}");
        }
    }
}
