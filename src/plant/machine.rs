//! The table at work: a script, the true physics, and the plenum's lag.
//!
//! The operating point is quasi-steady; the plenum follows it with one first-order lag, which is all that is left of the
//! gas dynamics at a few readings a second.

use super::face::{Condense, EIGHTHS, Face, Faces, freed_at};
use super::glide::Glide;
use super::report::{Report, Said, SheetOutcome};
use super::scene::Scene;
use super::script::{Cue, Happening, ScriptError, script};
use super::truth::{Opening, Truth, map_matrix, pump_share};
use crate::gauge::Place;
use crate::job::{Card, Cut, Progress};
use crate::moment::Span;
use crate::table::{Table, ValveLaw, ZoneId, ZoneMatrix, ZoneSet, operating_point};
use crate::units::{AbsolutePressure, SquareResistance};

/// What a gauge can feel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// The true pressure of the room.
    pub room: AbsolutePressure,
    /// At the manifold.
    pub manifold: AbsolutePressure,
    /// At the pump's inlet.
    pub pump_inlet: AbsolutePressure,
    /// The share of its new speed that the pump has, by which it shakes the air.
    pub pump_speed: f64,
}

impl Levels {
    /// The pressure at a place.
    pub const fn at(&self, place: Place) -> AbsolutePressure {
        match place {
            Place::Manifold | Place::BeforeFilter | Place::Zone => self.manifold,
            Place::PumpInlet | Place::AfterFilter => self.pump_inlet,
            Place::Barometer => self.room,
        }
    }
}

/// The simulated table: scenes are played on it, and it has pressures.
pub struct Plant {
    table: Table,
    truth: Truth,
    faces: Faces,
    cues: std::vec::IntoIter<Cue>,
    next: Option<Cue>,
    now: Span,
    told: Told,
    top: Top,
    air: AirSide,
    levels: Levels,
    connected: bool,
    ended: bool,
}

/// What has been told, and when the next of what is told regularly is due.
struct Told {
    truth_due: Span,
    progress: bool,
    fault: Option<Scene>,
    /// The name of the part that went last.
    lost: Option<String>,
}

/// The state of the board's top.
struct Top {
    card: Option<usize>,
    /// The cut's fraction.
    fraction: Glide,
    raised: Glide,
    lost: Option<usize>,
}

/// The state of pump, filter, valves and leaks.
struct AirSide {
    motor: Glide,
    running_since: Option<Span>,
    speed: Glide,
    /// Logarithm of one more than the filter's load of dust, since it grows by its own share.
    plug: Glide,
    valves: Vec<Glide>,
    leak: (ZoneId, Glide),
}

/// How finely the plenum's lag is followed.
const STEP: Span = Span::from_millis(50);
/// How often the truth and the cut's progress are told.
const TELL_EVERY: Span = Span::from_secs(1);
/// The least opening at which a valve still passes air.
const CRACK: f64 = 0.02;

impl Plant {
    /// The table of a setup, with what is true of it, on which scenes are played one after the other with its cards.
    ///
    /// # Errors
    /// [`ScriptError`] if no card will do for a scene.
    pub fn new(
        table: &Table,
        cards: &[Card],
        scenes: &[Scene],
        truth: Truth,
        condense: Condense,
    ) -> Result<Self, ScriptError> {
        let mut cues = script(scenes, table, cards)?.into_iter();
        let next = cues.next();
        let table = truth.applied(table);
        let room = table.air.room;
        Ok(Plant {
            faces: Faces::new(condense, table.clone(), truth.clone(), cards.to_vec()),
            cues,
            next,
            now: Span::ZERO,
            told: Told { truth_due: Span::ZERO, progress: false, fault: None, lost: None },
            top: Top::bare(),
            air: AirSide::at_rest(table.plenum.zones.len()),
            levels: Levels { room, manifold: room, pump_inlet: room, pump_speed: 0.0 },
            connected: true,
            ended: false,
            table,
            truth,
        })
    }

    /// What a gauge can feel now.
    pub fn levels(&self) -> Levels {
        self.levels
    }

