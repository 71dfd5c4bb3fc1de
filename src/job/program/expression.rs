//! Numbers, parameters and expressions within a line, read to their value.
//!
//! The grammar is that of NISTIR 6556 (Kramer, Proctor, Messina, The NIST RS274NGC Interpreter, version 3, 2000), 3.3.2 and
//! appendix E: blanks may stand anywhere, even inside a number; `**` binds more closely than `*`, `/` and `MOD`, those more closely
//! than `+`, `-`, `OR`, `XOR` and `AND`; equals are taken from left to right; angles are in degrees. The comparisons `EQ`, `NE`, `GT`,
//! `GE`, `LT` and `LE`, which bind least and give 1 or 0, and `EXISTS`, are common practice beyond it.

use std::ops::Range;

use super::operator::{FUNCTIONS, Function, OPERATORS, Operator, truth};
use super::parameters::{Key, Parameters};
use super::refusal::{Flaw, flaw};

/// The longest number, in characters.
const LONGEST_NUMBER: usize = 40;

/// How deeply brackets and parameters may be nested.
const DEEPEST: usize = 64;

/// How near to a whole number an index or code must be; NISTIR 6556, 3.3.2.1 uses the same.
const WHOLE: f64 = 0.0001;

/// The longest name, in characters.
const LONGEST_NAME: usize = 64;

/// A place in a line that is being read.
#[derive(Clone, Debug)]
pub(super) struct Cursor<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) at: usize,
    depth: usize,
}

