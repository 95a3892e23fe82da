//! `pitch`: the fundamental over time.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::Done;
use super::options::{number, within};
use super::output::{NONE, Output, table};
use crate::dsp::pitch::{F0Params, F0Track, summarise, track_f0};
use crate::error::Result;
use crate::io::decode;
use crate::units::{Hertz, STANDARD_A4_HZ};

/// Tells the pitch of a file over time: the fundamental in Hz, and how sure it is (0 to 1).
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Time between two values in ms, 1 to 20
    #[arg(long, value_parser = number, default_value_t = 5.0, value_name = "MS")]
    hop_ms: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    let hop_s = within("--hop-ms", args.hop_ms, (1.0, 20.0), "ms")? / 1000.0;
    let params = F0Params { hop_s, ..F0Params::default() };
    let audio = decode::decode(&args.file)?;
    let track = track_f0(&audio.mixed_or_loudest(), audio.rate(), &params)?;
    output.document(&as_json(&track, audio.rate().hz()), &as_table(&track))?;
    if let Some(note) = summarise(&track) {
        let (name, cents) = note.f0.nearest_note(Hertz(STANDARD_A4_HZ));
        output.say(&format!("{}: {name} {:+.1} cents", note.f0, cents.0));
    } else {
        output.say("no steady note was found");
    }
    Ok(Done::All)
}

fn as_json(track: &F0Track, rate: u32) -> Value {
    let frames: Vec<Value> = track
        .f0_hz
        .iter()
        .zip(&track.confidence)
        .enumerate()
        .map(|(i, (f0, c))| json!({"t": i as f64 * track.hop_s, "f0_hz": f0, "confidence": c}))
        .collect();
    json!({"rate": rate, "hop_s": track.hop_s, "frames": frames})
}

fn as_table(track: &F0Track) -> String {
    let rows: Vec<Vec<String>> = track
        .f0_hz
        .iter()
        .zip(&track.confidence)
        .enumerate()
        .map(|(i, (f0, c))| {
            let hz = f0.map_or_else(|| NONE.into(), |f| format!("{f:.4}"));
            vec![format!("{:.4}", i as f64 * track.hop_s), hz, format!("{c:.2}")]
        })
        .collect();
    table(&[("time", "s"), ("fundamental", "Hz"), ("confidence", "0 to 1")], &rows)
}
