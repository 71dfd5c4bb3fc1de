//! What a new owner tells of a table, each of it optional: typed at questions, sent by the page, or written as a file.

use super::notes::{Notes, complaint};
use super::section::{BAROMETER, DENSITY, FLOW, LENGTH, LEVEL, MASS, PLAIN, SPAN, Section, name_of, named};
use super::towns::{self, Town};
use super::{Mistakes, sound, tree};
use crate::gauge::search::{HuntPlan, Ranges, Told};
use crate::gauge::{NumberKind, Place, RegisterTable, WordOrder};
use crate::line::Parity;
use crate::moment::Span;
use crate::table::{BoardClass, Faces, PumpClass};
use crate::units::{Density, Length, Mass, PressureConvention, PressureUnit};

/// What is known of the room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RoomAnswer {
    /// Metres above the sea.
    Altitude(f64),
    /// The town that the shop is in or near.
    Town(Town),
    /// What a barometer reads there, in hectopascals.
    Barometer(f64),
}

/// How the board's grade is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BoardAnswer {
    /// By its grade.
    Class(BoardClass),
    /// By its look.
    Looks(BoardClass),
    /// By its weight, with size and thickness.
    Weight(Mass),
    /// By its density.
    Density(Density),
}

/// What the pump does while its gauge is watched.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PumpWhileWatched {
    /// Nobody knows.
    #[default]
    Unknown,
    /// It is off all the time.
    Off,
    /// It is on all the time.
    On,
}

/// The search's side of the answers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GaugeAnswers {
    /// The line's port.
    pub port: Option<String>,
    /// Where the gauge's pressure is taken.
    pub place: Option<Place>,
    /// The only speed to try.
    pub baud: Option<u32>,
    /// The only check bit to try.
    pub parity: Option<Parity>,
    /// Units to try, from the first to the last.
    pub units: Option<(u8, u8)>,
    /// Registers to look at.
    pub registers: Option<Ranges>,
    /// What a talker wants to be sent; empty for one that sends by itself.
    pub request: Option<Vec<u8>>,
    /// What is known of the number.
    pub told: Told,
    /// What it can measure, in its unit.
    pub range: Option<(f64, f64)>,
}

/// Everything told; lengths in millimetres, levels in millibars, flows in m³/h.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answers {
    /// The table's name.
    pub name: Option<String>,
    /// The room.
    pub room: Option<RoomAnswer>,
    /// How the pump is built.
    pub pump_class: Option<PumpClass>,
    /// The flow on the pump's plate.
    pub nameplate: Option<f64>,
    /// How many pumps.
    pub pumps: Option<u32>,
    /// The level that a drive holds.
    pub holds_level: Option<f64>,
    /// The level at which a relief valve opens.
    pub relief_opens: Option<f64>,
    /// What the clean filter takes at the pumps' full flow.
    pub filter_drop: Option<f64>,
    /// Each zone's hose: its bore.
    pub bore: Option<f64>,
    /// Its length in metres.
    pub hose: Option<f64>,
    /// The board's extent along x.
    pub length: Option<f64>,
    /// The board's extent along y.
    pub width: Option<f64>,
    /// Its thickness as it lies.
    pub thickness: Option<f64>,
    /// Its grade.
    pub board: Option<BoardAnswer>,
    /// Whether its cut edge shows dense layers outside an open core.
    pub layered: Option<bool>,
    /// Which dense faces are on.
    pub faces: Option<Faces>,
    /// Whether its side faces are sealed.
    pub sealed: Option<bool>,
    /// Rows of zones.
    pub rows: Option<u32>,
    /// Columns of zones.
    pub columns: Option<u32>,
    /// From the board's edge to the zones.
    pub margin: Option<f64>,
    /// From zone to zone.
    pub gap: Option<f64>,
    /// Where the page listens.
    pub listen: Option<String>,
    /// The gauge and its line.
    pub gauge: GaugeAnswers,
    /// How long the numbers are watched.
    pub watch: Option<Span>,
    /// What the pump does meanwhile.
    pub pump_while_watched: PumpWhileWatched,
}

/// Reads answers from TOML; `file` names it in messages.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn read_answers(text: &str, file: &str) -> Result<Answers, Mistakes> {
    let (tree, mistakes) = tree::from_toml(text, file);
    let notes = Notes::new(file, mistakes);
    let answers = answers(&Section::root(&tree, &notes));
    sound(answers, notes).map(|(answers, _)| answers)
}

/// Reads answers from JSON with the keys that the file has; messages name it `answers`, without lines.
///
/// # Errors
/// [`Mistakes`], every one that is found.
pub fn answers_from_json(value: &serde_json::Value) -> Result<Answers, Mistakes> {
    let tree = tree::from_json(value);
    let notes = Notes::new("answers", Vec::new());
    let answers = answers(&Section::root(&tree, &notes));
    sound(answers, notes).map(|(answers, _)| answers)
}

