//! The shop's shifts, by the calendar of its time zone.
//!
//! A day of a time change has 23 or 25 hours, and so has a shift that it falls into. A shift that would begin in the hour that is left out
//! begins after it (the reading of RFC 5545, section 3.3.5).

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde::{Deserialize, Serialize};

use super::notes::{Complaint, complaint};
use super::section::Section;
use crate::moment::Utc;

/// The most shifts that a day may have.
const MOST: usize = 8;

/// When the shifts of a day begin.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shifts {
    /// Minutes of the day, rising; at least one.
    begins: Vec<u16>,
    /// The IANA name of the shop's time zone; none for the computer's own.
    zone: Option<String>,
}

impl Default for Shifts {
    fn default() -> Self {
        Shifts { begins: vec![0], zone: None }
    }
}

impl Shifts {
    /// The shift that holds an instant: its beginning, and the next one's. None only at the ends of the calendar.
    pub fn holding(&self, at: Utc) -> Option<(Utc, Utc)> {
        let zone = self.time_zone();
        let day = zone.to_datetime(Timestamp::from_microsecond(at.micros()).ok()?).date();
        let around = (-1..=2).filter_map(|days| day.checked_add(days.days()).ok());
        let begins: Vec<Utc> = around.flat_map(|day| self.begins_on(day, &zone)).collect();
        let next = begins.iter().position(|begin| *begin > at)?;
        Some((*begins.get(next.checked_sub(1)?)?, begins[next]))
    }

    /// The shift that holds an instant and those before it, the newest first; at most `most`.
    pub fn back_from(&self, at: Utc, most: usize) -> Vec<(Utc, Utc)> {
        let before = |shift: &(Utc, Utc)| self.holding(Utc::from_micros(shift.0.micros() - 1));
        std::iter::successors(self.holding(at), before).take(most).collect()
    }

    fn begins_on(&self, day: Date, zone: &TimeZone) -> Vec<Utc> {
        let mut begins: Vec<Utc> = self
            .begins
            .iter()
            .filter_map(|minute| {
                let (hour, minute) = (i8::try_from(minute / 60).ok()?, i8::try_from(minute % 60).ok()?);
                let begins = zone.to_ambiguous_zoned_datetime(day.at(hour, minute, 0, 0)).compatible().ok()?;
                Some(Utc::from_micros(begins.timestamp().as_microsecond()))
            })
            .collect();
        // Two that fall into the hour left out begin together.
        begins.dedup();
        begins
    }

    /// A zone that the computer knows no more is taken for its own.
    fn time_zone(&self) -> TimeZone {
        self.zone.as_deref().and_then(|name| TimeZone::get(name).ok()).unwrap_or_else(TimeZone::system)
    }
}

/// The shifts from `[shop]`.
pub(super) fn shifts(shop: &Section) -> Option<Shifts> {
    let begins = shop.texts("shifts", MOST).check(|times| {
        if times.is_empty() {
            return Err(complaint("there is no time in it", "at least one", "leave it out for whole days"));
        }
        let begins = times.iter().map(|time| minute(time)).collect::<Result<Vec<u16>, Complaint>>()?;
        if begins.is_sorted_by(|a, b| a < b) {
            return Ok(begins);
        }
        let wrong = format!("{} do not rise", times.join(", "));
        Err(complaint(wrong, "each later than the one before", "write them in the order of a day from 00:00 on"))
    });
    let zone = shop.text("time_zone").check(|name| match TimeZone::get(&name) {
        Ok(_) => Ok(Some(name)),
        Err(_) => {
            let limit = "a name of the IANA time zone database that this computer has, such as Europe/Vienna";
            Err(complaint(format!("time zone {name:?} is not known"), limit, "correct it, or leave it out"))
        }
    });
    Some(Shifts { begins: begins.or(vec![0])?, zone: zone.or(None)? })
}

/// The minute of the day of a time such as `06:00`.
fn minute(time: &str) -> Result<u16, Complaint> {
    let wrong = || complaint(format!("{time:?} is no time of a day"), "00:00 to 23:59", "write hours and minutes");
    let (hour, minute) = time.split_once(':').ok_or_else(wrong)?;
    let part = |text: &str, below: u16| {
        let two = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        text.parse::<u16>().ok().filter(|value| two && *value < below)
    };
    match (part(hour, 24), part(minute, 60)) {
        (Some(hour), Some(minute)) => Ok(60 * hour + minute),
        (_, _) => Err(wrong()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shifts(begins: &[u16]) -> Shifts {
        Shifts { begins: begins.to_vec(), zone: Some("Europe/Vienna".to_owned()) }
    }

    fn shift(shifts: &Shifts, at: &str) -> (String, String) {
        let (from, to) = shifts.holding(Utc::parse_rfc3339(at).unwrap()).unwrap();
        (from.rfc3339(), to.rfc3339())
    }

    /// The clock of Central Europe goes back from 03:00 to 02:00 on the last Sunday of October and forward from 02:00 to 03:00 on the last
    /// Sunday of March, at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3): 2026-10-25 and 2026-03-29.
    #[test]
    fn a_shift_of_a_time_change_is_an_hour_longer_or_shorter() {
        let three = shifts(&[360, 840, 1320]);
        let owned = |from: &str, to: &str| (from.to_owned(), to.to_owned());
        let night = owned("2026-10-24T20:00:00.000Z", "2026-10-25T05:00:00.000Z");
        assert_eq!(shift(&three, "2026-10-25T00:30:00Z"), night);
        let night = owned("2026-03-28T21:00:00.000Z", "2026-03-29T04:00:00.000Z");
        assert_eq!(shift(&three, "2026-03-29T01:30:00Z"), night);
        // The days have 25 and 23 hours.
        let autumn = owned("2026-10-24T22:00:00.000Z", "2026-10-25T23:00:00.000Z");
        assert_eq!(shift(&shifts(&[0]), "2026-10-25T12:00:00Z"), autumn);
        let spring = owned("2026-03-28T23:00:00.000Z", "2026-03-29T22:00:00.000Z");
        assert_eq!(shift(&shifts(&[0]), "2026-03-29T12:00:00Z"), spring);
        // 02:30 of that day is left out, and the shift begins an hour later by the clock.
        let after = owned("2026-03-29T01:30:00.000Z", "2026-03-30T00:30:00.000Z");
        assert_eq!(shift(&shifts(&[150]), "2026-03-29T12:00:00Z"), after);
    }

    #[test]
    fn an_instant_belongs_to_the_shift_that_begins_with_it() {
        let three = shifts(&[360, 840, 1320]);
        assert_eq!(shift(&three, "2026-06-10T12:00:00Z").0, "2026-06-10T12:00:00.000Z");
        assert_eq!(shift(&three, "2026-06-10T11:59:59Z").1, "2026-06-10T12:00:00.000Z");
        let back = three.back_from(Utc::parse_rfc3339("2026-06-10T12:00:00Z").unwrap(), 4);
        assert_eq!(back.len(), 4);
        assert!(back.windows(2).all(|pair| pair[1].1 == pair[0].0));
    }
}
