//! `flatten`: tunes a file.

use std::path::PathBuf;

use serde_json::json;

use super::options::{a4, hertz, made_by, may_write, number, percent, target, within};
use super::output::Output;
use super::{Done, one_take};
use crate::audio::AudioBuf;
use crate::dsp::pitch::{F0Params, F0Track, track_f0};
use crate::dsp::tune::{StrengthCurve, TuneParams, deviation, deviation_rms, pitch_map, read_along};
use crate::error::{Error, Result};
use crate::io::riff::SourceMarks;
use crate::io::wav;
use crate::render::chain::fine_tune_to_tell;
use crate::units::{Cents, Frame, Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate, Seconds};

/// Tunes a file: brings its centre to the target and flattens its movement.
///
/// Without options the whole is brought to the nearest note, drift is taken out, vibrato and the
/// first 90 ms stay as they were played. A target farther away than a semitone is told; farther than
/// an octave it is refused, as that is a matter of how octaves are counted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Where to write the tuned file (24-bit WAV)
    #[arg(long, value_name = "OUT.wav")]
    to: PathBuf,
    /// Note (C#4, 61) or frequency (277.2Hz) to bring it to; without it the nearest note
    #[arg(long, value_name = "NOTE or HZ")]
    target: Option<String>,
    /// How much of the deviation of the whole to take out, 0 to 100 %
    #[arg(long, value_parser = number, default_value_t = 100.0, value_name = "PERCENT")]
    centre: f64,
    /// How much of the movement below 2 Hz to take out, 0 to 100 %
    #[arg(long, value_parser = number, default_value_t = 100.0, value_name = "PERCENT")]
    drift: f64,
    /// How much of the movement from 2 Hz up to take out, 0 to 100 %
    #[arg(long, value_parser = number, default_value_t = 0.0, value_name = "PERCENT")]
    vibrato: f64,
    /// Flattening begins this long after the onset, in ms, 0 to 10000; it is full 70 ms later
    #[arg(long, value_parser = number, default_value_t = 90.0, value_name = "MS")]
    keep_attack_ms: f64,
    /// Rate of the tuned file in Hz, 8000 to 192000; without it the file's own
    #[arg(long, value_name = "HZ", value_parser = hertz)]
    rate: Option<u32>,
    /// Frequency of A4 in Hz, 380 to 500
    #[arg(long, value_parser = number, default_value_t = STANDARD_A4_HZ, value_name = "HZ")]
    a4: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Flattening reaches its height this long after it begins.
const RISE: Seconds = Seconds(0.07);
/// Moves beyond this are told.
const SEMITONE: f64 = 100.0;
/// Moves beyond this are refused: an octave, and as much as a note may be out of tune.
const FARTHEST: f64 = 1250.0;
/// Highest peak of a file that had to be lowered: the highest step below full scale.
const HIGHEST: f64 = 1.0 - 1.0 / 8_388_608.0;

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let a4 = a4(args.a4)?;
    may_write(&args.file, &args.to)?;
    let curve = curve(args.keep_attack_ms)?;
    let (centre, drift, vibrato) = (
        percent("--centre", args.centre)?,
        percent("--drift", args.drift)?,
        percent("--vibrato", args.vibrato)?,
    );
    let wanted = args.target.as_deref().map(|t| target(t, MiddleC::C4, a4)).transpose()?;
    let to_rate = args.rate.map(SampleRate::new).transpose()?;
    let take = one_take::read(&args.file)?;
    let rate = take.audio.rate();
    let to_rate = to_rate.unwrap_or(rate);
    let note = take.note()?;
    say_which(&take, output);
    let target_hz = wanted.map_or_else(|| note.f0.nearest_note(a4).0.frequency(a4), |(hz, _)| hz);
    let before = deviation(&take.track, target_hz)?;
    say_how_far(before.centre * centre, note.f0, target_hz, output)?;
    let onset_s = take.onset.at(rate).0;
    let params = TuneParams { target: target_hz, shift: Cents(0.0), centre, drift, vibrato, curve, onset_s };
    let map = pitch_map(&before, &params, 0.0, take.audio.len() as f64, rate, to_rate)?;
    let tuned = under_full_scale(read_along(&take.audio, &map, to_rate)?, output)?;
    let (root, fine_tune) = root_of(target_hz, before.centre * (1.0 - centre), a4);
    let marks = SourceMarks { root: Some(root), fine_tune, info: made_by(), ..SourceMarks::default() };
    wav::write24(&args.to, &tuned, &marks)?;

    // Judged where flattening is at its height (in a short note over all of its sustain), by tracking
    // the result afresh.
    let (start, until) = note.sustain_s;
    let height = params.onset_s + args.keep_attack_ms / 1000.0 + RISE.0;
    let from = if height < until { start.max(height) } else { start };
    let track_after = track_f0(&tuned.mixed_or_loudest(), to_rate, &F0Params::default())?;
    let out_s = |t: f64| map.output_at(t * rate.as_f64()) / to_rate.as_f64();
    let after = deviation(&only(track_after, out_s(start), out_s(until)), target_hz)?;
    let rms = (deviation_rms(&before, from, until), deviation_rms(&after, out_s(from), out_s(until)));
    output.document(
        &json!({
            "rate": to_rate.hz(),
            "frames": tuned.frames().0,
            "target_hz": target_hz.0,
            "deviation_cents_rms": {"before": rms.0, "after": rms.1},
            "map": map.points(),
        }),
        &format!(
            "{}: {:.2} cents rms from {target_hz} before, {:.2} after\n",
            args.to.display(),
            rms.0,
            rms.1
        ),
    )?;
    Ok(Done::All)
}

