//! The board under a load in closed form: fast, and prudent about parts.
//!
//! Far from an edge the board is a resistance per area. At an edge of what covers it, and along a kerf, the flow is plane,
//! and conformal maps give it exactly (two-dimensional potential flow in a strip, textbook method):
//!
//! - a kerf of width w leaks √(k_xy·k_z)·2·K(k)/K(k′) per metre, k = tanh(π·w/(4·t·s)), s = √(k_xy/k_z);
//! - beside open board a part loses a band (2·ln 2/π)·t·s of its hold in v = p_atm² − p²;
//! - by Green's theorem the area lost in v is always leak × resistance, so that a leak can be painted onto the board as a
//!   band and overlapping bands count once.
//!
//! Layers, contact and a sheet's gap are not in those maps. They enter through t·s = √(T·R), with T the transmissivity along
//! and R the resistance through; a top layer stands in series with what is below it, which sees the cut as wide as the top
//! layer spreads it; and the gap's own decay length √(h³/12·R) adds to a band as the root of the sum of squares. A part's
//! force is that of its *mean* v, which by the convexity of p_atm − √(p_atm² − v) is less than its true force, and it counts as
//! cut free wherever anything within two bands of its outline is open.

use super::mask::{Mask, bounds, edges};
use super::{
    Board, Condensed, Kerf, Layer, PartId, PartShape, Point, Rect, Rim, Seam, Sheet, Table, TableLoad, ZoneId,
    ZoneMatrix,
};
use crate::units::{AbsolutePressure, Area, Force, Length, PressureSquared};

/// A board under a load, condensed without a field.
#[derive(Clone, Debug, PartialEq)]
pub struct ClosedForm {
    zones: ZoneMatrix,
    parts: Vec<Footprint>,
    covers: Vec<Cover>,
    /// Through the board and its contact, in 1/m.
    resistance: f64,
}

/// A part as the zones hold it.
#[derive(Clone, Debug, PartialEq)]
struct Footprint {
    area: Area,
    /// What remains of v on the mean.
    held: f64,
    /// The share of its area over each zone.
    over: Vec<(ZoneId, f64)>,
    lost: bool,
}

/// What covers a zone.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cover {
    area: Area,
    /// What remains of v on the mean.
    held: f64,
}

impl ClosedForm {
    /// Condenses the board of `table` under `load`.
    pub fn condense(table: &Table, load: &TableLoad) -> Self {
        let strip = Strip::of(table, load);
        let reaches = reaches(table, &strip);
        let paint = Paint::of(table, load, &strip);
        let mut zones = ZoneMatrix::zeros(table.plenum.zones.len());
        let mut covers = Vec::with_capacity(zones.count());
        for (zone, rects) in reaches.iter() {
            let along =
                [from_rims(table, zone, &paint, &strip), from_seams(table, rects, &strip)].into_iter().sum::<Along>();
            let (leak, cover) = paint.under(rects, along.lost, &strip);
            add(&mut zones, zone, zone, leak + along.leak);
            covers.push(cover);
        }
        couple(&mut zones, table, &paint, &strip);
        let parts = load.parts.iter().map(|part| Footprint::of(part, &paint, &reaches, &strip)).collect();
        ClosedForm { zones, parts, covers, resistance: strip.resistance }
    }

    /// The zone matrix after `part` too has gone and left bare board; the same if it is lost already or unknown.
    pub fn without(&self, part: PartId) -> ZoneMatrix {
        let mut zones = self.zones.clone();
        let Some(footprint) = self.part(part).filter(|footprint| !footprint.lost) else { return zones };
        let leak = footprint.area.square_metres() * footprint.held / self.resistance;
        for (zone, share) in &footprint.over {
            add(&mut zones, *zone, *zone, leak * share);
        }
        zones
    }

    fn part(&self, part: PartId) -> Option<&Footprint> {
        self.parts.get(usize::try_from(part.0).ok()?)
    }
}

impl Condensed for ClosedForm {
    fn zones(&self) -> &ZoneMatrix {
        &self.zones
    }

    fn part_force(&self, part: PartId, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        let Some(footprint) = self.part(part).filter(|footprint| !footprint.lost) else { return Force::ZERO };
        let mean: PressureSquared =
            footprint.over.iter().map(|(zone, share)| zone_potentials[usize::from(zone.0)] * *share).sum();
        pressing(mean * footprint.held, room) * footprint.area
    }

