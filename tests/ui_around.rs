//! What lies around the rooms: the list of commands, the undo list, preferences, what was opened lately.

use std::path::PathBuf;

use egui::accesskit::Role;
use egui::{Key, Modifiers, Vec2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, EditCommand, LookCommand, Room};
use seamwright::app::session_state::SessionState;
use seamwright::app::settings::{Settings, SettingsPlace};
use seamwright::app::sound::SoundKind;
use seamwright::app::{App, Environment};
use seamwright::session::{Document, Edit, Setup};

struct Window(Harness<'static, App>);

impl Window {
    fn with(environment: Environment, size: Vec2) -> Self {
        let harness = Harness::builder()
            .with_size(size)
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Self(harness);
        w.0.run_steps(4);
        w
    }

    fn empty() -> Self {
        Self::with(Environment::for_tests(), vec2(1280.0, 800.0))
    }

    /// With a session in which the set was called a, b, c, one after the other.
    fn titled() -> Self {
        let mut w = Self::empty();
        let path = PathBuf::from("/not there/cellar bottles.seamwright");
        w.0.state_mut().show_session(SessionState::unlocked(Document::default(), path));
        for title in ["a", "b", "c"] {
            let edit = Edit::SetSetup(Box::new(Setup { title: title.into(), ..Setup::default() }));
            w.send(Command::Edit(EditCommand::Do { label: format!("Call it {title}"), edit }));
        }
        w.0.run_steps(3);
        w
    }

    fn send(&mut self, command: Command) {
        let ctx = self.0.ctx.clone();
        self.0.state_mut().dispatch(&ctx, command);
        self.0.run_steps(3);
    }

    fn press(&mut self, modifiers: Modifiers, key: Key) {
        self.0.key_press_modifiers(modifiers, key);
        self.0.run_steps(4);
    }

    fn type_text(&mut self, text: &str) {
        self.0.get_by_role_and_label(Role::TextInput, "Search commands").type_text(text);
        self.0.run_steps(4);
    }

    fn click(&mut self, label: &str) {
        self.0.get_by_label(label).click();
        self.0.run_steps(4);
    }

    fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    fn title(&self) -> String {
        self.0.state().session().document().setup.title.clone()
    }
}

#[test]
fn a_command_is_found_by_its_words_and_run_by_enter() {
    let mut w = Window::titled();
    w.press(Modifiers::COMMAND, Key::K);
    assert!(w.says("Command: Stack") && w.says("Command: Undo"));
    w.type_text("stac");
    assert!(!w.says("Command: Undo,"), "what does not have the letters is left out");
    w.press(Modifiers::NONE, Key::Enter);
    assert_eq!(w.0.state().room(), Room::Stack);
    assert!(!w.says("Command: "), "it closes behind itself");
    // Letters in the search are text, arrows choose, Escape closes without doing anything.
    w.press(Modifiers::COMMAND, Key::K);
    w.type_text("undo");
    w.press(Modifiers::NONE, Key::ArrowDown);
    assert_eq!(w.title(), "c");
    w.press(Modifiers::NONE, Key::Escape);
    assert!(!w.says("Command: "));
    assert_eq!((w.title().as_str(), w.0.state().room()), ("c", Room::Stack));
    w.press(Modifiers::COMMAND, Key::K);
    w.click("Command: Deliver, 4");
    assert_eq!(w.0.state().room(), Room::Deliver);
}

/// Letters typed at once after the keys of the list, in the same frame or before its field has the keys, go
/// into the search and do nothing else.
#[test]
fn the_list_has_the_keys_from_the_moment_it_is_asked_for() {
    let key = |key: Key, modifiers: Modifiers| egui::Event::Key {
        key,
        physical_key: Some(key),
        pressed: true,
        repeat: false,
        modifiers,
    };
    for frames_between in 0..4 {
        let mut w = Window::titled();
        let room = w.0.state().room();
        w.0.event(key(Key::K, Modifiers::COMMAND));
        (0..frames_between).for_each(|_| w.0.step());
        // 4 is the key of a room.
        w.0.event(key(Key::Num4, Modifiers::NONE));
        w.0.event(egui::Event::Text("4".into()));
        w.0.run_steps(4);
        assert_eq!(w.0.state().room(), room, "{frames_between}");
        assert!(
            w.says("Command: Deliver, 4") && !w.says("Command: Undo"),
            "{frames_between}: \"4\" is looked for"
        );
        // What is typed then goes on where it was.
        w.type_text("x");
        assert!(w.says("No command has these words"), "{frames_between}");
        w.press(Modifiers::NONE, Key::Backspace);
        assert!(w.says("Command: Deliver, 4"), "{frames_between}");
    }
}

#[test]
fn what_cannot_be_done_now_stands_there_with_its_reason() {
    let mut w = Window::empty();
    w.press(Modifiers::COMMAND, Key::K);
    let undo = "not now: no session is open";
    assert!(w.says(undo));
    for node in w.0.query_all_by_label_contains("not now") {
        assert!(node.accesskit_node().is_disabled());
    }
    w.type_text("undo");
    w.press(Modifiers::NONE, Key::Enter);
    assert!(w.says("Command: Undo"), "Enter on it does nothing");
    let mut w = Window::titled();
    for room in [Key::Num1, Key::Num2, Key::Num3, Key::Num4] {
        w.press(Modifiers::NONE, room);
        w.press(Modifiers::COMMAND, Key::K);
        assert!(w.says("not now: no take is selected") && w.says("not now: there is nothing to redo"));
        assert!(!w.says("not possible now"), "each reason is told");
        w.press(Modifiers::NONE, Key::Escape);
    }
}

#[test]
fn a_click_in_the_undo_list_goes_there_over_several_steps() {
    let mut w = Window::titled();
    w.press(Modifiers::COMMAND, Key::U);
    assert!(w.says("Step 3: Call it c, now"));
    w.click("Step 1: Call it a, done");
    assert_eq!(w.title(), "a");
    assert!(w.says("Step 3: Call it c, undone") && w.says("Step 1: Call it a, now"));
    w.click("Step 3: Call it c, undone");
    assert_eq!(w.title(), "c");
    w.click("Step 0: As it was opened, done");
    assert_eq!(w.title(), Setup::default().title);
    assert!(w.0.state().session().history().undo_label().is_none());
    // A new step makes what was undone go.
    w.click("Step 2: Call it b, undone");
    let edit = Edit::SetSetup(Box::new(Setup { title: "d".into(), ..Setup::default() }));
    w.send(Command::Edit(EditCommand::Do { label: "Call it d".into(), edit }));
    assert!(w.says("Step 3: Call it d, now") && !w.says("Call it c"));
}

#[test]
fn what_is_gone_is_greyed_and_can_be_forgotten() {
    let dir = tempfile::tempdir().unwrap();
    let (here, gone) = (dir.path().join("here"), dir.path().join("gone"));
    std::fs::create_dir_all(&here).unwrap();
    let settings = Settings { recent: vec![gone.clone(), here.clone()], ..Settings::default() };
    let file = dir.path().join("settings.json");
    std::fs::write(&file, serde_json::to_string(&settings).unwrap()).unwrap();
    let place = SettingsPlace::File(file);
    let mut w =
        Window::with(Environment { settings: place, ..Environment::for_tests() }, vec2(1280.0, 800.0));
    assert!(w.0.get_by_label("gone").accesskit_node().is_disabled());
    assert!(!w.0.get_by_label("here").accesskit_node().is_disabled());
    assert!(w.says("not there now"));
    w.click("Forget gone");
    assert!(w.0.query_by_label("gone").is_none());
    assert_eq!(w.0.state().settings().get().recent, [here]);
}

#[test]
fn preferences_tell_the_delay_and_set_colours_and_size() {
    for size in [vec2(800.0, 600.0), vec2(1280.0, 800.0), vec2(1920.0, 1080.0)] {
        let mut w = Window::with(Environment::for_tests(), size);
        w.press(Modifiers::COMMAND, Key::Comma);
        assert!(w.says("No sound: sound is switched off"));
        let inside = egui::Rect::from_min_size(egui::Pos2::ZERO, size);
        for name in ["Sound device", "Sound buffer", "MIDI keyboard", "Colours", "Size of everything"] {
            let boxes: Vec<_> = w.0.query_all_by_role_and_label(Role::ComboBox, name).collect();
            assert_eq!(boxes.len(), 1, "{name}");
            assert!(inside.contains_rect(boxes[0].rect()), "{name} at {size:?}");
        }
        w.0.get_by_role_and_label(Role::ComboBox, "Colours").click();
        w.0.run_steps(4);
        w.click("Dark");
        assert_eq!(w.0.state().settings().get().theme, seamwright::app::command::ThemeChoice::Dark);
    }
    let mut w = Window::empty();
    w.send(Command::Look(LookCommand::Scale(9.0)));
    assert_eq!(w.0.ctx.zoom_factor(), 2.0, "80 to 200 %");
    assert_eq!(w.0.state().settings().get().scale, 2.0);
}

/// Where the system has no folder dialog, a path can be typed though a session is open.
#[test]
fn a_path_can_be_typed_over_a_session() {
    let mut w = Window::titled();
    assert!(w.0.query_by_label("Path").is_none());
    w.press(Modifiers::COMMAND, Key::O);
    assert!(w.says("dialog did not open"));
    assert!(w.0.get_by_label("Path").is_focused());
    w.press(Modifiers::NONE, Key::Escape);
    w.press(Modifiers::NONE, Key::Escape);
    assert!(w.0.query_by_label("Path").is_none());
    w.press(Modifiers::COMMAND, Key::K);
    w.type_text("open a path");
    w.press(Modifiers::NONE, Key::Enter);
    w.0.get_by_label("Path").type_text("/no/such/folder");
    w.0.run_steps(4);
    w.press(Modifiers::NONE, Key::Enter);
    assert!(w.says(" folder: it is not there") && !w.says("/no/such/"));
    assert!(w.0.query_by_label("Path").is_none(), "it goes when something is opened");
    assert_eq!(w.title(), "c");
}

/// A list that the mouse opened goes on from what is chosen, and Enter closes it.
#[test]
fn lists_begin_at_what_is_chosen_and_close_when_chosen_by_keys() {
    let mut w = Window::empty();
    w.press(Modifiers::COMMAND, Key::Comma);
    w.send(Command::Look(LookCommand::Theme(seamwright::app::command::ThemeChoice::Light)));
    w.0.get_by_role_and_label(Role::ComboBox, "Colours").click();
    w.0.run_steps(4);
    assert!(w.0.get_by_label("Light").is_focused());
    w.press(Modifiers::NONE, Key::ArrowDown);
    assert!(w.0.get_by_label("Dark").is_focused());
    w.press(Modifiers::NONE, Key::Enter);
    assert_eq!(w.0.state().settings().get().theme, seamwright::app::command::ThemeChoice::Dark);
    assert!(w.0.query_by_label("Light").is_none(), "the list is closed");
}

/// 1280×800 at 160 %: 800×500 points.
#[test]
fn undo_stays_in_the_bar_of_a_small_window() {
    for size in [vec2(800.0, 500.0), vec2(1280.0, 800.0)] {
        let mut w = Window::titled();
        w.0.set_size(size);
        w.0.run_steps(4);
        let inside = egui::Rect::from_min_size(egui::Pos2::ZERO, size);
        let mut right = 0.0;
        for name in ["Sheet", "Bench", "Stack", "Deliver", "Undo", "Redo", "No sound", "Menu"] {
            let bar = |n: &egui_kittest::Node<'_>| n.rect().bottom() < 50.0;
            let r = w.0.query_all_by_label_contains(name).find(bar).expect(name).rect();
            assert!(inside.contains_rect(r) && r.left() >= right, "{name} at {size:?}: {r:?}");
            right = r.right();
        }
    }
}

#[test]
fn the_menu_leads_to_everything_that_has_no_room() {
    let mut w = Window::titled();
    for (entry, shows) in [
        ("All commands", "Command: Undo"),
        ("Undo list", "Step 3: Call it c, now"),
        ("Audition keyboard", "Letters play notes"),
        ("Preferences", "Size of everything"),
        ("Which key does what", "Play across the seam"),
    ] {
        w.click("Menu");
        let buttons = |n: &egui_kittest::Node<'_>| n.accesskit_node().role() == Role::Button;
        w.0.query_all_by_label_contains(entry).rfind(buttons).unwrap().click();
        w.0.run_steps(4);
        assert!(w.says(shows), "{entry}");
        w.press(Modifiers::NONE, Key::Escape);
    }
}

/// The window comes back as large as it was, however large everything in it is shown.
#[test]
fn the_window_is_remembered_whatever_the_scale() {
    for scale in [1.0, 1.5] {
        let mut w = Window::empty();
        w.send(Command::Look(LookCommand::Scale(scale)));
        // As the toolkit tells it: in points, of which a scaled window has fewer.
        let inner = egui::Rect::from_min_size(egui::Pos2::ZERO, vec2(1200.0, 900.0) / scale);
        let root = egui::ViewportId::ROOT;
        w.0.input_mut().viewports.entry(root).or_default().inner_rect = Some(inner);
        w.0.run_steps(4);
        let [width, height] = w.0.state().settings().get().window;
        assert!((width - 1200.0).abs() < 0.1 && (height - 900.0).abs() < 0.1, "{width}×{height} at {scale}");
    }
}

/// Whatever its width, nothing in the bar lies over anything else, with a sound device and without one.
#[test]
fn nothing_overlaps_in_the_bar() {
    for sound in [SoundKind::Fetched, SoundKind::Off] {
        let mut w = Window::with(Environment { sound, ..Environment::for_tests() }, vec2(1280.0, 800.0));
        let path = PathBuf::from("/not there/cellar bottles.seamwright");
        w.0.state_mut().show_session(SessionState::unlocked(Document::default(), path));
        let edit = Edit::SetSetup(Box::new(Setup { title: "A rather long name".into(), ..Setup::default() }));
        w.send(Command::Edit(EditCommand::Do { label: "Call it something else".into(), edit }));
        for width in (640..1960).step_by(20) {
            let size = vec2(width as f32, 500.0);
            w.0.set_size(size);
            w.0.run_steps(4);
            let is = |n: &egui_kittest::Node<'_>| {
                let role = n.accesskit_node().role();
                matches!(role, Role::Button | Role::Tab | Role::Slider | Role::SpinButton)
                    && n.rect().bottom() < 50.0
            };
            let all = w.0.query_all_by(|_| true).filter(is);
            let mut bar: Vec<_> =
                all.map(|n| (n.accesskit_node().label().unwrap_or_default(), n.rect())).collect();
            bar.sort_by(|a, b| a.1.left().total_cmp(&b.1.left()));
            assert!(bar.len() >= 5, "{bar:?}");
            for pair in bar.windows(2) {
                let (a, b) = (&pair[0], &pair[1]);
                // A slider and its own field are one.
                assert!(a.0 == b.0 || a.1.right() <= b.1.left() + 0.5, "{a:?} over {b:?} at {width}");
            }
            assert!(bar.iter().all(|(_, r)| r.left() >= 0.0 && r.right() <= size.x), "{bar:?} at {width}");
        }
    }
}
