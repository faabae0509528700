//! Whether there is room on the disk.

use std::path::Path;

use nix::sys::statvfs::statvfs;

/// With fewer bytes than this PostgreSQL cannot even write why it ends.
const NONE: u64 = 1_000_000;
/// With fewer than the first it is told, and told anew once there were more than the second.
const LITTLE: u64 = 200_000_000;
const ENOUGH: u64 = 400_000_000;

/// The texts of ENOSPC and EDQUOT in the C locale, which the private server has.
const FULL: [&str; 2] = ["No space left on device", "Disk quota exceeded"];

/// Whether what PostgreSQL `said` in `folder` comes of a full disk. Its log may be on the same disk,
/// so it may not have been able to say anything.
pub(super) fn is_missing(folder: &Path, said: &str) -> bool {
    FULL.iter().any(|text| said.contains(text)) || free(folder).is_some_and(|free| free < NONE)
}

/// The bytes that an ordinary user may still write on the disk of `folder`.
fn free(folder: &Path) -> Option<u64> {
    let disk = statvfs(folder).ok()?;
    // How wide these numbers are differs from system to system.
    #[allow(clippy::useless_conversion)]
    let (blocks, bytes) = (u64::from(disk.blocks_available()), u64::from(disk.fragment_size()));
    Some(blocks.saturating_mul(bytes))
}

/// Tells, once, that a disk fills up.
#[derive(Default)]
pub(super) struct Watch {
    told: bool,
}

impl Watch {
    pub(super) fn look(&mut self, folder: &Path) {
        let Some(free) = free(folder) else { return };
        if free < LITTLE && !self.told {
            self.told = true;
            tracing::warn!(folder = %folder.display(), free, "the disk is nearly full; make room");
        }
        self.told &= free < ENOUGH;
    }
}
