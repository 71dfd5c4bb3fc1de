//! A setup written from what was told and found, every assumption marked with what hangs on it.
//!
//! The plausible ends of an assumption are judgement, no source, unless the ground says otherwise.

mod bearing;
mod found;

use super::answers::{Answers, BoardAnswer, RoomAnswer};
use super::section::name_of;
use super::towns::TOWN_ERROR;
use super::{Mistakes, Setup, read_setup};
use crate::board::advice::density;
use crate::expectation::zones_under;
use crate::gauge::Place;
use crate::gauge::search::{Form, Plausible};
use crate::line::{DataBits, Parity};
use crate::table::{BoardClass, ClosedForm, Condensed, Faces, PumpClass, Rect, TableLoad, Tap, operating_point};
use crate::units::{AbsolutePressure, Length, PressureConvention, PressureUnit, Vacuum};

use bearing::Variant;
pub use bearing::{Bearing, Marked};
pub use found::{FoundGauge, FoundTalk};
use found::{talk_lines, widest};

/// The usual flow of pumps for an area of table, in m³/h per m² (common practice, no source).
const FLOW_FOR_AREA: f64 = 170.0;

/// The folder of job cards, beside the setup.
pub const CARDS: &str = "cards";

#[derive(Clone, Debug)]
struct Doubt {
    ground: String,
    plausible: String,
    ends: Option<[Variant; 2]>,
}

#[derive(Clone, Debug)]
struct Entry {
    section: &'static str,
    lines: Vec<String>,
    doubt: Option<Doubt>,
}

/// A setup to be.
#[derive(Clone, Debug)]
pub struct Draft {
    entries: Vec<Entry>,
    doubts: Vec<String>,
    others: Vec<u8>,
}

impl Draft {
    /// The setup of what was told and found.
    pub fn new(answers: &Answers, gauge: &FoundGauge) -> Self {
        let (doubts, others) = (gauge.doubts.clone(), gauge.others.clone());
        let mut draft = Draft { entries: Vec::new(), doubts, others };
        draft.room(answers, gauge);
        draft.pump(answers, gauge);
        draft.between(answers);
        draft.board(answers);
        draft.zones(answers);
        draft.devices(answers, gauge);
        draft
    }

    fn told(&mut self, section: &'static str, lines: Vec<String>) {
        self.entries.push(Entry { section, lines, doubt: None });
    }

    fn assumed(
        &mut self,
        section: &'static str,
        lines: Vec<String>,
        ground: &str,
        plausible: impl Into<String>,
        ends: Option<[Variant; 2]>,
    ) {
        let doubt = Doubt { ground: ground.to_owned(), plausible: plausible.into(), ends };
        self.entries.push(Entry { section, lines, doubt: Some(doubt) });
    }

    /// A number that was told, or one that is assumed between two ends.
    fn number(
        &mut self,
        section: &'static str,
        key: &str,
        told: Option<f64>,
        assumed: f64,
        ends: (f64, f64),
        ground: &str,
    ) -> f64 {
        let line = |value: f64| vec![format!("{key} = {}", shown(value))];
        match told {
            Some(value) => self.told(section, line(value)),
            None => {
                let plausible = format!("{} to {}", shown(ends.0), shown(ends.1));
                let variants = [ends.0, ends.1].map(|end| Variant::Lines(line(end)));
                self.assumed(section, line(assumed), ground, plausible, Some(variants));
            }
        }
        told.unwrap_or(assumed)
    }

    fn room(&mut self, answers: &Answers, gauge: &FoundGauge) {
        let name = answers.name.as_deref().unwrap_or("Router");
        self.told("[table]", vec![format!("name = {}", quoted(name))]);
        match (answers.room, gauge.room) {
            (Some(RoomAnswer::Altitude(metres)), _) => {
                self.told("[table]", vec![format!("altitude_m = {}", shown(metres))]);
            }
            (Some(RoomAnswer::Town(_)), Some(room)) | (None, Some(room)) => self.room_of_gauge(room),
            (Some(RoomAnswer::Town(town)), None) => {
                let ground = format!("where the airport of {town} lies; a map shows the shop's own height");
                let ends = (town.metres - TOWN_ERROR, town.metres + TOWN_ERROR);
                self.number("[table]", "altitude_m", None, town.metres, ends, &ground);
            }
            (Some(RoomAnswer::Barometer(hpa)), _) => {
                self.told("[table]", vec![format!("station_pressure_hpa = {}", shown(hpa))]);
            }
            (None, None) => {
                self.number("[table]", "altitude_m", None, 200.0, (0.0, 1500.0), "not told; a map shows it");
            }
        }
        self.number("[table]", "temperature_c", None, 20.0, (5.0, 35.0), "a heated shop, common practice, no source");
    }

