//! What is wrong with a take, in words.

use crate::dsp::pitch::Doubts;
use crate::dsp::spans::FoundSpan;
use crate::io::riff::SourceMarks;
use crate::session::{Concern, ConcernKind};
use crate::units::{Cents, Decibels, Hertz, MiddleC, MidiNote, Seconds};

/// Steady sound that a loop needs, in seconds (common practice, no source).
pub const SHORTEST_STEADY_S: f64 = 0.6;
/// From here on a take is clean, in dB above the room (common practice, no source).
pub const CLEAN_SNR_DB: f64 = 20.0;
/// From here on the tracker is sure.
pub const SURE: f64 = 0.5;

/// What was measured in one take.
pub(super) struct Facts<'a> {
    pub span: &'a FoundSpan,
    /// Note that sounds.
    pub sounds: Option<MidiNote>,
    /// 0 to 1.
    pub confidence: f64,
    /// What is doubtful about the note.
    pub doubts: Doubts,
    pub a4: Hertz,
    pub middle_c: MiddleC,
    pub snr: Option<Decibels>,
    /// Steady sound, in seconds.
    pub steady_s: f64,
    /// Only so much of it was analysed, in seconds.
    pub analysed_s: Option<f64>,
}

/// The concerns that the take itself shows, worst first.
pub(super) fn of_take(facts: &Facts) -> Vec<Concern> {
    use ConcernKind as Kind;
    let mut all = Vec::new();
    let mut say = |kind, text: String| all.push(Concern::new(kind, text));
    let name = |f: Hertz| f.nearest_note(facts.a4).0.name(facts.middle_c);
    if let Some(two) = facts.doubts.two_notes {
        let (louder, softer) = (name(two.louder), name(two.softer));
        // Half a dB more or less cannot be heard as louder (common practice, no source).
        let heard = match two.by.0.round() {
            0.0 => format!("{louder} and, as loud, {softer}"),
            db => format!("{louder} and, {db:.0} dB softer, {softer}"),
        };
        say(
            Kind::TwoNotes,
            format!("two notes sound at once: {heard}; another string or a neighbour? Record it again alone"),
        );
    }
    if facts.span.clipped > 0 {
        let n = facts.span.clipped;
        say(
            Kind::Clipped,
            format!(
                "{n} samples in all stand in rows at the ceiling: recorded too loud; record it again with less gain"
            ),
        );
    }
    if facts.span.starts_inside {
        say(Kind::StartsInside, "the file begins while it sounds already: its attack is missing".into());
    }
    if facts.span.ends_inside {
        say(Kind::EndsInside, "the file ends while it still sounds: its end is missing".into());
    }
    if facts.steady_s < SHORTEST_STEADY_S {
        say(
            Kind::TooShortToLoop,
            format!(
                "only {:.2} s of steady sound; a loop with life in it needs {SHORTEST_STEADY_S} s",
                facts.steady_s
            ),
        );
    }
    if let Some((sounds, other)) = facts.sounds.zip(facts.doubts.octave) {
        let (sounds, other) = (sounds.name(facts.middle_c), name(other));
        say(
            Kind::OctaveUnsure,
            format!(
                "{sounds} or {other}: both octaves fit its partials; listen and give it its note by hand"
            ),
        );
    }
    if facts.sounds.is_none() {
        say(Kind::PitchUnsure, "no pitch was found in it; give it its note by hand".into());
    } else if facts.confidence < SURE {
        let percent = facts.confidence * 100.0;
        say(Kind::PitchUnsure, format!("its pitch is only {percent:.0} % sure; listen and check its note"));
    }
    if let Some(s) = facts.analysed_s {
        let minutes = s / 60.0;
        say(
            Kind::PitchUnsure,
            format!("it is so long that only its first {minutes:.0} minutes were analysed"),
        );
    }
    if let Some(snr) = facts.snr
        && snr.0 < CLEAN_SNR_DB
    {
        say(
            Kind::Noisy,
            format!("only {:.0} dB above the room; {CLEAN_SNR_DB:.0} dB or more would be clean", snr.0),
        );
    }
    all
}

