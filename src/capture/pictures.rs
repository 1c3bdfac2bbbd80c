//! Still pictures, one by one or a folder of them as a sequence.

use std::collections::HashMap;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader};

use super::jpeg::Jpeg;
use super::orientation::Orientation;
use super::{
    CaptureError, DEFAULT_FPS, FrameSource, MOST_PIXELS, Next, OpenOptions, SourceInfo, short_name,
};
use crate::basics::frame::Frame;

/// Largest picture file that is read.
const MOST_BYTES: u64 = 1 << 30;

/// Reads one still picture (PNG, JPEG or TIFF; 8 or 16 bits; grey or colour; transparency is ignored).
///
/// Colour of 8 bits becomes the sum of the three planes (full scale 765), of 16 bits their mean; a
/// pixel of which any plane is clipped is stored at full scale. A JPEG gives its luma.
///
/// # Errors
/// One sentence: the file cannot be read, is no such picture, or is damaged.
pub fn read_picture(path: &Path) -> Result<Frame, CaptureError> {
    let mut frame = Frame::empty();
    read_into(path, &mut Jpeg::default(), &mut frame)?;
    Ok(frame)
}

/// Pictures as a sequence of frames.
pub(super) struct Pictures {
    info: SourceInfo,
    paths: Vec<PathBuf>,
    times_s: Vec<f64>,
    next: usize,
    failed: bool,
    jpeg: Jpeg,
    /// The first picture was read to learn the size.
    first: Option<Frame>,
}

impl Pictures {
    /// All pictures of a folder in the natural order of their names.
    pub(super) fn folder(path: &Path, options: &OpenOptions) -> Result<Self, CaptureError> {
        let name = path.display().to_string();
        let mut paths = Vec::new();
        let entries = std::fs::read_dir(path).map_err(|error| CaptureError::io(&name, error))?;
        let mut others = 0_usize;
        for entry in entries {
            let entry = entry
                .map_err(|error| CaptureError::io(&name, error))?
                .path();
            if is_picture_name(&entry) && entry.is_file() {
                paths.push(entry);
            } else {
                others += 1;
            }
        }
        if paths.is_empty() {
            let what = if others == 0 {
                "is an empty folder"
            } else {
                "is a folder without pictures"
            };
            return Err(CaptureError::refused(
                &name,
                what,
                "give a folder with PNG, JPEG or TIFF files",
            ));
        }
        paths.sort_by_cached_key(|p| NaturalKey::of(&short_name(p)));
        let table = path.join("times.csv");
        let (times_s, how) = if table.exists() {
            if options.fps.is_some() {
                return Err(CaptureError::refused(
                    &table.display().to_string(),
                    "gives the times of the pictures and --fps would give others",
                    "leave --fps away or remove the table",
                ));
            }
            (
                read_times(&table, &paths)?,
                "times from times.csv".to_owned(),
            )
        } else {
            let fps = options.fps.unwrap_or(DEFAULT_FPS);
            let how = if options.fps.is_some() {
                format!("{fps} frames/s")
            } else {
                format!("{fps} frames/s assumed")
            };
            ((0..paths.len()).map(|i| i as f64 / fps).collect(), how)
        };
        let count = paths.len();
        Self::new(paths, times_s, |_| {
            format!("{name} (folder of {count} pictures, {how})")
        })
    }

    /// One picture as a sequence of one frame.
    pub(super) fn single(path: &Path, _options: &OpenOptions) -> Result<Self, CaptureError> {
        Self::new(vec![path.to_owned()], vec![0.0], |p| {
            format!("{} (picture)", short_name(p))
        })
    }

