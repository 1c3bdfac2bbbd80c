//! A live source is recorded while it is measured: the frames as they came, with their times, so that measuring the recording gives the same numbers.
//!
//! JPEG pictures go into motion JPEG in AVI as they are, uncompressed frames into YUV4MPEG2 (their luma, which is all that is measured). Both play in
//! common players, and neither needs its end to be read: whatever stops the program leaves a file that opens. Neither holds a time for each frame,
//! so times, and the frames lost or passed over in between, stand in a table beside it, `NAME.times.csv` with columns `frame,t_s,lost_before,skipped_before`.

use std::fs::{File, OpenOptions as FileOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::CaptureError;
use crate::basics::fault::said;
use crate::basics::frame::Frame;

/// Time between two updates of the sizes in the head, for players that believe them.
const BETWEEN_UPDATES: Duration = Duration::from_secs(1);
/// Bytes after which an AVI goes on in another segment (of the OpenDML extensions): sizes are of 32 bits.
const SEGMENT: u64 = 1 << 30;

/// What the frames of a source are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// JPEG pictures.
    Jpeg,
    /// Uncompressed levels.
    Raw,
}

/// The table of times that belongs to a recording.
pub(super) fn table_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".times.csv");
    name.into()
}

/// A recording under way.
pub(super) struct Recording {
    path: PathBuf,
    file: File,
    table: File,
    kind: Kind,
    /// Lengths of both files behind the last whole frame.
    good: (u64, u64),
    updated: Instant,
}

enum Kind {
    Avi {
        /// Frames in all.
        frames: u32,
        /// Where the present segment starts, and where the list of its frames.
        segment: u64,
        list: u64,
    },
    /// Whether the head is written: it needs the first frame's levels.
    Y4m { begun: bool },
}

impl Recording {
    /// Starts a recording.
    ///
    /// # Errors
    /// The name does not fit the coding, is taken, or cannot be written.
    pub(super) fn create(
        path: &Path,
        coding: Coding,
        (width, height): (usize, usize),
        fps: f64,
    ) -> Result<Self, CaptureError> {
        let name = path.display().to_string();
        let ending = path
            .extension()
            .map(|e| e.to_string_lossy().to_ascii_lowercase());
        let (wanted, what) = match coding {
            Coding::Jpeg => ("avi", "JPEG pictures, which are recorded as AVI"),
            Coding::Raw => (
                "y4m",
                "uncompressed frames, which are recorded as YUV4MPEG2",
            ),
        };
        if ending.as_deref() != Some(wanted) {
            return Err(CaptureError::refused(
                &name,
                format!("cannot hold the recording: the source gives {what}"),
                format!("give --record a name that ends in .{wanted}"),
            ));
        }
        let create = |path: &Path| {
            FileOptions::new()
                .write(true)
                .create_new(true)
                .open(path)
                .map_err(|error| {
                    CaptureError::refused(
                        &path.display().to_string(),
                        if error.kind() == io::ErrorKind::AlreadyExists {
                            "is there already and is not written over".to_owned()
                        } else {
                            format!("cannot be written ({error})", error = said(&error))
                        },
                        "give --record another name",
                    )
                })
        };
        let file = create(path)?;
        let table = create(&table_of(path))?;
        let kind = match coding {
            Coding::Jpeg => Kind::Avi {
                frames: 0,
                segment: 0,
                list: 0,
            },
            Coding::Raw => Kind::Y4m { begun: false },
        };
        let mut recording = Self {
            path: path.to_owned(),
            file,
            table,
            kind,
            good: (0, 0),
            updated: Instant::now(),
        };
        recording.begin(width, height, fps).map_err(|error| {
            CaptureError::refused(
                &name,
                format!("cannot be written ({error})", error = said(&error)),
                "give --record a name on another disk",
            )
        })?;
        Ok(recording)
    }

    fn begin(&mut self, width: usize, height: usize, fps: f64) -> io::Result<()> {
        self.table
            .write_all(b"frame,t_s,lost_before,skipped_before\n")?;
        if let Kind::Avi { list, .. } = &mut self.kind {
            let head = avi_head(width, height, fps);
            *list = head.len() as u64 - 12;
            self.file.write_all(&head)?;
        }
        self.good = (self.file.stream_position()?, self.table.stream_position()?);
        Ok(())
    }

    /// Adds a frame: its coded picture where the source gives JPEG, else its levels.
    ///
    /// # Errors
    /// The recording is at its end, whole up to the frame before: one sentence.
    pub(super) fn add(
        &mut self,
        frame: &Frame,
        coded: &[u8],
        (lost, skipped): (u64, u64),
    ) -> Result<(), String> {
        let written = self.write(frame, coded, lost, skipped);
        if let Err(error) = written {
            // What was written of the frame is taken back, so that the recording opens without a word.
            let _ = self.file.set_len(self.good.0);
            let _ = self.table.set_len(self.good.1);
            return Err(format!(
                "{} cannot be written any further ({error}); the measurement goes on without being recorded",
                self.path.display(),
                error = said(&error)
            ));
        }
        if self.updated.elapsed() > BETWEEN_UPDATES {
            self.updated = Instant::now();
            // Of use to players only; the next one will do.
            let _ = self.update();
        }
        Ok(())
    }

