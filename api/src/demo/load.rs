//! Loads the demo where there is none, and tells who signs in.

use super::diary::FIRST_DAY;
use super::{Drawn, PEOPLE, Posting, SLUG, days, organisation, person_id};
use crate::passwords;
use crate::state::State;
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use indicatif::{ProgressBar, ProgressStyle};
use rules::Command;
use rules::entry::Sender;
use std::error::Error;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use store::StoreError;
use store::account::{self, NewAccount};
use store::record::{Answer, Request, Sent, record, take_stock};

/// The demo as it is served.
pub struct Demo {
    /// What was loaded; none where the demo was there already.
    pub loaded: Option<Loaded>,
    /// The password of all its people.
    pub password: String,
    /// The file with the password.
    pub file: PathBuf,
}

/// What was recorded of the demo.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Loaded {
    /// How many entries were sent.
    pub sent: usize,
    /// How many of them were refused.
    pub refused: usize,
    /// What all of it took.
    pub took: Duration,
}

/// As many entries go to the ledger at once.
const BATCH: usize = 1_000;

/// Opens the demo: loads it unless it is there, and writes its password to `demo.password`
/// in the data folder.
///
/// # Errors
/// When another organisation has its slug, or database or data folder cannot be written.
pub async fn open(state: &State, data: &Path, drawn: Drawn) -> Result<Demo, Box<dyn Error>> {
    let password = password(state);
    let hash = passwords::hash(&password).map_err(|error| error.to_string())?;
    let now = state.clock.now();
    let org = organisation();
    let load = async |conn: &mut _| {
        if !account::add_organisation(conn, org, (SLUG, "Larkspur Haulage")).await? {
            return Ok((None, account::organisation_by_slug(conn, SLUG).await?));
        }
        let (begun, mut loaded) = (Instant::now(), Loaded::default());
        let bar = progress();
        let mut batches = 0_u32;
        for day in bar.wrap_iter(days(now, drawn)) {
            for batch in day.chunks(BATCH) {
                let (last, requests) = (batch[batch.len() - 1].at, requests(state, batch));
                let answers = record(conn, org, last, &requests).await?;
                loaded.sent += batch.len();
                batches += 1;
                if batches >= 4 && batches.is_power_of_two() {
                    take_stock(conn).await?;
                }
                loaded.refused += count_refused(batch, &answers)?;
            }
            bar.set_message(format!("{} entries", loaded.sent));
        }
        for account in accounts(&hash) {
            account::put(conn, org, &account, now).await?;
        }
        bar.finish_and_clear();
        Ok((Some(Loaded { took: begun.elapsed(), ..loaded }), Some(org)))
    };
    let (loaded, owner) = state.store.in_org(org, load).await?;
    if owner != Some(org) {
        return Err(format!("there is an organisation {SLUG} that is not the demo's").into());
    }
    let file = keep(&password, data)?;
    Ok(Demo { loaded, password, file })
}

/// Shown where somebody looks on: the days of the fleet that are recorded.
fn progress() -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} days  {msg}  {eta} left");
    let days = ProgressBar::new(FIRST_DAY + 1);
    match style {
        Ok(style) => days.with_style(style),
        Err(_) => days,
    }
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

fn count_refused(sent: &[Posting], answers: &[Vec<Answer>]) -> Result<usize, StoreError> {
    let mut refused = 0;
    for (posting, answer) in sent.iter().zip(answers.iter().flatten()) {
        match answer {
            Answer::Decided(entries) => refused += usize::from(!entries[0].recorded()),
            other => {
                let say = format!("the demo's own entry: {:?}: {other:?}", posting.command);
                return Err(StoreError::Broken(say));
            }
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
