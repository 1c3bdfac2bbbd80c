//! The camera's own process: opens the camera, locks its controls, and sends what the driver gives through standard output.
//!
//! It ends when its standard input is closed, so that it never outlives the measurement, however that ended.

use std::io::{self, Write};
use std::time::{Duration, Instant};

use super::pixels::Layout;
use super::wire::{self, Hello, Locked, Message};
use super::{CameraWish, Mode};

/// How long automatic controls get to settle before they are locked.
const SETTLE: Duration = Duration::from_millis(1200);
/// Frames after the locking that may still be under the old controls; they are not sent.
const FRAMES_UNDER_OLD_CONTROLS: u32 = 3;
/// Time between two looks at whether somebody else changed a control.
const BETWEEN_CHECKS: Duration = Duration::from_secs(5);
/// Pause between attempts to find a camera again.
const BEFORE_RETRY: Duration = Duration::from_millis(400);

/// A frame as the driver gave it.
pub(super) struct Grabbed<'a> {
    /// The used part of the buffer.
    pub(super) data: &'a [u8],
    /// The driver's count of frames; none where it does not count.
    pub(super) sequence: Option<u32>,
    /// Time on a steady clock, ns; 0 where the driver gives none.
    pub(super) stamp_ns: u64,
    /// Why the frame is of no use, as the rest of a sentence.
    pub(super) faulty: Option<String>,
}

/// Why there is no frame.
#[derive(Debug)]
pub(super) enum Trouble {
    /// Nothing came in time; ask again.
    Silence,
    /// The camera is not there any more, or failed; it may come back. A clause: what happened.
    Gone(String),
}

/// Why a camera could not be opened.
#[derive(Debug)]
pub(super) enum Unopened {
    /// It is not there, or somebody has it; that may change. One sentence.
    Absent(String),
    /// It will never work this way. One sentence.
    Refused(String),
}

impl Unopened {
    pub(super) fn sentence(&self) -> &str {
        match self {
            Self::Absent(text) | Self::Refused(text) => text,
        }
    }
}

/// A camera that is open; all that differs between systems.
pub(super) trait Camera {
    /// Index, name and identity.
    fn who(&self) -> (u32, String, String);

    /// How the frames are laid out.
    fn layout(&self) -> Layout;

    /// The next frame; waits about a second at most where the system can.
    fn next(&mut self) -> Result<Grabbed<'_>, Trouble>;

    /// Whether any control is automatic at present.
    fn automatic(&mut self) -> bool;

    /// Locks all controls at the wished values, or where they stand, and reads them back.
    fn lock(&mut self, wish: &CameraWish) -> Vec<Locked>;
}

/// Opens a camera by index, identity or name, in the mode to be had again or as wished.
pub(super) type Open<'a> =
    dyn FnMut(&str, &CameraWish, Option<Mode>) -> Result<Box<dyn Camera>, Unopened> + 'a;

/// Does what the task says.
#[cfg(any(feature = "webcam", not(target_os = "linux")))]
pub(super) fn run(task: &super::Task) -> std::process::ExitCode {
    use super::Task;
    #[cfg(target_os = "linux")]
    use super::linux as own;
    #[cfg(not(target_os = "linux"))]
    use super::through_nokhwa as own;

    // A stroke of Ctrl-C reaches both processes; this one ends with the other.
    let _ = ctrlc::set_handler(|| {});
    crate::capture::end_with_standard_input();
    let mut out = io::stdout().lock();
    let sent = match task {
        Task::List => {
            let list = own::list();
            let message = match list {
                Ok(cameras) => Message::List(cameras),
                Err(text) => Message::Failed(text),
            };
            wire::send(&mut out, &message)
        }
        Task::Stream {
            camera,
            wish,
            again,
            through_nokhwa,
        } => {
            let mut open = |name: &str, wish: &CameraWish, again: Option<Mode>| {
                if *through_nokhwa {
                    super::through_nokhwa::open(name, wish, again)
                } else {
                    own::open(name, wish, again)
                }
            };
            stream(&mut out, camera, wish, *again, &mut open)
        }
    };
    // Left at once: a driver that cannot stop must not hold up the end, and the system closes all.
    std::process::exit(i32::from(sent.is_err()));
}

