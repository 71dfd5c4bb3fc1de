//! What stays in force from line to line, and what a line orders given it.
//!
//! The order of things on one line is that of NISTIR 6556, table 8.

use std::collections::VecDeque;

use super::block::{Block, Word};
use super::codes::{self, FeedMode, G, M, Motion};
use super::cycle::Sticky;
use super::refusal::{Flaw, flaw};
use super::settings::{Code, DwellUnit, Reading, UnitOfLength};
use super::step::{Deed, Note, Plane, Spot, Turning};
use super::zero::Zero;
use crate::moment::Span;

/// No coordinate is farther out, in mm.
const FARTHEST: f64 = 1e6;

/// The highest tool number, feed in mm/min and speed in revolutions a minute that are believed.
const HIGHEST_TOOL: i64 = 99_999;
const FASTEST: f64 = 1e6;
const FASTEST_SPINDLE: f64 = 1e6;

/// The longest dwell that is believed, in seconds, and the one that is remarked on.
const LONGEST_DWELL: f64 = 86_400.0;
const LONG_DWELL: f64 = 60.0;

/// Whether Z is the cutter's tip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum LengthOffset {
    /// Never switched: the zero was set with the tip.
    Untouched,
    /// Switched on.
    On,
    /// Switched off after it had been on: where the tip is stands in the controller.
    Off,
}

/// What follows after a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Then {
    /// The next line.
    Next,
    /// Nothing.
    End,
    /// A subprogram, so many times.
    Call { label: u32, times: u32 },
    /// Back from one.
    Return,
}

/// Everything in force.
#[derive(Clone, Debug)]
pub(super) struct State {
    pub(super) spot: [f64; 3],
    pub(super) motion: Motion,
    pub(super) plane: Plane,
    pub(super) absolute: bool,
    pub(super) absolute_centres: bool,
    pub(super) feed_mode: FeedMode,
    /// F as told, in mm/min or mm a turn; in inverse time in 1/min.
    pub(super) feed: Option<f64>,
    pub(super) speed: Option<f64>,
    turning: Turning,
    pub(super) sticky: Sticky,
    pub(super) to_first: bool,
    pub(super) exact_stop: bool,
    unit: Option<UnitOfLength>,
    length: LengthOffset,
    pub(super) zero: Zero,
    pub(super) any_motion: bool,
    next_tool: Option<u32>,
}

/// The codes of a line, each understood.
#[derive(Debug, Default)]
pub(super) struct Orders {
    g: Vec<G>,
    m: Vec<M>,
}

impl Default for State {
    fn default() -> Self {
        State {
            spot: Spot::UNKNOWN.0,
            motion: Motion::None,
            plane: Plane::Xy,
            absolute: true,
            absolute_centres: false,
            feed_mode: FeedMode::PerMinute,
            feed: None,
            speed: None,
            turning: Turning::Stopped,
            sticky: Sticky::default(),
            to_first: true,
            exact_stop: false,
            unit: None,
            length: LengthOffset::Untouched,
            zero: Zero::default(),
            any_motion: false,
            next_tool: None,
        }
    }
}

impl Orders {
    fn read(&mut self, block: &Block, reading: &Reading, out: &mut VecDeque<Deed>) -> Result<(), Flaw> {
        self.g.clear();
        self.m.clear();
        let mut groups = (0_u32, 0_u32);
        let mut once = |seen: fn(&mut (u32, u32)) -> &mut u32, group: u8| {
            let bit = 1 << group;
            let seen = seen(&mut groups);
            let again = *seen & bit != 0;
            *seen |= bit;
            again
        };
        let clash = |letter, word: &super::block::CodeWord| {
            let what = format!("{} contradicts another code of the line", codes::shown(letter, word.tenths));
            flaw(word.columns.clone(), what, "leave one out, or write two lines")
        };
        for word in &block.g {
            if ignored(reading, 'G', word.tenths, out) {
                continue;
            }
            let order = codes::g(word)?;
            if once(|groups| &mut groups.0, order.group()) {
                return Err(clash('G', word));
            }
            self.g.push(order);
        }
        for word in &block.m {
            if ignored(reading, 'M', word.tenths, out) {
                continue;
            }
            let order = codes::m(word)?;
            // Mist and flood may be switched on together; NISTIR 6556, 3.6.4.
            if once(|groups| &mut groups.1, order.group()) && order != M::Aside(8) {
                return Err(clash('M', word));
            }
            self.m.push(order);
        }
        Ok(())
    }

