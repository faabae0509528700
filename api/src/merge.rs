//! JSON merge patch, RFC 7396.

use serde_json::{Map, Value};

/// Changes a value by a patch: members of the patch replace those of the value, null removes
/// them, and anything but an object replaces the whole value (RFC 7396 section 2).
pub fn merge(target: &mut Value, patch: Value) {
    let Value::Object(patch) = patch else {
        *target = patch;
        return;
    };
    if !target.is_object() {
        *target = Value::Object(Map::new());
    }
    if let Value::Object(target) = target {
        for (name, change) in patch {
            match change {
                Value::Null => {
                    target.remove(&name);
                }
                change => merge(target.entry(name).or_insert(Value::Null), change),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 7396 appendix A: every test case.
    #[test]
    fn the_test_cases_of_the_standard() {
        for (original, patch, result) in [
            (r#"{"a":"b"}"#, r#"{"a":"c"}"#, r#"{"a":"c"}"#),
            (r#"{"a":"b"}"#, r#"{"b":"c"}"#, r#"{"a":"b","b":"c"}"#),
            (r#"{"a":"b"}"#, r#"{"a":null}"#, r"{}"),
            (r#"{"a":"b","b":"c"}"#, r#"{"a":null}"#, r#"{"b":"c"}"#),
            (r#"{"a":["b"]}"#, r#"{"a":"c"}"#, r#"{"a":"c"}"#),
            (r#"{"a":"c"}"#, r#"{"a":["b"]}"#, r#"{"a":["b"]}"#),
            (r#"{"a":{"b":"c"}}"#, r#"{"a":{"b":"d","c":null}}"#, r#"{"a":{"b":"d"}}"#),
            (r#"{"a":[{"b":"c"}]}"#, r#"{"a":[1]}"#, r#"{"a":[1]}"#),
            (r#"["a","b"]"#, r#"["c","d"]"#, r#"["c","d"]"#),
            (r#"{"a":"b"}"#, r#"["c"]"#, r#"["c"]"#),
            (r#"{"a":"foo"}"#, "null", "null"),
            (r#"{"a":"foo"}"#, r#""bar""#, r#""bar""#),
            (r#"{"e":null}"#, r#"{"a":1}"#, r#"{"e":null,"a":1}"#),
            (r"[1,2]", r#"{"a":"b","c":null}"#, r#"{"a":"b"}"#),
            (r"{}", r#"{"a":{"bb":{"ccc":null}}}"#, r#"{"a":{"bb":{}}}"#),
        ] {
            let read = |text: &str| -> Value { serde_json::from_str(text).unwrap() };
            let mut target = read(original);
            merge(&mut target, read(patch));
            assert_eq!(target, read(result), "{original} with {patch}");
        }
    }
}
