//! The commands: each does one step headless, by the same functions as the window.
//!
//! One document goes to standard output (a table, or JSON with `--json`), progress and messages to
//! standard error. The exit code is 0 on success, 1 when some takes failed and the rest is done, 2
//! on wrong usage.

mod check;
mod clean;
mod deliver;
mod delivery_options;
mod demo;
mod flatten;
mod loops;
mod one_take;
mod options;
mod output;
mod pitch;
mod propose;
mod refusal;
mod seam;
mod session_file;
mod survey;

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};

use crate::error::{Error, ErrorKind, Result};
use output::Output;

/// Turns recorded takes of an instrument into a playable, looped, tuned sample set.
///
/// Without a command it opens the window, on FOLDER or SESSION where one is given. Source files are
/// only ever read; edits live in a session file beside the takes.
#[derive(Debug, Parser)]
#[command(
    name = "seamwright",
    version,
    args_conflicts_with_subcommands = true,
    after_help = "Exit codes of the commands: 0 all done, 1 some takes failed and the rest is done, 2 wrong usage."
)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,
    /// Folder with takes, sound files, or a session to open in the window
    #[arg(value_name = "FOLDER or SESSION")]
    paths: Vec<PathBuf>,
}

// Each command's help stands on its arguments.
#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    Survey(survey::Args),
    Pitch(pitch::Args),
    Clean(clean::Args),
    Flatten(flatten::Args),
    Loops(loops::Args),
    Seam(seam::Args),
    Propose(propose::Args),
    Deliver(Box<deliver::Args>),
    Check(check::Args),
}

/// What a command that ran to its end reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Done {
    All,
    SomeFailed,
}

impl Done {
    fn all_if(ok: bool) -> Self {
        if ok { Self::All } else { Self::SomeFailed }
    }
}

/// Runs the program with `args` (the first is its name).
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args: Vec<OsString> = args.into_iter().collect();
    let cli = match command().try_get_matches_from(&args).and_then(|m| Cli::from_arg_matches(&m)) {
        Ok(cli) => cli,
        Err(e) => return not_understood(&e, &args),
    };
    let json = cli.command.as_ref().is_some_and(Command::json);
    let output = Output::new(json);
    let result = match cli.command {
        None => window(cli.paths),
        Some(command) => command.run(&output),
    };
    match result {
        Ok(Done::All) => ExitCode::SUCCESS,
        Ok(Done::SomeFailed) => ExitCode::from(1),
        Err(error) => {
            output.error(&error);
            ExitCode::from(exit_code(&error))
        }
    }
}

/// The arguments. A number below zero after an option is its value, to be refused in the option's own
/// words where it is out of range.
fn command() -> clap::Command {
    Cli::command().mut_subcommands(|command| {
        command.mut_args(|arg| {
            let takes_a_value = arg.get_action().takes_values() && !arg.is_positional();
            if takes_a_value { arg.allow_negative_numbers(true) } else { arg }
        })
    })
}

/// Opens the window; what is not there is refused before, as it may be a command that was mistyped.
fn window(paths: Vec<PathBuf>) -> Result<Done> {
    if let Some(missing) = paths.iter().find(|p| !p.exists()) {
        return Err(nothing_named(missing));
    }
    crate::app::run(paths).map(|()| Done::All)
}

/// What is no command and is not there either.
fn nothing_named(name: &Path) -> Error {
    Error::new(
        ErrorKind::NotFound,
        format!(
            "there is no command, folder, sound file or session named “{}”; the commands are told by --help",
            name.display()
        ),
    )
}

/// Prints help or version where they were asked for, else what was wrong with the arguments.
fn not_understood(e: &clap::Error, args: &[OsString]) -> ExitCode {
    if !e.use_stderr() {
        // A closed standard output leaves nowhere to say so.
        let _ = e.print();
        return ExitCode::SUCCESS;
    }
    let first = args.get(1).and_then(|a| a.to_str()).filter(|a| !a.starts_with('-'));
    let named = first.filter(|name| Cli::command().find_subcommand(name).is_some());
    // What follows a command that was mistyped says nothing.
    let mistyped = first.map(Path::new).filter(|name| named.is_none() && !name.exists());
    let error = mistyped.map_or_else(|| refusal::of(e, named), nothing_named);
    Output::new(args.iter().any(|a| a == "--json")).error(&error);
    ExitCode::from(2)
}

/// What was asked for could not be begun: 2. It was begun and failed: 1.
fn exit_code(error: &Error) -> u8 {
    match error.kind() {
        ErrorKind::InvalidParameter | ErrorKind::NotFound | ErrorKind::NameClash | ErrorKind::NothingHere => {
            2
        }
        _ => 1,
    }
}

impl Command {
    fn json(&self) -> bool {
        match self {
            Self::Demo(a) => a.json,
            Self::Survey(a) => a.json,
            Self::Pitch(a) => a.json,
            Self::Clean(a) => a.json,
            Self::Flatten(a) => a.json,
            Self::Loops(a) => a.json,
            Self::Seam(a) => a.json,
            Self::Propose(a) => a.json,
            Self::Deliver(a) => a.json,
            Self::Check(a) => a.json,
        }
    }

    fn run(self, output: &Output) -> Result<Done> {
        match self {
            Self::Demo(a) => demo::run(&a, output),
            Self::Survey(a) => survey::run(&a, output),
            Self::Pitch(a) => pitch::run(&a, output),
            Self::Clean(a) => clean::run(&a, output),
            Self::Flatten(a) => flatten::run(&a, output),
            Self::Loops(a) => loops::run(&a, output),
            Self::Seam(a) => seam::run(&a, output),
            Self::Propose(a) => propose::run(&a, output),
            Self::Deliver(a) => deliver::run(&a, output),
            Self::Check(a) => check::run(&a, output),
        }
    }
}
