//! YUV4MPEG2, from a file or on standard input: the luma planes as they are.

use std::io::{BufRead, BufReader, Read};

use super::{CaptureError, DEFAULT_FPS, FrameSource, MOST_PIXELS, Next, OpenOptions, SourceInfo};
use crate::basics::frame::Frame;

/// Longest line of parameters that is believed.
const LONGEST_LINE: usize = 4096;

/// A stream of YUV4MPEG2.
///
/// Without an `XCOLORRANGE` the range is full for grey streams and limited for the others, which is
/// how the common writers mean it (common practice, no source).
pub(super) struct Y4m<R> {
    info: SourceInfo,
    name: String,
    input: BufReader<R>,
    header: Header,
    row: Vec<u8>,
    byte: u64,
    next: u64,
    over: bool,
}

#[derive(Clone, Debug, PartialEq)]
struct Header {
    width: usize,
    height: usize,
    /// Frames per second as a fraction.
    rate: (f64, f64),
    bits: u16,
    /// Bytes of a frame behind the luma.
    chroma_bytes: usize,
    full_range: bool,
    assumed_rate: bool,
}

impl<R: Read + Send> Y4m<R> {
    /// Reads the header. `length` is the size of the file where that is known.
    pub(super) fn new(
        input: R,
        name: String,
        length: Option<u64>,
        options: &OpenOptions,
    ) -> Result<Self, CaptureError> {
        let mut input = BufReader::with_capacity(1 << 16, input);
        let line = read_line(&mut input, &name)?;
        let Some(line) = line else {
            return Err(CaptureError::refused(
                &name,
                "holds nothing",
                "send YUV4MPEG2",
            ));
        };
        let header = Header::parse(&line, options.fps).map_err(|what| {
            CaptureError::refused(
                &name,
                what,
                "send progressive YUV4MPEG2, for example from `ffmpeg … -f yuv4mpegpipe -`",
            )
        })?;
        let byte = line.len() as u64 + 1;
        let frame_bytes = header.luma_bytes() + header.chroma_bytes;
        let frames = length.map(|l| l.saturating_sub(byte) / (frame_bytes as u64 + 6));
        let assumed = if header.assumed_rate {
            format!(", {DEFAULT_FPS} frames/s assumed")
        } else {
            String::new()
        };
        let info = SourceInfo {
            description: format!("{name} (YUV4MPEG2{assumed})"),
            width: header.width,
            height: header.height,
            frames,
        };
        let row = vec![0; header.width * header.bytes_per_sample()];
        Ok(Self {
            info,
            name,
            input,
            header,
            row,
            byte,
            next: 0,
            over: false,
        })
    }

    fn ends_early(&mut self, what: &str) -> CaptureError {
        self.over = true;
        CaptureError::EndsEarly {
            name: self.name.clone(),
            byte: self.byte,
            what: format!("in {what} of frame {}", self.next),
        }
    }

    fn failed(&mut self, error: std::io::Error) -> CaptureError {
        self.over = true;
        if error.kind() == std::io::ErrorKind::UnexpectedEof {
            return self.ends_early("the samples");
        }
        CaptureError::io(&self.name, error)
    }
}

impl<R: Read + Send> FrameSource for Y4m<R> {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        if self.over {
            return Ok(Next::End);
        }
        let line = read_line(&mut self.input, &self.name).inspect_err(|_| self.over = true)?;
        let Some(line) = line else {
            self.over = true;
            return Ok(Next::End);
        };
        let interlaced = line.split(|&b| b == b' ').skip(1).any(|p| {
            // Presentation `I` of a frame: first letter t, T, b, B, 1, 2, 3 or progressive `p`-like forms.
            p.first() == Some(&b'I') && matches!(p.get(1), Some(b't' | b'T' | b'b' | b'B'))
        });
        if !(line == b"FRAME" || line.starts_with(b"FRAME ")) {
            self.over = true;
            if b"FRAME".starts_with(&line) {
                return Err(self.ends_early("the heading"));
            }
            return Err(CaptureError::damaged(
                &self.name,
                self.byte,
                format!("frame {} does not start with FRAME", self.next),
            ));
        }
        if interlaced {
            self.over = true;
            return Err(CaptureError::refused(
                &self.name,
                format!("holds interlaced frames from frame {} on", self.next),
                "deinterlace it first",
            ));
        }
        self.byte += line.len() as u64 + 1;
        let (width, height) = (self.header.width, self.header.height);
        frame.resize(width, height);
        let wide = self.header.bytes_per_sample() == 2;
        let Some(levels) = frame.levels.as_slice_mut() else {
            return Ok(Next::End);
        };
        for to in levels.chunks_exact_mut(width) {
            if let Err(error) = self.input.read_exact(&mut self.row) {
                return Err(self.failed(error));
            }
            self.byte += self.row.len() as u64;
            if wide {
                for (level, pair) in to.iter_mut().zip(self.row.as_chunks::<2>().0) {
                    *level = u16::from_le_bytes(*pair);
                }
            } else {
                for (level, &byte) in to.iter_mut().zip(&self.row) {
                    *level = u16::from(byte);
                }
            }
        }
        let chroma = self.header.chroma_bytes as u64;
        match std::io::copy(&mut self.input.by_ref().take(chroma), &mut std::io::sink()) {
            Ok(n) if n == chroma => self.byte += n,
            Ok(n) => {
                self.byte += n;
                return Err(self.ends_early("the chroma"));
            }
            Err(error) => return Err(self.failed(error)),
        }
        (frame.black, frame.full_scale) = range(self.header.bits, self.header.full_range);
        let (number, denominator) = self.header.rate;
        frame.time_s = self.next as f64 * denominator / number;
        frame.number = self.next;
        self.next += 1;
        Ok(Next::Frame)
    }
}

