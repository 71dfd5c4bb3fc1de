//! Lines of text as they come: told from noise, and a talker watched for a while.

use super::{Conversation, Form, Step};
use crate::gauge::number::number_in;
use crate::moment::{Span, Steady};
use crate::units::PressureUnit;

/// The longest line that may be a reading.
const LONGEST: usize = 100;
/// The most numbers of a line that are looked at.
const MOST_NUMBERS: usize = 12;
/// How often a talker that must be asked is asked.
const EVERY: Span = Span::from_millis(150);
/// How long to wait for its line.
const PATIENCE: Span = Span::from_millis(700);

/// A line with numbers in it.
#[derive(Clone, Debug, PartialEq)]
pub struct TextLine {
    /// When its end came.
    pub at: Steady,
    /// Its text.
    pub text: String,
    /// Its numbers, in order.
    pub numbers: Vec<f64>,
}

impl TextLine {
    /// The unit written behind its number at `position`, if one is.
    pub fn unit(&self, position: usize) -> Option<PressureUnit> {
        let words = self.text.split(|c: char| !c.is_ascii_alphanumeric() && c != '.' && c != '-' && c != '+');
        let mut count = 0;
        let mut units = words.filter_map(|word| {
            let letters = word.trim_start_matches(|c: char| !c.is_ascii_alphabetic());
            let figures = &word[..word.len() - letters.len()];
            count += usize::from(number_in(figures.as_bytes(), 0).is_some());
            letters.parse::<PressureUnit>().ok().map(|unit| (count, unit))
        });
        units.find(|(behind, _)| *behind == position + 1).map(|(_, unit)| unit)
    }
}

/// Bytes becoming lines; whatever is not printable spoils its line.
#[derive(Clone, Debug, Default)]
pub(super) struct Ear {
    waiting: Vec<u8>,
    spoilt: bool,
    /// Whether a line feed ended one.
    pub(super) fed: bool,
    /// Bytes of no line.
    pub(super) noise: usize,
}

impl Ear {
    /// An ear that drops everything up to the next line's end, since it may have missed a line's start.
    pub(super) fn anew() -> Self {
        Ear { spoilt: true, ..Ear::default() }
    }

    /// The readable lines with a number that these bytes end.
    pub(super) fn hear(&mut self, at: Steady, bytes: &[u8]) -> Vec<TextLine> {
        let mut lines = Vec::new();
        for byte in bytes {
            match byte {
                b'\r' | b'\n' => {
                    self.fed |= *byte == b'\n';
                    lines.extend(self.close(at));
                }
                b'\t' | 0x20..=0x7E if self.waiting.len() < LONGEST => self.waiting.push(*byte),
                _ => {
                    self.spoilt = true;
                    self.noise += 1;
                }
            }
        }
        lines
    }

    /// Starts a line anew: what comes next is its beginning.
    pub(super) fn start(&mut self) {
        self.waiting.clear();
        self.spoilt = false;
    }

    /// Whether a line is under way.
    pub(super) fn is_open(&self) -> bool {
        !self.waiting.is_empty()
    }

    fn close(&mut self, at: Steady) -> Option<TextLine> {
        let line = std::mem::take(&mut self.waiting);
        if std::mem::take(&mut self.spoilt) {
            return None;
        }
        let numbers: Vec<f64> = (0..MOST_NUMBERS).map_while(|position| number_in(&line, position)).collect();
        let text: String = line.iter().map(|byte| char::from(*byte)).collect();
        (!numbers.is_empty()).then_some(TextLine { at, text: text.trim().to_owned(), numbers })
    }
}

/// Whether a line says that a request was not understood.
pub(super) fn is_complaint(line: &TextLine) -> bool {
    line.text.contains('?') || line.text.to_ascii_lowercase().contains("err")
}

/// A talker watched until a time.
#[derive(Clone, Debug)]
pub struct TextWatch {
    request: Vec<u8>,
    until: Steady,
    ear: Ear,
    next: Steady,
    form: Option<Form>,
    lines: Vec<TextLine>,
}

impl TextWatch {
    /// Watches a talker on a line of this form; `request` is empty for one that sends by itself.
    pub fn new(form: Form, request: Vec<u8>, until: Steady) -> Self {
        TextWatch { request, until, ear: Ear::anew(), next: Steady::default(), form: Some(form), lines: Vec::new() }
    }

    /// The lines heard.
    pub fn lines(&self) -> &[TextLine] {
        &self.lines
    }

    /// The byte that ends a line.
    pub fn terminator(&self) -> u8 {
        if self.ear.fed { b'\n' } else { b'\r' }
    }
}

impl Conversation for TextWatch {
    fn step(&mut self, at: Steady) -> Step {
        if let Some(form) = self.form.take() {
            return Step::Form(form);
        }
        if at >= self.until {
            return Step::Done;
        }
        if self.request.is_empty() {
            return Step::Listen(self.until);
        }
        if at < self.next {
            return Step::Listen(self.next.min(self.until));
        }
        self.next = at.plus(PATIENCE);
        // Its answer is whole: nothing of it can have been missed.
        self.ear.start();
        Step::Send(self.request.clone())
    }

    fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        let lines = self.ear.hear(at, bytes);
        if !lines.is_empty() {
            self.next = at.plus(EVERY);
        }
        self.lines.extend(lines.into_iter().filter(|line| !is_complaint(line)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(text: &str) -> TextLine {
        let mut ear = Ear::default();
        ear.hear(Steady::default(), format!("{text}\r\n").as_bytes()).remove(0)
    }

    #[test]
    fn a_unit_is_that_of_the_number_before_it() {
        assert_eq!(line("P1 -612.3 mbar").unit(0), Some(PressureUnit::Millibar));
        assert_eq!(line("-61.23kPa").unit(0), Some(PressureUnit::Kilopascal));
        assert_eq!(line("23.4 C 18.4 inHg").unit(1), Some(PressureUnit::InchOfMercury));
        assert_eq!(line("23.4 C 18.4 inHg").unit(0), None);
        assert_eq!(line("612.3").unit(0), None);
    }

    #[test]
    fn what_is_not_printable_spoils_its_line_alone() {
        let mut ear = Ear::default();
        let lines = ear.hear(Steady::default(), b"12\x80.3\r\n4.5\r\n----\r\n");
        assert_eq!(lines.iter().map(|line| line.numbers.clone()).collect::<Vec<_>>(), [vec![4.5]]);
        assert_eq!(ear.noise, 1);
    }

    #[test]
    fn a_line_caught_in_its_middle_is_left_out() {
        let mut ear = Ear::anew();
        assert_eq!(ear.hear(Steady::default(), b"2.3\n612.3\n").len(), 1);
    }
}
