//! One document on standard output, everything else on standard error.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::{Value, json};

use crate::error::{Error, ErrorKind, Result};
use crate::jobs::{Interrupt, Job};

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

    /// A sentence on standard error.
    pub fn say(&self, text: &str) {
        // Nowhere is left to report a broken standard error.
        let _ = writeln!(std::io::stderr(), "{text}");
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

/// A table of text columns, as wide as they need to be.
pub fn table(head: &[&str], rows: &[Vec<String>]) -> String {
    let width = |i: usize| {
        rows.iter()
            .filter_map(|r| r.get(i))
            .map(|c| c.chars().count())
            .chain([head[i].chars().count()])
            .max()
            .unwrap_or(0)
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
    let mut text = line(&mut head.iter().copied());
    for r in rows {
        text.push_str(&line(&mut r.iter().map(String::as_str)));
    }
    text
}