/// Black and full scale of luma with so many bits (ITU-T H.273, 8.3).
pub(super) fn range(bits: u16, full: bool) -> (u16, u16) {
    let bits = bits.clamp(8, 16);
    if full {
        (0, u16::try_from((1_u32 << bits) - 1).unwrap_or(u16::MAX))
    } else {
        (16 << (bits - 8), 235 << (bits - 8))
    }
}

impl Header {
    fn parse(line: &[u8], fps: Option<f64>) -> Result<Self, String> {
        let text = std::str::from_utf8(line).map_err(|_| "is no YUV4MPEG2".to_owned())?;
        let Some(parameters) = text.strip_prefix("YUV4MPEG2") else {
            return Err("is no YUV4MPEG2".to_owned());
        };
        let (mut width, mut height, mut rate, mut colour, mut full) =
            (0_usize, 0_usize, None, "420jpeg", None);
        for parameter in parameters.split(' ').filter(|p| !p.is_empty()) {
            let (key, value) =
                parameter.split_at(parameter.chars().next().map_or(0, char::len_utf8));
            let size = || {
                value
                    .parse::<usize>()
                    .map_err(|_| format!("says a size of \"{value}\""))
            };
            match key {
                "W" => width = size()?,
                "H" => height = size()?,
                "F" => {
                    rate = value
                        .split_once(':')
                        .and_then(|(n, d)| Some((n.parse::<u32>().ok()?, d.parse::<u32>().ok()?)))
                        .filter(|&(n, d)| n > 0 && d > 0)
                        .map(|(n, d)| (f64::from(n), f64::from(d)));
                }
                "C" => colour = value,
                "I" if matches!(value, "t" | "b" | "m") => return Err("is interlaced".to_owned()),
                "X" => match value {
                    "COLORRANGE=FULL" => full = Some(true),
                    "COLORRANGE=LIMITED" => full = Some(false),
                    _ => {}
                },
                _ => {}
            }
        }
        if width == 0 || height == 0 || width.checked_mul(height).is_none_or(|n| n > MOST_PIXELS) {
            return Err(format!("says a size of {width} x {height}"));
        }
        let (planes, bits) = layout(colour)
            .ok_or_else(|| format!("has samples of the kind C{colour}, which is not known"))?;
        let bytes = usize::from(bits > 8) + 1;
        let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
        let chroma_samples = match planes {
            Planes::Grey => 0,
            Planes::C420 => 2 * half_width * half_height,
            Planes::C411 => 2 * width.div_ceil(4) * height,
            Planes::C422 => 2 * half_width * height,
            Planes::C444 => 2 * width * height,
            Planes::C444Alpha => 3 * width * height,
        };
        let assumed_rate = rate.is_none() && fps.is_none();
        Ok(Self {
            width,
            height,
            rate: rate.unwrap_or((fps.unwrap_or(DEFAULT_FPS), 1.0)),
            bits,
            chroma_bytes: chroma_samples * bytes,
            full_range: full.unwrap_or(planes == Planes::Grey),
            assumed_rate,
        })
    }

    fn bytes_per_sample(&self) -> usize {
        usize::from(self.bits > 8) + 1
    }