    pub(super) fn g(&self) -> &[G] {
        &self.g
    }

    pub(super) fn has(&self, order: G) -> bool {
        self.g.contains(&order)
    }
}

fn ignored(reading: &Reading, letter: char, tenths: u16, out: &mut VecDeque<Deed>) -> bool {
    let code = Code { letter, tenths };
    let found = !reading.ignored.is_empty() && reading.ignored.contains(&code);
    if found {
        out.push_back(Deed::Note(Note::Ignored(code)));
    }
    found
}

impl State {
    /// Before the first line.
    pub(super) fn at(start: Spot) -> Self {
        State { spot: start.0, ..State::default() }
    }

    /// Carries a line out: what it does is appended to `out`.
    pub(super) fn carry_out(
        &mut self,
        block: &mut Block,
        orders: &mut Orders,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<Then, Flaw> {
        orders.read(block, reading, out)?;
        self.take_modes(orders);
        let speed = self.speed;
        self.take_feed_and_speed(block, orders, reading, out)?;
        self.take_tool(block, orders, out)?;
        self.take_spindle(orders, self.speed != speed, out);
        self.take_dwell(block, orders, reading, out)?;
        self.take_length(block, orders)?;
        self.take_zero(orders, block, reading, out)?;
        self.take_shifts_and_motion(block, orders, reading, out)?;
        let then = Self::take_stops(block, orders, out)?;
        block.nothing_left()?;
        Ok(then)
    }

    fn take_modes(&mut self, orders: &Orders) {
        for order in &orders.g {
            match *order {
                G::Plane(plane) => self.plane = plane,
                G::Unit(unit) => self.unit = Some(unit),
                G::Places { absolute } => self.absolute = absolute,
                G::Centres { absolute } => self.absolute_centres = absolute,
                G::FeedMode(mode) if mode != self.feed_mode => {
                    self.feed_mode = mode;
                    self.feed = None;
                }
                G::Return { to_first } => self.to_first = to_first,
                G::Path { exact_stop } => self.exact_stop = exact_stop,
                G::Motion(_)
                | G::Dwell
                | G::Machine
                | G::Home
                | G::SetHere
                | G::DropShift { .. }
                | G::RestoreShift
                | G::LocalShift
                | G::FeedMode(_)
                | G::Length { .. }
                | G::Zero(_)
                | G::Off(_) => {}
            }
        }
    }

    /// Millimetres in the unit in force.
    pub(super) fn scale(&mut self, reading: &Reading, out: &mut VecDeque<Deed>) -> f64 {
        let unit = *self.unit.get_or_insert_with(|| {
            out.push_back(Deed::Note(Note::UnitAssumed));
            reading.unit
        });
        unit.millimetres()
    }

    fn take_feed_and_speed(
        &mut self,
        block: &mut Block,
        orders: &Orders,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        // A dwell told by F is refused with the dwell.
        if !orders.has(G::Dwell)
            && let Some(word) = block.take(b'F')
        {
            let length = if self.feed_mode == FeedMode::InverseTime { 1.0 } else { self.scale(reading, out) };
            let feed = word.value * length;
            if feed.is_nan() || feed <= 0.0 || feed > FASTEST {
                let what = format!("the feed F{} is not above 0 and at most {FASTEST} mm/min", word.value);
                return Err(flaw(word.columns, what, "correct F"));
            }
            self.feed = Some(feed);
        } else if self.feed_mode == FeedMode::InverseTime {
            self.feed = None;
        }
        if let Some(word) = block.take(b'S') {
            if !(0.0..=FASTEST_SPINDLE).contains(&word.value) {
                let what = format!("the speed S{} is not from 0 to {FASTEST_SPINDLE}", word.value);
                return Err(flaw(word.columns, what, "correct S"));
            }
            self.speed = Some(word.value);
        }
        Ok(())
    }

    fn take_tool(&mut self, block: &mut Block, orders: &Orders, out: &mut VecDeque<Deed>) -> Result<(), Flaw> {
        if let Some(word) = block.take(b'T') {
            let tool = whole_of(&word, 'T', 0, HIGHEST_TOOL)?;
            self.next_tool = Some(tool);
            if !orders.m.contains(&M::Change) {
                out.push_back(Deed::Prepare(tool));
            }
        }
        if orders.m.contains(&M::Change) {
            let Some(tool) = self.next_tool else {
                let spot = block.m.iter().find(|word| word.tenths == 60).map_or(0..0, |word| word.columns.clone());
                return Err(flaw(spot, "M6 changes the tool, but no T says to which", "write T and its number"));
            };
            out.push_back(Deed::Change(tool));
        }
        Ok(())
    }

    /// A spindle that turns follows S without a code of its own.
    fn take_spindle(&mut self, orders: &Orders, other_speed: bool, out: &mut VecDeque<Deed>) {
        let told =
            orders.m.iter().find_map(|order| if let M::Spindle(turning) = order { Some(*turning) } else { None });
        self.turning = told.unwrap_or(self.turning);
        let turns = self.turning != Turning::Stopped;
        if told.is_some() || turns && other_speed {
            out.push_back(Deed::Spindle(self.turning, self.speed.filter(|_| turns)));
        }
    }

    fn take_dwell(
        &mut self,
        block: &mut Block,
        orders: &Orders,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        if !orders.has(G::Dwell) {
            return Ok(());
        }
        let (word, unit) = match (block.take(b'P'), block.look(b'X').is_some()) {
            (Some(word), false) => (Some(word), reading.dwell),
            (None, true) => (block.take(b'X'), DwellUnit::Seconds),
            (given, _) => (given, reading.dwell),
        };
        let Some(word) = word else {
            let spot = block.g.iter().find(|word| word.tenths == 40).map_or(0..0, |word| word.columns.clone());
            return Err(flaw(spot, "G4 does not say how long", "write P and the time"));
        };
        let seconds = match unit {
            DwellUnit::Seconds => word.value,
            DwellUnit::Milliseconds => word.value / 1000.0,
        };
        if !(0.0..=LONGEST_DWELL).contains(&seconds) {
            let what = format!("a dwell of {seconds} s is not from 0 to {LONGEST_DWELL} s");
            return Err(flaw(word.columns, what, "correct it, or the card's dwell_unit"));
        }
        if seconds > LONG_DWELL && unit == DwellUnit::Seconds {
            out.push_back(Deed::Note(Note::LongDwell));
        }
        out.push_back(Deed::Dwell(Span::from_secs_f64(seconds)));
        Ok(())
    }

    fn take_length(&mut self, block: &mut Block, orders: &Orders) -> Result<(), Flaw> {
        for order in &orders.g {
            if let G::Length { on } = *order {
                if on && let Some(word) = block.take(b'H') {
                    whole_of(&word, 'H', 0, HIGHEST_TOOL)?;
                }
                let next = match (on, self.length) {
                    (true, _) => LengthOffset::On,
                    (false, LengthOffset::On) => LengthOffset::Off,
                    (false, kept) => kept,
                };
                if (self.length == LengthOffset::Off) != (next == LengthOffset::Off) {
                    self.spot[2] = f64::NAN;
                }
                self.length = next;
            }
        }
        Ok(())
    }

    fn take_stops(block: &mut Block, orders: &Orders, out: &mut VecDeque<Deed>) -> Result<Then, Flaw> {
        for order in &orders.m {
            match order {
                M::Pause { optional } => out.push_back(Deed::Pause { optional: *optional }),
                M::End => return Ok(Then::End),
                M::Call => return call(block),
                M::Return => return Ok(Then::Return),
                M::Spindle(_) | M::Change | M::Aside(_) => {}
            }
        }
        Ok(Then::Next)
    }

    /// Shifts of the zero, then the motion; both want the axis words.
    fn take_shifts_and_motion(
        &mut self,
        block: &mut Block,
        orders: &Orders,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        self.take_motion(orders);
        for order in &orders.g {
            match *order {
                G::SetHere => self.set_here(block, reading, out)?,
                G::LocalShift => self.set_local(block, reading, out)?,
                G::DropShift { kept } => self.zero.drop_shift(kept),
                G::RestoreShift => self.zero.restore_shift(),
                G::Home => return self.go_home(block, reading, out),
                G::Motion(_)
                | G::Dwell
                | G::Machine
                | G::Plane(_)
                | G::Unit(_)
                | G::Places { .. }
                | G::Centres { .. }
                | G::FeedMode(_)
                | G::Length { .. }
                | G::Return { .. }
                | G::Zero(_)
                | G::Path { .. }
                | G::Off(_) => {}
            }
        }
        if orders.has(G::Path { exact_stop: false }) {
            // How far a corner may be rounded; nothing that matters at a kerf's width.
            block.take(b'P');
            block.take(b'Q');
        }
        if orders.has(G::Machine) {
            return self.go_by_the_machine(block, out);
        }
        self.any_motion |= self.move_by(block, reading, out)?;
        Ok(())
    }

    /// `G80` ends the cycle in force; a motion that stands beside it then holds.
    fn take_motion(&mut self, orders: &Orders) {
        let none = orders.has(G::Motion(Motion::None)).then_some(Motion::None);
        let other = orders.g.iter().find_map(|order| match *order {
            G::Motion(motion) if motion != Motion::None => Some(motion),
            _ => None,
        });
        for motion in none.into_iter().chain(other) {
            self.set_motion(motion);
        }
    }

    fn set_motion(&mut self, motion: Motion) {
        if !matches!((self.motion, motion), (Motion::Drill(_), Motion::Drill(_))) {
            self.sticky = Sticky::default();
        }
        self.motion = motion;
    }

    /// An axis word in mm.
    pub(super) fn axis(&mut self, block: &mut Block, letter: u8, scale: f64) -> Result<Option<f64>, Flaw> {
        let Some(word) = block.take(letter) else { return Ok(None) };
        let value = word.value * scale;
        if value.abs() <= FARTHEST {
            return Ok(Some(value));
        }
        let what = format!("{}{} is farther than {FARTHEST} mm", char::from(letter), word.value);
        Err(flaw(word.columns, what, "correct it, or the unit"))
    }

    /// The axis words in mm.
    pub(super) fn axes(&mut self, block: &mut Block, scale: f64) -> Result<[Option<f64>; 3], Flaw> {
        Ok([self.axis(block, b'X', scale)?, self.axis(block, b'Y', scale)?, self.axis(block, b'Z', scale)?])
    }

    /// Takes the cutter to be where a refused line would have brought it, so that one mistake is told once.
    pub(super) fn assume(&mut self, block: &Block, reading: &Reading) {
        let scale = self.unit.unwrap_or(reading.unit).millimetres();
        for (axis, letter) in b"XYZ".iter().enumerate() {
            if let Some(word) = block.look(*letter) {
                let from = if self.absolute { self.zero.told(axis) } else { self.spot[axis] };
                self.spot[axis] = from + word.value * scale;
            }
        }
    }

    /// Whether any line has moved the cutter.
    pub(super) fn has_moved(&self) -> bool {
        self.any_motion
    }

    /// Whether Z words are not those of the tip.
    pub(super) fn tip_is_unknown(&self) -> bool {
        self.length == LengthOffset::Off
    }
}

/// A word that must be a whole number.
pub(super) fn whole_of(word: &Word, letter: char, least: i64, most: i64) -> Result<u32, Flaw> {
    let whole = super::expression::whole(word.value).filter(|whole| (least..=most).contains(whole));
    whole.and_then(|whole| u32::try_from(whole).ok()).ok_or_else(|| {
        let what = format!("{letter}{} is not a whole number from {least} to {most}", word.value);
        flaw(word.columns.clone(), what, "correct it")
    })
}

fn call(block: &mut Block) -> Result<Then, Flaw> {
    let Some(word) = block.take(b'P') else {
        let spot = block.m.iter().find(|word| word.tenths == 980).map_or(0..0, |word| word.columns.clone());
        return Err(flaw(spot, "M98 does not say which subprogram", "write P and its number"));
    };
    let label = whole_of(&word, 'P', 0, 999_999_999)?;
    let times = block.take(b'L').map_or(Ok(1), |word| whole_of(&word, 'L', 0, 999_999))?;
    Ok(Then::Call { label, times })
}
