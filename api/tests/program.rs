//! The program `proofhold` itself, started as anybody starts it. What it says when it cannot is its own, no
//! outside source.

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use std::env;
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// The program on this data folder, with no settings of this process's own.
fn proofhold(data: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_proofhold"));
    for (name, _) in env::vars_os() {
        if name == "DATABASE_URL" || name.to_string_lossy().starts_with("PROOFHOLD_") {
            command.env_remove(name);
        }
    }
    command.arg("--data").arg(data);
    command
}

#[test]
fn an_address_in_use_is_named_with_the_way_out() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let other = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = other.local_addr().unwrap().to_string();
    for command in ["serve", "demo"] {
        let output = proofhold(&data).args([command, "--listen", &address]).output().unwrap();
        assert_eq!(output.status.code(), Some(1));
        let said = String::from_utf8(output.stderr).unwrap();
        let begins =
            format!("proofhold: {address} is in use by another program. Stop that one, or");
        for part in [&*begins, "--listen 127.0.0.1:8081", "PROOFHOLD_LISTEN"] {
            assert!(said.contains(part), "{part} is missing in: {said}");
        }
        assert!(!data.exists(), "nothing is made for a service that cannot be served");
    }
}

/// The database server of a data folder, if one runs.
fn postmaster(data: &Path) -> Option<String> {
    let file = std::fs::read_to_string(data.join("postgres/cluster/postmaster.pid")).ok()?;
    file.lines().next().map(str::to_owned)
}

#[test]
fn stopped_while_it_loads_the_demo_it_leaves_no_server_behind() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    std::fs::set_permissions(folder.path(), PermissionsExt::from_mode(0o755)).unwrap();
    // More than it loads before it is stopped.
    let mut program = proofhold(&data)
        .args(["demo", "--casings", "100000", "--listen", "127.0.0.1:0"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let began = Instant::now();
    // Keys are made when the database is there and nothing is loaded yet.
    while !data.join("keys").exists() {
        assert!(began.elapsed() < Duration::from_secs(120), "it did not begin");
        assert_eq!(program.try_wait().unwrap(), None, "it ended");
        sleep(Duration::from_millis(50));
    }
    sleep(Duration::from_secs(2));
    assert!(postmaster(&data).is_some());
    kill(Pid::from_raw(program.id() as i32), Signal::SIGINT).unwrap();
    let output = program.wait_with_output().unwrap();
    assert!(output.status.success(), "{output:?}");
    assert!(output.stdout.is_empty(), "{output:?}");
    assert_eq!(postmaster(&data), None);
}
