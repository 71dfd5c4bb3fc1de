//! What waits to be written: gathered as it comes, bounded, and sealed into a batch of rows.

use super::codec;
use super::tally::{Minute, Roller};
use super::{KeptEntry, KeptReading, Limits, Played, Write};
use crate::event::{Fact, GapCause, GaugeId, Record, Seq};
use crate::moment::{BootId, Moment, Steady};

/// The channel of a chunk that holds a piece of the black box.
pub(super) const BLACK_BOX: i64 = -1;
/// Readings in one chunk at most.
const READINGS_PER_CHUNK: usize = 1000;
/// Commits after which the black box is written at the latest; fewer and longer rows touch fewer pages.
const COMMITS_PER_TAPE: u32 = 60;
/// Bytes of the black box in one chunk at most, save for a piece that is longer by itself.
const BYTES_PER_CHUNK: usize = 64 << 10;

/// A row of readings or of the black box.
#[derive(Debug)]
pub(super) struct ChunkRow {
    pub(super) id: i64,
    pub(super) channel: i64,
    pub(super) last_seq: Seq,
    pub(super) bytes: Vec<u8>,
}

/// A row that says why there are no readings.
#[derive(Clone, Debug)]
pub(super) struct GapRow {
    pub(super) id: i64,
    pub(super) seq: Option<Seq>,
    pub(super) gauge: Option<GaugeId>,
    pub(super) cause: GapCause,
    pub(super) steady_from: Option<Steady>,
    pub(super) civil_from: Option<i64>,
    pub(super) to: Moment,
}

/// A state of the minder, and the first chunk after it.
#[derive(Debug)]
pub(super) struct SnapshotRow {
    pub(super) chunk: i64,
    pub(super) seq: Seq,
    pub(super) civil: Option<i64>,
    pub(super) bytes: Vec<u8>,
}

/// Minutes that ended, the last reading in them, and a chunk at or before the first reading after it.
#[derive(Debug)]
pub(super) struct Rolled {
    pub(super) minutes: Vec<Minute>,
    pub(super) seq: Seq,
    pub(super) chunk: i64,
}

/// Rows to be committed together; writing them twice leaves them once.
#[derive(Debug)]
pub(super) struct Batch {
    pub(super) chunks: Vec<ChunkRow>,
    pub(super) entries: Vec<KeptEntry>,
    pub(super) gaps: Vec<GapRow>,
    pub(super) snapshots: Vec<SnapshotRow>,
    pub(super) rolled: Option<Rolled>,
    /// The number up to which everything is kept once this is.
    pub(super) last: Seq,
}

impl Batch {
    /// A batch without rows, after the record `last`.
    pub(super) fn nothing_after(last: Seq) -> Self {
        Batch { chunks: Vec::new(), entries: Vec::new(), gaps: Vec::new(), snapshots: Vec::new(), rolled: None, last }
    }
}

/// The next numbers of rows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Counters {
    pub(super) chunk: i64,
    pub(super) gap: i64,
}

fn next(counter: &mut i64) -> i64 {
    let number = *counter;
    *counter = counter.saturating_add(1);
    number
}

/// What waits to be written.
#[derive(Debug)]
pub(super) struct Pending {
    limits: Limits,
    /// Whether readings and the black box are dropped because there is no room for them on the disk.
    pub(super) entries_only: bool,
    last: Seq,
    readings: Vec<KeptReading>,
    entries: Vec<KeptEntry>,
    gaps: Vec<GapRow>,
    tape: Vec<Taped>,
    tape_bytes: usize,
    /// Commits that the black box was not part of.
    tape_waited: u32,
    unsaved: Option<Unsaved>,
    dropped: u64,
}

/// What belongs to the black box.
#[derive(Debug)]
enum Taped {
    Played(Played),
    Snapshot { seq: Seq, at: Moment, bytes: Vec<u8> },
}

/// A span in which things are being dropped.
#[derive(Clone, Copy, Debug)]
struct Unsaved {
    id: Option<i64>,
    from: Moment,
    to: Moment,
    /// Whether it grew since it was last sealed.
    grew: bool,
}

impl Pending {
    /// Nothing yet, after the record `last`.
    pub(super) fn after(last: Seq, limits: Limits) -> Self {
        Pending {
            limits,
            entries_only: false,
            last,
            readings: Vec::new(),
            entries: Vec::new(),
            gaps: Vec::new(),
            tape: Vec::new(),
            tape_bytes: 0,
            tape_waited: 0,
            unsaved: None,
            dropped: 0,
        }
    }

