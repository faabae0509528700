//! Where a casing goes and in whose hands it is.

use super::{Casing, Moment, Order, Tread, Whereabouts};
use crate::facts::casing::{Done, Found, Missing, Returned, SentAway};

impl Casing {
    pub(super) fn send_away(&mut self, moment: Moment, facts: &SentAway) {
        self.whereabouts = Whereabouts::Away;
        self.moved = moment;
        self.order = Some(Order { moment, to: facts.to.clone(), purpose: facts.purpose });
    }

    pub(super) fn come_back(&mut self, moment: Moment, facts: &Returned) {
        self.whereabouts = Whereabouts::Depot;
        self.moved = moment;
        self.order = None;
        self.depot = facts.depot.or(self.depot);
        if facts.done == Done::Retread {
            self.retread(moment, facts);
        }
        if facts.rejected_for.is_some() {
            // The last look counts: one that failed takes back one that passed.
            self.inspected = None;
            self.sound = None;
        }
    }

    /// A new tread ends what was known of the old one. It never answers a doubt.
    fn retread(&mut self, moment: Moment, facts: &Returned) {
        self.life = facts.life.unwrap_or(self.life + 1);
        self.regroovable = facts.regroovable;
        self.regrooved = None;
        self.tread =
            facts.tread_32nds.map(|least_32nds| Tread { moment, least_32nds, ran_since: false });
        if let Some(tin) = facts.tin.as_ref().filter(|tin| !self.marks.tins.contains(tin)) {
            self.marks.tins.push(tin.clone());
        }
    }

    pub(super) fn go_missing(&mut self, moment: Moment, facts: &Missing) {
        self.whereabouts = Whereabouts::Missing;
        self.moved = moment;
        self.order = None;
        self.off_the_vehicle(moment);
        if facts.off_wheel {
            self.off_the_wheel();
        }
    }

    pub(super) fn turn_up(&mut self, moment: Moment, facts: &Found) {
        if facts.off_wheel {
            self.off_the_wheel();
        }
        self.whereabouts =
            if self.wheel.is_some() { Whereabouts::Wheel } else { Whereabouts::Depot };
        self.moved = moment;
        self.depot = Some(facts.depot);
    }

    /// Nobody took it off by the rules, but it is off.
    pub(super) fn off_the_vehicle(&mut self, moment: Moment) {
        if self.driven_on() {
            self.ran = Some(moment);
            if let Some(tread) = &mut self.tread {
                tread.ran_since = true;
            }
        }
        if self.vehicle.take().is_some() {
            self.position = None;
            self.fitting = None;
            self.danger = None;
        }
    }

    /// Off its wheel, it has to be inspected before it is mounted again.
    pub(super) fn off_the_wheel(&mut self) {
        if self.wheel.take().is_some() {
            self.taken_over = None;
            self.mounting = None;
            self.inspected = None;
            self.sound = None;
        }
    }
}
