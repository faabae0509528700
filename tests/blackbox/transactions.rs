//! What is left of work that was cut off.

use crate::postgres::wait;
use crate::proofhold::{Proofhold, new_account};
use rules::Role;
use store::account;
use tokio::sync::Notify;
use uuid::Uuid;

/// Work that is cut off leaves no lock: another can have the same rows at once.
/// The ledger's own promise, no outside source.
#[test]
fn cut_off_work_holds_no_lock() {
    let proofhold = Proofhold::start();
    let (org, now) = (proofhold.organisation("larkspur"), proofhold.now());
    let admin = new_account(Uuid::now_v7(), "gus", Role::Admin);
    let written = Notify::new();
    let hang = async |conn: &mut _| {
        account::put(conn, org, &admin, now).await?;
        written.notify_one();
        std::future::pending::<()>().await;
        Ok(())
    };
    wait(async {
        tokio::select! {
            _ = proofhold.store.in_org(org, hang) => panic!("it was to be cut off"),
            () = written.notified() => {}
        }
    });
    // Waits for the server to notice, and fails only where the transaction stays open.
    let all = "SET lock_timeout = '60s'; BEGIN; LOCK TABLE account IN ACCESS EXCLUSIVE MODE";
    let superuser = proofhold.database.superuser();
    wait(superuser.batch_execute(all)).unwrap();
    let left = wait(superuser.query("SELECT FROM account", &[])).unwrap();
    assert!(left.is_empty(), "nothing of it is kept");
}