    /// How many readings and entries were dropped.
    pub(super) fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Whether there is nothing to write.
    pub(super) fn is_empty(&self) -> bool {
        let unsaved = self.unsaved.is_some_and(|u| u.grew);
        self.readings.is_empty() && self.entries.is_empty() && self.gaps.is_empty() && self.tape.is_empty() && !unsaved
    }

    /// Takes in what is to be kept.
    pub(super) fn take(&mut self, write: Write) {
        match write {
            Write::Record(record) => self.record(record),
            Write::BlackBox(piece) => {
                if self.makes_room(piece.len()) {
                    self.tape.push(Taped::Played(Played::Piece(piece)));
                } else if !matches!(self.tape.last(), Some(Taped::Played(Played::Hole))) {
                    self.tape.push(Taped::Played(Played::Hole));
                }
            }
            Write::Snapshot { seq, at, bytes } => {
                if self.makes_room(bytes.len()) {
                    self.tape.push(Taped::Snapshot { seq, at, bytes });
                }
            }
            Write::Flush | Write::Close => {}
        }
    }

    /// Whether so many more bytes of the black box may wait; they are counted if so.
    fn makes_room(&mut self, bytes: usize) -> bool {
        let with_these = self.tape_bytes.saturating_add(bytes).saturating_add(size_of::<Taped>());
        let fits = !self.entries_only && with_these <= self.limits.black_box;
        if fits {
            self.tape_bytes = with_these;
        }
        fits
    }

    fn record(&mut self, Record { seq, at, fact }: Record) {
        if seq <= self.last {
            tracing::warn!(seq = seq.0, last = self.last.0, "a record whose number does not grow is not kept");
            return;
        }
        self.last = seq;
        match fact {
            Fact::Reading(_) if self.entries_only || self.readings.len() >= self.limits.readings => self.drop_one(at),
            Fact::Reading(reading) => {
                self.end_unsaved();
                self.readings.push(KeptReading { seq, at, reading });
            }
            _ if self.entries.len() + self.gaps.len() >= self.limits.entries => self.drop_one(at),
            Fact::Gap { gauge, from, cause } => {
                let civil_from = at.civil.map(|civil| {
                    let micros = (at.steady.since(from).nanos() / 1000).cast_signed();
                    civil.micros().saturating_sub(micros)
                });
                let (seq, gauge, steady_from) = (Some(seq), Some(gauge), Some(from));
                self.gaps.push(GapRow { id: 0, seq, gauge, cause, steady_from, civil_from, to: at });
            }
            // PostgreSQL's text cannot hold the character of number 0, and JSON writes it as an escape.
            Fact::Entry { kind, version, body } => self.entries.push(KeptEntry {
                seq,
                at,
                kind: kind.replace('\0', "\u{fffd}"),
                version,
                body: body.replace('\0', "\u{fffd}"),
            }),
        }
    }

    fn drop_one(&mut self, at: Moment) {
        self.dropped += 1;
        let unsaved = self.unsaved.get_or_insert(Unsaved { id: None, from: at, to: at, grew: true });
        unsaved.to = at;
        unsaved.grew = true;
    }

    /// Closes the span of dropped things, now that a reading is kept again.
    fn end_unsaved(&mut self) {
        if let Some(unsaved) = self.unsaved.take().filter(|u| u.grew) {
            self.gaps.push(unsaved.row(unsaved.id.unwrap_or(0)));
        }
    }

    /// What waits, as rows with their numbers; a span of dropped things stays open and keeps its number. The black box goes
    /// along with entries and snapshots, at every sixtieth time, and at the `end`.
    pub(super) fn seal(&mut self, counters: &mut Counters, roller: &mut Roller, end: bool) -> Batch {
        let first_chunk = counters.chunk;
        let readings = std::mem::take(&mut self.readings);
        let mut chunks = chunk_readings(&readings, counters);
        let span = (first_chunk, counters.chunk.saturating_sub(1));
        readings.iter().for_each(|kept| roller.count(kept, span));
        let rolled = roller.ended().map(|(minutes, seq)| Rolled { minutes, seq, chunk: first_chunk });

        let with_tape = end || self.is_tape_due();
        let mut gaps = std::mem::take(&mut self.gaps);
        gaps.iter_mut().filter(|gap| gap.id == 0).for_each(|gap| gap.id = next(&mut counters.gap));
        if let Some(unsaved) = self.unsaved.as_mut().filter(|u| u.grew) {
            let id = *unsaved.id.get_or_insert_with(|| next(&mut counters.gap));
            unsaved.grew = false;
            gaps.push(unsaved.row(id));
        }
        let mut snapshots = Vec::new();
        if with_tape {
            (self.tape_bytes, self.tape_waited) = (0, 0);
            snapshots = chunk_tape(std::mem::take(&mut self.tape), self.last, counters, &mut chunks);
        } else {
            self.tape_waited += 1;
        }
        Batch { chunks, entries: std::mem::take(&mut self.entries), gaps, snapshots, rolled, last: self.last }
    }

