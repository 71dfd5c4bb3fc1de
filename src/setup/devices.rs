//! What hangs on the serial lines: the lines themselves, the gauges and the lights.
//!
//! Modbus RTU has eight data bits and, unless told otherwise, 19 200 bit/s and even parity: MODBUS over Serial Line
//! Specification V1.02, 2.5.1 and 3.2 (from memory). Silence between frames is 3.5 characters, ibid. 2.5.1.1.

use super::notes::{Complaint, complaint};
use super::section::{MILLISECONDS, PLAIN, Section, named, nearest};
use super::wires::{Wiring, is_wired};
use crate::gauge::{AsciiTalk, GaugeSettings, NumberKind, Place, RegisterTable, RegisterTalk, Signal, Talk, WordOrder};
use crate::lamp::{LightSettings, WiredLight};
use crate::line::{DataBits, LineId, LineSettings, Parity, Protocol, StopBits};
use crate::moment::Span;
use crate::table::Table;
use crate::units::{AbsolutePressure, PressureConvention, PressureUnit};

/// Everything on the serial lines, and the lights on wires.
pub(super) struct Devices {
    pub(super) lines: Vec<LineSettings>,
    pub(super) gauges: Vec<GaugeSettings>,
    pub(super) lights: Vec<LightSettings>,
    pub(super) wired_lights: Vec<WiredLight>,
}

/// The devices from every `[[line]]`, `[[gauge]]` and `[[light]]`; `table` is none if the table is mistaken.
pub(super) fn devices(root: &Section, table: Option<&Table>, wiring: &mut Wiring) -> Option<Devices> {
    let line_sections = root.sections("line", 16);
    let gauge_sections = root.sections("gauge", 16);
    let (wired_sections, light_sections): (Vec<_>, Vec<_>) = root.sections("light", 16).into_iter().partition(is_wired);
    if line_sections.is_empty() {
        root.refuse(complaint("no [[line]] is given", "at least one", "add the serial line that the gauge is on"));
    }
    if gauge_sections.is_empty() {
        root.refuse(complaint("no [[gauge]] is given", "at least one", "add the gauge that shows the vacuum"));
    }
    let lines = all(line_sections.iter().map(line)).filter(|lines| !lines.is_empty());
    let gauges = all(gauge_sections.iter().map(|section| gauge(section, lines.as_deref(), table)));
    let gauges = gauges.filter(|gauges| !gauges.is_empty());
    let lights = all(light_sections.iter().map(|section| light(section, lines.as_deref())));
    let wired_lights = all(wired_sections.iter().map(|section| wiring.light(section)));
    if let Some(lines) = &lines {
        refuse_doubles(&line_sections, lines, "name", |line| &line.name);
        refuse_doubles(&line_sections, lines, "port", |line| &line.port);
    }
    if let Some(gauges) = &gauges {
        refuse_doubles(&gauge_sections, gauges, "name", |gauge| &gauge.name);
        refuse_without_suction(&gauge_sections, gauges);
        refuse_second_barometer(&gauge_sections, gauges);
        refuse_gauge_clashes(&gauge_sections, gauges);
    }
    if let Some(lights) = &lights {
        refuse_doubles(&light_sections, lights, "name", |light| &light.name);
        refuse_coil_clashes(&light_sections, lights);
    }
    if let (Some(gauges), Some(lights)) = (&gauges, &lights) {
        refuse_shared_units(&light_sections, lights, gauges);
        refuse_idle(root, &line_sections, gauges, lights);
    }
    if let (Some(gauges), Some(table)) = (&gauges, table) {
        warn_of_ranges(&gauge_sections, gauges, table);
    }
    Some(Devices { lines: lines?, gauges: gauges?, lights: lights?, wired_lights: wired_lights? })
}

/// Every value, or none if one is mistaken; all are read first.
pub(super) fn all<T>(values: impl Iterator<Item = Option<T>>) -> Option<Vec<T>> {
    values.collect::<Vec<_>>().into_iter().collect()
}

