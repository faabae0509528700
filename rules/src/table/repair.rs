//! `repair.*` and `regroove.*`: what may be done to the casing itself.

use super::Stop;
use crate::Quantity;
use crate::decide::Case;
use crate::facts::Facts;
use crate::facts::casing::{RepairKind, RepairPlace, Repaired};

/// Section repairs that a casing may have in all, line haul.
const SECTIONS: usize = 2;

/// Common practice, makers' and trade repair charts: a nail hole of 3/8 inch in the crown;
/// a section of 1 1/2 inch in the crown, of 1 inch by 4 inches in shoulder or sidewall, two a
/// casing; nothing at the bead.
pub(super) fn limits(case: &Case<'_>) -> Option<Stop> {
    let Facts::Repaired(facts) = &case.command.facts else {
        return None;
    };
    if beyond(facts) {
        return Some(Stop::default());
    }
    let sections: Vec<_> =
        case.casing()?.repairs.iter().filter(|one| one.repair != RepairKind::NailHole).collect();
    (facts.repair != RepairKind::NailHole && sections.len() >= SECTIONS).then(|| Stop {
        evidence: sections.iter().map(|one| one.moment.entry).collect(),
        found: Some(format!("It has {} section repairs already.", sections.len())),
        caution: false,
    })
}

/// Too large, or where nothing is repaired.
fn beyond(facts: &Repaired) -> bool {
    use RepairPlace::{Bead, Crown, Shoulder, Sidewall};
    let (along, across) = match (facts.repair, facts.place) {
        (RepairKind::NailHole, Crown) => (12, 12),
        (RepairKind::NailHole, _) | (_, Bead) => return true,
        (_, Crown) => (48, 48),
        (_, Shoulder | Sidewall) => (32, 128),
    };
    facts.size_32nds > Quantity::whole(along)
        || facts.across_32nds.is_some_and(|length| length > Quantity::whole(across))
}

/// Not marked regroovable on both sides by its maker or a retreader, 49 CFR 569.
pub(super) fn marked(case: &Case<'_>) -> Option<Stop> {
    let Facts::Regrooved(_) = &case.command.facts else {
        return None;
    };
    Stop::when(!case.model()?.regroovable && !case.casing()?.regroovable)
}
