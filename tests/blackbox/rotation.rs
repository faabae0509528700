//! Tires that change places on a vehicle, all in one request.
//!
//! Sources: PostgreSQL manual, "SET CONSTRAINTS": a deferred constraint is asked
//! when the transaction ends. That tires are rotated so is common practice.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::script::id;
use rules::entry::Sender;
use rules::{Command, Subject};
use serde_json::{Value, json};
use store::record::{Answer, Request, Sent, record};

/// Six of the eight drive tires of a tractor.
const PLACES: [(&str, &str); 6] =
    [("A", "2LO"), ("B", "2LI"), ("C", "2RI"), ("D", "2RO"), ("E", "3RO"), ("F", "3LO")];

fn brand(i: usize) -> String {
    format!("LK-{}", i + 1)
}

fn fleet() -> Fleet {
    let mut casings = json!({});
    for (i, (name, position)) in PLACES.iter().enumerate() {
        casings[name] = json!({"model": "merrow-295g", "brand": brand(i), "state": "installed",
            "wheel": format!("W{}", i + 1), "vehicle": "T1", "position": position});
    }
    Fleet::given(json!({ "casings": casings }))
}

/// All come off, and each goes where the next one was.
fn rotation(fleet: &Fleet) -> Request {
    let removed = PLACES.iter().map(|(name, _)| {
        let facts = json!({"found_psi": 100, "core_out_flat": false});
        fleet.entry("removed", Subject::casing(id(name)), facts)
    });
    let installed = PLACES.iter().enumerate().map(|(i, (name, _))| {
        let facts = json!({"read": {"brand": brand(i)}, "vehicle": id("T1"),
            "position": PLACES[(i + 1) % 6].1, "torque_ft_lb": 475,
            "grooves_32nds": [[14, 14]], "damage": []});
        fleet.entry("installed", Subject::casing(id(name)), facts)
    });
    let sent = |entry: Value| {
        let command = Command::read(entry.to_string().as_bytes()).unwrap();
        let own = *command.id.as_bytes();
        Sent { command, content: [own, own].concat().try_into().unwrap() }
    };
    let commands = removed.chain(installed).map(sent).collect();
    Request { sender: Sender { person: id("ada"), sent_at: None }, commands }
}

#[test]
fn six_tires_rotate_in_one_request() {
    let fleet = fleet();
    let (org, now) = (id("larkspur"), fleet.proofhold.now());
    let requests = [rotation(&fleet)];
    let work = async |conn: &mut _| record(conn, org, now, &requests).await;
    let answers = wait(fleet.proofhold.store.in_org(org, work)).unwrap().remove(0);
    assert_eq!(answers.len(), 12);
    for (answer, sent) in answers.iter().zip(&requests[0].commands) {
        let Answer::Decided(entries) = answer else { panic!("{answer:?}") };
        assert_eq!(entries.len(), 1, "the ledger added nothing: {entries:?}");
        assert!(entries[0].recorded(), "{:?}", entries[0]);
        assert_eq!(entries[0].id, sent.command.id);
    }
    for (i, (name, _)) in PLACES.iter().enumerate() {
        let casing = fleet.get("vera", &format!("/v1/casings/{}", id(name))).expect(200);
        assert_eq!(casing["position"], PLACES[(i + 1) % 6].1, "{name}");
        assert_eq!(casing["vehicle"], json!(id("T1")), "{name}");
    }
    fleet.stands();
    // Sent again it is the same rotation.
    let again = wait(fleet.proofhold.store.in_org(org, work)).unwrap().remove(0);
    assert_eq!(again, answers);
}

/// The constraint that let the rotation pass speaks at the end of a transaction that leaves two
/// tires at one position, whatever the rules said.
#[test]
fn two_tires_at_one_position_end_no_transaction() {
    let fleet = fleet();
    let superuser = fleet.proofhold.database.superuser();
    let put = |name: &str, position: &str| {
        let state = format!("jsonb_set(state, '{{position}}', '\"{position}\"')");
        let update = format!("UPDATE subject SET state = {state} WHERE id = '{}'", id(name));
        wait(superuser.batch_execute(&update)).unwrap();
    };
    wait(superuser.batch_execute("BEGIN")).unwrap();
    put("A", "2LI");
    let error = wait(superuser.batch_execute("COMMIT")).unwrap_err();
    let constraint = error.as_db_error().and_then(|error| error.constraint());
    assert_eq!(constraint, Some("casing_at_position"));
    // An exchange passes.
    wait(superuser.batch_execute("BEGIN")).unwrap();
    put("A", "2LI");
    put("B", "2LO");
    wait(superuser.batch_execute("COMMIT")).unwrap();
}
