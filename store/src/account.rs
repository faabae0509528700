//! Organisations' accounts and sessions: plain rows beside the ledger, never entries.
//!
//! Every function runs inside the transaction that [`Store::in_org`](crate::Store::in_org)
//! opened for the organisation named, and binds that organisation in every statement.

use crate::StoreError;
use crate::storable;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::Role;
use serde::Deserialize;
use serde::de::IntoDeserializer;
use serde::de::value::Error as UnknownRole;
use uuid::Uuid;

diesel::table! {
    organisation (id) {
        id -> Uuid,
        slug -> Text,
        name -> Text,
    }
}

diesel::table! {
    account (org_id, person_id) {
        org_id -> Uuid,
        person_id -> Uuid,
        login -> Text,
        password_hash -> Text,
        role -> Text,
        disabled -> Bool,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    refresh_family (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        person_id -> Uuid,
        device_id -> Uuid,
        generation -> Integer,
        token_hash -> Binary,
        started_at -> Timestamptz,
        rotated_at -> Timestamptz,
        expires_at -> Timestamptz,
        ended_at -> Nullable<Timestamptz>,
        ended_because -> Nullable<Text>,
    }
}

diesel::table! {
    subject (org_id, kind, id) {
        org_id -> Uuid,
        kind -> Text,
        id -> Uuid,
        state -> Nullable<Jsonb>,
    }
}

/// What a person signs in with, and what they may do.
#[derive(Clone, Debug, Queryable, Selectable)]
#[diesel(table_name = account, check_for_backend(diesel::pg::Pg))]
pub struct Account {
    /// The person; a subject of the ledger.
    pub person_id: Uuid,
    /// Lower case, unique in the organisation.
    pub login: String,
    /// Argon2id as a PHC string.
    pub password_hash: String,
    /// What the person may do.
    #[diesel(deserialize_as = RoleText)]
    pub role: Role,
    /// Whether signing in and every token are refused.
    pub disabled: bool,
    /// When the account was last changed.
    pub updated_at: DateTime<Utc>,
}

/// A role as the database keeps it: by its name in JSON.
#[derive(Queryable)]
pub struct RoleText(Role);

impl From<RoleText> for Role {
    fn from(text: RoleText) -> Role {
        text.0
    }
}

impl Queryable<diesel::sql_types::Text, diesel::pg::Pg> for RoleText {
    type Row = String;

    fn build(text: String) -> diesel::deserialize::Result<RoleText> {
        let read: Result<Role, UnknownRole> = Role::deserialize(text.as_str().into_deserializer());
        Ok(RoleText(read?))
    }
}

/// The name that the database keeps a role by.
fn name_of(role: Role) -> &'static str {
    match role {
        Role::Crew => "crew",
        Role::Office => "office",
        Role::Manager => "manager",
        Role::Auditor => "auditor",
        Role::Admin => "admin",
    }
}

/// A session: the family of refresh tokens that one sign-in began.
#[derive(Clone, Debug, Queryable, Selectable)]
#[diesel(table_name = refresh_family, check_for_backend(diesel::pg::Pg))]
pub struct Family {
    /// Its id.
    pub id: Uuid,
    /// Whose it is.
    pub person_id: Uuid,
    /// The device that signed in.
    pub device_id: Uuid,
    /// How many tokens came before the current one.
    pub generation: i32,
    /// SHA-256 of the current token.
    pub token_hash: Vec<u8>,
    /// When the current token became current.
    pub rotated_at: DateTime<Utc>,
    /// When the session ends at the latest.
    pub expires_at: DateTime<Utc>,
    /// When it was ended before that.
    pub ended_at: Option<DateTime<Utc>>,
}

/// Why a session was ended before its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// The person signed out.
    SignedOut,
    /// A refresh token was used twice or by another device.
    Reused,
    /// The account's password was changed, or it was disabled.
    AccountChanged,
}

impl Ended {
    fn name(self) -> &'static str {
        match self {
            Ended::SignedOut => "signed_out",
            Ended::Reused => "reused",
            Ended::AccountChanged => "account_changed",
        }
    }
}

