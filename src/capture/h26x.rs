//! The decoders behind one trait: one sample of a container in, at most one picture out, in decoding order.

use std::panic::{AssertUnwindSafe, catch_unwind};

use super::jpeg::Jpeg;
use super::parameter_sets::{self, Sequence};

/// Luma of one picture.
pub(super) enum Luma {
    /// 8 bits.
    Bytes(Vec<u8>),
    /// 9 to 16 bits, little-endian pairs.
    Pairs(Vec<u8>),
    /// 9 to 16 bits.
    Words(Vec<u16>),
}

/// A decoded picture as it was stored.
pub(super) struct Picture {
    pub(super) luma: Luma,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Picture {
    /// A picture of as many samples as its size says.
    fn whole(luma: Luma, width: usize, height: usize) -> Result<Self, String> {
        let samples = match &luma {
            Luma::Bytes(l) => l.len(),
            Luma::Pairs(l) => l.len() / 2,
            Luma::Words(l) => l.len(),
        };
        if samples == width * height && samples > 0 {
            Ok(Self {
                luma,
                width,
                height,
            })
        } else {
            Err(format!(
                "the decoder gave {samples} samples for {width} x {height}"
            ))
        }
    }
}

/// What a sample is to the samples behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Role {
    /// Decoding can start here.
    Key,
    /// Others are predicted from it.
    Reference,
    /// Nothing is predicted from it.
    Disposable,
    /// Shown before the key frame that it follows and leaning on frames before it; nothing shown
    /// behind the key frame leans on it (the RASL pictures of H.265, 3.124).
    Leading,
}

/// What is said of a decoder that panicked; it must not be used again before a reset.
pub(super) const GAVE_UP: &str = "the decoder gave up";

/// A decoder of one coding.
pub(super) trait Decoder: Send {
    /// Decodes one sample.
    ///
    /// # Errors
    /// What is wrong, as a short phrase.
    fn decode(&mut self, sample: &[u8]) -> Result<Picture, String>;

    /// What the sample is, told from its headings; a damaged one is a `Reference`.
    fn role(&self, sample: &[u8]) -> Role;

    /// Forgets all pictures.
    fn reset(&mut self);
}

/// The coding of a track, with its parameter sets.
#[derive(Clone, Debug)]
pub(super) enum Coding {
    /// H.264: NAL units of the parameter sets, bytes of a length.
    H264(Vec<Vec<u8>>, usize),
    /// HEVC: the same.
    Hevc(Vec<Vec<u8>>, usize),
    /// One JPEG a sample.
    Jpeg,
}

/// Makes the decoder that suits the parameter sets.
pub(super) fn decoder(coding: &Coding, sequence: Option<&Sequence>) -> Box<dyn Decoder> {
    match coding {
        Coding::H264(sets, length) => {
            let plain = sequence.is_some_and(|s| !s.interlaced && s.bits == 8 && s.chroma == 1);
            let (sets, length, sequence) = (sets.clone(), *length, sequence.cloned());
            if plain {
                let mut d = Strict {
                    sets,
                    length,
                    sequence,
                    inner: Box::default(),
                    bytes: Vec::new(),
                };
                d.reset();
                Box::new(d)
            } else {
                let mut d = Broad {
                    sets,
                    length,
                    sequence,
                    inner: rust_h264::decoder::Decoder::new(),
                };
                d.reset();
                Box::new(d)
            }
        }
        Coding::Hevc(sets, length) => {
            let mut d = Hevc {
                sets: sets.clone(),
                length: *length,
                sequence: sequence.cloned(),
                inner: rust_h265::Decoder::new(),
            };
            d.reset();
            Box::new(d)
        }
        Coding::Jpeg => Box::new(Jpegs(Jpeg::default())),
    }
}

/// The NAL units of a sample, each behind its length (ISO/IEC 14496-15, 5.3.3).
fn units(sample: &[u8], length: usize) -> Result<Vec<&[u8]>, String> {
    let mut out = Vec::new();
    let mut rest = sample;
    while !rest.is_empty() {
        let Some((head, tail)) = rest.split_at_checked(length) else {
            return Err("a length is cut short".to_owned());
        };
        let size = head.iter().fold(0_usize, |n, &b| n << 8 | usize::from(b));
        let Some((unit, tail)) = tail.split_at_checked(size) else {
            return Err("a length reaches beyond the frame".to_owned());
        };
        if !unit.is_empty() {
            out.push(unit);
        }
        rest = tail;
    }
    Ok(out)
}

/// The first sequence parameter set inside a sample, for tracks that keep them there (`avc3`, `hev1`).
pub(super) fn sequence_in(coding: &Coding, sample: &[u8]) -> Option<Sequence> {
    let find = |length, is_set: fn(u8) -> bool| {
        let units = units(sample, length).ok()?;
        units
            .into_iter()
            .find(|u| u.first().is_some_and(|h| is_set(*h)))
    };
    match coding {
        Coding::H264(_, length) => parameter_sets::h264(find(*length, |h| h & 31 == 7)?),
        Coding::Hevc(_, length) => parameter_sets::hevc(find(*length, |h| h >> 1 & 63 == 33)?),
        Coding::Jpeg => None,
    }
}