fn line(line: &Section) -> Option<LineSettings> {
    let name = line.text("name").required();
    let port = port(line);
    let protocol = line.choice("protocol", &named(&[Protocol::ModbusRtu, Protocol::AsciiTalker])).required();
    let modbus = protocol != Some(Protocol::AsciiTalker);
    let (baud, parity) = if modbus { (19_200, Parity::Even) } else { (9_600, Parity::None) };
    let ground = if modbus { "the default of Modbus over a serial line" } else { "common practice, no source" };
    let baud = line.whole("baud", 300, 4_000_000).or_assumed(baud, baud.to_string(), ground);
    let parities = named(&[Parity::None, Parity::Even, Parity::Odd]);
    let parity = line.choice("parity", &parities).or_assumed(parity, format!("{parity:?}").to_lowercase(), ground);
    let data_bits = data_bits(line, modbus);
    let stop_bits = line.whole("stop_bits", 1, 2).map(|bits| if bits == 1 { StopBits::One } else { StopBits::Two });
    let stop_bits = stop_bits.or(StopBits::One);
    let reply_limit = line.number("reply_limit", MILLISECONDS, (10.0, 10_000.0)).or(300.0);
    Some(LineSettings {
        name: name?,
        port: port?,
        baud: baud?,
        data_bits: data_bits?,
        parity: parity?,
        stop_bits: stop_bits?,
        protocol: protocol?,
        reply_limit: milliseconds(reply_limit?),
    })
}

fn data_bits(line: &Section, modbus: bool) -> Option<DataBits> {
    let bits = line.whole("data_bits", 7, 8).check(|bits| match bits {
        7 if modbus => Err(complaint("7 data bits", "8 for Modbus RTU", "write data_bits = 8 or leave it out")),
        7 => Ok(DataBits::Seven),
        _ => Ok(DataBits::Eight),
    });
    bits.or(DataBits::Eight)
}

/// A device's absolute path; one that may change at the next start is warned of.
pub(super) fn port(line: &Section) -> Option<String> {
    let port = line.text("port").check(|port| {
        if port.starts_with('/') && !port.ends_with('/') && !port.split('/').any(|step| step == "..") {
            return Ok(port);
        }
        let limit = "an absolute path such as /dev/serial/by-id/…";
        Err(complaint(format!("{port:?} is no device's path"), limit, "write the path of the device"))
    });
    let (port, spot) = port.required_at()?;
    if ["/dev/ttyUSB", "/dev/ttyACM"].iter().any(|start| port.starts_with(start)) {
        let remedy = "write its path below /dev/serial/by-id";
        let wrong = format!("{port} may be another device after the next start");
        line.notes.warn(&spot, complaint(wrong, "a path that stays", remedy));
    }
    Some(port)
}

fn gauge(gauge: &Section, lines: Option<&[LineSettings]>, table: Option<&Table>) -> Option<GaugeSettings> {
    let name = gauge.text("name").required();
    let line = on_line(gauge, lines);
    let place = gauge.choice("place", &named(&Place::ALL)).required();
    let zone = own_zone(gauge, place, table);
    let protocol = line.zip(lines).map(|(id, lines)| lines[usize::from(id.0)].protocol);
    let talk = talk(gauge, protocol);
    let unit = gauge.text("unit").check(|unit| {
        unit.parse::<PressureUnit>().map_err(|_| {
            let symbols = PressureUnit::ALL.map(PressureUnit::symbol);
            complaint(format!("unit {unit:?} is not known"), symbols.join(", "), "write one of these")
        })
    });
    let unit = unit.required();
    let conventions = [PressureConvention::Absolute, PressureConvention::Gauge, PressureConvention::Vacuum];
    let convention = gauge.choice("counts", &named(&conventions)).required();
    let range = range(gauge, place, unit.zip(convention));
    let scaling = scaling(gauge, talk.as_ref(), range);
    let every = gauge.number("every", MILLISECONDS, (20.0, 60_000.0)).or(usual_pause(place));
    Some(GaugeSettings {
        name: name?,
        line: line?,
        place: place?,
        zone: zone?,
        signal: scaling?.signal,
        talk: talk?,
        scale: scaling?.scale,
        offset: scaling?.offset,
        unit: unit?,
        convention: convention?,
        range: range?,
        every: milliseconds(every?),
    })
}

