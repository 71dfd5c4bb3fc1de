//! What is kept of the board that lies there from its first sheet to its last: where it was cut, what its sheets leaked, how long the
//! pump ran, what the filter took.
//!
//! Sheets are only ever compared with others since the same care: each deed begins a new list. Everything here is small, since it is
//! written down with the program's state every few minutes and after every sheet.

use serde::{Deserialize, Serialize};

use super::causes::{Causes, Lie, SheetLeak};
use super::scars::{Face, Scars};
use super::{Deed, Terms, Trace};
use crate::moment::{Span, Utc};
use crate::stats::median;
use crate::table::{Board, Kerf, Layer};
use crate::units::{Length, SquareConductance, Vacuum};

/// The book of one board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Book {
    scars: Scars,
    leaks: Leaks,
    /// The newest sheet that was compared.
    newest: Option<Trace>,
    /// Sheets that ended on this board, and of these the ones of which nobody knows where they were cut.
    sheets: u64,
    uncharted: u64,
    skims: u32,
    /// The board's thickness as the setup has it, and what was skimmed off since it was written there.
    thickness: Length,
    taken_off: Length,
    pump: PumpClock,
    /// The latest few: pressures over the filter in pascals, margins, parts, levels in pascals, pump time in seconds.
    filter: Latest,
    margins: Latest,
    parts: Latest,
    levels: Latest,
    pumped: Latest,
    /// When the first and the last sheet ended that have a calendar time, in microseconds, and how many these are.
    days: Option<(i64, i64, u64)>,
}

/// How long the pump has run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PumpClock {
    /// Since this program first watched it.
    pub whole: Span,
    /// Since the filter was changed.
    pub since_filter: Span,
    /// Since it was serviced.
    pub since_service: Span,
    /// Since the last sheet ended.
    since_sheet: Span,
}

/// What has been done by a sheet's end.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SheetEnd {
    /// When.
    pub at: Option<Utc>,
    /// The least margin while it was cut.
    pub margin: Option<f64>,
    /// Its parts, if a card tells them.
    pub parts: Option<usize>,
    /// Whether it is known where it was cut.
    pub charted: bool,
}

/// The newest few numbers of a kind.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Latest(Vec<f32>);

impl Latest {
    const MOST: usize = 9;

    fn push(&mut self, value: f64) {
        if value.is_finite() {
            if self.0.len() == Self::MOST {
                self.0.remove(0);
            }
            self.0.push(value as f32);
        }
    }

    fn keep_last(&mut self, count: usize) {
        self.0.drain(..self.0.len().saturating_sub(count));
    }

    fn middle(&self) -> Option<f64> {
        median(&self.0.iter().map(|value| f64::from(*value)).collect::<Vec<_>>())
    }
}

/// What sheets leaked since the last care, and how they lay: most lie like one before.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Leaks {
    lies: Vec<Lie>,
    /// The place of its lie, what was expected, measured and its standard error, in m³/(s·Pa).
    sheets: Vec<(u8, f32, f32, f32)>,
}

impl Leaks {
    /// Sheets that are kept.
    const MOST: usize = 60;

    fn push(&mut self, leak: SheetLeak) {
        let place = self.lies.iter().position(|lie| *lie == leak.lie).unwrap_or_else(|| {
            self.lies.push(leak.lie);
            self.lies.len() - 1
        });
        let number = |conductance: SquareConductance| conductance.m3_per_s_pa() as f32;
        let numbers = (number(leak.expected), number(leak.measured), number(leak.spread));
        self.sheets.push((u8::try_from(place).unwrap_or(u8::MAX), numbers.0, numbers.1, numbers.2));
        self.keep_last(Self::MOST);
    }

