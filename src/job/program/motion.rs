//! From axis words to moves.

use std::collections::VecDeque;

use super::arc::Ends;
use super::block::Block;
use super::codes::{Drill, FeedMode, Motion};
use super::cycle::{Hole, Stroke};
use super::refusal::{Flaw, flaw, flaw_of_line};
use super::settings::Reading;
use super::state::{State, whole_of};
use super::step::{Arc, Deed, Move, Note, Pace, Spot, Way};
use crate::moment::Span;
use crate::units::Speed;

const AXES: [u8; 3] = *b"XYZ";
const CENTRES: [u8; 3] = *b"IJK";

/// The most strokes that one line's cycle may drill.
const MOST_STROKES: usize = 10_000;

impl State {
    /// Moves as the motion in force says; false if the line has no axis words.
    pub(super) fn move_by(
        &mut self,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<bool, Flaw> {
        let told = block.any(&AXES);
        match self.motion {
            Motion::None => return Ok(false),
            Motion::Rapid | Motion::Feed | Motion::Drill(_) if !told => return Ok(false),
            Motion::Round { .. } if !told && !block.any(&CENTRES) => return Ok(false),
            Motion::Rapid => {
                let to = self.target(block, reading, out)?;
                self.go(to, Way::Line, Pace::Rapid, out);
            }
            Motion::Feed | Motion::Round { .. } if self.tip_is_unknown() => {
                return Err(flaw_of_line("the cutter feeds where G49 has left its tip unknown", "write G43 before it"));
            }
            Motion::Feed => {
                let to = self.target(block, reading, out)?;
                let pace = self.pace()?;
                self.go(to, Way::Line, pace, out);
            }
            Motion::Round { clockwise } => self.go_round(clockwise, block, reading, out)?,
            Motion::Drill(drill) => self.drill(drill, block, reading, out)?,
        }
        Ok(true)
    }

    fn go(&mut self, to: [f64; 3], way: Way, pace: Pace, out: &mut VecDeque<Deed>) {
        let (from, exact_stop) = (Spot(self.spot), self.exact_stop);
        self.spot = to;
        out.push_back(Deed::Move(Move { from, to: Spot(to), way, pace, exact_stop }));
    }

    fn pace(&self) -> Result<Pace, Flaw> {
        let Some(feed) = self.feed else {
            let what = match self.feed_mode {
                FeedMode::InverseTime => "in inverse time (G93) every line that cuts wants its own F",
                FeedMode::PerMinute | FeedMode::PerTurn => "the cutter is to feed, but no F has been given",
            };
            return Err(flaw_of_line(what, "write F and the feed"));
        };
        match (self.feed_mode, self.speed) {
            (FeedMode::PerMinute, _) => Ok(Pace::Feed(Speed::from_millimetres_per_minute(feed))),
            (FeedMode::InverseTime, _) => Ok(Pace::Within(Span::from_secs_f64(60.0 / feed))),
            (FeedMode::PerTurn, Some(speed)) if speed > 0.0 => {
                Ok(Pace::Feed(Speed::from_millimetres_per_minute(feed * speed)))
            }
            (FeedMode::PerTurn, _) => {
                Err(flaw_of_line("the feed is told per turn (G95), but no speed S has been given", "write S"))
            }
        }
    }

    /// The place that the axis words name.
    fn target(&mut self, block: &mut Block, reading: &Reading, out: &mut VecDeque<Deed>) -> Result<[f64; 3], Flaw> {
        let scale = self.scale(reading, out);
        let columns = AXES.map(|letter| block.look(letter).map_or(0..0, |word| word.columns.clone()));
        let told = self.axes(block, scale)?;
        let zero = self.zero(reading);
        let mut to = self.spot;
        for (axis, told) in told.into_iter().enumerate() {
            let Some(told) = told else { continue };
            to[axis] = if self.absolute { zero[axis] + told } else { self.spot[axis] + told };
            if axis == 2 && self.tip_is_unknown() {
                to[axis] = f64::NAN;
            } else if to[axis].is_nan() {
                let what = "a step is told from a place that the program has not named";
                return Err(flaw(columns[axis].clone(), what, "begin with G90 and a move to a place"));
            }
        }
        Ok(to)
    }

    fn go_round(
        &mut self,
        clockwise: bool,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        let from = self.spot;
        let to = self.target(block, reading, out)?;
        if from.iter().chain(&to).any(|value| value.is_nan()) {
            return Err(flaw_of_line(
                "an arc begins at a place that the program has not named in x, y and z",
                "move there first with G0 or G1",
            ));
        }
        let [first, second, _] = self.plane.axes();
        let ends =
            Ends { plane: self.plane, clockwise, from: [from[first], from[second]], to: [to[first], to[second]] };
        let arc = self.arc(&ends, block, reading, out)?;
        let pace = self.pace()?;
        self.go(to, Way::Arc(arc), pace, out);
        Ok(())
    }

    fn arc(
        &mut self,
        ends: &Ends,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<Arc, Flaw> {
        let scale = self.scale(reading, out);
        let radius = block.look(b'R').map_or(0..0, |word| word.columns.clone());
        if let Some(radius_told) = self.axis(block, b'R', scale)? {
            if block.any(&CENTRES) {
                return Err(flaw(radius, "both a radius and a centre are told", "leave one out"));
            }
            return ends.of_radius(radius_told, radius);
        }
        let zero = self.zero(reading);
        let [first, second, _] = ends.plane.axes();
        let mut centre = ends.from;
        let mut columns = None;
        for (place, axis) in [(0, first), (1, second)] {
            let spot = block.look(CENTRES[axis]).map(|word| word.columns.clone());
            let told = self.axis(block, CENTRES[axis], scale)?;
            columns = columns.or(spot);
            match told {
                Some(told) if self.absolute_centres => centre[place] = zero[axis] + told,
                Some(told) => centre[place] += told,
                None if self.absolute_centres => columns = None,
                None => {}
            }
        }
        let Some(columns) = columns else {
            let both = [first, second].map(|axis| char::from(CENTRES[axis]));
            let what = "the arc has neither a radius nor its centre";
            return Err(flaw_of_line(what, format!("write {} and {}, or R", both[0], both[1])));
        };
        ends.about(centre, columns)
    }

    fn drill(
        &mut self,
        drill: Drill,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        if self.plane.axes()[2] != 2 {
            return Err(flaw_of_line("a drilling cycle stands in another plane than XY", "write G17"));
        }
        let scale = self.scale(reading, out);
        let first_height = self.spot[2];
        let hole = self.hole(drill, block, scale, reading)?;
        let pace = self.pace()?;
        let times = block.take(b'L').map_or(Ok(1), |word| whole_of(&word, 'L', 1, 10_000))?;
        let strokes = hole.strokes(drill);
        if strokes.len().saturating_mul(times as usize) > MOST_STROKES {
            let what = format!("the line drills more than {MOST_STROKES} strokes");
            return Err(flaw_of_line(what, "correct L or Q"));
        }
        if first_height.is_nan() || first_height < hole.clear {
            self.go_along_z(hole.clear, Pace::Rapid, out);
        }
        let columns = [b'X', b'Y'].map(|letter| block.look(letter).map_or(0..0, |word| word.columns.clone()));
        let told = [self.axis(block, b'X', scale)?, self.axis(block, b'Y', scale)?];
        let zero = self.zero(reading);
        for _ in 0..times {
            let mut to = self.spot;
            for axis in 0..2 {
                let Some(told) = told[axis] else { continue };
                to[axis] = if self.absolute { zero[axis] + told } else { self.spot[axis] + told };
                if to[axis].is_nan() {
                    let what = "a step is told from a place that the program has not named";
                    return Err(flaw(columns[axis].clone(), what, "begin with G90 and a move to a place"));
                }
            }
            self.go(to, Way::Line, Pace::Rapid, out);
            if to[2] > hole.clear {
                self.go_along_z(hole.clear, Pace::Rapid, out);
            }
            for stroke in &strokes {
                match stroke {
                    Stroke::Rapid(height) => self.go_along_z(*height, Pace::Rapid, out),
                    Stroke::Feed(height) => self.go_along_z(*height, pace, out),
                    Stroke::Wait(seconds) => out.push_back(Deed::Dwell(Span::from_secs_f64(*seconds))),
                }
            }
        }
        Ok(())
    }

    fn go_along_z(&mut self, height: f64, pace: Pace, out: &mut VecDeque<Deed>) {
        self.go([self.spot[0], self.spot[1], height], Way::Line, pace, out);
    }

    /// The hole that a line tells, with what earlier lines of the cycle have told.
    fn hole(&mut self, drill: Drill, block: &mut Block, scale: f64, reading: &Reading) -> Result<Hole, Flaw> {
        if self.tip_is_unknown() {
            return Err(flaw_of_line("a cycle drills where G49 has left the tip unknown", "write G43 before it"));
        }
        let (peck, wait) = (block.look(b'Q').cloned(), block.take(b'P'));
        self.sticky.clear = self.axis(block, b'R', scale)?.or(self.sticky.clear);
        self.sticky.bottom = self.axis(block, b'Z', scale)?.or(self.sticky.bottom);
        self.sticky.peck = self.axis(block, b'Q', scale)?.or(self.sticky.peck);
        self.sticky.wait = wait.as_ref().map(|word| word.value).or(self.sticky.wait);
        let (Some(clear), Some(bottom)) = (self.sticky.clear, self.sticky.bottom) else {
            return Err(flaw_of_line(
                "the drilling cycle lacks R or Z",
                "write R, the clear height, and Z, the bottom",
            ));
        };
        let zero = self.zero(reading)[2];
        let clear = if self.absolute { zero + clear } else { self.spot[2] + clear };
        let bottom = if self.absolute { zero + bottom } else { clear + bottom };
        if clear.is_nan() {
            let what = "a cycle counts R from a height that the program has not named";
            return Err(flaw_of_line(what, "write G90, or move to a height first"));
        }
        if bottom > clear {
            let what = format!("the hole's bottom, {bottom} mm, lies above its clear height, {clear} mm");
            return Err(flaw_of_line(what, "correct Z or R"));
        }
        let hole = Hole {
            clear,
            bottom,
            peck: self.pecks(drill, peck.map_or(0..0, |word| word.columns))?,
            wait: self.wait(drill, reading)?,
            back_to: if self.to_first { self.spot[2].max(clear) } else { clear },
        };
        if hole.has_too_many_pecks() {
            return Err(flaw_of_line("the hole takes more than 10000 pecks", "correct Q"));
        }
        Ok(hole)
    }

    fn pecks(&self, drill: Drill, columns: std::ops::Range<usize>) -> Result<Option<f64>, Flaw> {
        match drill {
            Drill::Pecking | Drill::ChipBreaking => match self.sticky.peck {
                Some(peck) if peck > 0.0 => Ok(Some(peck)),
                Some(_) => Err(flaw(columns, "the peck Q is not above 0", "correct Q")),
                None => Err(flaw_of_line("the pecking cycle lacks its peck", "write Q and the depth of a peck")),
            },
            Drill::Plain
            | Drill::Dwelling
            | Drill::Tapping
            | Drill::Reaming
            | Drill::Boring
            | Drill::ReamingWithDwell => Ok(None),
        }
    }

    fn wait(&self, drill: Drill, reading: &Reading) -> Result<Option<f64>, Flaw> {
        let unit = match reading.dwell {
            super::settings::DwellUnit::Seconds => 1.0,
            super::settings::DwellUnit::Milliseconds => 0.001,
        };
        let told = self.sticky.wait.map(|wait| wait * unit);
        if let Some(seconds) = told.filter(|seconds| !(0.0..=3600.0).contains(seconds)) {
            return Err(flaw_of_line(format!("a dwell of {seconds} s is not from 0 to 3600 s"), "correct P"));
        }
        match drill {
            Drill::Dwelling | Drill::Boring | Drill::ReamingWithDwell => Ok(told),
            Drill::Plain | Drill::Pecking | Drill::ChipBreaking | Drill::Tapping | Drill::Reaming => Ok(None),
        }
    }

    /// `G28`, `G30`: by way of the place told to one that only the machine knows.
    pub(super) fn go_home(
        &mut self,
        block: &mut Block,
        reading: &Reading,
        out: &mut VecDeque<Deed>,
    ) -> Result<(), Flaw> {
        let named = AXES.map(|letter| block.look(letter).is_some());
        let scale = self.scale(reading, out);
        let told = self.axes(block, scale)?;
        let zero = self.zero(reading);
        let mut by = self.spot;
        for (axis, told) in told.into_iter().enumerate() {
            let Some(told) = told else { continue };
            by[axis] = if self.absolute { zero[axis] + told } else { self.spot[axis] + told };
        }
        if by.iter().zip(self.spot).any(|(by, here)| by.is_finite() && (by - here).abs() > 0.0) {
            self.go(by, Way::Line, Pace::Rapid, out);
        }
        self.leave(if named == [false; 3] { [true; 3] } else { named }, out);
        Ok(())
    }

    /// `G53`: to a place in the machine's own coordinates.
    pub(super) fn go_by_the_machine(&mut self, block: &mut Block, out: &mut VecDeque<Deed>) -> Result<(), Flaw> {
        if !matches!(self.motion, Motion::Rapid) {
            return Err(flaw_of_line("G53 feeds to a place that only the machine knows", "use G0 with G53"));
        }
        let named = AXES.map(|letter| block.take(letter).is_some());
        if named == [false; 3] {
            return Err(flaw_of_line("G53 names no place", "write X, Y or Z"));
        }
        self.leave(named, out);
        Ok(())
    }

    fn leave(&mut self, axes: [bool; 3], out: &mut VecDeque<Deed>) {
        out.push_back(Deed::Note(Note::MachinePlace));
        let to = std::array::from_fn(|axis| if axes[axis] { f64::NAN } else { self.spot[axis] });
        self.go(to, Way::Line, Pace::Rapid, out);
    }
}
