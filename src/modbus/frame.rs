//! Requests and replies as bytes: `unit, function, …, check word`, at most 256 of them.

use rmodbus::server::ModbusFrame;
use rmodbus::{ErrorKind, ModbusProto, guess_request_frame_len, guess_response_frame_len};

use super::{ExceptionCode, Reply, Request};

/// How long the frame at the start of some bytes is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Length {
    /// So many bytes.
    Bytes(usize),
    /// More bytes are needed to tell.
    NotYet,
    /// No frame starts so.
    Never,
}

impl Request {
    /// The function's code.
    pub fn function(&self) -> u8 {
        match self {
            Request::ReadCoils { .. } => 1,
            Request::ReadDiscretes { .. } => 2,
            Request::ReadHolding { .. } => 3,
            Request::ReadInput { .. } => 4,
            Request::WriteCoil { .. } => 5,
            Request::Loopback { .. } => LOOPBACK,
            Request::WriteCoils { .. } => 15,
        }
    }

    /// The states of the coils that it writes; `None` for a request that writes nothing.
    pub fn coils(&self) -> Option<Vec<bool>> {
        match self {
            Request::WriteCoil { on, .. } => Some(vec![*on]),
            Request::WriteCoils { on, .. } => Some(on.clone()),
            Request::ReadCoils { .. }
            | Request::ReadDiscretes { .. }
            | Request::ReadHolding { .. }
            | Request::ReadInput { .. }
            | Request::Loopback { .. } => None,
        }
    }

    /// The request as sent to a unit. A request too large for one frame comes without a check word: nobody takes it.
    pub fn frame(&self, unit: u8) -> Vec<u8> {
        let mut body = vec![unit];
        body.extend(self.body());
        sealed(body)
    }

    /// What a unit sends back; `reply` should be of this request's kind.
    pub fn reply_frame(&self, unit: u8, reply: &Reply) -> Vec<u8> {
        let mut body = vec![unit, self.function()];
        match reply {
            Reply::Bits(bits) => {
                let packed = packed(bits);
                body.push(packed.len().to_le_bytes()[0]);
                body.extend(packed);
            }
            Reply::Registers(registers) => {
                body.push((2 * registers.len()).to_le_bytes()[0]);
                body.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
            }
            Reply::Done => body.extend(self.body().into_iter().skip(1).take(4)),
            Reply::Exception(code) => return exception_frame(unit, self.function(), *code),
        }
        sealed(body)
    }

    /// Reads a request's function and what follows it, without unit and check word.
    ///
    /// # Errors
    /// The exception that a unit answers with.
    pub(super) fn parse(body: &[u8]) -> Result<Request, ExceptionCode> {
        let [function, a, b, c, d, rest @ ..] = body else {
            return Err(ExceptionCode::ILLEGAL_FUNCTION);
        };
        let (address, count) = (u16::from_be_bytes([*a, *b]), u16::from_be_bytes([*c, *d]));
        let request = match (function, rest) {
            (1, []) if (1..=2_000).contains(&count) => Request::ReadCoils { address, count },
            (2, []) if (1..=2_000).contains(&count) => Request::ReadDiscretes { address, count },
            (3, []) if (1..=125).contains(&count) => Request::ReadHolding { address, count },
            (4, []) if (1..=125).contains(&count) => Request::ReadInput { address, count },
            (5, []) if count == ON || count == 0 => Request::WriteCoil { address, on: count == ON },
            (&LOOPBACK, []) if address == 0 => Request::Loopback { token: count },
            (15, [bytes, data @ ..])
                if (1..=1_968).contains(&count)
                    && data.len() == usize::from(*bytes)
                    && data.len() == usize::from(count.div_ceil(8)) =>
            {
                Request::WriteCoils { address, on: unpacked(data, count) }
            }
            (1..=5 | 15, _) => return Err(ExceptionCode::ILLEGAL_VALUE),
            _ => return Err(ExceptionCode::ILLEGAL_FUNCTION),
        };
        Ok(request)
    }

