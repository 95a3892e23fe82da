//! Names while they are typed.

use super::*;

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
        ("{set} {rund}", "There is no placeholder {rund}; {round} may be meant."),
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
