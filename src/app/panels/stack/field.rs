//! The picture of the stack: every turn of every loop on one field. Along it runs time, and the closer a turn comes
//! to one of another layer, the deeper it lies; what sinks below the line collides.

use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, pos2, vec2};
use egui::{CursorIcon, WidgetInfo};

use super::model::{Stack, Together, Turn};
use super::{NEAREST_S, set};
use crate::app::command::{Command, StackCommand};
use crate::app::stack::APART_S;
use crate::app::theme::{Theme, mix, strong};
use crate::app::view::View;
use crate::app::widgets::control::escaped;
use crate::app::widgets::layer_sign::layer_sign;
use crate::app::widgets::time_axis::{TimeAxis, TimeRange};
use crate::app::words;
use crate::dsp::looping::stack::NearMiss;
use crate::render::apart::moment;

/// Room for what is written at the left.
const LEFT: f32 = 58.0;
const RULER: f32 = 24.0;
/// Room for breaths and dips, at the foot.
const DIPS: f32 = 14.0;
const TEXT: f32 = 11.0;
/// Of one layer no more than one sign in so many points: of those the deepest.
const SIGNS_APART: f32 = 3.0;
/// Heights of the field, seconds: the least that holds all is taken, so that it seldom changes.
const TOPS_S: [f64; 6] = [1.0, 2.0, 4.0, 8.0, 16.0, 60.0];
/// Lines that are written at, seconds.
const LINES_S: [f64; 9] = [0.0, 0.02, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0];
/// How far from the line the pointer takes hold of it, points.
const REACH: f32 = 5.0;

const APART: &str = "How far each turn of a loop is from the nearest turn of another layer";
const HINT: &str = "Click: hear it from there";

/// What is drawn.
pub struct Shown<'a> {
    pub view: &'a View<'a>,
    pub stack: &'a Stack<'a>,
    pub together: &'a Together,
    pub all: TimeRange,
    /// The near-collision that is looked at.
    pub at: Option<NearMiss>,
}

/// Depth against points: by the square root, so that what is close has room.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Depth {
    top_s: f64,
    top: f32,
    bottom: f32,
}

impl Depth {
    /// It does not depend on where the line is: else the line would run away from the hand that drags it.
    fn of(together: &Together, rect: Rect) -> Self {
        let widest = together.turns.iter().flatten().filter_map(|t| t.nearest).map(|(gap, _)| gap);
        let widest = widest.fold(2.0 * APART_S.end(), f64::max);
        let top_s = TOPS_S.into_iter().find(|t| *t >= widest).unwrap_or(widest);
        Self { top_s, top: rect.top() + 12.0, bottom: rect.bottom() - 10.0 }
    }

    fn y(&self, gap_s: f64) -> f32 {
        let share = (gap_s / self.top_s).clamp(0.0, 1.0).sqrt() as f32;
        self.bottom + (self.top - self.bottom) * share
    }

    fn gap_s(&self, y: f32) -> f64 {
        let share = f64::from((self.bottom - y) / (self.bottom - self.top)).clamp(0.0, 1.0);
        self.top_s * share * share
    }
}

