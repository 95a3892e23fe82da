//! The yardstick: the log-spectral-amplitude gain as the textbook has it. Ephraim & Malah, IEEE
//! TASSP 33(2), 1985 (the gain) and 32(6), 1984 (the decision-directed prior, α = 0.98), Hann
//! windows of 1024 frames overlapping by three quarters, noise as the mean power over the room tone.

use rustfft::{FftPlanner, num_complex::Complex};

const N: usize = 1024;
const HOP: usize = N / 4;

/// The exponential integral by its series and its continued fraction. Source: Abramowitz & Stegun,
/// 5.1.11 and 5.1.22.
pub fn e1(x: f64) -> f64 {
    if x <= 1.0 {
        let (mut sum, mut term) = (-0.577_215_664_901_532_9 - x.ln(), 1.0);
        for k in 1..40 {
            term *= -x / f64::from(k);
            sum -= term / f64::from(k);
        }
        return sum;
    }
    let mut f = 0.0;
    for k in (1..=80).rev() {
        let k = f64::from(k);
        f = k / (1.0 + k / (x + f));
    }
    (-x).exp() / (x + f)
}

/// Gains over frames and bins, and how to use them.
pub struct Textbook {
    gains: Vec<Vec<f64>>,
}

fn window() -> Vec<f64> {
    (0..N).map(|i| 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / N as f64).cos()).collect()
}

fn spectrum(x: &[f32], first: i64, w: &[f64], planner: &mut FftPlanner<f64>) -> Vec<Complex<f64>> {
    let mut buf: Vec<Complex<f64>> = (0..N)
        .map(|i| {
            let at = first + i as i64;
            let s = if at >= 0 { x.get(at as usize).copied().unwrap_or(0.0) } else { 0.0 };
            Complex::new(f64::from(s) * w[i], 0.0)
        })
        .collect();
    planner.plan_fft_forward(N).process(&mut buf);
    buf
}

impl Textbook {
    /// Gains for `x` with the noise of `x[..head]`.
    pub fn new(x: &[f32], head: usize) -> Self {
        let (w, mut planner) = (window(), FftPlanner::new());
        let mut noise = vec![0.0; N / 2 + 1];
        let count = (head - N) / HOP;
        for t in 0..count {
            let s = spectrum(x, (t * HOP) as i64, &w, &mut planner);
            noise.iter_mut().zip(&s).for_each(|(n, z)| *n += z.norm_sqr() / count as f64);
        }
        let mut before = vec![0.0; N / 2 + 1];
        let gains = (0..frames_of(x.len()))
            .map(|t| {
                let s = spectrum(x, first_of(t), &w, &mut planner);
                (0..=N / 2)
                    .map(|k| {
                        let power = s[k].norm_sqr();
                        let gamma = (power / noise[k].max(1e-30)).min(1e4);
                        let xi = (0.98 * before[k] / noise[k].max(1e-30) + 0.02 * (gamma - 1.0).max(0.0))
                            .max(10f64.powf(-2.5));
                        let v = xi * gamma / (1.0 + xi);
                        let gain = (xi / (1.0 + xi) * (0.5 * e1(v.max(1e-8))).exp()).min(1.0);
                        before[k] = gain * gain * power;
                        gain
                    })
                    .collect()
            })
            .collect();
        Self { gains }
    }

    /// The same gains on any signal of that length.
    pub fn apply(&self, x: &[f32]) -> Vec<f32> {
        let (w, mut planner) = (window(), FftPlanner::new());
        let mut out = vec![0.0; x.len()];
        for (t, gains) in self.gains.iter().enumerate() {
            let mut s = spectrum(x, first_of(t), &w, &mut planner);
            for k in 0..=N / 2 {
                s[k] *= gains[k];
                if k > 0 && k < N / 2 {
                    s[N - k] = s[k].conj();
                }
            }
            planner.plan_fft_inverse(N).process(&mut s);
            for i in 0..N {
                let at = first_of(t) + i as i64;
                if at >= 0 && (at as usize) < x.len() {
                    // Squared Hann windows a quarter apart sum to 3/2.
                    out[at as usize] += s[i].re * w[i] / (N as f64 * 1.5);
                }
            }
        }
        out.into_iter().map(|v| v as f32).collect()
    }
}

fn frames_of(len: usize) -> usize {
    (len + N) / HOP + 1
}

fn first_of(t: usize) -> i64 {
    (t * HOP) as i64 - N as i64
}