/// How often a gauge is asked that nothing is said of: the air of the room changes slowly.
fn usual_pause(place: Option<Place>) -> f64 {
    if place == Some(Place::Barometer) { 5_000.0 } else { 100.0 }
}

/// The zone that a gauge is in, by its place in the table; only a gauge in a zone has one.
fn own_zone(gauge: &Section, place: Option<Place>, table: Option<&Table>) -> Option<Option<u8>> {
    if place != Some(Place::Zone) {
        return Some(None);
    }
    let zone = gauge.text("zone").check(|name| match table {
        Some(table) => zone_named(&name, table).map(Some),
        None => Ok(None),
    });
    zone.required().filter(|_| table.is_some())
}

/// A zone's place in the table by its name.
pub(super) fn zone_named(name: &str, table: &Table) -> Result<u8, Complaint> {
    let zones = &table.plenum.zones;
    let place = zones.iter().position(|zone| zone.name == name).and_then(|place| u8::try_from(place).ok());
    place.ok_or_else(|| {
        let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
        let limit = format!("the zones are {}", names.join(", "));
        complaint(format!("there is no zone {name:?}"), limit, "name one of the zones")
    })
}

/// What a raw number is made from, and how it becomes a number in the gauge's unit.
#[derive(Clone, Copy)]
struct Scaling {
    signal: Signal,
    scale: f64,
    offset: f64,
}

/// From `scale` and `offset`, or for a current loop from what the analogue unit gives at 4 and at 20 mA.
fn scaling(gauge: &Section, talk: Option<&Talk>, range: Option<(f64, f64)>) -> Option<Scaling> {
    let signal = gauge.choice("signal", &named(&[Signal::Digital, Signal::CurrentLoop])).or(Signal::Digital)?;
    if signal == Signal::CurrentLoop {
        return loop_scaling(gauge, talk, range);
    }
    let scale = gauge.number("scale", PLAIN, (-1e9, 1e9)).check(|scale| {
        let complaint =
            || complaint("a scale of 0 makes every reading the same", "not 0", "write what one count is worth");
        if scale == 0.0 { Err(complaint()) } else { Ok(scale) }
    });
    let scale = scale.or(1.0);
    let offset = gauge.number("offset", PLAIN, (-1e9, 1e9)).or(0.0);
    Some(Scaling { signal, scale: scale?, offset: offset? })
}

/// `range` stands at 4 and at 20 mA.
fn loop_scaling(gauge: &Section, talk: Option<&Talk>, range: Option<(f64, f64)>) -> Option<Scaling> {
    let at_4 = gauge.number("at_4_ma", PLAIN, (-1e9, 1e9)).required();
    let at_20 = gauge.number("at_20_ma", PLAIN, (-1e9, 1e9)).required();
    let ((low, high), at_4, at_20) = (range?, at_4?, at_20?);
    if at_20 <= at_4 {
        let wrong = format!("at_20_ma = {at_20} is not above at_4_ma = {at_4}");
        let remedy = "write what the analogue unit gives at 4 mA and at 20 mA";
        gauge.notes.refuse(&gauge.spot_of_key("at_20_ma"), complaint(wrong, "more than at 4 mA", remedy));
        return None;
    }
    let unsigned = matches!(talk, Some(Talk::Register(talk)) if matches!(talk.kind, NumberKind::U16 | NumberKind::U32));
    // NAMUR NE 43: a broken wire shows at or below 3.6 mA.
    if unsigned && at_4 - (at_20 - at_4) * 0.4 / 16.0 < 0.0 {
        let remedy = "set the analogue unit to 0-20 mA, or to a signed number";
        let wrong = "a number without a sign cannot show 3.6 mA here, so a broken wire would look like 4 mA";
        gauge.notes.warn(&gauge.spot_of_key("at_4_ma"), complaint(wrong, "0 or more at 3.6 mA", remedy));
    }
    let scale = (high - low) / (at_20 - at_4);
    Some(Scaling { signal: Signal::CurrentLoop, scale, offset: low - at_4 * scale })
}