    /// What a whole frame with a good check word answers to this request; `None` if it answers something else.
    pub(super) fn answered_by(&self, unit: u8, frame: &[u8]) -> Option<Reply> {
        let [from, body @ .., _, _] = frame else { return None };
        if *from != unit {
            return None;
        }
        if let [function, code] = body {
            return (*function == self.function() | EXCEPTION).then_some(Reply::Exception(ExceptionCode(*code)));
        }
        match (self, body) {
            (Request::ReadCoils { count, .. } | Request::ReadDiscretes { count, .. }, [function, bytes, data @ ..])
                if *function == self.function()
                    && data.len() == usize::from(*bytes)
                    && data.len() == usize::from(count.div_ceil(8)) =>
            {
                Some(Reply::Bits(unpacked(data, *count)))
            }
            (Request::ReadHolding { count, .. } | Request::ReadInput { count, .. }, [function, bytes, data @ ..])
                if *function == self.function()
                    && data.len() == usize::from(*bytes)
                    && data.len() == 2 * usize::from(*count) =>
            {
                Some(Reply::Registers(
                    data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect(),
                ))
            }
            (Request::WriteCoil { .. } | Request::Loopback { .. } | Request::WriteCoils { .. }, echo) => {
                (echo.len() == 5 && self.body().starts_with(echo)).then_some(Reply::Done)
            }
            (
                Request::ReadCoils { .. }
                | Request::ReadDiscretes { .. }
                | Request::ReadHolding { .. }
                | Request::ReadInput { .. },
                _,
            ) => None,
        }
    }

    /// The function and what follows it.
    fn body(&self) -> Vec<u8> {
        let (address, second) = match self {
            Request::ReadCoils { address, count }
            | Request::ReadDiscretes { address, count }
            | Request::ReadHolding { address, count }
            | Request::ReadInput { address, count } => (*address, *count),
            Request::WriteCoil { address, on } => (*address, if *on { ON } else { 0 }),
            Request::Loopback { token } => (0, *token),
            Request::WriteCoils { address, on } => (*address, u16::try_from(on.len()).unwrap_or(u16::MAX)),
        };
        let mut body = vec![self.function()];
        body.extend(address.to_be_bytes());
        body.extend(second.to_be_bytes());
        if let Request::WriteCoils { on, .. } = self {
            let packed = packed(on);
            body.push(packed.len().to_le_bytes()[0]);
            body.extend(packed);
        }
        body
    }
}

/// A refusal as sent by a unit.
pub(super) fn exception_frame(unit: u8, function: u8, code: ExceptionCode) -> Vec<u8> {
    sealed(vec![unit, function | EXCEPTION, code.0])
}

/// Whether a whole frame ends with the check word of the rest.
pub(super) fn is_sound(frame: &[u8]) -> bool {
    let Some(body) = frame.len().checked_sub(2).and_then(|end| frame.get(..end)) else { return false };
    body.len() >= 2 && sealed(body.to_vec()) == frame
}

/// The length of the reply that these bytes start.
pub(super) fn reply_length(bytes: &[u8]) -> Length {
    match bytes {
        [unit, ..] if !super::UNITS.contains(unit) => Length::Never,
        [_, LOOPBACK, ..] => Length::Bytes(8),
        _ => length(guess_response_frame_len(bytes, ModbusProto::Rtu)),
    }
}

/// The length of the request that these bytes start; eight for a function that is not known.
pub(super) fn request_length(bytes: &[u8]) -> Length {
    length(guess_request_frame_len(bytes, ModbusProto::Rtu))
}

fn length(guess: Result<u8, ErrorKind>) -> Length {
    match guess {
        Ok(bytes) => Length::Bytes(usize::from(bytes)),
        Err(ErrorKind::OOB) => Length::NotYet,
        Err(_) => Length::Never,
    }
}

