//! `flatten`: tunes a file.

use std::path::PathBuf;

use serde_json::json;

use super::options::{a4, made_by, may_write, percent, target};
use super::output::Output;
use super::{Done, one_take};
use crate::dsp::pitch::{F0Params, track_f0};
use crate::dsp::tune::{StrengthCurve, TuneParams, deviation, deviation_rms, pitch_map, read_along};
use crate::error::{Error, Result};
use crate::io::riff::SourceMarks;
use crate::io::wav;
use crate::render::chain::fine_tune_to_tell;
use crate::units::{Cents, Hertz, MiddleC, MidiNote, STANDARD_A4_HZ, SampleRate, Seconds};

/// Tunes a file: brings its centre to the target and flattens its movement.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Where to write the tuned file (24-bit WAV)
    #[arg(long)]
    to: PathBuf,
    /// Note (C#4, 61) or frequency (277.2Hz) to bring it to; without it the nearest note
    #[arg(long, value_name = "NOTE or HZ")]
    target: Option<String>,
    /// How much of the deviation of the whole to take out, 0 to 100 %
    #[arg(long, default_value_t = 100.0)]
    centre: f64,
    /// How much of the movement below 2 Hz to take out, 0 to 100 %
    #[arg(long, default_value_t = 100.0)]
    drift: f64,
    /// How much of the movement from 2 Hz up to take out, 0 to 100 %
    #[arg(long, default_value_t = 0.0)]
    vibrato: f64,
    /// Flattening begins this long after the onset, in ms, 0 to 10000
    #[arg(long, default_value_t = 40.0)]
    keep_attack_ms: f64,
    /// Rate of the tuned file in Hz; without it the file's own
    #[arg(long)]
    rate: Option<u32>,
    /// Frequency of A4 in Hz
    #[arg(long, default_value_t = STANDARD_A4_HZ)]
    a4: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Flattening reaches its height this long after it begins.
const RISE: Seconds = Seconds(0.12);

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
    let target_hz = wanted.map_or_else(|| note.f0.nearest_note(a4).0.frequency(a4), |(hz, _)| hz);
    let before = deviation(&take.track, target_hz)?;
    let params =
        TuneParams { target: target_hz, centre, drift, vibrato, curve, onset_s: take.onset.at(rate).0 };
    let map = pitch_map(&before, &params, 0.0, take.audio.len() as f64, rate, to_rate)?;
    let tuned = read_along(&take.audio, &map, to_rate)?;
    let (root, fine_tune) = root_of(target_hz, before.centre * (1.0 - centre), a4);
    let marks = SourceMarks { root: Some(root), fine_tune, info: made_by(), ..SourceMarks::default() };
    wav::write24(&args.to, &tuned, &marks)?;

    // Judged where flattening is at its height, by tracking the result afresh.
    let from = note.sustain_s.0.max(params.onset_s + args.keep_attack_ms / 1000.0 + RISE.0);
    let until = note.sustain_s.1;
    let track_after = track_f0(&tuned.mixed_or_loudest(), to_rate, &F0Params::default())?;
    let after = deviation(&track_after, target_hz)?;
    let out_s = |t: f64| map.output_at(t * rate.as_f64()) / to_rate.as_f64();
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

fn curve(keep_attack_ms: f64) -> Result<StrengthCurve> {
    if !(0.0..=10_000.0).contains(&keep_attack_ms) {
        return Err(Error::invalid("--keep-attack-ms", keep_attack_ms, "0 to 10000 ms, such as 40"));
    }
    let begin = keep_attack_ms / 1000.0;
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
