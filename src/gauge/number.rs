//! A gauge's raw number, from registers or from a line of text.

use crate::gauge::{NumberKind, WordOrder};

impl NumberKind {
    /// How many registers the number takes.
    pub const fn registers(self) -> u16 {
        match self {
            NumberKind::U16 | NumberKind::I16 => 1,
            NumberKind::U32 | NumberKind::I32 | NumberKind::F32 => 2,
        }
    }

    /// The number that registers hold; `None` if there are too few or too many of them.
    pub fn read(self, order: WordOrder, registers: &[u16]) -> Option<f64> {
        let (high, low) = match (self.registers(), order, registers) {
            (1, _, [word]) => (0, *word),
            (2, WordOrder::HighFirst, [high, low]) | (2, WordOrder::LowFirst, [low, high]) => (*high, *low),
            _ => return None,
        };
        let both = u32::from(high) << 16 | u32::from(low);
        Some(match self {
            NumberKind::U16 => f64::from(low),
            NumberKind::I16 => f64::from(low.cast_signed()),
            NumberKind::U32 => f64::from(both),
            NumberKind::I32 => f64::from(both.cast_signed()),
            NumberKind::F32 => f64::from(f32::from_bits(both)),
        })
    }

    /// The registers that hold the number nearest to `value`; an integer stops at its ends, and NaN becomes 0.
    pub fn write(self, order: WordOrder, value: f64) -> Vec<u16> {
        let bits = match self {
            NumberKind::U16 => return vec![value.round() as u16],
            NumberKind::I16 => return vec![(value.round() as i16).cast_unsigned()],
            NumberKind::U32 => value.round() as u32,
            NumberKind::I32 => (value.round() as i32).cast_unsigned(),
            NumberKind::F32 => (value as f32).to_bits(),
        };
        let (high, low) = ((bits >> 16) as u16, (bits & 0xFFFF) as u16);
        match order {
            WordOrder::HighFirst => vec![high, low],
            WordOrder::LowFirst => vec![low, high],
        }
    }
}

/// The number at a place in a line of text, counted from 0.
///
/// A number is a sign, digits with a decimal point or comma, and an exponent; anything else, units among it, is passed
/// over. Digits that follow a letter are part of a name, as in `P1`, unless a sign stands between. A comma between digits is
/// a decimal comma if it is the only mark in its run of digits, no number of the line has a point, and three digits behind
/// it cannot be a group of thousands; otherwise it parts two numbers, and a run that could be either is no number: then the
/// line gives `None`, for a level must not be guessed.
pub(super) fn number_in(line: &[u8], position: usize) -> Option<f64> {
    let text: String = line.iter().map(|byte| char::from(*byte)).collect();
    let runs = runs(&text);
    let pointed = runs.iter().any(|run| run.contains('.'));
    let mut numbers = runs.iter().flat_map(|run| read_run(run, pointed));
    numbers.nth(position).flatten()
}

/// The pieces of a line that look like numbers: a sign, then digits and marks, then an exponent.
fn runs(text: &str) -> Vec<&str> {
    let bytes = text.as_bytes();
    let mut runs = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let signed = matches!(bytes[at], b'+' | b'-');
        let start = at + usize::from(signed);
        let end = marks_end(bytes, start);
        let names = !signed && at > 0 && is_letter(bytes[at - 1]);
        if end > start && bytes[start..end].iter().any(u8::is_ascii_digit) {
            let end = exponent_end(bytes, end);
            if !names {
                runs.push(&text[at..end]);
            }
            at = end;
        } else {
            at = start.max(at + 1);
        }
    }
    runs
}

fn marks_end(bytes: &[u8], start: usize) -> usize {
    let is_mark = |byte: &u8| byte.is_ascii_digit() || matches!(byte, b'.' | b',');
    start + bytes[start..].iter().take_while(|byte| is_mark(byte)).count()
}

fn exponent_end(bytes: &[u8], end: usize) -> usize {
    let rest = &bytes[end..];
    let sign = usize::from(matches!(rest.get(1), Some(b'+' | b'-')));
    let digits = rest.iter().skip(1 + sign).take_while(|byte| byte.is_ascii_digit()).count();
    match rest.first() {
        Some(b'e' | b'E') if digits > 0 => end + 1 + sign + digits,
        Some(_) | None => end,
    }
}

fn is_letter(byte: u8) -> bool {
    byte.is_ascii_alphabetic() || byte == b'_'
}

/// The numbers of one run; `None` for one that cannot be told.
fn read_run(run: &str, pointed: bool) -> Vec<Option<f64>> {
    let run = run.trim_end_matches(',');
    let commas = run.matches(',').count();
    let digits_behind = |piece: &str| piece.bytes().take_while(u8::is_ascii_digit).count();
    let grouped = run.split(',').skip(1).all(|piece| digits_behind(piece) == 3) && !leads_with_nought(run);
    if commas == 0 {
        vec![parse(run)]
    } else if grouped {
        vec![None]
    } else if commas == 1 && !pointed {
        vec![parse(&run.replacen(',', ".", 1))]
    } else {
        run.split(',').map(parse).collect()
    }
}

