//! What is registered and changed: each write is an entry of the ledger, so that decisions can
//! be shown to stand on what was known. The addresses of each kind are in [`crate::things`].

use crate::as_of;
use crate::auth::Caller;
use crate::entries::{decided, refuse, the_one};
use crate::fitted::{self, Danger};
use crate::headers::IfMatch;
use crate::merge::merge;
use crate::page::{List, Paging};
use crate::problem::Problem;
use crate::state::State;
use crate::strict;
use crate::writing::Writing;
use chrono::{DateTime, FixedOffset, Utc};
use rules::facts::chart::ChartKind;
use rules::facts::policy::Policy;
use rules::facts::{Body, Personal};
use rules::fold::casing::Casing;
use rules::fold::registry::{Calibration, Check, Registry, Tag, Training};
use rules::fold::{Moment, fold};
use rules::world::{Head, Owned};
use rules::{Command, Entry, Facts, Field, Subject, SubjectKind, View};
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeSet;
use store::read::{self, Kept};
use store::record;
use store::{Connection, StoreError};
use utoipa::ToSchema;
use uuid::Uuid;

/// What is known of a registered thing besides its body.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Thing {
    /// Its id, made by the client that registered it.
    #[schema(example = "019b9f2c-5c00-7000-8000-00000000f001")]
    pub id: Uuid,
    /// What kind of thing it is.
    pub kind: SubjectKind,
    /// Its version: the place of its last `registered` or `changed` among its entries. `ETag`
    /// and `If-Match` carry it. 0 is a policy that nobody has set.
    #[schema(example = 1)]
    pub n: u64,
    /// The entry that gave this version.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry: Option<Uuid>,
    /// From when this version is in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-01-12T14:00:00Z")]
    pub since: Option<DateTime<Utc>>,
    /// The moments that were asked for.
    #[serde(flatten)]
    pub view: View,
    /// A person's name and notes, where they were given and not erased.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub personal: Option<Personal>,
    /// A cage's last look-over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check: Option<Check>,
    /// A cage's last incident.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub incident: Option<Moment>,
    /// A gauge's calibrations since it was registered.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub calibrations: Vec<Calibration>,
    /// A person's trainings and evaluations.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub trainings: Vec<Training>,
    /// A wheel that may not be used any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tagged: Option<Tag>,
    /// A vehicle may not move until the tires under `dangers` are off; not in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub do_not_move: Option<bool>,
    /// Why a vehicle may not move.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub dangers: Vec<Danger>,
}

/// A thing with its body.
pub type Known = (Thing, Body);

impl Thing {
    fn of(
        id: Uuid,
        kind: SubjectKind,
        registry: &Registry,
        personal: Option<Personal>,
    ) -> Option<Known> {
        let version = registry.newest()?;
        let thing = Thing {
            id,
            kind,
            n: version.n,
            entry: Some(version.entry),
            since: Some(version.from),
            view: View::default(),
            personal,
            check: registry.check.clone(),
            incident: registry.incident,
            calibrations: registry.calibrations.clone(),
            trainings: registry.trainings.clone(),
            tagged: registry.tagged.clone(),
            do_not_move: None,
            dangers: Vec::new(),
        };
        Some((thing, version.body.clone()))
    }
}

/// The policy that holds while an organisation has set none.
fn unset_policy(org: Uuid) -> Known {
    let thing = Thing {
        id: org,
        kind: SubjectKind::Policy,
        n: 0,
        entry: None,
        since: None,
        view: View::default(),
        personal: None,
        check: None,
        incident: None,
        calibrations: Vec::new(),
        trainings: Vec::new(),
        tagged: None,
        do_not_move: None,
        dangers: Vec::new(),
    };
    (thing, Body::Policy(Policy::default()))
}