    fn new(
        paths: Vec<PathBuf>,
        times_s: Vec<f64>,
        describe: impl FnOnce(&Path) -> String,
    ) -> Result<Self, CaptureError> {
        let mut jpeg = Jpeg::default();
        let mut first = Frame::empty();
        let Some(path) = paths.first() else {
            return Err(CaptureError::refused(
                "the folder",
                "is empty",
                "give pictures",
            ));
        };
        read_into(path, &mut jpeg, &mut first)?;
        let info = SourceInfo {
            description: describe(path),
            width: first.width(),
            height: first.height(),
            frames: Some(paths.len() as u64),
        };
        Ok(Self {
            info,
            paths,
            times_s,
            next: 0,
            failed: false,
            jpeg,
            first: Some(first),
        })
    }
}

impl FrameSource for Pictures {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let (Some(path), Some(&time_s), false) = (
            self.paths.get(self.next),
            self.times_s.get(self.next),
            self.failed,
        ) else {
            return Ok(Next::End);
        };
        if let Some(first) = self.first.take() {
            *frame = first;
        } else if let Err(error) = read_into(path, &mut self.jpeg, frame) {
            self.failed = true;
            return Err(error);
        }
        if (frame.width(), frame.height()) != (self.info.width, self.info.height) {
            self.failed = true;
            return Err(CaptureError::SizeChanged {
                name: path.display().to_string(),
                width: frame.width(),
                height: frame.height(),
                first_width: self.info.width,
                first_height: self.info.height,
            });
        }
        frame.time_s = time_s;
        frame.number = self.next as u64;
        self.next += 1;
        Ok(Next::Frame)
    }
}

/// Whether the name ends like that of a picture.
pub(super) fn is_picture_name(path: &Path) -> bool {
    let hidden = short_name(path).starts_with('.');
    let known = path.extension().and_then(|e| e.to_str()).is_some_and(|e| {
        ["png", "jpg", "jpeg", "tif", "tiff"]
            .iter()
            .any(|k| e.eq_ignore_ascii_case(k))
    });
    known && !hidden
}

/// The picture format that the first bytes tell.
pub(super) fn format_of(head: &[u8]) -> Option<ImageFormat> {
    if head.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(ImageFormat::Png)
    } else if head.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(ImageFormat::Jpeg)
    } else if head.starts_with(b"II*\0")
        || head.starts_with(b"MM\0*")
        || head.starts_with(b"II+\0")
        || head.starts_with(b"MM\0+")
    {
        Some(ImageFormat::Tiff)
    } else {
        None
    }
}

fn read_into(path: &Path, jpeg: &mut Jpeg, frame: &mut Frame) -> Result<(), CaptureError> {
    let name = path.display().to_string();
    let about = std::fs::metadata(path).map_err(|error| CaptureError::io(&name, error))?;
    if about.is_dir() {
        return Err(CaptureError::refused(
            &name,
            "is a folder, where a picture is needed",
            "name the picture in it",
        ));
    }
    if about.len() > MOST_BYTES {
        return Err(CaptureError::refused(
            &name,
            "is larger than 1 GB",
            "give smaller pictures",
        ));
    }
    let data = std::fs::read(path).map_err(|error| CaptureError::io(&name, error))?;
    let Some(format) = format_of(&data) else {
        let (what, cure) = if data.is_empty() {
            ("is empty", "copy it again from the camera")
        } else {
            (
                "is no PNG, JPEG or TIFF, whatever its name says",
                "convert it or check the name",
            )
        };
        return Err(CaptureError::refused(&name, what, cure));
    };
    frame.number = 0;
    frame.time_s = 0.0;
    frame.black = 0;
    if format == ImageFormat::Jpeg {
        jpeg.decode(&data)
            .map_err(|what| CaptureError::refused(&name, what, "copy it again from the camera"))?;
        frame.full_scale = 255;
        jpeg.orientation
            .write(&jpeg.luma, u16::from, jpeg.width, jpeg.height, frame);
        return Ok(());
    }
    let kind = if format == ImageFormat::Png {
        "PNG"
    } else {
        "TIFF"
    };
    let damaged = |error: image::ImageError| match error {
        image::ImageError::Unsupported(e) => CaptureError::refused(
            &name,
            format!("is a {kind} of a kind that cannot be read ({e})"),
            "convert it to a plain 8 or 16 bit PNG",
        ),
        e => CaptureError::refused(
            &name,
            format!("is a damaged or cut-off {kind} ({e})"),
            "copy it again from the camera",
        ),
    };
    let mut reader = ImageReader::with_format(Cursor::new(&data), format);
    let mut limits = image::Limits::default();
    limits.max_image_width = Some(1 << 16);
    limits.max_image_height = Some(1 << 16);
    limits.max_alloc = Some(MOST_PIXELS as u64 * 8);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MOST_PIXELS as u64 {
        return Err(CaptureError::refused(
            &name,
            format!("has {width} x {height} pixels"),
            "give pictures of at most 67 million pixels",
        ));
    }
    let orientation = decoder.orientation().map_or_else(
        |_| Orientation::default(),
        |o| Orientation::from_exif(o.to_exif()),
    );
    let picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    store(&picture, orientation, frame).ok_or_else(|| {
        CaptureError::refused(
            &name,
            format!("is a {kind} of {:?}", picture.color()),
            "convert it to a plain 8 or 16 bit PNG",
        )
    })
}

