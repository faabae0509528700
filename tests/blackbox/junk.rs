//! Junk at every address: it is refused with a problem that says why, the service never
//! fails, and nothing is written. Sources: RFC 9457 (problems), RFC 8259 (JSON and UTF-8), RFC
//! 9110 (methods, types, 405 and its `Allow`); the bounds are the project's own.

use crate::fleet::Fleet;
use crate::proofhold::{Answer, send};
use crate::script::id;
use api::limits::{BODY_LIMIT, DEPTH_LIMIT};
use api::routes::{ROUTES, Route};
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpStream;
use uuid::Uuid;

/// A fleet with three casings.
fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"}}}))
}

/// The address of something that is on record.
fn address(route: &Route) -> String {
    let one = match route.path.split('/').nth(2) {
        Some("casings") => id("A"),
        Some("people") => id("ada"),
        Some("vehicles") => id("T1"),
        Some("wheels") => id("W1"),
        Some("cages") => id("K1"),
        Some("gauges") => id("G1"),
        Some("models") => id("merrow-295g"),
        _ => Uuid::now_v7(),
    };
    let path = route.path.replace("{id}", &one.to_string()).replace("{unit}", "T1");
    let path = path.replace("{slug}", "refused").replace("{file}", "index.html");
    match route.operation_id {
        "put_chart" => path + "?kind=rim_parts&name=n&document=d&edition=e",
        _ => path,
    }
}

/// The type of body that a route takes.
fn taken_by(route: &Route) -> &'static str {
    if route.operation_id == "put_chart" { "text/csv" } else { "application/json" }
}

/// A problem of the client's making, in the form that all have.
#[track_caller]
fn refused(answer: &Answer, what: &str) -> u16 {
    let status = answer.status.as_u16();
    assert!((400..500).contains(&status), "{what}: {status} {}", answer.text);
    let problem = answer.problem(status, answer.json()["code"].as_str().unwrap_or_default());
    assert!(problem["request_id"].as_str().is_some_and(|id| id.parse::<Uuid>().is_ok()), "{what}");
    status
}

fn writing() -> impl Iterator<Item = &'static Route> {
    ROUTES.iter().filter(|route| ["POST", "PUT", "PATCH"].contains(&route.method))
}

/// Sends a body to an address as an admin, with whatever headers the address needs.
fn send_body(fleet: &Fleet, route: &Route, kind: Option<&str>, body: Vec<u8>) -> Answer {
    let request = fleet.request("gus", route.method, &address(route)).header("if-match", "*");
    send(kind.into_iter().fold(request, |r, kind| r.header("content-type", kind)).body(body))
}

#[test]
fn no_junk_is_taken_as_a_body() {
    let fleet = fleet();
    let nested = |depth: usize| ["{\"id\":", &"[".repeat(depth), &"]".repeat(depth), "}"].concat();
    let junk: Vec<(&str, Vec<u8>)> = vec![
        ("nothing", vec![]),
        ("no JSON", b"id=7".to_vec()),
        ("cut short", b"{\"id\":".to_vec()),
        ("two values", b"{}{}".to_vec()),
        ("a text", b"\"x\"".to_vec()),
        ("a number", b"7".to_vec()),
        ("null", b"null".to_vec()),
        ("a list", b"[]".to_vec()),
        ("a field that there is not", b"{\"__proto__\":{\"org_id\":1}}".to_vec()),
        ("as deep as may be", nested(DEPTH_LIMIT - 1).into_bytes()),
        ("too deep", nested(DEPTH_LIMIT).into_bytes()),
        ("much too deep", nested(BODY_LIMIT / 2 - 10).into_bytes()),
        ("a huge number", format!("{{\"id\":1{}}}", "0".repeat(400)).into_bytes()),
        ("a huge exponent", b"{\"id\":1e99999}".to_vec()),
        ("many digits", format!("{{\"id\":0.{}}}", "3".repeat(60_000)).into_bytes()),
        ("NUL", b"{\"id\":\"\\u0000\"}".to_vec()),
        ("a bare NUL", b"{\"id\":\"\0\"}".to_vec()),
        ("only NUL", vec![0; 1000]),
        ("not UTF-8", b"{\"id\":\"\xff\xfe\"}".to_vec()),
        ("overlong UTF-8", b"{\"id\":\"\xc0\xaf\"}".to_vec()),
        ("UTF-16", "{}".encode_utf16().flat_map(u16::to_le_bytes).collect()),
        ("half a pair", b"{\"id\":\"\\ud800\"}".to_vec()),
        ("a key twice", b"{\"id\":1,\"id\":1}".to_vec()),
    ];
    let before = fleet.rows();
    for route in writing() {
        for (what, body) in &junk {
            let what = format!("{what} at {}", route.operation_id);
            let status =
                refused(&send_body(&fleet, route, Some(taken_by(route)), body.clone()), &what);
            assert!([400, 404, 422].contains(&status), "{what}: {status}");
        }
    }
    assert_eq!(fleet.rows(), before, "nothing is written");
}

