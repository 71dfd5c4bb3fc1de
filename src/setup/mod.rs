//! The setup file and the job cards: TOML as written, then checked into values that cannot be wrong.
//!
//! Text goes in and values come out; whoever calls reads the file. Reading goes on after a mistake, so that one look
//! shows them all, each with its line, key, limit and remedy. What the file leaves out is assumed, and every assumption
//! that bears on a verdict is kept in [`Setup::assumptions`] with its reason.

mod mistakes;

use std::net::SocketAddr;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

pub use mistakes::{Mistake, Mistakes};

use crate::gauge::{GaugeSettings, LineSettings};
use crate::job::Card;
use crate::lamp::LightSettings;
use crate::moment::Span;
use crate::table::Table;
use crate::units::Vacuum;

/// A checked setup.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// The table's name.
    pub table_name: String,
    /// The table with nothing on it.
    pub table: Table,
    /// The serial lines, by [`crate::gauge::LineId`].
    pub lines: Vec<LineSettings>,
    /// The gauges, by [`crate::gauge::GaugeId`]; at least one.
    pub gauges: Vec<GaugeSettings>,
    /// The lights.
    pub lights: Vec<LightSettings>,
    /// The page.
    pub page: PageSettings,
    /// Where the journal is kept.
    pub store: StoreSettings,
    /// The folder of the job cards, as written; relative to the setup file.
    pub cards_dir: Option<PathBuf>,
    /// How the level is watched.
    pub watch: WatchTuning,
    /// The deepest level to draw on a scale.
    pub full_scale: Vacuum,
    /// Where readings come from; a file cannot say anything but a gauge.
    pub source: Source,
    /// What the file leaves out, and what stands in for it.
    pub assumptions: Vec<Assumption>,
    /// What is allowed but worth a look.
    pub warnings: Vec<Mistake>,
}

/// Where readings come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// A transducer.
    Gauge,
    /// The simulated table.
    Simulated,
}

/// Where the page is served, and under which names.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PageSettings {
    /// The address and port to listen on.
    pub listen: SocketAddr,
    /// Host names besides the address itself and `localhost` under which the page may be asked for.
    pub hosts: Vec<String>,
}

/// Where the journal is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StoreSettings {
    /// A file of SQLite, relative to the setup file.
    Sqlite {
        /// Its path.
        path: PathBuf,
    },
    /// A database of PostgreSQL.
    Postgres {
        /// Its address, `postgres://…`.
        url: String,
    },
}

/// How the level is watched.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WatchTuning {
    /// The age at which a reading is too old.
    pub stale_after: Span,
    /// Sheets at the start during which nothing is announced.
    pub shadow_sheets: u32,
    /// Time of cutting in which one false alarm is accepted.
    pub false_alarm_every: Span,
    /// The margin that a card requires if it says nothing.
    pub required_margin: f64,
}

/// A value that the file leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Assumption {
    /// The key that would settle it, such as `filter.drop_mbar`.
    pub key: String,
    /// What is assumed, with its unit.
    pub value: String,
    /// On what ground.
    pub ground: String,
}

/// Reads a setup from its text; `file` names it in messages.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn read_setup(text: &str, file: &str) -> Result<Setup, Mistakes> {
    let _ = (text, file);
    Err(Mistakes::new(Vec::new()))
}

/// Reads a job card from its text against the table of `setup`; `file` names it in messages.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn read_card(text: &str, file: &str, setup: &Setup) -> Result<Card, Mistakes> {
    let _ = (text, file, setup);
    Err(Mistakes::new(Vec::new()))
}

/// Reads a job card from JSON with the keys that a card's file has; messages name it `card`, without lines.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn card_from_json(value: &serde_json::Value, setup: &Setup) -> Result<Card, Mistakes> {
    let _ = (value, setup);
    Err(Mistakes::new(Vec::new()))
}