    /// Keeps the newest sheets, and only the lies that one of them lay in.
    fn keep_last(&mut self, count: usize) {
        self.sheets.drain(..self.sheets.len().saturating_sub(count));
        let used: Vec<usize> = (0..self.lies.len())
            .filter(|place| self.sheets.iter().any(|sheet| usize::from(sheet.0) == *place))
            .collect();
        if used.len() == self.lies.len() {
            return;
        }
        self.lies = used.iter().map(|place| self.lies[*place].clone()).collect();
        for sheet in &mut self.sheets {
            let place = used.iter().position(|place| *place == usize::from(sheet.0)).unwrap_or(0);
            sheet.0 = u8::try_from(place).unwrap_or(u8::MAX);
        }
    }

    fn all(&self) -> Vec<SheetLeak> {
        let conductance = |value: f32| SquareConductance::from_m3_per_s_pa(f64::from(value));
        let leak = |(place, expected, measured, spread): &(u8, f32, f32, f32)| {
            Some(SheetLeak {
                expected: conductance(*expected),
                measured: conductance(*measured),
                spread: conductance(*spread),
                lie: self.lies.get(usize::from(*place))?.clone(),
            })
        };
        self.sheets.iter().filter_map(leak).collect()
    }
}

impl Default for Book {
    fn default() -> Self {
        Book {
            scars: Scars::none(Length::ZERO, Length::ZERO),
            leaks: Leaks::default(),
            newest: None,
            sheets: 0,
            uncharted: 0,
            skims: 0,
            thickness: Length::ZERO,
            taken_off: Length::ZERO,
            pump: PumpClock::default(),
            filter: Latest::default(),
            margins: Latest::default(),
            parts: Latest::default(),
            levels: Latest::default(),
            pumped: Latest::default(),
            days: None,
        }
    }
}

impl Book {
    /// The book of a board as the setup has it now: another size is another board, another thickness takes the place of what was
    /// reckoned.
    pub fn open(&mut self, board: &Board) {
        if !self.scars.fits(board.length, board.width) {
            self.scars = Scars::none(board.length, board.width);
        }
        let thickness = thickness(board);
        if (thickness - self.thickness).millimetres().abs() > 1e-6 {
            (self.thickness, self.taken_off) = (thickness, Length::ZERO);
        }
    }

    /// The pump ran for a while.
    pub fn pumped(&mut self, span: Span) {
        let clocks = [
            &mut self.pump.whole,
            &mut self.pump.since_filter,
            &mut self.pump.since_service,
            &mut self.pump.since_sheet,
        ];
        clocks.into_iter().for_each(|clock| *clock = clock.and(span));
    }

    /// A sheet seated and was compared, at this level; what it leaked where its card says how it lies.
    pub fn seated(&mut self, trace: Trace, level: Vacuum, leak: Option<SheetLeak>) {
        self.newest = Some(trace);
        self.levels.push(level.pascals());
        if let Some(leak) = leak {
            self.leaks.push(leak);
        }
    }

    /// Kerfs went into the board.
    pub fn cut(&mut self, kerfs: &[Kerf], depth: Length) {
        self.scars.add(kerfs, depth);
    }

    /// A sheet ended.
    pub fn ended(&mut self, end: SheetEnd) {
        self.sheets += 1;
        self.uncharted += u64::from(!end.charted);
        end.margin.into_iter().for_each(|margin| self.margins.push(margin));
        end.parts.into_iter().for_each(|parts| self.parts.push(parts as f64));
        self.pumped.push(std::mem::take(&mut self.pump.since_sheet).secs_f64());
        if let Some(at) = end.at.map(Utc::micros) {
            let (first, _, count) = self.days.unwrap_or((at, at, 0));
            self.days = Some((first, at, count + 1));
        }
    }

    /// The pressure over the filter was read while a sheet lay there.
    pub fn filter_took(&mut self, drop: Vacuum) {
        self.filter.push(drop.pascals());
    }

