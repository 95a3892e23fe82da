//! The window around the rooms, driven by keys and by the names that a screen reader says.

mod sheet_support;

use std::path::PathBuf;

use egui::accesskit::Role;
use egui::{Key, Modifiers, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use seamwright::app::command::{Command, EditCommand, GoCommand, Room, SoundCommand, WorkCommand};
use seamwright::app::derived::Derived;
use seamwright::app::panels::details::DetailsPanel;
use seamwright::app::panels::sheet::SheetPanel;
use seamwright::app::session_state::SessionState;
use seamwright::app::sound::SoundKind;
use seamwright::app::theme::{self, Theme};
use seamwright::app::triage::Triage;
use seamwright::app::view::{SoundView, View};
use seamwright::app::{App, Environment};
use seamwright::playback::message::Side;
use seamwright::session::{Concern, ConcernKind, Document, Edit, Sheet, Take, TakeId, TakeState};
use seamwright::units::{Cents, Hertz, MidiNote};
use sheet_support::{bare_take, recipe, source};

fn take(id: u32, note: Option<u8>, layer: u16, state: TakeState) -> Take {
    let note = note.map(MidiNote);
    Take {
        f0: Some(Hertz(261.6)),
        cents: Cents(-3.0),
        state,
        recipe: note.filter(|_| state != TakeState::New).map(|n| recipe(n, 87.0)),
        ..bare_take(id, note, layer)
    }
}

/// Two notes, two layers: C4 proposed and new, D4 accepted with a concern and missing; one take
/// without a note.
fn bottles() -> Document {
    let mut odd = take(3, Some(62), 0, TakeState::Accepted);
    odd.concerns = vec![Concern::new(ConcernKind::WrongNote, "Named D4 but sounds E4.")];
    let source = source("bottle C4.wav");
    let takes = vec![
        take(1, Some(60), 0, TakeState::Proposed),
        take(2, Some(60), 1, TakeState::New),
        odd,
        take(4, None, 0, TakeState::New),
    ];
    let mut document = Document { sources: vec![source.into()], ..Document::default() };
    document.takes = takes.into_iter().map(Into::into).collect();
    document
}

struct Window(Harness<'static, App>);

impl Window {
    fn empty() -> Self {
        Self::with(Environment::for_tests())
    }

    fn with(environment: Environment) -> Self {
        let harness = Harness::builder()
            .with_size(vec2(1280.0, 800.0))
            // The default step of a quarter of a second turns presses into drags.
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        Self(harness).steps()
    }

    fn bottles() -> Self {
        Self::empty().showing(bottles())
    }

    fn showing(mut self, document: Document) -> Self {
        // A folder that is not there: whatever wants the recordings is told so and goes on.
        let path = PathBuf::from("/not there/cellar bottles.seamwright");
        self.0.state_mut().show_session(SessionState::unlocked(document, path));
        self.steps()
    }

    fn steps(mut self) -> Self {
        self.0.run_steps(4);
        self
    }

    fn key(self, key: Key) -> Self {
        self.0.key_press(key);
        self.steps()
    }

    fn keys(self, modifiers: Modifiers, key: Key) -> Self {
        self.0.key_press_modifiers(modifiers, key);
        self.steps()
    }

    fn click(self, label: &str) -> Self {
        self.0.get_by_label(label).click();
        self.steps()
    }

    fn has(&self, label: &str) -> bool {
        self.0.query_by_label(label).is_some()
    }

    fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    fn state_of(&self, id: u32) -> TakeState {
        self.0.state().session().document().take(TakeId(id)).unwrap().state
    }

    fn selected(&self) -> Option<u32> {
        self.0.state().selected().map(|t| t.0)
    }
}

#[test]
fn nothing_open_shows_the_start_page_with_the_caution() {
    let w = Window::empty();
    assert!(w.has("Choose folder…") && w.has("Path"));
    assert!(w.says("loud sound harms hearing"));
    assert!(!w.has("Bench"), "there are no rooms before a session is open");
    let w = w.click("I have read this");
    assert!(!w.says("loud sound harms hearing"));
    assert!(w.0.state().settings().get().caution_read);
}

#[test]
fn a_path_that_is_not_there_is_told_in_words() {
    let w = Window::empty();
    w.0.get_by_label("Path").focus();
    let w = w.steps();
    w.0.get_by_label("Path").type_text("/no/such/folder");
    let w = w.steps().click("Open");
    assert!(w.says("it is not there"));
    assert!(w.0.state().session().path().is_none());
    let w = w.click("Close");
    assert!(!w.says("it is not there"));
}

#[test]
fn a_dialog_that_cannot_open_says_what_to_do() {
    let w = Window::empty().click("Choose folder…");
    assert!(w.says("type the path or drop the folder"));
}

#[test]
fn cells_are_named_by_all_they_show() {
    let w = Window::bottles();
    for label in [
        "C4, layer 1: proposed, loop 87",
        "C4, layer 2: new",
        "D4, layer 1: accepted, loop 87, wrong note",
        "D4, layer 2: missing",
        "take 4 without a note: new",
    ] {
        assert!(w.has(label), "no cell is called “{label}”");
    }
    assert!(w.says("2 new · 1 proposed · 1 accepted · 1 missing"));
}

#[test]
fn undo_and_redo_are_as_wide_whatever_they_are_about() {
    let w = Window::bottles();
    let places = |w: &Window| {
        let bar = |n: &egui_kittest::Node<'_>| n.rect().bottom() < 50.0;
        ["Sheet", "Deliver", "Undo", "Redo", "Menu"]
            .map(|name| w.0.query_all_by_label_contains(name).find(bar).unwrap().rect())
    };
    let before = places(&w);
    let w = w.key(Key::Y);
    assert!(w.has("Undo: Accept C4, layer 1"), "its whole name is said");
    assert_eq!(places(&w), before, "something to undo");
    let w = w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(places(&w), before, "something to redo");
}

/// Where the bar has room, the names of steps stand in it whole.
#[test]
fn undo_tells_its_whole_name_where_there_is_room() {
    for (size, long) in [(vec2(1280.0, 800.0), false), (vec2(1920.0, 1080.0), true)] {
        let mut w = Window::bottles();
        w.0.set_size(size);
        let w = w.steps().key(Key::Y);
        let mut w = w;
        let mut name = "Undo: Accept C4, layer 1".to_owned();
        if long {
            let named = "Move 12 takes, the first to D#4, layer 2";
            let edit = Edit::SetState { take: TakeId(2), state: TakeState::SetAside };
            let ctx = w.0.ctx.clone();
            let command = Command::Edit(EditCommand::Do { label: named.into(), edit });
            w.0.state_mut().dispatch(&ctx, command);
            w = w.steps();
            name = format!("Undo: {named}");
        }
        let button = w.0.get_by_label(&name).rect();
        let font = egui::TextStyle::Button.resolve(&w.0.ctx.global_style());
        let text = w.0.ctx.fonts_mut(|f| f.layout_no_wrap(name.clone(), font, egui::Color32::BLACK).size().x);
        let padding = 2.0 * w.0.ctx.global_style().spacing.button_padding.x;
        assert!(long || button.width() >= text + padding, "{name}: {} in {}", text + padding, button.width());
        assert!(!long || button.width() > 330.0, "{}", button.width());
        // All of it is told under the pointer.
        w.0.hover_at(button.center());
        w.0.run_steps(60);
        assert!(w.says(&format!("Undo “{}”", &name[6..])));
    }
}

/// All that is heard stands in one row, and the details are as wide when nothing is in them.
#[test]
fn the_details_have_one_width() {
    let mut w = Window::bottles();
    let row = |w: &Window| ["Play", "Hear source", "Hear removed"].map(|n| w.0.get_by_label(n).rect());
    let full = row(&w);
    assert!(full.iter().all(|r| (r.center().y - full[0].center().y).abs() < 1.0), "one row: {full:?}");
    let path = PathBuf::from("/not there/empty.seamwright");
    w.0.state_mut().show_session(SessionState::unlocked(Document::default(), path));
    w.0.run_steps(4);
    let path = PathBuf::from("/not there/bottles.seamwright");
    w.0.state_mut().show_session(SessionState::unlocked(bottles(), path));
    w.0.run_steps(4);
    assert_eq!(row(&w), full, "nothing was in them meanwhile");
}

/// In tests there is no sound device.
#[test]
fn without_a_sound_device_the_strip_says_where_to_choose_one() {
    let w = Window::bottles().click("I have read this");
    assert!(w.says("no sound device is open: choose one"));
    assert!(!w.says("Space play"));
}

#[test]
fn accepting_by_key_is_a_step_that_undo_takes_back() {
    let w = Window::bottles();
    assert_eq!(w.selected(), Some(1));
    let w = w.key(Key::Y);
    assert_eq!(w.state_of(1), TakeState::Accepted);
    assert!(w.has("Undo: Accept C4, layer 1"));
    let w = w.keys(Modifiers::COMMAND, Key::Z);
    assert_eq!(w.state_of(1), TakeState::Proposed);
    let w = w.keys(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert_eq!(w.state_of(1), TakeState::Accepted);
    let w = w.key(Key::D).key(Key::B);
    assert_eq!(w.state_of(1), TakeState::Proposed);
}

#[test]
fn accepting_without_a_recipe_is_refused_in_words() {
    let w = Window::bottles().click("C4, layer 2: new").key(Key::Y);
    assert_eq!(w.state_of(2), TakeState::New);
    assert!(w.says("has no recipe yet"));
    assert!(!w.has("Undo: Accept C4, layer 1"));
}

#[test]
fn letters_are_text_while_a_field_has_the_focus() {
    let w = Window::bottles();
    w.0.get_by_role_and_label(Role::TextInput, "Note").focus();
    let w = w.steps();
    w.0.get_by_role_and_label(Role::TextInput, "Note").type_text("y");
    let w = w.key(Key::Y).key(Key::Num2).key(Key::Space);
    assert_eq!(w.state_of(1), TakeState::Proposed);
    assert_eq!(w.0.state().room(), Room::Sheet);
    // The same key does its work again once the field is left.
    let w = w.key(Key::Escape).key(Key::Y);
    assert_eq!(w.state_of(1), TakeState::Accepted);
}

#[test]
fn keys_walk_through_the_sheet() {
    let w = Window::bottles().key(Key::ArrowRight);
    assert_eq!(w.selected(), Some(2));
    // Below stands nothing: the arrow stays where it is.
    let w = w.key(Key::ArrowDown);
    assert_eq!(w.selected(), Some(2));
    let w = w.key(Key::ArrowLeft).key(Key::ArrowDown);
    assert_eq!(w.selected(), Some(3));
    // Below the last row stands the take without a note.
    let w = w.key(Key::ArrowDown);
    assert_eq!(w.selected(), Some(4));
    let w = w.key(Key::ArrowDown);
    assert_eq!(w.selected(), Some(4), "nothing stands below");
    let w = w.key(Key::ArrowUp);
    assert_eq!(w.selected(), Some(3));
    let w = w.key(Key::CloseBracket);
    assert_eq!(w.selected(), Some(4));
    // Take 3 is decided, so the next to look at after 4 comes round to 1.
    let w = w.key(Key::N);
    assert_eq!(w.selected(), Some(1));
}

#[test]
fn nothing_left_to_look_at_is_said() {
    let mut document = bottles();
    document.takes.retain(|t| t.state == TakeState::Accepted);
    let w = Window::empty().showing(document).key(Key::N);
    assert!(w.says("Nothing left to look at"));
}

#[test]
fn one_place_with_two_takes_shows_both_in_turn() {
    let mut document = bottles();
    document.takes.push(take(5, Some(60), 0, TakeState::New).into());
    let w = Window::empty().showing(document);
    let w = w.click("C4, layer 1: proposed, loop 87, 2 takes here");
    assert_eq!(w.selected(), Some(5));
    // Two clicks in quick succession are a double click, which means something else.
    let mut w = w;
    w.0.run_steps(60);
    let w = w.click("C4, layer 1: new, 2 takes here");
    assert_eq!(w.selected(), Some(1));
}

#[test]
fn the_list_of_keys_opens_and_closes() {
    let w = Window::bottles().key(Key::F1);
    assert!(w.has("Play across the seam"));
    let w = w.key(Key::Escape);
    assert!(!w.has("Play across the seam"));
}

/// As at 1.5 times in a small window: no text of the list of keys runs out of its column.
#[test]
fn the_list_of_keys_fits_any_window() {
    for size in [vec2(853.0, 533.0), vec2(1280.0, 800.0), vec2(1920.0, 1080.0)] {
        let mut w = Window::bottles();
        w.0.set_size(size);
        let w = w.steps().key(Key::F1).steps();
        let list = w.0.get_by_role_and_label(Role::Button, "Close: Keys").rect();
        for (words, beside) in [
            ("Adds to what is selected, takes out", "Ctrl+Click"),
            ("From handle to handle", "Tab, after a click into the wave"),
            ("Go on to the next take after deciding: on, off", "Shift+N"),
        ] {
            let (text, keys) = (w.0.get_by_label(words).rect(), w.0.get_by_label(beside).rect());
            assert!(keys.right() < text.left(), "{beside} {keys:?} {text:?}");
            assert!(text.right() <= list.right() - 8.0, "{words} at {size:?}: {text:?} {list:?}");
        }
    }
}

#[test]
fn without_sound_playing_says_why_and_nothing_breaks() {
    let w = Window::bottles().key(Key::Space).key(Key::R).key(Key::S);
    assert!(w.says("there is no sound"));
    assert!(w.has("Look for sound"));
}

#[test]
fn volume_starts_quiet_and_keys_move_it() {
    let w = Window::with(Environment { sound: SoundKind::Kept, ..Environment::for_tests() });
    let first = w.0.state().sound().view().volume_db;
    assert!(first <= -24.0, "a first start is quiet, not {first} dB");
    let w = w.keys(Modifiers::SHIFT, Key::V);
    assert_eq!(w.0.state().sound().view().volume_db, first + 3.0);
    let w = w.key(Key::V).key(Key::V);
    assert_eq!(w.0.state().settings().get().volume_db, first - 3.0);
    // 10^(−33/20): the definition of the decibel for amplitudes.
    let last = format!("{:?}", w.0.state().sound().kept().last().unwrap());
    assert!(last.starts_with("SetVolume(0.0223"), "{last}");
}

#[test]
fn a_session_open_elsewhere_can_be_looked_at_only() {
    let mut w = Window::empty();
    let path = PathBuf::from("/not there/cellar bottles.seamwright");
    w.0.state_mut().show_session(SessionState::open(bottles(), path, None));
    let w = w.steps();
    assert!(w.has("read only") && w.has("C4, layer 1: proposed, loop 87"));
    let w = w.key(Key::Y);
    assert_eq!(w.state_of(1), TakeState::Proposed);
    assert!(w.says("another program has this session open"));
}

/// Draws one panel from a read-only view and gives what it wished for.
fn wishes<P: Default + 'static>(
    document: &'static Document,
    click: &str,
    draw: impl Fn(&mut P, &mut egui::Ui, &View<'_>) -> Vec<Command> + 'static,
) -> Vec<Command> {
    let sheet = Sheet::of(document);
    let triage = Triage::default();
    let derived = Derived::default();
    let theme = Theme::light();
    let sound = SoundView {
        device: Ok("none".into()),
        playing: None,
        begun: Default::default(),
        side: Side::Rendered,
        judged: None,
        volume_db: -30.0,
        peak: [0.0; 2],
        limited: false,
        stack: Default::default(),
    };
    let mut harness =
        Harness::builder().with_size(vec2(900.0, 900.0)).with_step_dt(1.0 / 60.0).build_ui_state(
            move |ui, (panel, wished): &mut (P, Vec<Command>)| {
                theme::install(ui.ctx());
                let view = View {
                    document,
                    revision: 1,
                    sheet: &sheet,
                    path: Some(std::path::Path::new("/not there/a.seamwright")),
                    read_only: false,
                    undo: None,
                    redo: None,
                    room: Room::Sheet,
                    selected: Some(TakeId(1)),
                    triage: &triage,
                    derived: &derived,
                    jobs: &[],
                    notices: &[],
                    sound: &sound,
                    theme: &theme,
                };
                wished.extend(draw(panel, ui, &view));
            },
            (P::default(), Vec::new()),
        );
    harness.run_steps(3);
    harness.get_by_role_and_label(Role::Button, click).click();
    harness.run_steps(3);
    harness.state().1.clone()
}

fn leaked(document: Document) -> &'static Document {
    Box::leak(Box::new(document))
}

#[test]
fn the_sheet_wishes_for_waves_once_and_for_what_is_clicked() {
    let wished = wishes(leaked(bottles()), "C4, layer 2: new", SheetPanel::ui);
    let waves: Vec<_> =
        wished.iter().filter(|c| matches!(c, Command::Work(WorkCommand::Thumbnails(_)))).collect();
    let all = |ids: &[u32]| ids.iter().map(|i| TakeId(*i)).collect::<Vec<_>>();
    assert_eq!(
        waves,
        [
            &Command::Work(WorkCommand::Thumbnails(all(&[1, 2, 3]))),
            &Command::Work(WorkCommand::Thumbnails(all(&[4])))
        ]
    );
    assert_eq!(wished.last(), Some(&Command::Go(GoCommand::Select(TakeId(2)))));
}

#[test]
fn the_details_wish_for_what_their_buttons_say() {
    for (button, wish) in [
        ("Accept", Command::Edit(EditCommand::SetState(TakeId(1), TakeState::Accepted))),
        ("Set aside", Command::Edit(EditCommand::SetState(TakeId(1), TakeState::SetAside))),
        ("Propose again", Command::Work(WorkCommand::Propose(TakeId(1)))),
        ("Play", Command::Sound(SoundCommand::PlayTake)),
        ("Loop", Command::Sound(SoundCommand::PlayLoop)),
        ("Seam", Command::Sound(SoundCommand::PlaySeam)),
        ("Hear source", Command::Sound(SoundCommand::Listen(Side::Source))),
        ("Open on the bench", Command::Go(GoCommand::Room(Room::Bench))),
    ] {
        assert_eq!(wishes(leaked(bottles()), button, DetailsPanel::ui), [wish], "{button}");
    }
}

#[test]
fn an_idle_window_asks_for_no_more_frames() {
    let mut w = Window::bottles();
    // Tooltips, scroll bars and the first small waves settle first.
    w.0.run_steps(120);
    let delay = w.0.output().viewport_output[&egui::ViewportId::ROOT].repaint_delay;
    assert!(delay > std::time::Duration::from_secs(3600), "asks again after {delay:?}");
}
