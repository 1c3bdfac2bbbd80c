//! Frames come in: folders of pictures, video files, standard input, cameras.
//!
//! Goes in: the address of a source. Comes out: grey frames in the order in which they were shown,
//! with the source's own time stamps in seconds from the first frame.

use crate::basics::frame::Frame;

/// Where frames come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A video file, a picture or a folder of pictures.
    Path(std::path::PathBuf),
    /// YUV4MPEG2 on standard input.
    StandardInput,
    /// `camera:N`.
    Camera(String),
    /// An `http://` address that serves motion JPEG.
    Network(String),
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
}

/// The outside world was at fault. Each message names the file (and the byte, row or frame) and what to do.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// Placeholder for the variants that the stage needs.
    #[error("{0}")]
    Other(String),
}