/// Refuses a setup in which no gauge feels the pump's suction.
fn refuse_without_suction(sections: &[Section], gauges: &[GaugeSettings]) {
    if let (Some(first), false) = (sections.first(), gauges.iter().any(|gauge| gauge.place.is_suction())) {
        let limit = "a gauge at the manifold, the pump's inlet or the filter";
        let said = complaint("no gauge shows the table's vacuum", limit, "add one, or correct this gauge's place");
        first.notes.refuse(&first.spot_of_key("place"), said);
    }
}

fn refuse_second_barometer(sections: &[Section], gauges: &[GaugeSettings]) {
    let barometers = gauges.iter().zip(sections).filter(|(gauge, _)| gauge.place == Place::Barometer);
    for (_, section) in barometers.skip(1) {
        let said = complaint("there is a barometer already", "one", "leave one out");
        section.notes.refuse(&section.spot_of_key("place"), said);
    }
}

/// The line that a section names; none, without a word, if the lines themselves are mistaken.
pub(super) fn on_line(section: &Section, lines: Option<&[LineSettings]>) -> Option<LineId> {
    let name = section.text("line");
    let Some(lines) = lines else {
        name.required();
        return None;
    };
    let line = name.check(|name| {
        let place = lines.iter().position(|line| line.name == name);
        place.and_then(|place| u16::try_from(place).ok()).map(LineId).ok_or_else(|| {
            let names: Vec<&str> = lines.iter().map(|line| line.name.as_str()).collect();
            let near = nearest(&name, names.iter().copied());
            let remedy =
                near.map_or("name one of the lines".to_owned(), |near| format!("write {near:?} if that is meant"));
            complaint(format!("there is no line {name:?}"), format!("the lines are {}", names.join(", ")), remedy)
        })
    });
    line.required()
}

/// How a gauge is asked; `protocol` is none if its line is mistaken.
fn talk(gauge: &Section, protocol: Option<Protocol>) -> Option<Talk> {
    match protocol {
        Some(Protocol::ModbusRtu) => register_talk(gauge),
        Some(Protocol::AsciiTalker) => ascii_talk(gauge),
        None => {
            gauge.pass_over(&[
                "unit_id",
                "table",
                "register",
                "kind",
                "word_order",
                "request",
                "terminator",
                "position",
            ]);
            None
        }
    }
}

pub(super) fn register_talk(gauge: &Section) -> Option<Talk> {
    let unit = unit_id(gauge);
    let table = gauge.choice("table", &named(&[RegisterTable::Holding, RegisterTable::Input])).required();
    let address = gauge.whole("register", 0, 65_535).required();
    let kinds = [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32];
    let kind = gauge.choice("kind", &named(&kinds)).required();
    let orders = named(&[WordOrder::HighFirst, WordOrder::LowFirst]);
    let word_order = gauge.choice("word_order", &orders).or(WordOrder::HighFirst);
    if let (Some(65_535), Some(2)) = (address, kind.map(NumberKind::registers)) {
        let said =
            complaint("a number in registers 65535 and 65536", "register 65534 for two", "correct register or kind");
        gauge.notes.refuse(&gauge.spot_of_key("register"), said);
    }
    Some(Talk::Register(RegisterTalk {
        unit: unit?,
        table: table?,
        address: u16::try_from(address?).ok()?,
        kind: kind?,
        word_order: word_order?,
    }))
}

fn ascii_talk(gauge: &Section) -> Option<Talk> {
    let request = gauge.bytes("request").or(Vec::new());
    let terminator = gauge.bytes("terminator").check(|bytes| match bytes.as_slice() {
        [byte] => Ok(*byte),
        _ => {
            Err(complaint(format!("{} characters", bytes.len()), "exactly one", "write the last one, such as \"\\n\""))
        }
    });
    let terminator = terminator.or(b'\n');
    let position = gauge.whole("position", 0, 63).or(0);
    Some(Talk::Ascii(AsciiTalk { request: request?, terminator: terminator?, position: position? as usize }))
}

