//! A row of colours in which equal steps look equally large.
//!
//! A helix in the OKLab space: lightness and hue go evenly while the chroma stays, so the way along it
//! is even. Source: Ottosson, "A perceptual color space for image processing" (2020), whose matrices
//! these are; the transfer curve is IEC 61966-2-1 (sRGB).

use egui::Color32;

/// Lightness at both ends.
const LIGHTNESS: (f64, f64) = (0.33, 0.93);
/// Hue at both ends, degrees: from violet through blue and green to yellow.
const HUE: (f64, f64) = (295.0, 100.0);
const CHROMA: f64 = 0.085;

/// The colour at `share` (0 to 1). The low end is near the ground on which it stands: dark in dark
/// surroundings, light in light ones.
pub fn colour(share: f64, dark: bool) -> Color32 {
    let share = share.clamp(0.0, 1.0);
    let [r, g, b] = srgb(linear(lab(if dark { share } else { 1.0 - share })));
    Color32::from_rgb(r, g, b)
}

/// L, a, b of a place on the helix.
fn lab(share: f64) -> [f64; 3] {
    let at = |(from, to): (f64, f64)| from + (to - from) * share;
    let hue = at(HUE).to_radians();
    [at(LIGHTNESS), CHROMA * hue.cos(), CHROMA * hue.sin()]
}

/// Ottosson's way from OKLab to linear sRGB.
fn linear([l, a, b]: [f64; 3]) -> [f64; 3] {
    let l_ = (l + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let m_ = (l - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let s_ = (l - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    [
        4.076_741_662_1 * l_ - 3.307_711_591_3 * m_ + 0.230_969_929_2 * s_,
        -1.268_438_004_6 * l_ + 2.609_757_401_1 * m_ - 0.341_319_396_5 * s_,
        -0.004_196_086_3 * l_ - 0.703_418_614_7 * m_ + 1.707_614_701_0 * s_,
    ]
}

/// IEC 61966-2-1: linear light to 8 bits.
fn srgb(linear: [f64; 3]) -> [u8; 3] {
    linear.map(|v| {
        let v = v.clamp(0.0, 1.0);
        let curved = if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
        (255.0 * curved).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ottosson's way from linear sRGB to OKLab: the inverse, by his own first matrices.
    fn oklab(c: Color32) -> [f64; 3] {
        let [r, g, b] = [c.r(), c.g(), c.b()].map(|v| {
            let v = f64::from(v) / 255.0;
            if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        });
        let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
            1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
            0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
        ]
    }

    /// sRGB red in OKLab: L 0.628, a 0.225, b 0.126 (CSS Color Module Level 4, from memory).
    #[test]
    fn red_is_where_the_standard_has_it() {
        let red = oklab(Color32::from_rgb(255, 0, 0));
        for (v, want) in red.iter().zip([0.628, 0.225, 0.126]) {
            assert!((v - want).abs() < 0.001, "{red:?}");
        }
        assert_eq!(srgb(linear(red)), [255, 0, 0]);
    }

    #[test]
    fn equal_steps_are_equally_large_and_all_colours_exist() {
        const STEPS: usize = 24;
        let step = |i: usize| i as f64 / STEPS as f64;
        for i in 0..=STEPS {
            let rgb = linear(lab(step(i)));
            assert!(rgb.iter().all(|v| (0.0..=1.0).contains(v)), "outside sRGB at {i}: {rgb:?}");
        }
        let (l, h) = (LIGHTNESS.1 - LIGHTNESS.0, (HUE.1 - HUE.0).to_radians() * CHROMA);
        let want = l.hypot(h) / STEPS as f64;
        for dark in [false, true] {
            for i in 0..STEPS {
                let (a, b) = (oklab(colour(step(i), dark)), oklab(colour(step(i + 1), dark)));
                let d = a.iter().zip(&b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
                // Half a step of 8 bits is at most 0.002 here, at both ends; an arc is a hair longer
                // than its chord.
                assert!((d - want).abs() < 0.005, "{i}: {d} {want}");
            }
            // By lightness alone it can be read as well: it never turns back.
            let light: Vec<f64> = (0..=STEPS).map(|i| oklab(colour(step(i), dark))[0]).collect();
            assert!(light.windows(2).all(|w| (w[1] > w[0]) == dark));
        }
    }
}
