//! The picture of the stack: every turn of every loop on one field. Along it runs time, and the closer a turn comes
//! to one of another layer, the deeper it lies; what sinks below the line collides. A turn that has none of another
//! layer beside it has no depth, and is not drawn.

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

/// Room for the words above the field.
const HEAD: f32 = 17.0;
const APART: &str = "How far each turn of a loop is from the nearest turn of another layer";
const NEAR: &str = "below the line: near-collisions";
const HINT: &str = "Click: hear it from there";
/// Size of a turn's sign.
const SIGN: f32 = 3.4;

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
        Self { top_s, top: rect.top() + 8.0, bottom: rect.bottom() - 10.0 }
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
    let rect =
        Rect::from_min_max(pos2(axis.left, area.top() + HEAD), pos2(right, area.bottom() - RULER - foot));
    let apart_s = shown.view.sound.stack.setup.params.apart_s;
    let depth = Depth::of(shown.together, rect);
    // Before the line, which then lies over it.
    let r = ui.interact(rect, ui.scope_id().with("stack field"), Sense::click_and_drag());
    let words = words_of(shown);
    r.widget_info(|| WidgetInfo::labeled(Role::Button, true, &words));
    let line = line(ui, shown.view, &depth, rect, out);
    let painter = ui.painter_at(area);
    captions(&painter, rect, theme);
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
}

/// Words above the field, where no sign can lie on them; of those that have no room the last are left out.
fn captions(painter: &Painter, rect: Rect, theme: &Theme) {
    let y = rect.top() - HEAD / 2.0 - 1.0;
    let text =
        |text: &str, ink: Color32| painter.layout_no_wrap(text.to_owned(), FontId::proportional(TEXT), ink);
    let mut x = rect.left();
    for (words, ink) in [(APART, theme.ink_soft), (NEAR, theme.warn)] {
        let galley = text(words, ink);
        if x > rect.left() && x + galley.size().x > rect.right() {
            return;
        }
        let (wide, high) = (galley.size().x, galley.size().y);
        painter.galley(pos2(x, y - high / 2.0), galley, ink);
        x += wide + 14.0;
    }
    let hint = text(HINT, theme.ink_soft);
    let at = pos2(rect.right() - hint.size().x, y - hint.size().y / 2.0);
    if at.x > x {
        painter.galley(at, hint, theme.ink_soft);
    }
}

fn paint_ruler(painter: &Painter, axis: &TimeAxis, rect: Rect, theme: &Theme) {
    for tick in axis.ticks(80.0) {
        let x = axis.x_from_s(tick.at_s);
        let size = if tick.label.is_some() { 7.0 } else { 4.0 };
        painter.vline(x, rect.top()..=rect.top() + size, Stroke::new(1.0, theme.line));
        if let Some(label) = tick.label {
            let label = ruler_label(label, axis.visible.end_s);
            let galley = painter.layout_no_wrap(label, FontId::proportional(TEXT), theme.ink_soft);
            let half = galley.size().x / 2.0;
            // The last one stays inside.
            let left = (x - half).min(painter.clip_rect().right() - 2.0 * half);
            painter.galley(pos2(left, rect.top() + 8.0), galley, theme.ink_soft);
        }
    }
}

/// Whole minutes are written as such; the one that a ruler of seconds ends at stays in seconds.
fn ruler_label(label: String, end_s: f64) -> String {
    match label.strip_suffix(":00") {
        Some("1") if end_s <= 60.0 => "60 s".into(),
        Some(minutes) => format!("{minutes} min"),
        None => label,
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

/// The signs of all turns that stay apart.
fn paint_turns(painter: &Painter, shown: &Shown<'_>, axis: &TimeAxis, depth: &Depth) {
    let apart_s = shown.view.sound.stack.setup.params.apart_s;
    let mut signs = Vec::new();
    for (k, turns) in shown.together.turns.iter().enumerate() {
        for turn in deepest(turns, axis) {
            let Some((gap, _)) = turn.nearest.filter(|(gap, _)| *gap >= apart_s) else { continue };
            signs.push((pos2(axis.x_from_s(turn.at_s), depth.y(gap)), k));
        }
    }
    side_by_side(&mut signs, SIGN);
    for (at, k) in signs {
        sign(painter, shown, k, at, SIGN);
    }
}

/// Moves signs that hide each other apart, each pair around its middle: two turns that are nearest to each other
/// lie at one height.
fn side_by_side(signs: &mut [(Pos2, usize)], radius: f32) {
    let apart = 2.2 * radius;
    signs.sort_by(|a, b| a.0.x.total_cmp(&b.0.x));
    let places: Vec<Pos2> = signs.iter().map(|s| s.0).collect();
    let mut is_moved = vec![false; signs.len()];
    for later in 1..signs.len() {
        for earlier in (0..later).rev() {
            let by = places[later] - places[earlier];
            if by.x >= apart {
                break;
            }
            if by.y.abs() < radius && !is_moved[earlier] && !is_moved[later] {
                let half = (apart - by.x) / 2.0;
                signs[earlier].0.x -= half;
                signs[later].0.x += half;
                (is_moved[earlier], is_moved[later]) = (true, true);
            }
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
    let all = shown.together.turns.iter().enumerate().flat_map(|(k, t)| t.iter().map(move |t| (k, t)));
    let drawn = all.filter_map(|(k, t)| {
        let (gap, other) = t.nearest?;
        let far = (pos2(axis.x_from_s(t.at_s), depth.y(gap)) - p).length();
        Some((far, k, t.at_s, gap, other))
    });
    let (_, k, at_s, gap, other) = drawn.filter(|d| d.0 < 10.0).min_by(|a, b| a.0.total_cmp(&b.0))?;
    let (layer, other) = (shown.stack.number(k), shown.stack.number(other));
    Some(format!("Layer {layer} turns at {}, {:.0} ms from layer {other}.", moment(at_s), 1000.0 * gap))
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
    fn signs_that_would_hide_each_other_stand_side_by_side() {
        let mut signs = vec![(pos2(50.0, 20.0), 1), (pos2(49.0, 20.0), 0), (pos2(50.0, 60.0), 2)];
        side_by_side(&mut signs, 3.0);
        let x = |k: usize| signs.iter().find(|s| s.1 == k).unwrap().0.x;
        assert!(x(1) - x(0) >= 6.0 && (x(0).midpoint(x(1)) - 49.5).abs() < 1e-4, "{signs:?}");
        assert_eq!(x(2), 50.0, "what hides nothing stays");
    }

    #[test]
    fn a_ruler_has_one_unit() {
        let all = [
            ("50 s", 60.0, "50 s"),
            ("1:00", 60.0, "60 s"),
            ("1:00", 180.0, "1 min"),
            ("1:15", 90.0, "1:15"),
        ];
        for (label, end_s, wanted) in all {
            assert_eq!(ruler_label(label.into(), end_s), wanted);
        }
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
