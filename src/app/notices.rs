//! Messages for the user.

use super::view::NoticeView;
use crate::error::Error;

/// More than this many at once nobody reads; the oldest go.
const KEPT: usize = 6;

/// The messages that stand.
#[derive(Debug, Default)]
pub struct Notices {
    shown: Vec<NoticeView>,
    next: u64,
}

impl Notices {
    /// The messages, oldest first.
    pub fn views(&self) -> &[NoticeView] {
        &self.shown
    }

    fn push(&mut self, is_error: bool, text: String) {
        self.shown.retain(|n| n.text != text);
        self.next += 1;
        self.shown.push(NoticeView { id: self.next, is_error, text });
        let extra = self.shown.len().saturating_sub(KEPT);
        self.shown.drain(..extra);
    }

    /// Says something that is no error.
    pub fn say(&mut self, text: impl Into<String>) {
        self.push(false, text.into());
    }

    /// Says what went wrong.
    pub fn warn(&mut self, text: impl Into<String>) {
        self.push(true, text.into());
    }

    /// Shows an error; a stop that was asked for is none.
    pub fn error(&mut self, error: &Error) {
        if !error.is_cancelled() {
            self.push(true, error.to_string());
        }
    }

    /// Shows the error of `result`, if it is one.
    pub fn check<T>(&mut self, result: crate::error::Result<T>) -> Option<T> {
        result.map_err(|e| self.error(&e)).ok()
    }

    /// Takes one away.
    pub fn dismiss(&mut self, id: u64) {
        self.shown.retain(|n| n.id != id);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_twice_stands_once_and_a_stop_is_no_error() {
        let mut n = Notices::default();
        n.warn("a");
        n.warn("b");
        n.warn("a");
        n.error(&Error::cancelled());
        let texts: Vec<_> = n.views().iter().map(|v| v.text.as_str()).collect();
        assert_eq!(texts, ["b", "a"]);
        n.dismiss(n.views()[0].id);
        assert_eq!(n.views().len(), 1);
    }
}
