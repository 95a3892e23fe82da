//! The seam close-up in the side column: made anew when the loop or the rendering changes, zoomed
//! by periods, dragged to slip an end of the loop; and the spectra of both sides of the join.

use std::sync::Arc;

use egui::{Button, CursorIcon, RichText, Role, Sense, Ui, WidgetInfo, vec2};

use super::edits::{self, Mark};
use super::gesture::{abort, commit, preview};
use super::model::Model;
use super::wave;
use crate::app::command::{Command, SoundCommand};
use crate::app::shortcuts::{Action, tip};
use crate::app::theme::strong;
use crate::app::view::View;
use crate::app::widgets::drag_handle::{DragPhase, HandleMemory};
use crate::app::widgets::seam_spectra::{self, Spectra};
use crate::app::widgets::seam_view::{self, Seam};
use crate::render::chain::Rendered;
use crate::units::FrameRange;

const HEIGHT: f32 = 124.0;

/// How near it is seen, and what was made for which loop.
#[derive(Debug, Default)]
pub struct SeamCloseUp {
    /// Periods to each side; none: about 8 ms.
    periods: Option<f64>,
    /// Seen as it would be without its crossfade.
    without_crossfade: bool,
    made: Option<Made>,
    drag: HandleMemory,
    /// The end that is dragged, and where it stood before.
    slips: Option<(Mark, f64)>,
}

/// What a seam was made of.
#[derive(Debug)]
struct Of {
    rendered: Arc<Rendered>,
    range: FrameRange,
    crossfade: u64,
    each: usize,
}

impl PartialEq for Of {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.rendered, &other.rendered)
            && (self.range, self.crossfade, self.each) == (other.range, other.crossfade, other.each)
    }
}

#[derive(Debug)]
struct Made {
    of: Of,
    seam: Option<Seam>,
    /// Only made when they are shown.
    spectra: Option<Spectra>,
}

impl SeamCloseUp {
    /// Forgets a drag that is going on; whether one had moved anything.
    pub fn drop_drag(&mut self) -> bool {
        self.slips = None;
        self.drag.drop_drag()
    }

    /// The seam of the loop as it is now (also while it is dragged); none without loop or rendering.
    fn make(&mut self, m: &Model<'_>, each: usize) -> Option<&mut Made> {
        let rendered = Arc::clone(&m.made?.rendered);
        let (start, end) = m.loop_frames()?;
        let range = FrameRange::new(start.max(0.0) as u64, end.max(0.0) as u64);
        // What the rendering rounded it to, where it is of this very loop.
        let fade = m.looping()?.crossfade.frames(rendered.audio.rate()).0;
        let same = rendered.looping.filter(|l| l.range == range && l.crossfade.abs_diff(fade) <= 1);
        let crossfade = same.map_or(fade, |l| l.crossfade).min(range.start.0).min(range.count().0);
        let crossfade = if self.without_crossfade { 0 } else { crossfade };
        let of = Of { rendered, range, crossfade, each };
        if self.made.as_ref().is_none_or(|x| x.of != of) {
            let seam = Seam::of(&of.rendered.audio, range, crossfade, each);
            self.made = Some(Made { of, seam, spectra: None });
        }
        self.made.as_mut()
    }

    /// Draws the head with its zoom, and the close-up; a click plays across the seam, a drag slips the
    /// loop end (left of the join) or the loop start (right of it).
    pub fn show(&mut self, ui: &mut Ui, view: &View<'_>, m: &Model<'_>, out: &mut Vec<Command>) {
        let rate = m.out_rate();
        let period = m.period_frames();
        let usual = period.map(|p| seam_view::usual_periods(p / rate));
        let periods = self.periods.or(usual).unwrap_or(1.0);
        self.head(ui, view, period.map(|p| p / rate), periods);
        let each = seam_view::frames_each(periods, period, rate);
        let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::click_and_drag());
        if !view.read_only && m.made.is_some() {
            self.slip(ui, &r, each, m, out);
        }
        let faded = !self.without_crossfade && m.looping().is_some_and(|l| l.crossfade.0 > 0.0);
        let Some(seam) = self.make(m, each).and_then(|made| made.seam.as_ref()) else {
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
        let what = if faded { " with its crossfade" } else { "" };
        let how = if m.loop_is_locked() {
            "This loop is locked, so its ends cannot be slipped here; L unlocks it."
        } else {
            "Drag the left half to slip the loop end, the right half to slip the loop start, frame by frame."
        };
        let about = format!(
            "{words}.\nThick: what is heard going round{what}. Thin: the take played straight on. Shaded: \
             the crossfade. Upright lines: whole periods.\n{how}"
        );
        let hover = if sound {
            tip(ui.ctx(), &format!("{about}\nA click plays across the seam"), Action::PlaySeam)
        } else {
            about
        };
        if r.hovered() && !view.read_only {
            let locked = m.loop_is_locked();
            let cursor = if locked { CursorIcon::NotAllowed } else { CursorIcon::ResizeHorizontal };
            ui.ctx().set_cursor_icon(cursor);
        }
        if r.on_hover_text(hover).clicked() && sound {
            out.push(Command::Sound(SoundCommand::PlaySeam));
        }
    }

