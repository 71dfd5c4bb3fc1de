//! What the light shows: a pattern by the colour meanings of IEC 60204-1, and the coils that set it.
//!
//! IEC 60204-1, 10.3.2 (from memory): red is an emergency, yellow an abnormal condition, green normal, blue a mandatory
//! action, white anything else. Without the computer no lamp is lit; that is why darkness stands for an unwatched table.

use serde::{Deserialize, Serialize};

use crate::line::{LineId, WiresId};
use crate::moment::{Span, Steady};

/// One lamp of the light. Steady and flashing are the only two codes; no finer one is read at a glance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Lamp {
    /// Dark.
    #[default]
    Off,
    /// Lit.
    Steady,
    /// On and off at 1 Hz.
    Flashing,
}

impl Lamp {
    /// Whether the lamp is lit at an instant; all flashing lamps are lit in the first half of each steady second.
    pub fn is_lit(self, at: Steady) -> bool {
        match self {
            Lamp::Off => false,
            Lamp::Steady => true,
            Lamp::Flashing => at.nanos() % SECOND < SECOND / 2,
        }
    }
}

/// A colour of the light, the most pressing first, with its meaning by IEC 60204-1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Colour {
    /// Danger: stop now.
    Red,
    /// Abnormal: look into it.
    Yellow,
    /// Normal.
    Green,
    /// Something must be done, at leisure.
    Blue,
    /// Neutral, or not yet trusted.
    White,
}

impl Colour {
    /// Every colour, the most pressing first.
    pub const ALL: [Colour; 5] = [Colour::Red, Colour::Yellow, Colour::Green, Colour::Blue, Colour::White];
}

/// What the whole light shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Pattern {
    /// Danger: stop now.
    pub red: Lamp,
    /// Abnormal: look into it.
    pub yellow: Lamp,
    /// Normal.
    pub green: Lamp,
    /// Something must be done, at leisure.
    pub blue: Lamp,
    /// Neutral, or not yet trusted.
    pub white: Lamp,
    /// Whether the horn sounds.
    pub horn: bool,
    /// Whether the machine is advised to hold its feed. Advice, and never a safety function.
    #[serde(default)]
    pub feed_hold: bool,
}

impl Pattern {
    /// Everything dark: nobody is watching.
    pub const DARK: Pattern = Pattern {
        red: Lamp::Off,
        yellow: Lamp::Off,
        green: Lamp::Off,
        blue: Lamp::Off,
        white: Lamp::Off,
        horn: false,
        feed_hold: false,
    };

    /// One colour alone, silent.
    pub fn only(colour: Colour, lamp: Lamp) -> Self {
        Pattern::DARK.with(colour, lamp)
    }

    /// The same with one colour's lamp set.
    #[must_use]
    pub fn with(mut self, colour: Colour, lamp: Lamp) -> Self {
        match colour {
            Colour::Red => self.red = lamp,
            Colour::Yellow => self.yellow = lamp,
            Colour::Green => self.green = lamp,
            Colour::Blue => self.blue = lamp,
            Colour::White => self.white = lamp,
        }
        self
    }

    /// The same with the horn sounding.
    #[must_use]
    pub fn with_horn(self) -> Self {
        Pattern { horn: true, ..self }
    }

    /// The same with the machine advised to hold its feed.
    #[must_use]
    pub fn with_feed_hold(self) -> Self {
        Pattern { feed_hold: true, ..self }
    }

    /// The lamp of one colour.
    pub fn lamp(&self, colour: Colour) -> Lamp {
        match colour {
            Colour::Red => self.red,
            Colour::Yellow => self.yellow,
            Colour::Green => self.green,
            Colour::Blue => self.blue,
            Colour::White => self.white,
        }
    }

    /// What the lamp test shows a while after it began: each colour for a second, then the horn for half a second;
    /// `None` when it is over.
    pub fn lamp_test(since: Span) -> Option<Pattern> {
        let step = usize::try_from(since.nanos() / SECOND).unwrap_or(usize::MAX);
        match Colour::ALL.get(step) {
            Some(colour) => Some(Pattern::only(*colour, Lamp::Steady)),
            None if since < LAMP_TEST => Some(Pattern::DARK.with_horn()),
            None => None,
        }
    }
}

/// How long the whole lamp test lasts.
pub const LAMP_TEST: Span = Span::from_millis(5_500);

/// What one output of a light is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Duty {
    /// A colour's lamp.
    Lamp(Colour),
    /// The horn.
    Horn,
    /// Changes once a second as long as this program runs.
    Heartbeat,
    /// Advises the machine to hold its feed. If it pulses, it is on for the first half of each second only, for a timing relay that
    /// lets go when the pulses stay away: an output that stays as it was when this program dies must not go on asking.
    FeedHold {
        /// Whether it pulses.
        pulses: bool,
    },
}

impl Duty {
    /// Whether the output is on for a pattern at an instant.
    pub fn is_on(self, pattern: &Pattern, at: Steady) -> bool {
        match self {
            Duty::Lamp(colour) => pattern.lamp(colour).is_lit(at),
            Duty::Horn => pattern.horn,
            Duty::Heartbeat => (at.nanos() / SECOND).is_multiple_of(2),
            Duty::FeedHold { pulses } => pattern.feed_hold && (!pulses || Lamp::Flashing.is_lit(at)),
        }
    }

