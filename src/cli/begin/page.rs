//! The same steps on a page, for whoever has a screen beside the machine and no terminal.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;

use anyhow::{Context, Result};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::telling::{by_weight, proposal};
use super::{EACH_STATE, write_new};
use crate::daemon::{Bench, Clock, adapters, serve_page_of_beginning};
use crate::gauge::search::Proposal;
use crate::moment::Steady;
use crate::page::Beginning;
use crate::setup::{Answers, Draft, Question, SUCTION_QUESTIONS, TABLE_QUESTIONS, answers_from_json, plausible};

/// What a person says on the page.
#[derive(Debug, Deserialize)]
#[serde(tag = "order", rename_all = "kebab-case", deny_unknown_fields)]
enum Order {
    /// Look for the gauge on a port.
    Search { port: String, answers: Value },
    /// The pump is so now: watch every number.
    Watch { on: bool, answers: Value },
    /// Write the setup.
    Write { answers: Value },
}

/// Where it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
enum Stage {
    /// Waits for the port.
    Port,
    /// Tries.
    Searching,
    /// Nobody answered.
    Nobody,
    /// Something answers; the pump is to be switched.
    Found,
    /// Looks at every number.
    Watching,
    /// The setup is there.
    Written,
}

/// What the page is shown.
#[derive(Clone, Debug, Serialize)]
struct Shown {
    stage: Stage,
    adapters: Vec<String>,
    out: String,
    questions: Value,
    /// Tries made, and the form that is tried.
    tries: usize,
    form: Option<String>,
    units: Vec<u8>,
    line: Option<String>,
    /// Bytes came that nothing could be made of.
    noise: bool,
    /// States of the pump that were watched, in order.
    watched: Vec<bool>,
    best: Value,
    rivals: Vec<Value>,
    not_proven: Vec<String>,
    assumptions: Vec<Value>,
    /// What went wrong last.
    wrong: Option<String>,
}

struct Desk {
    clock: Clock,
    orders: SyncSender<(Order, Stage)>,
    shown: Arc<Mutex<Shown>>,
}

impl Beginning for Desk {
    fn now(&self) -> Steady {
        self.clock.steady()
    }

    fn shown(&self) -> Value {
        let mut shown = lock(&self.shown);
        if shown.stage == Stage::Port {
            shown.adapters = adapters();
        }
        json!(*shown)
    }

    fn order(&self, order: Value) -> Result<(), String> {
        let order: Order = serde_json::from_value(order).map_err(|error| error.to_string())?;
        let mut shown = lock(&self.shown);
        let fits = match (&order, shown.stage) {
            (_, Stage::Searching | Stage::Watching) => Err("it is still looking; wait until it is done"),
            (Order::Watch { .. } | Order::Write { .. }, Stage::Port | Stage::Nobody) => {
                Err("no gauge is found yet; look for it first")
            }
            (Order::Search { .. } | Order::Watch { .. } | Order::Write { .. }, Stage::Written) => {
                Err("the setup is written; start again to write another")
            }
            _ => Ok(()),
        };
        fits.map_err(str::to_owned)?;
        let stage = match order {
            Order::Search { .. } => Stage::Searching,
            Order::Watch { .. } | Order::Write { .. } => Stage::Watching,
        };
        self.orders.try_send((order, shown.stage)).map_err(|_| "it is still at the order before".to_owned())?;
        shown.stage = stage;
        shown.wrong = None;
        Ok(())
    }
}

fn lock(shown: &Mutex<Shown>) -> MutexGuard<'_, Shown> {
    shown.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Serves the page on this computer alone, until the setup is written and looked at, or a signal ends it.
pub(super) fn serve(port: u16, out: &Path, overwrite: bool) -> Result<ExitCode> {
    let shown = Arc::new(Mutex::new(Shown {
        stage: Stage::Port,
        adapters: adapters(),
        out: out.display().to_string(),
        questions: json!({ "suction": questions(&SUCTION_QUESTIONS), "table": questions(&TABLE_QUESTIONS) }),
        tries: 0,
        form: None,
        units: Vec::new(),
        line: None,
        noise: false,
        watched: Vec::new(),
        best: Value::Null,
        rivals: Vec::new(),
        not_proven: Vec::new(),
        assumptions: Vec::new(),
        wrong: None,
    }));
    let (orders, taken) = sync_channel(1);
    let worker = Worker { shown: shown.clone(), out: out.to_owned(), overwrite, bench: None };
    thread::Builder::new().name("search".to_owned()).spawn(move || worker.run(&taken)).context("no thread")?;
    let desk = Arc::new(Desk { clock: Clock::new(1.0), orders, shown });
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    serve_page_of_beginning(address, desk, |address| println!("page: http://{address}/"))
        .with_context(|| format!("the page cannot listen on {address}; choose another with --page PORT"))?;
    Ok(ExitCode::SUCCESS)
}

