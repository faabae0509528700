//! What happened to the fleet's tires.

use super::diary::{Diary, ELMFORD, Hold, SANDGATE, Spot, Tire, When, vary};
use super::given::{CRACKED_WHEEL, STALE_GAUGE, UNITS, Unit};
use serde_json::json;

/// Tires that left their place, with the days before the last morning; the others run on.
const LEFT: [(u32, u64); 6] = [(1001, 1), (1016, 20), (1017, 30), (1022, 45), (1023, 6), (1035, 2)];

/// Writes everything down that happened after the first day.
pub(super) fn tell(diary: &mut Diary) {
    for unit in &UNITS {
        fit(diary, unit);
    }
    rotated(diary);
    run_low_and_waiting(diary);
    refused_and_open(diary);
    refused_and_released(diary);
    leaked_and_held_again(diary);
    scrapped_for_a_sign(diary);
    mate_was_down(diary);
    helped_on_the_road(diary);
    stock(diary);
}

/// New tires on every place of a vehicle, then its walk rounds.
fn fit(diary: &mut Diary, unit: &Unit) {
    for (number, spot) in (unit.first_tire..).zip(unit.spots()) {
        let tire = on_unit(unit, number, &spot);
        let (place, day) = (number - unit.first_tire, unit.fitted);
        let bench = |minutes| at(day, 7 * 60 + 22 * place + minutes);
        diary.acquire(&tire, at(day + 2, 14 * 60 + place));
        if !spot.dual() {
            diary.tag(&tire, at(day + 2, 15 * 60 + place));
        }
        diary.inspect(&tire, bench(0));
        diary.mount(&tire, bench(6), &wheel_of(&tire), spot.set_psi);
        diary.hold(&tire, bench(12), spot.set_psi, Hold::Standard);
        diary.release(&tire, bench(18), spot.set_psi, None);
        diary.install(&tire, at(day, 13 * 60 + 10 * place), &spot);
        diary.torque(&tire, at(day - 1, 7 * 60 + 2 * place), &spot);
        let left = LEFT.iter().find(|(left, _)| *left == number).map_or(0, |(_, day)| *day);
        walk_rounds(diary, (&tire, &spot), day, left..day);
    }
}

fn on_unit(unit: &Unit, number: u32, spot: &Spot) -> Tire {
    Tire::new(number, if spot.dual() { "Longhaul G" } else { "Longhaul H" }, unit.depot)
}

/// The tire with this number and its place, as its vehicle was fitted.
fn fitted(number: u32) -> (Tire, Spot, u64) {
    let unit = UNITS.iter().rev().find(|unit| unit.first_tire <= number).expect("a fitted tire");
    let spot = unit.spots().swap_remove((number - unit.first_tire) as usize);
    (on_unit(unit, number, &spot), spot, unit.fitted)
}

/// The wheel that a tire was first mounted on has its number.
fn wheel_of(tire: &Tire) -> String {
    tire.brand.replace("LK", "LW")
}

/// A day and the minutes of it.
fn at(day: u64, minutes: u32) -> When {
    (day, minutes / 60, minutes % 60)
}

/// What is left of a tread of 22/32 put on that day.
fn depth(fitted: u64, day: u64) -> i64 {
    22 - (fitted - day) as i64 / 25
}

/// Every 25 days the pressure is read, every 50 days the tread.
fn walk_rounds(
    diary: &mut Diary,
    (tire, spot): (&Tire, &Spot),
    fitted: u64,
    days: std::ops::Range<u64>,
) {
    let minute = 6 * 60 + vary(&tire.brand, 0, 25) as u32;
    for day in days.skip(1).filter(|day| day % 25 == 3) {
        let off = vary(&format!("{} {day}", tire.brand), -4, 1);
        diary.read_pressure(tire, at(day, minute), spot.set_psi + off);
        if day % 50 == 3 {
            diary.read_tread(tire, at(day, minute + 1), depth(fitted, day));
        }
    }
}

