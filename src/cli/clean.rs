//! `clean`: takes the room out of a file.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::Done;
use super::options::{made_by, may_write, number, percent};
use super::output::Output;
use crate::audio::AudioBuf;
use crate::dsp::clean::{CleanParams, NoiseProfile, clean, learn};
use crate::dsp::pitch::{F0Params, track_f0};
use crate::dsp::spans::{EnvelopeBuilder, SpanParams, find_room_tone};
use crate::error::{Error, ErrorKind, Result};
use crate::io::{decode, wav};
use crate::render::room::{CHANGED_DB, doubts, rms};
use crate::typeset::minus;
use crate::units::{Decibels, FrameRange};

/// Takes the room out of a file: hum, hiss and rumble, as learned from room tone.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Where to write the cleaned file (24-bit WAV), as long as the source and aligned to it
    #[arg(long, value_name = "OUT.wav")]
    to: PathBuf,
    /// Where nobody plays: frames of the file, or another file recorded in the same room; without it
    /// the room tone is found in the file
    #[arg(long, value_name = "FRAME..FRAME or FILE")]
    room_tone: Option<String>,
    /// How much of the reduction, 0 to 100 %; at 0 the samples stay as they are
    #[arg(long, value_parser = number, default_value_t = 100.0, value_name = "PERCENT")]
    amount: f64,
    /// Never lower the room by more than this, in dB, 0 to 80
    #[arg(long, value_parser = number, value_name = "DB")]
    floor: Option<f64>,
    /// Take off what lies below this, in Hz, 5 to 1000
    #[arg(long, value_parser = number, value_name = "HZ")]
    high_pass: Option<f64>,
    /// Write what was taken (the source less the cleaned file) instead
    #[arg(long)]
    removed: bool,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// The room tone that was used.
struct RoomTone {
    /// Its samples.
    audio: AudioBuf,
    /// Where it lies in the file that is cleaned; none: it came from another file.
    range: Option<FrameRange>,
    /// The other file.
    file: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let defaults = CleanParams::default();
    let params = CleanParams {
        amount: percent("--amount", args.amount)?,
        floor_db: args.floor.unwrap_or(defaults.floor_db),
        high_pass_hz: args.high_pass,
        ..defaults
    };
    params.check()?;
    may_write(&args.file, &args.to)?;
    let source = decode::decode(&args.file)?;
    let room = room_tone(args.room_tone.as_deref(), &source)?;
    if let Some(file) = &room.file {
        may_write(file, &args.to)?;
    }
    let profile = learn(std::slice::from_ref(&room.audio))?;
    let track = track_f0(&source.mixed_or_loudest(), source.rate(), &F0Params::default())?;
    let cleaned = clean(&source, &profile, Some(&track), &params)?;
    let written = if args.removed { &cleaned.removed } else { &cleaned.audio };
    let marks = crate::io::riff::SourceMarks { info: made_by(), ..Default::default() };
    wav::write24(&args.to, written, &marks)?;

    let warnings = warnings(&profile, &room, &source);
    warnings.iter().for_each(|(_, text)| output.say(text));
    let before = room.range.map_or(profile.level, |r| rms(&source.part(r)));
    let after = room.range.map(|r| rms(&cleaned.audio.part(r)));
    output.document(
        &json!({
            "rate": source.rate().hz(),
            "frames": source.frames().0,
            "room_tone": told(&room, before),
            "noise_db": {"before": before.0, "after": after.map(|d| d.0)},
            "warnings": warnings
                .iter()
                .map(|(kind, text)| json!({"kind": kind, "text": text}))
                .collect::<Vec<_>>(),
        }),
        &format!("{}: {}\n", args.to.display(), in_words(&room, before, after)),
    )?;
    Ok(Done::All)
}

fn told(room: &RoomTone, level: Decibels) -> Value {
    match (room.range, &room.file) {
        (Some(r), _) => json!({"start": r.start.0, "end": r.end.0, "level_db": level.0}),
        (None, file) => json!({
            "start": 0,
            "end": room.audio.frames().0,
            "level_db": level.0,
            "file": file.as_ref().map(|f| f.display().to_string()),
        }),
    }
}

fn in_words(room: &RoomTone, before: Decibels, after: Option<Decibels>) -> String {
    match (room.range, after) {
        (Some(r), Some(after)) => {
            let (before, after) = (minus(before.0, 1), minus(after.0, 1));
            format!("room tone in frames {} to {}, {before} dB before, {after} dB after", r.start.0, r.end.0)
        }
        _ => format!("room tone from another file, {} dB", minus(before.0, 1)),
    }
}

/// The room tone that was named, or the one that is found.
fn room_tone(named: Option<&str>, source: &AudioBuf) -> Result<RoomTone> {
    let Some(named) = named else { return found(source) };
    if let Some((start, end)) = named.split_once("..")
        && let (Ok(start), Ok(end)) = (start.trim().parse::<u64>(), end.trim().parse::<u64>())
    {
        if start >= end || end > source.frames().0 {
            return Err(Error::invalid(
                "--room-tone",
                named,
                &format!("START below END, both in 0 to {}, the file's frames", source.frames().0),
            ));
        }
        let range = FrameRange::new(start, end);
        return Ok(RoomTone { audio: source.part(range), range: Some(range), file: None });
    }
    let path = Path::new(named);
    let audio = decode::decode(path).map_err(|e| {
        let hint = "--room-tone takes frames such as 0..96000, or a file";
        if e.kind() == ErrorKind::NotFound { e.context(hint) } else { e.context("room tone") }
    })?;
    Ok(RoomTone { audio, range: None, file: Some(path.to_owned()) })
}

fn found(source: &AudioBuf) -> Result<RoomTone> {
    let mut builder = EnvelopeBuilder::new(source.rate());
    let planes: Vec<&[f32]> = source.channels().collect();
    builder.push(&planes);
    let room = find_room_tone(&builder.finish(), &SpanParams::default()).ok_or_else(|| {
        Error::new(
            ErrorKind::Nothing,
            "no room tone was found in this file; name a stretch with nobody playing (--room-tone START..END, in frames), or record two seconds of the room and name that file (--room-tone FILE)",
        )
    })?;
    Ok(RoomTone { audio: source.part(room.range), range: Some(room.range), file: None })
}

/// What the user should know: kind and sentence.
fn warnings(profile: &NoiseProfile, room: &RoomTone, source: &AudioBuf) -> Vec<(&'static str, String)> {
    let mut all = doubts(profile);
    if room.file.is_some() {
        all.extend(changed(profile, source));
    }
    all
}

/// Whether the room of another file is that of this one, where this one has room tone at all.
fn changed(profile: &NoiseProfile, source: &AudioBuf) -> Option<(&'static str, String)> {
    let own = found(source).and_then(|room| learn(std::slice::from_ref(&room.audio))).ok()?;
    let by = profile.differs_db(&own);
    (by > CHANGED_DB).then(|| {
        (
            "room_changed",
            format!(
                "the room in this file differs from the room tone by {by:.1} dB; room tone of the same time would be better"
            ),
        )
    })
}
