//! What is read besides gauges: contacts, and what a pump's drive says of itself.

use super::devices::{all, milliseconds, on_line, refuse_doubles, register_talk, unit_id, zone_named};
use super::notes::{Complaint, complaint};
use super::section::{LEVEL, MILLISECONDS, PLAIN, Section, named};
use super::wires::{Wiring, is_wired};
use super::{ContactAt, ContactMeans, ContactSettings, DriveSettings, EndSettings, HoldSettings};
use crate::gauge::{BitTable, InputId, InputSettings, InputTalk, Talk};
use crate::line::{LineId, LineSettings, Protocol};
use crate::moment::Span;
use crate::table::{PumpClass, Table};
use crate::units::Vacuum;

/// Everything that is read besides gauges.
#[derive(Default)]
pub(super) struct Inputs {
    pub(super) inputs: Vec<InputSettings>,
    pub(super) contacts: Vec<ContactSettings>,
    pub(super) hold: Option<HoldSettings>,
}

/// A contact as written: where its bit is, before neighbours are read together.
struct Written {
    name: String,
    means: ContactMeans,
    place: Place,
    inverted: bool,
}

/// Where a contact's bit is.
enum Place {
    /// A bit of a unit on a line, read so often.
    Unit((LineId, u8, BitTable, u16), Span),
    /// A wire.
    Wire(ContactAt, u8, Span),
}

/// The most bits that are read at once.
const MOST_BITS: u16 = 64;

/// The inputs from every `[[contact]]`, from `[drive]` and from the level that `[pump]` holds; `lines` and `table` are none if they are
/// mistaken.
pub(super) fn inputs(
    root: &Section,
    lines: Option<&[LineSettings]>,
    (table, ends): (Option<&Table>, Option<&[EndSettings]>),
    wiring: &mut Wiring,
) -> Option<Inputs> {
    let sections = root.sections("contact", 32);
    let contacts = all(sections.iter().map(|section| contact(section, lines, (table, ends), wiring)));
    if let Some(contacts) = &contacts {
        refuse_doubles(&sections, contacts, "name", |contact| &contact.name);
    }
    let drive = drive(&root.section("drive"), lines);
    let hold = hold(root, drive.as_ref().is_some_and(Option::is_some));
    let mut found = Inputs::default();
    for contact in contacts? {
        let Written { name, means, place, inverted } = contact;
        let (at, bit, debounce) = match place {
            Place::Unit(place, every) => {
                let (input, bit) = found.read_bit(place, every);
                (ContactAt::Input(input), bit, Span::ZERO)
            }
            Place::Wire(at, bit, debounce) => (at, bit, debounce),
        };
        found.contacts.push(ContactSettings { name, means, at, bit, inverted, debounce });
    }
    if let Some((settings, at_rest, at_full)) = drive? {
        let input = found.add(settings);
        found.hold = hold?.map(|level| HoldSettings {
            level,
            drive: Some(DriveSettings { input, at_rest, at_full, throws: table.is_some() && throws(root) }),
        });
    } else {
        found.hold = hold?.map(|level| HoldSettings { level, drive: None });
    }
    Some(found)
}

impl Inputs {
    fn add(&mut self, settings: InputSettings) -> InputId {
        self.inputs.push(settings);
        InputId(u16::try_from(self.inputs.len() - 1).unwrap_or(u16::MAX))
    }

    /// The input that reads a contact's bit, and which of its bits: neighbours are read together.
    fn read_bit(&mut self, place: (LineId, u8, BitTable, u16), every: Span) -> (InputId, u8) {
        let (line, unit, table, address) = place;
        for (place, input) in (0..).zip(&mut self.inputs) {
            let InputTalk::Bits { unit: its, table: of, address: first, count } = &mut input.talk else { continue };
            if (input.line, *its, *of) == (line, unit, table)
                && (*first..first.saturating_add(MOST_BITS)).contains(&address)
            {
                *count = (*count).max(address - *first + 1);
                input.every = input.every.min(every);
                return (InputId(place), (address - *first).to_le_bytes()[0]);
            }
        }
        let talk = InputTalk::Bits { unit, table, address, count: 1 };
        (self.add(InputSettings { line, talk, every }), 0)
    }
}

/// A bit of a unit on a line.
fn unit_bit(contact: &Section, lines: Option<&[LineSettings]>) -> Option<Place> {
    let line = modbus_line(contact, lines);
    let unit = unit_id(contact);
    let bits = contact.choice("table", &named(&[BitTable::DiscreteInput, BitTable::Coil])).or(BitTable::DiscreteInput);
    let address = contact.whole("input", 0, 65_535).required();
    let every = contact.number("every", MILLISECONDS, (20.0, 10_000.0)).or(100.0);
    Some(Place::Unit((line?, unit?, bits?, u16::try_from(address?).ok()?), milliseconds(every?)))
}

