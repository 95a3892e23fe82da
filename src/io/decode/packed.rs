//! Files of packets (FLAC, MP3, Ogg), decoded by symphonia.

use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use symphonia::core::codecs::audio::well_known::CODEC_ID_MP3;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::common::Limit;
use symphonia::core::errors::Error as CodecError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::well_known::FORMAT_ID_FLAC;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;

use crate::error::{Error, ErrorKind, Result};
use crate::io::riff::SourceMarks;
use crate::io::{EXPORT_AGAIN, channels_from_header, rate_from_header, unreadable};
use crate::units::{Frame, SampleRate};

use super::{Opened, SoundInfo, Source};

/// A file of packets that symphonia decodes.
pub(super) struct Packed {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    path: PathBuf,
    rate: SampleRate,
    channels: u16,
    /// The next frame.
    at: u64,
    /// Time stamp of frame 0, once known, where packets carry their own place (FLAC).
    origin: Option<i64>,
    is_flac: bool,
    is_mp3: bool,
    /// What was wrong with the last packets; forgiven if nothing follows (the file just ends early).
    pub(super) damage: Option<String>,
}

/// Packets in a row that may fail before the file is given up.
const MOST_BAD_PACKETS: usize = 256;
/// Most bytes of texts and pictures that are kept (to be thrown away).
const MOST_TAG_BYTES: usize = 1 << 20;

impl Packed {
    /// Recognises the file and reads its head.
    pub(super) fn open(file: File, path: &Path) -> Result<Opened> {
        let stream = MediaSourceStream::new(Box::new(file), Default::default());
        let tags = MetadataOptions::default()
            .limit_tag_bytes(Limit::Maximum(MOST_TAG_BYTES))
            .limit_visual_bytes(Limit::Maximum(MOST_TAG_BYTES));
        let format = guarded(|| {
            symphonia::default::get_probe().probe(&Hint::new(), stream, FormatOptions::default(), tags)
        })
        .map_err(|e| head_error(path, &e))?;
        let no_track = || {
            unreadable(ErrorKind::UnsupportedFormat, path, format!("there is no sound in it; {EXPORT_AGAIN}"))
        };
        let track = format.default_track(TrackType::Audio).ok_or_else(no_track)?;
        let params = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(no_track)?;
        let is_mp3 = params.codec == CODEC_ID_MP3;
        // Without the tag that names the priming, an MP3's length is only guessed from its size:
        // cutting at the guess would lose frames.
        let length_is_known = !is_mp3 || track.delay.is_some();
        let options = AudioDecoderOptions::default().gapless(length_is_known);
        let decoder = guarded(|| symphonia::default::get_codecs().make_audio_decoder(params, &options))
            .map_err(|e| head_error(path, &e))?;
        let rate = rate_from_header(path, params.sample_rate.unwrap_or_default())?;
        let channels = params.channels.as_ref().map_or(0, |c| c.count());
        let channels = channels_from_header(path, u16::try_from(channels).unwrap_or(u16::MAX))?;
        let frames = track.num_frames.filter(|n| length_is_known && *n > 0);
        let (track, is_flac) = (track.id, format.format_info().format == FORMAT_ID_FLAC);
        let packed = Self {
            format,
            decoder,
            track,
            path: path.to_path_buf(),
            rate,
            channels,
            at: 0,
            // One that names its length starts at 0; a piece of a broadcast starts anywhere.
            origin: frames.map(|_| 0),
            is_flac,
            is_mp3,
            damage: None,
        };
        let info = SoundInfo { rate, channels, frames, missing: 0, marks: SourceMarks::default() };
        Ok(Opened { source: Source::Packed(Box::new(packed)), info })
    }

    /// Whether its packets carry their own place, and its head the exact length.
    pub(super) fn is_flac(&self) -> bool {
        self.is_flac
    }

