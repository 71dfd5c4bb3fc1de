//! One line taken apart into words, by the grammar of NISTIR 6556, 3.3: block delete, line number, then words, parameter settings
//! and comments in any order.
//!
//! Beyond it, by common practice: comments from `;` to the end, a checksum `*nn` (the exclusive or of the bytes before it), lines
//! that begin with `O` or `:` (see [`super::flow`]).

use std::ops::Range;

use super::expression::{Cursor, whole};
use super::parameters::{Key, Parameters};
use super::refusal::{Flaw, flaw, flaw_of_line};

/// The most G or M words of one line.
const MOST_CODES: usize = 16;

/// The greatest line number; NISTIR 6556, 3.3.1.1, allows 99999, and long programs count on.
const HIGHEST_NUMBER: i64 = 999_999_999;

/// A letter with its value.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Word {
    pub(super) value: f64,
    pub(super) columns: Range<usize>,
}

/// A G or M code, times ten.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct CodeWord {
    pub(super) tenths: u16,
    pub(super) columns: Range<usize>,
}

/// What a line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Words, or nothing.
    Words,
    /// `O` or `:` and the rest: where it begins.
    Flow(usize),
    /// `%`.
    Percent,
}

/// A line's words; kept from line to line for its memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Block {
    pub(super) number: Option<u32>,
    pub(super) deleted: bool,
    pub(super) g: Vec<CodeWord>,
    pub(super) m: Vec<CodeWord>,
    letters: [Option<Word>; 26],
    given: u32,
    used: u32,
    settings: Vec<(Key, f64, Range<usize>)>,
}

impl Block {
    /// Reads a line; settings of parameters come into force at its end.
    pub(super) fn read(&mut self, line: &[u8], delete: bool, parameters: &mut Parameters) -> Result<Kind, Flaw> {
        self.clear();
        let mut cursor = Cursor::new(line);
        if cursor.take(b'/') {
            self.deleted = true;
            cursor.at += usize::from(matches!(line.get(cursor.at), Some(b'1'..=b'9')));
            if delete {
                return Ok(Kind::Words);
            }
        }
        self.read_number(&mut cursor, parameters)?;
        match cursor.peek() {
            Some(b'%') => return percent(cursor).map(|()| Kind::Percent),
            Some(b'O' | b':') => return Ok(Kind::Flow(cursor.at)),
            _ => {}
        }
        while skip_comments(&mut cursor)? {
            self.read_word(&mut cursor, parameters)?;
        }
        for (key, value, columns) in self.settings.drain(..) {
            parameters.set(key, value).map_err(|why| flaw(columns, why, "take another parameter"))?;
        }
        Ok(Kind::Words)
    }

    fn clear(&mut self) {
        self.number = None;
        self.deleted = false;
        self.g.clear();
        self.m.clear();
        self.given = 0;
        self.used = 0;
        self.settings.clear();
    }

    fn read_number(&mut self, cursor: &mut Cursor<'_>, parameters: &Parameters) -> Result<(), Flaw> {
        skip_comments(cursor)?;
        let from = cursor.at;
        if !cursor.take(b'N') {
            return Ok(());
        }
        let value = cursor.value(parameters)?;
        let number = whole(value).filter(|number| (0..=HIGHEST_NUMBER).contains(number));
        let number = number.and_then(|number| u32::try_from(number).ok());
        self.number = Some(number.ok_or_else(|| {
            let what = format!("line number {value} is not a whole number from 0 to {HIGHEST_NUMBER}");
            flaw(from..cursor.at, what, "number the lines anew, or not at all")
        })?);
        skip_comments(cursor).map(|_| ())
    }

    fn read_word(&mut self, cursor: &mut Cursor<'_>, parameters: &Parameters) -> Result<(), Flaw> {
        let from = cursor.at;
        match cursor.peek() {
            Some(b'#') => self.read_setting(cursor, parameters),
            Some(b'*') => checksum(cursor),
            Some(letter @ b'A'..=b'Z') => {
                cursor.at += 1;
                if cursor.peek().is_some_and(|next| next.is_ascii_alphabetic()) {
                    refuse_sentence(cursor, from)?;
                }
                let value = cursor.value(parameters)?;
                self.take_word(letter, value, from..cursor.at)
            }
            Some(_) | None => Err(stray(cursor)),
        }
    }

