//! Motion JPEG in AVI, read chunk by chunk from the front; the index is not needed and not believed.

use std::fs::File;
use std::io::{BufReader, Read, Seek};

use super::jpeg::Jpeg;
use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Deepest nesting of lists that is followed (RIFF, movi, rec).
const DEEPEST: usize = 4;

/// A video of motion JPEG in AVI.
pub(super) struct Avi {
    info: SourceInfo,
    name: String,
    walk: Walk,
    stream: u8,
    seconds_per_frame: f64,
    jpeg: Jpeg,
    data: Vec<u8>,
    next: u64,
    over: bool,
    /// The first frame, which told the size.
    first: bool,
}

impl Avi {
    /// Reads the header and the first frame.
    pub(super) fn open(file: File, name: String, short: String) -> Result<Self, CaptureError> {
        let mut walk = Walk::new(file, &name)?;
        let mut streams: Vec<Stream> = Vec::new();
        let mut data = Vec::new();
        // Headers come before the frames: walk until the list `movi` opens.
        loop {
            match walk.next(&name)? {
                Step::Open(kind) if &kind == b"movi" => break,
                Step::Open(kind) => {
                    if &kind == b"strl" {
                        streams.push(Stream::default());
                    }
                }
                Step::Chunk { id, size, .. } => match (&id, streams.last_mut()) {
                    (b"strh", Some(stream)) => {
                        walk.read(&name, size.min(64), &mut data)?;
                        stream.header(&data);
                    }
                    (b"strf", Some(stream)) => {
                        walk.read(&name, size.min(64), &mut data)?;
                        stream.format(&data);
                    }
                    _ => {}
                },
                Step::End | Step::CutShort { .. } => {
                    return Err(CaptureError::damaged(
                        &name,
                        walk.at,
                        "the AVI ends before its frames",
                    ));
                }
            }
        }
        let Some((index, stream)) = streams.iter().enumerate().find(|(_, s)| &s.kind == b"vids")
        else {
            return Err(CaptureError::refused(
                &name,
                "is an AVI without video",
                "give the file with the video",
            ));
        };
        let coding = [stream.compression, stream.handler].map(|c| c.to_ascii_uppercase());
        if !coding
            .iter()
            .any(|c| matches!(c.as_slice(), b"MJPG" | b"AVRN" | b"LJPG" | b"JPGL"))
        {
            let shown = String::from_utf8_lossy(&stream.compression).into_owned();
            return Err(CaptureError::not_embedded(
                &name,
                format!("is an AVI with video of the kind {shown:?}"),
            ));
        }
        if stream.rate == 0 || stream.scale == 0 {
            return Err(CaptureError::refused(
                &name,
                "is an AVI that does not say its frame rate",
                "convert it to MP4",
            ));
        }
        let seconds_per_frame = f64::from(stream.scale) / f64::from(stream.rate);
        let (frames, header_size) = (stream.length, (stream.width, stream.height));
        let stream = u8::try_from(index).unwrap_or(u8::MAX);
        let mut avi = Self {
            info: SourceInfo {
                description: format!("{short} (AVI, motion JPEG)"),
                width: 0,
                height: 0,
                frames: (frames > 0).then_some(u64::from(frames)),
            },
            name,
            walk,
            stream,
            seconds_per_frame,
            jpeg: Jpeg::default(),
            data,
            next: 0,
            over: false,
            first: false,
        };
        avi.find_first()?;
        let size = (avi.jpeg.width, avi.jpeg.height);
        if size.0 == header_size.0 as usize && size.1 * 2 == header_size.1 as usize {
            return Err(CaptureError::not_embedded(
                &avi.name,
                "is interlaced motion JPEG",
            ));
        }
        (avi.info.width, avi.info.height) = size;
        Ok(avi)
    }

    /// Decodes until a frame is whole, so that the size is known; losses before it count as numbers.
    fn find_first(&mut self) -> Result<(), CaptureError> {
        let mut why = "it holds no frames".to_owned();
        loop {
            match self.fetch()? {
                None => return Err(CaptureError::damaged(&self.name, self.walk.at, why)),
                Some(Ok(())) => {
                    self.first = true;
                    return Ok(());
                }
                Some(Err(what)) => {
                    why = format!("no frame is whole, the last {what}");
                    self.next += 1;
                }
            }
        }
    }

    /// Decodes the next chunk of the stream.
    fn fetch(&mut self) -> Result<Option<Result<(), String>>, CaptureError> {
        loop {
            match self.walk.next(&self.name)? {
                Step::Open(_) => {}
                Step::End => return Ok(None),
                Step::CutShort { byte } => {
                    return Err(CaptureError::EndsEarly {
                        name: self.name.clone(),
                        byte,
                        what: format!("in or after frame {}", self.next),
                    });
                }
                Step::Chunk { id, size, at } => {
                    let [tens, ones, b'd', b'b' | b'c'] = id else {
                        continue;
                    };
                    let digit = |b: u8| b.checked_sub(b'0').filter(|&d| d <= 9);
                    let number = digit(tens).zip(digit(ones)).map(|(t, o)| 10 * t + o);
                    if number != Some(self.stream) {
                        continue;
                    }
                    if size == 0 {
                        return Ok(Some(Err(format!(
                            "was dropped by the recorder (empty chunk at byte {at})"
                        ))));
                    }
                    self.walk.read(&self.name, size, &mut self.data)?;
                    let decoded = self.jpeg.decode(&self.data);
                    return Ok(Some(
                        decoded.map_err(|what| format!("{what} (chunk at byte {at})")),
                    ));
                }
            }
        }
    }
}

