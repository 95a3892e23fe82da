//! What is invented: which bottle, which player, how each take was blown, what went wrong.

use super::maths::{Chance, gain, ratio};
use crate::units::MidiNote;

/// Frames a second of the files: not the rate of delivery, so that the change of rate is seen.
pub const RATE_HZ: u32 = 44_100;
/// The same for arithmetic.
pub const RATE: f64 = RATE_HZ as f64;
/// Everything that is left to chance comes from here.
pub const SEED: u64 = 0x5EA3_B077_1E50_0009;

/// The lowest note, F3.
const LOWEST: u8 = 53;
/// How many bottles, a whole tone apart.
pub const BOTTLES: usize = 9;
/// How many players.
pub const LAYERS: u16 = 4;
/// Which bottle was filled wrong (B3; it sounds C#4).
const WRONG: usize = 3;
/// Which take clipped: bottle and layer.
const CLIPPED: (usize, u16) = (6, 2);
/// Which take was cut short.
const SHORT: (usize, u16) = (5, 1);
/// Which take is missing: the last in its file, so that the others keep their places.
pub const MISSING: (usize, u16) = (2, 3);

/// What is wrong with a take.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// The bottle was filled wrong: a whole tone above its label.
    WholeToneHigh,
    /// The loudest part stands at full scale.
    Clipped,
    /// Half a second only: too short to loop.
    CutShort,
}

/// How a player blows.
#[derive(Debug, Clone, Copy)]
struct Player {
    level_db: f64,
    /// Second and third partial below the first, in dB.
    partials_db: [f64; 2],
    breath_db: f64,
    chiff_db: f64,
    vibrato_hz: f64,
    vibrato_cents: f64,
    tremolo: f64,
    attack_s: f64,
    /// Slow wandering of the pitch, in cents.
    drift_cents: f64,
    /// How far they blow from the note, in cents.
    lean_cents: f64,
}

/// A calm one, an airy one, a trembling one, a hearty one.
const PLAYERS: [Player; LAYERS as usize] = [
    Player {
        level_db: -15.0,
        partials_db: [-27.0, -38.0],
        breath_db: -34.0,
        chiff_db: -20.0,
        vibrato_hz: 4.6,
        vibrato_cents: 0.8,
        tremolo: 0.010,
        attack_s: 0.11,
        drift_cents: 4.0,
        lean_cents: 1.0,
    },
    Player {
        level_db: -17.5,
        partials_db: [-30.0, -42.0],
        breath_db: -28.0,
        chiff_db: -17.0,
        vibrato_hz: 4.2,
        vibrato_cents: 1.2,
        tremolo: 0.015,
        attack_s: 0.16,
        drift_cents: 10.0,
        lean_cents: -6.0,
    },
    Player {
        level_db: -16.0,
        partials_db: [-26.0, -36.0],
        breath_db: -33.0,
        chiff_db: -19.0,
        vibrato_hz: 5.2,
        vibrato_cents: 6.0,
        tremolo: 0.050,
        attack_s: 0.10,
        drift_cents: 6.0,
        lean_cents: 3.0,
    },
    Player {
        level_db: -13.5,
        partials_db: [-22.0, -32.0],
        breath_db: -31.0,
        chiff_db: -14.0,
        vibrato_hz: 5.7,
        vibrato_cents: 1.0,
        tremolo: 0.020,
        attack_s: 0.08,
        drift_cents: 7.0,
        lean_cents: 7.0,
    },
];

/// A slow wave of the pitch.
#[derive(Debug, Clone, Copy)]
pub struct Wave {
    /// How often a second.
    pub hz: f64,
    /// How far, in cents.
    pub cents: f64,
    /// Where it begins, in turns.
    pub phase: f64,
}

/// One take as it was blown.
#[derive(Debug, Clone)]
pub struct TakePlan {
    /// Which player, from 0.
    pub layer: u16,
    /// First frame of the sound in the file.
    pub onset: usize,
    /// Frames from the onset until nothing is left.
    pub frames: usize,
    /// Pitch before anything moves, in hertz.
    pub hz: f64,
    /// Drift (slow) and, last, vibrato.
    pub waves: [Wave; 4],
    /// Steady sinking or rising of the pitch, cents a second.
    pub slope: f64,
    /// Amplitude of the tone.
    pub amplitude: f64,
    /// Amplitude of partials 2 and 3 relative to the first.
    pub partials: [f64; 2],
    /// RMS of the breath relative to the tone.
    pub breath: f64,
    /// RMS of the burst at the attack relative to the tone.
    pub chiff: f64,
    /// How long that burst takes to die down, in seconds.
    pub chiff_s: f64,
    /// Depth of the tremolo.
    pub tremolo: f64,
    /// Until the tone stands, in seconds.
    pub attack_s: f64,
    /// When the breath ends, in seconds from the onset.
    pub release_at_s: f64,
    /// How fast the bottle dies down then (to 1/e), in seconds.
    pub decay_s: f64,
    /// How far the pitch falls at the end, in cents.
    pub droop_cents: f64,
    /// A breath too strong, at this moment: the amplitude swells above full scale.
    pub swell_at_s: Option<f64>,
    /// An intake of breath before the take: how long before, in seconds.
    pub intake_s: f64,
    /// A bottle set down in the gap before: how long before, in seconds.
    pub knock_s: Option<f64>,
    /// What is wrong.
    pub fault: Option<Fault>,
    /// Number of its stream of chance.
    pub stream: u64,
}