    /// The room's pressure by an absolute gauge, read with the pump off.
    fn room_of_gauge(&mut self, room: AbsolutePressure) {
        let hpa = room.pascals() / 100.0;
        let line = |hpa: f64| vec![format!("station_pressure_hpa = {hpa:.1}")];
        let ends = [hpa - 30.0, hpa + 30.0].map(|hpa| Variant::Lines(line(hpa)));
        let ground = "what the gauge itself showed with the pump off; altitude_m would not go with the weather";
        self.assumed("[table]", line(hpa), ground, "30 hPa less to 30 more, by the weather", Some(ends));
    }

    fn pump(&mut self, answers: &Answers, gauge: &FoundGauge) {
        let class = assumed_class(answers, gauge);
        let line = |class: PumpClass| vec![format!("class = {}", quoted(&name_of(&class)))];
        if answers.pump_class.is_some() {
            self.told("[pump]", line(class));
        } else {
            let ends = [PumpClass::RegenerativeTwoStage, PumpClass::VaneOil].map(|class| Variant::Lines(line(class)));
            let ground = "not told; the gauge has shown no level that such a pump cannot make";
            self.assumed("[pump]", line(class), ground, "a two-stage blower to a vane pump in oil", Some(ends));
        }
        let area = answers.length.unwrap_or(2440.0) * answers.width.unwrap_or(1220.0) / 1e6;
        let count = f64::from(answers.pumps.unwrap_or(1));
        let usual = (area * FLOW_FOR_AREA / count / 10.0).round().max(1.0) * 10.0;
        let ground = "not told; a usual pump for a table of this size, common practice, no source";
        self.number("[pump]", "nameplate_m3_h", answers.nameplate, usual, (0.5 * usual, 2.0 * usual), ground);
        self.number("[pump]", "count", answers.pumps.map(f64::from), 1.0, (1.0, 2.0), "not told");
        let ends = [Variant::Pump(1.0 / 1.2), Variant::Pump(1.2)];
        let ground = "the curve is typical of the class, no source; a survey of the table replaces it";
        self.assumed("[pump]", Vec::new(), ground, "a fifth less flow to a fifth more", Some(ends));
        if let Some(level) = answers.holds_level {
            self.told("[pump]", vec![format!("holds_level_mbar = {}", shown(level))]);
            self.told(
                "[pump]",
                vec![
                    "# Such a pump hides leaks: add [drive], the register of its drive's speed, and they show."
                        .to_owned(),
                ],
            );
        }
    }

    fn between(&mut self, answers: &Answers) {
        let flow = self.full_flow();
        let usual = "common practice, no source";
        self.number(
            "[filter]",
            "drop_mbar",
            answers.filter_drop,
            15.0,
            (5.0, 40.0),
            "a clean filter, common practice, no source",
        );
        self.told("[filter]", vec![format!("at_m3_h = {}", shown(flow))]);
        let leak = |share: f64| {
            vec![format!("leak_m3_h = {}", shown((flow * share).max(0.1))), "leak_at_mbar = 200".to_owned()]
        };
        let ends = [Variant::Lines(Vec::new()), Variant::Lines(leak(0.05))];
        let ground = "pipes and valves are taken to be tight; shut every valve and see how deep the level goes";
        self.assumed("[manifold]", Vec::new(), ground, "none to a twentieth of the pump's flow", Some(ends));
        if let Some(opens) = answers.relief_opens {
            let line = |over: f64| {
                vec![
                    format!("opens_mbar = {}", shown(opens)),
                    format!("passes_m3_h = {}", shown(flow)),
                    format!("passes_at_mbar = {}", shown(opens + over)),
                ]
            };
            let ends = [20.0, 100.0].map(|over| Variant::Lines(line(over)));
            let ground =
                "the valve passes all of the pump's flow 50 mbar above where it opens, common practice, no source";
            self.assumed("[manifold.relief]", line(50.0), ground, "20 to 100 mbar above", Some(ends));
        }
        self.number("[valves]", "bore_mm", answers.bore, 50.0, (32.0, 75.0), usual);
        self.number("[valves]", "hose_m", answers.hose, 3.0, (1.0, 8.0), usual);
    }

