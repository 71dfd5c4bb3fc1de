//! Forecasts, cut programs and the numbers of surveys, each in a child process of this same program, so that heavy work neither grows
//! the daemon nor stalls it.
//!
//! What takes long, the boards condensed along a cut, hangs on the board, its zones' places and the job alone. The child gives them
//! back beside the forecast, and the daemon hands them to the next child: when only zones, pump, filter, valves or the room's
//! pressure are others, nothing is solved again.

use std::collections::VecDeque;
use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;
use std::process::{ExitStatus, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::Command;
use tokio::sync::Semaphore;
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use super::cards::{Folder, written};
use crate::board::survey::{Finding, Reading, Survey};
use crate::event::Request;
use crate::expectation::{self, Boards, Forecast, ForecastError, Question, Spread};
use crate::job::plan::{Bed, Machine};
use crate::job::{Card, Cut, Progress};
use crate::setup::Setup;
use crate::table::field::{Resolution, Sequence};
use crate::table::{Rect, Table, Tap};

/// The longest a forecast, or the reading of a program, may take.
const LIMIT: Duration = Duration::from_secs(120);

/// The longest answer that is read, in bytes.
const LONGEST_ANSWER: u64 = 64 << 20;

/// The most bytes of condensed boards that are kept for later forecasts; the newest are kept whatever they take.
const MOST_KEPT: usize = 4 << 20;

/// The most memory that the reading of a program may take, in bytes.
const MOST_FOR_A_PROGRAM: u64 = 150 << 20;

/// What is to be forecast.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Brief {
    /// The table.
    pub table: Table,
    /// Where the gauge sits that the forecast is compared with.
    pub tap: Tap,
    /// How well the table is known.
    pub spread: Spread,
    /// What is asked.
    pub request: Request,
    /// How finely the board is divided.
    pub resolution: Resolution,
}

/// What the child reads from its standard input.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum Task {
    /// A forecast; the child writes a `Result<Reply, String>`.
    Forecast(Box<Commission>),
    /// A card's program to be read; the child writes a `Result<Card, String>`.
    Program(Box<ProgramTask>),
    /// The numbers of a survey; the child writes a `Result<Finding, String>`.
    Survey(Box<SurveyBrief>),
}

/// A card whose program is to be read.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ProgramTask {
    /// The card.
    pub card: Card,
    /// The program's file.
    pub file: PathBuf,
    /// The machine that runs it.
    pub machine: Machine,
    /// The board under it.
    pub bed: Bed,
    /// The most memory that the reading may take, in bytes.
    pub most_memory: u64,
}

impl ProgramTask {
    /// Reads it here and now.
    ///
    /// # Errors
    /// Every line that is refused, each with the file before it.
    pub fn run(self) -> Result<Card, String> {
        let shown = self.file.display();
        let source = File::open(&self.file).map_err(|error| format!("{shown} cannot be read: {error}"))?;
        let planned = self.card.with_program(BufReader::new(source), &self.machine, &self.bed);
        planned.map(|(card, _)| card).map_err(|refusals| {
            let lines: Vec<String> = refusals.iter().map(|refusal| format!("{shown}: {refusal}")).collect();
            lines.join("\n")
        })
    }
}

/// A forecast to be computed, as the child reads it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Commission {
    /// The brief.
    pub brief: Brief,
    /// Its boards as bytes, if they are known from an earlier reply.
    pub known: Option<Vec<u8>>,
}

/// The readings of a survey, to be fitted.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SurveyBrief {
    /// The table as the setup has it.
    pub table: Table,
    /// The readings.
    pub readings: Vec<Reading>,
    /// The share to which numbers are wanted.
    pub wanted: f64,
    /// How finely the board is divided.
    pub resolution: Resolution,
}

impl SurveyBrief {
    /// Fits them here and now.
    ///
    /// # Errors
    /// One line of text that says why there are no numbers.
    pub fn run(&self) -> Result<Finding, String> {
        let survey = Survey { table: &self.table, readings: &self.readings };
        let fit = survey.fit(self.resolution).map_err(|error| error.to_string())?;
        Ok(Finding::of(&self.table, &fit, self.wanted))
    }
}

/// A forecast as the child gives it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Reply {
    /// The forecast.
    pub forecast: Forecast,
    /// The boards as bytes, if they were condensed for it.
    pub boards: Option<Vec<u8>>,
}

/// At how many points of a cut a forecast is reckoned.
const POINTS: u16 = 65;

impl Brief {
    /// The brief for a table as it is set up.
    pub fn new(setup: &Setup, request: Request, resolution: Resolution) -> Self {
        let behind = setup.main_gauge_settings().is_some_and(|gauge| gauge.place.is_behind_filter());
        let tap = if behind { Tap::PumpInlet } else { Tap::Manifold };
        let table = match request.room {
            Some(room) => setup.table.clone().in_room(room),
            None => setup.table.clone(),
        };
        Brief { table, tap, spread: setup.spread, request, resolution }
    }

