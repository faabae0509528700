//! Scrapped, cut, recalled, kept as evidence, and gone.

use crate::ledger::{Ledger, held, id, inspected, installed, mounted, released, stopped};
use rules::fold::casing::{Standing, Whereabouts};
use rules::{Kind, Subject};
use serde_json::{Value, json};

/// A new casing at the depot since 07:00.
fn stock(shop: &mut Ledger, name: &str) -> Subject {
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"brand": name}});
    shop.must(Kind::Acquired, Subject::casing(id(name)), "07:00", acquired);
    Subject::casing(id(name))
}

fn cut() -> Value {
    json!({"cut": "both beads", "photo": "p1.jpg", "witness": id("bo")})
}

fn gone(how: &str) -> Value {
    json!({"how": how, "to": "Copse"})
}

/// OSHA's charts: a scrapped tire is made unusable. Common practice, no published source:
/// it leaves only cut, and as scrap; only scrap is cut.
#[test]
fn scrap_leaves_cut_and_as_scrap() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    assert_eq!(stopped(&shop.casing(Kind::MadeUnusable, "A", "08:00", cut())), ["fact.order"]);
    // What is not cut does not leave as scrap, whatever its standing.
    assert_eq!(
        stopped(&shop.casing(Kind::Disposed, "A", "08:05", gone("scrap"))),
        ["dispose.scrap"]
    );
    shop.must(Kind::Scrapped, a, "08:10", json!({"reason": "run_flat"}));
    for how in ["scrap", "sold", "leased", "to_maker"] {
        let refused = shop.casing(Kind::Disposed, "A", "08:20", gone(how));
        assert_eq!(stopped(&refused), ["dispose.scrap"], "{how}");
    }
    shop.must(Kind::MadeUnusable, a, "08:30", cut());
    assert_eq!(stopped(&shop.casing(Kind::MadeUnusable, "A", "08:40", cut())), ["fact.order"]);
    assert_eq!(
        stopped(&shop.casing(Kind::Disposed, "A", "08:50", gone("sold"))),
        ["dispose.scrap"]
    );
    shop.must(Kind::Disposed, a, "09:00", gone("scrap"));
    assert_eq!(shop.known("A").whereabouts, Whereabouts::Gone);
    for (kind, facts) in [
        (Kind::Inspected, inspected(true)),
        (Kind::Disposed, gone("scrap")),
        (Kind::Missing, json!({})),
        (Kind::Preserved, json!({"matter": "claim", "held_by": "office"})),
        (Kind::TreadRead, json!({"grooves_32nds": [[5]]})),
    ] {
        assert_eq!(stopped(&shop.casing(kind, "A", "09:30", facts)), ["fact.order"], "{kind:?}");
    }
}

/// A scrapped tire is flat and off the wheel before it is cut: common practice, no
/// published source.
#[test]
fn nothing_is_cut_on_a_wheel() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let a = Subject::casing(id("A"));
    shop.must(Kind::Scrapped, a, "08:10", json!({"reason": "run_flat"}));
    assert_eq!(stopped(&shop.casing(Kind::MadeUnusable, "A", "08:20", cut())), ["fact.order"]);
    shop.must(Kind::Demounted, a, "08:30", json!({}));
    shop.must(Kind::MadeUnusable, a, "08:40", cut());
}

