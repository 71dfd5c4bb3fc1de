//! A load reckoned through from the first plunge to the last pass.

use super::boards::{Board, Boards};
use super::margin::{Acting, Footing};
use super::spread::Spread;
use super::{Course, Expected, Forecast, Weakest};
use crate::job::{Card, Cut, HowHeld, Progress};
use crate::table::field::NotSettled;
use crate::table::{
    ClosedForm, Condensed, Grip, OperatingPoint, PartId, Rect, Table, TableLoad, Tap, ZoneId, ZoneMatrix, ZoneSet,
    leak_to_reach, operating_point, potentials_at,
};
use crate::units::{PressureSquared, Vacuum};

/// What is to be forecast.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// The table.
    pub table: &'a Table,
    /// Where its gauge is.
    pub tap: Tap,
    /// The job; none for the table with everything covered.
    pub card: Option<&'a Card>,
    /// What lies at other ends of the table.
    pub beside: &'a TableLoad,
    /// The sets of open zones that matter, the job's own first.
    pub sets: &'a [ZoneSet],
    /// How well all this is known.
    pub spread: &'a Spread,
}

/// Why there is no forecast.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ForecastError {
    /// No set of zones.
    #[error("a forecast was asked for without a set of open zones; name at least one")]
    NoSets,
    /// A zone that the table does not have.
    #[error("zone number {zone} was named, but the table has {count}; count from 1", zone = .zone.0 as u16 + 1)]
    UnknownZone {
        /// The zone.
        zone: ZoneId,
        /// How many zones there are.
        count: usize,
    },
    /// Fewer points than ends.
    #[error("a forecast was asked for at {0} points of the cut; it needs at least its 2 ends")]
    TooFewPoints(u16),
    /// The boards are those of another table.
    #[error("the boards have {boards} zones, but the table has {count}; condense the table's own")]
    OtherTable {
        /// Zones of the boards.
        boards: usize,
        /// Zones of the table.
        count: usize,
    },
    /// A board resists.
    #[error(transparent)]
    NotSettled(#[from] NotSettled),
}

impl From<std::convert::Infallible> for ForecastError {
    fn from(never: std::convert::Infallible) -> Self {
        match never {}
    }
}

/// No margin is told as greater, so that one against nothing is still a number.
const MOST_MARGIN: f64 = 1000.0;

/// The share of the level over which a margin's slope is taken.
const SLOPE_SHARE: f64 = 0.01;

/// Reckons a load through over its `boards`, one course for each set of zones.
///
/// Parts whose loss is unseen are found in closed form.
///
/// # Errors
/// [`ForecastError`] for a question that cannot be answered.
pub fn forecast(question: &Question<'_>, boards: &Boards) -> Result<Forecast, ForecastError> {
    check(question, boards)?;
    let sides = Sides::of(question, boards);
    let level = |open, zones: &ZoneMatrix| operating_point(question.table, open, zones).level(question.tap);
    let courses = question
        .sets
        .iter()
        .map(|open| Course {
            open: *open,
            points: boards.along.iter().map(|board| (board.fraction, sides.expected(board, *open))).collect(),
            sealed: level(*open, &boards.covered),
            bare: level(*open, &boards.bare),
        })
        .collect();
    Ok(Forecast {
        courses,
        parts: question.card.map_or(vec![], |card| card.parts.iter().map(|part| part.name.clone()).collect()),
        unseen: question.card.map_or(vec![], |card| unseen(question, card)),
    })
}

/// The zones that a rectangle lies on, to the least part.
pub fn zones_under(table: &Table, rect: &Rect) -> ZoneSet {
    let meets = |zone: &Rect| {
        zone.low.x < rect.high.x && rect.low.x < zone.high.x && zone.low.y < rect.high.y && rect.low.y < zone.high.y
    };
    (0..=u8::MAX)
        .zip(&table.plenum.zones)
        .filter(|(_, zone)| zone.rects.iter().any(meets))
        .map(|(place, _)| ZoneId(place))
        .collect()
}

fn check(question: &Question<'_>, boards: &Boards) -> Result<(), ForecastError> {
    if question.sets.is_empty() {
        return Err(ForecastError::NoSets);
    }
    let (count, boards) = (question.table.plenum.zones.len(), boards.bare.count());
    if boards != count {
        return Err(ForecastError::OtherTable { boards, count });
    }
    let unknown = question.sets.iter().flat_map(|set| set.iter()).find(|zone| usize::from(zone.0) >= count);
    unknown.map_or(Ok(()), |zone| Err(ForecastError::UnknownZone { zone, count }))
}

/// The table as it is thought to be, and with its pump as weak and as strong as it may be.
struct Sides<'a> {
    question: &'a Question<'a>,
    /// The board before the first cut.
    uncut: Option<&'a ZoneMatrix>,
    /// The same with a ragged rim as far in as it may be.
    drawn_in: Option<&'a ZoneMatrix>,
    weak: Table,
    strong: Table,
}

