//! Motion JPEG in AVI: the RIFF chunks are read in the order in which they stand, without the index.
//!
//! Format: Microsoft's "AVI RIFF File Reference" (from memory).

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::jpeg::JpegReader;
use super::{CaptureError, FrameSource, Next, SourceInfo, ffmpeg};
use crate::basics::frame::Frame;

/// Largest compressed frame.
const LARGEST_FRAME_BYTES: u64 = 64 << 20;

/// Opens an AVI file: motion JPEG here, all else through the system's decoder.
pub(super) fn open(path: &Path) -> Result<Box<dyn FrameSource>, CaptureError> {
    match Avi::open(path)? {
        Opened::MotionJpeg(avi) => Ok(avi),
        Opened::Other(codec) => ffmpeg::open(path, &format!("AVI with {codec}")),
    }
}

enum Opened {
    MotionJpeg(Box<Avi>),
    Other(String),
}

/// The first video stream of an AVI file.
struct Avi {
    name: String,
    info: SourceInfo,
    file: BufReader<File>,
    length: u64,
    /// Chunk id of the stream's frames: `00dc` or `00db` for stream 0.
    stream: [u8; 2],
    frame_s: f64,
    frames: u64,
    size: Option<(usize, usize)>,
    bytes: Vec<u8>,
    jpeg: JpegReader,
}

/// A chunk's four letters and its length.
struct Chunk {
    id: [u8; 4],
    length: u64,
}

impl Avi {
    fn open(path: &Path) -> Result<Opened, CaptureError> {
        let name = path.display().to_string();
        let io = |error| CaptureError::io(&name, error);
        let file = File::open(path).map_err(io)?;
        let length = file.metadata().map_err(io)?.len();
        let mut file = BufReader::new(file);
        file.seek(SeekFrom::Start(12)).map_err(io)?;
        let mut video: Option<Stream> = None;
        let mut streams = 0;
        loop {
            let Some(chunk) = next_chunk(&mut file).map_err(io)? else {
                return Err(CaptureError::content(
                    name,
                    "the AVI file ends before its frames begin; copy or record it again",
                ));
            };
            match &chunk.id {
                b"LIST" => {
                    let mut kind = [0; 4];
                    file.read_exact(&mut kind).map_err(io)?;
                    match &kind {
                        b"movi" => break,
                        // Their parts follow as chunks of their own.
                        b"hdrl" => {}
                        b"strl" => {}
                        _ => skip(&mut file, chunk.length.saturating_sub(4)).map_err(io)?,
                    }
                }
                b"strh" => {
                    let header = read_up_to(&mut file, chunk.length, 48).map_err(io)?;
                    if video.is_none() && header.get(..4) == Some(b"vids") {
                        let word = |at: usize| {
                            header.get(at..at + 4).map_or(0, |bytes| u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]))
                        };
                        video = Some(Stream {
                            number: streams,
                            codec: [word(4).to_le_bytes(), [0; 4]],
                            scale: word(20),
                            rate: word(24),
                            frames: word(32),
                        });
                    }
                    streams += 1;
                }
                b"strf" => {
                    let format = read_up_to(&mut file, chunk.length, 40).map_err(io)?;
                    if let Some(stream) = video.as_mut().filter(|stream| stream.number + 1 == streams)
                        && let Some(codec) = format.get(16..20)
                    {
                        stream.codec[1].copy_from_slice(codec);
                    }
                }
                _ => skip(&mut file, chunk.length).map_err(io)?,
            }
        }
        let Some(stream) = video else {
            return Err(CaptureError::content(name, "the AVI file holds no video; give a clip of the eyepiece"));
        };
        if !stream.codec.iter().any(|codec| codec.eq_ignore_ascii_case(b"MJPG")) {
            return Ok(Opened::Other(String::from_utf8_lossy(&stream.codec[1]).trim_end_matches('\0').to_owned()));
        }
        if stream.rate == 0 || stream.scale == 0 {
            return Err(CaptureError::content(name, "the AVI file has no frame rate; record it again or convert it to MP4"));
        }
        Ok(Opened::MotionJpeg(Box::new(Self {
            info: SourceInfo {
                description: format!("{name} (AVI, motion JPEG)"),
                frames: Some(u64::from(stream.frames)).filter(|&frames| frames > 0),
            },
            name,
            file,
            length,
            stream: two_digits(stream.number),
            frame_s: f64::from(stream.scale) / f64::from(stream.rate),
            frames: 0,
            size: None,
            bytes: Vec::new(),
            jpeg: JpegReader::default(),
        })))
    }
}

