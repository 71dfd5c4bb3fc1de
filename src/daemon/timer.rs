//! One moment to wait for, kept by the kernel.
//!
//! The runtime's own timers cost a busy loop three wake-ups for one: whoever sets one sooner than the next that is due wakes
//! the runtime through its eventfd, and a wait of more than 64 ms is broken where the timer wheel turns. A timerfd is set
//! anew without waking anybody, and is readable once.

use std::io;
use std::os::fd::OwnedFd;
use std::time::Duration;

use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::time::sleep;

use super::clock::Clock;
use crate::moment::Steady;

/// Waits for one moment after another.
pub(super) struct Timer {
    clock: Clock,
    set_to: Option<Steady>,
    fd: Option<AsyncFd<OwnedFd>>,
}

impl Timer {
    /// A timer by this clock; where the kernel has none, the runtime's serve.
    #[expect(
        deprecated,
        reason = "its successor is unsafe code, for files that others may close; this one is owned here"
    )]
    pub(super) fn new(clock: Clock) -> Self {
        let made = timerfd_create(TimerfdClockId::Boottime, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC);
        let fd = made.ok().and_then(|fd| AsyncFd::with_interest(fd, Interest::READABLE).ok());
        Timer { clock, set_to: None, fd }
    }

    /// Waits until the clock shows `when`, which may be in the past.
    ///
    /// # Cancellation
    /// Dropping the future loses nothing; the next wait may be for another moment.
    pub(super) async fn until(&mut self, when: Steady) {
        if self.kernel_until(when).await.is_err() {
            sleep(self.clock.until(when)).await;
        }
    }

    async fn kernel_until(&mut self, when: Steady) -> io::Result<()> {
        let fd = self.fd.as_ref().ok_or(io::ErrorKind::Unsupported)?;
        if self.set_to != Some(when) {
            set(fd.get_ref(), self.clock.until(when))?;
            self.set_to = Some(when);
        }
        let mut expirations = [0; 8];
        fd.async_io(Interest::READABLE, |fd| Ok(rustix::io::read(fd, &mut expirations)?)).await?;
        self.set_to = None;
        Ok(())
    }
}

/// Sets a timer; a wait of nothing would stop it, so it is at least a nanosecond.
fn set(timer: &OwnedFd, wait: Duration) -> io::Result<()> {
    let wait = wait.max(Duration::from_nanos(1));
    let never = Timespec { tv_sec: 0, tv_nsec: 0 };
    let it_value = Timespec { tv_sec: wait.as_secs() as _, tv_nsec: wait.subsec_nanos().into() };
    timerfd_settime(timer, TimerfdTimerFlags::empty(), &Itimerspec { it_interval: never, it_value })?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Span;

    fn block_on<T>(future: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
    }

    #[test]
    fn a_moment_is_waited_for_and_the_past_is_not() {
        block_on(async {
            let clock = Clock::new(1.0);
            let mut timer = Timer::new(clock.clone());
            assert!(timer.fd.is_some(), "the kernel gives timers");
            timer.until(Steady::default()).await;
            let when = clock.steady().plus(Span::from_millis(30));
            timer.until(when).await;
            assert!(clock.steady() >= when);
        });
    }

    #[test]
    fn a_wait_given_up_for_a_sooner_one_does_not_last() {
        block_on(async {
            let clock = Clock::new(1.0);
            let mut timer = Timer::new(clock.clone());
            let (far, near) = (clock.steady().plus(Span::from_secs(3600)), clock.steady().plus(Span::from_millis(20)));
            tokio::select! {
                biased;
                () = timer.until(far) => panic!("an hour has not passed"),
                () = std::future::ready(()) => {}
            }
            timer.until(near).await;
            let now = clock.steady();
            assert!(now >= near && now < far);
            // The expiry is spent: the next moment is waited for as well.
            let later = now.plus(Span::from_millis(20));
            timer.until(later).await;
            assert!(clock.steady() >= later);
        });
    }

    #[test]
    fn a_hurried_clock_is_followed() {
        block_on(async {
            let clock = Clock::new(60.0);
            let mut timer = Timer::new(clock.clone());
            let when = clock.steady().plus(Span::from_secs(1));
            timer.until(when).await;
            assert!(clock.steady() >= when);
        });
    }
}