    fn cover_force(&self, zone_potentials: &[PressureSquared], room: AbsolutePressure) -> Force {
        let press =
            |(cover, potential): (&Cover, &PressureSquared)| pressing(*potential * cover.held, room) * cover.area;
        self.covers.iter().zip(zone_potentials).map(press).sum()
    }
}

fn pressing(potential: PressureSquared, room: AbsolutePressure) -> crate::units::Vacuum {
    potential.pressure_below(room).vacuum_below(room)
}

fn add(zones: &mut ZoneMatrix, row: ZoneId, column: ZoneId, more: f64) {
    zones.set(row, column, zones.get(row, column) + more);
}

/// One layer, or several as one, as a strip of plane flow.
#[derive(Clone, Copy)]
struct Ply {
    /// Through it, in 1/m.
    resistance: f64,
    /// t·s, in metres.
    scale: f64,
}

impl Ply {
    fn new(resistance: f64, transmissivity: f64) -> Self {
        Ply { resistance, scale: (transmissivity * resistance).sqrt() }
    }

    /// The band of it, its own width included, that a cut of this width opens.
    fn opened_by(self, width: f64) -> f64 {
        if self.scale <= 0.0 {
            return width;
        }
        2.0 * self.scale * elliptic_ratio(std::f64::consts::PI * width / (4.0 * self.scale))
    }

    /// The band lost beside open board.
    fn band(self) -> f64 {
        std::f64::consts::FRAC_2_PI * std::f64::consts::LN_2 * self.scale
    }
}

/// The board as a strip of plane flow; metres, and m³ or 1/m for what passes.
struct Strip {
    /// Its top layer, if there are several.
    top: Option<Ply>,
    /// What is below, with the contact.
    below: Ply,
    /// Through the board and its contact, in 1/m.
    resistance: f64,
    /// Resistance of a bare top face in series, in 1/m.
    entry: f64,
    /// Along the board, all layers, in m³.
    transmissivity: f64,
    /// How far a sheet's gap lets the room in.
    creep: f64,
    /// Through the sheet itself, in 1/m; infinite for a tight one.
    sheet: f64,
    /// How far what happens at an edge of the plenum is felt along the board.
    fade: f64,
    /// The band lost beside open board.
    band: f64,
}

impl Strip {
    fn of(table: &Table, load: &TableLoad) -> Self {
        let layers = table.board.layers.as_slice();
        let contact = table.plenum.contact.per_metre();
        let (top, below) = match layers {
            [below @ .., top] if !below.is_empty() => (Some(Ply::new(through(&[*top]), along(&[*top]))), below),
            _ => (None, layers),
        };
        let below = Ply::new(through(below) + contact, along(below));
        let resistance = through(layers) + contact;
        let transmissivity = along(layers);
        let gap = load.sheets.iter().map(|sheet| sheet.gap.metres()).fold(0.0, f64::max);
        let creep = (gap.powi(3) / 12.0 * resistance).sqrt();
        let tight = top.map_or(0.0, Ply::band) + below.band() * below.resistance / resistance;
        Strip {
            top,
            below,
            resistance,
            entry: table.board.top_entry.per_metre(),
            transmissivity,
            creep,
            sheet: load.sheets.iter().map(resistance_of_sheet).fold(f64::INFINITY, f64::min),
            fade: (transmissivity * (contact + along_resistance(layers))).sqrt(),
            band: tight.hypot(creep),
        }
    }

    /// The band of board, its own width included, that a cut of this width opens.
    fn opened_by(&self, width: f64) -> f64 {
        let tight = match self.top {
            None => self.below.opened_by(width),
            Some(top) => {
                let spread = top.opened_by(width);
                let resistance = top.resistance / spread + self.below.resistance / self.below.opened_by(spread);
                self.resistance / resistance
            }
        };
        width + (tight - width).max(0.0).hypot(2.0 * self.creep)
    }

    /// How far under its cover a bare strip of this width, closed on its far side, opens the board.
    fn opened_beside(&self, bare: f64) -> f64 {
        if bare <= 0.0 { 0.0 } else { 0.5 * self.opened_by(2.0 * bare) - bare }
    }

