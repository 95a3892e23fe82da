//! Keyboards that speak MIDI; the only user of midir.
//!
//! The input's own thread turns bytes into messages and sends them; nothing else happens there.

use std::sync::mpsc::{Receiver, Sender, channel};

use midir::{Ignore, MidiInput, MidiInputConnection};

use crate::error::{Error, ErrorKind, Result};
use crate::units::MidiNote;

/// The name under which the system shows the program.
const CLIENT: &str = "Seamwright";

/// What a MIDI keyboard says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MidiEvent {
    /// A key went down, with its velocity, 1 to 127.
    Down(MidiNote, u8),
    /// A key came up.
    Up(MidiNote),
    /// The sustain pedal is down, or up again.
    Sustain(bool),
    /// Every key is to be let go.
    AllUp,
}

impl MidiEvent {
    /// Reads one message of any channel; none for what is not listened to. Source: MIDI 1.0 Detailed
    /// Specification 4.2, table II (channel voice messages) and table III (controller numbers); a
    /// note-on of velocity 0 is a note-off there, 64 and above is a switch that is on.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        let (status, data) = bytes.split_first()?;
        match (status >> 4, data) {
            (0x9, [key @ 0..=127, velocity @ 1..=127]) => Some(Self::Down(MidiNote(*key), *velocity)),
            (0x8, [key @ 0..=127, _]) | (0x9, [key @ 0..=127, 0]) => Some(Self::Up(MidiNote(*key))),
            (0xB, [64, value @ 0..=127]) => Some(Self::Sustain(*value >= 64)),
            // 121 reset all controllers: a pedal that is forgotten is up (MMA RP-015).
            (0xB, [121, _]) => Some(Self::Sustain(false)),
            // 120 all sound off; 123 all notes off, as which the mode messages 124 to 127 count too.
            (0xB, [120 | 123..=127, _]) => Some(Self::AllUp),
            _ => None,
        }
    }
}

/// Reads what an input hands over byte by byte: one message or several at once, messages whose status byte is
/// left out because it is that of the one before ("running status"), clock bytes anywhere between them,
/// system exclusive data that is passed over. Source: MIDI 1.0 Detailed Specification 4.2, "Data format".
#[derive(Debug, Default)]
pub struct MidiReader {
    /// Status of the message that is read; 0: none, so that data bytes mean nothing.
    status: u8,
    data: [u8; 2],
    got: usize,
}

impl MidiReader {
    /// Reads on; `each` is given what the bytes say, in order.
    pub fn read(&mut self, bytes: &[u8], mut each: impl FnMut(MidiEvent)) {
        for byte in bytes {
            match *byte {
                // Real time: may stand within a message and ends none.
                0xF8.. => {}
                // System common and exclusive: none of ours, and the running status ends.
                0xF0.. => (self.status, self.got) = (0, 0),
                status @ 0x80.. => (self.status, self.got) = (status, 0),
                data => self.data_byte(data, &mut each),
            }
        }
    }

    fn data_byte(&mut self, byte: u8, each: &mut impl FnMut(MidiEvent)) {
        if self.status == 0 {
            return;
        }
        self.data[self.got] = byte;
        self.got += 1;
        // Program change and channel pressure have one data byte, all other channel messages two.
        let whole = if matches!(self.status >> 4, 0xC | 0xD) { 1 } else { 2 };
        if self.got == whole {
            self.got = 0;
            if let Some(event) = MidiEvent::of(&[self.status, self.data[0], self.data[1]]) {
                each(event);
            }
        }
    }
}

/// An input that is listened to; dropping it closes it.
pub struct MidiListener {
    /// Held to keep the input open; none where [`MidiHand`] stands for it.
    _connection: Option<MidiInputConnection<Sender<MidiEvent>>>,
    events: Receiver<MidiEvent>,
    name: String,
}

/// Plays on a [`MidiListener`] that has no device (for tests).
pub struct MidiHand {
    reader: MidiReader,
    send: Sender<MidiEvent>,
}

impl MidiHand {
    /// As if the device had sent `bytes`.
    pub fn play(&mut self, bytes: &[u8]) {
        let send = &self.send;
        self.reader.read(bytes, |event| {
            // Nobody listens any more: as with a cable that leads nowhere.
            let _ = send.send(event);
        });
    }
}

/// Names of the inputs that there are now. Errors: `Device` where the system has no MIDI.
pub fn inputs() -> Result<Vec<String>> {
    let midi = MidiInput::new(CLIENT).map_err(|e| failed("this system offers no MIDI", &e))?;
    Ok(midi.ports().iter().filter_map(|p| midi.port_name(p).ok()).collect())
}

impl MidiListener {
    /// Opens the input of that name; `wake` is called after each message, on the input's thread.
    /// Errors: `Device` where there is no such input (any more) or it cannot be opened.
    pub fn open(name: &str, wake: impl Fn() + Send + 'static) -> Result<Self> {
        let mut midi = MidiInput::new(CLIENT).map_err(|e| failed("this system offers no MIDI", &e))?;
        midi.ignore(Ignore::All);
        let ports = midi.ports();
        let port = ports.iter().find(|p| midi.port_name(p).is_ok_and(|n| n == name)).ok_or_else(|| {
            Error::new(
                ErrorKind::Device,
                format!(
                    "the MIDI input {name} is not there; connect it, or choose another in the preferences"
                ),
            )
        })?;
        let (send, events) = channel();
        let mut reader = MidiReader::default();
        let heard = move |_: u64, bytes: &[u8], send: &mut Sender<MidiEvent>| {
            let mut any = false;
            reader.read(bytes, |event| any |= send.send(event).is_ok());
            if any {
                wake();
            }
        };
        let connection = midi
            .connect(port, "keyboard", heard, send)
            .map_err(|e| failed("the MIDI input cannot be opened", &e))?;
        Ok(Self { _connection: Some(connection), events, name: name.to_owned() })
    }

