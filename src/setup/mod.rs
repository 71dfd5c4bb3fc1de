//! The setup file and the job cards: TOML as written, then checked into values that cannot be wrong.
//!
//! Text goes in and values come out; whoever calls reads the file. Reading goes on after a mistake, so that one look
//! shows them all, each with its line, key, limit and remedy. What the file leaves out is assumed, and every assumption
//! that bears on a verdict is kept in [`Setup::assumptions`] with its reason.

mod answers;
mod card;
mod care;
mod devices;
mod draft;
mod ends;
mod inputs;
mod layout;
mod material;
mod mistakes;
mod notes;
mod pace;
mod program;
mod section;
mod service;
mod sheet;
mod shifts;
mod suction;
mod towns;
mod tree;
mod wires;

use std::net::SocketAddr;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

pub use answers::{
    Answers, BoardAnswer, GaugeAnswers, PumpWhileWatched, Question, RoomAnswer, SUCTION_QUESTIONS, TABLE_QUESTIONS,
    answers_from_json, read_answers,
};
pub use draft::{Bearing, CARDS, Draft, FoundGauge, FoundTalk, Marked, plausible};
pub use material::materials;
pub use mistakes::{Mistake, Mistakes};
use notes::{Closed, Notes};
use section::{PLAIN, Section};
pub use service::Webhook;
pub use shifts::Shifts;
use wires::Wiring;

/// Coefficients of static friction, from ice to rubber.
const FRICTION: (f64, f64) = (0.02, 1.5);

use crate::board::Terms;
use crate::expectation::Spread;
pub use crate::gauge::Source;
use crate::gauge::{GaugeId, GaugeSettings, InputId, InputSettings};
use crate::job::Card;
use crate::job::plan::{Bed, Machine, Obstacle, Tool};
use crate::lamp::{Duty, LightSettings, Pattern, WiredLight};
use crate::line::{LineSettings, WiresId, WiresSettings};
use crate::moment::{Span, Steady};
use crate::table::{Air, Table, ZoneSet};
use crate::units::Vacuum;

/// A checked setup.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// The table's name.
    pub table_name: String,
    /// The table with nothing on it.
    pub table: Table,
    /// How well the table is known: measured values bind an expectation more closely than a class does.
    pub spread: Spread,
    /// The serial lines, by [`crate::line::LineId`].
    pub lines: Vec<LineSettings>,
    /// The gauges, by [`crate::gauge::GaugeId`]; at least one.
    pub gauges: Vec<GaugeSettings>,
    /// The lights.
    pub lights: Vec<LightSettings>,
    /// What is read besides, by [`crate::gauge::InputId`].
    #[serde(default)]
    pub inputs: Vec<InputSettings>,
    /// Contacts.
    #[serde(default)]
    pub contacts: Vec<ContactSettings>,
    /// Devices whose wires are switched and read one by one, by [`WiresId`].
    #[serde(default)]
    pub wires: Vec<WiresSettings>,
    /// Lights on such wires.
    #[serde(default)]
    pub wired_lights: Vec<WiredLight>,
    /// Where changes of the word and of alarms are told.
    #[serde(default)]
    pub webhook: Option<Webhook>,
    /// The level that the pump is held at, if its drive holds it at one.
    #[serde(default)]
    pub hold: Option<HoldSettings>,
    /// The ends of the table with a job each; none for a table that is loaded as a whole.
    #[serde(default)]
    pub ends: Vec<EndSettings>,
    /// The page.
    pub page: PageSettings,
    /// Where the journal is kept.
    pub store: StoreSettings,
    /// The folder of the job cards, as written; relative to the setup file.
    pub cards_dir: Option<PathBuf>,
    /// How the level is watched.
    pub watch: WatchTuning,
    /// The machine that cuts, for the time that programs take.
    #[serde(default)]
    pub machine: Machine,
    /// The shop's tools, for cards that list none.
    #[serde(default)]
    pub tools: Vec<Tool>,
    /// The shop's prices, minutes and limits.
    #[serde(default)]
    pub terms: Terms,
    /// The shop's shifts.
    #[serde(default)]
    pub shifts: Shifts,
    /// Static friction of a sheet on this board as a dragging test found it, for materials whose card says nothing.
    #[serde(default)]
    pub friction: Option<f64>,
    /// What in the board a cutter must not meet.
    #[serde(default)]
    pub obstacles: Vec<Obstacle>,
    /// The deepest level to draw on a scale.
    pub full_scale: Vacuum,
    /// Where readings come from; a file cannot say anything but a gauge.
    pub source: Source,
    /// What the file leaves out, and what stands in for it.
    pub assumptions: Vec<Assumption>,
    /// What is allowed but worth a look.
    pub warnings: Vec<Mistake>,
}

