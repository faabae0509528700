//! Entries that change how earlier ones count: corrections, and resolutions of refusals that
//! did happen.
//!
//! Nothing is taken out of the ledger. Whoever reads a subject's entries puts them right first
//! ([`put_right`]): facts that were wrong are replaced, what was about another casing does not
//! count here, and what was done though it was refused counts at its own time. The entry that
//! counts instead is judged like any that comes late, and what follows from it is added.

use crate::decide::{Case, Depth, decide_to, follows, worked};
use crate::entry::{Command, Entry, Outcome, Subject, SubjectKind, Worked};
use crate::facts::amend::{Corrected, Resolved};
use crate::facts::casing::{Doubt, Flagged};
use crate::facts::{Facts, Field};
use crate::fit::{self, Fit};
use crate::fold::casing::Standing;
use crate::fold::{State, in_order};
use crate::hold::Verdict;
use crate::table::{Class, class_here};
use crate::world::World;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The entry that an entry changes, if it is of a kind that does.
fn named(facts: &Facts) -> Option<Uuid> {
    match facts {
        Facts::Corrected(corrected) => Some(corrected.corrects),
        Facts::Resolved(resolved) if resolved.it_did_happen => Some(resolved.refusal),
        _ => None,
    }
}

/// What was changed afterwards, among the entries of one subject.
#[derive(Default)]
struct Changes<'a> {
    /// The entry that is changed in the end, by each correction.
    first: BTreeMap<Uuid, Uuid>,
    /// The newest change of each entry.
    newest: BTreeMap<Uuid, &'a Entry>,
}

