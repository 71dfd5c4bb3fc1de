//! The black box: every event that the minder was given, and a digest of every action that it ordered.
//!
//! A piece is a version byte, the events, a zero, and the first 16 bytes of the SHA-256 of all actions of the piece in
//! postcard, one after another. An event is its moment and the event itself in postcard. A moment is either a one and the
//! whole of it, or a two and twice the ticks of 0.1 ms since the moment before, all added up; one more, and how many
//! microseconds more than that went by in the calendar behind it, if it did not go with the ticks. All are postcard's
//! integers of variable length, so that most moments take two bytes.

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::event::{Action, Event};
use crate::moment::{Moment, Span, TICK, Utc};

/// The form of a piece.
const FORM: u8 = 3;

/// What stands where a moment might: the end of the events, a moment written out, or, from there on, a step of time.
const END: u64 = 0;
const WHOLE: u64 = 1;
const STEP: u64 = 2;

/// How much of the digest is kept; enough that no two lists of actions are taken for each other.
const DIGEST_BYTES: usize = 16;

/// Writes pieces.
pub(super) struct Recorder {
    events: Vec<u8>,
    last: Option<Moment>,
    actions: Sha256,
}

/// A piece as it is read.
pub(super) struct Piece {
    pub(super) events: Vec<(Moment, Event)>,
    digest: [u8; DIGEST_BYTES],
}

/// Sums up actions as a [`Recorder`] does.
pub(super) struct Sum(Sha256);

impl Recorder {
    pub(super) fn new() -> Self {
        Recorder { events: vec![FORM], last: None, actions: Sha256::new() }
    }

    pub(super) fn event(&mut self, at: Moment, event: &Event) {
        match self.last.and_then(|last| step_between(last, at)) {
            Some((ticks, 0)) => put(&mut self.events, &(STEP + 2 * ticks)),
            Some((ticks, drift)) => put(&mut self.events, &(STEP + 2 * ticks + 1, drift)),
            None => put(&mut self.events, &(WHOLE, at)),
        }
        put(&mut self.events, event);
        self.last = Some(at);
    }

    pub(super) fn actions(&mut self, actions: &[Action]) {
        add(&mut self.actions, actions);
    }

    /// The piece so far, unless nothing happened; the next begins empty.
    pub(super) fn take(&mut self) -> Option<Vec<u8>> {
        self.last.take()?;
        let mut piece = std::mem::replace(&mut self.events, vec![FORM]);
        put(&mut piece, &END);
        piece.extend_from_slice(&short(std::mem::take(&mut self.actions)));
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
        let mut events: Vec<(Moment, Event)> = Vec::new();
        loop {
            let at = match take(&mut rest)? {
                END => return Some(Piece { events, digest: rest.try_into().ok()? }),
                WHOLE => take(&mut rest)?,
                step => after_step(events.last()?.0, step - STEP, &mut rest)?,
            };
            events.push((at, take(&mut rest)?));
        }
    }

    /// Whether the actions summed up are those that were ordered then, to the byte.
    pub(super) fn agrees(&self, sum: Sum) -> bool {
        short(sum.0) == self.digest
    }
}

/// Whole ticks from one moment to the next, and how many microseconds more in the calendar; `None` if more than this changed.
fn step_between(last: Moment, at: Moment) -> Option<(u64, i64)> {
    let nanos = at.steady.nanos().checked_sub(last.steady.nanos())?;
    if at.boot != last.boot || at.synced != last.synced || !nanos.is_multiple_of(TICK.nanos()) {
        return None;
    }
    let drift = match (last.civil, at.civil) {
        (None, None) => 0,
        (Some(before), Some(now)) => now.micros().checked_sub(before.micros())?.checked_sub_unsigned(nanos / 1000)?,
        (None, Some(_)) | (Some(_), None) => return None,
    };
    Some((nanos / TICK.nanos(), drift))
}

