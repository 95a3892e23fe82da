//! Physical models of a reed, a bow and a jet as waveguides: the note makes its own breath and bow
//! noise. Sources: McIntyre, Schumacher & Woodhouse, JASA 74(5), 1983 (the oscillators); Smith,
//! ICMC 1986 (bore and string as delay lines); Fletcher & Rossing, The Physics of Musical
//! Instruments, 1998 (jet). Their coefficients are chosen for a steady speech, from memory.

use super::RATE;

/// A delay line read at a fractional distance (straight line between two samples).
struct Line {
    ring: Vec<f64>,
    at: usize,
}

impl Line {
    fn new(longest: usize) -> Self {
        Self { ring: vec![0.0; longest + 4], at: 0 }
    }

    fn push(&mut self, v: f64) {
        self.at = (self.at + 1) % self.ring.len();
        self.ring[self.at] = v;
    }

    fn back(&self, delay: f64) -> f64 {
        let n = self.ring.len();
        let delay = delay.clamp(0.0, (n - 3) as f64);
        let (whole, part) = (delay as usize, delay.fract());
        let v = |d: usize| self.ring[(self.at + n - d) % n];
        v(whole) * (1.0 - part) + v(whole + 1) * part
    }
}

/// Takes the mean out: a pole at 15 Hz.
struct DcBlock {
    x: f64,
    y: f64,
}

impl DcBlock {
    fn new() -> Self {
        Self { x: 0.0, y: 0.0 }
    }

    fn push(&mut self, x: f64) -> f64 {
        self.y = x - self.x + 0.998 * self.y;
        self.x = x;
        self.y
    }
}

/// A cylindrical bore with a reed: half a period of delay, an inverting end.
pub fn blown_reed(
    held: &dyn Fn(usize) -> f64,
    pitch: &dyn Fn(usize) -> f64,
    air: &[f64],
    frames: usize,
) -> Vec<f64> {
    let mut bore = Line::new(RATE as usize / 20);
    let (mut before, mut out_dc) = (0.0, DcBlock::new());
    (0..frames)
        .map(|n| {
            let held = held(n);
            let breath = 0.72 * held * (1.0 + 0.006 * air[n]);
            let end = bore.back(RATE / pitch(n) / 2.0 - 1.5);
            // A mean of two samples: the open end loses the highs.
            let returned = -0.95 * 0.5 * (end + before);
            before = end;
            let difference = returned - breath;
            let reed = (0.7 - 0.3 * difference).clamp(-1.0, 1.0);
            bore.push(breath + difference * reed);
            out_dc.push(end * held.min(1.0).sqrt())
        })
        .collect()
}

/// A string in two parts on either side of a bow.
pub fn bowed_string(
    held: &dyn Fn(usize) -> f64,
    pitch: &dyn Fn(usize) -> f64,
    air: &[f64],
    frames: usize,
) -> Vec<f64> {
    let (mut neck, mut bridge) = (Line::new(RATE as usize / 20), Line::new(RATE as usize / 20));
    let (mut lost, mut out_dc) = (0.0, DcBlock::new());
    (0..frames)
        .map(|n| {
            let held = held(n);
            let all = RATE / pitch(n) - 3.0;
            let at_bridge = bridge.back(all * 0.127);
            lost = 0.45 * lost + 0.55 * at_bridge;
            let (from_bridge, from_nut) = (-0.96 * lost, -neck.back(all * 0.873));
            let slip = 0.22 * held.sqrt() * (1.0 + 0.008 * air[n]) - (from_bridge + from_nut);
            let grip = ((3.0 * slip).abs() + 0.75).powi(-4).min(0.98) * f64::from(u8::from(held > 0.02));
            neck.push(from_bridge + slip * grip);
            bridge.push(from_nut + slip * grip);
            out_dc.push(at_bridge * (held * 20.0).min(1.0))
        })
        .collect()
}

/// A jet across the mouth of a bore.
pub fn blown_jet(
    held: &dyn Fn(usize) -> f64,
    pitch: &dyn Fn(usize) -> f64,
    air: &[f64],
    frames: usize,
) -> Vec<f64> {
    let (mut jet, mut bore) = (Line::new(RATE as usize / 20), Line::new(RATE as usize / 20));
    let (mut lost, mut out_dc, mut loop_dc) = (0.0, DcBlock::new(), DcBlock::new());
    (0..frames)
        .map(|n| {
            let held = held(n);
            let breath = held * (1.0 + 0.02 * air[n]);
            let period = RATE / (pitch(n) * 0.6667);
            let end = bore.back(period - 3.0);
            lost = 0.65 * lost + 0.35 * end;
            let returned = loop_dc.push(-lost);
            jet.push(breath - 0.5 * returned);
            let x = jet.back(0.32 * period).clamp(-1.3, 1.3);
            let blown = (x * (x * x - 1.0)).clamp(-1.0, 1.0);
            bore.push(blown + 0.5 * returned);
            out_dc.push(end * held.min(1.0).sqrt())
        })
        .collect()
}