/// Registers a thing. `occurred_at` is now where the client does not say.
///
/// # Errors
/// 409 where rules stop it, 422 where it can never be.
pub async fn register(
    writing: &Writing,
    subject: Subject,
    occurred_at: Option<DateTime<FixedOffset>>,
    body: Body,
    personal: Option<Personal>,
) -> Result<Known, Problem> {
    let (state, org, now) = (&writing.state, writing.caller.org, writing.state.clock.now());
    let command = command(
        writing,
        subject,
        occurred_at.unwrap_or(now.fixed_offset()),
        Facts::Registered(body),
    );
    let command = Command { personal, ..command }.checked();
    let request = writing.request(command.map_err(|error| Problem::from(error).placed("/body"))?);
    let work = async |conn: &mut Connection| {
        let answer = match record::seen(conn, org, writing.entry, &writing.content).await? {
            Some(answer) => Ok(answer),
            None => the_one(record::record(conn, org, now, &request).await?),
        };
        as_recorded(conn, org, answer.and_then(decided)).await
    };
    state.store.in_org(org, work).await?.map_err(|problem| problem.placed("/body"))
}

fn command(
    writing: &Writing,
    subject: Subject,
    occurred_at: DateTime<FixedOffset>,
    facts: Facts,
) -> Command {
    Command {
        id: writing.entry,
        subject,
        occurred_at,
        by: None,
        facts,
        attested: BTreeSet::new(),
        personal: None,
        retries: None,
    }
}

/// The thing as the entry left it, however long ago that was.
async fn as_recorded(
    conn: &mut Connection,
    org: Uuid,
    entries: Result<Vec<Entry>, Problem>,
) -> Result<Result<Known, Problem>, StoreError> {
    let checked = entries.and_then(|entries| refuse(&entries).map(|()| entries));
    let entry = match checked.as_deref() {
        Ok([entry, ..]) => entry,
        Ok([]) => return Ok(Err(Problem::internal("a command has no entry"))),
        Err(problem) => return Ok(Err(problem.clone())),
    };
    let upto = i64::try_from(entry.n).unwrap_or(i64::MAX);
    let history = read::history(conn, org, entry.subject, 0, upto).await?;
    let state = fold(history.iter().map(|kept| &kept.entry), None);
    let names = history.iter().rev().find_map(name_of);
    let known = state
        .registry()
        .and_then(|registry| Thing::of(entry.subject.id, entry.subject.kind, registry, names));
    Ok(known.ok_or_else(|| Problem::internal("what was recorded is not there")))
}

fn name_of(kept: &Kept) -> Option<Personal> {
    let names = matches!(kept.entry.facts, Facts::Registered(_) | Facts::Changed(_))
        && kept.entry.subject.kind == SubjectKind::Person
        && kept.entry.recorded();
    kept.personal.clone().filter(|_| names)
}

/// Changes a thing by a merge patch of its body, if it is still the version that the caller
/// read. Sent again, it gets the same answer, whatever has happened to the thing since.
///
/// # Errors
/// 404, 412, 428; 409 where rules stop it, 400 and 422 where the patched body cannot be.
pub async fn change(
    writing: &Writing,
    if_match: &IfMatch,
    subject: Subject,
) -> Result<Known, Problem> {
    let (state, org, now) = (&writing.state, writing.caller.org, writing.state.clock.now());
    let patch: Value = writing.read()?;
    let work = async |conn: &mut Connection| {
        let Some((thing, body)) = locked(conn, org, subject, &patch).await? else {
            return Ok(Err(Problem::not_found()));
        };
        if let Some(answer) = record::seen(conn, org, writing.entry, &writing.content).await? {
            return as_recorded(conn, org, decided(answer)).await;
        }
        // What could never be is told before whose change comes first.
        let command = patched(subject.kind, &body, patch.clone()).and_then(|body| {
            let facts = if thing.n == 0 { Facts::Registered(body) } else { Facts::Changed(body) };
            Ok(command(writing, subject, now.fixed_offset(), facts).checked()?)
        });
        let request = match command.and_then(|command| if_match.admit(thing.n).map(|()| command)) {
            Ok(command) => writing.request(command),
            Err(problem) => return Ok(Err(problem)),
        };
        let answer = the_one(record::record(conn, org, now, &request).await?);
        as_recorded(conn, org, answer.and_then(decided)).await
    };
    state.store.in_org(org, work).await?.map_err(|problem| problem.placed(""))
}

