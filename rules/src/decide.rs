//! The decision on one command: recorded or refused, and what follows.

use crate::amend::Amended;
use crate::circle::position_of;
use crate::entry::{
    Basis, Command, Entry, HoldWorked, Outcome, Reason, Sender, Subject, SubjectKind, TakenOver,
    Worked,
};
use crate::facts::Facts;
use crate::facts::casing::{Done, Doubt, Flagged, Origin, Path};
use crate::facts::wheel::{Tagged, WheelKind};
use crate::fit::{self, Fit};
use crate::fold::casing::Casing;
use crate::fold::{Moment, State};
use crate::hold::{HoldInput, Verdict, judge};
use crate::table::CHECKS;
use crate::world::{Head, World};
use crate::{Quantity, facts};
use crate::{late, load, low};
use chrono::{DateTime, TimeDelta, Utc};
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The version of the rules, named in every basis. It changes with every release by which an
/// entry could come out otherwise.
pub const VERSION: &str = "2";

/// The versions that decided entries before.
pub const EARLIER_VERSIONS: [&str; 1] = ["1"];

/// The smallest step of the ledger's clock.
const A_MICROSECOND: TimeDelta = TimeDelta::microseconds(1);

/// A command before the rules, with what they read.
pub(crate) struct Case<'a> {
    pub(crate) world: &'a World,
    pub(crate) now: DateTime<Utc>,
    pub(crate) sender: Sender,
    pub(crate) command: &'a Command,
    /// When it happened.
    pub(crate) at: DateTime<Utc>,
    /// The subject as it stood then.
    state: Cow<'a, State>,
    /// The judgement of a hold, made once.
    pub(crate) hold: Option<HoldWorked>,
    /// How a move fits between what is on record, looked for once.
    pub(crate) fit: Fit,
    /// What it changes of what was recorded before.
    pub(crate) amended: Option<Box<Amended>>,
}

/// How far a decision looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Depth {
    /// At all that it concerns.
    Whole,
    /// Not at the decisions that still stand.
    Fit,
    /// Nor at how a move fits with others: as if it did.
    Alone,
}