    /// What remains of v, on the mean, across a strip of this width that is open along both sides.
    fn held_across(&self, width: f64) -> f64 {
        let bands = width / self.band;
        if bands <= 1.0 { 0.0 } else { 1.0 - 2.0 / bands * (1.0 - (-bands).exp2()) }
    }

    /// What remains of v under a sheet that lets air through itself.
    fn kept_by_sheet(&self) -> f64 {
        if self.sheet.is_infinite() { 1.0 } else { self.sheet / (self.sheet + self.resistance) }
    }
}

/// Resistance through layers, in 1/m.
fn through(layers: &[Layer]) -> f64 {
    layers.iter().map(|layer| (layer.thickness / layer.through).per_metre()).sum()
}

/// Transmissivity along layers, in m³.
fn along(layers: &[Layer]) -> f64 {
    layers.iter().map(|layer| layer.thickness.metres() * layer.along.square_metres()).sum()
}

/// What air that flows along the board has met on its way up into it, in 1/m: a third of the whole if there is one layer.
///
/// ∫F²/k_z dz, F being the share of the flow that is still to come at that height.
fn along_resistance(layers: &[Layer]) -> f64 {
    let whole = along(layers);
    let (mut above, mut sum) = (1.0, 0.0);
    for layer in layers {
        let next = above - along(&[*layer]) / whole;
        sum += through(&[*layer]) * (above * above + above * next + next * next) / 3.0;
        above = next;
    }
    sum
}

fn resistance_of_sheet(sheet: &Sheet) -> f64 {
    sheet.passes.map_or(f64::INFINITY, |(permeability, thickness)| (thickness / permeability).per_metre())
}

/// K(k)/K(k′) for k = tanh x by the arithmetic-geometric mean, K(k) = π/(2·M(1, k′)); its asymptote where k′ vanishes.
fn elliptic_ratio(x: f64) -> f64 {
    if x > 20.0 {
        return std::f64::consts::FRAC_2_PI * (x + std::f64::consts::LN_2);
    }
    mean(1.0, x.tanh()) / mean(1.0, 1.0 / x.cosh())
}

fn mean(a: f64, b: f64) -> f64 {
    let (mut a, mut b) = (a, b);
    for _ in 0..60 {
        if (a - b).abs() <= 1e-15 * a {
            break;
        }
        (a, b) = (0.5 * (a + b), (a * b).sqrt());
    }
    a
}

/// What the load leaves open, painted on the board.
struct Paint {
    /// Bare board and the bands beside it.
    bare: Mask,
    /// That and the bands of kerfs.
    open: Mask,
    /// What sheets cover, kerfs not taken out.
    sheets: Mask,
    /// All within two bands of what is open, rims and seams too.
    near: Mask,
}

impl Paint {
    fn of(table: &Table, load: &TableLoad, strip: &Strip) -> Self {
        let board = &table.board;
        let high = Point { x: board.length, y: board.width };
        let beside = |bare: Length, _| Length::from_metres(strip.opened_beside(bare.metres()));
        let mut sheets = Mask::new(high);
        let mut bare = Mask::new(high);
        bare.set_rect(&whole(board), true);
        for sheet in &load.sheets {
            sheets.set_rect(&sheet.rect, true);
            bare.set_rect(&shrunk(&sheet.rect, board, beside), false);
        }
        for part in load.parts.iter().filter(|part| part.lost) {
            bare.fill(&part.outline);
        }
        let mut open = bare.clone();
        for kerf in &load.kerfs {
            paint_kerf(&mut open, kerf, strip.opened_by(kerf.width.metres()));
        }
        Paint { bare, open, sheets, near: near(table, load, strip) }
    }

    /// The leak from above into a zone that reaches `rects`, in m³, and what covers it, less the `lost` square metres.
    fn under(&self, rects: &[Rect], lost: f64, strip: &Strip) -> (f64, Cover) {
        let area = |mask: &Mask| rects.iter().map(|rect| mask.area_in(rect)).sum::<Area>().square_metres();
        let whole: f64 = rects.iter().map(|rect| (rect.width() * rect.height()).square_metres()).sum();
        let (bare, open, sheets) = (area(&self.bare), area(&self.open), area(&self.sheets));
        let held = (whole - open).max(0.0);
        let leak = bare / (strip.resistance + strip.entry)
            + (open - bare) / strip.resistance
            + held / (strip.resistance + strip.sheet);
        let share = if sheets > 0.0 { ((held - lost) / sheets).clamp(0.0, 1.0) } else { 0.0 };
        (leak, Cover { area: Area::from_square_metres(sheets), held: share * strip.kept_by_sheet() })
    }
}