impl<'a> Changes<'a> {
    fn among(entries: &[&'a Entry]) -> Changes<'a> {
        let mut amending: Vec<&Entry> =
            entries.iter().copied().filter(|entry| entry.amends()).collect();
        amending.sort_by_key(|entry| entry.n);
        let mut changes = Changes::default();
        for entry in amending {
            if let Some(named) = named(&entry.facts) {
                let first = changes.first(named);
                changes.first.insert(entry.id, first);
                changes.newest.insert(first, entry);
            }
        }
        changes
    }

    /// What an entry that names this one changes in the end: a correction of a correction
    /// changes what that one did.
    fn first(&self, named: Uuid) -> Uuid {
        self.first.get(&named).copied().unwrap_or(named)
    }

    /// The entry as it counts; none where it does not count any more.
    fn applied(&self, entry: &'a Entry) -> Option<Cow<'a, Entry>> {
        let Some(by) = self.newest.get(&entry.id) else {
            return Some(Cow::Borrowed(entry));
        };
        let counts = Outcome::Recorded { cautions: Vec::new(), worked: by.worked().cloned() };
        match &by.facts {
            // A doubt stays, whoever else has it too.
            Facts::Corrected(corrected) if corrected.right_casing.is_some() => {
                let doubt = matches!(entry.facts, Facts::Flagged(_)) && !corrected.void;
                doubt.then_some(Cow::Borrowed(entry))
            }
            Facts::Corrected(corrected) => {
                let facts = right_facts(corrected, &entry.facts).unwrap_or(entry.facts.clone());
                Some(Cow::Owned(Entry { facts, outcome: counts, ..entry.clone() }))
            }
            _ => Some(Cow::Owned(Entry { outcome: counts, ..entry.clone() })),
        }
    }
}

/// The facts that a correction puts in the place of these.
fn right_facts(corrected: &Corrected, wrong: &Facts) -> Result<Facts, Vec<Field>> {
    let Some(right) = &corrected.facts else {
        return Ok(wrong.clone());
    };
    let facts = Facts::from_value(wrong.kind(), SubjectKind::Casing, right.clone());
    let facts = facts.map_err(|field| vec![below(field)])?;
    let mut fields = Vec::new();
    facts.check(&mut fields);
    match fields.is_empty() {
        true => Ok(facts),
        false => Err(fields.into_iter().map(below).collect()),
    }
}

/// The same field, where it stands in a correction.
pub(crate) fn below(field: Field) -> Field {
    Field { pointer: field.pointer.replacen("/facts", "/facts/facts", 1), ..field }
}

/// The entries of one subject as they count, each in its place.
pub(crate) fn put_right<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Vec<Cow<'a, Entry>> {
    let entries: Vec<&Entry> = entries.into_iter().collect();
    let changes = Changes::among(&entries);
    entries.into_iter().filter_map(|entry| changes.applied(entry)).collect()
}

/// What an entry is about to change.
pub(crate) struct Change {
    /// The entry as it counts until now; as it was, where it does not.
    pub(crate) of: Entry,
    /// What is to count in its place, on its casing or on the right one.
    pub(crate) instead: Option<Command>,
    /// It was changed or closed before.
    settled: bool,
}

/// What a command changes, as far as its subject's history is at hand: none where it changes
/// nothing.
///
/// # Errors
/// What it names wrongly.
pub(crate) fn change(world: &World, command: &Command) -> Option<Result<Change, Vec<Field>>> {
    let history: Vec<&Entry> = world.histories.get(&command.subject)?.iter().collect();
    match &command.facts {
        Facts::Corrected(corrected) => Some(correction(&history, command, corrected)),
        Facts::Resolved(resolved) => Some(resolution(&history, command, *resolved)),
        _ => None,
    }
}

fn wrong<T>(pointer: &str, say: &str) -> Result<T, Vec<Field>> {
    Err(vec![Field::new(pointer, say)])
}

fn correction(
    history: &[&Entry],
    command: &Command,
    corrected: &Corrected,
) -> Result<Change, Vec<Field>> {
    let changes = Changes::among(history);
    let first = changes.first(corrected.corrects);
    let of = history.iter().find(|entry| entry.id == first);
    let counts = |entry: &&Entry| entry.recorded() || changes.newest.contains_key(&entry.id);
    let Some(of) = of.copied().filter(counts) else {
        return wrong("/facts/corrects", "There is no such recorded entry of this casing.");
    };
    if matches!(of.facts, Facts::Resolved(_) | Facts::Erased(_)) {
        return wrong("/facts/corrects", "An entry of this kind is not corrected.");
    }
    let newest = changes.newest.get(&first).filter(|by| by.facts.kind() == crate::Kind::Corrected);
    let settled = newest.is_some_and(|newest| newest.id != corrected.corrects);
    let of = changes.applied(of).map_or_else(|| of.clone(), Cow::into_owned);
    let scrap = makes_scrap(&of.facts);
    if corrected.void && !scrap {
        return wrong("/facts/void", "Only what made a casing scrap is void.");
    }
    let mut instead = of.command();
    match corrected.right_casing {
        Some(right) if right == command.subject.id => {
            return wrong("/facts/right_casing", "It is on this casing already.");
        }
        Some(_) if scrap && !corrected.void => {
            return wrong("/facts/void", "It made this casing scrap. Say that it is void.");
        }
        Some(right) => instead.subject = Subject::casing(right),
        None => {}
    }
    instead.facts = right_facts(corrected, &of.facts)?;
    instead.id = command.id;
    instead.attested.extend(command.attested.iter().cloned());
    instead.retries = None;
    Ok(Change { of, instead: Some(instead), settled })
}

fn resolution(
    history: &[&Entry],
    command: &Command,
    resolved: Resolved,
) -> Result<Change, Vec<Field>> {
    let refused = |entry: &&&Entry| entry.id == resolved.refusal && !entry.recorded();
    let Some(of) = history.iter().find(refused).copied() else {
        return wrong("/facts/refusal", "There is no such refused entry of this subject.");
    };
    let decision = matches!(of.facts, Facts::Corrected(_) | Facts::Resolved(_) | Facts::Erased(_));
    if resolved.it_did_happen && (decision || of.subject.kind != SubjectKind::Casing) {
        let say = "Only what was done to a casing can have happened all the same.";
        return wrong("/facts/it_did_happen", say);
    }
    let closed = |entry: &&Entry| entry.recorded() && entry.closes() == Some(resolved.refusal);
    let instead = Command { id: command.id, retries: None, ..of.command() };
    Ok(Change {
        of: of.clone(),
        instead: resolved.it_did_happen.then_some(instead),
        settled: history.iter().any(closed),
    })
}

/// Whether these facts alone make a casing scrap.
fn makes_scrap(facts: &Facts) -> bool {
    match facts {
        Facts::Scrapped(_) => true,
        Facts::Flagged(flagged) => flagged.reason == Doubt::Sign,
        _ => false,
    }
}

/// Whether a casing is trusted more because of this entry.
fn vouches(entry: &Entry) -> bool {
    match (&entry.facts, entry.worked()) {
        (Facts::Inspected(facts), _) => facts.clean(),
        (Facts::Held(_), Some(Worked::Held(held))) => held.result.verdict == Verdict::Pass,
        _ => false,
    }
}

impl World {
    /// Whether this person may not send this command, for what it changes: nobody voids the
    /// scrap that he recorded himself.
    #[must_use]
    pub fn forbidden(&self, sender: Uuid, command: &Command) -> bool {
        let voids = matches!(&command.facts, Facts::Corrected(corrected) if corrected.void);
        let Some(Ok(change)) = change(self, command).filter(|_| voids) else {
            return false;
        };
        let by = command.by.unwrap_or(sender);
        [change.of.sender, change.of.by].iter().any(|one| *one == sender || *one == by)
    }
}

/// A change with what its judgement needs: a correction, or what did happen though it was
/// refused.
pub(crate) struct Amended {
    change: Change,
    instead: Command,
    /// The ledger without what does not count any more.
    world: World,
    /// The casing of what is to count, just before it.
    before: State,
    /// The place of what is to count among the entries of its casing.
    n: u64,
    fit: Fit,
    /// It would make a casing stand better.
    raises: bool,
}

impl Amended {
    /// What a command changes, with how it fits: at this depth, and together with the rest of
    /// its request.
    pub(crate) fn of(case: &Case<'_>, depth: Depth, rest: &[&Command]) -> Option<Amended> {
        let change = change(case.world, case.command)?.ok()?;
        let instead = change.instead.clone()?;
        let mut world = case.world.clone();
        world.apply(&case.entry(Outcome::Recorded { cautions: Vec::new(), worked: None }));
        let same = instead.subject == case.command.subject;
        let at = instead.occurred_at.to_utc();
        let (before, n) = if same {
            let mut before = State::Unknown;
            let place = (at, change.of.n);
            let history = &case.world.histories[&instead.subject];
            in_order(history, None)
                .iter()
                .filter(|entry| (entry.at(), entry.n) < place)
                .for_each(|entry| before.apply(entry));
            (before, change.of.n)
        } else {
            let head = world.heads.get(&instead.subject);
            (world.at(instead.subject, at).into_owned(), head.map_or(0, |head| head.n) + 1)
        };
        let (fit, raises) = (Fit::default(), false);
        let mut amended = Amended { change, instead, world, before, n, fit, raises };
        if depth != Depth::Alone {
            amended.fit = amended.fitted(case, rest);
        }
        amended.raises = amended.raised(case);
        Some(amended)
    }

    /// What is to count, before the rules.
    pub(crate) fn case<'a>(&'a self, case: &Case<'_>) -> Case<'a> {
        let before = Cow::Borrowed(&self.before);
        let mut own = Case::on(&self.world, case.now, case.sender, &self.instead, before);
        own.fit = self.fit.clone();
        own
    }

    /// The casings that it fits only together with later entries of the request about them.
    pub(crate) fn leans(&self) -> &BTreeSet<Subject> {
        &self.fit.leans
    }

    /// What is to count, as an entry of its casing.
    pub(crate) fn counting(&self, case: &Case<'_>) -> Entry {
        let own = self.case(case);
        let recorded = Outcome::Recorded { cautions: Vec::new(), worked: worked(&own) };
        Entry { n: self.n, ..own.entry(recorded) }
    }

    /// It was done though it was refused.
    pub(crate) fn deviation(&self) -> bool {
        !self.change.of.recorded()
    }

    /// Whether this rule can stop it: what was done against the rules only has to be possible.
    pub(crate) fn minds(&self, rule: &'static str, instead: &Case<'_>) -> bool {
        !self.deviation() || class_here(rule, instead) == Class::Fact
    }

    /// What the ledger adds because of it: the entry itself on the right casing, what follows
    /// from it at its own time, and the doubt about what was done against the rules.
    pub(crate) fn follow(
        &self,
        case: &Case<'_>,
        own: &Entry,
        consequences: Vec<(Subject, Facts)>,
    ) -> Vec<Entry> {
        let counting = self.counting(case);
        let at = counting.occurred_at;
        let then = |(subject, facts)| Entry { occurred_at: at, ..follows(own, subject, facts) };
        let deviation = Flagged { reason: Doubt::Deviation, evidence: vec![self.change.of.id] };
        let deviation = self.deviation().then_some((own.subject, Facts::Flagged(deviation)));
        self.moves_over(case)
            .then_some(counting)
            .into_iter()
            .chain(consequences.into_iter().chain(deviation).map(then))
            .collect()
    }

    /// It is about another casing.
    pub(crate) fn moves_over(&self, case: &Case<'_>) -> bool {
        self.instead.subject != case.command.subject
    }

    /// The entry of the casing itself, as it will be recorded.
    fn own(&self, case: &Case<'_>) -> Entry {
        let counting = self.counting(case);
        let outcome = if self.moves_over(case) {
            Outcome::Recorded { cautions: Vec::new(), worked: None }
        } else {
            counting.outcome
        };
        case.entry(outcome)
    }

    /// How it fits, on the casing itself and on the right one: alone, or together with what
    /// follows in the request. What was done to a wrong casing moves over step by step.
    fn fitted(&self, case: &Case<'_>, rest: &[&Command]) -> Fit {
        if !fit::moves(&self.change.of.facts) && !fit::moves(&self.instead.facts) {
            return Fit::default();
        }
        let alone = self.fitted_alone(case);
        if alone.fits() {
            return alone;
        }
        let about = BTreeSet::from([case.command.subject, self.instead.subject]);
        let mut then = case.world.clone();
        then.apply(&self.own(case));
        if self.moves_over(case) {
            then.apply(&self.counting(case));
        }
        for command in fit::followers(case.world, rest, &about) {
            let decided = decide_to(Depth::Alone, &then, case.now, case.sender, command, &[], None);
            decided.iter().for_each(|entry| then.apply(entry));
            let fits = |subject: &Subject| {
                fit::clashes(case.world, &then, *subject, &then.histories[subject]).fits()
            };
            if about.iter().all(fits) {
                return Fit { leans: about, ..Fit::default() };
            }
        }
        alone
    }

    fn fitted_alone(&self, case: &Case<'_>) -> Fit {
        let own = case.command.subject;
        let known = &case.world.histories[&own];
        let here = fit::clashes(case.world, case.world, own, known.iter().chain([&self.own(case)]));
        if !self.moves_over(case) || !here.fits() {
            return here;
        }
        fit::fit(&self.case(case), &self.counting(case), &[])
    }

    fn raised(&self, case: &Case<'_>) -> bool {
        let counting = self.counting(case);
        let more = vouches(&counting) && !vouches(&self.change.of);
        if self.deviation() {
            // It comes with a doubt of its own.
            return false;
        }
        let (own, right) = (case.command.subject, self.instead.subject);
        let standing = |state: &State| state.casing().map(|casing| casing.standing);
        let mut world = case.world.clone();
        world.apply(&self.own(case));
        if right != own {
            world.apply(&counting);
        }
        let raised = |subject: &Subject| {
            let was = case.world.heads.get(subject).and_then(|head| standing(&head.state));
            let is = world.heads.get(subject).and_then(|head| standing(&head.state));
            was > is.or(Some(Standing::Serviceable))
        };
        let void = matches!(&case.command.facts, Facts::Corrected(c) if c.void);
        (right == own && more) || (!void && raised(&own)) || raised(&right) && right != own
    }
}

/// Why a command may not change what it names, beside what the rules say of what is to count.
pub(crate) fn stop(case: &Case<'_>) -> Option<&'static str> {
    let change = change(case.world, case.command)?.ok()?;
    if change.settled {
        Some("That was corrected or closed already. Look at its newest entry.")
    } else if case.amended.as_ref().is_some_and(|amended| amended.raises) {
        Some("A correction cannot make a tire stand better. Inspect it and hold it again.")
    } else {
        None
    }
}
