//! The report as a page to print: plain HTML in one file, its chart drawn in it.

use std::fmt::Write as _;

use super::story::{CareRow, Story, deed_word, outcome_word, time};
use crate::board::{Deed, Prompt};
use crate::event::Outcome;

const STYLE: &str = "body{font:11pt/1.4 sans-serif;max-width:46em;margin:2em auto;color:#111}h1{font-size:1.5em}h2{font-size:1.1em;\
margin-top:1.6em;border-bottom:1px solid #999}table{border-collapse:collapse;width:100%}td,th{padding:.15em .5em;text-align:left;\
border-bottom:1px solid #ddd;font-variant-numeric:tabular-nums}svg{width:100%;height:auto}.small{font-size:.85em;color:#444}\
@media print{body{margin:0;max-width:none}h2{break-after:avoid}tr{break-inside:avoid}}";
/// Rows of a table that are printed at most; all of them are in the CSV.
const MOST_ROWS: usize = 40;
/// The chart's size in its own units, and its margins.
const CHART: (f64, f64) = (720.0, 240.0);
const MARGIN: f64 = 36.0;
/// Points that are drawn at most.
const MOST_POINTS: usize = 2000;

/// The page; `title` is the table's name, `extra` what else is told of the board.
pub(super) fn page(title: &str, story: &Story, extra: &[String]) -> String {
    let mut body = String::new();
    let title = escaped(title);
    // Writing into a string cannot fail.
    let _ = write!(body, "<h1>Board report: {title}</h1>");
    let span = match (story.sheets.first(), story.sheets.last()) {
        (Some(first), Some(last)) => {
            format!("{} sheets, {} to {} (UTC)", story.sheets.len(), time(first.at), time(last.at))
        }
        (_, _) => "no sheet has ended in this time".to_owned(),
    };
    let _ = write!(body, "<p>{}</p><h2>The board now</h2><ul>", escaped(&span));
    for line in super::now(story).iter().chain(extra) {
        let _ = write!(body, "<li>{}</li>", escaped(line));
    }
    body.push_str("</ul>");
    let _ = write!(body, "<h2>Leak index by sheet</h2>{}", chart(story));
    body.push_str(&care(story));
    body.push_str(&outcomes(story));
    body.push_str(&alarms(story));
    format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Board report: {title}</title><style>{STYLE}</style>\
         <body>{body}<p class=\"small\">holdwatch advises; it is no safety device. A leak index of 1 is a sheet that leaks what was \
         expected of it. Intervals hold 9 times of 10.</p></body></html>\n"
    )
}

pub(super) fn prompt_sentence(prompt: Prompt) -> &'static str {
    match prompt {
        Prompt::Skim => "skim the face: its leak index has met the limit",
        Prompt::Seal => "seal rims and seams: a fresh face leaks more than it did after the last sealing",
    }
}

fn care(story: &Story) -> String {
    let row = |care: &CareRow| [time(care.at), deed_word(care.done).to_owned(), care.seated_before.to_string()];
    table("Skims, seals, filters and boards", ["when", "what", "sheets seated before"], story.care.iter().map(row))
}

fn outcomes(story: &Story) -> String {
    let told = [Outcome::Good, Outcome::Moved, Outcome::Lost, Outcome::Chatter]
        .map(|outcome| format!("{}: {}", outcome_word(outcome), story.outcomes(outcome)))
        .join(", ");
    let bad = story.sheets.iter().filter(|sheet| sheet.outcome.is_some_and(|outcome| outcome != Outcome::Good));
    let rows = bad.map(|sheet| {
        let what = sheet.outcome.map(outcome_word).unwrap_or_default();
        let part = sheet.part.as_deref().map(|part| format!(" ({part})")).unwrap_or_default();
        let card = sheet.card.clone().unwrap_or_else(|| "no card".to_owned());
        [time(sheet.at), format!("sheet {}, {card}", sheet.number), format!("{what}{part}")]
    });
    let table = table("Sheets that did not come out well", ["when", "sheet", "what"], rows);
    format!("{table}<p>Sheets as they were told: {told}.</p>")
}

