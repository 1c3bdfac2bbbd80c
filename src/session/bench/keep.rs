//! Frames that a measurement rests on, kept beside the journal.

use std::io::Cursor;
use std::path::Path;

use image::{ImageBuffer, ImageFormat, Luma};

use super::sight::SeenFrame;
use crate::basics::fault::said;
use crate::logbook::journal::{make_synced, sync_folder, write_synced};

/// Folder of the frames, below that of the logbook.
pub(super) const FRAMES: &str = "frames";
/// Folder of clips that were handed in or measured.
pub(super) const CLIPS: &str = "clips";
/// What the name of a recording's table of times has behind it.
const TIMES: &str = ".times.csv";
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
    make_synced(&folder.join(FRAMES)).map_err(|error| failed(&said(&error)))?;
    let mut names = Vec::with_capacity(frames.len());
    for (seen, at) in frames.iter().zip(1..) {
        let name = format!("{FRAMES}/{number:05}-{at}.png");
        let bytes = png(seen.as_ref()).map_err(|error| failed(&error))?;
        write_synced(&folder.join(&name), &bytes).map_err(|error| failed(&said(&error)))?;
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

/// Brings a recording of a live source and its table of times to the disk; gives its name below the logbook's folder.
///
/// # Errors
/// One sentence: the disk.
pub(super) fn keep_recording(folder: &Path, recording: &Path) -> Result<String, String> {
    let name = recording.strip_prefix(folder).unwrap_or(recording);
    let mut table = recording.as_os_str().to_owned();
    table.push(TIMES);
    let synced = std::fs::File::open(recording)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::File::open(table)?.sync_all())
        .and_then(|()| recording.parent().map_or(Ok(()), sync_folder));
    match synced {
        Ok(()) => Ok(name.display().to_string()),
        Err(error) => Err(format!(
            "the recording {} of the sweep cannot be brought to the disk ({error}), so it does not count as kept; make room on the disk, and sweep again to have one",
            recording.display(),
            error = said(&error)
        )),
    }
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
        || make_synced(&folder.join(CLIPS))
            .and_then(|()| std::fs::copy(clip, &to))
            .and_then(|_| std::fs::File::open(&to)?.sync_all())
            .and_then(|()| sync_folder(&folder.join(CLIPS)))
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

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::frame::Frame;
    use crate::capture::read_picture;
    use crate::session::bench::Sight;
    use std::sync::Arc;

    fn seen(full_scale: u16) -> Arc<SeenFrame> {
        let mut frame = Frame::empty();
        frame.resize(31, 17);
        frame.full_scale = full_scale;
        for (level, n) in frame.levels.iter_mut().zip(0_u32..) {
            *level = u16::try_from(n * 7919 % (u32::from(full_scale) + 1)).unwrap();
        }
        Arc::new(SeenFrame {
            frame,
            sight: Sight {
                seq: 1,
                time_s: 0.0,
                taken: std::time::SystemTime::now(),
                width: 31,
                height: 17,
                cross_hairs: None,
                field: None,
                lines: Vec::new(),
                stray_level: 0.0,
            },
        })
    }

    #[test]
    fn kept_frames_hold_every_level() {
        let folder = tempfile::tempdir().unwrap();
        for (full_scale, number) in [(255, 1), (u16::MAX, 2)] {
            let frames = [seen(full_scale), seen(full_scale)];
            let names = keep_frames(folder.path(), number, &frames).unwrap();
            assert_eq!(names.len(), 2);
            for (name, seen) in names.iter().zip(&frames) {
                let read = read_picture(&folder.path().join(name)).unwrap();
                assert_eq!(read.levels, seen.frame.levels);
                assert_eq!(read.full_scale, full_scale);
            }
        }
        let file = folder.path().join("file");
        std::fs::write(&file, "no folder").unwrap();
        let said = keep_frames(&file, 1, &[seen(255)]).unwrap_err();
        assert!(said.contains("nothing was kept"), "{said}");
    }

    #[test]
    fn a_clip_is_copied_once_and_never_from_itself() {
        let folder = tempfile::tempdir().unwrap();
        let (logbook, clip) = (
            folder.path().join("logbook"),
            folder.path().join("sweep.avi"),
        );
        std::fs::write(&clip, "frames").unwrap();
        assert_eq!(keep_clip(&logbook, &clip), "clips/sweep.avi");
        assert_eq!(keep_clip(&logbook, &clip), "clips/sweep.avi");
        assert_eq!(
            keep_clip(&logbook, &logbook.join("clips/sweep.avi")),
            "clips/sweep.avi"
        );
        assert_eq!(
            std::fs::read(logbook.join("clips/sweep.avi")).unwrap(),
            b"frames"
        );
        let folder_of_pictures = folder.path().display().to_string();
        assert_eq!(keep_clip(&logbook, folder.path()), folder_of_pictures);
    }

    #[test]
    fn names_from_outside_are_names_only() {
        for (said, name) in [
            ("sweep.mp4", "00007-sweep.mp4"),
            ("../../etc/passwd", "00007-passwd"),
            ("C:\\video\\my sweep.MOV", "00007-my-sweep.MOV"),
            ("..", "00007-clip"),
            ("", "00007-clip"),
            (".hidden", "00007-hidden"),
            ("Zürich\u{202e}.avi", "00007-Z-rich-.avi"),
        ] {
            assert_eq!(clip_name(said, 7), name);
        }
        assert!(clip_name(&"x".repeat(1000), 7).len() < 80);
    }
}
