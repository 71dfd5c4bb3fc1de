//! From one reading to conditions, cause and word.

use super::{
    Assessment, Basis, Before, COLLAPSED, Cause, Conditions, CuttingKnown, Look, Loss, Phase, Seated, Stand,
    UNLOADING_FOR, Verdict, Watch, leak_for,
};
use crate::expectation::Expected;
use crate::moment::{Span, Steady};
use crate::units::Vacuum;

/// The deadband of levels and margins, as a share of them (2 % of the range for a pressure: common practice, no source).
const DEADBAND: f64 = 0.02;
/// The same in standard errors of the level.
const DEADBAND_ERRORS: f64 = 4.0;
/// The share of the way from bare to expected that a level keeps, if nothing is known of the kerf, before it is called low.
const KERF_UNKNOWN: f64 = 0.5;
/// How long a collapse must last, once a sheet had seated and before one has.
const COLLAPSED_FOR: Span = Span::from_millis(300);
const NEVER_SEATED_FOR: Span = Span::from_secs(3);
/// By what share of itself a computed change for other open zones may be wrong.
const CHANGE_ERROR: f64 = 0.25;
/// How long the level must be back before a loss is over.
const BACK_FOR: Span = Span::from_secs(1);
/// Readings by which a collapsing level's end is foretold.
const HEADING: usize = 8;
/// Seconds over which the margin is averaged.
const MARGIN_MEMORY_S: f64 = 2.0;
/// A bare table's level under this share of what it should be means a weak pump or a clogged filter.
const WEAK_PUMP: f64 = 0.8;
/// Up to this share of the way from bare to sealed, a low level looks like an open zone that nothing covers.
const UNCOVERED: f64 = 0.35;

impl Watch {
    /// Compares the level itself with the band.
    pub(super) fn judge_level(&mut self, look: &Look<'_>) {
        let lies = self.stand == Stand::Seated || look.cutting == CuttingKnown::Told;
        let (true, Some(expected), Some(level)) = (lies, look.sample.expected, self.recent.middle()) else {
            self.low.clear();
            self.high.clear();
            self.low_gap = None;
            return;
        };
        if look.blank || !(look.settled || look.cutting == CuttingKnown::Told) {
            self.moved |= !look.settled && look.cutting == CuttingKnown::No;
            return;
        }
        if std::mem::take(&mut self.moved) {
            // A sheet that was pressed down again lies in another way: what was said of the one before is no measure of it.
            self.low.clear();
            self.high.clear();
            self.low_gap = None;
        }
        let error = self.detector.deviation_of_mean(self.recent.len() as f64);
        let band = (DEADBAND * level.abs()).max(DEADBAND_ERRORS * error);
        let mid = expected.mid.pascals();
        let least = self.least_level(look, expected);
        let least = self.low_gap.map_or(least, |gap| least.max(mid - gap));
        let greatest = greatest_level(look, expected);
        // Half-way back to the middle is back, however narrow the band is.
        let narrow = |half: f64| band.min(0.5 * half.max(0.0));
        self.low_gap = self.low.crosses(level, least, narrow(mid - least)).then_some(mid - least);
        self.high.crosses(level, greatest, narrow(greatest - mid));
        self.judged = true;
        if let (CuttingKnown::No, Some(sheet)) = (look.cutting, &mut self.sheet) {
            sheet.in_band = sheet.reported && !self.low.is_crossed();
        }
    }

    /// The level below which it is low: the band's end, or that below which it has sagged, though in the band, if that is
    /// higher. Where the kerf's effect is unknown, a sheet that had seated well is left half of the way to a bare table.
    fn least_level(&self, look: &Look<'_>, expected: &Expected) -> f64 {
        let well_seated = self.sheet.is_some_and(|sheet| sheet.in_band) && look.cutting != CuttingKnown::No;
        if look.sample.kerf_known() || !well_seated {
            let watched = look.cutting != CuttingKnown::No && !matches!(self.loss, Loss::Found { .. });
            let sagged = self.detector.sagged_below(look.aim()).filter(|_| watched);
            return expected.low.pascals().max(sagged.unwrap_or(f64::NEG_INFINITY));
        }
        let bare = look.sample.ends.map_or(0.0, |ends| ends.bare.pascals());
        expected.low.pascals().min(bare + KERF_UNKNOWN * (expected.mid.pascals() - bare))
    }

