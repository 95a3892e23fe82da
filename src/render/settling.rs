//! Where takes stand while a survey runs, and when it knows the whole set. Which of them stand where their
//! file alone put them is kept with the session, so that a survey that was stopped, however that came about,
//! can be taken up again.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

use crate::session::store::path_in_session;
use crate::session::{Document, Edit, TakeId, Unsettled};
use crate::survey::{FileSurvey, FoundTake};
use crate::units::FrameRange;

/// The edit that notes where the takes of one file were put by that file alone. `before` and `after` it came
/// in: takes that were there already have a place that was settled, or chosen by the user.
pub fn note(before: &Document, after: &Document) -> Option<Edit> {
    let known: HashSet<TakeId> = before.takes.iter().map(|t| t.id).collect();
    let fresh = after.takes.iter().filter(|t| !known.contains(&t.id));
    let fresh: Vec<_> = fresh.map(|t| Unsettled { take: t.id, note: t.note, layer: t.layer }).collect();
    if fresh.is_empty() {
        return None;
    }
    Some(Edit::SetUnsettled(after.unsettled.iter().copied().chain(fresh).collect()))
}

/// The edit that moves takes from the place that their file alone gave them to the one that the whole set
/// gives them. A take that somebody has moved or decided about meanwhile stays where it is.
pub fn settle(document: &Document, session: &Path, files: &[FileSurvey]) -> Option<Edit> {
    let mut told: HashMap<(PathBuf, FrameRange), &FoundTake> = HashMap::new();
    for f in files {
        told.extend(f.takes.iter().map(|t| ((path_in_session(session, &f.path), t.span.span), t)));
    }
    let (mut edits, mut left) = (Vec::new(), Vec::new());
    for u in &document.unsettled {
        let Some((take, source)) = document.take_and_source(u.take) else { continue };
        let Some(now) = told.get(&(source.path.clone(), take.span)) else {
            left.push(*u);
            continue;
        };
        // Also of one that was moved or decided about since: undone, that takes it back to where it stood.
        if let Some(note) = now.note.filter(|_| (now.note, now.layer) != (u.note, u.layer)) {
            let to = (note, now.layer);
            edits.push(Edit::SettlePlace { take: u.take, from: (u.note, u.layer), to });
        }
    }
    if left.len() < document.unsettled.len() {
        edits.push(Edit::SetUnsettled(left));
    }
    (!edits.is_empty()).then_some(Edit::Many(edits))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::spans::FoundSpan;
    use crate::render::intake;
    use crate::units::{Cents, Decibels, Frame, MidiNote, SampleRate};

    fn file(name: &str, notes: &[(Option<u8>, u16)]) -> FileSurvey {
        let takes = notes.iter().enumerate().map(|(i, (note, layer))| FoundTake {
            span: FoundSpan {
                span: FrameRange::new(i as u64 * 1000, i as u64 * 1000 + 900),
                onset: Frame(i as u64 * 1000 + 10),
                starts_inside: false,
                ends_inside: false,
                clipped: 0,
            },
            sounds: note.map(MidiNote),
            cents: Cents(0.0),
            f0: None,
            confidence: 1.0,
            movement: None,
            level: Decibels(-20.0),
            snr: None,
            named: None,
            note: note.map(MidiNote),
            layer: *layer,
            concerns: vec![],
        });
        FileSurvey {
            path: PathBuf::from("/set").join(name),
            bytes: 1,
            hash: String::new(),
            rate: SampleRate::DELIVERY,
            channels: 1,
            frames: 10_000,
            room: None,
            takes: takes.collect(),
            marks: Default::default(),
        }
    }

    #[test]
    fn the_final_places_win_but_not_over_the_user() {
        let session = Path::new("/set/a.seamwright");
        let streamed = file("a.wav", &[(Some(60), 0), (Some(60), 0), (None, 0)]);
        let add = intake::found(session, std::slice::from_ref(&streamed));
        let d = add.apply(&Document::default()).unwrap();
        assert_eq!(d.sources[0].path, Path::new("a.wav"));
        let d = note(&Document::default(), &d).unwrap().apply(&d).unwrap();
        assert_eq!(d.unsettled.len(), 3);
        // The user moves the first take before the survey ends.
        let moved = Edit::Place { take: d.takes[0].id, note: MidiNote(61), layer: 5 }.apply(&d).unwrap();
        let end = file("a.wav", &[(Some(60), 0), (Some(60), 1), (Some(62), 2)]);
        // One that looked at other files alone settles nothing.
        assert_eq!(settle(&moved, session, &[file("b.wav", &[(Some(60), 0)])]), None);
        let settled = settle(&moved, session, &[end]).unwrap().apply(&moved).unwrap();
        let places: Vec<_> = settled.takes.iter().map(|t| (t.note.unwrap().0, t.layer)).collect();
        assert_eq!(places, [(61, 5), (60, 1), (62, 2)]);
        assert!(settled.unsettled.is_empty());
        // Its earlier place, to which an undo would take it back, is settled as well.
        let end_of_all = file("a.wav", &[(Some(60), 3), (Some(60), 1), (Some(62), 2)]);
        let edit = settle(&moved, session, &[end_of_all]).unwrap();
        assert_eq!(edit.apply(&moved).unwrap().takes[0].layer, 5);
        assert_eq!(edit.apply(&d).unwrap().takes[0].layer, 3);
        // Looked through once more, with the second take moved by the user to where the file alone
        // would put it: it stays there.
        let moved =
            Edit::Place { take: d.takes[1].id, note: MidiNote(60), layer: 0 }.apply(&settled).unwrap();
        assert_eq!(note(&moved, &add.apply(&moved).unwrap()), None);
        let end = file("a.wav", &[(Some(60), 0), (Some(60), 1), (Some(62), 2)]);
        assert_eq!(settle(&moved, session, &[end]), None);
    }
}
