//! The command line: `proofhold serve`, `demo`, `organisation create`, `keys rotate`, `document`.

use crate::accounts;
use crate::clock::Clock;
use crate::demo::{self, Demo, Drawn, Loaded};
use crate::keys::Keys;
use crate::organisations::{self, NewOrganisation};
use crate::state::State;
use crate::{docs, passwords, server};
use actix_web::web;
use clap::{Args, Parser, Subcommand};
use std::error::Error;
use std::future::pending;
use std::io::{self, ErrorKind, IsTerminal, Read, Write};
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::process::ExitCode;
use store::check::check;
use store::embedded::{self, Embedded, Options};
use store::rebuild::rebuild;
use store::{Patience, Store};
use tokio::signal::ctrl_c;
use tokio::signal::unix::{SignalKind, signal};
use uuid::Uuid;

/// A ledger of heavy-truck tire casings.
#[derive(Parser)]
#[command(name = "proofhold", version)]
struct Cli {
    #[command(flatten)]
    settings: Settings,
    #[command(subcommand)]
    command: Command,
}

/// What the service runs with.
#[derive(Args)]
struct Settings {
    /// The folder with the server's secret and its token keys; `keys` in the data folder where
    /// none is given
    #[arg(long, env = "PROOFHOLD_KEYS", global = true)]
    keys: Option<PathBuf>,
    /// The PostgreSQL server to use
    #[arg(long, env = "DATABASE_URL", hide_env_values = true, global = true)]
    database_url: Option<String>,
    /// The data folder of the private PostgreSQL, where no server is given
    #[arg(long, env = "PROOFHOLD_DATA", default_value = "data", global = true)]
    data: PathBuf,
    /// The folder of PostgreSQL's programs, where the usual ones are not meant
    #[arg(long, env = "PROOFHOLD_PG_BIN", global = true)]
    pg_bin: Option<PathBuf>,
}

impl Settings {
    fn keys_folder(&self) -> PathBuf {
        self.keys.clone().unwrap_or_else(|| self.data.join("keys"))
    }
}

/// The database that a command works on: a given server, or a private one that
/// stops when this goes.
struct Database {
    url: String,
    private: Option<Embedded>,
}

impl Database {
    /// Opens it and brings its schema up to date.
    async fn open(settings: &Settings) -> Result<Database, Box<dyn Error>> {
        let database = Database::found(settings).await?;
        store::migrate::up(&database.url).await.map_err(|error| error.to_string())?;
        Ok(database)
    }

    async fn found(settings: &Settings) -> Result<Database, Box<dyn Error>> {
        let given = settings.database_url.clone().filter(|url| !url.is_empty());
        if let Some(url) = given {
            return Ok(Database { url, private: None });
        }
        let mut options = Options::new(&settings.data);
        options.programs.clone_from(&settings.pg_bin);
        let private = Embedded::start(&options).await?;
        if private.moved() {
            eprintln!("PostgreSQL's files are in {}", private.folder().display());
        }
        let url = private.url(embedded::SUPERUSER, "postgres");
        Ok(Database { url, private: Some(private) })
    }

    /// Looks after a private server; ends only by being dropped.
    async fn keep_running(&mut self) -> ! {
        match &mut self.private {
            Some(private) => private.keep_running().await,
            None => pending().await,
        }
    }

    async fn close(self) -> Done {
        if let Some(private) = self.private {
            private.stop().await?;
        }
        Ok(())
    }
}

