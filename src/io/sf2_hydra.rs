//! The nine tables of a SoundFont's presets, instruments and samples (`pdta`).
//!
//! Source: SoundFont Technical Specification 2.04 (2006), section 7 (tables) and 8 (generators).

use std::collections::BTreeSet;

use super::form::Zone;
use super::sf2::{SampleHead, SoundIndex};
use super::wave_chunks::chunk;
use crate::error::{Error, Result};
use crate::units::Seconds;

/// Numbers of generators (8.1.2).
const PAN: u16 = 17;
const RELEASE_VOLUME: u16 = 38;
const INSTRUMENT: u16 = 41;
const KEY_RANGE: u16 = 43;
const VELOCITY_RANGE: u16 = 44;
const SAMPLE_ID: u16 = 53;
const SAMPLE_MODES: u16 = 54;
/// Longest name in bytes; the field has one more, for a zero (7.2).
const LONGEST_NAME: usize = 19;

/// A preset: all of its instruments sound together.
#[derive(Debug, Clone, PartialEq)]
pub struct Preset {
    /// Its name; 19 bytes of it are written.
    pub name: String,
    /// Its MIDI program, 0 to 127.
    pub program: u16,
    /// Its instruments.
    pub instruments: Vec<Instrument>,
}

/// Sounds over the keys.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    /// Its name; 19 bytes of it are written.
    pub name: String,
    /// What sounds where.
    pub zones: Vec<(SoundIndex, Zone)>,
    /// How long a key sounds on after it is let go.
    pub release: Seconds,
}

/// `LIST` of kind `pdta` with its nine tables in their order (7.1).
pub(super) fn chunks(presets: &[Preset], heads: &[SampleHead]) -> Result<Vec<u8>> {
    let mut t = Tables::default();
    let mut names = Names::default();
    for (i, p) in presets.iter().enumerate() {
        t.preset(p, i, heads, &mut names)?;
    }
    t.end();
    let mut body = b"pdta".to_vec();
    for (id, table) in [
        (*b"phdr", t.phdr),
        (*b"pbag", t.pbag),
        (*b"pmod", vec![0; 10]),
        (*b"pgen", t.pgen),
        (*b"inst", t.inst),
        (*b"ibag", t.ibag),
        (*b"imod", vec![0; 10]),
        (*b"igen", t.igen),
        (*b"shdr", samples(heads)),
    ] {
        body.extend(chunk(id, table));
    }
    Ok(chunk(*b"LIST", body))
}

#[derive(Default)]
struct Tables {
    phdr: Vec<u8>,
    pbag: Vec<u8>,
    pgen: Vec<u8>,
    inst: Vec<u8>,
    ibag: Vec<u8>,
    igen: Vec<u8>,
}

impl Tables {
    fn preset(&mut self, p: &Preset, number: usize, heads: &[SampleHead], names: &mut Names) -> Result<()> {
        self.phdr.extend(names.fresh(&p.name));
        self.phdr.extend(p.program.min(127).to_le_bytes());
        // Bank: programs are 128 a bank.
        self.phdr.extend((number as u16 / 128).to_le_bytes());
        self.phdr.extend(row(&self.pbag, 4)?.to_le_bytes());
        self.phdr.extend([0; 12]);
        for i in &p.instruments {
            self.pbag.extend(row(&self.pgen, 4)?.to_le_bytes());
            self.pbag.extend([0; 2]);
            let index = row(&self.inst, 22)?;
            generator(&mut self.pgen, INSTRUMENT, index.to_le_bytes());
            self.instrument(i, heads, names)?;
        }
        Ok(())
    }

    fn instrument(&mut self, i: &Instrument, heads: &[SampleHead], names: &mut Names) -> Result<()> {
        self.inst.extend(names.fresh(&i.name));
        self.inst.extend(row(&self.ibag, 4)?.to_le_bytes());
        for (sound, zone) in &i.zones {
            for c in 0..sound.channels {
                self.ibag.extend(row(&self.igen, 4)?.to_le_bytes());
                self.ibag.extend([0; 2]);
                let id = sound.first + c;
                // The key range comes first, then the velocity range, the sample last (7.5).
                generator(&mut self.igen, KEY_RANGE, [zone.keys.0.0, zone.keys.1.0]);
                if zone.velocities != (1, 127) {
                    generator(&mut self.igen, VELOCITY_RANGE, [zone.velocities.0, zone.velocities.1]);
                }
                if sound.channels == 2 {
                    // In tenths of a percent: all the way to its side.
                    let pan: i16 = if c == 0 { -500 } else { 500 };
                    generator(&mut self.igen, PAN, pan.to_le_bytes());
                }
                generator(&mut self.igen, RELEASE_VOLUME, timecents(i.release).to_le_bytes());
                let looped = heads.get(usize::from(id)).is_some_and(|h| h.looped);
                generator(&mut self.igen, SAMPLE_MODES, u16::from(looped).to_le_bytes());
                generator(&mut self.igen, SAMPLE_ID, id.to_le_bytes());
            }
        }
        Ok(())
    }

