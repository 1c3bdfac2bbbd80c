//! Cameras under Linux: found by nokhwa, described and read through V4L2, whose buffers say how much of them is used, which frame they
//! hold, when it was taken and whether the driver doubts it.

use std::io::{self, ErrorKind};
use std::time::Duration;

use v4l::buffer::{Flags as BufferFlags, Type};
use v4l::capability::Flags as Capability;
use v4l::control::{Control as Setting, Description, Flags as ControlFlags, Value};
use v4l::format::{Colorspace, FieldOrder, Quantization};
use v4l::frameinterval::FrameIntervalEnum;
use v4l::framesize::FrameSizeEnum;
use v4l::io::traits::CaptureStream;
use v4l::prelude::MmapStream;
use v4l::video::Capture;
use v4l::video::capture::Parameters;
use v4l::{Device, Format, FourCC, Fraction};

use super::pixels::Layout;
use super::wire::Locked;
use super::worker::{Camera, Grabbed, Trouble, Unopened};
use super::{CameraDescription, CameraWish, Control, ControlName, Mode, PixelFormat, modes};

use crate::basics::fault::said;

/// Buffers that the driver fills in turn.
const BUFFERS: u32 = 4;
/// Silence after which the process says that it is alive.
const SILENCE: Duration = Duration::from_millis(1000);
/// Sizes and rates that are named of a camera that takes any.
const USUAL_SIZES: [(u32, u32); 6] = [
    (320, 240),
    (640, 480),
    (800, 600),
    (1280, 720),
    (1280, 960),
    (1920, 1080),
];
const USUAL_RATES: [u32; 5] = [10, 15, 25, 30, 60];

// Error numbers of the kernel, from asm-generic/errno-base.h.
const EBUSY: i32 = 16;
const ENODEV: i32 = 19;

// Ids of linux/v4l2-controls.h.
const EXPOSURE_MODE: u32 = 0x009a_0901;
const EXPOSURE_MODE_MANUAL: i64 = 1;
const EXPOSURE_MAY_SLOW_DOWN: u32 = 0x009a_0903;

/// The ids of one control: its value, what makes it automatic, and the value of that which leaves it alone.
struct Ids {
    control: ControlName,
    value: u32,
    automatic: u32,
    manual: i64,
}

const IDS: [Ids; 4] = [
    Ids {
        control: ControlName::Exposure,
        value: 0x009a_0902,
        automatic: EXPOSURE_MODE,
        manual: EXPOSURE_MODE_MANUAL,
    },
    Ids {
        control: ControlName::Gain,
        value: 0x0098_0913,
        automatic: 0x0098_0912,
        manual: 0,
    },
    Ids {
        control: ControlName::WhiteBalance,
        value: 0x0098_091a,
        automatic: 0x0098_090c,
        manual: 0,
    },
    Ids {
        control: ControlName::Focus,
        value: 0x009a_090a,
        automatic: 0x009a_090c,
        manual: 0,
    },
];

/// A device node that nokhwa found.
struct Node {
    index: u32,
    name: String,
}

/// All nodes, by their index.
fn nodes() -> Vec<Node> {
    // The finding panics over names of devices that it does not expect; then the usual names are tried one by one.
    let found = std::panic::catch_unwind(|| nokhwa::query(nokhwa::utils::ApiBackend::Video4Linux));
    let mut nodes: Vec<Node> = match found {
        Ok(Ok(cameras)) => cameras
            .iter()
            .filter_map(|camera| {
                Some(Node {
                    index: camera.index().as_index().ok()?,
                    name: camera.human_name(),
                })
            })
            .collect(),
        _ => (0..64)
            .filter(|index| std::path::Path::new(&format!("/dev/video{index}")).exists())
            .map(|index| Node {
                index,
                name: String::new(),
            })
            .collect(),
    };
    nodes.sort_by_key(|node| node.index);
    nodes.dedup_by_key(|node| node.index);
    nodes
}

/// A node that gives pictures, opened.
struct Opened {
    device: Device,
    name: String,
    identity: String,
}

/// What a node turned out to be.
enum Kind {
    Pictures(Opened),
    /// It carries something else, such as metadata; with its name and identity.
    Other(String, String),
}

