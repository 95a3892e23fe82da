//! Hearing the selected take: the same row of buttons in the details and on the bench.

use egui::{Button, Ui, vec2};

use crate::app::command::{Command, SoundCommand};
use crate::app::shortcuts::{Action, key_words, of, tip};
use crate::app::theme::strong;
use crate::app::view::{Begun, View};
use crate::app::widgets::control::switch;
use crate::playback::message::Side;
use crate::render::audition::Judged;
use crate::session::Take;

/// Draws the buttons one after the other into a row that is there already.
pub fn buttons(ui: &mut Ui, view: &View<'_>, take: &Take, out: &mut Vec<Command>) {
    let plays = view.sound.sounds();
    let begun = view.sound.playing.filter(|(id, _)| *id == take.id && view.sound.judged.is_none());
    let begun = begun.map(|_| view.sound.begun);
    let silent = why_silent(view);
    let (word, about, wish) = if plays {
        (
            "Stop",
            match begun {
                Some(Begun::Take) => "The take plays. Silence",
                Some(Begun::Loop) => "The loop plays. Silence",
                Some(Begun::Seam) => "The seam plays, and then the loop. Silence",
                None => "Silence",
            },
            SoundCommand::Stop,
        )
    } else {
        ("Play", "Plays the take from its in point and goes round its loop", SoundCommand::PlayTake)
    };
    let seamless = silent.clone().or_else(|| why_no_loop(ui, take));
    let rows = [
        (word, about, Action::PlayStop, silent.clone(), wish, begun == Some(Begun::Take)),
        (
            "Loop",
            "Plays the loop round and round",
            Action::PlayLoop,
            seamless.clone(),
            SoundCommand::PlayLoop,
            begun == Some(Begun::Loop),
        ),
        (
            "Seam",
            "Plays from a second before the loop end across the seam",
            Action::PlaySeam,
            seamless,
            SoundCommand::PlaySeam,
            begun == Some(Begun::Seam),
        ),
    ];
    // As wide for either word, so that nothing moves.
    let wide = 32.0 + 2.0 * ui.spacing().button_padding.x;
    for (text, about, action, why_not, wish, now) in rows {
        // The one that was pressed stays down while it is heard, as wide as before.
        let button = if now { switch(text, true, 14.0, view.theme) } else { Button::new(text) };
        let button = button.min_size(vec2(wide, 0.0));
        let r = ui.add_enabled(why_not.is_none(), button).on_hover_text(tip(ui.ctx(), about, action));
        if r.on_disabled_hover_text(why_not.unwrap_or_default()).clicked() {
            out.push(Command::Sound(wish));
        }
    }
    // The three of one switch stay together.
    if ui.layout().main_wrap() && ui.available_size_before_wrap().x < sides_width(ui) {
        ui.end_row();
    }
    sides(ui, view, take, silent, out);
}

/// How wide the switch of result, source and removed is.
fn sides_width(ui: &Ui) -> f32 {
    let font = egui::TextStyle::Button.resolve(ui.style());
    let strong = egui::FontId::new(font.size, strong());
    let text = |s: &str| ui.painter().layout_no_wrap(s.into(), strong.clone(), egui::Color32::PLACEHOLDER);
    let words: f32 = SIDES.iter().map(|s| text(s).size().x + 2.0 * ui.spacing().button_padding.x).sum();
    BEFORE_SIDES + words + 2.0 * BETWEEN_SIDES
}

/// What result, source and removed are called.
const SIDES: [&str; 3] = ["Result", "Source", "Removed"];
const BEFORE_SIDES: f32 = 6.0;
const BETWEEN_SIDES: f32 = 2.0;

