//! Bytes of any kind: no panic, no end that does not come, every refusal at a line that exists.

use std::io::{BufReader, Cursor};

use holdwatch::job::program::{Limits, Reading, read};
use proptest::prelude::*;

/// Pieces that a program is made of, so that random texts get beyond their first word.
const PIECES: &[&str] = &[
    "G0",
    "G1",
    "G2",
    "G3",
    "X",
    "Y1",
    "Z-",
    "I",
    "J5",
    "K",
    "R",
    "F100",
    "S",
    "T1",
    "M6",
    "M98",
    "P1",
    "M99",
    "O1",
    "O2",
    " sub",
    " endsub",
    " call",
    " while",
    " endwhile",
    " do",
    " repeat",
    " endrepeat",
    " if",
    " else",
    " endif",
    " break",
    " continue",
    "[",
    "]",
    "1",
    "0",
    "#",
    "#1",
    "=",
    "+",
    "-",
    "*",
    "/",
    "(",
    ")",
    ";",
    "%",
    "\n",
    "\n",
    "\n",
    "\r",
    "G81",
    "G83",
    "Q1",
    "L2",
    "G91",
    "G90",
    "G92",
    "G28",
    "G20",
    "G43",
    "G49",
    "M30",
    ".",
    "5",
    "9",
    "N1",
    " ",
    "<a>",
    "SIN",
    "LT",
    "\u{feff}",
];

fn reading() -> Reading {
    Reading { limits: Limits { repeated_lines: 2_000, depth: 20 }, ..Reading::default() }
}

/// Reads to the end and counts the lines that were refused.
fn read_through(bytes: &[u8]) -> usize {
    let lines = bytes.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count() as u64 + 1;
    let mut refused = 0;
    for step in read(BufReader::with_capacity(16, Cursor::new(bytes)), &reading()) {
        match step {
            Ok(step) => assert!((1..=lines).contains(&step.line) || bytes.is_empty(), "{step:?}"),
            Err(refusal) => {
                refused += 1;
                assert!((1..=lines).contains(&refusal.line), "{refusal}");
                assert!(!refusal.what.is_empty());
            }
        }
    }
    refused
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn any_bytes_are_read_to_their_end(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        read_through(&bytes);
    }

    #[test]
    fn any_pieces_of_a_program_are_read_to_their_end(
        pieces in proptest::collection::vec(0..PIECES.len(), 0..120),
    ) {
        let text: String = pieces.iter().map(|piece| PIECES[*piece]).collect();
        read_through(text.as_bytes());
    }
}

/// Random files as many as `HOLDWATCH_FUZZ_FILES` says: bytes of any kind, pieces of a program, and whole programs with damage.
///
/// Without the variable a few, so that the loop itself is run. No panic and no hang is what is held; a file that did not end would
/// be stopped by the limits of [`reading`].
#[test]
fn random_files_are_read_to_their_end() {
    let files: u64 = std::env::var("HOLDWATCH_FUZZ_FILES").ok().and_then(|files| files.parse().ok()).unwrap_or(3_000);
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = move |below: usize| {
        // Vigna, xorshift64*, ACM Transactions on Mathematical Software 42 (2016).
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        (state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33) as usize % below.max(1)
    };
    let (mut refused, mut bytes) = (0_u64, Vec::new());
    for file in 0..files {
        bytes.clear();
        match file % 3 {
            0 => bytes.extend((0..random(400)).map(|_| random(256) as u8)),
            1 => (0..random(150)).for_each(|_| bytes.extend_from_slice(PIECES[random(PIECES.len())].as_bytes())),
            _ => {
                bytes.extend_from_slice(super::styles::WHOLE[random(super::styles::WHOLE.len())].as_bytes());
                for _ in 0..=random(6) {
                    let at = random(bytes.len());
                    match random(3) {
                        0 => bytes[at] = random(256) as u8,
                        1 => drop(bytes.remove(at)),
                        _ => bytes.insert(at, random(128) as u8),
                    }
                }
            }
        }
        refused += u64::from(read_through(&bytes) > 0);
        if file % 3 == 2 && file % 97 == 0 {
            super::styles::lay_on_a_sheet(&bytes);
        }
    }
    println!("{files} random files read, {refused} of them with a refusal");
    assert!(refused > files / 3);
}

#[test]
fn every_byte_alone_is_read_or_refused() {
    for byte in 0..=u8::MAX {
        let known = matches!(byte, b' ' | b'\t' | b'\n' | b'\r' | b';' | b'%');
        // A mark of block delete alone is an empty line; a colon and an O are labels without a number.
        assert_eq!(read_through(&[byte]) > 0, !(known || byte == b'/'), "{byte:#04x}");
    }
}

#[test]
fn a_long_program_is_read_through_a_small_window() {
    let mut text = b"G21 G90 F1000\n".to_vec();
    for line in 0..20_000 {
        text.extend_from_slice(format!("G1 X{} Y{}\n", line % 977, line % 353).as_bytes());
    }
    text.extend_from_slice(b"M30\n");
    assert_eq!(read_through(&text), 0);
}
