//! What can go wrong with a source: one sentence each, with what to do.

use crate::basics::fault::said;

/// The outside world was at fault. Each message names the file (and the byte, row or frame) and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaptureError {
    /// The operating system refused.
    #[error("{name} cannot be read: {}; check the path", said(error))]
    Io {
        /// The file.
        name: String,
        /// What the system said.
        error: std::io::Error,
    },
    /// The source is not what it should be.
    #[error("{name} {what}; {cure}")]
    Refused {
        /// The file.
        name: String,
        /// What is wrong, as the rest of a sentence.
        what: String,
        /// What to do.
        cure: String,
    },
    /// The source is of a kind, or uses a coding, that the embedded readers do not know.
    #[error(
        "{name} {what}; install ffmpeg so that it can be read, or convert it to MP4 with H.264"
    )]
    NotEmbedded {
        /// The file.
        name: String,
        /// What it is, as the rest of a sentence.
        what: String,
    },
    /// The source contradicts itself.
    #[error("{name} is damaged at byte {byte}: {what}; copy it again from the camera")]
    Damaged {
        /// The file.
        name: String,
        /// Where, from the start of the file.
        byte: u64,
        /// What is wrong.
        what: String,
    },
    /// The source stops before its end.
    #[error(
        "{name} is cut short at byte {byte}, {what}; what came before it was used, copy the file again for the rest"
    )]
    EndsEarly {
        /// The file.
        name: String,
        /// Where it ends.
        byte: u64,
        /// In what it ends.
        what: String,
    },
    /// A frame differs in size from the first.
    #[error(
        "{name} is {width} x {height} pixels, but the frames before it are {first_width} x {first_height}; give frames of one size"
    )]
    SizeChanged {
        /// The picture, or the frame of the clip.
        name: String,
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
        /// Columns of the first frame.
        first_width: usize,
        /// Rows of the first frame.
        first_height: usize,
    },
    /// A row of the table of times is wrong.
    #[error(
        "{name}, row {row}: {what}; every picture needs one row with columns frame,t_s and rising times"
    )]
    Times {
        /// The table.
        name: String,
        /// The row, 1 being the heading.
        row: u64,
        /// What is wrong.
        what: String,
    },
    /// The frame rate is no frame rate.
    #[error("a rate of {fps} frames per second is impossible; give --fps a positive number")]
    FrameRate {
        /// What was given.
        fps: f64,
    },
    /// Cameras are not in this build.
    #[error(
        "camera:{name} cannot be opened because this build reads no cameras; build it with `cargo build --release --features webcam` (which needs libclang, Debian's libclang-dev), or record a clip and give the file"
    )]
    NoCamera {
        /// Which camera.
        name: String,
    },
    /// Cameras are not in this build, and none was named.
    #[error(
        "the cameras cannot be listed because this build reads none; build it with `cargo build --release --features webcam` (which needs libclang, Debian's libclang-dev)"
    )]
    NoCameras,
    /// A camera cannot be used, or not any more.
    #[error("{0}")]
    Camera(String),
    /// The ffmpeg of the system failed.
    #[error("{name} could not be read by ffmpeg: {what}; convert it to MP4 with H.264")]
    Ffmpeg {
        /// The file.
        name: String,
        /// The last words of the program.
        what: String,
    },
    /// Nothing came for a long time.
    #[error(
        "{name} delivered nothing for {seconds} s; check the disk or the connection and try again"
    )]
    Stalled {
        /// The source.
        name: String,
        /// How long.
        seconds: u64,
    },
}

impl CaptureError {
    pub(super) fn io(name: &str, error: std::io::Error) -> Self {
        Self::Io {
            name: name.to_owned(),
            error,
        }
    }

    pub(crate) fn refused(name: &str, what: impl Into<String>, cure: impl Into<String>) -> Self {
        Self::Refused {
            name: name.to_owned(),
            what: what.into(),
            cure: cure.into(),
        }
    }

    pub(super) fn damaged(name: &str, byte: u64, what: impl Into<String>) -> Self {
        Self::Damaged {
            name: name.to_owned(),
            byte,
            what: what.into(),
        }
    }

    pub(super) fn not_embedded(name: &str, what: impl Into<String>) -> Self {
        Self::NotEmbedded {
            name: name.to_owned(),
            what: what.into(),
        }
    }
}