    /// Something was done, before the newest so many sheets were compared.
    pub fn did(&mut self, deed: Deed, depth: Option<Length>, terms: &Terms, sheets: u64) {
        let kept = usize::try_from(sheets).unwrap_or(usize::MAX);
        self.leaks.keep_last(kept);
        if sheets == 0 {
            self.newest = None;
        }
        match deed {
            Deed::Skimmed => {
                let depth = depth.unwrap_or(terms.skim_depth());
                self.scars.skim(depth);
                // A worn face's margins and levels say nothing of a fresh one's.
                self.margins.keep_last(kept);
                self.levels.keep_last(kept);
                self.skims += 1;
                self.uncharted = 0;
                self.taken_off = self.taken_off + depth;
            }
            Deed::Sealed => {}
            Deed::FilterChanged => {
                self.filter = Latest::default();
                self.pump.since_filter = Span::ZERO;
            }
            Deed::BoardChanged => {
                let pump = self.pump;
                let (filter, parts, pumped) = (self.filter.clone(), self.parts.clone(), self.pumped.clone());
                let scars = self.scars.fresh();
                *self = Book {
                    scars,
                    pump,
                    filter,
                    parts,
                    pumped,
                    days: self.days,
                    thickness: self.thickness,
                    ..Book::default()
                };
            }
            Deed::PumpServiced => self.pump.since_service = Span::ZERO,
        }
    }

    /// The causes behind the leaks since the last care.
    pub fn causes(&self) -> Option<Causes> {
        Causes::of(&self.leaks.all())
    }

    /// Takes over what only a running program counts: the pump's time and the filter's pressure.
    pub fn take_pump_of(&mut self, live: &Book) {
        (self.pump, self.filter, self.pumped) = (live.pump, live.filter.clone(), live.pumped.clone());
    }

    /// How far was cut since the last skim.
    pub fn cut_so_far(&self) -> Length {
        self.scars.cut()
    }

    /// How the face stands.
    pub fn face(&self) -> Face {
        self.scars.face()
    }

    /// The scars themselves.
    pub fn scars(&self) -> &Scars {
        &self.scars
    }

    /// What the newest sheet leaked; `None` before the first since the last care.
    pub fn newest(&self) -> Option<Trace> {
        self.newest
    }

    /// Sheets on this board, and those since the last skim of which nobody knows where they were cut.
    pub fn sheets(&self) -> (u64, u64) {
        (self.sheets, self.uncharted)
    }

    /// Skims of this board.
    pub fn skims(&self) -> u32 {
        self.skims
    }

    /// What is left of the board's thickness.
    pub fn thickness(&self) -> Length {
        self.thickness - self.taken_off
    }

    /// How long the pump has run.
    pub fn pump(&self) -> PumpClock {
        self.pump
    }

    /// The pressure over the filter, the median of the latest.
    pub fn filter_drop(&self) -> Option<Vacuum> {
        self.filter.middle().map(Vacuum::from_pascals)
    }

    /// The least margin of the latest sheets in the middle of them.
    pub fn margin(&self) -> Option<f64> {
        self.margins.middle()
    }

    /// Parts of a sheet, likewise.
    pub fn parts(&self) -> Option<f64> {
        self.parts.middle()
    }

    /// The level at which sheets seat, likewise.
    pub fn level(&self) -> Option<Vacuum> {
        self.levels.middle().map(Vacuum::from_pascals)
    }

    /// How long the pump runs for a sheet, likewise.
    pub fn pump_a_sheet(&self) -> Option<Span> {
        self.pumped.middle().map(Span::from_secs_f64)
    }

    /// Sheets in a day of the calendar; none if they were counted for less than a day.
    pub fn sheets_a_day(&self) -> Option<f64> {
        let (first, last, count) = self.days?;
        let days = (last - first) as f64 / 86_400e6;
        (days >= 1.0).then(|| count as f64 / days)
    }
}

