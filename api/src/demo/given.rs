//! What is on record before the first tire: people, depots, models, tools, vehicles.

use super::diary::{Depot, Diary, ELMFORD, FIRST_DAY, SANDGATE, Spot};
use super::{PEOPLE, SLUG, id};
use rules::facts::vehicle::{Axle, Places, Vehicle, VehicleKind};
use rules::{Quantity, SubjectKind as Kind};
use serde_json::{Value, json};
use std::borrow::Cow;

/// A wheel that turns out to be cracked.
pub(super) const CRACKED_WHEEL: &str = "LW-57";

/// A gauge whose calibration has run out.
pub(super) const STALE_GAUGE: &str = "Sandgate dial 2";

/// A vehicle of the fleet.
pub(super) struct Unit {
    /// Its unit number.
    pub(super) unit: Cow<'static, str>,
    pub(super) kind: VehicleKind,
    pub(super) depot: &'static Depot,
    /// Set pressure of the steering axle, if it has one.
    pub(super) steer_psi: Option<i64>,
    /// How many axles with duals it has.
    pub(super) duals: usize,
    /// The number of its first tire; the others follow from front to rear.
    pub(super) first_tire: u32,
    /// Days before the last morning on which its tires were put on.
    pub(super) fitted: u64,
}

impl Unit {
    /// Its places, from the front.
    pub(super) fn spots(&self) -> Vec<Spot> {
        let steer_psi = self.steer_psi.unwrap_or(DUAL_PSI);
        let positions = vehicle(self, DUAL_PSI).positions();
        let set_psi = |dual| if dual { DUAL_PSI } else { steer_psi };
        positions
            .into_iter()
            .map(|position| Spot {
                unit: self.unit.to_string(),
                position,
                set_psi: set_psi(position.mate().is_some()),
            })
            .collect()
    }
}

const fn unit(
    unit: &'static str,
    kind: VehicleKind,
    depot: &'static Depot,
    axles: (Option<i64>, usize),
    first_tire: u32,
    fitted: u64,
) -> Unit {
    let (steer_psi, duals) = axles;
    Unit { unit: Cow::Borrowed(unit), kind, depot, steer_psi, duals, first_tire, fitted }
}

/// The trailer whose set pressure was raised.
const RAISED: &str = "LH-331";

/// The chart of rim parts that belong together.
const RINGS: &str = "Ring matching";

/// Set pressure of every dual axle, psi.
pub(super) const DUAL_PSI: i64 = 100;

pub(super) static UNITS: [Unit; 6] = [
    unit("LH-108", VehicleKind::Truck, &ELMFORD, (Some(100), 1), 1000, 190),
    unit("LH-214", VehicleKind::Tractor, &ELMFORD, (Some(110), 2), 1006, 183),
    unit("LH-215", VehicleKind::Tractor, &SANDGATE, (Some(110), 1), 1016, 176),
    unit("LH-109", VehicleKind::Truck, &SANDGATE, (Some(100), 1), 1022, 171),
    unit("LH-330", VehicleKind::Trailer, &ELMFORD, (None, 1), 1028, 158),
    unit("LH-331", VehicleKind::Trailer, &SANDGATE, (None, 1), 1032, 150),
];

/// Registers everything, in the order in which one names the other.
pub(super) fn register(diary: &mut Diary) {
    for person in &PEOPLE {
        diary.register_person(person);
    }
    let policy = json!({"overpressure_psi": 20, "extended_hold_s": 1200, "bolted_on_path": false});
    diary.register("gus", (Kind::Policy, SLUG), policy);
    for depot in [&ELMFORD, &SANDGATE] {
        let body =
            json!({"name": depot.name, "zone": depot.zone, "altitude_ft": depot.altitude_ft});
        diary.register("gus", (Kind::Depot, depot.name), body);
    }
    train(diary);
    models(diary);
    charts(diary);
    tools(diary);
    for number in (1000..1040).chain([1045]) {
        wheel(diary, &format!("LW-{number}"));
    }
    wheel(diary, CRACKED_WHEEL);
    for unit in &UNITS {
        // One trailer began at 95 psi; its set pressure was raised later.
        let first_psi = if unit.unit == RAISED { 95 } else { DUAL_PSI };
        diary.register("cora", (Kind::Vehicle, &unit.unit), json!(vehicle(unit, first_psi)));
        if unit.unit == RAISED {
            let at = diary.time(unit.depot, (160, 11, 0));
            let raised = json!(vehicle(unit, DUAL_PSI));
            diary.about("cora", at, "changed", (Kind::Vehicle, RAISED), raised);
        }
    }
}

