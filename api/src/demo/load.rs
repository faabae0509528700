//! Loads the demo where there is none, and tells who signs in.

use super::{PEOPLE, Posting, SLUG, fleet, organisation, person_id};
use crate::passwords;
use crate::state::State;
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use rules::Command;
use rules::entry::Sender;
use std::error::Error;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use store::StoreError;
use store::account::{self, NewAccount};
use store::record::{Answer, Request, Sent, record};

/// The demo as it is served.
pub struct Demo {
    /// How many entries were sent, and how many of them were refused; none where the demo was
    /// there already.
    pub loaded: Option<(usize, usize)>,
    /// The password of all its people.
    pub password: String,
    /// The file with the password.
    pub file: PathBuf,
}

/// Opens the demo: loads it unless it is there, and writes its password to `demo.password`
/// in the data folder.
///
/// # Errors
/// When another organisation has its slug, or database or data folder cannot be written.
pub async fn open(state: &State, data: &Path) -> Result<Demo, Box<dyn Error>> {
    let password = password(state);
    let hash = passwords::hash(&password).map_err(|error| error.to_string())?;
    let now = state.clock.now();
    let postings = fleet(now);
    let org = organisation();
    let load = async |conn: &mut _| {
        if !account::add_organisation(conn, org, (SLUG, "Larkspur Haulage")).await? {
            return Ok((None, account::organisation_by_slug(conn, SLUG).await?));
        }
        let mut refused = 0;
        for day in postings.chunk_by(|one, next| one.at.date_naive() == next.at.date_naive()) {
            let answers = record(conn, org, day[day.len() - 1].at, &requests(state, day)).await?;
            refused += count_refused(&answers)?;
        }
        for account in accounts(&hash) {
            account::put(conn, org, &account, now).await?;
        }
        Ok((Some((postings.len(), refused)), Some(org)))
    };
    let (loaded, owner) = state.store.in_org(org, load).await?;
    if owner != Some(org) {
        return Err(format!("there is an organisation {SLUG} that is not the demo's").into());
    }
    let file = keep(&password, data)?;
    Ok(Demo { loaded, password, file })
}

/// What was sent, with those entries of one person that follow each other as one request.
fn requests(state: &State, postings: &[Posting]) -> Vec<Request> {
    postings
        .chunk_by(|one, next| one.person == next.person)
        .map(|sent| Request {
            sender: Sender { person: sent[0].person, sent_at: None },
            commands: sent.iter().map(|posting| known_by(state, &posting.command)).collect(),
        })
        .collect()
}

fn known_by(state: &State, command: &Command) -> Sent {
    let content = state.keys.content(organisation(), &command.content());
    Sent { command: command.clone(), content }
}

fn count_refused(answers: &[Vec<Answer>]) -> Result<usize, StoreError> {
    let mut refused = 0;
    for answer in answers.iter().flatten() {
        match answer {
            Answer::Decided(entries) => refused += usize::from(!entries[0].recorded()),
            other => return Err(StoreError::Broken(format!("the demo's own entry: {other:?}"))),
        }
    }
    Ok(refused)
}

fn accounts(hash: &str) -> impl Iterator<Item = NewAccount> {
    PEOPLE.iter().map(move |person| NewAccount {
        person_id: person_id(person.login),
        login: person.login.to_owned(),
        password_hash: Some(hash.to_owned()),
        role: person.role,
        disabled: false,
    })
}

/// The demo's password follows from the server's secret: nobody else's demo has it, and
/// there is nothing more to lose.
fn password(state: &State) -> String {
    BASE64_URL_SAFE_NO_PAD.encode(&state.keys.mac("demo", organisation().as_bytes())[..12])
}

fn keep(password: &str, data: &Path) -> io::Result<PathBuf> {
    fs::create_dir_all(data)?;
    let file = data.join("demo.password");
    let mut opened =
        OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&file)?;
    writeln!(opened, "{password}")?;
    Ok(file)
}
