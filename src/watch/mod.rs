//! Live level against expected level: residual, leak detection, likely cause, verdict.
//!
//! [`Watch`] takes one [`Sample`] for each reading and gives one [`Assessment`]. It is quiet while people load a sheet,
//! press it down, blow off and unload, and looks for a loss only from a level that had settled, or while it is told that
//! the machine cuts.
//!
//! Two things are judged apart. Where the level is, against the band expected and, once a cut is under way, against where it was with
//! regard to the model some twenty seconds ago: slow, and good for weak pumps, rims, hoses that work loose and sheets that never
//! seated; the word is *weak*. How the level moves, against what the model has been wrong by so far: fast, and blind to anything
//! smaller than the model's own error; the word is *loose*. A single small part that comes loose moves the gauge by less than that,
//! and stays unseen.

mod allowance;
mod assessment;
mod baseline;
mod detector;
mod judge;
mod recent;
mod sample;
mod settings;
mod stand;

pub use assessment::{Assessment, Cause, Conditions, CuttingKnown, Phase, Seated, Verdict};
pub use sample::{Basis, Ends, Nearby, Sample};
pub use settings::WatchSettings;

use serde::{Deserialize, Serialize};

use crate::expectation::Expected;
use crate::moment::{Span, Steady};
use crate::stats::{Deadband, Side};
use crate::units::{FreeAirFlow, Vacuum};
use detector::{Aim, Detector};
use recent::Recent;
use stand::{Marks, Stand};

/// How long a level must hold to be called settled, at the least.
const SETTLED_FOR: Span = Span::from_secs(2);
/// How long a sheet lies before it is said to have seated, if no cut begins sooner.
const SEATED_FOR: Span = Span::from_secs(5);
/// How long a level must hold before cutting is guessed from it.
const GUESSED_AFTER: Span = Span::from_secs(20);
/// How long a guessed cut's loss is watched, lest it be an unloading: at least, and at most while the level still moves.
const UNLOADING_FOR: (Span, Span) = (Span::from_secs(3), Span::from_secs(10));
/// How long a zone's valve travels.
const VALVE_TRAVEL: Span = Span::from_millis(500);
/// After so many lags a step has come to rest.
const LAGS_TO_REST: f64 = 5.0;
/// The share of the level below which a fall is a collapse whatever else goes on.
const COLLAPSED: f64 = 0.5;

/// Watches one table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    settings: WatchSettings,
    stand: Stand,
    recent: Recent,
    detector: Detector,
    sheet: Option<Sheet>,
    cutting: CuttingKnown,
    loss: Loss,
    blank_until: Option<Steady>,
    zones_moved: bool,
    /// By how much the expected level moved when zones were last opened or closed.
    moved_by: f64,
    /// Whether the sheet was moved, uncut, since its level was last compared with the band.
    moved: bool,
    /// What the last sample was compared with, and whether that followed the kerf.
    compared: Option<(Basis, bool)>,
    last_mid: Option<f64>,
    last_live: Option<Steady>,
    low: Deadband,
    /// How far below what is expected the level was called low: a band that widens as the cut goes on does not mend it.
    low_gap: Option<f64>,
    high: Deadband,
    thin: Deadband,
    margin: Option<f64>,
    /// The level of the bare table as a share of what it should be, when last seen.
    bare_share: Option<f64>,
    collapsed_since: Option<Steady>,
    conditions: Conditions,
    phase: Phase,
    /// Whether a level was compared with the band since the pump came on, or since anybody watched.
    judged: bool,
}

/// The sheet on the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Sheet {
    /// Since when it has lain settled; `None` if it is cut without having seated.
    settled: Option<Steady>,
    /// Whether its seating was reported.
    reported: bool,
    /// Whether its level was inside the band when it was reported.
    in_band: bool,
}