    fn write(&mut self, frame: &Frame, coded: &[u8], lost: u64, skipped: u64) -> io::Result<()> {
        match &mut self.kind {
            Kind::Avi {
                frames,
                segment,
                list,
            } => {
                if self.good.0 - *segment > SEGMENT {
                    update(&mut self.file, *segment, *list, *frames, self.good.0)?;
                    *segment = self.good.0;
                    *list = self.good.0 + 12;
                    self.file.write_all(b"RIFF\0\0\0\0AVIXLIST\0\0\0\0movi")?;
                }
                let size = u32::try_from(coded.len()).map_err(io::Error::other)?;
                self.file.write_all(b"00dc")?;
                self.file.write_all(&size.to_le_bytes())?;
                self.file.write_all(coded)?;
                if size % 2 == 1 {
                    self.file.write_all(&[0])?;
                }
                *frames += 1;
            }
            Kind::Y4m { begun } => {
                let wide = frame.full_scale > 255;
                if !*begun {
                    *begun = true;
                    self.file.write_all(y4m_head(frame).as_bytes())?;
                }
                let mut data = b"FRAME\n".to_vec();
                if wide {
                    data.extend(frame.levels.iter().flat_map(|level| level.to_le_bytes()));
                } else {
                    data.extend(
                        frame
                            .levels
                            .iter()
                            .map(|&level| u8::try_from(level).unwrap_or(u8::MAX)),
                    );
                }
                self.file.write_all(&data)?;
            }
        }
        // The shortest decimals that give the same number back.
        let row = format!("{},{:?},{lost},{skipped}\n", frame.number, frame.time_s);
        self.table.write_all(row.as_bytes())?;
        self.good = (self.file.stream_position()?, self.table.stream_position()?);
        Ok(())
    }

    fn update(&mut self) -> io::Result<()> {
        if let Kind::Avi {
            frames,
            segment,
            list,
        } = self.kind
        {
            update(&mut self.file, segment, list, frames, self.good.0)?;
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
impl Recording {
    /// Goes on in a device that takes nothing.
    pub(super) fn fill_up(&mut self, full: &Path) {
        self.file = FileOptions::new().write(true).open(full).unwrap();
    }
}

impl Drop for Recording {
    fn drop(&mut self) {
        let _ = self.update();
    }
}

/// Where the head of an AVI counts its frames: in `avih` and in `strh`.
const COUNTS: [u64; 2] = [48, 140];

/// Writes sizes and the count of frames into the heads, and goes back to the end.
fn update(file: &mut File, segment: u64, list: u64, frames: u32, end: u64) -> io::Result<()> {
    let size = |from: u64| u32::try_from(end - from - 8).unwrap_or(0).to_le_bytes();
    for (at, bytes) in [
        (segment + 4, size(segment)),
        (list + 4, size(list)),
        (COUNTS[0], frames.to_le_bytes()),
        (COUNTS[1], frames.to_le_bytes()),
    ] {
        file.seek(SeekFrom::Start(at))?;
        file.write_all(&bytes)?;
    }
    file.seek(SeekFrom::Start(end))?;
    Ok(())
}

/// The head of an AVI up to the list of frames (RIFF specification, `AVIMAINHEADER`, `AVISTREAMHEADER`, `BITMAPINFOHEADER`).
fn avi_head(width: usize, height: usize, fps: f64) -> Vec<u8> {
    let word = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let milli = (fps * 1000.0).round() as u32;
    let (width, height) = (word(width), word(height));
    let mut head = Vec::new();
    let mut put = |bytes: &[u8]| head.extend_from_slice(bytes);
    let words = |list: &[u32]| -> Vec<u8> { list.iter().flat_map(|w| w.to_le_bytes()).collect() };
    put(b"RIFF\0\0\0\0AVI LIST");
    put(&words(&[192]));
    put(b"hdrlavih");
    put(&words(&[
        56,
        (1e6 / fps).round() as u32,
        0,
        0,
        0,
        0,
        0,
        1,
        0,
        width,
        height,
        0,
        0,
        0,
        0,
    ]));
    put(b"LIST");
    put(&words(&[116]));
    put(b"strlstrh");
    put(&words(&[56]));
    put(b"vidsMJPG");
    put(&words(&[0, 0, 0, 1000, milli, 0, 0, 0, u32::MAX, 0]));
    put(&[0, 0, 0, 0]);
    put(&[
        (width & 0xff) as u8,
        (width >> 8) as u8,
        (height & 0xff) as u8,
        (height >> 8) as u8,
    ]);
    put(b"strf");
    put(&words(&[40, 40, width, height, 1 | 24 << 16]));
    put(b"MJPG");
    put(&words(&[
        width.saturating_mul(height).saturating_mul(3),
        0,
        0,
        0,
        0,
    ]));
    put(b"LIST\0\0\0\0movi");
    head
}

/// The head of a stream of grey frames like this one. The rate is nominal: the times stand in the table.
fn y4m_head(frame: &Frame) -> String {
    let bits = match frame.full_scale {
        0..=255 => String::new(),
        256..=1023 => "10".to_owned(),
        1024..=4095 => "12".to_owned(),
        _ => "16".to_owned(),
    };
    let range = if frame.black == 0 { "FULL" } else { "LIMITED" };
    format!(
        "YUV4MPEG2 W{} H{} F30:1 Ip A1:1 Cmono{bits} XCOLORRANGE={range}\n",
        frame.width(),
        frame.height()
    )
}
