//! What the room sounds like with nobody playing.

use super::lines::{self, Line};
use super::low_band::LowBand;
use crate::audio::AudioBuf;
use crate::audio::buffer::mean_and_loudest;
use crate::dsp::stft::Stft;
use crate::error::{Error, ErrorKind, Result};
use crate::units::{Decibels, SampleRate};

/// Frames of the profile's transform at 48 kHz.
const SIZE: usize = 4096;
/// Shortest room tone that anything can be learned from, in seconds.
const SHORTEST_S: f64 = 0.1;
/// Less than this is too little to rely on, in seconds.
pub const ENOUGH_S: f64 = 0.5;
/// A frame whose mean log power in a band lies this far above the median frame's holds something
/// that is not the room (a click, a breath, a chair), in nepers of power, and so many deviations.
const OUTLIER: (f64, f64) = (0.25, 5.0);
/// Bands that outliers are looked for in, edges in hertz.
const BANDS_HZ: [f64; 6] = [30.0, 150.0, 600.0, 2_000.0, 6_000.0, 20_000.0];
/// Of the frames left, this lowest part of each bin counts.
const KEPT: f64 = 0.75;
/// Lowest power density that is told, per Hz: digital silence and the last bit of 24.
const LEAST: f64 = 1e-19;

/// The power density of a room and its spread.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseProfile {
    /// Hertz from bin to bin.
    pub bin_hz: f64,
    /// Power re full scale per hertz (one-sided) without the lines, the mean of the channels; bin k
    /// belongs to k·`bin_hz`.
    pub power: Vec<f64>,
    /// Standard deviation over time of each bin in dB; 5.6 dB for steady noise.
    pub spread_db: Vec<f32>,
    /// Hum and whines, strongest first.
    pub lines: Vec<Line>,
    /// The channel that they were found in; none: the mean of all.
    pub lines_in: Option<usize>,
    /// RMS level of the room tone, lines included, clicks left out.
    pub level: Decibels,
    /// How much was learned from, in seconds, and how much of it was left out as disturbed (0 to 1).
    pub seconds: f64,
    /// See [`NoiseProfile::seconds`].
    pub left_out: f64,
}