fn questions(all: &[Question]) -> Value {
    let one = |question: &Question| {
        json!({
            "section": question.section,
            "key": question.key,
            "asks": question.asks,
            "hint": question.hint,
            "words": question.words(),
            "text": question.is_text,
        })
    };
    all.iter().map(one).collect()
}

/// The thread that owns the line.
struct Worker {
    shown: Arc<Mutex<Shown>>,
    out: PathBuf,
    overwrite: bool,
    bench: Option<Bench>,
}

impl Worker {
    /// Carries orders out one after the other; one that fails leads back to where it came from.
    fn run(mut self, orders: &Receiver<(Order, Stage)>) {
        while let Ok((order, back)) = orders.recv() {
            let done = match order {
                Order::Search { port, answers } => self.search(&port, answers),
                Order::Watch { on, answers } => self.watch(on, answers),
                Order::Write { answers } => self.write(answers),
            };
            let mut shown = lock(&self.shown);
            if let Err(error) = done {
                shown.wrong = Some(format!("{error:#}"));
                shown.stage = back;
            }
        }
    }

    fn search(&mut self, port: &str, answers: Value) -> Result<()> {
        let answers = read(answers)?;
        self.bench = None;
        {
            let mut shown = lock(&self.shown);
            shown.watched.clear();
            shown.not_proven.clear();
            shown.rivals.clear();
            shown.best = Value::Null;
        }
        let mut bench = Bench::open(port)?;
        let told = self.shown.clone();
        bench.hunt(answers.plan(), |hunt| {
            let mut shown = lock(&told);
            shown.tries = hunt.found().tries;
            shown.form = hunt.form().map(|form| form.to_string());
            true
        })?;
        bench.census(answers.gauge.registers, |_| true)?;
        let found = bench.found().clone();
        let mut shown = lock(&self.shown);
        shown.form = found.form.map(|form| form.to_string());
        shown.units = found.units;
        shown.line = found.talker.map(|talker| talker.line);
        shown.noise = !found.noise.is_empty();
        shown.stage = if found.form.is_some() { Stage::Found } else { Stage::Nobody };
        self.bench = Some(bench);
        Ok(())
    }

    fn watch(&mut self, on: bool, answers: Value) -> Result<()> {
        let answers = read(answers)?;
        let bench = self.bench.as_mut().context("no gauge is found yet")?;
        bench.watch(EACH_STATE, Some(on), || true)?;
        let proposals = bench.proposals(&plausible(&answers), &answers.gauge.told);
        let mut shown = lock(&self.shown);
        shown.watched.push(on);
        shown.stage = Stage::Found;
        show(&mut shown, bench, &proposals);
        Ok(())
    }

    fn write(&mut self, answers: Value) -> Result<()> {
        let answers = read(answers)?;
        let bench = self.bench.as_mut().context("no gauge is found yet")?;
        let proposals = bench.proposals(&plausible(&answers), &answers.gauge.told);
        let gauge = bench.gauge(&proposals).context("no number that can be a level was seen; switch the pump first")?;
        let (text, marked) = Draft::new(&answers, &gauge).text().map_err(|mistakes| anyhow::anyhow!("{mistakes}"))?;
        write_new(&self.out, &text, self.overwrite)?;
        let mut shown = lock(&self.shown);
        show(&mut shown, bench, &proposals);
        shown.assumptions = by_weight(&marked).into_iter().map(|mark| json!(mark)).collect();
        shown.stage = Stage::Written;
        Ok(())
    }
}

fn show(shown: &mut Shown, bench: &Bench, proposals: &[Proposal]) {
    let best = proposals.first();
    shown.best = best.map_or(Value::Null, named);
    shown.rivals = best.map_or(Vec::new(), |best| best.rivals(proposals).take(3).map(named).collect());
    shown.not_proven = bench.gauge(proposals).map_or(Vec::new(), |gauge| gauge.doubts);
}

/// A proposal with its place in words.
fn named(of: &Proposal) -> Value {
    let mut told = proposal(of);
    told["name"] = of.at.to_string().into();
    told["worth"] = of.worth().into();
    told
}

fn read(answers: Value) -> Result<Answers> {
    answers_from_json(&answers).map_err(|mistakes| anyhow::anyhow!("{mistakes}"))
}
