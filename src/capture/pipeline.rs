//! Decoding in a thread of its own, so that measuring and decoding overlap.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Frames that wait between the threads.
const POOL: usize = 3;

type Filled = (Result<Next, CaptureError>, Frame);

/// A source whose frames are decoded ahead by a thread of its own, into a pool of three frames that
/// go round and round.
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
        let (give, filled) = sync_channel::<Filled>(POOL);
        let (empty, take) = sync_channel::<Frame>(POOL);
        for _ in 0..POOL {
            // The channel has room for all of them and its other end is in this function.
            let _ = empty.send(Frame::empty());
        }
        std::thread::Builder::new()
            .name("decode".to_owned())
            .spawn(move || {
                while let Ok(mut frame) = take.recv() {
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
            buffers.len() <= POOL + 1,
            "{} buffers were used",
            buffers.len()
        );
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::End);
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