/// Draws the field. Returns the moment under the pointer.
pub fn show(
    ui: &mut Ui,
    shown: &Shown<'_>,
    height: f32,
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) -> Option<f64> {
    let theme = shown.view.theme;
    let (area, _) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let right = area.right() - 12.0;
    let axis = TimeAxis::new(*visible, area.left() + LEFT, right);
    let foot = if shown.together.dips.iter().any(|d| !d.is_empty()) { DIPS } else { 0.0 };
    let rect = Rect::from_min_max(pos2(axis.left, area.top()), pos2(right, area.bottom() - RULER - foot));
    let apart_s = shown.view.sound.stack.setup.params.apart_s;
    let depth = Depth::of(shown.together, rect);
    // Before the line, which then lies over it.
    let r = ui.interact(rect, ui.scope_id().with("stack field"), Sense::click_and_drag());
    let words = words_of(shown);
    r.widget_info(|| WidgetInfo::labeled(Role::Button, true, &words));
    let line = line(ui, shown.view, &depth, rect, out);
    let painter = ui.painter_at(area);
    paint_ground(&painter, &axis, &depth, (rect, apart_s), line, theme);
    let ruler = Rect::from_min_max(pos2(axis.left, rect.bottom() + foot), pos2(right, area.bottom()));
    paint_ruler(&painter, &axis, ruler, theme);
    let inside = painter.with_clip_rect(rect.intersect(ui.clip_rect()));
    if foot > 0.0 {
        let strip = Rect::from_min_max(rect.left_bottom(), pos2(right, rect.bottom() + foot));
        paint_dips(&painter.with_clip_rect(strip.intersect(ui.clip_rect())), shown, &axis, strip);
    }
    paint_turns(&inside, shown, &axis, &depth);
    paint_near(&inside, shown, &axis, &depth, apart_s);
    if let Some(s) = sounding_at(shown).filter(|s| axis.visible.contains(*s)) {
        inside.vline(axis.x_from_s(s), rect.y_range(), Stroke::new(2.0, theme.accent));
    }
    if r.has_focus() {
        ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.5, theme.ink), egui::StrokeKind::Inside);
    }
    follow_mouse(ui, shown, r, (&axis, &depth), visible, out)
}

/// Where the stack of this note is.
pub fn sounding_at(shown: &Shown<'_>) -> Option<f64> {
    let now = &shown.view.sound.stack;
    now.at_s.filter(|_| now.note == Some(shown.stack.note))
}

fn words_of(shown: &Shown<'_>) -> String {
    let until = words::duration(shown.view.sound.stack.setup.params.until_s);
    let turns: usize = shown.together.turns.iter().map(Vec::len).sum();
    let near = shown.together.report.near_count;
    format!(
        "Turns of all loops over {until}: {turns}, near-collisions: {near}. Pressed: heard from the beginning"
    )
}

/// The line between apart and near: dragged, it is what staying apart means.
fn line(ui: &Ui, view: &View<'_>, depth: &Depth, rect: Rect, out: &mut Vec<Command>) -> bool {
    let setup = &view.sound.stack.setup;
    let y = depth.y(setup.params.apart_s);
    let grab = Rect::from_x_y_ranges(rect.x_range(), y - REACH..=y + REACH);
    // By keys it is the number below that is set.
    let r = ui.interact(grab, ui.scope_id().with("stack line"), Sense::DRAG);
    r.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::Slider, true, "Line of the least distance, ms");
        info.value = Some(1000.0 * setup.params.apart_s);
        info
    });
    let wish = |s: f64| {
        let mut next = setup.clone();
        next.params.apart_s = (100.0 * s).round() / 100.0;
        next.params.apart_s = next.params.apart_s.clamp(*APART_S.start(), *APART_S.end());
        set(next)
    };
    if let Some(before) = escaped(ui, &r, setup.params.apart_s) {
        let mut next = setup.clone();
        next.params.apart_s = before;
        out.push(set(next));
    } else if let Some(at) = r.interact_pointer_pos().filter(|_| r.dragged()) {
        out.push(wish(depth.gap_s(at.y)));
    }
    let hot = r.hovered() || r.dragged();
    if hot {
        ui.set_cursor_icon(CursorIcon::ResizeVertical);
    }
    r.on_hover_text("Drag: how far apart turns are to stay. Below this line they collide");
    hot
}

