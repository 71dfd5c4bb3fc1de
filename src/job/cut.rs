//! The kerf that a card opens in the sheet as the cut goes on.

use geo::algorithm::buffer::Buffer;
use geo::{Coord, LineString, Polygon, coord};

use super::plan::Route;
use super::{Card, CardPart, CardSheet, Progress};
use crate::table::{Kerf, PartId, PartShape, Point, Rect, Sheet, TableLoad};
use crate::units::{Length, Permeability};

/// A card's cut: as its program goes, or each part's outline in turn, half a cutter outside the part; opened at an even pace.
#[derive(Clone, Debug)]
pub struct Cut<'a> {
    card: &'a Card,
    /// How much kerf is open when each part's outline is closed.
    closed_at: Vec<Length>,
}

impl<'a> Cut<'a> {
    /// The cut of a card.
    pub fn of(card: &'a Card) -> Self {
        if let Some(route) = route(card) {
            return Cut { card, closed_at: route.closed_at() };
        }
        let mut open = Length::ZERO;
        let closed_at = card
            .parts
            .iter()
            .map(|part| {
                open = open + length(&outline(part, card.cutter.diameter));
                open
            })
            .collect();
        Cut { card, closed_at }
    }

    /// The kerf's length when all is cut.
    pub fn length(&self) -> Length {
        if let Some(route) = route(self.card) {
            return route.length();
        }
        self.closed_at.last().copied().unwrap_or(Length::ZERO)
    }

    /// The kerf's length so far.
    pub fn opened(&self, progress: Progress) -> Length {
        self.length() * progress.fraction()
    }

    /// How far the cut is when `part` comes free; `None` for a part that the card does not have.
    pub fn freed_at(&self, part: PartId) -> Option<Progress> {
        let closed = self.closed_at.get(usize::try_from(part.0).ok()?)?;
        Some(Progress::from_fraction(*closed / self.length()))
    }

    /// How far the cut is when each part comes free, in the card's order.
    pub fn each_freed_at(&self) -> Vec<Progress> {
        self.closed_at.iter().map(|closed| Progress::from_fraction(*closed / self.length())).collect()
    }

    /// How many parts, counted in the card's order, have a closed outline.
    pub fn freed(&self, progress: Progress) -> usize {
        // A hair of tolerance: the length reached is a product, the lengths closed are sums.
        let reached = self.opened(progress) + self.length() * 1e-12;
        self.closed_at.partition_point(|closed| *closed <= reached)
    }

    /// The part whose outline is being cut, or is the next to be; `None` at the end.
    pub fn cutting(&self, progress: Progress) -> Option<PartId> {
        let next = self.freed(progress);
        (next < self.card.parts.len()).then(|| PartId(u32::try_from(next).unwrap_or(u32::MAX)))
    }

    /// What lies on the table by then.
    pub fn load(&self, progress: Progress) -> TableLoad {
        TableLoad { sheets: vec![self.sheet()], kerfs: self.kerfs(progress), parts: self.shapes() }
    }

    /// The uncut sheet if its ragged rim lies as far in as it may; `None` for a rim that is known.
    pub fn drawn_in(&self) -> Option<TableLoad> {
        let CardSheet { ragged, rect, ref missing, .. } = self.card.sheet;
        if ragged <= Length::ZERO {
            return None;
        }
        let low = Point { x: rect.low.x + ragged, y: rect.low.y + ragged };
        let high = Point { x: rect.high.x - ragged, y: rect.high.y - ragged };
        let sheet = Sheet { rect: Rect { low, high }, ..self.sheet() };
        let parts = gone(missing.iter().flat_map(|outline| grown(outline, ragged))).collect();
        Some(TableLoad { sheets: vec![sheet], parts, ..TableLoad::default() })
    }

    fn sheet(&self) -> Sheet {
        let sheet = &self.card.sheet;
        let permeability = sheet.material.permeability_m2;
        Sheet {
            rect: sheet.rect,
            gap: sheet.gap,
            passes: (permeability > 0.0).then(|| (Permeability::from_square_metres(permeability), sheet.thickness)),
        }
    }

