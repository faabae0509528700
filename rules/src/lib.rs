//! What may be recorded about a heavy-truck tire casing, and what follows from it.
//!
//! Pure: no clock, no disk, no network, no randomness. Everything a decision
//! reads is handed in, so that anyone can take it again from the ledger alone.
#![deny(missing_docs)]

mod amend;
pub mod ask;
pub mod canonical;
mod circle;
mod decide;
pub mod due;
pub mod entry;
mod erase;
pub mod facts;
mod fit;
pub mod fold;
pub mod gas;
pub mod hold;
mod late;
pub mod life;
mod load;
pub mod load_index;
mod load_table;
mod low;
mod published;
pub mod size;
pub mod spot;
pub mod table;
pub mod tin;
pub mod tread;
mod units;
pub mod view;
mod wants;
pub mod world;

pub use decide::{EARLIER_VERSIONS, VERSION, decide};
pub use entry::{Command, Entry, Role, Subject, SubjectKind};
pub use facts::{Facts, Field, Kind};
pub use units::Quantity;
pub use view::View;
pub use world::World;
