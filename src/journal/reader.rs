//! Looking into a journal.

use std::collections::BTreeMap;
use std::path::Path;

use super::desk::{self, cause, decoded};
use super::file::{self, Looks};
use super::link::{Pool, Value, Wire};
use super::pending::BLACK_BOX;
use super::tallies;
use super::tally::{HOUR, MINUTE, Tally, start_of};
use super::{Bucket, JournalError, KeptEntry, KeptGap, KeptReading, KeptSnapshot, Played, Where, Window, codec};
use crate::event::{GaugeId, Seq};
use crate::moment::{BootId, Moment, Steady, Utc};

/// Chunks read at once.
const PAGE: i64 = 500;
/// Rows of entries and gaps read at most.
const MOST_ROWS: u32 = 100_000;
/// Buckets given at most.
const MOST_POINTS: u32 = 10_000;
/// From this width of a bucket on, minutes are as good as raw readings, and hours as good as minutes from sixty times it.
const COARSE: i64 = 20_000_000;

/// A journal to look into; clones share their connections.
#[derive(Clone)]
pub struct Journal {
    place: Where,
    pool: Pool,
}

/// Readings of a window, page by page; each gauge's in the order of their numbers.
pub struct Readings {
    pool: Pool,
    gauge: Option<GaugeId>,
    window: Window,
    spans: Vec<(i64, i64)>,
}

/// A snapshot, and page by page what happened after it.
pub struct BlackBox {
    /// Where a replay begins.
    pub snapshot: KeptSnapshot,
    pool: Pool,
    next: i64,
}

impl Journal {
    /// Opens a journal only to look, as `report`, `export` and `replay` do beside a running daemon.
    ///
    /// # Errors
    /// As [`super::open`], but a journal in use is no obstacle.
    pub async fn look(place: &Where) -> Result<Self, JournalError> {
        if let Where::Sqlite(path) = place {
            let form = match file::look(path)? {
                Looks::Database => desk::form_of(path).await?,
                Looks::New if !path.exists() => {
                    let source = std::io::ErrorKind::NotFound.into();
                    return Err(JournalError::File { path: path.clone(), source });
                }
                Looks::New | Looks::Garbage => 0,
            };
            if form == 0 {
                return Err(JournalError::Stranger(path.display().to_string()));
            }
        }
        let journal = Journal::of(place)?;
        journal.pool.look().await?.wire().number("SELECT max(value) FROM mark", &[]).await?;
        Ok(journal)
    }

    /// The readers of a journal that is open.
    pub(super) fn of(place: &Where) -> Result<Self, JournalError> {
        Ok(Journal { place: place.clone(), pool: Pool::of(place)? })
    }

    /// Closes the readers' connections, those of all clones.
    pub async fn close(&self) {
        self.pool.close().await;
    }

    /// A gauge's window in about `points` buckets; buckets without readings are left out.
    ///
    /// Buckets of twenty seconds and more are whole minutes, those of twenty minutes and more whole hours, so the window is
    /// widened to them; where raw readings are kept no longer, there is a bucket for each minute. The lowest and the highest
    /// level are those of the raw readings at any width. Readings without calendar time are in no bucket.
    ///
    /// # Errors
    /// What the database says.
    pub async fn history(&self, gauge: GaugeId, window: Window, points: u32) -> Result<Vec<Bucket>, JournalError> {
        let asked = window.to.micros().saturating_sub(window.from.micros());
        if asked <= 0 {
            return Ok(Vec::new());
        }
        let fine = asked.saturating_add(i64::from(points) - 1) / i64::from(points.clamp(1, MOST_POINTS));
        let mut look = self.pool.look().await?;
        History::of(gauge, window, fine.max(1)).read(&mut look.wire()).await
    }

    /// The newest `limit` entries of a window, oldest first, of one kind or of all.
    ///
    /// # Errors
    /// What the database says.
    pub async fn entries(
        &self,
        kind: Option<&str>,
        window: Window,
        limit: u32,
    ) -> Result<Vec<KeptEntry>, JournalError> {
        let of_a_kind = "SELECT seq, kind, version, boot, steady, civil, synced, body FROM entry
            WHERE kind = $4 AND civil >= $1 AND civil < $2 ORDER BY seq DESC LIMIT $3";
        let of_all = "SELECT seq, kind, version, boot, steady, civil, synced, body FROM entry
            WHERE civil >= $1 AND civil < $2 ORDER BY seq DESC LIMIT $3";
        let [from, to] = bounds(window);
        let limit = Value::Int(limit.min(MOST_ROWS).into());
        let mut look = self.pool.look().await?;
        let rows = match kind {
            Some(kind) => look.wire().rows(of_a_kind, &[from, to, limit, Value::Text(kind)]).await?,
            None => look.wire().rows(of_all, &[from, to, limit]).await?,
        };
        rows.into_iter().rev().map(kept_entry).collect()
    }

