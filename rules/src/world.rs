//! What a decision reads: the subjects that a command names and what hangs on them.
//!
//! What hangs on what is written once, here.

use crate::amend::{self, Change};
use crate::circle::{Circle, named, position_of};
use crate::entry::{Command, Entry, Subject, SubjectKind};
use crate::erase;
use crate::facts::casing::Marks;
use crate::facts::chart::{Chart, ChartKind};
use crate::facts::policy::Policy;
use crate::facts::vehicle::Position;
use crate::facts::{Body, Facts, Field, cage, depot, model, recommendation, vehicle, wheel};
use crate::fold::casing::Casing;
use crate::fold::registry::Registry;
use crate::fold::{State, fold};
use crate::hold::Gauge;
use crate::load;
use crate::spot::{self, Spot};
pub use crate::wants::Wants;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The head of a subject's entries, with its fold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Head {
    /// How many entries it has.
    pub n: u64,
    /// Its newest entry.
    pub last: Option<Uuid>,
    /// When the newest entry was recorded.
    pub recorded_at: Option<DateTime<Utc>>,
    /// When the latest of its entries occurred, those refused for their time left out.
    pub occurred_at: Option<DateTime<Utc>>,
    /// What is known of it.
    pub state: State,
}

impl Head {
    /// The head after these entries, all of one subject, in the order of arrival.
    #[must_use]
    pub fn of<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Head {
        Head::until(entries, None)
    }

    /// The head after those of these entries that had happened by a moment, where one is given.
    /// What changes how earlier ones count does so whenever it was recorded.
    pub(crate) fn until<'a>(
        entries: impl IntoIterator<Item = &'a Entry>,
        until: Option<DateTime<Utc>>,
    ) -> Head {
        let entries: Vec<&Entry> = entries.into_iter().collect();
        let happened = |entry: &&Entry| until.is_none_or(|until| entry.at() <= until);
        let then: Vec<&Entry> = entries.iter().copied().filter(happened).collect();
        let told = then.iter().filter(|entry| entry.tells());
        Head {
            n: then.len() as u64,
            last: then.last().map(|entry| entry.id),
            recorded_at: then.last().map(|entry| entry.recorded_at),
            occurred_at: told.map(|entry| entry.at()).max(),
            state: fold(entries, until),
        }
    }

    /// Whether the subject is known of: one of which every entry was refused is not.
    #[must_use]
    pub fn known(&self) -> bool {
        self.state != State::Unknown
    }
}

/// A mark that belongs to one subject of an organisation.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Owned {
    /// A casing's brand number.
    Brand(String),
    /// A casing's radio tag.
    Tag(String),
    /// A vehicle's unit number.
    Unit(String),
}

impl Owned {
    /// The name of the kind of mark, and the mark.
    #[must_use]
    pub fn parts(&self) -> (&'static str, &str) {
        match self {
            Owned::Brand(mark) => ("brand", mark),
            Owned::Tag(mark) => ("tag", mark),
            Owned::Unit(mark) => ("unit", mark),
        }
    }
}

/// What is known of an entry that somebody wants to try again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retried {
    /// What it is about.
    pub subject: Subject,
    /// It was refused.
    pub refused: bool,
}

/// What decisions read. Everything in it is of one organisation.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct World {
    /// The organisation.
    pub org: Uuid,
    /// Heads by subject.
    pub heads: BTreeMap<Subject, Head>,
    /// All entries of subjects for which a command came late, in any order.
    pub histories: BTreeMap<Subject, Vec<Entry>>,
    /// Wheels whose casing has been looked for.
    pub wheels: BTreeSet<Uuid>,
    /// Axles whose casings have been looked for; 0 are the spares of a vehicle.
    pub axles: BTreeSet<(Uuid, u8)>,
    /// Spots whose casings have been looked for: those that were there at a moment or came
    /// later, and perhaps others.
    pub spots: BTreeMap<Spot, (DateTime<Utc>, BTreeSet<Uuid>)>,
    /// Models whose recommendations have been looked for.
    pub models: BTreeSet<Uuid>,
    /// Kinds of chart that have been looked for.
    pub charts: BTreeSet<ChartKind>,
    /// Vehicles whose takeover has been looked for.
    pub takeovers: BTreeSet<Uuid>,
    /// Owners of marks; none where a mark is free.
    pub owners: BTreeMap<Owned, Option<Subject>>,
    /// Entries that somebody wants to try again; none where there is no such entry.
    pub retried: BTreeMap<Uuid, Option<Retried>>,
}

impl World {
    /// An empty world of this organisation.
    #[must_use]
    pub fn new(org: Uuid) -> World {
        World { org, ..World::default() }
    }

