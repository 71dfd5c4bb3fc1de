//! A number on its way from one value to another.

use crate::moment::Span;

/// A number that moves evenly to a new value and then stays.
#[derive(Clone, Copy, Debug)]
pub(super) struct Glide {
    from: f64,
    to: f64,
    start: Span,
    over: Span,
}

impl Glide {
    /// A number at rest.
    pub(super) const fn at_rest(value: f64) -> Self {
        Glide { from: value, to: value, start: Span::ZERO, over: Span::ZERO }
    }

    /// Its value at a time; before the start of its way, the value it comes from.
    pub(super) fn at(&self, time: Span) -> f64 {
        let gone = Span::from_nanos(time.nanos().saturating_sub(self.start.nanos()));
        if gone >= self.over {
            self.to
        } else {
            self.from + (self.to - self.from) * gone.secs_f64() / self.over.secs_f64()
        }
    }

    /// Sends it from where it is now to a new value.
    pub(super) fn send(&mut self, now: Span, to: f64, over: Span) {
        *self = Glide { from: self.at(now), to, start: now, over };
    }

    /// The value it goes to.
    pub(super) const fn goal(&self) -> f64 {
        self.to
    }

    /// The value it comes from.
    pub(super) const fn origin(&self) -> f64 {
        self.from
    }

    /// The share of its way that is behind it.
    pub(super) fn share(&self, time: Span) -> f64 {
        let gone = Span::from_nanos(time.nanos().saturating_sub(self.start.nanos()));
        if gone >= self.over { 1.0 } else { gone.secs_f64() / self.over.secs_f64() }
    }
}