    /// One without a device, and the hand that plays on it.
    pub fn without_device(name: &str) -> (Self, MidiHand) {
        let (send, events) = channel();
        let hand = MidiHand { reader: MidiReader::default(), send };
        (Self { _connection: None, events, name: name.to_owned() }, hand)
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What came since the last call, in order.
    pub fn events(&self) -> impl Iterator<Item = MidiEvent> + '_ {
        self.events.try_iter()
    }
}

fn failed(what: &str, why: &dyn std::fmt::Display) -> Error {
    Error::new(ErrorKind::Device, format!("{what}: {why}; everything else works without a MIDI keyboard"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MIDI 1.0 Detailed Specification 4.2: 9n note on, 8n note off, Bn control change (64 damper
    /// pedal, 123 all notes off), En pitch wheel, F8 timing clock; a note on of velocity 0 is a note off.
    #[test]
    fn messages_are_read_by_the_standard() {
        let c4 = MidiNote(60);
        assert_eq!(MidiEvent::of(&[0x90, 60, 100]), Some(MidiEvent::Down(c4, 100)));
        assert_eq!(MidiEvent::of(&[0x9F, 60, 1]), Some(MidiEvent::Down(c4, 1)));
        assert_eq!(MidiEvent::of(&[0x93, 60, 0]), Some(MidiEvent::Up(c4)));
        assert_eq!(MidiEvent::of(&[0x80, 60, 64]), Some(MidiEvent::Up(c4)));
        assert_eq!(MidiEvent::of(&[0xB0, 64, 63]), Some(MidiEvent::Sustain(false)));
        assert_eq!(MidiEvent::of(&[0xB0, 64, 64]), Some(MidiEvent::Sustain(true)));
        for mode in [120, 123, 124, 125, 126, 127] {
            assert_eq!(MidiEvent::of(&[0xB2, mode, 0]), Some(MidiEvent::AllUp), "{mode}");
        }
        assert_eq!(MidiEvent::of(&[0xB0, 121, 0]), Some(MidiEvent::Sustain(false)));
        for other in [&[0xE0, 0, 64][..], &[0xF8], &[], &[0x90], &[0x90, 60], &[0x90, 200, 3], &[0xB0, 1, 5]]
        {
            assert_eq!(MidiEvent::of(other), None, "{other:?}");
        }
    }

    fn read(pieces: &[&[u8]]) -> Vec<MidiEvent> {
        let (mut reader, mut all) = (MidiReader::default(), Vec::new());
        pieces.iter().for_each(|bytes| reader.read(bytes, |e| all.push(e)));
        all
    }

    #[test]
    fn several_messages_running_status_and_clock_bytes_are_told_apart() {
        let (c, e) = (MidiNote(60), MidiNote(64));
        let played = [MidiEvent::Down(c, 100), MidiEvent::Down(e, 90), MidiEvent::Up(c), MidiEvent::Up(e)];
        // Each message whole; all at once; the status left out, note-offs as note-ons of velocity 0; the clock
        // within a message; cut anywhere.
        let whole: [&[u8]; 4] = [&[0x90, 60, 100], &[0x90, 64, 90], &[0x80, 60, 0], &[0x90, 64, 0]];
        assert_eq!(read(&whole), played);
        assert_eq!(read(&[&whole.concat()]), played);
        let running = [0x90, 60, 100, 64, 90, 60, 0, 64, 0];
        assert_eq!(read(&[&running]), played);
        assert_eq!(read(&[&[0x90, 0xF8, 60, 0xFE, 100, 0xF8, 64, 90, 60, 0, 0xFA, 64, 0]]), played);
        for cut in 0..running.len() {
            assert_eq!(read(&[&running[..cut], &running[cut..]]), played, "cut at {cut}");
        }
    }

    #[test]
    fn pedal_and_all_notes_off_are_read_and_what_is_none_of_ours_is_passed_over() {
        let c = MidiNote(60);
        // Pedal down and up in running status, all notes off after it.
        let pedal = [MidiEvent::Sustain(true), MidiEvent::Sustain(false), MidiEvent::AllUp];
        assert_eq!(read(&[&[0xB0, 64, 127, 64, 0, 123, 0]]), pedal);
        // A system exclusive message and what it leaves behind; program change and pressure (one data byte
        // each); a message without its end before the next one.
        assert_eq!(read(&[&[0xF0, 60, 100, 64, 0xF7, 60, 100]]), []);
        assert_eq!(read(&[&[0xC0, 5, 6, 0xD0, 60, 61, 0x90, 60, 1]]), [MidiEvent::Down(c, 1)]);
        assert_eq!(read(&[&[0x90, 60, 0x90, 60, 7]]), [MidiEvent::Down(c, 7)]);
        assert_eq!(read(&[&[60, 100]]), [], "no status was heard yet");
    }
}