    fn is_tape_due(&self) -> bool {
        let others = !self.entries.is_empty() || !self.gaps.is_empty();
        let snapshot = self.tape.iter().any(|taped| matches!(taped, Taped::Snapshot { .. }));
        others || snapshot || self.tape_bytes >= BYTES_PER_CHUNK || self.tape_waited + 1 >= COMMITS_PER_TAPE
    }
}

impl Unsaved {
    fn row(self, id: i64) -> GapRow {
        GapRow {
            id,
            seq: None,
            gauge: None,
            cause: GapCause::NotSaved,
            steady_from: (self.from.boot == self.to.boot).then_some(self.from.steady),
            civil_from: self.from.civil.map(|civil| civil.micros()),
            to: self.to,
        }
    }
}

/// Readings as chunks, the one with the newest reading last.
fn chunk_readings(readings: &[KeptReading], counters: &mut Counters) -> Vec<ChunkRow> {
    let mut by_gauge: Vec<((GaugeId, BootId), Vec<KeptReading>)> = Vec::new();
    for kept in readings {
        let key = (kept.reading.gauge, kept.at.boot);
        match by_gauge.iter_mut().rev().find(|(k, run)| *k == key && run.len() < READINGS_PER_CHUNK) {
            Some((_, run)) => run.push(*kept),
            None => by_gauge.push((key, vec![*kept])),
        }
    }
    let last_seq = |run: &[KeptReading]| run.last().map_or(Seq(0), |kept| kept.seq);
    by_gauge.sort_by_key(|(_, run)| last_seq(run));
    let row = |((gauge, boot), run): &((GaugeId, BootId), Vec<KeptReading>)| ChunkRow {
        id: next(&mut counters.chunk),
        channel: gauge.0.into(),
        last_seq: last_seq(run),
        bytes: codec::encode(*boot, run),
    };
    by_gauge.iter().map(row).collect()
}

/// The black box as chunks, cut at every snapshot.
fn chunk_tape(
    tape: Vec<Taped>,
    last_seq: Seq,
    counters: &mut Counters,
    chunks: &mut Vec<ChunkRow>,
) -> Vec<SnapshotRow> {
    let mut snapshots = Vec::new();
    let mut run = Run::default();
    for taped in tape {
        match taped {
            Taped::Played(Played::Piece(piece)) => {
                if run.bytes.saturating_add(piece.len()) > BYTES_PER_CHUNK {
                    run.end(last_seq, counters, chunks);
                }
                run.bytes = run.bytes.saturating_add(piece.len());
                run.pieces.push(piece);
            }
            Taped::Played(Played::Hole) => {
                run.end(last_seq, counters, chunks);
                run.after_a_hole = true;
            }
            Taped::Snapshot { seq, at, bytes } => {
                run.end(last_seq, counters, chunks);
                let civil = at.civil.map(|civil| civil.micros());
                let bytes = codec::encode_state(&bytes);
                snapshots.push(SnapshotRow { chunk: counters.chunk, seq, civil, bytes });
            }
        }
    }
    run.end(last_seq, counters, chunks);
    snapshots
}

/// Pieces that go into one chunk.
#[derive(Default)]
struct Run {
    after_a_hole: bool,
    pieces: Vec<Vec<u8>>,
    bytes: usize,
}

impl Run {
    fn end(&mut self, last_seq: Seq, counters: &mut Counters, chunks: &mut Vec<ChunkRow>) {
        let run = std::mem::take(self);
        if run.pieces.is_empty() && !run.after_a_hole {
            return;
        }
        let bytes = codec::encode_pieces(run.after_a_hole, run.pieces.iter().map(Vec::as_slice));
        chunks.push(ChunkRow { id: next(&mut counters.chunk), channel: BLACK_BOX, last_seq, bytes });
    }
}