/// Found low on a walk round and taken off: the pressure first, then core out and flat.
fn found_low(diary: &mut Diary, number: u32, day: u64, psi: i64) {
    let (tire, spot, fitted) = fitted(number);
    diary.read_pressure(&tire, (day, 15, 10), psi);
    diary.remove_flat(&tire, (day, 15, 40), &spot, psi);
    diary.read_tread(&tire, (day, 15, 55), depth(fitted, day));
}

/// The same, then apart, and the next morning inspected clean and mounted in the cage.
fn found_low_and_mounted(diary: &mut Diary, number: u32, day: u64, psi: i64) -> (Tire, Spot) {
    found_low(diary, number, day, psi);
    let (tire, spot, _) = fitted(number);
    diary.demount(&tire, (tire.depot.crew, (day, 16, 20)), None);
    diary.inspect(&tire, (day - 1, 7, 5));
    diary.mount(&tire, (day - 1, 7, 40), &wheel_of(&tire), spot.set_psi);
    (tire, spot)
}

/// In service with its whole way: steering tires of a tractor changed sides.
fn rotated(diary: &mut Diary) {
    let (left, right) = (fitted(1006), fitted(1007));
    for (minute, (tire, spot, fitted)) in [(0, &left), (20, &right)] {
        diary.remove(tire, (60, 8, minute), spot);
        diary.read_tread(tire, (60, 8, minute + 10), depth(*fitted, 60));
    }
    for (minute, tire, spot) in [(0, &left.0, &right.1), (20, &right.0, &left.1)] {
        diary.install(tire, (60, 9, minute), spot);
        diary.torque(tire, (59, 7, minute), spot);
    }
}

/// A suspect steel radial, inspected and mounted this morning: it waits for its 20 minutes.
fn run_low_and_waiting(diary: &mut Diary) {
    found_low_and_mounted(diary, 1001, 1, 78);
}

/// A suspect held for a moment only: its release was refused, and nobody came back to it.
/// Another tire took its place, held a second time because the first gauge proved nothing.
fn refused_and_open(diary: &mut Diary) {
    let (tire, spot) = found_low_and_mounted(diary, 1023, 6, 76);
    diary.hold(&tire, (5, 8, 10), spot.set_psi, Hold::Standard);
    diary.release(&tire, (5, 8, 25), spot.set_psi, None);
    let spare = Tire::new(1036, tire.model, tire.depot);
    replace(diary, &spare, 5, &spot, true);
    walk_rounds(diary, (&spare, &spot), 5, 0..5);
}

/// Refused for the missing 20 minutes, then held for them, released and back on the road.
fn refused_and_released(diary: &mut Diary) {
    let (tire, spot) = found_low_and_mounted(diary, 1016, 20, 85);
    diary.hold(&tire, (19, 8, 10), spot.set_psi, Hold::Standard);
    let refused = diary.release(&tire, (19, 8, 25), spot.set_psi, None);
    diary.hold(&tire, (19, 8, 40), spot.set_psi, Hold::Extended);
    diary.release(&tire, (19, 9, 10), spot.set_psi, Some(refused));
    back_on(diary, &tire, &spot, 19);
}

/// The first hold leaked at the valve core, the second one passed.
fn leaked_and_held_again(diary: &mut Diary) {
    let (tire, spot) = found_low_and_mounted(diary, 1017, 30, 86);
    diary.hold(&tire, (29, 8, 10), spot.set_psi, Hold::ExtendedLeaking);
    diary.hold(&tire, (29, 9, 0), spot.set_psi, Hold::Extended);
    diary.release(&tire, (29, 9, 30), spot.set_psi, None);
    back_on(diary, &tire, &spot, 29);
}

fn back_on(diary: &mut Diary, tire: &Tire, spot: &Spot, day: u64) {
    diary.install(tire, (day, 10, 30), spot);
    diary.torque(tire, (day - 1, 7, 15), spot);
    let fitted = UNITS.iter().find(|unit| unit.unit == spot.unit).map_or(day, |unit| unit.fitted);
    walk_rounds(diary, (tire, spot), fitted, 0..day);
}

