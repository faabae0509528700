//! `service.*`: who does the work, and with what.

use super::{Stop, inflate};
use crate::decide::Case;
use crate::entry::{Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::person::Ability;

/// The abilities of 29 CFR 1910.177(c)(2) that the work asks.
fn asked(case: &Case<'_>) -> &'static [Ability] {
    match &case.command.facts {
        Facts::Inflated(_) if inflate::on_vehicle(case) => &[Ability::InflateOnVehicle],
        Facts::Inflated(_) => &[Ability::MountInflate],
        Facts::Demounted(_) => &[Ability::DemountDeflate],
        Facts::Inspected(facts) if facts.off_wheel => &[Ability::InspectIdentify],
        Facts::Mounted(_) => {
            &[Ability::InspectIdentify, Ability::MountInflate, Ability::UseRestraint]
        }
        Facts::Held(_) => &[Ability::UseRestraint, Ability::Trajectory],
        Facts::Released(_) => &[Ability::Trajectory],
        Facts::Installed(_) | Facts::Removed(_) => &[Ability::InstallRemove],
        _ => &[],
    }
}

/// No training on record for this wheel and task. Anyone with any training may scrap.
pub(super) fn trained(case: &Case<'_>) -> Option<Stop> {
    let person = case.world.heads.get(&Subject::of(SubjectKind::Person, case.by()));
    let trainings = person.and_then(|head| head.state.registry()).map_or(&[][..], |r| &r.trainings);
    let past = || trainings.iter().filter(|training| training.moment.at <= case.at);
    if matches!(case.command.facts, Facts::Scrapped(_)) {
        return Stop::when(past().next().is_none());
    }
    // Off the wheel no wheel is named, so any kind is enough.
    let any_wheel = matches!(case.command.facts, Facts::Inspected(_));
    let able = |ability: &Ability| {
        past()
            .rfind(|t| {
                (any_wheel || t.wheel_kind == case.wheel_kind()) && t.abilities.contains(ability)
            })
            .is_some_and(|training| !training.retrain)
    };
    Stop::when(!asked(case).iter().all(able))
}

/// Charts at hand.
pub(super) fn charts(case: &Case<'_>) -> bool {
    matches!(case.command.facts, Facts::Mounted(_) | Facts::Demounted(_))
}