/// Copies the levels; `None` for samples that are no whole numbers.
fn store(picture: &DynamicImage, orientation: Orientation, frame: &mut Frame) -> Option<()> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let sum8 = |planes: [u8; 3]| {
        if planes.contains(&u8::MAX) {
            765
        } else {
            planes.iter().map(|&p| u16::from(p)).sum()
        }
    };
    let mean16 = |planes: [u16; 3]| {
        if planes.contains(&u16::MAX) {
            u16::MAX
        } else {
            let sum: u32 = planes.iter().map(|&p| u32::from(p)).sum();
            u16::try_from((sum + 1) / 3).unwrap_or(u16::MAX)
        }
    };
    frame.full_scale = match picture {
        DynamicImage::ImageLuma8(_) | DynamicImage::ImageLumaA8(_) => 255,
        DynamicImage::ImageRgb8(_) | DynamicImage::ImageRgba8(_) => 765,
        _ => u16::MAX,
    };
    match picture {
        DynamicImage::ImageLuma8(p) => orientation.write(
            p.as_raw().as_chunks().0,
            |[l]| l.into(),
            width,
            height,
            frame,
        ),
        DynamicImage::ImageLumaA8(p) => orientation.write(
            p.as_raw().as_chunks().0,
            |[l, _]| l.into(),
            width,
            height,
            frame,
        ),
        DynamicImage::ImageRgb8(p) => {
            orientation.write(p.as_raw().as_chunks().0, sum8, width, height, frame)
        }
        DynamicImage::ImageRgba8(p) => orientation.write(
            p.as_raw().as_chunks().0,
            |[r, g, b, _]| sum8([r, g, b]),
            width,
            height,
            frame,
        ),
        DynamicImage::ImageLuma16(p) => {
            orientation.write(p.as_raw().as_chunks().0, |[l]| l, width, height, frame)
        }
        DynamicImage::ImageLumaA16(p) => {
            orientation.write(p.as_raw().as_chunks().0, |[l, _]| l, width, height, frame)
        }
        DynamicImage::ImageRgb16(p) => {
            orientation.write(p.as_raw().as_chunks().0, mean16, width, height, frame)
        }
        DynamicImage::ImageRgba16(p) => orientation.write(
            p.as_raw().as_chunks().0,
            |[r, g, b, _]| mean16([r, g, b]),
            width,
            height,
            frame,
        ),
        _ => return None,
    }
    Some(())
}

/// Names in the order in which people count: runs of digits compare as numbers.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct NaturalKey(Vec<Part>, String);

#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Part {
    /// A number without its leading zeros: a longer one is larger.
    Number(usize, String),
    Text(String),
}

