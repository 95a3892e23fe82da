//! What is measured of a cleaned take.

use rustfft::{FftPlanner, num_complex::Complex};

const TINY: f64 = 1e-30;

fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
}

/// Scale-invariant ratio of signal to distortion in dB. Source: Le Roux et al., ICASSP 2019.
pub fn si_sdr(clean: &[f32], given: &[f32]) -> f64 {
    let scale = dot(clean, given) / dot(clean, clean).max(TINY);
    let error: f64 =
        clean.iter().zip(given).map(|(c, g)| (scale * f64::from(*c) - f64::from(*g)).powi(2)).sum();
    10.0 * (scale * scale * dot(clean, clean) / error.max(TINY)).log10()
}

/// Ratio of signal to error in dB, scale included.
pub fn snr(clean: &[f32], given: &[f32]) -> f64 {
    let error: f64 = clean.iter().zip(given).map(|(c, g)| (f64::from(*c) - f64::from(*g)).powi(2)).sum();
    10.0 * (dot(clean, clean) / error.max(TINY)).log10()
}

/// Mean of [`snr`] over pieces of 20 ms, each between −10 and 60 dB.
pub fn segmental(clean: &[f32], given: &[f32]) -> f64 {
    let parts: Vec<f64> = clean
        .chunks_exact(960)
        .zip(given.chunks_exact(960))
        .map(|(c, g)| snr(c, g).clamp(-10.0, 60.0))
        .collect();
    parts.iter().sum::<f64>() / parts.len().max(1) as f64
}

/// Powers of Hann windows of `n` frames, half overlapping.
fn powers(x: &[f32], n: usize) -> Vec<Vec<f64>> {
    let fft = FftPlanner::new().plan_fft_forward(n);
    (0..(x.len().max(n) - n) / (n / 2) + 1)
        .map(|t| {
            let mut buf: Vec<Complex<f64>> = (0..n)
                .map(|i| {
                    let w = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos();
                    Complex::new(w * x.get(t * n / 2 + i).map_or(0.0, |v| f64::from(*v)), 0.0)
                })
                .collect();
            fft.process(&mut buf);
            buf[..=n / 2].iter().map(Complex::norm_sqr).collect()
        })
        .collect()
}

/// Kurtosis of the spectral power over time, each bin re its own mean, above 100 Hz. Its ratio
/// after and before: Uemura et al., IWAENC 2008.
pub fn kurtosis(x: &[f32]) -> f64 {
    let p = powers(x, 512);
    let (mut second, mut fourth, mut count) = (0.0, 0.0, 0.0);
    for k in 2..256 {
        let mean = p.iter().map(|f| f[k]).sum::<f64>() / p.len() as f64;
        for f in &p {
            let v = f[k] / mean.max(TINY);
            second += v.powi(2);
            fourth += v.powi(4);
            count += 1.0;
        }
    }
    fourth / count / (second / count).powi(2)
}

/// RMS difference of the spectra in dB, over what lies within 90 dB of the loudest.
pub fn log_spectral_distance(clean: &[f32], given: &[f32]) -> f64 {
    let (c, g) = (powers(clean, 2048), powers(given, 2048));
    let top = c.iter().flatten().copied().fold(0.0, f64::max);
    let floor = top * 1e-9;
    let frames: Vec<f64> = c
        .iter()
        .zip(&g)
        .map(|(c, g)| {
            let sum: f64 =
                c.iter().zip(g).map(|(c, g)| (10.0 * ((c + floor) / (g + floor)).log10()).powi(2)).sum();
            (sum / c.len() as f64).sqrt()
        })
        .collect();
    frames.iter().sum::<f64>() / frames.len() as f64
}

/// The middle value.
pub fn median(v: &[f64]) -> f64 {
    let mut v = v.to_vec();
    v.sort_by(f64::total_cmp);
    if v.is_empty() { f64::NAN } else { (v[(v.len() - 1) / 2] + v[v.len() / 2]) / 2.0 }
}
