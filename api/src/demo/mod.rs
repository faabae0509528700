//! The demo: Larkspur Haulage, an invented fleet with half a year behind it.
//!
//! Nothing in it is random: what varies is taken from names, and all times hang on the
//! moment it is made for, so the same moment gives the same fleet.

mod diary;
mod given;
mod load;
mod stories;
#[cfg(test)]
mod tests;

use chrono::{DateTime, Utc};
use diary::Diary;
pub use load::{Demo, open};
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
}

const fn person(login: &'static str, name: &'static str, role: Role) -> Person {
    Person { login, name, role }
}

/// Everybody of the demo who signs in.
pub const PEOPLE: [Person; 8] = [
    person("ada", "Ada Finch", Role::Crew),
    person("ben", "Ben Oakes", Role::Crew),
    person("nell", "Nell Pruitt", Role::Crew),
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

/// Everything that was sent before `now`, in the order of `at`.
#[must_use]
pub fn fleet(now: DateTime<Utc>) -> Vec<Posting> {
    let mut diary = Diary::before(now);
    given::register(&mut diary);
    stories::tell(&mut diary);
    diary.into_postings()
}
