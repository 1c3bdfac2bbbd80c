//! Cameras through nokhwa: the way under macOS and Windows, and under Linux for tests of this way only.
//!
//! Its reading blocks without end when a camera stalls, and it tells neither the used length of a buffer nor lost or faulty frames: the measuring side
//! replaces the process after some seconds of silence, frames that are too short or that no strict decoder takes are left out, and lost frames stay uncounted.
//! Checked under Linux by `tests/camera-guest/run-all.sh`; nobody has run it under macOS or Windows yet.

use std::time::Duration;

use nokhwa::utils::{
    ApiBackend, CameraFormat, CameraInfo, ControlValueDescription, ControlValueSetter, FrameFormat,
    KnownCameraControl, KnownCameraControlFlag, RequestedFormat, RequestedFormatType, Resolution,
};
use nokhwa::{Buffer, NokhwaError};

use super::pixels::Layout;
use super::wire::Locked;
use super::worker::{Camera, Grabbed, Trouble, Unopened};
use super::{CameraDescription, CameraWish, Control, ControlName, Mode, PixelFormat, modes};

const CONTROLS: [(ControlName, KnownCameraControl); 4] = [
    (ControlName::Exposure, KnownCameraControl::Exposure),
    (ControlName::Gain, KnownCameraControl::Gain),
    (ControlName::WhiteBalance, KnownCameraControl::WhiteBalance),
    (ControlName::Focus, KnownCameraControl::Focus),
];

/// Longest wait for the user's word that the program may use cameras, where the system asks for it.
const PERMISSION_WAIT: Duration = Duration::from_secs(8);

fn format_of(format: FrameFormat) -> Option<PixelFormat> {
    match format {
        FrameFormat::MJPEG => Some(PixelFormat::MotionJpeg),
        FrameFormat::YUYV => Some(PixelFormat::Yuyv),
        FrameFormat::NV12 => Some(PixelFormat::Nv12),
        FrameFormat::GRAY => Some(PixelFormat::Grey),
        FrameFormat::RAWRGB | FrameFormat::RAWBGR => None,
    }
}

fn frame_format(format: PixelFormat) -> Option<FrameFormat> {
    match format {
        PixelFormat::MotionJpeg => Some(FrameFormat::MJPEG),
        PixelFormat::Yuyv => Some(FrameFormat::YUYV),
        PixelFormat::Nv12 => Some(FrameFormat::NV12),
        PixelFormat::Grey => Some(FrameFormat::GRAY),
        _ => None,
    }
}

fn found() -> Result<Vec<CameraInfo>, String> {
    if !nokhwa::nokhwa_check() {
        let (give, take) = std::sync::mpsc::sync_channel(1);
        nokhwa::nokhwa_initialize(move |allowed| {
            let _ = give.try_send(allowed);
        });
        if take.recv_timeout(PERMISSION_WAIT) != Ok(true) {
            return Err("this program may not use cameras; allow it in the system's settings of privacy and try again".to_owned());
        }
    }
    let mut cameras = nokhwa::query(ApiBackend::Auto).map_err(|error| {
        format!(
            "the system does not tell its cameras ({error}); plug them in again and try once more"
        )
    })?;
    cameras.sort_by_key(|camera| camera.index().as_index().unwrap_or(u32::MAX));
    Ok(cameras)
}

/// The system's own unchanging name of a camera, or what comes closest.
fn identity(camera: &CameraInfo) -> String {
    let misc = camera.misc();
    if misc.is_empty() {
        camera.human_name()
    } else {
        misc
    }
}

fn every_format() -> [FrameFormat; 4] {
    [
        FrameFormat::MJPEG,
        FrameFormat::YUYV,
        FrameFormat::NV12,
        FrameFormat::GRAY,
    ]
}

fn modes_of(camera: &mut nokhwa::Camera) -> Vec<Mode> {
    camera
        .compatible_camera_formats()
        .unwrap_or_default()
        .iter()
        .filter_map(|format| {
            Some(Mode {
                format: format_of(format.format())?,
                width: format.width(),
                height: format.height(),
                interval: (1, format.frame_rate()),
            })
        })
        .collect()
}

/// A camera with any mode, to ask what it can do; nothing is asked of the device that it may not have.
fn opened(info: &CameraInfo) -> Result<nokhwa::Camera, NokhwaError> {
    let formats = every_format();
    let any = RequestedFormat::with_formats(RequestedFormatType::None, &formats);
    nokhwa::Camera::new(info.index().clone(), any)
}

/// Describes all cameras.
#[cfg_attr(
    target_os = "linux",
    expect(dead_code, reason = "compiled everywhere, so that it does not rot")
)]
pub(super) fn list() -> Result<Vec<CameraDescription>, String> {
    let mut cameras = Vec::new();
    for (at, info) in found()?.iter().enumerate() {
        let index = info
            .index()
            .as_index()
            .unwrap_or(u32::try_from(at).unwrap_or(u32::MAX));
        let mut camera = CameraDescription {
            index,
            name: info.human_name(),
            identity: identity(info),
            modes: Vec::new(),
            chosen: None,
            controls: Vec::new(),
            trouble: None,
        };
        match opened(info) {
            Ok(mut open) => {
                camera.modes = modes_of(&mut open);
                camera.controls = controls_of(&open);
                match modes::choose(&camera.modes, &CameraWish::default()) {
                    Ok(mode) => camera.chosen = Some(mode),
                    Err(what) => {
                        camera.trouble = Some(format!("camera:{index} ({}) {what}", camera.name));
                    }
                }
            }
            Err(error) => {
                camera.trouble = Some(format!(
                    "camera:{index} ({}) cannot be used ({error}); close other programs that use it",
                    camera.name
                ));
            }
        }
        cameras.push(camera);
    }
    Ok(cameras)
}

