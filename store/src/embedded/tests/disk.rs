//! A small disk that can be filled: a tmpfs, which answers ENOSPC like any other file system (tmpfs(5)).

use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A disk of its own on a folder; it goes when dropped.
pub struct Disk {
    folder: PathBuf,
}

impl Disk {
    /// Of this many megabytes; none, and a word why, where this process may not mount one.
    pub fn on(folder: &Path, megabytes: u32) -> Option<Disk> {
        fs::create_dir_all(folder).unwrap();
        let folder = folder.canonicalize().unwrap();
        let said = mount(&format!("size={megabytes}m,mode=755"), &folder);
        if let Err(said) = &said {
            eprintln!("not tested, as no disk can be mounted here: {said}");
        }
        said.ok().map(|()| Disk { folder })
    }

    /// Changes its size.
    pub fn resize(&self, megabytes: u32) {
        mount(&format!("remount,size={megabytes}m"), &self.folder).unwrap();
    }

    /// Leaves not a byte.
    pub fn fill(&self) {
        let mut filler = fs::File::create(self.filler()).unwrap();
        for size in [1 << 20, 1 << 12, 1] {
            let bytes = vec![0; size];
            loop {
                match filler.write_all(&bytes) {
                    Ok(()) => {}
                    Err(error) if error.kind() == ErrorKind::StorageFull => break,
                    Err(error) => panic!("{error}"),
                }
            }
        }
    }

    /// Gives the room back that was filled.
    pub fn clear(&self) {
        fs::remove_file(self.filler()).unwrap();
    }

    fn filler(&self) -> PathBuf {
        self.folder.join("filler")
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // Lazily: what still runs there ends a little later.
        let umount = Command::new("umount").arg("-l").arg(&self.folder).status();
        if !umount.is_ok_and(|status| status.success()) {
            eprintln!("{} is still mounted", self.folder.display());
        }
    }
}

fn mount(options: &str, folder: &Path) -> Result<(), String> {
    let mut mount = Command::new("mount");
    mount.args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(folder).stdin(Stdio::null());
    let output = mount.output().map_err(|error| error.to_string())?;
    let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    if output.status.success() { Ok(()) } else { Err(said) }
}
