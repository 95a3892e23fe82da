//! What cleaning did, as a picture: gain over time and frequency.

use crate::audio::AudioBuf;
use crate::dsp::stft::Stft;
use crate::error::{Error, Result};

/// Frames of the picture's transform at 48 kHz.
const SIZE: usize = 4096;
/// From here up, in hertz.
const LOWEST_HZ: f64 = 40.0;
/// Up to here, in hertz, where the rate allows it.
const HIGHEST_HZ: f64 = 20_000.0;
/// Lower gains are shown as this, in dB.
const LOWEST_DB: f64 = -80.0;
/// Power of a band that counts as nothing.
const NOTHING: f64 = 1e-24;

/// Gains over time (columns) and frequency (rows, lowest first, even steps of its logarithm).
#[derive(Debug, Clone, PartialEq)]
pub struct GainPicture {
    /// How many columns; column c stands for the c-th equal part of the sound.
    pub columns: usize,
    /// How many rows.
    pub rows: usize,
    /// Lower edge of the lowest row, in hertz.
    pub lowest_hz: f64,
    /// Upper edge of the highest row, in hertz.
    pub highest_hz: f64,
    /// Gain in dB, −80 to 0, a row after the other.
    pub gain_db: Vec<f32>,
}

/// The gain that made `cleaned` of `source`, as found in the two: the ratio of their powers in each part
/// of time (a Hann window of 85 ms around its middle) and band of frequency, all channels together.
///
/// `source` and `cleaned` are of one length, rate and channel count; the picture has `columns` × `rows`
/// cells, each at least 1. A gain above 1 is shown as 1; where the source is silent it is 1.
///
/// Errors: `InvalidParameter` for buffers that do not belong together or a picture without cells.
pub fn gain_picture(
    source: &AudioBuf,
    cleaned: &AudioBuf,
    columns: usize,
    rows: usize,
) -> Result<GainPicture> {
    let shape = |a: &AudioBuf| (a.len(), a.rate(), a.channel_count());
    if shape(source) != shape(cleaned) {
        return Err(Error::invalid(
            "the cleaned sound",
            format!("{} frames", cleaned.len()),
            &format!("{} frames of the same rate and channels as the source", source.len()),
        ));
    }
    if columns == 0 || rows == 0 {
        return Err(Error::invalid("the picture's size", format!("{columns} × {rows}"), "at least 1 × 1"));
    }
    let rate = source.rate().as_f64();
    let size = super::noise_profile::size_for(rate, SIZE);
    let mut stft = Stft::<f32>::new(size, size / 2);
    let mut spectrum = stft.spectrum();
    let bin_hz = rate / size as f64;
    let highest_hz = HIGHEST_HZ.min(0.95 * rate / 2.0).max(2.0 * LOWEST_HZ);
    let octaves = (highest_hz / LOWEST_HZ).log2();
    let edge = |r: usize| LOWEST_HZ * (octaves * r as f64 / rows as f64).exp2() / bin_hz;
    let last = stft.bins() - 1;
    // A band narrower than a bin is read from the bin nearest to its middle.
    let bands: Vec<(usize, usize)> = (0..rows)
        .map(|r| {
            let (from, to) = (edge(r).round() as usize, edge(r + 1).round() as usize);
            if to > from {
                (from.min(last), to.min(last + 1))
            } else {
                let k = (((edge(r) + edge(r + 1)) / 2.0).round() as usize).min(last);
                (k, k + 1)
            }
        })
        .collect();
    let mut gain_db = vec![0f32; columns * rows];
    let mut powers = |audio: &AudioBuf, first: i64| -> Vec<f64> {
        let mut sums = vec![0.0; rows];
        for x in audio.channels() {
            stft.forward_at(x, first, &mut spectrum);
            for (sum, (from, to)) in sums.iter_mut().zip(&bands) {
                *sum += spectrum[*from..*to].iter().map(|z| f64::from(z.norm_sqr())).sum::<f64>();
            }
        }
        sums
    };
    for c in 0..columns {
        let middle = (c as f64 + 0.5) * source.len() as f64 / columns as f64;
        let first = (middle - size as f64 / 2.0).round() as i64;
        let (before, after) = (powers(source, first), powers(cleaned, first));
        for (r, (b, a)) in before.iter().zip(&after).enumerate() {
            let db = if *b <= NOTHING { 0.0 } else { 10.0 * (a.max(NOTHING) / b).log10() };
            gain_db[r * columns + c] = db.clamp(LOWEST_DB, 0.0) as f32;
        }
    }
    Ok(GainPicture { columns, rows, lowest_hz: LOWEST_HZ, highest_hz, gain_db })
}

