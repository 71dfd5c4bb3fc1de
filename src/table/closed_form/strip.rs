//! The board as a strip of plane flow, cut open or covered along lines.

use crate::table::{Layer, Sheet, Table, TableLoad};

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
pub(super) struct Strip {
    /// Its top layer, if there are several.
    top: Option<Ply>,
    /// What is below, with the contact.
    below: Ply,
    /// Through the board and its contact, in 1/m.
    pub(super) resistance: f64,
    /// Resistance of a bare top face in series, in 1/m.
    pub(super) entry: f64,
    /// Along the board, all layers, in m³.
    pub(super) transmissivity: f64,
    /// How far a sheet's gap lets the room in.
    creep: f64,
    /// Through the sheet itself, in 1/m; infinite for a tight one.
    pub(super) sheet: f64,
    /// How far what happens at an edge of the plenum is felt along the board.
    pub(super) fade: f64,
    /// The band lost beside open board.
    pub(super) band: f64,
}

impl Strip {
    pub(super) fn of(table: &Table, load: &TableLoad) -> Self {
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
    pub(super) fn opened_by(&self, width: f64) -> f64 {
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
    pub(super) fn opened_beside(&self, bare: f64) -> f64 {
        if bare <= 0.0 { 0.0 } else { 0.5 * self.opened_by(2.0 * bare) - bare }
    }

    /// What remains of v, on the mean, across a strip of this width that is open along both sides.
    pub(super) fn held_across(&self, width: f64) -> f64 {
        let bands = width / self.band;
        if bands <= 1.0 { 0.0 } else { 1.0 - 2.0 / bands * (1.0 - (-bands).exp2()) }
    }

    /// What remains of v under a sheet that lets air through itself.
    pub(super) fn kept_by_sheet(&self) -> f64 {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// 18 mm of board without contact, k_z = 1.
    fn ply(ratio: f64) -> Ply {
        Ply::new(0.018, 0.018 * ratio)
    }

    fn strip(ratio: f64) -> Strip {
        let below = ply(ratio);
        Strip {
            top: None,
            below,
            resistance: below.resistance,
            entry: 0.0,
            transmissivity: 0.018 * ratio,
            creep: 0.0,
            sheet: f64::INFINITY,
            fade: 0.0,
            band: below.band(),
        }
    }

    fn assert_within(found: f64, expected: f64, error: f64) {
        assert!((found - expected).abs() <= error, "{found} instead of {expected}");
    }

    /// Leak per metre and k_z of an isolated cut, from an independent finite-volume program to three digits: 3, 6 and 10 mm
    /// in 18 mm of board, k_xy/k_z = 5.
    #[test]
    fn a_kerf_leaks_what_a_field_finds() {
        for (millimetres, leak) in [(3.0, 1.66), (6.0, 1.99), (10.0, 2.32)] {
            assert_within(strip(5.0).opened_by(millimetres / 1000.0) / 0.018, leak, 0.005);
        }
    }

    /// (2·ln 2/π)·t·s for 18 mm: 7.9 mm for s = 1 and 15.886 mm for s = 2, from a finite-difference Laplace solve.
    #[test]
    fn the_band_beside_open_board_is_that_of_a_field() {
        assert_within(1000.0 * strip(1.0).band, 7.943, 0.001);
        assert_within(1000.0 * strip(4.0).band, 15.886, 0.001);
    }

    /// Mean held fraction of a long strip of width w·t·s, from a finite-difference Laplace solve good to 0.003. Below 2 the
    /// form stays under the field on purpose.
    #[test]
    fn a_strip_is_held_as_a_field_finds() {
        for (width, held) in
            [(2.0, 0.586), (3.0, 0.710), (4.0, 0.780), (6.0, 0.853), (8.0, 0.890), (12.0, 0.926), (16.0, 0.945)]
        {
            let found = strip(4.0).held_across(width * 0.036);
            assert_within(found, held, 0.009);
            assert!(found < held + 0.003, "{width}: {found} above {held}");
        }
        assert!((0.25..0.358).contains(&strip(4.0).held_across(0.036)));
        assert_within(strip(4.0).held_across(0.0), 0.0, 0.0);
    }

    /// A half plane of open board is the limit of a wide cut: both lose the same band.
    #[test]
    fn a_wide_cut_and_open_board_lose_the_same_band() {
        assert_within(strip(5.0).opened_beside(1.0), strip(5.0).band, 1e-9);
        assert_within(strip(5.0).opened_beside(0.0), 0.0, 0.0);
    }

    /// K(k)/K(k') where tables have it: 1 at k = 1/√2; its asymptote joins to twelve digits.
    #[test]
    fn elliptic_ratios_are_those_of_tables() {
        assert_within(elliptic_ratio((0.5_f64.sqrt()).atanh()), 1.0, 1e-14);
        assert_within(elliptic_ratio(20.0) / elliptic_ratio(20.000_000_001), 1.0, 1e-9);
        // K(0.5) = 1.685750354812596, K(√0.75) = 2.156515647499643 (Abramowitz and Stegun, table 17.1, m = 0.25 and 0.75).
        assert_within(elliptic_ratio(0.5_f64.atanh()), 1.685_750_354_812_596 / 2.156_515_647_499_643, 1e-13);
    }
}
