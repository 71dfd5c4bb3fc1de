//! A job card: the cutter and the parts on the sheet, checked against the table that they will lie on.

use geo::{Area, BooleanOps};

use super::Setup;
use super::layout::{ROUNDING, gap_between, outline, overlap, placed_rect, shown, within};
use super::notes::{Complaint, complaint};
use super::program::program;
use super::section::{FEED, FORCE, LENGTH, PLAIN, Section, named};
use super::sheet::{corners, sheet};
use crate::job::plan::{Helix, Tool, Winds};
use crate::job::{Card, CardPart, CardSheet, Cutter, Edge, HowHeld, Milling, polygon};
use crate::table::{Point, Rect, Zone};
use crate::units::{Force, Length};

/// The most parts of one card.
const MOST_PARTS: usize = 1000;

/// A part and a place where the sheet is missing that share less than this share nothing but rounding, in m².
const LEAST_OVERLAP: f64 = 1e-6;

/// A card against a setup.
pub(super) fn card(root: &Section, setup: &Setup) -> Option<Card> {
    let name = root.text("name").required();
    let sheet_section = root.section("sheet");
    let sheet = sheet(&sheet_section, &outline(&setup.table.board), setup.friction);
    let cutter_section = root.section("cutter");
    let told = cutter_section.is_written();
    let program = program(root, sheet.as_ref(), !told, &setup.tools);
    let tool = program.as_ref().and_then(|program| program.as_ref()?.tools.first().copied());
    let cutter = match tool.filter(|_| !told) {
        Some(tool) => stand_in(&tool, sheet.as_ref()),
        None => cutter(&cutter_section, sheet.as_ref()),
    };
    let parts = parts(root, sheet.as_ref(), cutter.as_ref());
    if let (Some(Some(_)), Some(false)) = (&program, parts.as_ref().map(Vec::is_empty)) {
        let wrong = "both a program and parts are given";
        root.refuse(complaint(wrong, "one of them", "take the [[part]] out; the parts come from the program"));
    }
    let zones = zones(root, &setup.table.plenum.zones, sheet.as_ref());
    let required_margin = root.number("required_margin", PLAIN, (1.0, 10.0)).or(setup.watch.required_margin);
    let side_force = root.number("side_force", FORCE, (0.0, 100_000.0)).map(Force::from_newtons).optional();
    let into_board = root.number("into_board", LENGTH, (0.0, 10.0)).map(Length::from_millimetres).optional();
    Some(Card {
        name: name?,
        sheet: sheet?,
        cutter: cutter?,
        parts: parts?,
        zones: zones?,
        required_margin: required_margin?,
        side_force: side_force?,
        program: program?,
        into_board: into_board?,
    })
}

/// The helix of a cutter whose card does not say it (common practice, no source).
const HELIX_DEGREES: f64 = 30.0;

const HELICES: [(&str, Winds); 4] =
    [("up", Winds::Up), ("down", Winds::Down), ("straight", Winds::Straight), ("compression", Winds::Compression)];

fn cutter(cutter: &Section, sheet: Option<&CardSheet>) -> Option<Cutter> {
    if cutter.choice("kind", &KINDS).or(Kind::Milling)? == Kind::Knife {
        return knife(cutter, sheet);
    }
    let diameter = cutter.number("diameter", LENGTH, (0.2, 100.0)).required();
    let flutes = cutter.whole("flutes", 1, 16).required();
    let spindle_rpm = cutter.number("spindle_rpm", PLAIN, (100.0, 100_000.0)).required();
    let feed_m_min = cutter.number("feed", FEED, (0.01, 150.0)).required();
    let helix = helix(cutter, None);
    let last_pass = last_pass(cutter, sheet);
    let (diameter, flutes, spindle_rpm, feed_m_min) = (diameter?, flutes?, spindle_rpm?, feed_m_min?);
    let chip_mm = feed_m_min * 1000.0 / (spindle_rpm * f64::from(flutes));
    if !(1e-4..=5.0).contains(&chip_mm) {
        let wrong = format!("feed, speed and flutes make {chip_mm:.5} mm a tooth");
        cutter.refuse(complaint(wrong, "0.0001 to 5 mm", "check that feed_m_min is in metres a minute"));
        return None;
    }
    let (helix, last_pass) = (helix?, last_pass?);
    let axial_share = helix.axial_share(last_pass.millimetres() / diameter);
    Some(Cutter {
        diameter: Length::from_millimetres(diameter),
        last_pass,
        edge: Edge::Milling(Milling { flutes, spindle_rpm, feed_m_min, axial_share }),
    })
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Milling,
    Knife,
}

