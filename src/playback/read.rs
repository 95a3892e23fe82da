//! Reading a sound at its own rate: position, loop, interpolation.
//!
//! The position is a whole frame and a fraction counted in 2⁻³²/(device rate), both integers: however
//! long a loop goes round, nothing adds up, at any speed.

use super::message::{PlayLoop, Side};
use crate::audio::AudioBuf;
use crate::units::{FrameRange, SampleRate};

/// The loop end, and what sounds before it, one vector a channel.
type Tail<'a> = (u64, &'a [Vec<f32>]);

/// Points of the interpolation.
pub const POINTS: usize = 8;
/// Frames read before the position.
const BEFORE: i64 = POINTS as i64 / 2 - 1;
/// Steps of the table between two frames; between the steps it is read linearly.
const STEPS: usize = 1024;
/// Shape of the Kaiser window. Computed worst errors with 7: −84 dB at 440 Hz, −71 dB at 2 kHz,
/// −60 dB at 5 kHz, −57 dB at 10 kHz (of 44.1 kHz); with 5 the low notes are 16 dB worse, with 8
/// what lies at 10 kHz is 13 dB worse. A sound faster than the device is not low-passed first:
/// what lies above half the device's rate folds down. It is for listening only, never for what is
/// delivered.
const KAISER_BETA: f64 = 7.0;

/// Weights of a windowed sinc, one row of [`POINTS`] for every step of the fraction.
///
/// w(x) = sin(πx)/(πx) · I₀(β√(1 − (x/4)²))/I₀(β), |x| < 4: the ideal interpolation of Shannon
/// under a Kaiser window (Kaiser & Schafer, IEEE TASSP 28(1), 1980); every row is scaled to the sum
/// 1, so that a constant stays what it is.
#[derive(Debug, Clone)]
pub struct Kernel {
    rows: Vec<[f32; POINTS]>,
}

impl Kernel {
    /// Computes the table (allocates: not for the audio thread).
    pub fn new() -> Self {
        let rows = (0..=STEPS)
            .map(|s| {
                let fraction = s as f64 / STEPS as f64;
                let w: [f64; POINTS] =
                    std::array::from_fn(|k| windowed_sinc(k as f64 - BEFORE as f64 - fraction));
                let sum: f64 = w.iter().sum();
                w.map(|w| (w / sum) as f32)
            })
            .collect();
        Self { rows }
    }

    /// The weights for a position `fraction` (0 up to but not including 1) after a frame.
    #[inline]
    fn weights(&self, fraction: f64) -> [f32; POINTS] {
        let x = fraction * STEPS as f64;
        let row = (x as usize).min(STEPS - 1);
        let (t, a, b) = ((x - row as f64) as f32, &self.rows[row], &self.rows[row + 1]);
        std::array::from_fn(|k| a[k] + (b[k] - a[k]) * t)
    }
}

impl Default for Kernel {
    fn default() -> Self {
        Self::new()
    }
}

fn windowed_sinc(x: f64) -> f64 {
    let half = POINTS as f64 / 2.0;
    if x.abs() >= half || (x != 0.0 && x.fract() == 0.0) {
        return 0.0;
    }
    let sinc = if x == 0.0 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
    sinc * bessel_i0(KAISER_BETA * (1.0 - (x / half).powi(2)).sqrt()) / bessel_i0(KAISER_BETA)
}

/// I₀(x) = Σ ((x/2)^k / k!)² (Abramowitz & Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum += term;
    }
    sum
}

/// Slowest and fastest reading, as a share of the sound's own speed: four octaves either way.
pub const RATIOS: std::ops::RangeInclusive<f64> = 0.0625..=16.0;
/// Parts of a frame of the device: what a speed is rounded to. At a ratio of 1 and rates of some
/// 10 000 Hz this is 2⁻⁴⁵ of the speed, far below a millionth of a cent.
const PARTS: u32 = 32;

/// Where in a sound the reading is, and how it goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reader {
    /// Frame of the sound.
    pub frame: u64,
    /// What is beyond it, in 1/`unit` frames.
    fraction: u64,
    /// The loop it goes round; none: it plays to the end.
    round: Option<FrameRange>,
    /// It has jumped back at least once: before the loop start comes the loop's end.
    wrapped: bool,
    /// How far it goes on with every frame of the device, in 1/`unit` frames.
    step: u64,
    /// The step it glides to, and how many frames from now it is there.
    goal: u64,
    gliding: u32,
    rate_hz: u32,
    unit: u64,
}

/// How far a sound of `rate_hz` goes on a frame of the device at `ratio` times its own speed.
fn step_of(rate_hz: u32, ratio: f64) -> u64 {
    let ratio = if ratio.is_finite() { ratio.clamp(*RATIOS.start(), *RATIOS.end()) } else { 1.0 };
    (f64::from(rate_hz) * (1u64 << PARTS) as f64 * ratio).round() as u64
}

