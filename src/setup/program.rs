//! What a card says of its cut program, and a setup of the machine that runs it.

use std::collections::{BTreeMap, BTreeSet};

use super::card::helix;
use super::layout::{PLACE, ROUNDING};
use super::notes::{Complaint, complaint};
use super::section::{FEED, LENGTH, PLAIN, Section};
use crate::job::CardSheet;
use crate::job::plan::{CardProgram, Machine, Obstacle, ObstacleKind, Tip, Tool, Winds, ZeroHeight};
use crate::job::program::{Code, DwellUnit, Limits, Reading, Shift, UnitOfLength, WorkZero};
use crate::moment::{Span, Utc};
use crate::table::Point;
use crate::units::{Length, Speed};

/// The most tools of one card.
const MOST_TOOLS: usize = 100;

/// The most screws, and the most grooves, of a board.
const MOST_OBSTACLES: usize = 500;

/// The most codes that a card may have passed over.
const MOST_IGNORED: usize = 50;

/// A card's program; the outer `None` for a mistake.
pub(super) fn program(
    root: &Section,
    sheet: Option<&CardSheet>,
    cutter_of_program: bool,
    shop: &[Tool],
) -> Option<Option<CardProgram>> {
    let file = root.text("program").check(|file| {
        if file.contains(['/', '\\']) {
            let wrong = format!("{file:?} has a folder in it");
            return Err(complaint(wrong, "a file beside the card", "put it there and write its name alone"));
        }
        Ok(file)
    });
    let file = file.optional();
    let reading_section = root.section("reading");
    let tool_sections = root.sections("tool", MOST_TOOLS);
    let tools = distinct(&tool_sections);
    let tools = if tool_sections.is_empty() { Some(shop.to_vec()) } else { tools };
    let (reading, placed) = (reading(&reading_section), placed(&reading_section, sheet));
    let zeroed = reading_section.text("zeroed").check(|text| day_or_time(&text)).optional();
    let file = file?;
    let Some(file) = file else {
        let stray = reading_section.is_written() || !tool_sections.is_empty();
        if stray {
            let wrong = "tools or a way of reading are given, but no program";
            root.refuse(complaint(wrong, "they belong to a program", "add program, or take them out"));
        }
        return (!stray).then_some(None);
    };
    let (zero, height, board_left) = placed?;
    let (reading, tools, zeroed) = (reading?, tools?, zeroed?);
    let program =
        CardProgram { file, reading, tools, zero, height, board_left, zeroed, cutter_of_program, route: None };
    Some(Some(program))
}

/// A date, taken as its end, or a date and time with its offset.
fn day_or_time(text: &str) -> Result<Utc, Complaint> {
    let end_of_day = || Utc::parse_rfc3339(&format!("{text}T23:59:59Z"));
    Utc::parse_rfc3339(text).or_else(|_| end_of_day()).map_err(|_| {
        let limit = "a date such as 2026-03-02, or RFC 3339 such as 2026-03-02T14:30:00+01:00";
        complaint(format!("{text:?} is no date"), limit, "write it so, in quotes")
    })
}

/// Screws, grooves, slots and holes of the board that a cut must stay above.
pub(super) fn obstacles(board: &Section) -> Option<Vec<Obstacle>> {
    let place = |x, y| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) };
    let below =
        |section: &Section| section.number("below", LENGTH, (0.0, 120.0)).map(Length::from_millimetres).required();
    let screw = |section: &Section| {
        let at = section.pair("at", LENGTH, PLACE).required();
        let width = section.number("diameter", LENGTH, (1.0, 200.0)).map(Length::from_millimetres).required();
        let below = below(section);
        let (x, y) = at?;
        let (from, to) = (place(x, y), place(x, y));
        Some(Obstacle { kind: ObstacleKind::Screw, from, to, width: width?, below: below? })
    };
    let groove = |section: &Section| {
        let (from, to) = (section.pair("from", LENGTH, PLACE).required(), section.pair("to", LENGTH, PLACE).required());
        let width = section.number("width", LENGTH, (0.5, 500.0)).map(Length::from_millimetres).required();
        let below = below(section);
        let ((x0, y0), (x1, y1)) = (from?, to?);
        let (from, to) = (place(x0, y0), place(x1, y1));
        Some(Obstacle { kind: ObstacleKind::Groove, from, to, width: width?, below: below? })
    };
    let screws: Vec<Option<Obstacle>> = board.sections("screw", MOST_OBSTACLES).iter().map(screw).collect();
    let grooves: Vec<Option<Obstacle>> = board.sections("groove", MOST_OBSTACLES).iter().map(groove).collect();
    screws.into_iter().chain(grooves).collect()
}