/// The moment after the last by a step, of which the drift is still to be read from `rest` if it says so.
fn after_step(last: Moment, step: u64, rest: &mut &[u8]) -> Option<Moment> {
    let span = Span::from_nanos((step / 2).checked_mul(TICK.nanos())?);
    let drift: i64 = if step % 2 == 1 { take(rest)? } else { 0 };
    let civil = match last.civil {
        Some(before) => {
            Some(Utc::from_micros(before.micros().checked_add(drift)?.checked_add_unsigned(span.nanos() / 1000)?))
        }
        None => None,
    };
    Some(Moment { steady: last.steady.plus(span), civil, ..last })
}

fn put(bytes: &mut Vec<u8>, value: &impl Serialize) {
    // Postcard has no form only for what has no known length, which is nothing here.
    if let Ok(written) = postcard::to_stdvec(value) {
        bytes.extend_from_slice(&written);
    }
}

fn take<'a, T: serde::Deserialize<'a>>(rest: &mut &'a [u8]) -> Option<T> {
    let (value, after) = postcard::take_from_bytes(rest).ok()?;
    *rest = after;
    Some(value)
}

fn add(sum: &mut Sha256, actions: &[Action]) {
    for action in actions {
        if let Ok(bytes) = postcard::to_stdvec(action) {
            sum.update(&bytes);
        }
    }
}

fn short(sum: Sha256) -> [u8; DIGEST_BYTES] {
    let whole = sum.finalize();
    std::array::from_fn(|place| whole[place])
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

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

    fn any_moment() -> impl Strategy<Value = Moment> {
        let steady = prop_oneof![any::<u64>(), (0..100_000_u64).prop_map(|ticks| ticks * TICK.nanos())];
        let civil = prop_oneof![any::<Option<i64>>(), (0..100_000_i64).prop_map(Some)];
        (0..2_u64, steady, civil, any::<bool>()).prop_map(|(boot, steady, civil, synced)| Moment {
            boot: BootId(boot),
            steady: Steady::from_nanos(steady),
            civil: civil.map(Utc::from_micros),
            synced,
        })
    }

    proptest! {
        #[test]
        fn moments_come_back_to_the_nanosecond(moments in prop::collection::vec(any_moment(), 1..20)) {
            let mut recorder = Recorder::new();
            moments.iter().for_each(|at| recorder.event(*at, &Event::Due));
            let piece = Piece::read(&recorder.take().unwrap()).unwrap();
            prop_assert_eq!(piece.events.into_iter().map(|(at, _)| at).collect::<Vec<_>>(), moments);
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let bytes: Vec<u8> = std::iter::once(FORM).chain(bytes).collect();
            let _ = Piece::read(&bytes);
        }
    }

    #[test]
    fn a_piece_comes_back_as_it_was() {
        let piece = Piece::read(&recorded()).unwrap();
        assert_eq!(piece.events, [(at(5), Event::Bytes(LineId(0), vec![1, 2, 3])), (at(9), Event::Due)]);
        let mut sum = Sum::new();
        sum.add(&[Action::WakeAt(Steady::from_nanos(9))]);
        assert!(piece.agrees(sum));
    }

    /// A tenth of a second on: 2 + 2 * 1000 in two bytes of seven bits, the event in one; a microsecond that the calendar is
    /// ahead in one more.
    #[test]
    fn a_step_of_a_tenth_of_a_second_takes_two_bytes() {
        let civil = |nanos: u64, micros| Moment { civil: Some(Utc::from_micros(micros)), ..at(nanos) };
        let mut recorder = Recorder::new();
        recorder.event(civil(0, 50), &Event::Due);
        let first = recorder.events.len();
        recorder.event(civil(100_000_000, 100_050), &Event::Due);
        let second = recorder.events.len();
        recorder.event(civil(200_000_000, 200_051), &Event::Due);
        assert_eq!((second - first, recorder.events.len() - second), (2 + 1, 3 + 1));
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
        for cut in 0..whole.len() {
            assert!(Piece::read(&whole[..cut]).is_none(), "{cut}");
        }
    }
}