impl Reader {
    /// Reads a sound of `rate` from `frame` on a device at `device` frames a second.
    pub fn new(frame: u64, rate: SampleRate, device: SampleRate) -> Self {
        let step = u64::from(rate.hz()) << PARTS;
        Self {
            frame,
            fraction: 0,
            round: None,
            wrapped: false,
            step,
            goal: step,
            gliding: 0,
            rate_hz: rate.hz(),
            unit: u64::from(device.hz()) << PARTS,
        }
    }

    /// Reads a sound of `rate` at `ratio` times its speed so that frame `onset` comes `after`
    /// frames of the device from now (or came that many ago). Where that is before the sound's
    /// beginning, how many frames to wait is told as well.
    pub fn timed(onset: u64, after: i64, ratio: f64, rate: SampleRate, device: SampleRate) -> (Self, u64) {
        let mut reader = Self::new(0, rate, device);
        reader.step = step_of(rate.hz(), ratio);
        reader.goal = reader.step;
        let (unit, step) = (i128::from(reader.unit), i128::from(reader.step));
        let mut at = i128::from(onset) * unit - i128::from(after) * step;
        let wait = if at < 0 { (-at + step - 1) / step } else { 0 };
        at += wait * step;
        reader.frame = u64::try_from(at / unit).unwrap_or(u64::MAX / 2);
        reader.fraction = (at % unit) as u64;
        (reader, wait as u64)
    }

    /// Frames of the device until frame `onset` is reached from the beginning at `ratio`, rounded up.
    pub fn lead(onset: u64, ratio: f64, rate: SampleRate, device: SampleRate) -> u64 {
        let unit = u128::from(u64::from(device.hz()) << PARTS);
        (u128::from(onset) * unit).div_ceil(u128::from(step_of(rate.hz(), ratio))) as u64
    }

    /// Changes the speed to `ratio` times the sound's own, evenly within `length` frames.
    pub fn glide(&mut self, ratio: f64, length: u32) {
        self.goal = step_of(self.rate_hz, ratio);
        self.gliding = if self.goal == self.step { 0 } else { length.max(1) };
    }

    /// Leaves the loop for what comes after its end, as far into a period of `period` frames as it is
    /// now (0: not known, at its beginning).
    pub fn leave(&mut self, period: f64) {
        let Some(r) = self.round.take() else { return };
        self.wrapped = false;
        let into = self.frame.saturating_sub(r.start.0) as f64 + self.fraction as f64 / self.unit as f64;
        let into = if period > 1.0 && period.is_finite() { into % period } else { 0.0 };
        self.frame = r.end.0 + into as u64;
        self.fraction = ((into.fract() * self.unit as f64) as u64).min(self.unit - 1);
    }

    /// The loop it goes round.
    pub fn round(&self) -> Option<FrameRange> {
        self.round
    }

    /// Goes round `looping` from now on, cut to a sound of `frames`. A position at or beyond the
    /// end jumps by whole loop lengths into the loop, so that a whole number of periods lies
    /// between (`jump`), or else stays outside and plays to the end.
    pub fn set_round(&mut self, looping: Option<&PlayLoop>, frames: u64, jump: bool) {
        self.wrapped = false;
        let cut = looping.map(|l| FrameRange::new(l.range.start.0, l.range.end.0.min(frames)));
        self.round = cut.filter(|r| !r.is_empty() && (jump || self.frame < r.end.0));
        if let Some(r) = self.round
            && self.frame >= r.end.0
        {
            self.frame = r.start.0 + (self.frame - r.start.0) % r.count().0;
            self.wrapped = true;
        }
    }

    /// Whether it goes round.
    pub fn goes_round(&self) -> bool {
        self.round.is_some()
    }

    /// Whether a sound of `frames` is over here.
    #[inline]
    pub fn is_over(&self, frames: u64) -> bool {
        self.round.is_none() && self.frame >= frames
    }

    /// Goes on by one frame of the device.
    #[inline]
    pub fn step(&mut self) {
        if self.gliding > 0 {
            let way = self.goal as i64 - self.step as i64;
            self.step = self.step.saturating_add_signed(way / i64::from(self.gliding));
            self.gliding -= 1;
            if self.gliding == 0 {
                self.step = self.goal;
            }
        }
        self.fraction += self.step;
        if self.fraction >= self.unit {
            self.frame += self.fraction / self.unit;
            self.fraction %= self.unit;
        }
        if let Some(r) = self.round
            && self.frame >= r.end.0
        {
            self.frame = r.start.0 + (self.frame - r.end.0) % r.count().0;
            self.wrapped = true;
        }
    }