/// How far the search for a loss has come.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
enum Loss {
    None,
    /// The level fell, and it may be an unloading.
    Suspected(Steady),
    /// It lasts until the level is back or the sheet is gone, whether the machine cuts or has been stopped because of it.
    Found {
        pump: bool,
        before: Option<Before>,
        /// Since when the level has been back.
        back: Option<Steady>,
    },
}

/// Where the level was before a loss.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Before {
    /// In pascals.
    level: f64,
    /// Whether what it was compared with followed the kerf.
    kerf_known: bool,
}

/// What is worked out of one live reading.
struct Look<'a> {
    sample: &'a Sample<'a>,
    level: f64,
    marks: Marks,
    settled: bool,
    blank: bool,
    cutting: CuttingKnown,
}

impl Watch {
    /// A watch that has seen nothing yet.
    pub fn new(settings: WatchSettings) -> Self {
        let span = longest([SETTLED_FOR, settings.lag.times(4.0), settings.interval.times(5.0)]);
        Watch {
            settings,
            stand: Stand::Off,
            recent: Recent::new(span),
            detector: Detector::new(&settings),
            sheet: None,
            cutting: CuttingKnown::No,
            loss: Loss::None,
            blank_until: None,
            zones_moved: false,
            moved_by: 0.0,
            moved: false,
            compared: None,
            last_mid: None,
            last_live: None,
            low: Deadband::new(Side::Low),
            low_gap: None,
            high: Deadband::new(Side::High),
            thin: Deadband::new(Side::Low),
            margin: None,
            bare_share: None,
            collapsed_since: None,
            conditions: Conditions::default(),
            phase: Phase::Off,
            judged: false,
        }
    }

    /// Zones were opened or closed: the level may change until the plenum has followed, and the next sample brings the new
    /// expectation.
    pub fn zones_changed(&mut self, at: Steady) {
        self.blank_until = Some(at.plus(VALVE_TRAVEL).plus(self.settings.lag.times(LAGS_TO_REST)));
        self.zones_moved = true;
        self.moved_by = 0.0;
    }

    /// The sheet on the table is done with, though the level does not show it: another end of the table has its turn. Whether there was
    /// one.
    pub fn next_sheet(&mut self) -> bool {
        self.loss = Loss::None;
        self.detector.forget();
        self.sheet.take().is_some()
    }

    /// Another job was told, or none: what the model is wrong by is to be learned anew.
    pub fn job_changed(&mut self, at: Steady) {
        self.detector.forget();
        self.low_gap = None;
        self.last_mid = None;
        self.margin = None;
        if let Some(sheet) = self.sheet.as_mut().filter(|_| self.cutting == CuttingKnown::No) {
            sheet.settled = sheet.settled.map(|_| at);
            sheet.reported = false;
        }
    }

    /// The sheet is off the table, as told: what was found of it is over, and whatever lies there is looked at anew.
    pub fn sheet_gone(&mut self, at: Steady) {
        self.job_changed(at);
        self.loss = Loss::None;
        self.collapsed_since = None;
        self.cutting = CuttingKnown::No;
        [&mut self.low, &mut self.high, &mut self.thin].into_iter().for_each(Deadband::clear);
        self.conditions = Conditions { no_reading: self.conditions.no_reading, ..Conditions::default() };
        if let Some(sheet) = &mut self.sheet {
            *sheet = Sheet { settled: sheet.settled.map(|_| at), reported: false, in_band: false };
        }
    }

    /// Time passed in which nothing was watched: what was known from one reading to the next, and how far the level was from the model,
    /// is to be learned anew, so that what happened meanwhile is no sudden loss. Where the level is now is judged as ever.
    pub fn interrupt(&mut self) {
        self.recent.clear();
        self.detector.forget();
        self.low_gap = None;
        self.last_live = None;
        self.blank_until = None;
        self.collapsed_since = None;
        self.judged = false;
        self.loss = match self.loss {
            Loss::None | Loss::Suspected(_) => Loss::None,
            Loss::Found { pump, before, .. } => Loss::Found { pump, before, back: None },
        };
        if let Some(sheet) = &mut self.sheet {
            sheet.settled = None;
        }
    }

