//! Beginning an organisation: itself, its policy, its first admin.

use crate::keys::Keys;
use chrono::{DateTime, Utc};
use rules::entry::Sender;
use rules::facts::person::Person;
use rules::facts::policy::Policy;
use rules::facts::{Body, Personal};
use rules::{Command, Facts, Role, Subject, SubjectKind};
use std::collections::BTreeSet;
use store::account::{self, NewAccount};
use store::record::{Answer, Request, Sent, record};
use store::{Store, StoreError};
use uuid::Uuid;

/// An organisation to be begun.
#[derive(Clone, Debug)]
pub struct NewOrganisation {
    /// Its id.
    pub org: Uuid,
    /// Its short name for signing in.
    pub slug: String,
    /// Its name.
    pub name: String,
    /// The first admin.
    pub admin: Uuid,
    /// What the first admin signs in with, in lower case.
    pub admin_login: String,
    /// The first admin's name.
    pub admin_name: String,
    /// The first admin's password: argon2id as a PHC string.
    pub password_hash: String,
}

/// Adds the organisation; the ledger's first entries register the admin and the policy, with
/// the admin as their sender. All of it or nothing; `false` when the short name is taken.
///
/// # Errors
/// When the database fails.
pub async fn create(
    store: &Store,
    keys: &Keys,
    now: DateTime<Utc>,
    new: &NewOrganisation,
) -> Result<bool, StoreError> {
    let admin = NewAccount {
        person_id: new.admin,
        login: new.admin_login.clone(),
        password_hash: Some(new.password_hash.clone()),
        role: Role::Admin,
        disabled: false,
    };
    let commands = [
        registered(
            Subject::of(SubjectKind::Person, new.admin),
            Body::Person(Person { employer: None }),
            Some(Personal { name: Some(new.admin_name.clone()), ..Personal::default() }),
            now,
        ),
        registered(
            Subject::of(SubjectKind::Policy, new.org),
            Body::Policy(Policy::default()),
            None,
            now,
        ),
    ];
    let commands = commands.map(|command| {
        let content = keys.content(new.org, &command.content());
        Sent { command, content }
    });
    let first =
        Request { sender: Sender { person: new.admin, sent_at: None }, commands: commands.into() };
    let begin = async |conn: &mut _| {
        if !account::add_organisation(conn, new.org, (&new.slug, &new.name)).await? {
            return Ok(false);
        }
        let answers = record(conn, new.org, now, std::slice::from_ref(&first)).await?;
        let recorded =
            |answer: &Answer| matches!(answer, Answer::Decided(all) if all[0].recorded());
        if !answers.iter().flatten().all(recorded) {
            return Err(StoreError::Broken(format!("the first entries were stopped: {answers:?}")));
        }
        account::put(conn, new.org, &admin, now).await?;
        Ok(true)
    };
    store.in_org(new.org, begin).await
}

fn registered(
    subject: Subject,
    body: Body,
    personal: Option<Personal>,
    now: DateTime<Utc>,
) -> Command {
    Command {
        id: Uuid::now_v7(),
        subject,
        occurred_at: now.fixed_offset(),
        by: None,
        facts: Facts::Registered(body),
        attested: BTreeSet::new(),
        personal,
        retries: None,
    }
}
