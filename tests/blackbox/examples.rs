//! Every example of the API document is tried on the demo: what it shows can be sent, and is
//! answered as documented. Sources: OpenAPI 3.1.0 and JSON Schema 2020-12 for what a schema
//! means; that examples work is the document's own promise.

use crate::demo;
use crate::proofhold::{Answer, Proofhold, send};
use api::demo::{PEOPLE, SLUG, id, organisation};
use api::routes::ROUTES;
use jsonschema::Validator;
use reqwest::blocking::RequestBuilder;
use rules::{Kind, SubjectKind};
use serde_json::{Map, Value, json};
use std::sync::LazyLock;

static DOCUMENT: LazyLock<Value> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../openapi/v1.json")).expect("the document is JSON")
});

/// What a schema of the document says of values.
fn validator(schema: &Value) -> Validator {
    let mut whole: Map<String, Value> = schema.as_object().unwrap().clone();
    whole.insert("components".to_owned(), DOCUMENT["components"].clone());
    let whole = Value::Object(whole);
    jsonschema::draft202012::options().should_validate_formats(true).build(&whole).unwrap()
}

#[track_caller]
fn fits(schema: &Value, value: &Value, what: &str) {
    let wrong: Vec<String> = validator(schema)
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(wrong.is_empty(), "{what}: {wrong:#?} in {value}");
}

/// The schema that a reference leads to, or the schema itself.
fn resolved(schema: &Value) -> &Value {
    match schema["$ref"].as_str() {
        Some(place) => DOCUMENT.pointer(place.trim_start_matches('#')).unwrap(),
        None => schema,
    }
}

/// The examples of something with a schema.
fn examples(described: &Value) -> Vec<Value> {
    let schema = resolved(&described["schema"]);
    let listed = |list: &Value| list.as_array().cloned().unwrap_or_default();
    let one = |value: &Value| Some(value.clone()).filter(|value| !value.is_null());
    let own = one(&described["example"]).or_else(|| one(&schema["example"]));
    own.into_iter().chain(listed(&schema["examples"])).collect()
}

/// The demo with everybody's account, at the moment of the document's examples.
fn demo() -> Proofhold {
    let proofhold = Proofhold::start();
    proofhold.set_clock("2026-03-03T13:05:00Z".parse().unwrap());
    demo::open(&proofhold).unwrap();
    for person in &PEOPLE {
        let known = id(SubjectKind::Person, person.login);
        proofhold.account(organisation(), known, person.login, person.role);
    }
    proofhold
}

/// Requests of an operation: with every header and all that it needs, and with each of the other
/// parameters besides, each with each example of a body.
fn requests(
    proofhold: &Proofhold,
    path: &str,
    method: &str,
    operation: &Value,
) -> Vec<RequestBuilder> {
    let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
    // What is only shown at a shape does not go with everything else.
    let own = |parameter: &&Value| !parameter["example"].is_null();
    let known: Vec<&Value> = parameters.iter().filter(own).collect();
    let (needed, others): (Vec<&Value>, Vec<&Value>) =
        known.into_iter().partition(|p| p["required"] == true || p["in"] == "header");
    let bodies: Vec<(String, Value)> = operation["requestBody"]["content"]
        .as_object()
        .into_iter()
        .flatten()
        .flat_map(|(kind, content)| examples(content).into_iter().map(|body| (kind.clone(), body)))
        .collect();
    let bodies: Vec<Option<(String, Value)>> = match bodies.is_empty() {
        true => vec![None],
        false => bodies.into_iter().map(Some).collect(),
    };
    let mut requests = Vec::new();
    for also in std::iter::once(None).chain(others.into_iter().map(Some)) {
        for body in &bodies {
            let given = needed.iter().copied().chain(also);
            let request = given.fold(
                (path.to_owned(), Vec::new(), Vec::new()),
                |(path, mut query, mut headers), parameter| {
                    let name = parameter["name"].as_str().unwrap().to_owned();
                    let value = &parameter["example"];
                    let text = match name.as_str() {
                        // A key is for one operation only.
                        "Idempotency-Key" => operation["operationId"].to_string(),
                        _ => value.as_str().map_or_else(|| value.to_string(), str::to_owned),
                    };
                    match parameter["in"].as_str().unwrap() {
                        "path" => {
                            return (path.replace(&format!("{{{name}}}"), &text), query, headers);
                        }
                        "query" => query.push((name, text)),
                        _ => headers.push((name, text)),
                    }
                    (path, query, headers)
                },
            );
            let (path, query, headers) = request;
            let mut request = proofhold.request(method, &path).query(&query);
            for (name, value) in headers {
                request = request.header(name, value);
            }
            if let Some((kind, body)) = body {
                // A file stands there as a text.
                let body = body.as_str().map_or_else(|| body.to_string(), str::to_owned);
                request = request.header("content-type", kind).body(body);
            }
            requests.push(request);
        }
    }
    requests
}

