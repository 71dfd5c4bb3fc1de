//! The skim plan: how deep, in how many passes, how long, what is left of the board, and whether it stays down meanwhile.
//!
//! Passes run along the longer side: ⌈(W − D)/step⌉ + 1 of them, each as long as the face and one diameter. Time is that of a
//! machine that stops at every corner, t = d/v + v/a or 2·√(d/a). Removal, power and the peak of a tooth are the usual relations
//! of milling, a_e·a_p·v_f, k_c times that, and k_c·a_p·f_z (Dietrich and Tschätsch, Praxis der Zerspantechnik). What a skim
//! takes (0.25 to 1.3 mm), how long the stop is (20 to 40 minutes), the clearances and the machine's acceleration are common
//! practice without a source; 35 N/mm² for fibreboard is from memory, in line with what is printed for particleboard.

mod path;
mod program;

use serde::{Deserialize, Serialize};

use super::moisture::{pressed_flat, sag};
use super::range::{self, OutOfRange};
use crate::moment::Span;
use crate::table::{ClosedForm, Condensed, Rect, Table, TableLoad, ZoneSet, operating_point};
use crate::units::{Acceleration, Area, Density, Force, LayerResistance, Length, Mass, Power, Speed, Vacuum};
use path::Path;

/// The least that a skim takes.
pub const LEAST_DEPTH: Length = Length::from_millimetres(0.25);
/// The most that one layer of a skim takes.
pub const MOST_DEPTH: Length = Length::from_millimetres(1.3);
/// What is taken below the deepest scar, so that no trace of it stays.
pub const BELOW_SCAR: Length = Length::from_millimetres(0.1);

/// What stays between cutter and the head of a screw.
const OVER_SCREWS: Length = Length::from_millimetres(2.0);
/// What stays of the board over grooves in its underside.
const OVER_GROOVES: Length = Length::from_millimetres(3.0);
/// Specific cutting force of fibreboard in N/mm².
const CUTTING_FORCE: f64 = 35.0;
/// The least friction between a board and its plenum.
const FRICTION: f64 = 0.3;
/// A board that lay about: two percent of moisture from face to face, over the width of a usual one.
const WARP_PERCENT: f64 = 2.0;
const WARP_SPAN: Length = Length::from_metres(1.2);
/// Minutes of the stop beside the cutting, soonest and latest: clearing, fitting and measuring the cutter, vacuuming the dust,
/// setting Z anew, a test sheet.
const BESIDE_CUTTING: (u64, u64) = (18, 36);

/// A cutter for faces, and how it is driven.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Surfacer {
    /// Diameter over the edges.
    pub diameter: Length,
    /// Cutting edges.
    pub flutes: u32,
    /// Turns of the spindle in a minute.
    pub spindle_rpm: f64,
    /// The most turns in a minute that stand on the cutter, if any do.
    pub rated_rpm: Option<f64>,
}

/// How the machine moves.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Motion {
    /// Along a pass.
    pub feed: Speed,
    /// Down beside the board.
    pub plunge: Speed,
    /// Between passes with the cutter up.
    pub rapid: Speed,
    /// From rest to speed.
    pub acceleration: Acceleration,
    /// Height over the face at which nothing is in the way.
    pub safe_height: Length,
    /// Where the cutter's middle can go; the program is refused if it must go elsewhere. None if not told.
    pub travel: Option<Rect>,
}

/// What must be left of the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Floor {
    /// The least thickness at which it is used.
    pub least: Length,
    /// The top of the highest screw or pin over the underside.
    pub screws: Option<Length>,
    /// The depth of grooves in the underside.
    pub grooves: Option<Length>,
}

/// What is to be skimmed, and with what.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Skim {
    /// The area to skim.
    pub face: Rect,
    /// The board's thickness now.
    pub thickness: Length,
    /// Its density, for the weight of the dust.
    pub density: Density,
    /// What must be left of it.
    pub floor: Floor,
    /// The deepest scar.
    pub scar: Length,
    /// The cutter.
    pub surfacer: Surfacer,
    /// From pass to pass, as a share of the diameter.
    pub stepover: f64,
    /// The machine.
    pub motion: Motion,
}

/// What bounds the thickness.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// The least thickness set.
    Least,
    /// A screw, with the clearance over it.
    Screws,
    /// Grooves in the underside, with the web over them.
    Grooves,
}

