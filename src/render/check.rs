//! Reading delivered files back, with nothing but what stands in them.

use std::path::{Path, PathBuf};

use super::audition::part_word;
use crate::audio::{AudioBuf, level};
use crate::dsp::looping::{self, SeamAudit};
use crate::dsp::pitch::{F0Params, summarise, track_f0_while};
use crate::error::{Error, ErrorKind, Result};
use crate::io::decode;
use crate::io::riff::{self, SourceMarks};
use crate::survey::names::note_in;
use crate::units::{Cents, Decibels, Frame, FrameRange, Hertz, MiddleC, MidiNote, SampleRate};

use super::names::refuse_bad;

/// A seam more audible than this (0 to 100) is a problem.
pub(super) const AUDIBLE: f64 = 45.0;
/// Further from root key and fine tune than this is a problem.
const OUT_OF_TUNE: f64 = 10.0;

/// What a file on disk turned out to be.
#[derive(Debug, Clone)]
pub struct Checked {
    /// The file.
    pub path: PathBuf,
    /// Frames a second.
    pub rate: SampleRate,
    /// Number of channels.
    pub channels: u16,
    /// Length in frames.
    pub frames: u64,
    /// Loop, root key and texts in it.
    pub marks: SourceMarks,
    /// The first loop, when it lies in the audio.
    pub looping: Option<FrameRange>,
    /// How far what sounds is from root key and fine tune; none without root or pitch.
    pub off: Option<Cents>,
    /// Peak level.
    pub peak: Decibels,
    /// RMS level.
    pub level: Decibels,
    /// The seam as it goes round.
    pub audit: Option<SeamAudit>,
    /// What is wrong with it, in sentences; empty: all is well.
    pub problems: Vec<String>,
}

/// Reads `path` back, judging pitch by `a4`; `go_on` is asked many times a second. Errors: as decoding;
/// `Cancelled` once `go_on` says no.
pub fn check_file(path: &Path, a4: Hertz, go_on: &dyn Fn() -> bool) -> Result<Checked> {
    let info = decode::probe(path)?;
    let audio = decode::decode_while(path, go_on)?;
    let mut problems = Vec::new();
    check_name(path, info.marks.root, &mut problems);
    if let Some((promised, there)) = riff::cut_short(path)? {
        problems.push(format!("it is cut short: {there} of {promised} bytes are there; deliver it again"));
    }
    let written = riff::written_loops(path)?;
    let looping = check_loop(&audio, written.first().or(info.marks.loops.first()).copied(), &mut problems);
    let heard = Heard { audio: &audio, marks: &info.marks, looping };
    let off = check_pitch(&heard, a4, go_on, &mut problems)?;
    if !go_on() {
        return Err(Error::cancelled());
    }
    let audit = match looping.map(|l| looping::audit(&audio, l)) {
        None => None,
        Some(Ok(a)) => {
            if a.audibility > AUDIBLE {
                let mostly =
                    a.worst().map(part_word).map_or_else(String::new, |part| format!(", mostly its {part}"));
                problems.push(format!("its seam can be heard: {:.0} of 100{mostly}", a.audibility));
            }
            Some(a)
        }
        Some(Err(e)) if e.kind() == ErrorKind::InvalidParameter => {
            problems.push(format!("its loop cannot be judged: {e}"));
            None
        }
        Some(Err(e)) => return Err(e),
    };
    let peak = audio.peak();
    if peak == 0.0 {
        problems.push("it is silent".into());
    }
    Ok(Checked {
        path: path.to_path_buf(),
        rate: audio.rate(),
        channels: audio.channel_count() as u16,
        frames: audio.frames().0,
        marks: info.marks,
        looping,
        off,
        peak: Decibels::of_amplitude(f64::from(peak)),
        level: level::rms_db(&audio.mixed()),
        audit,
        problems,
    })
}

/// Whether the name says another note than the root key, however it counts octaves, and whether some
/// systems refuse it.
fn check_name(path: &Path, root: Option<MidiNote>, problems: &mut Vec<String>) {
    let of =
        |part: Option<&std::ffi::OsStr>| part.map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let (name, stem) = (of(path.file_name()), of(path.file_stem()));
    if refuse_bad(&name, &stem).is_err() {
        problems.push("its name is refused by some systems".into());
    }
    let named = [MiddleC::C4, MiddleC::C3].map(|middle_c| note_in(&stem, middle_c));
    if let (Some(root), [Some(by_c4), by_c3]) = (root, named)
        && by_c4 != root
        && by_c3 != Some(root)
    {
        problems.push(format!("its name says {by_c4}, its root key is {root}"));
    }
}

fn check_loop(
    audio: &AudioBuf,
    looping: Option<FrameRange>,
    problems: &mut Vec<String>,
) -> Option<FrameRange> {
    let Some(l) = looping else {
        problems.push("it holds no loop".into());
        return None;
    };
    if l.end.0 > audio.frames().0 || l.start >= l.end || l.count().0 < 2 {
        problems.push(format!(
            "its loop from {} to {} does not lie in its {} frames",
            l.start.0,
            l.end.0,
            audio.frames().0
        ));
        return None;
    }
    Some(l)
}

/// What pitch is judged of.
struct Heard<'a> {
    audio: &'a AudioBuf,
    marks: &'a SourceMarks,
    looping: Option<FrameRange>,
}

/// What sounds against root key and fine tune, over the loop where there is one.
fn check_pitch(
    heard: &Heard<'_>,
    a4: Hertz,
    go_on: &dyn Fn() -> bool,
    problems: &mut Vec<String>,
) -> Result<Option<Cents>> {
    let Heard { audio, marks, looping } = *heard;
    let Some(root) = marks.root else {
        problems.push("it holds no root key".into());
        return Ok(None);
    };
    // The tracker needs some periods around the loop as well: a loop may be a few periods long.
    let track = track_f0_while(&audio.mixed_or_loudest(), audio.rate(), &F0Params::default(), go_on)?;
    let over_loop = looping.and_then(|l| {
        let hop = track.hop_s * audio.rate().as_f64();
        let inside = |i: usize| l.contains(Frame((i as f64 * hop) as u64));
        let mut f0: Vec<f64> =
            track.f0_hz.iter().enumerate().filter(|(i, _)| inside(*i)).filter_map(|(_, f)| *f).collect();
        f0.sort_by(f64::total_cmp);
        f0.get(f0.len() / 2).map(|f| Hertz(*f))
    });
    let Some(f0) = over_loop.or_else(|| summarise(&track).map(|s| s.f0)) else {
        problems.push("no steady note was found in it".into());
        return Ok(None);
    };
    let meant = root.frequency(a4).shifted(marks.fine_tune);
    let off = f0.cents_above(meant);
    if off.0.abs() > OUT_OF_TUNE {
        problems.push(format!("it sounds {:+.1} cents from its root key {root} and fine tune", off.0));
    }
    Ok(Some(off))
}