    fn read_setting(&mut self, cursor: &mut Cursor<'_>, parameters: &Parameters) -> Result<(), Flaw> {
        let from = cursor.at;
        let key = cursor.parameter(parameters)?;
        if !cursor.take(b'=') {
            let what = "a parameter stands where a word should begin";
            return Err(flaw(from..cursor.at, what, "write = and a value after it, or a letter before it"));
        }
        let value = cursor.value(parameters)?;
        self.settings.push((key, value, from..cursor.at));
        Ok(())
    }

    fn take_word(&mut self, letter: u8, value: f64, columns: Range<usize>) -> Result<(), Flaw> {
        match letter {
            b'G' | b'M' => self.take_code(letter, value, columns),
            b'D' | b'F' | b'H' | b'I' | b'J' | b'K' | b'L' | b'P' | b'Q' | b'R' | b'S' | b'T' | b'X' | b'Y' | b'Z' => {
                let bit = bit(letter);
                if self.given & bit != 0 {
                    let what = format!("{} is given twice", char::from(letter));
                    return Err(flaw(columns, what, "leave one out"));
                }
                self.given |= bit;
                self.letters[place(letter)] = Some(Word { value, columns });
                Ok(())
            }
            b'A' | b'B' | b'C' | b'U' | b'V' | b'W' => {
                let what = format!("{} moves a further axis", char::from(letter));
                Err(flaw(columns, what, "only X, Y and Z of a flat-bed router are read; take the word out"))
            }
            b'N' => Err(flaw(columns, "the line number does not stand first", "write it at the line's beginning")),
            b'O' => Err(flaw(columns, "an O-word does not stand first", "give it a line of its own")),
            b'E' => Err(flaw(columns, "E is no word here", "write numbers without an exponent")),
            _ => {
                let what = format!("{} is no word of a router's program", char::from(letter));
                Err(flaw(columns, what, "take it out"))
            }
        }
    }

    fn take_code(&mut self, letter: u8, value: f64, columns: Range<usize>) -> Result<(), Flaw> {
        let tenths = whole(value * 10.0).filter(|tenths| (0..10_000).contains(tenths));
        let Some(tenths) = tenths.and_then(|tenths| u16::try_from(tenths).ok()) else {
            let what = format!("{}{value} is no code", char::from(letter));
            return Err(flaw(columns, what, "a code is a number from 0 to 999.9 with at most one decimal"));
        };
        let codes = if letter == b'G' { &mut self.g } else { &mut self.m };
        if codes.len() >= MOST_CODES {
            let what = format!("the line has more than {MOST_CODES} codes");
            return Err(flaw(columns, what, "spread them over several lines"));
        }
        codes.push(CodeWord { tenths, columns });
        Ok(())
    }

    /// Whether no word stands on the line.
    pub(super) fn is_empty(&self) -> bool {
        self.given == 0 && self.g.is_empty() && self.m.is_empty()
    }

    /// A word without taking it.
    pub(super) fn look(&self, letter: u8) -> Option<&Word> {
        if self.given & bit(letter) == 0 { None } else { self.letters[place(letter)].as_ref() }
    }

    /// Whether any of these letters is given and not yet used.
    pub(super) fn any(&self, letters: &[u8]) -> bool {
        letters.iter().any(|letter| self.given & !self.used & bit(*letter) != 0)
    }

    /// A word, which has found its use.
    pub(super) fn take(&mut self, letter: u8) -> Option<Word> {
        if self.given & !self.used & bit(letter) == 0 {
            return None;
        }
        self.used |= bit(letter);
        self.letters[place(letter)].clone()
    }

    /// Refuses a word that nothing on the line has used.
    pub(super) fn nothing_left(&self) -> Result<(), Flaw> {
        let left = self.given & !self.used;
        if left == 0 {
            return Ok(());
        }
        let letter = b'A' + left.trailing_zeros() as u8;
        let Some(word) = self.look(letter) else { return Ok(()) };
        let what = format!("{}{} has no use on this line", char::from(letter), word.value);
        let remedy = match letter {
            b'X' | b'Y' | b'Z' => "write G0, G1, G2 or G3 before it; none is in force",
            b'I' | b'J' | b'K' | b'R' => "it belongs to G2 or G3, R also to a drilling cycle",
            b'H' | b'D' => "it belongs to G43",
            _ => "take it out, or write the code that it belongs to",
        };
        Err(flaw(word.columns.clone(), what, remedy))
    }
}

