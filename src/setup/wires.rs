//! Lights and contacts on single wires: the modem-control lines of a serial port, or lines of a GPIO chip.

use super::devices::{milliseconds, port};
use super::notes::{Complaint, complaint};
use super::section::{MILLISECONDS, PLAIN, Section, named};
use crate::lamp::{Colour, Duty, WiredLight};
use crate::line::{LineSettings, ModemInput, ModemOutput, Pull, WiresId, WiresKind, WiresSettings};
use crate::moment::Span;

/// The most lines of a chip that one request takes (`GPIO_V2_LINES_MAX` of the kernel's interface).
const MOST_WIRES: usize = 64;

/// The greatest offset of a line on its chip that is believed.
const GREATEST_OFFSET: u32 = 1023;

/// The shortest debounce that a bouncing contact wants, in milliseconds (common practice, no source).
const DEBOUNCE: f64 = 30.0;

/// Every device with wires, as lights and contacts name them.
#[derive(Default)]
pub(super) struct Wiring {
    wires: Vec<WiresSettings>,
}

/// A device that has wires.
pub(super) struct Device {
    path: String,
    kind: WiresKind,
}

/// Whether a section names a device with wires in the place of a line.
pub(super) fn is_wired(section: &Section) -> bool {
    section.has("port", PLAIN) || section.has("chip", PLAIN)
}

/// The device that a section names by `port` or `chip`.
pub(super) fn device(section: &Section) -> Option<Device> {
    let (wires_port, chip) = (section.has("port", PLAIN), section.has("chip", PLAIN));
    if wires_port && chip {
        section.pass_over_all();
        let remedy = "delete one, or make two sections";
        section.refuse(complaint("port and chip are both given", "one of them", remedy));
        return None;
    }
    if wires_port {
        return Some(Device { path: port(section)?, kind: WiresKind::ModemLines });
    }
    let path = section.text("chip").check(|path| {
        if path.starts_with("/dev/") && !path.ends_with('/') && !path.split('/').any(|step| step == "..") {
            return Ok(path);
        }
        let limit = "a path such as /dev/gpiochip0";
        Err(complaint(format!("{path:?} is no device's path"), limit, "write the path of the chip"))
    });
    Some(Device { path: path.required()?, kind: WiresKind::GpioChip })
}

impl Wiring {
    /// Every device, once all lights and contacts are read. Refuses one whose port is that of a `[[line]]`.
    pub(super) fn close(self, root: &Section, lines: Option<&[LineSettings]>) -> Vec<WiresSettings> {
        let lines = lines.unwrap_or_default();
        for wires in &self.wires {
            if let Some(line) = lines.iter().find(|line| line.port == wires.path) {
                let wrong =
                    format!("the modem-control lines of {} are asked for, which is line {:?}", wires.path, line.name);
                let said = complaint(wrong, "a port that carries nothing else", "use another port for them");
                root.refuse(said);
            }
        }
        self.wires
    }

    fn bank(&mut self, device: &Device) -> (WiresId, &mut WiresSettings) {
        let place = self.wires.iter().position(|wires| wires.path == device.path).unwrap_or_else(|| {
            self.wires.push(WiresSettings {
                path: device.path.clone(),
                kind: device.kind,
                inputs: Vec::new(),
                outputs: Vec::new(),
                at_rest: 0,
                every: milliseconds(1000.0),
            });
            self.wires.len() - 1
        });
        (WiresId(u16::try_from(place).unwrap_or(u16::MAX)), &mut self.wires[place])
    }

    /// A wire that is read, and its place among those of its device.
    fn read(&mut self, device: &Device, wire: u32, pull: Pull, every: Span) -> Result<(WiresId, u8), Complaint> {
        let (id, bank) = self.bank(device);
        refuse_taken(bank, wire, false)?;
        bank.inputs.push((wire, pull));
        bank.every = bank.every.min(every);
        Ok((id, place(bank.inputs.len())))
    }

    /// A wire that is switched, and its place among those of its device.
    fn switch(&mut self, device: &Device, wire: u32, low: bool) -> Result<(WiresId, u8), Complaint> {
        let (id, bank) = self.bank(device);
        refuse_taken(bank, wire, true)?;
        bank.outputs.push(wire);
        let place = place(bank.outputs.len());
        bank.at_rest |= u64::from(low) << place;
        Ok((id, place))
    }

