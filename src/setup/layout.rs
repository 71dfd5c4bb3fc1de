//! What the air is drawn through: the board, the zones under it and their valves.
//!
//! The resistance that grooves add is that of parallel strips in a half space, p/(π·k)·ln(1/sin(π·w/2p)) for pitch p and
//! width w (conformal mapping; from memory), with k the geometric mean of the lowest layer's two permeabilities.

use std::f64::consts::PI;

use super::notes::{Complaint, complaint};
use super::section::{DENSITY, LENGTH, LEVEL, PLAIN, SPAN, Section, named};
use super::suction::{full_flow, leak};
use crate::expectation::Spread;
use crate::table::leak::Pipe;
use crate::table::{
    Air, Board, BoardClass, Faces, Layer, Plenum, Point, Pores, Pump, Rect, Rim, Rims, Seam, ValveLaw, Zone, ZoneSet,
};
use crate::units::{AbsolutePressure, Density, LayerResistance, Length, MassFlow, Permeability, SquareResistance};

/// Sides of 0.1 to 20 m.
const SIDE: (f64, f64) = (100.0, 20_000.0);
/// Co-ordinates on a table.
pub(super) const PLACE: (f64, f64) = (-100.0, 20_000.0);
/// Permeabilities from solid wood to open foam, in m².
const PERMEABILITY: (f64, f64) = (1e-17, 1e-8);
const RESISTANCE: (f64, f64) = (0.0, 1e16);
/// Slip pressures in mbar: 40 kPa at 1e-14 m² (a correlation of rock, b ∝ k^-0.33), rising as pores narrow; from memory.
const SLIP: (f64, f64) = (0.0, 1000.0);
/// Inertial coefficients in 1/m; none of fibreboard was found published, rock of like permeability has up to 1e11 (from memory).
const INERTIA: (f64, f64) = (0.0, 1e12);
/// Rectangles that touch share an edge but for rounding, in metres.
pub(super) const ROUNDING: f64 = 1e-6;

/// The board from `[board]`, and how well it is known.
pub(super) fn board(board: &Section) -> Option<(Board, Spread)> {
    let length = board.number("length", LENGTH, SIDE).required();
    let width = board.number("width", LENGTH, SIDE).required();
    let layers = layers(board);
    let rims = rims(board);
    let seams: Vec<_> = board.sections("seam", 32).iter().map(seam).collect();
    let top_entry = board.number("top_entry_per_m", PLAIN, RESISTANCE).or(0.0);
    let pores = pores(board);
    let (layers, spread) = layers?;
    let board = Board {
        length: Length::from_millimetres(length?),
        width: Length::from_millimetres(width?),
        layers,
        rims: rims?,
        seams: seams.into_iter().collect::<Option<_>>()?,
        top_entry: LayerResistance::from_per_metre(top_entry?),
        pores: pores?,
    };
    Some((board, spread))
}

/// Slip and inertia in the pores; none unless they are told, because a permeability that was fitted at work holds most of both.
fn pores(board: &Section) -> Option<Pores> {
    let slip = board.number("slip", LEVEL, SLIP).or(0.0);
    let inertia_per_metre = board.number("inertia_per_m", PLAIN, INERTIA).or(0.0);
    Some(Pores { slip: AbsolutePressure::from_pascals(slip? * 100.0), inertia_per_metre: inertia_per_metre? })
}