impl Answers {
    /// What a search is to try.
    pub fn plan(&self) -> HuntPlan {
        let usual = HuntPlan::default();
        let gauge = &self.gauge;
        let units = match (gauge.told.unit_id, gauge.units) {
            (Some(unit), _) => vec![unit],
            (None, Some((first, last))) => (first..=last).collect(),
            (None, None) => usual.units,
        };
        HuntPlan {
            speeds: gauge.baud.map_or(usual.speeds, |baud| vec![baud]),
            parities: gauge.parity.map_or(usual.parities, |parity| vec![parity]),
            units,
            text: gauge.told.unit_id.is_none() && gauge.told.register.is_none(),
            requests: match &gauge.request {
                Some(request) if request.is_empty() => Vec::new(),
                Some(request) => vec![request.clone()],
                None => usual.requests,
            },
        }
    }
}

fn answers(root: &Section) -> Option<Answers> {
    let mut all = Answers::default();
    let read = [
        table(&root.section("table"), &mut all),
        pump(root, &mut all),
        board(&root.section("board"), &mut all),
        zones(root, &mut all),
        gauge(&root.section("gauge"), &mut all.gauge),
        watch(root, &mut all),
    ];
    read.into_iter().all(|read| read.is_some()).then_some(all)
}

fn table(table: &Section, all: &mut Answers) -> Option<()> {
    all.name = table.text("name").optional()?;
    let altitude = table.number("altitude", SPAN, (-430.0, 5000.0)).optional();
    let station = table.number("station_pressure", BAROMETER, (500.0, 1085.0)).optional();
    let town = table.text("town").check(|town| towns::find(&town)).optional()?;
    all.room = match (altitude?, station?) {
        (Some(_), Some(_)) => {
            let remedy = "keep station_pressure_hpa if it is read in the shop, altitude_m otherwise";
            table.refuse(complaint("altitude and station pressure are both given", "one of them", remedy));
            return None;
        }
        // A town says less than either.
        (altitude, station) => {
            altitude.map(RoomAnswer::Altitude).or(station.map(RoomAnswer::Barometer)).or(town.map(RoomAnswer::Town))
        }
    };
    Some(())
}

fn pump(root: &Section, all: &mut Answers) -> Option<()> {
    let pump = root.section("pump");
    let filter = root.section("filter");
    let valves = root.section("valves");
    all.pump_class = pump.choice("class", &named(&PumpClass::ALL)).optional()?;
    all.nameplate = pump.number("nameplate", FLOW, (1.0, 20_000.0)).optional()?;
    all.pumps = pump.whole("count", 1, 16).optional()?;
    all.holds_level = pump.number("holds_level", LEVEL, (10.0, 1000.0)).optional()?;
    all.relief_opens = pump.number("relief_opens", LEVEL, (10.0, 950.0)).optional()?;
    all.filter_drop = filter.number("drop", LEVEL, (0.1, 300.0)).optional()?;
    all.bore = valves.number("bore", LENGTH, (3.0, 500.0)).optional()?;
    all.hose = valves.number("hose", SPAN, (0.0, 100.0)).optional()?;
    Some(())
}

fn board(board: &Section, all: &mut Answers) -> Option<()> {
    const SIDE: (f64, f64) = (100.0, 20_000.0);
    let looks = [
        ("pale", BoardClass::Light),
        ("brown", BoardClass::Standard),
        ("dark", BoardClass::HighDensity),
        ("chips", BoardClass::Particle),
    ];
    all.length = board.number("length", LENGTH, SIDE).optional()?;
    all.width = board.number("width", LENGTH, SIDE).optional()?;
    all.thickness = board.number("thickness", LENGTH, (2.0, 120.0)).optional()?;
    let class = board.choice("class", &named(&BoardClass::ALL)).map(BoardAnswer::Class).optional();
    let looks = board.choice("looks", &looks).map(BoardAnswer::Looks).optional();
    let weight = board.number("weight", MASS, (0.5, 500.0)).optional();
    let density = board.number("density", DENSITY, (200.0, 1200.0)).optional();
    let told = [
        class?,
        looks?,
        weight?.map(|kilograms| BoardAnswer::Weight(Mass::from_kilograms(kilograms))),
        density?.map(|density| BoardAnswer::Density(Density::from_kg_per_m3(density))),
    ];
    let mut told = told.into_iter().flatten();
    all.board = told.next();
    if told.next().is_some() {
        let limit = "one of class, looks, weight_kg and density_kg_m3";
        board.refuse(complaint("the board is told twice", limit, "keep the one that you are surest of"));
        return None;
    }
    all.layered = board.choice("edge", &[("layered", true), ("even", false)]).optional()?;
    all.faces = board.choice("faces", &named(&[Faces::Off, Faces::TopSkimmed, Faces::On])).optional()?;
    all.sealed = board.choice("rims", &[("sealed", true), ("open", false)]).optional()?;
    weighed(board, all)
}

