//! The demo: Larkspur Haulage, an invented fleet with two years behind it.
//!
//! Some of its tires are told of one by one, the rest is drawn. What varies is taken from names
//! and a seed, and all times hang on the moment it is made for: the same moment and seed give
//! the same fleet.

mod diary;
mod draw;
mod given;
mod load;
mod stories;
#[cfg(test)]
mod tests;

use chrono::{DateTime, TimeDelta, Utc};
use diary::{Diary, FIRST_DAY};
pub use load::{Demo, Loaded, open};
use rules::{Command, Role, SubjectKind};
use std::sync::LazyLock;
use uuid::Uuid;

/// The slug of the demo's organisation.
pub const SLUG: &str = "larkspur";

/// Somebody of the demo who signs in.
pub struct Person {
    /// What they sign in with; their id is made of it.
    pub login: &'static str,
    /// Their name.
    pub name: &'static str,
    /// What they may do.
    pub role: Role,
    /// The firm they come from, where it is not the fleet.
    employer: Option<&'static str>,
}

const fn person(login: &'static str, name: &'static str, role: Role) -> Person {
    Person { login, name, role, employer: None }
}

/// Everybody of the demo who signs in.
pub const PEOPLE: [Person; 9] = [
    person("ada", "Ada Finch", Role::Crew),
    person("ben", "Ben Oakes", Role::Crew),
    person("nell", "Nell Pruitt", Role::Crew),
    Person { employer: Some("Fenwick Roadside"), ..person("finn", "Finn Marlow", Role::Crew) },
    person("cora", "Cora Lint", Role::Office),
    person("dora", "Dora Quill", Role::Manager),
    person("milo", "Milo Tarn", Role::Manager),
    person("vera", "Vera Stowe", Role::Auditor),
    person("gus", "Gus Arden", Role::Admin),
];

/// One entry as somebody sent it.
#[derive(Clone, Debug, PartialEq)]
pub struct Posting {
    /// Who sent it.
    pub person: Uuid,
    /// When.
    pub at: DateTime<Utc>,
    /// What.
    pub command: Command,
}

static NAMESPACE: LazyLock<Uuid> =
    LazyLock::new(|| Uuid::new_v5(&Uuid::NAMESPACE_URL, b"proofhold demo"));

/// The id of the demo's thing of this name: a casing's brand number, a vehicle's unit
/// number, a person's login.
#[must_use]
pub fn id(kind: SubjectKind, name: &str) -> Uuid {
    named(&format!("{} {name}", kind.name()))
}

fn named(name: &str) -> Uuid {
    Uuid::new_v5(&NAMESPACE, name.as_bytes())
}

/// The demo's organisation.
#[must_use]
pub fn organisation() -> Uuid {
    id(SubjectKind::Policy, SLUG)
}

fn person_id(login: &str) -> Uuid {
    id(SubjectKind::Person, login)
}

/// How much of the fleet is drawn, beside the casings that are told of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Drawn {
    /// How many casings.
    pub casings: u32,
    /// What the draw hangs on: the same seed gives the same fleet.
    pub seed: u64,
}

impl Drawn {
    /// Nothing but what is told of.
    pub const NOTHING: Drawn = Drawn { casings: 0, seed: 0 };
}

/// Everything that was sent before `now`, day by day, each in the order of `at`.
pub fn days(now: DateTime<Utc>, drawn: Drawn) -> impl Iterator<Item = Vec<Posting>> {
    let mut diary = Diary::before(now);
    given::register(&mut diary);
    stories::tell(&mut diary);
    let mut told = diary.take().into_iter().peekable();
    let mut draw = draw::Draw::new(drawn);
    (0..=FIRST_DAY).rev().map(move |day| {
        draw.day(&mut diary, day);
        let tomorrow = diary.begins(day) + TimeDelta::days(1);
        let mut postings = diary.take();
        postings.extend(std::iter::from_fn(|| told.next_if(|posting| posting.at < tomorrow)));
        postings.sort_by_key(|posting| posting.at);
        postings
    })
}