impl<'a> Case<'a> {
    pub(crate) fn new(
        world: &'a World,
        now: DateTime<Utc>,
        sender: Sender,
        command: &'a Command,
    ) -> Case<'a> {
        let state = world.at(command.subject, command.occurred_at.to_utc());
        Case::on(world, now, sender, command, state)
    }

    /// The same, with how it fits together with the rest of the request.
    pub(crate) fn fitted(self, rest: &[&Command]) -> Case<'a> {
        let recorded = Outcome::Recorded { cautions: Vec::new(), worked: worked(&self) };
        let fit = fit::fit(&self, &self.entry(recorded), rest);
        Case { fit, ..self }
    }

    /// The command's own entry with this outcome.
    pub(crate) fn entry(&self, outcome: Outcome) -> Entry {
        let n = self.world.heads.get(&self.command.subject).map_or(0, |head| head.n);
        Entry {
            org: self.world.org,
            id: self.command.id,
            subject: self.command.subject,
            n: n + 1,
            occurred_at: self.command.occurred_at,
            recorded_at: self.now,
            sent_at: self.sender.sent_at,
            sender: self.sender.person,
            by: self.by(),
            facts: self.command.facts.clone(),
            attested: self.command.attested.clone(),
            retries: self.command.retries,
            cause: None,
            outcome,
            basis: Basis {
                rules: VERSION.to_owned(),
                entries: BTreeSet::new(),
                leans_on: Vec::new(),
            },
            personal_hash: None,
        }
    }

    /// The same on a subject that stood so.
    pub(crate) fn on(
        world: &'a World,
        now: DateTime<Utc>,
        sender: Sender,
        command: &'a Command,
        state: Cow<'a, State>,
    ) -> Case<'a> {
        let at = command.occurred_at.to_utc();
        let fit = Fit::default();
        let mut case =
            Case { world, now, sender, command, at, state, hold: None, fit, amended: None };
        case.hold = case.judged_hold();
        case
    }

    /// The casing that the command is about, as it stood then.
    pub(crate) fn casing(&self) -> Option<&Casing> {
        self.state.casing()
    }

    pub(crate) fn state(&self) -> &State {
        &self.state
    }

    pub(crate) fn id(&self) -> Uuid {
        self.command.subject.id
    }

    /// Who did the work.
    pub(crate) fn by(&self) -> Uuid {
        self.command.by.unwrap_or(self.sender.person)
    }

    pub(crate) fn model(&self) -> Option<&facts::model::Model> {
        let id = match &self.command.facts {
            Facts::Acquired(facts) => facts.model,
            _ => self.casing()?.model,
        };
        self.world.model(id, self.at)
    }

    /// The vehicle that the command names, or that the casing is on.
    pub(crate) fn vehicle(&self) -> Option<&facts::vehicle::Vehicle> {
        let named = position_of(self.command).map(|(vehicle, _)| vehicle);
        let id = named.or_else(|| self.casing()?.vehicle)?;
        self.world.vehicle(id, self.at)
    }

    /// The wheel that the work is on.
    pub(crate) fn wheel(&self) -> Option<&facts::wheel::Wheel> {
        let id = match &self.command.facts {
            Facts::Mounted(facts) => facts.wheel,
            Facts::Acquired(facts) => facts.wheel?,
            _ => self.casing()?.wheel?,
        };
        self.world.wheel(id, self.at)
    }

    pub(crate) fn wheel_kind(&self) -> WheelKind {
        self.wheel().map_or(WheelKind::SinglePiece, |wheel| wheel.kind)
    }

    /// The pressure that may not be passed, and the part of it that the sidewall
    /// sets: its own, or a maker's recommendation in its place.
    pub(crate) fn sidewall_limit(&self) -> Option<Quantity> {
        let casing = self.casing()?;
        let own = self.model()?.sidewall_psi;
        let recommended =
            self.world.recommended(casing.model, self.at).map(|(body, _)| body.highest_psi);
        Some(recommended.unwrap_or(own).max(own))
    }

    pub(crate) fn limit(&self) -> Option<Quantity> {
        Some(self.sidewall_limit()?.min(self.wheel()?.rated_psi))
    }

    /// The target of the hold: set pressure and overpressure.
    pub(crate) fn target(&self) -> Option<Quantity> {
        match &self.command.facts {
            Facts::Held(facts) => {
                Some(facts.for_set_psi + self.world.policy(self.at).overpressure_psi)
            }
            _ => None,
        }
    }

    fn judged_hold(&self) -> Option<HoldWorked> {
        let Facts::Held(facts) = &self.command.facts else {
            return None;
        };
        let (target_psi, limit_psi) = (self.target()?, self.limit()?);
        let depot = self.casing()?.depot.and_then(|depot| self.world.depot(depot, self.at));
        let result = judge(&HoldInput {
            kind: facts.kind,
            evidence: facts.evidence,
            supply_isolated: facts.supply_isolated,
            target_psi,
            limit_psi,
            at_limit: facts.at_limit,
            required_s: self.world.policy(self.at).extended_hold_s,
            gauge: self.world.gauge_on_day(facts.gauge, self.at, self.zone())?,
            readings: &facts.readings,
            events: &facts.events,
            signs: !facts.signs.is_empty(),
            altitude_ft: depot.and_then(|depot| depot.altitude_ft).unwrap_or(Quantity::ZERO),
        });
        // Malformed readings are refused as a form before any decision.
        result.ok().map(|result| {
            let covers_psi = if result.at_limit { limit_psi } else { facts.for_set_psi };
            HoldWorked { result, covers_psi }
        })
    }

    /// The zone whose days count: the cage's depot, or else the casing's.
    pub(crate) fn zone(&self) -> chrono_tz::Tz {
        let cage = match &self.command.facts {
            Facts::Held(facts) => facts.cage,
            Facts::Mounted(facts) => facts.cage,
            Facts::Inflated(facts) => facts.cage,
            _ => None,
        };
        let depot = cage
            .and_then(|cage| self.world.cage(cage, self.at))
            .map(|cage| cage.depot)
            .or(self.casing().and_then(|casing| casing.depot));
        depot
            .and_then(|depot| self.world.depot(depot, self.at))
            .map_or(chrono_tz::UTC, |depot| depot.zone)
    }
}