/// Learns the room from stretches of room tone (pooled; all at one rate, any number of channels).
///
/// Lines are found in the longest stretch and taken off; the rest is a power density: of each bin
/// the mean of the lowest three quarters of all undisturbed frames, divided by what that mean is for
/// exponentially distributed power (1 − ¼(1 + ln 4))/¾, smoothed over frequency. Frames (85 ms) that
/// stand out from the median frame in any of five bands hold a click, a breath or a chair and are left
/// out.
///
/// Errors: `Nothing` for no stretch or less than 0.1 s in all; `InvalidParameter` for stretches of
/// different rates.
pub fn learn(stretches: &[AudioBuf]) -> Result<NoiseProfile> {
    let Some(longest) = stretches.iter().max_by_key(|s| s.len()) else {
        return Err(Error::new(
            ErrorKind::Nothing,
            "no room tone was given; mark a stretch with nobody playing",
        ));
    };
    let rate = longest.rate();
    if let Some(other) = stretches.iter().find(|s| s.rate() != rate) {
        return Err(Error::invalid(
            "the rate of a stretch of room tone",
            format!("{} Hz", other.rate().hz()),
            &format!("{} Hz, that of the others", rate.hz()),
        ));
    }
    let hz = rate.as_f64();
    let seconds = stretches.iter().map(|s| s.len() as f64).sum::<f64>() / hz;
    if seconds < SHORTEST_S {
        return Err(Error::new(
            ErrorKind::Nothing,
            format!("the room tone is {seconds:.2} s long; at least {SHORTEST_S} s is needed, 2 s is better"),
        ));
    }
    let band = LowBand::new(hz);
    let low_rate = hz / band.factor() as f64;
    // Judged in the lows, where hum is most of the sound: there channels that oppose each other are seen to.
    let lows: Vec<Vec<f32>> = longest.channels().map(|x| band.down(x)).collect();
    let (mix, lines_in) = mean_and_loudest(&lows.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let lines = lines::find(lines_in.map_or(&*mix, |c| &lows[c]), low_rate);
    let mut frames = Frames::new(rate);
    for stretch in stretches {
        for x in stretch.channels() {
            frames.read(&without_lines(x, &band, low_rate, &lines));
        }
    }
    Ok(NoiseProfile { lines_in, ..frames.profile(lines, seconds) })
}

/// `x` without the waves of `lines`.
fn without_lines(x: &[f32], band: &LowBand, low_rate: f64, lines: &[Line]) -> Vec<f32> {
    if lines.is_empty() {
        return x.to_vec();
    }
    let low = band.down(x);
    let waves = band.up(&lines::waves(&low, low_rate, &lines::trust(&low, low_rate, lines)), x.len());
    x.iter().zip(&waves).map(|(x, w)| x - w).collect()
}

/// Power spectra of all frames.
struct Frames {
    stft: Stft<f32>,
    rate: f64,
    powers: Vec<Vec<f32>>,
}

impl Frames {
    fn new(rate: SampleRate) -> Self {
        let size = size_for(rate.as_f64(), SIZE);
        Self { stft: Stft::new(size, size / 4), rate: rate.as_f64(), powers: Vec::new() }
    }

    /// Reads whole frames; a stretch shorter than one is read with silence around it and scaled.
    fn read(&mut self, x: &[f32]) {
        let (size, hop) = (self.stft.size(), self.stft.hop());
        let mut spectrum = self.stft.spectrum();
        let count = if x.len() < size { 1 } else { (x.len() - size) / hop + 1 };
        let scale = if x.len() < size { size as f32 / x.len().max(1) as f32 } else { 1.0 };
        let shift = if x.len() < size { -(((size - x.len()) / 2) as i64) } else { 0 };
        for t in 0..count {
            self.stft.forward_at(x, (t * hop) as i64 + shift, &mut spectrum);
            self.powers.push(spectrum.iter().map(|z| z.norm_sqr() * scale).collect());
        }
    }

    /// Which frames hold nothing but the room.
    fn undisturbed(&self) -> Vec<usize> {
        let bin_hz = self.rate / self.stft.size() as f64;
        let mut good = vec![true; self.powers.len()];
        for edges in BANDS_HZ.windows(2) {
            let bins = |hz: f64| ((hz / bin_hz) as usize).clamp(1, self.stft.bins() - 1);
            let (from, to) = (bins(edges[0]), bins(edges[1]));
            if to <= from {
                continue;
            }
            let level = |p: &Vec<f32>| {
                p[from..to].iter().map(|v| f64::from(v.max(1e-30)).ln()).sum::<f64>() / (to - from) as f64
            };
            let levels: Vec<f64> = self.powers.iter().map(level).collect();
            let middle = median(&levels);
            let unrest = median(&levels.iter().map(|l| (l - middle).abs()).collect::<Vec<_>>());
            // Deviation of a normal variable from its median absolute deviation: 1.4826 times.
            let limit = OUTLIER.0.max(OUTLIER.1 * 1.4826 * unrest);
            good.iter_mut().zip(&levels).for_each(|(g, l)| *g &= *l < middle + limit);
        }
        let kept: Vec<usize> = (0..good.len()).filter(|i| good[*i]).collect();
        // Where most is disturbed, what is called disturbed is the room.
        if 3 * kept.len() < good.len() { (0..good.len()).collect() } else { kept }
    }

    fn profile(&self, lines: Vec<Line>, seconds: f64) -> NoiseProfile {
        let kept = self.undisturbed();
        let bins = self.stft.bins();
        // A bin's power for a density of 1/Hz: the window's power times half the rate.
        let scale = 2.0 / (self.stft.noise_power() * self.rate);
        let (mut power, mut spread) = (vec![0.0; bins], vec![0f32; bins]);
        let mut column = vec![0f32; kept.len()];
        for k in 0..bins {
            column.iter_mut().zip(&kept).for_each(|(c, t)| *c = self.powers[*t][k]);
            column.sort_by(f32::total_cmp);
            let count = ((KEPT * column.len() as f64).round() as usize).clamp(1, column.len());
            let kept_mean = column[..count].iter().map(|v| f64::from(*v)).sum::<f64>() / count as f64;
            let part = count as f64 / column.len() as f64;
            power[k] = (kept_mean * scale / lowest_mean(part)).max(LEAST);
            let db = |v: &f32| 10.0 * f64::from(v.max(1e-30)).log10();
            let mean_db = column.iter().map(db).sum::<f64>() / column.len() as f64;
            let square = column.iter().map(|v| (db(v) - mean_db).powi(2)).sum::<f64>();
            spread[k] = (square / column.len() as f64).sqrt() as f32;
        }
        let power = smooth_over_frequency(&power);
        let bin_hz = self.rate / self.stft.size() as f64;
        let hum: f64 = lines.iter().map(|l| l.amplitude.powi(2) / 2.0).sum();
        let all = power.iter().sum::<f64>() * bin_hz + hum;
        NoiseProfile {
            bin_hz,
            power,
            spread_db: spread,
            lines,
            lines_in: None,
            level: Decibels::of_amplitude(all.sqrt()),
            seconds,
            left_out: 1.0 - kept.len() as f64 / self.powers.len().max(1) as f64,
        }
    }
}

/// Mean of the lowest part `p` of an exponential variable of mean 1: with q = 1 − p,
/// (1 − q(1 − ln q))/p.
fn lowest_mean(p: f64) -> f64 {
    let q = 1.0 - p;
    if q <= 0.0 { 1.0 } else { (1.0 - q * (1.0 - q.ln())) / p }
}

/// A bin that stands this far out of the wider mean is a peak of the room (a whine that wavers): five
/// standard deviations of the narrow mean.
const ROOM_PEAK: f64 = 1.6;

/// Means over bins, narrow in the lows, a quarter of an octave wide above; peaks of the room keep a
/// narrow mean.
fn smooth_over_frequency(power: &[f64]) -> Vec<f64> {
    let last = power.len() - 1;
    let mut sums = vec![0.0; power.len() + 1];
    for (k, p) in power.iter().enumerate() {
        sums[k + 1] = sums[k] + p;
    }
    let mean = |k: usize, reach: usize| {
        let reach = reach.min(last - k).min(k);
        (sums[k + reach + 1] - sums[k - reach]) / (2 * reach + 1) as f64
    };
    (0..power.len())
        .map(|k| match k {
            0..=2 => power[k],
            3..=7 => mean(k, 1),
            _ => {
                let (narrow, wide) = (mean(k, 2 + k / 40), mean(k, 2 + k / 12));
                if narrow > ROOM_PEAK * wide { narrow } else { wide }
            }
        })
        .collect()
}

/// A transform size that lasts as long at `rate` as `at_48k` frames do at 48 kHz: a power of two.
pub(super) fn size_for(rate: f64, at_48k: usize) -> usize {
    let octaves = (rate / 48_000.0).log2().round() as i32;
    if octaves >= 0 { at_48k << octaves } else { at_48k >> -octaves }
}

pub(super) fn median(v: &[f64]) -> f64 {
    let mut v = v.to_vec();
    if v.is_empty() {
        return 0.0;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

impl NoiseProfile {
    /// Power density at `hz` (a straight line in dB between bins), per hertz.
    pub fn at(&self, hz: f64) -> f64 {
        let last = self.power.len() - 1;
        let x = (hz / self.bin_hz).clamp(0.0, last as f64);
        let (a, part) = (x as usize, x.fract());
        let b = (a + 1).min(last);
        (self.power[a].ln() * (1.0 - part) + self.power[b].ln() * part).exp()
    }

    /// Whether there was too little to rely on (under 0.5 s).
    pub fn is_too_little(&self) -> bool {
        self.seconds < ENOUGH_S
    }

    /// How far two rooms differ, in dB: the RMS over third octaves from 50 Hz to 10 kHz of the
    /// difference of their densities. Two stretches of one steady room differ by less than 2 dB; from
    /// about 3 dB on the room changed (common practice, no source).
    pub fn differs_db(&self, other: &Self) -> f64 {
        let top = (self.bin_hz * self.power.len() as f64).min(other.bin_hz * other.power.len() as f64);
        let bands: Vec<f64> = (0..24)
            .map(|i| 50.0 * 2f64.powf(f64::from(i) / 3.0))
            .filter(|hz| hz * 1.122 < 0.9 * top)
            .collect();
        let mean = |p: &Self, hz: f64| {
            (0..9).map(|i| p.at(hz * 2f64.powf((f64::from(i) - 4.0) / 27.0))).sum::<f64>() / 9.0
        };
        let squares = bands.iter().map(|hz| (10.0 * (mean(self, *hz) / mean(other, *hz)).log10()).powi(2));
        (squares.sum::<f64>() / bands.len().max(1) as f64).sqrt()
    }
}
