//! The program's log on standard error: few lines, in the trade's words.

use clap::{Args, ValueEnum};
use tracing_subscriber::EnvFilter;

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
        let filter = EnvFilter::try_new(&self.log_level).unwrap_or_else(|error| {
            eprintln!("holdwatch: log level {:?} is not understood ({error}); using info", self.log_level);
            EnvFilter::new("info")
        });
        let log = tracing_subscriber::fmt().with_writer(std::io::stderr).with_env_filter(filter).with_target(false);
        match self.form() {
            Form::Text => log.with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr())).init(),
            Form::Json => log.json().init(),
        }
    }

    fn form(&self) -> Form {
        self.log
    }
}
