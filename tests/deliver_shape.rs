//! What a delivery does to a take besides its recipe: pre-roll, gain, the tail after the loop.

mod deliver_support;

use std::f64::consts::PI;

use deliver_support::{document, take};
use seamwright::audio::{AudioBuf, Clip, signals};
use seamwright::dsp::looping::LoopParts;
use seamwright::render::chain::{Rendered, analyse, finished, render};
use seamwright::render::shape::{recipe_for, shaped};
use seamwright::session::delivery::{DeliverySetup, Tail};
use seamwright::session::{Document, LoopRecipe, Recipe};
use seamwright::units::{Decibels, Frame, FrameRange, Hertz, SampleRate, Seconds};

const RATE: SampleRate = SampleRate::DELIVERY;
/// 220 Hz; 4800 frames hold 22 whole periods.
const HZ: f64 = 220.0;

/// A tone that slowly falls by 6 dB a second and drifts in phase by nothing: its loop of half a second
/// and a tenth of a period more does not fit, so that a crossfade has something to do.
fn tone() -> Vec<f32> {
    let x = signals::sine(HZ, 0.5, 48_000.0, 96_000);
    x.iter().enumerate().map(|(i, s)| s * 0.5f32.powf(i as f32 / 48_000.0)).collect()
}

fn rendered(recipe: &Recipe) -> Rendered {
    let clip = Clip { audio: AudioBuf::mono(tone(), RATE).unwrap(), offset: Frame(0) };
    render(&analyse(clip, FrameRange::new(0, 96_000)).unwrap(), recipe, Hertz(440.0), RATE).unwrap()
}

/// An A3 that is left as it is, with a loop of 24 022 frames and a crossfade of 50 ms.
fn looped() -> Document {
    let mut t = take(57, 0);
    let r = t.recipe.as_mut().unwrap();
    (r.tune.centre, r.tune.drift) = (0.0, 0.0);
    r.looping = Some(LoopRecipe {
        start: 30_000.0,
        end: 54_022.0,
        crossfade: Seconds(0.05),
        score: 50.0,
        parts: LoopParts::default(),
        locked: false,
        even: false,
    });
    document(&[t])
}

fn recipe(d: &Document, gain: f64) -> Recipe {
    recipe_for(d, &d.takes[0], &d.sources[0], Decibels(gain)).unwrap()
}

#[test]
fn without_settings_nothing_before_the_loop_end_is_touched() {
    let d = looped();
    let r = rendered(&recipe(&d, 0.0));
    let (plain, out) = (finished(&r).unwrap(), shaped(&r, &DeliverySetup::default()).unwrap());
    assert_eq!(out.audio.len(), plain.len());
    assert_eq!(out.looping, Some(FrameRange::new(30_000, 54_022)));
    assert_eq!(out.audio.channel(0)[..54_022], plain.channel(0)[..54_022]);
    // And nothing once the crossfade back is over.
    assert_eq!(out.audio.channel(0)[54_022 + 2400..], plain.channel(0)[54_022 + 2400..]);
}

/// Played straight through, the file has no step at the loop end: the second difference of the falling
/// sine is at most A·w² (and a little for the fall); a step of d shows as d.
#[test]
fn a_kept_tail_follows_the_loop_without_a_step() {
    let d = looped();
    let r = rendered(&recipe(&d, 0.0));
    let bend = |x: &[f32]| {
        let at = |i: usize| f64::from(x[i]);
        (54_000..54_100).map(|i| (at(i + 1) - 2.0 * at(i) + at(i - 1)).abs()).fold(0.0, f64::max)
    };
    let w = 2.0 * PI * HZ / 48_000.0;
    // At 0.6 s the level is still 0.33; the fades add a slope of at most 1/1200 a frame, twice.
    let smooth = 0.33 * w * w + 4.0 * 0.33 * w / 1200.0;
    let plain = finished(&r).unwrap();
    assert!(bend(plain.channel(0)) > 10.0 * smooth, "the plain tail jumps: {}", bend(plain.channel(0)));
    for tail in [Tail::Kept, Tail::Faded(Seconds(0.3))] {
        let out = shaped(&r, &DeliverySetup { tail, ..Default::default() }).unwrap();
        let now = bend(out.audio.channel(0));
        assert!(now < 1.5 * smooth, "{tail:?}: {now} of {smooth}");
    }
}

