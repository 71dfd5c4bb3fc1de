//! A pump that a drive holds at a level: what the level hides, the drive's speed tells.
//!
//! At the level held, the pump moves s·S(p)·p at a share s of its speed (displacement; a rotor that throws the air follows the speed
//! laws of [`crate::table::PumpClass::at_speed`]). The table that takes so much at that level would take it, by Darcy's law
//! in p_room² − p², down to another level if the pump ran at full speed: that level is watched in the place of the gauge's. It falls with
//! every leak, as on a pump that nothing holds. Between manifold and inlet no pressure is reckoned lost.

use super::Minder;
use super::comparing::Compared;
use crate::gauge::InputId;
use crate::moment::{Moment, Steady};
use crate::setup::HoldSettings;
use crate::table::{Pump, SpeedChange};
use crate::units::{AbsolutePressure, Vacuum};
use crate::view::HoldView;

/// A level that is this near to the one held, or deeper, is held: 3 %, at least 1.5 kPa (a choice of ours).
const NEAR: (f64, Vacuum) = (0.03, Vacuum::from_pascals(1_500.0));

/// A drive that turns more slowly than this moves no more than at this speed: it comes to rest on a table that takes next to nothing.
const LEAST_SHARE: f64 = 0.02;

/// The drive's share of full speed, and when it was told.
pub(super) type DriveTold = Option<(Steady, f64)>;

impl Minder {
    /// Takes a number of an input.
    pub(super) fn take_input(&mut self, at: Moment, input: InputId, raw: f64) {
        self.inputs_at[usize::from(input.0)] = Some(at.steady);
        let Some(drive) = self.setup.hold.and_then(|hold| hold.drive).filter(|drive| drive.input == input) else {
            return;
        };
        if raw.is_finite() {
            let share = (raw - drive.at_rest) / (drive.at_full - drive.at_rest);
            self.drive = Some((at.steady, share.clamp(0.0, 1.2)));
        }
    }

    /// The drive's share of full speed, unless it was told too long ago.
    pub(super) fn drive_share(&self, at: Steady) -> Option<f64> {
        let (told, share) = self.drive?;
        (at.since(told) <= self.setup.watch.stale_after).then_some(share)
    }

    /// The level to judge: the gauge's, or what the pump would reach at full speed while its drive holds it.
    pub(super) fn judged_level(&self, at: Steady, live: Vacuum) -> Vacuum {
        let Some(hold) = self.setup.hold else { return live };
        let Some(share) = self.drive_share(at).filter(|_| is_held(&hold, live)) else { return live };
        let throws = hold.drive.is_some_and(|drive| drive.throws);
        reach(&self.setup.table.pump, self.room.now, live, share.clamp(LEAST_SHARE, 1.0), throws)
    }

    /// Notices that the drive's word has come or gone: what is compared is then another thing.
    pub(super) fn notice_drive(&mut self, at: Moment) {
        if self.setup.hold.is_none() {
            return;
        }
        let sees = self.drive_share(at.steady).is_some();
        if self.sees_leaks != Some(sees) {
            self.sees_leaks = Some(sees);
            self.watch.job_changed(at.steady);
            self.compare(at.steady);
        }
        self.say_whether(at, !sees, "cannot-see-leaks");
    }

    /// What is compared with on a pump that is held: as at full speed if the drive's speed is told, else no more than the level held.
    pub(super) fn as_held(&self, mut compared: Compared) -> Compared {
        let Some(hold) = self.setup.hold.filter(|_| self.sees_leaks != Some(true)) else { return compared };
        let expected = &mut compared.expected;
        let slack = slack(hold.level);
        if expected.mid > hold.level {
            if let Some(weakest) = &mut expected.weakest {
                weakest.margin += weakest.margin_per_pascal * (hold.level - expected.mid).pascals();
            }
            expected.mid = hold.level;
        }
        expected.low = expected.low.min(hold.level - slack);
        expected.high = expected.high.min(hold.level + slack).max(expected.mid);
        if let Some(ends) = &mut compared.ends {
            (ends.sealed, ends.bare) = (ends.sealed.min(hold.level), ends.bare.min(hold.level));
        }
        compared
    }

    pub(super) fn hold_view(&self, at: Steady) -> Option<HoldView> {
        let hold = self.setup.hold?;
        let live = self.live(at).and_then(|newest| newest.vacuum);
        let drive_share = self.drive_share(at);
        Some(HoldView {
            level_pa: hold.level.pascals(),
            drive_share,
            reach_pa: drive_share.and(live).map(|live| self.judged_level(at, live).pascals()),
            sees_leaks: drive_share.is_some(),
        })
    }
}

fn slack(level: Vacuum) -> Vacuum {
    (level * NEAR.0).max(NEAR.1)
}

fn is_held(hold: &HoldSettings, live: Vacuum) -> bool {
    live >= hold.level - slack(hold.level)
}

/// The level that the pump would reach at full speed on a table that takes what it moves now.
fn reach(pump: &Pump, room: AbsolutePressure, live: Vacuum, share: f64, throws: bool) -> Vacuum {
    let slowed = SpeedChange { flow: share, level: if throws { share * share } else { 1.0 }, power: share };
    let inlet = live.below(room);
    let moved = pump.clone().scaled(slowed, room).throughput(inlet).pa_m3_per_s();
    let pull = |pressure: f64| room.pascals().powi(2) - pressure.powi(2);
    let taken = moved / pull(inlet.pascals()).max(1.0);
    // What the pump moves rises with the pressure, what the table takes falls: one crossing, found by halving.
    let (mut deep, mut shallow) = (0.0, room.pascals());
    for _ in 0..60 {
        let middle = 0.5 * (deep + shallow);
        let moves = pump.throughput(AbsolutePressure::from_pascals(middle)).pa_m3_per_s();
        if moves > taken * pull(middle) { shallow = middle } else { deep = middle }
    }
    AbsolutePressure::from_pascals(0.5 * (deep + shallow)).vacuum_below(room)
}
