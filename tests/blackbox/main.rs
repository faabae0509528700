//! The service over HTTP, with a real PostgreSQL of its own and a database a test,
//! made from a template.

#[path = "../../rules/tests/scenarios/agree.rs"]
mod agree;
mod append_only;
mod as_of;
mod bad_input;
mod charts;
mod cut_off;
mod deadlocks;
mod demo;
mod do_not_move;
mod document;
mod erasure;
mod examples;
mod fleet;
mod full_disk;
mod gathering;
mod junk;
mod ledger;
mod limits;
mod lists;
#[path = "../../rules/tests/scenarios/memory.rs"]
mod memory;
mod migrating;
mod postgres;
mod proofhold;
mod questions;
mod races;
mod random_day;
mod refusals;
mod replays;
mod roles;
mod rotation;
mod scenarios;
#[path = "../../rules/tests/scenarios/script/mod.rs"]
mod script;
mod second_model;
mod sign_in;
mod spares;
mod statements;
mod tenants;
mod transactions;
mod who_may;