/// By class or weight, by permeabilities that were measured, or layer by layer.
fn layers(board: &Section) -> Option<(Vec<Layer>, Spread)> {
    let class = board.choice("class", &named(&BoardClass::ALL)).optional();
    let density = board.number("density", DENSITY, (200.0, 1200.0)).optional();
    let faces = board.choice("faces", &named(&[Faces::Off, Faces::TopSkimmed, Faces::On])).optional();
    let thickness = board.number("thickness", LENGTH, (2.0, 120.0)).optional();
    let along = board.number("along_m2", PLAIN, PERMEABILITY).optional();
    let through = board.number("through_m2", PLAIN, PERMEABILITY).optional();
    let written: Vec<_> = board.sections("layer", 16).iter().map(layer).collect();
    let (class, density, faces, thickness) = (class?, density?, faces?, thickness?);
    let measured = (along?, through?);
    let written = written.into_iter().collect::<Option<Vec<_>>>()?;
    let weighed = density.map(|kg_m3| BoardClass::of_fibreboard(Density::from_kg_per_m3(kg_m3)));
    let both = class.is_some() && weighed.is_some();
    match (class.or(weighed), thickness, measured, written.is_empty()) {
        (Some(class), Some(mm), (None, None), true) if !both => {
            Some((typical_layers(board, class, faces, mm), Spread::by_label(class.permeability())))
        }
        (None, Some(mm), (Some(along), Some(through)), true) if faces.is_none() => {
            Some((vec![layer_of(mm, along, through)], Spread::SURVEYED))
        }
        (None, None, (None, None), false) if faces.is_none() => Some((written, Spread::SURVEYED)),
        _ => {
            board.refuse(complaint(
                "the board's layers are not told in one way",
                "thickness_mm with class, with density_kg_m3, or with along_m2 and through_m2; or every [[board.layer]]",
                "give one of the four",
            ));
            None
        }
    }
}

fn typical_layers(board: &Section, class: BoardClass, faces: Option<Faces>, millimetres: f64) -> Vec<Layer> {
    let range = class.permeability();
    let [low, typical, high] = [range.low, range.typical, range.high].map(Permeability::square_metres);
    board.notes.assume(
        board.path("through_m2"),
        format!("{typical:e} m², between {low:e} and {high:e} m²"),
        "plausible for the class, no source; a survey of the table replaces it",
    );
    if faces.is_none() {
        let ground = "common practice: about 1.5 mm comes off each face before first use";
        board.notes.assume(board.path("faces"), "off", ground);
    }
    class.layers(Length::from_millimetres(millimetres), faces.unwrap_or(Faces::Off))
}

fn layer(layer: &Section) -> Option<Layer> {
    let thickness = layer.number("thickness", LENGTH, (0.1, 120.0)).required();
    let along = layer.number("along_m2", PLAIN, PERMEABILITY).required();
    let through = layer.number("through_m2", PLAIN, PERMEABILITY).required();
    Some(layer_of(thickness?, along?, through?))
}

fn layer_of(millimetres: f64, along: f64, through: f64) -> Layer {
    Layer {
        thickness: Length::from_millimetres(millimetres),
        along: Permeability::from_square_metres(along),
        through: Permeability::from_square_metres(through),
    }
}

#[derive(Clone, Copy, PartialEq)]
enum RimWord {
    Sealed,
    Open,
    HalfSealed,
}

/// One word for all four sides, or a word for each.
fn rims(board: &Section) -> Option<Rims> {
    const WORDS: [(&str, RimWord); 3] =
        [("sealed", RimWord::Sealed), ("open", RimWord::Open), ("half-sealed", RimWord::HalfSealed)];
    const SIDES: [&str; 4] = ["x_min", "x_max", "y_min", "y_max"];
    let seal = board.number("rim_seal_per_m", PLAIN, RESISTANCE).optional();
    let words: Vec<Option<RimWord>> = if board.is_section("rims") {
        let sides = board.section("rims");
        SIDES.iter().map(|side| sides.choice(side, &WORDS).required()).collect()
    } else {
        vec![board.choice("rims", &WORDS).required(); 4]
    };
    let (seal, words) = (seal?, words.into_iter().collect::<Option<Vec<_>>>()?);
    if seal.is_none() && words.contains(&RimWord::HalfSealed) {
        let remedy = "add the seal's thickness over its permeability";
        board.refuse(complaint("rim_seal_per_m is missing", "it must be given for a half-sealed rim", remedy));
        return None;
    }
    let rim = |side: usize| match words[side] {
        RimWord::Sealed => Rim::Sealed,
        RimWord::Open => Rim::Open,
        RimWord::HalfSealed => Rim::HalfSealed(LayerResistance::from_per_metre(seal.unwrap_or_default())),
    };
    Some(Rims { x_min: rim(0), x_max: rim(1), y_min: rim(2), y_max: rim(3) })
}