    /// Judges one reading.
    pub fn assess(&mut self, sample: &Sample<'_>) -> Assessment {
        match sample.live.map(Vacuum::pascals).filter(|level| level.is_finite()) {
            Some(level) => self.assess_live(sample, level),
            None => self.assess_blind(sample.at),
        }
    }

    /// Without a reading nothing is known to have become better, so every other condition stays as it was.
    fn assess_blind(&mut self, at: Steady) -> Assessment {
        self.conditions.no_reading = true;
        Assessment {
            at,
            phase: self.phase,
            cutting: self.cutting,
            verdict: Verdict::Blind,
            conditions: self.conditions,
            cause: Some(Cause::GaugeOrLine),
            residual: None,
            extra_leak: None,
            sheet_started: false,
            seated: None,
            sheet_ended: false,
        }
    }

    fn assess_live(&mut self, sample: &Sample<'_>, level: f64) -> Assessment {
        if self.last_live.is_some_and(|last| sample.at.since(last) > self.longest_gap()) {
            self.recent.clear();
            // Kerf that was cut unseen and uncounted is no loss.
            if sample.kerf_known() { self.detector.pause() } else { self.detector.forget() }
        }
        let elapsed = self.last_live.map_or(Span::ZERO, |last| sample.at.since(last));
        self.last_live = Some(sample.at);
        self.recent.push(sample.at, level);
        self.follow_expectation(sample);
        let marks = Marks::between(sample.ends);
        let settled = self.recent.is_settled(self.detector.deviation());
        let before = self.stand;
        self.stand = self.stand.next(level, settled, marks, sample.cutting == Some(true));
        if before == Stand::Off && self.stand != Stand::Off {
            self.blank(sample.at);
        }
        self.judged &= self.stand != Stand::Off;
        self.remember_bare(sample, level, settled);
        let blank = sample.unsettled.is_some() || self.blank_until.is_some_and(|end| sample.at < end);
        let look = Look { sample, level, marks, settled, blank, cutting: self.known_cutting(sample) };
        let turn = self.turn_sheet(&look);
        let seated = self.report_seated(&look);
        self.judge_level(&look);
        self.judge_loss(&look);
        self.judge_margin(&look, elapsed);
        self.conclude(&look, turn, seated)
    }

    fn longest_gap(&self) -> Span {
        longest([self.settings.lag.times(LAGS_TO_REST), self.settings.interval.times(3.0)])
    }

    fn blank(&mut self, at: Steady) {
        let end = at.plus(self.settings.lag.times(LAGS_TO_REST));
        self.blank_until = Some(self.blank_until.map_or(end, |earlier| earlier.max(end)));
    }

    /// Tells the detector of jumps of the expectation that no kerf makes.
    fn follow_expectation(&mut self, sample: &Sample<'_>) {
        let compared = sample.expected.map(|_| (sample.basis, sample.kerf_known()));
        let mid = sample.expected.map(|expected| expected.mid.pascals());
        if self.compared != compared {
            self.detector.forget();
            self.low_gap = None;
        } else if let (true, Some(now), Some(before)) = (self.zones_moved, mid, self.last_mid) {
            self.moved_by = now - before;
            self.detector.zones_changed(now - before);
            self.low_gap = None;
        }
        self.compared = compared;
        self.last_mid = mid;
        self.zones_moved = false;
    }

    /// What a bare table reaches says how strong the pump is, if its zones lie bare.
    fn remember_bare(&mut self, sample: &Sample<'_>, level: f64, settled: bool) {
        if let (Stand::Handling, true, Some(ends)) = (self.stand, settled, sample.ends) {
            self.bare_share = (ends.bare > Vacuum::ZERO).then(|| level / ends.bare.pascals());
        }
    }

