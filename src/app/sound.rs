//! What is heard: wishes become messages to the engine, its status becomes what the window shows.

mod device;
mod keys;
mod playable;
mod stack;

use std::sync::Arc;

use super::derived::Derived;
use super::stack::StackView;
use super::view::{Begun, SoundView};
use crate::playback::device::{DeviceWish, Player, Status, Tap};
use crate::playback::message::{Message, Playable, Side};
use crate::render::audition::{Audition, Judged};
use crate::session::{LoopRecipe, Recipe, Take, TakeId, same_loop};
use crate::units::Decibels;

use super::settings::LOWEST_VOLUME_DB;
pub use device::Latency;
use playable::{moved_loop, only_loop_differs, playable, playable_audition, start_frame};

/// How fast the meter falls, dB a second (common practice, no source).
const METER_FALL_DB_S: f64 = 24.0;

/// Whether there is to be sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SoundKind {
    /// The default device.
    Device,
    /// None, and why is known.
    Off,
    /// None, but messages are kept to be looked at (for tests).
    Kept,
    /// The whole of it but the device: what would be heard is fetched with [`Sound::fetch`].
    Fetched,
}

enum Output {
    Device(Box<Player>),
    /// There is a device; it is opened when something is to sound.
    Resting,
    Silent,
    Kept(Vec<Message>),
}

/// Where playing begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum From {
    /// At the in point.
    Start,
    /// At the loop start.
    LoopStart,
    /// A second before the loop end.
    BeforeSeam,
    /// At a rendered frame.
    Frame(u64),
    /// Not the take itself, but a sound to judge its loop by.
    Judge(Judged),
}

/// What plays, and by what it was made.
#[derive(Debug)]
struct Playing {
    take: TakeId,
    /// The recipe of the rendering that the engine has.
    recipe: Option<Arc<Recipe>>,
    /// The loop that the engine goes round.
    looping: Option<LoopRecipe>,
    /// What judges the loop, where that is what plays.
    audition: Option<Audition>,
    /// The engine said so at least once.
    heard: bool,
}

/// The sound of the program.
pub struct Sound {
    output: Output,
    /// Where the sound comes out without a device.
    tap: Option<Tap>,
    view: SoundView,
    playing: Option<Playing>,
    /// Asked for, but not rendered yet.
    wanted: Option<(TakeId, From)>,
    /// The layers of a note together.
    stack: Option<stack::Stacked>,
    polled_at: f64,
    /// Keys of the audition keyboard were struck since everything was silent.
    keys_sound: bool,
    /// Everything was silenced while keys sounded.
    silenced: bool,
    wish: DeviceWish,
    /// What the device said last about its delay.
    latency: Latency,
    /// Since when nothing sounds, on the clock of [`Sound::poll`].
    silent_since: Option<f64>,
}

impl Sound {
    /// Looks for the device, if there is to be one; it is opened when something is to sound.
    pub fn new(kind: SoundKind, volume_db: f32) -> Self {
        Self::with_wish(kind, volume_db, DeviceWish::default())
    }

    /// The same for a chosen device.
    pub fn with_wish(kind: SoundKind, volume_db: f32, wish: DeviceWish) -> Self {
        let mut sound = Self {
            output: Output::Silent,
            tap: None,
            view: SoundView {
                device: Err("sound is switched off".into()),
                playing: None,
                begun: Begun::default(),
                side: Side::Rendered,
                judged: None,
                volume_db,
                peak: [0.0; 2],
                limited: false,
                stack: StackView::default(),
            },
            playing: None,
            wanted: None,
            stack: None,
            polled_at: 0.0,
            keys_sound: false,
            silenced: false,
            wish,
            latency: Latency::default(),
            silent_since: None,
        };
        match kind {
            SoundKind::Device => sound.look_for_device(),
            SoundKind::Off => {}
            SoundKind::Kept => {
                sound.output = Output::Kept(Vec::new());
                sound.view.device = Ok("kept messages".into());
            }
            SoundKind::Fetched => {
                sound.use_tap();
            }
        }
        sound
    }

    /// What the window shows.
    pub fn view(&self) -> &SoundView {
        &self.view
    }

    /// The messages so far, where they are kept.
    pub fn kept(&self) -> &[Message] {
        if let Output::Kept(m) = &self.output { m } else { &[] }
    }

    /// The next `frames` frames that would be heard (interleaved left, right), where there is no
    /// device; else nothing.
    pub fn fetch(&mut self, frames: usize) -> Vec<f32> {
        let Some(tap) = &mut self.tap else { return Vec::new() };
        let mut heard = vec![0.0; 2 * frames];
        tap.fetch(&mut heard);
        heard
    }

