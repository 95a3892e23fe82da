//! The loop map in the side column: a click, or the arrow keys and Enter, ask for the best loop near a
//! place.

use std::sync::Arc;

use egui::{
    Align2, Event, EventFilter, FontId, Key, Pos2, Response, Role, Sense, TextureHandle, Ui, WidgetInfo, vec2,
};

use super::edits;
use super::model::Model;
use crate::app::command::{Command, WorkCommand};
use crate::app::derived::LoopMap;
use crate::app::view::View;
use crate::app::widgets::loop_map::{self, Plane, Scale};
use crate::app::words;

/// A loop is looked for so many cells around the place.
const REACH_CELLS: f64 = 1.5;
/// Shortest and longest reach, in seconds.
const REACH_S: (f64, f64) = (0.02, 0.5);

/// A picture, and what it was made of.
struct Picture {
    of: Arc<LoopMap>,
    dark: bool,
    scale: Scale,
    texture: TextureHandle,
}

/// The picture that was made last, and where the keys are.
#[derive(Default)]
pub struct MapCloseUp {
    picture: Option<Picture>,
    /// Start and end in rendered frames.
    cursor: Option<(f64, f64)>,
}

impl std::fmt::Debug for MapCloseUp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("MapCloseUp").field("cursor", &self.cursor).finish_non_exhaustive()
    }
}

impl MapCloseUp {
    /// Draws the map of the take.
    pub fn show(&mut self, ui: &mut Ui, view: &View<'_>, m: &Model<'_>, height: f32, out: &mut Vec<Command>) {
        let sense = Sense::click();
        let (rect, r) = ui.allocate_exact_size(vec2(ui.available_width(), height), sense);
        let Some(map) = &m.derived.loop_map else {
            let waits = m.derived.loops.is_none();
            let text = if waits { "Looking for loops…" } else { "No steady note, so no loop map." };
            ui.painter().rect_filled(rect, 3.0, view.theme.paper);
            let font = FontId::proportional(12.0);
            ui.painter().text(rect.center(), Align2::CENTER_CENTER, text, font, view.theme.ink_soft);
            r.widget_info(|| WidgetInfo::labeled(Role::Button, false, format!("Loop map: {text}")));
            return;
        };
        let t = view.theme;
        let known = self.picture.take().filter(|p| Arc::ptr_eq(&p.of, map) && p.dark == t.dark);
        let picture = self.picture.insert(known.unwrap_or_else(|| {
            let scale = Scale::of(&map.map);
            let texture = loop_map::texture(ui.ctx(), &map.map, scale, t.dark);
            Picture { of: Arc::clone(map), dark: t.dark, scale, texture }
        }));
        let plane = Plane::new(rect, &map.map);
        let painter = ui.painter_at(rect);
        loop_map::paint(&painter, rect, &plane, &picture.texture, picture.scale, m.out_rate(), t);
        self.marks(&painter, &plane, map, m, view);
        self.keys(ui, &r, &plane, map, m);
        let pointed = r.hover_pos().filter(|p| plane.rect.expand(3.0).contains(*p)).map(|p| plane.frames(p));
        let at = pointed.or_else(|| self.cursor.filter(|_| r.has_focus()));
        if let Some((s, e)) = self.cursor.filter(|_| r.has_focus()) {
            loop_map::paint_cursor(&painter, plane.pos(s, e), t);
        }
        if r.has_focus() || r.hovered() {
            let (width, color) = if r.has_focus() { (2.0, t.ink) } else { (1.0, t.ink_soft) };
            painter.rect_stroke(rect, 3.0, egui::Stroke::new(width, color), egui::StrokeKind::Inside);
        }
        let words = at.map_or_else(|| whole_words(map, m), |at| place_words(map, m, at));
        let editable = !view.read_only && m.recipe().is_some();
        r.widget_info(|| WidgetInfo::labeled(Role::Button, editable, format!("Loop map: {words}")));
        if r.clicked() && editable {
            // A click by key or screen reader is at the cursor.
            let place = r.interact_pointer_pos().map(|p| plane.frames(p)).or(at);
            let wanted = place.and_then(|p| wish(map, m, &plane, p));
            out.extend(wanted.map(|w| if m.loop_is_locked() { edits::refused(m) } else { w }));
        }
        let legend = "Ring: this take's loop; a block in it: locked. Dots: the candidates.";
        let how = match (editable, m.loop_is_locked()) {
            (true, true) => format!("\n{}.", edits::LOCKED),
            (true, false) => "\nA click takes the best loop near there.".into(),
            (false, _) => String::new(),
        };
        // Beside the map, not over it.
        r.on_hover_text(format!("{words}.{how}\n{legend}"));
    }