    /// A light on wires.
    pub(super) fn light(&mut self, light: &Section) -> Option<WiredLight> {
        let name = light.text("name").required();
        let Some(device) = device(light) else {
            light.pass_over_all();
            return None;
        };
        let chip = device.kind == WiresKind::GpioChip;
        let low = chip && light.choice("lit_at", &[("high", false), ("low", true)]).or(false)?;
        let lamps = Colour::ALL.map(|colour| (word(colour), Duty::Lamp(colour)));
        // Modem lines fall when the program dies; a chip's line may stay as it was.
        let hold = ("feed_hold", Duty::FeedHold { pulses: chip });
        let duties = lamps.into_iter().chain([("horn", Duty::Horn), ("heartbeat", Duty::Heartbeat), hold]);
        let (mut outputs, mut wires, mut sound) = (Vec::new(), None, true);
        for (word, duty) in duties {
            match switched(light, word, chip) {
                None => sound = false,
                Some(None) => {}
                Some(Some(wire)) => match self.switch(&device, wire, low) {
                    Ok((id, place)) => {
                        wires = Some(id);
                        outputs.push((duty, place, low));
                    }
                    Err(said) => {
                        light.notes.refuse(&light.spot_of_key(word), said);
                        sound = false;
                    }
                },
            }
        }
        let has = |colour| outputs.iter().any(|(duty, ..)| *duty == Duty::Lamp(colour));
        // A contact that only advises to hold the feed is no light.
        let holds = !outputs.is_empty() && outputs.iter().all(|(duty, ..)| matches!(duty, Duty::FeedHold { .. }));
        if sound && !holds && !(has(Colour::Red) && has(Colour::Yellow)) {
            let remedy = "add the wires of red and yellow, without which no alarm can be shown";
            light.refuse(complaint("red or yellow has no wire", "both must be given", remedy));
            return None;
        }
        if sound && chip && !holds && !outputs.iter().any(|(duty, ..)| *duty == Duty::Heartbeat) {
            let wrong = "a chip may leave its lines as they were when the program dies, and the light with them";
            let remedy = "add a heartbeat with a relay that cuts the light's supply when the change stays away";
            light.notes.warn(light.spot(), complaint(wrong, "a heartbeat", remedy));
        }
        Some(WiredLight { name: name?, wires: wires?, outputs }).filter(|_| sound)
    }

    /// A contact's wire: its device and place, and for how long it must hold to count.
    pub(super) fn contact(&mut self, contact: &Section) -> Option<(WiresId, u8, Span)> {
        let Some(device) = device(contact) else {
            contact.pass_over_all();
            return None;
        };
        let (wire, key, pull) = match device.kind {
            WiresKind::ModemLines => {
                let signal = contact.choice("signal", &numbered(&ModemInput::ALL)).required();
                (signal, "signal", Some(Pull::None))
            }
            WiresKind::GpioChip => {
                let pulls = named(&[Pull::None, Pull::Up, Pull::Down]);
                let pull = contact.choice("pull", &pulls).or(Pull::None);
                (contact.whole("offset", 0, GREATEST_OFFSET).required(), "offset", pull)
            }
        };
        let every = contact.number("every", MILLISECONDS, (5.0, 1000.0)).or(20.0);
        let debounce = contact.number("debounce", MILLISECONDS, (0.0, 1000.0)).or(DEBOUNCE);
        let (wire, pull, every, debounce) = (wire?, pull?, milliseconds(every?), milliseconds(debounce?));
        match self.read(&device, wire, pull, every) {
            Ok((id, place)) => Some((id, place, debounce)),
            Err(said) => {
                contact.notes.refuse(&contact.spot_of_key(key), said);
                None
            }
        }
    }
}

/// The wire of one of a light's outputs: a modem line by its name, a chip's line by its offset. None inside for one that is not written.
fn switched(light: &Section, word: &str, chip: bool) -> Option<Option<u32>> {
    if chip {
        return light.whole(word, 0, GREATEST_OFFSET).optional();
    }
    light.choice(word, &numbered(&ModemOutput::ALL)).optional()
}

/// The words of modem-control lines, each with its number.
fn numbered<T: serde::Serialize + Clone>(all: &[T]) -> Vec<(String, u32)> {
    named(all).into_iter().zip(0..).map(|((word, _), number)| (word, number)).collect()
}

fn word(colour: Colour) -> &'static str {
    match colour {
        Colour::Red => "red",
        Colour::Yellow => "yellow",
        Colour::Green => "green",
        Colour::Blue => "blue",
        Colour::White => "white",
    }
}

fn place(count: usize) -> u8 {
    u8::try_from(count - 1).unwrap_or(u8::MAX)
}

fn refuse_taken(bank: &WiresSettings, wire: u32, switched: bool) -> Result<(), Complaint> {
    // The lines of a chip are one row; those of a port are two, what is read and what is switched.
    let one_row = bank.kind == WiresKind::GpioChip;
    let read = bank.inputs.iter().any(|(other, _)| *other == wire) && (one_row || !switched);
    let driven = bank.outputs.contains(&wire) && (one_row || switched);
    if read || driven {
        let wrong = format!("this wire of {} is {} already", bank.path, if read { "read" } else { "switched" });
        return Err(complaint(wrong, "each wire once", "name another wire"));
    }
    if bank.inputs.len().max(bank.outputs.len()) >= MOST_WIRES {
        return Err(complaint(
            format!("more wires of {}", bank.path),
            format!("{MOST_WIRES} at most"),
            "leave some out",
        ));
    }
    Ok(())
}

/// What must be said before a contact may advise a machine to hold its feed, from `[feed_hold]`; whether it is said. `asked` is none if
/// the lights are mistaken.
pub(super) fn feed_hold(root: &Section, asked: Option<bool>) -> Option<()> {
    let section = root.section("feed_hold");
    let Some(asked) = asked else {
        section.pass_over_all();
        return None;
    };
    if !section.is_written() {
        if !asked {
            return Some(());
        }
        let remedy = "have it wired by a licensed person, then add [feed_hold] with wired_by and purpose as the example has them";
        let wrong = "an output asks the machine to hold its feed, and nobody has said who wired it and what it is not";
        root.refuse(complaint(wrong, "[feed_hold]", remedy));
        return None;
    }
    let wired = section.choice("wired_by", &[("a licensed person", ())]).required();
    let purpose = section.choice("purpose", &[("advice, no safety function", ())]).required();
    if !asked {
        section.refuse(complaint("no light has a feed_hold output", "one", "add it to a [[light]], or delete this"));
        return None;
    }
    wired.and(purpose)
}