fn contact(
    contact: &Section,
    lines: Option<&[LineSettings]>,
    (table, ends): (Option<&Table>, Option<&[EndSettings]>),
    wiring: &mut Wiring,
) -> Option<Written> {
    let name = contact.text("name").required();
    let place = if is_wired(contact) {
        wiring.contact(contact).map(|(wires, bit, debounce)| Place::Wire(ContactAt::Wires(wires), bit, debounce))
    } else {
        unit_bit(contact, lines)
    };
    let words = [("zone-open", 0), ("cutting", 1), ("seen", 2)];
    let means = contact.choice("means", &words).required();
    let means = match means {
        Some(0) => {
            let zone = contact.text("zone").check(|name| match table {
                Some(table) => zone_named(&name, table),
                None => Ok(0),
            });
            zone.required().map(ContactMeans::ZoneOpen)
        }
        Some(1) => {
            let end = contact.text("end").check(|name| match ends {
                Some(ends) => end_named(&name, ends).map(Some),
                None => Ok(None),
            });
            end.or(None).map(ContactMeans::Cutting)
        }
        Some(_) => Some(ContactMeans::Seen),
        None => {
            contact.pass_over(&["zone", "end"]);
            None
        }
    };
    let inverted = contact.choice("when", &[("closed", false), ("open", true)]).or(false);
    Some(Written { name: name?, means: means?, place: place?, inverted: inverted? })
}

/// The end of this name, by its place.
fn end_named(name: &str, ends: &[EndSettings]) -> Result<u8, Complaint> {
    let place = ends.iter().position(|end| end.name == name).and_then(|place| u8::try_from(place).ok());
    place.ok_or_else(|| {
        let names: Vec<&str> = ends.iter().map(|end| end.name.as_str()).collect();
        let limit = if names.is_empty() { "the table has no [[end]]".to_owned() } else { names.join(", ") };
        complaint(format!("there is no end {name:?}"), limit, "correct the name, or leave it out")
    })
}

/// The line that a section names, which must be one of Modbus.
fn modbus_line(section: &Section, lines: Option<&[LineSettings]>) -> Option<LineId> {
    let line = on_line(section, lines)?;
    if lines?[usize::from(line.0)].protocol == Protocol::AsciiTalker {
        let said = complaint("this cannot be on an ascii-talker line", "a modbus-rtu line", "name another line");
        section.notes.refuse(&section.spot_of_key("line"), said);
        return None;
    }
    Some(line)
}

type Drive = (InputSettings, f64, f64);

/// What the drive says, from `[drive]`: its speed, or the current of the mains, between two numbers.
fn drive(drive: &Section, lines: Option<&[LineSettings]>) -> Option<Option<Drive>> {
    if !drive.is_written() {
        return Some(None);
    }
    let line = modbus_line(drive, lines);
    let talk = match register_talk(drive) {
        Some(Talk::Register(talk)) => Some(talk),
        Some(Talk::Ascii(_)) | None => None,
    };
    let measures = drive.choice("measures", &[("speed", true), ("current", false)]).required();
    let at_rest = drive.number("at_rest", PLAIN, (-1e9, 1e9));
    let at_rest = if measures == Some(false) { at_rest.required() } else { at_rest.or(0.0) };
    let at_full = drive.number("at_full", PLAIN, (-1e9, 1e9)).required();
    let every = drive.number("every", MILLISECONDS, (20.0, 10_000.0)).or(200.0);
    let (at_rest, at_full) = (at_rest?, at_full?);
    if at_full <= at_rest {
        let wrong = format!("at_full = {at_full} is not above at_rest = {at_rest}");
        let said = complaint(wrong, "more than at rest", "write what the drive gives with the pump at full speed");
        drive.notes.refuse(&drive.spot_of_key("at_full"), said);
        return None;
    }
    let settings = InputSettings { line: line?, talk: InputTalk::Number(talk?), every: milliseconds(every?) };
    Some(Some((settings, at_rest, at_full)))
}

/// The level that the pump is held at by a drive, from `[pump]`; without the drive's word its leaks cannot be seen.
fn hold(root: &Section, has_drive: bool) -> Option<Option<Vacuum>> {
    let pump = root.section("pump");
    pump.pass_over_all();
    let level = pump.number("holds_level", LEVEL, (10.0, 1000.0)).optional()?;
    let spot = pump.spot_of_key("holds_level");
    match (level, has_drive) {
        (Some(_), false) => {
            let wrong = "leaks cannot be seen on this pump: its drive makes up for them until it is at full speed";
            let remedy = "add [drive] with the register of its speed";
            pump.notes.warn(&spot, complaint(wrong, "the drive's speed as a second signal", remedy));
        }
        (None, true) => {
            let remedy = "add holds_level_mbar to [pump], or leave [drive] out";
            let said = complaint("a drive is told, but no level that it holds", "holds_level_mbar", remedy);
            let drive = root.section("drive");
            drive.pass_over_all();
            drive.refuse(said);
            return None;
        }
        (Some(_), true) | (None, false) => {}
    }
    Some(level.map(|mbar| Vacuum::from_pascals(mbar * 100.0)))
}

/// Whether the pump's rotor throws the air, by its class; one with a curve of its own is taken to displace it.
fn throws(root: &Section) -> bool {
    let pump = root.section("pump");
    pump.pass_over_all();
    pump.choice("class", &named(&PumpClass::ALL)).optional().flatten().is_some_and(PumpClass::is_dynamic)
}