/// Something to mind, that does not forbid the skim.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Caution {
    /// The scar takes more than one layer: filling it may be cheaper than cutting the board away.
    DeepScar,
    /// The chip of one tooth is thick for the cutter.
    ThickChip(Length),
    /// The edge runs faster than wood cutters are usually rated for.
    FastEdge(Speed),
    /// After this skim the board has no usual skim left.
    LastSkim,
}

/// How a skim goes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkimPlan {
    /// What is taken off.
    pub depth: Length,
    /// In how many layers of equal depth.
    pub layers: u32,
    /// Passes in a layer.
    pub passes: u32,
    /// From pass to pass.
    pub step: Length,
    /// The cutter's time on the face, at full feed throughout.
    pub cutting: Span,
    /// The program's time, with accelerations and ways between.
    pub moving: Span,
    /// The stop as a whole, soonest and latest.
    pub stop: (Span, Span),
    /// What is left of the board.
    pub left: Length,
    /// What must be left, and why.
    pub bound: (Length, Bound),
    /// Skims of this depth that can follow.
    pub skims_left: u32,
    /// Chip of one tooth.
    pub chip: Length,
    /// Speed of the edge.
    pub edge: Speed,
    /// Volume of dust in litres.
    pub dust_litres: f64,
    /// Its weight.
    pub dust: Mass,
    /// Removal in cm³/s.
    pub removal_cm3_s: f64,
    /// Power of the cut.
    pub power: Power,
    /// The peak force of a tooth.
    pub tooth: Force,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// What is wrong with a [`Skim`].
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SkimFault {
    /// A number that cannot be.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// The cutter turns faster than it may.
    #[error("the spindle turns at {rpm} a minute; the cutter is rated for {rated}: slow the spindle down")]
    Overspeed {
        /// Turns in a minute asked for.
        rpm: f64,
        /// Turns in a minute allowed.
        rated: f64,
    },
    /// Too little of the board would be left.
    #[error(
        "a skim of {depth_mm:.2} mm leaves {left_mm:.2} mm, less than the {bound_mm:.2} mm that must stay ({bound:?}); change the board, or fill the scar and skim less"
    )]
    TooThin {
        /// What would be taken.
        depth_mm: f64,
        /// What would be left.
        left_mm: f64,
        /// What must be left.
        bound_mm: f64,
        /// Why.
        bound: Bound,
    },
    /// The cutter would have to go where the machine cannot.
    #[error(
        "the cutter's middle must go from x {x0_mm:.0} to {x1_mm:.0} mm and y {y0_mm:.0} to {y1_mm:.0} mm to cover the face, farther than the machine's travel; use a smaller cutter or skim a smaller area"
    )]
    BeyondTravel {
        /// Least x.
        x0_mm: f64,
        /// Greatest x.
        x1_mm: f64,
        /// Least y.
        y0_mm: f64,
        /// Greatest y.
        y1_mm: f64,
    },
}

impl Floor {
    /// The thickness that must be left, and why.
    pub fn bound(&self) -> (Length, Bound) {
        let screws = self.screws.map(|top| (top + OVER_SCREWS, Bound::Screws));
        let grooves = self.grooves.map(|deep| (deep + OVER_GROOVES, Bound::Grooves));
        [screws, grooves]
            .into_iter()
            .flatten()
            .fold((self.least, Bound::Least), |most, next| if next.0 > most.0 { next } else { most })
    }

    /// How many skims of `depth` a board of `thickness` has left.
    pub fn skims(&self, thickness: Length, depth: Length) -> u32 {
        // Rounding of the last bits must not lose a whole skim.
        ((thickness - self.bound().0) / depth + 1e-9).max(0.0).floor() as u32
    }
}

impl Motion {
    /// A machine of which only the feed is known: plunges at a tenth of it, rapids at it, 0.5 m/s², 20 mm over the face.
    pub fn at_feed(feed: Speed) -> Self {
        Motion {
            feed,
            plunge: feed * 0.1,
            rapid: feed,
            acceleration: Acceleration::from_metres_per_second_squared(0.5),
            safe_height: Length::from_millimetres(20.0),
            travel: None,
        }
    }

    /// The time of a straight move of `distance` from rest to rest at `speed`.
    pub fn time(&self, distance: Length, speed: Speed) -> Span {
        let (distance, speed) = (distance.metres(), speed.metres_per_second());
        let acceleration = self.acceleration.metres_per_second_squared();
        let secs = if distance * acceleration >= speed * speed {
            distance / speed + speed / acceleration
        } else {
            2.0 * (distance / acceleration).sqrt()
        };
        Span::from_secs_f64(secs)
    }
}