    /// Whether it changes by itself, without another pattern.
    pub fn turns(self, pattern: &Pattern) -> bool {
        match self {
            Duty::Lamp(colour) => pattern.lamp(colour) == Lamp::Flashing,
            Duty::Horn => false,
            Duty::Heartbeat => true,
            Duty::FeedHold { pulses } => pulses && pattern.feed_hold,
        }
    }
}

/// A light whose outputs are wires: the modem-control lines of a serial port, or lines of a GPIO chip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WiredLight {
    /// The name the setup gives it.
    pub name: String,
    /// The device that has the wires.
    pub wires: WiresId,
    /// Each output's duty, its place among the device's outputs, and whether it is on at a low level.
    pub outputs: Vec<(Duty, u8, bool)>,
}

impl WiredLight {
    /// The levels of its outputs at an instant, each at its place in the word; and a word of those places.
    pub fn levels(&self, pattern: &Pattern, at: Steady) -> (u64, u64) {
        self.outputs.iter().fold((0, 0), |(levels, places), (duty, place, low)| {
            let bit = 1_u64.checked_shl(u32::from(*place)).unwrap_or_default();
            (if duty.is_on(pattern, at) == *low { levels } else { levels | bit }, places | bit)
        })
    }

    /// Whether an output changes by itself, without another pattern.
    pub fn turns(&self, pattern: &Pattern) -> bool {
        self.outputs.iter().any(|(duty, ..)| duty.turns(pattern))
    }
}

/// A relay unit on a Modbus line that switches the light: one coil for each colour, one for the horn.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LightSettings {
    /// The name the setup gives it.
    pub name: String,
    /// The line it is on.
    pub line: LineId,
    /// The unit's address, 1 to 247.
    pub unit: u8,
    /// The coil of each colour that there is.
    pub red: Option<u16>,
    /// See `red`.
    pub yellow: Option<u16>,
    /// See `red`.
    pub green: Option<u16>,
    /// See `red`.
    pub blue: Option<u16>,
    /// See `red`.
    pub white: Option<u16>,
    /// The horn's coil.
    pub horn: Option<u16>,
    /// A coil that changes once a second as long as this program runs, for a relay that cuts the light's supply when
    /// the change stays away.
    pub heartbeat: Option<u16>,
    /// A coil that pulses while the machine is advised to hold its feed; see [`Duty::FeedHold`].
    #[serde(default)]
    pub feed_hold: Option<u16>,
}

impl LightSettings {
    /// The state of each coil at an instant, in the order of their addresses; a coil named twice is on if either is.
    pub fn coils(&self, pattern: &Pattern, at: Steady) -> Vec<(u16, bool)> {
        let lamps = Colour::ALL.map(|colour| (self.coil(colour), Duty::Lamp(colour)));
        let hold = (self.feed_hold, Duty::FeedHold { pulses: true });
        let others = [(self.horn, Duty::Horn), (self.heartbeat, Duty::Heartbeat), hold];
        let duties = lamps.into_iter().chain(others);
        let mut coils: Vec<(u16, bool)> =
            duties.filter_map(|(coil, duty)| Some((coil?, duty.is_on(pattern, at)))).collect();
        coils.sort_unstable_by_key(|(coil, on)| (*coil, !on));
        coils.dedup_by_key(|(coil, _)| *coil);
        coils
    }

    /// The coil of one colour, if there is one.
    pub fn coil(&self, colour: Colour) -> Option<u16> {
        match colour {
            Colour::Red => self.red,
            Colour::Yellow => self.yellow,
            Colour::Green => self.green,
            Colour::Blue => self.blue,
            Colour::White => self.white,
        }
    }
}

/// The first instant after `at` at which a coil may change without a new pattern: flashing and heartbeat turn on the
/// half seconds.
pub fn next_turn(at: Steady) -> Steady {
    Steady::from_nanos((at.nanos() / (SECOND / 2) + 1).saturating_mul(SECOND / 2))
}

const SECOND: u64 = Span::from_secs(1).nanos();

#[cfg(test)]
mod tests {
    use super::*;

    fn light() -> LightSettings {
        LightSettings {
            name: "hold-down".into(),
            line: LineId(0),
            unit: 9,
            red: Some(4),
            yellow: Some(3),
            green: Some(2),
            blue: None,
            white: Some(7),
            horn: Some(0),
            heartbeat: Some(8),
            feed_hold: None,
        }
    }

    fn millis(millis: u64) -> Steady {
        Steady::from_nanos(millis * 1_000_000)
    }

    #[test]
    fn a_flashing_lamp_is_lit_for_half_of_every_second() {
        let lit: Vec<bool> = (0..8).map(|quarter| Lamp::Flashing.is_lit(millis(quarter * 250))).collect();
        assert_eq!(lit, [true, true, false, false, true, true, false, false]);
        assert!(Lamp::Steady.is_lit(millis(750)));
        assert!(!Lamp::Off.is_lit(millis(0)));
    }

