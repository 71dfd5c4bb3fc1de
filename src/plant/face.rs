//! What lies on the board, and the board condensed under it.

use std::collections::BTreeMap;

use super::truth::{Truth, map_matrix};
use crate::job::{Card, Cut, Progress};
use crate::table::{PartId, Table, TableLoad, ZoneMatrix};

/// Condenses a table under a load to its zone matrix: the closed form, or the flow field.
pub type Condense = Box<dyn Fn(&Table, &TableLoad) -> ZoneMatrix + Send>;

/// A state of the board's top face; the bare board has no card.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Face {
    pub(super) card: Option<usize>,
    /// How many parts are cut through.
    pub(super) cut: usize,
    /// The thousandths of the sheet's length, at its far end, that do not touch the board.
    pub(super) raised: u16,
    /// The part that is gone.
    pub(super) lost: Option<usize>,
}

/// Every state of the face that was needed so far.
pub(super) struct Faces {
    condense: Condense,
    table: Table,
    truth: Truth,
    cards: Vec<Card>,
    known: BTreeMap<Face, ZoneMatrix>,
}

impl Faces {
    pub(super) fn new(condense: Condense, table: Table, truth: Truth, cards: Vec<Card>) -> Self {
        Faces { condense, table, truth, cards, known: BTreeMap::new() }
    }

    /// The card of a face.
    pub(super) fn card(&self, index: usize) -> Option<&Card> {
        self.cards.get(index)
    }

    /// The true matrix of a face: kerfs leak by the truth's factor, zones are uneven.
    pub(super) fn matrix(&mut self, face: Face) -> ZoneMatrix {
        if let Some(known) = self.known.get(&face) {
            return known.clone();
        }
        let whole = self.condensed(Face { cut: 0, lost: None, ..face });
        let cut = self.condensed(face);
        let kerf = self.truth.kerf;
        let mixed =
            map_matrix(&whole, |row, col| whole.get(row, col) + kerf * (cut.get(row, col) - whole.get(row, col)));
        let made = self.truth.uneven(&mixed);
        self.known.insert(face, made.clone());
        made
    }

    fn condensed(&self, face: Face) -> ZoneMatrix {
        let card = face.card.and_then(|index| self.cards.get(index));
        let load = card.map_or_else(TableLoad::default, |card| load(card, face));
        (self.condense)(&self.table, &load)
    }
}

/// What a card puts on the table in a state of the face.
fn load(card: &Card, face: Face) -> TableLoad {
    let cut = Cut::of(card);
    let last = face.cut.checked_sub(1).and_then(|last| u32::try_from(last).ok()).map(PartId);
    let progress =
        last.map_or(Some(Progress::START), |last| cut.freed_at(last)).unwrap_or(Progress::from_fraction(1.0));
    let mut load = cut.load(progress);
    let end = card.sheet.rect.high.x - card.sheet.rect.width() * (f64::from(face.raised) / 1000.0);
    for sheet in &mut load.sheets {
        sheet.rect.high.x = end;
    }
    // Where nothing touches the board there is nothing for a kerf to open.
    load.kerfs.retain(|kerf| kerf.path.iter().any(|point| point.x < end));
    if let Some(part) = face.lost.and_then(|lost| load.parts.get_mut(lost)) {
        part.lost = true;
    }
    load
}