impl NaturalKey {
    fn of(name: &str) -> Self {
        let mut parts = Vec::new();
        let mut rest = name;
        while let Some(first) = rest.chars().next() {
            let digits = first.is_ascii_digit();
            let end = rest
                .find(|c: char| c.is_ascii_digit() != digits)
                .unwrap_or(rest.len());
            let (run, tail) = rest.split_at(end);
            rest = tail;
            parts.push(if digits {
                let number = run.trim_start_matches('0').to_owned();
                Part::Number(number.len(), number)
            } else {
                Part::Text(run.to_lowercase())
            });
        }
        Self(parts, name.to_owned())
    }
}

/// Reads `times.csv`: one row a picture, `frame` its number from 0 or its file name.
fn read_times(table: &Path, paths: &[PathBuf]) -> Result<Vec<f64>, CaptureError> {
    let name = table.display().to_string();
    let wrong = |row: u64, what: String| CaptureError::Times {
        name: name.clone(),
        row,
        what,
    };
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_path(table)
        .map_err(|e| wrong(1, e.to_string()))?;
    let heading = reader
        .headers()
        .map_err(|e| wrong(1, e.to_string()))?
        .clone();
    let column = |title: &str| {
        heading
            .iter()
            .position(|h| h.trim_start_matches('\u{feff}') == title)
    };
    let (Some(frame_column), Some(time_column)) = (column("frame"), column("t_s")) else {
        return Err(wrong(
            1,
            "the heading lacks a column frame or t_s".to_owned(),
        ));
    };
    let by_name: HashMap<String, usize> = paths
        .iter()
        .enumerate()
        .map(|(i, p)| (short_name(p), i))
        .collect();
    let mut times: Vec<Option<f64>> = vec![None; paths.len()];
    let mut last_row = 1;
    for record in reader.records() {
        let record = record.map_err(|e| {
            wrong(
                e.position().map_or(last_row + 1, csv::Position::line),
                "it has a different number of fields".to_owned(),
            )
        })?;
        let row = record.position().map_or(0, csv::Position::line);
        last_row = row;
        let (frame, time) = (
            record.get(frame_column).unwrap_or(""),
            record.get(time_column).unwrap_or(""),
        );
        let index = by_name
            .get(frame)
            .copied()
            .or_else(|| frame.parse::<usize>().ok().filter(|&i| i < paths.len()));
        let Some(slot) = index.and_then(|i| times.get_mut(i)) else {
            return Err(wrong(
                row,
                format!(
                    "there is no picture \"{frame}\" among the {} (numbers start at 0)",
                    paths.len()
                ),
            ));
        };
        let Some(time) = time.parse::<f64>().ok().filter(|t| t.is_finite()) else {
            return Err(wrong(row, format!("\"{time}\" is no time in seconds")));
        };
        if slot.replace(time).is_some() {
            return Err(wrong(
                row,
                format!("picture \"{frame}\" has a time already"),
            ));
        }
    }
    let mut out: Vec<f64> = Vec::with_capacity(times.len());
    for (path, time) in paths.iter().zip(times) {
        let Some(time) = time else {
            return Err(wrong(
                last_row,
                format!("the table ends without a time for {}", short_name(path)),
            ));
        };
        if out.last().is_some_and(|&before| time <= before) {
            return Err(wrong(
                last_row,
                format!(
                    "the time {time} s of {} does not come after that of the picture before it",
                    short_name(path)
                ),
            ));
        }
        out.push(time);
    }
    let first = out.first().copied().unwrap_or(0.0);
    Ok(out.into_iter().map(|t| t - first).collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::capture::{Source, open};
    use image::{ImageBuffer, Luma, Rgb};
    use proptest::prelude::*;

    fn grey(width: u32, height: u32, offset: u8) -> image::GrayImage {
        ImageBuffer::from_fn(width, height, |x, y| Luma([(x * 7 + y * 3) as u8 ^ offset]))
    }

    fn error_of(path: &Path) -> String {
        match open(
            &Source::Path(path.to_owned()),
            &OpenOptions {
                without_ffmpeg: true,
                ..OpenOptions::default()
            },
        ) {
            Err(e) => e.to_string(),
            Ok(mut s) => loop {
                match s.next_into(&mut Frame::empty()) {
                    Err(e) => break e.to_string(),
                    Ok(Next::End) => panic!("no error"),
                    Ok(_) => {}
                }
            },
        }
    }

    #[test]
    fn natural_order_and_default_rate() {
        let dir = tempfile::tempdir().unwrap();
        for (n, name) in [
            "frame-1.png",
            "frame-2.png",
            "frame-10.png",
            "frame-010b.png",
        ]
        .iter()
        .enumerate()
        {
            grey(8, 6, n as u8).save(dir.path().join(name)).unwrap();
        }
        std::fs::write(dir.path().join("notes.txt"), "lamp").unwrap();
        let mut source = open(
            &Source::Path(dir.path().to_owned()),
            &OpenOptions::default(),
        )
        .unwrap();
        assert!(
            source.info().description.contains("25 frames/s assumed"),
            "{}",
            source.info().description
        );
        let mut frame = Frame::empty();
        let mut got = Vec::new();
        while source.next_into(&mut frame).unwrap() == Next::Frame {
            got.push((frame.levels[[0, 0]], frame.time_s));
        }
        assert_eq!(got, [(0, 0.0), (1, 0.04), (2, 0.08), (3, 0.12)]);
    }

    #[test]
    fn colour_is_summed_and_clipping_kept() {
        let dir = tempfile::tempdir().unwrap();
        let p8 = dir.path().join("c.png");
        ImageBuffer::from_fn(3, 1, |x, _| {
            Rgb([[10_u8, 20, 30], [255, 0, 0], [254, 254, 254]][x as usize])
        })
        .save(&p8)
        .unwrap();
        let f = read_picture(&p8).unwrap();
        assert_eq!(f.levels.as_slice().unwrap(), [60, 765, 762]);
        assert_eq!(f.full_scale, 765);
        let p16 = dir.path().join("c.tif");
        ImageBuffer::from_fn(3, 1, |x, _| {
            Rgb([[1000_u16, 2000, 3001], [65535, 0, 0], [65534, 65534, 65534]][x as usize])
        })
        .save(&p16)
        .unwrap();
        let f = read_picture(&p16).unwrap();
        assert_eq!(f.levels.as_slice().unwrap(), [2000, 65535, 65534]);
        let pa = dir.path().join("a.png");
        ImageBuffer::from_fn(2, 1, |x, _| image::LumaA([(x * 300) as u16, 7]))
            .save(&pa)
            .unwrap();
        assert_eq!(
            read_picture(&pa).unwrap().levels.as_slice().unwrap(),
            [0, 300]
        );
    }

    #[test]
    fn jpeg_is_strict_and_turned() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.jpg");
        let mut bytes = Vec::new();
        let picture: image::GrayImage = ImageBuffer::from_fn(64, 32, |x, _| Luma([(x * 4) as u8]));
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95)
            .encode_image(&picture)
            .unwrap();
        std::fs::write(&path, &bytes).unwrap();
        let f = read_picture(&path).unwrap();
        assert_eq!((f.width(), f.height()), (64, 32));
        assert!(f.levels[[5, 60]] > 220 && f.levels[[5, 3]] < 30);
        // The segment with the tag, as EXIF 2.32 lays it out: orientation 6.
        let exif = b"\xff\xe1\x00\x22Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0";
        let turned = [&bytes[..2], exif, &bytes[2..]].concat();
        std::fs::write(&path, &turned).unwrap();
        let f = read_picture(&path).unwrap();
        assert_eq!((f.width(), f.height()), (32, 64));
        assert!(f.levels[[60, 5]] > 220 && f.levels[[3, 5]] < 30);
        for cut in [
            bytes.len() / 3,
            bytes.len() / 2,
            bytes.len() - 20,
            bytes.len() - 2,
        ] {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            assert!(
                read_picture(&path).is_err(),
                "cut at {cut} of {}",
                bytes.len()
            );
        }
    }

    #[test]
    fn refusals_are_sentences() {
        let dir = tempfile::tempdir().unwrap();
        assert!(error_of(dir.path()).contains("is an empty folder"));
        std::fs::write(dir.path().join("notes.txt"), "lamp").unwrap();
        assert!(error_of(dir.path()).contains("a folder without pictures"));
        let text = dir.path().join("a.png");
        std::fs::write(&text, "this is no picture at all").unwrap();
        assert!(error_of(&text).contains("holds text"));
        assert!(error_of(dir.path()).contains("no PNG, JPEG or TIFF"));
        let clip = dir.path().join("b.mp4");
        std::fs::write(&clip, "neither is this").unwrap();
        assert!(error_of(&clip).contains("holds text"));
        assert!(error_of(&dir.path().join("missing.mp4")).contains("cannot be read"));
        for name in ["t.png", "t.tif"] {
            let whole = dir.path().join(name);
            grey(64, 64, 3).save(&whole).unwrap();
            let bytes = std::fs::read(&whole).unwrap();
            std::fs::write(&whole, &bytes[..bytes.len() * 6 / 10]).unwrap();
            assert!(
                error_of(&whole).contains("damaged or cut-off"),
                "{}",
                error_of(&whole)
            );
        }
        let sizes = tempfile::tempdir().unwrap();
        grey(8, 8, 0).save(sizes.path().join("1.png")).unwrap();
        grey(8, 9, 0).save(sizes.path().join("2.png")).unwrap();
        assert!(error_of(sizes.path()).contains("2.png is 8 x 9 pixels, but"));
    }

    #[test]
    fn table_of_times() {
        let dir = tempfile::tempdir().unwrap();
        for n in [1, 2, 10] {
            grey(8, 6, n)
                .save(dir.path().join(format!("f{n}.png")))
                .unwrap();
        }
        let table = dir.path().join("times.csv");
        let times = |text: &str| {
            std::fs::write(&table, text).unwrap();
            let mut source = open(
                &Source::Path(dir.path().to_owned()),
                &OpenOptions::default(),
            )
            .map_err(|e| e.to_string())?;
            let mut frame = Frame::empty();
            let mut got = Vec::new();
            while source.next_into(&mut frame).unwrap() == Next::Frame {
                got.push(frame.time_s);
            }
            Ok::<_, String>(got)
        };
        assert_eq!(
            times("frame,t_s\n0,1.5\n1,1.75\n2,4\n").unwrap(),
            [0.0, 0.25, 2.5]
        );
        assert_eq!(
            times("t_s,frame\n4,f10.png\n1.5,f1.png\n1.75,f2.png\n").unwrap(),
            [0.0, 0.25, 2.5]
        );
        for (bad, word) in [
            ("frame,time\n0,1\n", "lacks a column"),
            ("frame,t_s\n0,1\n1,2\n", "without a time for f10.png"),
            ("frame,t_s\n0,1\n1,2\n2,2\n", "does not come after"),
            ("frame,t_s\n0,1\n1,2\n3,2\n", "no picture \"3\""),
            ("frame,t_s\n0,1\n0,2\n2,3\n", "has a time already"),
            ("frame,t_s\n0,1\n1,inf\n2,3\n", "no time in seconds"),
            ("frame,t_s\n0,1\n1\n2,3\n", "number of fields"),
        ] {
            let error = times(bad).unwrap_err();
            assert!(error.contains(word), "{bad:?} gave {error}");
        }
        let both = open(
            &Source::Path(dir.path().to_owned()),
            &OpenOptions {
                fps: Some(5.0),
                ..OpenOptions::default()
            },
        );
        assert!(both.is_err());
    }

    proptest! {
        #[test]
        fn numbers_in_names_count(a in 0_u32..100_000, b in 0_u32..100_000) {
            let (x, y) = (NaturalKey::of(&format!("frame-{a}.png")), NaturalKey::of(&format!("frame-{b}.png")));
            prop_assert_eq!(a.cmp(&b), x.cmp(&y));
        }
    }
}
