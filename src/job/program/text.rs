//! A program's bytes as lines, in bounded memory: the source is read through a buffer and gone back in, never kept.

use std::io::{BufRead, Seek};

use super::refusal::{Flaw, flaw_of_line};

/// The longest line, in bytes. NISTIR 6556, 3.3, allows 256; comments of real programs are longer.
pub(super) const LONGEST_LINE: usize = 1 << 16;

const BYTE_ORDER_MARK: &[u8] = &[0xEF, 0xBB, 0xBF];

/// Where a line begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Place {
    /// In bytes from the file's start.
    pub(super) offset: u64,
    /// How many lines lie before.
    pub(super) lines: u64,
}

impl Place {
    pub(super) const START: Place = Place { offset: 0, lines: 0 };
}

/// The lines of a source: ended by LF, CR or CR LF, which are not part of them.
#[derive(Debug)]
pub(super) struct Lines<R> {
    source: R,
    here: Place,
    line: Vec<u8>,
}

impl<R: BufRead + Seek> Lines<R> {
    pub(super) fn new(source: R) -> Self {
        Lines { source, here: Place::START, line: Vec::new() }
    }

    /// Where the next line begins.
    pub(super) fn here(&self) -> Place {
        self.here
    }

    /// Goes to where a line begins.
    pub(super) fn go(&mut self, to: Place) -> Result<(), Flaw> {
        let step = to.offset.cast_signed().wrapping_sub(self.here.offset.cast_signed());
        self.source.seek_relative(step).map_err(unreadable)?;
        self.here = to;
        Ok(())
    }

    /// The line last read.
    pub(super) fn line(&self) -> &[u8] {
        &self.line
    }

    /// Reads a line; false at the end.
    pub(super) fn read(&mut self) -> Result<bool, Flaw> {
        self.line.clear();
        let mut length = 0;
        loop {
            let bytes = self.source.fill_buf().map_err(unreadable)?;
            if bytes.is_empty() {
                return self.ended(length);
            }
            let end = bytes.iter().position(|byte| matches!(byte, b'\n' | b'\r'));
            let piece = &bytes[..end.unwrap_or(bytes.len())];
            let room = LONGEST_LINE.saturating_sub(self.line.len());
            self.line.extend_from_slice(&piece[..piece.len().min(room)]);
            length += piece.len();
            let returned = end.is_some_and(|end| bytes[end] == b'\r');
            let used = piece.len() + usize::from(end.is_some());
            self.consume(used);
            if returned && self.source.fill_buf().map_err(unreadable)?.first() == Some(&b'\n') {
                self.consume(1);
            }
            if end.is_some() {
                return self.ended(length.max(1));
            }
        }
    }

    fn consume(&mut self, bytes: usize) {
        self.source.consume(bytes);
        self.here.offset += bytes as u64;
    }

    fn ended(&mut self, length: usize) -> Result<bool, Flaw> {
        if length == 0 {
            return Ok(false);
        }
        self.here.lines += 1;
        if self.here.lines == 1 {
            self.leave_out_byte_order_mark()?;
        }
        if length > LONGEST_LINE {
            let what = format!("the line has {length} bytes, more than {LONGEST_LINE}");
            return Err(flaw_of_line(what, "check that this is a cut program, and that its lines end"));
        }
        Ok(true)
    }

    fn leave_out_byte_order_mark(&mut self) -> Result<(), Flaw> {
        if self.line.starts_with(BYTE_ORDER_MARK) {
            self.line.drain(..BYTE_ORDER_MARK.len());
        }
        if self.line.starts_with(&[0xFF, 0xFE]) || self.line.starts_with(&[0xFE, 0xFF]) {
            return Err(flaw_of_line("the file is written in two bytes a character", "save it as plain text"));
        }
        Ok(())
    }
}

fn unreadable(error: std::io::Error) -> Flaw {
    flaw_of_line(format!("the program cannot be read on: {error}"), "check the file and where it lies")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{BufReader, Cursor};

    fn lines(text: &[u8], buffer: usize) -> Vec<Vec<u8>> {
        let mut lines = Lines::new(BufReader::with_capacity(buffer, Cursor::new(text)));
        let mut found = Vec::new();
        while lines.read().unwrap() {
            found.push(lines.line().to_vec());
        }
        found
    }

    #[test]
    fn every_way_to_end_a_line_is_read_whatever_the_buffer_cuts() {
        for buffer in 1..9 {
            let found = lines(b"\xEF\xBB\xBFa\r\nb\rc\n\n\r\nd", buffer);
            assert_eq!(found, [&b"a"[..], b"b", b"c", b"", b"", b"d"], "buffer {buffer}");
        }
    }

    #[test]
    fn a_place_can_be_gone_back_to() {
        let mut lines = Lines::new(BufReader::with_capacity(3, Cursor::new(b"one\r\ntwo\r\nthree")));
        lines.read().unwrap();
        let second = lines.here();
        while lines.read().unwrap() {}
        lines.go(second).unwrap();
        assert!(lines.read().unwrap());
        assert_eq!((lines.line(), lines.here().lines), (&b"two"[..], 2));
    }

    #[test]
    fn a_line_without_an_end_is_refused_in_bounded_memory() {
        let mut lines = Lines::new(Cursor::new(vec![b'('; 3 << 20]));
        assert!(lines.read().is_err());
        assert!(lines.line.capacity() < 2 * LONGEST_LINE + 1);
        assert!(!lines.read().unwrap());
    }
}