/// Everybody who works at tires is trained, but not yet Nell Pruitt.
fn train(diary: &mut Diary) {
    let abilities = [
        "demount_deflate",
        "inspect_identify",
        "mount_inflate",
        "use_restraint",
        "handle",
        "inflate_on_vehicle",
        "trajectory",
        "install_remove",
    ];
    for (minute, login) in (0..).zip(["ada", "ben", "finn", "dora", "milo"]) {
        let at = diary.time(&ELMFORD, (FIRST_DAY - 1, 13, minute));
        let facts = json!({"wheel_kind": "single_piece", "abilities": abilities});
        diary.about("cora", at, "trained", (Kind::Person, login), facts);
    }
}

fn models(diary: &mut Diary) {
    let radial = json!({"maker": "Merrow", "construction": "steel_radial", "tube_type": false,
        "size": "295/75R22.5", "rim_in": 22.5, "rim_widths_in": [8.25, 9], "new_tread_32nds": 22});
    let all = [
        (
            "Longhaul G",
            json!({"load_range": "G", "sidewall_psi": 110, "single_lb": 6175, "dual_lb": 5675}),
        ),
        (
            "Longhaul H",
            json!({"load_range": "H", "sidewall_psi": 120, "single_lb": 6610, "dual_lb": 6005}),
        ),
        (
            "Widehaul",
            json!({"size": "445/50R22.5", "load_range": "L", "sidewall_psi": 120,
            "single_lb": 10_200, "rim_widths_in": [14]}),
        ),
        (
            "Yardmate",
            json!({"maker": "Briar", "construction": "bias", "size": "11-22.5", "load_range": "G",
            "sidewall_psi": 105, "single_lb": 6175, "dual_lb": 5840, "rim_widths_in": [7.5, 8.25],
            "new_tread_32nds": 20}),
        ),
    ];
    for (name, own) in all {
        let mut body = radial.clone();
        if let (Value::Object(body), Value::Object(own)) = (&mut body, own) {
            body.extend(own);
        }
        body["name"] = json!(name);
        diary.register("cora", (Kind::Model, name), body);
    }
    let letter = json!({"maker": "Merrow", "document": "service letter 12", "highest_psi": 135,
        "models": [id(Kind::Model, "Longhaul G"), id(Kind::Model, "Longhaul H")]});
    diary.register("cora", (Kind::Recommendation, "service letter 12"), letter);
}

fn charts(diary: &mut Diary) {
    let parts =
        |base, lock_ring| json!({"base": base, "side_ring": "LS-20", "lock_ring": lock_ring});
    let body = json!({"name": RINGS, "source": {"document": "rim matching chart", "edition": "2025"},
        "rows": {"rim_parts": [parts("LB-20-75", "LK-20"), parts("LB-20-80", "LK-20")]}});
    diary.register("cora", (Kind::Chart, RINGS), body);
}

fn tools(diary: &mut Diary) {
    for depot in [&ELMFORD, &SANDGATE] {
        let body = json!({"name": depot.cage, "kind": "cage",
            "depot": id(Kind::Depot, depot.name), "largest_tire_psi": 150});
        diary.register("cora", (Kind::Cage, depot.cage), body);
        let body = json!({"name": depot.gauge, "span_psi": 200, "grade": "2A", "resolution_psi": 0.1,
            "calibrated_until": diary.day(0) + chrono::Days::new(365)});
        diary.register("cora", (Kind::Gauge, depot.gauge), body);
    }
    let body = json!({"name": STALE_GAUGE, "span_psi": 200, "grade": "B", "resolution_psi": 2,
        "calibrated_until": diary.day(20)});
    diary.register("cora", (Kind::Gauge, STALE_GAUGE), body);
}

fn wheel(diary: &mut Diary, name: &str) {
    diary.register("cora", (Kind::Wheel, name), wheel_body());
}

/// Every wheel of the fleet is of one kind.
pub(super) fn wheel_body() -> Value {
    json!({"kind": "single_piece", "rim_in": 22.5, "width_in": 8.25, "rated_psi": 140})
}

/// What is registered of a vehicle whose dual axles have this set pressure.
pub(super) fn vehicle(unit: &Unit, dual_psi: i64) -> Vehicle {
    let axle = |places, steer, psi| Axle {
        places,
        steer,
        lift: false,
        set_psi: Quantity::whole(psi),
        placard_psi: Quantity::whole(psi - 10),
    };
    let steer = unit.steer_psi.map(|psi| axle(Places::Single, true, psi));
    let duals = (0..unit.duals).map(|_| axle(Places::Dual, false, dual_psi));
    Vehicle {
        unit: unit.unit.to_string(),
        kind: unit.kind,
        axles: steer.into_iter().chain(duals).collect(),
        spares: 0,
        speed_restricted: false,
        light_truck_tires: false,
        state_permit: None,
        depot: Some(id(Kind::Depot, unit.depot.name)),
    }
}