impl GainPicture {
    /// The gain at part `time` (0 to 1) of the sound and `hz`, in dB.
    pub fn at(&self, time: f64, hz: f64) -> f64 {
        let c = ((time * self.columns as f64).max(0.0) as usize).min(self.columns - 1);
        let up = (hz / self.lowest_hz).ln() / (self.highest_hz / self.lowest_hz).ln();
        let r = ((up * self.rows as f64).max(0.0) as usize).min(self.rows - 1);
        f64::from(self.gain_db[r * self.columns + c])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::signals;
    use crate::units::SampleRate;

    /// Half the amplitude is 20·log10(½) = −6.02 dB in every cell.
    #[test]
    fn one_gain_is_one_colour() {
        let noise = signals::white_noise(0.1, 40_001, 3);
        let half: Vec<f32> = noise.iter().map(|v| v * 0.5).collect();
        let a = AudioBuf::mono(noise, SampleRate::DELIVERY).unwrap();
        let b = AudioBuf::mono(half, SampleRate::DELIVERY).unwrap();
        let p = gain_picture(&a, &b, 50, 60).unwrap();
        assert_eq!(p.gain_db.len(), 3_000);
        assert!(p.gain_db.iter().all(|g| (g + 6.0206).abs() < 1e-3));
        assert!(gain_picture(&a, &a, 7, 5).unwrap().gain_db.iter().all(|g| *g == 0.0));
    }

    /// Of two tones the upper one goes half way: only there, only then.
    #[test]
    fn a_tone_that_goes_leaves_its_mark_where_it_was() {
        let (n, rate) = (96_000, 48_000.0);
        let low = signals::sine(300.0, 0.3, rate, n);
        let high = signals::sine(3_000.0, 0.3, rate, n);
        let both: Vec<f32> = low.iter().zip(&high).map(|(a, b)| a + b).collect();
        let left: Vec<f32> =
            (0..n).map(|i| low[i] + if i < n / 2 { high[i] } else { 0.01 * high[i] }).collect();
        let p = gain_picture(
            &AudioBuf::mono(both, SampleRate::DELIVERY).unwrap(),
            &AudioBuf::mono(left, SampleRate::DELIVERY).unwrap(),
            40,
            72,
        )
        .unwrap();
        assert!(p.at(0.25, 3_000.0) > -0.1 && p.at(0.25, 300.0) > -0.1);
        assert!((p.at(0.75, 3_000.0) + 40.0).abs() < 0.5, "{}", p.at(0.75, 3_000.0));
        assert!(p.at(0.75, 300.0) > -0.1);
    }

    #[test]
    fn silence_and_strangers() {
        let z = AudioBuf::mono(vec![0.0; 100], SampleRate::DELIVERY).unwrap();
        assert!(gain_picture(&z, &z, 4, 4).unwrap().gain_db.iter().all(|g| *g == 0.0));
        let other = AudioBuf::mono(vec![0.0; 99], SampleRate::DELIVERY).unwrap();
        assert!(gain_picture(&z, &other, 4, 4).unwrap_err().to_string().contains("100 frames"));
        assert!(gain_picture(&z, &z, 0, 4).is_err());
    }
}
