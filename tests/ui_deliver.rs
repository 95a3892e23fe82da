//! The deliver room: every setting by its name, names while they are typed, the drawn map and levels,
//! what stands in the folder.

mod deliver_support;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use deliver_support::{document, take};
use egui::accesskit::Role;
use egui::{Key, Modifiers, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use seamwright::app::command::{Command, WorkCommand};
use seamwright::app::session_state::SessionState;
use seamwright::app::{App, Environment};
use seamwright::audio::signals;
use seamwright::io::SoundForm;
use seamwright::io::hash::hash_file;
use seamwright::render::standing::FileStanding;
use seamwright::session::delivery::*;
use seamwright::session::{Document, Setup, Source, TakeState};
use seamwright::units::{MiddleC, MidiNote, Seconds};

struct Window(Harness<'static, App>);

impl Window {
    fn over(document: Document, session: &Path, size: egui::Vec2) -> Self {
        let environment = Environment::for_tests();
        let harness = Harness::builder()
            .with_size(size)
            .with_step_dt(1.0 / 60.0)
            .build_eframe(move |cc| App::new(&cc.egui_ctx, &environment, vec![]).unwrap());
        let mut w = Self(harness);
        w.0.state_mut().show_session(SessionState::unlocked(document, session.to_path_buf()));
        w.steps();
        w.0.key_press(Key::Num4);
        w.steps();
        w
    }

    /// High enough that nothing has to be scrolled to.
    fn of(document: Document) -> Self {
        Self::over(document, Path::new("/not there/bottles.seamwright"), vec2(1600.0, 1700.0))
    }

    fn steps(&mut self) {
        self.0.run_steps(6);
    }

    fn setup(&self) -> Setup {
        self.0.state().session().document().setup.clone()
    }

    fn delivery(&self) -> DeliverySetup {
        self.setup().delivery
    }

    fn click(&mut self, label: &str) {
        self.0.get_by_label(label).click();
        self.steps();
    }

    fn pick(&mut self, name: &str, option: &str) {
        self.0.get_by_role_and_label(Role::ComboBox, name).click();
        self.steps();
        self.0.get_by_role_and_label(Role::Button, option).click();
        self.steps();
    }

    fn number(&mut self, name: &str, value: f64) {
        self.0.get_by_role_and_label(Role::SpinButton, name).set_value_accesskit(value);
        self.steps();
    }

    /// Types into a field without leaving it.
    fn begin_typing(&mut self, name: &str, text: &str) {
        self.0.get_by_role_and_label(Role::TextInput, name).focus();
        self.steps();
        self.0.key_press_modifiers(Modifiers::COMMAND, Key::A);
        self.steps();
        self.0.get_by_role_and_label(Role::TextInput, name).type_text(text);
        self.steps();
    }

    fn type_into(&mut self, name: &str, text: &str) {
        self.begin_typing(name, text);
        self.0.key_press(Key::Enter);
        self.steps();
    }

    fn undo(&mut self) {
        self.0.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        self.steps();
    }

    fn says(&self, part: &str) -> bool {
        self.0.query_all_by_label_contains(part).next().is_some()
    }

    fn can_deliver(&self) -> bool {
        !self.0.get_by_role_and_label(Role::Button, "Deliver").accesskit_node().is_disabled()
    }

    fn send(&mut self, command: Command) {
        let ctx = self.0.ctx.clone();
        self.0.state_mut().dispatch(&ctx, command);
        self.steps();
    }
}

fn two_layers() -> Document {
    let mut d = document(&[take(60, 0), take(63, 0), take(60, 1), take(63, 1)]);
    d.setup.title = "bottles".into();
    d
}

/// Each control changes its setting and nothing else, as one step that undo takes back.
#[test]
fn every_setting_has_its_control_and_undo() {
    type Turn = fn(&mut Window);
    type Want = fn(&mut Setup);
    let turns: &[(&str, Turn, Want)] = &[
        ("set name", |w| w.type_into("Set name", "jars"), |s| s.title = "jars".into()),
        (
            "pattern",
            |w| w.type_into("Name pattern", "{midi} {layer}"),
            |s| s.name_pattern = "{midi} {layer}".into(),
        ),
        ("a field by its button", |w| w.click("{index}"), |s| s.name_pattern += " {index}"),
        ("accidentals", |w| w.pick("Accidentals", "Flats: Db4"), |s| s.delivery.spelling = Spelling::Flat),
        ("middle C", |w| w.pick("Middle C", "Middle C is C3"), |s| s.delivery.middle_c = Some(MiddleC::C3)),
        (
            "folders",
            |w| w.pick("Folders", "A folder for each layer"),
            |s| s.delivery.folders = Folders::PerLayer,
        ),
        ("form", |w| w.pick("Format", "FLAC, 24 bits"), |s| s.delivery.form = SoundForm::Flac),
        (
            "rate",
            |w| w.pick("Rate", "96000 Hz"),
            |s| s.delivery_rate = seamwright::units::SampleRate::new(96_000).unwrap(),
        ),
        ("pre-roll", |w| w.click("The same for all"), |s| s.delivery.pre_roll = Some(Seconds(0.01))),
        (
            "pre-roll in ms",
            |w| w.number("Pre-roll in ms", 25.0),
            |s| s.delivery.pre_roll = Some(Seconds(0.025)),
        ),
        ("tail", |w| w.pick("After the loop", "Faded"), |s| s.delivery.tail = Tail::Faded(Seconds(0.5))),
        ("fade", |w| w.number("Faded over", 2.0), |s| s.delivery.tail = Tail::Faded(Seconds(2.0))),
        (
            "levels",
            |w| w.pick("Levels", "Evened over the notes"),
            |s| s.delivery.level.mode = LevelMode::Even(1.0),
        ),
        ("strength", |w| w.number("Strength", 40.0), |s| s.delivery.level.mode = LevelMode::Even(0.4)),
        (
            "one loudness",
            |w| w.pick("Levels", "One loudness"),
            |s| s.delivery.level.mode = LevelMode::Loudness(-23.0),
        ),
        ("loudness", |w| w.number("Loudness", -18.0), |s| s.delivery.level.mode = LevelMode::Loudness(-18.0)),
        ("ceiling", |w| w.number("Peak ceiling", -3.0), |s| s.delivery.level.ceiling.0 = -3.0),
        ("per layer", |w| w.click("Each layer for itself"), |s| s.delivery.level.per_layer = false),
        (
            "reach",
            |w| w.pick("Takes sound on", "Keys upwards to the next"),
            |s| s.delivery.map.reach = Reach::Upwards,
        ),
        ("lowest", |w| w.number("Lowest key", 48.0), |s| s.delivery.map.lowest = MidiNote(48)),
        ("highest", |w| w.number("Highest key", 72.0), |s| s.delivery.map.highest = MidiNote(72)),
        ("furthest", |w| w.number("Stretch at most", 5.0), |s| s.delivery.map.furthest = 5),
        ("gaps", |w| w.click("Filled by their neighbours"), |s| s.delivery.map.fill_missing = false),
        (
            "layers",
            |w| w.pick("Layers become", "Velocity ranges"),
            |s| s.delivery.map.layers = LayersAs::Velocity,
        ),
        ("release", |w| w.number("Release", 1.5), |s| s.delivery.map.release = Seconds(1.5)),
        ("sfz", |w| w.click("SFZ, a text map"), |s| s.delivery.map.sfz = false),
        ("sf2", |w| w.pick("SoundFont", "24 bits"), |s| s.delivery.map.sf2 = Some(BankDepth::Bits24)),
        ("report", |w| w.click("Page, table (CSV) and JSON"), |s| s.delivery.report = false),
        (
            "credits",
            |w| w.type_into("Credits file", "Licence.txt"),
            |s| s.delivery.credits = Some(PathBuf::from("Licence.txt")),
        ),
        (
            "artist",
            |w| w.type_into("Artist", "the kitchen"),
            |s| s.delivery.texts.artist = "the kitchen".into(),
        ),
        ("copyright", |w| w.type_into("Copyright", "CC0"), |s| s.delivery.texts.copyright = "CC0".into()),
        (
            "comment",
            |w| w.type_into("Comment", "a fridge hums"),
            |s| s.delivery.texts.comment = "a fridge hums".into(),
        ),
        ("date", |w| w.type_into("Date", "2024-05-18"), |s| s.delivery.texts.date = "2024-05-18".into()),
        ("score", |w| w.number("Accept from score", 80.0), |s| s.accept_score = 80.0),
        (
            "folder",
            |w| w.type_into("Folder", "/elsewhere"),
            |s| s.delivery.folder = Some(PathBuf::from("/elsewhere")),
        ),
    ];
    let mut w = Window::of(two_layers());
    for (name, turn, want) in turns {
        let before = w.setup();
        let mut wanted = before.clone();
        want(&mut wanted);
        assert_ne!(before, wanted, "{name}: the test would say nothing");
        turn(&mut w);
        assert_eq!(w.setup(), wanted, "{name}");
        w.undo();
        assert_eq!(w.setup(), before, "{name}: undo");
        w.0.key_press_modifiers(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
        w.steps();
        assert_eq!(w.setup(), wanted, "{name}: redo");
        assert!(w.delivery().validate().is_ok(), "{name}");
    }
}

#[test]
fn names_follow_the_typing_and_clashes_show_before_anything_is_written() {
    let mut w = Window::of(two_layers());
    for name in ["bottles C4 1.wav", "bottles D#4 2.wav"] {
        assert!(w.says(name), "{name}");
    }
    assert!(w.can_deliver());
    w.begin_typing("Name pattern", "{midi}-{layer:02}");
    assert!(w.says("060-01.wav") && w.says("063-02.wav"), "while it is typed");
    assert_eq!(w.setup().name_pattern, "{set} {note} {layer}", "and not yet taken");
    w.0.key_press(Key::Escape);
    w.steps();
    assert!(w.says("bottles C4 1.wav"), "given up");
    // All four notes of two layers under two names.
    w.type_into("Name pattern", "{note}");
    assert!(w.says("would both be written as") && !w.can_deliver());
    assert_eq!(w.0.query_all_by_label_contains("refused").count(), 4, "each of the four carries the word");
    w.type_into("Name pattern", "{nota}");
    assert!(w.says("{nota}") && !w.can_deliver(), "an unknown placeholder is told");
    // A character that some systems refuse; the words are those of the window.
    w.type_into("Name pattern", "{set} {note} {layer}");
    w.type_into("Set name", "what?");
    assert!(w.says("change the set name") && !w.says("the set's title") && !w.can_deliver());
    w.undo();
    assert!(w.can_deliver());
}

/// What cannot be: names with slashes, much too long, reserved by some systems.
#[test]
fn nasty_names_are_refused_in_words() {
    let mut w = Window::of(two_layers());
    let long = "x".repeat(300);
    for (title, word) in [
        ("a/b", "it holds '/'"),
        ("..\\up", "it holds '\\\\'"),
        (&*long, "bytes long"),
        ("tab\there", "change the set name"),
    ] {
        let mut setup = w.setup();
        setup.title = title.into();
        let edit = seamwright::session::Edit::SetSetup(Box::new(setup));
        w.send(Command::Edit(seamwright::app::command::EditCommand::Do { label: "Title".into(), edit }));
        assert!(w.says(word), "{title:.20}: {word}");
        assert!(!w.can_deliver(), "{title:.20}");
    }
    let mut setup = w.setup();
    (setup.title, setup.name_pattern) = ("x".into(), "NUL".into());
    let edit = seamwright::session::Edit::SetSetup(Box::new(setup));
    w.send(Command::Edit(seamwright::app::command::EditCommand::Do { label: "Title".into(), edit }));
    assert!(w.says("keep it for themselves") && !w.can_deliver());
}

#[test]
fn without_an_accepted_take_the_room_says_what_to_do() {
    let mut d = two_layers();
    d.takes = d
        .takes
        .iter()
        .map(|t| Arc::new(seamwright::session::Take { state: TakeState::Proposed, ..(**t).clone() }))
        .collect();
    let w = Window::of(d);
    assert!(w.says("no take is accepted") && !w.can_deliver());
    assert!(w.says("No accepted take sounds on a key yet"));
}

/// Nearest root, the middle to the lower: C4 up to C#4, D#4 from D4; twelve semitones at the ends.
#[test]
fn the_map_tells_each_take_its_keys_and_selects_it() {
    let mut w = Window::of(two_layers());
    for words in ["Layer 1, C4: keys C3 to C#4", "Layer 2, D#4: keys D4 to D#5"] {
        assert!(w.says(words), "{words}");
    }
    assert!(w.says("Keyboard C3 to B5: 28 of 36 keys sound"));
    w.click("Layer 2, D#4: keys D4 to D#5");
    assert_eq!(w.0.state().selected().map(|t| t.0), Some(4));
    w.pick("Layers become", "Velocity ranges");
    assert!(w.says("Layer 1, C4: keys C3 to C#4, velocity 1 to 63"));
    w.pick("Layers become", "Round robin");
    assert!(w.says("Layer 2, C4: keys C3 to C#4, round robin 2 of 2"));
}

/// At every size the room's parts can be reached, in a narrow one by turns.
#[test]
fn a_narrow_window_shows_one_at_a_time() {
    let session = Path::new("/not there/bottles.seamwright");
    let mut w = Window::over(two_layers(), session, vec2(800.0, 533.0));
    assert!(w.0.query_by_role_and_label(Role::TextInput, "Set name").is_some());
    assert!(!w.says("bottles D#4 1.wav"));
    w.click("What will be written");
    assert!(w.says("bottles D#4 1.wav"));
    assert!(w.0.query_by_role_and_label(Role::TextInput, "Set name").is_none());
    assert!(w.can_deliver());
}

/// A real recording of 2 s with two takes' worth of tones at the levels asked for.
fn recorded(folder: &Path) -> (Document, PathBuf) {
    let mut d = document(&[take(57, 0), take(60, 0)]);
    d.setup.title = "set".into();
    d.setup.delivery.report = false;
    d.sources.clear();
    for (i, (hz, gain)) in [(220.0, 0.1f32), (261.6256, 0.2)].into_iter().enumerate() {
        let path = folder.join(format!("{i}.wav"));
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(&path, spec).unwrap();
        for s in signals::sine(hz, f64::from(gain), 48_000.0, 96_000) {
            wav.write_sample((s * 8_388_607.0) as i32).unwrap();
        }
        wav.finalize().unwrap();
        let (bytes, hash) = hash_file(&path, &|| true).unwrap();
        let source = Source {
            id: seamwright::session::SourceId(i as u32 + 1),
            path: path.file_name().unwrap().into(),
            bytes,
            hash,
            rate: seamwright::units::SampleRate::DELIVERY,
            channels: 1,
            frames: 96_000,
            room_tone: None,
            room_marked: Vec::new(),
        };
        let mut take = (*d.takes[i]).clone();
        take.source = source.id;
        d.takes[i] = Arc::new(take);
        d.sources.push(Arc::new(source));
    }
    (d, folder.join("set.seamwright"))
}

/// ITU-R BS.1770: a sine near 1 kHz reads its rms level less 0.691 dB plus the filter's gain; between
/// two sines of one filter gain only their ratio matters: 6.02 dB for twice the amplitude, and the
/// high-pass takes 0.1 dB more from 220 Hz than from 262 Hz at most.
#[test]
fn levels_are_measured_and_drawn_before_and_after() {
    let dir = tempfile::tempdir().unwrap();
    let (d, session) = recorded(dir.path());
    let mut w = Window::over(d, &session, vec2(1600.0, 1700.0));
    assert!(w.says("How loud the takes are is not known yet"));
    w.click("Measure levels");
    w.steps();
    let lufs = |w: &Window, id: u32| {
        let level = w.0.state().derived().deliver().level(seamwright::session::TakeId(id)).cloned();
        level.unwrap().1.lufs.unwrap()
    };
    let apart = lufs(&w, 2) - lufs(&w, 1);
    assert!((apart - 6.02).abs() < 0.15, "{apart}");
    assert!(w.says("Layer 1, A3: −") && w.says("LUFS, true peak −20.0 dB"), "0.1 of full scale");
    w.pick("Levels", "One loudness");
    w.number("Loudness", -30.0);
    assert_eq!(w.0.query_all_by_label_contains("to −30.0 LUFS, gain").count(), 2);
    assert!(!w.says("not known yet"), "a gain needs no new measurement");
    // Another pre-roll is another sound: the old picture stays and says so.
    w.click("The same for all");
    assert!(w.says("2 takes changed since"));
    w.click("Measure levels");
    assert!(!w.says("changed since"));
}

#[test]
fn the_folder_tells_what_is_new_changed_and_left_over() {
    let dir = tempfile::tempdir().unwrap();
    let (d, session) = recorded(dir.path());
    let mut w = Window::over(d, &session, vec2(1600.0, 1700.0));
    let out = dir.path().join("out");
    let count = |w: &Window, what| w.0.state().derived().deliver().standing().unwrap().count(what);
    assert!(w.says("no delivery yet") && count(&w, FileStanding::New) == 2);
    w.0.get_by_role_and_label(Role::Button, "Deliver").click();
    w.steps();
    assert!(
        w.says("2 files written") && w.says("2 as delivered"),
        "the default folder is beside the session"
    );
    assert!(out.join("set A3 1.wav").exists() && out.join("set C4 1.wav").exists());
    // What decides the bytes of both.
    w.pick("Format", "WAV, 16 bits");
    assert!(w.says("2 changed since the last delivery"));
    // Levels that follow something are compared by what was measured when delivering.
    w.pick("Levels", "Evened over the notes");
    assert!(w.says("2 changed since the last delivery"), "they are known from the delivery");
    w.0.get_by_role_and_label(Role::Button, "Deliver").click();
    w.steps();
    assert!(w.says("2 as delivered"), "and come to the same again");
    // Other names leave the old files over; they go when asked, and only then.
    w.type_into("Name pattern", "{note}-{layer}");
    assert!(
        w.says("2 files of earlier deliveries no longer part of this one") || w.says("3 files of earlier")
    );
    w.click("Remove them…");
    assert!(out.join("set A3 1.wav").exists(), "it was only asked");
    w.click("Keep");
    w.click("Remove them…");
    w.click("Remove");
    assert!(!out.join("set A3 1.wav").exists() && !w.says("no longer part"));
    // A file of somebody else is told of, not written over.
    std::fs::write(out.join("A3-1.wav"), b"mine").unwrap();
    w.send(Command::Go(seamwright::app::command::GoCommand::Room(seamwright::app::command::Room::Sheet)));
    w.send(Command::Go(seamwright::app::command::GoCommand::Room(seamwright::app::command::Room::Deliver)));
    assert!(w.says("1 taken by a file of somebody else"));
    w.0.get_by_role_and_label(Role::Button, "Deliver").click();
    w.steps();
    assert!(w.says("1 failed") && w.says("was not delivered by this program"));
    assert_eq!(std::fs::read(out.join("A3-1.wav")).unwrap(), b"mine");
    // A mistake in the pattern names no file: nothing is left over by it, neither while it is typed nor after.
    let delivered = out.join("C4-1.wav");
    assert!(delivered.exists());
    for pattern in ["{note}-{layer}{foo", "{nota}"] {
        w.begin_typing("Name pattern", pattern);
        assert!(w.says("Nothing: the name pattern has a mistake") && !w.says("Remove them"), "{pattern}");
        w.0.key_press(Key::Enter);
        w.steps();
        assert!(w.says("Nothing: the name pattern has a mistake") && !w.says("Remove them"), "{pattern}");
        assert_eq!(w.0.state().derived().deliver().standing().unwrap().orphans, Vec::<String>::new());
        // What was pressed a moment before removes nothing either.
        w.send(Command::Work(WorkCommand::RemoveOrphans(out.clone(), vec!["C4-1.wav".into()])));
        assert!(delivered.exists() && w.says("nothing was removed"), "{pattern}");
        w.undo();
    }
    // Where nothing of what would be written stands there, all that stands there would go: that is said.
    w.type_into("Name pattern", "{midi}");
    w.click("Remove them…");
    assert!(w.says("Nothing that was delivered remains then") && w.says("Remove the only file"));
    w.click("Keep");
    assert!(delivered.exists());
}

/// Where no program can be started the path is told.
#[test]
fn a_report_that_cannot_be_opened_tells_its_path() {
    let mut w = Window::of(two_layers());
    w.send(Command::Work(WorkCommand::OpenFile(PathBuf::from("/somewhere/report.html"))));
    assert!(w.says("open report.html yourself"));
    w.send(Command::Look(seamwright::app::command::LookCommand::Messages(true)));
    assert!(w.says("open /somewhere/report.html yourself"), "where it lies, in full");
}

/// What cannot be read, or lies outside of what is allowed, stays in its field to be mended.
#[test]
fn a_number_that_is_refused_stays_and_says_why() {
    let mut w = Window::of(two_layers());
    let before = w.setup().accept_score;
    let name = "Accept from score";
    let enter = |w: &mut Window, text: &str| {
        w.0.get_by_label(name).focus();
        w.steps();
        w.0.key_press_modifiers(Modifiers::COMMAND, Key::A);
        w.steps();
        w.0.event(egui::Event::Text(text.into()));
        w.steps();
        w.0.key_press(Key::Enter);
        w.steps();
    };
    // The toolkit joins the value and its unit, which this field lacks, by a space.
    let shown = |w: &Window| {
        let value = w.0.get_by_label(name).accesskit_node().value().unwrap_or_default();
        value.trim_end().to_owned()
    };
    enter(&mut w, "banana");
    assert!(w.says("“banana” cannot be read here; write 0 to 100."));
    assert_eq!((w.setup().accept_score, shown(&w).as_str()), (before, "banana"));
    enter(&mut w, "250");
    assert!(w.says("“250” is not within 0 to 100.") && !w.says("banana"));
    assert_eq!((w.setup().accept_score, shown(&w).as_str()), (before, "250"));
    // Escape in the field takes it back.
    w.0.get_by_label(name).focus();
    w.steps();
    w.0.key_press(Key::Escape);
    w.steps();
    assert!(!w.says("is not within"));
    assert_eq!(shown(&w), format!("{before:.0}"));
    // So it does with one that would do.
    w.0.get_by_label(name).focus();
    w.steps();
    w.0.key_press_modifiers(Modifiers::COMMAND, Key::A);
    w.steps();
    w.0.event(egui::Event::Text("33".into()));
    w.steps();
    w.0.key_press(Key::Escape);
    w.steps();
    assert_eq!(w.setup().accept_score, before);
    enter(&mut w, "55");
    assert_eq!(w.setup().accept_score, 55.0);
    assert!(!w.says("cannot be read") && !w.says("is not within"));
    assert_eq!(w.0.state().session().history().labels().count(), 1);
}

/// What was refused stands as it was typed: the unit of the field is not put after it once more.
#[test]
fn a_number_that_is_refused_has_no_second_unit() {
    let mut w = Window::of(two_layers());
    let name = "Release";
    w.0.get_by_label(name).focus();
    w.steps();
    w.0.key_press_modifiers(Modifiers::COMMAND, Key::A);
    w.steps();
    w.0.event(egui::Event::Text("99 s".into()));
    w.steps();
    w.0.key_press(Key::Enter);
    w.steps();
    assert!(w.says("“99 s” is not within"));
    let shown = |w: &Window| w.0.get_by_label(name).accesskit_node().value().unwrap_or_default();
    assert_eq!(shown(&w).matches('s').count(), 1, "{}", shown(&w));
    w.0.get_by_label(name).focus();
    w.steps();
    w.0.key_press(Key::Escape);
    w.steps();
    assert_eq!(shown(&w).matches('s').count(), 1, "the value has its unit again: {}", shown(&w));
}

/// A set must have a name: an empty field stays, marked, and says so; nothing is changed by it.
#[test]
fn an_empty_name_stays_and_says_why() {
    let mut w = Window::of(two_layers());
    let before = w.setup().title;
    w.type_into("Set name", " ");
    assert!(w.says("This cannot be empty"));
    assert_eq!(w.setup().title, before);
    w.type_into("Set name", "Other bottles");
    assert!(!w.says("This cannot be empty"));
    assert_eq!(w.setup().title, "Other bottles");
}

/// Every placeholder is told with what it stands for here; a wrong one in words at the field, while it is typed.
#[test]
fn the_name_pattern_explains_itself() {
    let mut w = Window::of(two_layers());
    assert!(w.says("bottles C4 1.wav") && w.says("For example"));
    for part in [
        "the set name; here bottles",
        "the number of the layer, from 1; here 1",
        "the name of the note, such as C#4; here C4",
        "middle C is 060; here 060",
        "running number through the sheet, from 1; here 1",
        "1 to 127; here 127",
        "(round robin), from 1; here 1",
    ] {
        assert!(w.says(part), "{part}");
    }
    // The example is that of the selected take.
    w.click("Layer 2, D#4: keys D4 to D#5");
    assert!(w.says("such as C#4; here D#4") && w.says("from 1; here 2"));
    for (pattern, words) in [
        ("{set} {rrr}", "There is no placeholder {rrr}; {rr} may be meant."),
        ("{note", "A { has no } after it"),
        ("{layer:x}", "after the colon stands how many digits"),
        ("{note:2}", "only numbers have a width; write {note}."),
    ] {
        w.begin_typing("Name pattern", pattern);
        let field = w.0.get_by_role_and_label(Role::TextInput, "Name pattern").rect();
        let told = w.0.get_by_label_contains(words).rect();
        assert!(
            told.top() >= field.bottom() && told.top() < field.bottom() + 20.0,
            "{pattern}: at the field"
        );
        assert!(!w.can_deliver(), "{pattern}");
        assert!(
            !w.says("the name pattern cannot be") && !w.says("fields"),
            "{pattern}: told once, by one word"
        );
        w.0.key_press(Key::Escape);
        w.steps();
        assert!(!w.says(words) && w.can_deliver(), "{pattern}");
    }
}

/// The keyboard has the whole width of a wide window, and what is below fills it to its foot.
#[test]
fn a_wide_window_is_used() {
    let session = Path::new("/not there/bottles.seamwright");
    let w = Window::over(two_layers(), session, vec2(1920.0, 1080.0));
    let keys = w.0.get_by_label_contains("Keyboard C3 to B5").rect();
    assert!(keys.width() > 1000.0 && keys.right() > 1860.0, "{keys}");
    let last = w.0.get_by_label("What will be written").rect();
    let since = w.0.get_by_label("Since the last delivery").rect();
    assert!(since.left() > last.left() + 500.0 && (since.top() - last.top()).abs() < 1.0, "{last} {since}");
}

#[test]
fn numbers_below_zero_have_a_real_minus_sign() {
    let mut w = Window::of(two_layers());
    w.pick("Levels", "One loudness");
    w.number("Lowest key", 0.0);
    for (name, shown) in [("Loudness", "−23.0"), ("Peak ceiling", "−1.0"), ("Lowest key", "C−1")] {
        let value = w.0.get_by_role_and_label(Role::SpinButton, name).accesskit_node().value();
        assert!(value.as_deref().is_some_and(|v| v.starts_with(shown)), "{name}: {value:?}");
    }
}

/// What keeps a delivery from being begun stands at the folder, also when only trying told it, until another folder
/// is named.
#[test]
fn a_folder_that_cannot_be_used_says_so_where_it_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let (d, session) = recorded(dir.path());
    let mut w = Window::over(d, &session, vec2(1600.0, 1700.0));
    let at_folder = |w: &Window, part: &str| {
        let field = w.0.get_by_role_and_label(Role::TextInput, "Folder").rect();
        w.0.query_all_by_label_contains(part)
            .any(|n| n.rect().top() >= field.bottom() - 1.0 && n.rect().top() < field.bottom() + 60.0)
    };
    // The takes' own folder is refused before anything is tried.
    w.type_into("Folder", &dir.path().display().to_string());
    assert!(at_folder(&w, "holds the takes themselves") && !w.can_deliver());
    // So is one that the system lets nobody make, in full, and only there.
    #[cfg(target_os = "linux")]
    {
        w.type_into("Folder", "/proc/none/x");
        assert!(at_folder(&w, "cannot make the folder /proc/none/x") && !w.can_deliver());
        assert_eq!(w.0.query_all_by_label_contains("cannot make").count(), 1);
    }
    // A file stands where the folder would be made.
    let file = dir.path().join("a file");
    std::fs::write(&file, b"mine").unwrap();
    w.type_into("Folder", &file.display().to_string());
    assert!(at_folder(&w, "is a file of that name; choose another folder"), "at the field");
    // Found out only by trying, it is told there as well, and once.
    w.send(Command::Work(WorkCommand::Deliver(file.clone())));
    assert_eq!(w.0.query_all_by_label_contains("is a file of that name").count(), 1);
    assert_eq!(std::fs::read(&file).unwrap(), b"mine");
    w.type_into("Folder", "elsewhere");
    assert!(!at_folder(&w, "is a file of that name"), "it was said of the other folder");
    w.0.get_by_role_and_label(Role::Button, "Deliver").click();
    w.steps();
    assert!(w.says("2 files written") && w.says("Delivered to elsewhere: 2 written, 0 as they were"));
    // What was done is told with its folder once another is named.
    w.type_into("Folder", "yet another");
    assert!(w.says("/elsewhere:"));
}
