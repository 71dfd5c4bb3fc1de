//! The boards under a load along its cut, condensed: all of a forecast that zones, pump, filter and altitude do not touch.

use serde::{Deserialize, Serialize};

use super::ForecastError;
use crate::job::{Card, Cut, HowHeld, Progress};
use crate::table::{Condensed, Grip, PartId, Point, Rect, Sheet, Table, TableLoad, ZoneMatrix};
use crate::units::Length;

/// The board at one point of the cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Board {
    /// How far the cut is.
    pub fraction: f64,
    /// The zone matrix.
    pub zones: ZoneMatrix,
    /// The parts that may go.
    pub at_risk: Vec<(PartId, Grip)>,
}

/// A load's boards along its cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Boards {
    /// From before the first cut to after the last.
    pub(super) along: Vec<Board>,
    /// Everything covered and nothing cut.
    pub(super) covered: ZoneMatrix,
    /// Nothing on the table.
    pub(super) bare: ZoneMatrix,
    /// The uncut sheet with its rim as far in as it may be; none where the rim is known.
    pub(super) drawn_in: Option<ZoneMatrix>,
}

impl Boards {
    /// Condenses the boards of a card at `points` points of its cut, both ends among them, with what lies `beside` at other ends of
    /// the table; of the table with everything covered if there is no card.
    ///
    /// `condense` is called once for each point, in the order of the cut, then for a ragged sheet drawn in, and for the table
    /// covered and bare.
    ///
    /// # Errors
    /// [`ForecastError`] for fewer points than ends, or if `condense` fails.
    pub fn condense<C: Condensed, E>(
        table: &Table,
        card: Option<&Card>,
        beside: &TableLoad,
        points: u16,
        mut condense: impl FnMut(&TableLoad) -> Result<C, E>,
    ) -> Result<Self, ForecastError>
    where
        ForecastError: From<E>,
    {
        if points < 2 {
            return Err(ForecastError::TooFewPoints(points));
        }
        let covered = covered(table);
        let along = match card {
            Some(card) => along(card, beside, points, &mut condense)?,
            None => {
                let zones = condense(&covered)?.zones().clone();
                [0.0, 1.0].map(|fraction| Board { fraction, zones: zones.clone(), at_risk: vec![] }).into()
            }
        };
        let mut matrix = |load: &TableLoad| Ok::<_, E>(condense(load)?.zones().clone());
        let drawn_in = card.and_then(|card| Cut::of(card).drawn_in()).map(|load| matrix(&load.beside(beside)));
        Ok(Boards {
            along,
            covered: matrix(&covered)?,
            bare: matrix(&TableLoad::default())?,
            drawn_in: drawn_in.transpose()?,
        })
    }
}

fn along<C: Condensed, E>(
    card: &Card,
    beside: &TableLoad,
    points: u16,
    condense: &mut impl FnMut(&TableLoad) -> Result<C, E>,
) -> Result<Vec<Board>, E> {
    let cut = Cut::of(card);
    let board = |point: u16| {
        let fraction = f64::from(point) / f64::from(points - 1);
        let progress = Progress::from_fraction(fraction);
        let board = condense(&cut.load(progress).beside(beside))?;
        let at_risk = at_risk(card, &cut, progress).map(|part| (part, board.grip(part))).collect();
        Ok(Board { fraction, zones: board.zones().clone(), at_risk })
    };
    (0..points).map(board).collect()
}

/// The parts that are free or being cut free and that nothing but air holds.
fn at_risk(card: &Card, cut: &Cut<'_>, progress: Progress) -> impl Iterator<Item = PartId> {
    let begun = cut.freed(progress) + 1;
    (0..).map(PartId).zip(&card.parts).take(begun).filter(|(_, part)| part.held == HowHeld::Vacuum).map(|(id, _)| id)
}

/// The whole board under a tight sheet.
fn covered(table: &Table) -> TableLoad {
    let low = Point { x: Length::ZERO, y: Length::ZERO };
    let high = Point { x: table.board.length, y: table.board.width };
    let sheet = Sheet { rect: Rect { low, high }, gap: Length::ZERO, passes: None };
    TableLoad { sheets: vec![sheet], ..TableLoad::default() }
}