/// What lies within two bands of anything open.
fn near(table: &Table, load: &TableLoad, strip: &Strip) -> Mask {
    let board = &table.board;
    let mut near = Mask::new(Point { x: board.length, y: board.width });
    near.set_rect(&whole(board), true);
    let from_rim = |rim: Rim| if rim == Rim::Sealed { 0.0 } else { 2.0 * strip.fade };
    for sheet in &load.sheets {
        let inward = |bare: Length, rim: Rim| {
            let beside = if bare > Length::ZERO { 2.0 * strip.band } else { 0.0 };
            Length::from_metres(beside.max(from_rim(rim) - bare.metres()))
        };
        near.set_rect(&shrunk(&sheet.rect, board, inward), false);
    }
    for part in load.parts.iter().filter(|part| part.lost) {
        near.fill(&part.outline);
        let outline = edges(&part.outline).map(|(from, to)| Kerf { width: Length::ZERO, path: vec![from, to] });
        outline.for_each(|edge| paint_kerf(&mut near, &edge, 4.0 * strip.band));
    }
    for kerf in &load.kerfs {
        paint_kerf(&mut near, kerf, kerf.width.metres() + 4.0 * strip.band);
    }
    for seam in &board.seams {
        paint_kerf(&mut near, &Kerf { width: Length::ZERO, path: vec![seam.from, seam.to] }, 4.0 * strip.fade);
    }
    near
}

fn whole(board: &Board) -> Rect {
    let origin = Point { x: Length::ZERO, y: Length::ZERO };
    Rect { low: origin, high: Point { x: board.length, y: board.width } }
}

/// A rectangle drawn in on each side by what `inward` says of the board beside it and the rim beyond.
fn shrunk(rect: &Rect, board: &Board, inward: impl Fn(Length, Rim) -> Length) -> Rect {
    let (Rect { low, high }, rims) = (*rect, &board.rims);
    Rect {
        low: Point { x: low.x + inward(low.x, rims.x_min), y: low.y + inward(low.y, rims.y_min) },
        high: Point {
            x: high.x - inward(board.length - high.x, rims.x_max),
            y: high.y - inward(board.width - high.y, rims.y_max),
        },
    }
}

/// Marks the band `opened` wide along a kerf, square ends half the kerf's width beyond its last points.
fn paint_kerf(mask: &mut Mask, kerf: &Kerf, opened: f64) {
    let beyond = 0.5 * kerf.width.metres();
    for ends in kerf.path.windows(2) {
        let (x0, y0) = (ends[0].x.metres(), ends[0].y.metres());
        let (dx, dy) = (ends[1].x.metres() - x0, ends[1].y.metres() - y0);
        let length = dx.hypot(dy);
        if length <= 0.0 {
            continue;
        }
        let (ux, uy, half) = (dx / length, dy / length, 0.5 * opened);
        let corner = |along: f64, across: f64| Point {
            x: Length::from_metres(x0 + ux * along - uy * across),
            y: Length::from_metres(y0 + uy * along + ux * across),
        };
        let (from, to) = (-beyond, length + beyond);
        let band = [corner(from, -half), corner(to, -half), corner(to, half), corner(from, half)];
        match bounds(&band) {
            Some(rect) if dx * dy == 0.0 => mask.set_rect(&rect, true),
            _ => mask.fill(&band),
        }
    }
}

/// Each zone's rectangles grown by what they reach beside themselves, none over another.
struct Reaches(Vec<Vec<Rect>>);

impl Reaches {
    fn iter(&self) -> impl Iterator<Item = (ZoneId, &[Rect])> {
        (0..=u8::MAX).map(ZoneId).zip(self.0.iter().map(Vec::as_slice))
    }
}

fn reaches(table: &Table, strip: &Strip) -> Reaches {
    let grown = |rect: &Rect| grown(rect, table, Length::from_metres(strip.band));
    Reaches(table.plenum.zones.iter().map(|zone| zone.rects.iter().map(grown).collect()).collect())
}

