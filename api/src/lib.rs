//! The HTTP face and the command line of Proofhold.

pub mod accounts;
pub mod auth;
pub mod cli;
pub mod clock;
pub mod demo;
pub mod docs;
pub mod edge;
pub mod health;
pub mod input;
pub mod keys;
pub mod organisations;
pub mod passwords;
pub mod problem;
pub mod refresh;
pub mod routes;
pub mod rules_list;
pub mod server;
pub mod sessions;
pub mod shapes;
pub mod shown;
pub mod state;
pub mod throttle;
pub mod tokens;