    /// The newest entry of a kind.
    ///
    /// # Errors
    /// What the database says.
    pub async fn last_entry(&self, kind: &str) -> Result<Option<KeptEntry>, JournalError> {
        let sql = "SELECT seq, kind, version, boot, steady, civil, synced, body FROM entry
            WHERE kind = $1 ORDER BY seq DESC LIMIT 1";
        self.pool.look().await?.wire().row(sql, &[Value::Text(kind)]).await?.map(kept_entry).transpose()
    }

    /// The newest `limit` gaps that touch a window, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn gaps(&self, window: Window, limit: u32) -> Result<Vec<KeptGap>, JournalError> {
        let sql = "SELECT id, gauge, cause, civil_from, civil_to FROM gap
            WHERE civil_to >= $1 AND (civil_from IS NULL OR civil_from < $2) ORDER BY id DESC LIMIT $3";
        let [from, to] = bounds(window);
        let limit = Value::Int(limit.min(MOST_ROWS).into());
        let rows = self.pool.look().await?.wire().rows(sql, &[from, to, limit]).await?;
        rows.into_iter().rev().map(kept_gap).collect()
    }

    /// The readings of a window, of one gauge or of all, to be taken page by page.
    ///
    /// # Errors
    /// What the database says.
    pub async fn readings(&self, gauge: Option<GaugeId>, window: Window) -> Result<Readings, JournalError> {
        let mut look = self.pool.look().await?;
        let mut wire = look.wire();
        let gauges = match gauge {
            Some(gauge) => vec![gauge],
            None => tallies::gauges(&mut wire).await?,
        };
        let mut spans = vec![(desk::mark(&mut wire, "rolled_chunk").await?.unwrap_or(0), i64::MAX)];
        let minutes = (start_of(window.from, MINUTE), window.to.micros());
        for gauge in gauges {
            let minutes = tallies::within(&mut wire, gauge, MINUTE, minutes).await?;
            spans.extend(minutes.iter().map(|minute| (minute.first_chunk, minute.last_chunk)));
        }
        let mut spans = joined(spans);
        spans.reverse();
        Ok(Readings { pool: self.pool.clone(), gauge, window, spans })
    }

    /// The newest snapshot taken before `time`, or without a time the oldest, and everything after it; `None` if there is no
    /// such snapshot.
    ///
    /// # Errors
    /// What the database says.
    pub async fn black_box(&self, time: Option<Utc>) -> Result<Option<BlackBox>, JournalError> {
        let (sql, before) = match time {
            Some(time) => {
                let newest =
                    "SELECT chunk, seq, civil, bytes FROM snapshot WHERE civil < $1 ORDER BY chunk DESC LIMIT 1";
                (newest, time.micros())
            }
            None => {
                let oldest = "SELECT chunk, seq, civil, bytes FROM snapshot WHERE chunk >= $1 ORDER BY chunk LIMIT 1";
                (oldest, i64::MIN)
            }
        };
        type Row = (i64, i64, Option<i64>, Vec<u8>);
        let found: Option<Row> = self.pool.look().await?.wire().row(sql, &[Value::Int(before)]).await?;
        let Some((next, seq, civil, bytes)) = found else { return Ok(None) };
        let damaged = |what| JournalError::Damaged { table: "snapshot", row: next, what };
        let bytes = codec::decode_state(&bytes).map_err(damaged)?;
        let snapshot = KeptSnapshot { seq: Seq(seq.cast_unsigned()), at: civil.map(Utc::from_micros), bytes };
        Ok(Some(BlackBox { snapshot, pool: self.pool.clone(), next }))
    }

    /// Writes a copy of the journal to `FILE.copy` beside it and checks it; it takes the journal's place should that be found
    /// damaged. With PostgreSQL nothing is done: copies are the server's matter.
    ///
    /// # Errors
    /// What the database or the file system says; the copy before stays.
    pub async fn copy(&self) -> Result<(), JournalError> {
        match &self.place {
            Where::Sqlite(path) => self.copy_to(&file::beside(path, ".copy")).await,
            Where::Postgres(_) => Ok(()),
        }
    }

    async fn copy_to(&self, path: &Path) -> Result<(), JournalError> {
        match &self.pool {
            Pool::Sqlite(pool) => desk::copy(&mut Wire::Sqlite(&mut *pool.acquire().await?), path).await,
            Pool::Postgres(_) => Ok(()),
        }
    }
}

