//! Arguments that could not be read, told in the program's own voice: what was wrong, what is allowed, what
//! to do. The parser's own sentences and its usage are not shown.

use clap::error::{ContextKind, ContextValue, ErrorKind as Parser};

use crate::error::{Error, ErrorKind};

/// What was wrong, as an error of ours. `command`: the command that was named, if one was.
pub fn of(e: &clap::Error, command: Option<&str>) -> Error {
    let help = match command {
        Some(command) => format!("`seamwright {command} --help`"),
        None => "`seamwright --help`".to_owned(),
    };
    let text = sentence(e, command, &help).unwrap_or_else(|| {
        let text = e.to_string();
        let first = text.split("\n\n").next().unwrap_or_default();
        format!("{}; {help} tells what can be given", first.trim_start_matches("error: ").trim())
    });
    Error::new(ErrorKind::InvalidParameter, text)
}

fn sentence(e: &clap::Error, command: Option<&str>, help: &str) -> Option<String> {
    let arg = one(e, ContextKind::InvalidArg).map(|a| name_of(&a));
    let given = one(e, ContextKind::InvalidValue).unwrap_or_default();
    let about = command.map_or_else(|| "seamwright".to_owned(), |c| format!("`seamwright {c}`"));
    Some(match e.kind() {
        Parser::InvalidValue if given.is_empty() => {
            format!("{} has no value{}; {help} tells which", arg?, allowed(e))
        }
        Parser::InvalidValue => format!("{} is “{given}”{}", arg?, allowed(e)),
        Parser::ValueValidation => {
            let why = std::error::Error::source(e).map(ToString::to_string).unwrap_or_default();
            format!("{} is “{given}”; {why}", arg?)
        }
        Parser::UnknownArgument => {
            let arg = one(e, ContextKind::InvalidArg)?;
            let meant = one(e, ContextKind::SuggestedArg);
            let meant = meant.map_or_else(String::new, |m| format!("{} may be meant; ", name_of(&m)));
            if arg.starts_with('-') {
                format!("{about} has no option {arg}; {meant}{help} lists those there are")
            } else {
                format!("{about} has no use for “{arg}”; {help} tells what it takes, leave the rest out")
            }
        }
        Parser::MissingRequiredArgument => {
            let all: Vec<String> = many(e, ContextKind::InvalidArg)
                .iter()
                .map(|a| a.trim_end_matches("...").to_owned())
                .collect();
            format!("{about} lacks {}; {help} tells about each", listed(&all, "and"))
        }
        Parser::ArgumentConflict => {
            let other = many(e, ContextKind::PriorArg);
            match (arg?, other.first().map(|o| name_of(o))) {
                (arg, Some(other)) if other != arg => {
                    format!("{arg} and {other} cannot be given together; leave one of them out")
                }
                (arg, _) => format!("{arg} was given more than once; leave all but one out"),
            }
        }
        Parser::TooManyValues => format!("{} takes no value, it was given “{given}”; leave that out", arg?),
        Parser::InvalidUtf8 => "an argument is no text (UTF-8); write it anew, or rename the file".into(),
        _ => return None,
    })
}

/// The values that are allowed, and the nearest of them.
fn allowed(e: &clap::Error) -> String {
    let all = many(e, ContextKind::ValidValue);
    if all.is_empty() { String::new() } else { format!("; allowed: {}", listed(&all, "or")) }
}

/// `a, b or c`.
fn listed(all: &[String], last: &str) -> String {
    match all {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., end] => format!("{} {last} {end}", rest.join(", ")),
    }
}

/// `--layout <LAYOUT>` is called `--layout`; what stands in its place by itself keeps its name.
fn name_of(arg: &str) -> String {
    let name = arg.split([' ', '=']).next().unwrap_or(arg);
    if name.starts_with('-') { name.to_owned() } else { arg.to_owned() }
}

fn one(e: &clap::Error, kind: ContextKind) -> Option<String> {
    match e.get(kind)? {
        ContextValue::String(text) => Some(text.clone()),
        ContextValue::Strings(all) => all.first().cloned(),
        _ => None,
    }
}

fn many(e: &clap::Error, kind: ContextKind) -> Vec<String> {
    match e.get(kind) {
        Some(ContextValue::String(text)) => vec![text.clone()],
        Some(ContextValue::Strings(all)) => all.clone(),
        _ => Vec::new(),
    }
}
