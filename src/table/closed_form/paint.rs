//! What a load leaves open, painted on the board so that what overlaps counts once.

use super::mask::{Mask, bounds, edges};
use super::strip::Strip;
use crate::table::{Board, Kerf, Point, Rect, Rim, Table, TableLoad};
use crate::units::{Area, Length};

/// What covers a zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cover {
    pub(super) area: Area,
    /// What remains of v on the mean.
    pub(super) held: f64,
}

/// What the load leaves open, painted on the board.
pub(super) struct Paint {
    /// Bare board and the bands beside it.
    bare: Mask,
    /// That and the bands of kerfs.
    pub(super) open: Mask,
    /// What sheets cover, kerfs not taken out.
    sheets: Mask,
    /// All within three bands of what is open, rims and seams too.
    pub(super) near: Mask,
}

impl Paint {
    pub(super) fn of(table: &Table, load: &TableLoad, strip: &Strip) -> Self {
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
    pub(super) fn under(&self, rects: &[Rect], lost: f64, strip: &Strip) -> (f64, Cover) {
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

/// What lies within three bands of anything open.
fn near(table: &Table, load: &TableLoad, strip: &Strip) -> Mask {
    let board = &table.board;
    let mut near = Mask::new(Point { x: board.length, y: board.width });
    near.set_rect(&whole(board), true);
    let from_rim = |rim: Rim| if rim == Rim::Sealed { 0.0 } else { 2.0 * strip.fade };
    for sheet in &load.sheets {
        let inward = |bare: Length, rim: Rim| {
            let beside = if bare > Length::ZERO { 3.0 * strip.band } else { 0.0 };
            Length::from_metres(beside.max(from_rim(rim) - bare.metres()))
        };
        near.set_rect(&shrunk(&sheet.rect, board, inward), false);
    }
    for part in load.parts.iter().filter(|part| part.lost) {
        near.fill(&part.outline);
        let outline = edges(&part.outline).map(|(from, to)| Kerf { width: Length::ZERO, path: vec![from, to] });
        outline.for_each(|edge| paint_kerf(&mut near, &edge, 6.0 * strip.band));
    }
    for kerf in &load.kerfs {
        paint_kerf(&mut near, kerf, kerf.width.metres() + 6.0 * strip.band);
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