/// The bytes with their check word; without one if there are too many for a frame.
fn sealed(mut body: Vec<u8>) -> Vec<u8> {
    let mut sealed = Vec::new();
    let mut frame = ModbusFrame::new(0, &[], ModbusProto::Rtu, &mut sealed);
    frame.response.append(&mut body);
    if frame.finalize_response().is_err() {
        sealed.truncate(MOST_BEFORE_CHECK);
    }
    sealed
}

/// Eight to a byte, the first lowest.
fn packed(bits: &[bool]) -> Vec<u8> {
    bits.chunks(8).map(|eight| eight.iter().rev().fold(0, |byte, on| byte << 1 | u8::from(*on))).collect()
}

fn unpacked(bytes: &[u8], count: u16) -> Vec<bool> {
    let bits = bytes.iter().flat_map(|byte| (0..8).map(move |bit| byte >> bit & 1 == 1));
    bits.take(usize::from(count)).collect()
}

const LOOPBACK: u8 = 8;
const EXCEPTION: u8 = 0x80;
const ON: u16 = 0xFF00;
const MOST_BEFORE_CHECK: usize = 254;

#[cfg(test)]
mod tests {
    use super::*;

    fn bits(bytes: &[u8], count: u16) -> Vec<bool> {
        (0..usize::from(count)).map(|bit| bytes[bit / 8] >> (bit % 8) & 1 == 1).collect()
    }

    fn check(request: &Request, asked: &[u8], reply: &Reply, answered: &[u8]) {
        let unit = 0x11;
        let frame = request.frame(unit);
        assert_eq!(frame[0], unit);
        assert_eq!(&frame[1..frame.len() - 2], asked, "{request:?}");
        assert_eq!(request_length(&frame), Length::Bytes(frame.len()));
        assert_eq!(Request::parse(asked), Ok(request.clone()));

        let back = request.reply_frame(unit, reply);
        assert_eq!(&back[1..back.len() - 2], answered, "{reply:?}");
        assert_eq!(reply_length(&back), Length::Bytes(back.len()));
        assert!(is_sound(&back));
        assert_eq!(request.answered_by(unit, &back).as_ref(), Some(reply));
        assert_eq!(request.answered_by(unit + 1, &back), None);
    }

