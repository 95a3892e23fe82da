//! What is the same in all windows that lie over the rooms: a heading at the left, a button that closes it
//! at the right, no title bar; and that the uppermost of them has the keyboard.

use egui::{Align, Context, Id, Key, LayerId, Layout, Modifiers, Popup, RichText, Ui, Window};

use crate::app::theme::strong;

/// A window called `name`; its first line is [`heading`].
pub fn dialog(name: &str) -> Window<'_> {
    Window::new(name).title_bar(false).collapsible(false).resizable(false)
}

/// The first line of a window; whether it is to be closed. `focus`: its button takes the keyboard.
pub fn heading(ui: &mut Ui, name: &str, focus: bool) -> bool {
    let mut close = false;
    ui.horizontal(|ui| {
        ui.label(RichText::new(name).family(strong()).size(18.0));
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let r = ui.button("Close").accessible_name(format!("Close: {name}"));
            if focus {
                r.request_focus();
            }
            close = r.on_hover_text("So does Escape").clicked();
        });
    });
    ui.add_space(4.0);
    close
}

/// What Up and Down do in a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrows {
    /// They go from control to control.
    Walk,
    /// What the window itself does with them.
    Own,
}

/// The windows that lie over the rooms: those of the pass before, and those drawn so far in this one.
#[derive(Debug, Clone, Default)]
struct Lying {
    last: Vec<(LayerId, Arrows)>,
    now: Vec<(LayerId, Arrows)>,
    /// A list was open over them when this pass began: Escape is for it.
    list: bool,
}

fn lying_id() -> Id {
    Id::unique("windows over the rooms")
}

fn lying(ctx: &Context) -> Lying {
    ctx.data(|d| d.get_temp(lying_id())).unwrap_or_default()
}

/// At the start of a pass, before any window is drawn.
pub fn turn(ctx: &Context) {
    let list = Popup::is_any_open(ctx);
    ctx.data_mut(|d| {
        let lying = d.get_temp_mut_or_default::<Lying>(lying_id());
        *lying = Lying { last: std::mem::take(&mut lying.now), now: Vec::new(), list };
    });
}

/// The uppermost window of the pass before.
pub fn top(ctx: &Context) -> Option<(LayerId, Arrows)> {
    let lying = lying(ctx);
    let order: Vec<LayerId> = ctx.memory(|m| m.layer_ids().collect());
    let place = |layer: LayerId| order.iter().position(|l| *l == layer);
    lying.last.into_iter().max_by_key(|(layer, _)| place(*layer))
}

/// A window is drawn in `layer`; one that was not there in the pass before comes to the top.
pub fn drawn(ctx: &Context, layer: LayerId, arrows: Arrows) {
    let fresh = ctx.data_mut(|d| {
        let lying = d.get_temp_mut_or_default::<Lying>(lying_id());
        lying.now.push((layer, arrows));
        !lying.last.iter().any(|(l, _)| *l == layer)
    });
    if fresh {
        ctx.move_to_top(layer);
    }
}

/// Whether the window in `layer` is the uppermost, which has the keys.
pub fn is_top(ctx: &Context, layer: LayerId) -> bool {
    top(ctx).is_some_and(|(l, _)| l == layer)
}

/// Whether Escape is for the window in `layer`: it lies uppermost, and no list is open over it. Used up then.
pub fn escaped(ctx: &Context, layer: LayerId) -> bool {
    let ours = !lying(ctx).list && top(ctx).is_none_or(|(l, _)| l == layer);
    ours && ctx.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Escape))
}
