//! A move as straight pieces.

use crate::job::program::{Arc, Move, Way};

/// How far a chord may be from its arc, in mm.
const SAGITTA: f64 = 0.005;

/// The most chords of one arc.
const MOST: f64 = 20_000.0;

/// The points of a move behind its beginning, in mm, each with the share of the move that ends there.
pub(super) fn points(made: &Move) -> Vec<([f64; 3], f64)> {
    match made.way {
        Way::Line => vec![(made.to.millimetres(), 1.0)],
        Way::Arc(arc) => round(made, &arc),
    }
}

/// The length of a move in mm, and its direction at both ends.
pub(super) fn course(made: &Move) -> (f64, [f64; 3], [f64; 3]) {
    let (from, to) = (made.from.millimetres(), made.to.millimetres());
    match made.way {
        Way::Line => {
            let step: [f64; 3] = std::array::from_fn(|axis| to[axis] - from[axis]);
            let length = step.iter().map(|part| part * part).sum::<f64>().sqrt();
            let along = if length > 0.0 { step.map(|part| part / length) } else { [0.0; 3] };
            (length, along, along)
        }
        Way::Arc(arc) => {
            let circle = Circle::of(made, &arc);
            (circle.length(), circle.direction(0.0), circle.direction(1.0))
        }
    }
}

/// The radius of a move's arc in mm.
pub(super) fn radius(made: &Move) -> Option<f64> {
    match made.way {
        Way::Line => None,
        Way::Arc(arc) => Some(Circle::of(made, &arc).radii.0),
    }
}

struct Circle {
    axes: [usize; 3],
    centre: [f64; 2],
    begins: f64,
    turn: f64,
    radii: (f64, f64),
    through: (f64, f64),
}

impl Circle {
    fn of(made: &Move, arc: &Arc) -> Self {
        let axes @ [first, second, across] = arc.plane.axes();
        let (from, to) = (made.from.millimetres(), made.to.millimetres());
        let centre = [arc.centre.0.millimetres(), arc.centre.1.millimetres()];
        let reach = |end: [f64; 3]| (end[first] - centre[0]).hypot(end[second] - centre[1]);
        Circle {
            axes,
            centre,
            begins: (from[second] - centre[1]).atan2(from[first] - centre[0]),
            turn: arc.turn,
            radii: (reach(from), reach(to)),
            through: (from[across], to[across]),
        }
    }

    fn at(&self, share: f64) -> [f64; 3] {
        let angle = self.begins + self.turn * share;
        let radius = self.radii.0 + (self.radii.1 - self.radii.0) * share;
        let mut point = [0.0; 3];
        point[self.axes[0]] = self.centre[0] + radius * angle.cos();
        point[self.axes[1]] = self.centre[1] + radius * angle.sin();
        point[self.axes[2]] = self.through.0 + (self.through.1 - self.through.0) * share;
        point
    }

    fn length(&self) -> f64 {
        let around = 0.5 * (self.radii.0 + self.radii.1) * self.turn;
        around.hypot(self.through.1 - self.through.0)
    }

    fn direction(&self, share: f64) -> [f64; 3] {
        let angle = self.begins + self.turn * share;
        let around = self.radii.0 * self.turn;
        let rise = self.through.1 - self.through.0;
        let length = around.hypot(rise).max(1e-12);
        let mut along = [0.0; 3];
        along[self.axes[0]] = -around * angle.sin() / length;
        along[self.axes[1]] = around * angle.cos() / length;
        along[self.axes[2]] = rise / length;
        along
    }
}

fn round(made: &Move, arc: &Arc) -> Vec<([f64; 3], f64)> {
    let circle = Circle::of(made, arc);
    // A chord of the angle α leaves its arc by r·(1 − cos α/2).
    let radius = circle.radii.0.max(circle.radii.1);
    let step = 2.0 * (1.0 - SAGITTA / radius.max(SAGITTA)).max(-1.0).acos();
    let count = (arc.turn.abs() / step.clamp(1e-6, 0.6)).ceil().clamp(1.0, MOST);
    let inner = (1..count as usize).map(|place| place as f64 / count);
    inner.map(|share| (circle.at(share), share)).chain([(made.to.millimetres(), 1.0)]).collect()
}
