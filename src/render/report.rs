//! The report of a delivery: a page that needs nothing else, a table, and JSON.
//!
//! Nothing in it depends on the time, the machine or the order of work: the same set gives the same
//! bytes.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::manifest::Facts;
use super::plan::Plan;
use crate::error::{Error, ErrorKind, Result};
use crate::session::delivery::LevelMode;
use crate::session::{Document, Sheet, Take, TakeState};
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

/// Looks of the page: one family of neutrals, light or dark as the reader's system has it.
const STYLE: &str = "\
:root{color-scheme:light dark;--ink:#1d2226;--soft:#667078;--line:#d5dade;--ground:#fbfbfa;--wave:#3d6f8e;--loop:#e8b45a55}\
@media(prefers-color-scheme:dark){:root{--ink:#e6e8ea;--soft:#98a2aa;--line:#3a4248;--ground:#16191c;--wave:#7fb2d1;--loop:#e8b45a33}}\
body{font:15px/1.45 system-ui,sans-serif;color:var(--ink);background:var(--ground);margin:2rem auto;max-width:78rem;padding:0 1rem}\
h1{font-size:1.5rem}h2{font-size:1.1rem;margin-top:2rem}table{border-collapse:collapse;width:100%}\
th,td{text-align:left;padding:.3rem .6rem;border-bottom:1px solid var(--line);vertical-align:top}\
th{font-weight:600}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}.soft{color:var(--soft)}\
svg{display:block}svg path{fill:var(--wave)}svg rect{fill:var(--loop)}.wide{overflow-x:auto}";

/// The page: everything in one file, nothing fetched from elsewhere.
pub fn page(document: &Document, rows: &[Row<'_>], failed: &[(String, String)], plan: &Plan) -> String {
    let title = escaped(document.setup.title.trim());
    let mut t = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}: report</title>\n<style>{STYLE}</style></head>\n<body>\n<h1>{title}</h1>\n"
    );
    summary(&mut t, document, rows, plan);
    sheet(&mut t, document, rows);
    takes(&mut t, document, rows);
    if !failed.is_empty() {
        t.push_str("<h2>Not delivered</h2>\n<ul>\n");
        for (take, e) in failed {
            let _ = writeln!(t, "<li>{}: {}</li>", escaped(take), escaped(e));
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
        LevelMode::Loudness(l) => format!("each at {l:.1} LUFS"),
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
        let _ = writeln!(t, "<p class=\"soft\">Note: {}.</p>", escaped(remark));
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

fn takes(t: &mut String, document: &Document, rows: &[Row<'_>]) {
    t.push_str("<h2>Takes</h2>\n<div class=\"wide\"><table><tr><th>File</th><th>Wave, loop shaded</th><th class=\"n\">Length</th><th class=\"n\">Loop</th><th class=\"n\">Seam, 0 to 100</th><th class=\"n\">Pitch before → after, cents</th><th class=\"n\">Its rms deviation</th><th class=\"n\">Loudness</th><th class=\"n\">True peak</th><th class=\"n\">Gain</th><th class=\"n\">Room before → after</th><th>Concerns left</th></tr>\n");
    let dash = || "–".to_owned();
    for r in rows {
        let f = r.facts;
        let concerns: Vec<String> = r.concerns().into_iter().map(escaped).collect();
        let cells = [
            r.seconds(f.frames).map_or_else(dash, |s| format!("{s:.2} s")),
            looping(r).unwrap_or_else(dash),
            seam(f).unwrap_or_else(dash),
            f.pitch.map_or_else(dash, |p| format!("{:+.1} → {:+.1}", p.0, f.fine_tune)),
            f.pitch.map_or_else(dash, |p| format!("{:.1} → {:.1}", p.1, p.2)),
            f.lufs.map_or_else(dash, |l| format!("{l:.1} LUFS")),
            format!("{:.1} dB", f.true_peak),
            format!("{:+.1} dB", r.gain()),
            f.room.map_or_else(dash, |(b, a)| format!("{b:.0} → {a:.0} dB")),
        ];
        let _ = write!(
            t,
            "<tr><td>{}<br><span class=\"soft\">{}, layer {}</span></td><td>{}</td>",
            escaped(r.name),
            escaped(&r.note(document)),
            r.take.layer + 1,
            wave(f)
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
    Some(format!("{seconds:.3} s<br><span class=\"soft\">{start} to {end}</span>"))
}

/// How much of the seam is heard, and what it measures.
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
    .filter_map(|(word, key, unit)| Some(format!("{word} {:.1} {unit}", audit.get(key)?.as_f64()?)))
    .collect();
    Some(format!("{:.0}<br><span class=\"soft\">{}</span>", f.audibility?, parts.join(", ")))
}

/// A wave as a drawing of 240 × 40, the loop as a rectangle behind it.
fn wave(f: &Facts) -> String {
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
        "<svg width=\"240\" height=\"40\" viewBox=\"0 0 240 40\" role=\"img\" aria-label=\"wave\">{shade}<path d=\"{outline}Z\"/></svg>"
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
