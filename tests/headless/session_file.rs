//! The session file: damage, versions, locks, moved and changed sources.

use super::make::*;
use seamwright::error::ErrorKind;
use seamwright::session::{ConcernKind, Edit, Take, TakeState, store};

#[test]
fn saves_and_opens_the_same() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    assert_eq!(path.parent(), Some(dir.path()));
    let opened = store::open(&path).unwrap();
    assert!(opened.lock.is_some() && opened.problems.is_empty());
    assert_eq!(opened.document.takes.len(), 3);
    // Sources by relative path, so that the folder can be moved.
    assert!(opened.document.sources.iter().all(|s| s.path.is_relative()));
    let bytes = std::fs::read(&path).unwrap();
    store::save(&path, &opened.document).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
}

#[test]
fn a_damaged_session_is_refused_left_alone_and_the_autosave_offered() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let good = std::fs::read(&path).unwrap();
    for damage in
        [&b""[..], b"{", b"not json at all", &good[..good.len() / 2], b"{\"format\":\"x\",\"version\":1}"]
    {
        std::fs::write(&path, damage).unwrap();
        let e = store::open(&path).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::SessionDamaged);
        assert!(e.to_string().contains("A good autosave of it is"), "{e}");
        assert_eq!(std::fs::read(&path).unwrap(), damage, "a damaged file must be left as it is");
        let auto = store::autosave_of(&path).unwrap();
        assert_eq!(store::read(&auto).unwrap().takes.len(), 3);
    }
    // A take outside its file would make every later step fail in worse words.
    let text = String::from_utf8(good).unwrap().replace("\"frames\": 192000", "\"frames\": 5");
    std::fs::write(&path, text).unwrap();
    assert!(store::open(&path).unwrap_err().to_string().contains("inside its file"));
    let r = run(&["propose", s(dir.path())]);
    assert_eq!(r.code, 1);
    assert!(r.err.contains("left as it is"), "{}", r.err);
}

#[test]
fn a_later_versions_session_is_refused_and_left_alone() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let later = std::fs::read_to_string(&path).unwrap().replacen("\"version\": 1", "\"version\": 2", 1);
    std::fs::write(&path, &later).unwrap();
    let e = store::open(&path).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::SessionNewer);
    assert!(e.to_string().contains("later version"), "{e}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), later);
}

#[test]
fn the_second_program_opens_read_only_and_says_so() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let first = store::open(&path).unwrap();
    assert!(first.lock.is_some());
    let second = store::open(&path).unwrap();
    assert!(second.lock.is_none());
    assert!(second.read_only_because.unwrap().contains("another program"));
    // Another process as well.
    let r = run(&["propose", s(dir.path())]);
    assert_ne!(r.code, 0);
    assert!(r.err.contains("another program") && r.err.contains("Close it there first"), "{}", r.err);
    assert!(!r.err.contains("shown"), "a command shows nothing: {}", r.err);
    drop(first);
    assert!(store::open(&path).unwrap().lock.is_some());
}

#[test]
fn a_folder_with_two_sessions_says_which_one_is_meant() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let deliver = |to: &str| run(&["deliver", s(dir.path()), "--to", s(&dir.path().join(to)), "--preview"]);
    assert!(!deliver("a").err.contains("sessions"), "one session is no question");
    for name in ["yy.seamwright", "zz.seamwright"] {
        std::fs::copy(&path, dir.path().join(name)).unwrap();
    }
    let r = deliver("b");
    assert!(r.err.contains("holds 2 sessions"), "{}", r.err);
    assert!(r.err.contains("about yy.seamwright"), "{}", r.err);
}

#[test]
fn moved_sources_are_found_again_and_changed_ones_reported() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    std::fs::create_dir(dir.path().join("elsewhere")).unwrap();
    std::fs::rename(dir.path().join("C4.wav"), dir.path().join("elsewhere/first bottle.wav")).unwrap();
    std::fs::remove_file(dir.path().join("D4.wav")).unwrap();
    write(&dir.path().join("E4.wav"), &steady(329.6276, 2.0, 8));
    let opened = store::open(&path).unwrap();
    assert_eq!(opened.problems.len(), 3, "{:?}", opened.problems);
    let of = |name: &str| {
        let source = opened.document.sources.iter().find(|s| s.path.ends_with(name));
        let source = source.unwrap_or_else(|| panic!("{name} is not listed"));
        let take = opened.document.takes.iter().find(|t| t.source == source.id).unwrap();
        take.concerns.iter().any(|c| c.kind == ConcernKind::SourceChanged)
    };
    assert!(!of("first bottle.wav"));
    assert!(of("D4.wav") && of("E4.wav"));
}