fn paint_ground(
    painter: &Painter,
    axis: &TimeAxis,
    depth: &Depth,
    (rect, apart_s): (Rect, f64),
    hot: bool,
    theme: &Theme,
) {
    let y = depth.y(apart_s);
    painter.rect_filled(rect, 3.0, theme.sheet);
    let below = Rect::from_min_max(pos2(rect.left(), y), rect.max);
    painter.rect_filled(below, 0.0, theme.told(true));
    let font = FontId::proportional(TEXT);
    let mut free_to = f32::MAX;
    for s in LINES_S.into_iter().filter(|s| *s <= depth.top_s) {
        let at = depth.y(s);
        // The line itself has its own words.
        if free_to - at < 15.0 || (at - y).abs() < 15.0 {
            continue;
        }
        free_to = at;
        painter.hline(rect.x_range(), at, Stroke::new(1.0, mix(theme.sheet, theme.line, 0.7)));
        let text = if s < 1.0 { format!("{:.0} ms", 1000.0 * s) } else { format!("{s:.0} s") };
        painter.text(pos2(rect.left() - 6.0, at), Align2::RIGHT_CENTER, text, font.clone(), theme.ink_soft);
    }
    for tick in axis.ticks(80.0).iter().filter(|t| t.label.is_some()) {
        let x = axis.x_from_s(tick.at_s);
        painter.vline(x, rect.y_range(), Stroke::new(1.0, mix(theme.sheet, theme.line, 0.5)));
    }
    let width = if hot { 3.0 } else { 1.5 };
    painter.hline(rect.x_range(), y, Stroke::new(width, theme.warn));
    let text = format!("{:.0} ms", 1000.0 * apart_s);
    let bold = FontId::new(TEXT, strong());
    painter.text(pos2(rect.left() - 6.0, y), Align2::RIGHT_CENTER, text, bold, theme.warn);
    let at = rect.left_top() + vec2(8.0, 3.0);
    caption(painter, at, Align2::LEFT_TOP, APART, theme.ink_soft, theme);
    let at = rect.right_bottom() + vec2(-8.0, -3.0);
    caption(painter, at, Align2::RIGHT_BOTTOM, HINT, theme.ink_soft, theme);
    let at = rect.left_bottom() + vec2(8.0, -3.0);
    caption(painter, at, Align2::LEFT_BOTTOM, "Near-collisions", theme.warn, theme);
}

/// Words in the picture, on a ground of their own so that no sign makes them illegible.
fn caption(painter: &Painter, at: Pos2, align: Align2, text: &str, ink: Color32, theme: &Theme) {
    let galley = painter.layout_no_wrap(text.to_owned(), FontId::proportional(TEXT), ink);
    let rect = align.anchor_size(at, galley.size());
    painter.rect_filled(rect.expand2(vec2(3.0, 1.0)), 2.0, mix(theme.sheet, theme.told(true), 0.5));
    painter.galley(rect.min, galley, ink);
}

fn paint_ruler(painter: &Painter, axis: &TimeAxis, rect: Rect, theme: &Theme) {
    for tick in axis.ticks(80.0) {
        let x = axis.x_from_s(tick.at_s);
        let size = if tick.label.is_some() { 7.0 } else { 4.0 };
        painter.vline(x, rect.top()..=rect.top() + size, Stroke::new(1.0, theme.line));
        if let Some(label) = tick.label {
            let at = pos2(x, rect.top() + 8.0);
            painter.text(at, Align2::CENTER_TOP, label, FontId::proportional(TEXT), theme.ink_soft);
        }
    }
}

/// Breaths and dips inside the loops as bowls; those that come together are filled.
fn paint_dips(painter: &Painter, shown: &Shown<'_>, axis: &TimeAxis, strip: Rect) {
    let theme = shown.view.theme;
    let bowl = |s: f64| {
        let at = pos2(axis.x_from_s(s), strip.center().y);
        vec![at + vec2(-4.0, -3.0), at + vec2(0.0, 3.0), at + vec2(4.0, -3.0)]
    };
    for s in shown.together.dips.iter().flatten().filter(|s| axis.visible.contains(**s)) {
        painter.add(Shape::line(bowl(*s), Stroke::new(1.2, theme.ink_soft)));
    }
    for near in shown.together.dips_near.iter().filter(|n| axis.visible.contains(n.time_s)) {
        painter.add(Shape::convex_polygon(bowl(near.time_s), theme.ink_soft, Stroke::NONE));
    }
}