/// What a contact says when it is as named in [`ContactSettings::inverted`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ContactMeans {
    /// A zone's valve is open; the zone by its place in the table.
    ZoneOpen(u8),
    /// The machine cuts; at this end, by its place, if it speaks of one.
    Cutting(Option<u8>),
    /// Somebody pressed the wired *Seen it* button.
    Seen,
}

/// A contact, read as one bit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContactSettings {
    /// The name the setup gives it.
    pub name: String,
    /// What it says.
    pub means: ContactMeans,
    /// Where its bit is read.
    pub at: ContactAt,
    /// Which bit of that.
    pub bit: u8,
    /// Whether it says so while it is open, not while it is closed.
    pub inverted: bool,
    /// For how long it must hold before it counts.
    pub debounce: Span,
}

/// Where a contact's bit is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ContactAt {
    /// A unit on a line.
    Input(InputId),
    /// A wire.
    Wires(WiresId),
}

/// An end of the table that is loaded and cut by itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndSettings {
    /// Its name.
    pub name: String,
    /// The zones under it.
    pub zones: ZoneSet,
}

/// A pump that a drive holds at a level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HoldSettings {
    /// The level.
    pub level: Vacuum,
    /// What the drive says of itself; without it leaks cannot be seen.
    pub drive: Option<DriveSettings>,
}

/// What a pump's drive says of itself: a number that goes with the pump's speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveSettings {
    /// The input that the number is read with.
    pub input: InputId,
    /// The number with the pump at rest.
    pub at_rest: f64,
    /// The number with the pump at full speed.
    pub at_full: f64,
    /// Whether its rotor throws the air, so that its level goes with the square of its speed.
    pub throws: bool,
}

/// Where the page is served, and under which names.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PageSettings {
    /// The address and port to listen on.
    pub listen: SocketAddr,
    /// Host names besides the address itself and `localhost` under which the page may be asked for.
    pub hosts: Vec<String>,
    /// Whether whoever reaches it from another computer may press its keys; else only devices that were paired.
    #[serde(default)]
    pub changes_by_anyone: bool,
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

impl Setup {
    /// The board as a cut program meets it.
    pub fn bed(&self) -> Bed {
        let thickness = self.table.board.layers.iter().map(|layer| layer.thickness).sum();
        Bed { thickness: Some(thickness), obstacles: self.obstacles.clone() }
    }

    /// The gauge that the table is judged by: the first that feels the pump's suction, else the first.
    pub fn main_gauge(&self) -> GaugeId {
        let place = self.gauges.iter().position(|gauge| gauge.place.is_suction()).unwrap_or_default();
        GaugeId(u16::try_from(place).unwrap_or_default())
    }

    /// The settings of [`Setup::main_gauge`]; none only without any gauge.
    pub fn main_gauge_settings(&self) -> Option<&GaugeSettings> {
        self.gauges.get(usize::from(self.main_gauge().0))
    }

    /// The levels of a device's wires that are switched, for what the lights show at an instant; 0 for a device that there is not.
    pub fn wire_levels(&self, id: WiresId, pattern: &Pattern, at: Steady) -> u64 {
        let at_rest = self.wires.get(usize::from(id.0)).map_or(0, |wires| wires.at_rest);
        let on = self.wired_lights.iter().filter(|light| light.wires == id);
        on.fold(at_rest, |word, light| {
            let (levels, places) = light.levels(pattern, at);
            word & !places | levels
        })
    }

    /// Whether an output advises the machine to hold its feed.
    pub fn asks_to_hold(&self) -> bool {
        asks_to_hold(&self.lights, &self.wired_lights)
    }

    /// The same setup, its readings marked as simulated wherever they are shown.
    #[must_use]
    pub fn simulated(self) -> Self {
        Setup { source: Source::Simulated, ..self }
    }
}

fn asks_to_hold(lights: &[LightSettings], wired: &[WiredLight]) -> bool {
    let holds = |light: &WiredLight| light.outputs.iter().any(|(duty, ..)| matches!(duty, Duty::FeedHold { .. }));
    lights.iter().any(|light| light.feed_hold.is_some()) || wired.iter().any(holds)
}

/// Reads a setup from its text; `file` names it in messages.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn read_setup(text: &str, file: &str) -> Result<Setup, Mistakes> {
    let (tree, mistakes) = tree::from_toml(text, file);
    let notes = Notes::new(file, mistakes);
    let setup = written_setup(&Section::root(&tree, &notes));
    let (mut setup, notes) = sound(setup, notes)?;
    setup.assumptions = notes.assumptions;
    setup.warnings = notes.warnings;
    Ok(setup)
}

