//! What live sources share: a short queue that keeps the newest frames, and their delivery with times, losses and numbers.

use std::collections::VecDeque;
use std::time::Duration;

use super::clock::FrameClock;
use super::jpeg::Jpeg;
use super::record::Recording;
use super::{CaptureError, Next};
use crate::basics::frame::Frame;

/// Frames that wait to be measured; of more, the oldest are passed over.
const QUEUE: usize = 4;

/// Silence of a source that is told to the user.
pub(super) const SILENCE_TOLD: Duration = Duration::from_millis(1500);

/// What to say of a source that has given nothing for a while; none while that is nothing unusual.
///
/// # Errors
/// The silence is longer than `patience`.
pub(super) fn told_of_silence(
    name: &str,
    silence: Duration,
    patience: Duration,
) -> Result<Option<String>, CaptureError> {
    if silence > patience {
        return Err(CaptureError::Stalled {
            name: name.to_owned(),
            seconds: patience.as_secs(),
        });
    }
    Ok((silence > SILENCE_TOLD).then(|| {
        format!(
            "{name} has given no frame for {:.0} s",
            silence.as_secs_f64()
        )
    }))
}

/// A frame as it came, or why there is none.
#[derive(Debug)]
pub(super) struct Arrived {
    /// The coded frame, or what is wrong with it as the rest of a sentence.
    pub(super) data: Result<Vec<u8>, String>,
    /// Frames that are known to be lost before it.
    pub(super) lost_before: u64,
    /// Frames that were passed over before it.
    pub(super) skipped_before: u64,
    /// The source's own time of it.
    pub(super) stamp: Option<Duration>,
    /// When it came, from the start of the program's interest in the source.
    pub(super) arrival: Duration,
}

/// What waits to be taken by the measuring thread.
pub(super) enum Event<X> {
    Frame(Arrived),
    /// Code and sentence.
    Note(String, String),
    Other(X),
}

/// The queue between the thread that receives and the one that measures.
pub(super) struct Newest<X> {
    events: VecDeque<Event<X>>,
    /// Buffers to be used again.
    spare: Vec<Vec<u8>>,
}

impl<X> Default for Newest<X> {
    fn default() -> Self {
        Self {
            events: VecDeque::new(),
            spare: Vec::new(),
        }
    }
}

impl<X> Newest<X> {
    /// Puts an event behind the others; where too many frames wait, the oldest is passed over.
    pub(super) fn push(&mut self, event: Event<X>) {
        if matches!(event, Event::Note(..)) {
            // What the user should know does not wait for frames to be measured, only for what was said before.
            let said = |event: &&Event<X>| matches!(event, Event::Note(..));
            let at = self.events.iter().take_while(said).count();
            self.events.insert(at, event);
            return;
        }
        self.events.push_back(event);
        let is_frame = |event: &Event<X>| matches!(event, Event::Frame(_));
        if self.events.iter().filter(|event| is_frame(event)).count() <= QUEUE {
            return;
        }
        let Some(at) = self.events.iter().position(is_frame) else {
            return;
        };
        if let Some(Event::Frame(old)) = self.events.remove(at) {
            // A faulty frame that nobody looks at stays a lost one.
            let (lost, skipped) = match old.data {
                Ok(buffer) => {
                    self.give_back(buffer);
                    (old.lost_before, old.skipped_before + 1)
                }
                Err(_) => (old.lost_before + 1, old.skipped_before),
            };
            let next = self.events.iter_mut().find_map(|event| match event {
                Event::Frame(next) => Some(next),
                _ => None,
            });
            if let Some(next) = next {
                next.lost_before += lost;
                next.skipped_before += skipped;
            }
        }
    }

    /// The next event.
    pub(super) fn pop(&mut self) -> Option<Event<X>> {
        self.events.pop_front()
    }

    /// Whether nothing waits.
    pub(super) fn is_empty(&self) -> bool {
        self.events.is_empty()
    }

    /// A buffer that is not needed any more.
    pub(super) fn give_back(&mut self, buffer: Vec<u8>) {
        if self.spare.len() <= QUEUE {
            self.spare.push(buffer);
        }
    }