/// Decides one command. The first entry is the command's own, recorded or
/// refused; the others are what the ledger adds because of it.
///
/// `rest` is what follows it in the same request: a late move is judged together with it,
/// and a late doubt is raised only if it is not answered there. `personal_hash` is the hash
/// of salt and personal part, made by the store. The caller has made sure that nothing in
/// the command dangles ([`World::dangling`]) and that its subject is known
/// ([`World::unknown`]).
#[must_use]
pub fn decide(
    world: &World,
    now: DateTime<Utc>,
    sender: Sender,
    command: &Command,
    rest: &[&Command],
    personal_hash: Option<String>,
) -> Vec<Entry> {
    decide_to(Depth::Whole, world, now, sender, command, rest, personal_hash)
}

/// The same, no further than this.
pub(crate) fn decide_to(
    depth: Depth,
    world: &World,
    now: DateTime<Utc>,
    sender: Sender,
    command: &Command,
    rest: &[&Command],
    personal_hash: Option<String>,
) -> Vec<Entry> {
    let now = after_last(world.heads.get(&command.subject), now);
    let mut case = Case::new(world, now, sender, command);
    if depth != Depth::Alone {
        case = case.fitted(rest);
    }
    case.amended = Amended::of(&case, depth, rest).map(Box::new);
    let instead = case.amended.as_deref().map(|amended| (amended, amended.case(&case)));
    let (reasons, cautions) = asked(&case, instead.as_ref());
    let outcome = if reasons.is_empty() {
        let worked = match &instead {
            Some((amended, instead)) if !amended.moves_over(&case) => worked(instead),
            _ => worked(&case),
        };
        Outcome::Recorded { cautions, worked }
    } else {
        Outcome::Refused { reasons }
    };
    let mut own = Entry { personal_hash, ..case.entry(outcome) };
    let mut added: Vec<Entry> = consequences(&case, own.recorded())
        .into_iter()
        .map(|(subject, facts)| follows(&own, subject, facts))
        .collect();
    if let Some((amended, instead)) = instead.as_ref().filter(|_| own.recorded()) {
        added.extend(amended.follow(&case, &own, consequences(instead, true)));
    }
    let mut leans = case.fit.leans.clone();
    leans.extend(case.amended.iter().flat_map(|amended| amended.leans()));
    if depth == Depth::Whole {
        let late = late::doubts(&case, &own, &added, rest);
        if late.leans {
            leans.extend(added.iter().map(|entry| entry.subject).chain([own.subject]));
        }
        added.extend(late.doubts);
    }
    own.basis.entries = heads_read(&case);
    own.basis.leans_on =
        fit::followers(world, rest, &leans).iter().map(|command| command.id).collect();
    number(world, own, added)
}

/// The reasons that stop a command or what is to count instead of an earlier entry, and the
/// cautions that were acknowledged, in the table's order.
fn asked(case: &Case<'_>, instead: Option<&(&Amended, Case<'_>)>) -> (Vec<Reason>, Vec<String>) {
    let attested = &instead.map_or(case.command, |(_, instead)| instead.command).attested;
    let (mut reasons, mut cautions) = (Vec::new(), Vec::new());
    for check in CHECKS {
        let of = |case: &Case<'_>| {
            let stop = check.ask(case)?;
            Some((stop.caution, stop.reason(check.id, case)))
        };
        let minded = instead.filter(|(amended, instead)| amended.minds(check.id, instead));
        if let Some((caution, reason)) = of(case).or_else(|| of(&minded?.1)) {
            if caution && attested.contains(check.id) {
                cautions.push(check.id.to_owned());
            } else {
                reasons.push(reason);
            }
        }
    }
    (reasons, cautions)
}

/// What the ledger adds because of an entry; its place and its id are given by [`number`].
pub(crate) fn follows(own: &Entry, subject: Subject, facts: Facts) -> Entry {
    Entry {
        subject,
        facts,
        // It happened with its cause, and not after that was recorded.
        occurred_at: own.occurred_at.min(own.recorded_at.with_timezone(own.occurred_at.offset())),
        attested: BTreeSet::new(),
        outcome: Outcome::Recorded { cautions: Vec::new(), worked: None },
        ..own.clone()
    }
}

