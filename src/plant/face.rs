//! What lies on the board, and the board condensed under it.

use std::collections::BTreeMap;

use super::truth::{Truth, map_matrix};
use crate::job::Card;
use crate::table::{Kerf, PartShape, Point, Rect, Sheet, Table, TableLoad, ZoneMatrix};
use crate::units::{Length, Permeability};

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
    let rect = &card.sheet.rect;
    let edge = rect.high.x - rect.width() * (f64::from(face.raised) / 1000.0);
    let touching = Rect { low: rect.low, high: Point { x: edge, y: rect.high.y } };
    let permeability = card.sheet.material.permeability_m2;
    let passes = (permeability > 0.0).then(|| (Permeability::from_square_metres(permeability), card.sheet.thickness));
    let on_board = || card.parts.iter().enumerate().filter(move |(_, part)| part.rect.low.x < edge);
    TableLoad {
        sheets: vec![Sheet { rect: touching, gap: card.sheet.gap, passes }],
        kerfs: on_board()
            .filter(|(index, _)| *index < face.cut)
            .map(|(_, part)| kerf(&part.rect, card.cutter.diameter))
            .collect(),
        parts: on_board()
            .map(|(index, part)| PartShape {
                name: part.name.clone(),
                outline: corners(&part.rect, Length::ZERO).to_vec(),
                lost: face.lost == Some(index),
            })
            .collect(),
    }
}

/// The kerf around a part: closed, its middle line half its width outside.
fn kerf(part: &Rect, width: Length) -> Kerf {
    let around = corners(part, width * 0.5);
    Kerf { width, path: around.iter().chain(&around[..1]).copied().collect() }
}

fn corners(rect: &Rect, outside: Length) -> [Point; 4] {
    let (x0, y0) = (rect.low.x - outside, rect.low.y - outside);
    let (x1, y1) = (rect.high.x + outside, rect.high.y + outside);
    [(x0, y0), (x1, y0), (x1, y1), (x0, y1)].map(|(x, y)| Point { x, y })
}