/// 49 CFR 573.12: neither sold nor leased before it is remedied. To its maker it may go.
#[test]
fn a_recall_stops_use_and_sale_until_each_is_remedied() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    shop.must(Kind::Inspected, a, "07:30", inspected(true));
    let campaign = |name: &str| json!({"campaign": name});
    let remedy = |name: &str| json!({"campaign": name, "remedy": "checked by the maker"});
    shop.must(Kind::Recalled, a, "08:00", campaign("26T-014"));
    shop.must(Kind::Recalled, a, "08:01", campaign("26T-031"));
    let again = shop.casing(Kind::Recalled, "A", "08:02", campaign("26T-014"));
    assert_eq!(stopped(&again), ["fact.order"]);
    for how in ["sold", "leased"] {
        let refused = shop.casing(Kind::Disposed, "A", "08:10", gone(how));
        assert_eq!(stopped(&refused), ["dispose.recalled"], "{how}");
    }
    let mount = |shop: &mut Ledger, clock: &str| {
        let entries = shop.casing(Kind::Mounted, "A", clock, mounted("A", "W1"));
        stopped(&entries).iter().map(|rule| (*rule).to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(mount(&mut shop, "08:20"), ["mount.standing"]);
    assert_eq!(
        stopped(&shop.casing(Kind::Remedied, "A", "08:25", remedy("26T-999"))),
        ["fact.order"]
    );
    shop.must(Kind::Remedied, a, "08:30", remedy("26T-014"));
    assert_eq!(mount(&mut shop, "08:40"), ["mount.standing"]);
    shop.must(Kind::Remedied, a, "08:50", remedy("26T-031"));
    assert_eq!(mount(&mut shop, "09:00"), [""; 0]);
    let b = stock(&mut shop, "B");
    shop.must(Kind::Recalled, b, "09:10", campaign("26T-014"));
    shop.must(Kind::Disposed, b, "09:20", gone("to_maker"));
}

/// Common practice, no published source: evidence is neither used nor destroyed before the
/// last of its matters ends.
#[test]
fn evidence_is_kept_until_each_matter_ends() {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    let a = Subject::casing(id("A"));
    let matter = |name: &str| json!({"matter": name, "held_by": "Elm & Rowe"});
    shop.must(Kind::Preserved, a, "09:10", matter("burst"));
    shop.must(Kind::Preserved, a, "09:11", matter("claim"));
    let twice = shop.casing(Kind::Preserved, "A", "09:12", matter("claim"));
    assert_eq!(stopped(&twice), ["fact.order"]);
    let refused = shop.casing(Kind::Installed, "A", "09:20", installed("A", "1L"));
    assert_eq!(stopped(&refused), ["mount.standing"]);
    for (kind, facts) in [(Kind::Held, held("A", "standard")), (Kind::Released, released("A"))] {
        assert_eq!(stopped(&shop.casing(kind, "A", "09:30", facts)), ["mount.standing"]);
    }
    let refused = shop.casing(Kind::Disposed, "A", "09:35", gone("sold"));
    assert_eq!(stopped(&refused), ["dispose.preserved"]);
    let ended = |matter: Option<&str>| json!({"matter": matter, "reason": "closed"});
    for wrong in [None, Some("theft")] {
        let refused = shop.casing(Kind::PreservationEnded, "A", "09:40", ended(wrong));
        assert_eq!(stopped(&refused), ["fact.order"], "{wrong:?}");
    }
    shop.must(Kind::PreservationEnded, a, "09:50", ended(Some("burst")));
    let refused = shop.casing(Kind::Installed, "A", "10:00", installed("A", "1L"));
    assert_eq!(stopped(&refused), ["mount.standing"]);
    shop.must(Kind::PreservationEnded, a, "10:10", ended(None));
    shop.must(Kind::Installed, a, "10:20", installed("A", "1L"));
}

/// Common practice, no published source: a doubt is declared to whoever gets the casing,
/// unless it is cut. A casing sold on its vehicle leaves the position free.
#[test]
fn a_doubt_goes_with_the_casing() {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    let a = Subject::casing(id("A"));
    shop.must(Kind::Installed, a, "09:30", installed("A", "1L"));
    shop.must(Kind::Flagged, a, "09:40", json!({"reason": "load"}));
    for how in ["sold", "leased", "to_maker"] {
        let refused = shop.casing(Kind::Disposed, "A", "10:00", gone(how));
        assert_eq!(stopped(&refused), ["retread.declared"], "{how}");
    }
    let told = json!({"how": "sold", "to": "Hazel Yard", "declared_suspect": true});
    shop.must(Kind::Disposed, a, "10:10", told);
    let known = shop.known("A");
    assert_eq!(
        (known.standing, known.whereabouts, known.vehicle, known.position),
        (Standing::Suspect, Whereabouts::Gone, None, None)
    );
}
