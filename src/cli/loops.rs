//! `loops`: finds loops in a file.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::options::{frames, how_many, number, within};
use super::output::{Head, Output, table};
use super::{Done, one_take};
use crate::dsp::looping::{LoopCandidate, LoopParams, find_loops};
use crate::error::{Error, Result};
use crate::units::{FrameRange, Hertz, SampleRate, Seconds};

/// Finds loops in a file, best first.
///
/// Frames are counted in the file; a loop's end is the first frame after it. The score and its parts run
/// from 0 to 100, higher is better; the worst part counts most.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Loops begin at this frame or after it; without it in the steady part that is found
    #[arg(long, value_name = "FRAME", value_parser = frames)]
    from: Option<u64>,
    /// Loops end before this frame; without it in the steady part that is found
    #[arg(long, value_name = "FRAME", value_parser = frames)]
    until: Option<u64>,
    /// Shortest loop in seconds, up to 600
    #[arg(long, value_parser = number, default_value_t = 0.05, value_name = "SECONDS")]
    shortest: f64,
    /// Longest loop in seconds, up to 600
    #[arg(long, value_parser = number, default_value_t = 12.0, value_name = "SECONDS")]
    longest: f64,
    /// At least so many cycles of the vibrato in a loop, where there is a vibrato, 0 to 1000
    #[arg(long, value_parser = number, default_value_t = 0.0, value_name = "CYCLES")]
    vibrato_cycles: f64,
    /// How many to list, 1 to 1000
    #[arg(long, value_parser = how_many, default_value_t = 20, value_name = "COUNT")]
    top: usize,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Longest loop that can be asked for: no take is looked at for longer.
const LONGEST_S: f64 = 600.0;
/// Left out at both ends of the steady part when it is found by itself.
const SETTLE: Seconds = Seconds(0.1);

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let shortest_s = within("--shortest", args.shortest, (0.0, LONGEST_S), "s")?;
    let longest_s = within("--longest", args.longest, (shortest_s, LONGEST_S), "s")?;
    let least_vibrato_cycles = within("--vibrato-cycles", args.vibrato_cycles, (0.0, 1000.0), "cycles")?;
    let take = one_take::read(&args.file)?;
    let frames = take.audio.frames().0;
    let rate = take.audio.rate();
    let f0 = take.note()?.f0;
    let sustain = take.sustain()?;
    let settle = SETTLE.frames(rate).0.min(sustain.count().0 / 4);
    let from = args.from.unwrap_or(sustain.start.0 + settle);
    let until = args.until.unwrap_or(sustain.end.0 - settle);
    if until > frames {
        return Err(Error::invalid("--until", until, &format!("up to {frames}, the file's frames")));
    }
    if from >= until {
        let (name, value) = if args.from.is_some() { ("--from", from) } else { ("--until", until) };
        return Err(Error::invalid(
            name,
            value,
            &format!(
                "--from below --until, both in 0 to {frames}, the file's frames; the steady part is {} to {}",
                sustain.start.0, sustain.end.0
            ),
        ));
    }
    let params = LoopParams {
        within: FrameRange::new(from, until),
        shortest_s,
        longest_s,
        least_vibrato_cycles,
        top: args.top,
    };
    let found = find_loops(&take.audio, f0, &params)?;
    output.document(&as_json(&found, rate, f0), &as_table(&found, rate))?;
    Ok(Done::All)
}

fn as_json(found: &[LoopCandidate], rate: SampleRate, f0: Hertz) -> Value {
    let candidates: Vec<Value> = found
        .iter()
        .map(|c| {
            json!({
                "start": c.range.start.0,
                "end": c.range.end.0,
                "crossfade": c.crossfade,
                "score": c.score,
                "parts": c.parts,
            })
        })
        .collect();
    json!({"rate": rate.hz(), "f0_hz": f0.0, "candidates": candidates})
}

fn as_table(found: &[LoopCandidate], rate: SampleRate) -> String {
    let rows: Vec<Vec<String>> = found
        .iter()
        .map(|c| {
            let p = &c.parts;
            let part = |v: f64| format!("{v:.0}");
            vec![
                format!("{:.1}", c.score),
                c.range.start.0.to_string(),
                c.range.end.0.to_string(),
                format!("{:.3}", c.range.count().lasts(rate).0),
                c.crossfade.to_string(),
                part(p.zero_crossing),
                part(p.waveform),
                part(p.spectral),
                part(p.level),
                part(p.pitch),
                part(p.movement),
                part(p.length),
            ]
        })
        .collect();
    table(&HEADS, &rows)
}

/// A loop's end is the first frame after it; score and parts: 100 is best.
const HEADS: [Head; 12] = [
    ("score", "of 100"),
    ("start", "frame"),
    ("end", "frame"),
    ("lasts", "s"),
    ("crossfade", "frames"),
    ("zero crossing", "of 100"),
    ("waveform", "of 100"),
    ("spectrum", "of 100"),
    ("level", "of 100"),
    ("pitch", "of 100"),
    ("movement", "of 100"),
    ("length score", "of 100"),
];