/// When the next entry of a subject is recorded: now, and after its last one.
fn after_last(head: Option<&Head>, now: DateTime<Utc>) -> DateTime<Utc> {
    head.and_then(|head| head.recorded_at).map_or(now, |last| now.max(last + A_MICROSECOND))
}

/// Gives the entries their places among their subjects' entries. Each is recorded after the
/// one before it, so that the order of recording shows what follows from what.
pub(crate) fn number(world: &World, own: Entry, added: Vec<Entry>) -> Vec<Entry> {
    let mut places: BTreeMap<Subject, u64> = BTreeMap::new();
    let mut place = |subject: Subject| {
        let last = || world.heads.get(&subject).map_or(0, |head| head.n);
        *places.entry(subject).and_modify(|n| *n += 1).or_insert_with(|| last() + 1)
    };
    let mut entries = vec![Entry { n: place(own.subject), ..own.clone() }];
    let mut seen = BTreeSet::new();
    let mut recorded_at = own.recorded_at;
    for entry in added {
        let subject = entry.subject;
        let (kind, rule) = (entry.facts.kind().name(), rule_of(&entry.facts));
        let id = Uuid::new_v5(&own.id, format!("{kind}/{rule}/{}", subject.id).as_bytes());
        if !seen.insert(id) {
            continue;
        }
        recorded_at = after_last(world.heads.get(&subject), recorded_at + A_MICROSECOND);
        // A late doubt arises now, after the decision that it is about.
        let occurred_at = match &entry.facts {
            Facts::Flagged(flagged) if flagged.reason == Doubt::Late => {
                recorded_at.with_timezone(own.occurred_at.offset())
            }
            _ => entry.occurred_at,
        };
        entries.push(Entry {
            id,
            n: place(subject),
            recorded_at,
            occurred_at,
            retries: None,
            cause: Some(own.id),
            basis: own.basis.clone(),
            personal_hash: None,
            ..entry
        });
    }
    entries
}

fn rule_of(facts: &Facts) -> &'static str {
    match facts {
        Facts::Flagged(flagged) => flagged.reason.rule(),
        Facts::Tagged(_) => "mount.wheel_condition",
        Facts::CageIncident(_) => "cage.checked",
        // What moves to the right casing.
        _ => "fact.order",
    }
}

fn heads_read(case: &Case<'_>) -> BTreeSet<Uuid> {
    let mut subjects = case.world.circle(case.command).subjects;
    subjects.insert(Subject::of(SubjectKind::Person, case.by()));
    subjects.remove(&case.command.subject);
    subjects.iter().filter_map(|subject| case.world.heads.get(subject)?.last).collect()
}

pub(crate) fn worked(case: &Case<'_>) -> Option<Worked> {
    match &case.command.facts {
        Facts::Acquired(facts) if facts.origin == Origin::Opening => {
            let construction = case.model()?.construction;
            Some(Worked::TakenOver(TakenOver {
                construction,
                covers_psi: low::set_psi(case.world, case.command),
            }))
        }
        Facts::Acquired(_) => Some(Worked::Construction(case.model()?.construction)),
        Facts::Held(_) => case.hold.clone().map(Worked::Held),
        Facts::Released(facts) => {
            let covers = match (facts.path, facts.vehicle, facts.position) {
                (Path::BoltedOn, Some(vehicle), Some(position)) => {
                    case.world.vehicle(vehicle, case.at)?.axle_of(position)?.set_psi
                }
                _ => case.casing()?.covers_psi()?,
            };
            Some(Worked::CoversPsi(covers))
        }
        _ => None,
    }
}

