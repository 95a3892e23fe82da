//! The report of a delivery: a page that needs nothing else, a table, and JSON.
//!
//! Nothing in it depends on the time, the machine or the order of work: the same set gives the same
//! bytes.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::check::seam_hidden;
use super::manifest::Facts;
use super::plan::Plan;
use crate::error::{Error, ErrorKind, Result};
use crate::session::delivery::LevelMode;
use crate::session::{Document, Sheet, Take, TakeState};
use crate::typeset::{minus, signed, typeset};
use crate::units::{FrameCount, MidiNote, SampleRate};

/// One delivered take.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    /// The take.
    pub take: &'a Take,
    /// Its file below the folder.
    pub name: &'a str,
    /// What was measured in the file.
    pub facts: &'a Facts,
}

/// Columns of the table; the unit is part of the name.
const COLUMNS: [&str; 23] = [
    "file",
    "note",
    "midi",
    "layer",
    "state",
    "seconds",
    "rate_hz",
    "channels",
    "loop_start",
    "loop_end",
    "loop_seconds",
    "seam_audibility",
    "fine_tune_cents",
    "centre_before_cents",
    "rms_before_cents",
    "rms_after_cents",
    "loudness_lufs",
    "true_peak_db",
    "gain_db",
    "above_room_before_db",
    "concerns",
    "room_before_db",
    "room_after_db",
];

impl Row<'_> {
    fn seconds(&self, frames: u64) -> Option<f64> {
        SampleRate::new(self.facts.rate).ok().map(|rate| FrameCount(frames).lasts(rate).0)
    }

    fn loop_seconds(&self) -> Option<f64> {
        self.facts.looping.and_then(|(start, end)| self.seconds(end.saturating_sub(start)))
    }

    fn gain(&self) -> f64 {
        self.facts.gain.0 + self.facts.gain.1
    }

    fn note(&self, document: &Document) -> String {
        let d = &document.setup.delivery;
        d.spelling.name(MidiNote(self.facts.root), d.middle_c.unwrap_or(document.setup.middle_c))
    }

    fn concerns(&self) -> Vec<&str> {
        self.take.concerns.iter().map(|c| c.text.as_str()).collect()
    }
}

