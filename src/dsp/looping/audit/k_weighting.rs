//! K-weighted power: level as it is heard.

/// Hands the power of all channels, K-weighted, to `each`, frame by frame. Of each channel come what goes
/// before (the filters' own start is no part of the sound) and the stretch, equally long in all.
/// Source: ITU-R BS.1770-5 (two filters in series; their coefficients at other rates by the bilinear
/// transform of the same prototypes).
pub(super) fn k_power<'x>(
    planes: impl Iterator<Item = (&'x [f32], &'x [f32])>,
    rate: f64,
    mut each: impl FnMut(f64),
) {
    let planes: Vec<_> = planes.collect();
    let mut pairs: Vec<Pair> = planes.chunks(2).map(|two| Pair::new(two, rate)).collect();
    let frames = planes.first().map_or(0, |(_, x)| x.len());
    match &mut pairs[..] {
        [] => {}
        // Nearly always: then the filters' states stay where the processor has them at hand.
        [pair] => (0..frames).for_each(|i| each(pair.power(i))),
        more => (0..frames).for_each(|i| each(more.iter_mut().map(|p| p.power(i)).sum())),
    }
}

/// Two channels at once (of a single one: beside silence, which costs the same).
struct Pair<'x> {
    planes: [&'x [f32]; 2],
    filters: [Biquad; 2],
}

impl<'x> Pair<'x> {
    fn new(two: &[(&[f32], &'x [f32])], rate: f64) -> Self {
        let mut filters = k_filters(rate);
        let (lead, first) = two[0];
        let (lead_2, second) = two.get(1).copied().unwrap_or_default();
        for (i, v) in lead.iter().enumerate() {
            let x = [f64::from(*v), lead_2.get(i).map_or(0.0, |v| f64::from(*v))];
            filters.iter_mut().fold(x, |x, f| f.step(x));
        }
        Self { planes: [first, second], filters }
    }

    fn power(&mut self, i: usize) -> f64 {
        let x = self.planes.map(|x| x.get(i).map_or(0.0, |v| f64::from(*v)));
        let [shelf, high_pass] = &mut self.filters;
        let y = high_pass.step(shelf.step(x));
        y[0] * y[0] + y[1] * y[1]
    }
}

/// A second-order filter in direct form 2, transposed; two channels.
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [[f64; 2]; 2],
}

impl Biquad {
    fn step(&mut self, x: [f64; 2]) -> [f64; 2] {
        let mut y = [0.0; 2];
        for c in 0..2 {
            y[c] = self.b[0] * x[c] + self.z[0][c];
            self.z[0][c] = self.b[1] * x[c] - self.a[0] * y[c] + self.z[1][c];
            self.z[1][c] = self.b[2] * x[c] - self.a[1] * y[c];
        }
        y
    }
}

/// The two filters of the K-weighting. The prototypes' frequencies, gain and Q are those that give
/// the coefficients of ITU-R BS.1770-5, tables 1 and 2, at 48 kHz (from memory; the test compares).
fn k_filters(rate: f64) -> [Biquad; 2] {
    let shelf = {
        let (f, gain, q) = (1_681.974_450_955_533, 3.999_843_853_973_347, 0.707_175_236_955_419_6);
        let k = (std::f64::consts::PI * f / rate).tan();
        let high = 10f64.powf(gain / 20.0);
        let band = high.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        Biquad {
            b: [
                (high + band * k / q + k * k) / a0,
                2.0 * (k * k - high) / a0,
                (high - band * k / q + k * k) / a0,
            ],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
            z: [[0.0; 2]; 2],
        }
    };
    let high_pass = {
        let (f, q) = (38.135_470_876_024_44, 0.500_327_037_323_877_3);
        let k = (std::f64::consts::PI * f / rate).tan();
        let a0 = 1.0 + k / q + k * k;
        Biquad {
            b: [1.0, -2.0, 1.0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
            z: [[0.0; 2]; 2],
        }
    };
    [shelf, high_pass]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: ITU-R BS.1770-5, tables 1 and 2 (48 kHz).
    #[test]
    fn k_filters_have_the_published_coefficients() {
        let [shelf, high_pass] = k_filters(48_000.0);
        let pairs = [
            (shelf.b[0], 1.535_124_859_586_97),
            (shelf.b[1], -2.691_696_189_406_38),
            (shelf.b[2], 1.198_392_810_852_85),
            (shelf.a[0], -1.690_659_293_182_41),
            (shelf.a[1], 0.732_480_774_215_85),
            (high_pass.a[0], -1.990_047_454_833_98),
            (high_pass.a[1], 0.990_072_250_366_21),
        ];
        for (got, published) in pairs {
            assert!((got - published).abs() < 1e-9, "{got} against {published}");
        }
    }
}