/// A zone's rectangle grown on each side by at most `most`, to the middle of the wall to the next and not off the board.
fn grown(rect: &Rect, table: &Table, most: Length) -> Rect {
    let board = &table.board;
    let mut grow = [
        most.min(rect.low.x),
        most.min(rect.low.y),
        most.min(board.length - rect.high.x),
        most.min(board.width - rect.high.y),
    ];
    for (side, wall, _) in all_rects(table).filter_map(|other| wall_between(rect, other)) {
        grow[side] = grow[side].min(wall * 0.5);
    }
    Rect {
        low: Point { x: rect.low.x - grow[0], y: rect.low.y - grow[1] },
        high: Point { x: rect.high.x + grow[2], y: rect.high.y + grow[3] },
    }
}

/// The side of `rect` (low x, low y, high x, high y) on which `other` faces it, the wall between them and how long it is.
fn wall_between(rect: &Rect, other: &Rect) -> Option<(usize, Length, Length)> {
    let overlap = |a: Length, b: Length, c: Length, d: Length| b.min(d) - a.max(c);
    let across = overlap(rect.low.y, rect.high.y, other.low.y, other.high.y);
    let along = overlap(rect.low.x, rect.high.x, other.low.x, other.high.x);
    let walls = [
        (rect.low.x - other.high.x, across),
        (rect.low.y - other.high.y, along),
        (other.low.x - rect.high.x, across),
        (other.low.y - rect.high.y, along),
    ];
    let faces = |(wall, length): &(Length, Length)| *wall >= Length::ZERO && *length > Length::ZERO;
    let side = walls.iter().position(faces)?;
    Some((side, walls[side].0, walls[side].1))
}

/// A leak along the board, in m³, and the area whose hold it takes from what covers it, in m².
#[derive(Clone, Copy, Default)]
struct Along {
    leak: f64,
    lost: f64,
}

impl std::iter::Sum for Along {
    fn sum<I: Iterator<Item = Along>>(all: I) -> Along {
        all.fold(Along::default(), |sum, one| Along { leak: sum.leak + one.leak, lost: sum.lost + one.lost })
    }
}

/// What a zone draws through the board's side faces: along the board from its edge, the plenum's fade in series. Where the
/// top is bare up to the rim, the bare top has it already.
fn from_rims(table: &Table, zone: ZoneId, paint: &Paint, strip: &Strip) -> Along {
    let of_rect = |rect: &Rect| {
        let behind =
            |side: usize| all_rects(table).any(|other| wall_between(rect, other).is_some_and(|wall| wall.0 == side));
        sides_to_rims(rect, &table.board)
            .into_iter()
            .enumerate()
            .filter(|(side, _)| !behind(*side))
            .map(|(_, side)| from_rim(side, table, paint, strip))
            .sum::<Along>()
    };
    table.plenum.zones[usize::from(zone.0)].rects.iter().map(of_rect).sum()
}

/// In the order of [`wall_between`]: each rim, the board from it to a zone's rectangle, how far and how long that is.
fn sides_to_rims(rect: &Rect, board: &Board) -> [(Rim, Rect, Length, Length); 4] {
    let (Rect { low, high }, rims) = (*rect, &board.rims);
    let between = |x0, y0, x1, y1| Rect { low: Point { x: x0, y: y0 }, high: Point { x: x1, y: y1 } };
    [
        (rims.x_min, between(Length::ZERO, low.y, low.x, high.y), low.x, rect.height()),
        (rims.y_min, between(low.x, Length::ZERO, high.x, low.y), low.y, rect.width()),
        (rims.x_max, between(high.x, low.y, board.length, high.y), board.length - high.x, rect.height()),
        (rims.y_max, between(low.x, high.y, high.x, board.width), board.width - high.y, rect.width()),
    ]
}

fn from_rim(side: (Rim, Rect, Length, Length), table: &Table, paint: &Paint, strip: &Strip) -> Along {
    let (rim, stretch, distance, length) = side;
    let seal = match rim {
        Rim::Sealed => return Along::default(),
        Rim::Open => 0.0,
        Rim::HalfSealed(resistance) => resistance.per_metre() / table.board.thickness().metres(),
    };
    let area = stretch.width() * stretch.height();
    let covered = if area > Area::ZERO { (1.0 - paint.open.area_in(&stretch) / area).max(0.0) } else { 1.0 };
    let reach = distance.metres() + strip.fade;
    let leak = covered * length.metres() / (reach / strip.transmissivity + seal);
    // With the room's pressure at the rim v falls along a line to the zone's edge and then fades.
    let at_zone = strip.fade / reach;
    let width = 0.5 * distance.metres() * (1.0 + at_zone) + at_zone * strip.fade;
    Along { leak, lost: leak * reach / strip.transmissivity * width }
}