    /// Every subject that the decision on this command reads, as far as this
    /// world knows them.
    #[must_use]
    pub(crate) fn circle(&self, command: &Command) -> Circle {
        let mut circle = Circle::default();
        circle.named(self.org, command);
        circle.subjects.extend(
            marks_of(command).iter().filter_map(|mark| self.owners.get(mark).copied().flatten()),
        );
        if self.histories.contains_key(&command.subject) {
            // A late entry is about the subject as it was then, and what it hung on then.
            circle.hang_on(&self.at(command.subject, command.occurred_at.to_utc()));
        }
        if let Some(Ok(Change { instead: Some(instead), .. })) = amend::change(self, command) {
            circle.extend(self.circle(&instead));
        }
        let at = command.occurred_at.to_utc();
        let on_spots = |spot| self.on_spot_since(spot, at).into_iter().map(Subject::casing);
        circle.subjects.extend(spot::looked_at(self, command).into_iter().flat_map(on_spots));
        circle.charts.extend(load::asks_tables(self, command).then_some(ChartKind::LoadInflation));
        let mut seen = BTreeSet::new();
        while let Some(&subject) = circle.subjects.iter().find(|s| !seen.contains(*s)) {
            seen.insert(subject);
            if let Some(head) = self.heads.get(&subject) {
                circle.hang_on(&head.state);
            }
            let axles = circle.axles.clone();
            let wheels = circle.wheels.clone();
            let models = circle.models.clone();
            circle.subjects.extend(self.casings().filter_map(|(id, casing)| {
                let axle = casing.vehicle.zip(casing.position.map(Position::row));
                let near = axle.is_some_and(|axle| axles.contains(&axle))
                    || casing.wheel.is_some_and(|wheel| wheels.contains(&wheel));
                near.then_some(Subject::casing(id))
            }));
            let takeovers = circle.takeovers.clone();
            circle.subjects.extend(takeovers.iter().filter_map(|vehicle| self.worked_on(*vehicle)));
            circle.subjects.extend(self.recommendations(&models).map(|(subject, _)| subject));
            let charts = circle.charts.clone();
            circle.subjects.extend(self.charts_of(&charts));
        }
        circle
    }

    fn recommendations(
        &self,
        models: &BTreeSet<Uuid>,
    ) -> impl Iterator<Item = (Subject, &Registry)> {
        self.registries(SubjectKind::Recommendation).filter(move |(_, registry)| {
            registry.versions.iter().any(|version| {
                matches!(&version.body, Body::Recommendation(body) if body.models.iter().any(|m| models.contains(m)))
            })
        })
    }

    fn charts_of(&self, kinds: &BTreeSet<ChartKind>) -> impl Iterator<Item = Subject> {
        let of_kind = |registry: &Registry| match &registry.newest()?.body {
            Body::Chart(chart) => Some(chart.rows.kind()),
            _ => None,
        };
        self.registries(SubjectKind::Chart)
            .filter(move |(_, registry)| {
                of_kind(registry).is_some_and(|kind| kinds.contains(&kind))
            })
            .map(|(subject, _)| subject)
    }

    fn registries(&self, kind: SubjectKind) -> impl Iterator<Item = (Subject, &Registry)> {
        self.heads
            .iter()
            .filter(move |(subject, _)| subject.kind == kind)
            .filter_map(|(subject, head)| Some((*subject, head.state.registry()?)))
    }

    /// The first casing with an entry by which the takeover of this vehicle ended.
    #[must_use]
    pub fn worked_on(&self, vehicle: Uuid) -> Option<Subject> {
        let mut casings = self.casings().filter(|(_, casing)| casing.worked_on.contains(&vehicle));
        casings.next().map(|(id, _)| Subject::casing(id))
    }

    /// Every casing in this world.
    pub fn casings(&self) -> impl Iterator<Item = (Uuid, &Casing)> {
        self.heads.iter().filter_map(|(subject, head)| Some((subject.id, head.state.casing()?)))
    }

