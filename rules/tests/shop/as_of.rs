//! What was, and what was known of it, where entries were corrected and refusals resolved
//! afterwards. No outside source: that a correction is about the time of the entry which it
//! corrects, and is known from when it was recorded, is the ledger's own promise.

use crate::ledger::{Ledger, at, held, id, installed, released};
use rules::fold::casing::{Casing, Standing, Whereabouts};
use rules::world::Head;
use rules::{Kind, Subject, View};
use serde_json::{Value, json};
use uuid::Uuid;

/// Clock times of `as_of` and `known_at`; none where it is not asked for.
type Moments = (&'static str, &'static str);

fn view((as_of, known_at): Moments) -> View {
    let moment = |clock: &str| (!clock.is_empty()).then(|| at(clock).to_utc());
    View { as_of: moment(as_of), known_at: moment(known_at) }
}

/// A casing as it was, with what stood open.
fn then(shop: &Ledger, name: &str, moments: Moments) -> (Head, Vec<Uuid>) {
    let subject = Subject::casing(id(name));
    let entries: Vec<_> = shop.log.iter().filter(|e| e.subject == subject).cloned().collect();
    (view(moments).head(&entries), view(moments).open_refusals(&entries))
}

/// Asks at each of these moments, of one casing.
fn look<T>(shop: &Ledger, name: &str, is: impl Fn(&Casing) -> T, table: &[(Moments, T)])
where
    T: std::fmt::Debug + PartialEq,
{
    for (moments, expected) in table {
        let (head, _) = then(shop, name, *moments);
        assert_eq!(is(head.state.casing().unwrap()), *expected, "{name} {moments:?}");
    }
}

fn psi(casing: &Casing) -> Option<f64> {
    casing.pressure.map(|pressure| serde_json::to_value(pressure.psi).unwrap().as_f64().unwrap())
}

fn told(shop: &mut Ledger, kind: Kind, name: &str, clock: &str, facts: Value) -> Uuid {
    shop.must(kind, Subject::casing(id(name)), clock, facts)
}

fn right(wrong: Uuid, psi: i64) -> Value {
    json!({"corrects": wrong, "facts": {"psi": psi}, "reason": "read the wrong line"})
}

#[test]
fn a_corrected_reading_was_so_at_its_own_time() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let read = told(&mut shop, Kind::PressureRead, "A", "10:00", json!({"psi": 96}));
    let correction = told(&mut shop, Kind::Corrected, "A", "14:00", right(read, 88));
    told(&mut shop, Kind::Corrected, "A", "16:00", right(correction, 90));
    let table = [
        (("", ""), Some(90.0)),
        (("10:30", ""), Some(90.0)),
        (("10:00", ""), Some(90.0)),
        (("09:59", ""), None),
        (("09:59", "12:00"), None),
        (("10:30", "12:00"), Some(96.0)),
        (("10:30", "14:00"), Some(88.0)),
        (("10:30", "15:59"), Some(88.0)),
        (("10:30", "16:00"), Some(90.0)),
        (("14:30", "12:00"), Some(96.0)),
        (("14:30", "14:30"), Some(88.0)),
        (("", "12:00"), Some(96.0)),
        (("", "14:00"), Some(88.0)),
        (("", "16:00"), Some(90.0)),
    ];
    look(&shop, "A", psi, &table);
    let n = |moments| then(&shop, "A", moments).0.n;
    assert_eq!([n(("", "")), n(("10:30", "")), n(("14:00", "")), n(("", "12:00"))], [6, 4, 5, 4]);
}

/// What counts is when a correction was recorded, not when its sender says it was made; and a
/// late entry can be corrected like any other.
#[test]
fn late_entries_and_late_corrections_are_known_from_their_arrival() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    told(&mut shop, Kind::PressureRead, "A", "09:00", json!({"psi": 99}));
    let late = shop.late(Kind::PressureRead, "A", "10:00", "12:00", json!({"psi": 96}))[0].id;
    let correction = shop.late(Kind::Corrected, "A", "11:00", "14:00", right(late, 88));
    assert!(correction[0].recorded(), "{:?}", correction[0].outcome);
    let table = [
        (("10:30", ""), Some(88.0)),
        (("10:30", "11:30"), Some(99.0)),
        (("10:30", "12:00"), Some(96.0)),
        (("10:30", "13:59"), Some(96.0)),
        (("10:30", "14:00"), Some(88.0)),
        (("11:30", "13:59"), Some(96.0)),
        (("09:30", "14:00"), Some(99.0)),
        (("", "11:30"), Some(99.0)),
        (("", "12:00"), Some(96.0)),
    ];
    look(&shop, "A", psi, &table);
}

#[test]
fn what_was_about_another_casing_was_so_there() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    shop.mounted("B", "steel_radial", "W2");
    let read = told(&mut shop, Kind::PressureRead, "A", "10:00", json!({"psi": 96}));
    let other = json!({"corrects": read, "right_casing": id("B"), "reason": "the tire beside it"});
    told(&mut shop, Kind::Corrected, "A", "14:00", other);
    for (moments, a, b) in [
        (("", ""), None, Some(96.0)),
        (("10:30", ""), None, Some(96.0)),
        (("10:30", "14:01"), None, Some(96.0)),
        (("10:30", "13:59"), Some(96.0), None),
        (("", "13:59"), Some(96.0), None),
        (("14:30", "13:59"), Some(96.0), None),
        (("09:59", ""), None, None),
        (("09:59", "13:59"), None, None),
    ] {
        look(&shop, "A", psi, &[(moments, a)]);
        look(&shop, "B", psi, &[(moments, b)]);
    }
}

