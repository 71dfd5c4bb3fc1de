//! The part of a straight piece that lies in a rectangle.
//!
//! Liang and Barsky, A new concept and method for line clipping, ACM Transactions on Graphics 3 (1984).

/// A rectangle as low and high corner, in mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    pub(super) low: [f64; 2],
    pub(super) high: [f64; 2],
}

impl Window {
    /// The shares of a piece between which it lies in the window; none if it does not.
    pub(super) fn shares(&self, from: [f64; 2], to: [f64; 2]) -> Option<(f64, f64)> {
        let (mut enters, mut leaves) = (0.0_f64, 1.0_f64);
        for axis in 0..2 {
            let step = to[axis] - from[axis];
            for (edge, sign) in [(self.low[axis], 1.0), (self.high[axis], -1.0)] {
                let (inside, towards) = (sign * (from[axis] - edge), sign * step);
                if towards == 0.0 {
                    if inside < 0.0 {
                        return None;
                    }
                } else if towards > 0.0 {
                    enters = enters.max(-inside / towards);
                } else {
                    leaves = leaves.min(-inside / towards);
                }
            }
        }
        (enters <= leaves).then_some((enters, leaves))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_piece_is_clipped_to_what_lies_inside() {
        let window = Window { low: [0.0, 0.0], high: [10.0, 5.0] };
        // Plane geometry, no source needed.
        for (from, to, expected) in [
            ([2.0, 1.0], [8.0, 4.0], Some((0.0, 1.0))),
            ([-10.0, 1.0], [10.0, 1.0], Some((0.5, 1.0))),
            ([-10.0, 2.0], [30.0, 2.0], Some((0.25, 0.5))),
            ([3.0, 3.0], [3.0, 3.0], Some((0.0, 1.0))),
            ([11.0, 0.0], [11.0, 5.0], None),
            ([-1.0, 4.5], [1.0, 6.5], None),
        ] {
            assert_eq!(window.shares(from, to), expected, "{from:?} {to:?}");
        }
    }
}
