//! Frames come in: folders of pictures, video files, standard input, cameras, network cameras.
//!
//! Goes in: the address of a source. Comes out: grey frames in the order in which they were shown,
//! levels as the source stored them, with the source's own time stamps in seconds from the first frame.
//!
//! The kind of a file is told by its first bytes, never by its name. Containers are read under
//! limits of our own: no number in a file is believed before it was held against the size of the
//! file. The layouts are those of ISO/IEC 14496-12 (MP4), 14496-15 (its video samples), ITU-T H.264
//! and H.265 (parameter sets), T.81 (JPEG), the RIFF specification (AVI) and YUV4MPEG2.
//!
//! It refuses what it cannot read without guessing (a high-dynamic-range transfer, an edit list that
//! plays backwards, frames that change their size) and says so in one sentence; a frame that a decoder
//! complains of is a gap, and so are those that depend on it. Damage within the coded levels of H.264 and
//! HEVC can escape every decoder, up to the next key frame: whoever follows a line must bear a burst of wrong frames.
//!
//! Live sources keep the newest frames and count the others; they never block their reader, and can be recorded as they come, with
//! their times beside them, so that the recording gives the same frames again.
//!
//! Nothing here looks at what the frames show, and no wall clock enters a recorded frame's time.
//! Colour video is read as its luma, so a channel that clips alone stays hidden; coloured PNG and TIFF
//! are summed and keep the mark of clipping.
//!
//! Checked by `fixtures_agree_with_the_reference` and `damaged_files_end_in_a_sentence` in
//! `tests.rs` here, by the tests at the foot of each file, and for live sources by `tests/live_sources.rs` and `tests/camera-guest`.

mod avi;
pub(crate) mod camera;
mod clock;
mod error;
mod ffmpeg;
mod h26x;
mod jpeg;
mod jpeg_scan;
mod mp4;
mod network;
mod newest;
mod orientation;
mod parameter_sets;
mod pictures;
mod pipeline;
mod record;
mod sample_table;
#[cfg(test)]
mod tests;
mod timed;
mod y4m;

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::basics::frame::Frame;
use camera::CameraWish;
pub use error::CaptureError;
pub use network::Fingerprint;
pub use pictures::read_picture;
pub use pipeline::Decoupled;

/// Most pixels that a frame may have; larger sizes are taken for damage.
const MOST_PIXELS: usize = 1 << 26;

/// Frames per second of a sequence that says nothing of its times.
const DEFAULT_FPS: f64 = 25.0;

/// Where frames come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A video file, a picture or a folder of pictures.
    Path(PathBuf),
    /// YUV4MPEG2 on standard input.
    StandardInput,
    /// `camera:N`.
    Camera(String),
    /// An `http://` or `https://` address that serves motion JPEG.
    Network(String),
}

impl Source {
    /// Reads an address as people type it: `-`, `camera:N`, `http://…`, else a path.
    #[must_use]
    pub fn parse(address: &str) -> Self {
        if address == "-" {
            Self::StandardInput
        } else if let Some(name) = address.strip_prefix("camera:") {
            Self::Camera(name.to_owned())
        } else if address.starts_with("http://") || address.starts_with("https://") {
            Self::Network(address.to_owned())
        } else {
            Self::Path(PathBuf::from(address))
        }
    }
}

/// What the caller wishes of a source.
#[derive(Clone, Debug, Default)]
pub struct OpenOptions {
    /// Frames per second of pictures without times of their own; 25 where neither says it.
    pub fps: Option<f64>,
    /// Leaves a system `ffmpeg` alone even where one is installed.
    pub without_ffmpeg: bool,
    /// What is wished of a camera.
    pub camera: CameraWish,
    /// The only certificate that an `https://` server may show; without it, those that public authorities vouch for.
    pub certificate: Option<Fingerprint>,
}