/// The table: comma-separated values as RFC 4180 has them, one line a take, a head line first.
pub fn csv(document: &Document, rows: &[Row<'_>]) -> String {
    let mut text = COLUMNS.join(",") + "\r\n";
    let number = |v: Option<f64>, digits: usize| v.map_or_else(String::new, |v| format!("{v:.digits$}"));
    for r in rows {
        let f = r.facts;
        let cells = [
            quoted(r.name),
            quoted(&r.note(document)),
            f.root.to_string(),
            (r.take.layer + 1).to_string(),
            r.take.state.word().to_owned(),
            number(r.seconds(f.frames), 3),
            f.rate.to_string(),
            f.channels.to_string(),
            f.looping.map_or_else(String::new, |l| l.0.to_string()),
            f.looping.map_or_else(String::new, |l| l.1.to_string()),
            number(r.loop_seconds(), 4),
            number(f.audibility, 1),
            number(Some(f.fine_tune), 2),
            number(f.pitch.map(|p| p.0), 2),
            number(f.pitch.map(|p| p.1), 2),
            number(f.pitch.map(|p| p.2), 2),
            number(f.lufs, 1),
            number(Some(f.true_peak), 1),
            number(Some(r.gain()), 2),
            number(r.take.snr.map(|s| s.0), 1),
            quoted(&r.concerns().join("; ")),
            number(f.room.map(|r| r.0), 1),
            number(f.room.map(|r| r.1), 1),
        ];
        text.push_str(&cells.join(","));
        text.push_str("\r\n");
    }
    text
}

/// A text in quotes, quotes in it doubled. What a spreadsheet would take for a formula gets a space.
fn quoted(text: &str) -> String {
    let guard = if text.starts_with(['=', '+', '-', '@', '\t']) { " " } else { "" };
    format!("\"{guard}{}\"", text.replace('"', "\"\""))
}

/// The same as JSON.
pub fn json(document: &Document, rows: &[Row<'_>], failed: &[(String, String)]) -> Result<String> {
    let takes: Vec<Value> = rows
        .iter()
        .map(|r| {
            let f = r.facts;
            json!({
                "file": r.name,
                "note": r.note(document),
                "midi": f.root,
                "layer": r.take.layer + 1,
                "rate": f.rate,
                "channels": f.channels,
                "frames": f.frames,
                "onset": f.onset,
                "loop": f.looping.map(|l| json!({"start": l.0, "end": l.1})),
                "seam": f.audit,
                "fine_tune_cents": f.fine_tune,
                "centre_before_cents": f.pitch.map(|p| p.0),
                "rms_before_cents": f.pitch.map(|p| p.1),
                "rms_after_cents": f.pitch.map(|p| p.2),
                "loudness_lufs": f.lufs,
                "true_peak_db": f.true_peak,
                "gain_db": r.gain(),
                "above_room_before_db": r.take.snr.map(|s| s.0),
                "room_before_db": f.room.map(|r| r.0),
                "room_after_db": f.room.map(|r| r.1),
                "concerns": r.take.concerns.iter().map(|c| json!({"kind": c.kind.key(), "text": c.text})).collect::<Vec<_>>(),
            })
        })
        .collect();
    let failed: Vec<Value> = failed.iter().map(|(take, e)| json!({"take": take, "error": e})).collect();
    let whole =
        json!({"set": document.setup.title, "a4_hz": document.setup.a4.0, "takes": takes, "failed": failed});
    serde_json::to_string_pretty(&whole)
        .map(|t| t + "\n")
        .map_err(|e| Error::new(ErrorKind::Internal, format!("the report cannot be written: {e}")))
}

/// Colours of the page, light and dark: those of the window (`app::theme`, which this may not look at; a test
/// holds both together), by the names that the style has for them.
const COLOURS: [(&str, [u8; 3], [u8; 3]); 5] = [
    ("paper", [0xF4, 0xF1, 0xEA], [0x1B, 0x1A, 0x18]),
    ("line", [0xD6, 0xD0, 0xC4], [0x3F, 0x3B, 0x36]),
    ("ink", [0x22, 0x20, 0x1C], [0xEC, 0xE7, 0xDD]),
    ("soft", [0x62, 0x5D, 0x54], [0xB8, 0xB1, 0xA5]),
    ("accent", [0x8A, 0x2F, 0x4B], [0xF3, 0xB6, 0xC4]),
];
/// The colours of Okabe & Ito, "Color Universal Design" (2008), in the order in which layers take them.
const LAYERS: [[u8; 3]; 7] = [
    [0x00, 0x72, 0xB2],
    [0xE6, 0x9F, 0x00],
    [0x00, 0x9E, 0x73],
    [0xCC, 0x79, 0xA7],
    [0x56, 0xB4, 0xE9],
    [0xD5, 0x5E, 0x00],
    [0xF0, 0xE4, 0x42],
];
/// How far the waves' colours are drawn towards the ink, light and dark, so that they read on the paper.
const TOWARDS_INK: (f64, f64) = (0.22, 0.12);

/// The rest of the page's looks.
const STYLE: &str = "\
body{font:15px/1.45 system-ui,sans-serif;color:var(--ink);background:var(--paper);margin:2rem auto;max-width:82rem;padding:0 1rem}\
h1{font-size:1.5rem}h2{font-size:1.1rem;margin-top:2rem}table{border-collapse:collapse;width:100%}\
th,td{text-align:left;padding:.3rem .6rem;border-bottom:1px solid var(--line);vertical-align:top}\
th{font-weight:600;vertical-align:bottom}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}\
th span{display:block;font-weight:400}.soft,th span{color:var(--soft)}\
svg{display:block}svg rect{fill:var(--accent);opacity:.2}.wide{overflow-x:auto}";

/// Looks of the page: light or dark as the reader's system has it.
fn style() -> String {
    let hex = |[r, g, b]: [u8; 3]| format!("#{r:02x}{g:02x}{b:02x}");
    let mix = |a: [u8; 3], b: [u8; 3], share: f64| {
        let one = |i: usize| (f64::from(a[i]) + (f64::from(b[i]) - f64::from(a[i])) * share).round() as u8;
        [one(0), one(1), one(2)]
    };
    let [.., ink, _, _] = COLOURS;
    let named = |dark: bool| {
        let of = |light, at_night| if dark { at_night } else { light };
        let mut text: String =
            COLOURS.iter().map(|(name, l, d)| format!("--{name}:{};", hex(of(*l, *d)))).collect();
        for (i, layer) in LAYERS.iter().enumerate() {
            let share = if dark { TOWARDS_INK.1 } else { TOWARDS_INK.0 };
            let _ = write!(text, "--layer{i}:{};", hex(mix(*layer, of(ink.1, ink.2), share)));
        }
        text
    };
    format!(
        ":root{{color-scheme:light dark;{}}}@media(prefers-color-scheme:dark){{:root{{{}}}}}{STYLE}",
        named(false),
        named(true)
    )
}

/// The page: everything in one file, nothing fetched from elsewhere.
pub fn page(document: &Document, rows: &[Row<'_>], failed: &[(String, String)], plan: &Plan) -> String {
    let title = escaped(document.setup.title.trim());
    let mut t = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}: report</title>\n<style>{}</style></head>\n<body>\n<h1>{title}</h1>\n",
        style()
    );
    summary(&mut t, document, rows, plan);
    sheet(&mut t, document, rows);
    takes(&mut t, document, rows);
    if !failed.is_empty() {
        t.push_str("<h2>Not delivered</h2>\n<ul>\n");
        for (take, e) in failed {
            let _ = writeln!(t, "<li>{}: {}</li>", escaped(take), escaped(&typeset(e)));
        }
        t.push_str("</ul>\n");
    }
    t.push_str("</body></html>\n");
    t
}

fn summary(t: &mut String, document: &Document, rows: &[Row<'_>], plan: &Plan) {
    let d = &document.setup.delivery;
    let seconds: f64 = rows.iter().filter_map(|r| r.seconds(r.facts.frames)).sum();
    let looped = rows.iter().filter(|r| r.facts.looping.is_some()).count();
    let level = match d.level.mode {
        LevelMode::AsPlayed => "as played".into(),
        LevelMode::Even(s) => format!("evened over the notes by {:.0} %", 100.0 * s),
        LevelMode::Loudness(l) => format!("each at {} LUFS", minus(l, 1)),
    };
    let _ = writeln!(
        t,
        "<p>{} files, {looped} with a loop, {seconds:.0} s in all; {} at {} Hz; A4 = {:.2} Hz; level {level}.</p>",
        rows.len(),
        d.form.words(),
        document.setup.delivery_rate.hz(),
        document.setup.a4.0,
    );
    for (name, text) in [
        ("Played by", &d.texts.artist),
        ("Copyright", &d.texts.copyright),
        ("Recorded", &d.texts.date),
        ("Comment", &d.texts.comment),
    ] {
        if !text.is_empty() {
            let _ = writeln!(t, "<p><span class=\"soft\">{name}:</span> {}</p>", escaped(text));
        }
    }
    for remark in &plan.remarks {
        let _ = writeln!(t, "<p class=\"soft\">Note: {}.</p>", escaped(&typeset(remark)));
    }
}

/// Notes × layers: what is delivered, what is not, what is missing.
fn sheet(t: &mut String, document: &Document, rows: &[Row<'_>]) {
    let sheet = Sheet::of(document);
    t.push_str("<h2>Sheet</h2>\n<div class=\"wide\"><table><tr><th>Note</th>");
    for layer in 0..sheet.layers {
        let _ = write!(t, "<th>Layer {}</th>", layer + 1);
    }
    t.push_str("</tr>\n");
    let d = &document.setup.delivery;
    for note in &sheet.notes {
        let name = d.spelling.name(*note, d.middle_c.unwrap_or(document.setup.middle_c));
        let _ = write!(t, "<tr><th>{}</th>", escaped(&name));
        for layer in 0..sheet.layers {
            let words: Vec<&str> = sheet
                .at(*note, layer)
                .iter()
                .filter_map(|id| document.take(*id))
                .map(|take| match rows.iter().any(|r| r.take.id == take.id) {
                    true => "delivered",
                    false if take.state == TakeState::Accepted => "not delivered",
                    false => take.state.word(),
                })
                .collect();
            let text = if words.is_empty() { "missing".into() } else { words.join(", ") };
            let soft = if text == "delivered" { "" } else { " class=\"soft\"" };
            let _ = write!(t, "<td{soft}>{text}</td>");
        }
        t.push_str("</tr>\n");
    }
    t.push_str("</table></div>\n");
}

/// Columns of the page's table: what it tells, in which unit, and whether numbers stand in it.
const HEADS: [(&str, &str, bool); 12] = [
    ("File", "note and layer", false),
    ("Wave", "loop shaded", false),
    ("Length", "s", true),
    ("Loop", "s; frames, end exclusive", true),
    ("Seam hidden", "0 to 100, 100 is best; parts in dB and cents, 0 is best", true),
    ("Off its note", "cents, before → after", true),
    ("Movement", "cents rms, before → after", true),
    ("Loudness", "LUFS", true),
    ("True peak", "dB", true),
    ("Gain", "dB", true),
    ("Room", "dB, before → after", true),
    ("Concerns left", "in words", false),
];

fn takes(t: &mut String, document: &Document, rows: &[Row<'_>]) {
    t.push_str("<h2>Takes</h2>\n<div class=\"wide\"><table><tr>");
    for (name, unit, is_number) in HEADS {
        let class = if is_number { " class=\"n\"" } else { "" };
        let _ = write!(t, "<th{class}>{name}<span>{unit}</span></th>");
    }
    t.push_str("</tr>\n");
    let dash = || "–".to_owned();
    for r in rows {
        let f = r.facts;
        let concerns: Vec<String> = r.concerns().into_iter().map(|c| escaped(&typeset(c))).collect();
        let cells = [
            r.seconds(f.frames).map_or_else(dash, |s| format!("{s:.2}")),
            looping(r).unwrap_or_else(dash),
            seam(f).unwrap_or_else(dash),
            f.pitch.map_or_else(dash, |p| format!("{} → {}", signed(p.0, 1), signed(f.fine_tune, 1))),
            f.pitch.map_or_else(dash, |p| format!("{:.1} → {:.1}", p.1, p.2)),
            f.lufs.map_or_else(dash, |l| minus(l, 1)),
            minus(f.true_peak, 1),
            signed(r.gain(), 1),
            f.room.map_or_else(dash, |(b, a)| format!("{} → {}", minus(b, 0), minus(a, 0))),
        ];
        let _ = write!(
            t,
            "<tr><td>{}<br><span class=\"soft\">{}, layer {}</span></td><td>{}</td>",
            escaped(r.name),
            escaped(&r.note(document)),
            r.take.layer + 1,
            wave(f, r.take.layer)
        );
        for cell in cells {
            let _ = write!(t, "<td class=\"n\">{cell}</td>");
        }
        let _ = writeln!(t, "<td>{}</td></tr>", concerns.join("<br>"));
    }
    t.push_str("</table></div>\n");
}

/// How long the loop lasts, and its first frame and the one after its last.
fn looping(r: &Row<'_>) -> Option<String> {
    let (start, end) = r.facts.looping?;
    let seconds = r.loop_seconds()?;
    Some(format!("{seconds:.3}<br><span class=\"soft\">{start} to {end}</span>"))
}

/// How much of the seam is hidden, and what it measures.
fn seam(f: &Facts) -> Option<String> {
    let audit = f.audit.as_ref()?;
    let parts: Vec<String> = [
        ("click", "click_db", "dB"),
        ("spectrum", "flux_db", "dB"),
        ("level", "level_step_db", "dB"),
        ("pitch", "pitch_step_cents", "cents"),
        ("thump", "thump_db", "dB"),
    ]
    .into_iter()
    .filter_map(|(word, key, unit)| Some(format!("{word} {} {unit}", minus(audit.get(key)?.as_f64()?, 1))))
    .collect();
    let hidden = seam_hidden(f.audibility?);
    Some(format!("{hidden:.0}<br><span class=\"soft\">{}</span>", parts.join(", ")))
}

/// A wave as a drawing of 240 × 40 in its layer's colour, the loop as a rectangle behind it.
fn wave(f: &Facts, layer: u16) -> String {
    let n = f.wave.len().max(1) as f64;
    let x = |i: usize| i as f64 * 240.0 / n;
    let y = |v: i8| 20.0 - f64::from(v) * 19.0 / 127.0;
    let mut outline = String::new();
    let top = f.wave.iter().enumerate().map(|(i, w)| (i, w.1));
    let bottom = f.wave.iter().enumerate().rev().map(|(i, w)| (i, w.0));
    for (k, (i, v)) in top.chain(bottom).enumerate() {
        let _ = write!(outline, "{}{:.1} {:.1}", if k == 0 { "M" } else { "L" }, x(i), y(v));
    }
    let frames = f.frames.max(1) as f64;
    let shade = f.looping.map_or_else(String::new, |(start, end)| {
        let (from, to) = (240.0 * start as f64 / frames, 240.0 * end as f64 / frames);
        format!("<rect x=\"{from:.1}\" y=\"0\" width=\"{:.1}\" height=\"40\"/>", to - from)
    });
    format!(
        "<svg width=\"240\" height=\"40\" viewBox=\"0 0 240 40\" role=\"img\" aria-label=\"wave\">{shade}<path style=\"fill:var(--layer{})\" d=\"{outline}Z\"/></svg>",
        usize::from(layer) % LAYERS.len()
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180: fields in quotes, quotes doubled.
    #[test]
    fn fields_are_quoted() {
        assert_eq!(quoted("a \"b\", c"), "\"a \"\"b\"\", c\"");
        for formula in ["=1+1", "+1", "-1", "@a"] {
            assert_eq!(quoted(formula), format!("\" {formula}\""));
        }
        assert_eq!(escaped("<a & \"b\">"), "&lt;a &amp; &quot;b&quot;&gt;");
    }
}
