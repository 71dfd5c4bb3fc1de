//! Frames found in a stream of bytes: by expected length and check word; what is no frame is dropped byte by byte.

use serde::{Deserialize, Serialize};

use super::frame::{Length, exception_frame, is_sound, reply_length, request_length};
use super::{ExceptionCode, Reply, Request};

/// What a client found in its stream.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Received {
    /// The answer to what was asked.
    Answer(Reply),
    /// A sound frame that answers something else.
    Foreign {
        /// Its unit.
        unit: u8,
        /// Its function, as sent.
        function: u8,
    },
    /// Bytes that are no frame; told once until the next sound frame.
    Garbage,
}

/// The client's ear. It holds less than one frame of what is not complete yet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReplyReceiver {
    waiting: Vec<u8>,
    in_garbage: bool,
}

impl ReplyReceiver {
    /// Takes bytes in, in pieces of any size; call [`ReplyReceiver::next`] until it gives nothing after each piece.
    pub fn push(&mut self, bytes: &[u8]) {
        self.waiting.extend_from_slice(bytes);
    }

    /// The next thing found, given the unit and the request that wait for an answer; `None` until more bytes come.
    ///
    /// An answer is also found behind the start of what looks like another frame, so that a stray byte does not hide it.
    pub fn next(&mut self, asked: Option<(u8, &Request)>) -> Option<Received> {
        match whole_frame(&self.waiting, reply_length) {
            Whole::Frame(length) => {
                let frame: Vec<u8> = self.waiting.drain(..length).collect();
                self.in_garbage = false;
                let answer = asked.and_then(|(unit, request)| request.answered_by(unit, &frame));
                Some(answer.map_or(Received::Foreign { unit: frame[0], function: frame[1] }, Received::Answer))
            }
            Whole::NotYet => {
                let (end, reply) = asked.and_then(|(unit, request)| self.find(unit, request))?;
                self.waiting.drain(..end);
                self.in_garbage = false;
                Some(Received::Answer(reply))
            }
            Whole::Garbage => {
                self.drop_garbage();
                if std::mem::replace(&mut self.in_garbage, true) { self.next(asked) } else { Some(Received::Garbage) }
            }
        }
    }

    /// Whether nothing is held that is not complete.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Forgets everything that is not complete.
    pub fn clear(&mut self) {
        *self = ReplyReceiver::default();
    }

    fn drop_garbage(&mut self) {
        let start = (1..self.waiting.len())
            .find(|start| !matches!(whole_frame(&self.waiting[*start..], reply_length), Whole::Garbage));
        self.waiting.drain(..start.unwrap_or(self.waiting.len()));
    }

    /// The answer that begins behind the first byte, and where it ends.
    fn find(&self, unit: u8, request: &Request) -> Option<(usize, Reply)> {
        (1..self.waiting.len()).find_map(|start| {
            let rest = &self.waiting[start..];
            let Whole::Frame(length) = whole_frame(rest, reply_length) else { return None };
            request.answered_by(unit, &rest[..length]).map(|reply| (start + length, reply))
        })
    }
}

/// A request as a unit hears it, its own or another's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// The unit that is asked; 0 asks all of them, and none may answer.
    pub unit: u8,
    /// The function, as sent.
    pub function: u8,
    /// What is asked, or the exception to answer with.
    pub request: Result<Request, ExceptionCode>,
}

impl Asked {
    /// The answer as sent.
    pub fn reply(&self, reply: &Reply) -> Vec<u8> {
        match &self.request {
            Ok(request) => request.reply_frame(self.unit, reply),
            Err(code) => self.refusal(*code),
        }
    }

    /// A refusal as sent.
    pub fn refusal(&self, code: ExceptionCode) -> Vec<u8> {
        exception_frame(self.unit, self.function, code)
    }
}

/// A unit's ear. It holds less than one frame of what is not complete yet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RequestReceiver {
    waiting: Vec<u8>,
}

impl RequestReceiver {
    /// Takes bytes in, in pieces of any size; call [`RequestReceiver::next`] until it gives nothing after each piece.
    pub fn push(&mut self, bytes: &[u8]) {
        self.waiting.extend_from_slice(bytes);
    }

    /// The next request to any unit; `None` until more bytes come. Bytes that are no request are dropped.
    #[expect(clippy::should_implement_trait, reason = "it is no iterator: after the last request more bytes may come")]
    pub fn next(&mut self) -> Option<Asked> {
        let found =
            (0..self.waiting.len()).find_map(|start| match whole_frame(&self.waiting[start..], request_length) {
                Whole::Frame(length) => Some((start, Some(start + length))),
                Whole::NotYet => Some((start, None)),
                Whole::Garbage => None,
            });
        let Some((start, end)) = found else {
            self.waiting.clear();
            return None;
        };
        let Some(end) = end else {
            self.waiting.drain(..start);
            return None;
        };
        let frame: Vec<u8> = self.waiting.drain(..end).skip(start).collect();
        let [unit, body @ .., _, _] = frame.as_slice() else { return None };
        Some(Asked { unit: *unit, function: *body.first()?, request: Request::parse(body) })
    }