impl<'a> Sides<'a> {
    fn of(question: &'a Question<'a>, boards: &'a Boards) -> Self {
        let worn = |factor: f64| {
            let mut table = question.table.clone();
            table.pump.wear *= factor;
            table
        };
        let ratio = question.spread.pump;
        let uncut = boards.along.first().map(|board| &board.zones);
        Sides { question, uncut, drawn_in: boards.drawn_in.as_ref(), weak: worn(1.0 / ratio), strong: worn(ratio) }
    }

    fn expected(&self, board: &Board, open: ZoneSet) -> Expected {
        let Question { table, tap, spread, .. } = *self.question;
        let zones = &board.zones;
        let balance = operating_point(table, open, zones);
        let mid = balance.level(tap);
        let level = |table: &Table, zones: &ZoneMatrix| operating_point(table, open, zones).level(tap);
        let kerfs = |factor: f64| zones.with_share(factor - 1.0, zones, self.uncut.unwrap_or(zones));
        // A rim that lies farther out than told lowers the level by as much less as one that lies farther in lowers it more.
        let rim = self.drawn_in.map_or(Vacuum::ZERO, |drawn_in| {
            let zones = zones.with_share(1.0, drawn_in, self.uncut.unwrap_or(drawn_in));
            mid - level(table, &zones).min(mid)
        });
        let lower = [
            level(table, &zones.scaled(spread.board)),
            level(table, &kerfs(spread.kerf)),
            level(&self.weak, zones),
            mid - spread.gauge,
            mid - rim,
        ];
        let higher = [
            level(table, &zones.scaled(1.0 / spread.board)),
            level(table, &kerfs(1.0 / spread.kerf)),
            level(&self.strong, zones),
            mid + spread.gauge,
            mid + rim,
        ];
        let low = (mid - together(mid, &lower)).max(Vacuum::ZERO);
        Expected {
            low,
            mid,
            high: mid + together(mid, &higher),
            weakest: self.weakest(board, open, &balance),
            smallest_visible_leak: leak_to_reach(table, open, zones, tap, low),
            flow: balance.free_air(),
        }
    }

    fn weakest(&self, board: &Board, open: ZoneSet, balance: &OperatingPoint) -> Option<Weakest> {
        let card = self.question.card?;
        let acting = Acting::of(card);
        let room = balance.field_room;
        let weakness = |part: PartId, grip: &Grip, potentials: &[PressureSquared]| {
            let force = grip.force(potentials, room);
            let shape = card.parts.get(part.0 as usize)?;
            Some((force, Footing::of(card, shape, force).margins(&acting).least().min(MOST_MARGIN)))
        };
        let weak = |(part, grip): &'_ (PartId, Grip)| {
            weakness(*part, grip, &balance.potentials).map(|(force, margin)| (*part, force, margin))
        };
        let (grip, (part, force, margin)) = board
            .at_risk
            .iter()
            .filter_map(|risk| Some((&risk.1, weak(risk)?)))
            .min_by(|(_, (_, _, one)), (_, (_, _, other))| one.total_cmp(other))?;
        let Question { table, tap, .. } = *self.question;
        let level = balance.level(tap);
        let shallower = potentials_at(table, open, &board.zones, tap, level * (1.0 - SLOPE_SHARE));
        let (_, less) = weakness(part, grip, &shallower)?;
        let apart = level.pascals() * SLOPE_SHARE;
        let margin_per_pascal = if apart > 0.0 { (margin - less) / apart } else { 0.0 };
        Some(Weakest { part, margin, force, margin_per_pascal })
    }
}

/// Independent deviations from `mid` taken together, as the root of the sum of their squares.
fn together(mid: Vacuum, levels: &[Vacuum]) -> Vacuum {
    let squares: f64 = levels.iter().map(|level| (*level - mid).pascals().powi(2)).sum();
    Vacuum::from_pascals(squares.sqrt())
}

/// The parts whose loss at the end of the cut, with the first set of zones open, moves the gauge less than it can show.
fn unseen(question: &Question<'_>, card: &Card) -> Vec<PartId> {
    let Some(open) = question.sets.first() else { return vec![] };
    let form =
        ClosedForm::condense(question.table, &Cut::of(card).load(Progress::from_fraction(1.0)).beside(question.beside));
    let level = |zones: &ZoneMatrix| operating_point(question.table, *open, zones).level(question.tap);
    let whole = level(form.zones());
    (0..)
        .map(PartId)
        .zip(&card.parts)
        .filter(|(_, part)| part.held == HowHeld::Vacuum)
        .map(|(id, _)| id)
        .filter(|id| whole.distance(level(&form.without(*id))) < question.spread.visible)
        .collect()
}
