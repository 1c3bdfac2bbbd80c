//! To come.
use super::{CaptureError, FrameSource};
pub(super) fn open(path: &std::path::Path) -> Result<Box<dyn FrameSource>, CaptureError> { Err(CaptureError::content(path.display().to_string(), "later")) }
