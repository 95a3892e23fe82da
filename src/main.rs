//! Arguments in, then either a command or the window.

use std::process::ExitCode;

fn main() -> ExitCode {
    seamwright::cli::run(std::env::args_os())
}
