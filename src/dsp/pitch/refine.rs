//! From a rough track to one as exact as the noise allows, by the phases of the partials.
//!
//! The note is turned away partial by partial ([`super::demodulate`]); the speed at which the rest
//! turns ([`super::turning`]) is what the rough track misses. Partials are weighted by how quietly
//! they turn ([`super::agree`]). Done again along the better track, so that a window longer than a
//! swing of vibrato still follows it: with a smoothing response H, n rounds leave (1 − H)^n of a
//! movement unfollowed.

use super::measure::Measures;
use super::rates::Rates;
use super::settle::{median, settle, smooth};
use crate::dsp::poll::Poll;
use crate::error::Result;

/// Cents in a relative change of one.
pub const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;
/// Most partials used.
const MOST_PARTIALS: usize = 16;
/// Most partials used in the first round.
const MOST_CAUGHT: usize = 4;
/// Partials above this add little to a note's pitch, in hertz.
const BRIGHTEST_HZ: f64 = 8_000.0;
/// Window of the last rounds: periods, and at least seconds. Four main-lobe half widths of the
/// window fit between two partials with 4 periods; 6 leave its lowest sidelobes there.
const WINDOW_PERIODS: f64 = 6.0;
const WINDOW_S: f64 = 0.06;
/// Window of the first round: what catches a rough track.
const CATCH_PERIODS: f64 = 5.0;
const CATCH_S: f64 = 0.025;
/// What a value held from its neighbour is less sure by.
const HELD: f64 = 3.0;
/// A stretch of which less than this part is known has no ends of its own.
const BLANK: f64 = 0.1;
/// What the search's parabolas may be off by, in cents.
const SEARCH_CENTS: f64 = 3.0;
/// Largest relative correction of one round.
const LARGEST_STEP: f64 = 0.04;

/// The refined track of one stretch.
pub struct Refined {
    /// Frequency of the first partial at each step, in hertz.
    pub f_hz: Vec<f64>,
    /// Its standard error as the partials' unrest shows it, in cents; infinite where nothing is known.
    pub sigma_cents: Vec<f64>,
}

impl Refined {
    /// Takes the search's word where the partials say nothing though the sound repeats (`is_clear`):
    /// several voices in unison, whose partials beat too wildly to have a phase. At a note's ends
    /// the partials' silence stands. Errors: `Cancelled`.
    pub fn fill(&mut self, stretch: &Stretch, is_clear: impl Fn(usize) -> bool, poll: &Poll) -> Result<()> {
        let known = |s: &f64| s.is_finite();
        let count = self.sigma_cents.iter().filter(|s| known(s)).count();
        let ends = if count as f64 <= BLANK * self.f_hz.len() as f64 {
            Some((0, self.f_hz.len() - 1))
        } else {
            self.sigma_cents.iter().position(known).zip(self.sigma_cents.iter().rposition(known))
        };
        let Some((first, last)) = ends else { return Ok(()) };
        let search = Self::of_search(stretch, poll)?;
        for i in (first..=last).filter(|i| is_clear(*i)) {
            // Never beside values that were found an octave higher.
            if self.sigma_cents[i] > search.sigma_cents[i]
                && (self.f_hz[i] / search.f_hz[i]).log2().abs() < 0.5
            {
                self.f_hz[i] = search.f_hz[i];
                self.sigma_cents[i] = search.sigma_cents[i];
            }
        }
        Ok(())
    }

    /// What the search alone knows of a stretch. Its scatter tells how sure that is.
    fn of_search(stretch: &Stretch, poll: &Poll) -> Result<Self> {
        let mut f_hz = stretch.f_hz.to_vec();
        smooth(&mut f_hz, WINDOW_S / stretch.step, poll)?;
        let mut off: Vec<f64> =
            f_hz.iter().zip(stretch.f_hz).map(|(a, b)| (CENTS * (a / b).ln()).abs()).collect();
        // Median absolute value of a normal variable: 0.6745 σ.
        let sigma = SEARCH_CENTS + median(&mut off) / 0.6745;
        Ok(Self { sigma_cents: vec![sigma; f_hz.len()], f_hz })
    }
}

/// A stretch of a track, and where its sound lies.
pub struct Stretch<'a> {
    /// Rough frequency at each step, in hertz.
    pub f_hz: &'a [f64],
    /// Time of the first step, in seconds.
    pub t0: f64,
    /// Seconds between steps.
    pub step: f64,
    /// No sound before or after this is looked at, in seconds.
    pub sound_s: (f64, f64),
    /// Highest frequency that the recording carries, in hertz.
    pub top_hz: f64,
}

