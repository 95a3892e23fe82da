//! The seam close-up in the side column: made anew when the loop or the rendering changes, zoomed
//! by periods.

use std::sync::Arc;

use egui::{Button, RichText, Role, Sense, Ui, WidgetInfo, vec2};

use super::model::Model;
use super::wave;
use crate::app::command::{Command, SoundCommand};
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::seam_view::{self, Seam};
use crate::render::chain::Rendered;
use crate::units::FrameRange;

const HEIGHT: f32 = 124.0;

/// How near it is seen, and what was made for which loop.
#[derive(Debug, Default)]
pub struct SeamCloseUp {
    /// Periods to each side; none: about 8 ms.
    periods: Option<f64>,
    made: Option<Made>,
}

#[derive(Debug)]
struct Made {
    of: Arc<Rendered>,
    range: FrameRange,
    crossfade: u64,
    each: usize,
    seam: Option<Seam>,
}

impl SeamCloseUp {
    /// The seam of the loop as it is now (also while it is dragged); none without loop or rendering.
    fn seam(&mut self, m: &Model<'_>, each: usize) -> Option<&Seam> {
        let of = &m.made?.rendered;
        let (start, end) = m.loop_frames()?;
        let range = FrameRange::new(start.max(0.0) as u64, end.max(0.0) as u64);
        // What the rendering rounded it to, where it is of this very loop.
        let fade = m.looping()?.crossfade.frames(of.audio.rate()).0;
        let rendered = of.looping.filter(|l| l.range == range && l.crossfade.abs_diff(fade) <= 1);
        let crossfade = rendered.map_or(fade, |l| l.crossfade).min(range.start.0).min(range.count().0);
        let current = self.made.as_ref().is_some_and(|x| {
            Arc::ptr_eq(&x.of, of) && (x.range, x.crossfade, x.each) == (range, crossfade, each)
        });
        if !current {
            let seam = Seam::of(&of.audio, range, crossfade, each);
            self.made = Some(Made { of: Arc::clone(of), range, crossfade, each, seam });
        }
        self.made.as_ref()?.seam.as_ref()
    }

    /// Draws the head with its zoom, and the close-up; a click plays across the seam.
    pub fn show(&mut self, ui: &mut Ui, view: &View<'_>, m: &Model<'_>, out: &mut Vec<Command>) {
        let rate = m.out_rate();
        let period = m.period_frames();
        let usual = period.map(|p| seam_view::usual_periods(p / rate));
        let periods = self.periods.or(usual).unwrap_or(1.0);
        self.head(ui, view, period.map(|p| p / rate), periods);
        let each = seam_view::frames_each(periods, period, rate);
        let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::click());
        let Some(seam) = self.seam(m, each) else {
            let text = if m.made.is_none() { "The result is being made…" } else { "No seam to show." };
            let font = egui::FontId::proportional(12.0);
            ui.painter().rect_filled(rect, 3.0, view.theme.paper);
            ui.painter().text(rect.center(), egui::Align2::CENTER_CENTER, text, font, view.theme.ink_soft);
            r.widget_info(|| WidgetInfo::labeled(Role::Button, false, format!("Seam close-up: {text}")));
            return;
        };
        let line = wave::layer_ink(view.theme, m.take.layer);
        seam_view::paint(&ui.painter_at(rect), rect, seam, period, line, view.theme);
        if r.has_focus() || r.hovered() {
            let (width, color) =
                if r.has_focus() { (2.0, view.theme.ink) } else { (1.0, view.theme.ink_soft) };
            ui.painter().rect_stroke(rect, 3.0, egui::Stroke::new(width, color), egui::StrokeKind::Inside);
        }
        let words = seam.words(period.map(|_| periods));
        let sound = view.sound.device.is_ok();
        r.widget_info(|| WidgetInfo::labeled(Role::Button, sound, &words));
        let about = format!(
            "{words}.\nThick: what is heard going round. Thin: the take played straight on. Shaded: the \
             crossfade. Upright lines: whole periods."
        );
        let hover = if sound {
            tip(ui.ctx(), &format!("{about}\nA click plays across the seam"), Action::PlaySeam)
        } else {
            about
        };
        if r.on_hover_text(hover).clicked() && sound {
            out.push(Command::Sound(SoundCommand::PlaySeam));
        }
    }

    fn head(&mut self, ui: &mut Ui, view: &View<'_>, period_s: Option<f64>, periods: f64) {
        ui.horizontal(|ui| {
            ui.label(RichText::new("Seam").size(13.0).family(strong()).color(view.theme.ink));
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                ui.spacing_mut().item_spacing.x = 3.0;
                let Some(period_s) = period_s else {
                    ui.label(RichText::new("8 ms each side").small().color(view.theme.ink_soft));
                    return;
                };
                for (text, name, nearer) in [("+", "Seam nearer", true), ("–", "Seam further", false)] {
                    let next = seam_view::zoomed_periods(periods, nearer, period_s);
                    let b = Button::new(RichText::new(text).size(12.0)).small().min_size(vec2(24.0, 0.0));
                    let r = ui.add_enabled(next != periods, b).accessible_name(name);
                    let about =
                        format!("{name}: {} of the note to each side", seam_view::periods_words(next));
                    if r.on_hover_text(about).on_disabled_hover_text(name).clicked() {
                        self.periods = Some(next);
                    }
                }
                let text = format!("{} each side", seam_view::periods_words(periods));
                ui.label(RichText::new(text).small().color(view.theme.ink_soft));
            });
        });
    }
}
