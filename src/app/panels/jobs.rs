//! What is being done: how far it is, how long it will take, and a button that stops it.

use egui::{Align, Label, Layout, Rect, Role, Sense, Ui, UiBuilder, WidgetInfo, vec2};

use crate::app::command::{Command, WorkCommand};
use crate::app::view::{JobView, View};
use crate::app::widgets::control::soft;
use crate::app::words;

/// A job wants at least so much width; those that have no room are in a menu.
const JOB: f32 = 360.0;
/// Width of the button of that menu.
const MORE: f32 = 84.0;
/// The narrowest bar.
const BAR: f32 = 40.0;

/// Draws the jobs beside one another in `area`, as many as have room there; the others are in a menu.
pub fn jobs(ui: &mut Ui, area: Rect, view: &View<'_>, out: &mut Vec<Command>) {
    let mut cancel = |id| out.push(Command::Work(WorkCommand::Cancel(id)));
    let fit = ((area.width() / JOB) as usize).clamp(1, view.jobs.len());
    let more = &view.jobs[fit..];
    let menu = if more.is_empty() { 0.0 } else { MORE };
    let each = (area.width() - menu) / fit as f32;
    for (i, job) in view.jobs[..fit].iter().enumerate() {
        let left = area.left() + i as f32 * each;
        let gap = if i + 1 < fit || menu > 0.0 { 12.0 } else { 0.0 };
        let rect = Rect::from_x_y_ranges(left..=left + each - gap, area.y_range());
        let inside = UiBuilder::new().max_rect(rect).id_salt(job.id);
        ui.scope_builder(inside, |ui| {
            if row(ui, view, job) {
                cancel(job.id);
            }
        });
    }
    if !more.is_empty() {
        let rect = Rect::from_min_max(area.right_top() - vec2(menu, 0.0), area.max);
        let inside = UiBuilder::new().max_rect(rect).layout(Layout::right_to_left(Align::Center));
        ui.scope_builder(inside, |ui| {
            let shown = ui.menu_button(format!("{} more", more.len()), |ui| {
                ui.set_min_width(JOB);
                for job in more {
                    ui.push_id(job.id, |ui| {
                        ui.allocate_ui(vec2(JOB, 30.0), |ui| {
                            if row(ui, view, job) {
                                cancel(job.id);
                            }
                        });
                    });
                }
            });
            shown.response.on_hover_text("What else is being done");
        });
    }
}

/// What a job says beside its bar.
pub fn words_of(job: &JobView) -> String {
    let (done, total) = job.counts;
    let mut text = match (total, job.fraction) {
        (0, _) if job.more => "none yet".into(),
        _ if job.more => format!("{done} of {total} so far"),
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
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width().max(BAR), 8.0), Sense::hover());
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

/// Draws a job; true when it is to stop. What it is called gives way before how long it will take.
pub fn row(ui: &mut Ui, view: &View<'_>, job: &JobView) -> bool {
    let mut cancel = false;
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        let about = if job.escape {
            "No more recipes are made; those that are there stay. Escape in the sheet does the same"
        } else {
            "Stops after the step that is being done"
        };
        cancel = ui.button("Cancel").on_hover_text(about).clicked();
        ui.label(soft(words_of(job), view.theme));
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            let name = Label::new(&job.stage).truncate();
            let room = (ui.available_width() - BAR - ui.spacing().item_spacing.x).max(0.0);
            ui.scope(|ui| {
                ui.set_max_width(room);
                ui.add(name);
            });
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
        let mut job = JobView {
            id: 1,
            stage: "x".into(),
            fraction: 0.5,
            counts: (3, 6),
            seconds_left: Some(12.0),
            more: false,
            escape: false,
            finds: false,
        };
        assert_eq!(words_of(&job), "3 of 6, about 12 s left");
        job.seconds_left = None;
        assert_eq!(words_of(&job), "3 of 6");
        job.counts = (0, 0);
        assert_eq!(words_of(&job), "50 %");
        job.fraction = 0.0;
        assert_eq!(words_of(&job), "going on");
        job.more = true;
        assert_eq!(words_of(&job), "none yet");
        job.counts = (12, 30);
        assert_eq!(words_of(&job), "12 of 30 so far");
    }
}
