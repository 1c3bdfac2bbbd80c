//! Time per frame: looking at a frame of which nothing is known, following lines from frame to frame, and, to compare with,
//! one pass over the frame's memory and the decoding of the same frames. `cargo bench` prints it; one thread throughout.
//!
//! Frames are practice footage with three lines and cross-hairs, drawn at the size in question. Decoding needs the
//! program `ffmpeg` for making the clip; without it that part is left out, and said so.

use std::sync::OnceLock;

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use lineturn::session::{
    CaptureError, Frame, FrameSource, Next, OpenOptions, Source, SourceInfo, WatchOptions,
    locate_in, open_source, watch as watch_source, watch_frames,
};
use lineturn::simulate::{Scene, ffmpeg_is_there, scene, write_clip};

const SIZES: [Size; 3] = [Size(640, 480), Size(1280, 720), Size(1920, 1080)];
/// Frames of a run: what is done every few frames has its share.
const FRAMES: usize = 140;

/// Columns and rows.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Size(usize, usize);

impl std::fmt::Display for Size {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} x {}", self.0, self.1)
    }
}

fn main() {
    divan::main();
}

/// Three lines that turn one after the other, most of the sweep.
fn three_lines(size: Size) -> Scene {
    let mut scene = scene("several-lines", 1).expect("a scenario of the list");
    scene.eyepiece = scene.eyepiece.finer(size.0, size.1);
    scene.bench.lines.truncate(3);
    assert_eq!(scene.bench.lines.len(), 3);
    let from = scene.frames() / 10;
    scene.frame_times_s.drain(..from);
    scene.frame_times_s.truncate(FRAMES);
    assert_eq!(scene.frames(), FRAMES);
    scene
}

/// Rendered once for all.
fn frames(size: Size) -> &'static [Frame] {
    static RENDERED: [OnceLock<Vec<Frame>>; 3] = [const { OnceLock::new() }; 3];
    let at = SIZES.iter().position(|other| *other == size).unwrap_or(0);
    RENDERED[at].get_or_init(|| {
        let scene = three_lines(size);
        let mut rendering = scene.rendering();
        let mut all = Vec::new();
        let mut frame = Frame::empty();
        while rendering.next_into(&mut frame).is_some() {
            all.push(frame.clone());
        }
        all
    })
}

/// Frames in memory as a source; they are lent out by a copy, as a decoder writes them.
struct Film {
    info: SourceInfo,
    frames: &'static [Frame],
    next: usize,
}

impl FrameSource for Film {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        let Some(next) = self.frames.get(self.next) else {
            return Ok(Next::End);
        };
        self.next += 1;
        frame.resize(next.width(), next.height());
        frame.levels.assign(&next.levels);
        frame.black = next.black;
        frame.full_scale = next.full_scale;
        frame.time_s = next.time_s;
        frame.number = next.number;
        Ok(Next::Frame)
    }
}

fn film(size: Size) -> Film {
    let frames = frames(size);
    Film {
        info: SourceInfo {
            description: String::from("practice"),
            width: size.0,
            height: size.1,
            frames: Some(frames.len() as u64),
        },
        frames,
        next: 0,
    }
}

/// A frame of which nothing is known: hairs, field and lines.
#[divan::bench(args = SIZES, sample_count = 20, sample_size = 1)]
fn locate(bencher: Bencher<'_, '_>, size: Size) {
    let frame = &frames(size)[FRAMES / 2];
    assert!(locate_in(frame).lines.len() >= 3, "three lines are there");
    bencher.bench(|| locate_in(black_box(frame)));
}

/// A clip from its first frame to its turning points; the time is that of all frames.
#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn watch(bencher: Bencher<'_, '_>, size: Size) {
    let frames = frames(size).len();
    bencher
        .counter(ItemsCount::new(frames))
        .with_inputs(|| film(size))
        .bench_values(|mut film| {
            watch_frames(&mut film, &WatchOptions::default(), |_| {}).expect("frames in memory")
        });
}

/// The sum of a frame's levels: one pass over its memory.
#[divan::bench(args = SIZES, sample_count = 20)]
fn memory_pass(bencher: Bencher<'_, '_>, size: Size) {
    let frame = &frames(size)[0];
    bencher.bench(|| {
        let levels = black_box(frame).levels.as_slice().unwrap_or(&[]);
        levels.iter().map(|&level| u64::from(level)).sum::<u64>()
    });
}

/// The same frames out of an H.264 clip.
#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn decode(bencher: Bencher<'_, '_>, size: Size) {
    let Some(clip) = clip(size) else {
        eprintln!("decode: left out, there is no program ffmpeg to make the clip with");
        return;
    };
    bencher.counter(ItemsCount::new(FRAMES)).bench(|| {
        let mut source = open_source(clip, &OpenOptions::default()).expect("a clip");
        let mut frame = Frame::empty();
        let mut count = 0;
        while matches!(source.next_into(&mut frame).expect("whole"), Next::Frame) {
            count += 1;
        }
        assert_eq!(count, FRAMES);
    });
}

/// The same clip from its file to its turning points: decoding in one thread, analysis in another.
#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn watch_clip(bencher: Bencher<'_, '_>, size: Size) {
    let Some(clip) = clip(size) else {
        eprintln!("watch_clip: left out, there is no program ffmpeg to make the clip with");
        return;
    };
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench(|| watch_source(clip, &WatchOptions::default(), |_| {}).expect("a clip"));
}

fn clip(size: Size) -> Option<&'static Source> {
    static CLIPS: [OnceLock<Option<Source>>; 3] = [const { OnceLock::new() }; 3];
    let at = SIZES.iter().position(|other| *other == size).unwrap_or(0);
    CLIPS[at]
        .get_or_init(|| {
            if !ffmpeg_is_there() {
                return None;
            }
            let folder = std::env::temp_dir().join("lineturn-speed");
            std::fs::create_dir_all(&folder).ok()?;
            let file = folder.join(format!("{}.mp4", size.1));
            write_clip(&three_lines(size), &file, "h264".parse().ok()?).ok()?;
            Some(Source::Path(file))
        })
        .as_ref()
}
