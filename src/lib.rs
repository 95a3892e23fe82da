//! Seamwright turns recorded takes of an instrument into a playable, looped, tuned sample set.
//!
//! # The way through
//! ```text
//! source file ─decode→ Clip ─span→ take ─read along the pitch map→ ─trim, fade, gain→ ─seam→ ─quantise→ file
//! ```
//! Source files are opened for reading only. Edits live in the session file; everything heavy
//! (tracked pitch, rendered audio, peaks) is derived again when what it depends on changes.
//!
//! # The modules, and which way they may look
//! | module | what | looks at |
//! |---|---|---|
//! | [`units`], [`error`] | quantities and errors | – |
//! | [`typeset`] | text for people: minus signs | – |
//! | [`audio`] | the buffer, levels, test signals | units, error |
//! | [`jobs`] | progress, cancel, worker threads | error |
//! | [`dsp`] | pure functions on samples | audio |
//! | [`io`] | files in and out | audio |
//! | [`session`] | the document, edits, undo, its file | dsp's parameters, io (only `session::store`) |
//! | [`survey`] | finds and names the takes in files | dsp, io, session, jobs |
//! | [`render`] | a take and its recipe to audio and files | all above |
//! | [`playback`] | the sound engine and the device | audio |
//! | [`demo`] | the invented takes | audio, io |
//! | [`cli`], [`app`] | commands and window | everything |
//!
//! Nothing looks at `cli` or `app`; `tests/layering.rs` keeps it so.

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod app;
pub mod audio;
pub mod cli;
pub mod demo;
pub mod dsp;
pub mod error;
pub mod io;
pub mod jobs;
pub mod playback;
pub mod render;
pub mod session;
pub mod survey;
pub mod typeset;
pub mod units;