fn seam(seam: &Section) -> Option<Seam> {
    let from = seam.pair("from", LENGTH, PLACE).required();
    let to = seam.pair("to", LENGTH, PLACE).required();
    let conductance = seam.number("conductance_m2", PLAIN, (0.0, 1e-6)).required();
    Some(Seam { from: point(from?), to: point(to?), conductance_m2: conductance? })
}

fn point((x, y): (f64, f64)) -> Point {
    Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) }
}

/// The plenum from `[plenum]`, `[valves]` and `[zones]` or every `[[zone]]`.
pub(super) fn plenum(root: &Section, board: Option<&Board>, air: Option<&Air>, pump: Option<&Pump>) -> Option<Plenum> {
    let section = root.section("plenum");
    let contact = contact(&section, board);
    let masked = section.choice("beyond_board", &[("masked", true)]).or(false);
    let grid = root.section("zones");
    let drawn = root.sections("zone", ZoneSet::MOST);
    let valves = root.section("valves");
    let placed = match (grid.is_written(), drawn.is_empty()) {
        (true, true) => grid_zones(&grid, board),
        (false, false) => drawn_zones(&drawn),
        _ => {
            for section in drawn.iter().chain([&grid, &valves]) {
                section.pass_over_all();
            }
            let limit = "[zones] with rows and columns, or every [[zone]]";
            root.refuse(complaint("the zones are not told in one way", limit, "give one of the two"));
            return None;
        }
    };
    let placed = match (placed, board) {
        (Some(placed), Some(board)) => {
            let placed = if masked? { unmasked(root, placed, &outline(board))? } else { placed };
            refuse_misplaced(&grid, &placed, &outline(board));
            Some(placed)
        }
        (placed, _) => placed,
    };
    let hoses = Hoses { air, pump, share: placed.as_ref().map_or(1, Vec::len) };
    let usual = hoses.usual_law(&valves);
    let leak_of_each = leak(&grid, air);
    let own: Vec<_> = drawn.iter().map(|zone| (hoses.law(&zone.section("valve")), leak(zone, air))).collect();
    let (usual, leak_of_each) = (usual?, leak_of_each?);
    let zones = placed?.into_iter().map(|Placed { name, rects, index, .. }| {
        let (valve, leak) = match own.get(index) {
            Some((valve, leak)) => ((*valve)?.unwrap_or(usual), (*leak)?),
            None => (usual, leak_of_each),
        };
        Some(Zone { name, rects, valve, leak })
    });
    Some(Plenum { zones: zones.collect::<Option<_>>()?, contact: contact? })
}

/// The grooves, or what they add to the board's resistance.
fn contact(plenum: &Section, board: Option<&Board>) -> Option<LayerResistance> {
    let written = plenum.number("contact_per_m", PLAIN, RESISTANCE).optional();
    let ground = "common practice, no source; it bears on the level little";
    let told = plenum.has("groove_pitch", LENGTH) || plenum.has("contact_per_m", PLAIN);
    let pitch = plenum.number("groove_pitch", LENGTH, (4.0, 500.0)).optional();
    let groove = plenum.number("groove_width", LENGTH, (1.0, 400.0)).optional();
    if !told {
        plenum.notes.assume(plenum.path("groove_pitch_mm"), "grooves 8 mm wide, 32 mm apart", ground);
    }
    match (written?, pitch?, groove?) {
        (Some(per_metre), None, None) => Some(LayerResistance::from_per_metre(per_metre)),
        (None, None, None) => groove_resistance(32.0, 8.0, board?),
        (None, Some(pitch), Some(groove)) if groove < pitch => groove_resistance(pitch, groove, board?),
        _ => {
            plenum.refuse(complaint(
                "the grooves are not told in one way",
                "groove_width_mm below groove_pitch_mm, or contact_per_m",
                "give one of the two",
            ));
            None
        }
    }
}

fn groove_resistance(pitch_mm: f64, groove_mm: f64, board: &Board) -> Option<LayerResistance> {
    let lowest = board.layers.first()?;
    let permeability = (lowest.along.square_metres() * lowest.through.square_metres()).sqrt();
    let spread = pitch_mm / 1000.0 / PI * (1.0 / (PI * groove_mm / (2.0 * pitch_mm)).sin()).ln();
    Some(Length::from_metres(spread) / Permeability::from_square_metres(permeability))
}

