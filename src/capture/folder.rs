//! A folder of pictures as a clip, and one picture as a clip of one frame.

use std::cmp::Ordering;
use std::path::{Path, PathBuf};

use super::jpeg::JpegReader;
use super::pictures::read_picture_into;
use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Frames per second where nothing says otherwise.
const DEFAULT_FPS: f64 = 25.0;
/// File that gives the times of a folder's pictures, columns `frame,t_s`.
const TIMES: &str = "times.csv";
/// Endings of the names of pictures.
const ENDINGS: [&str; 5] = ["png", "jpg", "jpeg", "tif", "tiff"];

/// Pictures in the natural order of their names.
pub(super) struct Folder {
    info: SourceInfo,
    pictures: Vec<PathBuf>,
    times_s: Vec<f64>,
    next: usize,
    size: Option<(usize, usize)>,
    jpeg: JpegReader,
}

impl Folder {
    /// Opens a folder.
    pub(super) fn open(path: &Path, fps: Option<f64>) -> Result<Self, CaptureError> {
        let name = path.display().to_string();
        let entries = std::fs::read_dir(path).map_err(|error| CaptureError::io(&name, error))?;
        let mut pictures = Vec::new();
        for entry in entries {
            let picture = entry.map_err(|error| CaptureError::io(&name, error))?.path();
            let hidden = picture.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
            let ending = picture.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
            if !hidden && ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
                pictures.push(picture);
            }
        }
        if pictures.is_empty() {
            return Err(CaptureError::content(name, "holds no pictures; give a folder of PNG, JPEG or TIFF pictures, or a clip"));
        }
        pictures.sort_by(|a, b| natural_order(&file_name(a), &file_name(b)));
        let times_file = path.join(TIMES);
        let (times_s, clock) = if times_file.is_file() {
            (read_times(&times_file, &pictures)?, format!("times from {TIMES}"))
        } else {
            let rate = fps.unwrap_or(DEFAULT_FPS);
            let clock = if fps.is_some() { format!("{rate} frames per second") } else { format!("{rate} frames per second assumed") };
            ((0..pictures.len()).map(|index| index as f64 / rate).collect(), clock)
        };
        Ok(Self {
            info: SourceInfo {
                description: format!("{name} ({} pictures, {clock})", pictures.len()),
                frames: Some(pictures.len() as u64),
            },
            pictures,
            times_s,
            next: 0,
            size: None,
            jpeg: JpegReader::default(),
        })
    }

    /// One picture.
    pub(super) fn of_one(path: &Path, _fps: Option<f64>) -> Result<Self, CaptureError> {
        Ok(Self {
            info: SourceInfo { description: format!("{} (one picture)", path.display()), frames: Some(1) },
            pictures: vec![path.to_owned()],
            times_s: vec![0.0],
            next: 0,
            size: None,
            jpeg: JpegReader::default(),
        })
    }
}