#[test]
fn a_source_changed_in_place_is_noticed_by_its_hash() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let c4 = dir.path().join("C4.wav");
    let mut bytes = std::fs::read(&c4).unwrap();
    let n = bytes.len();
    bytes[n / 2] ^= 0x40;
    std::fs::write(&c4, bytes).unwrap();
    let opened = store::open(&path).unwrap();
    assert!(opened.problems.is_empty(), "the size is the same");
    let changed = store::verify_sources(&path, &opened.document, &|| true).unwrap();
    assert_eq!(changed.len(), 1);
    assert!(changed[0].1.contains("C4.wav"), "{}", changed[0].1);
    drop(opened);
    let r = run(&["deliver", s(dir.path()), "--to", s(&dir.path().join("out")), "--json"]);
    assert_eq!(r.code, 1);
    assert_eq!(r.json()["written"].as_array().unwrap().len(), 2);
    assert!(r.json()["failed"][0]["error"].as_str().unwrap().contains("survey again"));
    let outdated = |t: &Take| t.concerns.iter().any(|c| c.kind == ConcernKind::WorkOutdated);
    // Surveyed again it is usable, but what was set for the old file waits to be looked at; not even
    // accepting what passes takes it.
    for _ in 0..2 {
        let r = run(&["propose", s(dir.path()), "--accept", "0", "--json"]);
        assert_eq!(r.code, 0, "{}", r.err);
        let now = store::read(&path).unwrap();
        let those: Vec<_> = now.takes.iter().filter(|t| outdated(t)).collect();
        assert_eq!(those.len(), 1);
        assert!(those[0].state == TakeState::Proposed && those[0].recipe.is_some());
        assert_eq!(now.takes.iter().filter(|t| t.state == TakeState::Accepted).count(), 2);
    }
    let now = store::read(&path).unwrap();
    let take = now.takes.iter().find(|t| t.state == TakeState::Proposed).unwrap().id;
    let now = Edit::SetState { take, state: TakeState::Accepted }.apply(&now).unwrap();
    assert!(!outdated(now.take(take).unwrap()), "who accepts it has looked");
}

/// What keeps a delivery from being carried out is told before it is tried: the folder of the takes, somebody's
/// file of the same name, a source that is gone; and a loop that scores too little is named.
#[test]
fn a_preview_tells_what_stands_in_the_way() {
    let dir = folder_of_three();
    let path = accepted(dir.path());
    let out = dir.path().join("out");
    let preview =
        |to: &std::path::Path| run(&["deliver", s(dir.path()), "--to", s(to), "--preview", "--json"]);
    let problems = |to: &std::path::Path| {
        let r = preview(to);
        let all: Vec<String> =
            r.json()["problems"].as_array().unwrap().iter().map(|p| p.as_str().unwrap().to_owned()).collect();
        assert_eq!(r.code, i32::from(!all.is_empty()), "{all:?}");
        all
    };
    assert_eq!(problems(&out), [""; 0]);
    let among = problems(dir.path());
    assert!(among.len() == 1 && among[0].contains("takes"), "{among:?}");
    // Somebody's file stands where one of ours would.
    let name = preview(&out).json()["files"][1]["path"].as_str().unwrap().to_owned();
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join(&name), "mine").unwrap();
    let strange = problems(&out);
    assert!(
        strange.len() == 1 && strange[0].contains(&name) && strange[0].contains("left as it is"),
        "{strange:?}"
    );
    std::fs::remove_file(dir.path().join("D4.wav")).unwrap();
    let both = problems(&out);
    assert!(
        both.len() == 2 && both[1].contains("D4.wav") && both[1].contains("not there any more"),
        "{both:?}"
    );
    // Accepted, and given a loop that cannot be meant.
    let mut d = store::read(&path).unwrap();
    let (take, l) = (d.takes[0].id, d.takes[0].recipe.as_ref().unwrap().looping.unwrap());
    let weak = seamwright::session::LoopRecipe { score: 12.0, ..l };
    d = Edit::SetLoop { take, looping: Some(weak) }.apply(&d).unwrap();
    store::save(&path, &d).unwrap();
    let remarks = preview(&out).json()["remarks"].to_string();
    assert!(
        remarks.contains("1 accepted take has a loop that scores less than") && remarks.contains("(12)"),
        "{remarks}"
    );
}
