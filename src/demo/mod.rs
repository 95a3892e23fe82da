//! The invented takes: blown bottles in a kitchen with a fridge humming, from a fixed seed.
//!
//! Nine bottles filled to whole tones from F3 to A4, one file a bottle, four takes in it, each by
//! another player, room tone first. Four things are wrong on purpose (see [`Fault`] and
//! [`missing`]). The samples are made from + − × ÷ √ alone, so they are the same on every machine.

mod bottle;
mod kitchen;
mod maths;
mod plan;

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::audio::AudioBuf;
use crate::error::{Error, ErrorKind, Result};
use crate::io::riff::SourceMarks;
use crate::io::wav;
use crate::jobs::Job;
use crate::units::{Cents, FrameRange, Hertz, MidiNote, STANDARD_A4_HZ, SampleRate, Seconds};

pub use plan::{BOTTLES, Fault, LAYERS, RATE_HZ};

/// What is true of one take, to hold against what is found in it.
#[derive(Debug, Clone)]
pub struct TakeTruth {
    /// Name of its file.
    pub file: String,
    /// The note on the label.
    pub note: MidiNote,
    /// The layer, from 0.
    pub layer: u16,
    /// Where it sounds in the file: from the first breath at the bottle to the end of the decay.
    pub range: FrameRange,
    /// The note nearest to what it sounds.
    pub sounds: MidiNote,
    /// Median deviation from `sounds` over the sustain.
    pub centre: Cents,
    /// Where the note stands: after the attack (0.3 s, or less where it is cut short), before the
    /// breath ends.
    pub sustain: FrameRange,
    /// What is wrong with it.
    pub fault: Option<Fault>,
    plan: plan::TakePlan,
}

impl TakeTruth {
    /// The fundamental, `after` seconds after the beginning of the range.
    pub fn f0(&self, after: Seconds) -> Hertz {
        Hertz(self.plan.f0(after.0))
    }
}

/// What is true of all takes, in the order of files and layers.
pub fn takes() -> Vec<TakeTruth> {
    let of_file = |file: plan::FilePlan| {
        let (label, sounds) = (file.label, file.sounds);
        file.takes.into_iter().map(move |take| truth(label, sounds, take))
    };
    plan::files().into_iter().flat_map(of_file).collect()
}

fn truth(note: MidiNote, sounds: MidiNote, plan: plan::TakePlan) -> TakeTruth {
    let (onset, rate) = (plan.onset as u64, plan::RATE);
    let from = (plan.attack_s + 0.3).min(0.5 * plan.release_at_s);
    let until = plan.release_at_s - 0.1;
    let reference = sounds.frequency(Hertz(STANDARD_A4_HZ));
    let steps = ((until - from) / 0.005) as usize;
    let mut cents: Vec<f64> =
        (0..=steps).map(|k| Hertz(plan.f0(from + 0.005 * k as f64)).cents_above(reference).0).collect();
    cents.sort_by(f64::total_cmp);
    TakeTruth {
        file: file_name(note),
        note,
        layer: plan.layer,
        range: FrameRange::new(onset, onset + plan.frames as u64),
        sounds,
        centre: Cents(cents[cents.len() / 2]),
        sustain: FrameRange::new(onset + (from * rate) as u64, onset + (until * rate) as u64),
        fault: plan.fault,
        plan,
    }
}

/// The cell of the sheet that nobody recorded: note and layer.
pub fn missing() -> (MidiNote, u16) {
    (plan::label(plan::MISSING.0), plan::MISSING.1)
}

/// Name of the file of the bottle labelled `note`, middle C as C4.
pub fn file_name(note: MidiNote) -> String {
    format!("Cellar bottles {note}.wav")
}

/// The names and sounds of the files, lowest bottle first: one channel, 44.1 kHz, every sample on
/// the grid of 24 bits. Errors: `Cancelled`.
pub fn synthesise(job: &Job) -> Result<Vec<(String, AudioBuf)>> {
    plan::files()
        .par_iter()
        .map(|file| {
            job.check()?;
            let audio = AudioBuf::mono(kitchen::record(file), SampleRate::new(RATE_HZ)?)?;
            job.advance(1);
            Ok((file_name(file.label), audio))
        })
        .collect()
}

/// Names of the demo's files, lowest bottle first.
pub fn file_names() -> Vec<String> {
    plan::files().iter().map(|f| file_name(f.label)).collect()
}

