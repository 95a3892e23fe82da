//! The strip at the bottom: what is being done, how far it is, and a button that stops it. It is always
//! there and always as high, so that nothing moves when work begins or ends.

use egui::{Align, Label, Layout, Role, Sense, Ui, UiBuilder, WidgetInfo, vec2};

use crate::app::command::{Command, WorkCommand};
use crate::app::view::{Around, JobView, View};
use crate::app::widgets::control::soft;
use crate::app::words;

/// Height of what stands in it.
pub const HEIGHT: f32 = 28.0;
/// A job wants at least so much width; those that have no room are in a menu.
const JOB: f32 = 360.0;

/// The strip.
#[derive(Debug, Default)]
pub struct JobsPanel {}

impl JobsPanel {
    /// Draws the jobs beside one another; where there is none, how the session stands.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>, around: &Around<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        let (strip, _) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
        if view.jobs.is_empty() {
            let inside = UiBuilder::new().max_rect(strip).layout(Layout::left_to_right(Align::Center));
            ui.scope_builder(inside, |ui| standing(ui, view, around));
            return commands;
        }
        let mut cancel = |id| commands.push(Command::Work(WorkCommand::Cancel(id)));
        let fit = ((strip.width() / JOB) as usize).clamp(1, view.jobs.len());
        let more = &view.jobs[fit..];
        let menu = if more.is_empty() { 0.0 } else { 90.0 };
        let each = (strip.width() - menu) / fit as f32;
        for (i, job) in view.jobs[..fit].iter().enumerate() {
            let left = strip.left() + i as f32 * each;
            let rect = egui::Rect::from_x_y_ranges(left..=left + each - 12.0, strip.y_range());
            let inside = UiBuilder::new().max_rect(rect).id_salt(job.id);
            ui.scope_builder(inside, |ui| {
                if row(ui, view, job) {
                    cancel(job.id);
                }
            });
        }
        if !more.is_empty() {
            let rect = egui::Rect::from_min_max(strip.right_top() - vec2(menu, 0.0), strip.max);
            ui.scope_builder(UiBuilder::new().max_rect(rect), |ui| {
                let shown = ui.menu_button(format!("{} more", more.len()), |ui| {
                    ui.set_min_width(JOB);
                    for job in more {
                        ui.push_id(job.id, |ui| {
                            if row(ui, view, job) {
                                cancel(job.id);
                            }
                        });
                    }
                });
                shown.response.on_hover_text("What else is being done");
            });
        }
        commands
    }
}

/// Nothing is being done: where the session is, whether it is saved.
fn standing(ui: &mut Ui, view: &View<'_>, around: &Around<'_>) {
    let saved = match (view.read_only, around.unsaved) {
        (true, _) => "Looked at only: nothing is saved here",
        (_, true) => "Changed; saved by itself in a moment",
        _ => "Saved",
    };
    ui.label(soft(saved, view.theme)).on_hover_text("The session saves itself a few seconds after a change");
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        let Some(path) = view.path else { return };
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        ui.add(Label::new(soft(name, view.theme)).truncate()).on_hover_text(path.display().to_string());
    });
}

/// What a job says beside its bar.
pub fn words_of(job: &JobView) -> String {
    let (done, total) = job.counts;
    let mut text = match (total, job.fraction) {
        (0, f) if f > 0.0 => format!("{:.0} %", f * 100.0),
        (0, _) => "going on".into(),
        _ => format!("{done} of {total}"),
    };
    if let Some(left) = job.seconds_left.filter(|s| job.fraction < 1.0 && *s >= 1.0) {
        text += &format!(", about {} left", words::duration(left));
    }
    text
}

/// The bar itself: a track of the line's colour, filled from the left.
fn bar(ui: &mut Ui, view: &View<'_>, job: &JobView) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width().max(40.0), 8.0), Sense::hover());
    let mut done = rect;
    done.set_width(rect.width() * job.fraction.clamp(0.0, 1.0));
    ui.painter().rect_filled(rect, 4.0, view.theme.line);
    ui.painter().rect_filled(done, 4.0, view.theme.accent);
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ProgressIndicator, true, format!("Progress: {}", job.stage));
        info.value = Some(f64::from(job.fraction) * 100.0);
        info
    });
}

/// Draws a job; true when it is to stop.
pub fn row(ui: &mut Ui, view: &View<'_>, job: &JobView) -> bool {
    let mut cancel = false;
    ui.horizontal(|ui| {
        ui.label(&job.stage);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            cancel = ui.button("Cancel").on_hover_text("Stops after the step that is being done").clicked();
            ui.label(soft(words_of(job), view.theme));
            bar(ui, view, job);
        });
    });
    cancel
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_is_told_only_when_known() {
        let mut job =
            JobView { id: 1, stage: "x".into(), fraction: 0.5, counts: (3, 6), seconds_left: Some(12.0) };
        assert_eq!(words_of(&job), "3 of 6, about 12 s left");
        job.seconds_left = None;
        assert_eq!(words_of(&job), "3 of 6");
        job.counts = (0, 0);
        assert_eq!(words_of(&job), "50 %");
        job.fraction = 0.0;
        assert_eq!(words_of(&job), "going on");
    }
}