pub(super) fn unit_id(section: &Section) -> Option<u8> {
    let unit = section.whole("unit_id", 1, 247).required()?;
    u8::try_from(unit).ok()
}

/// The deepest vacuum of any room, in pascals: a twentieth more than the standard atmosphere.
const NO_ROOM: f64 = 1.05 * 101_325.0;

/// The least and greatest number that a gauge can measure, which must hold a vacuum and no more than nothing.
fn range(
    gauge: &Section,
    place: Option<Place>,
    meaning: Option<(PressureUnit, PressureConvention)>,
) -> Option<(f64, f64)> {
    let range = gauge.pair("range", PLAIN, (-1e7, 1e7)).check(|(low, high)| {
        if low >= high {
            let wrong = format!("[{low}, {high}] does not rise");
            return Err(complaint(wrong, "the least number first", "write [least, greatest]"));
        }
        match meaning {
            Some((unit, convention)) if place == Some(Place::Barometer) => barometric((low, high), unit, convention),
            Some((unit, convention)) => ranged((low, high), unit, convention),
            None => Ok((low, high)),
        }
    });
    range.required()
}

/// A barometer counts from nothing, and its range holds the air of rooms: 700 to 1050 hPa at the least.
fn barometric(
    (low, high): (f64, f64),
    unit: PressureUnit,
    convention: PressureConvention,
) -> Result<(f64, f64), Complaint> {
    if convention != PressureConvention::Absolute {
        let said = "a barometer that counts from the room shows nothing";
        return Err(complaint(said, "counts = \"absolute\"", "correct counts or place"));
    }
    let (least, most) = (low * unit.pascals(), high * unit.pascals());
    if least > 7e4 || most < 1.05e5 {
        let wrong = format!("[{low}, {high}] {unit} does not hold the air of every room");
        return Err(complaint(wrong, "700 to 1050 hPa within it", "correct range or unit; leave station_pressure out"));
    }
    Ok((low, high))
}

fn ranged(
    (low, high): (f64, f64),
    unit: PressureUnit,
    convention: PressureConvention,
) -> Result<(f64, f64), Complaint> {
    let (deepest, shallowest) = match convention {
        PressureConvention::Absolute if low < 0.0 => {
            let wrong = format!("{low} {unit} absolute cannot be");
            return Err(complaint(
                wrong,
                format!("at least 0 {unit}"),
                "correct the range, or what the gauge counts from",
            ));
        }
        PressureConvention::Absolute => (0.0, 101_325.0 - low * unit.pascals()),
        PressureConvention::Gauge => (-low * unit.pascals(), -low * unit.pascals()),
        PressureConvention::Vacuum => (high * unit.pascals(), high * unit.pascals()),
    };
    if deepest > NO_ROOM {
        let wrong = format!("[{low}, {high}] {unit} goes {:.0} mbar below the room", deepest / 100.0);
        let limit = format!("{:.0} mbar, deeper than any room", NO_ROOM / 100.0);
        return Err(complaint(wrong, limit, "correct the range, the unit or what the gauge counts from"));
    }
    if shallowest < 100.0 {
        let wrong = format!("[{low}, {high}] {unit} holds no vacuum");
        let remedy = "a gauge pressure below the room is negative, a vacuum positive: correct range or counts";
        return Err(complaint(wrong, "at least 1 mbar below the room", remedy));
    }
    Ok((low, high))
}