fn controls_of(camera: &nokhwa::Camera) -> Vec<Control> {
    CONTROLS
        .iter()
        .filter_map(|&(control, known)| {
            let there = camera.camera_control(known).ok()?;
            let range = match there.description() {
                ControlValueDescription::IntegerRange { min, max, step, .. } => {
                    Some((*min, *max, *step))
                }
                _ => None,
            };
            Some(Control {
                control,
                lockable: !there.flag().contains(&KnownCameraControlFlag::ReadOnly),
                automatic: Some(there.flag().contains(&KnownCameraControlFlag::Automatic)),
                value: integer(there.description()),
                range,
            })
        })
        .collect()
}

fn integer(value: &ControlValueDescription) -> Option<i64> {
    match value {
        ControlValueDescription::Integer { value, .. }
        | ControlValueDescription::IntegerRange { value, .. }
        | ControlValueDescription::Enum { value, .. } => Some(*value),
        _ => None,
    }
}

/// Opens a camera by its index, its identity or a part of its name.
pub(super) fn open(
    wanted: &str,
    wish: &CameraWish,
    again: Option<Mode>,
) -> Result<Box<dyn Camera>, Unopened> {
    let cameras = found().map_err(Unopened::Refused)?;
    let lower = wanted.to_lowercase();
    let number: Option<u32> = wanted.parse().ok();
    let info = cameras
        .iter()
        .find(|camera| match number {
            Some(number) => camera.index().as_index().is_ok_and(|at| at == number),
            None => identity(camera) == wanted,
        })
        .or_else(|| {
            cameras.iter().find(|camera| {
                number.is_none()
                    && !lower.is_empty()
                    && camera.human_name().to_lowercase().contains(&lower)
            })
        });
    let Some(info) = info else {
        return Err(Unopened::Absent(format!(
            "camera:{wanted} is not there, this machine has {} cameras; `lineturn cameras` lists them",
            cameras.len()
        )));
    };
    let index = info.index().as_index().unwrap_or_default();
    let name = info.human_name();
    let failed = |error: NokhwaError| {
        Unopened::Absent(format!(
            "camera:{index} ({name}) cannot be used ({error}); close other programs that use it, or plug it in again"
        ))
    };
    let mut camera = opened(info).map_err(failed)?;
    let mode = match again {
        Some(mode) => mode,
        None => modes::choose(&modes_of(&mut camera), wish).map_err(|what| {
            Unopened::Refused(format!(
                "camera:{index} ({name}) {what}; give one of them with --mode"
            ))
        })?,
    };
    drop(camera);
    let format = frame_format(mode.format).ok_or_else(|| {
        Unopened::Refused(format!(
            "camera:{index} ({name}) cannot give {mode} here; give another mode with --mode"
        ))
    })?;
    let formats = [format];
    let rate = mode.fps().round() as u32;
    let exact = CameraFormat::new(Resolution::new(mode.width, mode.height), format, rate);
    let request = RequestedFormat::with_formats(RequestedFormatType::Exact(exact), &formats);
    let mut camera = nokhwa::Camera::new(info.index().clone(), request).map_err(failed)?;
    camera.open_stream().map_err(failed)?;
    Ok(Box::new(ThroughNokhwa {
        index,
        name,
        identity: identity(info),
        layout: Layout::packed(mode, false),
        camera,
        held: None,
    }))
}

/// A camera that streams.
struct ThroughNokhwa {
    index: u32,
    name: String,
    identity: String,
    layout: Layout,
    camera: nokhwa::Camera,
    held: Option<Buffer>,
}

impl Camera for ThroughNokhwa {
    fn who(&self) -> (u32, String, String) {
        (self.index, self.name.clone(), self.identity.clone())
    }

    fn layout(&self) -> Layout {
        self.layout
    }

    fn next(&mut self) -> Result<Grabbed<'_>, Trouble> {
        let buffer = self
            .camera
            .frame()
            .map_err(|error| Trouble::Gone(format!("failed ({error})")))?;
        // Its time stamps are of different clocks on different systems: the time of arrival is used.
        let buffer = self.held.insert(buffer);
        Ok(Grabbed {
            data: buffer.buffer(),
            sequence: None,
            stamp_ns: 0,
            faulty: None,
        })
    }

    fn automatic(&mut self) -> bool {
        CONTROLS.iter().any(|&(_, known)| {
            self.camera
                .camera_control(known)
                .is_ok_and(|control| control.flag().contains(&KnownCameraControlFlag::Automatic))
        })
    }

    fn lock(&mut self, wish: &CameraWish) -> Vec<Locked> {
        CONTROLS
            .iter()
            .map(|&(control, known)| {
                let before = self.camera.camera_control(known).ok();
                let found = before.as_ref().and_then(|c| integer(c.description()));
                let asked = wish
                    .values
                    .iter()
                    .rev()
                    .find(|(name, _)| *name == control)
                    .map(|(_, value)| *value);
                if let Some(value) = asked.or(found) {
                    // Setting a value is what turns the automatic off.
                    let value = ControlValueSetter::Integer(value);
                    let _ = self.camera.set_camera_control(known, value);
                }
                let after = self.camera.camera_control(known).ok();
                Locked {
                    control,
                    asked,
                    found,
                    value: after.as_ref().and_then(|c| integer(c.description())),
                    locked: after
                        .as_ref()
                        .is_some_and(|c| !c.flag().contains(&KnownCameraControlFlag::Automatic)),
                    there: after.is_some(),
                }
            })
            .collect()
    }
}
