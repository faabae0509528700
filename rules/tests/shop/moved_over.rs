//! A whole piece of work that was told of the wrong casing moves to the right one, entry by entry
//! in one request. No outside source: the ledger's own promise that no correction leaves a casing
//! where it cannot have been.

use crate::ledger::{Ledger, at, held, id, inspected, installed, mounted, released, stopped};
use rules::fold::casing::{Standing, Whereabouts};
use rules::fold::fold;
use rules::{Entry, Kind, Subject};
use serde_json::{Value, json};
use uuid::Uuid;

/// A and B were bought; B was mounted, held, released and installed, and all four entries were
/// sent for A. Gives their ids.
fn told_of_the_wrong_one(shop: &mut Ledger) -> [Uuid; 4] {
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"brand": "B"}});
    shop.must(Kind::Acquired, Subject::casing(id("B")), "07:00", acquired);
    shop.must(Kind::Inspected, Subject::casing(id("B")), "07:30", inspected(true));
    shop.released("A", "steel_radial", "W1");
    let casing = Subject::casing(id("A"));
    shop.must(Kind::Installed, casing, "09:30", installed("A", "1L"));
    let of = |kind: Kind| {
        let mut log = shop.log.iter();
        log.find(|entry| entry.subject == casing && entry.facts.kind() == kind).unwrap().id
    };
    [Kind::Mounted, Kind::Held, Kind::Released, Kind::Installed].map(of)
}

/// The facts with the brand number that is on B, for each of the four.
fn right_facts() -> [Value; 4] {
    [mounted("B", "W1"), held("B", "standard"), released("B"), installed("B", "1L")]
}

type Told = (Kind, Subject, chrono::DateTime<chrono::FixedOffset>, Value);

fn moving(wrong: &[Uuid; 4], which: &[usize]) -> Vec<Told> {
    let facts = right_facts();
    let command = |i: &usize| {
        let over = json!({"corrects": wrong[*i], "right_casing": id("B"), "facts": facts[*i],
            "reason": "the tire beside it"});
        (Kind::Corrected, Subject::casing(id("A")), at("14:00"), over)
    };
    which.iter().map(command).collect()
}

fn row_is_fold(shop: &Ledger) {
    for (subject, head) in &shop.all.heads {
        let of = shop.log.iter().filter(|entry| entry.subject == *subject);
        assert_eq!(fold(of, None), head.state, "{subject:?}");
    }
}

#[test]
fn a_whole_piece_of_work_moves_to_the_right_casing() {
    let mut shop = Ledger::shop();
    let wrong = told_of_the_wrong_one(&mut shop);
    let answers = shop.request(at("14:00"), moving(&wrong, &[0, 1, 2, 3]));
    for entries in &answers {
        assert_eq!(stopped(entries), Vec::<&str>::new());
        let added: Vec<(Kind, Subject)> =
            entries[1..].iter().map(|entry| (entry.facts.kind(), entry.subject)).collect();
        assert!(matches!(added[..], [(_, casing)] if casing.id == id("B")), "{added:?}");
    }
    let leans = |entries: &[Entry]| entries[0].basis.leans_on.len();
    assert_eq!(answers.iter().map(|one| leans(one)).collect::<Vec<_>>(), [3, 0, 0, 0]);
    let (a, b) = (shop.known("A"), shop.known("B"));
    assert_eq!((a.whereabouts, a.wheel, a.vehicle), (Whereabouts::Depot, None, None));
    assert_eq!((b.whereabouts, b.wheel), (Whereabouts::Vehicle, Some(id("W1"))));
    assert_eq!((a.standing, b.standing), (Standing::Serviceable, Standing::Serviceable));
    assert!(b.mounting.as_ref().unwrap().release.unwrap().stands, "its release came with it");
    row_is_fold(&shop);
}

/// What would stay behind does not find the casing where it needs it.
#[test]
fn half_of_it_does_not_move() {
    for which in [&[0][..], &[0, 1], &[0, 1, 2], &[1, 2, 3], &[3, 2, 1, 0]] {
        let mut shop = Ledger::shop();
        let wrong = told_of_the_wrong_one(&mut shop);
        let answers = shop.request(at("14:00"), moving(&wrong, which));
        assert_eq!(stopped(&answers[0])[0], "fact.order", "{which:?}");
        assert!(shop.known("A").driven_on(), "{which:?}");
        assert!(!shop.known("B").driven_on(), "{which:?}");
        row_is_fold(&shop);
    }
}

/// Another tire was put there afterwards: the right casing cannot have been there as long.
#[test]
fn a_place_that_another_has_is_not_moved_into() {
    let mut shop = Ledger::shop();
    let wrong = told_of_the_wrong_one(&mut shop);
    let casing = Subject::casing(id("A"));
    let off = json!({"found_psi": 100, "core_out_flat": true});
    shop.must(Kind::Removed, casing, "10:00", off);
    shop.must(Kind::Demounted, casing, "10:10", json!({}));
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"brand": "C"}});
    shop.must(Kind::Acquired, Subject::casing(id("C")), "10:20", acquired);
    shop.must(Kind::Inspected, Subject::casing(id("C")), "10:30", inspected(true));
    shop.must(Kind::Mounted, Subject::casing(id("C")), "10:40", mounted("C", "W1"));
    let answers = shop.request(at("14:00"), moving(&wrong, &[0, 1, 2, 3]));
    assert!(!answers[0][0].recorded(), "B would be on W1 when C came");
    row_is_fold(&shop);
}
