//! Practice footage as a source of frames, without files.

use lineturn::session::{CaptureError, Frame, FrameSource, Next, SourceInfo};
use lineturn::simulate::{Rendering, Scene};

/// A rendered scene as a source of frames.
pub(crate) struct Rendered<'a> {
    info: SourceInfo,
    rendering: Rendering<'a>,
}

impl FrameSource for Rendered<'_> {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        Ok(if self.rendering.next_into(frame).is_some() {
            Next::Frame
        } else {
            Next::End
        })
    }
}

impl<'a> Rendered<'a> {
    /// All frames of a scene.
    pub(crate) fn of(scene: &'a Scene) -> Self {
        Self {
            info: SourceInfo {
                description: format!("{} {}", scene.name, scene.seed),
                width: scene.eyepiece.width,
                height: scene.eyepiece.height,
                frames: Some(scene.frames() as u64),
            },
            rendering: scene.rendering(),
        }
    }
}
