//! A recording with its table of times: frames get the numbers and times that they had when they were measured first, and what was
//! lost or passed over in between is lost or passed over again.

use std::path::Path;

use super::record::table_of;
use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// A row of the table.
#[derive(Clone, Copy)]
struct Row {
    number: u64,
    time_s: f64,
    lost: u64,
    skipped: u64,
}

/// A video whose times stand beside it.
struct Timed {
    video: Box<dyn FrameSource>,
    info: SourceInfo,
    rows: Vec<Row>,
    at: usize,
}

/// Gives a video the times of the table beside it, where there is one.
///
/// # Errors
/// The table is there and wrong: the row and what to do.
pub(super) fn with_table(
    video: Box<dyn FrameSource>,
    path: &Path,
) -> Result<Box<dyn FrameSource>, CaptureError> {
    let table = table_of(path);
    if !table.is_file() {
        return Ok(video);
    }
    let rows = read_rows(&table)?;
    let mut info = video.info().clone();
    info.description += ", times from its table";
    info.frames = Some(rows.len() as u64);
    Ok(Box::new(Timed {
        video,
        info,
        rows,
        at: 0,
    }))
}

fn read_rows(table: &Path) -> Result<Vec<Row>, CaptureError> {
    let name = table.display().to_string();
    let text = std::fs::read_to_string(table).map_err(|error| CaptureError::io(&name, error))?;
    let mut lines = text.split_inclusive('\n').zip(1_u64..);
    let wrong = |row: u64, what: &str| CaptureError::Times {
        name: name.clone(),
        row,
        what: what.to_owned(),
    };
    let head = lines.next().map(|(line, _)| line.trim().to_owned());
    if head.as_deref() != Some("frame,t_s,lost_before,skipped_before") {
        return Err(wrong(
            1,
            "the heading is not frame,t_s,lost_before,skipped_before",
        ));
    }
    let mut rows: Vec<Row> = Vec::new();
    for (line, number) in lines {
        // A last row without its end was cut off by whatever stopped the program.
        if !line.ends_with('\n') {
            break;
        }
        let mut fields = line.trim().split(',');
        let mut whole = || fields.next().and_then(|field| field.parse::<u64>().ok());
        let frame = whole();
        let time_s = fields.next().and_then(|field| field.parse::<f64>().ok());
        let mut whole = || fields.next().and_then(|field| field.parse::<u64>().ok());
        let (Some(frame), Some(time_s), Some(lost), Some(skipped)) =
            (frame, time_s.filter(|t| t.is_finite()), whole(), whole())
        else {
            return Err(wrong(number, "a field is no number"));
        };
        if rows
            .last()
            .is_some_and(|last| frame <= last.number || time_s <= last.time_s)
        {
            return Err(wrong(number, "frame or time does not rise"));
        }
        rows.push(Row {
            number: frame,
            time_s,
            lost,
            skipped,
        });
    }
    Ok(rows)
}

impl FrameSource for Timed {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let Some(row) = self.rows.get_mut(self.at) else {
            return Ok(Next::End);
        };
        let lost = std::mem::take(&mut row.lost);
        if lost > 0 {
            return Ok(Next::Lost {
                frames: lost,
                why: format!(
                    "{}: {lost} lost before frame {} when it was recorded",
                    self.info.description, row.number
                ),
            });
        }
        let skipped = std::mem::take(&mut row.skipped);
        if skipped > 0 {
            return Ok(Next::Skipped { frames: skipped });
        }
        let row = *row;
        let next = self.video.next_into(frame)?;
        match next {
            Next::Frame => {
                self.at += 1;
                frame.number = row.number;
                frame.time_s = row.time_s;
            }
            Next::Lost { frames, .. } => {
                self.at += usize::try_from(frames).unwrap_or(usize::MAX);
            }
            _ => {}
        }
        Ok(next)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::record::{Coding, Recording};
    use super::super::{OpenOptions, Source, open};
    use super::*;
    use std::path::PathBuf;

    const SIZE: (usize, usize) = (16, 8);

    fn frame(number: u64, full_scale: u16) -> Frame {
        let mut frame = Frame::empty();
        frame.resize(SIZE.0, SIZE.1);
        frame.full_scale = full_scale;
        frame.black = if full_scale == 235 { 16 } else { 0 };
        frame.number = number;
        // Times whose last digits matter.
        frame.time_s = number as f64 * 0.1 + 1.0 / 3.0;
        for (at, level) in frame.levels.iter_mut().enumerate() {
            *level =
                u16::try_from(at * 7919 + number as usize * 31).unwrap_or(1) % (full_scale + 1);
        }
        frame
    }

    fn jpeg(frame: &Frame) -> Vec<u8> {
        let picture = image::GrayImage::from_fn(16, 8, |x, y| {
            image::Luma([frame.levels[[y as usize, x as usize]] as u8])
        });
        let mut data = Vec::new();
        image::codecs::jpeg::JpegEncoder::new(&mut data)
            .encode_image(&picture)
            .unwrap();
        data
    }