/// A board's thickness, all layers together.
pub fn thickness(board: &Board) -> Length {
    board.layers.iter().map(|layer: &Layer| layer.thickness).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Steady;
    use crate::units::Area;

    fn leak(beside: f64, measured: f64) -> SheetLeak {
        let conductance = SquareConductance::from_m3_per_s_pa;
        let lie = Lie {
            covered: Area::from_square_metres(1.0),
            sides: [Length::from_metres(beside), Length::ZERO, Length::ZERO, Length::ZERO],
            seams: Vec::new(),
        };
        SheetLeak { expected: conductance(1e-8), measured: conductance(measured), spread: conductance(1e-10), lie }
    }

    fn seat(book: &mut Book, leak: SheetLeak) {
        let trace = Trace { at: Steady::default(), leak_index: 1.0, spread: 0.1 };
        book.seated(trace, Vacuum::from_pascals(3e4), Some(leak));
    }

    #[test]
    fn lies_that_no_sheet_lay_in_any_more_are_dropped_and_the_others_stay_with_theirs() {
        let mut book = Book::default();
        for sheet in 0..70 {
            let beside = if sheet < 10 { 5.0 } else { f64::from(sheet % 2) };
            seat(&mut book, leak(beside, 1e-8 * f64::from(1 + sheet % 2)));
        }
        assert_eq!((book.leaks.sheets.len(), book.leaks.lies.len()), (60, 2));
        for leak in book.leaks.all() {
            let expected = 1e-8 * (1.0 + leak.lie.sides[0].metres());
            assert!((leak.measured.m3_per_s_pa() / expected - 1.0).abs() < 1e-6, "{leak:?}");
        }
        book.did(Deed::FilterChanged, None, &Terms::default(), 7);
        assert_eq!(book.leaks.sheets.len(), 7);
        book.did(Deed::Sealed, None, &Terms::default(), 0);
        assert_eq!((book.leaks.clone(), book.newest()), (Leaks::default(), None));
    }

    /// By hand: a skim takes its depth from the scars and the thickness, a new board everything but the pump's hours.
    #[test]
    fn a_skim_a_filter_and_a_board_reset_what_they_renew_and_nothing_else() {
        let mut book = Book::default();
        let mm = Length::from_millimetres;
        book.scars = Scars::none(mm(1000.0), mm(500.0));
        book.thickness = mm(18.0);
        book.cut(
            &[Kerf {
                width: mm(6.0),
                path: vec![
                    crate::table::Point { x: mm(100.0), y: mm(100.0) },
                    crate::table::Point { x: mm(400.0), y: mm(100.0) },
                ],
            }],
            mm(0.8),
        );
        book.pumped(Span::from_secs(3600));
        book.filter_took(Vacuum::from_pascals(2000.0));
        book.ended(SheetEnd { at: None, margin: Some(2.0), parts: Some(4), charted: false });
        book.did(Deed::Skimmed, Some(mm(0.5)), &Terms::default(), 0);
        assert_eq!((book.margin(), book.parts()), (None, Some(4.0)), "a worn face's margin is not the fresh one's");
        assert!((book.face().worst.unwrap().0.millimetres() - 0.3).abs() < 1e-9);
        assert!((book.thickness().millimetres() - 17.5).abs() < 1e-9);
        assert_eq!((book.skims(), book.sheets()), (1, (1, 0)));
        book.did(Deed::FilterChanged, None, &Terms::default(), 0);
        assert_eq!((book.filter_drop(), book.pump().since_filter), (None, Span::ZERO));
        assert_eq!(book.pump().since_service, Span::from_secs(3600));
        book.did(Deed::BoardChanged, None, &Terms::default(), 0);
        assert_eq!((book.face(), book.sheets(), book.skims()), (Face::default(), (0, 0), 0));
        assert_eq!(book.pump().whole, Span::from_secs(3600));
        assert!((book.thickness().millimetres() - 18.0).abs() < 1e-9 && book.scars.fits(mm(1000.0), mm(500.0)));
    }
}