/// A set inside the stream must tell the same as the one that the track began with.
fn same_sequence(found: Option<&Sequence>, expected: Option<&Sequence>) -> Result<(), String> {
    match (found, expected) {
        (None, _) => Err("a parameter set is damaged".to_owned()),
        (Some(f), Some(e))
            if (f.width, f.height, f.bits, f.chroma, f.full_range)
                != (e.width, e.height, e.bits, e.chroma, e.full_range) =>
        {
            Err(format!(
                "the picture changes to {} x {}, {} bits, or changes its range",
                f.width, f.height, f.bits
            ))
        }
        _ => Ok(()),
    }
}

/// A decoder must not take the program down, whatever it met. What it was at stays half done, so
/// the caller drops it: [`GAVE_UP`] asks for a reset before the next sample.
fn caught<T>(work: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| Err(GAVE_UP.to_owned()))
}

fn h264_role(sample: &[u8], length: usize) -> Role {
    let Ok(units) = units(sample, length) else {
        return Role::Reference;
    };
    let slices = || {
        units
            .iter()
            .filter_map(|u| u.first())
            .filter(|h| matches!(*h & 31, 1..=5))
    };
    if slices().any(|h| h & 31 == 5) {
        Role::Key
    } else if slices().count() > 0 && slices().all(|h| h >> 5 & 3 == 0) {
        Role::Disposable
    } else {
        Role::Reference
    }
}

fn check_h264_sets(units: &[&[u8]], sequence: Option<&Sequence>) -> Result<(), String> {
    for unit in units
        .iter()
        .filter(|u| u.first().is_some_and(|h| h & 31 == 7))
    {
        same_sequence(parameter_sets::h264(unit).as_ref(), sequence)?;
    }
    Ok(())
}

/// H.264 of 8 bits, 4:2:0, progressive: the decoder that reports most damage.
struct Strict {
    sets: Vec<Vec<u8>>,
    length: usize,
    sequence: Option<Sequence>,
    inner: Box<rusty_h264_decoder::Decoder>,
    bytes: Vec<u8>,
}

impl Decoder for Strict {
    fn decode(&mut self, sample: &[u8]) -> Result<Picture, String> {
        let units = units(sample, self.length)?;
        check_h264_sets(&units, self.sequence.as_ref())?;
        self.bytes.clear();
        for unit in &units {
            self.bytes.extend_from_slice(&[0, 0, 0, 1]);
            self.bytes.extend_from_slice(unit);
        }
        let (inner, bytes) = (&mut self.inner, &self.bytes);
        let frame = caught(|| inner.decode(bytes).map_err(|e| e.to_string()))?;
        let frame = frame.ok_or("it holds no whole picture")?;
        Picture::whole(Luma::Bytes(frame.y), frame.width, frame.height)
    }

    fn role(&self, sample: &[u8]) -> Role {
        h264_role(sample, self.length)
    }

    fn reset(&mut self) {
        *self.inner = rusty_h264_decoder::Decoder::new();
        for set in &self.sets {
            let bytes = [&[0, 0, 0, 1], set.as_slice()].concat();
            // A set that it refuses makes every sample an error, which is reported there.
            let _ = caught(|| self.inner.decode(&bytes).map_err(|e| e.to_string()));
        }
    }
}

/// Interlaced, 10 bit and 4:2:2 H.264. It says little of damage.
struct Broad {
    sets: Vec<Vec<u8>>,
    length: usize,
    sequence: Option<Sequence>,
    inner: rust_h264::decoder::Decoder,
}

impl Broad {
    fn feed(&mut self, sample: &[u8]) -> Result<Option<rust_h264::decoder::Frame>, String> {
        let mut picture = None;
        let mut framed = Vec::with_capacity(sample.len());
        for unit in units(sample, self.length)? {
            framed.clear();
            framed.extend_from_slice(&u32::try_from(unit.len()).unwrap_or(u32::MAX).to_be_bytes());
            framed.extend_from_slice(unit);
            for nal in rust_h264::nal::parse_avcc(&framed, 4) {
                let inner = &mut self.inner;
                if let Some(done) = caught(|| inner.decode_nal(&nal).map_err(|e| e.to_string()))? {
                    picture = Some(done);
                }
            }
        }
        Ok(picture)
    }
}

