//! YUV4MPEG2: uncompressed video with a line of text in front, from a file or on standard input.
//!
//! Format: the manual page yuv4mpeg(5) of the mjpegtools (from memory).

use std::io::{BufRead, Read};

use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Longest header line.
const LONGEST_HEADER_BYTES: u64 = 4096;
/// Largest side of a frame, px.
const LARGEST_SIDE_PX: usize = 16_384;

/// Frames of a YUV4MPEG2 stream; only the luma plane is kept.
pub(super) struct Y4m<R> {
    stream: R,
    name: String,
    info: SourceInfo,
    header: Header,
    frames: u64,
    plane: Vec<u8>,
}

/// What the header says.
#[derive(Clone, Debug, PartialEq)]
struct Header {
    width: usize,
    height: usize,
    frame_s: f64,
    bits: u32,
    chroma_samples: usize,
    full_range: bool,
}

impl<R: BufRead + Send> Y4m<R> {
    /// Reads the header of a stream; `name` is for sentences.
    pub(super) fn new(mut stream: R, name: &str) -> Result<Self, CaptureError> {
        let line = read_line(&mut stream, name)?
            .ok_or_else(|| CaptureError::content(name, "is empty; send YUV4MPEG2 video"))?;
        let header = header(&line).map_err(|what| CaptureError::content(name, what))?;
        Ok(Self {
            info: SourceInfo {
                description: format!("{name} (YUV4MPEG2, {} × {})", header.width, header.height),
                frames: None,
            },
            stream,
            name: name.to_owned(),
            plane: Vec::new(),
            header,
            frames: 0,
        })
    }

    fn cut_short(&self) -> CaptureError {
        CaptureError::content(
            &self.name,
            format!("ends in the middle of frame {}; the frames before it are whole", self.frames),
        )
    }
}

impl<R: BufRead + Send> FrameSource for Y4m<R> {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let Some(line) = read_line(&mut self.stream, &self.name)? else { return Ok(Next::End) };
        if !line.starts_with("FRAME") {
            return Err(CaptureError::content(
                &self.name,
                format!("frame {} does not begin with FRAME: the stream is damaged", self.frames),
            ));
        }
        let header = &self.header;
        let bytes_each = if header.bits > 8 { 2 } else { 1 };
        self.plane.resize(header.width * header.height * bytes_each, 0);
        if self.stream.read_exact(&mut self.plane).is_err() {
            return Err(self.cut_short());
        }
        let chroma_bytes = (header.chroma_samples * bytes_each) as u64;
        let skipped = std::io::copy(&mut (&mut self.stream).take(chroma_bytes), &mut std::io::sink())
            .map_err(|error| CaptureError::io(&self.name, error))?;
        if skipped < chroma_bytes {
            return Err(self.cut_short());
        }
        frame.resize(header.width, header.height);
        let shift = header.bits - 8;
        (frame.black, frame.full_scale) = if header.full_range {
            (0, ((1u32 << header.bits) - 1) as u16)
        } else {
            (16 << shift, 235 << shift)
        };
        if bytes_each == 1 {
            for (to, &from) in frame.levels.iter_mut().zip(&self.plane) {
                *to = u16::from(from);
            }
        } else {
            for (to, from) in frame.levels.iter_mut().zip(self.plane.chunks_exact(2)) {
                *to = u16::from_le_bytes([from[0], from[1]]);
            }
        }
        frame.time_s = self.frames as f64 * header.frame_s;
        frame.number = self.frames;
        self.frames += 1;
        Ok(Next::Frame)
    }
}

/// A line of text, or none at the end of the stream.
fn read_line(stream: &mut impl BufRead, name: &str) -> Result<Option<String>, CaptureError> {
    let mut line = Vec::new();
    stream
        .take(LONGEST_HEADER_BYTES)
        .read_until(b'\n', &mut line)
        .map_err(|error| CaptureError::io(name, error))?;
    if line.is_empty() {
        return Ok(None);
    }
    if line.pop() != Some(b'\n') {
        return Err(CaptureError::content(name, "a header line does not end: the stream is damaged or cut short"));
    }
    String::from_utf8(line)
        .map(Some)
        .map_err(|_| CaptureError::content(name, "a header line is no text: the stream is damaged"))
}