impl Surfacer {
    /// How far the machine goes on from tooth to tooth.
    pub fn chip(&self, feed: Speed) -> Length {
        Length::from_metres(feed.metres_per_minute() / (self.spindle_rpm * f64::from(self.flutes)))
    }

    /// The speed of its edge.
    pub fn edge(&self) -> Speed {
        Speed::from_metres_per_minute(std::f64::consts::PI * self.diameter.metres() * self.spindle_rpm)
    }
}

impl Skim {
    /// How it goes.
    ///
    /// # Errors
    /// [`SkimFault`] for settings that cannot be or that would spoil board, cutter or screws.
    pub fn plan(&self) -> Result<SkimPlan, SkimFault> {
        self.check()?;
        let depth = (self.scar + BELOW_SCAR).max(LEAST_DEPTH);
        let left = self.thickness - depth;
        let bound = self.floor.bound();
        if left < bound.0 {
            return Err(SkimFault::TooThin {
                depth_mm: depth.millimetres(),
                left_mm: left.millimetres(),
                bound_mm: bound.0.millimetres(),
                bound: bound.1,
            });
        }
        let path = Path::over(self, depth);
        self.within_travel(&path)?;
        Ok(self.told(&path, depth, left))
    }

    fn told(&self, path: &Path, depth: Length, left: Length) -> SkimPlan {
        let feed = self.motion.feed;
        let (chip, edge) = (self.surfacer.chip(feed), self.surfacer.edge());
        let layer = depth * (1.0 / f64::from(path.layers));
        let area = self.face.width() * self.face.height();
        let dust = area.square_metres() * depth.metres();
        let removal = path.step.min(self.face.height()).metres() * layer.metres() * feed.metres_per_second();
        let moving = path.time(&self.motion);
        let stop = |minutes: u64| Span::from_nanos(Span::from_secs(60 * minutes).nanos() + moving.nanos());
        let skims_left = self.floor.skims(left, depth);
        SkimPlan {
            depth,
            layers: path.layers,
            passes: path.passes,
            step: path.step,
            cutting: Span::from_secs_f64(path.cut().metres() / feed.metres_per_second()),
            moving,
            stop: (stop(BESIDE_CUTTING.0), stop(BESIDE_CUTTING.1)),
            left,
            bound: self.floor.bound(),
            skims_left,
            chip,
            edge,
            dust_litres: dust * 1e3,
            dust: Mass::from_kilograms(dust * self.density.kg_per_m3()),
            removal_cm3_s: removal * 1e6,
            power: Power::from_watts(CUTTING_FORCE * 1e6 * removal),
            tooth: Force::from_newtons(CUTTING_FORCE * layer.millimetres() * chip.millimetres()),
            cautions: self.cautions(path.layers, skims_left),
        }
    }

    /// The program that does it, in the words of ISO 6983 as NIST RS274/NGC reads them, for a control that takes millimetres.
    ///
    /// # Errors
    /// As [`Skim::plan`].
    pub fn program(&self) -> Result<String, SkimFault> {
        let plan = self.plan()?;
        Ok(program::written(self, &plan, &Path::over(self, plan.depth)))
    }

    fn cautions(&self, layers: u32, skims_left: u32) -> Vec<Caution> {
        let (chip, edge) = (self.surfacer.chip(self.motion.feed), self.surfacer.edge());
        let thick = chip > Length::from_millimetres(if self.surfacer.flutes < 3 { 1.0 } else { 0.8 });
        [
            (layers > 1, Caution::DeepScar),
            (thick, Caution::ThickChip(chip)),
            (edge > Speed::from_metres_per_second(80.0), Caution::FastEdge(edge)),
            (skims_left == 0, Caution::LastSkim),
        ]
        .into_iter()
        .filter(|(given, _)| *given)
        .map(|(_, caution)| caution)
        .collect()
    }