    /// Records frames 0, 1, 5, 6 with losses and frames passed over in between.
    fn record(path: &Path, coding: Coding, full_scale: u16) -> Recording {
        let mut recording = Recording::create(path, coding, SIZE, 30.0).unwrap();
        for (number, gaps) in [(0, (0, 0)), (1, (0, 0)), (5, (1, 2)), (6, (0, 0))] {
            let frame = frame(number, full_scale);
            recording.add(&frame, &jpeg(&frame), gaps).unwrap();
        }
        recording
    }

    fn read(path: &Path) -> (Vec<String>, Vec<Frame>) {
        let mut source = open(&Source::Path(path.to_owned()), &OpenOptions::default()).unwrap();
        let (mut words, mut frames) = (Vec::new(), Vec::new());
        let mut frame = Frame::empty();
        loop {
            match source.next_into(&mut frame) {
                Ok(Next::Frame) => {
                    words.push(format!("frame {}", frame.number));
                    frames.push(frame.clone());
                }
                Ok(Next::Lost { frames, .. }) => words.push(format!("lost {frames}")),
                Ok(Next::Skipped { frames }) => words.push(format!("skipped {frames}")),
                Ok(Next::End) => return (words, frames),
                other => panic!("{other:?}"),
            }
        }
    }

    const ALL: [&str; 6] = [
        "frame 0",
        "frame 1",
        "lost 1",
        "skipped 2",
        "frame 5",
        "frame 6",
    ];

    fn paths() -> (tempfile::TempDir, PathBuf, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let (raw, avi) = (folder.path().join("a.y4m"), folder.path().join("a.avi"));
        (folder, raw, avi)
    }

    #[test]
    fn what_was_recorded_is_read_to_the_last_bit() {
        for full_scale in [255, 235, 1023, 4095, 65_534] {
            let (_folder, raw, _) = paths();
            drop(record(&raw, Coding::Raw, full_scale));
            let (words, frames) = read(&raw);
            assert_eq!(words, ALL);
            for read in &frames {
                let written = frame(read.number, full_scale);
                assert_eq!(read.levels, written.levels);
                assert_eq!(read.black, written.black);
                assert_eq!(read.time_s.to_bits(), written.time_s.to_bits());
            }
        }
        let (_folder, _, avi) = paths();
        drop(record(&avi, Coding::Jpeg, 255));
        let (words, frames) = read(&avi);
        assert_eq!(words, ALL);
        assert_eq!(frames[3].time_s.to_bits(), frame(6, 255).time_s.to_bits());
    }

    #[test]
    fn a_recording_that_was_killed_opens_up_to_its_last_whole_frame() {
        for (coding, at) in [(Coding::Raw, 1), (Coding::Jpeg, 2)] {
            let (_folder, raw, avi) = paths();
            let path = if at == 1 { raw } else { avi };
            let recording = record(&path, coding, 255);
            // Killed: nothing is closed, the last frame and its row are half written.
            std::mem::forget(recording);
            let cut = |path: &Path, bytes: u64| {
                let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
                file.set_len(file.metadata().unwrap().len() - bytes)
                    .unwrap();
            };
            cut(&path, 20);
            cut(&table_of(&path), 4);
            let (words, _) = read(&path);
            assert_eq!(words, &ALL[..5], "{coding:?}");
        }
    }

    #[test]
    fn names_that_do_not_fit_or_are_taken_are_refused() {
        let (_folder, raw, avi) = paths();
        let said = |path: &Path, coding| {
            Recording::create(path, coding, SIZE, 30.0)
                .err()
                .unwrap()
                .to_string()
        };
        assert!(said(&raw, Coding::Jpeg).contains(".avi"));
        assert!(said(&avi, Coding::Raw).contains(".y4m"));
        drop(record(&raw, Coding::Raw, 255));
        assert!(said(&raw, Coding::Raw).contains("is there already"));
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_ends_the_recording_in_a_sentence() {
        let full = Path::new("/dev/full");
        if !full.exists() {
            return;
        }
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.y4m");
        drop(record(&path, Coding::Raw, 255));
        let mut recording =
            Recording::create(&folder.path().join("b.y4m"), Coding::Raw, SIZE, 30.0).unwrap();
        recording.fill_up(full);
        let said = recording.add(&frame(0, 255), &[], (0, 0)).unwrap_err();
        assert!(said.contains("goes on without being recorded"), "{said}");
    }

    #[test]
    fn a_wrong_table_is_refused_with_its_row() {
        for (rows, word) in [
            ("frame,t_s\n", "row 1"),
            (
                "frame,t_s,lost_before,skipped_before\n0,0.0,0,0\n0,1.0,0,0\n",
                "row 3",
            ),
            (
                "frame,t_s,lost_before,skipped_before\n0,0.5,0,0\n1,0.5,0,0\n",
                "row 3",
            ),
            ("frame,t_s,lost_before,skipped_before\n0,nan,0,0\n", "row 2"),
            (
                "frame,t_s,lost_before,skipped_before\n0,0.1,-1,0\n",
                "row 2",
            ),
        ] {
            let (_folder, raw, _) = paths();
            drop(record(&raw, Coding::Raw, 255));
            std::fs::write(table_of(&raw), rows).unwrap();
            let said = open(&Source::Path(raw), &OpenOptions::default())
                .err()
                .unwrap()
                .to_string();
            assert!(said.contains(word), "{said}");
        }
    }
}