    /// Whether the gauge's cable is in.
    pub fn connected(&self) -> bool {
        self.connected
    }

    /// Whether every scene has been played.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// Lets time pass up to `until`, counted from the start; what is said on the way goes to `say`.
    pub fn advance(&mut self, until: Span, say: &mut dyn FnMut(Report)) {
        while self.now < until {
            self.play(say);
            self.tell(say);
            let step = STEP.min(Span::from_nanos(until.nanos() - self.now.nanos()));
            self.follow(step);
            self.now = Span::from_nanos(self.now.nanos() + step.nanos());
        }
        self.play(say);
    }

    /// Plays every cue that is due.
    fn play(&mut self, say: &mut dyn FnMut(Report)) {
        while self.next.as_ref().is_some_and(|cue| cue.at <= self.now) {
            if let Some(cue) = std::mem::replace(&mut self.next, self.cues.next()) {
                self.happen(cue.what, say);
            }
        }
    }

    fn happen(&mut self, what: Happening, say: &mut dyn FnMut(Report)) {
        let now = self.now;
        match what {
            Happening::Tell(said) => self.say_cue(said, say),
            Happening::Fault(fault) => self.told.fault = fault,
            Happening::Motor(on) => self.air.switch(now, on, self.truth.run_up),
            Happening::Valve(zone, open) => self.air.move_valve(now, zone, open, self.truth.valve_travel),
            Happening::Lay(card) => self.top = Top { card: Some(card), ..Top::bare() },
            Happening::Raise(share, over) => self.top.raised.send(now, share, over),
            Happening::Cut(over) => self.top.fraction.send(now, 1.0, over),
            Happening::Hold => self.top.fraction = Glide::at_rest(self.top.fraction.at(now)),
            Happening::LosePart => self.lose_part(),
            Happening::Leak(zone, share, over) => self.air.open_leak(now, zone, share, over),
            Happening::Plug(load, over) => self.air.plug.send(now, load.ln_1p(), over),
            Happening::Slow(share, over) => self.air.speed.send(now, share, over),
            Happening::Cable(connected) => self.connected = connected,
            Happening::TakeOff => self.top = Top::bare(),
        }
    }

    fn say_cue(&mut self, said: Said, say: &mut dyn FnMut(Report)) {
        let said = match said {
            Said::Outcome { outcome: SheetOutcome::Lost, part: None } => {
                Said::Outcome { outcome: SheetOutcome::Lost, part: self.told.lost.take() }
            }
            other => other,
        };
        match &said {
            Said::Cutting { cutting } => {
                self.told.progress = *cutting;
                self.tell_progress(say);
            }
            Said::Ended => self.ended = true,
            Said::Scene { .. }
            | Said::Job { .. }
            | Said::Zones { .. }
            | Said::Progress { .. }
            | Said::Unloaded
            | Said::Outcome { .. }
            | Said::Lamp { .. }
            | Said::Truth { .. } => {}
        }
        say(Report { at_s: self.now.secs_f64(), what: said });
    }

    fn tell(&mut self, say: &mut dyn FnMut(Report)) {
        if self.now < self.told.truth_due {
            return;
        }
        self.told.truth_due = Span::from_nanos(self.told.truth_due.nanos() + TELL_EVERY.nanos());
        let at_s = self.now.secs_f64();
        if self.told.progress {
            self.tell_progress(say);
        }
        let vacuum = |pressure: AbsolutePressure| pressure.vacuum_below(self.levels.room).pascals();
        let what = Said::Truth {
            manifold_vacuum_pa: vacuum(self.levels.manifold),
            pump_inlet_vacuum_pa: vacuum(self.levels.pump_inlet),
            pump_speed: self.levels.pump_speed,
            parts_cut: self.cut_through().0,
            fault: self.told.fault,
        };
        say(Report { at_s, what });
    }

    fn tell_progress(&self, say: &mut dyn FnMut(Report)) {
        let fraction = self.top.fraction.at(self.now);
        say(Report { at_s: self.now.secs_f64(), what: Said::Progress { fraction } });
    }