/// Its liner was creased: scrap for good. Nell Pruitt, not yet trained, was kept from
/// taking it apart; Ben Oakes did it.
fn scrapped_for_a_sign(diary: &mut Diary) {
    found_low(diary, 1022, 45, 55);
    let (tire, spot, _) = fitted(1022);
    let refused = diary.demount(&tire, ("nell", (45, 16, 20)), None);
    diary.demount(&tire, ("ben", (45, 16, 40)), Some(refused));
    diary.inspect_creased(&tire, (44, 7, 5));
    let spare = Tire::new(1037, tire.model, tire.depot);
    replace(diary, &spare, 44, &spot, false);
    diary.torque(&spare, (43, 7, 20), &spot);
    walk_rounds(diary, (&spare, &spot), 44, 0..44);
}

/// A new tire from stock in the place of another.
fn replace(diary: &mut Diary, spare: &Tire, day: u64, spot: &Spot, stale_gauge: bool) {
    diary.acquire(spare, (day + 40, 14, 0));
    diary.inspect(spare, (day, 9, 30));
    diary.mount(spare, (day, 9, 50), &wheel_of(spare), spot.set_psi);
    if stale_gauge {
        diary.hold(spare, (day, 10, 5), spot.set_psi, Hold::StandardWith(STALE_GAUGE));
    }
    diary.hold(spare, (day, 10, 15), spot.set_psi, Hold::Standard);
    diary.release(spare, (day, 10, 30), spot.set_psi, None);
    diary.install(spare, (day, 11, 0), spot);
}

/// The outer tire of a dual pair was found low this morning, so the inner one is suspect too.
fn mate_was_down(diary: &mut Diary) {
    let (outer, _, _) = fitted(1028);
    diary.read_pressure(&outer, (0, 6, 50), 74);
}

/// A service firm changed a damaged tire at the roadside. Its installation was refused, for
/// nobody had said how tight the nuts are; the trailer rolled all the same, and the office found
/// out. It stands still until that tire is off.
fn helped_on_the_road(diary: &mut Diary) {
    let (damaged, spot, _) = fitted(1035);
    let spare = Tire::new(1045, damaged.model, damaged.depot);
    diary.acquire(&spare, (70, 14, 4));
    diary.inspect(&spare, (13, 13, 0));
    diary.mount(&spare, (13, 13, 20), &wheel_of(&spare), spot.set_psi);
    diary.hold(&spare, (13, 13, 40), spot.set_psi, Hold::Standard);
    diary.release(&spare, (13, 14, 0), spot.set_psi, None);

    diary.off(&damaged, ("finn", (2, 10, 40)), &spot, (spot.set_psi, true));
    let refused = diary.install_by(&spare, ("finn", (2, 11, 10)), &spot, None);
    diary.resolve(&spare, (1, 9, 20), refused);
}

/// What lies at the depots: a spare ready to install, one mounted and not yet held whose
/// first wheel was cracked, and new tires off the wheel.
fn stock(diary: &mut Diary) {
    let ready = Tire::new(1038, "Longhaul G", &ELMFORD);
    diary.acquire(&ready, (70, 14, 0));
    diary.inspect(&ready, (12, 13, 0));
    diary.mount(&ready, (12, 13, 20), &wheel_of(&ready), 100);
    diary.hold(&ready, (12, 13, 40), 100, Hold::Standard);
    diary.release(&ready, (12, 14, 0), 100, None);

    let mounted = Tire::new(1039, "Longhaul G", &ELMFORD);
    diary.acquire(&mounted, (70, 14, 2));
    diary.inspect(&mounted, (8, 14, 0));
    let cracked = json!({"to_psi": 0, "seat_psi": 0, "wheel_condition": ["cracked"]});
    let refused = diary.mount_on(&mounted, (8, 14, 15), CRACKED_WHEEL, cracked, None);
    let sound = json!({"to_psi": 100});
    diary.mount_on(&mounted, (8, 14, 40), &wheel_of(&mounted), sound, Some(refused));

    for (number, model, depot) in [
        (1040, "Longhaul G", &ELMFORD),
        (1041, "Longhaul H", &ELMFORD),
        (1042, "Longhaul G", &SANDGATE),
        (1043, "Yardmate", &SANDGATE),
        (1044, "Widehaul", &ELMFORD),
    ] {
        diary.acquire(&Tire::new(number, model, depot), (33, 14, number - 1040));
    }
}
