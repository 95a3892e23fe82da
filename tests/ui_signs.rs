//! Every sign in the program's words has a glyph in the fonts that are shipped or in those that the toolkit
//! has behind them: what is missing would be an empty box on the screen.

mod source_support;

use std::collections::BTreeMap;

use egui::{FontFamily, FontId, Key, KeyboardShortcut, Modifiers};
use seamwright::app::shortcuts::{TABLE, key_words};
use seamwright::app::theme;

/// The words of these are not for the window: they are printed, written into files or read from them.
const ELSEWHERE: &[&str] = &["cli/", "demo/", "render/report", "render/beside", "main.rs"];

/// Every source file whose words may reach the window.
fn sources() -> Vec<(String, String)> {
    let mut all = source_support::sources();
    all.retain(|(name, _)| !ELSEWHERE.iter().any(|e| name.starts_with(e)));
    all
}

/// The texts in quotation marks of a source file, without those of its tests; characters alone count as well.
fn literals(source: &str) -> Vec<String> {
    let code = source.split("#[cfg(test)]").next().unwrap_or_default();
    let mut found = Vec::new();
    let mut rest = code;
    while let Some(c) = rest.chars().next() {
        let raw_marks = rest.strip_prefix('r').map(|r| r.len() - r.trim_start_matches('#').len());
        rest = match c {
            '/' if rest.starts_with("//") => rest.split_once('\n').map_or("", |(_, after)| after),
            'r' if raw_marks.is_some_and(|n| rest[1 + n..].starts_with('"')) => {
                let marks = raw_marks.unwrap_or_default();
                let body = &rest[marks + 2..];
                let end = format!("\"{}", "#".repeat(marks));
                let (text, after) = body.split_once(end.as_str()).expect("a raw text ends");
                found.push(text.to_owned());
                after
            }
            '"' => {
                let (text, after) = quoted(&rest[1..]);
                found.push(text);
                after
            }
            // A character, not a lifetime.
            '\'' if rest.chars().nth(1) == Some('\\') => {
                rest[2..].get(1..).and_then(|r| r.split_once('\'')).map_or("", |(_, after)| after)
            }
            '\'' if rest.chars().nth(2) == Some('\'') => {
                let inner = rest.chars().nth(1).unwrap_or_default();
                found.push(inner.to_string());
                &rest[2 + inner.len_utf8()..]
            }
            // A name that ends in r begins no raw text.
            c if c.is_alphanumeric() || c == '_' => {
                rest.trim_start_matches(|c: char| c.is_alphanumeric() || c == '_')
            }
            c => &rest[c.len_utf8()..],
        };
    }
    found
}

/// The text up to its closing mark, with escapes taken out, and what comes after.
fn quoted(body: &str) -> (String, &str) {
    let (mut text, mut chars) = (String::new(), body.char_indices());
    while let Some((at, c)) = chars.next() {
        match c {
            '"' => return (text, &body[at + 1..]),
            '\\' => match chars.next().map(|(_, c)| c) {
                Some('u') => {
                    let code: String = chars.by_ref().map(|(_, c)| c).take_while(|c| *c != '}').collect();
                    let code = u32::from_str_radix(code.trim_start_matches('{'), 16).unwrap();
                    text.extend(char::from_u32(code));
                }
                // Breaks of lines and the like have no glyph.
                Some(c @ ('"' | '\\' | '\'')) => text.push(c),
                _ => {}
            },
            c => text.push(c),
        }
    }
    panic!("a text does not end: {body:.60}");
}

#[test]
fn literals_are_told_from_comments_and_lifetimes() {
    let code = "// \"→\"\nfn f<'a>(x: &'a str) { g(\"a\\\"b\", r#\"c\"d\"#, 'é', '\\'', \"\\u{2212}\", bar\"e\") }\n#[cfg(test)] \"→\"";
    assert_eq!(literals(code), ["a\"b", "c\"d", "é", "\u{2212}", "e"]);
}

#[test]
fn every_sign_has_a_glyph() {
    let ctx = egui::Context::default();
    theme::install(&ctx);
    let mut used: BTreeMap<char, String> = BTreeMap::new();
    let files = sources();
    assert!(files.len() > 100, "the sources are found");
    for (name, source) in &files {
        for text in literals(source) {
            for c in text.chars().filter(|c| !c.is_whitespace() && !c.is_control()) {
                used.entry(c).or_insert_with(|| format!("{name}: {text}"));
            }
        }
    }
    assert!("−…–“”×µ".chars().all(|c| used.contains_key(&c)), "{:?}", used.keys());
    // What the names of files have in them: accidentals as they are printed, arrows.
    used.extend("♯♮♭→".chars().map(|c| (c, "a file's name".to_owned())));
    let mut missing = Vec::new();
    let _ = ctx.run_ui(egui::RawInput::default(), |ui| {
        let keys = TABLE.iter().flat_map(|s| s.keys).copied();
        let others = [Key::ArrowLeft, Key::ArrowRight, Key::ArrowUp, Key::ArrowDown, Key::Escape, Key::Enter];
        let others = others.map(|k| KeyboardShortcut::new(Modifiers::NONE, k));
        for k in keys.chain(others) {
            for c in key_words(ui.ctx(), &k).chars() {
                used.entry(c).or_insert_with(|| format!("the key {k:?}"));
            }
        }
        for family in [FontFamily::Proportional, theme::strong()] {
            let font = FontId::new(13.0, family.clone());
            ui.fonts_mut(|f| {
                assert!(!f.has_glyph(&font, '\u{e0ff0}'), "a sign that nobody has is told as missing");
                let lacks = used.iter().filter(|(c, _)| !f.has_glyph(&font, **c));
                missing.extend(
                    lacks.map(|(c, at)| format!("{c} (U+{:04X}) in {family:?}, {at}", u32::from(*c))),
                );
            });
        }
    });
    assert!(missing.is_empty(), "no glyph for:\n{}", missing.join("\n"));
}