    fn marks(&self, painter: &egui::Painter, plane: &Plane, map: &LoopMap, m: &Model<'_>, view: &View<'_>) {
        let clip = &m.sound.analysed.clip;
        let at = |start: f64, end: f64| -> Pos2 {
            plane.pos(map.on.rendered.frame_of(clip, start), map.on.rendered.frame_of(clip, end))
        };
        for (_, l) in m.suggestions() {
            loop_map::paint_candidate(painter, at(l.start, l.end), view.theme);
        }
        if let Some(l) = m.looping() {
            loop_map::paint_current(painter, at(l.start, l.end), l.locked, view.theme);
        }
    }

    /// Arrow keys move the cursor by a cell while the map has the focus.
    fn keys(&mut self, ui: &Ui, r: &Response, plane: &Plane, map: &LoopMap, m: &Model<'_>) {
        if !r.has_focus() {
            return;
        }
        let filter = EventFilter { vertical_arrows: true, horizontal_arrows: true, ..Default::default() };
        ui.memory_mut(|mem| mem.set_focus_lock_filter(r.id, filter));
        let middle = plane.frames(plane.rect.center());
        let (mut s, mut e) = self.cursor.or_else(|| m.loop_frames()).unwrap_or(middle);
        let cell = plane.cell(&map.map);
        ui.input_mut(|i| {
            i.events.retain(|event| {
                let Event::Key { key, pressed: true, modifiers, .. } = event else { return true };
                let by = if modifiers.shift { 5.0 * cell } else { cell };
                match key {
                    Key::ArrowLeft => s -= by,
                    Key::ArrowRight => s += by,
                    Key::ArrowDown => e -= by,
                    Key::ArrowUp => e += by,
                    _ => return true,
                }
                false
            });
        });
        // Inside the map, by the same path as the pointer.
        self.cursor = Some(plane.frames(plane.pos(s, e)));
    }
}

/// What is asked for at a place; nothing where no loop can be.
fn wish(map: &LoopMap, m: &Model<'_>, plane: &Plane, (start, end): (f64, f64)) -> Option<Command> {
    loop_map::score_at(&map.map, start, end)?;
    let clip = &m.sound.analysed.clip;
    let source = |frame: f64| map.on.rendered.source_of(clip, frame);
    let reach = REACH_CELLS * plane.cell(&map.map) / m.out_rate();
    Some(Command::Work(WorkCommand::LoopNear {
        take: m.take.id,
        start: source(start),
        end: source(end),
        reach_s: reach.clamp(REACH_S.0, REACH_S.1),
    }))
}

fn whole_words(map: &LoopMap, m: &Model<'_>) -> String {
    let within = map.on.within();
    let s = |f: u64| f as f64 / m.out_rate();
    format!("every start against every end from {:.2} to {:.2} s", s(within.start.0), s(within.end.0))
}

/// A place in words.
fn place_words(map: &LoopMap, m: &Model<'_>, (start, end): (f64, f64)) -> String {
    let s = |f: f64| f / m.out_rate();
    let Some(score) = loop_map::score_at(&map.map, start, end) else {
        let l = &m.document.setup.loops;
        return if end <= start {
            "no loop here: the end lies before the start".into()
        } else {
            format!("no loop here: loops of {:.2} to {:.1} s are looked for", l.shortest.0, l.longest.0)
        };
    };
    format!(
        "start {:.3} s, end {:.3} s, {:.3} s long, score about {score:.0} of 100: {}",
        s(start),
        s(end),
        s(end - start),
        words::score_words(score)
    )
}
