//! What is personal in an entry, destroyed on a legal order.
//!
//! Sources: Regulation (EU) 2016/679, Article 17(1) on erasure and (3)(e) on what is kept for
//! legal claims, from memory; the rest is the ledger's own promise.

use crate::ledger::{Ledger, at, id, inspected, stopped};
use rules::entry::{FormError, Outcome};
use rules::facts::amend::Erased;
use rules::{Command, Entry, Facts, Kind, Role, Subject, SubjectKind, World};
use serde_json::{Value, json};
use uuid::Uuid;

fn order(entry: Uuid) -> Value {
    json!({"entry": entry, "order": "District court, order 26-114"})
}

/// A tire at 08:00, and a note about it at 08:10.
fn noted() -> (Ledger, Uuid) {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let facts = json!({"psi": 100, "note": "call Bo at home"});
    let noted = shop.must(Kind::PressureRead, Subject::casing(id("A")), "08:10", facts);
    (shop, noted)
}

fn shown(entries: &[Entry]) -> (Vec<Uuid>, String) {
    match &entries[0].outcome {
        Outcome::Refused { reasons } => {
            (reasons[0].evidence.clone(), reasons[0].found.clone().unwrap_or_default())
        }
        Outcome::Recorded { .. } => panic!("{:?}", entries[0].facts),
    }
}

/// What is erased is gone once; the entry and what is known of its subject stay.
#[test]
fn an_entry_is_erased_once_and_counts_as_before() {
    let (mut shop, noted) = noted();
    let before = shop.known("A").clone();
    let erased = shop.casing(Kind::Erased, "A", "09:00", order(noted));
    assert_eq!((stopped(&erased).len(), erased.len()), (0, 1));
    assert_eq!(*shop.known("A"), before);
    let again = shop.casing(Kind::Erased, "A", "09:10", order(noted));
    assert_eq!(stopped(&again), ["fact.order"]);
    assert_eq!(shown(&again), (vec![erased[0].id], "That was erased already.".to_owned()));
}

/// An order for what says nothing personal names the wrong entry: whoever sent it is told.
#[test]
fn what_has_nothing_personal_is_not_erased() {
    let (mut shop, _) = noted();
    let plain = shop.casing(Kind::PressureRead, "A", "08:20", json!({"psi": 100}))[0].id;
    let refused = shop.casing(Kind::Erased, "A", "09:00", order(plain));
    assert_eq!(stopped(&refused), ["fact.order"]);
    assert_eq!(shown(&refused), (vec![], "Nothing personal is kept with that entry.".to_owned()));
}

/// A refusal's note and an erasure's own can be erased like any other.
#[test]
fn notes_of_refusals_and_of_orders_are_erased_too() {
    let (mut shop, noted) = noted();
    let facts = json!({"psi": 100, "note": "Bo saw it"});
    let (day_before, now) = (at("06:00"), at("08:30"));
    let a = Subject::casing(id("A"));
    let refused = shop.send(Kind::PressureRead, a, day_before, now, facts);
    assert_eq!(stopped(&refused), ["fact.time"]);
    shop.must(Kind::Erased, a, "09:00", order(refused[0].id));
    let mut with_note = order(noted);
    with_note["note"] = json!("asked for by Bo");
    let erasing = shop.must(Kind::Erased, a, "09:10", with_note);
    shop.must(Kind::Erased, a, "09:20", order(erasing));
}

/// Kept as evidence: Article 17(3)(e). An erasure said to have been made before is made now
/// all the same, and one that was refused cannot have happened.
#[test]
fn evidence_is_not_erased_whenever_it_is_said_to_have_been() {
    let (mut shop, noted) = noted();
    let a = Subject::casing(id("A"));
    let matter = json!({"matter": "burst", "held_by": "Elm & Rowe"});
    shop.must(Kind::Preserved, a, "09:00", matter);
    let refused = shop.casing(Kind::Erased, "A", "09:10", order(noted));
    assert_eq!(stopped(&refused), ["dispose.preserved"]);
    let earlier = shop.late(Kind::Erased, "A", "08:30", "09:20", order(noted));
    assert_eq!(stopped(&earlier), ["dispose.preserved"]);
    let happened = json!({"refusal": refused[0].id, "it_did_happen": true});
    assert_eq!(wrong(&shop, a, "resolved", happened), ["/facts/it_did_happen"]);
    shop.must(Kind::PreservationEnded, a, "10:00", json!({"reason": "closed"}));
    shop.must(Kind::Erased, a, "10:10", order(noted));
}

/// Where a command names something wrongly.
fn wrong(shop: &Ledger, subject: Subject, kind: &str, facts: Value) -> Vec<String> {
    let body = json!({"id": id("one"), "kind": kind, "occurred_at": at("12:00"),
        "subject": subject, "facts": facts});
    let command = Command::read(body.to_string().as_bytes()).unwrap();
    let world: World = shop.world_for(&[&command]);
    world.dangling(&command).into_iter().map(|field| field.pointer).collect()
}

/// An order names an entry of its own subject, and says which order it is.
#[test]
fn an_order_names_an_entry_of_its_subject() {
    let (mut shop, noted) = noted();
    let (a, t1) = (Subject::casing(id("A")), Subject::of(SubjectKind::Vehicle, id("T1")));
    assert_eq!(wrong(&shop, a, "erased", order(noted)), [""; 0]);
    assert_eq!(wrong(&shop, t1, "erased", order(noted)), ["/facts/entry"]);
    assert_eq!(wrong(&shop, a, "erased", order(id("nothing"))), ["/facts/entry"]);
    let erased = shop.must(Kind::Erased, a, "09:00", order(noted));
    let corrected = json!({"corrects": erased, "facts": order(noted), "reason": "other order"});
    assert_eq!(wrong(&shop, a, "corrected", corrected), ["/facts/corrects"]);
    let nameless = json!({"entry": noted, "order": ""});
    let body = json!({"id": id("one"), "kind": "erased", "occurred_at": at("12:00"),
        "subject": a, "facts": nameless});
    match Command::read(body.to_string().as_bytes()) {
        Err(FormError::Impossible(fields)) => assert_eq!(fields[0].pointer, "/facts/order"),
        other => panic!("{other:?}"),
    }
}

/// A later entry that tells of an earlier time is judged as if nothing had been erased.
#[test]
fn work_told_late_is_judged_as_before() {
    let (mut shop, noted) = noted();
    shop.casing(Kind::Erased, "A", "12:00", order(noted));
    let late = shop.late(Kind::PressureRead, "A", "08:30", "12:10", json!({"psi": 99}));
    assert_eq!(stopped(&late), [""; 0]);
    let off = shop.late(Kind::Demounted, "A", "09:00", "12:20", json!({}));
    assert_eq!(stopped(&off), [""; 0]);
    shop.must(Kind::Inspected, Subject::casing(id("A")), "12:30", inspected(true));
}

/// Only who gives people their accounts erases.
#[test]
fn only_an_admin_erases() {
    let facts = Erased { entry: id("one"), order: "7".to_owned() };
    let kind = Facts::Erased(facts).kind();
    for (role, may) in [
        (Role::Crew, false),
        (Role::Office, false),
        (Role::Manager, false),
        (Role::Auditor, false),
        (Role::Admin, true),
    ] {
        assert_eq!(role.may_write(kind), may, "{role:?}");
    }
}