impl Decoder for Broad {
    fn decode(&mut self, sample: &[u8]) -> Result<Picture, String> {
        check_h264_sets(&units(sample, self.length)?, self.sequence.as_ref())?;
        let early = self.feed(sample)?;
        let inner = &mut self.inner;
        let frame = caught(|| Ok(inner.flush()))?
            .or(early)
            .ok_or("it holds no whole picture")?;
        let (width, height) = (frame.width as usize, frame.height as usize);
        let luma = if frame.bit_depth > 8 {
            Luma::Pairs(frame.y)
        } else {
            Luma::Bytes(frame.y)
        };
        Picture::whole(luma, width, height)
    }

    fn role(&self, sample: &[u8]) -> Role {
        h264_role(sample, self.length)
    }

    fn reset(&mut self) {
        self.inner = rust_h264::decoder::Decoder::new();
        for set in self.sets.clone() {
            let bytes = [&[0, 0, 0, 1], set.as_slice()].concat();
            for nal in rust_h264::nal::parse_annex_b(&bytes) {
                let inner = &mut self.inner;
                let _ = caught(|| {
                    inner
                        .decode_nal(&nal)
                        .map(|_| ())
                        .map_err(|e| e.to_string())
                });
            }
        }
    }
}

/// HEVC.
struct Hevc {
    sets: Vec<Vec<u8>>,
    length: usize,
    sequence: Option<Sequence>,
    inner: rust_h265::Decoder,
}

/// An access unit delimiter ends the picture before it, so that every sample gives its own.
const HEVC_DELIMITER: [u8; 3] = [0x46, 0x01, 0x50];

impl Hevc {
    fn feed(&mut self, unit: &[u8]) -> Result<Option<rust_h265::Frame>, String> {
        let Some(nal) = rust_h265::parse_nal(unit) else {
            return Err("a heading is damaged".to_owned());
        };
        let inner = &mut self.inner;
        caught(|| inner.decode_nal(&nal).map_err(|e| e.to_string()))
    }
}

impl Decoder for Hevc {
    fn decode(&mut self, sample: &[u8]) -> Result<Picture, String> {
        let units = units(sample, self.length)?;
        let mut picture = None;
        for unit in units {
            if unit.first().is_some_and(|h| h >> 1 & 63 == 33) {
                same_sequence(parameter_sets::hevc(unit).as_ref(), self.sequence.as_ref())?;
            }
            picture = self.feed(unit)?.or(picture);
        }
        let frame = self
            .feed(&HEVC_DELIMITER)?
            .or(picture)
            .ok_or("it holds no whole picture")?;
        let (width, height) = (frame.width as usize, frame.height as usize);
        let luma = match frame.y {
            rust_h265::PixelData::U8(l) => Luma::Bytes(l),
            rust_h265::PixelData::U16(l) => Luma::Words(l),
        };
        Picture::whole(luma, width, height)
    }

    fn role(&self, sample: &[u8]) -> Role {
        let Ok(units) = units(sample, self.length) else {
            return Role::Reference;
        };
        let kinds = || {
            units
                .iter()
                .filter_map(|u| u.first())
                .map(|h| h >> 1 & 63)
                .filter(|k| *k < 32)
        };
        if kinds().any(|k| (16..=21).contains(&k)) {
            Role::Key
        } else if kinds().next().is_some() && kinds().all(|k| matches!(k, 8 | 9)) {
            Role::Leading
        } else {
            // Which pictures nobody refers to depends on the temporal layers (H.265, table 7-1): none is assumed.
            Role::Reference
        }
    }

    fn reset(&mut self) {
        self.inner = rust_h265::Decoder::new();
        for set in self.sets.clone() {
            let _ = self.feed(&set);
        }
    }
}

/// Motion JPEG in MP4 or MOV.
struct Jpegs(Jpeg);

impl Decoder for Jpegs {
    fn decode(&mut self, sample: &[u8]) -> Result<Picture, String> {
        let jpeg = &mut self.0;
        caught(|| jpeg.decode(sample))?;
        let luma = std::mem::take(&mut self.0.luma);
        Picture::whole(Luma::Bytes(luma), self.0.width, self.0.height)
    }

    fn role(&self, _sample: &[u8]) -> Role {
        Role::Key
    }

    fn reset(&mut self) {}
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_checked() {
        assert_eq!(
            units(&[0, 0, 0, 2, 7, 8, 0, 0, 0, 1, 9], 4),
            Ok(vec![&[7_u8, 8][..], &[9]])
        );
        assert!(units(&[0, 0, 0, 3, 7, 8], 4).is_err());
        assert!(units(&[0, 0, 0], 4).is_err());
        assert_eq!(units(&[1, 9], 1), Ok(vec![&[9_u8][..]]));
    }

    #[test]
    fn roles_of_h264_samples() {
        assert_eq!(h264_role(&[1, 0x65], 1), Role::Key);
        assert_eq!(h264_role(&[1, 0x06, 1, 0x01], 1), Role::Disposable);
        assert_eq!(h264_role(&[1, 0x41], 1), Role::Reference);
    }
}