    /// The pumps' flow as written so far.
    fn full_flow(&self) -> f64 {
        let value = |key: &str| {
            let lines = self.entries.iter().flat_map(|entry| &entry.lines);
            lines.filter_map(|line| line.strip_prefix(key)?.strip_prefix(" = ")?.parse::<f64>().ok()).next()
        };
        value("nameplate_m3_h").unwrap_or(250.0) * value("count").unwrap_or(1.0)
    }

    fn board(&mut self, answers: &Answers) {
        let none = "not told; a usual size, common practice, no source";
        let length = self.number("[board]", "length_mm", answers.length, 2440.0, (1220.0, 3050.0), none);
        let width = self.number("[board]", "width_mm", answers.width, 1220.0, (1220.0, 1525.0), none);
        let usual = "not told; common practice, no source";
        let thickness = self.number("[board]", "thickness_mm", answers.thickness, 18.0, (12.0, 25.0), usual);
        let class_line = |class: BoardClass| vec![format!("class = {}", quoted(&name_of(&class)))];
        let (class, ground) = match answers.board {
            Some(BoardAnswer::Class(class)) => (class, "by its grade"),
            Some(BoardAnswer::Looks(class)) => (class, "by its look alone; its weight would tell more"),
            Some(BoardAnswer::Density(density)) => (BoardClass::of_fibreboard(density), "by its density"),
            Some(BoardAnswer::Weight(weight)) => {
                let [length, width, thickness] = [length, width, thickness].map(Length::from_millimetres);
                let class = density(weight, length, width, thickness).map(BoardClass::of_fibreboard);
                (class.unwrap_or(BoardClass::Standard), "by its weight and size")
            }
            None => (BoardClass::Light, "not told; a usual grade, common practice, no source"),
        };
        let range = class.permeability();
        let ends = [range.low / range.typical, range.high / range.typical].map(Variant::Board);
        let [low, typical, high] = [range.low, range.typical, range.high].map(|k| k.square_metres());
        let plausible =
            format!("{low:e} to {high:e} m² through it, {typical:e} taken, no source; a survey measures it");
        self.assumed("[board]", class_line(class), ground, plausible, Some(ends));
        self.board_faces(answers);
    }

    fn board_faces(&mut self, answers: &Answers) {
        let line = |faces: Faces| vec![format!("faces = {}", quoted(&name_of(&faces)))];
        match (answers.faces, answers.layered) {
            (Some(faces), _) => self.told("[board]", line(faces)),
            (None, Some(false)) => self.told("[board]", line(Faces::Off)),
            (None, _) => {
                let ends = [Faces::On, Faces::TopSkimmed].map(|faces| Variant::Lines(line(faces)));
                let ground = "common practice: about 1.5 mm comes off each face before first use";
                self.assumed("[board]", line(Faces::Off), ground, "both dense faces on, or the lower one", Some(ends));
            }
        }
        let rims = |word: &str| vec![format!("rims = {}", quoted(word))];
        match answers.sealed {
            Some(sealed) => self.told("[board]", rims(if sealed { "sealed" } else { "open" })),
            None => {
                let ends = ["open", "sealed"].map(|word| Variant::Lines(rims(word)));
                let ground = "not told; side faces are to be sealed, common practice";
                self.assumed("[board]", rims("sealed"), ground, "open or sealed", Some(ends));
            }
        }
    }

    fn zones(&mut self, answers: &Answers) {
        let lines = |pitch: f64, width: f64| {
            vec![format!("groove_pitch_mm = {}", shown(pitch)), format!("groove_width_mm = {}", shown(width))]
        };
        let ends = [lines(64.0, 8.0), lines(20.0, 10.0)].map(Variant::Lines);
        let ground = "grooves under the board, common practice, no source";
        self.assumed("[plenum]", lines(32.0, 8.0), ground, "8 mm every 64 to 10 mm every 20", Some(ends));
        let none = "not told; look under the board, or count the valves";
        let rows = answers.rows.map(f64::from);
        let columns = answers.columns.map(f64::from);
        self.number("[zones]", "rows", rows, 2.0, (1.0, 4.0), none);
        self.number("[zones]", "columns", columns, 3.0, (1.0, 4.0), none);
        let usual = "common practice, no source";
        self.number("[zones]", "margin_mm", answers.margin, 20.0, (0.0, 50.0), usual);
        self.number("[zones]", "gap_mm", answers.gap, 20.0, (5.0, 50.0), usual);
    }

