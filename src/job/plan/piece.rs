//! Parts, drops and the skeleton: what comes free, when, and what still holds it.

use geo::{CoordsIter, Orient, orient::Direction};
use serde::{Deserialize, Serialize};

use super::clip::Window;
use super::gap::{OpenOutline, open_outlines};
use super::holds::{Cover, Index, RimPoint, rim};
use super::regions::{Region, regions, sheet};
use super::stock::Stock;
use super::stroke::{Leaves, Stroke};
use crate::moment::Span;
use crate::table::Point;
use crate::units::{Area, Length, Mass};

/// A piece, by its place in [`super::Plan::pieces`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PieceId(pub u32);

/// What a piece is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Cut out of the sheet all round, or out of a drop. What spans a sheet that is trimmed all round is one too, and so is what is
    /// cut out of it: nothing tells a great part with windows from what is left around small parts, and so both are judged.
    Part,
    /// Cut out of a part: the slug of a hole or window.
    Drop,
    /// Reaches to the sheet's edge, but not all across it.
    Edge,
    /// What is left around the parts.
    Skeleton,
}

/// A time, and the line that is then cut.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct When {
    /// Since the program's beginning, pauses apart.
    pub elapsed: Span,
    /// The line in the file.
    pub line: u64,
}

/// What is on the other side of a tab or skin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Neighbour {
    /// The skeleton or an edge piece.
    Sheet,
    /// Another part, which may go with it: both are held by no more than the other's hold.
    Piece(PieceId),
    /// Nothing that can be told.
    Unknown,
}

/// A tab or skin that still holds a piece.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hold {
    /// Tab or skin.
    pub leaves: Leaves,
    /// Its middle.
    pub at: Point,
    /// How long it is along the piece's rim.
    pub length: Length,
    /// How thick it is.
    pub thickness: Length,
    /// To what it holds.
    pub to: Neighbour,
}

/// A region of the sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// What it is.
    pub kind: Kind,
    /// Its outline, counterclockwise, the first point not repeated.
    pub outline: Vec<Point>,
    /// The outlines of what is cut out of it, clockwise.
    pub openings: Vec<Vec<Point>>,
    /// Its area, openings left out.
    pub area: Area,
    /// Its centroid.
    pub centroid: Point,
    /// Its mass.
    pub mass: Mass,
    /// When its outline is closed, be it by tabs and skins; none for the skeleton and edge pieces that nothing parts.
    pub parted: Option<When>,
    /// When nothing holds it any more but the vacuum; none while tabs or skins do.
    pub freed: Option<When>,
    /// The tabs and skins that hold it at the end.
    pub holds: Vec<Hold>,
    /// The part that a drop falls out of.
    pub within: Option<PieceId>,
    /// Whether it is smaller than the cutter that parts it, so that it comes to lie under the cutter.
    pub under_cutter: bool,
}

impl Piece {
    /// Whether skins alone hold it.
    pub fn rests_on_a_skin(&self) -> bool {
        !self.holds.is_empty() && self.holds.iter().all(|hold| hold.leaves == Leaves::Skin)
    }

    /// Whether it is held only to other parts.
    pub fn held_by_parts_only(&self) -> bool {
        !self.holds.is_empty() && self.holds.iter().all(|hold| matches!(hold.to, Neighbour::Piece(_)))
    }
}

/// Edge pieces that span so much of the sheet both ways are its skeleton.
const SPANNING: f64 = 0.9;

/// The length of rim over which a skin's other side is taken to be the same, in mm.
const SAME_SIDE: f64 = 5.0;

/// The sheet's pieces, in the order that [`super::Plan::pieces`] promises, and what would be one if its outline were closed.
pub(super) fn pieces(strokes: &[Stroke], stock: &Stock) -> (Vec<Piece>, Vec<OpenOutline>) {
    // One after the other: sweeping takes more memory than anything else.
    let regions = regions(strokes, stock);
    let open = open_outlines(strokes, &regions, stock);
    let index = Index::of(strokes, window(strokes, stock));
    let mut found: Vec<Found> = regions.into_iter().map(|region| Found::of(region, &index)).collect();
    found.iter_mut().for_each(|one| one.look_at_the_edge(&sheet(stock)));
    found.sort_by(|one, other| one.rank().cmp(&other.rank()).then(one.closed_at().total_cmp(&other.closed_at())));
    let within: Vec<Option<usize>> = (0..found.len()).map(|place| found[place].within(&found)).collect();
    for place in 0..found.len() {
        if found[place].kind == Kind::Part && level(place, &within, &found) % 2 == 1 {
            found[place].kind = Kind::Drop;
        }
    }
    let piece = |(place, one): (usize, &Found)| one.piece(place, &found, within[place], stock);
    (found.iter().enumerate().map(piece).collect(), open)
}