    /// The examples of MODBUS Application Protocol Specification V1.1b3: 6.1, 6.2, 6.3, 6.4, 6.5, 6.8, 6.11 and section 7
    /// (transcribed from memory; independent peers confirm the functions in `tests/gauges.rs`).
    #[test]
    fn the_worked_examples_of_the_specification() {
        check(
            &Request::ReadCoils { address: 0x13, count: 0x13 },
            &[0x01, 0x00, 0x13, 0x00, 0x13],
            &Reply::Bits(bits(&[0xCD, 0x6B, 0x05], 0x13)),
            &[0x01, 0x03, 0xCD, 0x6B, 0x05],
        );
        check(
            &Request::ReadDiscretes { address: 0xC4, count: 0x16 },
            &[0x02, 0x00, 0xC4, 0x00, 0x16],
            &Reply::Bits(bits(&[0xAC, 0xDB, 0x35], 0x16)),
            &[0x02, 0x03, 0xAC, 0xDB, 0x35],
        );
        check(
            &Request::ReadHolding { address: 0x6B, count: 3 },
            &[0x03, 0x00, 0x6B, 0x00, 0x03],
            &Reply::Registers(vec![0x022B, 0x0000, 0x0064]),
            &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64],
        );
        check(
            &Request::ReadInput { address: 8, count: 1 },
            &[0x04, 0x00, 0x08, 0x00, 0x01],
            &Reply::Registers(vec![0x000A]),
            &[0x04, 0x02, 0x00, 0x0A],
        );
        check(
            &Request::WriteCoil { address: 0xAC, on: true },
            &[0x05, 0x00, 0xAC, 0xFF, 0x00],
            &Reply::Done,
            &[0x05, 0x00, 0xAC, 0xFF, 0x00],
        );
        check(
            &Request::Loopback { token: 0xA537 },
            &[0x08, 0x00, 0x00, 0xA5, 0x37],
            &Reply::Done,
            &[0x08, 0x00, 0x00, 0xA5, 0x37],
        );
        check(
            &Request::WriteCoils { address: 0x13, on: bits(&[0xCD, 0x01], 10) },
            &[0x0F, 0x00, 0x13, 0x00, 0x0A, 0x02, 0xCD, 0x01],
            &Reply::Done,
            &[0x0F, 0x00, 0x13, 0x00, 0x0A],
        );
        check(
            &Request::ReadCoils { address: 0x04A1, count: 1 },
            &[0x01, 0x04, 0xA1, 0x00, 0x01],
            &Reply::Exception(ExceptionCode(2)),
            &[0x81, 0x02],
        );
    }

    /// MODBUS over Serial Line V1.02, appendix on the check word: unit 2, function 7 is followed by 41 12; and the frame
    /// 11 05 00 AC FF 00 4E 8B and 01 03 00 00 00 02 C4 0B of the codec's own tests.
    #[test]
    fn check_words_go_low_byte_first() {
        assert_eq!(sealed(vec![0x02, 0x07]), [0x02, 0x07, 0x41, 0x12]);
        let coil = Request::WriteCoil { address: 0xAC, on: true };
        assert_eq!(coil.frame(0x11), [0x11, 0x05, 0x00, 0xAC, 0xFF, 0x00, 0x4E, 0x8B]);
        let read = Request::ReadHolding { address: 0, count: 2 };
        assert_eq!(read.frame(1), [0x01, 0x03, 0x00, 0x00, 0x00, 0x02, 0xC4, 0x0B]);
    }

    #[test]
    fn every_single_wrong_bit_is_noticed() {
        let frame = Request::ReadHolding { address: 0x6B, count: 3 }.reply_frame(1, &Reply::Registers(vec![1, 2, 3]));
        for bit in 0..8 * frame.len() {
            let mut wrong = frame.clone();
            wrong[bit / 8] ^= 1 << (bit % 8);
            assert!(!is_sound(&wrong), "bit {bit}");
        }
    }

    #[test]
    fn requests_that_make_no_sense_are_refused_as_the_specification_says() {
        for (body, code) in [
            (&[3, 0, 0, 0, 0][..], ExceptionCode::ILLEGAL_VALUE),
            (&[3, 0, 0, 0, 126], ExceptionCode::ILLEGAL_VALUE),
            (&[2, 0, 0, 7, 209], ExceptionCode::ILLEGAL_VALUE),
            (&[5, 0, 0, 0x12, 0], ExceptionCode::ILLEGAL_VALUE),
            (&[15, 0, 0, 0, 10, 1, 0xFF], ExceptionCode::ILLEGAL_VALUE),
            (&[15, 0, 0, 0, 10, 3, 1, 2, 3], ExceptionCode::ILLEGAL_VALUE),
            (&[6, 0, 0, 0, 1], ExceptionCode::ILLEGAL_FUNCTION),
            (&[8, 0, 1, 0, 0], ExceptionCode::ILLEGAL_FUNCTION),
            (&[0x83, 0, 1, 0, 0], ExceptionCode::ILLEGAL_FUNCTION),
            (&[3], ExceptionCode::ILLEGAL_FUNCTION),
        ] {
            assert_eq!(Request::parse(body), Err(code), "{body:?}");
        }
    }

    #[test]
    fn a_request_too_large_for_a_frame_is_taken_by_nobody() {
        let huge = Request::WriteCoils { address: 0, on: vec![true; 2_040] }.frame(1);
        assert!(huge.len() <= 256);
        assert!(!is_sound(&huge));
    }
}