#[test]
fn void_scrap_never_was() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    shop.mounted("B", "steel_radial", "W2");
    let scrapped = told(&mut shop, Kind::Scrapped, "A", "10:00", json!({"reason": "worn_out"}));
    let void = json!({"corrects": scrapped, "right_casing": id("B"), "void": true,
        "reason": "the tire beside it"});
    told(&mut shop, Kind::Corrected, "A", "14:00", void);
    use Standing::{Scrap, Serviceable};
    for (moments, a, b) in [
        (("", ""), Serviceable, Scrap),
        (("10:30", ""), Serviceable, Scrap),
        (("10:30", "12:00"), Scrap, Serviceable),
        (("14:30", "12:00"), Scrap, Serviceable),
        (("", "12:00"), Scrap, Serviceable),
        (("", "14:01"), Serviceable, Scrap),
        (("09:59", ""), Serviceable, Serviceable),
        (("09:59", "12:00"), Serviceable, Serviceable),
    ] {
        look(&shop, "A", |casing| casing.standing, &[(moments, a)]);
        look(&shop, "B", |casing| casing.standing, &[(moments, b)]);
    }
}

/// A tire that was installed at 10:00 though it was not released; the office finds out at 14:00.
fn installed_all_the_same(it_did_happen: bool) -> (Ledger, Uuid) {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let refused = shop.casing(Kind::Installed, "A", "10:00", installed("A", "1L"));
    assert!(!refused[0].recorded());
    let found_out = json!({"refusal": refused[0].id, "it_did_happen": it_did_happen});
    told(&mut shop, Kind::Resolved, "A", "14:00", found_out);
    (shop, refused[0].id)
}

#[test]
fn what_happened_though_it_was_refused_was_so_at_its_own_time() {
    use Standing::{Serviceable, Suspect};
    use Whereabouts::{Vehicle, Wheel};
    let (shop, refused) = installed_all_the_same(true);
    let done = (Vehicle, Suspect, vec![]);
    let open = (Wheel, Serviceable, vec![refused]);
    for (moments, expected) in [
        (("", ""), &done),
        (("10:30", ""), &done),
        (("10:30", "14:00"), &done),
        (("14:30", "14:30"), &done),
        (("10:30", "13:59"), &open),
        (("14:30", "13:59"), &open),
        (("", "13:59"), &open),
        (("09:59", ""), &(Wheel, Serviceable, vec![])),
        (("09:59", "13:59"), &(Wheel, Serviceable, vec![])),
    ] {
        let (head, open) = then(&shop, "A", moments);
        let casing = head.state.casing().unwrap();
        assert_eq!(&(casing.whereabouts, casing.standing, open), expected, "{moments:?}");
    }
}

#[test]
fn what_did_not_happen_is_open_until_that_is_known() {
    let (shop, refused) = installed_all_the_same(false);
    for (moments, open) in [
        (("", ""), vec![]),
        (("10:30", ""), vec![]),
        (("10:30", "14:00"), vec![]),
        (("10:30", "13:59"), vec![refused]),
        (("14:30", "13:59"), vec![refused]),
        (("", "13:59"), vec![refused]),
        (("09:59", "13:59"), vec![]),
    ] {
        assert_eq!(then(&shop, "A", moments).1, open, "{moments:?}");
        look(&shop, "A", |casing| casing.whereabouts, &[(moments, Whereabouts::Wheel)]);
    }
}

/// Trying again is work of its own time: until then the refusal stood open.
#[test]
fn what_was_tried_again_was_open_until_then() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let refused = shop.casing(Kind::Released, "A", "10:00", released("A"))[0].id;
    told(&mut shop, Kind::Held, "A", "11:00", held("A", "standard"));
    shop.casing(Kind::Released, "A", "12:00", released("A"));
    shop.log.last_mut().unwrap().retries = Some(refused);
    for (moments, open) in [
        (("", ""), vec![]),
        (("12:00", ""), vec![]),
        (("11:59", ""), vec![refused]),
        (("11:59", "12:00"), vec![refused]),
        (("", "11:59"), vec![refused]),
        (("09:59", ""), vec![]),
    ] {
        assert_eq!(then(&shop, "A", moments).1, open, "{moments:?}");
    }
}

/// A correction of where it was put: it was there from its own time.
#[test]
fn a_corrected_position_was_so_at_its_own_time() {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    let wrong = told(&mut shop, Kind::Installed, "A", "09:30", installed("A", "2LO"));
    let right = json!({"corrects": wrong, "facts": installed("A", "2LI"), "reason": "inner"});
    told(&mut shop, Kind::Corrected, "A", "14:00", right);
    let place = |casing: &Casing| casing.position.map(|position| position.to_string());
    let (outer, inner) = (Some("2LO".to_owned()), Some("2LI".to_owned()));
    let table = [
        (("", ""), inner.clone()),
        (("10:30", ""), inner.clone()),
        (("10:30", "14:00"), inner),
        (("10:30", "13:59"), outer.clone()),
        (("14:30", "13:59"), outer),
        (("09:29", ""), None),
    ];
    look(&shop, "A", place, &table);
}
