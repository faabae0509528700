//! Charts sent as files: loaded whole, or told what is wrong in them.

use crate::fleet::Fleet;
use crate::proofhold::{Answer, send};
use crate::script::id;
use rules::Subject;
use serde_json::{Value, json};
use uuid::Uuid;

const PARTS: &str = "base,side_ring,lock_ring\nLB-20-75,LS-20,LK-20\nLB-20-80,LS-21,\n";

/// Sends a file as this chart, of this kind and edition.
fn put(fleet: &Fleet, chart: Uuid, kind: &str, edition: &str, file: &str) -> Answer {
    put_with(fleet, chart, kind, edition, file, &[])
}

fn put_with(
    fleet: &Fleet,
    chart: Uuid,
    kind: &str,
    edition: &str,
    file: &str,
    headers: &[(&str, &str)],
) -> Answer {
    let query =
        [("kind", kind), ("name", "A chart"), ("document", "its document"), ("edition", edition)];
    let request = fleet.request("cora", "PUT", &format!("/v1/charts/{chart}")).query(&query);
    let request = request.header("Content-Type", "text/csv").body(file.to_owned());
    send(headers.iter().fold(request, |request, (name, value)| request.header(*name, *value)))
}

fn etag(answer: &Answer) -> String {
    answer.headers["etag"].to_str().unwrap().to_owned()
}

/// RFC 4180 for the file; RFC 9110 section 9.3.4 for 200 and 201, sections 13.1.1 and RFC 6585
/// section 3 for 412 and 428.
#[test]
fn a_file_becomes_a_chart_and_its_next_edition() {
    let fleet = Fleet::given(json!({}));
    let chart = Uuid::now_v7();
    let first = put(&fleet, chart, "rim_parts", "2025", PARTS);
    let etag_1 = etag(&first);
    let shown = first.expect(201);
    let rows = json!({"rim_parts": [{"base": "LB-20-75", "side_ring": "LS-20", "lock_ring": "LK-20"},
        {"base": "LB-20-80", "side_ring": "LS-21"}]});
    assert_eq!(shown["body"]["rows"], rows);
    assert_eq!(shown["body"]["source"], json!({"document": "its document", "edition": "2025"}));
    assert_eq!(fleet.get("ada", &format!("/v1/charts/{chart}")).expect(200), shown);
    let before = fleet.rows();
    let next = "lock_ring,side_ring,base\r\nLK-22,LS-22,LB-22\r\n";
    let again =
        |headers: &[(&str, &str)]| put_with(&fleet, chart, "rim_parts", "2026", next, headers);
    again(&[]).problem(428, "PRECONDITION_REQUIRED");
    again(&[("If-Match", "\"7\"")]).problem(412, "PRECONDITION_FAILED");
    let absent = put_with(&fleet, Uuid::now_v7(), "rim_parts", "2026", next, &[("If-Match", "*")]);
    absent.problem(412, "PRECONDITION_FAILED");
    // A chart stays of its kind.
    let limits = "repair,place,size_32nds\nply,crown,40\n";
    let other = put_with(&fleet, chart, "repair_limits", "1", limits, &[("If-Match", "*")]);
    assert_eq!(other.problem(422, "IMPOSSIBLE")["fields"][0]["pointer"], "?kind");
    assert_eq!(fleet.rows(), before, "nothing is stored");
    let keyed = [("If-Match", etag_1.as_str()), ("Idempotency-Key", "next")];
    let changed = again(&keyed).expect(200);
    assert_eq!(changed["body"]["source"]["edition"], "2026");
    assert_eq!(changed["body"]["rows"]["rim_parts"][0]["base"], "LB-22");
    let stored = fleet.rows();
    assert_eq!(again(&keyed).expect(200), changed, "sent again, it is the same");
    assert_eq!(fleet.rows(), stored);
    let reused = put_with(&fleet, chart, "rim_parts", "2026", PARTS, &keyed);
    assert_eq!(reused.status, 422);
    fleet.stands();
}

/// RFC 7396: a patch merges objects, so that the rows of another kind would stand beside the
/// chart's own.
#[test]
fn a_patch_replaces_the_rows_of_a_chart() {
    let fleet = Fleet::given(json!({}));
    let chart = Uuid::now_v7();
    put(&fleet, chart, "rim_parts", "2025", PARTS).expect(201);
    let patch = |rows: Value| {
        let request = fleet.request("cora", "PATCH", &format!("/v1/charts/{chart}"));
        send(request.header("If-Match", "*").json(&json!({"rows": rows})))
    };
    let before = fleet.rows();
    let limits = json!([{"repair": "ply", "place": "crown", "size_32nds": 40}]);
    let other = patch(json!({"repair_limits": limits})).problem(422, "IMPOSSIBLE");
    assert_eq!(other["fields"][0]["pointer"], "/rows");
    let parts = json!([{"base": "B", "side_ring": "S"}]);
    for rows in [
        json!({}),
        json!({"rim_parts": null}),
        json!({"repair_limits": null}),
        json!({"rim_parts": parts, "repair_limits": limits}),
        json!({"rings": parts}),
    ] {
        patch(rows).problem(400, "NOT_WELL_FORMED");
    }
    assert_eq!(fleet.rows(), before, "nothing is stored");
    let changed = patch(json!({"rim_parts": parts})).expect(200);
    assert_eq!(changed["body"]["rows"], json!({"rim_parts": parts}));
    assert_eq!(changed["body"]["source"]["edition"], "2025");
}

