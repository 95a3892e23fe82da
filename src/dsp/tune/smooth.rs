//! A smoother with no delay that knows about gaps and ends: penalised least squares.
//!
//! z minimises Σ wᵢ(yᵢ − zᵢ)² + λ Σ (Δᵈz)². Sources: E. T. Whittaker, Proc. Edinburgh Math. Soc.
//! 41, 1923; P. H. C. Eilers, *A perfect smoother*, Anal. Chem. 75, 2003. Far from the ends and
//! with weights of 1 it is a filter without phase whose gain is 1/(1 + λ·(2 sin(ω/2))^2d): maximally
//! flat. Unlike a convolution it needs nothing beyond the ends, so nothing rings in from there,
//! and a value of weight 0 is bridged by the smoothest curve.

/// Greatest order of differences.
const MAX_ORDER: usize = 4;

/// The smoother for one set of weights, factorised once (L·D·Lᵀ of a banded matrix; Golub & Van
/// Loan, *Matrix Computations*, §4.3).
pub(super) struct Smoother {
    /// Row i: Dᵢ, then Lᵢ₊ⱼ,ᵢ for j from 1 to the order.
    rows: Vec<[f64; MAX_ORDER + 1]>,
    weights: Vec<f64>,
    order: usize,
}

impl Smoother {
    /// A smoother of differences of `order` (1 to 4) whose gain is ½ at `half_gain_hz`, for values
    /// `hop_s` apart with `weights` (0 to 1; at least `order` of them well above 0).
    pub(super) fn new(weights: Vec<f64>, order: usize, half_gain_hz: f64, hop_s: f64) -> Self {
        // Up to a tenth of the sampling limit is kept from it, whatever the hop.
        let cycles = (half_gain_hz * hop_s).min(0.45);
        let root = 2.0 * (std::f64::consts::PI * cycles).sin();
        let lambda = root.powi(-2 * order as i32);
        let n = weights.len();
        let mut rows = vec![[0.0; MAX_ORDER + 1]; n];
        let difference = difference_row(order);
        for first in 0..n.saturating_sub(order) {
            for k in 0..=order {
                for l in k..=order {
                    rows[first + k][l - k] += lambda * difference[k] * difference[l];
                }
            }
        }
        for (row, w) in rows.iter_mut().zip(&weights) {
            row[0] += w;
        }
        factorise(&mut rows, order, lambda * 1e-13);
        Self { rows, weights, order }
    }

    /// The smoothed `y` (one value a weight).
    pub(super) fn smooth(&self, y: &[f64]) -> Vec<f64> {
        let n = self.rows.len();
        let mut z: Vec<f64> = y.iter().zip(&self.weights).map(|(y, w)| y * w).collect();
        for i in 0..n {
            for j in 1..=self.order.min(n - 1 - i) {
                z[i + j] -= self.rows[i][j] * z[i];
            }
        }
        for (z, row) in z.iter_mut().zip(&self.rows) {
            *z /= row[0];
        }
        for i in (0..n).rev() {
            for j in 1..=self.order.min(n - 1 - i) {
                z[i] -= self.rows[i][j] * z[i + j];
            }
        }
        z
    }

    /// `y` smoothed with the gain Hⁿ⁺¹·Σₖ₌₀ⁿ C(n+k, k)(1 − H)ᵏ instead of H, which is flatter in
    /// the pass band and lower in the stop band, and still ½ where H is ½.
    ///
    /// Source: J. F. Kaiser & R. W. Hamming, *Sharpening the response of a symmetric nonrecursive
    /// filter by multiple use of the same filter*, IEEE Trans. ASSP 25(5), 1977. As H lies between
    /// 0 and 1 for every weighting, so does this: it cannot grow.
    pub(super) fn sharp(&self, y: &[f64], n: u32) -> Vec<f64> {
        let mut term = self.smooth(y);
        for _ in 0..n {
            term = self.smooth(&term);
        }
        let mut sum = term.clone();
        let mut binomial = 1.0;
        for k in 1..=n {
            binomial *= f64::from(n + k) / f64::from(k);
            let low = self.smooth(&term);
            for ((t, l), s) in term.iter_mut().zip(low).zip(&mut sum) {
                *t -= l;
                *s += binomial * *t;
            }
        }
        sum
    }
}