impl Readings {
    /// The next page; `None` after the last.
    ///
    /// # Errors
    /// What the database says, or [`JournalError::Damaged`].
    pub async fn next(&mut self) -> Result<Option<Vec<KeptReading>>, JournalError> {
        let Some((first, last)) = self.spans.pop() else { return Ok(None) };
        let mut look = self.pool.look().await?;
        let chunks = chunks(&mut look.wire(), self.gauge, (first, last), PAGE).await?;
        if let Some((end, _)) = chunks.last().filter(|_| chunks.len() >= PAGE as usize) {
            self.spans.push((end.saturating_add(1), last));
        }
        let mut readings: Vec<KeptReading> = chunks.into_iter().flat_map(|(_, readings)| readings).collect();
        readings.retain(|kept| kept.at.civil.is_some_and(|civil| is_within(civil, self.window)));
        readings.sort_by_key(|kept| kept.seq);
        Ok(Some(readings))
    }
}

impl BlackBox {
    /// The next page; `None` after the last that is on disk now.
    ///
    /// # Errors
    /// What the database says, or [`JournalError::Damaged`].
    pub async fn next(&mut self) -> Result<Option<Vec<Played>>, JournalError> {
        let sql = "SELECT id, bytes FROM chunk WHERE channel = $1 AND id >= $2 ORDER BY id LIMIT $3";
        let values = [Value::Int(BLACK_BOX), Value::Int(self.next), Value::Int(PAGE)];
        let rows: Vec<(i64, Vec<u8>)> = self.pool.look().await?.wire().rows(sql, &values).await?;
        let Some((last, _)) = rows.last() else { return Ok(None) };
        self.next = last.saturating_add(1);
        let mut played = Vec::new();
        for (row, bytes) in &rows {
            let pieces = codec::decode_pieces(bytes);
            played.extend(pieces.map_err(|what| JournalError::Damaged { table: "chunk", row: *row, what })?);
        }
        Ok(Some(played))
    }
}

/// The buckets of a window as they are put together.
struct History {
    gauge: GaugeId,
    /// The width of the tallies that are read; `None` for raw readings.
    tier: Option<i64>,
    window: Window,
    width: i64,
    buckets: BTreeMap<i64, Tally>,
}

impl History {
    fn of(gauge: GaugeId, window: Window, fine: i64) -> Self {
        let tier = match fine {
            fine if fine >= COARSE.saturating_mul(60) => Some(HOUR),
            fine if fine >= COARSE => Some(MINUTE),
            _ => None,
        };
        let (width, window) = match tier {
            None => (fine, window),
            Some(tier) => {
                let whole = |time: Utc| Utc::from_micros(start_of(time, tier));
                let last = Utc::from_micros(window.to.micros().saturating_sub(1));
                let to = whole(last).micros().saturating_add(tier);
                let width = fine.saturating_add(tier - 1) / tier * tier;
                (width, Window { from: whole(window.from), to: Utc::from_micros(to) })
            }
        };
        History { gauge, tier, window, width, buckets: BTreeMap::new() }
    }

    async fn read(mut self, wire: &mut Wire<'_>) -> Result<Vec<Bucket>, JournalError> {
        match self.tier {
            Some(tier) => {
                for tally in tallies::within(wire, self.gauge, tier, micros(self.window)).await? {
                    self.add(tally.start, tally.tally);
                }
            }
            None => self.read_raw(wire).await?,
        }
        for (_, kept) in desk::not_rolled(wire).await? {
            self.add_reading(&kept);
        }
        let Window { from, to } = self.window;
        let bucket = |(number, tally): (i64, Tally)| {
            let start = from.micros().saturating_add(number.saturating_mul(self.width));
            let end = start.saturating_add(self.width).min(to.micros());
            tally.bucket(Window { from: Utc::from_micros(start), to: Utc::from_micros(end) })
        };
        Ok(self.buckets.into_iter().map(bucket).collect())
    }

    /// Reads the chunks that the minutes of the window name, and where they are kept no longer the minutes themselves.
    async fn read_raw(&mut self, wire: &mut Wire<'_>) -> Result<(), JournalError> {
        let rolled = Seq(desk::mark(wire, "rolled_seq").await?.unwrap_or(0).cast_unsigned());
        let oldest = wire.number("SELECT min(id) FROM chunk", &[]).await?.unwrap_or(i64::MAX);
        let minutes = (start_of(self.window.from, MINUTE), self.window.to.micros());
        let mut spans = Vec::new();
        for minute in tallies::within(wire, self.gauge, MINUTE, minutes).await? {
            if minute.first_chunk >= oldest {
                spans.push((minute.first_chunk, minute.last_chunk));
            } else {
                self.add(minute.start.max(self.window.from.micros()), minute.tally);
            }
        }
        for (mut first, last) in joined(spans) {
            loop {
                let chunks = chunks(wire, Some(self.gauge), (first, last), PAGE).await?;
                let read = chunks.len();
                for (row, readings) in chunks {
                    first = row.saturating_add(1);
                    readings.iter().filter(|kept| kept.seq <= rolled).for_each(|kept| self.add_reading(kept));
                }
                if read < PAGE as usize {
                    break;
                }
            }
        }
        Ok(())
    }