fn leads_with_nought(run: &str) -> bool {
    run.trim_start_matches(['+', '-']).starts_with("0,")
}

fn parse(text: &str) -> Option<f64> {
    text.parse().ok()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const ORDERS: [WordOrder; 2] = [WordOrder::HighFirst, WordOrder::LowFirst];

    /// IEEE 754: 123.456 is 0x42F6E979, -1.5 is 0xBFC00000; the integers are two's complement by definition.
    #[test]
    fn registers_hold_what_the_standards_say() {
        for (kind, registers, value) in [
            (NumberKind::U16, &[0xFF38][..], 65_336.0),
            (NumberKind::I16, &[0xFF38], -200.0),
            (NumberKind::U32, &[0x0001, 0x86A0], 100_000.0),
            (NumberKind::U32, &[0xFFFF, 0xFFFF], 4_294_967_295.0),
            (NumberKind::I32, &[0xFFFE, 0x7960], -100_000.0),
            (NumberKind::F32, &[0x42F6, 0xE979], f64::from(123.456_f32)),
            (NumberKind::F32, &[0xBFC0, 0x0000], -1.5),
            (NumberKind::F32, &[0x7F80, 0x0000], f64::INFINITY),
        ] {
            let swapped: Vec<u16> = registers.iter().rev().copied().collect();
            assert_eq!(kind.read(WordOrder::HighFirst, registers), Some(value));
            assert_eq!(kind.read(WordOrder::LowFirst, &swapped), Some(value));
            assert_eq!(kind.write(WordOrder::HighFirst, value), registers);
            assert_eq!(kind.write(WordOrder::LowFirst, value), swapped);
        }
        assert!(NumberKind::F32.read(WordOrder::HighFirst, &[0x7FC0, 0]).is_some_and(f64::is_nan));
    }

    #[test]
    fn the_wrong_count_of_registers_is_no_number() {
        for order in ORDERS {
            for kind in [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32] {
                for count in 0..4 {
                    let registers = vec![1; count];
                    assert_eq!(kind.read(order, &registers).is_some(), count == usize::from(kind.registers()));
                }
            }
        }
    }

    #[test]
    fn numbers_stand_out_from_junk_and_units() {
        for (line, position, value) in [
            ("812", 0, 812.0),
            ("+812.5", 0, 812.5),
            ("-0.812 bar", 0, -0.812),
            ("-0.812bar\r", 0, -0.812),
            (">P1= -812.5 mbar #", 0, -812.5),
            ("P1=-812.5", 0, -812.5),
            ("CH2 23.4 C 812.5 mbar", 1, 812.5),
            ("8.125E+02", 0, 812.5),
            ("8.125e2mbar", 0, 812.5),
            ("1.2E", 0, 1.2),
            (".5", 0, 0.5),
            ("5.", 0, 5.0),
            ("1;2;3", 2, 3.0),
            ("1, 2, 3", 1, 2.0),
            ("1.5,2.5", 1, 2.5),
            ("12:30:05 700", 3, 700.0),
            ("812\u{b5}", 0, 812.0),
        ] {
            assert_eq!(number_in(line.as_bytes(), position), Some(value), "{line}");
        }
    }

    #[test]
    fn a_decimal_comma_is_read_where_it_can_be_nothing_else() {
        assert_eq!(number_in(b"-0,812 bar", 0), Some(-0.812));
        assert_eq!(number_in(b"812,5", 0), Some(812.5));
        assert_eq!(number_in(b"8,125E2;7,5", 1), Some(7.5));
        for ambiguous in ["1,234", "-812,345", "1,234,567"] {
            assert_eq!(number_in(ambiguous.as_bytes(), 0), None, "{ambiguous}");
        }
    }

    #[test]
    fn a_line_without_the_number_gives_none() {
        for line in ["", "----", "OL", "P1", "error", "1.2.3", "-", "+.", ",", "E5", "nan", "inf", "bar2"] {
            assert_eq!(number_in(line.as_bytes(), 0), None, "{line}");
        }
        assert_eq!(number_in(b"812.5", 1), None);
    }

    proptest! {
        /// Whatever a line holds: no panic; and a plain number between junk that has no digits comes out as it is.
        #[test]
        fn any_line_can_be_read(junk in prop::collection::vec(any::<u8>(), 0..80), position in 0..5_usize) {
            number_in(&junk, position);
        }

        #[test]
        fn a_number_survives_its_surroundings(
            number in -1e6..1e6_f64,
            before in "[ a-zA-Z:=>#]{0,12}",
            after in "[ a-df-zA-DF-Z:;#%]{0,12}",
        ) {
            let line = format!("{before} {number:.4}{after}");
            let sent: f64 = format!("{number:.4}").parse().unwrap();
            prop_assert_eq!(number_in(line.as_bytes(), 0), Some(sent));
        }
    }
}
