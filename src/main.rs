//! The `holdwatch` program: see `holdwatch --help`.

use std::process::ExitCode;

fn main() -> ExitCode {
    holdwatch::cli::main()
}
