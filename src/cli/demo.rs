//! `demo`: the simulated table in a child process, the real program on it, and its page.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};
use std::thread;
use std::time::Duration;

use anyhow::{Context, Result};
use clap::Args;
use rust_embed::RustEmbed;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::files;
use super::simulate::{as_told, pace, place, scenes};
use crate::daemon::{self, Options};
use crate::event::{Actor, Command as Order};
use crate::moment::Span;
use crate::plant::Report;
use crate::setup::{Setup, Source, StoreSettings};

/// The invented shop's files.
#[derive(RustEmbed)]
#[folder = "config/"]
#[include = "demo.toml"]
#[include = "cards/*.toml"]
struct Shop;

/// Limits that are times of a real computer are stretched with the pace, so that each lasts at least this long on it.
const LEAST_REAL_LIMIT: (Duration, Duration) = (Duration::from_millis(100), Duration::from_millis(500));

/// Watch a simulated table: a child process plays it behind a pseudo-terminal, and the real program watches it.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  holdwatch demo\n  holdwatch demo --scene sheet-lifts --pace 10 --for 60\n\n\
                  Scenes: good-cut, badly-seated, zone-left-open, sheet-lifts, small-part-lost, slow-leak, pump-failing,\n\
                  filter-plugging, cable-pulled, and shift, which is all that a shop sees one after the other.")]
pub(super) struct Demo {
    /// How many times as fast as real time to run, 1 to 60.
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = pace)]
    pace: f64,
    /// The scene to play, again and again.
    #[arg(long, value_name = "NAME", default_value = "shift")]
    scene: String,
    /// The page's port on this computer; 0 for any that is free.
    #[arg(long, value_name = "P", default_value_t = 8017)]
    port: u16,
    /// The folder for the journal and the demo's files; a new one below the temporary folder if it is left out.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// End after so many seconds of real time.
    #[arg(long = "for", value_name = "SECONDS")]
    seconds: Option<f64>,
    /// Draws what the setup does not know of the table.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

/// The child, ended when dropped.
struct Simulated(Child);

impl Drop for Simulated {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Demo {
    pub(super) fn run(self) -> Result<ExitCode> {
        let played = scenes(&self.scene)?;
        let folder = self.folder()?;
        let link = folder.join("gauge");
        let mut setup = lay_out(&folder, &link)?;
        if let Some(gauge) = setup.gauges.first_mut() {
            gauge.place = place(&played);
        }
        self.adapt(&mut setup);
        let (tell, controller) = mpsc::channel(256);
        let mut child = self.start(&folder, &link)?;
        let said = child.0.stdout.take().context("the simulated table says nothing")?;
        let stop = CancellationToken::new();
        thread::spawn(move || pass_on(BufReader::new(said), &tell));
        self.end_in_time(stop.clone());
        let shown = folder.display().to_string();
        daemon::run(Options {
            setup,
            folder,
            pace: self.pace,
            stop,
            controller: Some(controller),
            ready: Box::new(move |address| {
                println!("SIMULATED table; nothing here is measured");
                println!("page:    http://{address}/");
                println!("journal: {shown}/holdwatch.db");
                println!("Ctrl-C ends it");
            }),
        })?;
        drop(child);
        Ok(ExitCode::SUCCESS)
    }

    fn folder(&self) -> Result<PathBuf> {
        let folder = match &self.data {
            Some(folder) => folder.clone(),
            None => std::env::temp_dir().join(format!("holdwatch-demo-{}", std::process::id())),
        };
        std::fs::create_dir_all(&folder).with_context(|| format!("cannot make the folder {}", folder.display()))?;
        std::fs::canonicalize(&folder).with_context(|| format!("cannot use the folder {}", folder.display()))
    }

    fn adapt(&self, setup: &mut Setup) {
        setup.source = Source::Simulated;
        setup.page.listen.set_port(self.port);
        let at_least = |span: Span, real: Duration| span.max(Span::from_secs_f64(real.as_secs_f64() * self.pace));
        setup.watch.stale_after = at_least(setup.watch.stale_after, LEAST_REAL_LIMIT.1);
        for line in &mut setup.lines {
            line.reply_limit = at_least(line.reply_limit, LEAST_REAL_LIMIT.0);
        }
    }

    fn start(&self, folder: &Path, link: &Path) -> Result<Simulated> {
        let program = std::env::current_exe().context("this program cannot find itself")?;
        let child = Command::new(program)
            .args(["simulate", "--with-starter", "--setup"])
            .arg(folder.join("demo.toml"))
            .args(["--scene", &self.scene])
            .arg("--link")
            .arg(link)
            .args(["--pace", &self.pace.to_string(), "--seed", &self.seed.to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .context("the simulated table cannot start")?;
        Ok(Simulated(child))
    }

    fn end_in_time(&self, stop: CancellationToken) {
        if let Some(seconds) = self.seconds {
            thread::spawn(move || {
                thread::sleep(Duration::from_secs_f64(seconds.clamp(0.0, 1e9)));
                stop.cancel();
            });
        }
    }
}

/// Writes the invented shop's files into the folder, with the link as the line's port.
fn lay_out(folder: &Path, link: &Path) -> Result<Setup> {
    std::fs::create_dir_all(folder.join("cards"))?;
    for name in Shop::iter() {
        if let Some(file) = Shop::get(&name) {
            std::fs::write(folder.join(name.as_ref()), file.data)?;
        }
    }
    let mut setup = files::setup(&folder.join("demo.toml"))?;
    for line in &mut setup.lines {
        line.port = link.display().to_string();
    }
    setup.store = StoreSettings::Sqlite { path: "holdwatch.db".into() };
    setup.cards_dir = Some("cards".into());
    Ok(setup)
}

/// Passes on what the machine's controller says, until the simulated table ends.
fn pass_on(said: impl BufRead, tell: &mpsc::Sender<(Actor, Order)>) {
    for line in said.lines().map_while(Result::ok) {
        let order = serde_json::from_str::<Report>(&line).ok().and_then(as_told);
        if let Some(order) = order
            && tell.blocking_send((Actor("controller".to_owned()), order)).is_err()
        {
            return;
        }
    }
}