const KINDS: [(&str, Kind); 2] = [("milling", Kind::Milling), ("knife", Kind::Knife)];

/// A blade: nothing general is known of what it pulls with, so the card says it.
fn knife(cutter: &Section, sheet: Option<&CardSheet>) -> Option<Cutter> {
    let blade = cutter.number("blade", LENGTH, (0.1, 5.0)).required();
    let pull = cutter.number("pull", FORCE, (0.0, 2000.0)).required();
    let lift = cutter.number("lift", FORCE, (0.0, 2000.0)).or(0.0);
    let last_pass = last_pass(cutter, sheet);
    let (pull, lift) = (Force::from_newtons(pull?), Force::from_newtons(lift?));
    let diameter = Length::from_millimetres(blade?);
    Some(Cutter { diameter, last_pass: last_pass?, edge: Edge::Knife { pull, lift } })
}

fn last_pass(cutter: &Section, sheet: Option<&CardSheet>) -> Option<Length> {
    let last_pass = cutter.number("last_pass", LENGTH, (0.01, 200.0)).check(|mm| match sheet {
        Some(sheet) if mm > sheet.thickness.millimetres() + 1e-9 => {
            let limit = format!("the sheet's thickness, {} mm", sheet.thickness.millimetres());
            Err(complaint(format!("the last pass is {mm} mm deep"), limit, "correct last_pass_mm or thickness_mm"))
        }
        Some(_) | None => Ok(mm),
    });
    match last_pass.optional()? {
        Some(mm) => Some(Length::from_millimetres(mm)),
        None => Some(sheet?.thickness),
    }
}

/// What stands in for the cutter until the program has been read, if its tools are told and `[cutter]` is not.
fn stand_in(tool: &Tool, sheet: Option<&CardSheet>) -> Option<Cutter> {
    let last_pass = sheet?.thickness;
    Some(Cutter {
        diameter: tool.diameter,
        last_pass,
        edge: Edge::Milling(Milling {
            flutes: tool.flutes,
            spindle_rpm: 18_000.0,
            feed_m_min: 6.0,
            axial_share: tool.helix.axial_share(last_pass / tool.diameter),
        }),
    })
}

/// How the flutes wind, by the keys of a cutter or a tool; what is usual where the helix may be left out.
pub(super) fn helix(section: &Section, usual: Option<Winds>) -> Option<Helix> {
    let winds = section.choice("helix", &HELICES);
    let winds = match usual {
        Some(usual) => winds.or(usual),
        None => winds.required(),
    };
    let degrees = section.number("helix_deg", PLAIN, (1.0, 60.0)).or(HELIX_DEGREES);
    Some(Helix { winds: winds?, degrees: degrees? })
}

/// The parts from every `[[part]]`, grids written out, in the order of cutting.
fn parts(root: &Section, sheet: Option<&CardSheet>, cutter: Option<&Cutter>) -> Option<Vec<CardPart>> {
    let sections = root.sections("part", MOST_PARTS);
    let read: Vec<_> = sections.iter().map(|section| part(section, cutter)).collect();
    let groups = read.into_iter().collect::<Option<Vec<_>>>()?;
    let count: usize = groups.iter().map(Vec::len).sum();
    if count > MOST_PARTS {
        let wrong = format!("the card has {count} parts");
        root.refuse(complaint(wrong, format!("at most {MOST_PARTS}"), "split the job, or lessen the grids"));
        return None;
    }
    let mut placed: Vec<CardPart> = Vec::with_capacity(count);
    let mut sound = true;
    for (group, section) in groups.into_iter().zip(&sections) {
        let mut flaw = None;
        for part in group {
            // One complaint for each section: a grid that is off by a hair has hundreds.
            flaw = flaw.or_else(|| place_flaw(&part, sheet, cutter, &placed));
            placed.push(part);
        }
        if let Some(said) = flaw {
            section.refuse(said);
            sound = false;
        }
    }
    sound.then_some(placed)
}

