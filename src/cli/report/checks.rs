//! The morning's checks in a report: how many, how many fine, and what was wrong with the others.

use std::path::Path;

use anyhow::{Context, Result};

use super::csv::{rows, when};
use super::story::time;
use crate::daemon::entries;
use crate::journal::{Where, Window};
use crate::minder::{CheckLog, Morning};

/// The mornings of a window, the oldest first. Each record holds those before it, so that the last tells of all.
pub(super) fn read(place: &Where, window: Window) -> Result<Vec<Morning>> {
    let kept = entries(place, "check", window)?;
    let log = kept.iter().rev().find_map(|entry| CheckLog::from_record(&entry.body).ok());
    let mut mornings = log.map(|log| log.mornings()).unwrap_or_default();
    let within = |morning: &Morning| morning.at.civil.is_none_or(|at| window.from <= at && at < window.to);
    mornings.retain(within);
    Ok(mornings)
}

/// Them in sentences.
pub(super) fn told(mornings: &[Morning]) -> Vec<String> {
    if mornings.is_empty() {
        return Vec::new();
    }
    let fine = mornings.iter().filter(|morning| morning.is_fine()).count();
    let mut lines = vec![format!("{} morning checks, {fine} of them fine", mornings.len())];
    let bad = mornings.iter().filter(|morning| !morning.is_fine());
    lines.extend(bad.map(|morning| format!("{}: {}", time(morning.at), faults(morning))));
    lines
}

fn faults(morning: &Morning) -> String {
    let looked = [
        (morning.chips == Some(false), "chips on the table"),
        (morning.filter_lid == Some(false), "the filter's lid was not right"),
        (morning.lamps == Some(false), "a lamp was dark"),
    ];
    let mut found: Vec<String> =
        looked.iter().filter(|(wrong, _)| *wrong).map(|(_, words)| (*words).to_owned()).collect();
    if morning.backwards {
        found.push("pressure instead of suction: the pump turns backwards".to_owned());
    } else if let (Some(level), Some(usual), false) = (morning.level_pa, morning.usual_pa, morning.as_before) {
        found.push(format!("{} at {:.1} kPa, {:.1} before", morning.reference, level / 1e3, usual / 1e3));
    }
    found.join(", ")
}

/// Writes `checks.csv` into `folder`.
pub(super) fn write(mornings: &[Morning], folder: &Path) -> Result<()> {
    let head = ["time_utc", "steady_ns", "fine", "chips", "filter_lid", "lamps", "reference", "vacuum_pa", "usual_pa"];
    std::fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
    let mut rows = rows(folder, "checks.csv", &head)?;
    let looked = |fine: Option<bool>| fine.map(|fine| fine.to_string()).unwrap_or_default();
    let level = |level: Option<f64>| level.map(|level| format!("{level:.2}")).unwrap_or_default();
    for morning in mornings {
        let [time, steady] = when(morning.at);
        rows.write_record([
            time,
            steady,
            morning.is_fine().to_string(),
            looked(morning.chips),
            looked(morning.filter_lid),
            looked(morning.lamps),
            morning.reference.clone(),
            level(morning.level_pa),
            level(morning.usual_pa),
        ])?;
    }
    Ok(rows.flush()?)
}
