//! The board as it is followed from sheet to sheet: where it was cut, what it leaked and why, how long the pump ran, and what all of that
//! asks for.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Minder;
use super::likes::count_tools;
use crate::board::causes::{Causes, Lie, Part, SheetLeak};
use crate::board::sealing::Bead;
use crate::board::survey::Side;
use crate::board::{Ask, CareAhead, Deed, Figure, Jump, Outlook, SealGain, SheetEnd, Told, Trace, likely};
use crate::event::{Action, Answer};
use crate::job::{Cut, Progress};
use crate::moment::{Moment, Span, Steady};
use crate::units::{Length, Vacuum};
use crate::view::{BoardDetail, BoardView, CareView, CausesView, FigureView, JumpView, Message, PartView, SealView};
use crate::watch::{Basis, CuttingKnown, Phase, Seated};

/// The longest time between two readings over which the pump is taken to have run on.
const PUMP_GAP: Span = Span::from_secs(5);

/// What a sheet did to the board, as it is kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct BoardCut {
    /// Its number.
    pub(super) sheet: u64,
    /// How far was cut.
    pub(super) cut_m: f64,
    /// How deep into the board.
    pub(super) into_board_mm: f64,
    /// How far on this face since its last skim.
    pub(super) cut_since_skim_m: f64,
    /// Whether a card told where; without one neither length is known.
    pub(super) charted: bool,
}

impl Minder {
    /// How the board stands, reckoned anew after whatever changes it.
    pub(super) fn look_at_board(&mut self) {
        let memory = &self.memory;
        self.outlook = Some(Outlook::of(&memory.board, &memory.book, &self.setup.terms, &self.setup.table));
        self.tell_board();
    }

    /// Takes up the book of the board as the setup has it.
    pub(super) fn open_book(&mut self) {
        self.memory.board.set_limits(self.setup.terms.settings());
        self.memory.book.open(&self.setup.table.board);
        self.look_at_board();
    }

    /// Counts the pump's time from one reading to the next, and notes whether the sheet is being cut.
    pub(super) fn count_pump(&mut self, at: Steady, before: Option<Steady>) {
        let Some(assessment) = self.assessment else { return };
        self.was_cut |= assessment.cutting != CuttingKnown::No;
        let span = before.map(|before| at.since(before)).filter(|span| *span <= PUMP_GAP);
        if let Some(span) = span.filter(|_| assessment.phase != Phase::Off) {
            self.pumped = self.pumped.and(span);
        }
    }

    /// The pump's time goes into the book where the book changes anyway, so that what is told of it follows from the book alone.
    fn book_pump(&mut self) {
        self.memory.book.pumped(std::mem::take(&mut self.pumped));
    }

    /// What a seated sheet says of the board.
    pub(super) fn note_leak(&mut self, at: Moment, seated: &Seated, trace: Trace) {
        self.book_pump();
        self.memory.board.seated(trace);
        let leak = self.sheet_leak(seated);
        self.memory.book.seated(trace, seated.level, leak);
        if let Some(filter) = self.filter_view(at.steady) {
            self.memory.book.filter_took(Vacuum::from_pascals(filter.drop_pa));
        }
        self.look_at_board();
    }

    /// What it leaked and how it lies, where its own card says what to expect.
    fn sheet_leak(&self, seated: &Seated) -> Option<SheetLeak> {
        let card = &self.loaded.as_ref()?.card;
        let (basis, _) = seated.expected?;
        let table = &self.setup.table;
        let lie = Lie::of(table, self.open, &card.sheet.rect);
        (basis == Basis::Job)
            .then(|| SheetLeak::by_flows(table, seated.level, seated.expected_flow?, seated.extra_leak?, lie))?
    }

    /// What the sheet that has ended did to the board: the kerf of its card as far as the cut was told to be, all of it where nobody told,
    /// and nothing where it is known not to have been cut. A job that was chosen after the cut counts only if it has been begun itself.
    /// The name of the card by which the sheet was cut.
    pub(super) fn chart_sheet(&mut self, at: Moment, out: &mut Vec<Action>) -> Option<String> {
        self.book_pump();
        let cut = std::mem::take(&mut self.was_cut);
        let left = self.left.take();
        let usual = self.setup.terms.into_board();
        let before = self.memory.book.cut_so_far();
        let (mut deepest, mut charted, mut by) = (Length::ZERO, !cut && left.is_none(), None);
        let later = self.loaded.as_ref().filter(|job| left.is_none() || job.has_begun());
        for job in left.iter().chain(later) {
            let reached = match (job.has_begun(), cut) {
                (true, _) => job.progress,
                (false, true) => Progress::from_fraction(1.0),
                (false, false) => Progress::START,
            };
            let depth = job.card.depth_into_board().unwrap_or(usual);
            let kerfs = Cut::of(&job.card).load(reached).kerfs;
            if !kerfs.is_empty() {
                self.memory.book.cut(&kerfs, depth);
            }
            count_tools(&mut self.memory.tools, &job.card, reached);
            (deepest, charted, by) = (deepest.max(depth), true, Some(job));
        }
        let now = self.memory.book.cut_so_far();
        let body = BoardCut {
            sheet: self.memory.sheet,
            cut_m: (now - before).metres(),
            into_board_mm: deepest.millimetres(),
            cut_since_skim_m: now.metres(),
            charted,
        };
        let parts = by.map(|job| job.card.parts.len()).filter(|parts| *parts > 0);
        let name = by.map(|job| job.card.name.clone());
        self.keep_entry(at, "board-cut", &body, out);
        self.memory.book.ended(SheetEnd { at: at.civil, margin: self.worst_margin, parts, charted });
        self.look_at_board();
        name
    }

