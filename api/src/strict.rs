//! JSON that can be read in one way only: no doubled names, since two readers of the same bytes
//! could take two different values from them (RFC 8259 section 4), and no list in the place of
//! an object, whose members a list would name by their order alone.

use crate::problem::Problem;
use rules::Field;
use serde::Serialize;
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

/// Lets through what was read from `sent`, if every object of it was sent as an object: the
/// reader of a struct takes a list of its members too.
///
/// # Errors
/// 400 naming the first list in the place of an object.
pub fn by_name(sent: &Value, read: &impl Serialize) -> Result<(), Problem> {
    let read = serde_json::to_value(read).map_err(Problem::internal)?;
    match list_for_object(sent, &read) {
        Some(pointer) => Err(Problem::not_well_formed(Field::new(
            pointer,
            "Cannot be read: an object is expected, not a list.",
        ))),
        None => Ok(()),
    }
}

fn list_for_object(sent: &Value, read: &Value) -> Option<String> {
    let below = |name: &dyn fmt::Display, sent: Option<&Value>, read: &Value| {
        list_for_object(sent?, read).map(|rest| format!("/{name}{rest}"))
    };
    match (sent, read) {
        (Value::Array(_), Value::Object(_)) => Some(String::new()),
        (Value::Array(sent), Value::Array(read)) => {
            read.iter().enumerate().find_map(|(i, item)| below(&i, sent.get(i), item))
        }
        (Value::Object(sent), Value::Object(read)) => {
            read.iter().find_map(|(name, value)| below(name, sent.get(name), value))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    // RFC 8259 sections 4 and 5: members of an object have names, items of a list only places.
    #[test]
    fn a_list_is_no_object() {
        let read = json!({"a": {"b": [{"c": 1}]}, "d": [1, 2], "e": 0});
        let place = |sent: Value| list_for_object(&sent, &read);
        assert_eq!(place(read.clone()), None);
        assert_eq!(place(json!({"a": {"b": [{"c": 1}]}, "d": [1, 2]})), None);
        assert_eq!(place(json!([[[[1]]], [1, 2]])), Some(String::new()));
        assert_eq!(place(json!({"a": [[]], "d": []})), Some("/a".to_owned()));
        assert_eq!(place(json!({"a": {"b": [[1]]}})), Some("/a/b/0".to_owned()));
    }

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