    /// Puts the next block (at least one frame) into `planes` and tells its first frame.
    pub(super) fn next_block(&mut self, planes: &mut Vec<Vec<f32>>) -> Result<Option<u64>> {
        for _ in 0..MOST_BAD_PACKETS {
            match guarded(|| self.format.next_packet()) {
                Ok(None) => return Ok(None),
                Ok(Some(packet)) if packet.track_id == self.track => {
                    if self.decode_packet(&packet, planes)? {
                        let start = self.at;
                        self.at += planes[0].len() as u64;
                        return Ok(Some(start));
                    }
                }
                Ok(Some(_)) => {}
                Err(CodecError::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                    return Ok(None);
                }
                Err(CodecError::IoError(e)) => return Err(Error::io("read", &self.path, &e)),
                Err(CodecError::ResetRequired) => return Err(self.broken("a second stream begins")),
                Err(e) => self.damage = Some(e.to_string()),
            }
        }
        Err(self.broken("nothing can be decoded for a long stretch"))
    }

    /// Decodes one packet into `planes`; false when it gave no frame.
    fn decode_packet(&mut self, packet: &Packet, planes: &mut Vec<Vec<f32>>) -> Result<bool> {
        if self.is_flac {
            self.check_place(packet.pts.get())?;
        }
        let sound = match guarded(|| self.decoder.decode(packet)) {
            Ok(sound) => sound,
            Err(CodecError::IoError(e)) if e.kind() != std::io::ErrorKind::UnexpectedEof => {
                return Err(Error::io("read", &self.path, &e));
            }
            Err(e) => {
                self.damage = Some(e.to_string());
                return Ok(false);
            }
        };
        if sound.frames() == 0 {
            return Ok(false);
        }
        let (rate, channels) = (sound.spec().rate(), sound.num_planes());
        if rate != self.rate.hz() || channels != usize::from(self.channels) {
            return Err(self.broken(&format!("it changes to {channels} channels at {rate} Hz")));
        }
        sound.copy_to_vecs_planar::<f32>(planes);
        match self.damage.take() {
            // An MP3 cut out of a longer one begins with a packet whose past is missing.
            Some(damage) if !(self.is_mp3 && self.at == 0) => Err(self.broken(&damage)),
            _ => Ok(true),
        }
    }

    /// FLAC numbers its packets: one that is not where the last ended shows that some are lost.
    fn check_place(&mut self, stamp: i64) -> Result<()> {
        let origin = *self.origin.get_or_insert(stamp);
        let place = stamp.saturating_sub(origin);
        if u64::try_from(place) == Ok(self.at) {
            return Ok(());
        }
        Err(self.broken(&format!("the next packet says it is frame {place}")))
    }

    fn broken(&self, what: &str) -> Error {
        let seconds = Frame(self.at).at(self.rate).0;
        damaged(&self.path, &format!("at {seconds:.3} s (frame {}): {what}", self.at))
    }
}

/// The error for bytes that are not what they should be.
pub(super) fn damaged(path: &Path, what: &str) -> Error {
    unreadable(
        ErrorKind::Decode,
        path,
        format!("it is damaged ({what}); {EXPORT_AGAIN}, or fetch it from a backup"),
    )
}

fn head_error(path: &Path, e: &CodecError) -> Error {
    match e {
        CodecError::IoError(e) if e.kind() != std::io::ErrorKind::UnexpectedEof => Error::io("read", path, e),
        // No reader knew the beginning.
        CodecError::Unsupported(what) if what.starts_with("core (probe)") => unreadable(
            ErrorKind::UnsupportedFormat,
            path,
            format!(
                "nothing in it is recognised as sound; allowed: WAV, AIFF, FLAC, MP3, Ogg Vorbis; {EXPORT_AGAIN}"
            ),
        ),
        CodecError::Unsupported(what) => unreadable(
            ErrorKind::UnsupportedFormat,
            path,
            format!(
                "this variety is not read ({what}); allowed: WAV, AIFF, FLAC, MP3, Ogg Vorbis; {EXPORT_AGAIN}"
            ),
        ),
        CodecError::IoError(_) => damaged(path, "it ends within its head"),
        e => damaged(path, e.to_string().trim_start_matches("malformed stream: ")),
    }
}

/// Runs one call into the library. It promises not to panic on any bytes; should it do so after
/// all, one bad file must not take the program along.
fn guarded<T>(
    call: impl FnOnce() -> std::result::Result<T, CodecError>,
) -> std::result::Result<T, CodecError> {
    catch_unwind(AssertUnwindSafe(call))
        .unwrap_or(Err(CodecError::DecodeError("the decoder gave up on these bytes")))
}