#[derive(Subcommand)]
enum Command {
    /// Serves the API until stopped
    Serve {
        /// Where to listen
        #[arg(long, env = "PROOFHOLD_LISTEN", default_value = "127.0.0.1:8080")]
        listen: String,
    },
    /// Serves an invented fleet, loaded at the first start
    Demo {
        /// Where to listen
        #[arg(long, env = "PROOFHOLD_LISTEN", default_value = "127.0.0.1:8080")]
        listen: String,
        /// How many casings are drawn, beside those that README.md tells of
        #[arg(long, default_value_t = 700)]
        casings: u32,
        /// What the draw hangs on: the same seed gives the same fleet
        #[arg(long, default_value_t = 1)]
        seed: u64,
    },
    /// Organisations
    #[command(subcommand)]
    Organisation(Organisation),
    /// The keys that sign access tokens
    #[command(subcommand)]
    Keys(KeysCommand),
    /// Brings the schema up to date, or takes migrations back
    Migrate {
        /// Take this many back instead
        #[arg(long)]
        down: Option<usize>,
    },
    /// Reads every ledger again: takes each decision again and compares every row
    Check {
        /// Only this organisation's, by its short name
        #[arg(long)]
        organisation: Option<String>,
    },
    /// Makes the cached rows again from the entries
    Rebuild {
        /// Only this organisation's, by its short name
        #[arg(long)]
        organisation: Option<String>,
    },
    /// Installs PostgreSQL's programs with the system's package manager, where there are none
    InstallPostgres,
    /// Prints the API document
    Document,
}

#[derive(Subcommand)]
enum Organisation {
    /// Adds an organisation with its first admin
    Create(CreateOrganisation),
}

/// An organisation to be added. The password comes from a file, from standard input or is
/// asked for; it is never an argument.
#[derive(Args)]
struct CreateOrganisation {
    /// Its short name for signing in: lower-case letters, digits and hyphens
    #[arg(long)]
    slug: String,
    /// Its name
    #[arg(long)]
    name: String,
    /// What the first admin signs in with
    #[arg(long)]
    admin_login: String,
    /// The first admin's name
    #[arg(long)]
    admin_name: String,
    /// A file with the first admin's password
    #[arg(long, env = "PROOFHOLD_PASSWORD_FILE")]
    password_file: Option<PathBuf>,
}

#[derive(Subcommand)]
enum KeysCommand {
    /// Makes a new token key and retires the one before the last
    Rotate,
}

type Done = Result<(), Box<dyn Error>>;

