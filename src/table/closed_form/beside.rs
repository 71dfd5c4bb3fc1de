//! What passes sideways through the board: from rims, from seams, and from zone to zone.

use super::paint::Paint;
use super::strip::Strip;
use crate::table::{Board, Point, Rect, Rim, Seam, Table, ZoneId, ZoneMatrix};
use crate::units::{Area, Length};

/// Each zone's rectangles grown by what they reach beside themselves, none over another.
pub(super) struct Reaches(Vec<Vec<Rect>>);

impl Reaches {
    pub(super) fn iter(&self) -> impl Iterator<Item = (ZoneId, &[Rect])> {
        (0..=u8::MAX).map(ZoneId).zip(self.0.iter().map(Vec::as_slice))
    }
}

pub(super) fn reaches(table: &Table, strip: &Strip) -> Reaches {
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
pub(super) struct Along {
    pub(super) leak: f64,
    pub(super) lost: f64,
}

impl std::iter::Sum for Along {
    fn sum<I: Iterator<Item = Along>>(all: I) -> Along {
        all.fold(Along::default(), |sum, one| Along { leak: sum.leak + one.leak, lost: sum.lost + one.lost })
    }
}

/// What a zone draws through the board's side faces: along the board from its edge, the plenum's fade in series. Where the
/// top is bare up to the rim, the bare top has it already.
pub(super) fn from_rims(table: &Table, zone: ZoneId, paint: &Paint, strip: &Strip) -> Along {
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
pub(super) fn from_seams(table: &Table, reach: &[Rect], strip: &Strip) -> Along {
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
pub(super) fn couple(zones: &mut ZoneMatrix, table: &Table, paint: &Paint, strip: &Strip) {
    let all: Vec<(ZoneId, &[Rect])> =
        (0..=u8::MAX).map(ZoneId).zip(table.plenum.zones.iter().map(|zone| zone.rects.as_slice())).collect();
    for (place, (zone, rects)) in all.iter().enumerate() {
        for (other, others) in &all[place + 1..] {
            let pairs = rects.iter().flat_map(|rect| others.iter().map(move |facing| (rect, facing)));
            let passed: f64 = pairs.map(|(rect, facing)| over_wall(table, rect, facing, paint, strip)).sum();
            for (row, column, sign) in
                [(*zone, *zone, 1.0), (*other, *other, 1.0), (*zone, *other, -1.0), (*other, *zone, -1.0)]
            {
                super::add(zones, row, column, sign * passed);
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
