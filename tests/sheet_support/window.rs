//! The window over sessions whose sound is not there: what it shows of many takes, driven by mouse and keys.
#![allow(dead_code)] // Each test binary uses its own part.

use std::path::PathBuf;
use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Event, Key, Modifiers, PointerButton, Pos2, Vec2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::session_state::SessionState;
use seamwright::app::{App, Environment};
use seamwright::session::{Document, Take, TakeId, TakeState};
use seamwright::units::{Decibels, Hertz, MidiNote};

use crate::sheet_support::{bare_take, recipe, source};

/// A proposed take.
pub fn take(id: u32, note: Option<u8>, layer: u16) -> Take {
    let note = note.map(MidiNote);
    Take {
        f0: note.map(|n| Hertz(440.0 * ((f64::from(n.0) - 69.0) / 12.0).exp2())),
        level: Decibels(-18.0 - f64::from(id)),
        recipe: note.map(|n| recipe(n, f64::from(id % 100))),
        ..bare_take(id, note, layer)
    }
}

pub fn document(takes: Vec<Take>) -> Document {
    let source = source("bottles.wav");
    Document {
        sources: vec![source.into()],
        takes: takes.into_iter().map(Into::into).collect(),
        ..Document::default()
    }
}

/// Notes from C4 upwards, each in every layer; ids row by row from 1.
pub fn full(notes: u8, layers: u16) -> Document {
    let places = (0..notes).flat_map(|n| (0..layers).map(move |l| (60 + n, l)));
    document(places.zip(1..).map(|((n, l), id)| take(id, Some(n), l)).collect())
}

/// Three notes in three layers but for D4 in layer 3, ids 1 to 8; and one take without a note, 9.
pub fn three() -> Document {
    let mut d = full(3, 3);
    // C4: 1 2 3; C#4: 4 5 6; D4: 7 8 (9 is the missing one).
    d.takes.truncate(8);
    d.takes.push(take(9, None, 0).into());
    d
}

pub struct Window(pub Harness<'static, App>);

impl Window {
    pub fn of(document: Document, size: Vec2) -> Self {
        Self::opened(document, size, false)
    }

    pub fn opened(document: Document, size: Vec2, read_only: bool) -> Self {
        let environment = Environment::for_tests();
        let h = Harness::builder()
            .with_size(size)
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Self(h);
        w.steps(2);
        // A folder that is not there: whatever wants the recordings is told so and goes on.
        let path = PathBuf::from("/not there/bottles.seamwright");
        let session = if read_only {
            SessionState::open(document, path, None)
        } else {
            SessionState::unlocked(document, path)
        };
        w.0.state_mut().show_session(session);
        w.steps(4);
        w
    }

    pub fn three() -> Self {
        Self::of(three(), vec2(1280.0, 800.0))
    }

    pub fn steps(&mut self, n: usize) {
        self.0.run_steps(n);
    }

    pub fn key(&mut self, key: Key) {
        self.keys(Modifiers::NONE, key);
    }

    pub fn keys(&mut self, modifiers: Modifiers, key: Key) {
        self.0.key_press_modifiers(modifiers, key);
        self.steps(4);
    }

    /// The cell whose name begins so.
    pub fn cell<'a>(&'a self, place: &'a str) -> egui_kittest::Node<'a> {
        let begins = move |l: String| l.starts_with(place) && l.contains(": ");
        self.0.get_by(move |n| n.role() == Role::Button && n.label().is_some_and(begins))
    }

    pub fn at(&self, place: &str) -> Pos2 {
        self.cell(place).rect().center()
    }

    pub fn click(&mut self, place: &str, modifiers: Modifiers) {
        let at = self.at(place);
        self.click_at(at, modifiers);
    }

    /// Clicks on the row of the list whose name begins so.
    pub fn click_row(&mut self, place: &str, modifiers: Modifiers) {
        let begins = |l: String| l.starts_with(place) && l.contains(": ");
        let row = self.0.get_by(|n| n.role() == Role::ListBoxOption && n.label().is_some_and(begins)).rect();
        self.click_at(row.center(), modifiers);
    }

    fn click_at(&mut self, at: Pos2, modifiers: Modifiers) {
        self.0.hover_at(at);
        self.steps(1);
        for pressed in [true, false] {
            self.0.event_modifiers(
                Event::PointerButton { pos: at, button: PointerButton::Primary, pressed, modifiers },
                modifiers,
            );
        }
        // Long enough that the next click is no double click.
        self.steps(40);
    }

    pub fn press(&mut self, label: &str) {
        self.0.get_by_label(label).click();
        self.steps(4);
    }

    /// Takes the keyboard's focus from whatever has it.
    pub fn click_nothing(&mut self) {
        self.0.ctx.memory_mut(|m| m.stop_text_input());
        if let Some(id) = self.0.ctx.memory(|m| m.focused()) {
            self.0.ctx.memory_mut(|m| m.surrender_focus(id));
        }
        self.steps(2);
    }

    /// Presses on a cell and goes to another in small moves; the button stays down.
    pub fn drag(&mut self, from: &str, to: Pos2) {
        let from = self.at(from);
        self.0.hover_at(from);
        self.steps(1);
        self.0.drag_at(from);
        self.steps(1);
        for i in 1..=8 {
            self.0.hover_at(from + (to - from) * i as f32 / 8.0);
            self.steps(1);
        }
    }

    pub fn let_go(&mut self, at: Pos2) {
        self.0.drop_at(at);
        self.steps(4);
    }

    pub fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    pub fn document(&self) -> &Arc<Document> {
        self.0.state().session().document()
    }

    pub fn take(&self, id: u32) -> &Take {
        self.document().take(TakeId(id)).unwrap()
    }

    pub fn states(&self, ids: &[u32]) -> Vec<TakeState> {
        ids.iter().map(|id| self.take(*id).state).collect()
    }

    pub fn place(&self, id: u32) -> (Option<u8>, u16) {
        let t = self.take(id);
        (t.note.map(|n| n.0), t.layer)
    }

    pub fn selected(&self) -> u32 {
        self.0.state().selected().unwrap().0
    }

    /// All that is selected.
    pub fn chosen(&self) -> Vec<u32> {
        let app = self.0.state();
        let mut all: Vec<u32> = app.triage().also.iter().map(|t| t.0).collect();
        all.extend(app.selected().map(|t| t.0));
        all.sort_unstable();
        all
    }

    pub fn steps_done(&self) -> Vec<String> {
        self.0.state().session().history().labels().map(str::to_owned).collect()
    }

    pub fn undo(&mut self) {
        self.keys(Modifiers::COMMAND, Key::Z);
    }

    /// Whether a cell tells a screen reader that it is selected.
    pub fn told_selected(&self, place: &str) -> bool {
        self.cell(place).accesskit_node().toggled() == Some(egui::accesskit::Toggled::True)
    }
}
