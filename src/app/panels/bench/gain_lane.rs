//! The gain picture: what cleaning took off, over time (as in the wave above it) and frequency.

use std::sync::Arc;

use egui::{
    Align2, Color32, ColorImage, FontId, Rect, Role, Sense, Stroke, TextureHandle, TextureOptions, Ui,
    WidgetInfo, pos2, vec2,
};

use super::lanes::Lane;
use crate::app::derived::CleaningMade;
use crate::app::theme::Theme;
use crate::app::words;
use crate::dsp::clean::GainPicture;

/// The strongest colour stands for this gain and all below, in dB.
const DARKEST_DB: f32 = -40.0;

/// The picture as it was drawn last.
#[derive(Default)]
pub struct PictureCache {
    of: Option<(Arc<CleaningMade>, bool)>,
    texture: Option<TextureHandle>,
}

impl std::fmt::Debug for PictureCache {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PictureCache").field("made", &self.texture.is_some()).finish()
    }
}

/// Draws the lane.
pub fn show(ui: &Ui, lane: &Lane<'_, '_>, cache: &mut PictureCache) {
    let ground = ui.interact(lane.rect, ui.scope_id().with("gain picture"), Sense::hover());
    let painter = lane.ground(ui, "Gain");
    let t = lane.theme();
    let Some(made) = lane.model.made.and_then(|m| m.cleaning.as_ref()) else {
        let text = "Nothing is cleaned";
        let font = FontId::proportional(13.0);
        painter.text(lane.rect.center(), Align2::CENTER_CENTER, text, font, t.ink_soft);
        ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, "Gain picture: nothing is cleaned"));
        return;
    };
    let texture = texture(ui, cache, made, t);
    let clip = lane.model.clip_s();
    let along = |s: f64| ((s - clip.start_s) / clip.span_s().max(1e-9)) as f32;
    let seen = lane.axis.visible;
    let uv = Rect::from_min_max(pos2(along(seen.start_s), 0.0), pos2(along(seen.end_s), 1.0));
    painter.image(texture.id(), lane.rect, uv, Color32::WHITE);
    let picture = &made.picture;
    let mut texts = Vec::new();
    for (hz, text) in [(100.0, "100 Hz"), (1_000.0, "1 kHz"), (10_000.0, "10 kHz")] {
        let y = painter.round_to_pixel_center(y_of(picture, lane.rect, hz));
        painter.hline(lane.rect.x_range(), y, Stroke::new(1.0, t.ink_soft.gamma_multiply(0.35)));
        // Below the lane's own name.
        if y > lane.rect.top() + 20.0 {
            texts.push((y, text.to_owned()));
        }
    }
    lane.gutter_texts(ui, &texts);
    legend(lane, &painter);
    let text = format!(
        "Gain picture: the room from {} to {}",
        words::decibels(made.levels.before.0),
        words::decibels(made.levels.after.0)
    );
    ground.widget_info(|| WidgetInfo::labeled(Role::Image, true, &text));
    if let Some(p) = ground.hover_pos() {
        let (s, hz) = (lane.axis.s_from_x(p.x), hz_at(picture, lane.rect, p.y));
        let gain = picture.at(f64::from(along(s)), hz);
        ground.on_hover_text(format!("{} at {hz:.0} Hz, {s:.2} s", words::decibels(gain)));
    }
}

fn y_of(p: &GainPicture, rect: Rect, hz: f64) -> f32 {
    let up = (hz / p.lowest_hz).ln() / (p.highest_hz / p.lowest_hz).ln();
    rect.bottom() - up as f32 * rect.height()
}

fn hz_at(p: &GainPicture, rect: Rect, y: f32) -> f64 {
    let up = f64::from((rect.bottom() - y) / rect.height().max(1.0));
    p.lowest_hz * (p.highest_hz / p.lowest_hz).powf(up)
}

/// From the ground (nothing taken) by way of the accent to ink (all taken).
fn colour(t: &Theme, db: f32) -> Color32 {
    let depth = (db / DARKEST_DB).clamp(0.0, 1.0);
    if depth < 0.5 {
        t.sheet.lerp_to_gamma(t.accent, depth * 1.4)
    } else {
        t.sheet.lerp_to_gamma(t.accent, 0.7).lerp_to_gamma(t.ink, 2.0 * depth - 1.0)
    }
}

fn texture(ui: &Ui, cache: &mut PictureCache, made: &Arc<CleaningMade>, t: &Theme) -> TextureHandle {
    let same = |(m, dark): &(Arc<CleaningMade>, bool)| Arc::ptr_eq(m, made) && *dark == t.dark;
    if let Some(texture) = cache.texture.as_ref().filter(|_| cache.of.as_ref().is_some_and(same)) {
        return texture.clone();
    }
    let p = &made.picture;
    // The highest row comes first.
    let pixels = (0..p.rows).rev().flat_map(|r| &p.gain_db[r * p.columns..(r + 1) * p.columns]);
    let image = ColorImage::new([p.columns, p.rows], pixels.map(|db| colour(t, *db)).collect());
    let texture = ui.ctx().load_texture("gain picture", image, TextureOptions::LINEAR);
    cache.of = Some((Arc::clone(made), t.dark));
    cache.texture = Some(texture.clone());
    texture
}

/// What the colours mean, in the lower right corner.
fn legend(lane: &Lane<'_, '_>, painter: &egui::Painter) {
    let t = lane.theme();
    let back = Rect::from_min_max(lane.rect.max - vec2(142.0, 19.0), lane.rect.max - vec2(4.0, 3.0));
    painter.rect(back, 3.0, t.sheet, Stroke::new(1.0, t.line), egui::StrokeKind::Inside);
    let bar = Rect::from_min_max(back.min + vec2(18.0, 5.0), back.max - vec2(52.0, 5.0));
    let steps = 16;
    for i in 0..steps {
        let x = |i: usize| bar.left() + bar.width() * i as f32 / steps as f32;
        let part = Rect::from_x_y_ranges(x(i)..=x(i + 1), bar.y_range());
        painter.rect_filled(part, 0.0, colour(t, DARKEST_DB * (i as f32 + 0.5) / steps as f32));
    }
    let font = FontId::proportional(11.0);
    painter.text(back.left_center() + vec2(7.0, 0.0), Align2::LEFT_CENTER, "0", font.clone(), t.ink);
    painter.text(back.right_center() - vec2(5.0, 0.0), Align2::RIGHT_CENTER, "−40 dB", font, t.ink);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deeper_is_further_from_the_ground_in_both_themes() {
        for t in [Theme::light(), Theme::dark()] {
            assert_eq!(colour(&t, 0.0), t.sheet);
            assert_eq!(colour(&t, -60.0), t.ink);
            let away = |db: f32| {
                let (a, b) = (colour(&t, db).to_array(), t.sheet.to_array());
                (0..3).map(|i| (f64::from(a[i]) - f64::from(b[i])).powi(2)).sum::<f64>()
            };
            let all: Vec<f64> = (0..=20).map(|i| away(-2.0 * i as f32)).collect();
            assert!(all.windows(2).all(|w| w[1] >= w[0]), "{all:?}");
        }
    }
}
