//! Charts: what is taken in, what is told of what is wrong, and which one is in force.

use crate::ledger::{Ledger, at, chart, id, stopped};
use rules::entry::{FormError, Outcome};
use rules::facts::Field;
use rules::facts::chart::{ChartKind, Rows};
use rules::{Command, Entry, Kind, Quantity, Subject, SubjectKind};
use serde_json::{Value, json};

/// Where something is wrong in a chart of these rows.
fn wrong(rows: Value) -> Vec<String> {
    let body = json!({"id": id("an entry"), "kind": "registered",
        "subject": {"kind": "chart", "id": id("a chart")}, "occurred_at": at("08:00"),
        "facts": chart("A chart", rows)});
    match Command::read(body.to_string().as_bytes()) {
        Ok(_) => Vec::new(),
        Err(FormError::Impossible(fields)) => fields.into_iter().map(|f| f.pointer).collect(),
        Err(FormError::Malformed(field)) => vec![format!("malformed {}", field.pointer)],
    }
}

fn step(psi: f64, load_lb: u32) -> Value {
    json!({"size": "295/75R22.5", "load_range": "G", "fitment": "dual", "psi": psi,
        "load_lb": load_lb, "evidence": "seen"})
}

/// Common practice, no published source: a row stands once, and no two rows contradict each
/// other; a tire carries no less with more air. RFC 6901 for the places.
#[test]
fn all_that_is_wrong_in_a_chart_is_told_at_once() {
    assert_eq!(wrong(json!({"load_inflation": [step(100.0, 5520), step(110.0, 5675)]})), [""; 0]);
    let rows = [step(100.0, 5520), step(201.0, 5675), step(100.0, 5520), step(100.0, 5521)];
    let places = ["1/psi", "2", "3"].map(|place| format!("/facts/rows/load_inflation/{place}"));
    assert_eq!(wrong(json!({"load_inflation": rows})), places);
    let falling = json!({"load_inflation": [step(100.0, 5520), step(105.0, 5500)]});
    assert_eq!(wrong(falling), ["/facts/rows/load_inflation/1"]);
    let level = json!({"load_inflation": [step(100.0, 5520), step(105.0, 5520), step(95.0, 5520)]});
    assert_eq!(wrong(level), [""; 0]);
    let mut single = step(100.0, 9000);
    single["fitment"] = json!("single");
    assert_eq!(wrong(json!({"load_inflation": [step(100.0, 5520), single]})), [""; 0]);
    assert_eq!(wrong(json!({"load_inflation": []})), ["/facts/rows/load_inflation"]);
    let many: Vec<Value> = (0..1001).map(|n| part(&format!("B{n}"), "S", None)).collect();
    assert_eq!(wrong(json!({"rim_parts": many})), ["/facts/rows/rim_parts"]);
    assert_eq!(wrong(json!({"rim_parts": many[..1000]})), [""; 0]);
}

fn part(base: &str, side_ring: &str, lock_ring: Option<&str>) -> Value {
    json!({"base": base, "side_ring": side_ring, "lock_ring": lock_ring})
}

/// 29 CFR 1910.177(b): a multi-piece wheel has a base and either side ring or locking ring, or
/// both; that one side ring on one base both needs a lock ring and locks itself cannot be.
#[test]
fn parts_belong_together_in_one_way() {
    let rows = |rows: &[Value]| wrong(json!({"rim_parts": rows}));
    let (two, three) = (part("B", "S", None), part("B", "S", Some("L")));
    assert_eq!(rows(&[three.clone(), part("B", "S", Some("L2"))]), [""; 0]);
    assert_eq!(rows(&[two.clone(), part("B", "S2", None)]), [""; 0]);
    assert_eq!(rows(&[two, three.clone()]), ["/facts/rows/rim_parts/1"]);
    assert_eq!(rows(&[three.clone(), three]), ["/facts/rows/rim_parts/1"]);
    let unreadable = json!([{"base": "B", "side_ring": 5}]);
    assert_eq!(
        wrong(json!({"rim_parts": unreadable})),
        ["malformed /facts/rows/rim_parts/0/side_ring"]
    );
    let strange = json!([{"base": "B", "side_ring": "S", "ring": "L"}]);
    assert_eq!(wrong(json!({"rim_parts": strange})), ["malformed /facts/rows/rim_parts/0/ring"]);
}