/// Writes the demo takes into `folder` (made if missing) and returns their paths, lowest bottle
/// first. A file that stands there already is left as it is when its bytes are the same. What is
/// written differs from [`synthesise`] by the writer's dither, one step of 24 bits at most; that too
/// is the same every time.
///
/// Errors: `NameClash` when a file of that name holds something else (nothing is written then,
/// nothing is ever overwritten); `Cancelled`; what the file system says.
pub fn write(folder: &Path, job: &Job) -> Result<Vec<PathBuf>> {
    // Made once, written (or compared) once: two steps a file.
    job.begin("demo takes", 2 * BOTTLES as u64);
    let files = synthesise(job)?;
    write_files(folder, &files, job, &|path, audio| wav::write24(path, audio, &SourceMarks::default()))
}

/// Writes `files` by `writer`, as [`write()`] says.
fn write_files(
    folder: &Path,
    files: &[(String, AudioBuf)],
    job: &Job,
    writer: &(dyn Fn(&Path, &AudioBuf) -> Result<()> + Sync),
) -> Result<Vec<PathBuf>> {
    std::fs::create_dir_all(folder).map_err(|e| Error::io("make the folder", folder, &e))?;
    // First see that nothing is in the way, then write.
    let standing: Vec<bool> = files
        .par_iter()
        .map(|(name, audio)| {
            job.check()?;
            stands_already(&folder.join(name), audio, writer)
        })
        .collect::<Result<_>>()?;
    files
        .par_iter()
        .zip(standing)
        .map(|((name, audio), stands)| {
            job.check()?;
            let path = folder.join(name);
            if !stands {
                writer(&path, audio)?;
            }
            job.advance(1);
            Ok(path)
        })
        .collect()
}

/// Whether `path` holds what `writer` would write there.
fn stands_already(
    path: &Path,
    audio: &AudioBuf,
    writer: &(dyn Fn(&Path, &AudioBuf) -> Result<()> + Sync),
) -> Result<bool> {
    let there = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(false),
        Err(e) => return Err(Error::io("read", path, &e)),
    };
    let beside = tempfile::tempdir().map_err(|e| Error::io("make a folder in", &std::env::temp_dir(), &e))?;
    let ours = beside.path().join("ours.wav");
    writer(&ours, audio)?;
    let bytes = std::fs::read(&ours).map_err(|e| Error::io("read", &ours, &e))?;
    if bytes == there {
        return Ok(true);
    }
    Err(Error::new(
        ErrorKind::NameClash,
        format!(
            "{} is there already and is not a demo take; files are never overwritten: choose an empty folder, or move it away",
            path.display()
        ),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A writer of a general library, so that these tests need no other part of the program.
    fn by_hound(path: &Path, audio: &AudioBuf) -> Result<()> {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: audio.rate().hz(),
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let wrong = |e: hound::Error| Error::new(ErrorKind::Io, e.to_string());
        let mut w = hound::WavWriter::create(path, spec).map_err(wrong)?;
        for s in audio.channel(0) {
            w.write_sample((f64::from(*s) * 8_388_608.0) as i32).map_err(wrong)?;
        }
        w.finalize().map_err(wrong)
    }

    #[test]
    fn writes_once_and_never_over_anything() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("new").join("takes");
        let files: Vec<(String, AudioBuf)> = (0..4u8)
            .map(|n| {
                let x = crate::audio::signals::white_noise(0.1, 3_000, n.into());
                (format!("{n}.wav"), AudioBuf::mono(x, SampleRate::DELIVERY).unwrap())
            })
            .collect();
        let write = |job: &Job| write_files(&folder, &files, job, &by_hound);
        let job = Job::new();
        job.begin("", 4);
        let paths = write(&job).unwrap();
        assert_eq!(paths, ["0.wav", "1.wav", "2.wav", "3.wav"].map(|n| folder.join(n)));
        assert_eq!(job.fraction(), 1.0);
        let bytes = std::fs::read(&paths[2]).unwrap();
        // Again: the same, also where one is gone.
        std::fs::remove_file(&paths[2]).unwrap();
        assert_eq!(write(&Job::new()).unwrap(), paths);
        assert!(std::fs::read(&paths[2]).unwrap() == bytes);
        // Something else in the way: nothing is written at all.
        std::fs::write(&paths[3], b"mine").unwrap();
        std::fs::remove_file(&paths[1]).unwrap();
        let e = write(&Job::new()).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::NameClash);
        assert!(e.to_string().contains("3.wav is there already"), "{e}");
        assert_eq!(std::fs::read(&paths[3]).unwrap(), b"mine");
        assert!(!paths[1].exists());
        let stopped = Job::new();
        stopped.cancel.cancel();
        assert!(write(&stopped).unwrap_err().is_cancelled());
    }
}
