//! How a casing is kept from use, and how it leaves the fleet.

use super::{Casing, Matter, Moment, Whereabouts};
use crate::facts::Facts;
use crate::facts::casing::PreservationEnded;

impl Casing {
    /// Takes in what keeps it from use, or takes it out of the fleet.
    pub(super) fn keep_or_let_go(&mut self, moment: Moment, facts: &Facts) {
        match facts {
            Facts::MadeUnusable(_) => {
                self.unusable.get_or_insert(moment);
            }
            Facts::Disposed(_) => {
                self.whereabouts = Whereabouts::Gone;
                self.moved = moment;
                self.order = None;
                self.off_the_vehicle(moment);
            }
            Facts::Preserved(facts) => {
                self.preserved.push(Matter { moment, name: facts.matter.clone() });
            }
            Facts::PreservationEnded(ended) => {
                self.preserved.retain(|matter| !ends(ended, matter));
            }
            Facts::Recalled(facts) => {
                self.recalls.push(Matter { moment, name: facts.campaign.clone() });
            }
            Facts::Remedied(facts) => self.recalls.retain(|recall| recall.name != facts.campaign),
            _ => {}
        }
    }

    /// How many of the matters that it is kept for this would end.
    #[must_use]
    pub(crate) fn matters_ended(&self, ended: &PreservationEnded) -> usize {
        self.preserved.iter().filter(|matter| ends(ended, matter)).count()
    }
}

fn ends(ended: &PreservationEnded, matter: &Matter) -> bool {
    ended.matter.as_ref().is_none_or(|name| *name == matter.name)
}
