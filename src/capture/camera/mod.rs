//! Cameras at the eyepiece: found, described, set, and read frame by frame.
//!
//! Goes in: `camera:N` or a name, and what the user wishes of mode and controls. Comes out: grey frames as every other
//! source gives them, with the driver's own times in seconds from the first frame, and descriptions of all cameras.
//!
//! The camera itself runs in a child process of the same program ([`worker`]), which sends what the driver gave,
//! byte for byte, through a pipe ([`wire`]); the parent ([`live`]) decodes it. A camera library that hangs, panics or
//! aborts so costs some frames, never the measurement: the child is replaced, and its silence is told within 2 s.
//!
//! It refuses cameras that are not there, are in use, may not be opened, or are no cameras but a channel of metadata, each in
//! one sentence with the cure. Frames that the driver marks as faulty, that are shorter than their mode says, or that no
//! strict decoder takes are counted and left out.
//!
//! What the frames show does not belong here, nor any guess at a brightness: controls are locked where they stand or where the user wants them.
//!
//! Checked by the tests at the foot of each file, `a_worker_that_dies_is_replaced` in `live.rs` among them, and against the kernel's own
//! camera drivers by `tests/camera-guest/run-all.sh`.

mod live;
#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
mod modes;
mod pixels;
mod wire;
#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
mod worker;

#[cfg(all(feature = "webcam", target_os = "linux"))]
mod linux;
#[cfg(any(feature = "webcam", not(target_os = "linux")))]
mod through_nokhwa;

use std::process::ExitCode;

use serde::{Deserialize, Serialize};

use super::CaptureError;
pub(super) use live::open;

/// Whether this build reads cameras.
const BUILT_IN: bool = cfg!(any(feature = "webcam", not(target_os = "linux")));

/// How a camera codes its pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PixelFormat {
    /// Grey, 8 bits.
    Grey,
    /// Grey, 10 bits in two bytes.
    Grey10,
    /// Grey, 12 bits in two bytes.
    Grey12,
    /// Grey, 16 bits.
    Grey16,
    /// Luma and chroma in turn, luma first (Y U Y V).
    Yuyv,
    /// Luma and chroma in turn, chroma first (U Y V Y).
    Uyvy,
    /// A plane of luma, then chroma of half the size in turn.
    Nv12,
    /// JPEG pictures.
    MotionJpeg,
}

impl PixelFormat {
    /// All of them, best first: more bits before fewer, uncompressed before compressed.
    pub const ALL: [Self; 8] = [
        Self::Grey16,
        Self::Grey12,
        Self::Grey10,
        Self::Grey,
        Self::Yuyv,
        Self::Uyvy,
        Self::Nv12,
        Self::MotionJpeg,
    ];

    /// The four-character code of V4L2 and of most other camera interfaces.
    #[must_use]
    pub fn four_characters(self) -> &'static str {
        match self {
            Self::Grey => "GREY",
            Self::Grey10 => "Y10 ",
            Self::Grey12 => "Y12 ",
            Self::Grey16 => "Y16 ",
            Self::Yuyv => "YUYV",
            Self::Uyvy => "UYVY",
            Self::Nv12 => "NV12",
            Self::MotionJpeg => "MJPG",
        }
    }

    /// The format of a four-character code, with or without its spaces.
    #[must_use]
    pub fn from_four_characters(code: &str) -> Option<Self> {
        let code = code.trim().to_ascii_uppercase();
        Self::ALL
            .into_iter()
            .find(|format| format.four_characters().trim() == code)
            .or(match code.as_str() {
                "JPEG" | "MJPEG" => Some(Self::MotionJpeg),
                "YUY2" => Some(Self::Yuyv),
                "GRAY" => Some(Self::Grey),
                _ => None,
            })
    }
}

/// One way in which a camera can stream.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mode {
    /// Coding of the pixels.
    pub format: PixelFormat,
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Seconds between frames, as a fraction.
    pub interval: (u32, u32),
}

impl Mode {
    /// Frames per second; 0 where the camera does not say.
    #[must_use]
    pub fn fps(&self) -> f64 {
        if self.interval.0 == 0 {
            0.0
        } else {
            f64::from(self.interval.1) / f64::from(self.interval.0)
        }
    }

    /// Pixels of a frame.
    #[must_use]
    pub fn pixels(&self) -> u64 {
        u64::from(self.width) * u64::from(self.height)
    }
}

impl std::fmt::Display for Mode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (width, height) = (self.width, self.height);
        let fps = (self.fps() * 100.0).round() / 100.0;
        write!(
            f,
            "{width}x{height}@{fps}:{}",
            self.format.four_characters().trim()
        )
    }
}

/// What of a camera must stand still while lines are measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ControlName {
    /// Exposure time.
    Exposure,
    /// Gain.
    Gain,
    /// White balance.
    WhiteBalance,
    /// Focus.
    Focus,
}

impl ControlName {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Exposure, Self::Gain, Self::WhiteBalance, Self::Focus];

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Exposure => "exposure",
            Self::Gain => "gain",
            Self::WhiteBalance => "white balance",
            Self::Focus => "focus",
        }
    }
}