const fn place(letter: u8) -> usize {
    (letter.wrapping_sub(b'A') % 26) as usize
}

const fn bit(letter: u8) -> u32 {
    1 << place(letter)
}

/// Goes past blanks and comments; false at the end of the line.
pub(super) fn skip_comments(cursor: &mut Cursor<'_>) -> Result<bool, Flaw> {
    loop {
        match cursor.peek() {
            None => return Ok(false),
            Some(b';') => {
                cursor.at = cursor.bytes.len();
                return Ok(false);
            }
            Some(b'(') => skip_bracketed_comment(cursor)?,
            Some(_) => return Ok(true),
        }
    }
}

fn skip_bracketed_comment(cursor: &mut Cursor<'_>) -> Result<(), Flaw> {
    let from = cursor.at;
    let rest = &cursor.bytes[from + 1..];
    let Some(end) = rest.iter().position(|byte| *byte == b')') else {
        return Err(flaw(from..cursor.bytes.len(), "the comment is not closed", "write ) where it ends"));
    };
    // NISTIR 6556, 3.3.4: comments may not be nested.
    if rest[..end].contains(&b'(') {
        return Err(flaw(from..from + end + 2, "a comment stands in a comment", "leave the inner brackets out"));
    }
    cursor.at = from + end + 2;
    Ok(())
}

/// `%`, alone or with a name of digits and letters behind it.
fn percent(mut cursor: Cursor<'_>) -> Result<(), Flaw> {
    cursor.take(b'%');
    while cursor.peek().is_some_and(|byte| byte.is_ascii_alphanumeric() || byte == b'_') {
        cursor.at += 1;
    }
    if skip_comments(&mut cursor)? { Err(stray(&mut cursor)) } else { Ok(()) }
}

fn checksum(cursor: &mut Cursor<'_>) -> Result<(), Flaw> {
    let from = cursor.at;
    let found = cursor.bytes[..from].iter().fold(0_u8, |sum, byte| sum ^ byte);
    cursor.take(b'*');
    let told = cursor.number()?;
    let columns = from..cursor.at;
    if skip_comments(cursor)? {
        return Err(flaw(cursor.spot(), "something stands behind the checksum", "the checksum ends the line"));
    }
    if whole(told) != Some(i64::from(found)) {
        let what = format!("the checksum is {told}, but the line's is {found}");
        return Err(flaw(columns, what, "the line is damaged; fetch the file anew"));
    }
    Ok(())
}

/// Letters where a word should be: a language of the controller's own.
fn refuse_sentence(cursor: &mut Cursor<'_>, from: usize) -> Result<(), Flaw> {
    let value =
        ["ABS", "ACOS", "ASIN", "ATAN", "COS", "EXP", "EXISTS", "FIX", "FUP", "LN", "ROUND", "SIN", "SQRT", "TAN"];
    if value.iter().any(|name| cursor.after(name).is_some()) {
        return Ok(());
    }
    let end = from + cursor.bytes[from..].iter().take_while(|byte| byte.is_ascii_alphabetic()).count();
    let end = end.max(cursor.at + 1);
    let what = format!("{} is no word", String::from_utf8_lossy(&cursor.bytes[from..end]).to_uppercase());
    Err(flaw(from..end, what, "words are a letter and a number; write jumps and loops as O-words, or write them out"))
}

fn stray(cursor: &mut Cursor<'_>) -> Flaw {
    let Some(byte) = cursor.peek() else { return flaw_of_line("the line ends too soon", "complete it") };
    let shown = if byte.is_ascii_graphic() { char::from(byte).to_string() } else { format!("byte {byte:#04x}") };
    let remedy = match byte {
        b'/' => "the mark of block delete stands first in the line",
        b'%' => "% has a line of its own",
        b')' => "a comment begins with (",
        _ if byte.is_ascii_graphic() => "take it out, or put it in a comment",
        _ => "save the program as plain text; put names into comments",
    };
    flaw(cursor.spot(), format!("{shown} stands where a word should begin"), remedy)
}