/// Says which sound of several it is tuned along.
fn say_which(take: &one_take::OneTake, output: &Output) {
    if let Some(span) = take.within.filter(|_| take.sounds > 1) {
        let s = |frame: Frame| frame.at(take.audio.rate()).0;
        output.say(&format!(
            "this file holds {} sounds; the whole of it is tuned along the longest note, at {:.2} to {:.2} s. \
             To tune each by itself, propose and deliver the folder",
            take.sounds,
            s(span.start),
            s(span.end)
        ));
    }
}

/// Says a move of more than a semitone. Errors: one of more than an octave.
fn say_how_far(cents: f64, sounds: Hertz, target: Hertz, output: &Output) -> Result<()> {
    if cents.abs() > FARTHEST {
        return Err(Error::invalid(
            "--target",
            format!("{target}, {:+.0} cents from {sounds}", -cents),
            "up to an octave from what sounds; check how octaves are counted (middle C is C4 here)",
        ));
    }
    if cents.abs() > SEMITONE {
        output.say(&format!(
            "moved by {:+.0} cents ({:+.1} semitones), from {sounds} to {target}",
            -cents,
            -cents / 100.0
        ));
    }
    Ok(())
}

/// Between two samples of a loud file its wave may stand above full scale; read there, it is lowered
/// by as much.
fn under_full_scale(audio: AudioBuf, output: &Output) -> Result<AudioBuf> {
    let peak = f64::from(audio.peak());
    if peak <= 1.0 {
        return Ok(audio);
    }
    let gain = HIGHEST / peak;
    output.say(&format!(
        "lowered by {:.2} dB: between its samples the wave stands above full scale",
        -20.0 * gain.log10()
    ));
    let planes = audio.channels().map(|x| x.iter().map(|s| (f64::from(*s) * gain) as f32).collect());
    AudioBuf::new(planes.collect(), audio.rate())
}

/// A track without what lies outside a note's sustain.
fn only(mut track: F0Track, from_s: f64, until_s: f64) -> F0Track {
    for (i, f0) in track.f0_hz.iter_mut().enumerate() {
        if !(from_s..until_s).contains(&(i as f64 * track.hop_s)) {
            *f0 = None;
        }
    }
    track
}

fn curve(keep_attack_ms: f64) -> Result<StrengthCurve> {
    let begin = within("--keep-attack-ms", keep_attack_ms, (0.0, 10_000.0), "ms")? / 1000.0;
    if begin == 0.0 {
        return Ok(StrengthCurve { nodes: vec![(0.0, 1.0)] });
    }
    Ok(StrengthCurve { nodes: vec![(begin, 0.0), (begin + RISE.0, 1.0)] })
}

/// Root key and fine tune of what sounds at `left_cents` above `target_hz`.
fn root_of(target_hz: Hertz, left_cents: f64, a4: Hertz) -> (MidiNote, Cents) {
    let (root, cents) = target_hz.shifted(Cents(left_cents)).nearest_note(a4);
    (root, fine_tune_to_tell(cents))
}