/// Warns of a gauge that ends before the pump does, or whose scale goes on where this room has nothing.
fn warn_of_ranges(sections: &[Section], gauges: &[GaugeSettings], table: &Table) {
    let room = table.air.room;
    let deepest = table.pump.curve.first().map_or(room, |(pressure, _)| *pressure);
    let mbar = |pressure: AbsolutePressure| format!("{:.0} mbar absolute", pressure.pascals() / 100.0);
    for (gauge, section) in gauges.iter().zip(sections).filter(|(gauge, _)| gauge.place.is_suction()) {
        let end = match gauge.convention {
            PressureConvention::Absolute | PressureConvention::Gauge => gauge.range.0,
            PressureConvention::Vacuum => gauge.range.1,
        };
        let reach = gauge.convention.absolute(end, gauge.unit, room);
        let said = if reach.pascals() > deepest.pascals() + 1000.0 {
            let wrong = format!("the gauge ends at {}, the pump reaches {}", mbar(reach), mbar(deepest));
            complaint(wrong, "the pump's deepest level", "a deeper gauge would see all of it")
        } else if reach.pascals() < -0.05 * room.pascals() {
            let wrong = format!("the gauge's scale goes deeper than this room's {}", mbar(room));
            complaint(wrong, "the room's pressure", "check altitude_m, unit and counts; a standard scale may be right")
        } else {
            continue;
        };
        section.notes.warn(&section.spot_of_key("range"), said);
    }
}

/// Refuses two gauges that would read the same registers, or that share a line where one alone can talk.
fn refuse_gauge_clashes(sections: &[Section], gauges: &[GaugeSettings]) {
    for (index, gauge) in gauges.iter().enumerate() {
        for (earlier, first) in gauges[..index].iter().zip(sections) {
            if earlier.line != gauge.line {
                continue;
            }
            let first = first.spot().key();
            let (key, said) = match (&earlier.talk, &gauge.talk) {
                (Talk::Register(a), Talk::Register(b)) if registers_overlap(a, b) => {
                    let wrong = format!("register {} of unit {} is read by {first} already", b.address, b.unit);
                    ("register", complaint(wrong, "each register once", "correct unit_id or register"))
                }
                (Talk::Ascii(_), Talk::Ascii(_)) => {
                    let wrong = format!("{first} is on this ascii-talker line already");
                    ("line", complaint(wrong, "one gauge", "give this gauge a line of its own"))
                }
                (Talk::Register(_) | Talk::Ascii(_), _) => continue,
            };
            sections[index].notes.refuse(&sections[index].spot_of_key(key), said);
        }
    }
}

fn registers_overlap(a: &RegisterTalk, b: &RegisterTalk) -> bool {
    let end = |talk: &RegisterTalk| u32::from(talk.address) + u32::from(talk.kind.registers());
    a.unit == b.unit && a.table == b.table && u32::from(a.address) < end(b) && u32::from(b.address) < end(a)
}

/// Refuses a light on the unit of a gauge, to which nothing is ever written.
fn refuse_shared_units(sections: &[Section], lights: &[LightSettings], gauges: &[GaugeSettings]) {
    for (light, section) in lights.iter().zip(sections) {
        let shares = |gauge: &&GaugeSettings| match &gauge.talk {
            Talk::Register(talk) => (gauge.line, talk.unit) == (light.line, light.unit),
            Talk::Ascii(_) => false,
        };
        if let Some(gauge) = gauges.iter().find(shares) {
            let wrong = format!("unit {} is that of gauge {:?}", light.unit, gauge.name);
            let said = complaint(wrong, "a unit of its own", "move the light: a gauge's unit is never written to");
            section.notes.refuse(&section.spot_of_key("unit_id"), said);
        }
    }
}

/// Refuses lines with nothing on them.
fn refuse_idle(root: &Section, sections: &[Section], gauges: &[GaugeSettings], lights: &[LightSettings]) {
    let inputs: Vec<Section> = root.sections("contact", 32).into_iter().chain([root.section("drive")]).collect();
    inputs.iter().for_each(Section::pass_over_all);
    let named: Vec<String> = inputs.iter().filter_map(|input| input.text("line").optional().flatten()).collect();
    for (index, section) in sections.iter().enumerate() {
        if section.text("name").optional().flatten().is_some_and(|name| named.contains(&name)) {
            continue;
        }
        let mut used = gauges.iter().map(|gauge| gauge.line).chain(lights.iter().map(|light| light.line));
        if !used.any(|line| usize::from(line.0) == index) {
            section.refuse(complaint(
                "nothing is on this line",
                "a gauge or a light",
                "delete it, or name it in a gauge",
            ));
        }
    }
}