/// Refuses a weight that no board of this size has.
fn weighed(section: &Section, all: &Answers) -> Option<()> {
    let Some(BoardAnswer::Weight(weight)) = all.board else { return Some(()) };
    let (Some(length), Some(width), Some(thickness)) = (all.length, all.width, all.thickness) else {
        let limit = "length_mm, width_mm and thickness_mm beside it";
        section.refuse(complaint("a weight alone says nothing of the board", limit, "add what is missing"));
        return None;
    };
    let [length, width, thickness] = [length, width, thickness].map(Length::from_millimetres);
    match crate::board::advice::density(weight, length, width, thickness) {
        Ok(density) if (200.0..=1200.0).contains(&density.kg_per_m3()) => Some(()),
        Ok(density) => {
            let wrong = format!("this weight and size are {:.0} kg/m³", density.kg_per_m3());
            let remedy = "weigh it again, whole and without the table";
            section.refuse(complaint(wrong, "200 to 1200 kg/m³", remedy));
            None
        }
        Err(_) => {
            let wrong = "no board of this size has this weight";
            section.refuse(complaint(wrong, "200 to 1200 kg/m³", "weigh and measure it again"));
            None
        }
    }
}

fn zones(root: &Section, all: &mut Answers) -> Option<()> {
    let zones = root.section("zones");
    let page = root.section("page");
    all.rows = zones.whole("rows", 1, 64).optional()?;
    all.columns = zones.whole("columns", 1, 64).optional()?;
    all.margin = zones.number("margin", LENGTH, (0.0, 1000.0)).optional()?;
    all.gap = zones.number("gap", LENGTH, (0.0, 500.0)).optional()?;
    all.listen = page.text("listen").optional()?;
    Some(())
}

fn gauge(gauge: &Section, all: &mut GaugeAnswers) -> Option<()> {
    let whole = |key: &str, least, most| gauge.whole(key, least, most).optional();
    all.port = gauge.text("port").optional()?;
    let places: Vec<Place> = Place::ALL.into_iter().filter(|place| place.is_suction()).collect();
    all.place = gauge.choice("place", &named(&places)).optional()?;
    all.baud = whole("baud", 300, 4_000_000)?;
    all.parity = gauge.choice("parity", &named(&[Parity::None, Parity::Even, Parity::Odd])).optional()?;
    all.units = pair(gauge, "units", (1.0, 247.0))?.map(|(first, last)| (first as u8, last as u8));
    all.registers = pair(gauge, "registers", (0.0, 65_535.0))?.map(|(first, last)| Ranges(first as u16, last as u16));
    all.request = gauge.bytes("request").optional()?;
    let unit = gauge.text("unit").check(|unit| {
        unit.parse::<PressureUnit>().map_err(|_| {
            let symbols = PressureUnit::ALL.map(PressureUnit::symbol).join(", ");
            complaint(format!("unit {unit:?} is not known"), symbols, "write one of these")
        })
    });
    let conventions = [PressureConvention::Absolute, PressureConvention::Gauge, PressureConvention::Vacuum];
    let kinds = [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32];
    all.told = Told {
        unit_id: whole("unit_id", 1, 247)?.and_then(|unit| u8::try_from(unit).ok()),
        table: gauge.choice("table", &named(&[RegisterTable::Holding, RegisterTable::Input])).optional()?,
        register: whole("register", 0, 65_535)?.and_then(|register| u16::try_from(register).ok()),
        kind: gauge.choice("kind", &named(&kinds)).optional()?,
        order: gauge.choice("word_order", &named(&[WordOrder::HighFirst, WordOrder::LowFirst])).optional()?,
        position: whole("position", 0, 63)?.map(|position| position as usize),
        unit: unit.optional()?,
        scale: gauge.number("scale", PLAIN, (1e-9, 1e9)).optional()?,
        counts: gauge.choice("counts", &named(&conventions)).optional()?,
    };
    all.range = gauge.pair("range", PLAIN, (-1e7, 1e7)).optional()?;
    Some(())
}

/// A first and a last whole number.
fn pair(section: &Section, key: &str, limits: (f64, f64)) -> Option<Option<(f64, f64)>> {
    let rising = section.pair(key, PLAIN, limits).check(|(first, last)| {
        if first <= last && first.fract() == 0.0 && last.fract() == 0.0 {
            return Ok((first, last));
        }
        let limit = "two whole numbers, the lesser first";
        Err(complaint(format!("[{first}, {last}]"), limit, "write [first, last]"))
    });
    rising.optional()
}

