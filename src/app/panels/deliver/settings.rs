//! Every setting of a delivery, in sections.

use std::path::PathBuf;

use crate::app::widgets::control::soft;
use crate::app::widgets::glyph;
use crate::app::words;
use crate::io::SoundForm;
use crate::render::names::{Example, FIELDS};
use crate::render::pattern::fault;
use crate::session::Setup;
use crate::session::delivery::{
    BankDepth, DeliverySetup, Folders, LayersAs, LevelMode, Reach, Spelling, Tail,
};
use crate::survey::names::parse_note;
use crate::units::{Decibels, MiddleC, MidiNote, SampleRate, Seconds};

use super::form::{Form, Number};

/// Rates that can be delivered, in Hz (common practice, no source).
const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
/// Loudness that is offered first, in LUFS; 23 below full scale is that of EBU R 128.
const FIRST_LUFS: f64 = -23.0;
/// A tail that is offered first, in seconds.
const FIRST_TAIL: Seconds = Seconds(0.5);
/// A pre-roll that is offered first, in seconds.
const FIRST_PRE_ROLL: Seconds = Seconds(0.01);

/// Width of the buttons of the placeholders.
const PLACEHOLDER: f32 = 66.0;
const PATTERN_TIP: &str = "How the files are called; what stands in braces is filled in for each take. The names at \
                           the right follow while you type; Enter takes it, Escape gives it up";
const SCORE_TIP: &str =
    "“Accept what passes” in the sheet takes proposals with at least this loop score, 0 to 100";

/// All sections.
pub fn sections(f: &mut Form<'_>, example: &Example) {
    names(f, example);
    sound(f);
    level(f);
    keys(f);
    beside(f);
    texts(f);
    f.heading("Accepting");
    let now = f.setup.accept_score;
    let score = number("Accept from score", SCORE_TIP, "", 0.0..=100.0, 0, 0.5);
    f.number(&score, now, |s, v| s.accept_score = v.round());
}

fn number(
    name: &'static str,
    tip: &'static str,
    suffix: &'static str,
    range: std::ops::RangeInclusive<f64>,
    decimals: usize,
    speed: f64,
) -> Number {
    Number { name, tip, suffix, range, decimals, speed }
}

fn names(f: &mut Form<'_>, example: &Example) {
    f.heading("Names");
    let (title, pattern) = (f.setup.title.clone(), f.setup.name_pattern.clone());
    let tip = "What {set} stands for in the names; also the name of map and SoundFont. Enter takes it";
    f.text("Set name", tip, &title, &not_empty, |s, text| text.trim().clone_into(&mut s.title));
    f.text("Name pattern", PATTERN_TIP, &pattern, &not_empty, |s, text| s.name_pattern = text);
    let typed = f.drafts.get("Name pattern").unwrap_or(&pattern);
    match (fault(typed), &example.name) {
        (Some(why), _) => drop(glyph::concern_line(f.ui, f.theme, why)),
        (None, Some(name)) => {
            let tip = "The name of the selected take, or of the first that is accepted";
            let example = egui::Label::new(format!("For example: {name}")).wrap();
            f.ui.add(example).on_hover_text(tip);
        }
        (None, None) => {}
    }
    placeholders(f, example);
    let d = f.setup.delivery.clone();
    let middle = f.setup.middle_c;
    f.choice(
        "Accidentals",
        "How sharps and flats are spelt in the names",
        d.spelling,
        &[
            (Spelling::Sharp, "Sharps: C#4"),
            (Spelling::Flat, "Flats: Db4"),
            (Spelling::Letter, "Letters: Cs4"),
        ],
        |s, v| s.delivery.spelling = v,
    );
    let as_set = format!("As in the set: {}", MidiNote(60).name(middle));
    f.choice(
        "Middle C",
        "How octaves are counted in the names; programs differ by one",
        d.middle_c,
        &[(None, &*as_set), (Some(MiddleC::C4), "Middle C is C4"), (Some(MiddleC::C3), "Middle C is C3")],
        |s, v| s.delivery.middle_c = v,
    );
    f.choice(
        "Folders",
        "Where the files lie in the delivery folder",
        d.folders,
        &[(Folders::Flat, "All in one folder"), (Folders::PerLayer, "A folder for each layer")],
        |s, v| s.delivery.folders = v,
    );
}