    fn kerfs(&self, progress: Progress) -> Vec<Kerf> {
        if let Some(route) = route(self.card) {
            return route.kerfs(progress);
        }
        let width = self.card.cutter.diameter;
        let freed = self.freed(progress);
        let mut paths: Vec<Vec<Point>> = self.card.parts[..freed].iter().map(|part| outline(part, width)).collect();
        if let Some(part) = self.card.parts.get(freed) {
            let before = freed.checked_sub(1).map_or(Length::ZERO, |last| self.closed_at[last]);
            paths.extend(beginning(&outline(part, width), self.opened(progress) - before));
        }
        paths.into_iter().map(|path| Kerf { width, path }).collect()
    }

    fn shapes(&self) -> Vec<PartShape> {
        let shape = |(place, part): (usize, &CardPart)| PartShape {
            name: part.name.clone(),
            outline: match route(self.card) {
                Some(route) => route.outline(place).to_vec(),
                None => corners(&part.rect, Length::ZERO).to_vec(),
            },
            openings: route(self.card).map_or(vec![], |route| route.openings(place).to_vec()),
            lost: false,
        };
        let missing = gone(self.card.sheet.missing.iter().cloned());
        // Parts keep their numbers: what was gone before comes after them.
        self.card.parts.iter().enumerate().map(shape).chain(missing).collect()
    }
}

/// An outline with all that is no farther from it than `reach`; its corners are cut off round.
fn grown(outline: &[Point], reach: Length) -> Vec<Vec<Point>> {
    let point = |at: &Coord<f64>| Point { x: Length::from_metres(at.x), y: Length::from_metres(at.y) };
    let corners = |place: Polygon<f64>| {
        let ring = &place.exterior().0;
        ring[..ring.len().saturating_sub(1)].iter().map(point).collect()
    };
    polygon(outline).buffer(reach.metres()).into_iter().map(corners).collect()
}

/// What is missing of a sheet, as parts that are gone.
fn gone(outlines: impl Iterator<Item = Vec<Point>>) -> impl Iterator<Item = PartShape> {
    (1..).zip(outlines).map(|(place, outline)| PartShape {
        name: format!("missing {place}"),
        outline,
        openings: vec![],
        lost: true,
    })
}

/// A closed outline as a polygon in metres.
pub fn polygon(outline: &[Point]) -> Polygon<f64> {
    let ring = outline.iter().map(|corner| coord! { x: corner.x.metres(), y: corner.y.metres() });
    Polygon::new(LineString::from_iter(ring), vec![])
}

fn route(card: &Card) -> Option<&Route> {
    card.program.as_ref()?.route.as_ref()
}

/// The middle line of a part's kerf, its first point repeated at the end.
fn outline(part: &CardPart, cutter: Length) -> Vec<Point> {
    let corners = corners(&part.rect, cutter * 0.5);
    corners.into_iter().chain([corners[0]]).collect()
}

fn corners(rect: &Rect, outside: Length) -> [Point; 4] {
    let (x0, y0) = (rect.low.x - outside, rect.low.y - outside);
    let (x1, y1) = (rect.high.x + outside, rect.high.y + outside);
    [Point { x: x0, y: y0 }, Point { x: x1, y: y0 }, Point { x: x1, y: y1 }, Point { x: x0, y: y1 }]
}

fn distance(from: Point, to: Point) -> Length {
    Length::from_metres((to.x - from.x).metres().hypot((to.y - from.y).metres()))
}

pub(super) fn length(path: &[Point]) -> Length {
    path.windows(2).map(|ends| distance(ends[0], ends[1])).sum()
}