    /// Condenses the boards along the cut by the flow field, here and now.
    ///
    /// # Errors
    /// [`ForecastError`] if the field does not settle.
    pub fn condense(&self) -> Result<Boards, ForecastError> {
        let mut lying: Option<Sequence> = None;
        let beside = self.request.lying();
        Boards::condense(&self.table, self.request.card.as_deref(), &beside, POINTS, |load| {
            let mut sequence = match lying.take() {
                Some(sequence) => sequence,
                None => Sequence::start(&self.table, load, self.resolution)?,
            };
            sequence.go_to(load)?;
            let field = sequence.field().clone();
            lying = Some(sequence);
            Ok::<_, ForecastError>(field)
        })
    }

    /// Reckons the forecast over its boards.
    ///
    /// # Errors
    /// [`ForecastError`] for a request that cannot be answered.
    pub fn answer(&self, boards: &Boards) -> Result<Forecast, ForecastError> {
        let question = Question {
            table: &self.table,
            tap: self.tap,
            card: self.request.card.as_deref(),
            beside: &self.request.lying(),
            sets: &self.request.open,
            spread: &self.spread,
        };
        expectation::forecast(&question, boards)
    }

    /// What its boards hang on, as a digest.
    fn key(&self) -> Result<[u8; 32], String> {
        let zones: Vec<&[Rect]> = self.table.plenum.zones.iter().map(|zone| &zone.rects[..]).collect();
        let cut = self.request.card.as_deref().map(|card| {
            let held: Vec<_> = card.parts.iter().map(|part| part.held).collect();
            let cut = Cut::of(card);
            let load = cut.load(Progress::from_fraction(1.0)).beside(&self.request.lying());
            (load, cut.drawn_in(), cut.each_freed_at(), held)
        });
        let on = (&self.table.board, self.table.plenum.contact, zones, cut, self.resolution);
        let bytes = postcard::to_stdvec(&on).map_err(|error| error.to_string())?;
        Ok(Sha256::digest(bytes).into())
    }
}

impl Commission {
    /// Runs it here and now.
    ///
    /// # Errors
    /// One line of text that says why there is no forecast.
    pub fn run(&self) -> Result<Reply, String> {
        let told = |error: ForecastError| error.to_string();
        let (boards, fresh) = match &self.known {
            Some(known) => (postcard::from_bytes(known).map_err(|error| error.to_string())?, None),
            None => {
                let boards = self.brief.condense().map_err(told)?;
                let bytes = postcard::to_stdvec(&boards).map_err(|error| error.to_string())?;
                (boards, Some(bytes))
            }
        };
        Ok(Reply { forecast: self.brief.answer(&boards).map_err(told)?, boards: fresh })
    }
}

/// Has forecasts computed, one at a time, and keeps their boards.
#[derive(Debug)]
pub(super) struct Computer {
    resolution: Resolution,
    turn: Semaphore,
    reading: Semaphore,
    kept: Mutex<VecDeque<([u8; 32], Vec<u8>)>>,
}

impl Computer {
    /// One for a computer whose time runs `pace` times as fast as real time: what is hurried is reckoned on coarse cells.
    pub(super) fn new(pace: f64) -> Self {
        let resolution = if pace > 1.0 { Resolution::Preview } else { Resolution::Standard };
        Computer { resolution, turn: Semaphore::new(1), reading: Semaphore::new(1), kept: Mutex::default() }
    }

    /// Has a forecast computed.
    ///
    /// # Errors
    /// One line of text that says why there is none.
    ///
    /// # Cancellation
    /// Dropping the future kills the child.
    pub(super) async fn forecast(&self, setup: &Setup, request: Request) -> Result<Forecast, String> {
        let brief = Brief::new(setup, request, self.resolution);
        let _turn = self.turn.acquire().await.map_err(|error| error.to_string())?;
        let key = brief.key()?;
        let task = Task::Forecast(Box::new(Commission { brief, known: self.known(&key) }));
        let said = within("the forecast", &task).await?;
        let reply = postcard::from_bytes::<Result<Reply, String>>(&said)
            .map_err(|error| format!("the forecast is unreadable: {error}"))??;
        if let Some(boards) = reply.boards {
            self.keep(key, boards);
        }
        Ok(reply.forecast)
    }

    /// Has a survey's readings fitted.
    ///
    /// # Errors
    /// One line of text that says why there are no numbers.
    ///
    /// # Cancellation
    /// Dropping the future kills the child.
    pub(super) async fn survey(&self, table: Table, readings: Vec<Reading>, wanted: f64) -> Result<Finding, String> {
        let brief = SurveyBrief { table, readings, wanted, resolution: self.resolution };
        let _turn = self.turn.acquire().await.map_err(|error| error.to_string())?;
        let said = within("the survey's numbers", &Task::Survey(Box::new(brief))).await?;
        postcard::from_bytes::<Result<Finding, String>>(&said)
            .map_err(|error| format!("the survey's numbers are unreadable: {error}"))?
    }