    /// What somebody tells of the board.
    pub(super) fn heed_board(&mut self, at: Moment, told: Told, out: &mut Vec<Action>) -> Answer {
        match told {
            Told::Did(deed, depth) => self.did(at, deed, depth, 0),
            Told::JumpWas(cause) => {
                let Some(jump) = self.outlook.as_ref().and_then(|outlook| outlook.jump) else {
                    return Answer::Refused("no-jump".to_owned());
                };
                match cause {
                    Some(deed) => self.did(at, deed, None, jump.sheets_ago),
                    None => self.memory.board.jump_was_nothing(),
                }
            }
            Told::FilterDrop(drop) => self.memory.book.filter_took(drop),
        }
        self.look_at_board();
        self.keep_memory(at, out);
        Answer::Done
    }

    fn did(&mut self, at: Moment, deed: Deed, depth: Option<Length>, sheets_ago: u64) {
        if deed == Deed::Skimmed {
            self.memory.skimmed_on = at.civil.or(self.memory.skimmed_on);
        }
        self.book_pump();
        self.memory.board.did_before(deed, sheets_ago);
        let compared = sheets_ago.min(self.memory.board.seen());
        self.memory.book.did(deed, depth, &self.setup.terms, compared);
    }

    pub(super) fn board_view(&self, at: Steady) -> BoardView {
        let Some(outlook) = &self.outlook else { return BoardView::default() };
        let over = outlook.asks.iter().any(|ask| matches!(ask, Ask::Filter { .. }));
        let loaded = (!over && self.filter_is_loaded(at)).then(|| Message::new("prompt-filter"));
        BoardView {
            leak_index: outlook.leak_index,
            sheets: outlook.sheets,
            skim_in_sheets: outlook.skim_due.map(|due| due.sheets),
            prompts: outlook.asks.iter().map(prompt).chain(loaded).collect(),
            jump: outlook.jump.as_ref().map(jump_view),
            detail: Arc::clone(&self.board_detail),
        }
    }

    /// Everything that is told of the board, for whoever asks for it.
    pub(super) fn tell_board(&mut self) {
        let Some(outlook) = &self.outlook else { return };
        self.board_detail = Arc::new(self.detail(outlook));
    }

    fn detail(&self, outlook: &Outlook) -> BoardDetail {
        let book = &self.memory.book;
        let hours = |span: Span| span.secs_f64() / 3600.0;
        let money = outlook.money;
        BoardDetail {
            leak_index: outlook.leak_index,
            leak_index_newest: outlook.newest.map(|trace| trace.leak_index),
            leak_index_error: outlook.newest.map(|trace| trace.spread),
            leak_index_fresh: outlook.rim_index,
            leak_index_limit: self.setup.terms.settings().skim_at,
            sheets_since_skim: outlook.sheets,
            sheets_on_board: book.sheets().0,
            sheets_uncharted: book.sheets().1,
            skims: book.skims(),
            board_left_m: book.thickness().metres(),
            cut_m: outlook.face.cut.metres(),
            scarred_share: outlook.face.share,
            worst_scar_m: outlook.face.worst.map(|(depth, _)| depth.metres()),
            worst_scar_at_m: outlook.face.worst.map(|(_, at)| [at.x.metres(), at.y.metres()]),
            most_passes: outlook.face.most_passes,
            wear_per_sheet: outlook.wear.map(|wear| wear.per_sheet),
            wear_error: outlook.wear.map(|wear| wear.error),
            skim_in_sheets: outlook.skim_due.map(|due| [due.sheets, due.interval.0, due.interval.1]),
            causes: outlook.causes.as_ref().map(causes_view),
            sealing: outlook.sealing.iter().map(seal_view).collect(),
            jump: outlook.jump.as_ref().map(jump_view),
            care: outlook.care.as_ref().map(care_view),
            prompts: outlook.asks.iter().map(prompt).collect(),
            pump_h: hours(outlook.pump.whole),
            pump_since_filter_h: hours(outlook.pump.since_filter),
            pump_since_service_h: hours(outlook.pump.since_service),
            filter_drop_pa: outlook.filter_drop.map(Vacuum::pascals),
            filter_limit_pa: self.setup.terms.filter_drop.map(Vacuum::pascals),
            energy_a_sheet: money.energy_a_sheet.map(|cost| cost.money()),
            leak_a_month: money.leak_a_month.map(|cost| cost.money()),
            board_a_sheet: money.board_a_sheet.map(|cost| cost.money()),
            tools: self.tool_views(),
        }
    }

