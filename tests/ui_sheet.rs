//! The sheet room over many takes: several selected at once, a take dragged to another cell, which of
//! several takes is kept, list and filters, keys; in three sizes of window.

use std::path::PathBuf;
use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Event, Key, Modifiers, PointerButton, Pos2, Vec2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::Room;
use seamwright::app::session_state::SessionState;
use seamwright::app::triage::{Form, Order};
use seamwright::app::{App, Environment};
use seamwright::dsp::looping::LoopParts;
use seamwright::render::plan::plan;
use seamwright::session::{
    Concern, ConcernKind, Document, LoopRecipe, Recipe, Source, SourceId, Take, TakeId, TakeState,
    TrimRecipe, TuneRecipe,
};
use seamwright::units::{Cents, Decibels, Frame, FrameRange, Hertz, MidiNote, SampleRate, Seconds};

const SPAN: FrameRange = FrameRange { start: Frame(48_000), end: Frame(192_000) };

fn recipe(note: MidiNote, score: f64) -> Recipe {
    Recipe {
        clean: Default::default(),
        trim: TrimRecipe {
            range: SPAN,
            onset: Frame(50_000),
            fade_in: Seconds(0.002),
            fade_out: Seconds(0.02),
        },
        tune: TuneRecipe::onto(note),
        looping: Some(LoopRecipe {
            start: 70_000.0,
            end: 150_000.0,
            crossfade: Seconds(0.02),
            score,
            parts: LoopParts::default(),
            locked: false,
            even: false,
        }),
        level: Default::default(),
    }
}

fn take(id: u32, note: Option<u8>, layer: u16) -> Take {
    let note = note.map(MidiNote);
    Take {
        id: TakeId(id),
        source: SourceId(1),
        span: SPAN,
        onset: Frame(50_000),
        sounds: note,
        f0: note.map(|n| Hertz(440.0 * ((f64::from(n.0) - 69.0) / 12.0).exp2())),
        cents: Cents(0.0),
        movement: None,
        level: Decibels(-18.0 - f64::from(id)),
        snr: Some(Decibels(41.0)),
        named: None,
        note,
        layer,
        state: TakeState::Proposed,
        concerns: vec![],
        recipe: note.map(|n| recipe(n, f64::from(id % 100))),
    }
}

fn document(takes: Vec<Take>) -> Document {
    let source = Source {
        id: SourceId(1),
        path: PathBuf::from("bottles.wav"),
        bytes: 1,
        hash: "0".into(),
        rate: SampleRate::DELIVERY,
        channels: 1,
        frames: 480_000,
        room_tone: None,
        room_marked: Vec::new(),
    };
    Document {
        sources: vec![source.into()],
        takes: takes.into_iter().map(Into::into).collect(),
        ..Document::default()
    }
}

/// Notes from C4 upwards, each in every layer; ids row by row from 1.
fn full(notes: u8, layers: u16) -> Document {
    let places = (0..notes).flat_map(|n| (0..layers).map(move |l| (60 + n, l)));
    document(places.zip(1..).map(|((n, l), id)| take(id, Some(n), l)).collect())
}

/// Three notes in three layers but for D4 in layer 3, ids 1 to 8; and one take without a note, 9.
fn three() -> Document {
    let mut d = full(3, 3);
    // C4: 1 2 3; C#4: 4 5 6; D4: 7 8 (9 is the missing one).
    d.takes.truncate(8);
    d.takes.push(take(9, None, 0).into());
    d
}