/// Where strokes touch the sheet.
fn window(strokes: &[Stroke], stock: &Stock) -> Window {
    let widest = strokes.iter().map(|stroke| stroke.width.millimetres()).fold(0.0, f64::max);
    let sheet = sheet(stock);
    let (low, high) = (sheet.min(), sheet.max());
    Window { low: [low.x - widest, low.y - widest], high: [high.x + widest, high.y + widest] }
}

/// A region with what stands at its rim.
struct Found {
    region: Region,
    kind: Kind,
    /// Whether it spans the sheet both ways.
    spans: bool,
    rim: Vec<(RimPoint, Option<Cover>)>,
}

impl Found {
    fn of(mut region: Region, index: &Index) -> Self {
        region.polygon = region.polygon.orient(Direction::Default);
        let rim =
            rim(region.polygon.exterior()).into_iter().map(|point| (point, index.cover(point.x, point.y))).collect();
        Found { region, kind: Kind::Part, spans: false, rim }
    }

    fn look_at_the_edge(&mut self, sheet: &geo::Rect<f64>) {
        let bounds = &self.region.bounds;
        self.spans = bounds.width() >= SPANNING * sheet.width() && bounds.height() >= SPANNING * sheet.height();
        self.kind = match (self.is_at_the_edge(sheet), self.spans) {
            (true, true) => Kind::Skeleton,
            (true, false) => Kind::Edge,
            (false, _) => Kind::Part,
        };
    }

    /// Whether some of its rim is the sheet's own edge.
    fn is_at_the_edge(&self, sheet: &geo::Rect<f64>) -> bool {
        let near = |one: f64, other: f64| (one - other).abs() < 1e-3;
        self.region.polygon.exterior().lines().any(|line| {
            let (from, to) = (line.start, line.end);
            let on = |from: f64, to: f64, edge: f64| near(from, edge) && near(to, edge);
            on(from.x, to.x, sheet.min().x)
                || on(from.x, to.x, sheet.max().x)
                || on(from.y, to.y, sheet.min().y)
                || on(from.y, to.y, sheet.max().y)
        })
    }

    fn rank(&self) -> u8 {
        match self.kind {
            Kind::Part | Kind::Drop => 0,
            Kind::Edge => 1,
            Kind::Skeleton => 2,
        }
    }

    /// When the last of its rim was cut, whatever was left.
    fn closed(&self) -> Option<Cover> {
        let covers = self.rim.iter().filter_map(|(_, cover)| *cover);
        covers.max_by(|one, other| one.seconds.total_cmp(&other.seconds))
    }

    fn closed_at(&self) -> f64 {
        self.closed().map_or(f64::INFINITY, |cover| cover.seconds)
    }

    /// The smallest region around it that is cut out all round.
    fn within(&self, all: &[Found]) -> Option<usize> {
        let start = self.region.polygon.exterior().coords_iter().next()?;
        let around = |other: &Found| {
            other.kind != Kind::Skeleton
                && other.kind != Kind::Edge
                && other.region.polygon.interiors().iter().any(|ring| {
                    let opening = geo::Polygon::new(ring.clone(), vec![]);
                    geo::Contains::contains(&opening, &geo::Point::from(start))
                })
        };
        let bounds = |other: &Found| {
            let (low, high) = (other.region.bounds.min(), other.region.bounds.max());
            start.x > low.x && start.x < high.x && start.y > low.y && start.y < high.y
        };
        let candidates = all.iter().enumerate().filter(|(_, other)| {
            !std::ptr::eq(*other, self)
                && !other.region.polygon.interiors().is_empty()
                && bounds(other)
                && around(other)
        });
        let smallest = candidates.min_by(|(_, one), (_, other)| one.region.area.total_cmp(&other.region.area));
        smallest.map(|(place, _)| place)
    }

