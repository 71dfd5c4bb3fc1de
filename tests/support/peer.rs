//! A gauge and a light of our own on a pseudo-terminal, and a setup for them.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicI32, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Instant;

use holdwatch::modbus::{Reply, Request, RequestReceiver};
use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::{Pty, free_page};

/// The coil that only says that somebody is watching.
const HEARTBEAT: u16 = 6;

/// When something last changed on the line.
#[derive(Clone, Copy, Debug, Default)]
pub struct Times {
    /// A level that is not the one before was answered; the level.
    pub answered: Option<(i32, Instant)>,
    /// After that a lamp or the horn was switched over for the first time.
    pub lit: Option<Instant>,
}

/// A gauge as unit 1 and a relay unit as unit 2 at the far end of a line.
pub struct Peer {
    /// The gauge's register, in tenths of a millibar of vacuum.
    pub level: Arc<AtomicI32>,
    /// Held replies: the answer to each request comes only with the next.
    pub late: Arc<AtomicBool>,
    /// Whether it sends bytes without sense all the time.
    pub babble: Arc<AtomicBool>,
    coils: Arc<Mutex<BTreeMap<u16, bool>>>,
    times: Arc<Mutex<Times>>,
    stop: Arc<AtomicBool>,
    thread: Option<thread::JoinHandle<()>>,
}

impl Peer {
    /// A peer whose line `link` points to, with this level to begin with.
    pub fn on(link: &Path, level: i32) -> Self {
        let pty = Pty::new(link);
        let mut peer = Peer {
            level: Arc::new(AtomicI32::new(level)),
            late: Arc::default(),
            babble: Arc::default(),
            coils: Arc::default(),
            times: Arc::default(),
            stop: Arc::default(),
            thread: None,
        };
        let (level, late, babble) = (Arc::clone(&peer.level), Arc::clone(&peer.late), Arc::clone(&peer.babble));
        let (coils, times, stop) = (Arc::clone(&peer.coils), Arc::clone(&peer.times), Arc::clone(&peer.stop));
        peer.thread = Some(thread::spawn(move || {
            let mut device = pty.device();
            let mut receiver = RequestReceiver::default();
            let mut held = Vec::new();
            while !stop.load(Ordering::Relaxed) {
                if babble.load(Ordering::Relaxed) {
                    let _ = device.write(&[0x5A; 64]);
                }
                let mut ready = [PollFd::new(&pty.near, PollFlags::IN)];
                let wait = Timespec { tv_sec: 0, tv_nsec: 2_000_000 };
                if poll(&mut ready, Some(&wait)).unwrap() == 0 {
                    continue;
                }
                let mut bytes = [0; 256];
                let Ok(count) = device.read(&mut bytes) else { continue };
                receiver.push(&bytes[..count]);
                while let Some(asked) = receiver.next() {
                    let Ok(request) = &asked.request else { continue };
                    let before = coils.lock().unwrap().clone();
                    let Some(reply) = answer(asked.unit, request, &level, &coils) else { continue };
                    times.lock().unwrap().note(&reply, &before, &coils.lock().unwrap());
                    let frame = asked.reply(&reply);
                    let frame = if late.load(Ordering::Relaxed) { std::mem::replace(&mut held, frame) } else { frame };
                    device.write_all(&frame).unwrap();
                }
            }
        }));
        peer
    }

    /// When something last changed.
    pub fn times(&self) -> Times {
        *self.times.lock().unwrap()
    }

    /// The relays as they were last written.
    pub fn coils(&self) -> BTreeMap<u16, bool> {
        self.coils.lock().unwrap().clone()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

impl Times {
    fn note(&mut self, reply: &Reply, before: &BTreeMap<u16, bool>, after: &BTreeMap<u16, bool>) {
        let now = Instant::now();
        if let Reply::Registers(registers) = reply {
            let level = i32::from(registers[0]);
            if self.answered.is_none_or(|(before, _)| before != level) {
                (self.answered, self.lit) = (Some((level, now)), None);
            }
        }
        let lamps = |coils: &BTreeMap<u16, bool>| coils.range(..HEARTBEAT).map(|(_, on)| *on).collect::<Vec<_>>();
        if lamps(before) != lamps(after) {
            self.lit.get_or_insert(now);
        }
    }
}

/// What unit 1, the gauge, and unit 2, the relays, answer.
fn answer(unit: u8, request: &Request, level: &AtomicI32, coils: &Mutex<BTreeMap<u16, bool>>) -> Option<Reply> {
    match (unit, request) {
        (1, Request::ReadInput { address: 0, count: 1 }) => {
            Some(Reply::Registers(vec![level.load(Ordering::Relaxed) as u16]))
        }
        (1 | 2, Request::Loopback { .. }) => Some(Reply::Done),
        (2, Request::WriteCoil { address, on }) => {
            coils.lock().unwrap().insert(*address, *on);
            Some(Reply::Done)
        }
        (2, Request::WriteCoils { address, on }) => {
            coils.lock().unwrap().extend((*address..).zip(on.iter().copied()));
            Some(Reply::Done)
        }
        (_, _) => None,
    }
}

/// The demo's setup on a line of ours, its page on any free port: the setup's file and where the line is to be.
pub fn table_on(folder: &Path) -> (PathBuf, PathBuf) {
    let link = folder.join("line");
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/demo.toml")).unwrap();
    let text = text.replace("/dev/serial/by-id/simulated", link.to_str().unwrap());
    let text = text.replace("[jobs]\ncards = \"cards\"\n", "");
    let file = folder.join("table.toml");
    let more = format!("\n[page]\nlisten = \"{}\"\n[journal]\npath = \"journal.db\"\n", free_page());
    std::fs::write(&file, text + &more).unwrap();
    (file, link)
}
