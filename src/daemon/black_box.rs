//! The black box: every event that the minder was given, and a digest of every action that it ordered.
//!
//! A piece is a version byte, the events, each as its length and its moment and event in postcard, a length of zero, and
//! the SHA-256 of all actions of the piece in postcard, one after another.

use sha2::{Digest, Sha256};

use crate::event::{Action, Event};
use crate::moment::Moment;

/// The form of a piece.
const FORM: u8 = 1;

/// Writes pieces.
pub(super) struct Recorder {
    events: Vec<u8>,
    actions: Sha256,
}

/// A piece as it is read.
pub(super) struct Piece {
    pub(super) events: Vec<(Moment, Event)>,
    digest: Vec<u8>,
}

/// Sums up actions as a [`Recorder`] does.
pub(super) struct Sum(Sha256);

impl Recorder {
    pub(super) fn new() -> Self {
        Recorder { events: vec![FORM], actions: Sha256::new() }
    }

    pub(super) fn event(&mut self, at: Moment, event: &Event) {
        let Ok(bytes) = postcard::to_stdvec(&(at, event)) else { return };
        let Ok(length) = u32::try_from(bytes.len()) else { return };
        self.events.extend_from_slice(&length.to_le_bytes());
        self.events.extend_from_slice(&bytes);
    }

    pub(super) fn actions(&mut self, actions: &[Action]) {
        add(&mut self.actions, actions);
    }

    /// The piece so far, unless nothing happened; the next begins empty.
    pub(super) fn take(&mut self) -> Option<Vec<u8>> {
        if self.events.len() == 1 {
            return None;
        }
        let mut piece = std::mem::replace(&mut self.events, vec![FORM]);
        piece.extend_from_slice(&0_u32.to_le_bytes());
        piece.extend_from_slice(&std::mem::take(&mut self.actions).finalize());
        Some(piece)
    }
}

impl Sum {
    pub(super) fn new() -> Self {
        Sum(Sha256::new())
    }

    pub(super) fn add(&mut self, actions: &[Action]) {
        add(&mut self.0, actions);
    }
}

impl Piece {
    /// Reads a piece; `None` for bytes that are none.
    pub(super) fn read(bytes: &[u8]) -> Option<Self> {
        let (form, mut rest) = bytes.split_first()?;
        if *form != FORM {
            return None;
        }
        let mut events = Vec::new();
        loop {
            let (length, after) = rest.split_first_chunk::<4>()?;
            match u32::from_le_bytes(*length) as usize {
                0 => return Some(Piece { events, digest: after.to_vec() }),
                length => {
                    events.push(postcard::from_bytes(after.get(..length)?).ok()?);
                    rest = &after[length..];
                }
            }
        }
    }

    /// Whether the actions summed up are those that were ordered then, to the byte.
    pub(super) fn agrees(&self, sum: Sum) -> bool {
        sum.0.finalize().as_slice() == self.digest
    }
}

fn add(sum: &mut Sha256, actions: &[Action]) {
    for action in actions {
        if let Ok(bytes) = postcard::to_stdvec(action) {
            sum.update(&bytes);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::LineId;
    use crate::moment::{BootId, Steady};

    fn at(nanos: u64) -> Moment {
        Moment { boot: BootId(1), steady: Steady::from_nanos(nanos), civil: None, synced: false }
    }

    fn recorded() -> Vec<u8> {
        let mut recorder = Recorder::new();
        recorder.event(at(5), &Event::Bytes(LineId(0), vec![1, 2, 3]));
        recorder.actions(&[Action::WakeAt(Steady::from_nanos(9))]);
        recorder.event(at(9), &Event::Due);
        recorder.take().unwrap()
    }

    #[test]
    fn a_piece_comes_back_as_it_was() {
        let piece = Piece::read(&recorded()).unwrap();
        assert_eq!(piece.events, [(at(5), Event::Bytes(LineId(0), vec![1, 2, 3])), (at(9), Event::Due)]);
        let mut sum = Sum::new();
        sum.add(&[Action::WakeAt(Steady::from_nanos(9))]);
        assert!(piece.agrees(sum));
    }

    #[test]
    fn other_actions_do_not_agree() {
        let piece = Piece::read(&recorded()).unwrap();
        let mut sum = Sum::new();
        sum.add(&[Action::WakeAt(Steady::from_nanos(10))]);
        assert!(!piece.agrees(sum));
    }

    #[test]
    fn nothing_is_no_piece_and_a_torn_piece_is_none() {
        assert_eq!(Recorder::new().take(), None);
        let whole = recorded();
        for cut in 0..whole.len() - 32 {
            assert!(Piece::read(&whole[..cut]).is_none(), "{cut}");
        }
    }
}