/// Registers a thing, or gives it this whole body if it is still the version that the caller
/// read. Says whether it was new. Sent again, it gets the same answer.
///
/// # Errors
/// 412, 428; 409 where rules stop it, 422 where it can never be.
pub async fn put(
    writing: &Writing,
    if_match: &IfMatch,
    subject: Subject,
    occurred_at: Option<DateTime<FixedOffset>>,
    body: Body,
) -> Result<(Known, bool), Problem> {
    let (state, org, now) = (&writing.state, writing.caller.org, writing.state.clock.now());
    let at = occurred_at.unwrap_or(now.fixed_offset());
    let work = async |conn: &mut Connection| {
        let before = locked(conn, org, subject, &Value::Null).await?;
        let entries = match record::seen(conn, org, writing.entry, &writing.content).await? {
            Some(answer) => decided(answer),
            None => {
                let facts = match &before {
                    None => Facts::Registered(body.clone()),
                    Some(_) => Facts::Changed(body.clone()),
                };
                let admitted = || match &before {
                    None => if_match.admit_new(),
                    Some((thing, _)) => if_match.admit(thing.n),
                };
                let command = command(writing, subject, at, facts).checked();
                match command.map_err(Problem::from).and_then(|c| admitted().map(|()| c)) {
                    Ok(command) => {
                        let request = writing.request(command);
                        the_one(record::record(conn, org, now, &request).await?).and_then(decided)
                    }
                    Err(problem) => Err(problem),
                }
            }
        };
        let first = entries.as_ref().ok().and_then(|entries| entries.first());
        let new = first.is_some_and(|entry| matches!(entry.facts, Facts::Registered(_)));
        Ok(as_recorded(conn, org, entries).await?.map(|known| (known, new)))
    };
    state.store.in_org(org, work).await?
}

/// The thing, locked together with the vehicle that has the unit number it is to get: of two
/// vehicles that want each other's, locked one after the other, each would wait for the other.
async fn locked(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    patch: &Value,
) -> Result<Option<Known>, StoreError> {
    let unit = patch["unit"].as_str().filter(|_| subject.kind == SubjectKind::Vehicle);
    let owner = match unit {
        Some(unit) => read::owner(conn, org, &Owned::Unit(unit.to_owned())).await?,
        None => None,
    };
    let head = read::lock(conn, org, subject, owner).await?;
    let known = head
        .as_ref()
        .and_then(|head| head.state.registry())
        .and_then(|registry| Thing::of(subject.id, subject.kind, registry, None));
    Ok(known.or_else(|| (subject.kind == SubjectKind::Policy).then(|| unset_policy(org))))
}

fn patched(kind: SubjectKind, body: &Body, patch: Value) -> Result<Body, Problem> {
    if !patch.is_object() {
        let field = Field::new("", "An object with what changes is expected.");
        return Err(Problem::not_well_formed(field));
    }
    let mut whole = serde_json::to_value(body).map_err(Problem::internal)?;
    known_names(kind, &whole, &patch)?;
    one_list(body, &patch)?;
    merge(&mut whole, patch);
    let patched = Body::read(kind, &whole.to_string()).map_err(Problem::not_well_formed)?;
    strict::by_name(&whole, &patched)?;
    Ok(patched)
}

/// Lets a patch through whose rows of a chart are one list of the chart's own kind: merged, a
/// second list would stand beside the first.
fn one_list(body: &Body, patch: &Value) -> Result<(), Problem> {
    let (Body::Chart(chart), Some(rows)) = (body, patch["rows"].as_object()) else {
        return Ok(());
    };
    let own = chart.rows.kind().name();
    let other = |name: &str| ChartKind::ALL.iter().any(|kind| kind.name() == name);
    match rows.iter().collect::<Vec<_>>()[..] {
        [(name, Value::Array(_))] if name == own => Ok(()),
        [(name, Value::Array(_))] if other(name) => {
            let say = format!("It is a chart of {own}, and stays so.");
            Err(Problem::impossible(vec![Field::new("/rows", say)]))
        }
        _ => Err(Problem::not_well_formed(Field::new("/rows", "One list of rows is expected."))),
    }
}