/// One file: a bottle and what was blown on it.
#[derive(Debug, Clone)]
pub struct FilePlan {
    /// The note on its label.
    pub label: MidiNote,
    /// The note it sounds.
    pub sounds: MidiNote,
    /// Its takes in order.
    pub takes: Vec<TakePlan>,
    /// Its length.
    pub frames: usize,
    /// Number of its stream of chance.
    pub stream: u64,
}

/// The files, lowest bottle first.
pub fn files() -> Vec<FilePlan> {
    (0..BOTTLES).map(file).collect()
}

/// Label of bottle `index`.
pub fn label(index: usize) -> MidiNote {
    MidiNote(LOWEST + 2 * index as u8)
}

fn file(index: usize) -> FilePlan {
    let label = label(index);
    let sounds = if index == WRONG { MidiNote(label.0 + 2) } else { label };
    let stream = 100 * (index as u64 + 1);
    let mut chance = Chance::new(SEED, stream);
    // Filled by ear: equal temperament on A4 = 440 Hz (ISO 16), and a little off.
    let filled_cents = chance.between(-11.0, 11.0);
    let hz = 440.0 * ratio((f64::from(sounds.0) - 69.0) * 100.0 + filled_cents);
    // Room tone first, then the intake of breath.
    let mut at = 2.6 + chance.between(0.0, 0.6);
    let mut takes = Vec::new();
    for layer in 0..LAYERS {
        if (index, layer) == MISSING {
            continue;
        }
        let intake_s = chance.between(0.42, 0.5);
        at += if layer == 0 { intake_s + 0.1 } else { chance.between(1.2, 1.7) };
        let take = take(index, layer, hz, (at * RATE) as usize, intake_s);
        at += take.frames as f64 / RATE;
        takes.push(take);
    }
    let frames = ((at + chance.between(1.0, 1.4)) * RATE) as usize;
    FilePlan { label, sounds, takes, frames, stream }
}

fn take(index: usize, layer: u16, bottle_hz: f64, onset: usize, intake_s: f64) -> TakePlan {
    let p = PLAYERS[usize::from(layer)];
    let stream = 100 * (index as u64 + 1) + 1 + u64::from(layer);
    let mut c = Chance::new(SEED, stream);
    let fault = if (index, layer) == SHORT {
        Some(Fault::CutShort)
    } else if (index, layer) == CLIPPED {
        Some(Fault::Clipped)
    } else {
        (index == WRONG).then_some(Fault::WholeToneHigh)
    };
    let short = fault == Some(Fault::CutShort);
    let decay_s = if short { 0.02 } else { c.between(0.09, 0.13) };
    let release_at_s = if short { 0.40 } else { c.between(3.5, 4.8) };
    let wave = |c: &mut Chance, low: f64, high: f64, cents: f64| Wave {
        hz: c.between(low, high),
        cents: cents * c.between(0.7, 1.15),
        phase: c.between(0.0, 1.0),
    };
    let waves = [
        wave(&mut c, 0.15, 0.3, 0.6 * p.drift_cents),
        wave(&mut c, 0.4, 0.7, 0.35 * p.drift_cents),
        wave(&mut c, 0.9, 1.4, 0.15 * p.drift_cents),
        Wave { hz: p.vibrato_hz * c.between(0.96, 1.04), cents: p.vibrato_cents, phase: c.between(0.0, 1.0) },
    ];
    let clipped = fault == Some(Fault::Clipped);
    TakePlan {
        layer,
        onset,
        // Six and a half time constants of the decay lie 56 dB down: in the room.
        frames: ((release_at_s + 6.5 * decay_s) * RATE) as usize,
        hz: bottle_hz * ratio(p.lean_cents + c.between(-2.5, 2.5)),
        waves,
        slope: c.between(-1.5, 1.0),
        amplitude: if clipped { 0.32 } else { gain(p.level_db + c.between(-0.8, 0.8)) },
        partials: p.partials_db.map(|db| gain(db + c.between(-1.5, 1.5))),
        breath: gain(p.breath_db),
        chiff: gain(p.chiff_db + c.between(-2.0, 1.0)),
        chiff_s: c.between(0.012, 0.025),
        tremolo: p.tremolo,
        attack_s: if short { 0.09 } else { p.attack_s * c.between(0.9, 1.15) },
        release_at_s,
        decay_s,
        droop_cents: c.between(10.0, 22.0),
        swell_at_s: clipped.then_some(1.3),
        intake_s,
        knock_s: (layer > 0 && c.between(0.0, 1.0) < 0.3).then(|| intake_s + c.between(0.1, 0.3)),
        fault,
        stream,
    }
}
