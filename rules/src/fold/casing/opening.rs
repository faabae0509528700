//! Casings that were rolling when the fleet began its ledger.

use super::{Casing, Fitting, Moment, Mounting, Pressure, Release, Whereabouts};
use crate::Quantity;
use crate::entry::Entry;
use crate::facts::Facts;
use crate::facts::casing::{Acquired, Damage, Seen};

impl Casing {
    /// It is where it runs, and taking it over is the release of that mounting, unless the
    /// walk round showed damage.
    pub(super) fn take_over(&mut self, moment: Moment, facts: &Acquired, covers: Option<Quantity>) {
        self.whereabouts = Whereabouts::Vehicle;
        self.vehicle = facts.vehicle;
        self.position = facts.position;
        self.wheel = facts.wheel;
        self.taken_over = Some(moment);
        let covers = covers.filter(|_| facts.walk_round == Some(Seen::Clear));
        let release = covers.map(|covers_psi| Release {
            moment,
            operating_psi: covers_psi,
            covers_psi,
            stands: true,
        });
        self.mounting = Some(Mounting { moment, leaks: 0, proof: None, extended: None, release });
        // Its nuts were tightened before, and have run.
        self.fitting = Some(Fitting {
            moment,
            psi: facts.cold_psi,
            diameter_in: None,
            odometer_mi: None,
            rechecked: Some(moment),
        });
        self.pressure = facts.cold_psi.map(|psi| Pressure { moment, psi });
        if let Some(grooves) = &facts.grooves_32nds {
            self.read_tread(moment, grooves);
        }
        let mut damage = facts.damage.clone();
        if facts.cold_psi == Some(Quantity::ZERO) && !damage.contains(&Damage::Flat) {
            damage.push(Damage::Flat);
        }
        self.notice_damage(moment, &damage);
        if self.driven_on() && !damage.is_empty() {
            self.danger = Some(moment);
        }
    }

    /// Whoever works on it works on the vehicle that it sits on or that is named. A doubt that
    /// the ledger added is nobody's work.
    pub(super) fn work_on(&mut self, entry: &Entry) {
        if entry.cause.is_some() && matches!(entry.facts, Facts::Flagged(_)) {
            return;
        }
        let named = match &entry.facts {
            Facts::Installed(facts) => Some(facts.vehicle),
            Facts::Released(facts) => facts.vehicle,
            Facts::Mounted(facts) => facts.vehicle,
            _ => None,
        };
        self.worked_on.extend(self.vehicle.into_iter().chain(named));
    }
}
