//! The files beside the sound files: text map, SoundFont, report, credits.

use std::path::Path;

use super::batch::{DeliverOptions, Delivery, Run};
use super::manifest::{Entry, Facts, hash_of};
use super::mapping::Region;
use super::plan::BesideKind;
use super::report::{self, Row};
use super::take_file::Item;
use crate::error::{Error, ErrorKind, Result};
use crate::io::form::Zone;
use crate::io::sf2::{BankTexts, Sf2Writer, SoundIndex};
use crate::io::sf2_hydra::{Instrument, Preset};
use crate::io::sfz::{self, SfzGroup, SfzRegion};
use crate::io::{PROGRAM, atomic, decode, hash};
use crate::session::delivery::{BankDepth, LayersAs};
use crate::session::store;
use crate::units::{Cents, FrameRange, MidiNote};

/// A take whose file stands there, with what is known of it.
struct There<'a> {
    item: &'a Item<'a>,
    facts: Facts,
    is: String,
}

/// Writes everything that is planned beside the sound files. What fails is in the result.
pub(super) fn write(run: &Run<'_>, options: &DeliverOptions, items: &[Item<'_>], delivery: &mut Delivery) {
    let there: Vec<There<'_>> = items
        .iter()
        .filter_map(|item| {
            let entry = run.entries(|files| files.get(item.name).cloned())?;
            let whole = !entry.is.is_empty();
            Some(There { item, facts: entry.facts.filter(|_| whole)?, is: entry.is })
        })
        .collect();
    // Without a single sound there is nothing that a map or a report could be of.
    let planned = if there.is_empty() { &[][..] } else { &run.plan.beside[..] };
    for b in planned {
        let path = run.folder.join(&b.path);
        let result = match b.kind {
            BesideKind::Sfz => sfz_text(run, &there).and_then(|t| small(run, options, &b.path, t.as_bytes())),
            BesideKind::Sf2 => bank(run, options, &b.path, &there),
            BesideKind::ReportPage | BesideKind::ReportTable | BesideKind::ReportJson => {
                report_bytes(run, b.kind, &there, delivery)
                    .and_then(|bytes| small(run, options, &b.path, &bytes))
            }
            BesideKind::Credits => credits(run).and_then(|bytes| small(run, options, &b.path, &bytes)),
        };
        match result {
            Ok(()) => delivery.beside.push(path),
            Err(e) if e.is_cancelled() => {
                delivery.cancelled = true;
                return;
            }
            Err(e) => delivery.beside_failed.push((path, e)),
        }
    }
}

/// Writes a file whose bytes are at hand, unless it stands there so already.
fn small(run: &Run<'_>, options: &DeliverOptions, name: &str, bytes: &[u8]) -> Result<()> {
    let is = blake3::hash(bytes).to_hex().to_string();
    let path = run.folder.join(name);
    if options.resume && stands(run, name, &is, &is) {
        return Ok(());
    }
    begin(run, name)?;
    atomic::write(&path, |w| w.write_all(bytes).map_err(|e| Error::io("write", &path, &e)))?;
    end(run, name, is.clone(), is)
}

/// Whether a file stands there that came from `from`; `is` empty: whatever its entry says it is.
fn stands(run: &Run<'_>, name: &str, from: &str, is: &str) -> bool {
    let known = run.entries(|files| files.get(name).cloned());
    known.is_some_and(|e| {
        e.from == from
            && (is.is_empty() || e.is == is)
            && hash::hash_file(&run.folder.join(name), &|| true).is_ok_and(|(_, now)| now == e.is)
    })
}

fn begin(run: &Run<'_>, name: &str) -> Result<()> {
    run.job.check()?;
    if let Some(e) = run.strangers.get(name) {
        return Err(e.clone());
    }
    run.entries(|files| files.insert(name.to_owned(), Entry::default()));
    run.save(true)
}

fn end(run: &Run<'_>, name: &str, from: String, is: String) -> Result<()> {
    let entry = Entry { from, is, program: PROGRAM.into(), ..Entry::default() };
    run.entries(|files| files.insert(name.to_owned(), entry));
    run.save(false)
}

fn zone(r: &Region) -> Zone {
    Zone { keys: r.keys, velocities: r.velocities }
}

fn loop_of(f: &Facts) -> Option<FrameRange> {
    f.looping.map(|(start, end)| FrameRange::new(start, end))
}

fn sfz_text(run: &Run<'_>, there: &[There<'_>]) -> Result<String> {
    let setup = &run.document.setup;
    let groups: Vec<SfzGroup> = run
        .plan
        .map
        .layers
        .iter()
        .map(|layer| {
            let of_layer =
                there.iter().filter_map(|t| Some((t, t.item.region.filter(|r| r.layer == *layer)?)));
            let regions = of_layer.map(|(t, r)| SfzRegion {
                sample: t.item.name.to_owned(),
                zone: zone(&r),
                root: MidiNote(t.facts.root),
                fine_tune: Cents(t.facts.fine_tune),
                looping: loop_of(&t.facts),
                turn: (r.turn.0.into(), r.turn.1.into()),
            });
            SfzGroup { name: format!("layer {}", layer + 1), regions: regions.collect() }
        })
        .collect();
    sfz::text(&setup.title, &groups, setup.delivery.map.release)
}

