//! A take on its way to another cell.

use egui::{Align2, CursorIcon, FontId, Id, Key, LayerId, Modifiers, Order, Stroke, StrokeKind, Ui, vec2};

use super::SheetPanel;
use super::grid::Grid;
use crate::app::command::{Command, EditCommand, GoCommand};
use crate::app::view::View;
use crate::app::words;
use crate::session::tuning::NamedEdit;
use crate::session::{Take, TakeId, placing};
use crate::units::MidiNote;

/// How near the edge the sheet begins to scroll, and by how much in a frame, in points.
const EDGE: f32 = 28.0;
const SCROLL: f32 = 9.0;

/// A take that is being dragged.
#[derive(Debug)]
pub(super) struct Drag {
    take: TakeId,
    /// All that come along, itself among them.
    all: Vec<TakeId>,
    from: Option<(MidiNote, u16)>,
    /// The cell under the pointer, where letting go would change something.
    pub target: Option<(MidiNote, u16)>,
}

impl Drag {
    /// A drag of `take`; where it is one of several that are selected, they come along.
    pub fn of(take: &Take, view: &View<'_>) -> Self {
        let together = view.is_chosen(take.id) && !view.is_left_out(take.id);
        let all = if together { view.chosen() } else { vec![take.id] };
        Self { take: take.id, all, from: take.note.map(|n| (n, take.layer)), target: None }
    }

    /// What letting go over `place` does; none: nothing.
    fn move_to(&self, view: &View<'_>, place: (MidiNote, u16)) -> Option<NamedEdit> {
        if self.all.len() < 2 {
            return Some(placing::move_to(view.document, self.take, place));
        }
        placing::move_all(view.document, &self.all, self.take, place, &view.sheet.notes).named
    }
}

impl SheetPanel {
    /// Follows a drag: shows where the take would go, and moves it when it is let go. Escape leaves it.
    pub(super) fn follow_drag(&mut self, ui: &Ui, view: &View<'_>, grid: &Grid, commands: &mut Vec<Command>) {
        let Some(drag) = &mut self.drag else { return };
        let escaped = ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape));
        let (down, released, at) =
            ui.input(|i| (i.pointer.primary_down(), i.pointer.primary_released(), i.pointer.latest_pos()));
        if escaped || view.read_only || view.document.take(drag.take).is_none() || !(down || released) {
            self.drag = None;
            return;
        }
        let Some(at) = at else { return };
        let clip = ui.clip_rect();
        let here = clip.contains(at).then(|| grid.place_at(at)).flatten().map(|(place, _)| place);
        drag.target = here.filter(|place| Some(*place) != drag.from);
        if released {
            if let Some(place) = drag.target {
                let named = drag.move_to(view, place);
                commands
                    .extend(named.map(|n| Command::Edit(EditCommand::Do { label: n.label, edit: n.edit })));
                if drag.all.len() < 2 {
                    commands.push(Command::Go(GoCommand::Select(drag.take)));
                }
            }
            self.drag = None;
            return;
        }
        ui.ctx().set_cursor_icon(CursorIcon::Grabbing);
        label(ui, view, drag, at);
        let by = if at.y < clip.top() + EDGE {
            SCROLL
        } else if at.y > clip.bottom() - EDGE {
            -SCROLL
        } else {
            return;
        };
        ui.scroll_with_delta(vec2(0.0, by));
        ui.ctx().request_repaint();
    }
}

/// Beside the pointer: what is moved, and where to.
fn label(ui: &Ui, view: &View<'_>, drag: &Drag, at: egui::Pos2) {
    let Some(take) = view.document.take(drag.take) else { return };
    let mut name = words::take_name(view.document, take);
    if drag.all.len() > 1 {
        name = format!("{}, {name} in front", words::takes(drag.all.len()));
    }
    let text = match drag.target {
        None => format!("{name}: let go on a cell; Escape leaves it"),
        Some((note, layer)) => {
            let others = view.sheet.at(note, layer).len();
            let there = match others {
                0 => String::new(),
                n => format!(", beside {} there", words::takes(n)),
            };
            let to = words::note(view.document, note);
            format!("{name} to {to}, layer {}{there}", u32::from(layer) + 1)
        }
    };
    let painter = ui.ctx().layer_painter(LayerId::new(Order::Tooltip, Id::unique("dragged take")));
    let galley = painter.layout_no_wrap(text, FontId::proportional(13.0), view.theme.ink);
    let bounds = ui.ctx().content_rect().shrink(4.0);
    let size = galley.size() + vec2(16.0, 8.0);
    let mut rect = Align2::LEFT_TOP.anchor_size(at + vec2(14.0, 12.0), size);
    rect = rect.translate(vec2(
        (bounds.right() - rect.right()).min(0.0),
        (bounds.bottom() - rect.bottom()).min(0.0),
    ));
    painter.rect_filled(rect, 4.0, view.theme.sheet);
    painter.rect_stroke(rect, 4.0, Stroke::new(1.5, view.theme.accent), StrokeKind::Inside);
    painter.galley(rect.min + vec2(8.0, 4.0), galley, view.theme.ink);
}