/// A zone's name and place, and its section if it has one of its own.
struct Placed<'s, 'n> {
    name: String,
    rects: Vec<Rect>,
    /// Its place among those that are written.
    index: usize,
    drawn: Option<&'s Section<'n>>,
}

/// What of the zones lies under the board, where the rest is masked: a board that is smaller than the table.
fn unmasked<'s, 'n>(root: &Section, zones: Vec<Placed<'s, 'n>>, board: &Rect) -> Option<Vec<Placed<'s, 'n>>> {
    let clipped = |rect: &Rect| {
        let (low, high) = (rect.low, rect.high);
        let low = Point { x: low.x.max(board.low.x), y: low.y.max(board.low.y) };
        let high = Point { x: high.x.min(board.high.x), y: high.y.min(board.high.y) };
        let least = (high.x - low.x).min(high.y - low.y).metres();
        (least > ROUNDING).then_some(Rect { low, high })
    };
    let mut under = Vec::new();
    for zone in zones {
        let rects: Vec<Rect> = zone.rects.iter().filter_map(clipped).collect();
        if rects.is_empty() {
            let ground = "it lies wholly beyond the board, where the table is masked";
            root.notes.assume(format!("zone {:?}", zone.name), "left out", ground);
        } else {
            under.push(Placed { rects, ..zone });
        }
    }
    if under.is_empty() {
        root.refuse(complaint(
            "no zone lies under the board",
            "one at least",
            "correct from_mm and span_mm, or the zones",
        ));
        return None;
    }
    Some(under)
}

/// Equal zones in rows by columns, numbered along x first, over the board; or over a table that the board does not fill, given from
/// the board's corner.
fn grid_zones<'s, 'n>(grid: &Section, board: Option<&Board>) -> Option<Vec<Placed<'s, 'n>>> {
    let rows = grid.whole("rows", 1, 64).required();
    let columns = grid.whole("columns", 1, 64).required();
    let margin = grid.number("margin", LENGTH, (0.0, 1000.0)).required();
    let gap = grid.number("gap", LENGTH, (0.0, 500.0)).or_assumed(20.0, "20 mm", "common practice, no source");
    let names = grid.texts("names", ZoneSet::MOST).optional();
    let from = grid.pair("from", LENGTH, (-20_000.0, 20_000.0)).optional();
    let span = grid.pair("span", LENGTH, SIDE).optional();
    let (rows, columns, margin, gap, names) = (rows?, columns?, margin? / 1000.0, gap? / 1000.0, names?);
    let count = (rows * columns) as usize;
    if count > ZoneSet::MOST {
        let limit = format!("at most {} zones", ZoneSet::MOST);
        grid.refuse(complaint(format!("{rows} rows of {columns} are {count} zones"), limit, "lessen rows or columns"));
        return None;
    }
    let names = names.unwrap_or_else(|| (1..=count).map(|number| number.to_string()).collect());
    if names.len() != count {
        let wrong = format!("{} names for {count} zones", names.len());
        grid.refuse(complaint(wrong, "one name for each zone", "name every zone, or leave out names"));
        return None;
    }
    let board = board?;
    let from = from?.map_or((0.0, 0.0), |(x, y)| (x / 1000.0, y / 1000.0));
    let span = span?.map_or((board.length.metres(), board.width.metres()), |(x, y)| (x / 1000.0, y / 1000.0));
    let side = |whole: f64, parts: u32| (whole - 2.0 * margin - gap * f64::from(parts - 1)) / f64::from(parts);
    let (width, height) = (side(span.0, columns), side(span.1, rows));
    if width < 0.01 || height < 0.01 {
        let wrong = format!("a zone would be {:.0} by {:.0} mm", width * 1000.0, height * 1000.0);
        grid.refuse(complaint(wrong, "at least 10 by 10 mm", "lessen margin_mm, gap_mm, rows or columns"));
        return None;
    }
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
    let zones = places.zip(names).enumerate().map(|(index, ((row, column), name))| {
        let x = from.0 + margin + f64::from(column) * (width + gap);
        let y = from.1 + margin + f64::from(row) * (height + gap);
        Placed { name, rects: vec![Rect::from_metres(x, y, x + width, y + height)], index, drawn: None }
    });
    Some(zones.collect())
}