    /// Whether something is to be done for the board, at leisure.
    pub(super) fn board_asks(&self) -> bool {
        self.outlook.as_ref().is_some_and(|outlook| outlook.asks.iter().any(Ask::is_care))
    }
}

/// The name of a side or seam, as the setup has it.
fn bead_name(bead: Bead) -> String {
    match bead {
        Bead::Side(Side::XMin) => "x_min".to_owned(),
        Bead::Side(Side::XMax) => "x_max".to_owned(),
        Bead::Side(Side::YMin) => "y_min".to_owned(),
        Bead::Side(Side::YMax) => "y_max".to_owned(),
        Bead::Seam(place) => format!("seam {}", place + 1),
        Bead::All => "all".to_owned(),
    }
}

fn prompt(ask: &Ask) -> Message {
    match *ask {
        Ask::Skim(Some(due)) if due.sheets >= 1.0 => {
            Message::new("prompt-skim").with_number("sheets", due.sheets.round())
        }
        Ask::Skim(_) => Message::new("prompt-skim-now"),
        Ask::SkimPays { waiting } => Message::new("prompt-skim-pays").with_number("waiting", waiting.money()),
        Ask::ChangeBoard { waiting } => Message::new("prompt-board-change").with_number("waiting", waiting.money()),
        Ask::Order { days } => Message::new("prompt-board-order").with_number("days", days.round()),
        Ask::Seal(Some(gain)) if gain.of != Bead::All => Message::new("prompt-seal-at")
            .with_text("where", bead_name(gain.of))
            .with_number("back_pa", gain.level.pascals())
            .with_number("back_share", gain.margin - 1.0),
        Ask::Seal(Some(gain)) => Message::new("prompt-seal")
            .with_number("back_pa", gain.level.pascals())
            .with_number("back_share", gain.margin - 1.0),
        Ask::Seal(None) => Message::new("prompt-seal"),
        Ask::Suction(part) => Message::new("prompt-suction").with_number("leak_share", part.share),
        Ask::Filter { drop, limit } => Message::new("prompt-filter-limit")
            .with_number("drop_pa", drop.pascals())
            .with_number("limit_pa", limit.pascals()),
        Ask::Service { hours } => Message::new("prompt-service").with_number("hours", hours.round()),
        Ask::Jumped(jump) => Message::new(if jump.by < 0.0 { "prompt-jump-down" } else { "prompt-jump-up" })
            .with_number("sheets", jump.sheets_ago as f64)
            .with_number("by_share", jump.by.abs()),
    }
}

fn jump_view(jump: &Jump) -> JumpView {
    JumpView { sheets_ago: jump.sheets_ago, by: jump.by, causes: likely(jump).to_vec() }
}

fn part_view(part: &Part) -> PartView {
    PartView { share: part.share, low: part.interval.0, high: part.interval.1, told: part.told }
}

fn causes_view(causes: &Causes) -> CausesView {
    CausesView {
        sheets: causes.sheets,
        face: part_view(&causes.face),
        rim: part_view(&causes.rim),
        suction: part_view(&causes.suction),
        together: part_view(&causes.together),
        beads: causes.beads.iter().map(|(bead, part)| (bead_name(*bead), part_view(part))).collect(),
    }
}

fn seal_view(gain: &SealGain) -> SealView {
    SealView {
        at: bead_name(gain.of),
        back_pa: gain.level.pascals(),
        back_low_pa: gain.interval.0.pascals(),
        back_high_pa: gain.interval.1.pascals(),
        margin_grows: gain.margin,
    }
}

fn care_view(care: &CareAhead) -> CareView {
    let figure =
        |figure: &Figure| FigureView { key: figure.key.to_owned(), value: figure.value, assumed: figure.assumed };
    CareView {
        now: care.now,
        to_care_sheets: care.to_care.map(|(soonest, latest)| [soonest, latest]),
        to_board_sheets: care.to_board.map(|(soonest, latest)| [soonest, latest]),
        waiting: care.waiting.money(),
        per_sheet: care.per_sheet.money(),
        skims_left: care.skims_left,
        order_in_days: care.order_in_days,
        figures: care.figures.iter().map(figure).collect(),
    }
}