/// An account as it shall be.
#[derive(Clone, Debug)]
pub struct NewAccount {
    /// The person.
    pub person_id: Uuid,
    /// Lower case.
    pub login: String,
    /// Argon2id as a PHC string; `None` keeps the one there is.
    pub password_hash: Option<String>,
    /// What the person may do.
    pub role: Role,
    /// Whether the person may not sign in.
    pub disabled: bool,
}

/// What became of an account that was put.
#[derive(Clone, Debug)]
pub enum Put {
    /// There was none before.
    Created(Account),
    /// It is now as asked.
    Changed(Account),
    /// Another person has the login; nothing was changed.
    LoginTaken,
    /// It is the last admin's, who must stay; nothing was changed.
    LastAdmin,
    /// There is none yet, and no password was given; nothing was changed.
    PasswordNeeded,
}

/// The organisation with this slug. Organisations are the one table that every
/// organisation's transaction may read, so any `org` will do for it.
///
/// # Errors
/// When the database fails.
pub async fn organisation_by_slug(
    conn: &mut AsyncPgConnection,
    slug: &str,
) -> Result<Option<Uuid>, StoreError> {
    if !storable(slug) {
        return Ok(None);
    }
    let found = organisation::table.filter(organisation::slug.eq(slug)).select(organisation::id);
    Ok(found.first(conn).await.optional()?)
}

/// Adds an organisation with its short name for signing in and its name; `false` when the
/// slug is taken.
///
/// # Errors
/// When the database fails.
pub async fn add_organisation(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    (slug, name): (&str, &str),
) -> Result<bool, StoreError> {
    let added = diesel::insert_into(organisation::table)
        .values((
            organisation::id.eq(org),
            organisation::slug.eq(slug),
            organisation::name.eq(name),
        ))
        .on_conflict_do_nothing()
        .execute(conn)
        .await?;
    Ok(added == 1)
}

/// Whether the ledger has a person with this id; only such a one can have an account.
///
/// # Errors
/// When the database fails.
pub async fn is_person(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    person: Uuid,
) -> Result<bool, StoreError> {
    let kind = rules::SubjectKind::Person.name();
    let person = subject::table.find((org, kind, person)).filter(subject::state.is_not_null());
    Ok(diesel::select(diesel::dsl::exists(person)).get_result(conn).await?)
}

/// A person's account.
///
/// # Errors
/// When the database fails.
pub async fn find(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    person: Uuid,
) -> Result<Option<Account>, StoreError> {
    let found = account::table.find((org, person)).select(Account::as_select());
    Ok(found.first(conn).await.optional()?)
}

/// The account with this login, in lower case.
///
/// # Errors
/// When the database fails.
pub async fn find_by_login(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    login: &str,
) -> Result<Option<Account>, StoreError> {
    if !storable(login) {
        return Ok(None);
    }
    let found = account::table
        .filter(account::org_id.eq(org).and(account::login.eq(login)))
        .select(Account::as_select());
    Ok(found.first(conn).await.optional()?)
}

/// Makes a person's account as asked, or changes it. A new password and disabling end the
/// person's sessions.
///
/// # Errors
/// When the database fails.
pub async fn put(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    new: &NewAccount,
    now: DateTime<Utc>,
) -> Result<Put, StoreError> {
    // Every change of accounts locks the admins first, so that two at a time cannot remove
    // the last one or give out one login twice. There is always one, and the caller is one.
    let admins: Vec<Uuid> = account::table
        .filter(account::org_id.eq(org).and(account::role.eq(name_of(Role::Admin))))
        .filter(account::disabled.eq(false))
        .order(account::person_id)
        .select(account::person_id)
        .for_update()
        .load(conn)
        .await?;
    let before = find(conn, org, new.person_id).await?;
    let stays_admin = new.role == Role::Admin && !new.disabled;
    if admins == [new.person_id] && !stays_admin {
        return Ok(Put::LastAdmin);
    }
    let other = find_by_login(conn, org, &new.login).await?;
    if other.is_some_and(|other| other.person_id != new.person_id) {
        return Ok(Put::LoginTaken);
    }
    let old_hash = before.as_ref().map(|before| before.password_hash.clone());
    let Some(hash) = new.password_hash.clone().or(old_hash) else {
        return Ok(Put::PasswordNeeded);
    };
    let after = upsert(conn, org, new, &hash, now).await?;
    if new.disabled || new.password_hash.is_some() {
        end_sessions_of(conn, org, new.person_id, now).await?;
    }
    Ok(if before.is_some() { Put::Changed(after) } else { Put::Created(after) })
}

