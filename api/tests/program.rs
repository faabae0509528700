//! The program `proofhold` itself, started as anybody starts it. What it says when it cannot is its own, no
//! outside source.

use std::env;
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

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