/// Refuses two lamps on one coil.
fn refuse_coil_clashes(sections: &[Section], lights: &[LightSettings]) {
    let mut taken: Vec<(LineId, u8, u16, String)> = Vec::new();
    for (light, section) in lights.iter().zip(sections) {
        for (word, coil) in coils(light) {
            let place = (light.line, light.unit, coil);
            if let Some((.., other)) = taken.iter().find(|(line, unit, coil, _)| (*line, *unit, *coil) == place) {
                let wrong = format!("coil {coil} of unit {} switches {other} already", light.unit);
                let said = complaint(wrong, "one coil for each lamp", "write another coil");
                section.notes.refuse(&section.spot_of_key(word), said);
            }
            taken.push((light.line, light.unit, coil, section.path(word)));
        }
    }
}

fn coils(light: &LightSettings) -> impl Iterator<Item = (&'static str, u16)> {
    let lamps = [
        ("red", light.red),
        ("yellow", light.yellow),
        ("green", light.green),
        ("blue", light.blue),
        ("white", light.white),
        ("horn", light.horn),
        ("heartbeat", light.heartbeat),
        ("feed_hold", light.feed_hold),
    ];
    lamps.into_iter().filter_map(|(word, coil)| coil.map(|coil| (word, coil)))
}

fn light(light: &Section, lines: Option<&[LineSettings]>) -> Option<LightSettings> {
    let name = light.text("name").required();
    let line = on_line(light, lines);
    let unit = unit_id(light);
    let coil = |word| light.whole(word, 0, 65_535).map(|coil| coil as u16).optional();
    let (red, yellow, green, blue) = (coil("red"), coil("yellow"), coil("green"), coil("blue"));
    let (white, horn, heartbeat, feed_hold) = (coil("white"), coil("horn"), coil("heartbeat"), coil("feed_hold"));
    let line = line?;
    if lines?[usize::from(line.0)].protocol == Protocol::AsciiTalker {
        let complaint =
            complaint("a light cannot be on an ascii-talker line", "a modbus-rtu line", "give it a line of its own");
        light.notes.refuse(&light.spot_of_key("line"), complaint);
        return None;
    }
    let settings = LightSettings {
        name: name?,
        line,
        unit: unit?,
        red: red?,
        yellow: yellow?,
        green: green?,
        blue: blue?,
        white: white?,
        horn: horn?,
        heartbeat: heartbeat?,
        feed_hold: feed_hold?,
    };
    if settings.red.is_none() || settings.yellow.is_none() {
        let remedy = "add the coils of red and yellow, without which no alarm can be shown";
        light.refuse(complaint("red or yellow has no coil", "both must be given", remedy));
        return None;
    }
    if settings.heartbeat.is_none() {
        let remedy = "add a heartbeat coil with a relay that cuts the light's supply when the change stays away";
        light
            .notes
            .warn(light.spot(), complaint("a hung computer would leave the light as it is", "a heartbeat", remedy));
    }
    Some(settings)
}

/// Refuses sections that share what only one may have.
pub(super) fn refuse_doubles<T>(sections: &[Section], values: &[T], key: &str, of: impl Fn(&T) -> &String) {
    for (index, value) in values.iter().enumerate() {
        if let Some(first) = values[..index].iter().position(|earlier| of(earlier) == of(value)) {
            let wrong = format!("{:?} is that of {} already", of(value), sections[first].spot().key());
            let said = complaint(wrong, "each only once", "write another, or delete one of the two");
            sections[index].notes.refuse(&sections[index].spot_of_key(key), said);
        }
    }
}

pub(super) fn milliseconds(value: f64) -> Span {
    Span::from_secs_f64(value / 1000.0)
}