/// What the headers say of a video stream.
struct Stream {
    number: u8,
    codec: [[u8; 4]; 2],
    scale: u32,
    rate: u32,
    frames: u32,
}

impl FrameSource for Avi {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        loop {
            let name = self.name.clone();
            let io = |error| CaptureError::io(&name, error);
            let Some(chunk) = next_chunk(&mut self.file).map_err(io)? else { return Ok(Next::End) };
            match &chunk.id {
                b"LIST" | b"RIFF" => {
                    // A record of chunks, or a further part of a long file: its chunks follow.
                    let mut kind = [0; 4];
                    if self.file.read_exact(&mut kind).is_err() {
                        return Ok(Next::End);
                    }
                    continue;
                }
                [a, b, b'd', b'c' | b'b'] if [*a, *b] == self.stream => {}
                _ => {
                    skip(&mut self.file, chunk.length).map_err(io)?;
                    continue;
                }
            }
            let number = self.frames;
            let at = self.file.stream_position().map_err(io)?;
            if at + chunk.length > self.length {
                return Err(CaptureError::content(
                    &self.name,
                    format!("ends in the middle of frame {number}; the frames before it are whole"),
                ));
            }
            self.frames += 1;
            if chunk.length == 0 {
                // By the format's rule an empty chunk repeats the frame before it: nothing was measured at that time.
                return Ok(Next::Lost { frames: 1, why: format!("frame {number} is empty: the camera dropped it") });
            }
            if chunk.length > LARGEST_FRAME_BYTES {
                return Err(CaptureError::content(
                    &self.name,
                    format!("frame {number} at byte {at} claims {} bytes: the file is damaged there", chunk.length),
                ));
            }
            self.bytes.resize(chunk.length as usize, 0);
            self.file.read_exact(&mut self.bytes).map_err(io)?;
            if chunk.length % 2 == 1 {
                skip(&mut self.file, 1).map_err(io)?;
            }
            if let Err(what) = self.jpeg.read(&self.bytes, frame) {
                return Ok(Next::Lost { frames: 1, why: format!("frame {number} at byte {at}: {what}") });
            }
            let size = (frame.width(), frame.height());
            let first = *self.size.get_or_insert(size);
            if size != first {
                return Err(CaptureError::content(
                    &self.name,
                    format!(
                        "frame {number} is {} × {} px where the frames before it are {} × {} px",
                        size.0, size.1, first.0, first.1
                    ),
                ));
            }
            frame.time_s = number as f64 * self.frame_s;
            frame.number = number;
            return Ok(Next::Frame);
        }
    }
}

fn two_digits(number: u8) -> [u8; 2] {
    [b'0' + number / 10 % 10, b'0' + number % 10]
}

