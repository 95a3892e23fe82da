//! A gain that moves from one value to another. Only + − × ÷ √: the same bits on every machine.

/// How a gain moves; `s` is the smooth step 3t² − 2t³ of the elapsed part `t`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// from + (to − from)·s. Two such gains, up and down, add up to 1: right where both sounds are
    /// the same.
    EqualGain,
    /// The same divided by √(s² + (1−s)² + 2·r·s·(1−s)): for sounds with the correlation r (0 to 1)
    /// the power stays what it was, g₁² + g₂² + 2·r·g₁·g₂ = 1 (Fink, Holters & Zölzer, DAFx-16). 0 is
    /// the equal-power crossfade of sounds that have nothing to do with each other, 1 the equal gain.
    EqualPower(f32),
}

/// A gain on its way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fade {
    from: f32,
    to: f32,
    at: u32,
    length: u32,
    shape: Shape,
    value: f32,
}

impl Fade {
    /// A gain that stays at `value`.
    pub fn still(value: f32) -> Self {
        Self { from: value, to: value, at: 0, length: 0, shape: Shape::EqualGain, value }
    }

    /// Moves from where it is now to `to` within `length` frames (0: at once).
    pub fn go(&mut self, to: f32, length: u32, shape: Shape) {
        *self = Self { from: self.value, to, at: 0, length, shape, value: self.value };
        if length == 0 {
            self.value = to;
        }
    }

    /// The value for this frame; moves on by one frame. The first value after [`Fade::go`] is the
    /// one it started from, the value `length` frames later is exactly the one it was sent to.
    #[inline]
    pub fn advance(&mut self) -> f32 {
        let now = self.value;
        if self.at < self.length {
            self.at += 1;
            self.value = if self.at == self.length { self.to } else { self.shaped() };
        }
        now
    }

    fn shaped(&self) -> f32 {
        let t = self.at as f32 / self.length as f32;
        let s = t * t * (3.0 - 2.0 * t);
        let v = self.from + (self.to - self.from) * s;
        match self.shape {
            Shape::EqualGain => v,
            // At least ½ under the root.
            Shape::EqualPower(r) => {
                v / (s * s + (1.0 - s) * (1.0 - s) + 2.0 * r.max(0.0) * s * (1.0 - s)).sqrt()
            }
        }
    }

    /// The value that the next frame gets.
    #[inline]
    pub fn value(&self) -> f32 {
        self.value
    }

    /// Where it goes, or stands.
    pub fn goal(&self) -> f32 {
        self.to
    }

    /// Whether it has arrived.
    #[inline]
    pub fn is_still(&self) -> bool {
        self.at >= self.length
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(shape: Shape) -> Vec<(f32, f32)> {
        let (mut up, mut down) = (Fade::still(0.0), Fade::still(1.0));
        up.go(1.0, 480, shape);
        down.go(0.0, 480, shape);
        (0..=480).map(|_| (up.advance(), down.advance())).collect()
    }

    #[test]
    fn gains_or_their_power_add_up_to_one() {
        // Some ten roundings of 2⁻²⁴ each at most.
        for (a, b) in pair(Shape::EqualGain) {
            assert!((a + b - 1.0).abs() < 6e-7);
        }
        for r in [0.0, 0.3, 0.9, 1.0] {
            for (a, b) in pair(Shape::EqualPower(r)) {
                assert!((a * a + b * b + 2.0 * r * a * b - 1.0).abs() < 1e-6, "{a} {b} {r}");
            }
        }
        // At the middle g = 1/√(2(1+r)), as published.
        let (a, b) = pair(Shape::EqualPower(0.5))[240];
        assert!((a - 1.0 / 3f32.sqrt()).abs() < 1e-6 && (a - b).abs() < 1e-6);
        assert_eq!(pair(Shape::EqualPower(0.0))[480], (1.0, 0.0));
    }

    #[test]
    fn turning_back_half_way_has_no_step() {
        let mut f = Fade::still(0.0);
        f.go(1.0, 100, Shape::EqualGain);
        let mut last = 0.0;
        for n in 0..300 {
            if n == 50 {
                f.go(0.0, 100, Shape::EqualGain);
            }
            let v = f.advance();
            // The smooth step is steepest in the middle: 1.5/length.
            assert!((v - last).abs() <= 0.015 + 1e-6, "{n}: {last} to {v}");
            last = v;
        }
        assert!(f.is_still() && f.value() == 0.0);
    }
}
