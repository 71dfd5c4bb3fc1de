//! One section of a setup or card, read key by key: every value is checked as it is asked for, and what nobody asked for
//! is a mistake.
//!
//! Keys carry their unit, and a quantity may be written in any unit of its [`Dimension`]: `thickness_mm = 19` or
//! `thickness_in = 0.75`.

use std::cell::RefCell;
use std::ops::RangeInclusive;

use serde::Serialize;

use super::notes::{Complaint, Notes, Spot, complaint};
use super::tree::{Node, Written, quoted};

/// What a quantity may be written in: the end of the key, and that unit in the first one.
pub(super) type Dimension = &'static [(&'static str, f64)];

/// A number without a unit.
pub(super) const PLAIN: Dimension = &[("", 1.0)];
/// Millimetres; NIST SP 811, B.8: 1 in = 25.4 mm exactly.
pub(super) const LENGTH: Dimension = &[("mm", 1.0), ("in", 25.4)];
/// Metres; NIST SP 811, B.8: 1 ft = 0.3048 m exactly.
pub(super) const SPAN: Dimension = &[("m", 1.0), ("ft", 0.3048)];
/// Millibars; conventional inch of mercury as in [`crate::units`].
pub(super) const LEVEL: Dimension = &[("mbar", 1.0), ("kpa", 10.0), ("inhg", 33.863_886_403_41)];
/// Hectopascals.
pub(super) const BAROMETER: Dimension = &[("hpa", 1.0), ("inhg", 33.863_886_403_41)];
/// Cubic metres per hour; 1 ft³/min = 0.3048³·60 m³/h.
pub(super) const FLOW: Dimension = &[("m3_h", 1.0), ("cfm", 1.699_010_795_52)];
/// Milliseconds.
pub(super) const MILLISECONDS: Dimension = &[("ms", 1.0), ("s", 1000.0)];
/// Metres per minute.
pub(super) const FEED: Dimension = &[("m_min", 1.0), ("in_min", 0.0254)];
/// Kilograms per cubic metre; NIST SP 811, B.8: 1 lb/ft³ = 16.01846 kg/m³.
pub(super) const DENSITY: Dimension = &[("kg_m3", 1.0), ("lb_ft3", 16.018_463_373_96)];
/// Kilograms; NIST SP 811, B.8: 1 lb = 0.453 592 37 kg exactly.
pub(super) const MASS: Dimension = &[("kg", 1.0), ("lb", 0.453_592_37)];
/// Newtons; NIST SP 811, B.8: 1 lbf = 4.448 222 N.
pub(super) const FORCE: Dimension = &[("n", 1.0), ("lbf", 4.448_221_615_260_5)];

/// The least and the greatest number allowed, in a dimension's first unit.
pub(super) type Limits = (f64, f64);

/// A section being read. When it goes, the keys that nobody asked for are noted as mistakes.
pub(super) struct Section<'n> {
    pub(super) notes: &'n Notes,
    spot: Spot,
    /// None for a section that is not written.
    entries: Option<&'n [(String, Node)]>,
    asked: RefCell<Vec<String>>,
}

impl Drop for Section<'_> {
    fn drop(&mut self) {
        let asked = self.asked.borrow();
        for (key, node) in self.entries.unwrap_or_default() {
            if !asked.iter().any(|name| name == key) {
                let near = nearest(key, asked.iter().map(String::as_str));
                let remedy =
                    near.map_or("delete it".to_owned(), |near| format!("write {near} if that is meant, or delete it"));
                let limit = format!("the keys here are {}", asked.join(", "));
                self.notes.refuse(&self.spot_of(key, node.line), complaint("key is not known", limit, remedy));
            }
        }
    }
}

impl<'n> Section<'n> {
    pub(super) fn root(node: &'n Node, notes: &'n Notes) -> Self {
        Section::of(node, Spot { line: node.line, key: String::new() }, notes)
    }

    fn of(node: &'n Node, spot: Spot, notes: &'n Notes) -> Self {
        let entries = match &node.value {
            Written::Section(entries) => Some(entries.as_slice()),
            other => {
                let wrong = format!("{} stands here", other.shown());
                notes.refuse(&spot, complaint(wrong, "a section with keys", "write it as a section"));
                None
            }
        };
        Section { notes, spot, entries, asked: RefCell::default() }
    }

    /// Where it stands.
    pub(super) fn spot(&self) -> &Spot {
        &self.spot
    }

    /// Whether it is written at all.
    pub(super) fn is_written(&self) -> bool {
        self.entries.is_some()
    }

    /// Notes a mistake about the section as a whole.
    pub(super) fn refuse(&self, complaint: Complaint) {
        self.notes.refuse(&self.spot, complaint);
    }

