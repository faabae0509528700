//! The schema, brought up to date or taken back, by one process at a time.

use diesel::migration::{MigrationSource, Result as MigrationResult};
use diesel::pg::Pg;
use diesel_async::{
    AsyncConnection, AsyncMigrationHarness, AsyncPgConnection, SimpleAsyncConnection,
};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

/// The advisory lock of whoever migrates a database; the number is Proofhold's own. PostgreSQL frees it
/// when the connection ends, however it ends, and only after what was under way is rolled back.
const LOCK: i64 = 0x7072_6f6f_6668_6f6c;

/// A migration takes as long as it takes, and waits for one by another process.
const SETUP: &str = "SET statement_timeout = 0; SET lock_timeout = 0; \
                     SET idle_in_transaction_session_timeout = 0";

/// The database is ahead of this program.
#[derive(Debug, thiserror::Error)]
#[error(
    "A newer Proofhold has brought this database up to {newest}, which this one does not know. \
     Nothing was changed. Run the newer program, or give another database."
)]
pub struct Newer {
    /// The newest migration that this program does not know.
    pub newest: String,
}

type Harness = AsyncMigrationHarness<AsyncPgConnection>;

/// Runs every migration that has not been run; says which. Waits where another process is at it.
///
/// # Errors
/// [`Newer`]; the server's word where a migration fails, and that one is then not run at all.
pub async fn up(url: &str) -> MigrationResult<Vec<String>> {
    alone(url, |harness| {
        let run = harness.run_pending_migrations(MIGRATIONS)?;
        Ok(run.iter().map(ToString::to_string).collect())
    })
    .await
}

/// Takes back the last `count` migrations; says which. Waits where another process is at it.
///
/// # Errors
/// [`Newer`]; the server's word where a migration fails, and that one is then not taken back at all.
pub async fn down(url: &str, count: usize) -> MigrationResult<Vec<String>> {
    alone(url, move |harness| {
        (0..count).map(|_| Ok(harness.revert_last_migration(MIGRATIONS)?.to_string())).collect()
    })
    .await
}

/// Works on a schema that this program knows, while no other process does.
async fn alone<T: Send + 'static>(
    url: &str,
    work: impl FnOnce(&mut Harness) -> MigrationResult<T> + Send + 'static,
) -> MigrationResult<T> {
    let mut connection = AsyncPgConnection::establish(url).await?;
    connection.batch_execute(SETUP).await?;
    connection.batch_execute(&format!("SELECT pg_advisory_lock({LOCK})")).await?;
    // The harness blocks its thread, and a current-thread runtime would stand still.
    tokio::task::spawn_blocking(move || {
        let mut harness = AsyncMigrationHarness::new(connection);
        known(&mut harness)?;
        work(&mut harness)
    })
    .await?
}

fn known(harness: &mut Harness) -> MigrationResult<()> {
    let ours = MigrationSource::<Pg>::migrations(&MIGRATIONS)?;
    let is_ours = |version: &_| ours.iter().any(|one| one.name().version() == *version);
    let run = harness.applied_migrations()?;
    match run.into_iter().filter(|version| !is_ours(version)).max() {
        Some(newest) => Err(Newer { newest: newest.to_string() }.into()),
        None => Ok(()),
    }
}
