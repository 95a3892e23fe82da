//! From what a survey finds to edits of the document.

use std::collections::HashMap;
use std::path::Path;

use crate::session::{Document, Edit, RoomTone, Source, SourceId, Take, TakeId, TakeState};
use crate::survey::{FileSurvey, FoundTake, shown};
use crate::units::{FrameRange, MidiNote};

/// The edit that adds `files` to a session in `folder`.
pub fn add_files(folder: &Path, files: &[FileSurvey]) -> Edit {
    let mut sources = Vec::new();
    let mut takes = Vec::new();
    for (i, file) in files.iter().enumerate() {
        // Only their order matters: the edit gives ids of the document.
        let id = SourceId(i as u32 + 1);
        sources.push(source_of(folder, file, id));
        takes.extend(file.takes.iter().map(|t| take_of(t, id)));
    }
    Edit::AddFound { sources, takes }
}

fn source_of(folder: &Path, file: &FileSurvey, id: SourceId) -> Source {
    Source {
        id,
        path: shown(&file.path, folder).to_path_buf(),
        bytes: file.bytes,
        hash: file.hash.clone(),
        rate: file.rate,
        channels: file.channels,
        frames: file.frames,
        room_tone: file.room.map(|r| RoomTone { range: r.range, level: r.level }),
    }
}

fn take_of(found: &FoundTake, source: SourceId) -> Take {
    Take {
        id: TakeId(0),
        source,
        span: found.span.span,
        onset: found.span.onset,
        sounds: found.sounds,
        f0: found.f0,
        cents: found.cents,
        level: found.level,
        snr: found.snr,
        named: found.named,
        note: found.note,
        layer: found.layer,
        state: TakeState::New,
        concerns: found.concerns.clone(),
        recipe: None,
    }
}

type Place = (Option<MidiNote>, u16);

/// Where takes stood when their file came in, before the whole set was known.
#[derive(Debug, Default)]
pub struct Provisional(HashMap<(std::path::PathBuf, FrameRange), Place>);

impl Provisional {
    /// Notes the places of one file's takes.
    pub fn note(&mut self, folder: &Path, file: &FileSurvey) {
        for t in &file.takes {
            let key = (shown(&file.path, folder).to_path_buf(), t.span.span);
            self.0.insert(key, (t.note, t.layer));
        }
    }

    /// The edits that move takes from their provisional place to the one that the whole set gives
    /// them. A take that somebody has moved or worked on meanwhile stays where it is.
    pub fn settle(&self, document: &Document, folder: &Path, files: &[FileSurvey]) -> Option<Edit> {
        let mut settled: HashMap<(&Path, FrameRange), &FoundTake> = HashMap::new();
        for f in files {
            settled.extend(f.takes.iter().map(|t| ((shown(&f.path, folder), t.span.span), t)));
        }
        let moves: Vec<_> = document
            .takes
            .iter()
            .filter(|t| t.state == TakeState::New)
            .filter_map(|t| {
                let path = &document.source(t.source)?.path;
                let now = settled.get(&(path.as_path(), t.span))?;
                let before = self.0.get(&(path.clone(), t.span))?;
                let untouched = *before == (t.note, t.layer);
                let note = now.note?;
                (untouched && (now.note, now.layer) != *before).then_some(Edit::Place {
                    take: t.id,
                    note,
                    layer: now.layer,
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
    use crate::units::{Cents, Decibels, Frame, SampleRate};
    use std::path::PathBuf;

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
        let folder = Path::new("/set");
        let streamed = file("a.wav", &[(Some(60), 0), (Some(60), 0), (None, 0)]);
        let d = add_files(folder, std::slice::from_ref(&streamed)).apply(&Document::default()).unwrap();
        assert_eq!(d.sources[0].path, Path::new("a.wav"));
        let mut provisional = Provisional::default();
        provisional.note(folder, &streamed);
        // The user moves the first take before the survey ends.
        let moved = Edit::Place { take: d.takes[0].id, note: MidiNote(61), layer: 5 }.apply(&d).unwrap();
        let end = file("a.wav", &[(Some(60), 0), (Some(60), 1), (Some(62), 2)]);
        let edit = provisional.settle(&moved, folder, &[end]).unwrap();
        let settled = edit.apply(&moved).unwrap();
        let places: Vec<_> = settled.takes.iter().map(|t| (t.note.unwrap().0, t.layer)).collect();
        assert_eq!(places, [(61, 5), (60, 1), (62, 2)]);
    }
}
