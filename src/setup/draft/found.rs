//! A gauge as a search found it, and what of it the numbers did not prove.

use super::quoted;
use crate::gauge::RegisterTalk;
use crate::gauge::search::{Form, Proposal, Whereabouts};
use crate::setup::section::name_of;
use crate::units::{AbsolutePressure, PressureConvention, PressureUnit, Vacuum};

/// How the found gauge is asked.
#[derive(Clone, Debug, PartialEq)]
pub enum FoundTalk {
    /// Registers.
    Register(RegisterTalk),
    /// Lines of text.
    Text {
        /// What it wants to be sent; empty if it sends by itself.
        request: Vec<u8>,
        /// The byte that ends a line.
        terminator: u8,
        /// Which number of the line.
        position: usize,
    },
}

/// A gauge as a search found it.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundGauge {
    /// The line's port.
    pub port: String,
    /// Its speed and characters.
    pub form: Form,
    /// How it is asked.
    pub talk: FoundTalk,
    /// What one count is worth in `unit`.
    pub scale: f64,
    /// The unit of pressure.
    pub unit: PressureUnit,
    /// What it counts from.
    pub counts: PressureConvention,
    /// The room's pressure, if it told it with the pump off.
    pub room: Option<AbsolutePressure>,
    /// The deepest level that it showed.
    pub top: Vacuum,
    /// What of all this the numbers did not prove, each a sentence.
    pub doubts: Vec<String>,
    /// Other units on the line that have registers.
    pub others: Vec<u8>,
}

impl FoundGauge {
    /// A gauge of the best of several proposals, with what its numbers did not prove.
    pub fn new(port: &str, form: Form, all: &[Proposal], talker: Option<(&[u8], u8)>) -> Option<Self> {
        let best = all.first()?;
        let talk = match (best.at, talker) {
            (Whereabouts::Register { place, kind, order }, _) => FoundTalk::Register(RegisterTalk {
                unit: place.unit,
                table: place.table,
                address: place.address,
                kind,
                word_order: order,
            }),
            (Whereabouts::Position(position), Some((request, terminator))) => {
                FoundTalk::Text { request: request.to_vec(), terminator, position }
            }
            (Whereabouts::Position(_), None) => return None,
        };
        let absolute = best.counts == PressureConvention::Absolute;
        let at_rest = best.unit.pascals() * best.scale * best.raw.0;
        Some(FoundGauge {
            port: port.to_owned(),
            form,
            talk,
            scale: best.scale,
            unit: best.unit,
            counts: best.counts,
            room: (absolute && best.zero_seen).then_some(AbsolutePressure::from_pascals(at_rest)),
            top: best.top,
            doubts: doubts(best, all),
            others: Vec::new(),
        })
    }
}

fn doubts(best: &Proposal, all: &[Proposal]) -> Vec<String> {
    let mut doubts = Vec::new();
    let mbar = |level: Vacuum| format!("{:.0} mbar", level.pascals() / 100.0);
    if !best.moved {
        doubts.push(format!(
            "nothing moved as a pump's level does while it was watched; {} is the likeliest by its size alone. Switch the pump, \
             and look whether the level follows",
            best.at
        ));
    }
    let mut told: Vec<&Proposal> = Vec::new();
    for rival in best.rivals(all) {
        if told.len() < 3 && !told.iter().any(|other| other.agrees_with(rival) && other.at == rival.at) {
            doubts.push(format!(
                "unit and scale by what the pump can do: {} in {} counting {} would be {} at the deepest, in the place of {}",
                rival.at,
                rival.worth(),
                name_of(&rival.counts),
                mbar(rival.top),
                mbar(best.top),
            ));
            told.push(rival);
        }
    }
    if !best.zero_seen {
        doubts.push("its zero was not seen; with the pump off the page must show 0".to_owned());
    } else if best.counts != PressureConvention::Absolute && best.rest.pascals().abs() > 500.0 {
        let zero = best.rest.pascals() / 100.0;
        doubts.push(format!("with the pump off it shows {zero:.1} mbar, not 0; set its zero, or write offset"));
    }
    doubts
}

pub(super) fn talk_lines(talk: &FoundTalk) -> Vec<String> {
    match talk {
        FoundTalk::Register(talk) => {
            let mut lines = vec![
                format!("unit_id = {}", talk.unit),
                format!("table = {}", quoted(&name_of(&talk.table))),
                format!("register = {}", talk.address),
                format!("kind = {}", quoted(&name_of(&talk.kind))),
            ];
            if talk.kind.registers() == 2 {
                lines.push(format!("word_order = {}", quoted(&name_of(&talk.word_order))));
            }
            lines
        }
        FoundTalk::Text { request, terminator, position } => {
            let text = |bytes: &[u8]| quoted(&bytes.iter().map(|byte| char::from(*byte)).collect::<String>());
            let mut lines = vec![format!("terminator = {}", text(&[*terminator])), format!("position = {position}")];
            if !request.is_empty() {
                lines.insert(0, format!("request = {}", text(request)));
            }
            lines
        }
    }
}

/// The widest range that a gauge on a table can have, in its unit, a little beyond nothing for its zero's drift.
pub(super) fn widest(gauge: &FoundGauge) -> (f64, f64) {
    let of = |pascals: f64| pascals / gauge.unit.pascals();
    match gauge.counts {
        PressureConvention::Vacuum => (of(-2_000.0), of(100_000.0)),
        PressureConvention::Gauge => (of(-100_000.0), of(2_000.0)),
        PressureConvention::Absolute => (0.0, of(110_000.0)),
    }
}
