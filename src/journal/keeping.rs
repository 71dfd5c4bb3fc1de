//! What is old is deleted, a little at a time.

use super::Keep;
use super::desk::{mark, set_mark};
use super::link::{Link, Value, Wire};
use super::pending::BLACK_BOX;
use super::tallies;
use super::tally::{MINUTE, start_of};
use crate::moment::{Span, Utc};

/// Rows deleted in one transaction at most.
const ROWS: i64 = 2000;
/// Rounds of the writer from one look for what is old to the next: a minute of them.
const EVERY: u32 = 60;
const SECOND: i64 = 1_000_000;

/// Says when to look for what is old: at the first round, and from then on once in [`EVERY`] rounds.
#[derive(Debug, Default)]
pub(super) struct Sweeper {
    rounds_to_wait: u32,
}

impl Sweeper {
    /// Counts a round; whether to look now.
    pub(super) fn is_due(&mut self) -> bool {
        let due = self.rounds_to_wait == 0;
        self.rounds_to_wait = self.rounds_to_wait.saturating_sub(1);
        due
    }

    /// Notes that a sweep is done, and whether it left something to do in the next round.
    pub(super) fn swept(&mut self, more: bool) {
        self.rounds_to_wait = if more { 0 } else { EVERY };
    }
}

/// Deletes a little of what is old, as of `now` in microseconds since 1970; whether there is more.
pub(super) async fn sweep(link: &mut Link, keep: Keep, now: Option<i64>) -> Result<bool, sqlx::Error> {
    let mut more = false;
    if let Some(cut) = chunks_end(link, keep, now).await? {
        more |= delete_chunks(link, cut).await?;
    }
    more |= sweep_black_box(link, keep).await?;
    if let Some(now) = now {
        more |= delete_minutes(link, minute_before(now, keep.minutes)).await?;
    }
    Ok(more)
}

/// The start of the minute that lies so long before.
fn minute_before(now: i64, span: Span) -> i64 {
    start_of(Utc::from_micros(now.saturating_sub((span.nanos() / 1000).cast_signed())), MINUTE)
}

/// The chunk before which all are too old or too many.
async fn chunks_end(link: &mut Link, keep: Keep, now: Option<i64>) -> Result<Option<i64>, sqlx::Error> {
    let too_many = exceeds(link, keep.bytes).await?;
    let mut wire = link.wire();
    let Some(rolled) = mark(&mut wire, "rolled_chunk").await? else { return Ok(None) };
    let Some(oldest) = wire.number("SELECT min(id) FROM chunk", &[]).await? else { return Ok(None) };
    let mut cut = oldest;
    if let Some(now) = now {
        cut = first_young(&mut wire, minute_before(now, keep.readings)).await?.unwrap_or(cut);
    }
    if too_many {
        cut = cut.max(oldest.saturating_add(ROWS));
    }
    Ok(Some(cut.min(rolled)).filter(|cut| *cut > oldest))
}

/// The first chunk that holds a reading not older than a time. It is the least of all, not the first in calendar order, so
/// that a minute with a wrong date can only keep too much.
async fn first_young(wire: &mut Wire<'_>, time: i64) -> Result<Option<i64>, sqlx::Error> {
    let mut first = None;
    for gauge in tallies::gauges(wire).await? {
        let sql = "SELECT min(first_chunk) FROM tally WHERE gauge = $1 AND width = $2 AND start >= $3";
        let values = [Value::Int(gauge.0.into()), Value::Int(MINUTE / SECOND), Value::Int(time)];
        let young = wire.number(sql, &values).await?;
        first = first.into_iter().chain(young).min();
    }
    Ok(first)
}

/// Whether the file holds more than so many bytes; a server's disk is its keeper's matter.
async fn exceeds(link: &mut Link, bytes: u64) -> Result<bool, sqlx::Error> {
    if matches!(link, Link::Postgres(_)) {
        return Ok(false);
    }
    let mut wire = link.wire();
    let pages = wire.number("PRAGMA page_count", &[]).await?.unwrap_or(0);
    let free = wire.number("PRAGMA freelist_count", &[]).await?.unwrap_or(0);
    let size = wire.number("PRAGMA page_size", &[]).await?.unwrap_or(0);
    Ok(pages.saturating_sub(free).saturating_mul(size).cast_unsigned() > bytes)
}

async fn delete_chunks(link: &mut Link, cut: i64) -> Result<bool, sqlx::Error> {
    let mut wire = link.begin().await?;
    let sql = "DELETE FROM chunk WHERE id IN (SELECT id FROM chunk WHERE id < $1 ORDER BY id LIMIT $2)";
    let deleted = wire.run(sql, &[Value::Int(cut), Value::Int(ROWS)]).await?;
    wire.run("DELETE FROM snapshot WHERE chunk < (SELECT min(id) FROM chunk)", &[]).await?;
    link.commit().await?;
    Ok(deleted >= ROWS.cast_unsigned())
}

/// Deletes snapshots beyond the number that is kept, and the black box before the oldest.
async fn sweep_black_box(link: &mut Link, keep: Keep) -> Result<bool, sqlx::Error> {
    let mut wire = link.wire();
    let nth = "SELECT chunk FROM snapshot ORDER BY chunk DESC LIMIT 1 OFFSET $1";
    let Some(oldest) = wire.number(nth, &[Value::Int(keep.snapshots.max(1).into())]).await? else { return Ok(false) };
    let swept = mark(&mut wire, "swept_chunk").await?.unwrap_or(0);
    let kept = wire.number("SELECT min(chunk) FROM snapshot WHERE chunk > $1", &[Value::Int(oldest)]).await?;
    let Some(kept) = kept else { return Ok(false) };
    let some = "SELECT max(id) FROM
        (SELECT id FROM chunk WHERE channel = $1 AND id >= $2 AND id < $3 ORDER BY id LIMIT $4) AS batch";
    let values = [Value::Int(BLACK_BOX), Value::Int(swept), Value::Int(kept), Value::Int(ROWS)];
    let last = wire.number(some, &values).await?;

    let mut wire = link.begin().await?;
    let mut deleted = 0;
    if let Some(last) = last {
        let sql = "DELETE FROM chunk WHERE channel = $1 AND id >= $2 AND id <= $3";
        deleted = wire.run(sql, &[Value::Int(BLACK_BOX), Value::Int(swept), Value::Int(last)]).await?;
        set_mark(&mut wire, "swept_chunk", last).await?;
    }
    let more = deleted >= ROWS.cast_unsigned();
    if !more {
        wire.run("DELETE FROM snapshot WHERE chunk < $1", &[Value::Int(kept)]).await?;
    }
    link.commit().await?;
    Ok(more)
}

async fn delete_minutes(link: &mut Link, time: i64) -> Result<bool, sqlx::Error> {
    let mut more = false;
    for gauge in tallies::gauges(&mut link.wire()).await? {
        let sql = "DELETE FROM tally WHERE gauge = $1 AND width = $2 AND start IN
            (SELECT start FROM tally WHERE gauge = $1 AND width = $2 AND start < $3 ORDER BY start LIMIT $4)";
        let values = [Value::Int(gauge.0.into()), Value::Int(MINUTE / SECOND), Value::Int(time), Value::Int(ROWS)];
        more |= link.wire().run(sql, &values).await? >= ROWS.cast_unsigned();
    }
    Ok(more)
}
