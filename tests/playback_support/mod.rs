//! Counts what a watched thread asks of the memory allocator; plays scripts of messages in blocks of any
//! size.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::fmt::Debug;

use proptest::prelude::*;
use seamwright::playback::engine::{Engine, Trash};
use seamwright::playback::message::Message;
use seamwright::units::SampleRate;

struct Counting;

thread_local! {
    static WATCHED: Cell<bool> = const { Cell::new(false) };
    static TOUCHED: Cell<u64> = const { Cell::new(0) };
}

fn touch() {
    // A thread that is ending has no thread-locals any more; it is not being watched either.
    let _ = WATCHED.try_with(|w| {
        if w.get() {
            let _ = TOUCHED.try_with(|t| t.set(t.get() + 1));
        }
    });
}

// SAFETY: everything is passed on unchanged to the system's allocator.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        touch();
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        touch();
        unsafe { System.dealloc(at, layout) }
    }
    unsafe fn realloc(&self, at: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        touch();
        unsafe { System.realloc(at, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// How often `work` asked for or gave back memory.
pub fn touches(work: impl FnOnce()) -> u64 {
    TOUCHED.set(0);
    WATCHED.set(true);
    work();
    WATCHED.set(false);
    TOUCHED.get()
}

/// Sounds and loops that go in with a message.
fn goes_in(message: &Message) -> usize {
    match message {
        Message::Play { .. } | Message::Replace(_) | Message::SetLoop(Some(_)) => 1,
        Message::StartGroup(g) => g.voices.iter().filter(|v| v.what.is_some()).count(),
        _ => 0,
    }
}

/// Sounds and loops that came back.
fn came_back(trash: Option<Trash>) -> usize {
    match trash {
        Some(Trash::Group(g)) => g.voices.iter().filter(|v| v.what.is_some()).count(),
        Some(Trash::Playable(_) | Trash::Loop(_)) => 1,
        None => 0,
    }
}

/// Plays messages, each with the frames until the next, in blocks of at most `block` frames. Everything
/// that went in must come out as trash in the end. Returns the samples, and what `at` says after each.
pub fn perform<T>(
    rate: SampleRate,
    script: impl Iterator<Item = (Message, usize)>,
    block: usize,
    at: impl Fn(&Engine) -> T,
) -> (Vec<f32>, Vec<T>) {
    let mut e = Engine::new(rate);
    let (mut out, mut places, mut sent, mut back) = (Vec::new(), Vec::new(), 0, 0);
    for (message, frames) in script {
        sent += goes_in(&message);
        back += came_back(e.apply(message));
        let from = out.len();
        out.resize(from + 2 * frames, 9.0);
        for part in out[from..].chunks_mut(2 * block) {
            e.render(part);
        }
        places.push(at(&e));
    }
    back += came_back(e.apply(Message::Stop));
    e.render(&mut vec![0.0; 2 * 2_000]);
    while let Some(t) = e.take_trash() {
        back += came_back(Some(t));
    }
    assert_eq!(sent, back, "nothing is freed inside, nothing is lost");
    (out, places)
}

/// A script played frame by frame and in blocks of `block` frames gives the same bits and places, all
/// of them under the ceiling of −1 dBFS.
pub fn same_in_any_blocks<T: PartialEq + Debug>(
    rate: SampleRate,
    script: impl Fn() -> Vec<(Message, usize)>,
    block: usize,
    at: impl Fn(&Engine) -> T,
) -> Result<(), TestCaseError> {
    let (one, places) = perform(rate, script().into_iter(), 1, &at);
    prop_assert!(one.iter().all(|s| s.abs() <= 10f32.powf(-1.0 / 20.0)));
    let (other, other_places) = perform(rate, script().into_iter(), block, &at);
    prop_assert!(one.iter().zip(&other).all(|(a, b)| a.to_bits() == b.to_bits()));
    prop_assert_eq!(places, other_places);
    Ok(())
}
