//! `report`: a board's history, trend and care, to read, to print and as CSV.

mod ahead;
mod alarm_load;
mod causes;
mod checks;
mod csv;
mod page;
mod story;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Args;
use serde::Serialize;

use super::export::time as told_time;
use super::files;
use crate::board::pumps::board_per_sheet;
use crate::board::{Cost, Deed, Outlook};
use crate::job::Card;
use crate::journal::{Where, Window};
use crate::setup::Setup;
use crate::units::Length;
use story::Ground;
pub(super) use story::Story;

/// A board's history, its trend with an interval, its care and its alarms: to read, to print, as CSV.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  holdwatch report holdwatch.db --setup table.toml --html report.html --csv report\n\n\
                  Exit codes: 0 done, 1 failed, 2 wrong usage."
)]
pub(super) struct Report {
    /// The journal: an SQLite file, or `postgres://…`.
    #[arg(value_name = "FILE")]
    journal: String,
    /// The first time told of, RFC 3339.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// The first time not told of any more, RFC 3339.
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// The setup file: adds the table's name and, from its job cards, where and how far the board was cut.
    #[arg(long, value_name = "FILE")]
    setup: Option<PathBuf>,
    /// How deep the cutter goes into the board, in millimetres, for cards that say nothing; in the place of the setup's.
    #[arg(long, value_name = "MM")]
    into_board_mm: Option<f64>,
    /// What a board costs, fitted and faced: adds its cost for each sheet.
    #[arg(long, value_name = "MONEY", requires = "skim_price")]
    board_price: Option<f64>,
    /// What a skim costs.
    #[arg(long, value_name = "MONEY")]
    skim_price: Option<f64>,
    /// Write a page to print.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write sheets.csv, care.csv, alarms.csv, alarm-causes.csv, alarm-load.csv and checks.csv into this folder, and with a setup board.csv, causes.csv and figures.csv.
    #[arg(long, value_name = "FOLDER")]
    csv: Option<PathBuf>,
}

impl Report {
    pub(super) fn run(self) -> Result<ExitCode> {
        let window =
            Window { from: told_time(self.from.as_deref(), i64::MIN)?, to: told_time(self.to.as_deref(), i64::MAX)? };
        let setup = self.setup.as_deref().map(|path| self.setup_at(path)).transpose()?;
        let cards = self.setup.as_deref().zip(setup.as_ref()).map(|(path, setup)| cards(setup, &files::folder(path)));
        let cards = cards.unwrap_or_default();
        let ground = setup.as_ref().map(|setup| Ground { setup, cards: &cards, depth: setup.terms.into_board() });
        let story = Story::read(&Where::from_text(&self.journal), window, ground.as_ref())?;
        let outlook = setup.as_ref().map(|setup| Outlook::of(&story.board, &story.book, &setup.terms, &setup.table));
        let mornings = checks::read(&Where::from_text(&self.journal), window)?;
        let shifts = setup.as_ref().map(|setup| setup.shifts.clone()).unwrap_or_default();
        let until = story.sheets.iter().filter_map(|sheet| sheet.at.civil).max();
        let loads = alarm_load::read(&Where::from_text(&self.journal), window, &shifts, until)?;
        let mut extra = checks::told(&mornings);
        extra.extend(alarm_load::told(&loads));
        if let Some(outlook) = &outlook {
            extra.extend(causes::told(outlook));
            extra.extend(scars(&story, outlook));
            extra.extend(ahead::told(outlook));
        }
        extra.extend(self.cost(&story));
        let name = setup.as_ref().map_or("the table", |setup| setup.table_name.as_str());
        if let Some(path) = &self.html {
            let text = page::page(name, &story, &extra);
            std::fs::write(path, text).with_context(|| format!("cannot write {}", path.display()))?;
        }
        if let Some(folder) = &self.csv {
            csv::write(&story, outlook.as_ref(), folder)?;
            checks::write(&mornings, folder)?;
            alarm_load::write(&loads, folder)?;
        }
        println!("{name}: {} sheets, {} care, {} alarms", story.sheets.len(), story.care.len(), story.alarms.len());
        for line in now(&story).iter().chain(&extra) {
            println!("  {line}");
        }
        Ok(ExitCode::SUCCESS)
    }

