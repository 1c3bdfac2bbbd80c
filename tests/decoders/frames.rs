//! Prints every frame of a clip, for `compare.py` beside this file: `frames [--own] [--planes FILE] CLIP`.
//!
//! A line a frame: `frame NUMBER T_S WIDTH HEIGHT BLACK FULL_SCALE`; `lost N WHY` for frames that could not be decoded; last `end` or
//! `error SENTENCE`. `--planes` writes the levels, one byte each, or two (low first) where the scale goes beyond 255; `--own` leaves a system
//! ffmpeg alone. Exit status 0 whatever the clip; a panic gives 101.

#![allow(missing_docs, clippy::print_stdout, reason = "a tool of the tests")]

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::PathBuf;

use lineturn::basics::frame::Frame;
use lineturn::session::{CaptureError, Next, OpenOptions, Source, open_source};

fn main() {
    let mut own = false;
    let mut planes = None;
    let mut clip = None;
    let mut arguments = std::env::args_os().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.to_str() {
            Some("--own") => own = true,
            Some("--planes") => planes = arguments.next().map(PathBuf::from),
            _ => clip = Some(PathBuf::from(argument)),
        }
    }
    let clip = clip.expect("a clip");
    let planes = planes.map(|path| BufWriter::new(File::create(path).expect("a file of planes")));
    let options = OpenOptions {
        without_ffmpeg: own,
        ..OpenOptions::default()
    };
    match print(&Source::Path(clip), &options, planes) {
        Ok(()) => println!("end"),
        Err(error) => println!("error {error}"),
    }
}

fn print(
    source: &Source,
    options: &OpenOptions,
    mut planes: Option<BufWriter<File>>,
) -> Result<(), CaptureError> {
    let mut source = open_source(source, options)?;
    println!("source {}", source.info().description);
    let mut frame = Frame::empty();
    let mut bytes = Vec::new();
    loop {
        match source.next_into(&mut frame)? {
            Next::Frame => println!(
                "frame {} {:.9} {} {} {} {}",
                frame.number,
                frame.time_s,
                frame.width(),
                frame.height(),
                frame.black,
                frame.full_scale
            ),
            Next::Lost { frames, why } => {
                println!("lost {frames} {why}");
                continue;
            }
            Next::End => return Ok(()),
            other => panic!("{other:?} of recorded footage"),
        }
        if let Some(planes) = &mut planes {
            bytes.clear();
            for &level in &frame.levels {
                bytes.push(level.to_le_bytes()[0]);
                if frame.full_scale > 255 {
                    bytes.push(level.to_le_bytes()[1]);
                }
            }
            planes.write_all(&bytes).expect("room for planes");
        }
    }
}
