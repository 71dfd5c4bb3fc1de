//! A simulated table behind a pseudo-terminal, of which the monitor sees only the gauge.
//!
//! It shares the solver with the monitor, never the parameters: [`Truth`] makes the board uneven, the pump worn, the
//! filter dirty and the rims leaky, and a [`Scene`] lets something go wrong. [`Plant`] plays scenes and has pressures,
//! [`Server`] lets a transducer and a relay unit speak of them at the pace of a serial line, and [`Report`]s say what the
//! machine's controller tells the monitor. Nothing here reads a clock.

mod bench;
mod chance;
mod face;
mod glide;
mod machine;
mod outbox;
mod pty;
mod report;
mod scene;
mod script;
mod server;
mod transducer;
mod truth;

pub use bench::{Mischief, OnTheLine};
pub use face::Condense;
pub use machine::{Levels, Plant};
pub use report::{Report, Said, SheetOutcome};
pub use scene::{MainPart, Scene, UnknownScene};
pub use script::ScriptError;
pub use server::{Clock, Server, ServerError};
pub use transducer::Blemish;
pub use truth::{Opening, Truth};