/// Refines `stretch` over the sound in `rates`.
///
/// Convention for stiff strings, whose partials lie at f_k = k·f·√(1 + B·k²) (Fletcher, JASA 36(1),
/// 1964): the result is the frequency of the first partial, the upper ones are corrected by a B
/// fitted over the stretch, where it stands out of the noise. Errors: `Cancelled`.
pub fn refine(rates: &Rates, stretch: &Stretch, poll: &Poll) -> Result<Refined> {
    let mut rough = stretch.f_hz.to_vec();
    let mut may_rise = true;
    loop {
        let mut work = Work::new(rates, stretch, rough, poll);
        let (most, catch, window) = (work.partials, work.window(CATCH_PERIODS, CATCH_S), work.full());
        smooth(&mut work.f_hz, catch / 2.0 / stretch.step, poll)?;
        let caught = work.measure(catch, most.min(MOST_CAUGHT))?;
        work.correct(caught, catch)?;
        // The short window's noise above what the long one can see would stay for ever.
        smooth(&mut work.f_hz, window / 4.0 / stretch.step, poll)?;
        let closer = work.measure(window, most)?;
        if may_rise
            && let Some(times) = closer.too_low_by()
            && times as f64 * work.typical < stretch.top_hz
        {
            rough = work.f_hz.iter().map(|f| f * times as f64).collect();
            may_rise = false;
            continue;
        }
        work.correct(closer, window)?;
        let last = work.measure(window, most)?;
        work.correct(last, window)?;
        return work.settled();
    }
}

/// A track in the course of its refinement.
struct Work<'a> {
    rates: &'a Rates,
    stretch: &'a Stretch<'a>,
    poll: &'a Poll<'a>,
    f_hz: Vec<f64>,
    sigma_cents: Vec<f64>,
    /// Median fundamental before the refinement, in hertz.
    typical: f64,
    /// Partials to be looked at.
    partials: usize,
    /// Inharmonicity B found so far.
    stiffness: f64,
}

impl<'a> Work<'a> {
    fn new(rates: &'a Rates, stretch: &'a Stretch<'a>, f_hz: Vec<f64>, poll: &'a Poll<'a>) -> Self {
        let typical = median(&mut f_hz.clone());
        let partials = ((stretch.top_hz / (1.04 * typical)) as usize)
            .min((BRIGHTEST_HZ / typical).round() as usize)
            .clamp(1, MOST_PARTIALS);
        Self { rates, stretch, poll, f_hz, sigma_cents: Vec::new(), typical, partials, stiffness: 0.0 }
    }

    /// Length of a window of so many periods, but at least so many seconds.
    fn window(&self, periods: f64, least_s: f64) -> f64 {
        (periods / self.typical).max(least_s)
    }

    fn full(&self) -> f64 {
        self.window(WINDOW_PERIODS, WINDOW_S)
    }

    fn measure(&self, len_s: f64, partials: usize) -> Result<Measures> {
        let (stretch, poll) = (self.stretch, self.poll);
        let mut m = Measures::take(self.rates, stretch, &self.f_hz, len_s, partials, self.stiffness, poll)?;
        m.find_noise(stretch.step, len_s, poll)?;
        m.compare_noise(&self.f_hz, poll)?;
        Ok(m)
    }

    /// Takes over what `m`, measured with windows of `len_s` seconds, says.
    fn correct(&mut self, mut m: Measures, len_s: f64) -> Result<()> {
        let window = len_s / self.stretch.step;
        self.stiffness += m.stiffen(self.stiffness, &self.f_hz, window, self.poll)?;
        let found = m.agree(&self.f_hz, self.poll)?;
        self.sigma_cents = found.iter().map(|(_, s)| s * CENTS).collect();
        for (f, (dev, sigma)) in self.f_hz.iter_mut().zip(&found) {
            if sigma.is_finite() {
                *f *= 1.0 + dev.clamp(-LARGEST_STEP, LARGEST_STEP);
            }
        }
        // Where no whole window fits into the sound the nearest one that does speaks, less surely:
        // what a cut window measures would reach into the note with every further round.
        let Some((first, last)) = m.whole_part() else { return Ok(()) };
        let (head, tail) =
            ((self.f_hz[first], self.sigma_cents[first]), (self.f_hz[last], self.sigma_cents[last]));
        for i in (0..first).chain(last + 1..self.f_hz.len()) {
            let (f, sigma) = if i < first { head } else { tail };
            self.f_hz[i] = f;
            // Where nothing was measured, nothing is known.
            if self.sigma_cents[i].is_finite() {
                self.sigma_cents[i] = HELD * sigma;
            }
        }
        Ok(())
    }

    fn settled(mut self) -> Result<Refined> {
        let window = self.full();
        let still = settle(&mut self.f_hz, &self.sigma_cents, window, self.stretch.step, self.poll)?;
        for (s, by) in self.sigma_cents.iter_mut().zip(still) {
            *s *= by;
        }
        Ok(Refined { f_hz: self.f_hz, sigma_cents: self.sigma_cents })
    }
}
