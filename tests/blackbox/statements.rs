//! What a request costs in statements, as PostgreSQL's own log counts them.
//!
//! No outside source: the numbers are the service's own, so that a change of them is seen.

use crate::fleet::Fleet;
use crate::script::id;
use rules::Subject;
use serde_json::{Value, json};

/// A fleet with a casing in its depot, C, and one on a vehicle, V; its statements are logged.
fn fleet() -> Fleet {
    let fleet = Fleet::given(json!({"casings": {
        "C": {"model": "merrow-295g", "brand": "LK-1", "state": "inspected"},
        "V": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"}}}));
    fleet.proofhold.database.log_statements();
    fleet
}

/// The statements of a piece of work that was done before.
fn statements(fleet: &Fleet, work: impl Fn()) -> Vec<String> {
    work();
    let before = fleet.proofhold.database.statements().len();
    work();
    let statements = fleet.proofhold.database.statements().split_off(before);
    println!("{statements:#?}");
    statements
}

/// An entry in the yard reads the casing, its depot and its model, the sender and the policy;
/// one on a vehicle reads the axle and what hangs on it too.
#[test]
fn an_append_costs_so_many() {
    let fleet = fleet();
    let append = |kind: &str, casing: &str, facts: Value| {
        let post = || {
            let entry = fleet.entry(kind, Subject::casing(id(casing)), facts.clone());
            fleet.post("ada", "/v1/entries", &entry).expect(201);
        };
        statements(&fleet, post).len()
    };
    let yard = append("tread_read", "C", json!({"grooves_32nds": [[15, 15.5, 15]]}));
    let vehicle = append("pressure_read", "V", json!({"psi": 100}));
    assert_eq!((yard, vehicle), (11, 12));
}

/// Who reads again within a second is not looked up again.
#[test]
fn a_read_costs_so_many() {
    let fleet = fleet();
    let read = |path: &str| {
        let asked = statements(&fleet, || drop(fleet.get("ada", path).expect(200)));
        asked.iter().filter(|statement| !statement.contains("session_role")).count()
    };
    let casing = format!("/v1/casings/{}", id("C"));
    let (one, history) = (read(&casing), read(&format!("{casing}/history?limit=50")));
    assert_eq!((one, history), (1, 1));
}
