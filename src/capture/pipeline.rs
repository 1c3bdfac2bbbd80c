//! Decoding in a thread of its own, so that measuring and decoding overlap.

use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};

use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Frames between the threads, at least and at most: some frames take ten times as long to be measured as others, so that decoding
/// has to be far ahead of them.
const POOL: (usize, usize) = (3, 12);
/// Levels that they hold, at most, bytes.
const POOL_BYTES: usize = 64 << 20;

/// How many frames go round.
fn pool(info: &SourceInfo) -> usize {
    let pixels = info.width.saturating_mul(info.height);
    let frame = size_of::<u16>().saturating_mul(pixels);
    (POOL_BYTES / frame.max(1)).clamp(POOL.0, POOL.1)
}

type Filled = (Result<Next, CaptureError>, Frame);

/// A source whose frames are decoded ahead by a thread of its own, into a pool of some frames that
/// go round and round; they are made as decoding gets ahead.
///
/// Dropping it lets the thread end after the frame that it is at; it is not waited for, because a
/// source may itself wait for the outside world.
pub struct Decoupled {
    info: SourceInfo,
    filled: Option<Receiver<Filled>>,
    empty: Option<SyncSender<Frame>>,
}

impl Decoupled {
    /// Starts the thread.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn new(mut source: Box<dyn FrameSource>) -> Result<Self, CaptureError> {
        let info = source.info().clone();
        let pool = pool(&info);
        let (give, filled) = sync_channel::<Filled>(pool);
        let (empty, take) = sync_channel::<Frame>(pool);
        std::thread::Builder::new()
            .name("decode".to_owned())
            .spawn(move || {
                let mut made = 0;
                let mut next_frame = || match take.try_recv() {
                    Err(TryRecvError::Empty) if made < pool => {
                        made += 1;
                        Some(Frame::empty())
                    }
                    Err(TryRecvError::Empty) => take.recv().ok(),
                    taken => taken.ok(),
                };
                while let Some(mut frame) = next_frame() {
                    let next = source.next_into(&mut frame);
                    let over = ends(&next);
                    if give.send((next, frame)).is_err() || over {
                        break;
                    }
                }
            })
            .map_err(|error| CaptureError::io(&info.description, error))?;
        Ok(Self {
            info,
            filled: Some(filled),
            empty: Some(empty),
        })
    }
}

/// Whether nothing comes after this.
fn ends(next: &Result<Next, CaptureError>) -> bool {
    matches!(next, Ok(Next::End) | Err(_))
}

impl FrameSource for Decoupled {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let (Some(filled), Some(empty)) = (&self.filled, &self.empty) else {
            return Ok(Next::End);
        };
        let Ok((next, mut got)) = filled.recv() else {
            self.filled = None;
            return Err(CaptureError::refused(
                &self.info.description,
                "could not be decoded further because the decoder gave up",
                "convert it to another coding",
            ));
        };
        if matches!(next, Ok(Next::Frame)) {
            std::mem::swap(frame, &mut got);
        }
        // After the end nobody takes the frame back, which is as it should be.
        let _ = empty.send(got);
        if ends(&next) {
            self.filled = None;
        }
        next
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::time::{Duration, Instant};

    struct Counter(
        SourceInfo,
        u64,
        #[expect(dead_code, reason = "held: its count tells when the thread let go")] Arc<()>,
    );

    impl FrameSource for Counter {
        fn info(&self) -> &SourceInfo {
            &self.0
        }
        fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
            if self.1 == 20 {
                return Ok(Next::End);
            }
            if self.1 == 7 {
                self.1 += 1;
                return Ok(Next::Lost {
                    frames: 1,
                    why: "seven".to_owned(),
                });
            }
            frame.resize(4, 3);
            frame.number = self.1;
            self.1 += 1;
            Ok(Next::Frame)
        }
    }

    fn counter(alive: &Arc<()>) -> Box<dyn FrameSource> {
        let info = SourceInfo {
            description: "counter".to_owned(),
            width: 4,
            height: 3,
            frames: None,
        };
        Box::new(Counter(info, 0, Arc::clone(alive)))
    }

    #[test]
    fn keeps_order_losses_and_end_with_few_buffers() {
        let alive = Arc::new(());
        let mut source = Decoupled::new(counter(&alive)).unwrap();
        let mut frame = Frame::empty();
        let mut seen = Vec::new();
        let mut buffers = std::collections::HashSet::new();
        loop {
            match source.next_into(&mut frame).unwrap() {
                Next::Frame => {
                    seen.push(frame.number);
                    buffers.insert(frame.levels.as_ptr() as usize);
                }
                Next::Lost { frames, .. } => seen.push(100 + frames),
                Next::End => break,
                live => panic!("{live:?} of a recorded source"),
            }
        }
        let expected: Vec<u64> = (0..20).map(|n| if n == 7 { 101 } else { n }).collect();
        assert_eq!(seen, expected);
        assert!(
            buffers.len() <= POOL.1 + 1,
            "{} buffers were used",
            buffers.len()
        );
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::End);
    }

    #[test]
    fn large_frames_are_fewer() {
        let of = |width: usize, height: usize| {
            let description = String::new();
            pool(&SourceInfo {
                description,
                width,
                height,
                frames: None,
            })
        };
        assert_eq!(of(640, 480), POOL.1);
        assert_eq!(of(3840, 2160), 4);
        assert_eq!(of(0, 0), POOL.1);
        assert_eq!(of(20_000, 20_000), POOL.0);
    }

    #[test]
    fn dropping_ends_the_thread() {
        let alive = Arc::new(());
        let mut source = Decoupled::new(counter(&alive)).unwrap();
        source.next_into(&mut Frame::empty()).unwrap();
        drop(source);
        let start = Instant::now();
        while Arc::strong_count(&alive) > 1 {
            assert!(
                start.elapsed() < Duration::from_secs(5),
                "the thread lives on"
            );
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}
