//! What will be written and what stands in the folder.

use super::*;

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