impl FrameSource for Avi {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        if self.over {
            return Ok(Next::End);
        }
        let fetched = if std::mem::take(&mut self.first) {
            Some(Ok(()))
        } else {
            self.fetch().inspect_err(|_| self.over = true)?
        };
        match fetched {
            None => {
                self.over = true;
                Ok(Next::End)
            }
            Some(Err(what)) => {
                let why = format!("{}, frame {} {what}", self.info.description, self.next);
                self.next += 1;
                Ok(Next::Lost { frames: 1, why })
            }
            Some(Ok(())) => {
                let (width, height) = (self.jpeg.width, self.jpeg.height);
                if (width, height) != (self.info.width, self.info.height) {
                    self.over = true;
                    return Err(CaptureError::SizeChanged {
                        name: format!("{}, frame {},", self.name, self.next),
                        width,
                        height,
                        first_width: self.info.width,
                        first_height: self.info.height,
                    });
                }
                self.jpeg.show(frame);
                frame.time_s = self.next as f64 * self.seconds_per_frame;
                frame.number = self.next;
                self.next += 1;
                Ok(Next::Frame)
            }
        }
    }
}

/// What the header says of one stream.
#[derive(Default)]
struct Stream {
    kind: [u8; 4],
    handler: [u8; 4],
    scale: u32,
    rate: u32,
    length: u32,
    width: u32,
    height: u32,
    compression: [u8; 4],
}

impl Stream {
    fn header(&mut self, data: &[u8]) {
        self.kind = four(data, 0);
        self.handler = four(data, 4);
        self.scale = u32::from_le_bytes(four(data, 20));
        self.rate = u32::from_le_bytes(four(data, 24));
        self.length = u32::from_le_bytes(four(data, 32));
    }

    fn format(&mut self, data: &[u8]) {
        self.width = u32::from_le_bytes(four(data, 4));
        self.height = i32::from_le_bytes(four(data, 8)).unsigned_abs();
        self.compression = four(data, 16);
    }
}

fn four(data: &[u8], at: usize) -> [u8; 4] {
    data.get(at..at + 4)
        .and_then(|s| s.try_into().ok())
        .unwrap_or_default()
}

/// A walk over the chunks of a RIFF file.
struct Walk {
    file: BufReader<File>,
    length: u64,
    /// Where the next chunk starts.
    at: u64,
    /// Ends of the lists that are open.
    ends: Vec<u64>,
    cut: bool,
}

enum Step {
    /// A list of this kind opened.
    Open([u8; 4]),
    /// A chunk; its data can be read now.
    Chunk {
        id: [u8; 4],
        size: u64,
        at: u64,
    },
    /// The file ends in the middle of a chunk.
    CutShort {
        byte: u64,
    },
    End,
}

impl Walk {
    fn new(file: File, name: &str) -> Result<Self, CaptureError> {
        let length = file
            .metadata()
            .map_err(|error| CaptureError::io(name, error))?
            .len();
        Ok(Self {
            file: BufReader::with_capacity(1 << 16, file),
            length,
            at: 0,
            ends: Vec::new(),
            cut: false,
        })
    }

    fn next(&mut self, name: &str) -> Result<Step, CaptureError> {
        if self.cut {
            return Ok(Step::End);
        }
        while self.ends.last().is_some_and(|&end| self.at >= end) {
            self.ends.pop();
        }
        if self.length.saturating_sub(self.at) < 8 {
            return Ok(Step::End);
        }
        let at = self.at;
        self.seek(name, at)?;
        let mut head = [0; 12];
        let have = usize::try_from(self.length - at).unwrap_or(12).min(12);
        let (part, _) = head.split_at_mut(have);
        self.file
            .read_exact(part)
            .map_err(|error| CaptureError::io(name, error))?;
        let id = four(&head, 0);
        let size = u64::from(u32::from_le_bytes(four(&head, 4)));
        let end = at + 8 + size;
        if matches!(&id, b"RIFF" | b"LIST") && have == 12 {
            // A recording that was never closed has 0 here: it reaches to the end of the file.
            let end = if size < 4 || end > self.length {
                self.length
            } else {
                end
            };
            if self.ends.len() >= DEEPEST {
                return Err(CaptureError::damaged(
                    name,
                    at,
                    "lists are nested too deeply",
                ));
            }
            self.ends.push(end);
            self.at = at + 12;
            return Ok(Step::Open(four(&head, 8)));
        }
        if end > self.length {
            self.cut = true;
            return Ok(Step::CutShort { byte: self.length });
        }
        self.at = end + size % 2;
        self.seek(name, at + 8)?;
        Ok(Step::Chunk { id, size, at })
    }

    /// Seeks, keeping the buffer where the place lies in it.
    fn seek(&mut self, name: &str, to: u64) -> Result<(), CaptureError> {
        let here = self
            .file
            .stream_position()
            .map_err(|error| CaptureError::io(name, error))?;
        let by = i64::try_from(to).unwrap_or(i64::MAX) - i64::try_from(here).unwrap_or(0);
        self.file
            .seek_relative(by)
            .map_err(|error| CaptureError::io(name, error))
    }

    /// Reads the first `size` bytes of the chunk that was just met; `size` is within the file.
    fn read(&mut self, name: &str, size: u64, into: &mut Vec<u8>) -> Result<(), CaptureError> {
        let size = usize::try_from(size.min(self.length)).unwrap_or(0);
        into.resize(size, 0);
        self.file
            .read_exact(into)
            .map_err(|error| CaptureError::io(name, error))
    }
}