#[test]
fn a_tail_is_cut_or_fades_to_nothing() {
    let d = looped();
    let r = rendered(&recipe(&d, 0.0));
    let cut = shaped(&r, &DeliverySetup { tail: Tail::Cut, ..Default::default() }).unwrap();
    assert_eq!(cut.audio.len(), 54_022);
    let faded = shaped(&r, &DeliverySetup { tail: Tail::Faded(Seconds(0.1)), ..Default::default() }).unwrap();
    assert_eq!(faded.audio.len(), 54_022 + 4800);
    // Half a cosine: the last frame keeps at most (π/2/4800)² of the tone.
    assert!(faded.audio.channel(0).last().unwrap().abs() < 1e-6);
    // Longer than what is there: what is there.
    let long = shaped(&r, &DeliverySetup { tail: Tail::Faded(Seconds(60.0)), ..Default::default() }).unwrap();
    assert_eq!(long.audio.len(), r.audio.len());
    // Without a loop there is no tail.
    let mut bare = document(&[take(57, 0)]);
    bare.setup.delivery.tail = Tail::Cut;
    let r = rendered(&recipe(&bare, 0.0));
    assert_eq!(shaped(&r, &bare.setup.delivery).unwrap().audio.len(), r.audio.len());
}

#[test]
fn the_pre_roll_is_the_same_in_every_file() {
    // The onset lies at frame 4800. From 50 ms (shorter than there is) to 0.3 s (longer: silence).
    for (seconds, silent) in [(0.05, 0), (0.1, 0), (0.3, 9600), (0.0, 0)] {
        let mut d = looped();
        d.setup.delivery.pre_roll = Some(Seconds(seconds));
        let r = rendered(&recipe(&d, 0.0));
        let out = shaped(&r, &d.setup.delivery).unwrap();
        let wanted = (seconds * 48_000.0) as u64;
        assert_eq!(out.onset, Frame(wanted), "{seconds}");
        let x = out.audio.channel(0);
        assert!(x[..silent].iter().all(|s| *s == 0.0), "{seconds}");
        // What sounds at the onset is what sounded there, and so at the loop.
        let (here, source) = (wanted as usize, tone());
        assert!((0..100).all(|i| (x[here + i] - source[4800 + i]).abs() < 1e-6), "{seconds}");
        let l = out.looping.unwrap();
        assert_eq!((l.start.0 + 4800 - wanted, l.count().0), (30_000, 24_022));
    }
}

#[test]
fn a_pre_roll_stops_at_the_take_before() {
    let mut before = take(55, 0);
    before.span = FrameRange::new(0, 3000);
    let mut d = document(&[take(57, 0), before]);
    d.setup.delivery.pre_roll = Some(Seconds(0.08));
    assert_eq!(recipe(&d, 0.0).trim.range.start, Frame(3000));
    d.setup.delivery.pre_roll = Some(Seconds(0.02));
    assert_eq!(recipe(&d, 0.0).trim.range.start, Frame(4800 - 960));
}

#[test]
fn the_gain_of_the_delivery_adds_to_that_of_the_recipe() {
    let mut d = looped();
    std::sync::Arc::make_mut(&mut d.takes[0]).recipe.as_mut().unwrap().level.gain = Decibels(-2.0);
    assert_eq!(recipe(&d, -4.0).level.gain, Decibels(-6.0));
}

/// A cancel is heeded within 65 536 frames (1.4 s of sound, some 20 ms of work): the token is asked so
/// often, once it says no nothing more is read, and being asked changes not a bit.
#[test]
fn rendering_asks_often_whether_to_go_on() {
    use seamwright::render::chain::{analyse, render, render_while};
    use std::cell::Cell;
    let d = looped();
    let recipe = recipe(&d, 0.0);
    let x: Vec<f32> = tone().into_iter().cycle().take(480_000).collect();
    let clip = seamwright::audio::Clip {
        audio: AudioBuf::new(vec![x.clone(), x], SampleRate::DELIVERY).unwrap(),
        offset: Frame(0),
    };
    let analysed = analyse(clip, FrameRange::new(0, 480_000)).unwrap();
    let mut recipe = recipe;
    recipe.trim.range = FrameRange::new(0, 480_000);
    // Another rate, so that nothing is merely copied.
    let (a4, rate) = (Hertz(440.0), SampleRate::new(44_100).unwrap());
    let asked = Cell::new(0usize);
    let whole = render_while(&analysed, &recipe, a4, rate, &|| {
        asked.set(asked.get() + 1);
        true
    })
    .unwrap();
    let frames = whole.audio.len();
    assert!(frames > 6 * 65_536, "{frames}");
    assert!(asked.get() >= frames.div_ceil(65_536), "{} for {frames} frames", asked.get());
    let plain = render(&analysed, &recipe, a4, rate).unwrap();
    assert!(plain.audio.channels().eq(whole.audio.channels()));
    for at in [0, 3, asked.get() - 1] {
        let n = Cell::new(0usize);
        let e = render_while(&analysed, &recipe, a4, rate, &|| {
            n.set(n.get() + 1);
            n.get() <= at
        })
        .unwrap_err();
        assert!(e.is_cancelled());
        assert_eq!(n.get(), at + 1, "nobody asks again, nobody goes on");
    }
}
