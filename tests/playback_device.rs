//! The device by hand: needs a sound device, or one that writes to a file (ALSA: a configuration
//! named by `ALSA_CONFIG_PATH` whose default is of type `file` over one of type `null`).

use std::time::Duration;

use seamwright::audio::{AudioBuf, signals};
use seamwright::playback::device::Player;
use seamwright::playback::message::{Message, PlayLoop, Playable, Side};
use seamwright::units::{FrameRange, SampleRate};

/// Without a device it must say so; with one, a loop plays for two seconds, moves, and stops.
/// `cargo test --test playback_device -- --ignored --nocapture`
#[test]
#[ignore = "plays on the sound device of this machine"]
fn plays_on_the_default_device() {
    let mut player = match Player::open() {
        Ok(p) => p,
        Err(e) => {
            assert_eq!(e.kind(), seamwright::error::ErrorKind::Device);
            assert!(e.to_string().contains("press Try again"));
            println!("no device: {e}");
            return;
        }
    };
    println!("{} at {} Hz", player.name(), player.rate().hz());
    // 441 Hz at 44.1 kHz: a period of 100 frames.
    let rate = SampleRate::new(44_100).unwrap();
    let rendered = AudioBuf::mono(signals::sine(441.0, 0.4, 44_100.0, 44_100), rate).unwrap();
    let a_loop = |start, end| PlayLoop {
        range: FrameRange::new(start, end),
        tail: Default::default(),
        compared: Default::default(),
    };
    let what = Playable { rendered, source: None, removed: None, looping: Some(a_loop(10_000, 30_000)) };
    assert_eq!(player.status().position, None);
    player.send(Message::Play { what: Box::new(what), from: 0, side: Side::Rendered });
    let wait = || std::thread::sleep(Duration::from_millis(500));
    wait();
    let s = player.status();
    assert!(s.position.is_some_and(|p| p < 30_000) && s.peak[0] > 0.03, "{s:?}");
    player.send(Message::SetLoop(Some(Box::new(a_loop(5_000, 8_000)))));
    wait();
    let s = player.status();
    assert!(s.position.is_some_and(|p| (5_000..8_000).contains(&p)), "{s:?}");
    player.send(Message::Stop);
    wait();
    player.status();
    wait();
    let s = player.status();
    println!("{s:?}");
    assert!(s.position.is_none() && s.peak == [0.0; 2] && !s.lost && !s.limited);
}

/// What the preferences tell: the block is what the device asked for last; a delay is told only by a
/// device.
#[test]
fn the_block_is_what_was_asked_for_last() {
    let (mut player, mut tap) = Player::without_device(SampleRate::DELIVERY);
    assert_eq!((player.status().block, player.status().delay_s), (0, None));
    for frames in [256, 64, 1000] {
        tap.fetch(&mut vec![0.0; 2 * frames]);
        assert_eq!(player.status().block, frames as u32);
    }
    assert_eq!(player.status().delay_s, None);
}