fn not_empty(text: &str) -> Option<String> {
    text.trim().is_empty().then(|| "This cannot be empty: the files are called by it.".into())
}

/// What each placeholder stands for, with a button that adds it to the end of the pattern.
fn placeholders(f: &mut Form<'_>, example: &Example) {
    let mut wanted = None;
    for (i, (field, about)) in FIELDS.into_iter().enumerate() {
        f.ui.horizontal_top(|ui| {
            ui.spacing_mut().button_padding = egui::vec2(5.0, 1.0);
            ui.spacing_mut().item_spacing = egui::vec2(8.0, 3.0);
            ui.spacing_mut().interact_size.y = 20.0;
            let text = egui::RichText::new(format!("{{{field}}}")).size(12.0);
            let button = egui::Button::new(text).min_size(egui::vec2(PLACEHOLDER, 20.0));
            let tip = format!("Adds it to the end of the pattern: {about}");
            if ui.add(button).on_hover_text(tip).clicked() {
                wanted = Some(field);
            }
            let here = example.values.get(i).filter(|v| !v.is_empty());
            let here = here.map_or_else(String::new, |v| format!("; here {v}"));
            ui.add(egui::Label::new(soft(format!("{about}{here}"), f.theme).size(12.0)).wrap());
        });
    }
    let digits = "A number may be given how many digits it has: {layer:02} makes 01, 02 …";
    f.ui.add(egui::Label::new(soft(digits, f.theme).size(12.0)).wrap());
    if let Some(field) = wanted {
        let pattern = f.drafts.remove("Name pattern").unwrap_or_else(|| f.setup.name_pattern.clone());
        let gap = if pattern.is_empty() || pattern.ends_with(' ') { "" } else { " " };
        let pattern = format!("{pattern}{gap}{{{field}}}");
        super::form::changed(f.setup, "Name pattern", |s| s.name_pattern = pattern, f.out);
    }
}

fn sound(f: &mut Form<'_>) {
    f.heading("Sound");
    let d = f.setup.delivery.clone();
    let forms = SoundForm::ALL.map(|form| (form, form.words()));
    f.choice("Format", "How the sound is written; 16 and 24 bits are dithered", d.form, &forms, |s, v| {
        s.delivery.form = v;
    });
    let now = f.setup.delivery_rate;
    let mut all: Vec<SampleRate> = RATES.iter().filter_map(|hz| SampleRate::new(*hz).ok()).collect();
    if !all.contains(&now) {
        all.insert(0, now);
    }
    let texts: Vec<String> = all.iter().map(|r| format!("{} Hz", r.hz())).collect();
    let rates: Vec<(SampleRate, &str)> = all.into_iter().zip(texts.iter().map(String::as_str)).collect();
    f.choice("Rate", "Frames a second of the delivered files", now, &rates, |s, v| s.delivery_rate = v);
    let tip = "Time before the onset, the same in every file, so that all notes speak alike; otherwise as each \
               take is trimmed";
    f.row("Pre-roll", tip, |f| {
        f.check_here("Pre-roll", ("The same for all", tip), d.pre_roll.is_some(), |s, on| {
            s.delivery.pre_roll = on.then_some(FIRST_PRE_ROLL);
        });
        if let Some(p) = d.pre_roll {
            let most = 1000.0 * DeliverySetup::LONGEST_PRE_ROLL.0;
            let n = number("Pre-roll in ms", tip, " ms", 0.0..=most, 1, 0.2);
            f.number_here(&n, 1000.0 * p.0, |s, v| s.delivery.pre_roll = Some(Seconds(v / 1000.0)));
        }
    });
    let tip = "What becomes of the sound after the loop; a take without a loop is left alone";
    let kind = match d.tail {
        Tail::Kept => 0,
        Tail::Cut => 1,
        Tail::Faded(_) => 2,
    };
    let all = [(0, "Kept as played"), (1, "Cut at the loop end"), (2, "Faded")];
    f.choice("After the loop", tip, kind, &all, |s, v| {
        s.delivery.tail = [Tail::Kept, Tail::Cut, Tail::Faded(FIRST_TAIL)][v];
    });
    if let Tail::Faded(over) = d.tail {
        let n = number("Faded over", "Length of the fade after the loop end", " s", 0.001..=60.0, 3, 0.005);
        f.number(&n, over.0, |s, v| s.delivery.tail = Tail::Faded(Seconds(v)));
    }
}

