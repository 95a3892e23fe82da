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
            // 120 all sound off, 123 all notes off.
            (0xB, [120 | 123, _]) => Some(Self::AllUp),
            _ => None,
        }
    }
}

/// An input that is listened to; dropping it closes it.
pub struct MidiListener {
    /// Held to keep the input open.
    _connection: MidiInputConnection<Sender<MidiEvent>>,
    events: Receiver<MidiEvent>,
    name: String,
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
        let heard = move |_: u64, bytes: &[u8], send: &mut Sender<MidiEvent>| {
            if let Some(event) = MidiEvent::of(bytes)
                && send.send(event).is_ok()
            {
                wake();
            }
        };
        let connection = midi
            .connect(port, "keyboard", heard, send)
            .map_err(|e| failed("the MIDI input cannot be opened", &e))?;
        Ok(Self { _connection: connection, events, name: name.to_owned() })
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
        assert_eq!(MidiEvent::of(&[0xB2, 123, 0]), Some(MidiEvent::AllUp));
        for other in [&[0xE0, 0, 64][..], &[0xF8], &[], &[0x90], &[0x90, 60], &[0x90, 200, 3], &[0xB0, 1, 5]]
        {
            assert_eq!(MidiEvent::of(other), None, "{other:?}");
        }
    }
}