/// The next chunk's head, or none at the end of the file.
fn next_chunk(file: &mut impl Read) -> std::io::Result<Option<Chunk>> {
    let mut head = [0; 8];
    match file.read_exact(&mut head) {
        Ok(()) => {}
        Err(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => return Ok(None),
        Err(error) => return Err(error),
    }
    let [a, b, c, d, w, x, y, z] = head;
    Ok(Some(Chunk { id: [a, b, c, d], length: u64::from(u32::from_le_bytes([w, x, y, z])) }))
}

/// Skips a chunk's content and the byte that makes its length even.
fn skip(file: &mut BufReader<File>, length: u64) -> std::io::Result<()> {
    file.seek_relative((length + length % 2) as i64)
}

/// The first `most` bytes of a chunk's content; the rest is skipped.
fn read_up_to(file: &mut BufReader<File>, length: u64, most: u64) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(length.min(most)).read_to_end(&mut bytes)?;
    file.seek_relative((length + length % 2 - bytes.len() as u64) as i64)?;
    Ok(bytes)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use std::time::{Duration, Instant};

    use image::{GrayImage, Luma};
    use rand::{RngExt, SeedableRng};
    use tempfile::tempdir;

    use super::*;

    fn chunk(id: &[u8; 4], content: &[u8]) -> Vec<u8> {
        let mut bytes = id.to_vec();
        bytes.extend_from_slice(&(content.len() as u32).to_le_bytes());
        bytes.extend_from_slice(content);
        if content.len() % 2 == 1 {
            bytes.push(0);
        }
        bytes
    }

    fn list(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
        chunk(b"LIST", &[&kind[..], content].concat())
    }

    fn jpeg(level: u8, width: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95)
            .encode_image(&GrayImage::from_fn(width, 24, |x, _| Luma([level.wrapping_add(x as u8)])))
            .unwrap();
        bytes
    }

    fn clip(codec: &[u8; 4], frames: &[Vec<u8>]) -> Vec<u8> {
        let mut strh = b"vids".to_vec();
        strh.extend_from_slice(codec);
        strh.extend_from_slice(&[0; 12]);
        for word in [1001u32, 30000, 0, frames.len() as u32, 0, 0, 0] {
            strh.extend_from_slice(&word.to_le_bytes());
        }
        let mut strf = vec![0; 16];
        strf.extend_from_slice(codec);
        strf.extend_from_slice(&[0; 20]);
        let audio = [&b"auds"[..], &[0; 44]].concat();
        let headers = [
            chunk(b"avih", &[0; 56]),
            list(b"strl", &[chunk(b"strh", &strh), chunk(b"strf", &strf)].concat()),
            list(b"strl", &[chunk(b"strh", &audio), chunk(b"strf", &[0; 18])].concat()),
        ]
        .concat();
        let mut movi = Vec::new();
        for frame in frames {
            movi.extend(chunk(b"01wb", &[7; 5]));
            movi.extend(chunk(b"00dc", frame));
        }
        let content =
            [&b"AVI "[..], &list(b"hdrl", &headers), &chunk(b"JUNK", &[1; 7]), &list(b"movi", &movi)].concat();
        chunk(b"RIFF", &content)
    }

    fn all(bytes: &[u8]) -> (Vec<(u64, f64)>, u64, Option<String>) {
        let folder = tempdir().unwrap();
        let path = folder.path().join("clip.avi");
        std::fs::write(&path, bytes).unwrap();
        let mut seen = Vec::new();
        let mut lost = 0;
        let mut source = match Avi::open(&path) {
            Ok(Opened::MotionJpeg(source)) => source,
            Ok(Opened::Other(codec)) => return (seen, lost, Some(codec)),
            Err(error) => return (seen, lost, Some(error.to_string())),
        };
        let mut frame = Frame::empty();
        loop {
            match source.next_into(&mut frame) {
                Ok(Next::Frame) => seen.push((frame.number, frame.time_s)),
                Ok(Next::Lost { frames, .. }) => lost += frames,
                Ok(Next::End) => return (seen, lost, None),
                Err(error) => return (seen, lost, Some(error.to_string())),
            }
        }
    }

    #[test]
    fn frames_come_with_their_times_past_sound_and_junk() {
        let (seen, lost, said) = all(&clip(b"MJPG", &[jpeg(10, 32), jpeg(60, 32), jpeg(90, 32)]));
        assert_eq!((lost, said), (0, None));
        assert_eq!(seen.iter().map(|frame| frame.0).collect::<Vec<_>>(), [0, 1, 2]);
        assert!((seen[2].1 - 2.0 * 1001.0 / 30000.0).abs() < 1e-12);
    }

    #[test]
    fn dropped_damaged_and_changed_frames_are_told() {
        let mut damaged = jpeg(20, 32);
        damaged.truncate(damaged.len() / 2);
        let (seen, lost, said) = all(&clip(b"MJPG", &[jpeg(10, 32), Vec::new(), damaged, jpeg(30, 32)]));
        assert_eq!((seen.len(), lost, said), (2, 2, None));
        let (seen, _, said) = all(&clip(b"MJPG", &[jpeg(10, 32), jpeg(10, 48)]));
        assert_eq!(seen.len(), 1);
        assert!(said.unwrap().contains("frame 1"));
        let (_, _, said) = all(&clip(b"XVID", &[jpeg(10, 32)]));
        assert_eq!(said.as_deref(), Some("XVID"));
    }

    #[test]
    fn damaged_files_end_in_a_result_or_a_sentence() {
        let whole = clip(b"MJPG", &(0..6).map(|index| jpeg(index * 9, 32)).collect::<Vec<_>>());
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let started = Instant::now();
        for round in 0..400 {
            let mut bytes = whole.clone();
            if round % 2 == 0 {
                bytes.truncate(random.random_range(0..whole.len()));
            }
            for _ in 0..random.random_range(0..6) {
                let length = bytes.len();
                if let Some(byte) = bytes.get_mut(random.random_range(0..length.max(1))) {
                    *byte = random.random();
                }
            }
            let (seen, _, said) = all(&bytes);
            assert!(seen.len() <= 6 || said.is_some());
            if let Some(said) = said {
                assert!(!said.contains('\n'), "{said}");
            }
        }
        assert!(started.elapsed() < Duration::from_secs(60));
    }
}