fn drawn_zones<'s, 'n>(drawn: &'s [Section<'n>]) -> Option<Vec<Placed<'s, 'n>>> {
    let zones: Vec<_> = drawn
        .iter()
        .enumerate()
        .map(|(index, zone)| {
            let (name, rects) = (zone.text("name").required(), zone_rects(zone));
            Some(Placed { name: name?, rects: rects?, index, drawn: Some(zone) })
        })
        .collect();
    zones.into_iter().collect()
}

/// Refuses zones of one name, zones off the board and zones that overlap.
fn refuse_misplaced(grid: &Section, zones: &[Placed], board: &Rect) {
    for (index, zone) in zones.iter().enumerate() {
        let section = zone.drawn.unwrap_or(grid);
        for rect in zone.rects.iter().filter(|rect| !within(rect, board)) {
            let wrong = format!("zone {:?} reaches from {}", zone.name, shown(rect));
            section.refuse(complaint(
                wrong,
                format!("the board, {}", shown(board)),
                "correct the zone or the board's size; if the board is smaller than the table, mask what lies beyond it and write \
                 beyond_board = \"masked\" into [plenum]",
            ));
        }
        for earlier in &zones[..index] {
            if earlier.name == zone.name {
                section.refuse(complaint(
                    format!("two zones are named {:?}", zone.name),
                    "each name once",
                    "write another",
                ));
            }
            let meets = |rect: &&Rect| earlier.rects.iter().any(|other| overlap(rect, other));
            if let Some(rect) = zone.rects.iter().find(meets) {
                let wrong = format!("zone {:?}, {}, overlaps zone {:?}", zone.name, shown(rect), earlier.name);
                section.refuse(complaint(wrong, "no overlap", "correct one of the two"));
            }
        }
        let twice = |(place, rect): &(usize, &Rect)| zone.rects[..*place].iter().any(|other| overlap(rect, other));
        if let Some((_, rect)) = zone.rects.iter().enumerate().find(twice) {
            let wrong = format!("zone {:?} overlaps itself at {}", zone.name, shown(rect));
            section.refuse(complaint(wrong, "no overlap", "correct rects_mm"));
        }
    }
}

/// One rectangle by `at_mm` and `size_mm`, or several as `rects_mm = [[x0, y0, x1, y1], …]`.
fn zone_rects(zone: &Section) -> Option<Vec<Rect>> {
    let rects = zone.rows("rects", LENGTH, PLACE, 1..=64).check(|fours| fours.into_iter().map(rect_of).collect());
    let rects: Option<Option<Vec<Rect>>> = rects.optional();
    if zone.has("rects", LENGTH) {
        return rects?;
    }
    placed_rect(zone).map(|rect| vec![rect])
}

fn rect_of([x0, y0, x1, y1]: [f64; 4]) -> Result<Rect, Complaint> {
    if x1 - x0 < 1.0 || y1 - y0 < 1.0 {
        let wrong = format!("the rectangle [{x0}, {y0}, {x1}, {y1}] has no area");
        return Err(complaint(wrong, "x0 below x1 and y0 below y1", "write the lower left corner first"));
    }
    Ok(Rect::from_metres(x0 / 1000.0, y0 / 1000.0, x1 / 1000.0, y1 / 1000.0))
}

/// A rectangle by its lower left corner `at_mm` and its `size_mm`.
pub(super) fn placed_rect(section: &Section) -> Option<Rect> {
    let at = section.pair("at", LENGTH, PLACE).required();
    let size = section.pair("size", LENGTH, (1.0, 20_000.0)).required();
    let ((x, y), (width, height)) = (at?, size?);
    Some(Rect::from_metres(x / 1000.0, y / 1000.0, (x + width) / 1000.0, (y + height) / 1000.0))
}

/// What a hose's resistance is reckoned with.
struct Hoses<'a> {
    air: Option<&'a Air>,
    pump: Option<&'a Pump>,
    /// Zones that share the pump's flow.
    share: usize,
}