    /// The first two channels here (one channel: on both). `looping` is the loop whose tail sounds
    /// at its end; none: the tail is not used (the source side has none).
    #[inline]
    pub fn read(&self, sound: &AudioBuf, looping: Option<(&PlayLoop, Side)>, kernel: &Kernel) -> [f32; 2] {
        let stereo = sound.channel_count() > 1;
        let tail = looping.filter(|_| self.round.is_some()).map(|(l, side)| (l.range.end.0, l.tail_of(side)));
        if self.fraction == 0 {
            let left = self.at(sound, tail, 0, self.frame as i64);
            return [left, if stereo { self.at(sound, tail, 1, self.frame as i64) } else { left }];
        }
        let weights = kernel.weights(self.fraction as f64 / self.unit as f64);
        let left = self.weigh(sound, tail, 0, &weights);
        [left, if stereo { self.weigh(sound, tail, 1, &weights) } else { left }]
    }

    fn weigh(
        &self,
        sound: &AudioBuf,
        tail: Option<Tail<'_>>,
        channel: usize,
        weights: &[f32; POINTS],
    ) -> f32 {
        let first = self.frame as i64 - BEFORE;
        let mut sum = 0.0;
        if self.is_plain(tail, first) {
            // Nothing but the sound's own samples around here.
            if let Some(s) = sound.channel(channel).get(first as usize..first as usize + POINTS) {
                for (w, s) in weights.iter().zip(s) {
                    sum += w * s;
                }
                return sum;
            }
        }
        for (k, w) in weights.iter().enumerate() {
            sum += w * self.at(sound, tail, channel, first + k as i64);
        }
        sum
    }

    /// Whether the points from `first` on touch neither seam nor tail nor the sound's beginning.
    #[inline]
    fn is_plain(&self, tail: Option<Tail<'_>>, first: i64) -> bool {
        let Some(r) = self.round else { return first >= 0 };
        let tail = tail.and_then(|(_, t)| t.iter().map(Vec::len).max()).unwrap_or(0) as i64;
        let low = if self.wrapped { r.start.0 as i64 } else { 0 };
        first >= low && first + POINTS as i64 + tail <= r.end.0 as i64
    }

    /// The sample at `index` of what is heard in a row: after the loop's end comes its start, and
    /// once it has gone round, before its start comes its end. Silence outside the sound.
    #[inline]
    fn at(&self, sound: &AudioBuf, tail: Option<Tail<'_>>, channel: usize, index: i64) -> f32 {
        let mut i = index;
        if let Some(r) = self.round {
            let (start, end) = (r.start.0 as i64, r.end.0 as i64);
            if i >= end || (self.wrapped && i < start) {
                i = start + (i - start).rem_euclid(end - start);
            }
        }
        if let Some((loop_end, channels)) = tail
            && let Some(t) = channels.get(channel).or_else(|| channels.first())
            && (i as u64) < loop_end
            && i >= 0
        {
            let before_end = loop_end - i as u64;
            if before_end <= t.len() as u64 {
                return t[t.len() - before_end as usize];
            }
        }
        if i < 0 { 0.0 } else { sound.channel(channel).get(i as usize).copied().unwrap_or(0.0) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worst error of a sine of `hz` at 44.1 kHz read at 48 kHz, in dB re the sine.
    fn error_db(hz: f64) -> f64 {
        let (rate, device) = (SampleRate::new(44_100).unwrap(), SampleRate::DELIVERY);
        let sound = AudioBuf::mono(crate::audio::signals::sine(hz, 0.5, 44_100.0, 4_410), rate).unwrap();
        let kernel = Kernel::new();
        let mut r = Reader::new(10, rate, device);
        let mut worst = 0f64;
        for n in 0..4_000 {
            let t = 10.0 / 44_100.0 + f64::from(n) / 48_000.0;
            let want = 0.5 * (std::f64::consts::TAU * hz * t).sin();
            worst = worst.max((f64::from(r.read(&sound, None, &kernel)[0]) - want).abs());
            r.step();
        }
        20.0 * (worst / 0.5).log10()
    }

    /// The limits are what the kernel's own transfer function gives (computed apart, from the
    /// formula above): max over the fraction of |Σ w(k)·exp(iωk) − 1|, rounded up to half a dB.
    #[test]
    fn interpolation_is_good_enough_for_audition() {
        for (hz, limit) in [(440.0, -84.0), (2_000.0, -70.0), (5_000.0, -59.5), (10_000.0, -56.5)] {
            let e = error_db(hz);
            assert!(e < limit, "{hz} Hz: {e:.1} dB");
        }
    }

    #[test]
    fn fraction_never_drifts() {
        let mut r = Reader::new(0, SampleRate::new(44_100).unwrap(), SampleRate::new(48_000).unwrap());
        for _ in 0..48_000 * 20 {
            r.step();
        }
        assert_eq!((r.frame, r.fraction), (44_100 * 20, 0));
    }
}