    fn send(&mut self, message: Message) {
        match &mut self.output {
            Output::Device(player) => player.send(message),
            Output::Silent | Output::Resting => {}
            Output::Kept(kept) => kept.push(message),
        }
    }

    /// Sets the master volume in dB; −60 is silence.
    pub fn volume(&mut self, db: f32) {
        let db = db.clamp(LOWEST_VOLUME_DB, 0.0);
        self.view.volume_db = db;
        let gain = if db <= LOWEST_VOLUME_DB { 0.0 } else { Decibels(f64::from(db)).gain() as f32 };
        self.send(Message::SetVolume(gain));
    }

    /// Compares.
    pub fn listen(&mut self, side: Side) {
        match self.view.judged {
            Some((Judged::Sustain, _)) => self.change_over(),
            Some((Judged::Seam, _)) => self.view.side = side,
            None => {
                self.view.side = side;
                self.send(Message::SetSide(side));
            }
        }
    }

    /// Whether a loop is being judged that way.
    pub fn judges(&self, what: Judged) -> bool {
        self.view.judged.is_some_and(|(j, _)| j == what)
    }

    /// From the loop to the take's own sustain or back.
    pub fn change_over(&mut self) {
        if let Some((Judged::Sustain, side)) = &mut self.view.judged {
            *side = match side {
                Side::Rendered => Side::Source,
                Side::Source | Side::Removed => Side::Rendered,
            };
            let side = *side;
            self.send(Message::SetSide(side));
        }
    }

    fn forget(&mut self) {
        self.playing = None;
        self.view.playing = None;
        self.view.judged = None;
    }

    /// Silence.
    pub fn stop(&mut self) {
        self.wanted = None;
        self.forget();
        self.forget_stack();
        self.hush_keys();
        self.send(Message::Stop);
    }

    /// Whether something plays or is about to.
    pub fn is_on(&self) -> bool {
        self.playing.is_some() || self.wanted.is_some() || self.stack.is_some()
    }

    /// Plays a take as soon as it is rendered. Errors (as sentences): no device, or no loop in it.
    pub fn play(&mut self, take: &Take, from: From, derived: &Derived) -> Result<(), String> {
        // What is not there at all is told before what is wrong with the take.
        if let Err(why) = &self.view.device {
            return Err(format!("there is no sound: {why}"));
        }
        self.wake()?;
        let needs_loop = matches!(from, From::LoopStart | From::BeforeSeam | From::Judge(_));
        if needs_loop && take.recipe.as_ref().is_none_or(|r| r.looping.is_none()) {
            return Err("this take has no loop yet; propose a recipe or choose a loop first".into());
        }
        if let Some(why) = derived.of(take.id).and_then(|d| d.failed.as_ref()) {
            return Err(format!("this take cannot be played: {why}"));
        }
        if let From::Frame(frame) = from
            && self.playing.as_ref().is_some_and(|p| p.take == take.id && p.audition.is_none())
        {
            self.send(Message::Seek(frame));
            self.view.begun = Begun::Take;
            return Ok(());
        }
        self.wanted = Some((take.id, from));
        self.start_wanted(take, derived);
        Ok(())
    }

    fn start_wanted(&mut self, take: &Take, derived: &Derived) {
        let Some((id, from)) = self.wanted else { return };
        if id != take.id {
            return;
        }
        let Some(d) = derived.of(id) else { return };
        if d.failed.is_some() {
            self.wanted = None;
            return;
        }
        let what = match (&take.recipe, &d.recipe, &d.source) {
            (Some(_), Some(made), Some(_)) => playable(made),
            (None, _, Some(source)) => Playable {
                rendered: source.analysed.clip.audio.clone(),
                source: None,
                removed: None,
                looping: None,
            },
            _ => return,
        };
        let made = d.recipe.as_ref().filter(|_| take.recipe.is_some());
        let judged = if let From::Judge(j) = from { Some(j) } else { None };
        let audition = judged.zip(made).map(|(j, m)| Audition::of(&m.rendered, j));
        if let Some(Err(_)) = audition {
            // The rendering may still lack the loop that the recipe has: then it is on its way.
            if made.zip(take.recipe.as_ref()).is_some_and(|(m, r)| r.sounds_as(&m.recipe)) {
                self.wanted = None;
            }
            return;
        }
        let audition = audition.and_then(Result::ok);
        let start = if audition.is_some() { 0 } else { start_frame(from, &what, take, d.source.as_ref()) };
        let what = audition.as_ref().map_or(what, playable_audition);
        self.wanted = None;
        self.view.judged = judged.map(|j| (j, Side::Rendered));
        self.view.playing = Some((id, audition.as_ref().map_or(start, |a| a.place(0, false))));
        self.view.begun = match from {
            From::LoopStart => Begun::Loop,
            From::BeforeSeam => Begun::Seam,
            From::Start | From::Frame(_) | From::Judge(_) => Begun::Take,
        };
        let side = if audition.is_some() { Side::Rendered } else { self.view.side };
        self.playing = Some(Playing {
            take: id,
            recipe: made.map(|m| Arc::clone(&m.recipe)),
            looping: made.and_then(|m| m.recipe.looping),
            audition,
            heard: false,
        });
        // The engine fades out what sounded before, the stack too.
        self.forget_stack();
        self.hush_keys();
        self.send(Message::Play { what: Box::new(what), from: start, side });
    }

