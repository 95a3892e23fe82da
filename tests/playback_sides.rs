//! What is heard when sides are compared while a loop goes round.

use std::sync::Arc;

use seamwright::audio::{AudioBuf, signals};
use seamwright::playback::engine::Engine;
use seamwright::playback::message::{Message, PlayLoop, Playable, Side};
use seamwright::units::{FrameRange, SampleRate};

/// Each side has a crossfade of its own at the loop's end; where none was made, its own samples stand.
#[test]
fn every_side_goes_round_with_its_own_crossfade() {
    let sound = |seed| signals::white_noise(0.05, 4_000, seed);
    let (rendered, source, removed) = (sound(1), sound(2), sound(3));
    let tails = [sound(4), sound(5), sound(6)].map(|x| x[..200].to_vec());
    let [a, b, c] = tails.clone().map(|t| Arc::new(vec![t]));
    let looping = PlayLoop { range: FrameRange::new(1_000, 2_000), tail: a, compared: [b, c] };
    let buf = |x: &[f32]| AudioBuf::mono(x.to_vec(), SampleRate::DELIVERY).unwrap();
    for (side, own, tail) in [
        (Side::Rendered, &rendered, &tails[0]),
        (Side::Source, &source, &tails[1]),
        (Side::Removed, &removed, &tails[2]),
    ] {
        let what = Playable {
            rendered: buf(&rendered),
            source: Some(buf(&source)),
            removed: Some(buf(&removed)),
            looping: Some(looping.clone()),
        };
        let mut e = Engine::new(SampleRate::DELIVERY);
        e.apply(Message::SetVolume(1.0));
        e.apply(Message::Play { what: Box::new(what), from: 0, side });
        let mut out = vec![0.0; 2 * 6_000];
        e.render(&mut out);
        for i in 1_000..6_000usize {
            let at = if i < 2_000 { i } else { 1_000 + (i - 2_000) % 1_000 };
            let want = if at >= 1_800 { tail[at - 1_800] } else { own[at] };
            assert_eq!(out[2 * i], want, "{side:?}, frame {i}");
        }
    }
}