    /// Moves the levels towards the operating point for `step`.
    fn follow(&mut self, step: Span) {
        let goal = self.goal();
        // V/S: a slower pump empties the same plenum in more time.
        let slowness = 1.0 / goal.pump_speed.max(0.25);
        let left = (-step.secs_f64() / (self.truth.lag.secs_f64() * slowness)).exp();
        let near = |now: AbsolutePressure, goal: AbsolutePressure| {
            AbsolutePressure::from_pascals(goal.pascals() + (now.pascals() - goal.pascals()) * left)
        };
        self.levels = Levels {
            room: self.levels.room,
            manifold: near(self.levels.manifold, goal.manifold),
            pump_inlet: near(self.levels.pump_inlet, goal.pump_inlet),
            pump_speed: goal.pump_speed,
        };
    }

    /// Where the levels would settle if everything stayed as it is.
    fn goal(&mut self) -> Levels {
        let pump_speed = self.air.speed_at(self.now, &self.truth);
        let room = self.levels.room;
        if pump_speed <= 0.0 {
            // With every valve shut a pump that stands would leave the manifold at any pressure; it seeps full.
            return Levels { room, manifold: room, pump_inlet: room, pump_speed };
        }
        let matrix = self.matrix();
        let mut table = self.table.clone();
        let open = self.air.shape(&mut table, self.now, &self.truth);
        let point = operating_point(&table, open, &matrix);
        Levels { room, manifold: point.manifold, pump_inlet: point.pump_inlet, pump_speed }
    }

    /// The board as it is now: between two states of the sheet's lie and two of the cut.
    fn matrix(&mut self) -> ZoneMatrix {
        let (parts, share) = self.cut_through();
        let step = match self.truth.opening {
            Opening::Eighths => 1,
            Opening::Outlines => EIGHTHS,
        };
        let steps = (parts as f64 + share) * (EIGHTHS / step) as f64;
        let (cut, opening) = (steps as usize * step, steps.fract());
        let raised = |share: f64| (share * 1000.0).round() as u16;
        let face = |cut, share| Face { card: self.top.card, cut, raised: raised(share), lost: self.top.lost };
        let was = [face(cut, self.top.raised.origin()), face(cut + step, self.top.raised.origin())];
        let is = [face(cut, self.top.raised.goal()), face(cut + step, self.top.raised.goal())];
        let way = self.top.raised.share(self.now);
        let [was, is] = [was, is].map(|[before, after]| self.between(before, after, opening));
        blend(&was, &is, way)
    }

    fn between(&mut self, before: Face, after: Face, share: f64) -> ZoneMatrix {
        let first = self.faces.matrix(before);
        if share <= 0.0 { first } else { blend(&first, &self.faces.matrix(after), share) }
    }

    /// How many parts are cut through, and the share of the next one's outline that is.
    fn cut_through(&self) -> (usize, f64) {
        let card = self.top.card.and_then(|index| self.faces.card(index));
        card.map_or((0, 0.0), |card| cut_through(card, self.top.fraction.at(self.now)))
    }

    /// The smallest part that is cut free goes.
    fn lose_part(&mut self) {
        let (cut, _) = self.cut_through();
        let Some(card) = self.top.card.and_then(|index| self.faces.card(index)) else { return };
        let area = |index: &usize| {
            card.parts.get(*index).map_or(0.0, |part| (part.rect.width() * part.rect.height()).square_metres())
        };
        self.top.lost = (0..cut).min_by(|a, b| area(a).total_cmp(&area(b)));
        self.told.lost = self.top.lost.and_then(|lost| card.parts.get(lost)).map(|part| part.name.clone());
    }
}

/// How many of a card's parts are cut through at a fraction of the cut, and the share of the next one's outline that is.
fn cut_through(card: &Card, fraction: f64) -> (usize, f64) {
    let cut = Cut::of(card);
    let progress = Progress::from_fraction(fraction);
    let freed = cut.freed(progress);
    let (before, after) = (freed_at(&cut, freed), freed_at(&cut, freed + 1));
    (freed, if after > before { (progress.fraction() - before) / (after - before) } else { 0.0 })
}