fn look_at(node: &Node) -> io::Result<Kind> {
    let device = Device::new(node.index as usize)?;
    let about = device.query_caps()?;
    let name = if about.card.is_empty() {
        node.name.clone()
    } else {
        about.card
    };
    if about.capabilities.contains(Capability::VIDEO_CAPTURE)
        && about.capabilities.contains(Capability::STREAMING)
    {
        Ok(Kind::Pictures(Opened {
            device,
            name,
            identity: about.bus,
        }))
    } else {
        Ok(Kind::Other(name, about.bus))
    }
}

fn unopenable(index: u32, name: &str, error: &io::Error) -> Unopened {
    let shown = if name.is_empty() {
        format!("camera:{index}")
    } else {
        format!("camera:{index} ({name})")
    };
    match error.kind() {
        ErrorKind::PermissionDenied => Unopened::Refused(format!(
            "{shown} may not be opened by this user; run `sudo usermod -aG video $USER`, log out and in again"
        )),
        ErrorKind::NotFound => Unopened::Absent(format!("{shown} is not there; plug it in")),
        _ if error.raw_os_error() == Some(EBUSY) => Unopened::Absent(format!(
            "{shown} is in use by another program; close that program and try again"
        )),
        _ => Unopened::Absent(format!(
            "{shown} cannot be used ({error}); plug it in again and try once more",
            error = said(error)
        )),
    }
}

/// Describes all cameras.
pub(super) fn list() -> Result<Vec<CameraDescription>, String> {
    let mut cameras = Vec::new();
    for node in nodes() {
        match look_at(&node) {
            Ok(Kind::Pictures(opened)) => {
                let modes = modes_of(&opened.device);
                let chosen = modes::choose(&modes, &CameraWish::default());
                let trouble = chosen
                    .as_ref()
                    .err()
                    .map(|what| format!("camera:{} ({}) {what}", node.index, opened.name));
                cameras.push(CameraDescription {
                    index: node.index,
                    name: opened.name,
                    identity: opened.identity,
                    modes,
                    chosen: chosen.ok(),
                    controls: controls_of(&opened.device),
                    trouble,
                });
            }
            Ok(Kind::Other(..)) => {}
            Err(error) => cameras.push(CameraDescription {
                index: node.index,
                trouble: Some(
                    unopenable(node.index, &node.name, &error)
                        .sentence()
                        .to_owned(),
                ),
                name: node.name,
                identity: String::new(),
                modes: Vec::new(),
                chosen: None,
                controls: Vec::new(),
            }),
        }
    }
    Ok(cameras)
}

/// Opens a camera by its index, its identity or a part of its name.
pub(super) fn open(
    wanted: &str,
    wish: &CameraWish,
    again: Option<Mode>,
) -> Result<Box<dyn Camera>, Unopened> {
    let (index, opened) = find(wanted)?;
    let failed = |error: &io::Error| unopenable(index, &opened.name, error);
    let offered = modes_of(&opened.device);
    let mode = match again {
        Some(mode) => mode,
        None => modes::choose(&offered, wish).map_err(|what| {
            Unopened::Refused(format!(
                "camera:{index} ({}) {what}; give one of them with --mode",
                opened.name
            ))
        })?,
    };
    let layout = set_mode(&opened.device, mode).map_err(|error| match error {
        NotSet::Io(error) => failed(&error),
        NotSet::Other(got) => Unopened::Refused(format!(
            "camera:{index} ({}) took {got} where {mode} was asked for; give another mode with --mode",
            opened.name
        )),
    })?;
    let stream = MmapStream::with_buffers(&opened.device, Type::VideoCapture, BUFFERS)
        .map_err(|error| failed(&error))?;
    let mut camera = V4l {
        index,
        opened,
        layout,
        stream,
        missed: false,
    };
    // Some drivers say only when the stream starts that another program has the camera.
    camera.stream.set_timeout(SILENCE);
    if let Err(error) = camera.first()
        && error.kind() != ErrorKind::TimedOut
    {
        let sentence = unopenable(index, &camera.opened.name, &error);
        // A stream that never ran may refuse to be stopped, which the library answers with a panic.
        let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| drop(camera)));
        return Err(sentence);
    }
    Ok(Box::new(camera))
}