/// Says of a file's last take that the file was cut short: of `promised` by its head only `there` is left.
/// Stands in for the mere "ends inside", which it explains.
pub(super) fn cut_short(all: &mut Vec<Concern>, there: Seconds, promised: Seconds) {
    all.retain(|c| c.kind != ConcernKind::EndsInside);
    let (there, promised) = (there.0, promised.0);
    let text = format!(
        "the file is cut short: {there:.2} s of the {promised:.2} s that its head promises are there, so this take may lack its end; copy or export the file again, then survey again"
    );
    all.push(Concern::new(ConcernKind::EndsInside, text));
    all.sort_by_key(|c| c.kind);
}

/// The concern that a file's own root key is not what sounds in it.
pub(super) fn of_marks(
    marks: &SourceMarks,
    sounds: MidiNote,
    cents: Cents,
    middle_c: MiddleC,
) -> Option<Concern> {
    let root = marks.root?;
    let marked = f64::from(root.0) * 100.0 + marks.fine_tune.0;
    let apart = f64::from(sounds.0) * 100.0 + cents.0 - marked;
    (apart.abs() >= WRONG_CENTS).then(|| {
        Concern::new(
            ConcernKind::SourceDisagrees,
            format!(
                "the file's own root key is {}, but it sounds {}: {}",
                root.name(middle_c),
                sounds.name(middle_c),
                interval(Cents(apart))
            ),
        )
    })
}

/// A take this far from its named note is another note, in cents: clearly nearer to a neighbour.
pub const WRONG_CENTS: f64 = 60.0;

/// An interval in words with its size, such as `a whole tone above (+203 cents)`.
pub(super) fn interval(cents: Cents) -> String {
    const WORDS: [&str; 12] = [
        "the same note",
        "a semitone",
        "a whole tone",
        "a minor third",
        "a major third",
        "a fourth",
        "a tritone",
        "a fifth",
        "a minor sixth",
        "a major sixth",
        "a minor seventh",
        "a major seventh",
    ];
    let semitones = (cents.0 / 100.0).round().abs() as usize;
    let (octaves, rest) = (semitones / 12, semitones % 12);
    let octaves = match octaves {
        0 => String::new(),
        1 => "an octave".into(),
        n => format!("{n} octaves"),
    };
    let words = match (octaves.is_empty(), rest) {
        (true, _) => WORDS[rest].to_owned(),
        (false, 0) => octaves,
        (false, _) => format!("{octaves} and {}", WORDS[rest]),
    };
    let side = if cents.0 < 0.0 { "below" } else { "above" };
    format!("{words} {side} ({:+.0} cents)", cents.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sizes in equal temperament: 100 cents to the semitone.
    #[test]
    fn intervals_in_words() {
        for (cents, words) in [
            (200.0, "a whole tone above (+200 cents)"),
            (-97.0, "a semitone below (-97 cents)"),
            (702.0, "a fifth above (+702 cents)"),
            (-1200.0, "an octave below (-1200 cents)"),
            (1900.0, "an octave and a fifth above (+1900 cents)"),
            (2405.0, "2 octaves above (+2405 cents)"),
        ] {
            assert_eq!(interval(Cents(cents)), words);
        }
    }

    #[test]
    fn a_root_key_with_its_fine_tune_counts() {
        let marks = |root, fine| SourceMarks {
            root: Some(MidiNote(root)),
            fine_tune: Cents(fine),
            ..Default::default()
        };
        let against = |m: &SourceMarks, n, c| of_marks(m, MidiNote(n), Cents(c), MiddleC::C4).map(|c| c.text);
        assert_eq!(against(&marks(60, 0.0), 60, 30.0), None);
        // 45 cents above 60, and 48 below 61: 7 cents apart.
        assert_eq!(against(&marks(60, 45.0), 61, -48.0), None);
        assert_eq!(
            against(&marks(60, 0.0), 62, -4.0).unwrap(),
            "the file's own root key is C4, but it sounds D4: a whole tone above (+196 cents)"
        );
        assert_eq!(against(&SourceMarks::default(), 62, 0.0), None);
    }
}
