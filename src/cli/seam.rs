//! `seam`: writes a loop and its crossfade into a file.

use std::path::PathBuf;

use serde_json::json;

use super::Done;
use super::options::{frames, made_by, may_write};
use super::output::Output;
use crate::dsp::looping::{audit, bake};
use crate::dsp::pitch::{F0Params, summarise, track_f0};
use crate::error::{Error, Result};
use crate::io::riff::SourceMarks;
use crate::io::{decode, wav};
use crate::render::audition::part_word;
use crate::render::chain::{evened, fine_tune_to_tell};
use crate::units::{Decibels, FrameRange, Hertz, STANDARD_A4_HZ};

/// Writes the file with a loop of your choice in it, and its crossfade.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sound file
    file: PathBuf,
    /// Where to write it (24-bit WAV)
    #[arg(long, value_name = "OUT.wav")]
    to: PathBuf,
    /// First frame of the loop
    #[arg(long, value_parser = frames, value_name = "FRAME")]
    start: u64,
    /// First frame after the loop
    #[arg(long, value_parser = frames, value_name = "FRAME")]
    end: u64,
    /// Length of the crossfade before the loop end, in frames
    #[arg(long, default_value_t = 0, value_parser = frames, value_name = "FRAME")]
    crossfade: u64,
    /// Even out a drift of the level inside the loop by a slow gain, at most 3 dB, so that its end
    /// meets its start
    #[arg(long)]
    even: bool,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// A period of the highest note (4.2 kHz) at the lowest rate (8 kHz) has two frames; less is no loop.
const SHORTEST: u64 = 2;

/// Runs the command.
pub fn run(args: &Args, output: &Output) -> Result<Done> {
    may_write(&args.file, &args.to)?;
    let info = decode::probe(&args.file)?;
    let audio = decode::decode(&args.file)?;
    if args.start.saturating_add(SHORTEST) > args.end || args.end > audio.frames().0 {
        return Err(Error::invalid(
            "the loop",
            format!("{} to {}", args.start, args.end),
            &format!(
                "--start at least {SHORTEST} frames below --end, both in 0 to {}, the file's frames",
                audio.frames().0
            ),
        ));
    }
    let range = FrameRange::new(args.start, args.end);
    let (audio, evening) = if args.even { evened(&audio, range)? } else { (audio, Decibels(0.0)) };
    let baked = if args.crossfade > 0 { bake(&audio, range, args.crossfade)? } else { audio };
    let (root, fine_tune) = match info.marks.root {
        Some(root) => (Some(root), info.marks.fine_tune),
        None => {
            let track = track_f0(&baked.mixed_or_loudest(), baked.rate(), &F0Params::default())?;
            summarise(&track)
                .map(|n| n.f0.nearest_note(Hertz(STANDARD_A4_HZ)))
                .map_or((None, info.marks.fine_tune), |(n, c)| (Some(n), fine_tune_to_tell(c)))
        }
    };
    let mut texts = info.marks.info;
    texts.extend(made_by());
    let marks = SourceMarks { root, fine_tune, loops: vec![range], info: texts };
    wav::write24(&args.to, &baked, &marks)?;
    let audit = audit(&baked, range).ok();
    let heard = audit.map_or_else(
        || "-".into(),
        |a| {
            let mostly = a.worst().filter(|_| a.audibility >= 1.0).map(part_word);
            let mostly = mostly.map_or_else(String::new, |part| format!(", mostly its {part}"));
            format!("{:.0} of 100 (0 is best){mostly}", a.audibility)
        },
    );
    output.document(
        &json!({
            "rate": baked.rate().hz(),
            "start": args.start,
            "end": args.end,
            "crossfade": args.crossfade,
            "evening_db": evening.0,
            "root": root.map(|n| n.0),
            "fine_tune_cents": fine_tune.0,
            "audit": audit,
        }),
        &format!("{}: loop {} to {}, seam audible {heard}\n", args.to.display(), args.start, args.end),
    )?;
    Ok(Done::All)
}
