//! The loop that plays the plant and lets the line speak, in the calling thread.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::event::Timespec;

use super::bench::{Bench, OnTheLine};
use super::machine::Plant;
use super::pty::{Pty, rest};
use super::report::{Report, Said};
use crate::moment::{Span, Steady};

/// Simulated time: read by `now`, `pace` times as fast as the room's.
#[derive(Clone, Copy)]
pub struct Clock<'a> {
    /// Reads it.
    pub now: &'a dyn Fn() -> Steady,
    /// How many simulated seconds pass in one.
    pub pace: f64,
}

/// Why the simulated line cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServerError {
    /// There is no pseudo-terminal to be had, or it fails.
    #[error("the pseudo-terminal fails: {0}")]
    Terminal(io::Error),
    /// The link cannot be made.
    #[error("cannot make the link {path}: {source}; give a path in a folder that can be written to")]
    Link {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Something else has the link's name.
    #[error("{0} is there already and is no link to a pseudo-terminal; give another path or remove it")]
    Occupied(PathBuf),
}

/// A transducer and a relay unit behind a pseudo-terminal.
pub struct Server {
    bench: Bench,
    link: PathBuf,
    pty: Option<Pty>,
}

/// The longest wait in the room's time, after which the stop flag is looked at again.
const LONGEST_WAIT: f64 = 0.05;
/// More than any burst of requests.
const READ: usize = 4096;

impl Server {
    /// Opens a pseudo-terminal and makes `link` a symbolic link to it, in the place of such a link and of nothing else.
    ///
    /// # Errors
    /// [`ServerError`] if there is no pseudo-terminal or the link cannot be made.
    pub fn open(link: &Path, on_the_line: OnTheLine, seed: u64) -> Result<Self, ServerError> {
        let pty = Pty::open(link)?;
        Ok(Server { bench: Bench::new(on_the_line, seed), link: link.to_owned(), pty: Some(pty) })
    }

    /// Plays the plant and answers on the line until the last scene is over or `stop` is set.
    ///
    /// # Errors
    /// [`ServerError`] if the pseudo-terminal fails.
    pub fn serve(
        &mut self,
        plant: &mut Plant,
        clock: Clock<'_>,
        stop: &AtomicBool,
        say: &mut dyn FnMut(Report),
    ) -> Result<(), ServerError> {
        let start = (clock.now)();
        while !stop.load(Ordering::Relaxed) && !plant.ended() {
            // Read before the clock, so that no answer is older than its request.
            let heard = self.pty.as_ref().map_or(Ok(Vec::new()), |pty| pty.read(READ))?;
            let now = (clock.now)();
            plant.advance(now.since(start), say);
            if self.bench.hear(&heard, now, &plant.levels()) {
                let coils = self.bench.coils().clone();
                say(Report { at_s: now.since(start).secs_f64(), what: Said::Lamp { coils } });
            }
            self.plug(plant.connected())?;
            self.speak(now)?;
            self.wait(clock)?;
        }
        Ok(())
    }

    /// Puts the cable in or pulls it; with it goes the terminal and its link, as the name of an unplugged adapter does.
    fn plug(&mut self, connected: bool) -> Result<(), ServerError> {
        if connected && self.pty.is_none() {
            self.pty = Some(Pty::open(&self.link)?);
        } else if !connected && self.pty.take().is_some() {
            self.bench.cut_off();
        }
        Ok(())
    }

    /// Sends what is through by now.
    fn speak(&mut self, now: Steady) -> Result<(), ServerError> {
        let due = self.bench.due(now);
        match &self.pty {
            Some(pty) if !due.is_empty() => pty.write(&due),
            Some(_) | None => Ok(()),
        }
    }

    /// Waits for bytes, or until the next one is due.
    fn wait(&self, clock: Clock<'_>) -> Result<(), ServerError> {
        let now = (clock.now)();
        let until_due = self.bench.next().map_or(f64::INFINITY, |due| due.since(now).secs_f64());
        let limit = timespec((until_due / clock.pace).min(LONGEST_WAIT));
        match &self.pty {
            Some(pty) => pty.wait(limit),
            None => rest(limit),
        }
    }
}

fn timespec(secs: f64) -> Timespec {
    let nanos = Span::from_secs_f64(secs).nanos();
    Timespec { tv_sec: (nanos / 1_000_000_000) as i64, tv_nsec: (nanos % 1_000_000_000) as _ }
}