/// No outside source: all that is wrong is told at once, and nothing of the file is loaded.
#[test]
fn a_file_with_faults_is_told_all_of_them() {
    let fleet = Fleet::given(json!({}));
    let before = fleet.rows();
    let file = "size,load_range,fitment,psi,load_lb,evidence,source\n\
        295/75R22.5,G,dual,100,5520,seen,\n\
        295/75R22.5,G,dual,one hundred,5675,sworn,\n\
        295/75R22.5,G,dual,100,5520,seen,\n\
        295/75R22.5,G,dual,100,5525,seen,\n\
        295/75R22.5,G,dual,201,5800,memory,\n\
        295/75R22.5,G,dual\n";
    let told = put(&fleet, Uuid::now_v7(), "load_inflation", "2025", file);
    let told = told.problem(422, "IMPOSSIBLE");
    let fields: Vec<(&str, &str)> = told["fields"]
        .as_array()
        .unwrap()
        .iter()
        .map(|field| (field["pointer"].as_str().unwrap(), field["say"].as_str().unwrap()))
        .collect();
    assert_eq!(
        fields,
        [
            (
                "/1/psi",
                "Line 3, psi: A number with at most two decimals is expected, not \"one hundred\"."
            ),
            ("/1/evidence", "Line 3, evidence: One of seen, memory is expected, not \"sworn\"."),
            ("/2", "Line 4: That is in line 2 already. Leave one of them out."),
            ("/3", "Line 5: It contradicts line 2. Look both up and leave one out."),
            ("/4/psi", "Line 6, psi: 201 cannot be. From 0 to 200 psi is expected."),
            ("/5", "Line 7: 7 values are expected, 3 are there."),
        ]
    );
    let columns = put(&fleet, Uuid::now_v7(), "rim_parts", "2025", "base,ring\nB,R\n");
    let columns = columns.problem(422, "IMPOSSIBLE");
    assert_eq!(columns["fields"].as_array().unwrap().len(), 2, "{columns}");
    let empty = put(&fleet, Uuid::now_v7(), "rim_parts", " ", "base,side_ring\n");
    let empty = empty.problem(422, "IMPOSSIBLE");
    let places = empty["fields"].as_array().unwrap().iter().map(|field| &field["pointer"]);
    assert_eq!(places.collect::<Vec<_>>(), ["?edition", ""]);
    // As many faults as a chart has rows are all named.
    let many = format!("base,side_ring\n{}", ",S\n".repeat(1000));
    let many = put(&fleet, Uuid::now_v7(), "rim_parts", "2025", &many).problem(422, "IMPOSSIBLE");
    assert_eq!(many["fields"].as_array().unwrap().len(), 1000);
    put(&fleet, Uuid::now_v7(), "tires", "2025", PARTS).problem(400, "NOT_WELL_FORMED");
    assert_eq!(fleet.rows(), before, "nothing is stored");
}

/// 29 CFR 1910.177(e)(1), (d)(5): parts are put together by the current chart, here one that came
/// as a file and is in force from its own time.
#[test]
fn work_is_judged_by_the_file_in_force_then() {
    let fleet = Fleet::given(json!({"casings": {"A": {"model": "osier-1000r20",
        "brand": "LK-1", "state": "inspected"}}}));
    let chart = Uuid::now_v7();
    let now = fleet.proofhold.now();
    let mount = |fleet: &Fleet| {
        let tube = json!({"size": "10.00R20", "radial": true, "new": true});
        let facts = json!({"wheel": id("M1"), "read": {"brand": "LK-1"}, "place": "cage",
            "cage": id("K1"), "seat_psi": 30, "to_psi": 95, "tube": tube, "flap": tube,
            "parts": {"base": "B", "side_ring": "S"}});
        let entry = fleet.entry("mounted", Subject::casing(id("A")), facts);
        fleet.post("ada", "/v1/entries", &entry)
    };
    let rules = |answer: Answer| -> Value {
        answer.problem(409, "REFUSED")["rules"].as_array().unwrap()[0]["id"].clone()
    };
    assert_eq!(rules(mount(&fleet)), "mount.parts");
    put(&fleet, chart, "rim_parts", "2026", "base,side_ring\nB,S\n").expect(201);
    fleet.proofhold.set_clock(now + chrono::TimeDelta::minutes(10));
    let mounted = mount(&fleet).expect(201);
    let named = mounted["basis"]["entries"].as_array().unwrap();
    let shown = fleet.get("ada", &format!("/v1/charts/{chart}")).expect(200);
    assert!(named.contains(&shown["entry"]), "{mounted}");
    fleet.stands();
}
