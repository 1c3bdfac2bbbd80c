//! Decoding in a thread of its own: while one frame is analysed, the next is made.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Frames on their way between the two threads.
const FRAMES_UNDER_WAY: usize = 2;

type Made = Result<(Frame, Next), CaptureError>;

/// A source that is read ahead in a thread of its own; its frames go round and are used again.
pub struct Decoupled {
    info: SourceInfo,
    made: Option<Receiver<Made>>,
    used: Option<SyncSender<Frame>>,
    thread: Option<JoinHandle<()>>,
}

impl Decoupled {
    /// Starts to read `source` ahead.
    #[must_use]
    pub fn new(mut source: Box<dyn FrameSource>) -> Self {
        let info = source.info().clone();
        let (give_made, made) = sync_channel::<Made>(FRAMES_UNDER_WAY);
        let (used, take_used) = sync_channel::<Frame>(FRAMES_UNDER_WAY + 2);
        for _ in 0..FRAMES_UNDER_WAY {
            // The channel is wider than this: nothing waits, and the receiver stands above.
            let _ = used.send(Frame::empty());
        }
        let thread = std::thread::spawn(move || {
            while let Ok(mut frame) = take_used.recv() {
                let made = source.next_into(&mut frame);
                let last = !matches!(made, Ok(Next::Frame | Next::Lost { .. }));
                if give_made.send(made.map(|next| (frame, next))).is_err() || last {
                    break;
                }
            }
        });
        Self { info, made: Some(made), used: Some(used), thread: Some(thread) }
    }
}

impl FrameSource for Decoupled {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let made = self.made.as_ref().and_then(|made| made.recv().ok());
        match made {
            Some(Ok((mut made, next))) => {
                if next == Next::Frame {
                    std::mem::swap(frame, &mut made);
                }
                if let Some(used) = &self.used {
                    // The reader is gone once the source has ended; then the frame is not needed either.
                    let _ = used.send(made);
                }
                Ok(next)
            }
            Some(Err(error)) => Err(error),
            // The thread has ended: at the end of the source, or because a decoder went down with it.
            None => match self.thread.take().map(JoinHandle::join) {
                Some(Err(_)) => Err(CaptureError::content(
                    &self.info.description,
                    "the decoder broke down on damaged data; the frames before it stand",
                )),
                _ => Ok(Next::End),
            },
        }
    }
}

impl Drop for Decoupled {
    fn drop(&mut self) {
        // Both channels go first, so that a reader who waits for either wakes up and ends.
        self.made = None;
        self.used = None;
        if let Some(thread) = self.thread.take() {
            // A decoder that broke down has been told of, or nobody asks any more.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    struct Counting {
        info: SourceInfo,
        next: u64,
        of: u64,
        panics: bool,
    }

    impl FrameSource for Counting {
        fn info(&self) -> &SourceInfo {
            &self.info
        }

        fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
            if self.next == self.of {
                assert!(!self.panics, "as a decoder may");
                return Ok(Next::End);
            }
            frame.resize(3, 2);
            frame.number = self.next;
            self.next += 1;
            if self.next.is_multiple_of(4) { Ok(Next::Lost { frames: 1, why: "test".to_owned() }) } else { Ok(Next::Frame) }
        }
    }

    fn counting(of: u64, panics: bool) -> Decoupled {
        let info = SourceInfo { description: "count".to_owned(), frames: Some(of) };
        Decoupled::new(Box::new(Counting { info, next: 0, of, panics }))
    }

    #[test]
    fn frames_come_in_order_and_then_the_end() {
        let mut source = counting(50, false);
        let mut frame = Frame::empty();
        let mut seen = Vec::new();
        let mut lost = 0;
        loop {
            match source.next_into(&mut frame).unwrap() {
                Next::Frame => seen.push(frame.number),
                Next::Lost { frames, .. } => lost += frames,
                Next::End => break,
            }
        }
        assert_eq!(seen, (0..50).filter(|number| (number + 1) % 4 != 0).collect::<Vec<_>>());
        assert_eq!(lost, 12);
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::End, "and again");
    }

    #[test]
    fn a_source_may_be_left_at_any_frame() {
        for take in 0..6 {
            let mut source = counting(1_000_000, false);
            let mut frame = Frame::empty();
            for _ in 0..take {
                source.next_into(&mut frame).unwrap();
            }
        }
    }

    #[test]
    fn a_decoder_that_breaks_down_is_told_of() {
        let mut source = counting(2, true);
        let mut frame = Frame::empty();
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame);
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame);
        let said = source.next_into(&mut frame).unwrap_err().to_string();
        assert!(said.contains("broke down"), "{said}");
    }
}
