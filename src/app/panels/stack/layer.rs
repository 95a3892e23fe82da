//! What is set for one layer: mute, solo, level, pan. For listening only.

use egui::{DragValue, Ui, UiBuilder};

use super::model::Lane;
use super::set;
use crate::app::command::Command;
use crate::app::quantity;
use crate::app::stack::{LEVELS_DB, LayerMix, StackSetup};
use crate::app::view::View;
use crate::app::widgets::control::{escaped, switch};
use crate::app::widgets::typed::Typed;
use crate::app::words;

const FOR_LISTENING: &str = "For listening only: nothing of it is delivered.";

/// Draws what can be set for a layer into three cells: heard, level, pan.
pub fn show(
    ui: &mut Ui,
    view: &View<'_>,
    lane: &Lane<'_>,
    cell: &dyn Fn(usize) -> UiBuilder,
    out: &mut Vec<Command>,
) {
    let setup = &view.sound.stack.setup;
    let layer = lane.take.layer;
    let number = u32::from(layer) + 1;
    let mix = setup.of(layer);
    let mut next = mix;
    heard(&mut ui.new_child(cell(0)), view, (number, mix), &mut next);
    level(&mut ui.new_child(cell(1)), (number, mix), &mut next);
    pan(&mut ui.new_child(cell(2)), (number, mix), &mut next);
    if next != mix {
        out.push(set(changed(setup, layer, next)));
    }
}

fn heard(ui: &mut Ui, view: &View<'_>, (number, mix): (u32, LayerMix), next: &mut LayerMix) {
    ui.spacing_mut().item_spacing.x = 4.0;
    ui.spacing_mut().button_padding.x = 8.0;
    let switches =
        [("Mute", mix.muted, "Silences this layer"), ("Solo", mix.solo, "Only layers with this are heard")];
    for (i, (word, on, about)) in switches.into_iter().enumerate() {
        let r = ui.add(switch(word, on, 13.0, view.theme)).accessible_name(format!("{word} layer {number}"));
        if r.on_hover_text(format!("{about}. {FOR_LISTENING}")).clicked() {
            if i == 0 { next.muted = !on } else { next.solo = !on }
        }
    }
}

fn level(ui: &mut Ui, (number, mix): (u32, LayerMix), next: &mut LayerMix) {
    ui.spacing_mut().interact_size = ui.available_size();
    ui.spacing_mut().button_padding.x = 4.0;
    let level = DragValue::new(&mut next.level_db)
        .range(LEVELS_DB)
        .speed(0.1)
        .custom_formatter(|v, _| words::signed(v, 1));
    let typed = Typed {
        range: f64::from(*LEVELS_DB.start())..=f64::from(*LEVELS_DB.end()),
        unit: "dB",
        decimals: 1,
        read: &|t| quantity::parse(t, "dB", None),
        write: Some(&|v| words::signed(v, 1)),
    };
    let r = typed
        .drag_in(ui, level, " dB", mix.level_db.into())
        .accessible_name(format!("Level of layer {number}"))
        .on_hover_text(format!("Level of this layer, −40 to +6 dB. {FOR_LISTENING}"));
    next.level_db = escaped(ui, &r, mix.level_db).unwrap_or(next.level_db);
}

fn pan(ui: &mut Ui, (number, mix): (u32, LayerMix), next: &mut LayerMix) {
    ui.spacing_mut().interact_size = ui.available_size();
    ui.spacing_mut().button_padding.x = 4.0;
    let pan =
        DragValue::new(&mut next.pan).range(-100.0..=100.0).speed(1.0).custom_formatter(|v, _| pan_words(v));
    let typed =
        Typed { range: -100.0..=100.0, unit: "", decimals: 0, read: &pan_parsed, write: Some(&pan_words) };
    let r =
        typed.drag(ui, pan, mix.pan.into()).accessible_name(format!("Pan of layer {number}")).on_hover_text(
            format!("Where this layer stands, 100 left to 100 right, as loud everywhere. {FOR_LISTENING}"),
        );
    next.pan = escaped(ui, &r, mix.pan).unwrap_or(next.pan);
}

fn changed(setup: &StackSetup, layer: u16, mix: LayerMix) -> StackSetup {
    setup
        .with(layer, LayerMix { level_db: (mix.level_db * 10.0).round() / 10.0, pan: mix.pan.round(), ..mix })
}

fn pan_words(pan: f64) -> String {
    match pan.round() as i64 {
        0 => "middle".into(),
        p if p < 0 => format!("{} left", -p),
        p => format!("{p} right"),
    }
}

/// `30 left`, `30 L`, `-30`, `30 %`, `middle`; anything else is none of it.
fn pan_parsed(text: &str) -> Option<f64> {
    let text = text.trim().to_lowercase().replace('−', "-").replace(',', ".");
    if !text.is_empty() && (["middle", "centre", "center"].iter().any(|w| w.starts_with(&text))) {
        return Some(0.0);
    }
    let ends = [("left", -1.0), ("l", -1.0), ("right", 1.0), ("r", 1.0)];
    let side = ends.into_iter().find_map(|(word, sign)| Some((text.strip_suffix(word)?, sign)));
    let digits = side.map_or(text.as_str(), |(rest, _)| rest).trim();
    let value: f64 = digits.strip_suffix('%').unwrap_or(digits).trim_end().parse().ok()?;
    Some(side.map_or(value, |(_, sign)| sign * value.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pans_are_read_as_they_are_written() {
        for p in [-100.0, -30.0, 0.0, 1.0, 77.0] {
            assert_eq!(pan_parsed(&pan_words(p)), Some(p));
        }
        for (text, pan) in
            [("−20", -20.0), ("-20", -20.0), ("20L", -20.0), ("5 %", 5.0), ("m", 0.0), ("0,5", 0.5)]
        {
            assert_eq!(pan_parsed(text), Some(pan), "{text}");
        }
        for text in ["x", "", "30 dB", "loud", "3 left of it", "--4"] {
            assert_eq!(pan_parsed(text), None, "{text}");
        }
    }
}
