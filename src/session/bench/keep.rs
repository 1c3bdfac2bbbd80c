//! Frames that a measurement rests on, kept beside the journal.

use std::io::Cursor;
use std::path::Path;

use image::{ImageBuffer, ImageFormat, Luma};

use super::sight::SeenFrame;
use crate::logbook::journal::write_synced;

/// Folder of the frames, below that of the logbook.
pub(super) const FRAMES: &str = "frames";
/// Folder of clips that were handed in or measured.
pub(super) const CLIPS: &str = "clips";
/// A clip larger than this is named, not copied.
const LARGEST_COPY: u64 = 2 << 30;

/// Keeps frames as PNG with their levels as they are; gives their names below the logbook's folder.
///
/// # Errors
/// One sentence: the disk.
pub(super) fn keep_frames(
    folder: &Path,
    number: u64,
    frames: &[impl AsRef<SeenFrame>],
) -> Result<Vec<String>, String> {
    let failed = |error: &dyn std::fmt::Display| {
        format!(
            "the frames of the reading cannot be kept in {} ({error}), so nothing was kept; make room on the disk and try again",
            folder.join(FRAMES).display()
        )
    };
    std::fs::create_dir_all(folder.join(FRAMES)).map_err(|error| failed(&error))?;
    let mut names = Vec::with_capacity(frames.len());
    for (seen, at) in frames.iter().zip(1..) {
        let name = format!("{FRAMES}/{number:05}-{at}.png");
        let bytes = png(seen.as_ref()).map_err(|error| failed(&error))?;
        write_synced(&folder.join(&name), &bytes).map_err(|error| failed(&error))?;
        names.push(name);
    }
    Ok(names)
}

fn png(seen: &SeenFrame) -> Result<Vec<u8>, image::ImageError> {
    let frame = &seen.frame;
    let size = |length: usize| u32::try_from(length).unwrap_or(0);
    let (width, height) = (size(frame.width()), size(frame.height()));
    let mut bytes = Cursor::new(Vec::new());
    if frame.full_scale > 255 {
        let levels: Vec<u16> = frame.levels.iter().copied().collect();
        if let Some(picture) = ImageBuffer::<Luma<u16>, _>::from_raw(width, height, levels) {
            picture.write_to(&mut bytes, ImageFormat::Png)?;
        }
    } else {
        let levels: Vec<u8> = frame
            .levels
            .iter()
            .map(|level| u8::try_from(*level).unwrap_or(u8::MAX))
            .collect();
        if let Some(picture) = ImageBuffer::<Luma<u8>, _>::from_raw(width, height, levels) {
            picture.write_to(&mut bytes, ImageFormat::Png)?;
        }
    }
    Ok(bytes.into_inner())
}

/// Keeps a copy of the clip that a sweep was measured in; gives its name below the logbook's folder, or the clip's own where it is
/// too large, is a folder, or cannot be copied.
pub(super) fn keep_clip(folder: &Path, clip: &Path) -> String {
    let own = || clip.display().to_string();
    if let Ok(inside) = clip.strip_prefix(folder) {
        return inside.display().to_string();
    }
    let (Ok(about), Some(name)) = (std::fs::metadata(clip), clip.file_name()) else {
        return own();
    };
    if !about.is_file() || about.len() > LARGEST_COPY {
        return own();
    }
    let to = folder.join(CLIPS).join(name);
    let there = std::fs::metadata(&to).is_ok_and(|other| other.len() == about.len());
    let copied = there
        || std::fs::create_dir_all(folder.join(CLIPS))
            .and_then(|()| std::fs::copy(clip, &to))
            .and_then(|_| std::fs::File::open(&to)?.sync_all())
            .is_ok();
    if copied {
        format!("{CLIPS}/{}", name.to_string_lossy())
    } else {
        own()
    }
}

/// A name for a clip that was handed in: letters, digits, points and hyphens of what the page said, never a way to elsewhere.
pub(super) fn clip_name(said: &str, number: u64) -> String {
    const LONGEST: usize = 60;
    let last = said.rsplit(['/', '\\']).next().unwrap_or_default();
    let plain: String = last
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '.' || c == '_' {
                c
            } else {
                '-'
            }
        })
        .collect();
    let plain = plain.trim_matches(['.', '-']);
    let from = plain.len().saturating_sub(LONGEST);
    let plain = plain.get(from..).unwrap_or_default();
    let name = if plain.is_empty() { "clip" } else { plain };
    format!("{number:05}-{name}")
}