/// What a source says of itself before the first frame.
#[derive(Clone, Debug)]
pub struct SourceInfo {
    /// For people: file name and kind, e.g. `line-1.mp4 (MP4, H.264)`.
    pub description: String,
    /// Columns of the frames as shown (after rotation).
    pub width: usize,
    /// Rows of the frames as shown.
    pub height: usize,
    /// Frames that the container announces, if it does; for progress bars only.
    pub frames: Option<u64>,
}

/// What came of asking for the next frame.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// The frame was filled.
    Frame,
    /// `frames` frames could not be decoded; the next call goes on behind them.
    Lost {
        /// How many.
        frames: u64,
        /// One sentence: what was wrong and where.
        why: String,
    },
    /// `frames` frames came while the reader was busy and were passed over; the next is newer. Live sources only.
    Skipped {
        /// How many.
        frames: u64,
    },
    /// Nothing came for a moment; ask again. Live sources only.
    Waiting {
        /// One sentence for the user, where the silence is longer than it should be.
        why: Option<String>,
    },
    /// Something that the user should know of the source; ask again.
    Note {
        /// Short code, words joined by hyphens.
        code: String,
        /// One sentence.
        message: String,
    },
    /// There are no more frames.
    End,
}

/// A stream of frames.
pub trait FrameSource: Send {
    /// What the source says of itself.
    fn info(&self) -> &SourceInfo;

    /// Fills `frame` with the next frame; allocates only if its size changes.
    ///
    /// # Errors
    /// The source failed: nothing more will come. Frames before it stand.
    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError>;

    /// Begins to record into a file; live sources only.
    ///
    /// # Errors
    /// The file cannot be written, or the source is no live one.
    fn record_to(&mut self, path: &Path) -> Result<(), CaptureError> {
        Err(CaptureError::refused(
            &path.display().to_string(),
            "would record what is recorded already",
            "leave --record out, or give a camera",
        ))
    }

    /// Ends the recording, where there is one; it can be begun anew into another file.
    fn end_recording(&mut self) {}

    /// Adds the last frame to the recording, where there is one; one sentence when the recording has to end.
    fn record_last(&mut self, _frame: &Frame) -> Option<String> {
        None
    }
}

/// Opens a source.
///
/// # Errors
/// One sentence that names the source and what to do: it is not there, it is not of a kind that can
/// be read, it is damaged before its first frame, or the options do not fit it.
pub fn open(source: &Source, options: &OpenOptions) -> Result<Box<dyn FrameSource>, CaptureError> {
    if let Some(fps) = options.fps
        && !(fps.is_finite() && fps > 0.0 && fps <= 1e6)
    {
        return Err(CaptureError::FrameRate { fps });
    }
    match source {
        Source::Path(path) => open_path(path, options),
        Source::StandardInput => {
            y4m::Y4m::new(std::io::stdin(), "standard input".to_owned(), None, options)
                .map(|y| Box::new(y) as _)
        }
        Source::Camera(name) => camera::open(name, &options.camera),
        Source::Network(address) => network::open(address, options.certificate),
    }
}

/// Ends this process when its standard input is closed, so that a process that another one started for its own work never outlives it.
pub fn end_with_standard_input() {
    std::thread::spawn(|| {
        let mut sink = [0; 64];
        let mut input = std::io::stdin().lock();
        while matches!(input.read(&mut sink), Ok(n) if n > 0) {}
        std::process::exit(0);
    });
}

/// The kinds that the first bytes of a file tell apart.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    Picture,
    Mp4,
    Avi,
    Y4m,
    Text,
    Other,
}

