//! Messages for the user. What only tells goes by itself after a while; what went wrong stays until it
//! is closed, or until what it tells of is so no more.

use super::view::NoticeView;
use super::words::{short_paths, typeset};
use crate::error::Error;

/// More than this many at once nobody reads; the oldest go.
const KEPT: usize = 6;
/// How long a message that only tells stays, in seconds: at least so long, and so long for a character.
const AT_LEAST_S: f64 = 6.0;
const A_CHARACTER_S: f64 = 0.07;

/// What is said where messages were asked for and there is none.
pub const NO_MESSAGE: &str = "There is no message.";

/// What a message is about: it goes when that is mended, or tried again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// Nothing that the program could tell the end of.
    Nothing,
    /// Saving the session.
    Saving,
    /// The sound device.
    Sound,
    /// The MIDI input.
    Midi,
    /// Opening something.
    Opening,
    /// Files that were looked through.
    Survey,
    /// An edit that could not be made, or what the latest one leads to.
    Edit,
    /// Recipes that could not be proposed.
    Propose,
    /// A delivery.
    Deliver,
    /// What is so as long as this session is open.
    Session,
}

#[derive(Debug)]
struct Notice {
    view: NoticeView,
    about: About,
    /// When it was first seen; none: not yet.
    since: Option<f64>,
}

impl Notice {
    /// When it goes by itself; none: not by time.
    fn until(&self) -> Option<f64> {
        let reading = AT_LEAST_S.max(A_CHARACTER_S * self.view.text.chars().count() as f64);
        self.since.filter(|_| !self.view.is_error).map(|s| s + reading)
    }
}

/// The messages that stand.
#[derive(Debug, Default)]
pub struct Notices {
    shown: Vec<Notice>,
    views: Vec<NoticeView>,
    next: u64,
}

impl Notices {
    /// The messages, oldest first.
    pub fn views(&self) -> &[NoticeView] {
        &self.views
    }

    fn push(&mut self, is_error: bool, about: About, text: String) {
        let in_full = typeset(&text);
        self.shown.retain(|n| n.view.in_full != in_full);
        self.next += 1;
        let view = NoticeView { id: self.next, is_error, text: short_paths(&in_full), in_full };
        self.shown.push(Notice { view, about, since: None });
        let extra = self.shown.len().saturating_sub(KEPT);
        self.shown.drain(..extra);
        self.refresh();
    }

    fn refresh(&mut self) {
        self.views = self.shown.iter().map(|n| n.view.clone()).collect();
    }

    fn keep(&mut self, keep: impl FnMut(&Notice) -> bool) {
        let before = self.shown.len();
        self.shown.retain(keep);
        if self.shown.len() != before {
            self.refresh();
        }
    }

    /// Says something that is no error.
    pub fn say(&mut self, text: impl Into<String>) {
        self.push(false, About::Nothing, text.into());
    }

    /// Says something of `about` that is no error.
    pub fn say_of(&mut self, about: About, text: impl Into<String>) {
        self.push(false, about, text.into());
    }

    /// Says what went wrong.
    pub fn warn(&mut self, text: impl Into<String>) {
        self.warn_of(About::Nothing, text);
    }

    /// Says what went wrong with `about`.
    pub fn warn_of(&mut self, about: About, text: impl Into<String>) {
        self.push(true, about, text.into());
    }

    /// Shows an error; a stop that was asked for is none.
    pub fn error(&mut self, error: &Error) {
        self.error_of(About::Nothing, error);
    }

    /// Shows an error of `about`; a stop that was asked for is none.
    pub fn error_of(&mut self, about: About, error: &Error) {
        if !error.is_cancelled() {
            self.push(true, about, error.to_string());
        }
    }

    /// Shows the error of `result`, if it is one.
    pub fn check<T>(&mut self, result: crate::error::Result<T>) -> Option<T> {
        self.check_of(About::Nothing, result)
    }