    /// An empty buffer, with room if there is a used one.
    pub(super) fn buffer(&mut self) -> Vec<u8> {
        let mut buffer = self.spare.pop().unwrap_or_default();
        buffer.clear();
        buffer
    }
}

/// Turns what arrived into frames with numbers and times.
#[derive(Default)]
pub(super) struct Delivery {
    clock: FrameClock,
    jpeg: Jpeg,
    /// Number of the next frame.
    number: u64,
    /// The frame behind a loss that was told first.
    stash: Option<Arrived>,
    told_times: bool,
    /// The coded form of the last frame.
    last: Vec<u8>,
    /// Frames lost and passed over since the last one that was recorded.
    gaps: (u64, u64),
    recording: Option<Recording>,
}

/// Outcome of a delivery.
pub(super) struct Delivered {
    pub(super) next: Next,
    /// A buffer that is not needed any more.
    pub(super) buffer: Option<Vec<u8>>,
}

impl Delivery {
    /// Records from now on.
    pub(super) fn record_to(&mut self, recording: Recording) {
        // What was lost before it is none of its own.
        self.gaps = (0, 0);
        self.recording = Some(recording);
    }

    /// Ends the recording, which is whole as it stands.
    pub(super) fn end_recording(&mut self) {
        self.recording = None;
    }

    /// Adds the last frame to the recording; a sentence when that has to end.
    pub(super) fn record_last(&mut self, frame: &Frame) -> Option<String> {
        let recording = self.recording.as_mut()?;
        let added = recording.add(frame, &self.last, std::mem::take(&mut self.gaps));
        added.err().inspect(|_| self.recording = None)
    }

    /// The frame that waits behind a loss.
    pub(super) fn stashed(&mut self) -> Option<Arrived> {
        self.stash.take()
    }

    /// A sentence on times, once, where the source gives none that can be used.
    pub(super) fn note_on_times(&mut self, name: &str) -> Option<Next> {
        if self.told_times || self.clock.unstamped() == 0 {
            return None;
        }
        self.told_times = true;
        Some(Next::Note {
            code: "times-of-arrival".to_owned(),
            message: format!(
                "{name} gives frames without time stamps that can be used; their times are those of their arrival, which is less exact"
            ),
        })
    }

    /// Delivers what arrived: first its losses, then what was passed over, then the frame that `decode` makes of it.
    pub(super) fn deliver(
        &mut self,
        name: &str,
        mut arrived: Arrived,
        frame: &mut Frame,
        decode: impl FnOnce(&[u8], &mut Jpeg, &mut Frame) -> Result<(), String>,
    ) -> Delivered {
        let told = |next| Delivered { next, buffer: None };
        let lost = std::mem::take(&mut arrived.lost_before);
        if lost > 0 {
            self.gaps.0 += lost;
            self.number += lost;
            self.stash = Some(arrived);
            return told(Next::Lost {
                frames: lost,
                why: format!(
                    "{name}: {lost} lost before frame {} by the source or on the way",
                    self.number
                ),
            });
        }
        let skipped = std::mem::take(&mut arrived.skipped_before);
        if skipped > 0 {
            self.gaps.1 += skipped;
            self.number += skipped;
            self.stash = Some(arrived);
            return told(Next::Skipped { frames: skipped });
        }
        frame.number = self.number;
        self.number += 1;
        let faulty = |why: String| Next::Lost {
            frames: 1,
            why: format!("{name}, frame {} {why}", frame.number),
        };
        let data = match arrived.data {
            Ok(data) => data,
            Err(why) => {
                self.gaps.0 += 1;
                return told(faulty(why));
            }
        };
        let time_s = self.clock.time_s(arrived.stamp, arrived.arrival);
        let next = match decode(&data, &mut self.jpeg, frame) {
            Ok(()) => {
                frame.time_s = time_s;
                Next::Frame
            }
            Err(why) => {
                self.gaps.0 += 1;
                Next::Lost {
                    frames: 1,
                    why: format!("{name}, frame {} {why}", frame.number),
                }
            }
        };
        Delivered {
            next,
            buffer: Some(std::mem::replace(&mut self.last, data)),
        }
    }
}
