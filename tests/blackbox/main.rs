//! The service over HTTP, with a real PostgreSQL of its own and a database a test,
//! made from a template.

mod demo;
mod document;
mod gathering;
mod ledger;
mod postgres;
mod proofhold;
mod sign_in;
mod tenants;
mod transactions;
