//! Watches the vacuum of a router table against the level its job should have.
//!
//! Bytes from a transducer come in at the edge, become an [`event::Event`], go through [`minder::Minder`] together with a
//! [`moment::Moment`], and leave as [`event::Action`]s: bytes to send, a light to show, a record to keep, a page to
//! refresh, a forecast to compute. Every decision is taken in `minder` and the rooms below it, which read no clock, file
//! or port; everything that waits lives in `journal`, `page` and `daemon`.
//!
//! The rooms stand in the order in which a newcomer should read them, and each may use only rooms above it
//! (`tests/rooms.rs` holds the exact table).

pub mod moment;
pub mod stats;
pub mod units;

pub mod line;
pub mod modbus;

pub mod alarm;
pub mod lamp;

pub mod gauge;
pub mod job;
pub mod table;

pub mod board;
pub mod expectation;

pub mod watch;

pub mod event;
pub mod setup;
pub mod view;

pub mod minder;

pub mod journal;
pub mod page;
pub mod plant;

pub mod daemon;

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "the one room that prints")]
pub mod cli;