/// Runs the command of this process's arguments.
#[must_use]
pub fn main() -> ExitCode {
    tracing_subscriber::fmt()
        .json()
        .with_span_list(false)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_default_env().unwrap_or_else(|_| "info".into()),
        )
        .with_writer(io::stderr)
        .init();
    match run(Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("proofhold: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(cli: Cli) -> Done {
    let settings = cli.settings;
    match cli.command {
        Command::Document => print!("{}", docs::document_text()),
        Command::Keys(KeysCommand::Rotate) => {
            println!("{}", Keys::open(settings.keys_folder())?.rotate()?);
        }
        Command::Organisation(Organisation::Create(new)) => {
            let password = read_password(&new)?;
            check_new(&new, &password)?;
            actix_web::rt::System::new()
                .block_on(create_organisation(&settings, &new, &password))?;
        }
        Command::Check { organisation } => {
            actix_web::rt::System::new()
                .block_on(check_ledgers(&settings, organisation.as_deref()))?;
        }
        Command::Rebuild { organisation } => {
            actix_web::rt::System::new()
                .block_on(rebuild_rows(&settings, organisation.as_deref()))?;
        }
        Command::InstallPostgres => {
            embedded::install(settings.pg_bin.as_deref())?;
        }
        Command::Migrate { down } => {
            actix_web::rt::System::new().block_on(migrate(&settings, down))?;
        }
        Command::Serve { listen } => {
            actix_web::rt::System::new().block_on(serve(settings, &listen, None))?;
        }
        Command::Demo { listen, casings, seed } => {
            let drawn = Some(Drawn { casings, seed });
            actix_web::rt::System::new().block_on(serve(settings, &listen, drawn))?;
        }
    }
    Ok(())
}

async fn migrate(settings: &Settings, down: Option<usize>) -> Done {
    let database = Database::found(settings).await?;
    let url = &database.url;
    let done = match down {
        Some(count) => store::migrate::down(url, count).await,
        None => store::migrate::up(url).await,
    };
    for migration in done.map_err(|error| error.to_string())? {
        println!("{migration}");
    }
    database.close().await
}

async fn serve(settings: Settings, listen: &str, demo: Option<Drawn>) -> Done {
    let listener = bind(listen)?;
    let mut database = Database::open(&settings).await?;
    let keys = Keys::open(settings.keys_folder())?;
    let store = Store::connect(&database.url);
    let state = web::Data::new(State::new(store, keys, Clock::system())?);
    if let Some(drawn) = demo {
        let demo = tokio::select! {
            demo = demo::open(&state, &settings.data, drawn) => demo?,
            stopped = stopped() => {
                stopped?;
                // Nothing of it is kept; the database is not left behind either.
                return database.close().await;
            }
        };
        greet(&demo, listener.local_addr()?)?;
    }
    tracing::info!(event = "sys_startup", listen = %listener.local_addr()?);
    tokio::select! {
        ended = server::run(state, listener) => ended?,
        never = database.keep_running() => never,
    }
    database.close().await
}

/// Waits until somebody stops the program, for as long as the server does not yet listen to that.
async fn stopped() -> io::Result<()> {
    let mut terminated = signal(SignalKind::terminate())?;
    tokio::select! {
        interrupted = ctrl_c() => interrupted,
        _ = terminated.recv() => Ok(()),
    }
}

fn bind(listen: &str) -> Result<TcpListener, String> {
    TcpListener::bind(listen).map_err(|error| match error.kind() {
        ErrorKind::AddrInUse => format!(
            "{listen} is in use by another program. Stop that one, or choose another address: --listen 127.0.0.1:8081 or PROOFHOLD_LISTEN."
        ),
        ErrorKind::AddrNotAvailable => format!(
            "{listen} is not an address of this machine. Choose another with --listen or PROOFHOLD_LISTEN."
        ),
        ErrorKind::PermissionDenied => format!(
            "This user may not listen on {listen}. Choose a port above 1023 with --listen or PROOFHOLD_LISTEN."
        ),
        _ => format!(
            "Cannot listen on {listen}: {error}. It must be an address and a port, such as 127.0.0.1:8080 (--listen or PROOFHOLD_LISTEN)."
        ),
    })
}

/// Tells where the demo is and who signs in.
fn greet(demo: &Demo, address: SocketAddr) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match demo.loaded {
        Some(Loaded { sent, refused, took }) => {
            let speed = sent as f64 / took.as_secs_f64();
            writeln!(out, "Larkspur Haulage: {sent} entries were loaded, {refused} were refused.")?;
            writeln!(out, "That took {:.0} s, {speed:.0} entries per second.", took.as_secs_f64())?;
        }
        None => writeln!(out, "Larkspur Haulage is there already; nothing was loaded.")?,
    }
    writeln!(out, "\n  http://{address}        the API; read and try it at http://{address}/docs")?;
    writeln!(out, "  organisation  {}", demo::SLUG)?;
    writeln!(out, "  password      {}   (kept in {})\n", demo.password, demo.file.display())?;
    for person in &demo::PEOPLE {
        let role = serde_json::to_value(person.role).unwrap_or_default();
        let role = role.as_str().unwrap_or_default();
        writeln!(out, "  {:<6}{role:<9}{}", person.login, person.name)?;
    }
    writeln!(out, "\nREADME.md says what to do with it. Ctrl-C stops it.")?;
    out.flush()
}

async fn create_organisation(
    settings: &Settings,
    new: &CreateOrganisation,
    password: &str,
) -> Done {
    let database = Database::open(settings).await?;
    let store = Store::connect(&database.url);
    let keys = Keys::open(settings.keys_folder())?;
    let begun = NewOrganisation {
        org: Uuid::now_v7(),
        slug: new.slug.clone(),
        name: new.name.clone(),
        admin: Uuid::now_v7(),
        admin_login: new.admin_login.to_lowercase(),
        admin_name: new.admin_name.clone(),
        password_hash: passwords::hash(password).map_err(|error| error.to_string())?,
    };
    if !organisations::create(&store, &keys, Clock::system().now(), &begun).await? {
        return Err(format!("there is an organisation {} already", new.slug).into());
    }
    println!("organisation {} {}\nadmin {}", begun.slug, begun.org, begun.admin);
    database.close().await
}