impl FrameSource for Folder {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let (Some(picture), Some(&time_s)) = (self.pictures.get(self.next), self.times_s.get(self.next)) else {
            return Ok(Next::End);
        };
        read_picture_into(picture, &mut self.jpeg, frame)?;
        let size = (frame.width(), frame.height());
        let first = *self.size.get_or_insert(size);
        if size != first {
            return Err(CaptureError::content(
                picture.display().to_string(),
                format!(
                    "is {} × {} px where the pictures before it are {} × {} px; keep one size in a folder",
                    size.0, size.1, first.0, first.1
                ),
            ));
        }
        frame.time_s = time_s;
        frame.number = self.next as u64;
        self.next += 1;
        Ok(Next::Frame)
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Names in the order in which people count: runs of digits compare as numbers, `frame-2` before `frame-10`.
fn natural_order(a: &str, b: &str) -> Ordering {
    let (mut left, mut right) = (a, b);
    loop {
        let (Some(first), Some(second)) = (left.chars().next(), right.chars().next()) else {
            return left.len().cmp(&right.len()).then_with(|| a.cmp(b));
        };
        if first.is_ascii_digit() && second.is_ascii_digit() {
            let digits = |text: &str| text.bytes().take_while(u8::is_ascii_digit).count();
            let (here, there) = (left.split_at(digits(left)), right.split_at(digits(right)));
            let (x, y) = (here.0.trim_start_matches('0'), there.0.trim_start_matches('0'));
            let order = x.len().cmp(&y.len()).then_with(|| x.cmp(y));
            if order != Ordering::Equal {
                return order;
            }
            (left, right) = (here.1, there.1);
        } else {
            let order = first.to_lowercase().cmp(second.to_lowercase());
            if order != Ordering::Equal {
                return order;
            }
            (left, right) = (&left[first.len_utf8()..], &right[second.len_utf8()..]);
        }
    }
}

/// Reads `times.csv`: one row a picture, by its name or by its number in the natural order.
fn read_times(path: &Path, pictures: &[PathBuf]) -> Result<Vec<f64>, CaptureError> {
    let name = path.display().to_string();
    let wrong = |what: String| CaptureError::content(&name, what);
    let text = std::fs::read_to_string(path).map_err(|error| CaptureError::io(&name, error))?;
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let header = reader.headers().map_err(|error| wrong(format!("is no table ({error})")))?.clone();
    let column = |wanted: &str| {
        header
            .iter()
            .position(|column| column == wanted)
            .ok_or_else(|| wrong(format!("has no column {wanted}; its columns must be frame,t_s")))
    };
    let (frame_column, time_column) = (column("frame")?, column("t_s")?);
    let mut times: Vec<Option<f64>> = vec![None; pictures.len()];
    for (index, record) in reader.records().enumerate() {
        let row = index + 2;
        let record = record.map_err(|error| wrong(format!("row {row}: {error}")))?;
        let frame = record.get(frame_column).unwrap_or("");
        let picture = pictures
            .iter()
            .position(|picture| file_name(picture) == frame)
            .or_else(|| frame.parse::<usize>().ok().filter(|&number| number < pictures.len()))
            .ok_or_else(|| {
                wrong(format!(
                    "row {row}: frame \"{frame}\" is neither a picture of the folder nor a number from 0 to {}",
                    pictures.len() - 1
                ))
            })?;
        let time_s = record
            .get(time_column)
            .and_then(|time| time.parse::<f64>().ok())
            .filter(|time| time.is_finite())
            .ok_or_else(|| wrong(format!("row {row}: t_s is no number of seconds")))?;
        if let Some(slot) = times.get_mut(picture)
            && slot.replace(time_s).is_some()
        {
            return Err(wrong(format!("row {row}: frame \"{frame}\" has a time already")));
        }
    }
    let mut found = Vec::with_capacity(pictures.len());
    for (picture, time) in pictures.iter().zip(times) {
        let time = time.ok_or_else(|| wrong(format!("has no row for {}", file_name(picture))))?;
        if found.last().is_some_and(|&last| time <= last) {
            return Err(wrong(format!(
                "{} is not later than the picture before it; times must rise in the order of the names",
                file_name(picture)
            )));
        }
        found.push(time);
    }
    let first = found.first().copied().unwrap_or(0.0);
    Ok(found.into_iter().map(|time| time - first).collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use image::{GrayImage, Luma};
    use proptest::prelude::*;
    use tempfile::{TempDir, tempdir};

    use super::*;

    fn folder_of(names: &[&str]) -> TempDir {
        let folder = tempdir().unwrap();
        for (index, name) in names.iter().enumerate() {
            GrayImage::from_pixel(8, 6, Luma([index as u8])).save(folder.path().join(name)).unwrap();
        }
        folder
    }

    fn levels_and_times(folder: &Path, fps: Option<f64>) -> Vec<(u16, f64)> {
        let mut source = Folder::open(folder, fps).unwrap();
        let mut frame = Frame::empty();
        let mut seen = Vec::new();
        while source.next_into(&mut frame).unwrap() == Next::Frame {
            seen.push((frame.levels[[0, 0]], frame.time_s));
        }
        seen
    }

    #[test]
    fn names_count_as_people_count() {
        let folder = folder_of(&["f10.png", "f2.png", "f1.png"]);
        assert_eq!(levels_and_times(folder.path(), Some(10.0)), [(2, 0.0), (1, 0.1), (0, 0.2)]);
    }

    #[test]
    fn times_come_from_the_file_beside_the_pictures() {
        let folder = folder_of(&["a1.png", "a2.png", "a3.png"]);
        std::fs::write(folder.path().join(TIMES), "frame,t_s\na2.png,5.5\n0,5.0\n2,6.25\n").unwrap();
        assert_eq!(levels_and_times(folder.path(), None), [(0, 0.0), (1, 0.5), (2, 1.25)]);
        for (table, words) in [
            ("frame,t_s\n0,1\n1,2\n", "no row for a3.png"),
            ("frame,t_s\n0,1\n1,0.5\n2,3\n", "a2.png"),
            ("frame,t_s\n0,1\n1,x\n2,3\n", "row 3"),
            ("frame,t_s\n0,1\n7,2\n2,3\n", "row 3"),
            ("number,t_s\n0,1\n", "column frame"),
            ("frame,t_s\n0,1\n0,2\n", "row 3"),
        ] {
            std::fs::write(folder.path().join(TIMES), table).unwrap();
            let said = Folder::open(folder.path(), None).err().unwrap().to_string();
            assert!(said.contains(words) && said.contains(TIMES), "{said}");
        }
    }

    proptest! {
        #[test]
        fn natural_order_is_an_order(a in "[a-c0-2]{0,6}", b in "[a-c0-2]{0,6}", c in "[a-c0-2]{0,6}") {
            prop_assert_eq!(natural_order(&a, &b), natural_order(&b, &a).reverse());
            prop_assert_eq!(natural_order(&a, &a), Ordering::Equal);
            if natural_order(&a, &b).is_le() && natural_order(&b, &c).is_le() {
                prop_assert!(natural_order(&a, &c).is_le());
            }
        }
    }
}