fn header(line: &str) -> Result<Header, String> {
    let mut words = line.split(' ');
    if words.next() != Some("YUV4MPEG2") {
        return Err("is no YUV4MPEG2 video: its first word must be YUV4MPEG2".to_owned());
    }
    let (mut width, mut height, mut rate) = (None, None, None);
    let mut chroma = "420";
    let mut full_range = false;
    for word in words.filter(|word| !word.is_empty()) {
        let mut letters = word.chars();
        let kind = letters.next();
        let value = letters.as_str();
        match kind {
            Some('W') => width = value.parse::<usize>().ok(),
            Some('H') => height = value.parse::<usize>().ok(),
            Some('F') => rate = ratio(value),
            Some('I') if !matches!(value, "p" | "?" | "") => {
                return Err("is interlaced video; record progressive frames".to_owned());
            }
            Some('C') => chroma = value,
            Some('X') => full_range |= value == "COLORRANGE=FULL",
            _ => {}
        }
    }
    let side = |side: Option<usize>| side.filter(|side| (1..=LARGEST_SIDE_PX).contains(side));
    let (Some(width), Some(height)) = (side(width), side(height)) else {
        return Err("has no size of frame that can be: its header needs W and H, at most 16384 each".to_owned());
    };
    let Some(rate) = rate else {
        return Err("has no frame rate: its header needs F, such as F25:1".to_owned());
    };
    let refused = || format!("holds samples of kind C{chroma}, which are not read; send C420, C422, C444 or Cmono");
    let (layout, bits) = chroma_layout(chroma).ok_or_else(refused)?;
    let half = |side: usize| side.div_ceil(2);
    let chroma_samples = match layout {
        "420" => 2 * half(width) * half(height),
        "422" => 2 * half(width) * height,
        "444" => 2 * width * height,
        "444alpha" => 3 * width * height,
        "411" => 2 * width.div_ceil(4) * height,
        _ => 0,
    };
    Ok(Header { width, height, frame_s: 1.0 / rate, bits, chroma_samples, full_range })
}

/// Layout of the colour planes and bits of a sample.
fn chroma_layout(chroma: &str) -> Option<(&'static str, u32)> {
    match chroma {
        "420" | "420jpeg" | "420paldv" | "420mpeg2" => return Some(("420", 8)),
        "mono" => return Some(("mono", 8)),
        "444alpha" => return Some(("444alpha", 8)),
        "411" => return Some(("411", 8)),
        _ => {}
    }
    let (layout, bits) = match chroma.strip_prefix("mono") {
        Some(bits) => ("mono", bits),
        None => match chroma.split_once('p') {
            Some((layout, bits)) => (layout, bits),
            None => (chroma, "8"),
        },
    };
    let layout = ["420", "422", "444", "mono"].into_iter().find(|known| *known == layout)?;
    let bits = bits.parse().ok().filter(|bits| (8..=16).contains(bits))?;
    Some((layout, bits))
}

/// `25:1`, frames per second.
fn ratio(text: &str) -> Option<f64> {
    let (over, under) = text.split_once(':')?;
    let (over, under): (f64, f64) = (over.parse().ok()?, under.parse().ok()?);
    let rate = over / under;
    (rate.is_finite() && rate > 0.0).then_some(rate)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn stream(kind: &str, planes: &[usize], frames: u8) -> Vec<u8> {
        let mut bytes = format!("YUV4MPEG2 W5 H3 F30000:1001 Ip A1:1 {kind}\n").into_bytes();
        for frame in 0..frames {
            bytes.extend_from_slice(b"FRAME\n");
            bytes.extend(std::iter::repeat_n(100 + frame, planes[0]));
            bytes.extend(std::iter::repeat_n(0, planes[1]));
        }
        bytes
    }

    #[test]
    fn every_layout_gives_its_luma() {
        for (kind, planes, full_scale) in [
            ("C420jpeg", [15, 12], 235),
            ("C422", [15, 18], 235),
            ("C444", [15, 30], 235),
            ("Cmono", [15, 0], 235),
            ("XCOLORRANGE=FULL", [15, 12], 255),
            ("C420p10 XYSCSS=420P10", [30, 24], 940),
            ("Cmono16 XCOLORRANGE=FULL", [30, 0], 65535),
        ] {
            let bytes = stream(kind, &planes, 3);
            let mut source = Y4m::new(&bytes[..], "test").unwrap();
            let mut frame = Frame::empty();
            for number in 0..3u8 {
                assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame, "{kind}");
                let level = u16::from(100 + number);
                let expected = if planes[0] == 30 { level * 257 } else { level };
                assert_eq!((frame.levels[[2, 4]], frame.full_scale), (expected, full_scale), "{kind}");
                assert!((frame.time_s - f64::from(number) * 1001.0 / 30000.0).abs() < 1e-12);
            }
            assert_eq!(source.next_into(&mut frame).unwrap(), Next::End);
        }
    }

    #[test]
    fn a_stream_cut_short_says_in_which_frame() {
        let bytes = stream("Cmono", &[15, 0], 3);
        let mut source = Y4m::new(&bytes[..bytes.len() - 4], "cut").unwrap();
        let mut frame = Frame::empty();
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame);
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame);
        let said = source.next_into(&mut frame).unwrap_err().to_string();
        assert!(said.contains("cut") && said.contains("frame 2"), "{said}");
    }

    proptest! {
        #[test]
        fn no_header_panics(line in ".{0,80}") {
            let _ = Y4m::new(format!("YUV4MPEG2 {line}\nFRAME\n").as_bytes(), "any");
        }
    }
}