fn told(kind: ChartKind, file: &str) -> Vec<(String, String)> {
    let told = |field: Field| (field.pointer, field.say);
    Rows::read(kind, file.as_bytes()).unwrap_err().into_iter().map(told).collect()
}

/// RFC 4180 for the file. All that is wrong comes at once, by line, row and column.
#[test]
fn a_file_is_read_or_told_what_is_wrong_in_it() {
    let good = "\u{feff}size,fitment,psi,load_lb,load_range,evidence,source\r\n\
        295/75R22.5,dual,100,5520.5,,memory,\r\n\
        \"10.00R20 (16PR, 146/143)\",dual,120,6010,H,seen,\"a table, its second page\"\r\n";
    let Ok(Rows::LoadInflation(rows)) = Rows::read(ChartKind::LoadInflation, good.as_bytes())
    else {
        panic!("a good file is read");
    };
    assert_eq!(rows[0].load_lb, Quantity::from_hundredths(552_050));
    assert_eq!((rows[0].load_range.as_deref(), rows[1].load_range.as_deref()), (None, Some("H")));
    assert_eq!(rows[1].size, "10.00R20 (16PR, 146/143)");
    let bad = "size,fitment,psi,load_lb,evidence\n\
        A,dual,100,5520,seen\n\
        A,dual,1e2,\"5,520\",seen\n\
        A,both,100.005,5520,\n\
        A,dual,100,5520,seen\n\
        A,dual\n\
        A,dual,100,5530,memory\n\
        A,dual,201,99,seen\n";
    let places: Vec<String> =
        told(ChartKind::LoadInflation, bad).into_iter().map(|(place, _)| place).collect();
    let expected = [
        "/1/psi",
        "/1/load_lb",
        "/2/fitment",
        "/2/psi",
        "/2/evidence",
        "/3",
        "/4",
        "/5",
        "/6/psi",
        "/6/load_lb",
        "/6",
    ];
    assert_eq!(places, expected);
    let say = &told(ChartKind::LoadInflation, bad)[7].1;
    assert_eq!(say, "Line 7: It contradicts line 2. Look both up and leave one out.");
}

/// Columns in any order; a wrong one is named, and one that is missing, before any row is read.
#[test]
fn the_columns_of_a_file_are_those_of_its_kind() {
    let told = told(ChartKind::RimParts, "base,ring,base\nB,S,B\n");
    let says: Vec<&str> = told.iter().map(|(_, say)| say.as_str()).collect();
    assert_eq!(
        says,
        [
            "Line 1: No column is called \"ring\". There are base, side_ring, lock_ring.",
            "Line 1: The column base stands there twice.",
            "Line 1: The column side_ring is missing.",
        ]
    );
    let read = |file: &str| Rows::read(ChartKind::RimParts, file.as_bytes());
    assert_eq!(
        read("lock_ring,side_ring,base\nL,S,B\n"),
        read("base,side_ring,lock_ring\nB,S,L\n")
    );
    assert_eq!(read("side_ring,base\nS,B\n"), read("base,side_ring,lock_ring\nB,S,\n"));
    assert!(Rows::read(ChartKind::RimParts, b"base,side_ring\nB,\xff\n").is_err());
    assert!(read("").is_err());
}

fn limit(place: &str, size: u32, most: Option<u32>) -> Value {
    json!({"repair": "ply", "place": place, "size_32nds": size, "most": most})
}

fn stock(shop: &mut Ledger) -> Subject {
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"brand": "A"}});
    shop.must(Kind::Acquired, Subject::casing(id("A")), "07:00", acquired);
    Subject::casing(id("A"))
}

fn repaired(place: &str, size: u32) -> Value {
    json!({"repair": "ply", "place": place, "size_32nds": size})
}

