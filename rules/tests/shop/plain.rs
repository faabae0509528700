//! A second fold of a casing, written for plainness: every answer is looked for anew in
//! all that happened, by its definition. Nothing is shared with the rules but the entries.

use chrono::{DateTime, Utc};
use rules::entry::{Outcome, Worked};
use rules::facts::amend::Corrected;
use rules::facts::casing::{Done, Doubt, Origin, Seen};
use rules::facts::vehicle::Position;
use rules::fold::casing::{Casing, Standing, Whereabouts};
use rules::hold::{HoldKind, Verdict};
use rules::{Entry, Facts, Quantity, SubjectKind};
use uuid::Uuid;

/// What a crew asks of a casing.
#[derive(Debug, PartialEq)]
pub struct Plain {
    whereabouts: Whereabouts,
    wheel: Option<Uuid>,
    place: Option<(Uuid, Position)>,
    pub doubts: Vec<Uuid>,
    pub standing: Standing,
    /// The release of this mounting, if it stands; one that does not is as none.
    pub release: Option<Uuid>,
    /// The shallowest groove, as last read.
    tread: Option<Quantity>,
    pressure: Option<Quantity>,
}

/// The same, as the row has it.
pub fn of_row(casing: &Casing) -> Plain {
    let release = casing.mounting.as_ref().and_then(|mounting| mounting.release);
    Plain {
        whereabouts: casing.whereabouts,
        wheel: casing.wheel,
        place: casing.vehicle.zip(casing.position),
        doubts: casing.doubts.iter().map(|doubt| doubt.entry).collect(),
        standing: casing.standing,
        release: release.filter(|release| release.stands).map(|release| release.moment.entry),
        tread: casing.tread.map(|tread| tread.least_32nds),
        pressure: casing.pressure.map(|pressure| pressure.psi),
    }
}

/// What counts, in order of time: what was recorded, and what did happen though it was
/// refused, with the right facts; without what was about another casing, but for doubts.
fn counting(entries: &[Entry]) -> Vec<Entry> {
    let named = |by: &Entry| match &by.facts {
        Facts::Corrected(corrected) => Some(corrected.corrects),
        Facts::Resolved(resolved) => resolved.it_did_happen.then_some(resolved.refusal),
        _ => None,
    };
    let mut counting = Vec::new();
    for entry in entries {
        let (mut as_said, mut newest) = (entry.clone(), entry.id);
        // A correction of a correction names that one.
        while let Some(by) = entries.iter().find(|e| e.recorded() && named(e) == Some(newest)) {
            let other = |facts: &Corrected| facts.right_casing.is_some();
            let right = match &by.facts {
                Facts::Corrected(facts) if other(facts) && !is_doubt(&entry.facts) => None,
                Facts::Corrected(facts) if !other(facts) => facts.facts.clone(),
                _ => Some(as_said.facts.to_value()),
            };
            newest = if matches!(by.facts, Facts::Corrected(_)) { by.id } else { Uuid::nil() };
            as_said.outcome = match right {
                Some(_) => by.outcome.clone(),
                None => Outcome::Refused { reasons: Vec::new() },
            };
            let kind = as_said.facts.kind();
            let right = right.map(|r| Facts::from_value(kind, SubjectKind::Casing, r).unwrap());
            as_said.facts = right.unwrap_or(as_said.facts);
        }
        counting.extend(as_said.recorded().then_some(as_said));
    }
    counting.sort_by_key(|entry| (entry.at(), entry.n));
    counting
}

fn is_doubt(facts: &Facts) -> bool {
    matches!(facts, Facts::Flagged(_))
}