struct Window(Harness<'static, App>);

impl Window {
    fn of(document: Document, size: Vec2) -> Self {
        Self::opened(document, size, false)
    }

    fn opened(document: Document, size: Vec2, read_only: bool) -> Self {
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

    fn three() -> Self {
        Self::of(three(), vec2(1280.0, 800.0))
    }

    fn steps(&mut self, n: usize) {
        self.0.run_steps(n);
    }

    fn key(&mut self, key: Key) {
        self.keys(Modifiers::NONE, key);
    }

    fn keys(&mut self, modifiers: Modifiers, key: Key) {
        self.0.key_press_modifiers(modifiers, key);
        self.steps(4);
    }

    /// The cell whose name begins so.
    fn cell<'a>(&'a self, place: &'a str) -> egui_kittest::Node<'a> {
        let begins = move |l: String| l.starts_with(place) && l.contains(": ");
        self.0.get_by(move |n| n.role() == Role::Button && n.label().is_some_and(begins))
    }

    fn at(&self, place: &str) -> Pos2 {
        self.cell(place).rect().center()
    }

    fn click(&mut self, place: &str, modifiers: Modifiers) {
        let at = self.at(place);
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

    fn press(&mut self, label: &str) {
        self.0.get_by_label(label).click();
        self.steps(4);
    }

    /// Presses on a cell and goes to another in small moves; the button stays down.
    fn drag(&mut self, from: &str, to: Pos2) {
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

    fn let_go(&mut self, at: Pos2) {
        self.0.drop_at(at);
        self.steps(4);
    }

    fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    fn document(&self) -> &Arc<Document> {
        self.0.state().session().document()
    }

    fn take(&self, id: u32) -> &Take {
        self.document().take(TakeId(id)).unwrap()
    }

    fn states(&self, ids: &[u32]) -> Vec<TakeState> {
        ids.iter().map(|id| self.take(*id).state).collect()
    }

    fn place(&self, id: u32) -> (Option<u8>, u16) {
        let t = self.take(id);
        (t.note.map(|n| n.0), t.layer)
    }

    fn selected(&self) -> u32 {
        self.0.state().selected().unwrap().0
    }

    /// All that is selected.
    fn chosen(&self) -> Vec<u32> {
        let app = self.0.state();
        let mut all: Vec<u32> = app.triage().also.iter().map(|t| t.0).collect();
        all.extend(app.selected().map(|t| t.0));
        all.sort_unstable();
        all
    }

    fn steps_done(&self) -> Vec<String> {
        self.0.state().session().history().labels().map(str::to_owned).collect()
    }

    fn undo(&mut self) {
        self.keys(Modifiers::COMMAND, Key::Z);
    }

    /// Whether a cell tells a screen reader that it is selected.
    fn told_selected(&self, place: &str) -> bool {
        self.cell(place).accesskit_node().toggled() == Some(egui::accesskit::Toggled::True)
    }
}

use TakeState::{Accepted, New, Proposed, SetAside};

#[test]
fn several_are_accepted_and_taken_back_in_one_step() {
    let mut w = Window::three();
    w.click("C4, layer 1", Modifiers::NONE);
    w.click("C#4, layer 2", Modifiers::SHIFT);
    assert_eq!(w.chosen(), [1, 2, 4, 5], "the cells between the corners");
    w.click("D4, layer 1", Modifiers::COMMAND);
    w.click("C4, layer 2", Modifiers::COMMAND);
    assert_eq!(w.chosen(), [1, 4, 5, 7]);
    assert!(w.says("4 takes selected"));
    assert!(w.told_selected("C4, layer 1") && w.told_selected("D4, layer 1"));
    assert!(!w.told_selected("C4, layer 2"));
    w.key(Key::Y);
    assert_eq!(w.states(&[1, 4, 5, 7]), [Accepted; 4]);
    assert_eq!(w.states(&[2, 3, 6, 8]), [Proposed; 4]);
    assert_eq!(w.steps_done(), ["Accept 4 takes"]);
    assert!(w.says("4 of 9 takes decided") && w.says("4 accepted · 0 set aside · 1 missing"));
    w.undo();
    assert_eq!(w.states(&[1, 4, 5, 7]), [Proposed; 4]);
    // The buttons do the same.
    w.press("Set all aside");
    assert_eq!(w.states(&[1, 4, 5, 7]), [SetAside; 4]);
    w.press("Undecide all");
    assert_eq!(w.states(&[1, 4, 5, 7]), [Proposed; 4]);
    assert_eq!(w.steps_done().len(), 2);
    // Escape leaves the one that all rooms show.
    let one = w.selected();
    w.key(Key::Escape);
    assert_eq!(w.chosen(), [one]);
    assert!(!w.says("takes selected"));
}

#[test]
fn what_cannot_be_accepted_is_passed_by_and_said() {
    let mut d = three();
    let t = Arc::make_mut(&mut d.takes[1]);
    (t.recipe, t.state) = (None, New);
    let mut w = Window::of(d, vec2(1280.0, 800.0));
    w.keys(Modifiers::COMMAND, Key::A);
    assert_eq!(w.chosen(), [1, 2, 3, 4, 5, 6, 7, 8, 9]);
    w.key(Key::Y);
    assert_eq!(w.states(&[1, 2, 3, 9]), [Accepted, New, Accepted, Proposed]);
    assert!(w.says("2 takes stay as they are: they have no recipe or no note yet"));
    // In the other rooms a key is about the one take that is seen.
    w.key(Key::Num2);
    w.key(Key::D);
    assert_eq!(w.states(&[1, 3, 4]), [SetAside, Accepted, Accepted]);
}

#[test]
fn shift_and_arrows_select_on_the_way_and_all_get_a_layer() {
    let mut w = Window::three();
    w.keys(Modifiers::SHIFT, Key::ArrowRight);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    assert_eq!(w.chosen(), [1, 2, 4, 5]);
    w.keys(Modifiers::SHIFT, Key::ArrowLeft);
    assert_eq!(w.chosen(), [1, 4], "it shrinks as it grew");
    w.key(Key::M);
    w.0.get_by_role_and_label(Role::TextInput, "Layer for all").type_text("3");
    w.steps(2);
    w.key(Key::Enter);
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 2), (Some(61), 2)]);
    assert_eq!(w.steps_done(), ["Layer 3 for 2 takes"]);
    w.undo();
    assert_eq!([w.place(1), w.place(4)], [(Some(60), 0), (Some(61), 0)]);
    w.0.get_by_role_and_label(Role::TextInput, "Note for all").focus();
    w.steps(2);
    w.0.get_by_role_and_label(Role::TextInput, "Note for all").type_text("H");
    w.steps(2);
    w.key(Key::Enter);
    assert!(w.says("“H” is no note"));
    assert_eq!(w.steps_done().len(), 0);
}

#[test]
fn a_take_is_dragged_to_an_empty_cell_and_back_by_undo() {
    let mut w = Window::three();
    w.key(Key::Y);
    let name = |w: &Window| plan(w.document()).names[0].path.clone();
    assert!(name(&w).contains("C4 1"), "{}", name(&w));
    let to = w.at("D4, layer 3: missing");
    w.drag("C4, layer 1", to);
    assert_eq!(w.place(1), (Some(60), 0), "not before it is let go");
    w.let_go(to);
    assert_eq!(w.place(1), (Some(62), 2));
    assert_eq!(w.selected(), 1);
    assert_eq!(w.steps_done(), ["Accept", "Move to D4, layer 3"]);
    assert!(w.says("C4, layer 1: missing") && w.says("D4, layer 3: accepted"));
    assert!(name(&w).contains("D4 3"), "the name on disk follows: {}", name(&w));
    w.undo();
    assert_eq!(w.place(1), (Some(60), 0));
}

#[test]
fn a_drag_is_given_up_by_escape_and_by_letting_go_elsewhere() {
    let mut w = Window::three();
    let to = w.at("D4, layer 3: missing");
    w.drag("C4, layer 1", to);
    w.key(Key::Escape);
    w.let_go(to);
    assert_eq!(w.place(1), (Some(60), 0));
    let home = w.at("C4, layer 1");
    w.drag("C4, layer 1", to);
    w.0.hover_at(home);
    w.steps(1);
    w.let_go(home);
    let outside = Pos2::new(1270.0, 790.0);
    w.drag("C4, layer 1", outside);
    w.let_go(outside);
    assert_eq!(w.place(1), (Some(60), 0));
    assert!(w.steps_done().is_empty());
    // Who may only look cannot move anything.
    let mut w = Window::opened(three(), vec2(1280.0, 800.0), true);
    w.drag("C4, layer 1", to);
    w.let_go(to);
    assert_eq!(w.place(1), (Some(60), 0));
}

#[test]
fn a_take_without_a_note_is_dragged_into_the_sheet() {
    let mut w = Window::three();
    let to = w.at("D4, layer 3: missing");
    w.drag("take 9 without a note", to);
    w.let_go(to);
    assert_eq!(w.place(9), (Some(62), 2));
    assert!(!w.says("without a note") && !w.says("missing:"));
}

#[test]
fn of_two_takes_for_one_cell_one_is_kept_in_one_step() {
    let mut w = Window::three();
    let to = w.at("C#4, layer 2");
    w.drag("C4, layer 1", to);
    w.let_go(to);
    assert_eq!((w.place(1), w.place(5)), ((Some(61), 1), (Some(61), 1)), "both are there");
    let crowded = |w: &Window, id| w.take(id).concerns.iter().any(|c| c.kind == ConcernKind::DuplicateCell);
    assert!(crowded(&w, 1) && crowded(&w, 5));
    assert!(w.says("wrong note, 2 takes here") && w.says("2 takes for this cell"));
    w.press("Keep take 5");
    assert_eq!(w.states(&[1, 5]), [SetAside, Proposed]);
    assert!(!crowded(&w, 5));
    w.undo();
    assert_eq!(w.states(&[1, 5]), [Proposed, Proposed]);
    assert!(crowded(&w, 5));
    // By key it is the selected one; what was set aside comes back.
    w.click("C#4, layer 2", Modifiers::NONE);
    let one = w.selected();
    w.key(Key::U);
    w.key(Key::U);
    assert!(w.says("this take is kept already"));
    let other = 6 - one;
    assert_eq!(w.states(&[one, other]), [Proposed, SetAside]);
    w.press(&format!("Keep take {other}"));
    assert_eq!(w.states(&[one, other]), [SetAside, Proposed]);
    assert_eq!(w.steps_done().len(), 3);
}

fn with_concerns() -> Document {
    let mut d = three();
    let mut concern = |id: usize, kind| {
        Arc::make_mut(&mut d.takes[id - 1]).concerns = vec![Concern::new(kind, "It is so.")];
    };
    concern(3, ConcernKind::Noisy);
    concern(5, ConcernKind::WrongNote);
    concern(8, ConcernKind::Noisy);
    d
}

/// The ids of the list's rows from top to bottom.
fn rows(w: &Window) -> Vec<u32> {
    let mut rows: Vec<(f32, u32)> = Vec::new();
    for t in &w.document().takes {
        let level = format!("Level −{:.1} dB", 18.0 + f64::from(t.id.0));
        let found = w.0.query_all_by(|n| {
            n.role() == Role::ListBoxOption && n.label().is_some_and(|l| l.ends_with(&level))
        });
        rows.extend(found.map(|n| (n.rect().top(), t.id.0)));
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    rows.into_iter().map(|r| r.1).collect()
}

#[test]
fn the_list_sorts_and_selects_and_keys_go_along_it() {
    let mut w = Window::of(with_concerns(), vec2(1280.0, 800.0));
    w.press("List");
    assert_eq!(rows(&w), [1, 2, 3, 4, 5, 6, 7, 8, 9]);
    assert!(w.says("C#4, layer 2: proposed, Concern wrong note, Score 5, Centre 0.0 cents, Level −23.0 dB"));
    w.press("Sort by Score");
    w.press("Sort by Score");
    assert_eq!(rows(&w), [8, 7, 6, 5, 4, 3, 2, 1, 9], "without a loop it stands last");
    w.press("Sort by State");
    assert_eq!(rows(&w), [5, 3, 8, 1, 2, 4, 6, 7, 9]);
    assert_eq!(w.0.state().triage().listing.order, Order::Look);
    w.key(Key::Home);
    assert_eq!(w.selected(), 5);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    w.keys(Modifiers::SHIFT, Key::ArrowDown);
    assert_eq!(w.chosen(), [3, 5, 8]);
    w.key(Key::D);
    assert_eq!(w.states(&[3, 5, 8]), [SetAside; 3]);
    w.undo();
    w.key(Key::End);
    assert_eq!(w.selected(), 9);
    // The next to look at is the next row, and after the last comes the first.
    w.key(Key::N);
    assert_eq!(w.selected(), 5);
    w.key(Key::Enter);
    assert_eq!(w.0.state().room(), Room::Bench);
}

#[test]
fn a_filter_dims_the_cells_and_keys_pass_them_by() {
    let mut w = Window::of(with_concerns(), vec2(1280.0, 800.0));
    w.press("Show concerns");
    w.press("noisy (2)");
    assert!(w.says("2 of 9 shown"));
    assert!(w.says("C4, layer 1: proposed, loop 1, left out by the filter"));
    w.key(Key::N);
    assert_eq!(w.selected(), 3);
    w.key(Key::N);
    assert_eq!(w.selected(), 8);
    w.keys(Modifiers::COMMAND, Key::A);
    assert_eq!(w.chosen(), [3, 8], "all that are shown");
    w.key(Key::Y);
    assert_eq!(w.steps_done(), ["Accept 2 takes"]);
    w.key(Key::N);
    assert!(w.says("7 takes that the filter leaves out still wait"));
    w.press("Hide other notes");
    assert!(!w.says("C#4, layer 1"), "of C#4 none is noisy");
    w.press("List");
    assert_eq!(rows(&w), [3, 8]);
    w.press("Show all");
    assert_eq!(rows(&w).len(), 9);
    assert_eq!(w.0.state().triage().listing.form, Form::List);
    w.press("Show states");
    w.press("missing (1)");
    assert!(w.says("D4, layer 3: missing; nobody played it"));
}

#[test]
fn going_on_by_itself_goes_through_all_and_undo_comes_back() {
    let mut w = Window::three();
    w.key(Key::Y);
    assert_eq!(w.selected(), 1, "it stays unless it is wished for");
    w.undo();
    w.keys(Modifiers::SHIFT, Key::N);
    assert!(w.0.state().settings().get().go_on);
    for (key, next) in [(Key::Y, 2), (Key::D, 3), (Key::Y, 4)] {
        w.key(key);
        assert_eq!(w.selected(), next);
    }
    assert_eq!(w.states(&[1, 2, 3]), [Accepted, SetAside, Accepted]);
    // Undo shows what it took back; deciding again goes on from there.
    w.undo();
    assert_eq!((w.selected(), w.states(&[3])), (3, vec![Proposed]));
    w.undo();
    assert_eq!((w.selected(), w.states(&[2])), (2, vec![Proposed]));
    w.key(Key::Y);
    assert_eq!(w.selected(), 3);
    // A take that cannot be accepted stays in view.
    w.click("take 9 without a note", Modifiers::NONE);
    w.key(Key::Y);
    assert_eq!(w.selected(), 9);
}

#[test]
fn keys_find_their_way_with_and_without_focus() {
    let mut w = Window::three();
    w.key(Key::End);
    assert_eq!(w.selected(), 3);
    w.key(Key::Home);
    assert_eq!(w.selected(), 1);
    w.keys(Modifiers::COMMAND, Key::End);
    assert_eq!(w.selected(), 9);
    w.keys(Modifiers::COMMAND, Key::Home);
    assert_eq!(w.selected(), 1);
    // Space on a cell that has the focus plays, Enter opens the bench; the focus goes along.
    w.cell("C4, layer 2").focus();
    w.steps(2);
    w.key(Key::Space);
    assert_eq!(w.selected(), 2);
    assert!(w.says("there is no sound"), "it would play");
    w.key(Key::ArrowDown);
    assert_eq!(w.selected(), 5);
    let focused = w.cell("C#4, layer 2");
    assert!(focused.accesskit_node().is_focused());
    w.key(Key::Enter);
    assert_eq!((w.0.state().room(), w.selected()), (Room::Bench, 5));
}

#[test]
fn the_menu_of_a_take_is_about_what_is_selected() {
    let mut w = Window::three();
    w.click("C4, layer 2", Modifiers::SHIFT);
    w.cell("C4, layer 2").click_secondary();
    w.steps(4);
    w.0.get_by(|n| n.label().is_some_and(|l| l.starts_with("Set aside 2 takes"))).click();
    w.steps(4);
    assert_eq!(w.states(&[1, 2, 3]), [SetAside, SetAside, Proposed]);
    assert_eq!(w.steps_done(), ["Set 2 takes aside"]);
    // On another take it is about that one.
    w.cell("D4, layer 1").click_secondary();
    w.steps(4);
    assert_eq!(w.chosen(), [7]);
    w.0.get_by(|n| n.label().is_some_and(|l| l.starts_with("Another note or layer"))).click();
    w.steps(4);
    assert!(w.0.get_by_role_and_label(Role::TextInput, "Note").accesskit_node().is_focused());
}

#[test]
fn what_is_missing_is_said_where_it_is_missing() {
    let mut w = Window::three();
    let at = w.at("D4, layer 3: missing");
    w.0.hover_at(at);
    w.steps(60);
    assert!(w.says("Nobody played it, or its file is not here"));
}

/// 24 notes in 4 layers in windows from the smallest that is allowed to a full screen: cells are whole
/// and legible, keys reach the last one, and the list does so as well.
#[test]
fn ninety_six_takes_in_three_sizes() {
    // How many cells are to be seen at least, in part or whole.
    for (size, seen) in [(vec2(760.0, 480.0), 8), (vec2(1280.0, 800.0), 40), (vec2(1920.0, 1080.0), 64)] {
        let mut w = Window::of(full(24, 4), size);
        let cells = |w: &Window| -> Vec<egui::Rect> {
            let all = w.0.query_all_by(|n| {
                n.role() == Role::Button && n.label().is_some_and(|l| l.contains(", layer "))
            });
            all.map(|n| n.rect()).collect()
        };
        let first = cells(&w);
        assert!(first.len() >= seen, "{size}: only {} cells", first.len());
        assert!(first.iter().all(|r| r.width() >= 96.0 && r.height() >= 44.0), "{size}");
        w.keys(Modifiers::COMMAND, Key::End);
        w.steps(30);
        assert_eq!(w.selected(), 96);
        let last = w.cell("B5, layer 4").rect();
        let window = egui::Rect::from_min_size(Pos2::ZERO, size);
        assert!(window.contains_rect(last), "{size}: {last}");
        w.press("List");
        w.key(Key::Home);
        assert_eq!(w.selected(), 1);
        w.key(Key::PageDown);
        let page = w.selected();
        assert!(page > 2 && page < 96, "{size}: a page is {page} rows");
        w.key(Key::End);
        w.steps(30);
        let row = w.0.get_by(|n| {
            n.role() == Role::ListBoxOption && n.label().is_some_and(|l| l.starts_with("B5, layer 4"))
        });
        assert!(window.contains_rect(row.rect()), "{size}");
    }
}
