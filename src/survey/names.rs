//! Note and layer in a file name.

use crate::session::Named;
use crate::units::{MiddleC, MidiNote};

/// What a file name (without folder and ending) claims. Understood: `C#3`, `Cs3`, `Db3`, `Dflat3`,
/// `C♯3`, `D♭3`, `c-1`, MIDI numbers as a word of their own (`048`, `m60`, `note 60`), layers
/// (`layer 2`, `L2`, `take 3`, `t3`, or a lone small number beside a note name).
pub fn parse(_stem: &str, _middle_c: MiddleC) -> Option<Named> {
    todo!()
}

/// A note written by itself, as `C#3` or `60`, for options and text fields. Errors are the caller's
/// to word: none where it is no note.
pub fn parse_note(_text: &str, _middle_c: MiddleC) -> Option<MidiNote> {
    todo!()
}
