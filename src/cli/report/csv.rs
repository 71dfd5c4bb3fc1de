//! The report's rows as CSV by RFC 4180: commas, CR LF, quotation marks where they are needed.

use std::fs::File;
use std::path::Path;

use anyhow::{Context, Result};

use super::causes::bead_word;
use super::story::{Story, deed_word, outcome_word};
use crate::board::Outlook;
use crate::board::causes::Part;
use crate::moment::{Moment, Utc};

/// Writes `sheets.csv`, `care.csv`, `alarms.csv` and `alarm-causes.csv` into `folder`, and with an outlook `board.csv`, `causes.csv` and `figures.csv`.
pub(super) fn write(story: &Story, outlook: Option<&Outlook>, folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
    sheets(story, folder)?;
    care(story, folder)?;
    alarms(story, folder)?;
    alarm_causes(story, folder)?;
    let Some(outlook) = outlook else { return Ok(()) };
    board(story, outlook, folder)?;
    causes(outlook, folder)?;
    figures(outlook, folder)
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
    let head = [
        "time_utc",
        "steady_ns",
        "sheet",
        "card",
        "vacuum_pa",
        "leak_index",
        "least_margin",
        "outcome",
        "part",
        "leak_index_error",
        "cut_m",
    ];
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
            number(sheet.leak_error, 4),
            number(sheet.cut_m, 2),
        ])?;
    }
    Ok(rows.flush()?)
}

fn care(story: &Story, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "care.csv", &["time_utc", "steady_ns", "care", "sheets_seated_before"])?;
    for care in &story.care {
        let [time, steady] = when(care.at);
        rows.write_record([time, steady, deed_word(care.done).to_owned(), care.seated_before.to_string()])?;
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

/// What stood behind the alarms and how often, the most frequent first; an alarm of which nothing was told has no cause.
fn alarm_causes(story: &Story, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "alarm-causes.csv", &["cause", "alarm", "times"])?;
    for (cause, tag, times) in story.causes() {
        rows.write_record([cause.as_ref().map(super::key).unwrap_or_default(), super::key(&tag), times.to_string()])?;
    }
    Ok(rows.flush()?)
}

/// How the board stands, a figure a row; one that is not known is left empty.
fn board(story: &Story, outlook: &Outlook, folder: &Path) -> Result<()> {
    let hours = |span: crate::moment::Span| Some(span.secs_f64() / 3600.0);
    let (face, care, due) = (&outlook.face, outlook.care.as_ref(), outlook.skim_due);
    let (to_care, to_board) = (care.and_then(|care| care.to_care), care.and_then(|care| care.to_board));
    let mut rows = rows(folder, "board.csv", &["what", "value"])?;
    let known = [
        ("leak_index", outlook.leak_index),
        ("leak_index_fresh", outlook.rim_index),
        ("sheets_since_skim", Some(outlook.sheets as f64)),
        ("sheets_on_board", Some(story.book.sheets().0 as f64)),
        ("skims", Some(f64::from(story.book.skims()))),
        ("board_left_mm", Some(story.book.thickness().millimetres())),
        ("cut_m", Some(face.cut.metres())),
        ("scarred_share", Some(face.share)),
        ("most_passes", Some(f64::from(face.most_passes))),
        ("worst_scar_mm", face.worst.map(|(depth, _)| depth.millimetres())),
        ("wear_per_sheet", outlook.wear.map(|wear| wear.per_sheet)),
        ("wear_error", outlook.wear.map(|wear| wear.error)),
        ("skim_due_sheets", due.map(|due| due.sheets)),
        ("skim_due_soonest", due.map(|due| due.interval.0)),
        ("skim_due_latest", due.map(|due| due.interval.1)),
        ("care_pays_soonest", to_care.map(|span| span.0)),
        ("care_pays_latest", to_care.map(|span| span.1)),
        ("new_board_soonest", to_board.map(|span| span.0)),
        ("new_board_latest", to_board.map(|span| span.1)),
        ("order_in_days", care.and_then(|care| care.order_in_days)),
        ("waiting_costs", care.map(|care| care.waiting.money())),
        ("plan_costs_a_sheet", care.map(|care| care.per_sheet.money())),
        ("skims_left", care.map(|care| care.skims_left as f64)),
        ("pump_h", hours(outlook.pump.whole)),
        ("pump_since_filter_h", hours(outlook.pump.since_filter)),
        ("pump_since_service_h", hours(outlook.pump.since_service)),
        ("filter_drop_pa", outlook.filter_drop.map(crate::units::Vacuum::pascals)),
        ("energy_a_sheet", outlook.money.energy_a_sheet.map(|cost| cost.money())),
        ("leak_a_month", outlook.money.leak_a_month.map(|cost| cost.money())),
        ("board_a_sheet", outlook.money.board_a_sheet.map(|cost| cost.money())),
    ];
    for (what, value) in known {
        rows.write_record([what.to_owned(), number(value, 4)])?;
    }
    Ok(rows.flush()?)
}

/// Shares of what the mean sheet should leak, with their 95 % intervals.
fn causes(outlook: &Outlook, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "causes.csv", &["cause", "share", "low", "high", "told", "sealing_gives_back_pa"])?;
    let Some(causes) = &outlook.causes else { return Ok(rows.flush()?) };
    let whole: [(&str, Part); 4] = [
        ("face", causes.face),
        ("rims and seams", causes.rim),
        ("pump or filter", causes.suction),
        ("together", causes.together),
    ];
    let mut row = |name: &str, part: &Part, back: Option<f64>| {
        let numbers = [part.share, part.interval.0, part.interval.1].map(|value| number(Some(value), 4));
        let [share, low, high] = numbers;
        rows.write_record([name.to_owned(), share, low, high, part.told.to_string(), number(back, 1)])
    };
    for (name, part) in &whole {
        row(name, part, None)?;
    }
    for (bead, part) in &causes.beads {
        let back = outlook.sealing.iter().find(|gain| gain.of == *bead).map(|gain| gain.level.pascals());
        row(&bead_word(*bead), part, back)?;
    }
    Ok(rows.flush()?)
}

/// What the decision rests on.
fn figures(outlook: &Outlook, folder: &Path) -> Result<()> {
    let mut rows = rows(folder, "figures.csv", &["figure", "value", "assumed"])?;
    for figure in outlook.care.iter().flat_map(|care| &care.figures) {
        let value = super::ahead::rounded(figure.value).to_string();
        rows.write_record([figure.key.to_owned(), value, figure.assumed.to_string()])?;
    }
    Ok(rows.flush()?)
}
