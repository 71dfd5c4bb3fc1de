//! A program's parameters: `#1` to `#5399`, and names.
//!
//! NISTIR 6556, 3.2.1, keeps 5400 numbered parameters and lets those from 5161 on belong to the controller (homes, offsets,
//! coordinate systems). Within a subprogram called with arguments, `#1` to `#30` and names without a leading underscore are its
//! own (common practice, no source).

use std::collections::BTreeMap;

/// The numbered parameters that are a subprogram's own.
const OWN: usize = 30;

/// The first that belongs to the controller; NISTIR 6556, table 2.
const CONTROLLERS: usize = 5161;
const HIGHEST: usize = 5399;
const MOST_NAMES: usize = 10_000;

/// Which parameter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Key {
    Number(usize),
    Name(String),
}

/// The values set so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Parameters {
    shared: Vec<Option<f64>>,
    names: BTreeMap<String, f64>,
    frames: Vec<Frame>,
    outermost: Frame,
}

#[derive(Clone, Debug, Default)]
struct Frame {
    numbers: [Option<f64>; OWN + 1],
    names: BTreeMap<String, f64>,
}

impl Parameters {
    fn frame(&self) -> &Frame {
        self.frames.last().unwrap_or(&self.outermost)
    }

    fn frame_mut(&mut self) -> &mut Frame {
        self.frames.last_mut().unwrap_or(&mut self.outermost)
    }

    /// A value, or why there is none.
    pub(super) fn get(&self, key: &Key) -> Result<f64, String> {
        let value = match key {
            Key::Number(number) if *number <= OWN => self.frame().numbers[*number],
            Key::Number(number) => {
                allowed(*number)?;
                self.shared.get(*number).copied().flatten()
            }
            Key::Name(name) if name.starts_with('_') => self.names.get(name).copied(),
            Key::Name(name) => self.frame().names.get(name).copied(),
        };
        value.ok_or_else(|| format!("parameter {} has no value yet", shown(key)))
    }

    /// Sets a value, or says why not.
    pub(super) fn set(&mut self, key: Key, value: f64) -> Result<(), String> {
        match key {
            Key::Number(number) if number <= OWN => self.frame_mut().numbers[number] = Some(value),
            Key::Number(number) => {
                allowed(number)?;
                if self.shared.len() <= number {
                    self.shared.resize(number + 1, None);
                }
                self.shared[number] = Some(value);
            }
            Key::Name(name) => {
                let names = if name.starts_with('_') { &mut self.names } else { &mut self.frame_mut().names };
                if names.len() >= MOST_NAMES {
                    return Err(format!("there are more than {MOST_NAMES} named parameters"));
                }
                names.insert(name, value);
            }
        }
        Ok(())
    }

    /// Whether a parameter has a value.
    pub(super) fn is_set(&self, key: &Key) -> bool {
        self.get(key).is_ok()
    }

    /// Goes into a subprogram with its arguments as `#1` and on.
    pub(super) fn enter(&mut self, arguments: &[f64]) {
        let mut frame = Frame::default();
        for (slot, value) in frame.numbers[1..].iter_mut().zip(arguments) {
            *slot = Some(*value);
        }
        self.frames.push(frame);
    }

    /// Comes out of it.
    pub(super) fn leave(&mut self) {
        self.frames.pop();
    }
}

fn allowed(number: usize) -> Result<(), String> {
    match number {
        0..CONTROLLERS => Ok(()),
        CONTROLLERS..=HIGHEST => Err(format!("parameter #{number} is the controller's own, not the program's")),
        _ => Err(format!("there is no parameter #{number}; the highest is #{HIGHEST}")),
    }
}

fn shown(key: &Key) -> String {
    match key {
        Key::Number(number) => format!("#{number}"),
        Key::Name(name) => format!("#<{name}>"),
    }
}