/// Lets a patch through that takes away only what such a body may have: merged, it would be as
/// if it had not been asked.
fn known_names(kind: SubjectKind, whole: &Value, patch: &Value) -> Result<(), Problem> {
    let taken_away = patch.as_object().into_iter().flatten().filter(|(_, new)| new.is_null());
    for (name, _) in taken_away {
        let mut with = whole.clone();
        with[name.as_str()] = Value::Null;
        match Body::read(kind, &with.to_string()) {
            Err(field) if field.say.contains("unknown field") => {
                return Err(Problem::not_well_formed(field));
            }
            _ => {}
        }
    }
    Ok(())
}

/// One thing, as it stands or stood.
///
/// # Errors
/// 404 where nothing is recorded of it, or was then.
pub async fn find(
    state: &State,
    caller: Caller,
    subject: Subject,
    view: View,
) -> Result<Known, Problem> {
    let org = caller.org;
    if !view.is_now() {
        let look = async |conn: &mut Connection| then(conn, org, subject, view).await;
        let known = state.store.in_snapshot(org, look).await?;
        return known.ok_or_else(|| as_of::not_found(view));
    }
    let look = async |conn: &mut Connection| match read::head(conn, org, subject).await? {
        Some(head) => alone(conn, org, subject, &head, view).await,
        None => Ok((subject.kind == SubjectKind::Policy).then(|| unset_policy(org))),
    };
    state.store.in_org(org, look).await?.ok_or_else(Problem::not_found)
}

/// A thing as it stood, if it was on record.
async fn then(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    view: View,
) -> Result<Option<Known>, StoreError> {
    let head = view.head(&as_of::entries(conn, org, subject, view).await?);
    alone(conn, org, subject, &head, view).await
}

/// A thing that is asked for alone: of a vehicle it is said whether it may move.
async fn alone(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    head: &Head,
    view: View,
) -> Result<Option<Known>, StoreError> {
    if subject.kind == SubjectKind::Vehicle {
        let casings = fitted::casings(conn, org, subject.id, head, view).await?;
        return vehicle(conn, org, subject, head, view, &casings).await;
    }
    let known = known(conn, org, subject, head).await?;
    Ok(known.map(|(thing, body)| (Thing { view, ..thing }, body)))
}

/// A vehicle, and whether it may move with these casings on it.
///
/// # Errors
/// When the database fails.
pub async fn vehicle(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    head: &Head,
    view: View,
    casings: &[(Uuid, Casing)],
) -> Result<Option<Known>, StoreError> {
    let Some((thing, body)) = known(conn, org, subject, head).await? else {
        return Ok(None);
    };
    let dangers = fitted::dangers(conn, org, casings).await?;
    let do_not_move = Some(!dangers.is_empty());
    Ok(Some((Thing { view, do_not_move, dangers, ..thing }, body)))
}

/// A thing from the head of its entries, with the name where it is a person.
async fn known(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    head: &Head,
) -> Result<Option<Known>, StoreError> {
    let Some(registry) = head.state.registry() else {
        return Ok(None);
    };
    let mut personal = None;
    if subject.kind == SubjectKind::Person {
        // The newest version that came with a name has the name.
        for version in registry.versions.iter().rev() {
            personal = read::entry(conn, org, version.entry).await?.and_then(|kept| kept.personal);
            if personal.is_some() {
                break;
            }
        }
    }
    Ok(Thing::of(subject.id, subject.kind, registry, personal))
}

/// A page of the things of a kind, in the order of their ids, with the cursor of the next.
///
/// # Errors
/// 400 where the cursor is not one of this list.
pub async fn list(
    state: &State,
    caller: Caller,
    kind: SubjectKind,
    paging: &Paging,
) -> Result<(Vec<Known>, Option<String>), Problem> {
    let org = caller.org;
    let pages = List::of_kind(&state.keys, org, kind);
    let after = pages.after(paging.after.as_deref())?;
    let look = async |conn: &mut Connection| {
        let mut things = Vec::new();
        let most = i64::from(paging.limit.0) + 1;
        for (id, head) in read::subjects(conn, org, kind, after, most).await? {
            things.extend(known(conn, org, Subject::of(kind, id), &head).await?);
        }
        Ok(things)
    };
    let mut things = state.store.in_org(org, look).await?;
    let next = pages.cut(&mut things, paging.limit, |(thing, _)| thing.id);
    Ok((things, next))
}
