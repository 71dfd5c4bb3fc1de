//! How much the alarms asked of whoever was at the machine, shift by shift; nobody is named.

use std::path::Path;

use anyhow::Result;

use super::csv::rows;
use super::key;
use crate::daemon::{ACTIVE_BEFORE, entries, shift_loads};
use crate::journal::{Where, Window};
use crate::moment::Utc;
use crate::setup::Shifts;
use crate::view::AlarmLoadView;

/// The most shifts that are told of: a year of three a day.
const MOST_SHIFTS: usize = 1100;
/// The shifts that are told in sentences.
const TOLD: usize = 3;

/// The shifts of a window from its first alarm's on, the newest first; none if there was none. `until` is the last thing known of it.
pub(super) fn read(place: &Where, window: Window, shifts: &Shifts, until: Option<Utc>) -> Result<Vec<AlarmLoadView>> {
    let before = i64::try_from(ACTIVE_BEFORE.nanos() / 1000).unwrap_or_default();
    let wide = Window { from: Utc::from_micros(window.from.micros().saturating_sub(before)), ..window };
    let kept = entries(place, "alarm", wide)?;
    let times = || kept.iter().filter_map(|entry| entry.at.civil).filter(|at| *at >= window.from);
    let (Some(first), Some(last)) = (times().next(), times().next_back()) else { return Ok(Vec::new()) };
    let until = until.map_or(last, |until| until.max(last));
    let mut loads = shift_loads(&kept, shifts, Utc::from_micros(until.micros().saturating_add(1)), MOST_SHIFTS);
    let first = first.rfc3339();
    loads.retain(|load| load.to >= first);
    Ok(loads)
}

/// The newest of them in sentences.
pub(super) fn told(loads: &[AlarmLoadView]) -> Vec<String> {
    loads.iter().take(TOLD).map(sentence).collect()
}

fn sentence(load: &AlarmLoadView) -> String {
    let minute = |time: &str| time.chars().take(16).collect::<String>().replace('T', " ");
    let mut parts = vec![format!(
        "alarms from {} to {}: {}, {:.2} in ten minutes on average",
        minute(&load.from),
        minute(&load.to),
        load.alarms,
        load.per_ten_minutes
    )];
    if load.floods > 0 {
        parts.push(format!("{} in flood, {:.0} % of the time", load.floods, load.flood_share * 100.0));
    }
    let names = |tags: &[crate::alarm::Tag]| tags.iter().map(key).collect::<Vec<_>>().join(" ");
    for (what, tags) in [("chattering", &load.chattering), ("active for more than a day", &load.stale)] {
        if !tags.is_empty() {
            parts.push(format!("{what}: {}", names(tags)));
        }
    }
    let worst = load.most_frequent.iter().take(3).map(|worst| format!("{} {}", key(&worst.tag), worst.count));
    let worst: Vec<String> = worst.collect();
    if !worst.is_empty() {
        parts.push(format!("most often {}", worst.join(", ")));
    }
    for (what, count) in
        [("fleeting", load.fleeting), ("shelved", load.shelved), ("taken out of service", load.out_of_service)]
    {
        if count > 0 {
            parts.push(format!("{count} {what}"));
        }
    }
    parts.join("; ")
}

/// Writes `alarm-load.csv` into `folder`.
pub(super) fn write(loads: &[AlarmLoadView], folder: &Path) -> Result<()> {
    let head = [
        "from_utc",
        "to_utc",
        "alarms",
        "per_ten_minutes",
        "most_in_ten_minutes",
        "crowded_share",
        "floods",
        "flood_share",
        "most_frequent",
        "most_frequent_share",
        "chattering",
        "fleeting",
        "stale",
        "high",
        "medium",
        "low",
        "shelved",
        "out_of_service",
    ];
    let mut rows = rows(folder, "alarm-load.csv", &head)?;
    let names = |tags: &[crate::alarm::Tag]| tags.iter().map(key).collect::<Vec<_>>().join(" ");
    for load in loads.iter().rev() {
        let frequent = load.most_frequent.iter().map(|of| format!("{} {}", key(&of.tag), of.count));
        rows.write_record([
            load.from.clone(),
            load.to.clone(),
            load.alarms.to_string(),
            format!("{:.4}", load.per_ten_minutes),
            load.most_in_ten_minutes.to_string(),
            format!("{:.4}", load.crowded_share),
            load.floods.to_string(),
            format!("{:.4}", load.flood_share),
            frequent.collect::<Vec<_>>().join(", "),
            format!("{:.4}", load.most_frequent_share),
            names(&load.chattering),
            load.fleeting.to_string(),
            names(&load.stale),
            load.priorities.high.to_string(),
            load.priorities.medium.to_string(),
            load.priorities.low.to_string(),
            load.shelved.to_string(),
            load.out_of_service.to_string(),
        ])?;
    }
    Ok(rows.flush()?)
}
