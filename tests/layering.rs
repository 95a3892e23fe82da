//! The arrows between modules point one way. This reads the `use` lines and paths of every source
//! file and says which one breaks which rule.

mod source_support;

use std::collections::BTreeMap;

/// Which modules of the crate each module may name.
fn allowed() -> BTreeMap<&'static str, Vec<&'static str>> {
    let base = ["units", "error"];
    let with = |more: &[&'static str]| base.iter().chain(more).copied().collect::<Vec<_>>();
    BTreeMap::from([
        ("units", vec!["error"]),
        ("error", vec![]),
        ("typeset", vec![]),
        ("audio", with(&[])),
        ("jobs", vec!["error"]),
        ("dsp", with(&["audio"])),
        ("io", with(&["audio"])),
        ("session", with(&["audio", "dsp", "io"])),
        ("survey", with(&["audio", "dsp", "io", "jobs", "session"])),
        ("render", with(&["audio", "dsp", "io", "jobs", "session", "survey", "typeset"])),
        ("playback", with(&["audio"])),
        ("demo", with(&["audio", "io", "jobs"])),
        (
            "app",
            with(&[
                "audio", "dsp", "io", "jobs", "session", "survey", "render", "playback", "demo", "typeset",
            ]),
        ),
        (
            "cli",
            with(&[
                "audio", "dsp", "io", "jobs", "session", "survey", "render", "playback", "demo", "app",
                "typeset",
            ]),
        ),
    ])
}

/// Crates that only one place may name: (crate, path below src that may).
const ONLY: &[(&str, &str)] = &[
    ("egui", "app/"),
    ("eframe", "app/"),
    ("egui_plot", "app/"),
    ("rfd", "app/"),
    ("cpal", "playback/device"),
    ("midir", "playback/midi"),
    ("rustix", "jobs/pool"),
    ("symphonia", "io/decode"),
    ("rubato", "dsp/resample"),
    ("flacenc", "io/flac"),
    ("ebur128", "render/level"),
    ("clap", "cli/"),
    ("indicatif", "cli/"),
];

/// Every source file without its comments.
fn sources() -> Vec<(String, String)> {
    source_support::sources().into_iter().map(|(name, text)| (name, code_of(&text))).collect()
}

/// The text without comments (prose may name what it likes).
fn code_of(text: &str) -> String {
    text.lines().map(|l| l.split("//").next().unwrap_or("")).collect::<Vec<_>>().join("\n")
}

/// Every `crate::x` in the code, also inside `use crate::{x, y::z}`.
fn named_modules(code: &str) -> Vec<String> {
    let mut names = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        // `$crate::` and `other_crate::` are something else.
        if code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == '$') {
            continue;
        }
        let rest = &code[at + "crate::".len()..];
        if let Some(group) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut word = String::new();
            for c in group.chars() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    _ => {}
                }
                if depth == 0 && (c == ',' || c == ':' || c == '{' || c.is_whitespace()) {
                    if !word.is_empty() && c != ',' {
                        names.push(word.clone());
                    }
                    if c == ',' && !word.is_empty() {
                        names.push(word.clone());
                    }
                    word.clear();
                } else if depth == 0 {
                    word.push(c);
                }
            }
            if !word.is_empty() {
                names.push(word);
            }
        } else {
            names.push(rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect());
        }
    }
    names
}

#[test]
fn modules_look_one_way() {
    let allowed = allowed();
    let mut broken = Vec::new();
    for (file, code) in sources() {
        let module = file.split('/').next().unwrap().trim_end_matches(".rs").to_owned();
        let Some(may) = allowed.get(module.as_str()) else {
            assert!(matches!(module.as_str(), "lib" | "main"), "{file}: say in this test what it may name");
            continue;
        };
        for name in named_modules(&code) {
            let is_module = allowed.contains_key(name.as_str());
            if is_module && name != module && !may.contains(&name.as_str()) {
                broken.push(format!("{file} names {name}"));
            }
        }
    }
    assert!(broken.is_empty(), "arrows that point the wrong way:\n{}", broken.join("\n"));
}

#[test]
fn each_outside_library_has_one_door() {
    let mut broken = Vec::new();
    for (file, code) in sources() {
        for (library, door) in ONLY {
            let named = [
                format!("use {library}::"),
                format!("use {library};"),
                format!(" {library}::"),
                format!("({library}::"),
            ]
            .iter()
            .any(|p| code.contains(p.as_str()));
            if named && !file.starts_with(door) {
                broken.push(format!("{file} names {library}, which only {door} may"));
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn signal_processing_knows_no_file_thread_or_clock() {
    let mut broken = Vec::new();
    for (file, code) in sources().into_iter().filter(|(f, _)| f.starts_with("dsp/")) {
        for word in ["std::fs", "std::thread", "std::time", "rayon", "println!", "eprintln!"] {
            if code.contains(word) {
                broken.push(format!("{file} names {word}"));
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn only_the_rim_touches_files() {
    // The rest goes through io, so that a source can never be opened for writing by mistake.
    let rim = ["io/", "session/store", "render/", "survey/", "cli/", "app/", "demo"];
    for (file, code) in sources() {
        if !rim.iter().any(|r| file.starts_with(r)) {
            assert!(!code.contains("std::fs::"), "{file} touches files");
        }
    }
}

#[test]
fn the_reader_of_use_lines_reads_groups() {
    let code =
        "use crate::{audio::{AudioBuf, Clip}, dsp};\nuse crate::io::wav; x_crate::no; crate::units::Frame(1)";
    let names = named_modules(code);
    for expected in ["audio", "dsp", "io", "units"] {
        assert!(names.iter().any(|n| n == expected), "{expected} in {names:?}");
    }
    assert!(!names.iter().any(|n| n == "no" || n == "AudioBuf"), "{names:?}");
}