    /// The rows that end each table (7.2 to 7.9).
    fn end(&mut self) {
        let last = |table: &[u8], size: usize| (table.len() / size) as u16;
        self.phdr.extend(name_field("EOP"));
        self.phdr.extend([0; 4]);
        self.phdr.extend(last(&self.pbag, 4).to_le_bytes());
        self.phdr.extend([0; 12]);
        self.pbag.extend(last(&self.pgen, 4).to_le_bytes());
        self.pbag.extend([0; 2]);
        self.pgen.extend([0; 4]);
        self.inst.extend(name_field("EOI"));
        self.inst.extend(last(&self.ibag, 4).to_le_bytes());
        self.ibag.extend(last(&self.igen, 4).to_le_bytes());
        self.ibag.extend([0; 2]);
        self.igen.extend([0; 4]);
    }
}

/// The number of the next row of a table.
fn row(table: &[u8], size: usize) -> Result<u16> {
    u16::try_from(table.len() / size)
        .ok()
        .filter(|n| *n < u16::MAX)
        .ok_or_else(|| Error::invalid("the SoundFont", "more than 65534 rows", "fewer takes or layers"))
}

fn generator(table: &mut Vec<u8>, number: u16, amount: [u8; 2]) {
    table.extend(number.to_le_bytes());
    table.extend(amount);
}

/// A duration in timecents: 1200·log2(seconds); −12000 is 1 ms (8.1.2), the least there is.
fn timecents(s: Seconds) -> i16 {
    (1200.0 * s.0.max(1e-3).log2()).round().clamp(-12_000.0, 8000.0) as i16
}

/// `shdr`: 46 bytes a sample, then the row that ends it (7.10).
fn samples(heads: &[SampleHead]) -> Vec<u8> {
    let mut names = Names::default();
    let mut table = Vec::with_capacity(46 * (heads.len() + 1));
    for h in heads {
        table.extend(names.fresh(&h.name));
        for n in [h.start, h.end, h.loop_start, h.loop_end, h.rate] {
            table.extend(n.to_le_bytes());
        }
        table.push(h.root);
        table.push(h.correction as u8);
        table.extend(h.link.to_le_bytes());
        table.extend(h.kind.to_le_bytes());
    }
    table.extend(name_field("EOS"));
    table.extend([0; 26]);
    table
}

/// Names that differ within one table, as readers expect.
#[derive(Default)]
struct Names {
    taken: BTreeSet<[u8; 20]>,
}

impl Names {
    fn fresh(&mut self, name: &str) -> [u8; 20] {
        let mut field = name_field(name);
        let mut n = 2;
        while !self.taken.insert(field) {
            let end = format!("~{n}");
            let mut stem: String = name.chars().filter(char::is_ascii).collect();
            stem.truncate(LONGEST_NAME - end.len());
            field = name_field(&(stem + &end));
            n += 1;
        }
        field
    }
}

/// 20 bytes: ASCII, filled up with zeros.
fn name_field(name: &str) -> [u8; 20] {
    let mut field = [0; 20];
    let ascii = name.chars().map(|c| if c.is_ascii_graphic() || c == ' ' { c as u8 } else { b'_' });
    field.iter_mut().take(LONGEST_NAME).zip(ascii).for_each(|(f, c)| *f = c);
    field
}

#[cfg(test)]
mod tests {
    use super::*;

    /// −12000 timecents is 1 ms and 0 is 1 s. Source: SoundFont 2.04, 8.1.2, generator 38.
    #[test]
    fn times_are_in_timecents() {
        assert_eq!(timecents(Seconds(1.0)), 0);
        assert_eq!(timecents(Seconds(2.0)), 1200);
        // log2(0.001) is -9.966: the published pair is rounded.
        assert_eq!(timecents(Seconds(0.0)), -11_959);
    }

    #[test]
    fn long_names_stay_apart() {
        let mut names = Names::default();
        let a = names.fresh("Cellar bottles C#4 layer 1");
        let b = names.fresh("Cellar bottles C#4 layer 2");
        assert_ne!(a, b);
        assert_eq!((a[19], b[19]), (0, 0));
        assert!(b.starts_with(b"Cellar bottles C#~2"), "{:?}", String::from_utf8_lossy(&b));
    }
}
