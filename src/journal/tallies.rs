//! Tallies as rows.

use super::codec;
use super::link::{Value, Wire};
use super::tally::{Minute, Tally};
use crate::event::{GaugeId, Quality};

/// A row: start, lowest, highest, total, count, quality, the band's edges, the first and the last chunk.
type Columns = (i64, i64, i64, i64, i64, i64, Option<i64>, Option<i64>, i64, i64);

/// Microseconds in a second, in which widths are kept.
const SECOND: i64 = 1_000_000;

/// Adds a tally to what is kept for the same gauge, width in microseconds and start.
pub(super) async fn add(wire: &mut Wire<'_>, width: i64, new: Minute) -> Result<(), sqlx::Error> {
    let kept = within(wire, new.gauge, width, (new.start, new.start.saturating_add(1))).await?;
    let merged = match kept.first() {
        None => new,
        Some(kept) => Minute {
            tally: kept.tally.with(new.tally),
            first_chunk: kept.first_chunk.min(new.first_chunk),
            last_chunk: kept.last_chunk.max(new.last_chunk),
            ..new
        },
    };
    put(wire, width, &merged).await
}

async fn put(wire: &mut Wire<'_>, width: i64, minute: &Minute) -> Result<(), sqlx::Error> {
    let sql = "INSERT INTO tally (gauge, width, start, lowest, highest, total, count, quality,
            band_low, band_high, first_chunk, last_chunk)
        VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
        ON CONFLICT (gauge, width, start) DO UPDATE SET
            lowest = excluded.lowest, highest = excluded.highest, total = excluded.total, count = excluded.count,
            quality = excluded.quality, band_low = excluded.band_low, band_high = excluded.band_high,
            first_chunk = excluded.first_chunk, last_chunk = excluded.last_chunk";
    let tally = minute.tally;
    let values = [
        Value::Int(minute.gauge.0.into()),
        Value::Int(width / SECOND),
        Value::Int(minute.start),
        Value::Int(tally.lowest),
        Value::Int(tally.highest),
        Value::Int(tally.total),
        Value::Int(tally.count),
        Value::Int(codec::quality_number(tally.quality).into()),
        Value::Maybe(tally.band.map(|(low, _)| low)),
        Value::Maybe(tally.band.map(|(_, high)| high)),
        Value::Int(minute.first_chunk),
        Value::Int(minute.last_chunk),
    ];
    wire.run(sql, &values).await?;
    Ok(())
}

/// The tallies of a gauge of one width that start within a span of microseconds, in order.
pub(super) async fn within(
    wire: &mut Wire<'_>,
    gauge: GaugeId,
    width: i64,
    (from, to): (i64, i64),
) -> Result<Vec<Minute>, sqlx::Error> {
    let sql = "SELECT start, lowest, highest, total, count, quality, band_low, band_high, first_chunk, last_chunk
        FROM tally WHERE gauge = $1 AND width = $2 AND start >= $3 AND start < $4 ORDER BY start";
    let values = [Value::Int(gauge.0.into()), Value::Int(width / SECOND), Value::Int(from), Value::Int(to)];
    let rows: Vec<Columns> = wire.rows(sql, &values).await?;
    Ok(rows.into_iter().map(|row| minute(gauge, row)).collect())
}

/// The gauges there are tallies of.
pub(super) async fn gauges(wire: &mut Wire<'_>) -> Result<Vec<GaugeId>, sqlx::Error> {
    let mut gauges = Vec::new();
    let mut before = -1;
    while let Some(next) = wire.number("SELECT min(gauge) FROM tally WHERE gauge > $1", &[Value::Int(before)]).await? {
        before = next;
        gauges.extend(u16::try_from(next).ok().map(GaugeId));
    }
    Ok(gauges)
}

fn minute(gauge: GaugeId, row: Columns) -> Minute {
    let (start, lowest, highest, total, count, quality, band_low, band_high, first_chunk, last_chunk) = row;
    let quality = u8::try_from(quality).ok().and_then(codec::quality).unwrap_or(Quality::Failure);
    let tally = Tally { lowest, highest, total, count, quality, band: band_low.zip(band_high) };
    Minute { gauge, start, tally, first_chunk, last_chunk }
}