impl<'a> Cursor<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Cursor { bytes, at: 0, depth: 0 }
    }

    /// The next byte that is no blank, in upper case; not taken.
    pub(super) fn peek(&mut self) -> Option<u8> {
        while matches!(self.bytes.get(self.at), Some(b' ' | b'\t')) {
            self.at += 1;
        }
        self.bytes.get(self.at).map(u8::to_ascii_uppercase)
    }

    /// Takes the next byte if it is this one.
    pub(super) fn take(&mut self, byte: u8) -> bool {
        let found = self.peek() == Some(byte);
        self.at += usize::from(found);
        found
    }

    /// The byte here as a place to point at.
    pub(super) fn spot(&self) -> Range<usize> {
        self.at..self.at + 1
    }

    /// A number, parameter, expression in brackets or function of one.
    pub(super) fn value(&mut self, parameters: &Parameters) -> Result<f64, Flaw> {
        match self.peek() {
            Some(b'0'..=b'9' | b'.' | b'+' | b'-') => self.signed(parameters),
            Some(b'#') => self.nested(|cursor| {
                let (from, key) = (cursor.at, cursor.parameter(parameters)?);
                let why = |why| flaw(from..cursor.at, why, "set it in the program before it is used");
                parameters.get(&key).map_err(why)
            }),
            Some(b'[') => self.bracketed(parameters),
            Some(b'A'..=b'Z') => self.function(parameters),
            Some(_) | None => Err(flaw(self.spot(), "a value is missing", "write a number after the letter")),
        }
    }

    /// A number; or a sign before anything else that has a value.
    fn signed(&mut self, parameters: &Parameters) -> Result<f64, Flaw> {
        let before = self.at;
        let negative = self.take(b'-');
        if negative || self.take(b'+') {
            if matches!(self.peek(), Some(b'#' | b'[' | b'A'..=b'Z')) {
                let value = self.nested(|cursor| cursor.value(parameters))?;
                return Ok(if negative { -value } else { value });
            }
            self.at = before;
        }
        self.number()
    }

    fn nested<T>(&mut self, read: impl FnOnce(&mut Self) -> Result<T, Flaw>) -> Result<T, Flaw> {
        if self.depth >= DEEPEST {
            let what = format!("brackets are nested more than {DEEPEST} deep");
            return Err(flaw(self.spot(), what, "take the expression apart"));
        }
        self.depth += 1;
        let read = read(self);
        self.depth -= 1;
        read
    }

    /// Digits with a sign and a point, blanks between them allowed.
    pub(super) fn number(&mut self) -> Result<f64, Flaw> {
        self.peek();
        let from = self.at;
        let mut digits = [0; LONGEST_NUMBER];
        let mut length = 0;
        let mut end = self.at;
        while let Some(byte @ (b'0'..=b'9' | b'.' | b'+' | b'-')) = self.peek() {
            if matches!(byte, b'+' | b'-') && length > 0 {
                break;
            }
            let slot = digits.get_mut(length).ok_or_else(|| {
                let what = format!("the number has more than {LONGEST_NUMBER} characters");
                flaw(from..self.at, what, "write it shorter")
            })?;
            *slot = byte;
            length += 1;
            self.at += 1;
            end = self.at;
        }
        let value = plain(&digits[..length]).ok_or_else(|| {
            let end = end.max(from + 1);
            flaw(from..end, "this is no number", "write digits with at most one sign and one decimal point")
        })?;
        self.at = end;
        if self.bytes.get(end) == Some(&b',') {
            return Err(flaw(end..end + 1, "a comma stands in the number", "write a decimal point"));
        }
        Ok(value)
    }

    /// `#` and a number, expression or name: which parameter is meant, not its value.
    pub(super) fn parameter(&mut self, parameters: &Parameters) -> Result<Key, Flaw> {
        let from = self.at;
        self.take(b'#');
        if self.take(b'<') {
            return self.name(from).map(Key::Name);
        }
        let index = self.nested(|cursor| cursor.value(parameters))?;
        let whole = whole(index).and_then(|index| usize::try_from(index).ok());
        whole.map(Key::Number).ok_or_else(|| {
            flaw(from..self.at, format!("parameter number {index} is not a whole number from 0"), "correct it")
        })
    }

    /// A name up to `>`, in lower case and without its blanks.
    pub(super) fn name(&mut self, from: usize) -> Result<String, Flaw> {
        let mut name = String::new();
        while let Some(byte) = self.peek() {
            self.at += 1;
            match byte {
                b'>' if !name.is_empty() => return Ok(name),
                b'A'..=b'Z' | b'0'..=b'9' | b'_' | b'-' | b'.' if name.len() < LONGEST_NAME => {
                    name.push(char::from(byte.to_ascii_lowercase()));
                }
                _ => break,
            }
        }
        let what = format!("a name of at most {LONGEST_NAME} letters, digits or _ up to > is missing");
        Err(flaw(from..self.at, what, "write it as <name>"))
    }

    /// `[`, an expression, `]`.
    pub(super) fn bracketed(&mut self, parameters: &Parameters) -> Result<f64, Flaw> {
        self.peek();
        let from = self.at;
        if !self.take(b'[') {
            return Err(flaw(self.spot(), "an expression in [ ] is missing", "write it in square brackets"));
        }
        self.nested(|cursor| {
            let value = cursor.joined(parameters, 0)?;
            if cursor.take(b']') {
                return Ok(value);
            }
            if let Some(byte) = cursor.peek() {
                let what = format!("{:?} does not go on an expression", char::from(byte));
                return Err(flaw(cursor.spot(), what, "write an operator, or close the bracket"));
            }
            Err(flaw(from..from + 1, "the bracket [ is not closed", "write ] where the expression ends"))
        })
    }

    /// Values joined by operators that bind at least as closely as `least`.
    fn joined(&mut self, parameters: &Parameters, least: u8) -> Result<f64, Flaw> {
        let from = self.at;
        let mut value = self.value(parameters)?;
        while let Some((operator, after)) = self.operator() {
            let binding = operator.binding();
            if binding < least {
                break;
            }
            self.at = after;
            let right = self.nested(|cursor| cursor.joined(parameters, binding + 1))?;
            value = finite(operator.of(value, right), from..self.at)?;
        }
        Ok(value)
    }

    /// The operator here and where it ends; not taken.
    fn operator(&mut self) -> Option<(Operator, usize)> {
        self.peek();
        let mut ahead = self.clone();
        let operator = match ahead.peek()? {
            b'+' => Operator::Plus,
            b'-' => Operator::Minus,
            b'/' => Operator::Over,
            b'*' => {
                ahead.at += 1;
                let power = ahead.peek() == Some(b'*');
                ahead.at -= usize::from(!power);
                if power { Operator::Power } else { Operator::Times }
            }
            b'A'..=b'Z' => return OPERATORS.iter().find_map(|(word, operator)| Some((*operator, ahead.after(word)?))),
            _ => return None,
        };
        Some((operator, ahead.at + 1))
    }

    /// Where a word that stands here ends.
    pub(super) fn after(&self, word: &str) -> Option<usize> {
        let mut ahead = self.clone();
        word.bytes().all(|byte| ahead.take(byte)).then_some(ahead.at)
    }

    fn function(&mut self, parameters: &Parameters) -> Result<f64, Flaw> {
        let from = self.at;
        if let Some(after) = self.after("EXISTS") {
            self.at = after;
            return self.exists(parameters);
        }
        let known = FUNCTIONS.iter().find_map(|(word, function)| Some((*function, self.after(word)?)));
        let Some((function, after)) = known else {
            let names: Vec<&str> = FUNCTIONS.iter().map(|(word, _)| *word).collect();
            let what = "a number or function is missing";
            return Err(flaw(from..from + 1, what, format!("the functions are {}", names.join(", "))));
        };
        self.at = after;
        let value = self.bracketed(parameters)?;
        if matches!(function, Function::Atan) {
            if !self.take(b'/') {
                let what = "ATAN wants two values";
                return Err(flaw(from..self.at, what, "write ATAN[rise]/[run]"));
            }
            let run = self.bracketed(parameters)?;
            return Ok(value.atan2(run).to_degrees());
        }
        finite(function.of(value), from..self.at)
    }

    fn exists(&mut self, parameters: &Parameters) -> Result<f64, Flaw> {
        if self.take(b'[') && self.peek() == Some(b'#') {
            let key = self.parameter(parameters)?;
            if self.take(b']') {
                return Ok(truth(parameters.is_set(&key)));
            }
        }
        Err(flaw(self.spot(), "EXISTS wants a parameter in brackets", "write EXISTS[#<name>]"))
    }
}