fn all_rects(table: &Table) -> impl Iterator<Item = &Rect> {
    table.plenum.zones.iter().flat_map(|zone| &zone.rects)
}

/// What a zone draws from the seams above it, each side of a seam a half of it.
fn from_seams(table: &Table, reach: &[Rect], strip: &Strip) -> Along {
    let of_seam = |seam: &Seam| {
        let through = 1.0 / (1.0 / seam.conductance_m2 + 0.5 * strip.fade / strip.transmissivity);
        let beside = |millimetres: f64| -> f64 {
            let (from, to) = shifted(seam.from, seam.to, Length::from_millimetres(millimetres));
            reach.iter().map(|rect| length_inside(from, to, rect)).sum()
        };
        let leak = 0.5 * through * (beside(-1.0) + beside(1.0));
        Along { leak, lost: leak * strip.fade * strip.fade / strip.transmissivity }
    };
    table.board.seams.iter().filter(|seam| seam.conductance_m2 > 0.0).map(of_seam).sum()
}

/// A straight line moved sideways.
fn shifted(from: Point, to: Point, aside: Length) -> (Point, Point) {
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    let length = dx.metres().hypot(dy.metres());
    let share = if length > 0.0 { aside.metres() / length } else { 0.0 };
    let moved = |point: Point| Point { x: point.x - dy * share, y: point.y + dx * share };
    (moved(from), moved(to))
}

/// How much of a straight line lies in a rectangle, in metres (Liang and Barsky's clipping).
fn length_inside(from: Point, to: Point, rect: &Rect) -> f64 {
    let (dx, dy) = ((to.x - from.x).metres(), (to.y - from.y).metres());
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    let walls = [
        (-dx, (from.x - rect.low.x).metres()),
        (dx, (rect.high.x - from.x).metres()),
        (-dy, (from.y - rect.low.y).metres()),
        (dy, (rect.high.y - from.y).metres()),
    ];
    for (towards, room) in walls {
        if towards == 0.0 {
            if room < 0.0 {
                return 0.0;
            }
        } else if towards < 0.0 {
            enter = enter.max(room / towards);
        } else {
            leave = leave.min(room / towards);
        }
    }
    (leave - enter).max(0.0) * dx.hypot(dy)
}

/// Puts in what passes from zone to zone through the board over the wall between them, where a sheet covers it.
fn couple(zones: &mut ZoneMatrix, table: &Table, paint: &Paint, strip: &Strip) {
    let all: Vec<(ZoneId, &[Rect])> =
        (0..=u8::MAX).map(ZoneId).zip(table.plenum.zones.iter().map(|zone| zone.rects.as_slice())).collect();
    for (place, (zone, rects)) in all.iter().enumerate() {
        for (other, others) in &all[place + 1..] {
            let pairs = rects.iter().flat_map(|rect| others.iter().map(move |facing| (rect, facing)));
            let passed: f64 = pairs.map(|(rect, facing)| over_wall(table, rect, facing, paint, strip)).sum();
            for (row, column, sign) in
                [(*zone, *zone, 1.0), (*other, *other, 1.0), (*zone, *other, -1.0), (*other, *zone, -1.0)]
            {
                add(zones, row, column, sign * passed);
            }
        }
    }
}

/// What passes between two rectangles of zones, in m³.
fn over_wall(table: &Table, rect: &Rect, facing: &Rect, paint: &Paint, strip: &Strip) -> f64 {
    let Some((side, wall, length)) = wall_between(rect, facing) else { return 0.0 };
    let nearer = |third: &Rect| wall_between(rect, third).is_some_and(|other| other.0 == side && other.1 < wall);
    if all_rects(table).any(nearer) {
        return 0.0;
    }
    let fade = Length::from_metres(strip.fade);
    let low = Point { x: rect.low.x.max(facing.low.x), y: rect.low.y.max(facing.low.y) };
    let high = Point { x: rect.high.x.min(facing.high.x), y: rect.high.y.min(facing.high.y) };
    // On the axis across the wall the two have crossed over; there the strip reaches one fade into either zone.
    let across = |from: Length, to: Length| if from < to { (from, to) } else { (to - fade, from + fade) };
    let ((x0, x1), (y0, y1)) = (across(low.x, high.x), across(low.y, high.y));
    let about = Rect { low: Point { x: x0, y: y0 }, high: Point { x: x1, y: y1 } };
    let covered = 1.0 - paint.open.area_in(&about) / (about.width() * about.height());
    covered.max(0.0) * strip.transmissivity * length.metres() / (wall.metres() + 2.0 * strip.fade)
}

