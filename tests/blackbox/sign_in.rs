//! Signing in, going on and signing out.

use crate::proofhold::{PASSWORD, Proofhold, send};
use chrono::TimeDelta;
use rules::Role;
use serde_json::{Value, json};
use uuid::Uuid;

fn with_an_admin() -> Proofhold {
    let proofhold = Proofhold::start();
    let org = proofhold.organisation("larkspur");
    proofhold.account(org, Uuid::now_v7(), "gus", Role::Admin);
    proofhold
}

/// OWASP authentication cheat sheet: wrong login, organisation and password are
/// answered alike.
#[test]
fn what_was_wrong_is_not_told() {
    let proofhold = with_an_admin();
    let problem = |slug, login, password| {
        let answer = proofhold.sign_in(slug, login, password, Uuid::now_v7());
        let mut problem = answer.problem(401, "WRONG_CREDENTIALS");
        problem.as_object_mut().unwrap().remove("request_id").unwrap();
        problem
    };
    let wrong_password = problem("larkspur", "gus", "not the password");
    assert_eq!(problem("larkspur", "nobody", PASSWORD), wrong_password);
    assert_eq!(problem("nobody", "gus", PASSWORD), wrong_password);
}

/// RFC 9700 section 4.14.2: refresh tokens rotate, and a second use ends the session.
#[test]
fn a_refresh_token_is_good_once() {
    let proofhold = with_an_admin();
    let device = Uuid::now_v7();
    let session = proofhold.sign_in("larkspur", "gus", PASSWORD, device).expect(201);
    let refresh = |session: &Value| {
        let body = json!({"refresh_token": session["refresh_token"], "device_id": device});
        proofhold.post("/v1/sessions/refresh", &body)
    };
    let second = refresh(&session).expect(200);
    // Within a minute a lost answer gives the same successor: common practice, no published source.
    assert_eq!(refresh(&session).expect(200)["refresh_token"], second["refresh_token"]);
    // Once the successor was used, the old token ends the whole family.
    let third = refresh(&second).expect(200);
    refresh(&session).problem(401, "SESSION_ENDED");
    refresh(&third).problem(401, "SESSION_ENDED");
}

/// OWASP session management cheat sheet: after signing out neither token is accepted;
/// the access token at once, long before it ends by itself.
#[test]
fn signing_out_ends_both_tokens() {
    let proofhold = with_an_admin();
    let device = Uuid::now_v7();
    let session = proofhold.sign_in("larkspur", "gus", PASSWORD, device).expect(201);
    let other = proofhold.token("larkspur", "gus");
    let sign_out =
        |token: &str| send(proofhold.request("DELETE", "/v1/sessions/current").bearer_auth(token));
    let access = session["access_token"].as_str().unwrap();
    sign_out(access).expect(204);
    sign_out(access).problem(401, "INVALID_TOKEN");
    let refresh = json!({"refresh_token": session["refresh_token"], "device_id": device});
    proofhold.post("/v1/sessions/refresh", &refresh).problem(401, "SESSION_ENDED");
    // The same person's session on another device goes on.
    sign_out(&other).expect(204);
}

/// RFC 9068 section 2.2: an access token ends at its `exp`; here after 15 minutes, and
/// a session on a crew's device after 30 days. The times are the project's own.
#[test]
fn tokens_end_by_themselves() {
    let proofhold = with_an_admin();
    let device = Uuid::now_v7();
    let session = proofhold.sign_in("larkspur", "gus", PASSWORD, device).expect(201);
    assert_eq!(session["expires_in_s"], 900);
    let start = proofhold.now();
    // Clocks may be a minute apart.
    proofhold.set_clock(start + TimeDelta::minutes(17));
    let access = session["access_token"].as_str().unwrap();
    let request = proofhold.request("DELETE", "/v1/sessions/current").bearer_auth(access);
    send(request).problem(401, "INVALID_TOKEN");
    let refresh = |session: &Value| {
        let body = json!({"refresh_token": session["refresh_token"], "device_id": device});
        proofhold.post("/v1/sessions/refresh", &body)
    };
    let next = refresh(&session).expect(200);
    proofhold.set_clock(start + TimeDelta::days(31));
    refresh(&next).problem(401, "SESSION_ENDED");
}
