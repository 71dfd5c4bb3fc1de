//! One request and the wait for its answer, silence before it kept.

use super::{Form, Step};
use crate::modbus::{ExceptionCode, Received, Reply, ReplyReceiver, Request};
use crate::moment::{Span, Steady};

/// What came of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Outcome {
    Registers(Vec<u16>),
    Refused(ExceptionCode),
    Silent,
}

/// A client that asks one thing at a time.
#[derive(Clone, Debug)]
pub(super) struct Exchange {
    form: Form,
    /// How long to wait for a device, beside the characters.
    patience: Span,
    receiver: ReplyReceiver,
    asked: Option<Asked>,
    outcome: Option<Outcome>,
    quiet_from: Option<Steady>,
}

#[derive(Clone, Debug)]
struct Asked {
    unit: u8,
    request: Request,
    /// None until it is sent.
    until: Option<Steady>,
}

impl Exchange {
    pub(super) fn new(form: Form, patience: Span) -> Self {
        Exchange { form, patience, receiver: ReplyReceiver::default(), asked: None, outcome: None, quiet_from: None }
    }

    /// Whether nothing is under way.
    pub(super) fn is_free(&self) -> bool {
        self.asked.is_none()
    }

    pub(super) fn ask(&mut self, unit: u8, request: Request) {
        self.asked = Some(Asked { unit, request, until: None });
        self.outcome = None;
    }

    /// What came of the request, once; the exchange is free then.
    pub(super) fn take(&mut self) -> Option<Outcome> {
        let outcome = self.outcome.take()?;
        self.asked = None;
        Some(outcome)
    }

    /// The next step of the request under way; `None` when something came of it, or nothing is under way.
    pub(super) fn step(&mut self, at: Steady) -> Option<Step> {
        if self.outcome.is_some() {
            return None;
        }
        let asked = self.asked.as_mut()?;
        match asked.until {
            None => {
                let from = self.quiet_from.unwrap_or(at);
                if at < from {
                    return Some(Step::Listen(from));
                }
                let answer = match &asked.request {
                    Request::ReadHolding { count, .. } | Request::ReadInput { count, .. } => {
                        5.0 + 2.0 * f64::from(*count)
                    }
                    _ => 8.0,
                };
                asked.until = Some(at.plus(self.form.characters(8.0 + answer)).plus(self.patience));
                self.receiver.clear();
                Some(Step::Send(asked.request.frame(asked.unit)))
            }
            Some(until) if at < until => Some(Step::Listen(until)),
            Some(_) => {
                self.settle(at, Outcome::Silent);
                None
            }
        }
    }

    pub(super) fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        let Some(Asked { unit, request, until: Some(_) }) = self.asked.clone() else { return };
        self.receiver.push(bytes);
        while let Some(received) = self.receiver.next(Some((unit, &request))) {
            let Received::Answer(reply) = received else { continue };
            let outcome = match reply {
                Reply::Registers(registers) => Outcome::Registers(registers),
                Reply::Exception(code) => Outcome::Refused(code),
                Reply::Bits(_) | Reply::Done => continue,
            };
            self.settle(at, outcome);
            return;
        }
    }

    fn settle(&mut self, at: Steady, outcome: Outcome) {
        // An answer that comes too late must not be taken for that to the next question, which may be of the same shape.
        let rest = if outcome == Outcome::Silent { self.patience } else { self.form.silence() };
        self.quiet_from = Some(at.plus(rest));
        self.outcome = Some(outcome);
    }
}
