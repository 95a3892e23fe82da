//! Asking, in the middle of long work, whether to go on.

use std::cell::Cell;

use crate::error::{Error, Result};

/// Most work between two questions, in steps of about ten nanoseconds (one sample through one filter):
/// about a millisecond.
pub const PIECE: usize = 1 << 16;

/// Counts work and asks after each piece of it whether to go on.
///
/// Whoever works reports what was done in portions of at most [`PIECE`]; so no more than twice that
/// lies between two questions, however long the sound.
pub struct Poll<'a> {
    go_on: &'a dyn Fn() -> bool,
    since: Cell<usize>,
    total: Cell<u64>,
    longest: Cell<usize>,
}

impl<'a> Poll<'a> {
    /// Nothing is done yet.
    pub fn new(go_on: &'a dyn Fn() -> bool) -> Self {
        Self { go_on, since: Cell::new(0), total: Cell::new(0), longest: Cell::new(0) }
    }

    /// `steps` more were done. Errors: `Cancelled` once the answer is no.
    pub fn worked(&self, steps: usize) -> Result<()> {
        let since = self.since.get() + steps;
        self.since.set(since);
        if since < PIECE {
            return Ok(());
        }
        self.total.set(self.total.get() + since as u64);
        self.longest.set(self.longest.get().max(since));
        self.since.set(0);
        if (self.go_on)() { Ok(()) } else { Err(Error::cancelled()) }
    }

    /// All steps so far.
    pub fn total(&self) -> u64 {
        self.total.get() + self.since.get() as u64
    }

    /// Most steps that lay between two questions.
    pub fn longest(&self) -> usize {
        self.longest.get().max(self.since.get())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn asks_after_each_piece_and_stops_at_the_first_no() {
        let asked = Cell::new(0);
        let go_on = || {
            asked.set(asked.get() + 1);
            asked.get() < 3
        };
        let poll = Poll::new(&go_on);
        let mut done = 0;
        let end = loop {
            match poll.worked(1000) {
                Ok(()) => done += 1000,
                Err(e) => break e,
            }
        };
        assert!(end.is_cancelled());
        assert_eq!((asked.get(), poll.total()), (3, done + 1000));
        // The first multiple of a thousand from 65 536 on, three times.
        assert_eq!((poll.longest(), poll.total()), (66_000, 198_000));
    }
}
