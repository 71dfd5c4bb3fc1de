//! A course read at any point of the cut.

use super::{Course, Expected, Forecast, Weakest};
use crate::job::Progress;
use crate::table::ZoneSet;
use crate::units::{FreeAirFlow, Vacuum};

impl Forecast {
    /// The course for a set of open zones; `None` if it was not asked for.
    pub fn course(&self, open: ZoneSet) -> Option<&Course> {
        self.courses.iter().find(|course| course.open == open)
    }
}

impl Course {
    /// What is expected at a point of the cut: along straight lines between the points reckoned, the weaker of two parts
    /// named. `None` for a course without points.
    pub fn at(&self, progress: Progress) -> Option<Expected> {
        let (before, after, share) = self.about(progress)?;
        Some(if share < 1.0 { between(before, after, share) } else { after.clone() })
    }

    /// The level of [`Course::at`] alone.
    pub fn level(&self, progress: Progress) -> Option<Vacuum> {
        let (before, after, share) = self.about(progress)?;
        Some(if share < 1.0 { along(before.mid, after.mid, share) } else { after.mid })
    }

    /// The points before and after, and the share of the way between them.
    fn about(&self, progress: Progress) -> Option<(&Expected, &Expected, f64)> {
        let fraction = progress.fraction();
        let next = self.points.partition_point(|(point, _)| *point < fraction);
        let (later, after) = self.points.get(next).or(self.points.last())?;
        let Some((earlier, before)) = next.checked_sub(1).and_then(|place| self.points.get(place)) else {
            return Some((after, after, 1.0));
        };
        let span = later - earlier;
        let share = if span > 0.0 { ((fraction - earlier) / span).clamp(0.0, 1.0) } else { 1.0 };
        Some((before, after, share))
    }

    /// What is expected where the cut is likely at one point and may be anywhere between two others: the likely level, the band over
    /// all of them, the weakest part of any. `None` for a course without points.
    pub fn between(&self, earliest: Progress, likely: Progress, latest: Progress) -> Option<Expected> {
        let mut expected = self.at(likely)?;
        let inner = self
            .points
            .iter()
            .filter(|(point, _)| *point > earliest.fraction() && *point < latest.fraction())
            .map(|(_, inner)| inner.clone());
        for other in inner.chain(self.at(earliest)).chain(self.at(latest)) {
            expected.low = expected.low.min(other.low);
            expected.high = expected.high.max(other.high);
            expected.weakest = weaker(expected.weakest, other.weakest);
        }
        Some(expected)
    }
}

fn between(before: &Expected, after: &Expected, share: f64) -> Expected {
    let level = |a: Vacuum, b: Vacuum| along(a, b, share);
    let flow = |a: FreeAirFlow, b: FreeAirFlow| a + (b - a) * share;
    Expected {
        low: level(before.low, after.low),
        mid: level(before.mid, after.mid),
        high: level(before.high, after.high),
        weakest: weaker(before.weakest, after.weakest),
        smallest_visible_leak: flow(before.smallest_visible_leak, after.smallest_visible_leak),
        flow: flow(before.flow, after.flow),
    }
}

fn along(before: Vacuum, after: Vacuum, share: f64) -> Vacuum {
    before + (after - before) * share
}

fn weaker(before: Option<Weakest>, after: Option<Weakest>) -> Option<Weakest> {
    match (before, after) {
        (Some(one), Some(other)) => Some(if one.margin <= other.margin { one } else { other }),
        (one, other) => one.or(other),
    }
}