/// The same, from all entries of the casing, by what happened until a moment where one is
/// given. `spares` says that an inspection alone
/// answers a doubt, because the casing is no steel radial.
pub fn of_entries(entries: &[Entry], until: Option<DateTime<Utc>>, spares: bool) -> Plain {
    let mut counting = counting(entries);
    counting.retain(|entry| until.is_none_or(|until| entry.at() <= until));
    let told: Vec<&Entry> = counting.iter().collect();
    let told = told.as_slice();
    let (on_wheel, off_wheel) = (last(told, is_mounted), last(told, is_demounted));
    let (on_vehicle, off_vehicle) = (last(told, is_installed), last(told, is_removed));
    let wheel = on_wheel.filter(|on| Some(*on) > off_wheel).map(|on| &told[on].facts);
    let place = on_vehicle.filter(|on| Some(*on) > off_vehicle).map(|on| &told[on].facts);
    let doubts: Vec<Uuid> = (0..told.len())
        .filter(|&i| matches!(told[i].facts, Facts::Flagged(_)))
        .filter(|&i| !(i + 1..told.len()).any(|j| answers(told, j, spares)))
        .map(|i| told[i].id)
        .collect();
    let scrap = told.iter().any(|entry| match &entry.facts {
        Facts::Flagged(flagged) => flagged.reason == Doubt::Sign,
        facts => matches!(facts, Facts::Scrapped(_)),
    });
    let missing = last(told, |facts| matches!(facts, Facts::Missing(_)));
    let sent = last(told, |facts| matches!(facts, Facts::SentAway(_)));
    let released = last(told, is_released);
    let doubted = last(told, |facts| matches!(facts, Facts::Flagged(_)));
    Plain {
        whereabouts: match (place, wheel) {
            _ if missing > last(told, |facts| matches!(facts, Facts::Found(_))) => {
                Whereabouts::Missing
            }
            _ if sent > missing.max(last(told, is_returned)) => Whereabouts::Away,
            (Some(_), _) => Whereabouts::Vehicle,
            (None, Some(_)) => Whereabouts::Wheel,
            (None, None) => Whereabouts::Depot,
        },
        wheel: wheel.map(|facts| match facts {
            Facts::Mounted(facts) => facts.wheel,
            Facts::Acquired(facts) => facts.wheel.unwrap(),
            other => panic!("{other:?}"),
        }),
        place: place.map(|facts| match facts {
            Facts::Installed(facts) => (facts.vehicle, facts.position),
            Facts::Acquired(facts) => (facts.vehicle.unwrap(), facts.position.unwrap()),
            other => panic!("{other:?}"),
        }),
        standing: match (scrap, doubts.is_empty()) {
            (true, _) => Standing::Scrap,
            (false, true) => Standing::Serviceable,
            (false, false) => Standing::Suspect,
        },
        doubts,
        release: released
            .filter(|released| wheel.is_some() && Some(*released) >= on_wheel)
            .filter(|released| Some(*released) > doubted)
            .map(|released| told[released].id),
        // A new tread ends what was read of the old one.
        tread: told[last(told, is_retreaded).unwrap_or_default()..]
            .iter()
            .rev()
            .find_map(|entry| least(&entry.facts)),
        pressure: told.iter().rev().find_map(|entry| match &entry.facts {
            Facts::PressureRead(facts) => Some(facts.psi),
            Facts::Acquired(facts) => facts.cold_psi,
            Facts::Inflated(facts) => Some(facts.to_psi),
            Facts::Deflated(facts) => Some(facts.found_psi),
            Facts::Removed(facts) => facts.found_psi,
            _ => None,
        }),
    }
}

/// The place of the last entry of which this is true.
fn last(told: &[&Entry], is: fn(&Facts) -> bool) -> Option<usize> {
    told.iter().rposition(|entry| is(&entry.facts))
}

fn is_mounted(facts: &Facts) -> bool {
    matches!(facts, Facts::Mounted(_)) || is_rolling(facts)
}

/// Opening stock comes mounted and installed.
fn is_rolling(facts: &Facts) -> bool {
    matches!(facts, Facts::Acquired(acquired) if acquired.origin == Origin::Opening)
}

/// Taking over what the walk round showed to be clear is its release.
fn is_released(facts: &Facts) -> bool {
    match facts {
        Facts::Acquired(facts) => facts.walk_round == Some(Seen::Clear),
        facts => matches!(facts, Facts::Released(_)),
    }
}

fn is_demounted(facts: &Facts) -> bool {
    matches!(facts, Facts::Demounted(_))
}

fn is_installed(facts: &Facts) -> bool {
    matches!(facts, Facts::Installed(_)) || is_rolling(facts)
}

/// Off the vehicle, in whatever way.
fn is_removed(facts: &Facts) -> bool {
    matches!(facts, Facts::Removed(_) | Facts::Missing(_))
}

fn is_returned(facts: &Facts) -> bool {
    matches!(facts, Facts::Returned(_))
}