/// The signs of all turns that stay apart; smaller where there are very many.
fn paint_turns(painter: &Painter, shown: &Shown<'_>, axis: &TimeAxis, depth: &Depth) {
    let apart_s = shown.view.sound.stack.setup.params.apart_s;
    for (k, turns) in shown.together.turns.iter().enumerate() {
        for turn in deepest(turns, axis) {
            if turn.nearest.is_some_and(|(gap, _)| gap < apart_s) {
                continue;
            }
            let y = depth.y(turn.nearest.map_or(depth.top_s, |(gap, _)| gap));
            sign(painter, shown, k, pos2(axis.x_from_s(turn.at_s), y), 3.4);
        }
    }
}

/// Of the turns that are seen the deepest of each few points.
fn deepest<'t>(turns: &'t [Turn], axis: &TimeAxis) -> Vec<&'t Turn> {
    let mut kept: Vec<(&Turn, i64)> = Vec::new();
    for turn in turns.iter().filter(|t| axis.visible.contains(t.at_s)) {
        let column = (axis.x_from_s(turn.at_s) / SIGNS_APART) as i64;
        let gap = |t: &Turn| t.nearest.map_or(f64::INFINITY, |(gap, _)| gap);
        match kept.last_mut().filter(|(_, c)| *c == column) {
            Some((last, _)) if gap(turn) < gap(last) => *last = turn,
            Some(_) => {}
            None => kept.push((turn, column)),
        }
    }
    kept.into_iter().map(|(t, _)| t).collect()
}

/// The sign of layer number `k`: paler and without an edge when it is not heard.
fn sign(painter: &Painter, shown: &Shown<'_>, k: usize, at: Pos2, radius: f32) {
    let theme = shown.view.theme;
    let Some(layer) = shown.stack.layers.get(k).copied() else { return };
    if shown.view.sound.stack.setup.is_heard(layer, &shown.stack.layers) {
        layer_sign(painter, at, radius, layer, theme.layer(layer), Stroke::new(0.8, theme.ink));
    } else {
        let edge = Stroke::new(0.8, theme.ink_soft);
        layer_sign(painter, at, radius, layer, mix(theme.sheet, theme.layer(layer), 0.2), edge);
    }
}

/// Near-collisions: a drop from the line to where both signs lie side by side.
fn paint_near(painter: &Painter, shown: &Shown<'_>, axis: &TimeAxis, depth: &Depth, apart_s: f64) {
    let theme = shown.view.theme;
    let mut last = f32::MIN;
    for near in shown.together.near.iter().filter(|n| axis.visible.contains(n.time_s)) {
        let at = |s| pos2(axis.x_from_s(s), depth.y(near.gap_s));
        let (mut earlier, mut later) = (at(near.time_s - near.gap_s), at(near.time_s));
        let chosen = shown.at == Some(*near);
        // Where they are too many to be told apart some stand for all; their number stands in words.
        if earlier.x - last < SIGNS_APART && !chosen {
            continue;
        }
        last = earlier.x;
        let radius = if chosen { 6.0 } else { 4.2 };
        let short = (2.4 * radius - (later.x - earlier.x)).max(0.0) / 2.0;
        earlier.x -= short;
        later.x += short;
        let middle = earlier.x.midpoint(later.x);
        let width = if chosen { 3.0 } else { 1.5 };
        painter.vline(middle, depth.y(apart_s)..=earlier.y, Stroke::new(width, theme.warn));
        painter.line_segment([earlier, later], Stroke::new(width, theme.warn));
        sign(painter, shown, near.layers.0, earlier, radius);
        sign(painter, shown, near.layers.1, later, radius);
        if chosen {
            let ring = Rect::from_two_pos(earlier, later).expand(radius + 4.0);
            painter.rect_stroke(ring, radius + 4.0, Stroke::new(2.0, theme.ink), egui::StrokeKind::Outside);
        }
    }
}