fn find(wanted: &str) -> Result<(u32, Opened), Unopened> {
    let nodes = nodes();
    let mut cameras = Vec::new();
    let mut others = Vec::new();
    let number: Option<u32> = wanted.parse().ok();
    for node in &nodes {
        match look_at(node) {
            Ok(Kind::Pictures(opened)) => cameras.push((node.index, opened)),
            Ok(Kind::Other(name, identity)) => others.push((node.index, name, identity)),
            Err(error) if number == Some(node.index) => {
                return Err(unopenable(node.index, &node.name, &error));
            }
            Err(_) => {}
        }
    }
    let there = if cameras.is_empty() {
        "no camera is plugged in".to_owned()
    } else {
        let list: Vec<String> = cameras
            .iter()
            .map(|(index, opened)| format!("camera:{index} ({}, {})", opened.name, opened.identity))
            .collect();
        format!("this machine has {}", list.join(", "))
    };
    if let Some(number) = number {
        if let Some((_, name, identity)) = others.iter().find(|(index, ..)| *index == number) {
            let sibling = cameras
                .iter()
                .find(|(_, opened)| opened.identity == *identity)
                .map_or(there, |(index, _)| format!("give camera:{index}"));
            return Err(Unopened::Refused(format!(
                "camera:{number} is a channel of {name} that carries no pictures; {sibling}"
            )));
        }
        return cameras
            .into_iter()
            .find(|(index, _)| *index == number)
            .ok_or_else(|| {
                Unopened::Absent(format!(
                    "camera:{number} is not there, {there}; plug it in or give another number"
                ))
            });
    }
    let exact = cameras
        .iter()
        .filter(|(_, opened)| opened.identity == wanted)
        .count();
    let lower = wanted.to_lowercase();
    let mut fitting: Vec<(u32, Opened)> = cameras
        .into_iter()
        .filter(|(_, opened)| {
            if exact > 0 {
                opened.identity == wanted
            } else {
                !lower.is_empty() && opened.name.to_lowercase().contains(&lower)
            }
        })
        .collect();
    if fitting.len() > 1 {
        let list: Vec<String> = fitting
            .iter()
            .map(|(index, opened)| format!("camera:{index} ({})", opened.name))
            .collect();
        return Err(Unopened::Refused(format!(
            "camera:{wanted} may be any of {}; give one of these numbers",
            list.join(", ")
        )));
    }
    fitting.pop().ok_or_else(|| {
        Unopened::Absent(format!(
            "camera:{wanted} is not there, {there}; plug it in or give another name"
        ))
    })
}

/// All modes that can be read here.
fn modes_of(device: &Device) -> Vec<Mode> {
    let mut modes = Vec::new();
    let formats = device.enum_formats().unwrap_or_default();
    let present = device.format().ok();
    for description in formats {
        let Some(format) = description
            .fourcc
            .str()
            .ok()
            .and_then(PixelFormat::from_four_characters)
        else {
            continue;
        };
        let mut sizes = Vec::new();
        for size in device
            .enum_framesizes(description.fourcc)
            .unwrap_or_default()
        {
            match size.size {
                FrameSizeEnum::Discrete(size) => sizes.push((size.width, size.height)),
                FrameSizeEnum::Stepwise(range) => {
                    let on_step = |n: u32, min: u32, max: u32, step: u32| {
                        (min..=max).contains(&n) && (n - min).is_multiple_of(step.max(1))
                    };
                    sizes.extend(USUAL_SIZES.into_iter().filter(|&(width, height)| {
                        on_step(width, range.min_width, range.max_width, range.step_width)
                            && on_step(
                                height,
                                range.min_height,
                                range.max_height,
                                range.step_height,
                            )
                    }));
                }
            }
        }
        // A driver that names no sizes has the one that it is set to.
        if let (true, Some(present)) = (sizes.is_empty(), &present)
            && present.fourcc == description.fourcc
        {
            sizes.push((present.width, present.height));
        }
        for (width, height) in sizes {
            for interval in intervals(device, description.fourcc, width, height) {
                modes.push(Mode {
                    format,
                    width,
                    height,
                    interval,
                });
            }
        }
    }
    modes
}

