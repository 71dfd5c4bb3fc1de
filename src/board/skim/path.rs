//! The way of the cutter over a face: to and fro along the longer side, turning beside the board.

use super::{MOST_DEPTH, Motion, Skim};
use crate::moment::Span;
use crate::table::{Point, Rect};
use crate::units::Length;

/// How far beside its first pass the cutter goes down, clear of the board.
const CLEAR: Length = Length::from_millimetres(5.0);

/// One straight move of the cutter's middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Move {
    pub(super) kind: Kind,
    pub(super) to: Point,
    /// Over the face as it was; negative below it.
    pub(super) height: Length,
}

/// How fast a move is made, and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// With the cutter clear of everything.
    Rapid,
    /// Down, beside the board.
    Plunge,
    /// From beside the board to the first pass.
    Lead,
    /// Along a pass or to the next.
    Cut,
}

/// The whole way.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Path {
    pub(super) layers: u32,
    pub(super) passes: u32,
    pub(super) step: Length,
    pub(super) moves: Vec<Move>,
}

impl Path {
    /// The way that takes `depth` off the face of `skim`, in layers of at most [`MOST_DEPTH`].
    pub(super) fn over(skim: &Skim, depth: Length) -> Self {
        let layers = (depth / MOST_DEPTH - 1e-9).ceil().max(1.0) as u32;
        let lanes = Lanes::of(skim);
        let mut moves = Vec::new();
        for layer in 1..=layers {
            let height = depth * (-f64::from(layer) / f64::from(layers));
            lanes.add_layer(height, skim.motion.safe_height, &mut moves);
        }
        Path { layers, passes: lanes.passes, step: lanes.step, moves }
    }

    /// How far the cutter goes in the face, steps included.
    pub(super) fn cut(&self) -> Length {
        self.legs().filter(|(_, to)| to.kind == Kind::Cut).map(|(from, to)| distance(&from, &to)).sum()
    }

    /// The time from its first point to its last, at rest in each.
    pub(super) fn time(&self, motion: &Motion) -> Span {
        let nanos = self.legs().map(|(from, to)| {
            let speed = match to.kind {
                Kind::Rapid => motion.rapid,
                Kind::Plunge => motion.plunge,
                Kind::Lead | Kind::Cut => motion.feed,
            };
            motion.time(distance(&from, &to), speed).nanos()
        });
        Span::from_nanos(nanos.sum())
    }

    /// What the cutter's middle covers.
    pub(super) fn extent(&self) -> Rect {
        let (mut low, mut high) = (self.moves[0].to, self.moves[0].to);
        for Move { to, .. } in &self.moves {
            low = Point { x: low.x.min(to.x), y: low.y.min(to.y) };
            high = Point { x: high.x.max(to.x), y: high.y.max(to.y) };
        }
        Rect { low, high }
    }

    fn legs(&self) -> impl Iterator<Item = (Move, Move)> {
        self.moves.windows(2).map(|pair| (pair[0], pair[1]))
    }
}

fn distance(from: &Move, to: &Move) -> Length {
    let (x, y, z) = (to.to.x - from.to.x, to.to.y - from.to.y, to.height - from.height);
    Length::from_metres((x.metres().powi(2) + y.metres().powi(2) + z.metres().powi(2)).sqrt())
}

/// Parallel passes along the longer side of a face, which leave nothing of it.
struct Lanes {
    /// Whether they run along x.
    along_x: bool,
    passes: u32,
    step: Length,
    /// Where passes begin and end, and where the first one lies beside the other axis.
    from: Length,
    to: Length,
    first: Length,
}

impl Lanes {
    fn of(skim: &Skim) -> Self {
        let face = &skim.face;
        let diameter = skim.surfacer.diameter;
        let along_x = face.width() >= face.height();
        let ((start, end), (low, across)) = if along_x {
            ((face.low.x, face.high.x), (face.low.y, face.height()))
        } else {
            ((face.low.y, face.high.y), (face.low.x, face.width()))
        };
        let step = diameter * skim.stepover;
        let steps = ((across - diameter) / step - 1e-9).ceil().max(0.0);
        // What the last step has too much lies over both sides alike.
        let swept = step * steps + diameter;
        let first = low - (swept - across) * 0.5 + diameter * 0.5;
        let over = diameter * 0.5;
        Lanes { along_x, passes: steps as u32 + 1, step, from: start - over, to: end + over, first }
    }

    fn point(&self, along: Length, across: Length) -> Point {
        if self.along_x { Point { x: along, y: across } } else { Point { x: across, y: along } }
    }

    fn add_layer(&self, height: Length, safe: Length, moves: &mut Vec<Move>) {
        let beside = self.point(self.from - CLEAR, self.first);
        moves.push(Move { kind: Kind::Rapid, to: beside, height: safe });
        moves.push(Move { kind: Kind::Plunge, to: beside, height });
        for pass in 0..self.passes {
            let across = self.first + self.step * f64::from(pass);
            let (here, there) = if pass % 2 == 0 { (self.from, self.to) } else { (self.to, self.from) };
            let kind = if pass == 0 { Kind::Lead } else { Kind::Cut };
            moves.push(Move { kind, to: self.point(here, across), height });
            moves.push(Move { kind: Kind::Cut, to: self.point(there, across), height });
        }
        if let Some(last) = moves.last().copied() {
            moves.push(Move { kind: Kind::Rapid, height: safe, ..last });
        }
    }
}