fn finite(value: f64, columns: Range<usize>) -> Result<f64, Flaw> {
    if value.is_finite() {
        return Ok(value);
    }
    Err(flaw(columns, "the expression has no finite value", "check for a division by 0 or a function out of its range"))
}

/// The whole number that a value stands for.
pub(super) fn whole(value: f64) -> Option<i64> {
    let nearest = value.round();
    ((value - nearest).abs() < WHOLE && nearest.abs() < 1e15).then_some(nearest as i64)
}

/// Powers of ten that a float holds exactly.
const TENS: [f64; 16] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// The value of digits with at most one sign in front and one point, correctly rounded: both whole number and power of ten are
/// exact up to 15 digits, so their quotient is.
fn plain(digits: &[u8]) -> Option<f64> {
    let unsigned = digits.strip_prefix(b"-").or_else(|| digits.strip_prefix(b"+")).unwrap_or(digits);
    let (mut whole, mut count, mut point) = (0_u64, 0_usize, None);
    for byte in unsigned {
        match byte {
            b'0'..=b'9' => {
                whole = whole.wrapping_mul(10).wrapping_add(u64::from(byte - b'0'));
                count += 1;
            }
            b'.' if point.is_none() => point = Some(count),
            _ => return None,
        }
    }
    if count == 0 {
        return None;
    }
    if count >= TENS.len() {
        return std::str::from_utf8(digits).ok()?.parse().ok();
    }
    let value = whole as f64 / TENS[point.map_or(0, |point| count - point)];
    Some(if digits.first() == Some(&b'-') { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Result<f64, Flaw> {
        let mut parameters = Parameters::default();
        for (number, value) in [(1, 4.0), (2, 3.0), (3, 2.0)] {
            parameters.set(Key::Number(number), value).unwrap();
        }
        let mut cursor = Cursor::new(text.as_bytes());
        let value = cursor.value(&parameters)?;
        assert_eq!(cursor.peek(), None, "{text} is not read to its end");
        Ok(value)
    }

    #[test]
    fn expressions_have_the_values_that_the_grammar_gives_them() {
        for (text, expected) in [
            // NISTIR 6556, 3.3.2.3, its worked example of precedence (quoted from memory).
            ("[2.0 / 3 * 1.5 - 5.5 / 11.0]", 0.5),
            // The same, 3.3.2.2: `[1 + acos[0] - [#3 ** [4.0/2]]]`, with #3 = 2 here.
            ("[1 + acos[0] - [#3 ** [4.0/2]]]", 87.0),
            // The same, 3.3.2.1: # binds before anything else, and may be doubled.
            ("[#1+2]", 6.0),
            ("##2", 2.0),
            // The same, table 6: FIX and FUP go down and up.
            ("fix[2.8]", 2.0),
            ("FIX[-2.8]", -3.0),
            ("FUP[2.8]", 3.0),
            ("fup[-2.8]", -2.0),
            // Common mathematics, no source needed.
            ("[2**3**2]", 64.0),
            ("[2+3*4]", 14.0),
            ("[-5 MOD 3]", 1.0),
            ("ATAN[1]/[-1]", 135.0),
            ("-[3]", -3.0),
            ("- #1", -4.0),
            ("[1 LT 2]", 1.0),
            ("[1 + 1 EQ 2]", 1.0),
            ("[1 AND 0]", 0.0),
            ("[1 XOR 0]", 1.0),
            ("EXISTS[#1]", 1.0),
            ("exists[#<no>]", 0.0),
            ("sqrt[16]", 4.0),
            ("sin[30]", 0.5),
            ("ln[exp[2]]", 2.0),
            ("round[2.5]", 3.0),
            ("tan[45]", 1.0),
            ("asin[1]", 90.0),
            ("abs[-3]", 3.0),
            ("cos[60]", 0.5),
        ] {
            let found = value(text).unwrap_or_else(|flaw| panic!("{text}: {flaw:?}"));
            assert!((found - expected).abs() < 1e-12, "{text} = {found}");
        }
    }

    #[test]
    fn numbers_may_hold_blanks_and_lack_digits_on_one_side() {
        for (text, expected) in
            [("+0. 12 34", 0.1234), ("- .5", -0.5), ("7.", 7.0), ("123456789012345678", 123_456_789_012_345_680.0)]
        {
            assert_eq!(value(text), Ok(expected), "{text}");
        }
    }

    #[test]
    fn every_number_of_up_to_15_digits_is_rounded_as_the_standard_library_does() {
        for text in ["0.1", "1234.5678", "999999999.999999", ".000001", "3.14159265358979", "25.4", "0000.10"] {
            assert_eq!(value(text).ok(), text.parse().ok(), "{text}");
        }
    }

    #[test]
    fn what_has_no_value_is_refused() {
        for text in [
            "",
            "-",
            ".",
            "1.2.3",
            "1,5",
            "[1",
            "[1+",
            "[1 2",
            "[]",
            "#77",
            "#[1.5]",
            "#5161",
            "#9999",
            "foo[1]",
            "sqrt[-1]",
            "[1/0]",
            "atan[1]",
            "acos[2]",
            "ln[0]",
            "#<",
            "#<a b",
            "EXISTS[1]",
            "+-1",
        ] {
            assert!(value(text).is_err(), "{text}");
        }
        let deep = "[".repeat(1000);
        assert!(value(&deep).is_err());
        assert!(value(&"#".repeat(1000)).is_err());
        assert!(value(&"9".repeat(50)).is_err());
    }
}