fn evidence(entries: &[Entry]) -> Vec<uuid::Uuid> {
    match &entries[0].outcome {
        Outcome::Refused { reasons } => reasons[0].evidence.clone(),
        recorded => panic!("{recorded:?}"),
    }
}

/// JSON Schema 2020-12 section 6.1.1: 2.0 is a whole number.
#[test]
fn repairs_are_counted_in_whole_numbers() {
    let most = |most: Value| {
        let row = json!({"repair": "ply", "place": "crown", "size_32nds": 40, "most": most});
        wrong(json!({"repair_limits": [row]}))
    };
    for good in [json!(1), json!(2.0), json!(100), Value::Null] {
        assert_eq!(most(good), [""; 0]);
    }
    for bad in [json!(0), json!(1.5), json!(101)] {
        assert_eq!(most(bad), ["/facts/rows/repair_limits/0/most"]);
    }
}

/// Tire makers' repair manuals: section limits are those of the chart at hand; no chart makes a
/// nail hole of more than 3/8 inch, or anything at the bead, a repair.
#[test]
fn repairs_are_judged_by_the_chart_in_force() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop);
    let rows = json!([limit("crown", 60, Some(1)), limit("bead", 60, None),
        {"repair": "nail_hole", "place": "crown", "size_32nds": 20}]);
    shop.register_chart("repairs", json!({"repair_limits": rows}));
    let in_force = shop.log.last().unwrap().id;
    let larger = shop.casing(Kind::Repaired, "A", "08:00", repaired("crown", 61));
    assert_eq!((stopped(&larger), evidence(&larger)), (vec!["repair.limits"], vec![in_force]));
    assert!(larger[0].basis.entries.contains(&in_force));
    let unlisted = shop.casing(Kind::Repaired, "A", "08:01", repaired("sidewall", 4));
    assert_eq!((stopped(&unlisted), evidence(&unlisted)), (vec!["repair.limits"], vec![in_force]));
    let bead = shop.casing(Kind::Repaired, "A", "08:02", repaired("bead", 4));
    assert_eq!(stopped(&bead), ["repair.limits"]);
    let nail = json!({"repair": "nail_hole", "place": "crown", "size_32nds": 13});
    assert_eq!(stopped(&shop.casing(Kind::Repaired, "A", "08:03", nail)), ["repair.limits"]);
    let first = shop.must(Kind::Repaired, a, "08:10", repaired("crown", 60));
    let second = shop.casing(Kind::Repaired, "A", "08:20", repaired("crown", 10));
    assert_eq!((stopped(&second), evidence(&second)), (vec!["repair.limits"], vec![first]));
}

/// The ledger's own promise: work is judged by the chart in force when it was done, whenever it
/// is told; a chart stays of its kind.
#[test]
fn a_chart_is_in_force_from_its_own_time() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop);
    shop.register_chart("repairs", json!({"repair_limits": [limit("crown", 40, Some(9))]}));
    let subject = Subject::of(SubjectKind::Chart, id("repairs"));
    let tighter = chart("repairs", json!({"repair_limits": [limit("crown", 30, Some(9))]}));
    shop.must(Kind::Changed, subject, "09:00", tighter);
    let late = shop.late(Kind::Repaired, "A", "08:59", "09:10", repaired("crown", 40));
    assert_eq!(stopped(&late), [""; 0]);
    let now = shop.casing(Kind::Repaired, "A", "09:20", repaired("crown", 40));
    assert_eq!(stopped(&now), ["repair.limits"]);
    shop.must(Kind::Repaired, a, "09:21", repaired("crown", 30));
    let other = chart("repairs", json!({"rim_parts": [part("B", "S", None)]}));
    let body = json!({"id": id("other kind"), "kind": "changed", "subject": subject,
        "occurred_at": at("10:00"), "facts": other});
    let command = Command::read(body.to_string().as_bytes()).unwrap();
    let wrong: Vec<String> = shop.all.dangling(&command).into_iter().map(|f| f.pointer).collect();
    assert_eq!(wrong, ["/facts/rows"]);
}