/// Streams from a camera until the pipe is closed; finds it again when it was gone.
fn stream(
    out: &mut dyn Write,
    name: &str,
    wish: &CameraWish,
    again: Option<Mode>,
    open: &mut Open<'_>,
) -> io::Result<()> {
    let mut name = name.to_owned();
    let mut wish = wish.clone();
    let mut again = again;
    let mut number = 0;
    wire::send(out, &Message::Alive)?;
    loop {
        let mut camera = match open(&name, &wish, again) {
            Ok(camera) => camera,
            Err(Unopened::Absent(_)) if again.is_some() => {
                wire::send(out, &Message::Alive)?;
                std::thread::sleep(BEFORE_RETRY);
                continue;
            }
            Err(error) => {
                return wire::send(out, &Message::Failed(error.sentence().to_owned()));
            }
        };
        let was_there = again.is_some();
        let locked = settle_and_lock(out, &mut *camera, &wish, !was_there)?;
        let (index, shown, identity) = camera.who();
        let layout = camera.layout();
        // Should it vanish, the same camera is looked for, wherever the system puts it, and set as it was.
        again = Some(layout.mode);
        name.clone_from(&identity);
        wish.values.extend(
            locked
                .iter()
                .filter_map(|lock| Some((lock.control, lock.value?))),
        );
        let hello = Hello {
            index,
            name: shown.clone(),
            identity,
            layout,
            locked: locked.clone(),
        };
        wire::send(out, &Message::Hello(Box::new(hello)))?;
        if was_there {
            let back = format!("camera:{index} ({shown}) is back");
            wire::send(out, &Message::Note("camera-back".to_owned(), back))?;
        }
        let why = relay(out, &mut *camera, &wish, &locked, &mut number)?;
        let gone = format!(
            "camera:{index} ({shown}) {why}; plug it in again, the measurement goes on when it is back"
        );
        wire::send(out, &Message::Gone(gone))?;
        drop(camera);
        std::thread::sleep(BEFORE_RETRY);
    }
}

fn settle_and_lock(
    out: &mut dyn Write,
    camera: &mut dyn Camera,
    wish: &CameraWish,
    settle: bool,
) -> io::Result<Vec<Locked>> {
    if wish.automatic {
        return Ok(Vec::new());
    }
    wire::send(out, &Message::Alive)?;
    if settle && camera.automatic() {
        let until = Instant::now() + SETTLE;
        while Instant::now() < until {
            if matches!(camera.next(), Err(Trouble::Gone(_))) {
                break;
            }
            wire::send(out, &Message::Alive)?;
        }
    }
    let locked = camera.lock(wish);
    if settle && locked.iter().any(|lock| lock.there) {
        for _ in 0..FRAMES_UNDER_OLD_CONTROLS {
            if camera.next().is_err() {
                break;
            }
        }
    }
    Ok(locked)
}

/// Sends frames until the camera is gone, and says why it is.
fn relay(
    out: &mut dyn Write,
    camera: &mut dyn Camera,
    wish: &CameraWish,
    locked: &[Locked],
    number: &mut u64,
) -> io::Result<String> {
    let least = camera.layout().least_bytes();
    let mut last_sequence = None;
    let mut checked = Instant::now();
    loop {
        match camera.next() {
            Ok(grabbed) => {
                let lost = lost_between(last_sequence, grabbed.sequence);
                last_sequence = grabbed.sequence;
                *number += u64::from(lost) + 1;
                let short = (grabbed.data.len() < least)
                    .then(|| format!("was cut off after {} of {least} bytes", grabbed.data.len()));
                if let Some(why) = grabbed.faulty.or(short) {
                    wire::send(
                        out,
                        &Message::Faulty {
                            lost_before: lost,
                            why,
                        },
                    )?;
                } else {
                    wire::send_frame(out, lost, *number, grabbed.stamp_ns, grabbed.data)?;
                }
            }
            Err(Trouble::Silence) => wire::send(out, &Message::Alive)?,
            Err(Trouble::Gone(why)) => return Ok(why),
        }
        if checked.elapsed() > BETWEEN_CHECKS && !wish.automatic {
            checked = Instant::now();
            let now = camera.lock(wish);
            let (index, name, _) = camera.who();
            for (was, is) in locked.iter().zip(&now) {
                let (Some(locked_at), Some(found)) = (was.value, is.found) else {
                    continue;
                };
                if locked_at != found {
                    let what = was.control.words();
                    let back = if is.value == was.value {
                        "was set back"
                    } else {
                        "cannot be set back"
                    };
                    let told = format!(
                        "camera:{index} ({name}): the {what} was changed from {locked_at} to {found} from outside and {back}; keep other programs away from the camera"
                    );
                    wire::send(
                        out,
                        &Message::Note("camera-controls-changed".to_owned(), told),
                    )?;
                }
            }
        }
    }
}