fn follow_mouse(
    ui: &Ui,
    shown: &Shown<'_>,
    r: egui::Response,
    (axis, depth): (&TimeAxis, &Depth),
    visible: &mut TimeRange,
    out: &mut Vec<Command>,
) -> Option<f64> {
    let seen = axis.visible;
    if r.dragged() {
        let by = -f64::from(r.drag_delta().x) / axis.points_per_s();
        *visible = seen.scrolled(by, shown.all);
        return None;
    }
    if r.double_clicked() {
        *visible = shown.all;
        return None;
    }
    if r.clicked() {
        let s = r.interact_pointer_pos().map_or(0.0, |p| axis.s_from_x(p.x));
        out.push(Command::Stack(StackCommand::HoldFrom(s.max(0.0))));
        return None;
    }
    let p = ui.input(|i| i.pointer.hover_pos()).filter(|_| r.contains_pointer())?;
    let (zoom, wheel) = ui.input(|i| (f64::from(i.zoom_delta()), i.smooth_scroll_delta()));
    let by = f64::from(wheel.x + wheel.y);
    if zoom != 1.0 {
        *visible = seen.zoomed(zoom, axis.s_from_x(p.x), shown.all, NEAREST_S);
    } else if by != 0.0 {
        *visible = seen.scrolled(-by / axis.points_per_s(), shown.all);
    }
    let at_s = axis.s_from_x(p.x);
    if let Some(text) = hover(shown, axis, depth, p) {
        r.on_hover_text_at_pointer(text);
    }
    Some(at_s)
}

/// What is said of the turn nearest to the pointer.
fn hover(shown: &Shown<'_>, axis: &TimeAxis, depth: &Depth, p: Pos2) -> Option<String> {
    let place =
        |t: &Turn| pos2(axis.x_from_s(t.at_s), depth.y(t.nearest.map_or(depth.top_s, |(gap, _)| gap)));
    let all = shown.together.turns.iter().enumerate().flat_map(|(k, t)| t.iter().map(move |t| (k, t)));
    let far = |t: &Turn| (place(t) - p).length();
    let (k, turn) = all.filter(|(_, t)| far(t) < 10.0).min_by(|a, b| far(a.1).total_cmp(&far(b.1)))?;
    let number = shown.stack.number(k);
    let when = format!("Layer {number} turns at {}", moment(turn.at_s));
    Some(match turn.nearest {
        None => format!("{when}; no other layer has a loop."),
        Some((gap, other)) => {
            format!("{when}, {:.0} ms from layer {}.", 1000.0 * gap, shown.stack.number(other))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_near_lies_deep_and_the_line_is_where_it_says() {
        let rect = Rect::from_min_max(pos2(0.0, 0.0), pos2(500.0, 222.0));
        let turn = |gap| Turn { at_s: 1.0, nearest: Some((gap, 1)) };
        let together = Together { turns: vec![vec![turn(0.01), turn(0.7)]], ..Together::default() };
        let depth = Depth::of(&together, rect);
        assert_eq!(depth.top_s, 1.0);
        assert!(depth.y(0.01) > depth.y(0.08) && depth.y(0.08) > depth.y(0.7));
        for s in [0.0, 0.02, 0.08, 0.5, 1.0] {
            assert!((depth.gap_s(depth.y(s)) - s).abs() < 1e-6);
            assert!(rect.y_range().contains(depth.y(s)));
        }
        // The widest line there is has room above it.
        assert!(Depth::of(&Together::default(), rect).top_s > *APART_S.end());
    }

    #[test]
    fn where_there_are_too_many_the_deepest_stand_for_all() {
        let axis = TimeAxis::new(TimeRange::new(0.0, 10.0), 0.0, 30.0);
        let turns: Vec<Turn> = (0..1000)
            .map(|i| Turn {
                at_s: 0.01 * f64::from(i),
                nearest: Some((if i == 555 { 0.001 } else { 0.3 }, 1)),
            })
            .collect();
        let kept = deepest(&turns, &axis);
        assert!(kept.len() <= 10, "{}", kept.len());
        assert!(kept.contains(&&turns[555]));
    }
}