/// One control of a camera, in the camera's own units (exposure mostly in 0.1 ms).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Control {
    /// Which.
    pub control: ControlName,
    /// Whether the camera lets itself be told to leave it alone.
    pub lockable: bool,
    /// Whether the camera changes it by itself at present; none where it never does.
    pub automatic: Option<bool>,
    /// Value at present.
    pub value: Option<i64>,
    /// Smallest and largest value, and the step between values.
    pub range: Option<(i64, i64, i64)>,
}

/// One camera of this machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CameraDescription {
    /// `camera:N` opens it.
    pub index: u32,
    /// As the maker calls it.
    pub name: String,
    /// Where it is plugged in, or the system's own name of it: stays when cameras are plugged in another order. `camera:IDENTITY` opens it, too.
    pub identity: String,
    /// Modes that can be read here.
    pub modes: Vec<Mode>,
    /// Mode that is taken where none is asked for.
    pub chosen: Option<Mode>,
    /// Controls.
    pub controls: Vec<Control>,
    /// Why it cannot be used at present, if so: one sentence.
    pub trouble: Option<String>,
}

/// What the user wishes of a camera.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CameraWish {
    /// Columns and rows.
    pub size: Option<(u32, u32)>,
    /// Frames per second.
    pub fps: Option<f64>,
    /// Coding of the pixels.
    pub format: Option<PixelFormat>,
    /// Values to lock controls at; those not named are locked where they stand.
    pub values: Vec<(ControlName, i64)>,
    /// Leaves the camera's own automatic control on.
    pub automatic: bool,
}

impl CameraWish {
    /// No wish: the best mode, controls locked where they stand.
    pub const NONE: Self = Self {
        size: None,
        fps: None,
        format: None,
        values: Vec::new(),
        automatic: false,
    };

    /// Reads a mode as [`Mode`] prints it, any part of which may be missing: `640x480@30:YUYV`, `1280x720`, `@50`, `:GREY`.
    ///
    /// # Errors
    /// What is wrong, as the rest of a sentence.
    pub fn with_mode(mut self, text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "`{text}` is no mode of a camera; write it like 640x480@30:YUYV, or only a part of it"
            )
        };
        let (rest, format) = match text.split_once(':') {
            Some((rest, format)) => (rest, Some(format)),
            None => (text, None),
        };
        let (size, fps) = match rest.split_once('@') {
            Some((size, fps)) => (size, Some(fps)),
            None => (rest, None),
        };
        if let Some(format) = format {
            self.format = Some(PixelFormat::from_four_characters(format).ok_or_else(wrong)?);
        }
        if let Some(fps) = fps {
            let fps: f64 = fps.parse().map_err(|_| wrong())?;
            if !(fps.is_finite() && fps > 0.0) {
                return Err(wrong());
            }
            self.fps = Some(fps);
        }
        if !size.is_empty() {
            let (width, height) = size.split_once('x').ok_or_else(wrong)?;
            let number = |t: &str| t.parse::<u32>().ok().filter(|&n| n > 0).ok_or_else(wrong);
            self.size = Some((number(width)?, number(height)?));
        }
        Ok(self)
    }
}

/// What the child process is told to do.
#[derive(Debug, Serialize, Deserialize)]
enum Task {
    /// Describe all cameras.
    List,
    /// Stream from one.
    Stream {
        /// Index, identity or name.
        camera: String,
        wish: CameraWish,
        /// A mode already agreed upon, after the child was replaced.
        again: Option<Mode>,
        /// Streams through nokhwa where another way would be taken, so that this way is tested too.
        through_nokhwa: bool,
    },
}

/// All cameras of this machine, in the order of their index.
///
/// # Errors
/// This build reads no cameras, or the camera process gave no answer.
pub fn cameras() -> Result<Vec<CameraDescription>, CaptureError> {
    if !BUILT_IN {
        return Err(CaptureError::NoCameras);
    }
    live::list()
}

/// The child process: does what `task` says and writes the answer to standard output. Never returns before its standard input is closed or it is done.
#[must_use]
pub fn camera_process(task: &str) -> ExitCode {
    let task: Result<Task, _> = serde_json::from_str(task);
    match task {
        #[cfg(any(feature = "webcam", not(target_os = "linux")))]
        Ok(task) => worker::run(&task),
        _ => ExitCode::from(2),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn modes_are_read_as_they_are_printed() {
        let mode = Mode {
            format: PixelFormat::Yuyv,
            width: 640,
            height: 480,
            interval: (1001, 30000),
        };
        assert_eq!(mode.to_string(), "640x480@29.97:YUYV");
        let wish = CameraWish::default().with_mode(&mode.to_string()).unwrap();
        assert_eq!(wish.size, Some((640, 480)));
        assert_eq!(wish.format, Some(PixelFormat::Yuyv));
        assert!((wish.fps.unwrap() - 29.97).abs() < 1e-9);
        for part in ["1280x720", "@50", ":GREY", "640x480:mjpeg", ":Y16"] {
            CameraWish::default().with_mode(part).unwrap();
        }
        for wrong in [
            "640",
            "640x",
            "x480",
            "0x480",
            "@-5",
            "@",
            ":XYZW",
            "640x480@nan",
        ] {
            let said = CameraWish::default().with_mode(wrong).unwrap_err();
            assert!(said.contains(wrong), "{said}");
        }
    }
}
