//! Where takes stand while a survey runs, and when it knows the whole set.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use crate::session::store::path_in_session;
use crate::session::{Document, Edit, TakeState};
use crate::survey::{FileSurvey, FoundTake};
use crate::units::{FrameRange, MidiNote};

type Place = (Option<MidiNote>, u16);

/// Where takes stood when their file came in, before the whole set was known.
#[derive(Debug, Default)]
pub struct Provisional(HashMap<(PathBuf, FrameRange), Place>);

impl Provisional {
    /// Notes the places of one file's takes. Those that stand in `document` already (it is looked
    /// through once more) have a place that was settled, or chosen by the user.
    pub fn note(&mut self, document: &Document, session: &Path, file: &FileSurvey) {
        let path = path_in_session(session, &file.path);
        let known = document.sources.iter().find(|s| s.path == path).map(|s| s.id);
        let stands =
            |span: FrameRange| document.takes.iter().any(|t| Some(t.source) == known && t.span == span);
        for t in &file.takes {
            let key = (path.clone(), t.span.span);
            if stands(t.span.span) {
                self.0.remove(&key);
            } else {
                self.0.insert(key, (t.note, t.layer));
            }
        }
    }

    /// The edits that move takes from their provisional place to the one that the whole set gives
    /// them. A take that somebody has moved or worked on meanwhile stays where it is.
    pub fn settle(&self, document: &Document, session: &Path, files: &[FileSurvey]) -> Option<Edit> {
        let mut settled: HashMap<(PathBuf, FrameRange), &FoundTake> = HashMap::new();
        for f in files {
            settled.extend(f.takes.iter().map(|t| ((path_in_session(session, &f.path), t.span.span), t)));
        }
        let moves: Vec<_> = document
            .takes
            .iter()
            // A recipe that the program proposed meanwhile is nobody's decision about the place.
            .filter(|t| matches!(t.state, TakeState::New | TakeState::Proposed))
            .filter_map(|t| {
                let path = &document.source(t.source)?.path;
                let now = settled.get(&(path.clone(), t.span))?;
                let before = self.0.get(&(path.clone(), t.span))?;
                let untouched = *before == (t.note, t.layer);
                let note = now.note?;
                (untouched && (now.note, now.layer) != *before).then_some(Edit::SettlePlace {
                    take: t.id,
                    from: *before,
                    to: (note, now.layer),
                })
            })
            .collect();
        (!moves.is_empty()).then_some(Edit::Many(moves))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::spans::FoundSpan;
    use crate::render::intake;
    use crate::units::{Cents, Decibels, Frame, SampleRate};

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
        let d = intake::found(session, std::slice::from_ref(&streamed)).apply(&Document::default()).unwrap();
        assert_eq!(d.sources[0].path, Path::new("a.wav"));
        let mut provisional = Provisional::default();
        provisional.note(&Document::default(), session, &streamed);
        // The user moves the first take before the survey ends.
        let moved = Edit::Place { take: d.takes[0].id, note: MidiNote(61), layer: 5 }.apply(&d).unwrap();
        let end = file("a.wav", &[(Some(60), 0), (Some(60), 1), (Some(62), 2)]);
        let edit = provisional.settle(&moved, session, &[end]).unwrap();
        let settled = edit.apply(&moved).unwrap();
        let places: Vec<_> = settled.takes.iter().map(|t| (t.note.unwrap().0, t.layer)).collect();
        assert_eq!(places, [(61, 5), (60, 1), (62, 2)]);
        // Looked through once more, with the second take moved by the user to where the file alone
        // would put it: it stays there.
        let moved =
            Edit::Place { take: d.takes[1].id, note: MidiNote(60), layer: 0 }.apply(&settled).unwrap();
        provisional.note(&moved, session, &streamed);
        let end = file("a.wav", &[(Some(60), 0), (Some(60), 1), (Some(62), 2)]);
        assert_eq!(provisional.settle(&moved, session, &[end]), None);
    }
}