impl Footprint {
    fn of(part: &PartShape, paint: &Paint, reaches: &Reaches, strip: &Strip) -> Self {
        let area = polygon_area(&part.outline);
        let opened = opened_share(&part.outline, &paint.near);
        let (long, short) = sides(area, perimeter(&part.outline));
        let alone = strip.held_across(long) * strip.held_across(short);
        Footprint {
            area: Area::from_square_metres(area),
            held: (1.0 - opened * (1.0 - alone)) * strip.kept_by_sheet(),
            over: over_zones(part, reaches),
            lost: part.lost,
        }
    }
}

/// The share of a part's area over each zone that it touches.
fn over_zones(part: &PartShape, reaches: &Reaches) -> Vec<(ZoneId, f64)> {
    let area = polygon_area(&part.outline);
    let over = |rects: &[Rect]| rects.iter().map(|rect| polygon_area(&clipped(&part.outline, rect))).sum::<f64>();
    reaches.iter().map(|(zone, rects)| (zone, over(rects) / area)).filter(|(_, share)| *share > 0.0).collect()
}

/// How much of an outline runs through what is marked, from points some 5 mm apart.
fn opened_share(outline: &[Point], open: &Mask) -> f64 {
    let (mut inside, mut all) = (0_u32, 0_u32);
    for (from, to) in edges(outline) {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let steps = (dx.metres().hypot(dy.metres()) / 0.005).ceil().clamp(1.0, 10_000.0) as u32;
        for step in 0..steps {
            let share = (f64::from(step) + 0.5) / f64::from(steps);
            all += 1;
            inside += u32::from(open.holds(Point { x: from.x + dx * share, y: from.y + dy * share }));
        }
    }
    if all == 0 { 0.0 } else { f64::from(inside) / f64::from(all) }
}

/// The sides of the rectangle with this area and perimeter; of a rounder shape, the square with its ratio of the two.
fn sides(area: f64, perimeter: f64) -> (f64, f64) {
    let half = 0.25 * perimeter;
    let apart = half * half - area;
    if apart < 0.0 {
        return (area / half, area / half);
    }
    (half + apart.sqrt(), half - apart.sqrt())
}

fn perimeter(outline: &[Point]) -> f64 {
    edges(outline).map(|(from, to)| (to.x - from.x).metres().hypot((to.y - from.y).metres())).sum()
}

fn polygon_area(outline: &[Point]) -> f64 {
    let twice: f64 = edges(outline).map(|(a, b)| a.x.metres() * b.y.metres() - b.x.metres() * a.y.metres()).sum();
    0.5 * twice.abs()
}

/// What of a polygon lies in a rectangle (Sutherland and Hodgman's clipping).
fn clipped(polygon: &[Point], rect: &Rect) -> Vec<Point> {
    let sides: [&dyn Fn(Point) -> Length; 4] =
        [&|point| point.x - rect.low.x, &|point| rect.high.x - point.x, &|point| point.y - rect.low.y, &|point| {
            rect.high.y - point.y
        }];
    sides.into_iter().fold(polygon.to_vec(), |polygon, inside| clipped_by(&polygon, inside))
}

fn clipped_by(polygon: &[Point], inside: impl Fn(Point) -> Length) -> Vec<Point> {
    let mut kept = Vec::with_capacity(polygon.len() + 2);
    for (from, to) in edges(polygon) {
        let (at_from, at_to) = (inside(from).metres(), inside(to).metres());
        if at_from >= 0.0 {
            kept.push(from);
        }
        if (at_from >= 0.0) != (at_to >= 0.0) {
            let share = at_from / (at_from - at_to);
            kept.push(Point { x: from.x + (to.x - from.x) * share, y: from.y + (to.y - from.y) * share });
        }
    }
    kept
}