/// A part, or every part of its grid, along x first.
fn part(part: &Section, cutter: Option<&Cutter>) -> Option<Vec<CardPart>> {
    let name = part.text("name").required();
    let rect = placed_rect(part);
    let held = part.choice("held", &named(&[HowHeld::Vacuum, HowHeld::Tabs, HowHeld::Otherwise]));
    let held = held.or(HowHeld::Vacuum);
    let repeat = part.section("repeat");
    if !repeat.is_written() {
        return Some(vec![CardPart { name: name?, rect: rect?, held: held? }]);
    }
    let columns = repeat.whole("columns", 1, 1000).or(1);
    let rows = repeat.whole("rows", 1, 1000).or(1);
    let spacing = repeat.number("spacing", LENGTH, (0.0, 10_000.0)).optional();
    let (name, rect, held, columns, rows) = (name?, rect?, held?, columns?, rows?);
    let count = columns as usize * rows as usize;
    if count > MOST_PARTS {
        let wrong = format!("{rows} rows of {columns} are {count} parts");
        repeat.refuse(complaint(wrong, format!("at most {MOST_PARTS}"), "split the job"));
        return None;
    }
    let spacing = spacing?.map_or(cutter?.diameter, Length::from_millimetres);
    let step = (rect.width() + spacing, rect.height() + spacing);
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
    let grid = places.enumerate().map(|(index, (row, column))| CardPart {
        name: format!("{name} {}", index + 1),
        rect: moved(&rect, step.0 * f64::from(column), step.1 * f64::from(row)),
        held,
    });
    Some(grid.collect())
}

fn moved(rect: &Rect, x: Length, y: Length) -> Rect {
    let mut rect = *rect;
    for corner in [&mut rect.low, &mut rect.high] {
        corner.x = corner.x + x;
        corner.y = corner.y + y;
    }
    rect
}

/// What is wrong with a part's name or place, given those before it.
fn place_flaw(
    part: &CardPart,
    sheet: Option<&CardSheet>,
    cutter: Option<&Cutter>,
    earlier: &[CardPart],
) -> Option<Complaint> {
    let (name, rect) = (&part.name, &part.rect);
    if let Some(sheet) = sheet.filter(|sheet| !within(rect, &sheet.rect)) {
        let wrong = format!("part {name:?} reaches from {}", shown(rect));
        return Some(complaint(wrong, format!("the sheet, {}", shown(&sheet.rect)), "correct at_mm or size_mm"));
    }
    let footprint = polygon(&corners(rect));
    let overlaps = |gone: &&Vec<Point>| footprint.intersection(&polygon(gone)).unsigned_area() > LEAST_OVERLAP;
    if sheet.is_some_and(|sheet| sheet.missing.iter().any(|gone| overlaps(&gone))) {
        let wrong = format!("part {name:?}, {}, lies where a piece of the sheet is missing", shown(rect));
        return Some(complaint(
            wrong,
            "on what is left of the sheet",
            "move the part, or correct the [[sheet.missing]]",
        ));
    }
    earlier.iter().find_map(|other| {
        if other.name == *name {
            return Some(complaint(format!("two parts are named {name:?}"), "each name once", "write another name"));
        }
        let gap = gap_between(rect, &other.rect);
        if gap < -ROUNDING {
            let wrong = format!("parts {name:?} and {:?} overlap by {:.1} mm", other.name, -gap * 1000.0);
            return Some(complaint(wrong, "no overlap", "correct at_mm, size_mm or spacing_mm"));
        }
        let kerf = cutter?.diameter;
        (gap < kerf.metres() - ROUNDING).then(|| {
            let wrong = format!("between {name:?} and {:?} there are {:.1} mm", other.name, gap * 1000.0);
            let limit = format!("at least the cutter's {} mm", kerf.millimetres());
            complaint(wrong, limit, "move them apart, or take a thinner cutter")
        })
    })
}

/// The zones to open, each known; the sheet must lie on one of them, or on any if none is named.
fn zones(root: &Section, table: &[Zone], sheet: Option<&CardSheet>) -> Option<Vec<String>> {
    let names = root.texts("zones", table.len()).check(|names| {
        for (index, name) in names.iter().enumerate() {
            if !table.iter().any(|zone| zone.name == *name) {
                let known: Vec<&str> = table.iter().map(|zone| zone.name.as_str()).collect();
                let limit = format!("the zones are {}", known.join(", "));
                return Err(complaint(format!("there is no zone {name:?}"), limit, "correct the name"));
            }
            if names[..index].contains(name) {
                return Err(complaint(format!("zone {name:?} is named twice"), "each once", "delete one"));
            }
        }
        Ok(names)
    });
    let names = names.or(Vec::new())?;
    let opened = |zone: &&Zone| names.is_empty() || names.contains(&zone.name);
    let rect = sheet?.rect;
    let held = table.iter().filter(opened).any(|zone| zone.rects.iter().any(|place| overlap(place, &rect)));
    if !held {
        let wrong = "the sheet lies on none of the open zones";
        root.refuse(complaint(wrong, "at least one under it", "correct zones, or at_mm of the sheet"));
        return None;
    }
    Some(names)
}