fn alarms(story: &Story) -> String {
    let rows = story.alarms.iter().map(|alarm| {
        [time(alarm.at), super::key(&alarm.tag), alarm.cause.as_ref().map(super::key).unwrap_or_default()]
    });
    let words = |key: String| key.replace('-', " ");
    let behind = story.causes().into_iter().map(|(cause, tag, times)| {
        let cause = cause.as_ref().map_or_else(|| "none told".to_owned(), |cause| words(super::key(cause)));
        [cause, words(super::key(&tag)), times.to_string()]
    });
    let behind = table("What stood behind the alarms", ["likely cause", "alarm", "times"], behind);
    behind + &table("Alarms", ["when", "alarm", "likely cause"], rows)
}

fn table(title: &str, head: [&str; 3], rows: impl Iterator<Item = [String; 3]>) -> String {
    let rows: Vec<[String; 3]> = rows.collect();
    let mut text = format!("<h2>{}</h2>", escaped(title));
    if rows.is_empty() {
        text.push_str("<p>none</p>");
        return text;
    }
    let cells = |tag: &str, cells: [&str; 3]| {
        let each: String = cells.iter().map(|cell| format!("<{tag}>{}</{tag}>", escaped(cell))).collect();
        format!("<tr>{each}</tr>")
    };
    text.push_str("<table>");
    text.push_str(&cells("th", head));
    let older = rows.len().saturating_sub(MOST_ROWS);
    for row in &rows[older..] {
        text.push_str(&cells("td", [&row[0], &row[1], &row[2]]));
    }
    text.push_str("</table>");
    if older > 0 {
        let _ = write!(text, "<p class=\"small\">and {older} earlier ones, in the CSV</p>");
    }
    text
}

/// The leak index over sheets, with skims and seals as lines and the limit.
fn chart(story: &Story) -> String {
    let points = &story.indices;
    let Some(last) = points.last() else { return "<p>no sheet has been compared yet</p>".to_owned() };
    let limit = story.settings.skim_at;
    let top = points.iter().map(|point| point.1).fold(1.2 * limit, f64::max);
    let x = |sheet: f64| MARGIN + (CHART.0 - MARGIN - 8.0) * sheet / last.0.max(1.0);
    let y = |index: f64| CHART.1 - MARGIN - (CHART.1 - MARGIN - 8.0) * (index / top).clamp(0.0, 1.0);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"leak index of {} sheets\">",
        CHART.0, CHART.1, last.0
    );
    let line = |x0: f64, y0: f64, x1: f64, y1: f64, dash: &str| {
        format!(
            "<path d=\"M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}\" stroke=\"#555\" stroke-dasharray=\"{dash}\" fill=\"none\"/>"
        )
    };
    svg.push_str(&line(MARGIN, y(0.0), x(last.0), y(0.0), "0"));
    svg.push_str(&line(MARGIN, y(0.0), MARGIN, y(top), "0"));
    svg.push_str(&line(MARGIN, y(limit), x(last.0), y(limit), "6 4"));
    for care in &story.care {
        let dash = match care.done {
            Deed::Skimmed | Deed::BoardChanged => "0",
            Deed::Sealed | Deed::FilterChanged | Deed::PumpServiced => "2 3",
        };
        let at = x(care.seated_before as f64 + 0.5);
        svg.push_str(&line(at, y(0.0), at, y(top), dash));
    }
    let every = points.len().div_ceil(MOST_POINTS);
    for (sheet, index) in points.iter().step_by(every) {
        let _ = write!(svg, "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"1.6\"/>", x(*sheet), y(*index));
    }
    let _ = write!(
        svg,
        "<text x=\"4\" y=\"{:.0}\" font-size=\"11\">{limit}</text><text x=\"4\" y=\"{:.0}\" font-size=\"11\">1</text>\
         <text x=\"{MARGIN}\" y=\"{:.0}\" font-size=\"11\">sheet 1 to {}; dashed: the limit; upright: skims and new boards, dotted: seals and filters</text></svg>",
        y(limit) + 4.0,
        y(1.0) + 4.0,
        CHART.1 - 12.0,
        last.0
    );
    svg
}

/// Text that is text in HTML too.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            other => safe.push(other),
        }
    }
    safe
}