fn reading(section: &Section) -> Option<Reading> {
    let units = [("mm", UnitOfLength::Millimetre), ("in", UnitOfLength::Inch)];
    let unit = section.choice("unit", &units).or(UnitOfLength::Millimetre);
    let dwells = [("s", DwellUnit::Seconds), ("ms", DwellUnit::Milliseconds)];
    let dwell = section.choice("dwell_unit", &dwells).or(DwellUnit::Seconds);
    let block_delete = section.choice("block_delete", &[("off", false), ("on", true)]).or(false);
    let ignored =
        section.texts("ignore", MOST_IGNORED).check(|words| {
            let code = |word: &String| code(word).ok_or_else(|| word.clone());
            words.iter().map(code).collect::<Result<BTreeSet<Code>, String>>().map_err(|word| {
                complaint(format!("{word:?} is no code"), "G or M and a number, such as M10", "correct it")
            })
        });
    let ignored = ignored.or(BTreeSet::new());
    let zeros: Vec<Option<(WorkZero, Shift)>> = section.sections("zero", 9).iter().map(zero).collect();
    let zeros = zeros.into_iter().collect::<Option<BTreeMap<WorkZero, Shift>>>();
    Some(Reading {
        unit: unit?,
        dwell: dwell?,
        block_delete: block_delete?,
        zeros: zeros?,
        ignored: ignored?,
        limits: Limits::default(),
    })
}

/// `G54` or `M10`, in the card's own writing.
fn code(word: &str) -> Option<Code> {
    let letter =
        word.chars().next().map(|letter| letter.to_ascii_uppercase()).filter(|letter| "GM".contains(*letter))?;
    let number: f64 = word.get(1..)?.trim().parse().ok()?;
    let tenths = number * 10.0;
    ((0.0..10_000.0).contains(&tenths) && (tenths - tenths.round()).abs() < 1e-6)
        .then(|| Code { letter, tenths: tenths.round() as u16 })
}

const ZEROS: [(&str, WorkZero); 9] = [
    ("G54", WorkZero(1)),
    ("G55", WorkZero(2)),
    ("G56", WorkZero(3)),
    ("G57", WorkZero(4)),
    ("G58", WorkZero(5)),
    ("G59", WorkZero(6)),
    ("G59.1", WorkZero(7)),
    ("G59.2", WorkZero(8)),
    ("G59.3", WorkZero(9)),
];

fn zero(section: &Section) -> Option<(WorkZero, Shift)> {
    let code = section.choice("code", &ZEROS).required();
    let shift = section.numbers("shift", 3, LENGTH, (-100_000.0, 100_000.0)).required();
    let (code, shift) = (code?, shift?);
    let [x, y, z] = [0, 1, 2].map(|axis| Length::from_millimetres(shift[axis]));
    Some((code, Shift { x, y, z }))
}

/// Where the program's zero lies on the table, what its Z0 is, and how thick the board still is.
fn placed(section: &Section, sheet: Option<&CardSheet>) -> Option<(Point, ZeroHeight, Option<Length>)> {
    let zero = section.pair("zero_at", LENGTH, (-100_000.0, 100_000.0)).or((0.0, 0.0));
    let heights = [("sheet-top", ZeroHeight::SheetTop), ("board-top", ZeroHeight::BoardTop)];
    let height = section.choice("zero_height", &heights).or(ZeroHeight::SheetTop);
    let board_left = section.number("board_left", LENGTH, (0.1, 200.0)).map(Length::from_millimetres).optional();
    let ((x, y), corner) = (zero?, sheet?.rect.low);
    let zero = Point { x: corner.x + Length::from_millimetres(x), y: corner.y + Length::from_millimetres(y) };
    Some((zero, height?, board_left?))
}