/// Result, source or what was removed: parts of one switch.
fn sides(ui: &mut Ui, view: &View<'_>, take: &Take, silent: Option<String>, out: &mut Vec<Command>) {
    if ui.available_size_before_wrap().x < ui.max_rect().width() {
        ui.add_space(BEFORE_SIDES);
    }
    let gap = std::mem::replace(&mut ui.spacing_mut().item_spacing.x, BETWEEN_SIDES);
    let cleaned = take.recipe.as_ref().is_some_and(|r| r.clean.is_on());
    let raised = view
        .derived
        .of(take.id)
        .and_then(|d| d.recipe.as_ref()?.cleaning.as_ref())
        .map_or_else(String::new, |c| format!(", raised by {:.0} dB to the level of the take", c.raised_db));
    let removed = format!("Hear what cleaning removed{raised}");
    let not_cleaned = "This take is not cleaned, so nothing was removed: give it an amount on the bench";
    for (text, name, side, about, key) in [
        (SIDES[0], "Hear result", Side::Rendered, "Hear the take as it will be delivered", Action::Compare),
        (
            SIDES[1],
            "Hear source",
            Side::Source,
            "Hear the recording as it was, at the level of the result and lined up with it",
            Action::Compare,
        ),
        (SIDES[2], "Hear removed", Side::Removed, &removed, Action::Removed),
    ] {
        let chosen = view.sound.side == side;
        let why_not =
            silent.clone().or_else(|| (side == Side::Removed && !cleaned).then(|| not_cleaned.to_owned()));
        let r =
            ui.add_enabled(why_not.is_none(), switch(text, chosen, 14.0, view.theme)).accessible_name(name);
        let r = r.on_hover_text(tip(ui.ctx(), about, key));
        if r.on_disabled_hover_text(why_not.unwrap_or_default()).clicked() && !chosen {
            out.push(Command::Sound(SoundCommand::Listen(side)));
        }
    }
    ui.spacing_mut().item_spacing.x = gap;
}

/// Small buttons that judge the loop by ear, from right to left.
pub fn judging(ui: &mut Ui, view: &View<'_>, take: &Take, out: &mut Vec<Command>) {
    let why_not = why_silent(view).or_else(|| why_no_loop(ui, take));
    let judged = view.sound.judged.filter(|_| view.sound.playing.is_some());
    let side = judged.and_then(|(j, side)| (j == Judged::Sustain).then_some(side));
    let text = match side {
        None => "Sustain",
        Some(Side::Rendered) => "Loop now",
        Some(Side::Source | Side::Removed) => "Sustain now",
    };
    let button = switch(text, side.is_some(), 12.0, view.theme).small();
    let r = ui.add_enabled(why_not.is_none(), button).accessible_name("Loop beside the own sustain");
    let about = "The loop, and the take played straight on over the same time at the same level. While it \
                 plays, each press changes from one to the other";
    let r = r.on_hover_text(tip(ui.ctx(), about, Action::Beside));
    if r.on_disabled_hover_text(why_not.clone().unwrap_or_default()).clicked() {
        out.push(Command::Sound(SoundCommand::PlayBeside));
    }
    let again = matches!(judged, Some((Judged::Seam, _)));
    let r = ui.add_enabled(why_not.is_none(), switch("Seam again", again, 12.0, view.theme).small());
    let about = "The second before the seam and the second after it, again and again";
    let r = r.on_hover_text(tip(ui.ctx(), about, Action::PlaySeamAgain));
    if r.on_disabled_hover_text(why_not.unwrap_or_default()).clicked() {
        out.push(Command::Sound(if again { SoundCommand::Stop } else { SoundCommand::PlaySeamAgain }));
    }
}

fn why_silent(view: &View<'_>) -> Option<String> {
    let why = view.sound.device.as_ref().err()?;
    Some(format!("No sound device is open: {why}. “Look for sound” at the top tries again."))
}

fn why_no_loop(ui: &Ui, take: &Take) -> Option<String> {
    let key = |a: Action| key_words(ui.ctx(), &of(a).keys[0]);
    match &take.recipe {
        None => Some(format!(
            "This take has no recipe yet, so no loop either: propose one ({})",
            key(Action::Propose)
        )),
        Some(r) if r.looping.is_none() => {
            Some(format!("This take has no loop yet: make one on the bench ({})", key(Action::RoomBench)))
        }
        Some(_) => None,
    }
}
