//! The service held against a second model: the same rules on a ledger in memory, where
//! everything is at hand and nothing has to be looked for, locked or read back. No outside
//! source: the two must agree.

use crate::fleet::Fleet;
use crate::memory::Memory;
use crate::random_day::{CASINGS, Day, WHEELS, given};
use crate::script::{Ledger, Script, Sending, id};
use rules::entry::Outcome;
use rules::{Entry, View};
use serde_json::Value;
use uuid::Uuid;

/// Both ledgers, kept the same.
pub struct Both {
    memory: Memory,
    pub fleet: Fleet,
}

impl Both {
    pub fn of(script: &Script) -> Both {
        Both { memory: Memory::of(script), fleet: Fleet::of(script) }
    }
}

impl Ledger for Both {
    fn send_together(&mut self, sendings: &[Sending]) -> Vec<Result<Vec<Entry>, u16>> {
        let shown = self.fleet.send_together(sendings);
        let mut in_memory = self.memory.send_together(sendings);
        in_memory.iter_mut().flatten().flatten().for_each(as_shown);
        assert_eq!(shown, in_memory, "{sendings:?}");
        shown
    }

    fn casing(&mut self, org: &str, casing: Uuid) -> Value {
        let (shown, known) = (self.fleet.casing(org, casing), self.memory.casing(org, casing));
        for (field, value) in known.as_object().into_iter().flatten() {
            assert_eq!(&shown[field], value, "{casing} {field}");
        }
        assert_eq!(shown.is_null(), known.is_null());
        shown
    }

    fn as_of(&mut self, org: &str, casing: Uuid, view: View) -> Value {
        let shown = self.fleet.as_of(org, casing, view);
        let known = self.memory.as_of(org, casing, view);
        for (field, value) in known.as_object().into_iter().flatten() {
            assert_eq!(&shown[field], value, "{casing} {field} {view:?}");
        }
        shown
    }

    fn tagged(&mut self, org: &str, wheel: Uuid) -> bool {
        let tagged = self.fleet.tagged(org, wheel);
        assert_eq!(tagged, self.memory.tagged(org, wheel));
        tagged
    }

    fn do_not_move(&mut self, org: &str, unit: &str) -> bool {
        let stays = self.fleet.do_not_move(org, unit);
        assert_eq!(stays, self.memory.do_not_move(org, unit));
        stays
    }
}

/// Without what is said beside a rule's sentence, which is shown as part of it, and the hash of
/// what is personal, which is not shown.
fn as_shown(entry: &mut Entry) {
    entry.personal_hash = None;
    if let Outcome::Refused { reasons } = &mut entry.outcome {
        reasons.iter_mut().for_each(|reason| reason.found = None);
    }
}

fn work_at_random(seed: u64, entries: usize) {
    let script = Script::new(&given());
    let mut ledger = Both::of(&script);
    script.play(&mut ledger);
    let mut day = Day::new(seed);
    let (mut recorded, mut refused, mut added) = (0, 0, 0);
    for _ in 0..entries {
        let sending = day.next(|casing| ledger.memory.casing("larkspur", casing));
        let Ok(answer) = ledger.send(&sending) else { continue };
        added += answer.len() - 1;
        if answer[0].recorded() {
            recorded += 1;
        } else {
            refused += 1;
            day.was_refused(&sending, &answer[0]);
        }
    }
    // The dice fell so that much was done and much was refused.
    assert!(recorded > entries / 4 && refused > entries / 10 && added > 3);
    for name in CASINGS {
        ledger.casing("larkspur", id(name));
    }
    for wheel in 1..=WHEELS {
        ledger.tagged("larkspur", id(&format!("W{wheel}")));
    }
    ledger.do_not_move("larkspur", "T1");
    ledger.fleet.stands();
}

#[test]
fn work_at_random_comes_out_the_same() {
    work_at_random(1, 250);
}

#[test]
fn other_work_at_random_comes_out_the_same() {
    work_at_random(2, 250);
}