fn level(f: &mut Form<'_>) {
    f.heading("Level");
    let d = f.setup.delivery.level;
    let kind = match d.mode {
        LevelMode::AsPlayed => 0,
        LevelMode::Even(_) => 1,
        LevelMode::Loudness(_) => 2,
    };
    f.choice(
        "Levels",
        "As the takes were played; evened towards a smooth line over the notes; or all to one loudness \
         (ITU-R BS.1770)",
        kind,
        &[(0, "As played"), (1, "Evened over the notes"), (2, "One loudness")],
        |s, v| {
            let modes = [LevelMode::AsPlayed, LevelMode::Even(1.0), LevelMode::Loudness(FIRST_LUFS)];
            s.delivery.level.mode = modes[v];
        },
    );
    match d.mode {
        LevelMode::AsPlayed => return,
        LevelMode::Even(strength) => {
            let tip = "How far each take moves to the line: 0 leaves it, 100 puts it there";
            let n = number("Strength", tip, " %", 0.0..=100.0, 0, 0.5);
            f.number(&n, 100.0 * strength, |s, v| s.delivery.level.mode = LevelMode::Even(v / 100.0));
        }
        LevelMode::Loudness(lufs) => {
            let n = number("Loudness", "Loudness of every take", " LUFS", -60.0..=-5.0, 1, 0.1);
            f.number(&n, lufs, |s, v| s.delivery.level.mode = LevelMode::Loudness(v));
        }
    }
    let tip = "Highest true peak; where a take would go above it, all (or its layer) are lowered together";
    let n = number("Peak ceiling", tip, " dB", -20.0..=0.0, 1, 0.05);
    f.number(&n, d.ceiling.0, |s, v| s.delivery.level.ceiling = Decibels(v));
    let tip = "Loud and soft layers stay loud and soft; otherwise all layers come together";
    f.check("Layers", ("Each layer for itself", tip), d.per_layer, |s, v| s.delivery.level.per_layer = v);
}