    #[test]
    fn coils_come_in_the_order_of_their_addresses() {
        let pattern = Pattern::only(Colour::Red, Lamp::Flashing).with(Colour::Green, Lamp::Steady);
        let early = [(0, false), (2, true), (3, false), (4, true), (7, false), (8, true)];
        let late = [(0, false), (2, true), (3, false), (4, false), (7, false), (8, true)];
        assert_eq!(light().coils(&pattern, millis(100)), early);
        assert_eq!(light().coils(&pattern, millis(600)), late);
    }

    #[test]
    fn the_heartbeat_changes_once_a_second_whatever_is_shown() {
        let beat = |at| light().coils(&Pattern::DARK, at).last().copied();
        assert_eq!(beat(millis(0)), Some((8, true)));
        assert_eq!(beat(millis(999)), Some((8, true)));
        assert_eq!(beat(millis(1_000)), Some((8, false)));
        assert_eq!(beat(millis(2_000)), Some((8, true)));
    }

    #[test]
    fn a_coil_that_two_colours_share_is_on_for_either() {
        let shared = LightSettings { yellow: Some(4), heartbeat: None, ..light() };
        let red = shared.coils(&Pattern::only(Colour::Red, Lamp::Steady), millis(0));
        let yellow = shared.coils(&Pattern::only(Colour::Yellow, Lamp::Steady), millis(0));
        assert_eq!(red, yellow);
        assert!(red.contains(&(4, true)));
        assert_eq!(red.iter().filter(|(coil, _)| *coil == 4).count(), 1);
    }

    #[test]
    fn the_lamp_test_shows_every_colour_once_and_ends() {
        let shown: Vec<Pattern> = (0..20).map_while(|half| Pattern::lamp_test(Span::from_millis(half * 500))).collect();
        assert_eq!(shown.len(), 11);
        for (index, colour) in Colour::ALL.into_iter().enumerate() {
            assert_eq!(shown[2 * index], Pattern::only(colour, Lamp::Steady));
        }
        assert_eq!(shown[10], Pattern::DARK.with_horn());
        assert_eq!(Pattern::lamp_test(LAMP_TEST), None);
    }

    #[test]
    fn between_two_turns_no_coil_changes() {
        let pattern = Pattern::only(Colour::Yellow, Lamp::Flashing);
        for start in [0, 1, 499, 500, 501, 999, 1_000] {
            let turn = next_turn(millis(start));
            let before = Steady::from_nanos(turn.nanos() - 1);
            assert_eq!(light().coils(&pattern, millis(start)), light().coils(&pattern, before));
            assert_ne!(light().coils(&pattern, before), light().coils(&pattern, turn));
        }
    }

    fn wired(outputs: &[(Duty, u8, bool)]) -> WiredLight {
        WiredLight { name: "wired".into(), wires: WiresId(0), outputs: outputs.to_vec() }
    }

    #[test]
    fn a_pattern_becomes_the_levels_of_wires() {
        let (red, yellow) = (Duty::Lamp(Colour::Red), Duty::Lamp(Colour::Yellow));
        let light = wired(&[(red, 0, false), (yellow, 2, true), (Duty::Horn, 3, false)]);
        let levels = |pattern: Pattern, at| light.levels(&pattern, millis(at)).0;
        assert_eq!(light.levels(&Pattern::DARK, millis(0)).1, 0b1101);
        // Yellow is on at a low level.
        assert_eq!(levels(Pattern::DARK, 0), 0b0100);
        assert_eq!(levels(Pattern::only(Colour::Yellow, Lamp::Steady), 700), 0b0000);
        let danger = Pattern::only(Colour::Red, Lamp::Flashing).with_horn();
        assert_eq!((levels(danger, 100), levels(danger, 600)), (0b1101, 0b1100));
        assert!(light.turns(&danger) && !light.turns(&Pattern::only(Colour::Red, Lamp::Steady)));
    }

    /// An output that keeps its level when the program dies must not go on asking, so it pulses; one that falls by itself is steady.
    #[test]
    fn advice_to_hold_the_feed_pulses_where_an_output_keeps_its_level() {
        let asked = Pattern::only(Colour::Red, Lamp::Steady).with_feed_hold();
        for (pulses, early, late) in [(true, 1, 0), (false, 1, 1)] {
            let hold = wired(&[(Duty::FeedHold { pulses }, 0, false)]);
            assert_eq!((hold.levels(&asked, millis(100)).0, hold.levels(&asked, millis(600)).0), (early, late));
            assert_eq!(hold.turns(&asked), pulses);
            assert_eq!(hold.levels(&Pattern::only(Colour::Red, Lamp::Steady), millis(100)).0, 0);
        }
        let coil = LightSettings { feed_hold: Some(9), ..light() };
        let on = |at| coil.coils(&asked, millis(at)).contains(&(9, true));
        assert_eq!((on(0), on(500)), (true, false));
        assert!(coil.coils(&Pattern::DARK, millis(0)).contains(&(9, false)));
    }
}
