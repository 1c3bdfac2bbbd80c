//! Still pictures in, cross-hairs and lines of each out.

use std::path::{Path, PathBuf};

use super::SessionError;
use crate::basics::frame::Frame;
use crate::capture;
use crate::find::{CrossHairs, Finder, Known, Picture};

/// What was found in one still picture.
#[derive(Clone, Debug)]
pub struct LocatedFrame {
    /// The picture's path as given.
    pub path: PathBuf,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Cross-hairs and lines.
    pub picture: Picture,
}

/// Finds cross-hairs and lines in each picture.
///
/// # Errors
/// The first picture that can't be read; pictures before it are lost, since nothing slow was done.
pub fn locate(
    paths: &[PathBuf],
    mut done: impl FnMut(usize),
) -> Result<Vec<LocatedFrame>, SessionError> {
    let mut finder = Finder::new();
    let mut located = Vec::with_capacity(paths.len());
    for (index, path) in paths.iter().enumerate() {
        located.push(locate_one(&mut finder, path, None)?);
        done(index + 1);
    }
    Ok(located)
}

/// Finds cross-hairs and lines in one frame, of which nothing is known before.
#[must_use]
pub fn locate_in(frame: &Frame) -> Picture {
    Finder::new().look(frame, &Known::default())
}

/// Finds cross-hairs and lines in one picture; with `hairs` given, these are taken as they are.
pub(super) fn locate_one(
    finder: &mut Finder,
    path: &Path,
    hairs: Option<&CrossHairs>,
) -> Result<LocatedFrame, SessionError> {
    let frame = capture::read_picture(path)?;
    let known = Known {
        cross_hairs: hairs.cloned(),
        hairs_fixed: hairs.is_some(),
        ..Known::default()
    };
    let picture = finder.look(&frame, &known);
    Ok(LocatedFrame {
        path: path.to_owned(),
        width: frame.width(),
        height: frame.height(),
        picture,
    })
}
