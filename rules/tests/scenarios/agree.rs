//! What is answered before the work agrees with what is decided afterwards.

use rules::ask::{Question, ask};
use rules::entry::{Outcome, Sender};
use rules::facts::casing::Path;
use rules::table::{How, rule};
use rules::{Command, Entry, Facts, World};

/// The question that somebody asks of the work in a cage before doing what the command says.
fn question(facts: &Facts) -> Option<Question> {
    Some(match facts {
        Facts::Released(facts) if facts.path == Path::Cage => {
            Question::Release { operating_psi: Some(facts.operating_psi) }
        }
        Facts::Mounted(facts) => Question::Mount { wheel: facts.wheel, cage: facts.cage },
        Facts::Held(facts) => Question::Hold {
            cage: facts.cage,
            gauge: Some(facts.gauge),
            for_set_psi: Some(facts.for_set_psi),
        },
        Facts::Installed(facts) => {
            Question::Install { vehicle: facts.vehicle, position: facts.position }
        }
        _ => return None,
    })
}

/// Every rule that stops the question stops the entry too, with the same evidence; and an
/// entry that was not confirmed was told what to confirm.
pub fn with(world: &World, command: &Command, sender: Sender, decided: &Entry) {
    let Some(question) = question(&command.facts) else {
        return;
    };
    let asked = ask(world, decided.recorded_at, sender, command.subject.id, &question);
    let reasons = match &decided.outcome {
        Outcome::Refused { reasons } => reasons.as_slice(),
        Outcome::Recorded { .. } => &[],
    };
    for stop in &asked.stops {
        assert!(reasons.contains(stop), "{question:?} is stopped: {stop:?}");
    }
    for reason in reasons {
        if rule(&reason.rule).unwrap().how == How::Attested {
            assert!(asked.to_attest.contains(&reason.rule), "{question:?}: {}", reason.rule);
        }
    }
}
