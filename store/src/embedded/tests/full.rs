//! A disk without room. Source: PostgreSQL's manual, "Disk Full Failure": no data may be lost or wrong, and the
//! server may end and be started again once there is room.

use std::time::Duration;

use super::disk::Disk;
use super::*;

fn assert_full(refused: &EmbeddedError, fixture: &Fixture) {
    assert!(matches!(refused, EmbeddedError::Full { .. }), "{refused}");
    let (said, folder) = (refused.to_string(), fixture.inside().display().to_string());
    assert!(said.contains("is full. Make room there") && said.contains(&folder), "{said}");
}

#[tokio::test]
async fn too_little_room_to_make_the_cluster_is_said_and_can_be_put_right() {
    let fixture = Fixture::new();
    let Some(disk) = Disk::on(&fixture.options.data, 12) else { return };
    assert_full(&Embedded::start(&fixture.options).await.unwrap_err(), &fixture);
    // Twice, as what the first left must not be taken for a cluster.
    assert_full(&Embedded::start(&fixture.options).await.unwrap_err(), &fixture);
    disk.resize(200);
    let server = fixture.start().await;
    write_a_row(&server).await;
    assert_eq!(row(&server).await, 7);
    server.stop().await.unwrap();
}

#[tokio::test]
async fn not_a_byte_left_at_the_start_is_said_and_loses_nothing() {
    let fixture = Fixture::new();
    let Some(disk) = Disk::on(&fixture.options.data, 200) else { return };
    let server = fixture.start().await;
    write_a_row(&server).await;
    server.stop().await.unwrap();
    disk.fill();
    assert_full(&Embedded::start(&fixture.options).await.unwrap_err(), &fixture);
    disk.clear();
    let server = fixture.start().await;
    assert_eq!(row(&server).await, 7);
    server.stop().await.unwrap();
}

/// The log of changes cannot grow: PostgreSQL ends all its work, and often itself.
#[tokio::test]
async fn a_server_that_ran_out_of_room_is_there_again_when_there_is_some() {
    let fixture = Fixture::new();
    let Some(disk) = Disk::on(&fixture.options.data, 200) else { return };
    let mut server = fixture.start().await;
    write_a_row(&server).await;
    let client = connect(&server).await;
    disk.fill();
    let next_segment = "SELECT pg_switch_wal(); CREATE TABLE never (n int)";
    while client.batch_execute(next_segment).await.is_ok() {}
    disk.clear();
    kept_until(&mut server, async |client| {
        let row = client.query_one("SELECT n FROM kept", &[]).await;
        row.is_ok_and(|row| row.get::<_, i32>(0) == 7)
            && client.batch_execute("UPDATE kept SET n = 8").await.is_ok()
    })
    .await;
    assert_eq!(row(&server).await, 8);
    let never = "SELECT count(*) FROM pg_class WHERE relname = 'never'";
    let halves: i64 = connect(&server).await.query_one(never, &[]).await.unwrap().get(0);
    assert_eq!(halves, 0);
    tokio::time::timeout(Duration::from_secs(60), server.stop()).await.unwrap().unwrap();
}
