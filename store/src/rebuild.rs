//! Making the cached rows again from the entries.

use crate::load::{self, HEAD, HeadRow};
use crate::{StoreError, insert};
use diesel::sql_query;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::world::{Head, owned};
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// Folds every subject of an organisation anew and puts its row and its marks right; every
/// row is locked meanwhile. Says how many rows were not what their entries say.
///
/// # Errors
/// When the database fails, or where an entry cannot be read.
pub async fn rebuild(conn: &mut AsyncPgConnection, org: Uuid) -> Result<u64, StoreError> {
    let text =
        format!("SELECT {HEAD} FROM subject WHERE org_id = $1 ORDER BY kind, id FOR NO KEY UPDATE");
    let rows: Vec<HeadRow> = sql_query(text).bind::<Id, _>(org).load(conn).await?;
    let (mut differing, mut marks) = (Vec::new(), Vec::new());
    for row in rows {
        let subject = load::subject(&row.kind, row.id)?;
        let head = Head::of(&load::history(conn, org, subject, None).await?);
        marks.extend(owned(&head.state).into_iter().map(|mark| (mark, subject)));
        // A row that cannot be read is not what its entries say, either.
        if row.read().ok().is_none_or(|(_, stored)| stored != head) {
            differing.push((subject, head));
        }
    }
    insert::update_heads(conn, org, &differing).await?;
    sql_query("DELETE FROM mark WHERE org_id = $1").bind::<Id, _>(org).execute(conn).await?;
    insert::insert_marks(conn, org, &marks).await?;
    Ok(differing.len() as u64)
}