fn open_path(path: &Path, options: &OpenOptions) -> Result<Box<dyn FrameSource>, CaptureError> {
    let name = path.display().to_string();
    let meta = match std::fs::metadata(path) {
        Err(_) if name.contains("://") => {
            return Err(CaptureError::refused(
                &name,
                "is an address of a kind that is not read",
                "give the http:// or https:// address of motion JPEG, or record a clip and give the file",
            ));
        }
        meta => meta.map_err(|error| CaptureError::io(&name, error))?,
    };
    if meta.is_dir() {
        return pictures::Pictures::folder(path, options).map(|p| Box::new(p) as _);
    }
    let mut file = File::open(path).map_err(|error| CaptureError::io(&name, error))?;
    if !meta.is_file() {
        // A pipe in the file system can be read once only, so it must be what standard input may be.
        return y4m::Y4m::new(file, name, None, options).map(|y| Box::new(y) as _);
    }
    let mut head = Vec::new();
    file.by_ref()
        .take(512)
        .read_to_end(&mut head)
        .map_err(|error| CaptureError::io(&name, error))?;
    std::io::Seek::rewind(&mut file).map_err(|error| CaptureError::io(&name, error))?;
    if head.is_empty() {
        return Err(CaptureError::refused(
            &name,
            "is empty",
            "record or copy it again",
        ));
    }
    let short = short_name(path);
    match kind_of(&head) {
        Kind::Picture => pictures::Pictures::single(path, options).map(|p| Box::new(p) as _),
        Kind::Y4m => y4m::Y4m::new(file, short, Some(meta.len()), options)
            .and_then(|y| timed::with_table(Box::new(y), path)),
        Kind::Text => Err(CaptureError::refused(
            &name,
            "holds text, neither a picture nor a video",
            "check the name",
        )),
        Kind::Other if pictures::is_picture_name(path) => Err(CaptureError::refused(
            &name,
            "is named like a picture but is no PNG, JPEG or TIFF",
            "convert it or check the name",
        )),
        Kind::Mp4 => or_ffmpeg(
            mp4::Mp4::open(file, name, short).map(|m| Box::new(m) as _),
            path,
            options,
        ),
        Kind::Avi => or_ffmpeg(
            avi::Avi::open(file, name, short).and_then(|a| timed::with_table(Box::new(a), path)),
            path,
            options,
        ),
        Kind::Other => or_ffmpeg(
            Err(CaptureError::NotEmbedded {
                name,
                what: "is of a kind that this program does not read by itself".to_owned(),
            }),
            path,
            options,
        ),
    }
}

/// What the embedded readers do not know goes to a system ffmpeg, if there is one.
fn or_ffmpeg(
    own: Result<Box<dyn FrameSource>, CaptureError>,
    path: &Path,
    options: &OpenOptions,
) -> Result<Box<dyn FrameSource>, CaptureError> {
    match own {
        Err(CaptureError::NotEmbedded { .. })
            if !options.without_ffmpeg && ffmpeg::program().is_some() =>
        {
            ffmpeg::Ffmpeg::open(path).map(|f| Box::new(f) as _)
        }
        other => other,
    }
}

fn kind_of(head: &[u8]) -> Kind {
    let at = |range: std::ops::Range<usize>| head.get(range).unwrap_or_default();
    if pictures::format_of(head).is_some() {
        Kind::Picture
    } else if head.starts_with(b"YUV4MPEG2 ") {
        Kind::Y4m
    } else if at(0..4) == b"RIFF" && matches!(at(8..12), b"AVI " | b"AVIX") {
        Kind::Avi
    } else if matches!(
        at(4..8),
        b"ftyp"
            | b"moov"
            | b"mdat"
            | b"free"
            | b"skip"
            | b"wide"
            | b"pnot"
            | b"styp"
            | b"moof"
            | b"sidx"
    ) {
        Kind::Mp4
    } else if looks_like_text(head) {
        Kind::Text
    } else {
        Kind::Other
    }
}

fn looks_like_text(head: &[u8]) -> bool {
    let whole = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(e) if e.error_len().is_none() => {
            std::str::from_utf8(head.get(..e.valid_up_to()).unwrap_or_default()).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !whole.is_empty()
        && whole
            .chars()
            .all(|c| !c.is_control() || c.is_ascii_whitespace())
}

fn short_name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}