fn intervals(device: &Device, fourcc: FourCC, width: u32, height: u32) -> Vec<(u32, u32)> {
    let mut intervals = Vec::new();
    for interval in device
        .enum_frameintervals(fourcc, width, height)
        .unwrap_or_default()
    {
        match interval.interval {
            FrameIntervalEnum::Discrete(one) => {
                intervals.push((one.numerator, one.denominator));
            }
            FrameIntervalEnum::Stepwise(range) => {
                let seconds =
                    |f: Fraction| f64::from(f.numerator) / f64::from(f.denominator.max(1));
                let (shortest, longest) = (seconds(range.min), seconds(range.max));
                intervals.extend(USUAL_RATES.iter().filter_map(|&rate| {
                    let one = 1.0 / f64::from(rate);
                    (one >= shortest && one <= longest).then_some((1, rate))
                }));
            }
        }
    }
    if intervals.is_empty() {
        let present = device.params().ok().map(|p| p.interval);
        intervals.push(present.map_or((0, 0), |one| (one.numerator, one.denominator)));
    }
    intervals
}

enum NotSet {
    Io(io::Error),
    /// The camera took something else.
    Other(String),
}

impl From<io::Error> for NotSet {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

fn set_mode(device: &Device, mode: Mode) -> Result<Layout, NotSet> {
    let code = mode.format.four_characters().as_bytes();
    let fourcc = FourCC::new(code.first_chunk::<4>().unwrap_or(b"    "));
    let got = device.set_format(&Format::new(mode.width, mode.height, fourcc))?;
    if (got.width, got.height) != (mode.width, mode.height) || got.fourcc != fourcc {
        return Err(NotSet::Other(format!(
            "{}x{}:{}",
            got.width, got.height, got.fourcc
        )));
    }
    if !matches!(got.field_order, FieldOrder::Progressive | FieldOrder::Any) {
        return Err(NotSet::Other("interlaced pictures".to_owned()));
    }
    let mut mode = mode;
    if mode.interval.0 > 0 {
        let wanted = Fraction::new(mode.interval.0, mode.interval.1);
        // A camera that knows no rates has one of its own; the frames' own times count anyway.
        if let Ok(set) = device.set_params(&Parameters::new(wanted))
            && set.interval.numerator > 0
        {
            mode.interval = (set.interval.numerator, set.interval.denominator);
        }
    }
    let mut layout = Layout::packed(mode, full_range(&got, mode.format));
    layout.stride = layout.stride.max(got.stride);
    Ok(layout)
}

/// Whether luma fills all levels: as the driver says, else limited for luma with chroma (linux/videodev2.h, the default quantization), full for grey.
fn full_range(format: &Format, pixels: PixelFormat) -> bool {
    match format.quantization {
        Quantization::FullRange => true,
        Quantization::LimitedRange => false,
        Quantization::Default => {
            !matches!(
                pixels,
                PixelFormat::Yuyv | PixelFormat::Uyvy | PixelFormat::Nv12
            ) || matches!(format.colorspace, Colorspace::JPEG)
        }
    }
}

fn controls_of(device: &Device) -> Vec<Control> {
    let all = described(device);
    IDS.iter()
        .filter_map(|ids| {
            let value = all.iter().find(|d| d.id == ids.value);
            let automatic = all.iter().find(|d| d.id == ids.automatic);
            (value.is_some() || automatic.is_some()).then(|| Control {
                control: ids.control,
                lockable: lockable(ids, automatic),
                automatic: automatic
                    .and_then(|_| get(device, ids.automatic))
                    .map(|mode| mode != ids.manual),
                value: value.and_then(|_| get(device, ids.value)),
                range: value.map(|d| {
                    (
                        d.minimum,
                        d.maximum,
                        i64::try_from(d.step).unwrap_or(i64::MAX),
                    )
                }),
            })
        })
        .collect()
}

/// The controls of a device that can be used; a device without any has an empty list, which the system calls an error.
fn described(device: &Device) -> Vec<Description> {
    let mut all = device.query_controls().unwrap_or_default();
    all.retain(|d| {
        !d.flags
            .intersects(ControlFlags::DISABLED | ControlFlags::READ_ONLY)
    });
    all
}

/// Whether a control can be told to stay: it has no automatic, or one that can be turned off.
fn lockable(ids: &Ids, automatic: Option<&Description>) -> bool {
    automatic.is_none_or(|d| match &d.items {
        Some(items) => items.iter().any(|(at, _)| i64::from(*at) == ids.manual),
        None => (d.minimum..=d.maximum).contains(&ids.manual),
    })
}

fn get(device: &Device, id: u32) -> Option<i64> {
    match device.control(id).ok()?.value {
        Value::Integer(value) => Some(value),
        Value::Boolean(value) => Some(i64::from(value)),
        _ => None,
    }
}

fn set(device: &Device, id: u32, value: i64) {
    // Drivers report values as refused that they have taken, and the other way round: what counts is what is read back.
    let _ = device.set_control(Setting {
        id,
        value: Value::Integer(value),
    });
}

/// A camera that streams.
struct V4l {
    index: u32,
    opened: Opened,
    layout: Layout,
    stream: MmapStream<'static>,
    /// Whether a wait ran out, after which a buffer is missing from the driver's queue.
    missed: bool,
}

impl V4l {
    /// Starts the stream with its first frame, which is not looked at: it may be of the mode before.
    fn first(&mut self) -> io::Result<()> {
        let first = self.stream.next().map(|_| ());
        if let Err(error) = &first {
            self.missed = error.kind() == ErrorKind::TimedOut;
        }
        first
    }

