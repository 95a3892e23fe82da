//! The head of the stack room: hold, spread, how much time is looked at.

use egui::{Align, Button, Label, Layout, RichText, Slider, Ui, vec2};

use super::model::Stack;
use super::{NEAREST_S, set};
use crate::app::command::{Command, SoundCommand, StackCommand};
use crate::app::quantity;
use crate::app::shortcuts::{Action, tip};
use crate::app::stack::{StackSetup, WIDEST_CENTS};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::control::{escaped, soft, switch};
use crate::app::widgets::time_axis::TimeRange;
use crate::app::widgets::typed::Typed;
use crate::app::words;
use crate::units::Cents;

/// Room for the note and how many layers it has.
const NAMED: f32 = 132.0;

/// Room for `1200 cents` in its box.
const VALUE: f32 = 96.0;

const SPREAD_TIP: &str = "Interval between neighbouring layers, in cents (100 are a semitone); the middle of the stack stays where it is. For listening only: nothing of it is delivered.";

/// Draws the head.
pub fn show(
    ui: &mut Ui,
    view: &View<'_>,
    stack: &Stack<'_>,
    (visible, all): (&mut TimeRange, TimeRange),
    out: &mut Vec<Command>,
) {
    ui.horizontal_wrapped(|ui| {
        let name = words::note(view.document, stack.note);
        let layers = match stack.lanes.len() {
            0 => "set aside".into(),
            1 => "1 layer".into(),
            n => format!("{n} layers"),
        };
        // As wide for every note, so that the buttons stay where they are.
        let size = vec2(NAMED, 30.0);
        ui.allocate_ui_with_layout(size, Layout::left_to_right(Align::Center), |ui| {
            ui.set_min_size(size);
            ui.label(RichText::new(name).family(strong()).size(20.0));
            ui.label(soft(layers, view.theme));
        });
        hold(ui, view, stack, out);
        ui.add_space(8.0);
        spread(ui, view, out);
        ui.add_space(8.0);
        time(ui, view, visible, all, out);
    });
}

fn hold(ui: &mut Ui, view: &View<'_>, stack: &Stack<'_>, out: &mut Vec<Command>) {
    let now = &view.sound.stack;
    let silent = match &view.sound.device {
        Err(why) => Some(format!("No sound device is open: {why}. “Look for sound” at the top tries again.")),
        Ok(_) if stack.lanes.is_empty() => {
            Some("All takes of this note are set aside; take the decision back to hear them".into())
        }
        Ok(_) if stack.lanes.iter().all(|l| l.take.recipe.is_none()) => {
            Some("No layer of this note has a recipe yet; propose them first".into())
        }
        Ok(_) => None,
    };
    let about = "Holds the note: all layers from one onset, round and round, until it is let go; then what was recorded after the loop is heard, or it fades";
    let held = now.held;
    let text = if held { "Let go" } else { "Hold" };
    let hover = tip(ui.ctx(), about, Action::HoldStack);
    let button = switch(text, held, 14.0, view.theme).min_size(vec2(64.0, 28.0));
    let r = ui.add_enabled(held || silent.is_none(), button).on_hover_text(&hover);
    if r.on_disabled_hover_text(silent.unwrap_or_default()).clicked() {
        out.push(Command::Stack(if held { StackCommand::Release } else { StackCommand::Hold }));
    }
    // A take that was begun in another room as well.
    let stop = ui.add_enabled(view.sound.sounds(), Button::new("Stop").min_size(vec2(52.0, 28.0)));
    let hover = tip(ui.ctx(), "Silence at once", Action::PlayStop);
    if stop.on_hover_text(hover).on_disabled_hover_text("Nothing sounds").clicked() {
        out.push(Command::Sound(SoundCommand::Stop));
    }
}

fn spread(ui: &mut Ui, view: &View<'_>, out: &mut Vec<Command>) {
    let setup = &view.sound.stack.setup;
    ui.add(Label::new("Spread").extend());
    let mut cents = setup.spread.0;
    ui.spacing_mut().slider_width = 120.0;
    // As wide as the widest value, so that nothing moves while it is dragged.
    let usual = std::mem::replace(&mut ui.spacing_mut().interact_size.x, VALUE);
    let slider = Slider::new(&mut cents, 0.0..=WIDEST_CENTS).step_by(1.0);
    let typed = Typed {
        range: 0.0..=WIDEST_CENTS,
        unit: "cents",
        decimals: 0,
        read: &|t| quantity::parse(t, "cents", None),
        write: None,
    };
    let r = typed
        .slider_in(ui, slider, " cents", setup.spread.0)
        .accessible_name("Spread")
        .on_hover_text(SPREAD_TIP);
    ui.spacing_mut().interact_size.x = usual;
    if let Some(before) = escaped(ui, &r, setup.spread.0) {
        cents = before;
        out.push(set(StackSetup { spread: Cents(before), ..setup.clone() }));
    } else if r.changed() {
        out.push(set(StackSetup { spread: Cents(cents), ..setup.clone() }));
    }
    if r.drag_stopped() || (r.changed() && !r.dragged()) {
        out.push(Command::Stack(StackCommand::Settle));
    }
    let words = format!("{:.2} semitones", cents / 100.0);
    ui.add_sized(vec2(98.0, 20.0), Label::new(soft(words, view.theme)));
}

fn time(ui: &mut Ui, view: &View<'_>, visible: &mut TimeRange, all: TimeRange, out: &mut Vec<Command>) {
    let setup = &view.sound.stack.setup;
    // Flowing text would stand higher than the buttons where it begins a line.
    ui.add(Label::new("Look at").extend());
    for (seconds, name) in [(60.0, "1 min"), (180.0, "3 min")] {
        let chosen = setup.params.until_s == seconds;
        let r = ui.add(switch(name, chosen, 14.0, view.theme));
        if r.on_hover_text("How long the note is held in the picture, and in what is counted").clicked()
            && !chosen
        {
            let mut next = setup.clone();
            next.params.until_s = seconds;
            out.push(set(next));
            *visible = super::limits(&StackSetup { params: next_params(setup, seconds), ..setup.clone() });
        }
    }
    let middle = (visible.start_s + visible.end_s) / 2.0;
    for (text, name, factor, about) in [
        ("+", "Nearer", 2.0, "Shows half as much time (Ctrl+Wheel over the picture)"),
        ("−", "Further", 0.5, "Shows twice as much time (Ctrl+Wheel over the picture)"),
    ] {
        if ui.button(text).accessible_name(name).on_hover_text(about).clicked() {
            *visible = visible.zoomed(factor, middle, all, NEAREST_S);
        }
    }
    let whole = *visible == all;
    if ui.add_enabled(!whole, Button::new("Whole")).on_hover_text("Shows all of it").clicked() {
        *visible = all;
    }
}

fn next_params(setup: &StackSetup, until_s: f64) -> crate::dsp::looping::stack::StackParams {
    crate::dsp::looping::stack::StackParams { until_s, ..setup.params }
}