fn watch(root: &Section, all: &mut Answers) -> Option<()> {
    let watch = root.section("watch");
    let words = [("unknown", PumpWhileWatched::Unknown), ("off", PumpWhileWatched::Off), ("on", PumpWhileWatched::On)];
    all.watch = watch.number("seconds", PLAIN, (1.0, 600.0)).map(Span::from_secs_f64).optional()?;
    all.pump_while_watched = watch.choice("pump", &words).or(PumpWhileWatched::Unknown)?;
    Some(())
}

/// A question: where its answer stands, and how it is put.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Question {
    /// The section of its key.
    pub section: &'static str,
    /// The key, with its usual unit.
    pub key: &'static str,
    /// The question.
    pub asks: &'static str,
    /// How to find out.
    pub hint: &'static str,
    /// Whether the answer is a word or text, not a number.
    pub is_text: bool,
}

const fn number(section: &'static str, key: &'static str, asks: &'static str, hint: &'static str) -> Question {
    Question { section, key, asks, hint, is_text: false }
}

const fn word(section: &'static str, key: &'static str, asks: &'static str, hint: &'static str) -> Question {
    Question { section, key, asks, hint, is_text: true }
}

/// The questions about pump and room, which tell how deep a level can be.
pub const SUCTION_QUESTIONS: [Question; 7] = [
    word(
        "pump",
        "class",
        "how is the pump built?",
        "see pump-classes.md; a blower hums and is warm, a dry vane pump hisses",
    ),
    number("pump", "nameplate_m3_h", "the flow on its plate, in m³/h?", "of one pump, inlet open; 1 cfm is 1.7 m³/h"),
    number("pump", "count", "how many such pumps side by side?", "one, if you do not know of more"),
    number(
        "table",
        "altitude_m",
        "how high above the sea is the shop, in metres?",
        "a map or a telephone shows it to 30 m, which is near enough; an absolute gauge tells it by itself",
    ),
    word(
        "table",
        "town",
        "if you do not know: which town is it in, or near and as high as?",
        "with region or country behind a comma where several have the name, as in London, Ontario",
    ),
    number(
        "pump",
        "holds_level_mbar",
        "does a drive hold the pump at a level, and at which, in mbar?",
        "empty if it does not",
    ),
    number(
        "pump",
        "relief_opens_mbar",
        "does a relief valve let air in, from which level, in mbar?",
        "empty if there is none",
    ),
];

/// The questions about table and board.
pub const TABLE_QUESTIONS: [Question; 12] = [
    word("table", "name", "what is the table called?", "any name"),
    number("board", "length_mm", "the board's length along x, in mm?", ""),
    number("board", "width_mm", "the board's width along y, in mm?", ""),
    number("board", "thickness_mm", "its thickness as it lies, in mm?", "measure at an edge"),
    number(
        "board",
        "weight_kg",
        "its weight in kg?",
        "stand on a bathroom scale with the board and without it; empty to tell it by its look",
    ),
    word(
        "board",
        "looks",
        "its look: pale, brown, dark or chips?",
        "pale and light, brown as ordinary fibreboard, dark and heavy, or chips at the edge",
    ),
    word("board", "edge", "its cut edge: layered or even?", "layered: dense and dark outside, open in the middle"),
    word("board", "faces", "dense faces: off, top-skimmed or on?", "off: both sides skimmed; on: as delivered"),
    word("board", "rims", "its side faces: sealed or open?", "sealed with tape, paint or glue, or bare"),
    number("zones", "rows", "rows of zones, counted along y?", ""),
    number("zones", "columns", "columns of zones, counted along x?", ""),
    word(
        "gauge",
        "place",
        "where is the gauge: manifold or pump-inlet?",
        "manifold: on the table's side of the filter; pump-inlet: between filter and pump",
    ),
];

impl Question {
    /// The question's answer as a line of TOML.
    pub fn line(&self, answer: &str) -> String {
        let value = if self.is_text { super::draft::quoted(answer) } else { answer.replace(',', ".") };
        format!("{} = {value}", self.key)
    }

    /// The words that it takes; none for a number or any text.
    pub fn words(&self) -> Vec<String> {
        let of = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect();
        match (self.section, self.key) {
            ("pump", "class") => PumpClass::ALL.iter().map(name_of).collect(),
            ("board", "looks") => of(&["pale", "brown", "dark", "chips"]),
            ("board", "edge") => of(&["layered", "even"]),
            ("board", "faces") => of(&["off", "top-skimmed", "on"]),
            ("board", "rims") => of(&["sealed", "open"]),
            ("gauge", "place") => of(&["manifold", "pump-inlet"]),
            _ => Vec::new(),
        }
    }
}