/// The organisations a command is about: the one named, or all.
async fn named(store: &Store, slug: Option<&str>) -> Result<Vec<(Uuid, String)>, Box<dyn Error>> {
    let all = async |conn: &mut _| store::read::organisations(conn).await;
    let mut all = store.in_org(Uuid::nil(), all).await?;
    if let Some(slug) = slug {
        all.retain(|(_, name)| name == slug);
        if all.is_empty() {
            return Err(format!("there is no organisation {slug}").into());
        }
    }
    Ok(all)
}

/// Reads every ledger again; fails at the first wrong entry or row.
async fn check_ledgers(settings: &Settings, slug: Option<&str>) -> Done {
    let database = Database::open(settings).await?;
    let store = Store::with_patience(&database.url, Patience::ENDLESS);
    let mut wrong = 0;
    for (org, slug) in named(&store, slug).await? {
        let report = store.in_org(org, async |conn: &mut _| check(conn, org).await).await?;
        if report.otherwise > 0 {
            println!(
                "{slug}: {} entries were decided by earlier rules; today's would decide them otherwise",
                report.otherwise
            );
        }
        match &report.wrong {
            None => println!(
                "{slug}: {} entries of {} subjects are right",
                report.entries, report.subjects
            ),
            Some(found) => {
                wrong += 1;
                let (kind, id) = (found.subject.kind.name(), found.subject.id);
                let entry = found.entry.map(|id| format!("entry {id}: ")).unwrap_or_default();
                println!(
                    "{slug}: WRONG after {} right entries: {kind} {id}: {entry}{}",
                    report.entries, found.say
                );
            }
        }
    }
    database.close().await?;
    if wrong > 0 { Err("the ledger is not as it was recorded".into()) } else { Ok(()) }
}

/// Makes the cached rows again from the entries.
async fn rebuild_rows(settings: &Settings, slug: Option<&str>) -> Done {
    let database = Database::open(settings).await?;
    let store = Store::with_patience(&database.url, Patience::ENDLESS);
    for (org, slug) in named(&store, slug).await? {
        let rebuilt = store.in_org(org, async |conn: &mut _| rebuild(conn, org).await).await?;
        println!("{slug}: {rebuilt} rows put right");
    }
    database.close().await
}

fn check_new(new: &CreateOrganisation, password: &str) -> Done {
    let allowed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if new.slug.is_empty() || new.slug.len() > 64 || !new.slug.chars().all(allowed) {
        return Err("a slug has 1 to 64 lower-case letters, digits and hyphens".into());
    }
    for (what, text) in [("name", &new.name), ("admin's name", &new.admin_name)] {
        if text.trim().is_empty() || text.chars().count() > 200 {
            return Err(format!("the {what} has 1 to 200 characters").into());
        }
    }
    match accounts::faults(&new.admin_login, Some(password)).first() {
        Some(fault) => Err(fault.say.clone().into()),
        None => Ok(()),
    }
}

fn read_password(new: &CreateOrganisation) -> io::Result<String> {
    let text = match &new.password_file {
        Some(file) => std::fs::read_to_string(file)?,
        None if io::stdin().is_terminal() => rpassword::prompt_password("Password of the admin: ")?,
        None => {
            let mut text = String::new();
            io::stdin().take(1024).read_to_string(&mut text)?;
            text
        }
    };
    Ok(text.trim_end_matches(['\r', '\n']).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys_folder(arguments: &[&str]) -> PathBuf {
        let line = ["proofhold", "document"].iter().chain(arguments);
        Cli::try_parse_from(line).unwrap().settings.keys_folder()
    }

    // Common practice, no published source: what belongs together moves together.
    #[test]
    fn the_keys_follow_the_data_folder() {
        assert_eq!(keys_folder(&["--data", "/srv/a"]), PathBuf::from("/srv/a/keys"));
        assert_eq!(keys_folder(&["--data", "/srv/a", "--keys", "/k"]), PathBuf::from("/k"));
    }
}
