//! The demo on a running Proofhold. What it promises is its own, no outside source.

use crate::postgres::{Server, wait};
use crate::proofhold::{Proofhold, send};
use api::clock::Clock;
use api::demo::{self, Demo, Drawn, PEOPLE, SLUG, id};
use api::keys::Keys;
use api::state::State;
use rules::SubjectKind;
use serde_json::json;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use store::check::check;
use uuid::Uuid;

fn data_folder(proofhold: &Proofhold) -> PathBuf {
    Server::get().folder(&format!("demo-{}", proofhold.database.name))
}

/// Loads what is told of the demo for what the service's clock says.
pub fn open(proofhold: &Proofhold) -> Result<Demo, String> {
    open_with(proofhold, Drawn::NOTHING)
}

fn open_with(proofhold: &Proofhold, drawn: Drawn) -> Result<Demo, String> {
    let data = data_folder(proofhold);
    let keys = Keys::open(data.join("keys")).unwrap();
    let now = proofhold.now();
    let state = State::new(proofhold.store.clone(), keys, Clock::of(move || now)).unwrap();
    wait(demo::open(&state, &data, drawn)).map_err(|error| error.to_string())
}

#[test]
fn the_demo_is_loaded_once_and_everybody_in_it_can_sign_in() {
    let proofhold = Proofhold::start();
    let first = open(&proofhold).unwrap();
    // Refused: somebody untrained, a cracked wheel, two releases without their 20 minutes, and an
    // installation without a word of its nuts.
    assert!(first.loaded.is_some_and(|loaded| loaded.sent > 800 && loaded.refused == 5));
    let again = open(&proofhold).unwrap();
    assert_eq!((again.loaded, &again.password), (None, &first.password));

    let kept = std::fs::read_to_string(&first.file).unwrap();
    assert_eq!(kept.trim_end(), first.password);
    assert_eq!(std::fs::metadata(&first.file).unwrap().permissions().mode() & 0o777, 0o600);
    for person in &PEOPLE {
        let session = proofhold.sign_in(SLUG, person.login, &first.password, Uuid::now_v7());
        let session = session.expect(201);
        assert_eq!(session["person"], json!(id(SubjectKind::Person, person.login)));
        assert_eq!(session["role"], json!(person.role), "{}", person.login);
        let address = format!("/v1/people/{}", session["person"].as_str().unwrap());
        let token = session["access_token"].as_str().unwrap();
        let shown = send(proofhold.request("GET", &address).bearer_auth(token)).expect(200);
        assert_eq!(shown["personal"]["name"], json!(person.name));
    }
}

#[test]
fn an_organisation_of_the_same_name_is_left_alone() {
    let proofhold = Proofhold::start();
    let org = proofhold.organisation(SLUG);
    let refused = open(&proofhold).err().unwrap();
    assert!(refused.contains("not the demo's"), "{refused}");
    assert!(!data_folder(&proofhold).join("demo.password").exists());
    let subjects =
        async |conn: &mut _| store::read::subjects(conn, org, SubjectKind::Person, None, 1).await;
    assert!(wait(proofhold.store.in_org(org, subjects)).unwrap().is_empty());
}

#[test]
fn what_is_drawn_is_recorded_and_checked() {
    let proofhold = Proofhold::start();
    let loaded = open_with(&proofhold, Drawn { casings: 40, seed: 3 }).unwrap().loaded.unwrap();
    let org = demo::organisation();
    let report = wait(proofhold.store.in_org(org, async |conn: &mut _| check(conn, org).await));
    let report = report.unwrap();
    assert_eq!(report.wrong, None);
    assert!(report.entries > loaded.sent as u64, "{report:?}");
    // Bought, mounted and held within one request, under a maker's recommendation.
    let refused = "SELECT DISTINCT kind FROM entry WHERE refused ORDER BY kind";
    let refused = wait(proofhold.database.superuser().query(refused, &[])).unwrap();
    let refused: Vec<String> = refused.iter().map(|row| row.get(0)).collect();
    assert_eq!(refused, ["demounted", "installed", "mounted", "released"]);
    let casings =
        async |conn: &mut _| store::read::subjects(conn, org, SubjectKind::Casing, None, 200).await;
    assert_eq!(wait(proofhold.store.in_org(org, casings)).unwrap().len(), 46 + 40);
}