fn is_retreaded(facts: &Facts) -> bool {
    match facts {
        Facts::Returned(returned) => returned.done == Done::Retread,
        facts => matches!(facts, Facts::Regrooved(_)),
    }
}

fn least(facts: &Facts) -> Option<Quantity> {
    let grooves = match facts {
        Facts::TreadRead(facts) => Some(&facts.grooves_32nds),
        Facts::Installed(facts) => facts.grooves_32nds.as_ref(),
        Facts::Acquired(facts) => facts.grooves_32nds.as_ref(),
        Facts::Regrooved(facts) => facts.grooves_32nds.as_ref(),
        _ => None,
    };
    grooves?.iter().flatten().min().copied()
}

/// Whether the doubts before it end with this entry: an inspection off the wheel found
/// nothing, and for a steel radial 20 minutes in the cage passed, mounted, after such an
/// inspection that nothing came between.
fn answers(told: &[&Entry], at: usize, spares: bool) -> bool {
    let clean = |entry: &Entry| matches!(&entry.facts, Facts::Inspected(facts) if facts.clean());
    if spares {
        return clean(told[at]);
    }
    let passed = matches!((&told[at].facts, told[at].worked()),
        (Facts::Held(held), Some(Worked::Held(worked)))
            if held.kind == HoldKind::Extended && worked.result.verdict == Verdict::Pass);
    let before = &told[..at];
    let Some(inspected) = before.iter().rposition(|entry| clean(entry)) else {
        return false;
    };
    let between = &before[inspected + 1..];
    let undone = |entry: &&Entry| match &entry.facts {
        Facts::Inspected(facts) => facts.off_wheel,
        facts => is_demounted(facts) || matches!(facts, Facts::Flagged(_)),
    };
    let mounted = last(before, is_mounted) > last(before, is_demounted);
    passed && mounted && !between.iter().any(undone)
}

fn is_off_wheel(facts: &Facts) -> bool {
    match facts {
        Facts::Missing(facts) => facts.off_wheel,
        Facts::Found(facts) => facts.off_wheel,
        _ => false,
    }
}

/// A time of a casing on a wheel or at a position: what, whose, from, until.
pub type Time = (String, Uuid, DateTime<Utc>, Option<DateTime<Utc>>);

/// Every time of a casing on a wheel or at a position. Each move finds the casing where the
/// last one left it.
pub fn times(casing: Uuid, entries: &[Entry]) -> Vec<Time> {
    let (mut times, mut on): (Vec<Time>, Vec<usize>) = (Vec::new(), Vec::new());
    for entry in &counting(entries) {
        let position = |vehicle: Uuid, position: Position| format!("{vehicle} {position}");
        let came = match &entry.facts {
            Facts::Mounted(facts) => vec![(0, facts.wheel.to_string())],
            Facts::Installed(facts) => vec![(1, position(facts.vehicle, facts.position))],
            Facts::Acquired(facts) if is_rolling(&entry.facts) => vec![
                (0, facts.wheel.unwrap().to_string()),
                (1, position(facts.vehicle.unwrap(), facts.position.unwrap())),
            ],
            Facts::Removed(_) | Facts::Demounted(_) => {
                let depth = if is_removed(&entry.facts) { 2 } else { 1 };
                assert_eq!(on.len(), depth, "{entry:?}");
                times[on.pop().unwrap()].3 = Some(entry.at());
                continue;
            }
            Facts::Missing(_) | Facts::Found(_) => {
                // Nobody took it off, but it is off; its wheel may be with it.
                let left = usize::from(!is_off_wheel(&entry.facts));
                while on.len() > left {
                    times[on.pop().unwrap()].3 = Some(entry.at());
                }
                continue;
            }
            _ => continue,
        };
        for (depth, what) in came {
            assert_eq!(on.len(), depth, "{entry:?}");
            on.push(times.len());
            times.push((what, casing, entry.at(), None));
        }
    }
    times
}

/// No wheel and no position has two casings at the same time.
pub fn no_two_at_once(times: &[Time]) {
    for (i, (what, one, from, until)) in times.iter().enumerate() {
        for (_, other, from2, until2) in times[i + 1..].iter().filter(|time| time.0 == *what) {
            let after = until.is_some_and(|until| until <= *from2);
            let before = until2.is_some_and(|until| until <= *from);
            assert!(one == other || after || before, "{what}: {times:?}");
        }
    }
}
