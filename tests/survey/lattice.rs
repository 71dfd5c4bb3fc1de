//! A board as a lattice of its own: four levels of cells whose permeability differs from place to place, solved by conjugate
//! gradients. Nothing of it comes from the program but the table's dimensions.

use holdwatch::table::{Rim, Table, ZoneId, ZoneMatrix};

/// Numbers by chance, the same for the same seed (xorshift64*, Vigna 2016).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        let mut chance = Chance(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x1234_5678_9ABC_DEF1);
        (0..8).for_each(|_| _ = chance.share());
        chance
    }

    /// From 0 to 1.
    pub fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.share().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * self.share()).cos()
    }
}

/// Cells along a side.
const CELLS: usize = 61;
/// Levels through the board.
const LEVELS: usize = 4;
/// The standard deviation of the permeability's logarithm, over patches of some 0.3 m.
const UNEVEN: f64 = 0.10;

pub struct Lattice {
    /// The factor on the permeability of each place, 1 on the mean.
    openness: Vec<f64>,
    side: f64,
}

impl Lattice {
    pub fn new(table: &Table, chance: &mut Chance) -> Self {
        let waves: Vec<[f64; 4]> = (0..12)
            .map(|_| {
                let (turn, phase) = (chance.share() * std::f64::consts::TAU, chance.share() * std::f64::consts::TAU);
                let length = 0.6 + 1.2 * chance.share();
                [turn.cos() / length, turn.sin() / length, phase, (2.0_f64 / 12.0).sqrt()]
            })
            .collect();
        let side = table.board.length.metres() / CELLS as f64;
        let at = |cell: usize| {
            let (x, y) = ((cell % CELLS) as f64 * side, (cell / CELLS) as f64 * side);
            let sum: f64 =
                waves.iter().map(|w| w[3] * (std::f64::consts::TAU * (w[0] * x + w[1] * y) + w[2]).cos()).sum();
            (UNEVEN * sum).exp()
        };
        let mut openness: Vec<f64> = (0..CELLS * CELLS).map(at).collect();
        let mean = openness.iter().sum::<f64>() / openness.len() as f64;
        openness.iter_mut().for_each(|factor| *factor /= mean);
        Lattice { openness, side }
    }

    /// The zone matrix with film of this resistance over the board, or bare.
    pub fn zones(&self, table: &Table, film: Option<f64>) -> ZoneMatrix {
        let count = table.plenum.zones.len();
        let mut matrix = ZoneMatrix::zeros(count);
        let id = |zone: usize| ZoneId(u8::try_from(zone).unwrap());
        let grid = self.grid(table, film);
        for driving in 0..count {
            let source: Vec<f64> = (0..grid.middle.len())
                .map(|node| grid.contact.get(node).filter(|(zone, _)| *zone == Some(driving)).map_or(0.0, |(_, g)| *g))
                .collect();
            let v = grid.solved(&source);
            for zone in 0..count {
                let flow: f64 = grid
                    .contact
                    .iter()
                    .enumerate()
                    .filter(|(_, (over, _))| *over == Some(zone))
                    .map(|(cell, (_, g))| g * (f64::from(u8::from(zone == driving)) - v[cell]))
                    .sum();
                matrix.set(id(zone), id(driving), flow);
            }
        }
        matrix
    }

    fn grid(&self, table: &Table, film: Option<f64>) -> Grid {
        let layer = &table.board.layers[0];
        let (through, along) = (layer.through.square_metres(), layer.along.square_metres());
        let thickness = layer.thickness.metres() / LEVELS as f64;
        let cells = CELLS * CELLS;
        let area = self.side * self.side;
        let mut grid = Grid { middle: vec![0.0; cells * LEVELS], links: Vec::new(), contact: Vec::new() };
        for (cell, open) in self.openness.iter().enumerate() {
            let (column, row) = (cell % CELLS, cell / CELLS);
            let half = 0.5 * thickness / (through * open);
            let zone = zone_over(table, (column as f64 + 0.5) * self.side, (row as f64 + 0.5) * self.side);
            let contact = zone.map_or(0.0, |_| area / (table.plenum.contact.per_metre() * open.recip() + half));
            grid.contact.push((zone, contact));
            grid.middle[cell] += contact;
            let top = cell + (LEVELS - 1) * cells;
            grid.middle[top] += area / (half + film.unwrap_or(0.0));
            for level in 0..LEVELS {
                let node = cell + level * cells;
                if level + 1 < LEVELS {
                    grid.link(node, node + cells, area / (2.0 * half));
                }
                for (beside, inside) in [(cell + 1, column + 1 < CELLS), (cell + CELLS, row + 1 < CELLS)] {
                    if inside {
                        let mean = 2.0 / (1.0 / open + 1.0 / self.openness[beside]);
                        grid.link(node, node - cell + beside, along * mean * thickness);
                    }
                }
                let rims = &table.board.rims;
                for (at_rim, rim) in [
                    (column == 0, rims.x_min),
                    (column + 1 == CELLS, rims.x_max),
                    (row == 0, rims.y_min),
                    (row + 1 == CELLS, rims.y_max),
                ] {
                    if let (true, Rim::HalfSealed(seal)) = (at_rim, rim) {
                        let inward = 0.5 * self.side / (along * open);
                        grid.middle[node] += thickness * self.side / (seal.per_metre() + inward);
                    }
                }
            }
        }
        grid
    }
}

fn zone_over(table: &Table, x: f64, y: f64) -> Option<usize> {
    table.plenum.zones.iter().position(|zone| {
        zone.rects.iter().any(|rect| {
            (rect.low.x.metres()..rect.high.x.metres()).contains(&x)
                && (rect.low.y.metres()..rect.high.y.metres()).contains(&y)
        })
    })
}

struct Grid {
    /// The sum of what each node is joined with.
    middle: Vec<f64>,
    links: Vec<(usize, usize, f64)>,
    /// For each cell of the underside its zone and the conductance to it.
    contact: Vec<(Option<usize>, f64)>,
}

impl Grid {
    fn link(&mut self, a: usize, b: usize, conductance: f64) {
        self.middle[a] += conductance;
        self.middle[b] += conductance;
        self.links.push((a, b, conductance));
    }

    fn applied(&self, v: &[f64]) -> Vec<f64> {
        let mut out: Vec<f64> = self.middle.iter().zip(v).map(|(middle, v)| middle * v).collect();
        for (a, b, g) in &self.links {
            out[*a] -= g * v[*b];
            out[*b] -= g * v[*a];
        }
        out
    }

    /// Conjugate gradients, scaled by the diagonal (Hestenes and Stiefel, 1952).
    fn solved(&self, right: &[f64]) -> Vec<f64> {
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let scaled = |r: &[f64]| -> Vec<f64> { r.iter().zip(&self.middle).map(|(r, m)| r / m).collect() };
        let (mut v, mut r) = (vec![0.0; right.len()], right.to_vec());
        let mut direction = scaled(&r);
        let mut rho = dot(&r, &direction);
        let enough = 1e-12 * rho;
        for _ in 0..5000 {
            if rho <= enough {
                return v;
            }
            let applied = self.applied(&direction);
            let step = rho / dot(&direction, &applied);
            v.iter_mut().zip(&direction).for_each(|(v, d)| *v += step * d);
            r.iter_mut().zip(&applied).for_each(|(r, a)| *r -= step * a);
            let z = scaled(&r);
            let next = dot(&r, &z);
            direction = z.iter().zip(&direction).map(|(z, d)| z + next / rho * d).collect();
            rho = next;
        }
        panic!("the lattice does not settle");
    }
}