    fn devices(&mut self, answers: &Answers, gauge: &FoundGauge) {
        let text = matches!(gauge.talk, FoundTalk::Text { .. });
        let parity = match gauge.form.parity {
            Parity::None => "none",
            Parity::Even => "even",
            Parity::Odd => "odd",
        };
        let mut line = vec![
            "name = \"vacuum\"".to_owned(),
            format!("port = {}", quoted(&gauge.port)),
            format!("protocol = {}", quoted(if text { "ascii-talker" } else { "modbus-rtu" })),
            format!("baud = {}", gauge.form.baud),
            format!("parity = {}", quoted(parity)),
        ];
        if gauge.form.data_bits == DataBits::Seven {
            line.push("data_bits = 7".to_owned());
        }
        self.told("[[line]]", line);
        self.told("[[gauge]]", vec!["name = \"manifold\"".to_owned(), "line = \"vacuum\"".to_owned()]);
        let place = |place: Place| vec![format!("place = {}", quoted(&name_of(&place)))];
        match answers.gauge.place {
            Some(told) => self.told("[[gauge]]", place(told)),
            None => {
                let ends = [Place::PumpInlet, Place::Manifold].map(|end| Variant::Lines(place(end)));
                let ground = "not told; the table's side of the filter";
                self.assumed(
                    "[[gauge]]",
                    place(Place::Manifold),
                    ground,
                    "pump-inlet, if behind the filter",
                    Some(ends),
                );
            }
        }
        let mut number = talk_lines(&gauge.talk);
        number.push(format!("scale = {}", shown(gauge.scale)));
        number.push(format!("unit = {}", quoted(gauge.unit.symbol())));
        number.push(format!("counts = {}", quoted(&name_of(&gauge.counts))));
        self.told("[[gauge]]", number);
        let widest = widest(gauge);
        let range = |(low, high): (f64, f64)| vec![format!("range = [{}, {}]", shown(low), shown(high))];
        match answers.gauge.range {
            Some(told) => self.told("[[gauge]]", range(told)),
            None => {
                let ground =
                    "as wide as any room; write what stands on the gauge, and a reading beyond it is seen as a fault";
                self.assumed("[[gauge]]", range(widest), ground, "what stands on the gauge", None);
            }
        }
        if let Some(listen) = &answers.listen {
            self.told("[page]", vec![format!("listen = {}", quoted(listen))]);
        }
        self.told("[jobs]", vec![format!("cards = {}", quoted(CARDS))]);
        self.told("[journal]", vec!["path = \"holdwatch.db\"".to_owned()]);
    }

    /// The file's text; what hangs on each assumption is reckoned for it.
    ///
    /// # Errors
    /// [`Mistakes`] where what was told makes no sound setup, such as zones wider than the board; lines are those of the text that
    /// [`Draft::plain_text`] gives.
    pub fn text(&self) -> Result<(String, Vec<Marked>), Mistakes> {
        let plain = self.plain_text(None);
        let setup = read_setup(&plain, "table.toml")?;
        let marked = self.marked(&setup);
        let mut text = String::from(
            "# A setup of holdwatch, written by `holdwatch begin`. config/example.toml explains every key.\n\
             # Lines under ASSUMED were not told. What hangs on each is reckoned: the level under a sheet that is cut into parts, and the\n\
             # margin of a part of 100 by 100 mm on it, when the assumption goes from one plausible end to the other.\n\
             # holdwatch advises. It is no safety device and takes the place of no guard, interlock or emergency stop.\n",
        );
        for doubt in &self.doubts {
            text.push_str(&format!("# NOT PROVEN by the numbers: {doubt}\n"));
        }
        if !self.others.is_empty() {
            let units: Vec<String> = self.others.iter().map(u8::to_string).collect();
            text.push_str(&format!(
                "# Unit {} answers on this line too: add what it is as [[gauge]], [[contact]], [[light]] or [drive].\n",
                units.join(", ")
            ));
        }
        let mut marks = marked.iter();
        let mut section = "";
        for entry in &self.entries {
            if entry.section != section {
                section = entry.section;
                text.push_str(&format!("\n{section}\n"));
            }
            if entry.doubt.is_some()
                && let Some(mark) = marks.next()
            {
                text.push_str(&format!("# ASSUMED: {}. Plausible: {}.\n", mark.ground, mark.plausible));
                if let Some(bearing) = mark.bearing {
                    text.push_str(&format!("#   What hangs on it: {bearing}.\n"));
                }
            }
            entry.lines.iter().for_each(|line| text.push_str(&format!("{line}\n")));
        }
        Ok((text, marked))
    }

