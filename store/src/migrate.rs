//! The schema, brought up to date or taken back.

use diesel::migration::Result as MigrationResult;
use diesel_async::{AsyncConnection, AsyncMigrationHarness, AsyncPgConnection};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

/// Runs every migration that has not been run; says which.
///
/// # Errors
/// The server's word where one fails; that one is then not run at all.
pub async fn up(url: &str) -> MigrationResult<Vec<String>> {
    let connection = AsyncPgConnection::establish(url).await?;
    // The harness blocks its thread, and a current-thread runtime would stand still.
    tokio::task::spawn_blocking(move || {
        let mut harness = AsyncMigrationHarness::new(connection);
        let run = harness.run_pending_migrations(MIGRATIONS)?;
        Ok(run.iter().map(ToString::to_string).collect())
    })
    .await?
}

/// Takes back the last `count` migrations; says which.
///
/// # Errors
/// The server's word where one fails.
pub async fn down(url: &str, count: usize) -> MigrationResult<Vec<String>> {
    let connection = AsyncPgConnection::establish(url).await?;
    tokio::task::spawn_blocking(move || {
        let mut harness = AsyncMigrationHarness::new(connection);
        (0..count).map(|_| Ok(harness.revert_last_migration(MIGRATIONS)?.to_string())).collect()
    })
    .await?
}