    /// Follows a drag: the sound is pulled along under the join, so the end that it belongs to goes
    /// the other way.
    fn slip(&mut self, ui: &Ui, r: &egui::Response, each: usize, m: &Model<'_>, out: &mut Vec<Command>) {
        let middle = r.rect.center();
        if r.drag_started_by(egui::PointerButton::Primary) {
            let press = ui.input(|i| i.pointer.press_origin()).unwrap_or(middle);
            let mark = if press.x < middle.x { Mark::LoopEnd } else { Mark::LoopStart };
            if mark.is_locked(m) {
                out.push(edits::refused(m));
                return;
            }
            self.slips = mark.value(m).map(|v| (mark, v));
        }
        let phase = self.drag.follow(ui, r, middle);
        let Some((mark, from)) = self.slips else { return };
        let points_a_frame = r.rect.width() / 2.0 / each.max(1) as f32;
        let edit = |to: egui::Pos2, at_rest: bool| {
            let frames = f64::from((to.x - middle.x) / points_a_frame).round();
            mark.edit(m, from - frames, at_rest)
        };
        match phase {
            Some(DragPhase::Moved(to)) => out.extend(edit(to, false).map(preview)),
            Some(DragPhase::Released(last)) => {
                // At rest it is scored; where the hand did not move again it stands already.
                let last = last.and_then(|to| edit(to, true));
                let stays = || mark.edit(m, mark.value(m)?, true);
                out.extend(last.or_else(stays).map(preview));
                out.push(commit(mark.label()));
                self.slips = None;
            }
            Some(DragPhase::Aborted) => {
                out.push(abort());
                self.slips = None;
            }
            None => {}
        }
    }

    fn head(&mut self, ui: &mut Ui, view: &View<'_>, period_s: Option<f64>, periods: f64) {
        ui.horizontal(|ui| {
            ui.label(RichText::new("Seam").size(13.0).family(strong()).color(view.theme.ink));
            let mut with = !self.without_crossfade;
            let r = ui.checkbox(&mut with, RichText::new("crossfade").small());
            let about = "Shows the seam and the spectra with the crossfade, or as they are without it";
            if r.accessible_name("Show with crossfade").on_hover_text(about).changed() {
                self.without_crossfade = !with;
            }
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                ui.spacing_mut().item_spacing.x = 3.0;
                let Some(period_s) = period_s else {
                    ui.label(RichText::new("view ±8 ms").small().color(view.theme.ink_soft));
                    return;
                };
                for (text, name, nearer) in [("+", "Seam nearer", true), ("−", "Seam further", false)] {
                    let next = seam_view::zoomed_periods(periods, nearer, period_s);
                    let b = Button::new(RichText::new(text).size(12.0)).small().min_size(vec2(24.0, 0.0));
                    let r = ui.add_enabled(next != periods, b).accessible_name(name);
                    let about =
                        format!("{name}: {} of the note to each side", seam_view::periods_words(next));
                    if r.on_hover_text(about).on_disabled_hover_text(name).clicked() {
                        self.periods = Some(next);
                    }
                }
                let text = format!("view ±{}", seam_view::periods_words(periods));
                ui.label(RichText::new(text).small().color(view.theme.ink_soft));
            });
        });
    }
}

/// The spectra of both sides of the join.
#[derive(Debug, Default)]
pub struct SpectraCloseUp {
    seam: SeamCloseUp,
}

impl SpectraCloseUp {
    /// Draws them, with the crossfade as `close_up` shows it.
    pub fn show(&mut self, ui: &mut Ui, view: &View<'_>, m: &Model<'_>, close_up: &SeamCloseUp, height: f32) {
        let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
        self.seam.without_crossfade = close_up.without_crossfade;
        let made = self.seam.make(m, seam_spectra::frames_each(m.out_rate()));
        let Some((seam, spectra)) = made.and_then(|x| Some((x.seam.as_ref()?, &mut x.spectra))) else {
            ui.painter().rect_filled(rect, 3.0, view.theme.paper);
            let font = egui::FontId::proportional(12.0);
            let text = "No spectra to show yet.";
            ui.painter().text(rect.center(), egui::Align2::CENTER_CENTER, text, font, view.theme.ink_soft);
            return;
        };
        let spectra = spectra.get_or_insert_with(|| Spectra::of(seam));
        let ink = wave::layer_ink(view.theme, m.take.layer);
        seam_spectra::paint(&ui.painter_at(rect), rect, spectra, ink, view.theme);
        let words = spectra.words();
        r.widget_info(|| WidgetInfo::labeled(Role::Image, true, &words));
        let with = if close_up.without_crossfade { "without its crossfade" } else { "with its crossfade" };
        r.on_hover_text(format!(
            "{words}.\nLevels in dB of full scale over {:.0} ms to each side of the seam, {with}",
            seam.side_s() * 1000.0
        ));
    }
}