    /// The setup, what is told on the command line in the place of its own.
    fn setup_at(&self, path: &Path) -> Result<Setup> {
        let mut setup = files::setup(path)?;
        setup.terms.board = self.board_price.map(Cost::from_money).or(setup.terms.board);
        setup.terms.into_board = self.into_board_mm.map(Length::from_millimetres).or(setup.terms.into_board);
        if let Some(skim) = self.skim_price {
            let hours = setup.terms.skim_takes().secs_f64() / 3600.0;
            setup.terms.hour = Some(Cost::from_money(skim / hours));
        }
        Ok(setup)
    }

    fn cost(&self, story: &Story) -> Option<String> {
        let (board, skim) = (Cost::from_money(self.board_price?), Cost::from_money(self.skim_price?));
        let skims = story.care.iter().filter(|care| care.done == Deed::Skimmed).count();
        let sheets = u64::try_from(story.sheets.len()).unwrap_or(u64::MAX);
        let each = board_per_sheet(board, skim, u32::try_from(skims).unwrap_or(u32::MAX), sheets)?;
        Some(format!("board and skims cost {:.2} a sheet in this time", each.money()))
    }
}

/// How the board stands, in sentences.
fn now(story: &Story) -> Vec<String> {
    let board = &story.board;
    let mut lines = vec![format!("{} sheets seated since the last skim", board.sheets())];
    lines.push(match board.leak_index() {
        Some(index) => format!("leak index {index:.2}; a skim is due at {}", story.settings.skim_at),
        None => "leak index unknown: no sheet has been compared since".to_owned(),
    });
    lines.push(match board.skim_due() {
        Some(due) => {
            let days = story.sheets_a_day().map(|day| {
                format!(", {:.0} to {:.0} days at {day:.0} sheets a day", due.interval.0 / day, due.interval.1 / day)
            });
            let days = days.unwrap_or_default();
            format!("skim due in {:.0} sheets ({:.0} to {:.0}{days})", due.sheets, due.interval.0, due.interval.1)
        }
        None => "when a skim is due is unknown: the sheets do not say".to_owned(),
    });
    if let Some(fresh) = board.rim_index() {
        lines.push(format!("a fresh face leaked {fresh:.2} times what was expected: rims and seams"));
    }
    if let Some(jump) = board.jump() {
        let asks = if jump.by < 0.0 {
            "was the board skimmed, sealed or changed, or the filter? then say so on the page"
        } else {
            "what came loose then, or was the board or the filter changed?"
        };
        lines.push(format!("{} sheets ago the leak index jumped by {:+.2}: {asks}", jump.sheets_ago, jump.by));
    }
    lines.extend(board.prompts().into_iter().map(|prompt| page::prompt_sentence(prompt).to_owned()));
    lines
}

/// Where and how far the board was cut since the last skim, by the cards of the sheets.
fn scars(story: &Story, outlook: &Outlook) -> Vec<String> {
    let face = &outlook.face;
    let mut lines = vec![format!(
        "cut since the last skim: {:.0} m, {:.0} % of the face scarred, {} passes over the place most often cut",
        face.cut.metres(),
        face.share * 100.0,
        face.most_passes
    )];
    lines.extend(face.worst.map(|(depth, at)| {
        format!(
            "the deepest scar is {:.2} mm, at x {:.0} mm, y {:.0} mm",
            depth.millimetres(),
            at.x.millimetres(),
            at.y.millimetres()
        )
    }));
    let unknown = story.book.sheets().1;
    if unknown > 0 {
        lines.push(format!("{unknown} sheets had no card that is still there, and are not in these figures"));
    }
    lines
}

fn cards(setup: &Setup, folder: &Path) -> Vec<Card> {
    let Some(cards) = &setup.cards_dir else { return Vec::new() };
    let Ok(found) = std::fs::read_dir(folder.join(cards)) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = found.filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    paths.sort();
    paths.iter().filter_map(|path| files::card(path, setup).ok()).collect()
}

/// The key under which a value is kept.
fn key<T: Serialize>(value: &T) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}