/// The SoundFont is made of the delivered files, read back one at a time: what is in them is what
/// is in it, and the memory used does not grow with their number.
fn bank(run: &Run<'_>, options: &DeliverOptions, name: &str, there: &[There<'_>]) -> Result<()> {
    let setup = &run.document.setup;
    let d = &setup.delivery;
    let sounding: Vec<(&There<'_>, Region)> =
        there.iter().filter_map(|t| Some((t, t.item.region?))).collect();
    let parts: Vec<_> = sounding
        .iter()
        .map(|(t, r)| {
            (&t.is, r.keys, r.velocities, r.turn, r.layer, t.facts.looping, (t.facts.root, t.facts.fine_tune))
        })
        .collect();
    let from = hash_of(&(PROGRAM, &setup.title, &d.texts, (d.map.sf2, d.map.release, d.map.layers), parts))?;
    if options.resume && stands(run, name, &from, "") {
        return Ok(());
    }
    begin(run, name)?;
    run.job.begin("SoundFont", sounding.len() as u64);
    let path = run.folder.join(name);
    let mut writer = Sf2Writer::new(&path, d.map.sf2 == Some(BankDepth::Bits24))?;
    let mut sounds = Vec::new();
    let go_on = || !run.job.cancel.is_cancelled();
    for (t, r) in &sounding {
        run.job.check()?;
        let audio = decode::decode_while(&run.folder.join(t.item.name), &go_on)?;
        let fine = Cents(t.facts.fine_tune);
        let spelt = d.spelling.name(r.root, d.middle_c.unwrap_or(setup.middle_c));
        let label = format!("{spelt} {}", r.layer + 1);
        sounds.push((writer.add(&label, &audio, loop_of(&t.facts), MidiNote(t.facts.root), fine)?, *r));
        run.job.advance(1);
    }
    let texts = BankTexts {
        name: setup.title.clone(),
        engineer: d.texts.artist.clone(),
        date: d.texts.date.clone(),
        copyright: d.texts.copyright.clone(),
        comment: d.texts.comment.clone(),
    };
    writer.finish_while(&texts, &presets(run, &sounds), &go_on)?;
    // Without its hash it stays announced: the next delivery writes it again.
    let (_, is) = hash::hash_file(&path, &go_on)?;
    end(run, name, from, is)
}

/// One preset in which everything sounds as mapped, and where the layers are groups or take turns one
/// for each of them besides.
fn presets(run: &Run<'_>, sounds: &[(SoundIndex, Region)]) -> Vec<Preset> {
    let setup = &run.document.setup;
    let release = setup.delivery.map.release;
    let layers = &run.plan.map.layers;
    let by_layer = setup.delivery.map.layers;
    // A SoundFont knows no turns: within a layer the first one sounds.
    let sounds_in = |r: &Region| by_layer == LayersAs::RoundRobin || r.turn.0 == 1;
    let instrument = |layer: u16| Instrument {
        name: format!("layer {}", layer + 1),
        zones: sounds
            .iter()
            .filter(|(_, r)| r.layer == layer && sounds_in(r))
            .map(|(s, r)| (*s, zone(r)))
            .collect(),
        release,
    };
    let title = setup.title.trim().to_owned();
    let all: Vec<Instrument> = match by_layer {
        LayersAs::RoundRobin => layers.iter().take(1).map(|l| instrument(*l)).collect(),
        LayersAs::Group | LayersAs::Velocity => layers.iter().map(|l| instrument(*l)).collect(),
    };
    let mut presets = vec![Preset { name: title, program: 0, instruments: all }];
    if layers.len() > 1 && by_layer != LayersAs::Velocity {
        presets.extend(layers.iter().enumerate().map(|(i, l)| Preset {
            name: format!("layer {}", l + 1),
            program: (i as u16 + 1) % 128,
            instruments: vec![instrument(*l)],
        }));
    }
    presets.retain(|p| p.instruments.iter().any(|i| !i.zones.is_empty()));
    presets
}

fn credits(run: &Run<'_>) -> Result<Vec<u8>> {
    let given = run.document.setup.delivery.credits.clone().unwrap_or_default();
    let path = store::source_path(run.session_path, Path::new(&given));
    let bytes = std::fs::read(&path).map_err(|e| Error::io("read", &path, &e))?;
    if std::str::from_utf8(&bytes).is_err() {
        return Err(Error::new(
            ErrorKind::Decode,
            format!("{} is no text in UTF-8; save it as plain text", path.display()),
        ));
    }
    Ok(bytes)
}

fn report_bytes(
    run: &Run<'_>,
    kind: BesideKind,
    there: &[There<'_>],
    delivery: &Delivery,
) -> Result<Vec<u8>> {
    let rows: Vec<Row<'_>> =
        there.iter().map(|t| Row { take: t.item.take, name: t.item.name, facts: &t.facts }).collect();
    let failed: Vec<(String, String)> =
        delivery.failed.iter().map(|(_, what, e)| (what.clone(), e.to_string())).collect();
    Ok(match kind {
        BesideKind::ReportTable => report::csv(run.document, &rows).into_bytes(),
        BesideKind::ReportJson => report::json(run.document, &rows, &failed)?.into_bytes(),
        _ => report::page(run.document, &rows, &failed, &run.plan).into_bytes(),
    })
}