    fn trouble(error: &io::Error) -> Trouble {
        match error.kind() {
            ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::WouldBlock => {
                Trouble::Silence
            }
            _ if error.raw_os_error() == Some(ENODEV) => Trouble::Gone("was pulled out".to_owned()),
            _ => Trouble::Gone(format!("failed ({})", said(error))),
        }
    }
}

impl Camera for V4l {
    fn who(&self) -> (u32, String, String) {
        (
            self.index,
            self.opened.name.clone(),
            self.opened.identity.clone(),
        )
    }

    fn layout(&self) -> Layout {
        self.layout
    }

    fn next(&mut self) -> Result<Grabbed<'_>, Trouble> {
        if self.missed {
            // The frame that ends a silence cannot be had from this library, only taken from the queue; it counts as lost.
            self.stream
                .dequeue()
                .map_err(|error| Self::trouble(&error))?;
            self.missed = false;
        }
        match self.stream.next() {
            Ok((buffer, about)) => {
                let used = (about.bytesused as usize).min(buffer.len());
                let stamp = about.timestamp;
                // Stamps that the sender copied from elsewhere may be of any clock; of the others the measuring side judges.
                let own =
                    (about.flags & BufferFlags::TIMESTAMP_MASK) != BufferFlags::TIMESTAMP_COPY;
                let ns = u64::try_from(stamp.sec)
                    .ok()
                    .zip(u64::try_from(stamp.usec).ok())
                    .map(|(s, us)| s.saturating_mul(1_000_000_000).saturating_add(us * 1000));
                Ok(Grabbed {
                    data: buffer.get(..used).unwrap_or_default(),
                    sequence: Some(about.sequence),
                    stamp_ns: ns.filter(|_| own).unwrap_or(0),
                    faulty: about
                        .flags
                        .contains(BufferFlags::ERROR)
                        .then(|| "is marked as faulty by the driver".to_owned()),
                })
            }
            Err(error) => {
                self.missed = error.kind() == ErrorKind::TimedOut;
                Err(Self::trouble(&error))
            }
        }
    }

    fn automatic(&mut self) -> bool {
        controls_of(&self.opened.device)
            .iter()
            .any(|control| control.automatic == Some(true))
    }

    fn lock(&mut self, wish: &CameraWish) -> Vec<Locked> {
        let device = &self.opened.device;
        let all = described(device);
        let has = |id: u32| all.iter().any(|d| d.id == id);
        if has(EXPOSURE_MAY_SLOW_DOWN) {
            set(device, EXPOSURE_MAY_SLOW_DOWN, 0);
        }
        IDS.iter()
            .map(|ids| {
                let asked = wish
                    .values
                    .iter()
                    .rev()
                    .find(|(control, _)| *control == ids.control)
                    .map(|(_, value)| *value);
                // Read before the automatic is turned off: some cameras fall back to an old value there.
                let found = get(device, ids.value).filter(|_| has(ids.value));
                if has(ids.automatic) && get(device, ids.automatic) != Some(ids.manual) {
                    set(device, ids.automatic, ids.manual);
                }
                let wanted = asked.or(found);
                if let (true, Some(value)) = (has(ids.value), wanted)
                    && get(device, ids.value) != Some(value)
                {
                    set(device, ids.value, value);
                }
                Locked {
                    control: ids.control,
                    asked,
                    found,
                    value: get(device, ids.value).filter(|_| has(ids.value)),
                    locked: !has(ids.automatic) || get(device, ids.automatic) == Some(ids.manual),
                    there: has(ids.value) || has(ids.automatic),
                }
            })
            .collect()
    }
}