    fn piece(&self, place: usize, all: &[Found], within: Option<usize>, stock: &Stock) -> Piece {
        let at = |x: f64, y: f64| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) };
        let ring = |ring: &geo::LineString<f64>| -> Vec<Point> {
            let count = ring.0.len().saturating_sub(1);
            ring.0[..count].iter().map(|coord| at(coord.x, coord.y)).collect()
        };
        let id = |place: usize| PieceId(u32::try_from(place).unwrap_or(u32::MAX));
        let holds = self.holds(place, all, stock);
        let parted = self.closed().filter(|_| self.kind != Kind::Skeleton);
        let free = parted.filter(|_| holds.is_empty());
        let when = |cover: Cover| When { elapsed: Span::from_secs_f64(cover.seconds), line: u64::from(cover.line) };
        let area = Area::from_square_metres(self.region.area * 1e-6);
        let mass = area.square_metres() * stock.thickness.metres() * stock.density.kg_per_m3();
        let cutter = parted.map_or(0.0, |cover| std::f64::consts::FRAC_PI_4 * cover.width * cover.width);
        Piece {
            kind: self.kind,
            outline: ring(self.region.polygon.exterior()),
            openings: self.region.polygon.interiors().iter().map(ring).collect(),
            area,
            centroid: at(self.region.centroid[0], self.region.centroid[1]),
            mass: Mass::from_kilograms(mass),
            parted: parted.map(when),
            freed: free.map(when),
            holds,
            within: within.filter(|_| self.kind == Kind::Drop).map(id),
            under_cutter: self.region.area < cutter,
        }
    }

    /// The tabs and skins along the rim, each run of one kind to one neighbour together.
    fn holds(&self, place: usize, all: &[Found], stock: &Stock) -> Vec<Hold> {
        let mut holds: Vec<Held> = Vec::new();
        let mut same_side: f64 = 0.0;
        let mut last: Option<(Leaves, Neighbour)> = None;
        for (point, cover) in &self.rim {
            let Some(cover) = cover.filter(|cover| cover.leaves != Leaves::Nothing) else {
                last = None;
                continue;
            };
            same_side += point.length;
            let to = match last {
                Some((leaves, to)) if leaves == cover.leaves && same_side < SAME_SIDE => to,
                Some(_) | None => {
                    same_side = 0.0;
                    neighbour(point, &cover, place, all)
                }
            };
            match holds.last_mut().filter(|_| last == Some((cover.leaves, to))) {
                Some(held) => held.grow(point, &cover),
                None => holds.push(Held::begin(point, &cover, to)),
            }
            last = Some((cover.leaves, to));
        }
        self.join_ends(&mut holds);
        holds.into_iter().map(|held| held.whole(stock.thickness)).collect()
    }

    /// A hold that runs over the point where the ring begins is one, not two.
    fn join_ends(&self, holds: &mut Vec<Held>) {
        let held =
            |rim: Option<&(RimPoint, Option<Cover>)>| rim.and_then(|(_, cover)| *cover).map(|cover| cover.leaves);
        let (first, last) = (held(self.rim.first()), held(self.rim.last()));
        if holds.len() < 2 || first != last || first.is_none_or(|leaves| leaves == Leaves::Nothing) {
            return;
        }
        if holds[0].leaves == holds[holds.len() - 1].leaves
            && holds[0].to == holds[holds.len() - 1].to
            && let Some(tail) = holds.pop()
        {
            holds[0].length += tail.length;
            holds[0].left = holds[0].left.max(tail.left);
            let points = std::mem::take(&mut holds[0].points);
            holds[0].points = tail.points.into_iter().chain(points).collect();
        }
    }
}

struct Held {
    leaves: Leaves,
    to: Neighbour,
    points: Vec<[f64; 2]>,
    length: f64,
    left: f64,
}

impl Held {
    fn begin(point: &RimPoint, cover: &Cover, to: Neighbour) -> Self {
        Held { leaves: cover.leaves, to, points: vec![[point.x, point.y]], length: point.length, left: cover.left }
    }

    fn grow(&mut self, point: &RimPoint, cover: &Cover) {
        self.points.push([point.x, point.y]);
        self.length += point.length;
        self.left = self.left.max(cover.left);
    }

    fn whole(self, sheet: Length) -> Hold {
        let [x, y] = self.points[self.points.len() / 2];
        Hold {
            leaves: self.leaves,
            at: Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) },
            length: Length::from_millimetres(self.length),
            thickness: Length::from_millimetres(self.left).min(sheet),
            to: self.to,
        }
    }
}

/// What lies across the stroke from a point of the rim.
fn neighbour(point: &RimPoint, cover: &Cover, place: usize, all: &[Found]) -> Neighbour {
    let across = cover.width + 0.3;
    let (x, y) = (point.x + point.outward[0] * across, point.y + point.outward[1] * across);
    let found = all.iter().position(|other| other.region.holds(x, y));
    match found {
        Some(other) if other == place => Neighbour::Unknown,
        Some(other) if all[other].spans => Neighbour::Sheet,
        Some(other) => match all[other].kind {
            Kind::Skeleton | Kind::Edge => Neighbour::Sheet,
            Kind::Part | Kind::Drop => Neighbour::Piece(PieceId(u32::try_from(other).unwrap_or(u32::MAX))),
        },
        None => Neighbour::Unknown,
    }
}

/// How many parts and drops are around a piece, one in the other, up to one that spans the sheet.
fn level(place: usize, within: &[Option<usize>], found: &[Found]) -> usize {
    std::iter::successors(within[place], |around| within[*around]).take_while(|around| !found[*around].spans).count()
}