    /// The path of a key in it.
    pub(super) fn path(&self, key: &str) -> String {
        if self.spot.key.is_empty() { key.to_owned() } else { format!("{}.{key}", self.spot.key) }
    }

    /// Where a key of it stands, or would.
    pub(super) fn spot_of_key(&self, key: &str) -> Spot {
        let node = self.entries.unwrap_or_default().iter().find(|(name, _)| name == key);
        self.spot_of(key, node.and_then(|(_, node)| node.line))
    }

    /// Takes keys as known that cannot be read because of a mistake elsewhere.
    pub(super) fn pass_over(&self, keys: &[&str]) {
        self.asked.borrow_mut().extend(keys.iter().map(|key| (*key).to_owned()));
    }

    /// Takes every key as known, where the section as a whole is out of place.
    pub(super) fn pass_over_all(&self) {
        self.asked.borrow_mut().extend(self.entries.unwrap_or_default().iter().map(|(key, _)| key.clone()));
    }

    fn spot_of(&self, key: &str, line: Option<usize>) -> Spot {
        Spot { line: line.or(self.spot.line), key: self.path(key) }
    }

    fn node(&self, key: &str) -> Option<&'n Node> {
        if !self.asked.borrow().iter().any(|name| name == key) {
            self.asked.borrow_mut().push(key.to_owned());
        }
        self.entries?.iter().find(|(name, _)| name == key).map(|(_, node)| node)
    }

    /// Whether a key is written, under any unit.
    pub(super) fn has(&self, key: &str, dimension: Dimension) -> bool {
        dimension.iter().any(|(unit, _)| self.node(&with_unit(key, unit)).is_some())
    }

    /// A section below this one.
    pub(super) fn section(&self, key: &str) -> Section<'n> {
        match self.node(key) {
            Some(node) => Section::of(node, self.spot_of(key, node.line), self.notes),
            None => {
                Section { notes: self.notes, spot: self.spot_of(key, None), entries: None, asked: RefCell::default() }
            }
        }
    }

    /// The sections of a list below this one, such as every `[[gauge]]`; at most `most`.
    pub(super) fn sections(&self, key: &str, most: usize) -> Vec<Section<'n>> {
        let Some(node) = self.node(key) else { return Vec::new() };
        let Written::List(items) = &node.value else {
            let remedy = format!("write [[{}]]", self.path(key));
            let wrong = format!("{} stands here", node.value.shown());
            self.notes.refuse(&self.spot_of(key, node.line), complaint(wrong, "a list of sections", remedy));
            return Vec::new();
        };
        if items.len() > most {
            let complaint = complaint(format!("{} of them", items.len()), format!("at most {most}"), "leave some out");
            self.notes.refuse(&self.spot_of(key, node.line), complaint);
            return Vec::new();
        }
        items
            .iter()
            .enumerate()
            .map(|(index, item)| {
                let spot = self.spot_of(&format!("{key}[{}]", index + 1), item.line);
                Section::of(item, spot, self.notes)
            })
            .collect()
    }

    /// A number in the dimension's first unit.
    pub(super) fn number<'s>(&'s self, key: &str, dimension: Dimension, limits: Limits) -> Reading<'s, 'n, f64> {
        self.quantity(key, dimension, |node, factor, unit| number_of(node, factor, unit, limits))
    }

    /// A whole number.
    pub(super) fn whole<'s>(&'s self, key: &str, least: u32, most: u32) -> Reading<'s, 'n, u32> {
        let limits = (f64::from(least), f64::from(most));
        self.number(key, PLAIN, limits).check(|number| {
            if number.fract() == 0.0 {
                return Ok(number as u32);
            }
            Err(complaint(number.to_string(), format!("a whole number from {least} to {most}"), "write a whole number"))
        })
    }

    /// A list of exactly `count` numbers in the dimension's first unit.
    pub(super) fn numbers<'s>(
        &'s self,
        key: &str,
        count: usize,
        dimension: Dimension,
        limits: Limits,
    ) -> Reading<'s, 'n, Vec<f64>> {
        self.quantity(key, dimension, |node, factor, unit| numbers_of(node, count, (factor, unit), limits))
    }

    /// Two numbers in the dimension's first unit.
    pub(super) fn pair<'s>(&'s self, key: &str, dimension: Dimension, limits: Limits) -> Reading<'s, 'n, (f64, f64)> {
        self.numbers(key, 2, dimension, limits).map(|list| (list[0], list[1]))
    }

    /// A list of lists of `N` numbers in the dimension's first unit; how many of them, in `count`.
    pub(super) fn rows<'s, const N: usize>(
        &'s self,
        key: &str,
        dimension: Dimension,
        limits: Limits,
        count: RangeInclusive<usize>,
    ) -> Reading<'s, 'n, Vec<[f64; N]>> {
        self.quantity(key, dimension, |node, factor, unit| {
            list_of(node, count.clone())?
                .iter()
                .map(|item| {
                    numbers_of(item, N, (factor, unit), limits).map(|row| std::array::from_fn(|place| row[place]))
                })
                .collect()
        })
    }

    /// A text of 1 to 120 characters without control characters.
    pub(super) fn text<'s>(&'s self, key: &str) -> Reading<'s, 'n, String> {
        self.value(key, text_of)
    }

    /// A list of such texts; at most `most` of them.
    pub(super) fn texts<'s>(&'s self, key: &str, most: usize) -> Reading<'s, 'n, Vec<String>> {
        self.value(key, |node| list_of(node, 0..=most)?.iter().map(text_of).collect())
    }

    /// One of several words.
    pub(super) fn choice<'s, T: Clone>(&'s self, key: &str, choices: &[(impl AsRef<str>, T)]) -> Reading<'s, 'n, T> {
        self.value(key, |node| {
            let Written::Text(text) = &node.value else { return Err(wrong_kind(node, "a word")) };
            choices.iter().find(|(word, _)| word.as_ref() == text).map(|(_, choice)| choice.clone()).ok_or_else(|| {
                let words: Vec<&str> = choices.iter().map(|(word, _)| word.as_ref()).collect();
                let near = nearest(text, words.iter().copied());
                let remedy =
                    near.map_or("write one of these".to_owned(), |near| format!("write {near:?} if that is meant"));
                complaint(format!("{} is none of the words", quoted(text)), words.join(", "), remedy)
            })
        })
    }

    /// Whether a section stands at a key that takes a word or a section.
    pub(super) fn is_section(&self, key: &str) -> bool {
        self.node(key).is_some_and(|node| matches!(node.value, Written::Section(_)))
    }

    /// Up to 64 ASCII characters of any kind, as bytes.
    pub(super) fn bytes<'s>(&'s self, key: &str) -> Reading<'s, 'n, Vec<u8>> {
        self.value(key, |node| {
            let Written::Text(text) = &node.value else { return Err(wrong_kind(node, "a text in quotation marks")) };
            if text.is_ascii() && text.len() <= 64 {
                return Ok(text.as_bytes().to_vec());
            }
            Err(complaint(quoted(text), "0 to 64 ASCII characters", "write the characters that the gauge knows"))
        })
    }

    fn value<'s, T>(&'s self, key: &str, read: impl Fn(&'n Node) -> Result<T, Complaint>) -> Reading<'s, 'n, T> {
        self.quantity(key, PLAIN, |node, _, _| read(node))
    }

    fn quantity<'s, T>(
        &'s self,
        key: &str,
        dimension: Dimension,
        read: impl Fn(&'n Node, f64, &str) -> Result<T, Complaint>,
    ) -> Reading<'s, 'n, T> {
        let names: Vec<String> = dimension.iter().map(|(unit, _)| with_unit(key, unit)).collect();
        let mut reading = Reading { section: self, spot: self.spot_of(&names[0], None), names, found: Found::Missing };
        for (index, (unit, factor)) in dimension.iter().enumerate() {
            let Some(node) = self.node(&reading.names[index]) else { continue };
            let spot = self.spot_of(&reading.names[index], node.line);
            let twice = !matches!(reading.found, Found::Missing);
            let result = if twice { Err(said_twice(&reading.names)) } else { read(node, *factor, unit) };
            reading.spot = spot;
            reading.found = match result {
                Ok(value) => Found::Value(value),
                Err(complaint) => {
                    self.notes.refuse(&reading.spot, complaint);
                    Found::Wrong
                }
            };
        }
        reading
    }
}