    /// Forgets everything that is not complete.
    pub fn clear(&mut self) {
        self.waiting.clear();
    }
}

enum Whole {
    /// A sound frame of so many bytes.
    Frame(usize),
    /// The start of what may be one.
    NotYet,
    /// No frame starts here.
    Garbage,
}

/// Whether bytes are just one whole reply with a good check word, so that no more of it is to come.
pub fn is_whole_reply(bytes: &[u8]) -> bool {
    matches!(whole_frame(bytes, reply_length), Whole::Frame(length) if length == bytes.len())
}

fn whole_frame(bytes: &[u8], length: fn(&[u8]) -> Length) -> Whole {
    match length(bytes) {
        Length::Never => Whole::Garbage,
        Length::NotYet => Whole::NotYet,
        Length::Bytes(count) => match bytes.get(..count) {
            None => Whole::NotYet,
            Some(frame) if is_sound(frame) => Whole::Frame(count),
            Some(_) => Whole::Garbage,
        },
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const READ: Request = Request::ReadHolding { address: 0x6B, count: 3 };

    fn reply() -> (Reply, Vec<u8>) {
        let reply = Reply::Registers(vec![0x022B, 0, 0x64]);
        let frame = READ.reply_frame(0x11, &reply);
        (reply, frame)
    }

    fn received(pieces: &[&[u8]]) -> Vec<Received> {
        let mut receiver = ReplyReceiver::default();
        let mut found = Vec::new();
        for piece in pieces {
            receiver.push(piece);
            found.extend(std::iter::from_fn(|| receiver.next(Some((0x11, &READ)))));
            assert!(receiver.waiting.len() < 256);
        }
        found
    }

    #[test]
    fn an_unfinished_reply_is_no_error() {
        let (_, frame) = reply();
        for end in 0..frame.len() {
            assert_eq!(received(&[&frame[..end]]), []);
            assert!(!is_whole_reply(&frame[..end]));
        }
        assert!(is_whole_reply(&frame));
        assert!(!is_whole_reply(&[&frame[..], &[0]].concat()));
    }

    #[test]
    fn garbage_is_told_once_and_hides_no_reply() {
        let (reply, frame) = reply();
        let found = received(&[&[0; 700], &frame, &[0xFF; 3], &[0; 40], &frame]);
        let answer = Received::Answer(reply);
        assert_eq!(found, [Received::Garbage, answer.clone(), Received::Garbage, answer]);
    }

    #[test]
    fn a_reply_is_found_behind_the_start_of_a_longer_frame() {
        let (reply, frame) = reply();
        let longer = [0x20, 0x03, 0xF0, 1, 2, 3];
        assert_eq!(received(&[&longer, &frame]), [Received::Answer(reply)]);
    }

    #[test]
    fn a_request_to_anybody_is_found_between_junk() {
        let mut receiver = RequestReceiver::default();
        receiver.push(&[0xAA, 0x55, 0x00]);
        receiver.push(&READ.frame(0x11));
        receiver.push(&READ.frame(0x12)[..5]);
        assert_eq!(receiver.next(), Some(Asked { unit: 0x11, function: 3, request: Ok(READ) }));
        assert_eq!(receiver.next(), None);
        receiver.push(&READ.frame(0x12)[5..]);
        assert_eq!(receiver.next().map(|asked| asked.unit), Some(0x12));
    }

    #[test]
    fn an_unknown_function_is_refused_by_its_own_code() {
        let unknown = super::super::frame::exception_frame(0x11, 0x2B, ExceptionCode::ILLEGAL_FUNCTION);
        assert_eq!(unknown[..3], [0x11, 0xAB, 0x01]);
        let asked = Asked { unit: 0x11, function: 0x2B, request: Err(ExceptionCode::ILLEGAL_FUNCTION) };
        assert_eq!(asked.reply(&Reply::Done), unknown);
    }

    proptest! {
        /// However a stream of replies is cut into pieces, every reply is found and nothing else.
        #[test]
        fn pieces_of_any_size_give_the_same_replies(cuts in prop::collection::vec(1..20_usize, 1..40)) {
            let (reply, frame) = reply();
            let stream = frame.repeat(cuts.len());
            let mut rest = stream.as_slice();
            let mut pieces = Vec::new();
            for cut in cuts.iter().cycle() {
                let (piece, after) = rest.split_at((*cut).min(rest.len()));
                pieces.push(piece);
                rest = after;
                if rest.is_empty() { break; }
            }
            prop_assert_eq!(received(&pieces), vec![Received::Answer(reply); cuts.len()]);
        }

        /// Junk gives no answer, holds little and never stops the ear.
        #[test]
        fn junk_gives_no_answer(junk in prop::collection::vec(any::<u8>(), 0..2_000)) {
            let mut receiver = RequestReceiver::default();
            receiver.push(&junk);
            std::iter::from_fn(|| receiver.next()).for_each(drop);
            prop_assert!(receiver.waiting.len() < 256);
            let answers = received(&junk.chunks(50).collect::<Vec<_>>());
            let answered = answers.iter().any(|found| matches!(found, Received::Answer(_)));
            prop_assert!(!answered);
        }
    }
}