impl Hoses<'_> {
    /// The valve of every zone that has none of its own; assumed if nothing is told.
    fn usual_law(&self, valve: &Section) -> Option<ValveLaw> {
        if let Some(law) = self.law(valve)? {
            return Some(law);
        }
        valve.notes.assume(valve.path("bore_mm"), "50 mm, with 3 m of hose", "common practice, no source");
        self.pipe(50.0, 3.0)
    }

    /// By bore and hose, by resistance, or by ISO 6358; the inner `None` where nothing is told.
    fn law(&self, valve: &Section) -> Option<Option<ValveLaw>> {
        let bore = valve.number("bore", LENGTH, (4.0, 300.0)).optional();
        let hose = valve.number("hose", SPAN, (0.0, 50.0)).optional();
        let resistance = valve.number("r_s2_per_m6", PLAIN, (0.0, 1e7)).optional();
        let conductance = valve.number("c_m3_s_pa", PLAIN, (1e-10, 1e-3)).optional();
        let ratio = valve.number("critical_ratio", PLAIN, (0.0, 0.95)).optional();
        match (bore?, hose?, resistance?, conductance?, ratio?) {
            (None, None, None, None, None) => Some(None),
            (Some(bore), Some(hose), None, None, None) => self.pipe(bore, hose).map(Some),
            (None, None, Some(r), None, None) => {
                Some(Some(ValveLaw::IsothermalPipe(SquareResistance::from_s2_per_m6(r))))
            }
            (None, None, None, Some(sonic_conductance), Some(critical_ratio)) => {
                Some(Some(ValveLaw::Iso6358 { sonic_conductance, critical_ratio }))
            }
            _ => {
                let limit = "bore_mm with hose_m, or r_s2_per_m6, or c_m3_s_pa with critical_ratio";
                valve.refuse(complaint("the valve is not told in one way", limit, "give one of the three"));
                None
            }
        }
    }

    /// A hose with an inlet, an outlet and a ball valve, at this zone's share of the pump's flow.
    fn pipe(&self, bore_mm: f64, hose_m: f64) -> Option<ValveLaw> {
        let air = self.air?;
        let pipe = Pipe {
            diameter: Length::from_millimetres(bore_mm),
            length: Length::from_metres(hose_m),
            roughness: Length::from_millimetres(0.05),
            fittings: 1.7,
        };
        let throughput = air.throughput_of_free(full_flow(self.pump?));
        let share = air.mass_flow(throughput).kg_per_s() / self.share as f64;
        Some(ValveLaw::IsothermalPipe(pipe.resistance(MassFlow::from_kg_per_s(share), air)))
    }
}

/// Whether two rectangles share area.
pub(super) fn overlap(a: &Rect, b: &Rect) -> bool {
    gap_between(a, b) < -ROUNDING
}

/// The distance between two rectangles along the axis where they are farthest apart, in metres; negative if they overlap.
pub(super) fn gap_between(a: &Rect, b: &Rect) -> f64 {
    let x = (b.low.x - a.high.x).max(a.low.x - b.high.x).metres();
    let y = (b.low.y - a.high.y).max(a.low.y - b.high.y).metres();
    x.max(y)
}

/// Whether `inner` lies in `outer`.
pub(super) fn within(inner: &Rect, outer: &Rect) -> bool {
    inner.low.x.metres() >= outer.low.x.metres() - ROUNDING
        && inner.low.y.metres() >= outer.low.y.metres() - ROUNDING
        && inner.high.x.metres() <= outer.high.x.metres() + ROUNDING
        && inner.high.y.metres() <= outer.high.y.metres() + ROUNDING
}

/// A rectangle in millimetres, as messages show it.
pub(super) fn shown(rect: &Rect) -> String {
    let mm = |length: Length| (length.millimetres() * 10.0).round() / 10.0;
    format!("[{}, {}] to [{}, {}] mm", mm(rect.low.x), mm(rect.low.y), mm(rect.high.x), mm(rect.high.y))
}

/// The board's outline.
pub(super) fn outline(board: &Board) -> Rect {
    let origin = Point { x: Length::ZERO, y: Length::ZERO };
    Rect { low: origin, high: Point { x: board.length, y: board.width } }
}