/// The lower end of a cutter, as a word.
#[derive(Clone, Copy)]
enum End {
    Flat,
    Taper,
    Ball,
}

fn tool(section: &Section) -> Option<Tool> {
    let number = section.whole("number", 1, 99_999).required();
    let diameter = section.number("diameter", LENGTH, (0.2, 200.0)).required();
    let flutes = section.whole("flutes", 1, 16).or(2);
    let helix = helix(section, Some(Winds::Straight));
    let end = section.choice("end", &[("flat", End::Flat), ("taper", End::Taper), ("ball", End::Ball)]).or(End::Flat);
    let tip = match end? {
        End::Flat => Some(Tip::Flat),
        End::Ball => Some(Tip::Ball),
        End::Taper => {
            let end = section.number("end_width", LENGTH, (0.0, 100.0)).or(0.0);
            let half_angle_deg = section.number("half_angle_deg", PLAIN, (1.0, 85.0)).required();
            let (end, half_angle_deg) = (Length::from_millimetres(end?), half_angle_deg?);
            Some(Tip::Taper { end, half_angle_deg })
        }
    };
    let diameter = Length::from_millimetres(diameter?);
    if let Some(Tip::Taper { end, .. }) = tip
        && end.metres() > diameter.metres() + ROUNDING
    {
        let wrong = format!("the end is {} mm wide", end.millimetres());
        let limit = format!("at most the diameter, {} mm", diameter.millimetres());
        section.refuse(complaint(wrong, limit, "correct end_width_mm or diameter_mm"));
        return None;
    }
    Some(Tool { number: number?, diameter, tip: tip?, flutes: flutes?, helix: helix? })
}

/// The shop's tools, from every `[[tool]]` of a setup.
pub(super) fn tools(root: &Section) -> Option<Vec<Tool>> {
    distinct(&root.sections("tool", MOST_TOOLS))
}

/// The tools, each number once.
fn distinct(sections: &[Section]) -> Option<Vec<Tool>> {
    let tools: Vec<Option<Tool>> = sections.iter().map(tool).collect();
    for (place, tool) in tools.iter().enumerate() {
        let Some(tool) = tool else { continue };
        if tools[..place].iter().flatten().any(|earlier| earlier.number == tool.number) {
            let wrong = format!("two tools have the number {}", tool.number);
            sections[place].refuse(complaint(wrong, "each number once", "correct one"));
            return None;
        }
    }
    tools.into_iter().collect()
}

/// The machine that runs the programs, as far as the setup tells it.
pub(super) fn machine(section: &Section) -> Option<Machine> {
    let usual = Machine::default();
    let speed = |key: &str, usual: Speed| {
        let told = section.number(key, FEED, (0.1, 300.0)).map(|speed| Speed::from_metres_per_second(speed / 60.0));
        told.or(usual)
    };
    let span = |key: &str, usual: Span| section.number(key, PLAIN, (0.0, 600.0)).map(Span::from_secs_f64).or(usual);
    let (rapid, rapid_z) = (speed("rapid", usual.rapid), speed("rapid_z", usual.rapid_z));
    let acceleration = section.number("acceleration_m_s2", PLAIN, (0.01, 50.0)).or(usual.acceleration_m_s2);
    let corner = section.number("corner", LENGTH, (0.0, 5.0)).map(Length::from_millimetres).or(usual.corner);
    let (tool_change, spin_up) = (span("tool_change_s", usual.tool_change), span("spin_up_s", usual.spin_up));
    let error = section.number("acceleration_error", PLAIN, (0.0, 0.9)).or(usual.error);
    Some(Machine {
        rapid: rapid?,
        rapid_z: rapid_z?,
        acceleration_m_s2: acceleration?,
        corner: corner?,
        tool_change: tool_change?,
        spin_up: spin_up?,
        error: error?,
    })
}