/// What came of asking for a key.
pub(super) struct Reading<'s, 'n, T> {
    section: &'s Section<'n>,
    spot: Spot,
    names: Vec<String>,
    found: Found<T>,
}

enum Found<T> {
    Missing,
    /// A mistake is noted.
    Wrong,
    Value(T),
}

impl<'s, 'n, T> Reading<'s, 'n, T> {
    /// The value; that it is missing is a mistake.
    pub(super) fn required(self) -> Option<T> {
        match self.found {
            Found::Value(value) => Some(value),
            Found::Wrong => None,
            Found::Missing => {
                let remedy = format!("add {}", self.names.join(" or "));
                self.section.notes.refuse(&self.spot, complaint("is missing", "it must be given", remedy));
                None
            }
        }
    }

    /// The value, or the one that stands in for it without a word.
    pub(super) fn or(self, default: T) -> Option<T> {
        match self.found {
            Found::Value(value) => Some(value),
            Found::Wrong => None,
            Found::Missing => Some(default),
        }
    }

    /// The value, or an assumed one, which is noted: as shown, and on what ground.
    pub(super) fn or_assumed(self, default: T, shown: impl Into<String>, ground: &str) -> Option<T> {
        if matches!(self.found, Found::Missing) {
            self.section.notes.assume(self.spot.key.clone(), shown, ground);
        }
        self.or(default)
    }