/// Coefficients of the difference of `order`: (−1)^(d−k)·C(d, k).
fn difference_row(order: usize) -> [f64; MAX_ORDER + 1] {
    let mut row = [0.0; MAX_ORDER + 1];
    row[0] = 1.0;
    for done in 0..order {
        for k in (0..=done).rev() {
            row[k + 1] += row[k];
            row[k] = -row[k];
        }
    }
    row
}

/// Replaces the upper band of a symmetric positive matrix by its factors; `least` keeps a pivot
/// that rounding brought to nothing from dividing by zero.
fn factorise(rows: &mut [[f64; MAX_ORDER + 1]], order: usize, least: f64) {
    let n = rows.len();
    for i in 0..n {
        rows[i][0] = rows[i][0].max(least);
        let row = rows[i];
        for j in 1..=order.min(n - 1 - i) {
            let l = row[j] / row[0];
            for k in j..=order.min(n - 1 - i) {
                rows[i + j][k - j] -= l * row[k];
            }
            rows[i][j] = l;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn gain(order: usize, half_hz: f64, sharp: u32, hz: f64) -> f64 {
        let (n, hop) = (2001, 0.005);
        let s = Smoother::new(vec![1.0; n], order, half_hz, hop);
        let y: Vec<f64> = (0..n).map(|i| (TAU * hz * (i as f64 - 1000.0) * hop).cos()).collect();
        s.sharp(&y, sharp)[1000]
    }

    /// The gain against its formula (Eilers 2003; Kaiser & Hamming 1977 for the sharpened one).
    #[test]
    fn gain_is_the_published_one() {
        for (order, half, sharp) in [(3, 2.0, 0), (3, 2.0, 1), (4, 9.4, 0), (4, 9.4, 3)] {
            for hz in [0.0, 0.7, 1.9, 5.0, 9.4, 12.0] {
                let x: f64 =
                    ((TAU / 2.0 * hz * 0.005).sin() / (TAU / 2.0 * half * 0.005).sin()).powi(2 * order);
                let h = 1.0 / (1.0 + x);
                let want = match sharp {
                    0 => h,
                    1 => h * h * (3.0 - 2.0 * h),
                    _ => h.powi(4) * (35.0 - 84.0 * h + 70.0 * h * h - 20.0 * h * h * h),
                };
                let got = gain(order as usize, half, sharp, hz);
                assert!((got - want).abs() < 1e-6, "order {order}, {hz} Hz: {got} against {want}");
            }
        }
    }

    /// A polynomial below the order costs nothing and comes back, across gaps and at the ends.
    #[test]
    fn bridges_by_polynomials() {
        let y: Vec<f64> = (0..200).map(|i| 3.0 - 0.1 * i as f64 + 0.002 * (i * i) as f64).collect();
        let mut w = vec![1.0; 200];
        w[0] = 0.0;
        w[60..70].fill(0.0);
        let mut broken = y.clone();
        broken[60..70].fill(1e3);
        let z = Smoother::new(w, 3, 2.0, 0.005).sharp(&broken, 1);
        for (a, b) in y.iter().zip(z) {
            // Rounding only: the condition number is λ·4³ ≈ 1e9 ulp of values up to 63.
            assert!((a - b).abs() < 1e-4, "{a} {b}");
        }
    }

    #[test]
    fn differences_have_binomial_coefficients() {
        assert_eq!(difference_row(3), [-1.0, 3.0, -3.0, 1.0, 0.0]);
        assert_eq!(difference_row(4), [1.0, -4.0, 6.0, -4.0, 1.0]);
    }
}