    fn luma_bytes(&self) -> usize {
        self.width * self.height * self.bytes_per_sample()
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Planes {
    Grey,
    C420,
    C411,
    C422,
    C444,
    C444Alpha,
}

/// Planes and bits of a colour tag, e.g. `420jpeg`, `422p10`, `mono16`.
fn layout(tag: &str) -> Option<(Planes, u16)> {
    let bits = |rest: &str| rest.parse::<u16>().ok().filter(|b| (9..=16).contains(b));
    if let Some(rest) = tag.strip_prefix("mono") {
        return Some((Planes::Grey, if rest.is_empty() { 8 } else { bits(rest)? }));
    }
    let (planes, rest) = match tag.get(..3)? {
        "420" => (Planes::C420, &tag[3..]),
        "411" => (Planes::C411, &tag[3..]),
        "422" => (Planes::C422, &tag[3..]),
        "444" => (Planes::C444, &tag[3..]),
        _ => return None,
    };
    match rest {
        "" => Some((planes, 8)),
        "jpeg" | "mpeg2" | "paldv" if planes == Planes::C420 => Some((planes, 8)),
        "alpha" if planes == Planes::C444 => Some((Planes::C444Alpha, 8)),
        _ => Some((planes, bits(rest.strip_prefix('p')?)?)),
    }
}

/// A line without its end; `None` at the end of the stream.
fn read_line(input: &mut impl BufRead, name: &str) -> Result<Option<Vec<u8>>, CaptureError> {
    let mut line = Vec::new();
    input
        .by_ref()
        .take(LONGEST_LINE as u64)
        .read_until(b'\n', &mut line)
        .map_err(|error| stalled(name, error))?;
    if line.last() == Some(&b'\n') {
        line.pop();
    } else if line.is_empty() {
        return Ok(None);
    }
    Ok(Some(line))
}

fn stalled(name: &str, error: std::io::Error) -> CaptureError {
    CaptureError::io(name, error)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(data: &[u8]) -> Result<Vec<Frame>, String> {
        let mut source = Y4m::new(data, "test".to_owned(), None, &OpenOptions::default())
            .map_err(|e| e.to_string())?;
        let mut frames = Vec::new();
        loop {
            let mut frame = Frame::empty();
            match source.next_into(&mut frame) {
                Ok(Next::Frame) => frames.push(frame),
                Ok(_) => return Ok(frames),
                Err(e) => return Err(format!("{} frames, then {e}", frames.len())),
            }
        }
    }

    fn stream(parameters: &str, luma: &[u8], chroma: usize) -> Vec<u8> {
        let mut data = format!("YUV4MPEG2 {parameters}\n").into_bytes();
        for n in 0..3 {
            data.extend_from_slice(if n == 1 { b"FRAME Ixyz\n" } else { b"FRAME\n" });
            data.extend(luma.iter().map(|b| b + n));
            data.extend(std::iter::repeat_n(128, chroma));
        }
        data
    }

    #[test]
    fn layouts_of_odd_size() {
        let luma: Vec<u8> = (0..15).collect();
        for (tag, chroma, range) in [
            ("C420jpeg", 12, (16, 235)),
            ("C420 XCOLORRANGE=FULL", 12, (0, 255)),
            ("C422", 18, (16, 235)),
            ("C444", 30, (16, 235)),
            ("C444alpha", 45, (16, 235)),
            ("C411", 12, (16, 235)),
            ("Cmono", 0, (0, 255)),
            ("Cmono XCOLORRANGE=LIMITED", 0, (16, 235)),
            ("", 12, (16, 235)),
        ] {
            let frames = read(&stream(
                &format!("W5 H3 F30000:1001 Ip A1:1 {tag}"),
                &luma,
                chroma,
            ))
            .unwrap();
            assert_eq!(frames.len(), 3, "{tag}");
            assert_eq!(frames[2].levels[[2, 4]], 16);
            assert_eq!((frames[0].black, frames[0].full_scale), range, "{tag}");
            assert!((frames[2].time_s - 2.0 * 1001.0 / 30000.0).abs() < 1e-15);
        }
    }

    #[test]
    fn wide_samples() {
        let luma: Vec<u8> = vec![1, 2, 3, 1, 0, 3, 9, 0];
        let frames = read(&stream("W2 H2 F25:1 Cmono10", &luma, 0)).unwrap();
        assert_eq!(
            frames[0].levels.as_slice().unwrap(),
            [0x201, 0x103, 0x300, 9]
        );
        assert_eq!(frames[0].full_scale, 1023);
        let frames = read(&stream("W2 H2 F25:1 C420p10", &luma, 4)).unwrap();
        assert_eq!((frames[0].black, frames[0].full_scale), (64, 940));
        let frames = read(&stream("W2 H2 F25:1 Cmono16", &luma, 0)).unwrap();
        assert_eq!(frames[0].full_scale, 65535);
    }

    #[test]
    fn refusals_are_sentences() {
        let luma: Vec<u8> = (0..15).collect();
        for (parameters, word) in [
            ("W5 H3 It", "is interlaced"),
            ("W0 H3", "size of 0 x 3"),
            ("W99999999 H99999999", "size of"),
            ("W5 H3 C999", "not known"),
        ] {
            let error = read(&stream(parameters, &luma, 12)).unwrap_err();
            assert!(error.contains(word), "{parameters} gave {error}");
        }
        assert!(read(b"").unwrap_err().contains("holds nothing"));
        assert!(read(b"hello").unwrap_err().contains("is no YUV4MPEG2"));
        let whole = stream("W5 H3", &luma, 12);
        let error = read(&whole[..whole.len() - 20]).unwrap_err();
        assert!(
            error.starts_with("2 frames, then") && error.contains("cut short"),
            "{error}"
        );
    }

    proptest! {
        #[test]
        fn any_bytes_end_in_a_result(mut data in proptest::collection::vec(any::<u8>(), 0..200), at in 0_usize..60) {
            let mut whole = stream("W5 H3 F25:1 Ip C420jpeg", &[7; 15], 12);
            let at = at.min(whole.len());
            whole.splice(at..at, data.drain(..));
            let _ = read(&whole);
        }
    }
}
