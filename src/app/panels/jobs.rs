//! The strip at the bottom: what is being done, how far it is, and a button that stops it.

use egui::{Align, Layout, Role, Sense, Ui, WidgetInfo, vec2};

use crate::app::command::{Command, WorkCommand};
use crate::app::view::{JobView, View};
use crate::app::widgets::control::soft;
use crate::app::words;

/// The strip.
#[derive(Debug, Default)]
pub struct JobsPanel {}

impl JobsPanel {
    /// Draws one row for each job.
    pub fn ui(&mut self, ui: &mut Ui, view: &View<'_>) -> Vec<Command> {
        let mut commands = Vec::new();
        for job in view.jobs {
            ui.push_id(job.id, |ui| {
                if row(ui, view, job) {
                    commands.push(Command::Work(WorkCommand::Cancel(job.id)));
                }
            });
        }
        commands
    }
}

/// What a job says beside its bar.
pub fn words_of(job: &JobView) -> String {
    let (done, total) = job.counts;
    let mut text = if total > 0 { format!("{done} of {total}") } else { "starting".into() };
    if let Some(left) = job.seconds_left.filter(|s| done < total && *s >= 1.0) {
        text += &format!(", about {} left", words::duration(left));
    }
    text
}

/// The bar itself: a track of the line's colour, filled from the left.
fn bar(ui: &mut Ui, view: &View<'_>, job: &JobView) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width().max(60.0), 8.0), Sense::hover());
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
        assert_eq!(words_of(&job), "starting");
    }
}