    fn check(&self) -> Result<(), SkimFault> {
        let (cutter, motion) = (&self.surfacer, &self.motion);
        let mm = Length::millimetres;
        let chip = mm(cutter.chip(motion.feed));
        range::check(&[
            ("the area's length in mm", mm(self.face.width()), 10.0, 20_000.0),
            ("the area's width in mm", mm(self.face.height()), 10.0, 20_000.0),
            ("the board's thickness in mm", mm(self.thickness), 1.0, 200.0),
            ("the board's density in kg/m³", self.density.kg_per_m3(), 50.0, 2_000.0),
            ("the least thickness in mm", mm(self.floor.least), 0.0, 200.0),
            ("the screws' height in mm", mm(self.floor.screws.unwrap_or_default()), 0.0, 200.0),
            ("the grooves' depth in mm", mm(self.floor.grooves.unwrap_or_default()), 0.0, 200.0),
            ("the scar's depth in mm", mm(self.scar), 0.0, 200.0),
            ("the cutter's diameter in mm", mm(cutter.diameter), 3.0, 300.0),
            ("the cutter's edges", f64::from(cutter.flutes), 1.0, 24.0),
            ("the spindle's turns in a minute", cutter.spindle_rpm, 500.0, 60_000.0),
            ("the edge's speed in m/s", cutter.edge().metres_per_second(), 1.0, 100.0),
            ("the chip of one tooth in mm", chip, 0.02, 2.0),
            ("the step as a share of the diameter", self.stepover, 0.05, 0.95),
            ("the feed in m/min", motion.feed.metres_per_minute(), 0.1, 100.0),
            ("the plunge's feed in m/min", motion.plunge.metres_per_minute(), 0.01, 100.0),
            ("the rapid speed in m/min", motion.rapid.metres_per_minute(), 0.1, 200.0),
            ("the acceleration in m/s²", motion.acceleration.metres_per_second_squared(), 0.01, 50.0),
            ("the safe height in mm", mm(motion.safe_height), 2.0, 500.0),
        ])?;
        match cutter.rated_rpm {
            Some(rated) if rated.is_nan() || cutter.spindle_rpm > rated => {
                Err(SkimFault::Overspeed { rpm: cutter.spindle_rpm, rated })
            }
            Some(_) | None => Ok(()),
        }
    }

    fn within_travel(&self, path: &Path) -> Result<(), SkimFault> {
        let Some(travel) = self.motion.travel else { return Ok(()) };
        let needed = path.extent();
        let inside = needed.low.x >= travel.low.x
            && needed.low.y >= travel.low.y
            && needed.high.x <= travel.high.x
            && needed.high.y <= travel.high.y;
        if inside {
            return Ok(());
        }
        Err(SkimFault::BeyondTravel {
            x0_mm: needed.low.x.millimetres(),
            x1_mm: needed.high.x.millimetres(),
            y0_mm: needed.low.y.millimetres(),
            y1_mm: needed.high.y.millimetres(),
        })
    }
}

/// What keeps a bare board down while it is skimmed, if nothing but the vacuum does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BareHold {
    /// The level at the manifold over a bare board.
    pub level: Vacuum,
    /// What presses the board onto the plenum, its weight not counted.
    pub force: Force,
    /// The force that friction holds, over the peak of a tooth.
    pub margin: f64,
    /// Whether it presses flat a board with two percent of moisture between its faces.
    pub flat: bool,
}

impl BareHold {
    /// Over the zones of `open`, with the peak of a tooth as in [`SkimPlan::tooth`].
    ///
    /// The underside lies at the room's pressure between the zones and, prudently, at that above the grooves over them.
    pub fn of(table: &Table, open: ZoneSet, tooth: Force) -> Self {
        let bare = ClosedForm::condense(table, &TableLoad::default());
        let balance = operating_point(table, open, bare.zones());
        let through: LayerResistance = table.board.layers.iter().map(|layer| layer.thickness / layer.through).sum();
        let through = through + table.board.top_entry;
        let share = through / (through + table.plenum.contact);
        let under = balance.zones.iter().zip(&table.plenum.zones).map(|(pressure, zone)| {
            let area: Area = zone.rects.iter().map(|rect| rect.width() * rect.height()).sum();
            (pressure.potential_below(table.air.room) * share)
                .pressure_below(table.air.room)
                .vacuum_below(table.air.room)
                * area
        });
        let force: Force = under.sum();
        let board = &table.board;
        let level = Vacuum::from_pascals(force.newtons() / (board.length * board.width).square_metres());
        let warp = sag(board.thickness(), WARP_SPAN, WARP_PERCENT);
        BareHold {
            level: balance.manifold.vacuum_below(table.air.room),
            force,
            margin: FRICTION * force.newtons() / tooth.newtons(),
            flat: level >= pressed_flat(board.thickness(), WARP_SPAN, warp),
        }
    }

    /// Whether the board stays down: friction holds twice the peak of a tooth, and it lies flat.
    pub fn stays(&self) -> bool {
        self.flat && self.margin >= 2.0
    }
}