    /// Looks for a loss while the machine cuts, and learns while it does not.
    pub(super) fn judge_loss(&mut self, look: &Look<'_>) {
        let aim = look.aim();
        if look.cutting == CuttingKnown::No || self.sheet.is_none() {
            self.collapsed_since = None;
            match self.loss {
                // Whoever held the feed because of it has not mended it yet.
                Loss::Found { pump, before, back } => self.loss = self.follow_loss(look, pump, before, back),
                Loss::None | Loss::Suspected(_) => self.rest(look),
            }
            return;
        }
        let told = look.cutting == CuttingKnown::Told;
        let collapsed = told && self.has_collapsed(look);
        let seated = self.sheet.is_some_and(|sheet| sheet.settled.is_some());
        let found = Loss::Found { pump: false, before: self.before(look), back: None };
        self.loss = match self.loss {
            Loss::None | Loss::Suspected(_) if collapsed => found,
            Loss::None if look.blank || !seated || !self.detector.look(aim, look.level, &self.recent) => Loss::None,
            Loss::None if told => found,
            Loss::None => Loss::Suspected(look.sample.at),
            Loss::Suspected(since) => self.weigh(look, since, found),
            Loss::Found { pump, before, back } => self.follow_loss(look, pump, before, back.filter(|_| !collapsed)),
        };
        if let Loss::Found { pump, .. } = &mut self.loss {
            *pump |= told && pump_is_gone(look, self.recent.heading_for(HEADING), self.detector.base(aim));
        }
    }

    /// Learns where a sheet that is not being cut has settled; one that moves is to settle anew.
    fn rest(&mut self, look: &Look<'_>) {
        if self.stand != Stand::Seated || look.blank {
            return;
        }
        if look.settled {
            return self.detector.rest(look.aim(), look.level, &self.recent);
        }
        self.detector.forget();
        if let Some(sheet) = &mut self.sheet {
            sheet.settled = Some(look.sample.at);
        }
    }

    /// Whether the level has been under half of what it was, or should be, for a while: seen whatever else goes on.
    fn has_collapsed(&mut self, look: &Look<'_>) -> bool {
        let seated = self.sheet.is_some_and(|sheet| sheet.settled.is_some());
        let floor = match (self.detector.base(look.aim()), look.sample.expected, look.sample.basis) {
            (Some(base), _, _) if seated => COLLAPSED * base,
            (_, Some(expected), Basis::Job) => COLLAPSED * expected.mid.pascals(),
            (_, Some(_) | None, Basis::Job | Basis::Taught | Basis::LikeSealed) => look.marks.bare,
        };
        // While zones or what lies at another end change nothing finer can be told, but a cut is never left alone.
        let floor = if look.blank && seated { floor.max(self.least_while_changing(look)) } else { floor };
        if look.level >= floor {
            self.collapsed_since = None;
            return false;
        }
        let since = *self.collapsed_since.get_or_insert(look.sample.at);
        look.sample.at.since(since) >= if seated { COLLAPSED_FOR } else { NEVER_SEATED_FOR }
    }

    /// The least level that a change of the open zones, or of what lies at another end, explains.
    fn least_while_changing(&self, look: &Look<'_>) -> f64 {
        let Some(base) = self.detector.base(look.aim()) else { return f64::NEG_INFINITY };
        let fall = look.sample.unsettled.map_or(0.0, Vacuum::pascals);
        let before = base - self.moved_by;
        base.min(before) - CHANGE_ERROR * self.moved_by.abs() - fall - self.detector.reach()
    }