fn keys(f: &mut Form<'_>) {
    f.heading("Keys");
    let d = f.setup.delivery.map;
    f.choice(
        "Takes sound on",
        "Which keys a take sounds on besides its own",
        d.reach,
        &[
            (Reach::Nearest, "The nearest keys"),
            (Reach::Upwards, "Keys upwards to the next"),
            (Reach::Downwards, "Keys downwards to the next"),
        ],
        |s, v| s.delivery.map.reach = v,
    );
    let middle_c = f.setup.delivery.middle_c.unwrap_or(f.setup.middle_c);
    let spelling = f.setup.delivery.spelling;
    // With a real minus sign, which names on disk do not have.
    let write = move |v: f64| spelling.name(MidiNote(v as u8), middle_c).replace('-', "−");
    let read = move |t: &str| parse_note(&t.trim().replace('−', "-"), middle_c).map(|n| f64::from(n.0));
    let tip = "The range of the map; a note such as C2 or a number from 0 to 127 can be typed";
    f.row("Lowest, highest", tip, |f| {
        let n = number("Lowest key", tip, "", 0.0..=127.0, 0, 0.2);
        f.named_number(&n, d.lowest.0.into(), &write, &read, |s, v| {
            s.delivery.map.lowest = MidiNote(v.round() as u8);
            s.delivery.map.highest = s.delivery.map.highest.max(s.delivery.map.lowest);
        });
        let n = number("Highest key", tip, "", 0.0..=127.0, 0, 0.2);
        f.named_number(&n, d.highest.0.into(), &write, &read, |s, v| {
            s.delivery.map.highest = MidiNote(v.round() as u8);
            s.delivery.map.lowest = s.delivery.map.lowest.min(s.delivery.map.highest);
        });
    });
    let tip = "How far from its own key a take is stretched at most, up and down, in semitones";
    let n = number("Stretch at most", tip, " semitones", 0.0..=127.0, 0, 0.1);
    f.number(&n, d.furthest.into(), |s, v| s.delivery.map.furthest = v.round() as u8);
    let tip = "Where a layer lacks a note, its neighbours sound there; otherwise those keys stay silent";
    f.check("Missing notes", ("Filled by their neighbours", tip), d.fill_missing, |s, v| {
        s.delivery.map.fill_missing = v;
    });
    f.choice(
        "Layers become",
        "Groups sound together; with round robin they follow one another each time a key is struck; velocities share \
         out how hard it is struck, layer 1 the softest",
        d.layers,
        &[
            (LayersAs::Group, "Groups"),
            (LayersAs::RoundRobin, "Round robin"),
            (LayersAs::Velocity, "Velocity ranges"),
        ],
        |s, v| s.delivery.map.layers = v,
    );
    let n = number("Release", "How long a key sounds on after it is let go", " s", 0.0..=30.0, 2, 0.01);
    f.number(&n, d.release.0, |s, v| s.delivery.map.release = Seconds(v));
}

fn beside(f: &mut Form<'_>) {
    f.heading("Beside the sound files");
    let d = f.setup.delivery.clone();
    f.check("Map", ("SFZ, a text map", "A map over the keys as text"), d.map.sfz, |s, v| {
        s.delivery.map.sfz = v;
    });
    f.choice(
        "SoundFont",
        "One file with all the sound and the map in it; every player reads 16 bits",
        d.map.sf2,
        &[(None, "None"), (Some(BankDepth::Bits16), "16 bits"), (Some(BankDepth::Bits24), "24 bits")],
        |s, v| s.delivery.map.sf2 = v,
    );
    let tip =
        "A page with the sheet, waves, loops, seams and levels of all takes, and the same as table and JSON";
    f.check("Report", ("Page, table (CSV) and JSON", tip), d.report, |s, v| s.delivery.report = v);
    let now = d.credits.as_ref().map(|p| p.display().to_string()).unwrap_or_default();
    let tip = "Path of a text file with credits and licence that is put beside the files; from the session's folder \
               on, or empty for none. Enter takes it";
    f.text("Credits file", tip, &now, &anything, |s, text| {
        let text = text.trim();
        s.delivery.credits = (!text.is_empty()).then(|| PathBuf::from(text));
    });
}

/// No text is wrong here.
fn anything(_: &str) -> Option<String> {
    None
}

fn texts(f: &mut Form<'_>) {
    f.heading("Texts in the files");
    let t = f.setup.delivery.texts.clone();
    let one = |f: &mut Form<'_>, name, tip: &str, now: &str, set: fn(&mut Setup, String)| {
        f.text(name, tip, now, &anything, |s, text| set(s, text.trim().to_owned()));
    };
    one(f, "Artist", "Who played", &t.artist, |s, v| s.delivery.texts.artist = v);
    one(f, "Copyright", "Whose it is, under which licence", &t.copyright, |s, v| {
        s.delivery.texts.copyright = v;
    });
    one(f, "Comment", "Anything else", &t.comment, |s, v| s.delivery.texts.comment = v);
    one(f, "Date", "When it was recorded, such as 2024-05-18", &t.date, |s, v| s.delivery.texts.date = v);
    let about = format!("The title in each file is its name, the album is “{}”.", f.setup.title);
    f.ui.add(egui::Label::new(soft(about, f.theme).small()).wrap());
}

/// `3 min 20 s, about 12 MB`.
pub fn length_and_size(seconds: f64, bytes: f64) -> String {
    format!("{} in all, about {}", words::duration(seconds), words::bytes(bytes as u64))
}
