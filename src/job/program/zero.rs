//! Where the zero of the axis words lies: work zeros, `G52` and `G92`.
//!
//! NISTIR 6556, 3.2.3 and 3.5.18; `G52`, a further shift, by common practice.

use std::collections::VecDeque;

use super::block::Block;
use super::codes::{self, G};
use super::refusal::{Flaw, flaw};
use super::settings::{Reading, WorkZero};
use super::state::{Orders, State};
use super::step::{Deed, Note};

/// Everything that shifts the zero, in mm.
#[derive(Clone, Debug, Default)]
pub(super) struct Zero {
    /// The work zero in force.
    work: Option<WorkZero>,
    /// The work zero that counts as the card's.
    cards: Option<WorkZero>,
    local: [f64; 3],
    shift: [f64; 3],
    kept_shift: Option<[f64; 3]>,
}

impl Zero {
    /// The shifts that the program itself has told.
    pub(super) fn told(&self, axis: usize) -> f64 {
        self.local[axis] + self.shift[axis]
    }

    /// `G92.1` and `G92.2`.
    pub(super) fn drop_shift(&mut self, kept: bool) {
        self.kept_shift = kept.then_some(self.shift);
        self.shift = [0.0; 3];
    }

    /// `G92.3`.
    pub(super) fn restore_shift(&mut self) {
        self.shift = self.kept_shift.unwrap_or(self.shift);
    }
}

impl State {
    /// How far the axis words' zero lies from the card's.
    pub(super) fn zero(&self, reading: &Reading) -> [f64; 3] {
        let home = self.zero.work.and_then(|zero| reading.zeros.get(&zero)).copied().unwrap_or_default();
        let home = [home.x.millimetres(), home.y.millimetres(), home.z.millimetres()];
        std::array::from_fn(|axis| home[axis] + self.zero.local[axis] + self.zero.shift[axis])
    }

    /// Takes a call of a work zero.
    pub(super) fn take_zero(
        &mut self,
        orders: &Orders,
        block: &Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        for order in orders.g() {
            let G::Zero(zero) = *order else { continue };
            // Before the first move any zero may be the card's; a move without one is in the first (NISTIR 6556, 3.2.3).
            let cards_zero = self.zero.cards.or(self.any_motion.then_some(WorkZero(1)));
            if !reading.zeros.contains_key(&zero) && cards_zero != Some(zero) {
                if cards_zero.is_some() {
                    let word = block.g.iter().find(|word| codes::g(word) == Ok(G::Zero(zero)));
                    let spot = word.map_or(0..0, |word| word.columns.clone());
                    let what = "a second work zero is called, and where it lies is not in the program";
                    return Err(flaw(spot, what, "give it on the card: zeros, its distance from the card's zero"));
                }
                if zero != WorkZero(1) {
                    out.push_back(Deed::Note(Note::ZeroAssumed(zero)));
                }
                self.zero.cards = Some(zero);
            }
            self.zero.work = Some(zero);
        }
        Ok(())
    }

    /// `G92`: the cutter stands where the words say.
    pub(super) fn set_here(
        &mut self,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        let scale = self.scale(reading, out);
        let told = self.axes(block, scale)?;
        let zero = self.zero(reading);
        let mut set = false;
        for (axis, told) in told.iter().enumerate() {
            let Some(told) = told else { continue };
            if self.spot[axis].is_nan() {
                self.spot[axis] = told + zero[axis];
                set = true;
            } else {
                self.zero.shift[axis] += self.spot[axis] - (told + zero[axis]);
            }
        }
        if set {
            out.push_back(Deed::Note(Note::PlaceSet));
        }
        Ok(())
    }

    /// `G52`.
    pub(super) fn set_local(
        &mut self,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        let scale = self.scale(reading, out);
        for (axis, told) in self.axes(block, scale)?.into_iter().enumerate() {
            self.zero.local[axis] = told.unwrap_or(self.zero.local[axis]);
        }
        Ok(())
    }
}
