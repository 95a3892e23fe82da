//! One document on standard output, everything else on standard error.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::{Value, json};

use crate::error::{Error, ErrorKind, Result};
use crate::jobs::{Interrupt, Job};
use crate::typeset::typeset;

/// The folder that all `files` lie in, however deep; empty where there is none.
pub fn common_folder<'a>(files: impl Iterator<Item = &'a Path>) -> PathBuf {
    let mut folders = files.filter_map(Path::parent);
    let Some(first) = folders.next() else { return PathBuf::new() };
    folders.fold(first.to_path_buf(), |common, folder| {
        common.ancestors().find(|a| folder.starts_with(a)).unwrap_or(Path::new("")).to_path_buf()
    })
}

/// Where a command writes.
pub struct Output {
    json: bool,
}

impl Output {
    /// A table, or JSON.
    pub fn new(json: bool) -> Self {
        Self { json }
    }

    /// The command's one document: `value` with `--json`, else `text`.
    pub fn document(&self, value: &Value, text: &str) -> Result<()> {
        let mut out = std::io::stdout().lock();
        let written = if self.json { writeln!(out, "{value}") } else { write!(out, "{text}") };
        match written.and_then(|()| out.flush()) {
            Ok(()) => Ok(()),
            // Whoever read it has heard enough.
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            Err(e) => Err(Error::new(ErrorKind::Io, format!("cannot write the result: {e}"))),
        }
    }

    /// A sentence on standard error, with real minus signs.
    pub fn say(&self, text: &str) {
        // Nowhere is left to report a broken standard error.
        let _ = writeln!(std::io::stderr(), "{}", typeset(text));
    }

    /// What stopped the command.
    pub fn error(&self, error: &Error) {
        self.say(&format!("seamwright: {error}"));
        if self.json {
            let kind = format!("{:?}", error.kind());
            // The message went to standard error already; a reader of JSON gets a document too.
            let _ = self.document(&json!({"error": {"kind": kind, "text": error.to_string()}}), "");
        }
    }

    /// Runs `work` with a progress line on standard error; Ctrl-C asks it to stop.
    pub fn with_progress<R>(&self, job: &Job, work: impl FnOnce() -> R) -> R {
        let cancel = job.cancel.clone();
        let _interrupt = Interrupt::calls(move || cancel.cancel());
        if !std::io::stderr().is_terminal() {
            return work();
        }
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr_with_hz(10));
        if let Ok(style) = ProgressStyle::with_template("{msg:12} {bar:30} {pos}/{len}  {eta} left") {
            bar.set_style(style);
        }
        let over = AtomicBool::new(false);
        let result = std::thread::scope(|scope| {
            scope.spawn(|| {
                while !over.load(Relaxed) {
                    let (done, total) = job.counts();
                    bar.set_length(total);
                    bar.set_position(done);
                    bar.set_message(job.stage());
                    std::thread::sleep(Duration::from_millis(100));
                }
            });
            let result = work();
            over.store(true, Relaxed);
            result
        });
        bar.finish_and_clear();
        result
    }
}

/// A column of a table: its name, and the unit of what stands in it (none for words).
pub type Head = (&'static str, &'static str);

/// What stands where there is no value.
pub const NONE: &str = "–";

/// A table of text columns, as wide as they need to be: a line of names, one of units where there are any, then
/// the rows.
pub fn table(head: &[Head], rows: &[Vec<String>]) -> String {
    let width = |i: usize| {
        let (name, unit) = head[i];
        let cells = rows.iter().filter_map(|r| r.get(i)).map(|c| c.chars().count());
        cells.chain([name.chars().count(), unit.chars().count()]).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    let line = |cells: &mut dyn Iterator<Item = &str>| {
        let mut text = String::new();
        for (cell, w) in cells.zip(&widths) {
            text.push_str(cell);
            text.extend(std::iter::repeat_n(' ', w + 2 - cell.chars().count()));
        }
        text.trim_end().to_owned() + "\n"
    };
    let mut text = line(&mut head.iter().map(|(name, _)| *name));
    if head.iter().any(|(_, unit)| !unit.is_empty()) {
        text.push_str(&line(&mut head.iter().map(|(_, unit)| *unit)));
    }
    for r in rows {
        text.push_str(&line(&mut r.iter().map(String::as_str)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_stand_below_their_names_and_units() {
        let row = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
        let rows = [row("x.wav", "−3.0"), row("long name.wav", NONE)];
        assert_eq!(
            table(&[("file", ""), ("level", "dB")], &rows),
            "file           level\n               dB\nx.wav          −3.0\nlong name.wav  –\n"
        );
        assert_eq!(table(&[("note", "")], &[vec!["C4".into()]]), "note\nC4\n");
    }
}