    /// Has the card of this name read, with its program; none if there is no such card.
    ///
    /// # Errors
    /// One text that says why it cannot be read: the mistakes of the card, the lines of its program that are refused, or how the child
    /// ended.
    ///
    /// # Cancellation
    /// Dropping the future kills the child.
    pub(super) async fn card(
        &self,
        setup: &Arc<Setup>,
        folder: &Folder,
        name: String,
    ) -> Result<Option<Box<Card>>, String> {
        let (folder, known) = (folder.clone(), Arc::clone(setup));
        let found = spawn_blocking(move || folder.find(&name, &known)).await.map_err(|error| error.to_string())?;
        let Some(found) = found else { return Ok(None) };
        let (card, program) = found?;
        match program {
            Some(file) => self.planned(setup, card, file).await.map(Some),
            None => Ok(Some(Box::new(card))),
        }
    }

    /// Has the program of a card read, of a file in the folder.
    ///
    /// # Errors
    /// As of [`Computer::card`].
    ///
    /// # Cancellation
    /// Dropping the future kills the child.
    pub(super) async fn program(&self, setup: &Arc<Setup>, folder: &Folder, card: Card) -> Result<Box<Card>, String> {
        let (folder, wanted) = (folder.clone(), card.name.clone());
        let file = spawn_blocking(move || folder.program(&wanted)).await.map_err(|error| error.to_string())??;
        let card = card.zeroed_unless_said(written(&file));
        self.planned(setup, card, file).await
    }

    async fn planned(&self, setup: &Setup, card: Card, file: PathBuf) -> Result<Box<Card>, String> {
        let _turn = self.reading.acquire().await.map_err(|error| error.to_string())?;
        let task =
            ProgramTask { card, file, machine: setup.machine, bed: setup.bed(), most_memory: MOST_FOR_A_PROGRAM };
        let said = within("the cut program", &Task::Program(Box::new(task))).await?;
        let read = postcard::from_bytes::<Result<Card, String>>(&said);
        read.map_err(|error| format!("the cut program is unreadable: {error}"))?.map(Box::new)
    }

    fn known(&self, key: &[u8; 32]) -> Option<Vec<u8>> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|(other, _)| other == key).map(|(_, boards)| boards.clone())
    }

    fn keep(&self, key: [u8; 32], boards: Vec<u8>) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.push_back((key, boards));
        while kept.len() > 1 && kept.iter().map(|(_, boards)| boards.len()).sum::<usize>() > MOST_KEPT {
            kept.pop_front();
        }
    }
}

async fn within(what: &str, task: &Task) -> Result<Vec<u8>, String> {
    let done = timeout(LIMIT, run(what, task)).await;
    done.map_err(|_| format!("{what} took longer than {} s", LIMIT.as_secs()))?
}

async fn run(what: &str, task: &Task) -> Result<Vec<u8>, String> {
    let program = std::env::current_exe().map_err(|error| format!("this program cannot find itself: {error}"))?;
    let asked = postcard::to_stdvec(task).map_err(|error| error.to_string())?;
    let mut child = Command::new(program)
        .arg("compute")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| format!("{what} cannot be started on: {error}"))?;
    if let Some(mut input) = child.stdin.take() {
        input
            .write_all(&asked)
            .await
            .map_err(|error| format!("{what}: the child process takes no question: {error}"))?;
    }
    let mut said = Vec::new();
    if let Some(output) = child.stdout.take() {
        let read = output.take(LONGEST_ANSWER).read_to_end(&mut said).await;
        read.map_err(|error| format!("{what}: the child process gives no answer: {error}"))?;
    }
    let status = child.wait().await.map_err(|error| error.to_string())?;
    if status.success() { Ok(said) } else { Err(failed(what, task, status)) }
}

fn failed(what: &str, task: &Task, status: ExitStatus) -> String {
    match task {
        Task::Forecast(_) | Task::Survey(_) => format!("{what} failed: {status}"),
        Task::Program(task) => format!(
            "{what} {} could not be read within {} MiB of memory and {} s: {status}; split it",
            task.file.display(),
            task.most_memory >> 20,
            LIMIT.as_secs()
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::{read_card, read_setup};

    /// What is kept of one job must not be taken for another's.
    #[test]
    fn whatever_changes_a_jobs_boards_changes_what_they_are_kept_under() {
        let setup = read_setup(include_str!("../../config/demo.toml"), "demo.toml").unwrap();
        let plain = include_str!("../../config/cards/cabinet-sides.toml");
        let key = |text: &str| {
            let card = Some(Box::new(read_card(text, "card.toml", &setup).unwrap()));
            let request = Request { card, beside: vec![], open: vec![], room: None };
            Brief::new(&setup, request, Resolution::Standard).key().unwrap()
        };
        assert_eq!(key(plain), key(plain));
        for (from, to) in [("[sheet]", "[sheet]\nragged_mm = 15"), ("diameter_mm = 10", "diameter_mm = 8")] {
            assert_ne!(key(plain), key(&plain.replace(from, to)), "{to}");
        }
    }
}
