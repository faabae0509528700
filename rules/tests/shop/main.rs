//! A small shop with one fleet: what may be asked before the work, and what a late
//! entry does. People, vehicles and casings are invented.

mod air;
mod any_order;
mod as_of;
mod ask;
mod charts;
mod custody;
mod disposal;
mod due;
mod erasure;
mod late;
mod ledger;
mod loads;
mod moved_over;
mod opening;
mod parts;
mod plain;
mod repair;
mod spares;
mod speed;