fn blend(from: &ZoneMatrix, to: &ZoneMatrix, share: f64) -> ZoneMatrix {
    map_matrix(from, |row, column| from.get(row, column) + share * (to.get(row, column) - from.get(row, column)))
}

impl Top {
    /// Nothing lies on the board.
    fn bare() -> Self {
        Top { card: None, fraction: Glide::at_rest(0.0), raised: Glide::at_rest(0.0), lost: None }
    }
}

impl AirSide {
    fn at_rest(zones: usize) -> Self {
        AirSide {
            motor: Glide::at_rest(0.0),
            running_since: None,
            speed: Glide::at_rest(1.0),
            plug: Glide::at_rest(0.0),
            valves: vec![Glide::at_rest(0.0); zones],
            leak: (ZoneId(0), Glide::at_rest(0.0)),
        }
    }

    fn switch(&mut self, now: Span, on: bool, run_up: Span) {
        self.motor.send(now, if on { 1.0 } else { 0.0 }, run_up);
        self.running_since = on.then_some(now);
    }

    fn move_valve(&mut self, now: Span, zone: ZoneId, open: bool, travel: Span) {
        if let Some(valve) = self.valves.get_mut(usize::from(zone.0)) {
            valve.send(now, if open { 1.0 } else { 0.0 }, travel);
        }
    }

    fn open_leak(&mut self, now: Span, zone: ZoneId, share: f64, over: Span) {
        if self.leak.0 != zone {
            self.leak = (zone, Glide::at_rest(0.0));
        }
        self.leak.1.send(now, share, over);
    }

    fn speed_at(&self, now: Span, truth: &Truth) -> f64 {
        let running = self.running_since.map_or(Span::ZERO, |since| span_between(since, now));
        self.motor.at(now) * self.speed.at(now) * truth.pump * truth.warmth(running)
    }

    /// Puts the present state into a table, and says which zones are open.
    fn shape(&self, table: &mut Table, now: Span, truth: &Truth) -> ZoneSet {
        let leak = pump_share(table, truth.loose_hose * self.leak.1.at(now));
        table.filter = plugged(table, self.plug.at(now).exp_m1());
        // The truth's own share of the speed is in the table's wear already.
        table.pump.wear *= self.speed_at(now, truth) / truth.pump;
        let mut open = ZoneSet::EMPTY;
        for (index, (zone, valve)) in table.plenum.zones.iter_mut().zip(&self.valves).enumerate() {
            let opening = valve.at(now);
            let id = ZoneId(u8::try_from(index).unwrap_or(u8::MAX));
            if opening >= CRACK {
                open = open.with(id);
                zone.valve = throttled(zone.valve, opening);
            }
            if id == self.leak.0 {
                zone.leak = zone.leak + leak;
            }
        }
        open
    }
}

/// A filter under a load of dust: a load of 1 adds the resistance at which the flow that the pump moves at half the room's
/// pressure would take the room's whole pressure, which is r = p_atm² / Q².
fn plugged(table: &Table, load: f64) -> SquareResistance {
    let room = table.air.room.pascals();
    let half = table.pump.throughput(AbsolutePressure::from_pascals(room / 2.0)).pa_m3_per_s();
    SquareResistance::from_s2_per_m6(table.filter.s2_per_m6() + load * (room / half.max(1.0)).powi(2))
}

/// A valve that is open by a share of its bore: flow at a given drop goes with the share.
fn throttled(valve: ValveLaw, opening: f64) -> ValveLaw {
    match valve {
        ValveLaw::IsothermalPipe(resistance) => ValveLaw::IsothermalPipe(resistance * (1.0 / (opening * opening))),
        ValveLaw::Iso6358 { sonic_conductance, critical_ratio } => {
            ValveLaw::Iso6358 { sonic_conductance: sonic_conductance * opening, critical_ratio }
        }
    }
}

fn span_between(early: Span, late: Span) -> Span {
    Span::from_nanos(late.nanos().saturating_sub(early.nanos()))
}
