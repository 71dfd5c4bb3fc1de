//! A wire with a hand on it: what a program and a unit say to each other passes through, and may be spoiled on the way.

use std::io::Write;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::Pty;

/// What is done to a whole reply: pieces to hand over, each after a pause.
pub type Spoil = Box<dyn FnMut(Vec<u8>) -> Vec<(Duration, Vec<u8>)> + Send>;

/// What is done to a whole request.
pub type Twist = Box<dyn FnMut(Vec<u8>) -> Vec<u8> + Send>;

/// The wire: the program opens one end by a link, the unit the other by its path.
pub struct Relay {
    /// What the unit opens.
    pub path: String,
    /// Replies to reads that were not handed over as they came.
    pub spoilt: Arc<AtomicUsize>,
    /// Whether the unit hears of loopbacks, function 8; one that lacks it may take offence.
    pub loopbacks: Arc<AtomicBool>,
    hands: Arc<Mutex<(Twist, Spoil)>>,
    stop: Arc<AtomicBool>,
    thread: Option<thread::JoinHandle<()>>,
}

impl Relay {
    /// A wire that spoils nothing yet.
    pub fn new(link: &Path) -> Self {
        let (program, unit) = (Pty::new(link), Pty::unlinked());
        let mut relay = Relay {
            path: unit.path.clone(),
            spoilt: Arc::default(),
            loopbacks: Arc::new(AtomicBool::new(true)),
            hands: Arc::new(Mutex::new((Box::new(|asked| asked), Box::new(whole)))),
            stop: Arc::default(),
            thread: None,
        };
        let (hands, stop, spoilt) = (relay.hands.clone(), relay.stop.clone(), relay.spoilt.clone());
        let loopbacks = relay.loopbacks.clone();
        relay.thread = Some(thread::spawn(move || {
            let (mut request, mut reply) = (Vec::new(), Vec::new());
            while !stop.load(Ordering::Relaxed) {
                if readable(&program) {
                    request.extend(read(&program));
                    while let Some(frame) = take_frame(&mut request, request_length) {
                        // What of an earlier reply was never whole is none of this one.
                        reply.clear();
                        if frame[1] == LOOPBACK && !loopbacks.load(Ordering::Relaxed) {
                            continue;
                        }
                        let twisted = (hands.lock().unwrap().0)(frame);
                        unit.device().write_all(&twisted).unwrap();
                    }
                }
                if readable(&unit) {
                    reply.extend(read(&unit));
                    while let Some(frame) = take_frame(&mut reply, reply_length) {
                        if !is_read(&frame) {
                            program.device().write_all(&frame).unwrap();
                            continue;
                        }
                        let pieces = (hands.lock().unwrap().1)(frame.clone());
                        let as_it_came = matches!(pieces.as_slice(), [(_, bytes)] if *bytes == frame);
                        spoilt.fetch_add(usize::from(!as_it_came), Ordering::Relaxed);
                        for (pause, bytes) in pieces {
                            thread::sleep(pause);
                            program.device().write_all(&bytes).unwrap();
                        }
                    }
                }
            }
        }));
        relay
    }

    /// From now on replies to reads of registers are handed over so.
    pub fn spoil(&self, spoil: impl FnMut(Vec<u8>) -> Vec<(Duration, Vec<u8>)> + Send + 'static) {
        self.hands.lock().unwrap().1 = Box::new(spoil);
    }

    /// From now on requests are handed over so.
    pub fn twist(&self, twist: impl FnMut(Vec<u8>) -> Vec<u8> + Send + 'static) {
        self.hands.lock().unwrap().0 = Box::new(twist);
    }

    /// From now on everything is handed over as it comes.
    pub fn honest(&self) {
        *self.hands.lock().unwrap() = (Box::new(|asked| asked), Box::new(whole));
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

const LOOPBACK: u8 = 8;

/// A reply as it came.
pub fn whole(reply: Vec<u8>) -> Vec<(Duration, Vec<u8>)> {
    vec![(Duration::ZERO, reply)]
}

/// Whether a frame is that of reading registers.
pub fn is_read(frame: &[u8]) -> bool {
    matches!(frame[1], 3 | 4)
}

fn readable(pty: &Pty) -> bool {
    let wait = Timespec { tv_sec: 0, tv_nsec: 1_000_000 };
    poll(&mut [PollFd::new(&pty.near, PollFlags::IN)], Some(&wait)).unwrap() > 0
}

fn read(pty: &Pty) -> Vec<u8> {
    let mut bytes = vec![0; 256];
    let count = rustix::io::read(&pty.near, &mut bytes).unwrap_or(0);
    bytes.truncate(count);
    bytes
}

fn take_frame(bytes: &mut Vec<u8>, length: fn(&[u8]) -> Option<usize>) -> Option<Vec<u8>> {
    let length = length(bytes).filter(|length| *length <= bytes.len())?;
    Some(bytes.drain(..length).collect())
}

/// By the functions' layouts in MODBUS Application Protocol V1.1b3, section 6.
fn request_length(bytes: &[u8]) -> Option<usize> {
    match bytes {
        [_, 15, _, _, _, _, count, ..] => Some(9 + usize::from(*count)),
        [_, 15, ..] | [] | [_] => None,
        [_, _, ..] => Some(8),
    }
}

fn reply_length(bytes: &[u8]) -> Option<usize> {
    match bytes {
        [_, 0x80..=0xFF, ..] => Some(5),
        [_, 1..=4, count, ..] => Some(5 + usize::from(*count)),
        [_, 1..=4] | [] | [_] => None,
        [_, _, ..] => Some(8),
    }
}
