//! The page: it serves the files of `web/`, the event stream and the interface; HTTP stays in here.
//!
//! [`router`] is the whole interface over a [`PageState`]; [`serve()`] runs it on a listener within [`Limits`]. This room
//! decides nothing about the table. It shows the newest [`View`](crate::view::View) with its age made true at the moment
//! of sending ([`Shown::seen_at`]), hands commands on, and keeps strangers out: a foreign `Host`, a cross-site post, a body
//! that is too long or too deep, a client that asks too often or reads too slowly.

mod assets;
mod begin;
mod guard;
mod guided;
mod metrics;
mod orders;
mod pairing;
mod problem;
mod routes;
mod serve;
mod shown;
mod state;
mod stream;
mod webhook;

pub use begin::{Beginning, serve_beginning};
pub use routes::{router, routes};
pub use serve::{Limits, serve};
pub use shown::Shown;
pub use state::{Bucket, HistorySpan, PageState, Program};
pub use webhook::{Mailbox, Unposted};