/// A key twice inside of what else would be good.
#[test]
fn no_key_stands_twice() {
    let fleet = fleet();
    let (new, wheel) = (Uuid::now_v7(), r#""rim_in":22.5,"width_in":8.25,"rated_psi":140"#);
    let before = fleet.rows();
    for (method, path, body) in [
        (
            "POST",
            "/v1/wheels".to_owned(),
            format!(r#"{{"id":"{new}","id":"{new}","body":{{"kind":"single_piece",{wheel}}}}}"#),
        ),
        (
            "POST",
            "/v1/wheels".to_owned(),
            format!(r#"{{"id":"{new}","body":{{"kind":"single_piece","rated_psi":130,{wheel}}}}}"#),
        ),
        (
            "PATCH",
            format!("/v1/wheels/{}", id("W1")),
            r#"{"rated_psi":130,"rated_psi":140}"#.to_owned(),
        ),
        (
            "PATCH",
            format!("/v1/cages/{}", id("K1")),
            r#"{"structural_repair":{"what":"bar","what":"weld"}}"#.to_owned(),
        ),
        ("PATCH", format!("/v1/wheels/{}", id("W1")), r#"{"colour":null}"#.to_owned()),
        (
            "PATCH",
            "/v1/policy".to_owned(),
            r#"{"extended_hold_s":1500,"extended_hold_s":1300}"#.to_owned(),
        ),
    ] {
        let request = fleet.request("gus", method, &path).header("if-match", "*");
        let answer = send(request.header("content-type", "application/json").body(body.clone()));
        assert_eq!(refused(&answer, &body), 400, "{body}: {}", answer.text);
    }
    assert_eq!(fleet.rows(), before, "nothing is written");
}

#[test]
fn only_json_is_taken() {
    let fleet = fleet();
    let before = fleet.rows();
    for route in writing() {
        for kind in [
            None,
            Some("text/plain"),
            Some("text/json"),
            Some("application/xml"),
            Some("application/x-www-form-urlencoded"),
            Some("multipart/form-data; boundary=x"),
            Some("application/jsonx"),
            Some("*/*"),
            Some(";"),
        ] {
            let answer = send_body(&fleet, route, kind, b"{}".to_vec());
            answer.problem(415, "UNSUPPORTED_MEDIA_TYPE");
        }
        let encoded = fleet.request("gus", route.method, &address(route));
        let encoded = encoded.header("content-type", taken_by(route));
        let answer = send(encoded.header("content-encoding", "gzip").body(vec![31, 139, 8, 0]));
        answer.problem(415, "UNSUPPORTED_MEDIA_TYPE");
        let large = vec![b' '; BODY_LIMIT + 1];
        let answer = send_body(&fleet, route, Some(taken_by(route)), large);
        answer.problem(413, "PAYLOAD_TOO_LARGE");
    }
    assert_eq!(fleet.rows(), before, "nothing is written");
}

/// RFC 9110 section 15.5.6: the answer names the methods that there are.
#[test]
fn only_the_methods_that_there_are_are_taken() {
    let fleet = fleet();
    let before = fleet.rows();
    for route in ROUTES {
        let here = || ROUTES.iter().filter(|other| other.path == route.path);
        for method in
            ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND", "get", "X-9"]
        {
            if here().any(|other| other.method == method) {
                continue;
            }
            let answer = send(fleet.request("gus", method, &address(route)));
            answer.problem(405, "METHOD_NOT_ALLOWED");
            let allowed = answer.headers["allow"].to_str().unwrap();
            let allowed: Vec<&str> = allowed.split(", ").collect();
            let mut there: Vec<&str> = here().map(|other| other.method).collect();
            // What can be got can be asked about (RFC 9110 section 9.3.2).
            there.extend(there.contains(&"GET").then_some("HEAD"));
            assert_eq!(allowed, there);
        }
    }
    assert_eq!(fleet.rows(), before, "nothing is written");
}

/// A cursor is good as it was given, for its list and its organisation, and in no other form.
#[test]
fn no_cursor_is_made_up() {
    let fleet = fleet();
    let lists: Vec<String> = ROUTES
        .iter()
        .filter(|route| route.operation_id.starts_with("list_") && route.roles.is_some())
        .filter(|route| route.path != "/v1/rules")
        .map(address)
        .collect();
    let cursor =
        |list: &str| fleet.get("gus", &format!("{list}?limit=1")).expect(200)["next"].clone();
    let cursors: Vec<Option<String>> =
        lists.iter().map(|list| cursor(list).as_str().map(str::to_owned)).collect();
    assert!(cursors.iter().flatten().count() > 3);
    let refuse = |list: &str, cursor: &str| {
        let request = fleet.request("gus", "GET", list).query(&[("after", cursor)]);
        let problem = send(request).problem(400, "NOT_WELL_FORMED");
        assert_eq!(problem["fields"][0]["pointer"], "?after");
    };
    for (list, good) in lists.iter().zip(&cursors) {
        for junk in [
            "",
            " ",
            "0",
            "%00",
            "' OR 1=1 --",
            "../../etc/passwd",
            &"A".repeat(32),
            &"A".repeat(9000),
        ] {
            refuse(list, junk);
        }
        let Some(good) = good else { continue };
        for place in 0..good.len() {
            let other = if good[place..].starts_with('A') { "B" } else { "A" };
            let changed = [&good[..place], other, &good[place + 1..]].concat();
            refuse(list, &changed);
        }
        refuse(list, &good[1..]);
        refuse(list, &format!("{good}A"));
        for other in lists.iter().filter(|other| *other != list) {
            refuse(other, good);
        }
    }
}

#[test]
fn junk_in_addresses_and_headers_is_refused() {
    let fleet = fleet();
    let before = fleet.rows();
    for route in ROUTES.iter().filter(|route| route.path.contains('{')) {
        for junk in [
            "%00",
            "%ff%fe",
            "%2e%2e",
            "..%2f..",
            "'",
            "%22%20OR%201=1",
            "\u{1F6DE}",
            &"9".repeat(4000),
        ] {
            let (start, rest) = route.path.split_once('{').unwrap();
            let rest = rest.split_once('}').unwrap().1;
            let path = format!("{start}{junk}{rest}");
            let request = fleet.request("gus", route.method, &path).header("if-match", "*");
            let answer = send(request.header("content-type", taken_by(route)).body("{}"));
            let status = refused(&answer, &path);
            assert!([400, 404].contains(&status), "{path}: {status}");
        }
    }
    let casings = "/v1/casings";
    for query in [
        "%",
        "limit=%ff",
        "limit=1e400",
        "limit=-0",
        "brand=%00",
        "tag=%ff",
        "brand=a&brand=b",
        "&&=&",
        "standing=",
        "depot=0",
    ] {
        let answer = fleet.get("gus", &format!("{casings}?{query}"));
        assert!([200, 400].contains(&answer.status.as_u16()), "{query}: {}", answer.text);
    }
    let device = json!({"id": Uuid::now_v7(), "kind": "other"});
    for field in ["organisation", "login", "password"] {
        let mut wanted =
            json!({"organisation": "larkspur", "login": "gus", "password": "x", "device": device});
        wanted[field] = json!("\0");
        fleet.proofhold.post("/v1/sessions", &wanted).problem(401, "WRONG_CREDENTIALS");
    }
    let depot =
        json!({"id": Uuid::now_v7(), "body": {"name": "Elmford", "zone": "America/Chicago"}});
    for (name, value) in [
        ("device-time", &b"yesterday"[..]),
        ("device-time", b"\xff"),
        ("device-time", b"9999-99-99T99:99:99Z"),
        ("idempotency-key", b""),
        ("idempotency-key", b"\xff\xff"),
        ("idempotency-key", b"a b"),
        ("idempotency-key", &[b'k'; 6000]),
    ] {
        let request = fleet.request("gus", "POST", "/v1/depots").header(name, value).json(&depot);
        assert_eq!(refused(&send(request), name), 400, "{name}: {value:?}");
    }
    for token in ["", "x", "a.b.c", &"e".repeat(7000), "eyJhbGciOiJub25lIn0.e30."] {
        let request = fleet
            .proofhold
            .request("GET", casings)
            .header("authorization", format!("Bearer {token}"));
        assert_eq!(refused(&send(request), token), 401);
    }
    assert_eq!(fleet.rows(), before, "nothing is written");
}

/// What is no HTTP is no request: the connection is closed, and the next one is served.
#[test]
fn what_is_no_http_is_cut_off() {
    let fleet = fleet();
    for junk in [
        &b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"[..],
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /v1/casings HTTP/1.1\r\nHost: a\r\nBad Header\r\n\r\n",
        b"GET /v1/casings HTTP/1.1\r\nHost: a\r\nX: \0\r\n\r\n",
    ] {
        let mut stream = TcpStream::connect(fleet.proofhold.address()).unwrap();
        stream.write_all(junk).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        assert!(answer.is_empty() || answer.starts_with(b"HTTP/1.1 400 "), "{junk:?}");
    }
    send(fleet.proofhold.request("GET", "/readyz")).expect(200);
}