/// Frames that the driver counted between two that it gave; a count that stands still or leaps says nothing.
fn lost_between(last: Option<u32>, now: Option<u32>) -> u32 {
    const LEAP: u32 = 10_000;
    let (Some(last), Some(now)) = (last, now) else {
        return 0;
    };
    match now.wrapping_sub(last) {
        0 => 0,
        step if step <= LEAP => step - 1,
        _ => 0,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::PixelFormat;
    use super::*;

    /// A camera that gives what it was told to, then is gone.
    struct Played {
        frames: Vec<(u32, usize, Option<&'static str>)>,
        at: usize,
        data: Vec<u8>,
    }

    fn layout() -> Layout {
        Layout::packed(
            Mode {
                format: PixelFormat::Grey,
                width: 4,
                height: 2,
                interval: (1, 30),
            },
            true,
        )
    }

    impl Camera for Played {
        fn who(&self) -> (u32, String, String) {
            (0, "played".to_owned(), "stage".to_owned())
        }
        fn layout(&self) -> Layout {
            layout()
        }
        fn next(&mut self) -> Result<Grabbed<'_>, Trouble> {
            let Some(&(sequence, bytes, faulty)) = self.frames.get(self.at) else {
                return Err(Trouble::Gone("was pulled".to_owned()));
            };
            self.at += 1;
            if bytes == 0 {
                return Err(Trouble::Silence);
            }
            self.data = vec![sequence as u8; bytes];
            Ok(Grabbed {
                data: &self.data,
                sequence: Some(sequence),
                stamp_ns: 0,
                faulty: faulty.map(str::to_owned),
            })
        }
        fn automatic(&mut self) -> bool {
            false
        }
        fn lock(&mut self, _: &CameraWish) -> Vec<Locked> {
            Vec::new()
        }
    }

    #[test]
    fn gaps_are_counted_faults_marked_and_a_lost_camera_found_again() {
        let mut takes = vec![
            vec![(0, 8, None)],
            vec![
                (u32::MAX - 1, 8, None),
                (u32::MAX, 0, None),
                (1, 8, None),
                (2, 7, None),
                (5, 8, Some("is flagged")),
            ],
        ];
        let mut asked = Vec::new();
        let mut tries = 0;
        let mut open = |name: &str, _: &CameraWish, again: Option<Mode>| {
            asked.push((name.to_owned(), again.is_some()));
            tries += 1;
            match tries {
                2 => Err(Unopened::Absent("not yet".to_owned())),
                4 => Err(Unopened::Refused("it is over".to_owned())),
                _ => Ok(Box::new(Played {
                    frames: takes.pop().unwrap(),
                    at: 0,
                    data: Vec::new(),
                }) as Box<dyn Camera>),
            }
        };
        let mut pipe = Vec::new();
        stream(&mut pipe, "0", &CameraWish::default(), None, &mut open).unwrap();
        let (mut from, mut body) = (pipe.as_slice(), Vec::new());
        let mut said = Vec::new();
        while let Some(message) = wire::receive(&mut from, &mut body).unwrap() {
            said.push(match message {
                Message::Hello(hello) => format!("hello {}", hello.identity),
                Message::Frame { lost_before, .. } => format!("frame {lost_before}"),
                Message::Faulty { lost_before, why } => format!("faulty {lost_before} {why}"),
                Message::Alive => continue,
                Message::Gone(_) => "gone".to_owned(),
                Message::Note(_, text) | Message::Failed(text) => text,
                Message::List(_) => "list".to_owned(),
            });
        }
        assert_eq!(
            said,
            [
                "hello stage",
                "frame 0",
                "frame 2",
                "faulty 0 was cut off after 7 of 8 bytes",
                "faulty 2 is flagged",
                "gone",
                "hello stage",
                "camera:0 (played) is back",
                "frame 0",
                "gone",
                "it is over"
            ]
        );
        assert_eq!(asked[0], ("0".to_owned(), false));
        assert_eq!(asked[1], ("stage".to_owned(), true));
    }

    #[test]
    fn a_count_that_stands_still_or_leaps_says_nothing() {
        assert_eq!(lost_between(None, Some(5)), 0);
        assert_eq!(lost_between(Some(5), Some(6)), 0);
        assert_eq!(lost_between(Some(5), Some(9)), 3);
        assert_eq!(lost_between(Some(u32::MAX), Some(1)), 1);
        assert_eq!(lost_between(Some(5), Some(5)), 0);
        assert_eq!(lost_between(Some(500_000), Some(0)), 0);
    }
}