    /// The value if there is one; the outer `None` for a mistake.
    pub(super) fn optional(self) -> Option<Option<T>> {
        self.map(Some).or(None)
    }

    /// The value and where it stands; that it is missing is a mistake.
    pub(super) fn required_at(self) -> Option<(T, Spot)> {
        let spot = self.spot.clone();
        self.required().map(|value| (value, spot))
    }

    pub(super) fn map<U>(self, change: impl FnOnce(T) -> U) -> Reading<'s, 'n, U> {
        self.check(|value| Ok(change(value)))
    }

    /// The value changed by a check that may refuse it.
    pub(super) fn check<U>(self, check: impl FnOnce(T) -> Result<U, Complaint>) -> Reading<'s, 'n, U> {
        let found = match self.found {
            Found::Missing => Found::Missing,
            Found::Wrong => Found::Wrong,
            Found::Value(value) => match check(value) {
                Ok(value) => Found::Value(value),
                Err(complaint) => {
                    self.section.notes.refuse(&self.spot, complaint);
                    Found::Wrong
                }
            },
        };
        Reading { section: self.section, spot: self.spot, names: self.names, found }
    }
}

/// The words of an enum's values, as they are written everywhere else.
pub(super) fn named<T: Serialize + Clone>(all: &[T]) -> Vec<(String, T)> {
    all.iter().map(|value| (name_of(value), value.clone())).collect()
}

/// The word of an enum's value.
pub(super) fn name_of(value: &impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|word| word.as_str().map(str::to_owned)).unwrap_or_default()
}

fn with_unit(key: &str, unit: &str) -> String {
    if unit.is_empty() { key.to_owned() } else { format!("{key}_{unit}") }
}

fn said_twice(names: &[String]) -> Complaint {
    complaint("is given in two units", format!("one of {}", names.join(", ")), "keep one")
}

fn wrong_kind(node: &Node, wanted: &str) -> Complaint {
    complaint(format!("{} stands here", node.value.shown()), wanted, format!("write {wanted}"))
}

fn number_of(node: &Node, factor: f64, unit: &str, (least, most): Limits) -> Result<f64, Complaint> {
    let Written::Number(number) = node.value else { return Err(wrong_kind(node, "a number")) };
    let value = number * factor;
    if value >= least && value <= most {
        return Ok(value);
    }
    let unit = unit.replace("_", "/");
    let limit = format!("{} to {} {unit}", rounded(least / factor), rounded(most / factor));
    let remedy =
        if unit.is_empty() { "write a number within it" } else { "correct it, or the unit at the end of the key" };
    Err(complaint(format!("{number} is out of range"), limit.trim_end(), remedy))
}

/// Six digits, so that a limit in another unit stays readable.
fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

fn list_of(node: &Node, count: RangeInclusive<usize>) -> Result<&[Node], Complaint> {
    let Written::List(items) = &node.value else { return Err(wrong_kind(node, "a list")) };
    if count.contains(&items.len()) {
        return Ok(items);
    }
    let limit = if count.start() == count.end() {
        format!("exactly {}", count.start())
    } else {
        format!("{} to {}", count.start(), count.end())
    };
    Err(complaint(format!("the list has {} entries", items.len()), limit, "add or leave out some"))
}

fn numbers_of(node: &Node, count: usize, unit: (f64, &str), limits: Limits) -> Result<Vec<f64>, Complaint> {
    list_of(node, count..=count)?.iter().map(|item| number_of(item, unit.0, unit.1, limits)).collect()
}

fn text_of(node: &Node) -> Result<String, Complaint> {
    let Written::Text(text) = &node.value else { return Err(wrong_kind(node, "a text in quotation marks")) };
    let length = text.trim().chars().count();
    if !(1..=120).contains(&length) || text.chars().any(char::is_control) {
        return Err(complaint(
            quoted(text),
            "1 to 120 characters, none of them a control character",
            "write another text",
        ));
    }
    Ok(text.trim().to_owned())
}

/// The known word that is most like `word`, if any is much like it.
pub(super) fn nearest<'w>(word: &str, known: impl Iterator<Item = &'w str>) -> Option<&'w str> {
    known
        .map(|name| (strsim::normalized_damerau_levenshtein(word, name), name))
        .filter(|(likeness, _)| *likeness >= 0.6)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}