    /// A guessed cut's loss is a loss only if the level stays between covered and bare.
    fn weigh(&mut self, look: &Look<'_>, since: Steady, found: Loss) -> Loss {
        let waited = look.sample.at.since(since);
        if self.detector.is_back(look.aim(), look.level) {
            self.detector.pause();
            Loss::None
        } else if waited >= UNLOADING_FOR.1 || (waited >= UNLOADING_FOR.0 && look.settled) {
            found
        } else {
            Loss::Suspected(since)
        }
    }

    /// Where the level of a sheet that had seated is if nothing is lost.
    fn before(&self, look: &Look<'_>) -> Option<Before> {
        self.sheet?.settled?;
        let level = self.detector.base(look.aim())?;
        Some(Before { level, kerf_known: look.sample.kerf_known() })
    }

    /// A loss is over when the level has been back where it was for a while.
    fn follow_loss(&mut self, look: &Look<'_>, pump: bool, before: Option<Before>, back: Option<Steady>) -> Loss {
        if !self.is_back(look, before) {
            return Loss::Found { pump, before, back: None };
        }
        let back = back.unwrap_or(look.sample.at);
        if look.sample.at.since(back) < BACK_FOR {
            return Loss::Found { pump, before, back: Some(back) };
        }
        self.detector.pause();
        Loss::None
    }

    fn is_back(&self, look: &Look<'_>, before: Option<Before>) -> bool {
        let in_band = look.sample.expected.map(|expected| look.level >= expected.low.pascals());
        match before {
            _ if self.detector.base(look.aim()).is_some() => self.detector.is_back(look.aim(), look.level),
            // What it is compared with has changed meanwhile. Only a forecast that comes late, and knows the kerf, knows better.
            Some(before) if before.kerf_known || !look.sample.kerf_known() => {
                before.level - look.level < 0.5 * self.detector.reach()
            }
            Some(_) | None => in_band.unwrap_or(false),
        }
    }

    /// Compares the margin, averaged a little, with what is required.
    pub(super) fn judge_margin(&mut self, look: &Look<'_>, elapsed: Span) {
        let lies = self.stand == Stand::Seated || look.cutting == CuttingKnown::Told;
        let (true, Some(least)) = (lies, look.sample.least_margin.filter(|least| least.is_finite())) else {
            self.margin = None;
            self.thin.clear();
            return;
        };
        let share = (elapsed.secs_f64() / MARGIN_MEMORY_S).min(1.0);
        let margin = self.margin.map_or(least, |before| before + share * (least - before));
        self.margin = Some(margin);
        let required = look.sample.required_margin;
        self.thin.crosses(margin, required, DEADBAND * required);
    }

    /// Puts together what was found.
    pub(super) fn conclude(&mut self, look: &Look<'_>, turn: (bool, bool), seated: Option<Seated>) -> Assessment {
        let (sheet_started, sheet_ended) = turn;
        self.conditions = self.conditions_now(look);
        self.phase = match (self.loss, look.cutting) {
            (Loss::Suspected(_) | Loss::Found { .. }, _) => Phase::SuspectedLoss,
            (Loss::None, CuttingKnown::Told | CuttingKnown::Guessed) => Phase::Cutting,
            (Loss::None, CuttingKnown::No) => self.stand.phase(),
        };
        let residual = look.sample.expected.map(|expected| expected.mid.pascals() - look.level);
        Assessment {
            at: look.sample.at,
            phase: self.phase,
            cutting: look.cutting,
            verdict: self.verdict(look),
            conditions: self.conditions,
            cause: self.cause(look),
            residual: residual.map(Vacuum::from_pascals),
            extra_leak: look.sample.expected.zip(residual).and_then(|(expected, lost)| leak_for(expected, lost)),
            sheet_started,
            seated,
            sheet_ended,
        }
    }

