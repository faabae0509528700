//! People's accounts, and the first one of an organisation.

use crate::auth::Caller;
use crate::input::Body;
use crate::passwords;
use crate::problem::{self, Code, Details, Problem};
use crate::shapes::on_record;
use crate::state::State;
use actix_web::{HttpResponse, get, put, web};
use chrono::{DateTime, Utc};
use rules::{Field, Role, SubjectKind};
use serde::{Deserialize, Serialize};
use store::account::{self, NewAccount, Put};
use utoipa::ToSchema;
use uuid::Uuid;

/// An account as it shall be.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"login": "ada.finch", "role": "crew", "password": "correct horse battery"}))]
pub struct AccountWanted {
    /// What the person signs in with: letters, digits and `. _ - + @`; kept in lower case.
    #[schema(
        example = "ada.finch",
        min_length = 1,
        max_length = 64,
        pattern = "^[A-Za-z0-9._+@-]+$"
    )]
    pub login: String,
    /// What the person may do.
    pub role: Role,
    /// 8 to 128 characters, 15 or more recommended. Without it the old password stays.
    #[serde(default)]
    #[schema(example = "correct horse battery", min_length = 8, max_length = 128, format = Password)]
    pub password: Option<String>,
    /// Whether the person may not sign in.
    #[serde(default)]
    pub disabled: bool,
}

/// A person's account.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({"person": on_record(SubjectKind::Person), "login": "ada.finch", "role": "crew",
    "disabled": false, "updated_at": "2026-03-03T13:00:02.114Z"}))]
pub struct Account {
    /// The person's id.
    pub person: Uuid,
    /// What the person signs in with.
    #[schema(example = "ada.finch")]
    pub login: String,
    /// What the person may do.
    pub role: Role,
    /// Whether the person may not sign in.
    pub disabled: bool,
    /// When the account was last changed.
    pub updated_at: DateTime<Utc>,
}

impl From<account::Account> for Account {
    fn from(row: account::Account) -> Account {
        Account {
            person: row.person_id,
            login: row.login,
            role: row.role,
            disabled: row.disabled,
            updated_at: row.updated_at,
        }
    }
}

/// A person's account
#[utoipa::path(
    tag = "people",
    params(("id" = Uuid, Path, example = json!(on_record(SubjectKind::Person)), description = "The person.")),
    responses((status = 200, description = "The account.", body = Account))
)]
#[get("/v1/people/{id}/account")]
pub async fn get_account(
    state: web::Data<State>,
    caller: Caller,
    person: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let find = async |conn: &mut _| account::find(conn, caller.org, *person).await;
    let found = state.store.in_org(caller.org, find).await?.ok_or_else(Problem::not_found)?;
    Ok(HttpResponse::Ok().json(Account::from(found)))
}

/// Give a person an account, or change it
///
/// The whole account is replaced; sending the same again changes nothing. A new password and
/// disabling end the person's sessions.
#[utoipa::path(
    tag = "people",
    params(("id" = Uuid, Path, example = json!(on_record(SubjectKind::Person)), description = "The person, as registered in the ledger.")),
    request_body = AccountWanted,
    responses(
        (status = 200, description = "The account was changed.", body = Account),
        (status = 201, description = "The account was made.", body = Account),
        (status = 409, description = "The login is taken, or it is the last admin's account.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::LoginTaken))),
    )
)]
#[put("/v1/people/{id}/account")]
pub async fn put_account(
    state: web::Data<State>,
    caller: Caller,
    person: web::Path<Uuid>,
    Body(wanted): Body<AccountWanted>,
) -> Result<HttpResponse, Problem> {
    let (org, person) = (caller.org, *person);
    let faults = faults(&wanted.login, wanted.password.as_deref());
    if !faults.is_empty() {
        return Err(Problem::impossible(faults));
    }
    let password_hash = match wanted.password {
        Some(password) => Some(state.passwords.hash(password).await?),
        None => None,
    };
    let new = NewAccount {
        person_id: person,
        login: wanted.login.to_lowercase(),
        password_hash,
        role: wanted.role,
        disabled: wanted.disabled,
    };
    let now = state.clock.now();
    let put = async |conn: &mut _| match account::is_person(conn, org, person).await? {
        true => account::put(conn, org, &new, now).await.map(Some),
        false => Ok(None),
    };
    let put = state.store.in_org(org, put).await?.ok_or_else(Problem::not_found)?;
    state.callers.forget();
    tracing::info!(event = "privilege_permissions_changed", %org, by = %caller.person, %person, role = ?new.role);
    answer(put)
}

fn answer(put: Put) -> Result<HttpResponse, Problem> {
    match put {
        Put::Created(row) => Ok(HttpResponse::Created().json(Account::from(row))),
        Put::Changed(row) => Ok(HttpResponse::Ok().json(Account::from(row))),
        Put::LoginTaken => Err(Problem::plain(Code::LoginTaken)),
        Put::LastAdmin => Err(Problem::plain(Code::LastAdmin)),
        Put::PasswordNeeded => Err(Problem::impossible(vec![Field::new(
            "/password",
            "A new account needs a password.",
        )])),
    }
}

/// What is wrong with a login and a new password; nothing if both will do.
#[must_use]
pub fn faults(login: &str, password: Option<&str>) -> Vec<Field> {
    let mut faults = Vec::new();
    let allowed = |c: char| c.is_ascii_alphanumeric() || ".-_+@".contains(c);
    if login.is_empty() || login.len() > 64 || !login.chars().all(allowed) {
        faults
            .push(Field::new("/login", "A login has 1 to 64 letters, digits and . _ - + @ only."));
    }
    if let Some(fault) = password.and_then(|password| passwords::fault(password, login)) {
        faults.push(Field::new("/password", fault));
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    // Common practice, no published source.
    #[test]
    fn logins_and_passwords_are_judged_together() {
        assert!(faults("ada.finch", Some("correct horse")).is_empty());
        assert!(faults("ada.finch", None).is_empty());
        let pointers = |login: &str, password| -> Vec<String> {
            faults(login, password).into_iter().map(|field| field.pointer).collect()
        };
        assert_eq!(pointers("", None), ["/login"]);
        assert_eq!(pointers("ada finch", None), ["/login"]);
        assert_eq!(pointers(&"a".repeat(65), Some("short")), ["/login", "/password"]);
        assert_eq!(pointers("ada.finch", Some("ADA.FINCH")), ["/password"]);
    }
}
