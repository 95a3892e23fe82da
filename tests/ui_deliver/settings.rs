//! Every setting by its name, and numbers that are refused.

use super::*;

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
