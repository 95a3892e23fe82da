//! A score and its parts as small bars, with the numbers beside them.

use egui::{Align2, FontId, Rect, Sense, Ui, WidgetInfo, pos2, vec2};

use crate::app::theme::Theme;
use crate::app::words::{score_words, seam_and_score, seam_hidden, seam_words};
use crate::dsp::looping::SeamAudit;
use crate::session::LoopRecipe;

/// Names and values of a score's parts.
fn parts(l: &LoopRecipe) -> [(&'static str, f64, &'static str); 7] {
    let p = &l.parts;
    [
        ("zero crossing", p.zero_crossing, "Both ends stand near a zero crossing of the same slope"),
        ("waveform", p.waveform, "The waves around both ends are alike"),
        ("spectrum", p.spectral, "The spectra around both ends are alike"),
        ("level", p.level, "The levels at both ends are alike"),
        ("pitch", p.pitch, "The pitches at both ends are alike"),
        ("movement", p.movement, "Level and pitch move alike at both ends; with vibrato: its phase"),
        (
            "length",
            p.length,
            "How long the loop is: 100 from 1 s on, since a shorter one soon sounds the same again and again",
        ),
    ]
}

/// Between the two columns of parts.
const BETWEEN: f32 = 14.0;

/// The score as a whole, large.
pub fn whole(ui: &mut Ui, theme: &Theme, l: &LoopRecipe) {
    let about = format!(
        "{} of 100, and 100 is best: {}.\nIt compares the two ends as they are before they are joined; its parts \
         stand with the loop's numbers below, and the worst one counts most. From 80 on the seam should not be \
         noticed in playing. What is really heard of it says the line below",
        l.score.round(),
        score_words(l.score)
    );
    let width = ui.available_width();
    row(ui, theme, width, ("score", l.score), true, &about);
}

/// What the score means, and its parts, small.
pub fn in_parts(ui: &mut Ui, theme: &Theme, l: &LoopRecipe) {
    let text = format!("Score {:.0}: {}", l.score, score_words(l.score));
    ui.label(egui::RichText::new(text).small().color(theme.ink_soft));
    let half = (ui.available_width() - BETWEEN) / 2.0;
    ui.scope(|ui| {
        ui.spacing_mut().interact_size.y = 15.0;
        for pair in parts(l).chunks(2) {
            ui.horizontal(|ui| {
                ui.spacing_mut().item_spacing.x = BETWEEN;
                for (name, value, about) in pair {
                    row(ui, theme, half, (name, *value), false, about);
                }
            });
        }
    });
}

/// What the finished loop measures when it goes round, in one line.
pub fn heard(ui: &mut Ui, t: &Theme, l: &LoopRecipe, audit: Option<SeamAudit>, updating: bool) {
    let line = |text: String, ink| egui::Label::new(egui::RichText::new(text).color(ink)).truncate();
    let Some(a) = audit else {
        let text = if updating { "Seam: being measured…" } else { "Seam: not measured" };
        ui.add(line(text.into(), t.ink_soft));
        return;
    };
    let ink = if updating { t.ink_soft } else { t.ink };
    let text = format!("Seam: {}", seam_words(&a));
    ui.add(line(text.clone(), ink)).on_hover_text(heard_about(&text, l, &a));
}

/// The same in full, with its numbers: 100 is best, as for the score.
fn heard_about(text: &str, l: &LoopRecipe, a: &SeamAudit) -> String {
    let parts: Vec<String> =
        a.parts().iter().map(|(name, v)| format!("{name} {:.0}", seam_hidden(*v))).collect();
    let more = seam_and_score(l.score, a.audibility, l.crossfade.0 > 0.0);
    format!(
        "{text}. Hidden {:.0} of 100, and 100 is best.\nThe loop as it will be delivered, crossfade included, played \
         round and measured: at 80 it is just heard, at 0 it is obvious.\nOf each part alone: {}{}{}",
        seam_hidden(a.audibility),
        parts.join(", "),
        if more.is_some() { ".\n" } else { "" },
        more.unwrap_or_default()
    )
}

/// Room for how score and seam go together: two small lines.
const COUNTS: f32 = 34.0;

/// Which counts where the score and the finished seam differ. It takes the same room whatever there is to say.
pub fn which_counts(ui: &mut Ui, t: &Theme, l: &LoopRecipe, audit: Option<SeamAudit>) {
    let size = vec2(ui.available_width(), COUNTS);
    ui.allocate_ui_with_layout(size, egui::Layout::top_down(egui::Align::Min), |ui| {
        ui.set_min_size(size);
        if let Some(text) = audit.and_then(|a| seam_and_score(l.score, a.audibility, l.crossfade.0 > 0.0)) {
            ui.label(egui::RichText::new(text).small().color(t.ink));
        }
    });
}

fn row(ui: &mut Ui, t: &Theme, width: f32, (name, value): (&str, f64), whole: bool, about: &str) {
    let height = if whole { 20.0 } else { 15.0 };
    let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
    let (size, ink) = if whole { (13.0, t.ink) } else { (11.0, t.ink_soft) };
    let painter = ui.painter();
    let shown = if whole { "Score" } else { name };
    painter.text(rect.left_center(), Align2::LEFT_CENTER, shown, FontId::proportional(size), ink);
    painter.text(
        rect.right_center(),
        Align2::RIGHT_CENTER,
        format!("{value:.0}"),
        FontId::proportional(size),
        ink,
    );
    let thick = if whole { 8.0 } else { 4.0 };
    let bar = Rect::from_x_y_ranges(
        rect.left() + if whole { 92.0 } else { 78.0 }..=rect.right() - if whole { 34.0 } else { 24.0 },
        rect.center().y - thick / 2.0..=rect.center().y + thick / 2.0,
    );
    paint_bar(ui, bar, value, t, if whole { t.accent } else { t.ink_soft });
    response.widget_info(|| {
        WidgetInfo::labeled(egui::accesskit::Role::Label, true, format!("{name} {value:.0} of 100"))
    });
    response.on_hover_text(about);
}

/// A bar from 0 to 100.
pub fn paint_bar(ui: &Ui, bar: Rect, value: f64, t: &Theme, color: egui::Color32) {
    let share = (value / 100.0).clamp(0.0, 1.0) as f32;
    ui.painter().rect_filled(bar, 1.5, t.line.gamma_multiply(0.7));
    let filled = Rect::from_min_max(bar.min, pos2(bar.left() + bar.width() * share, bar.bottom()));
    ui.painter().rect_filled(filled, 1.5, color);
}
