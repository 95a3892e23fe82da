//! Tooltips are for the hand at the pointer. Who presses a key looks elsewhere, and what the key opens may come
//! up just where the pointer rests: from then on no tooltip shows until the pointer moves. So it is when another
//! room comes up below it.

use egui::{
    Context, Event, Modifiers, MouseWheelSource, MouseWheelUnit, Plugin, Pos2, RawInput, TouchPhase, Vec2,
};

use super::theme::TOOLTIP_DELAY_S;

/// Longer than any window is open.
const FOR_EVER_S: f32 = 1e7;

/// Keeps tooltips back while keys are used.
#[derive(Debug, Default)]
pub struct QuietTips {
    quiet: bool,
    /// Something else than a key hides them from the next pass on.
    hushed: bool,
    pointer: Option<Pos2>,
}

/// Hides tooltips until the pointer moves.
pub fn hush(ctx: &Context) {
    if let Some(tips) = ctx.plugin_opt::<QuietTips>() {
        tips.lock().hushed = true;
    }
}

impl QuietTips {
    /// Whether the hand is at the pointer in this input.
    fn is_pointing(&mut self, input: &RawInput) -> bool {
        let mut points = false;
        for event in &input.events {
            match event {
                // A system may tell the place again though nothing moved.
                Event::PointerMoved(at) => points |= self.pointer.replace(*at) != Some(*at),
                Event::PointerButton { .. } | Event::MouseWheel { .. } | Event::Touch { .. } => points = true,
                _ => {}
            }
        }
        points
    }
}

impl Plugin for QuietTips {
    fn debug_name(&self) -> &'static str {
        "tooltips wait for the pointer"
    }

    fn input_hook(&mut self, ctx: &Context, input: &mut RawInput) {
        let key = input.events.iter().any(|e| matches!(e, Event::Key { pressed: true, .. }));
        let points = self.is_pointing(input);
        let quiet = key || std::mem::take(&mut self.hushed) || (self.quiet && !points);
        if quiet == self.quiet {
            return;
        }
        self.quiet = quiet;
        // The toolkit shows none for the time of its delay after a turn of the wheel, not even one that is open:
        // a turn by nothing, and a delay without end.
        if quiet {
            input.events.push(Event::MouseWheel {
                unit: MouseWheelUnit::Point,
                delta: Vec2::ZERO,
                phase: TouchPhase::Move,
                modifiers: Modifiers::NONE,
                source: MouseWheelSource::Unknown,
            });
        }
        let delay = if quiet { FOR_EVER_S } else { TOOLTIP_DELAY_S };
        ctx.all_styles_mut(|style| style.interaction.tooltip_delay = delay);
    }
}