    /// The state of a subject at a moment. What is registered keeps its versions, so its
    /// newest state tells of every moment.
    pub(crate) fn at(&self, subject: Subject, at: DateTime<Utc>) -> Cow<'_, State> {
        let by_moment = matches!(subject.kind, SubjectKind::Casing | SubjectKind::Cage);
        if let Some(history) = self.histories.get(&subject).filter(|_| by_moment) {
            return Cow::Owned(fold(history, Some(at)));
        }
        self.heads
            .get(&subject)
            .map_or(Cow::Owned(State::Unknown), |head| Cow::Borrowed(&head.state))
    }

    fn body(&self, kind: SubjectKind, id: Uuid, at: DateTime<Utc>) -> Option<&Body> {
        let registry = self.heads.get(&Subject::of(kind, id))?.state.registry()?;
        Some(&registry.at(at)?.body)
    }

    pub(crate) fn model(&self, id: Uuid, at: DateTime<Utc>) -> Option<&model::Model> {
        match self.body(SubjectKind::Model, id, at)? {
            Body::Model(body) => Some(body),
            _ => None,
        }
    }

    pub(crate) fn wheel(&self, id: Uuid, at: DateTime<Utc>) -> Option<&wheel::Wheel> {
        match self.body(SubjectKind::Wheel, id, at)? {
            Body::Wheel(body) => Some(body),
            _ => None,
        }
    }

    pub(crate) fn vehicle(&self, id: Uuid, at: DateTime<Utc>) -> Option<&vehicle::Vehicle> {
        match self.body(SubjectKind::Vehicle, id, at)? {
            Body::Vehicle(body) => Some(body),
            _ => None,
        }
    }

    pub(crate) fn cage(&self, id: Uuid, at: DateTime<Utc>) -> Option<&cage::Cage> {
        match self.body(SubjectKind::Cage, id, at)? {
            Body::Cage(body) => Some(body),
            _ => None,
        }
    }

    pub(crate) fn depot(&self, id: Uuid, at: DateTime<Utc>) -> Option<&depot::Depot> {
        match self.body(SubjectKind::Depot, id, at)? {
            Body::Depot(body) => Some(body),
            _ => None,
        }
    }

    pub(crate) fn policy(&self, at: DateTime<Utc>) -> Policy {
        match self.body(SubjectKind::Policy, self.org, at) {
            Some(Body::Policy(body)) => body.clone(),
            _ => Policy::default(),
        }
    }

    /// A gauge as it is on the day of a moment in this zone.
    pub(crate) fn gauge_on_day(&self, id: Uuid, at: DateTime<Utc>, zone: Tz) -> Option<Gauge> {
        let registry = self.heads.get(&Subject::of(SubjectKind::Gauge, id))?.state.registry()?;
        let Body::Gauge(body) = &registry.at(at)?.body else {
            return None;
        };
        let until = registry
            .calibrations
            .iter()
            .filter(|calibration| calibration.moment.at <= at)
            .map(|calibration| calibration.until)
            .next_back()
            .unwrap_or(body.calibrated_until);
        Some(Gauge {
            span_psi: body.span_psi,
            grade: body.grade,
            resolution_psi: body.resolution_psi,
            in_calibration: at.with_timezone(&zone).date_naive() <= until,
        })
    }

    /// The highest recommendation in force for a model, with its entry.
    pub(crate) fn recommended(
        &self,
        model: Uuid,
        at: DateTime<Utc>,
    ) -> Option<(&recommendation::Recommendation, Uuid)> {
        self.registries(SubjectKind::Recommendation)
            .filter_map(|(_, registry)| {
                let version = registry.at(at).filter(|version| version.from <= at)?;
                match &version.body {
                    Body::Recommendation(body) if body.models.contains(&model) => {
                        Some((body, version.entry))
                    }
                    _ => None,
                }
            })
            .max_by_key(|(body, _)| body.highest_psi)
    }

    /// The charts of a kind that are in force at a moment, with the entries that say so. A
    /// command's charts are loaded where the circle of the command has their kind.
    pub(crate) fn charts(
        &self,
        kind: ChartKind,
        at: DateTime<Utc>,
    ) -> impl Iterator<Item = (&Chart, Uuid)> {
        self.registries(SubjectKind::Chart).filter_map(move |(_, registry)| {
            let version = registry.at(at).filter(|version| version.from <= at)?;
            match &version.body {
                Body::Chart(chart) if chart.rows.kind() == kind => Some((chart, version.entry)),
                _ => None,
            }
        })
    }

    /// Whether the command's subject is not to be known of: nothing of it is
    /// recorded, and the command does not begin it.
    #[must_use]
    pub fn unknown(&self, command: &Command) -> bool {
        let begins = matches!(command.facts, Facts::Acquired(_) | Facts::Registered(_));
        !begins && self.heads.get(&command.subject).is_none_or(|head| head.state == State::Unknown)
    }

    /// Names everything in the command that points to nothing on record.
    #[must_use]
    pub fn dangling(&self, command: &Command) -> Vec<Field> {
        let mut fields = Vec::new();
        for (pointer, subject) in named(command) {
            if self.heads.get(&subject).is_none_or(|head| head.state == State::Unknown) {
                let say = format!("There is no such {} on record.", subject.kind.name());
                fields.push(Field::new(pointer, say));
            }
        }
        if let Some((vehicle, position)) = position_of(command)
            && let Some(vehicle) = self.vehicle(vehicle, command.occurred_at.to_utc())
            && !vehicle.has(position)
        {
            let say = format!("Unit {} has no position {position}.", vehicle.unit);
            fields.push(Field::new("/facts/position", say));
        }
        fields.extend(erase::dangling(self, command));
        match amend::change(self, command) {
            Some(Err(wrong)) => fields.extend(wrong),
            Some(Ok(Change { instead: Some(instead), .. })) => {
                let named = self.dangling(&instead).into_iter().filter(|f| f.pointer != "/by");
                fields.extend(named.map(amend::below));
            }
            _ => {}
        }
        if let Facts::Weighed(facts) = &command.facts
            && let Some(vehicle) = self.vehicle(command.subject.id, command.occurred_at.to_utc())
        {
            for (i, _) in
                facts.axles.iter().enumerate().filter(|(_, one)| vehicle.tires(one.axle).is_none())
            {
                let say = format!("Unit {} has no such axle.", vehicle.unit);
                fields.push(Field::new(format!("/facts/axles/{i}/axle"), say));
            }
        }
        if let Facts::Changed(Body::Chart(chart)) = &command.facts
            && let Some(Body::Chart(before)) =
                self.body(SubjectKind::Chart, command.subject.id, command.occurred_at.to_utc())
            && before.rows.kind() != chart.rows.kind()
        {
            let say = format!("It is a chart of {}, and stays so.", before.rows.kind().name());
            fields.push(Field::new("/facts/rows", say));
        }
        if command.subject.kind == SubjectKind::Policy && command.subject.id != self.org {
            fields.push(Field::new("/subject/id", "The policy has the organisation's id."));
        }
        if let Some(id) = command.retries {
            let fits = self
                .retried
                .get(&id)
                .copied()
                .flatten()
                .is_some_and(|retried| retried.refused && retried.subject == command.subject);
            if !fits {
                fields.push(Field::new(
                    "/retries",
                    "There is no such refused entry of this subject.",
                ));
            }
        }
        fields
    }

    /// Takes in an entry that was decided, so that the next command sees it.
    pub fn apply(&mut self, entry: &Entry) {
        let head = self.heads.entry(entry.subject).or_default();
        let owned_before = owned(&head.state);
        let late = head.occurred_at.is_some_and(|latest| latest > entry.at());
        // Such an entry changes what earlier ones count for.
        let refold = late || entry.amends();
        head.n = entry.n;
        head.last = Some(entry.id);
        head.recorded_at = Some(entry.recorded_at);
        if entry.tells() {
            head.occurred_at = head.occurred_at.max(Some(entry.at()));
        }
        match self.histories.get_mut(&entry.subject) {
            Some(history) => {
                history.push(entry.clone());
                if refold {
                    head.state = fold(history.iter(), None);
                } else {
                    head.state.apply(entry);
                }
            }
            None => head.state.apply(entry),
        }
        let owned_now = owned(&head.state);
        for mark in owned_before.into_iter().filter(|mark| !owned_now.contains(mark)) {
            self.owners.insert(mark, None);
        }
        for mark in owned_now {
            self.owners.insert(mark, Some(entry.subject));
        }
        for spot in entry.facts.put_on() {
            if let Some((_, casings)) = self.spots.get_mut(&spot) {
                casings.insert(entry.subject.id);
            }
        }
        let retried = Retried { subject: entry.subject, refused: !entry.recorded() };
        self.retried.insert(entry.id, Some(retried));
    }
}