/// What the ledger adds, whether the entry was recorded or refused: what it
/// tells of the world is never lost.
fn consequences(case: &Case<'_>, recorded: bool) -> Vec<(Subject, Facts)> {
    let mut added = Vec::new();
    let own = case.command.subject;
    let flag = |reason| Facts::Flagged(Flagged { reason, evidence: vec![case.command.id] });
    match &case.command.facts {
        Facts::Inspected(facts) if !facts.signs.is_empty() => added.push((own, flag(Doubt::Sign))),
        Facts::Mounted(facts) => {
            if !facts.signs.is_empty() {
                added.push((own, flag(Doubt::Sign)));
            }
            if !facts.wheel_condition.is_empty() {
                let tagged = Tagged { faults: facts.wheel_condition.clone() };
                added.push((Subject::of(SubjectKind::Wheel, facts.wheel), Facts::Tagged(tagged)));
            }
        }
        Facts::Held(facts) => {
            if !facts.signs.is_empty() {
                added.push((own, flag(Doubt::Sign)));
            }
            // A refused hold is no result; only its signs are kept.
            if recorded && hold_failed(case) {
                added.push((own, flag(Doubt::Hold)));
            }
            if recorded && verdict(case) == Some(Verdict::SuddenLoss) {
                let cage = facts.cage.map(|cage| Subject::of(SubjectKind::Cage, cage));
                added.extend(cage.map(|cage| (cage, incident())));
            }
        }
        Facts::Returned(facts) if recorded && !as_ordered(case, facts.done) => {
            added.push((own, flag(Doubt::Unknown)));
        }
        Facts::Found(_) | Facts::ThirdPartyService(_) if recorded => {
            added.push((own, flag(Doubt::Unknown)));
        }
        Facts::Demounted(_) if recorded && taken_over(case) => {
            added.push((own, flag(Doubt::Unknown)));
        }
        Facts::Acquired(facts) if facts.origin == Origin::Used && recorded => {
            added.push((own, flag(Doubt::Unknown)));
        }
        Facts::Weighed(weighed) if recorded => {
            let over = load::overloaded(case, weighed).into_iter();
            added.extend(over.map(|id| (Subject::casing(id), flag(Doubt::Load))));
        }
        Facts::PressureRead(_)
        | Facts::Inflated(_)
        | Facts::Deflated(_)
        | Facts::Removed(_)
        | Facts::Missing(_)
        | Facts::Acquired(_) => {
            let low = low::found_low(case);
            // Of a casing that was not taken over nothing can be told.
            let known = recorded || case.casing().is_some();
            added.extend((low.own && known).then(|| (own, flag(Doubt::Low))));
            added.extend(low.mate.map(|(mate, shown)| {
                let evidence = [vec![case.command.id], shown].concat();
                let flagged = Flagged { reason: Doubt::Mate, evidence };
                (Subject::casing(mate), Facts::Flagged(flagged))
            }));
        }
        _ => {}
    }
    added
}

/// Taken over while it was rolling, and on its wheel since.
fn taken_over(case: &Case<'_>) -> bool {
    case.casing().is_some_and(|casing| casing.taken_over.is_some())
}

/// Done away was what was ordered, or nothing.
fn as_ordered(case: &Case<'_>, done: Done) -> bool {
    let order = case.casing().and_then(|casing| casing.order.as_ref());
    order.is_none_or(|order| done.as_ordered(order.purpose))
}

fn verdict(case: &Case<'_>) -> Option<Verdict> {
    case.hold.as_ref().map(|hold| hold.result.verdict)
}

/// One leak is only held again; a second in the same mounting is a doubt.
fn hold_failed(case: &Case<'_>) -> bool {
    let leaked = || case.casing().and_then(|c| c.mounting.as_ref()).is_some_and(|m| m.leaks >= 1);
    match verdict(case) {
        Some(Verdict::SuddenLoss | Verdict::OverLimit) => true,
        Some(Verdict::Leak) => leaked(),
        _ => false,
    }
}

fn incident() -> Facts {
    Facts::CageIncident(facts::cage::CageIncident {
        what: "sudden loss during a proof hold".to_owned(),
    })
}

/// The entries from which a casing is in doubt or scrap.
pub(crate) fn doubt_entries(casing: &Casing) -> Vec<Uuid> {
    casing
        .doubts
        .iter()
        .map(|doubt| doubt.entry)
        .chain(casing.scrap.map(|scrap| scrap.moment.entry))
        .collect()
}

pub(crate) fn entry_of(moment: Option<Moment>) -> Vec<Uuid> {
    moment.into_iter().map(|moment| moment.entry).collect()
}