    /// Lets what plays follow the document: a loop that moved is sent at once, anything else when
    /// its rendering is there.
    pub fn follow(&mut self, take: Option<&Take>, derived: &Derived) {
        let Some(take) = take else { return };
        self.start_wanted(take, derived);
        let Some(playing) = self.playing.as_ref().filter(|p| p.take == take.id) else { return };
        if playing.recipe.is_some() && take.recipe.is_none() {
            // Its recipe was undone: what plays is nothing that could be seen or delivered.
            self.stop();
            return;
        }
        let (Some(recipe), Some(d)) = (&take.recipe, derived.of(take.id)) else { return };
        let (Some(made), Some(source)) = (&d.recipe, &d.source) else { return };
        if playing.recipe.as_ref().is_none_or(|r| !Arc::ptr_eq(r, &made.recipe)) {
            let audition = match self.view.judged {
                None => None,
                Some((j, _)) => match Audition::of(&made.rendered, j) {
                    Ok(a) => Some(a),
                    // Its loop is gone, and with it what was judged.
                    Err(_) => return self.stop(),
                },
            };
            let what = audition.as_ref().map_or_else(|| playable(made), playable_audition);
            self.playing = Some(Playing {
                take: take.id,
                recipe: Some(Arc::clone(&made.recipe)),
                looping: made.recipe.looping,
                audition,
                heard: playing.heard,
            });
            self.send(Message::Replace(Box::new(what)));
            return;
        }
        if playing.audition.is_some()
            || same_loop(playing.looping, recipe.looping)
            || !only_loop_differs(recipe, &made.recipe)
        {
            return;
        }
        let moved = recipe.looping.as_ref().and_then(|l| moved_loop(l, made, source));
        if moved.is_none() && recipe.looping.is_some() {
            return;
        }
        if let Some(p) = &mut self.playing {
            p.looping = recipe.looping;
        }
        self.send(Message::SetLoop(moved.map(Box::new)));
    }

    /// Reads how the device stands; `now` in seconds. Returns a sentence when the device was lost.
    pub fn poll(&mut self, now: f64) -> Option<String> {
        let Output::Device(player) = &mut self.output else { return None };
        let status = player.status();
        let elapsed = (now - self.polled_at).clamp(0.0, 1.0);
        self.polled_at = now;
        self.show(status, elapsed);
        if status.lost {
            self.output = Output::Silent;
            self.forget();
            self.forget_stack();
            self.hush_keys();
            let text = "the sound device is gone; connect one and press Look for sound";
            self.view.device = Err(text.into());
            return Some(text.into());
        }
        self.rest_when_due(&status, now);
        None
    }

    fn show(&mut self, status: Status, elapsed: f64) {
        let fall = Decibels(-METER_FALL_DB_S * elapsed).gain() as f32;
        for (shown, new) in self.view.peak.iter_mut().zip(status.peak) {
            *shown = (*shown * fall).max(new);
            if *shown < 1e-4 {
                *shown = 0.0;
            }
        }
        self.view.limited = status.limited;
        (self.latency.block, self.latency.delay_s) = (status.block, status.delay_s);
        self.latency.complaints = status.complaints;
        self.show_stack(status.group_s);
        match (&mut self.playing, status.position) {
            (Some(p), Some(frame)) => {
                p.heard = true;
                let straight = matches!(self.view.judged, Some((_, Side::Source)));
                let place = p.audition.as_ref().map_or(frame, |a| a.place(frame, straight));
                self.view.playing = Some((p.take, place));
            }
            (Some(p), None) if p.heard => self.forget(),
            _ => {}
        }
    }

    /// Whether the picture moves by itself: something sounds or the meter still falls.
    pub fn moves(&self) -> bool {
        matches!(self.output, Output::Device(_)) && (self.is_on() || self.view.peak.iter().any(|p| *p > 0.0))
    }
}
