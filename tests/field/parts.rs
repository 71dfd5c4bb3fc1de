//! Small parts close together: own converged references, `tests/independent/parts.py` (no publication found), to 0.15 %.
//!
//! Two by two square parts, each in its own kerf, in a covered board of 18 mm over one plenum at 50 000 Pa.

use super::*;

/// One layout: sizes in metres, permeability through the board and how many times as much along it, contact, gap, the board's
/// side, the first part's least corner; then S in m³ and the parts' forces in N.
struct Layout {
    name: &'static str,
    side: f64,
    kerf: f64,
    strip: f64,
    through: f64,
    ratio: f64,
    contact: f64,
    gap: f64,
    board: f64,
    corner: (f64, f64),
    conductance: f64,
    forces: [f64; 4],
    /// What is allowed in force on the standard and the fine grid; leaks are allowed 1 %.
    allowed: [f64; 2],
}

const LAYOUTS: [Layout; 6] = [
    Layout {
        name: "narrow strips",
        side: 0.036,
        kerf: 0.006,
        strip: 0.002,
        through: 2e-13,
        ratio: 5.0,
        contact: 2e10,
        gap: 0.0,
        board: 0.24,
        corner: (0.0773, 0.0781),
        conductance: 1.541_84e-13,
        forces: [12.491_95, 12.491_12, 12.488_93, 12.488_10],
        allowed: [0.05, 0.035],
    },
    Layout {
        name: "narrow strips over a gap",
        side: 0.036,
        kerf: 0.006,
        strip: 0.002,
        through: 1e-12,
        ratio: 4.0,
        contact: 4e9,
        gap: 3e-5,
        board: 0.24,
        corner: (0.0773, 0.0781),
        conductance: 7.924_99e-13,
        forces: [9.874_96, 9.874_52, 9.873_36, 9.872_91],
        allowed: [0.05, 0.045],
    },
    Layout {
        name: "narrow kerfs",
        side: 0.060,
        kerf: 0.003,
        strip: 0.005,
        through: 5e-13,
        ratio: 5.0,
        contact: 8e9,
        gap: 2e-5,
        board: 0.24,
        corner: (0.0543, 0.0551),
        conductance: 5.776_59e-13,
        forces: [49.128_12, 49.135_43, 49.106_06, 49.113_38],
        allowed: [0.03, 0.02],
    },
    Layout {
        name: "a wide gap, where little is held",
        side: 0.050,
        kerf: 0.008,
        strip: 0.004,
        through: 1e-12,
        ratio: 5.0,
        contact: 4e9,
        gap: 1e-4,
        board: 0.24,
        corner: (0.0593, 0.0601),
        conductance: 1.978_68e-12,
        forces: [4.024_60, 4.027_39, 4.024_20, 4.026_98],
        allowed: [0.08, 0.065],
    },
    Layout {
        name: "wide kerfs",
        side: 0.060,
        kerf: 0.012,
        strip: 0.020,
        through: 2e-13,
        ratio: 20.0,
        contact: 2e10,
        gap: 0.0,
        board: 0.4,
        corner: (0.1183, 0.1191),
        conductance: 5.754_52e-13,
        forces: [30.756_58, 30.752_59, 30.742_15, 30.738_15],
        allowed: [0.05, 0.03],
    },
    Layout {
        name: "wide strips",
        side: 0.075,
        kerf: 0.006,
        strip: 0.020,
        through: 1e-12,
        ratio: 4.0,
        contact: 4e9,
        gap: 3e-5,
        board: 0.4,
        corner: (0.111, 0.111),
        conductance: 1.991_05e-12,
        forces: [87.659_83, 87.658_44, 87.658_43, 87.657_02],
        allowed: [0.03, 0.02],
    },
];

#[test]
fn small_parts_close_together_hold_and_leak_as_on_ever_finer_meshes() {
    for layout in &LAYOUTS {
        let table =
            small_table(layout.board, layout.board, layout.ratio * layout.through, layout.through, layout.contact);
        let mut load = covered(layout.board, layout.board);
        load.sheets[0].gap = Length::from_metres(layout.gap);
        let pitch = layout.side + 2.0 * layout.kerf + layout.strip;
        for (row, column) in [(0.0, 0.0), (0.0, 1.0), (1.0, 0.0), (1.0, 1.0)] {
            let (x, y) = (layout.corner.0 + column * pitch, layout.corner.1 + row * pitch);
            let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
            let outline: Vec<Point> =
                corners.iter().map(|(u, v)| point(x + u * layout.side, y + v * layout.side)).collect();
            load.kerfs.push(kerf_around(&outline, layout.kerf));
            load.parts.push(PartShape { name: "part".into(), outline, openings: vec![], lost: false });
        }
        let room = AbsolutePressure::from_pascals(101_325.0);
        let plenum = PressureSquared::from_pascals_squared(101_325.0_f64.powi(2) - 5e4_f64.powi(2));
        for (resolution, allowed) in [Resolution::Standard, Resolution::Fine].into_iter().zip(layout.allowed) {
            let field = Field::solve(&table, &load, resolution).unwrap();
            let what = format!("{}, {resolution:?}", layout.name);
            close(field.zones().get(ZoneId(0), ZoneId(0)), layout.conductance, 0.01, &what);
            for (id, force) in (0..).zip(layout.forces) {
                close(field.part_force(PartId(id), &[plenum], room).newtons(), force, allowed, &what);
            }
        }
    }
}
