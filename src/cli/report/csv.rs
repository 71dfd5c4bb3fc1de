//! The report's rows as CSV by RFC 4180: commas, CR LF, quotation marks where they are needed.

use std::fs::File;
use std::path::Path;

use anyhow::{Context, Result};

use super::story::{CareDone, Story, outcome_word};
use crate::moment::{Moment, Utc};

/// Writes `sheets.csv`, `care.csv` and `alarms.csv` into `folder`.
pub(super) fn write(story: &Story, folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
    sheets(story, folder)?;
    care(story, folder)?;
    alarms(story, folder)
}

pub(super) fn rows(folder: &Path, name: &str, head: &[&str]) -> Result<csv::Writer<File>> {
    let path = folder.join(name);
    let file = File::create(&path).with_context(|| format!("cannot write {}", path.display()))?;
    let mut rows = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(file);
    rows.write_record(head)?;
    Ok(rows)
}

pub(super) fn when(at: Moment) -> [String; 2] {
    [at.civil.map(Utc::rfc3339).unwrap_or_default(), at.steady.nanos().to_string()]
}

fn number(value: Option<f64>, digits: usize) -> String {
    value.map(|value| format!("{value:.digits$}")).unwrap_or_default()
}

fn sheets(story: &Story, folder: &Path) -> Result<()> {
    let head = ["time_utc", "steady_ns", "sheet", "card", "vacuum_pa", "leak_index", "least_margin", "outcome", "part"];
    let mut rows = rows(folder, "sheets.csv", &head)?;
    for sheet in &story.sheets {
        let [time, steady] = when(sheet.at);
        rows.write_record([
            time,
            steady,
            sheet.number.to_string(),
            sheet.card.clone().unwrap_or_default(),
            number(sheet.level_pa, 2),
            number(sheet.leak_index, 4),
            number(sheet.least_margin, 4),
            sheet.outcome.map(outcome_word).unwrap_or_default().to_owned(),
            sheet.part.clone().unwrap_or_default(),
        ])?;
    }
    Ok(rows.flush()?)
}

fn care(story: &Story, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "care.csv", &["time_utc", "steady_ns", "care", "sheets_seated_before"])?;
    for care in &story.care {
        let [time, steady] = when(care.at);
        let word = match care.done {
            CareDone::Skimmed => "skimmed",
            CareDone::Sealed => "sealed",
        };
        rows.write_record([time, steady, word.to_owned(), care.seated_before.to_string()])?;
    }
    Ok(rows.flush()?)
}

fn alarms(story: &Story, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "alarms.csv", &["time_utc", "steady_ns", "alarm", "cause"])?;
    for alarm in &story.alarms {
        let [time, steady] = when(alarm.at);
        rows.write_record([
            time,
            steady,
            super::key(&alarm.tag),
            alarm.cause.as_ref().map(super::key).unwrap_or_default(),
        ])?;
    }
    Ok(rows.flush()?)
}