    /// Shows the error of `result`, if it is one; else what was said of `about` is so no more.
    pub fn check_of<T>(&mut self, about: About, result: crate::error::Result<T>) -> Option<T> {
        match result {
            Ok(value) => {
                self.mended(about);
                Some(value)
            }
            Err(e) => {
                self.error_of(about, &e);
                None
            }
        }
    }

    /// What was said of `about` is so no more.
    pub fn mended(&mut self, about: About) {
        self.keep(|n| about == About::Nothing || n.about != about);
    }

    /// Another session opens: what was said of the one before is of no use.
    pub fn new_session(&mut self) {
        self.keep(|n| n.view.is_error && matches!(n.about, About::Nothing | About::Sound | About::Midi));
    }

    /// It is `now` (seconds): what only tells and was there long enough goes, unless somebody is just
    /// reading it. In how many seconds the next one is due.
    pub fn pass_time(&mut self, now: f64, reading: bool) -> Option<f64> {
        for n in &mut self.shown {
            if n.since.is_none() || reading {
                n.since = Some(now);
            }
        }
        self.keep(|n| n.until().is_none_or(|until| until > now));
        let next = self.shown.iter().filter_map(Notice::until).min_by(f64::total_cmp);
        next.map(|until| until - now)
    }

    /// Takes one away.
    pub fn dismiss(&mut self, id: u64) {
        self.keep(|n| n.view.id != id);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(n: &Notices) -> Vec<&str> {
        n.views().iter().map(|v| v.text.as_str()).collect()
    }

    #[test]
    fn the_same_twice_stands_once_and_a_stop_is_no_error() {
        let mut n = Notices::default();
        n.warn("a");
        n.warn("b");
        n.warn("a");
        n.error(&Error::cancelled());
        assert_eq!(texts(&n), ["b", "a"]);
        n.dismiss(n.views()[0].id);
        assert_eq!(n.views().len(), 1);
    }

    #[test]
    fn files_are_told_by_their_names_and_in_full_where_asked() {
        let mut n = Notices::default();
        let path = std::path::Path::new("/home/anna/Cellar bottles/take 3.wav");
        let gone = std::io::Error::from(std::io::ErrorKind::NotFound);
        n.error(&Error::io("read", path, &gone));
        let view = &n.views()[0];
        assert_eq!(view.text, "cannot read take 3.wav: it is not there; was it moved or renamed?");
        assert!(view.in_full.contains("/home/anna/Cellar bottles/take 3.wav"));
    }

    #[test]
    fn what_only_tells_goes_by_itself_and_what_went_wrong_stays() {
        let mut n = Notices::default();
        n.warn("broken");
        n.say("done");
        let left = n.pass_time(100.0, false);
        assert!(left.is_some_and(|s| (s - AT_LEAST_S).abs() < 1e-9), "{left:?}");
        n.pass_time(100.0 + AT_LEAST_S - 0.1, false);
        assert_eq!(texts(&n), ["broken", "done"]);
        // Who reads has time.
        n.pass_time(103.0, true);
        n.pass_time(103.0 + AT_LEAST_S - 0.1, false);
        assert_eq!(texts(&n), ["broken", "done"]);
        assert_eq!(n.pass_time(103.1 + AT_LEAST_S, false), None);
        assert_eq!(texts(&n), ["broken"]);
        // A long text takes longer.
        n.say("x".repeat(200));
        let left = n.pass_time(200.0, false);
        assert!(left.is_some_and(|s| (s - 200.0 * A_CHARACTER_S).abs() < 1e-9), "{left:?}");
    }

    #[test]
    fn what_is_mended_is_not_told_any_more() {
        let mut n = Notices::default();
        n.warn_of(About::Saving, "not saved");
        n.warn_of(About::Sound, "no sound");
        n.warn("something else");
        n.mended(About::Nothing);
        assert_eq!(n.views().len(), 3, "nothing in particular was mended");
        n.check_of(About::Saving, Ok(()));
        assert_eq!(texts(&n), ["no sound", "something else"]);
        n.warn_of(About::Session, "read only");
        n.say("by the way");
        n.new_session();
        assert_eq!(texts(&n), ["no sound", "something else"]);
    }
}
