//! Repairs and regrooving, and where a casing may run after them.

use crate::ledger::{Ledger, held, id, inspected, installed, mounted, released, stopped};
use rules::{Kind, Subject};
use serde_json::{Value, json};

fn repaired(repair: &str, place: &str, size: u32, across: Option<u32>) -> Value {
    let mut facts = json!({"repair": repair, "place": place, "size_32nds": size});
    if let Some(across) = across {
        facts["across_32nds"] = json!(across);
    }
    facts
}

fn stock(shop: &mut Ledger, model: &str) -> Subject {
    let acquired = json!({"origin": "new", "model": id(model), "depot": id("elmford"),
        "marks": {"brand": "A"}});
    shop.must(Kind::Acquired, Subject::casing(id("A")), "07:00", acquired);
    Subject::casing(id("A"))
}

/// Mounted, held and released for 100 psi.
fn ready(shop: &mut Ledger, casing: Subject) {
    shop.must(Kind::Inspected, casing, "08:40", inspected(true));
    shop.must(Kind::Mounted, casing, "08:45", mounted("A", "W1"));
    shop.must(Kind::Held, casing, "08:50", held("A", "standard"));
    shop.must(Kind::Released, casing, "09:00", released("A"));
}

/// Trade and tire makers' repair charts: nail hole 3/8 inch, in the crown only; section 1 1/2
/// inch in the crown, 1 by 4 inches in shoulder and sidewall; the bead is not repaired.
#[test]
fn an_injury_beyond_the_charts_is_not_repaired() {
    let table = [
        (repaired("nail_hole", "crown", 12, None), true),
        (repaired("nail_hole", "crown", 13, None), false),
        (repaired("nail_hole", "crown", 12, Some(13)), false),
        (repaired("nail_hole", "shoulder", 4, None), false),
        (repaired("nail_hole", "sidewall", 4, None), false),
        (repaired("ply", "crown", 48, Some(48)), true),
        (repaired("ply", "crown", 49, None), false),
        (repaired("ply", "sidewall", 32, Some(128)), true),
        (repaired("ply", "sidewall", 33, None), false),
        (repaired("boot", "shoulder", 32, Some(129)), false),
        (repaired("boot", "bead", 1, None), false),
    ];
    for (facts, within) in table {
        let mut shop = Ledger::shop();
        stock(&mut shop, "steel_radial");
        let entries = shop.casing(Kind::Repaired, "A", "08:00", facts.clone());
        let expected: &[&str] = if within { &[] } else { &["repair.limits"] };
        assert_eq!(stopped(&entries), expected, "{facts}");
    }
}

/// A tire maker's manual: two section repairs a casing in line haul; nail holes are not counted.
#[test]
fn a_third_section_repair_is_too_many() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "steel_radial");
    let first = shop.must(Kind::Repaired, a, "08:00", repaired("ply", "crown", 20, None));
    let second = shop.must(Kind::Repaired, a, "08:10", repaired("boot", "sidewall", 20, None));
    let third = shop.casing(Kind::Repaired, "A", "08:20", repaired("ply", "shoulder", 20, None));
    assert_eq!(stopped(&third), ["repair.limits"]);
    match &third[0].outcome {
        rules::entry::Outcome::Refused { reasons } => {
            assert_eq!(reasons[0].evidence, [first, second]);
        }
        other => panic!("{other:?}"),
    }
    shop.must(Kind::Repaired, a, "08:30", repaired("nail_hole", "crown", 8, None));
}

/// 49 CFR 396 Appendix A 10(a): a boot, blowout patch or other ply repair, on the steering axle
/// of a power unit; a nail hole is none.
#[test]
fn a_ply_repair_is_kept_off_the_steering_axle() {
    for (facts, place, rules) in [
        (repaired("ply", "sidewall", 20, None), "1L", &["install.steer_repair"][..]),
        (repaired("boot", "crown", 20, None), "1L", &["install.steer_repair"]),
        (repaired("nail_hole", "crown", 8, None), "1L", &[]),
        (repaired("ply", "sidewall", 20, None), "2LO", &[]),
    ] {
        let mut shop = Ledger::shop();
        let a = stock(&mut shop, "steel_radial");
        shop.must(Kind::Repaired, a, "08:00", facts.clone());
        ready(&mut shop, a);
        let on = shop.casing(Kind::Installed, "A", "09:30", installed("A", place));
        assert_eq!(stopped(&on), rules, "{facts} {place}");
    }
}

/// 49 CFR 569: only what its maker or a retreader marked is regrooved. 49 CFR 393.75(e): of
/// 4,920 lb or more it runs on no front wheel of a truck or tractor. The models here carry
/// 6,610 lb.
#[test]
fn regrooved_is_what_is_marked_and_runs_behind() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "steel_radial");
    let groove = json!({"by_whom": "own shop", "grooves_32nds": [[18, 19]]});
    let refused = shop.casing(Kind::Regrooved, "A", "07:10", groove.clone());
    assert_eq!(stopped(&refused), ["regroove.marked"]);
    let sent = json!({"to": "Pinebrook", "purpose": "retread", "declared_suspect": false});
    shop.must(Kind::SentAway, a, "07:20", sent);
    let away = shop.casing(Kind::Regrooved, "A", "07:25", groove.clone());
    assert_eq!(stopped(&away), ["fact.order", "regroove.marked"]);
    let back = json!({"read": {"brand": "A"}, "done": "retread", "tread_32nds": 12,
        "regroovable": true});
    shop.must(Kind::Returned, a, "07:30", back);
    let regrooved = shop.must(Kind::Regrooved, a, "07:40", groove);
    // The new grooves are deeper than the tread was; it has not grown.
    assert_eq!(shop.known("A").tread.unwrap().moment.entry, regrooved);
    shop.must(Kind::TreadRead, a, "07:50", json!({"grooves_32nds": [[18]]}));
    ready(&mut shop, a);
    let front = shop.casing(Kind::Installed, "A", "09:30", installed("A", "1L"));
    assert_eq!(stopped(&front), ["install.bus_front"]);
    shop.must(Kind::Installed, a, "09:40", installed("A", "2LO"));
}