    /// The file without its comments, one entry in the place of another if told.
    pub fn plain_text(&self, instead: Option<(usize, &[String])>) -> String {
        let mut text = String::new();
        let mut section = "";
        for (place, entry) in self.entries.iter().enumerate() {
            if entry.section != section {
                section = entry.section;
                text.push_str(&format!("{section}\n"));
            }
            let lines = instead.filter(|(of, _)| *of == place).map_or(entry.lines.as_slice(), |(_, lines)| lines);
            lines.iter().for_each(|line| text.push_str(&format!("{line}\n")));
        }
        text
    }
}

/// The class of pump told, or one that can make the level seen.
fn assumed_class(answers: &Answers, gauge: &FoundGauge) -> PumpClass {
    let deep = gauge.top > PumpClass::VaneDry.ultimate();
    answers.pump_class.unwrap_or(if deep { PumpClass::VaneOil } else { PumpClass::VaneDry })
}

/// What of levels is plausible with what was told: the level over the bare board, and the deepest that the pump reaches.
pub fn plausible(answers: &Answers) -> Plausible {
    let (room, error) = match answers.room {
        Some(RoomAnswer::Barometer(hpa)) => (AbsolutePressure::from_pascals(hpa * 100.0), 1_000.0),
        // The weather moves a station's pressure by 3 %.
        Some(RoomAnswer::Altitude(metres)) => (room_at(metres), 3_000.0),
        // A town's airport may lie 100 m higher or lower, which is 1.2 kPa.
        Some(RoomAnswer::Town(town)) => (room_at(town.metres), 4_500.0),
        None => (room_at(300.0), 8_000.0),
    };
    let ultimate = answers.pump_class.map_or(PumpClass::Screw.ultimate(), PumpClass::ultimate);
    let share = room / AbsolutePressure::STANDARD_ATMOSPHERE;
    let held = answers.holds_level.or(answers.relief_opens.map(|opens| opens + 100.0));
    let deepest = held.map_or(ultimate * share, |mbar| (ultimate * share).min(Vacuum::from_pascals(mbar * 110.0)));
    let sketch = FoundGauge {
        port: "/dev/null".to_owned(),
        form: Form { baud: 9_600, data_bits: DataBits::Eight, parity: Parity::None },
        talk: FoundTalk::Text { request: Vec::new(), terminator: b'\n', position: 0 },
        scale: 1.0,
        unit: PressureUnit::Millibar,
        counts: PressureConvention::Vacuum,
        room: None,
        top: Vacuum::ZERO,
        doubts: Vec::new(),
        others: Vec::new(),
    };
    let setup = read_setup(&Draft::new(answers, &sketch).plain_text(None), "sketch").ok();
    let bare = setup.map(|setup| {
        let table = &setup.table;
        let form = ClosedForm::condense(table, &TableLoad::default());
        operating_point(table, zones_under(table, &outline(&setup)), form.zones()).level(Tap::Manifold)
    });
    // A board may pass several times as much as its class does typically.
    let least = bare.unwrap_or(Vacuum::ZERO) * 0.5;
    Plausible { room, room_error: Vacuum::from_pascals(error), least, deepest }
}

fn room_at(metres: f64) -> AbsolutePressure {
    crate::table::air::Altitude::Geometric(Length::from_metres(metres)).standard_pressure()
}

fn outline(setup: &Setup) -> Rect {
    Rect::from_metres(0.0, 0.0, setup.table.board.length.metres(), setup.table.board.width.metres())
}

/// A number as TOML takes it.
fn shown(value: f64) -> String {
    format!("{}", (value * 1e9).round() / 1e9)
}

/// A text as TOML takes it.
pub(in crate::setup) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for character in text.chars() {
        match character {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            '\n' => quoted.push_str("\\n"),
            '\r' => quoted.push_str("\\r"),
            '\t' => quoted.push_str("\\t"),
            other if other.is_control() => quoted.push_str(&format!("\\u{:04X}", u32::from(other))),
            other => quoted.push(other),
        }
    }
    quoted.push('"');
    quoted
}