/// Reads a job card from its text against the table of `setup`; `file` names it in messages.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn read_card(text: &str, file: &str, setup: &Setup) -> Result<Card, Mistakes> {
    let (tree, mistakes) = tree::from_toml(text, file);
    let notes = Notes::new(file, mistakes);
    let card = card::card(&Section::root(&tree, &notes), setup);
    sound(card, notes).map(|(card, _)| card)
}

/// Reads a job card from JSON with the keys that a card's file has; messages name it `card`, without lines.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn card_from_json(value: &serde_json::Value, setup: &Setup) -> Result<Card, Mistakes> {
    let tree = tree::from_json(value);
    let notes = Notes::new("card", Vec::new());
    let root = Section::root(&tree, &notes);
    let card = card::card(&root, setup);
    if card.as_ref().is_some_and(|card| card.program.is_some()) {
        let spot = root.spot_of_key("program");
        let remedy = "save both in the folder of cards and name the card";
        notes.refuse(&spot, notes::complaint("a card that is sent names a program", "a card in the folder", remedy));
    }
    drop(root);
    sound(card, notes).map(|(card, _)| card)
}

/// The value, if nothing was noted against it.
fn sound<T>(value: Option<T>, notes: Notes) -> Result<(T, Closed), Mistakes> {
    let notes = notes.close();
    match value {
        Some(value) if notes.mistakes.is_empty() => Ok((value, notes)),
        _ => Err(Mistakes::new(notes.mistakes)),
    }
}

fn written_setup(root: &Section) -> Option<Setup> {
    let table_section = root.section("table");
    let table_name = table_section.text("name").required();
    let air = suction::air(&table_section);
    let board_section = root.section("board");
    let obstacles = program::obstacles(&board_section);
    let (table, spread) = table(root, &board_section, air).unzip();
    let friction = board_section.number("friction", PLAIN, FRICTION).optional();
    let mut wiring = Wiring::default();
    let devices = devices::devices(root, table.as_ref(), &mut wiring);
    let lines = devices.as_ref().map(|devices| devices.lines.as_slice());
    let ends = ends::ends(root, table.as_ref());
    let inputs = inputs::inputs(root, lines, (table.as_ref(), ends.as_deref()), &mut wiring);
    if let Some(devices::Devices { lines, gauges, lights, .. }) = &devices {
        pace::pace(root, lines, gauges, lights, inputs.as_ref().map_or(&[], |found| &found.inputs));
    }
    let wires = wiring.close(root, lines);
    let feed_hold = wires::feed_hold(root, devices.as_ref().map(|of| asks_to_hold(&of.lights, &of.wired_lights)));
    let webhook = service::webhook(&root.section("webhook"));
    let page_section = root.section("page");
    let page = service::page(&page_section);
    let full_scale = service::full_scale(&page_section, table.as_ref());
    let store = service::store(&root.section("journal"));
    let cards_dir = service::cards_dir(&root.section("jobs"));
    let watch = service::watch(&root.section("watch"), devices.as_ref().map(|devices| devices.gauges.as_slice()));
    let machine = program::machine(&root.section("machine"));
    let tools = program::tools(root);
    let terms = care::terms(&root.section("prices"), &root.section("care"));
    let shifts = shifts::shifts(&root.section("shop"));
    let devices::Devices { lines, gauges, lights, wired_lights } = devices?;
    feed_hold?;
    let inputs::Inputs { inputs, contacts, hold } = inputs?;
    Some(Setup {
        inputs,
        contacts,
        hold,
        ends: ends?,
        wires,
        wired_lights,
        webhook: webhook?,
        table_name: table_name?,
        table: table?,
        spread: spread?,
        lines,
        gauges,
        lights,
        page: page?,
        store: store?,
        cards_dir: cards_dir?,
        watch: watch?,
        machine: machine?,
        tools: tools?,
        terms: terms?,
        shifts: shifts?,
        friction: friction?,
        obstacles: obstacles?,
        full_scale: full_scale?,
        source: Source::Gauge,
        assumptions: Vec::new(),
        warnings: Vec::new(),
    })
}

fn table(root: &Section, board: &Section, air: Option<Air>) -> Option<(Table, Spread)> {
    let air = air.as_ref();
    let pump = suction::pump(&root.section("pump"), air);
    let (board, spread) = layout::board(board).unzip();
    let plenum = layout::plenum(root, board.as_ref(), air, pump.as_ref());
    let manifold = suction::manifold(&root.section("manifold"), air);
    let filter = suction::filter(&root.section("filter"), air, pump.as_ref());
    let table = Table { air: *air?, board: board?, plenum: plenum?, manifold: manifold?, filter: filter?, pump: pump? };
    Some((table, spread?))
}