/// The first `reach` of a path; `None` if that is nothing.
pub(super) fn beginning(path: &[Point], reach: Length) -> Option<Vec<Point>> {
    let mut left = reach;
    let mut begun = vec![*path.first()?];
    for ends in path.windows(2) {
        let step = distance(ends[0], ends[1]);
        if left <= Length::ZERO {
            break;
        }
        let share = (left / step).min(1.0);
        let along = |from: Length, to: Length| from + (to - from) * share;
        begun.push(Point { x: along(ends[0].x, ends[1].x), y: along(ends[0].y, ends[1].y) });
        left = left - step;
    }
    (begun.len() > 1).then_some(begun)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::{CardSheet, Cutter, Edge, HowHeld, Material, Milling};
    use crate::units::Density;

    fn card(parts: &[Rect]) -> Card {
        Card {
            name: "shelves".into(),
            sheet: CardSheet {
                rect: Rect::from_metres(0.0, 0.0, 2.0, 1.0),
                thickness: Length::from_millimetres(18.0),
                material: Material {
                    name: "fibreboard".into(),
                    density: Density::from_kg_per_m3(720.0),
                    friction: 0.3,
                    cutting_force_n_mm2: 35.0,
                    permeability_m2: 0.0,
                },
                gap: Length::ZERO,
                held_otherwise: false,
                missing: vec![],
                ragged: Length::ZERO,
            },
            cutter: Cutter {
                diameter: Length::from_millimetres(6.0),
                last_pass: Length::from_millimetres(6.0),
                edge: Edge::Milling(Milling { flutes: 2, spindle_rpm: 18_000.0, feed_m_min: 6.0, axial_share: 0.0 }),
            },
            parts: parts
                .iter()
                .enumerate()
                .map(|(index, rect)| CardPart { name: format!("P{index}"), rect: *rect, held: HowHeld::Vacuum })
                .collect(),
            zones: vec![],
            required_margin: 2.0,
            side_force: None,
            program: None,
            into_board: None,
        }
    }

    fn at(fraction: f64) -> Progress {
        Progress::from_fraction(fraction)
    }

    fn two() -> Card {
        card(&[Rect::from_metres(0.1, 0.1, 0.294, 0.294), Rect::from_metres(0.5, 0.1, 1.094, 0.294)])
    }

    #[test]
    fn the_kerf_runs_half_a_cutter_outside_the_part() {
        let card = two();
        let kerf = &Cut::of(&card).load(at(1.0)).kerfs[0];
        let found: Vec<(f64, f64)> = kerf.path.iter().map(|point| (point.x.metres(), point.y.metres())).collect();
        for (corner, expected) in
            found.iter().zip([(0.097, 0.097), (0.297, 0.097), (0.297, 0.297), (0.097, 0.297), (0.097, 0.097)])
        {
            assert!((corner.0 - expected.0).abs() < 1e-12 && (corner.1 - expected.1).abs() < 1e-12, "{found:?}");
        }
        assert_eq!(found.len(), 5);
    }

    #[test]
    fn kerf_opens_at_an_even_pace_and_parts_come_free_in_order() {
        let card = two();
        let cut = Cut::of(&card);
        assert!((cut.length().metres() - (0.8 + 1.6)).abs() < 1e-12);
        for step in 0..=48 {
            let progress = at(f64::from(step) / 48.0);
            let open: f64 = cut.load(progress).kerfs.iter().map(|kerf| length(&kerf.path).metres()).sum();
            assert!((open - cut.opened(progress).metres()).abs() < 1e-12, "at {progress:?}: {open}");
        }
        assert_eq!(cut.freed(at(0.33)), 0);
        assert_eq!(cut.freed(at(0.8 / 2.4)), 1);
        assert_eq!(cut.freed(at(0.99)), 1);
        assert_eq!(cut.freed(at(1.0)), 2);
        assert_eq!(cut.cutting(at(0.5)), Some(PartId(1)));
        assert_eq!(cut.cutting(at(1.0)), None);
    }

    #[test]
    fn a_card_without_parts_cuts_nothing() {
        let card = card(&[]);
        let cut = Cut::of(&card);
        let load = cut.load(at(0.5));
        assert!(load.kerfs.is_empty() && load.parts.is_empty());
        assert_eq!(load.sheets.len(), 1);
        assert_eq!(cut.length(), Length::ZERO);
        assert_eq!(cut.freed(at(1.0)), 0);
    }
}