/// The marks that a command would give its subject.
pub(crate) fn marks_of(command: &Command) -> Vec<Owned> {
    let of_casing = |marks: &Marks| {
        let brand = marks.brand.clone().map(Owned::Brand);
        brand.into_iter().chain(marks.tag.clone().map(Owned::Tag)).collect::<Vec<_>>()
    };
    match &command.facts {
        Facts::Acquired(facts) => of_casing(&facts.marks),
        Facts::Identified(facts) => of_casing(&facts.marks),
        Facts::Registered(Body::Vehicle(body)) | Facts::Changed(Body::Vehicle(body)) => {
            vec![Owned::Unit(body.unit.clone())]
        }
        _ => Vec::new(),
    }
}

/// The marks that a subject owns now, for the store's look-up table.
#[must_use]
pub fn owned(state: &State) -> Vec<Owned> {
    match state {
        State::Casing(casing) => {
            let brand = casing.marks.brand.clone().map(Owned::Brand);
            brand.into_iter().chain(casing.marks.tag.clone().map(Owned::Tag)).collect()
        }
        State::Registry(registry) => match registry.newest().map(|version| &version.body) {
            Some(Body::Vehicle(body)) => vec![Owned::Unit(body.unit.clone())],
            _ => Vec::new(),
        },
        State::Unknown => Vec::new(),
    }
}
