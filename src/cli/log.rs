//! The program's log on standard error: few lines, in the trade's words.

use clap::{Args, ValueEnum};
use tracing::level_filters::LevelFilter;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{Layer, fmt};

/// How the log looks.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
enum Form {
    /// Lines for people.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

/// What is logged, and how.
#[derive(Debug, Args)]
pub(super) struct LogArguments {
    /// The log's form on standard error.
    #[arg(long, global = true, value_enum, default_value_t, value_name = "FORM")]
    log: Form,
    /// What to log: error, warn, info, debug or trace, or a filter such as `info,holdwatch::daemon=debug`.
    #[arg(long, global = true, default_value = "info", value_name = "LEVEL")]
    log_level: String,
}

impl LogArguments {
    pub(super) fn start(&self) {
        let filter: Targets = self.log_level.parse().unwrap_or_else(|error| {
            eprintln!("holdwatch: log level {:?} is not understood ({error}); using info", self.log_level);
            Targets::new().with_default(LevelFilter::INFO)
        });
        let lines = fmt::layer().with_writer(std::io::stderr).with_target(false);
        let lines = match self.form() {
            Form::Text => lines.with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr())).boxed(),
            Form::Json => lines.json().boxed(),
        };
        tracing_subscriber::registry().with(lines.with_filter(filter)).init();
    }

    fn form(&self) -> Form {
        self.log
    }
}