/// The answer is one that the document has, of the type and shape that it says.
#[track_caller]
fn documented(operation: &Value, answer: &Answer) {
    let (what, status) = (&operation["operationId"], answer.status.as_str());
    let described = &operation["responses"][status];
    assert!(described.is_object(), "{what} answers {status}: {}", answer.text);
    let sent = answer.headers.get("content-type").map(|sent| sent.to_str().unwrap());
    let Some(contents) = described["content"].as_object() else {
        assert_eq!((sent, answer.text.as_str()), (None, ""), "{what} {status}");
        return;
    };
    let kind = sent.unwrap().split(';').next().unwrap();
    let content = contents.get(kind).unwrap_or_else(|| panic!("{what} answers {kind}"));
    if kind.ends_with("json") {
        fits(&content["schema"], &answer.json(), &format!("{what} {status}"));
    }
    for (name, header) in described["headers"].as_object().into_iter().flatten() {
        let optional = resolved(&header["schema"])["type"].is_array();
        assert!(optional || answer.headers.contains_key(name.as_str()), "{what} has no {name}");
    }
}

/// Reading comes first, what ends a session last.
fn in_order() -> Vec<(&'static str, &'static str, &'static Value)> {
    let rank =
        |method: &str| ["GET", "PATCH", "POST", "PUT", "DELETE"].iter().position(|m| *m == method);
    let mut routes: Vec<_> = ROUTES.iter().collect();
    routes.sort_by_key(|route| rank(route.method));
    let operation = |path: &str, method: &str| &DOCUMENT["paths"][path][method.to_lowercase()];
    routes
        .iter()
        .map(|route| (route.path, route.method, operation(route.path, route.method)))
        .collect()
}

#[test]
fn every_example_is_answered_as_documented() {
    let proofhold = demo();
    for (path, method, operation) in in_order() {
        let name = operation["operationId"].as_str().unwrap();
        // Nobody's password or token stands in a public document.
        let secret = ["create_session", "refresh_session"].contains(&name);
        for request in requests(&proofhold, path, method, operation) {
            let open = operation["security"].as_array().unwrap().is_empty();
            let answer = send(match open {
                true => request,
                false => request.bearer_auth(proofhold.token(SLUG, "gus")),
            });
            documented(operation, &answer);
            let went_well = answer.status.as_u16() < 400 || secret && answer.status == 401;
            assert!(went_well, "{name}: {}", answer.text);
        }
    }
}

/// The example of each kind of entry is one that the ledger can decide.
#[test]
fn every_kind_of_entry_has_an_example_that_can_be_sent() {
    let proofhold = demo();
    let operation = &DOCUMENT["paths"]["/v1/entries"]["post"];
    let mut sent = 0;
    for (name, schema) in DOCUMENT["components"]["schemas"].as_object().unwrap() {
        for entry in schema["examples"].as_array().into_iter().flatten() {
            if !Kind::ALL.iter().any(|kind| entry["kind"] == kind.name()) {
                continue;
            }
            fits(&operation["requestBody"]["content"]["application/json"]["schema"], entry, name);
            let request = proofhold.request("POST", "/v1/entries?dry_run=true").json(entry);
            let erases = entry["kind"] == Kind::Erased.name();
            let who = if erases { "gus" } else { "dora" };
            let answer = send(request.bearer_auth(proofhold.token(SLUG, who)));
            // Nothing was refused there, so there is nothing to resolve; and the entry that is
            // erased is one of the casing.
            let resolves = entry["kind"] == Kind::Resolved.name();
            let of_another = erases && entry["subject"]["kind"] != SubjectKind::Casing.name();
            let status = if resolves || of_another { 422 } else { 200 };
            assert_eq!(answer.status.as_u16(), status, "{name}: {}", answer.text);
            documented(operation, &answer);
            sent += 1;
        }
    }
    let kinds: usize = Kind::ALL.iter().map(|kind| kind.subjects().len()).sum();
    assert_eq!(sent, kinds);
}

/// Whatever has a shape has an example, and the example has the shape.
#[test]
fn every_request_and_answer_has_an_example_of_its_shape() {
    let mut problems = Vec::new();
    for (_, _, operation) in in_order() {
        let name = operation["operationId"].as_str().unwrap();
        let answers = operation["responses"].as_object().unwrap();
        let contents = answers.iter().map(|(status, answer)| (status.as_str(), &answer["content"]));
        for (place, contents) in contents.chain([("body", &operation["requestBody"]["content"])]) {
            for (kind, content) in contents.as_object().into_iter().flatten() {
                let shown = examples(content);
                if shown.is_empty() && kind.ends_with("json") && content["schema"] != json!({}) {
                    problems.push(format!("{name} {place} {kind}"));
                }
                for example in shown.iter().filter(|_| kind.ends_with("json")) {
                    fits(&content["schema"], example, &format!("{name} {place}"));
                }
            }
        }
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            if parameter["required"] == true && examples(parameter).is_empty() {
                problems.push(format!("{name} {}", parameter["name"]));
            }
        }
    }
    assert!(problems.is_empty(), "without an example: {problems:#?}");
}