    fn conditions_now(&self, look: &Look<'_>) -> Conditions {
        let (cuts, told) = (look.cutting != CuttingKnown::No, look.cutting == CuttingKnown::Told);
        let was_well = self.sheet.is_some_and(|sheet| sheet.in_band);
        Conditions {
            no_reading: false,
            pump_lost: matches!(self.loss, Loss::Found { pump: true, .. }),
            sudden_loss: matches!(self.loss, Loss::Found { .. }),
            level_low: self.low.is_crossed() && cuts && (told || was_well),
            level_high: self.high.is_crossed() && self.stand == Stand::Seated,
            margin_low: self.thin.is_crossed() && cuts,
        }
    }

    fn verdict(&self, look: &Look<'_>) -> Verdict {
        if self.conditions.is_loose() {
            return Verdict::Loose;
        }
        if self.low.is_crossed() || self.thin.is_crossed() {
            return Verdict::Weak;
        }
        if self.conditions.level_high {
            return Verdict::High;
        }
        let compares = look.sample.expected.is_some() && self.judged;
        match (self.stand, look.cutting) {
            (Stand::Off, CuttingKnown::No) => Verdict::Off,
            (Stand::PullingDown | Stand::Handling, CuttingKnown::No) => Verdict::NoJob,
            (Stand::Off | Stand::PullingDown | Stand::Handling | Stand::Seated, _) if compares => Verdict::Tight,
            (Stand::Off | Stand::PullingDown | Stand::Handling | Stand::Seated, _) => Verdict::NoJob,
        }
    }

    fn cause(&self, look: &Look<'_>) -> Option<Cause> {
        let had_seated = self.sheet.is_some_and(|sheet| sheet.settled.is_some());
        match self.loss {
            Loss::Found { pump: true, .. } => return Some(Cause::PumpStopped),
            Loss::Found { .. } if had_seated => return Some(Cause::SheetLifted),
            Loss::Found { .. } => return Some(Cause::SheetNotSeated),
            Loss::None | Loss::Suspected(_) => {}
        }
        if let (true, Some(expected)) = (self.low.is_crossed(), look.sample.expected) {
            return Some(self.cause_of_low(look, expected));
        }
        if self.thin.is_crossed() {
            return Some(Cause::WeakPart);
        }
        self.high.is_crossed().then_some(Cause::ShutValveOrPluggedFilter)
    }

    fn cause_of_low(&self, look: &Look<'_>, expected: &Expected) -> Cause {
        let weak_pump = self.bare_share.is_some_and(|share| share < WEAK_PUMP);
        let was_well = self.sheet.is_some_and(|sheet| sheet.in_band);
        let mid = expected.mid.pascals();
        if was_well && 2.0 * self.detector.kerf_part(mid) > mid - look.level {
            return Cause::MoreKerfThanThought;
        }
        if weak_pump {
            return Cause::PumpOrFilter;
        }
        let reached =
            look.sample.ends.map(|ends| (look.level - ends.bare.pascals()) / (ends.sealed - ends.bare).pascals());
        match (was_well, reached) {
            (true, _) => Cause::Rim,
            (false, Some(share)) if share < UNCOVERED => Cause::UncoveredZone,
            (false, Some(_) | None) => Cause::SheetNotSeated,
        }
    }
}

/// The level above which it is high: a sheet may well be tighter than the one that was taught.
fn greatest_level(look: &Look<'_>, expected: &Expected) -> f64 {
    let sealed = look.sample.ends.map_or(f64::INFINITY, |ends| ends.sealed.pascals());
    match look.sample.basis {
        Basis::Taught => expected.high.pascals().max(sealed),
        Basis::Job | Basis::LikeSealed => expected.high.pascals(),
    }
}

/// Whether the level is, or is heading, where only a pump that does not pull would leave it.
fn pump_is_gone(look: &Look<'_>, heading: Option<(f64, f64)>, base: Option<f64>) -> bool {
    let half_way = base.is_some_and(|base| look.level < COLLAPSED * base);
    let bare = look.sample.ends.map_or(look.marks.off, |ends| look.marks.off.max(COLLAPSED * ends.bare.pascals()));
    look.level < bare || (half_way && heading.is_some_and(|(level, error)| level + 2.0 * error < bare))
}