async fn upsert(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    new: &NewAccount,
    hash: &str,
    now: DateTime<Utc>,
) -> Result<Account, StoreError> {
    let changed = (
        account::login.eq(&new.login),
        account::password_hash.eq(hash),
        account::role.eq(name_of(new.role)),
        account::disabled.eq(new.disabled),
        account::updated_at.eq(now),
    );
    let key = (account::org_id.eq(org), account::person_id.eq(new.person_id));
    let row = diesel::insert_into(account::table)
        .values((key, changed, account::created_at.eq(now)))
        .on_conflict((account::org_id, account::person_id))
        .do_update()
        .set(changed)
        .returning(Account::as_returning());
    Ok(row.get_result(conn).await?)
}

/// Begins a session and forgets the person's sessions whose time is over.
///
/// # Errors
/// When the database fails.
pub async fn begin_session(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    family: &Family,
) -> Result<(), StoreError> {
    let over = refresh_family::table
        .filter(refresh_family::org_id.eq(org).and(refresh_family::person_id.eq(family.person_id)))
        .filter(refresh_family::expires_at.le(family.rotated_at));
    diesel::delete(over).execute(conn).await?;
    diesel::insert_into(refresh_family::table)
        .values((
            refresh_family::org_id.eq(org),
            refresh_family::id.eq(family.id),
            refresh_family::person_id.eq(family.person_id),
            refresh_family::device_id.eq(family.device_id),
            refresh_family::generation.eq(family.generation),
            refresh_family::token_hash.eq(&family.token_hash),
            refresh_family::started_at.eq(family.rotated_at),
            refresh_family::rotated_at.eq(family.rotated_at),
            refresh_family::expires_at.eq(family.expires_at),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// A session, locked until the end of the transaction.
///
/// # Errors
/// When the database fails.
pub async fn lock_session(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    session: Uuid,
) -> Result<Option<Family>, StoreError> {
    let found = refresh_family::table.find((org, session)).select(Family::as_select()).for_update();
    Ok(found.first(conn).await.optional()?)
}

/// Makes the next token of a session its current one.
///
/// # Errors
/// When the database fails.
pub async fn rotate_session(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    session: Uuid,
    (generation, token_hash): (i32, &[u8]),
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    diesel::update(refresh_family::table.find((org, session)))
        .set((
            refresh_family::generation.eq(generation),
            refresh_family::token_hash.eq(token_hash),
            refresh_family::rotated_at.eq(now),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// Ends a session, if it has not ended.
///
/// # Errors
/// When the database fails.
pub async fn end_session(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    session: Uuid,
    because: Ended,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    diesel::update(refresh_family::table.find((org, session)))
        .filter(refresh_family::ended_at.is_null())
        .set((refresh_family::ended_at.eq(now), refresh_family::ended_because.eq(because.name())))
        .execute(conn)
        .await?;
    Ok(())
}

async fn end_sessions_of(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    person: Uuid,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let live = refresh_family::table
        .filter(refresh_family::org_id.eq(org).and(refresh_family::person_id.eq(person)))
        .filter(refresh_family::ended_at.is_null());
    diesel::update(live)
        .set((
            refresh_family::ended_at.eq(now),
            refresh_family::ended_because.eq(Ended::AccountChanged.name()),
        ))
        .execute(conn)
        .await?;
    Ok(())
}