    fn add_reading(&mut self, kept: &KeptReading) {
        if let (Some(civil), Some(tally)) = (kept.at.civil, Tally::of(&kept.reading))
            && kept.reading.gauge == self.gauge
            && is_within(civil, self.window)
        {
            self.add(civil.micros(), tally);
        }
    }

    fn add(&mut self, time: i64, tally: Tally) {
        let number = time.saturating_sub(self.window.from.micros()) / self.width;
        self.buckets.entry(number).and_modify(|kept| *kept = kept.with(tally)).or_insert(tally);
    }
}

/// The readings of the first `limit` chunks with numbers within a span, its end included, each chunk with its number.
async fn chunks(
    wire: &mut Wire<'_>,
    gauge: Option<GaugeId>,
    (first, last): (i64, i64),
    limit: i64,
) -> Result<Vec<(i64, Vec<KeptReading>)>, JournalError> {
    let of_one = "SELECT id, channel, bytes FROM chunk
        WHERE id >= $1 AND id <= $2 AND channel = $4 ORDER BY id LIMIT $3";
    let of_all = "SELECT id, channel, bytes FROM chunk
        WHERE id >= $1 AND id <= $2 AND channel <> $4 ORDER BY id LIMIT $3";
    let (sql, channel) = match gauge {
        Some(gauge) => (of_one, gauge.0.into()),
        None => (of_all, BLACK_BOX),
    };
    let values = [Value::Int(first), Value::Int(last), Value::Int(limit), Value::Int(channel)];
    let rows: Vec<(i64, i64, Vec<u8>)> = wire.rows(sql, &values).await?;
    rows.into_iter().map(|(row, channel, bytes)| Ok((row, decoded(row, channel, &bytes)?))).collect()
}

/// Spans in order, those that touch joined.
fn joined(mut spans: Vec<(i64, i64)>) -> Vec<(i64, i64)> {
    spans.sort_unstable();
    let mut joined: Vec<(i64, i64)> = Vec::new();
    for (first, last) in spans {
        match joined.last_mut() {
            Some((_, end)) if first <= end.saturating_add(1) => *end = last.max(*end),
            _ => joined.push((first, last)),
        }
    }
    joined
}

fn is_within(time: Utc, window: Window) -> bool {
    window.from <= time && time < window.to
}

fn micros(window: Window) -> (i64, i64) {
    (window.from.micros(), window.to.micros())
}

fn bounds(window: Window) -> [Value<'static>; 2] {
    [Value::Int(window.from.micros()), Value::Int(window.to.micros())]
}

/// An entry's row: number, kind, version, boot, steady and calendar time, whether synced, body.
type EntryRow = (i64, String, i64, i64, i64, Option<i64>, i64, String);

fn kept_entry((seq, kind, version, boot, steady, civil, synced, body): EntryRow) -> Result<KeptEntry, JournalError> {
    let version = u16::try_from(version);
    let version = version.map_err(|e| JournalError::Damaged { table: "entry", row: seq, what: e.to_string() })?;
    let at = Moment {
        boot: BootId(boot.cast_unsigned()),
        steady: Steady::from_nanos(steady.cast_unsigned()),
        civil: civil.map(Utc::from_micros),
        synced: synced != 0,
    };
    Ok(KeptEntry { seq: Seq(seq.cast_unsigned()), at, kind, version, body })
}

/// A gap's row: number, gauge, cause, calendar times.
type GapColumns = (i64, Option<i64>, String, Option<i64>, Option<i64>);

fn kept_gap((row, gauge, word, from, to): GapColumns) -> Result<KeptGap, JournalError> {
    let damaged = |what: String| JournalError::Damaged { table: "gap", row, what };
    let cause = cause(&word).ok_or_else(|| damaged(format!("the cause {word:?} is not known")))?;
    let gauge = gauge.map(u16::try_from).transpose().map_err(|e| damaged(e.to_string()))?.map(GaugeId);
    Ok(KeptGap { gauge, cause, from: from.map(Utc::from_micros), to: to.map(Utc::from_micros) })
}