    /// Whether the machine cuts: as told, or guessed from a sheet that has lain settled, or whose cut goes on.
    fn known_cutting(&self, sample: &Sample<'_>) -> CuttingKnown {
        let lain = self.sheet.and_then(|sheet| sheet.settled).map(|since| sample.at.since(since));
        let guess = self.cutting == CuttingKnown::Guessed || lain.is_some_and(|lain| lain >= GUESSED_AFTER);
        match sample.cutting {
            Some(true) => CuttingKnown::Told,
            Some(false) => CuttingKnown::No,
            None if guess && self.stand == Stand::Seated && sample.ends.is_some() => CuttingKnown::Guessed,
            None => CuttingKnown::No,
        }
    }

    /// Whether a sheet has begun, and whether one has ended.
    fn turn_sheet(&mut self, look: &Look<'_>) -> (bool, bool) {
        let at = look.sample.at;
        if look.cutting == CuttingKnown::No && matches!(self.loss, Loss::Suspected(_)) {
            self.loss = Loss::None;
        }
        self.cutting = look.cutting;
        let lies = self.stand == Stand::Seated;
        let cut = look.cutting == CuttingKnown::Told;
        match &mut self.sheet {
            Some(sheet) if lies || cut => {
                if lies && sheet.settled.is_none() {
                    sheet.settled = Some(at);
                }
                (false, false)
            }
            Some(_) => {
                self.sheet = None;
                self.loss = Loss::None;
                self.detector.forget();
                (false, true)
            }
            None if lies || cut => {
                self.detector.forget();
                self.sheet = Some(Sheet { settled: lies.then_some(at), reported: false, in_band: false });
                (true, false)
            }
            None => (false, false),
        }
    }

    fn report_seated(&mut self, look: &Look<'_>) -> Option<Seated> {
        let at = look.sample.at;
        let level = self.recent.mean()?;
        let sheet = self.sheet.as_mut().filter(|sheet| !sheet.reported)?;
        let lain = at.since(sheet.settled?);
        if !look.settled || (lain < SEATED_FOR && look.cutting == CuttingKnown::No) {
            return None;
        }
        let expected = look.sample.expected;
        let spread = self.detector.deviation_of_mean(self.recent.len() as f64);
        sheet.reported = true;
        sheet.in_band = expected.is_none_or(|expected| level >= expected.low.pascals());
        Some(Seated {
            at,
            level: Vacuum::from_pascals(level),
            spread: Vacuum::from_pascals(spread),
            expected: expected.map(|expected| (look.sample.basis, expected.mid)),
            extra_leak: expected.and_then(|expected| {
                Some((leak_for(expected, expected.mid.pascals() - level)?, leak_for(expected, spread)?))
            }),
            expected_flow: expected.map(|expected| expected.flow),
            in_band: sheet.in_band && expected.is_none_or(|expected| level <= expected.high.pascals()),
        })
    }
}

impl Look<'_> {
    /// What the detector compares with; without an expectation, the level is compared with itself.
    fn aim(&self) -> Aim {
        let Sample { at, expected, nearby, .. } = *self.sample;
        let mid = expected.map_or(0.0, |expected| expected.mid.pascals());
        let nearby = nearby.filter(|_| expected.is_some());
        Aim {
            at,
            kerf_known: self.sample.kerf_known(),
            mid,
            beside: nearby.map_or([0.0; 4], |nearby| nearby.levels.map(|level| level.pascals() - mid)),
            outline: nearby.map_or(0.0, |nearby| nearby.outline.pascals()),
        }
    }
}

/// The leak that explains so many lost pascals, by the slope that the smallest visible leak gives.
fn leak_for(expected: &Expected, lost: f64) -> Option<FreeAirFlow> {
    let room = (expected.mid - expected.low).pascals();
    (room > 0.0).then(|| expected.smallest_visible_leak * (lost / room))
}

fn longest<const N: usize>(spans: [Span; N]) -> Span {
    spans.into_iter().fold(Span::ZERO, Span::max)
}
