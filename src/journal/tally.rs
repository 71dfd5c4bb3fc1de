//! What readings come to, minute by minute and hour by hour, made once.

use std::collections::BTreeMap;

use super::codec::{self, hundredths};
use super::{Bucket, KeptReading, Window};
use crate::event::{GaugeId, Quality, ReadingRecord, Seq};
use crate::moment::Utc;

/// One minute in microseconds.
pub(super) const MINUTE: i64 = 60_000_000;
/// One hour in microseconds.
pub(super) const HOUR: i64 = 60 * MINUTE;

/// What some readings of one gauge come to; levels in hundredths of a pascal, so that sums are exact.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tally {
    pub(super) lowest: i64,
    pub(super) highest: i64,
    pub(super) total: i64,
    pub(super) count: i64,
    pub(super) quality: Quality,
    pub(super) band: Option<(i64, i64)>,
}

impl Tally {
    /// What one reading comes to; `None` if its level is no number that can be counted.
    pub(super) fn of(reading: &ReadingRecord) -> Option<Self> {
        let level = hundredths(reading.vacuum)?;
        let band = reading.band.and_then(|(low, high)| Some((hundredths(low)?, hundredths(high)?)));
        Some(Tally { lowest: level, highest: level, total: level, count: 1, quality: reading.quality, band })
    }

    /// What both come to.
    pub(super) fn with(self, other: Tally) -> Tally {
        let band = match (self.band, other.band) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (one, None) => one,
            (None, one) => one,
        };
        Tally {
            lowest: self.lowest.min(other.lowest),
            highest: self.highest.max(other.highest),
            total: self.total.saturating_add(other.total),
            count: self.count.saturating_add(other.count),
            quality: self.quality.max(other.quality),
            band,
        }
    }

    /// As it is shown.
    pub(super) fn bucket(self, window: Window) -> Bucket {
        Bucket {
            window,
            min: codec::level(self.lowest),
            max: codec::level(self.highest),
            mean: codec::level(self.total) * (1.0 / self.count.max(1) as f64),
            count: self.count.max(0).cast_unsigned(),
            quality: self.quality,
            band: self.band.map(|(low, high)| (codec::level(low), codec::level(high))),
        }
    }
}

/// The tally of one gauge's minute, and the chunks its readings lie in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Minute {
    pub(super) gauge: GaugeId,
    /// Where the minute starts, in microseconds since 1970.
    pub(super) start: i64,
    pub(super) tally: Tally,
    pub(super) first_chunk: i64,
    pub(super) last_chunk: i64,
}

/// Tallies the minute that is running.
///
/// Whenever a reading belongs to another minute than the one before, all that was tallied is given out, so what is given
/// out covers exactly the readings up to some number, however the calendar jumps. A minute may be given out more than once;
/// the parts are put together where they are kept.
#[derive(Debug, Default)]
pub(super) struct Roller {
    running: Option<i64>,
    minutes: BTreeMap<GaugeId, Minute>,
    last: Seq,
    ended: Vec<Minute>,
    ended_at: Option<Seq>,
    newest_synced: Option<i64>,
}

impl Roller {
    /// Counts in a reading that lies in one of the chunks from `chunks.0` to `chunks.1`.
    pub(super) fn count(&mut self, kept: &KeptReading, chunks: (i64, i64)) {
        let start = kept.at.civil.map(|civil| civil.micros().div_euclid(MINUTE).saturating_mul(MINUTE));
        if start != self.running && self.last > Seq(0) {
            self.ended.extend(std::mem::take(&mut self.minutes).into_values());
            self.ended_at = Some(self.last);
        }
        self.running = start;
        self.last = kept.seq;
        if let Some(civil) = kept.at.civil.filter(|_| kept.at.synced) {
            self.newest_synced = Some(civil.micros());
        }
        let (Some(start), Some(tally)) = (start, Tally::of(&kept.reading)) else { return };
        let gauge = kept.reading.gauge;
        let (first_chunk, last_chunk) = chunks;
        self.minutes
            .entry(gauge)
            .and_modify(|minute| {
                minute.tally = minute.tally.with(tally);
                minute.last_chunk = last_chunk;
            })
            .or_insert(Minute { gauge, start, tally, first_chunk, last_chunk });
    }

    /// The newest calendar time that a time service vouches for, in microseconds since 1970.
    pub(super) fn newest_synced(&self) -> Option<i64> {
        self.newest_synced
    }

    /// The minutes that ended, and the number of the last reading in them.
    pub(super) fn ended(&mut self) -> Option<(Vec<Minute>, Seq)> {
        let at = self.ended_at.take()?;
        Some((std::mem::take(&mut self.ended), at))
    }
}

/// The start of the span of `width` microseconds that a calendar time lies in.
pub(super) fn start_of(time: Utc, width: i64) -> i64 {
    time.micros().div_euclid(width).saturating_mul(width)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{BootId, Moment, Steady};
    use crate::units::Vacuum;

    fn kept(seq: u64, gauge: u16, second: Option<i64>, pascals: f64) -> KeptReading {
        let civil = second.map(|second| Utc::from_micros(second * 1_000_000));
        let at = Moment { boot: BootId(1), steady: Steady::from_nanos(seq), civil, synced: second.is_some() };
        let vacuum = Vacuum::from_pascals(pascals);
        let reading = ReadingRecord { gauge: GaugeId(gauge), vacuum, quality: Quality::Good, band: None };
        KeptReading { seq: Seq(seq), at, reading }
    }

    #[test]
    fn minutes_are_given_out_when_another_begins_and_cover_all_before() {
        let mut roller = Roller::default();
        roller.count(&kept(1, 0, Some(-1), 3.0), (10, 11));
        roller.count(&kept(2, 1, Some(-60), 5.0), (10, 11));
        assert_eq!(roller.ended(), None);
        roller.count(&kept(3, 0, Some(0), 7.0), (12, 12));
        let (minutes, last) = roller.ended().unwrap();
        assert_eq!(last, Seq(2));
        let told: Vec<_> =
            minutes.iter().map(|m| (m.gauge, m.start, m.tally.total, m.first_chunk, m.last_chunk)).collect();
        assert_eq!(told, [(GaugeId(0), -MINUTE, 300, 10, 11), (GaugeId(1), -MINUTE, 500, 10, 11)]);
        assert_eq!(roller.ended(), None);
        roller.count(&kept(4, 0, None, 7.0), (13, 13));
        assert_eq!(roller.ended().map(|(minutes, last)| (minutes.len(), last)), Some((1, Seq(3))));
        roller.count(&kept(5, 0, Some(0), 7.0), (14, 14));
        assert_eq!(roller.ended().map(|(minutes, last)| (minutes.len(), last)), Some((0, Seq(4))));
        assert_eq!(roller.newest_synced(), Some(0));
    }

    #[test]
    fn sums_saturate_instead_of_turning_over() {
        let huge = Tally::of(&kept(1, 0, Some(0), 1e10).reading).unwrap();
        let sum = (0..70).fold(huge, |sum, _| sum.with(sum));
        assert_eq!((sum.total, sum.count), (i64::MAX, i64::MAX));
        assert_eq!(Tally::of(&kept(1, 0, Some(0), f64::NAN).reading), None);
        assert_eq!(Tally::of(&kept(1, 0, Some(0), 1e11).reading), None);
    }
}
