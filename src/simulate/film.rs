//! Writes scenes to files, with the truth beside them.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageBuffer, Luma, Rgb};

use super::SimulateError;
use super::camera::Picture;
use super::scene::Scene;

/// How footage is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A folder of PNG pictures with `times.csv`.
    Png,
    /// Motion JPEG in AVI, with a quality from 1 to 100.
    MotionJpeg(u8),
    /// YUV4MPEG2.
    Y4m,
    /// H.264 in MP4, written by the system's `ffmpeg`, with a constant rate factor.
    H264(u8),
}

impl std::str::FromStr for Format {
    type Err = SimulateError;

    /// `png`, `mjpeg`, `y4m` or `h264`, at a good quality.
    fn from_str(name: &str) -> Result<Self, SimulateError> {
        match name {
            "png" => Ok(Self::Png),
            "mjpeg" => Ok(Self::MotionJpeg(90)),
            "y4m" => Ok(Self::Y4m),
            "h264" => Ok(Self::H264(20)),
            _ => Err(SimulateError::Other(format!(
                "there is no footage format \"{name}\"; known are: png, mjpeg, y4m, h264"
            ))),
        }
    }
}

/// Renders a scene into `folder`, which is made if need be: the footage, and `truth.json`.
///
/// PNG pictures and `times.csv` lie in the folder itself; other formats are one `clip` file in it.
/// Gives back what a reader is to open: the folder or the clip.
///
/// # Errors
/// A file cannot be written, or the format cannot hold the scene.
pub fn write(scene: &Scene, folder: &Path, format: Format) -> Result<PathBuf, SimulateError> {
    fs::create_dir_all(folder).map_err(|e| SimulateError::file(folder, &e))?;
    let opened = match format {
        Format::Png => {
            write_pictures(scene, folder)?;
            folder.to_path_buf()
        }
        Format::MotionJpeg(_) => folder.join("clip.avi"),
        Format::Y4m => folder.join("clip.y4m"),
        Format::H264(_) => folder.join("clip.mp4"),
    };
    if format != Format::Png {
        write_clip(scene, &opened, format)?;
    }
    let truth = folder.join("truth.json");
    let text = serde_json::to_string_pretty(&scene.truth_file())
        .map_err(|e| SimulateError::Other(format!("the truth cannot be written as JSON: {e}")))?;
    fs::write(&truth, text + "\n").map_err(|e| SimulateError::file(&truth, &e))?;
    Ok(opened)
}

/// Renders a scene into one video file (any format but PNG).
///
/// # Errors
/// As for [`write`].
pub fn write_clip(scene: &Scene, file: &Path, format: Format) -> Result<(), SimulateError> {
    match format {
        Format::Png => Err(SimulateError::Other(format!(
            "{}: PNG pictures are a folder, not a clip; ask for mjpeg, y4m or h264",
            file.display()
        ))),
        Format::MotionJpeg(quality) => write_avi(scene, file, quality),
        Format::Y4m => write_y4m(scene, file),
        Format::H264(factor) => write_h264(scene, file, factor),
    }
}

fn write_pictures(scene: &Scene, folder: &Path) -> Result<(), SimulateError> {
    let mut times = String::from("frame,t_s\n");
    let mut rendering = scene.rendering();
    while let Some(truth) = rendering.next_picture() {
        let name = format!("frame-{:04}.png", truth.frame);
        write_still(rendering.picture(), &folder.join(&name))?;
        times.push_str(&format!("{name},{:.6}\n", truth.t_s));
    }
    let path = folder.join("times.csv");
    fs::write(&path, times).map_err(|e| SimulateError::file(&path, &e))
}

/// Writes one picture as PNG: 8 bit if its full scale is 255, else 16 bit; grey or colour.
///
/// # Errors
/// The file cannot be written.
pub fn write_still(picture: &Picture, file: &Path) -> Result<(), SimulateError> {
    let (width, height) = (picture.width as u32, picture.height as u32);
    let fail = |e: image::ImageError| {
        SimulateError::Other(format!(
            "{}: the picture cannot be written: {e}",
            file.display()
        ))
    };
    let wrong = || SimulateError::Other(format!("{}: the picture is empty", file.display()));
    let bytes = || -> Vec<u8> { picture.levels.iter().map(|v| (*v).min(255) as u8).collect() };
    // Levels of 10 or 12 bits are spread over the 16 bits of the file.
    let words = || -> Vec<u16> {
        let factor = 65535.0 / f64::from(picture.full_scale.max(1));
        picture
            .levels
            .iter()
            .map(|v| (f64::from(*v) * factor).round() as u16)
            .collect()
    };
    match (picture.planes, picture.full_scale) {
        (1, 255) => ImageBuffer::<Luma<u8>, _>::from_raw(width, height, bytes())
            .ok_or_else(wrong)?
            .save(file)
            .map_err(fail),
        (1, _) => ImageBuffer::<Luma<u16>, _>::from_raw(width, height, words())
            .ok_or_else(wrong)?
            .save(file)
            .map_err(fail),
        (_, 255) => ImageBuffer::<Rgb<u8>, _>::from_raw(width, height, bytes())
            .ok_or_else(wrong)?
            .save(file)
            .map_err(fail),
        _ => ImageBuffer::<Rgb<u16>, _>::from_raw(width, height, words())
            .ok_or_else(wrong)?
            .save(file)
            .map_err(fail),
    }
}

/// A picture as 8-bit JPEG.
pub(crate) fn jpeg(picture: &Picture, quality: u8) -> Result<Vec<u8>, SimulateError> {
    let mut bytes = Vec::new();
    let levels: Vec<u8> = picture.levels.iter().map(|v| (*v).min(255) as u8).collect();
    let colour = if picture.planes == 1 {
        ExtendedColorType::L8
    } else {
        ExtendedColorType::Rgb8
    };
    JpegEncoder::new_with_quality(&mut bytes, quality.clamp(1, 100))
        .encode(&levels, picture.width as u32, picture.height as u32, colour)
        .map_err(|e| SimulateError::Other(format!("a frame cannot be packed as JPEG: {e}")))?;
    Ok(bytes)
}

fn steady_rate(scene: &Scene, file: &Path) -> Result<f64, SimulateError> {
    scene.frames_per_s.ok_or_else(|| {
        SimulateError::Other(format!(
            "{}: the frame times of scenario {} wander, which this format cannot hold; ask for png or h264",
            file.display(),
            scene.name
        ))
    })
}

/// Appends a RIFF chunk.
fn chunk(out: &mut Vec<u8>, name: &[u8; 4], body: &[u8]) {
    out.extend_from_slice(name);
    out.extend_from_slice(&(body.len() as u32).to_le_bytes());
    out.extend_from_slice(body);
    if body.len() % 2 == 1 {
        out.push(0);
    }
}

fn words32(values: &[u32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_le_bytes()).collect()
}

/// Motion JPEG in AVI 1.0, as Microsoft's "AVI RIFF file reference" lays it out (from memory).
fn write_avi(scene: &Scene, file: &Path, quality: u8) -> Result<(), SimulateError> {
    let rate = steady_rate(scene, file)?;
    let (width, height) = (scene.eyepiece.width as u32, scene.eyepiece.height as u32);
    let mut movie = b"movi".to_vec();
    let mut index = Vec::new();
    let mut frames = 0_u32;
    let mut largest = 0_u32;
    let mut rendering = scene.rendering();
    while rendering.next_picture().is_some() {
        let bytes = jpeg(rendering.picture(), quality)?;
        index.extend_from_slice(b"00dc");
        index.extend(words32(&[0x10, movie.len() as u32, bytes.len() as u32]));
        chunk(&mut movie, b"00dc", &bytes);
        largest = largest.max(bytes.len() as u32);
        frames += 1;
    }
    let per_mille = (rate * 1000.0).round() as u32;
    let main = words32(&[
        (1e6 / rate).round() as u32,
        0,
        0,
        0x10,
        frames,
        0,
        1,
        largest,
        width,
        height,
        0,
        0,
        0,
        0,
    ]);
    let mut stream = b"vidsMJPG".to_vec();
    stream.extend(words32(&[
        0,
        0,
        0,
        1000,
        per_mille,
        0,
        frames,
        largest,
        u32::MAX,
        0,
        0,
    ]));
    stream.extend_from_slice(&(width as u16).to_le_bytes());
    stream.extend_from_slice(&(height as u16).to_le_bytes());
    let mut format = words32(&[40, width, height]);
    format.extend_from_slice(&1_u16.to_le_bytes());
    format.extend_from_slice(&24_u16.to_le_bytes());
    format.extend_from_slice(b"MJPG");
    format.extend(words32(&[width * height * 3, 0, 0, 0, 0]));
    let mut list = b"strl".to_vec();
    chunk(&mut list, b"strh", &stream);
    chunk(&mut list, b"strf", &format);
    let mut header = b"hdrl".to_vec();
    chunk(&mut header, b"avih", &main);
    chunk(&mut header, b"LIST", &list);
    let mut body = b"AVI ".to_vec();
    chunk(&mut body, b"LIST", &header);
    chunk(&mut body, b"LIST", &movie);
    chunk(&mut body, b"idx1", &index);
    let mut out = Vec::with_capacity(body.len() + 8);
    chunk(&mut out, b"RIFF", &body);
    fs::write(file, out).map_err(|e| SimulateError::file(file, &e))
}

/// Luma and chroma of full range by BT.601, chroma at half size: 4:2:0 as JPEG has it.
fn luma_chroma(picture: &Picture) -> Vec<u8> {
    let (width, height) = (picture.width, picture.height);
    let scale = 255.0 / f64::from(picture.full_scale.max(1));
    let pixel = |column: usize, row: usize| -> [f64; 3] {
        let at = (row.min(height - 1) * width + column.min(width - 1)) * picture.planes;
        std::array::from_fn(|p| {
            let plane = if picture.planes == 1 { 0 } else { p };
            scale * f64::from(picture.levels.get(at + plane).copied().unwrap_or(0))
        })
    };
    let byte = |v: f64| v.round().clamp(0.0, 255.0) as u8;
    let mut out = Vec::with_capacity(width * height * 3 / 2);
    for row in 0..height {
        for column in 0..width {
            let [r, g, b] = pixel(column, row);
            out.push(byte(0.299 * r + 0.587 * g + 0.114 * b));
        }
    }
    if picture.planes == 1 {
        return out;
    }
    for weights in [[-0.168_736, -0.331_264, 0.5], [0.5, -0.418_688, -0.081_312]] {
        for row in (0..height).step_by(2) {
            for column in (0..width).step_by(2) {
                let mut sum = 0.0;
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let rgb = pixel(column + dx, row + dy);
                    sum += weights.iter().zip(rgb).map(|(w, v)| w * v).sum::<f64>();
                }
                out.push(byte(128.0 + 0.25 * sum));
            }
        }
    }
    out
}

fn write_y4m(scene: &Scene, file: &Path) -> Result<(), SimulateError> {
    let rate = steady_rate(scene, file)?;
    let fail = |e: &std::io::Error| SimulateError::file(file, e);
    let mut out = std::io::BufWriter::new(fs::File::create(file).map_err(|e| fail(&e))?);
    let colours = if scene.camera.planes() == 1 {
        "Cmono"
    } else {
        "C420jpeg"
    };
    writeln!(
        out,
        "YUV4MPEG2 W{} H{} F{}:1000 Ip A1:1 {colours} XCOLORRANGE=FULL",
        scene.eyepiece.width,
        scene.eyepiece.height,
        (rate * 1000.0).round()
    )
    .map_err(|e| fail(&e))?;
    let mut rendering = scene.rendering();
    while rendering.next_picture().is_some() {
        out.write_all(b"FRAME\n").map_err(|e| fail(&e))?;
        out.write_all(&luma_chroma(rendering.picture()))
            .map_err(|e| fail(&e))?;
    }
    out.flush().map_err(|e| fail(&e))
}

/// Whether this machine has an `ffmpeg` that starts.
#[must_use]
pub fn ffmpeg_is_there() -> bool {
    Command::new("ffmpeg")
        .arg("-version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

/// H.264 in MP4, 8 bit 4:2:0, limited range as cameras and phones write it.
fn write_h264(scene: &Scene, file: &Path, factor: u8) -> Result<(), SimulateError> {
    if !ffmpeg_is_there() {
        return Err(SimulateError::Other(format!(
            "{}: H.264 needs the program ffmpeg, which is not on the search path; install it or ask for mjpeg",
            file.display()
        )));
    }
    let pixel = if scene.camera.planes() == 1 {
        "gray"
    } else {
        "rgb24"
    };
    let size = format!("{}x{}", scene.eyepiece.width, scene.eyepiece.height);
    // A wandering clock is written at 1000 frames per second of time base, by the times of the
    // pictures, through a list; see `write_wandering`.
    let Some(rate) = scene.frames_per_s else {
        return write_wandering(scene, file, factor);
    };
    let mut child = Command::new("ffmpeg")
        .args([
            "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", pixel, "-s", &size,
        ])
        .args(["-r", &rate.to_string(), "-i", "-"])
        .args(["-c:v", "libx264", "-pix_fmt", "yuv420p", "-threads", "1"])
        .args([
            "-crf",
            &factor.to_string(),
            "-movflags",
            "+faststart",
            "-fflags",
            "+bitexact",
        ])
        .arg(file)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| SimulateError::Other(format!("ffmpeg cannot be started: {e}")))?;
    let mut written = Ok(());
    if let Some(mut pipe) = child.stdin.take() {
        let mut rendering = scene.rendering();
        while written.is_ok() && rendering.next_picture().is_some() {
            let bytes: Vec<u8> = rendering
                .picture()
                .levels
                .iter()
                .map(|v| (*v).min(255) as u8)
                .collect();
            written = pipe.write_all(&bytes);
        }
    }
    finish_ffmpeg(child, file, written)
}

fn finish_ffmpeg(
    child: std::process::Child,
    file: &Path,
    written: std::io::Result<()>,
) -> Result<(), SimulateError> {
    let ended = child
        .wait_with_output()
        .map_err(|e| SimulateError::Other(format!("ffmpeg did not end: {e}")))?;
    if !ended.status.success() || written.is_err() {
        let said = String::from_utf8_lossy(&ended.stderr);
        return Err(SimulateError::Other(format!(
            "{}: ffmpeg could not write the clip: {}",
            file.display(),
            said.lines().next().unwrap_or("it gave no reason")
        )));
    }
    Ok(())
}

/// A clip with a wandering clock: pictures in a folder beside it for a moment, and a list of their durations.
fn write_wandering(scene: &Scene, file: &Path, factor: u8) -> Result<(), SimulateError> {
    let folder = file.with_extension("pictures");
    fs::create_dir_all(&folder).map_err(|e| SimulateError::file(&folder, &e))?;
    let result = (|| {
        write_pictures(scene, &folder)?;
        let mut list = String::from("ffconcat version 1.0\n");
        let times = &scene.frame_times_s;
        for (number, time) in times.iter().enumerate() {
            let lasts = times.get(number + 1).map_or(0.04, |next| next - time);
            list.push_str(&format!(
                "file frame-{number:04}.png\noption framerate 90000\nduration {lasts:.6}\n"
            ));
        }
        let list_file = folder.join("list.txt");
        fs::write(&list_file, list).map_err(|e| SimulateError::file(&list_file, &e))?;
        let code = |timing: &str| {
            let child = Command::new("ffmpeg")
                .args(["-v", "error", "-y", "-f", "concat", "-safe", "0", "-i"])
                .arg(&list_file)
                .args([
                    timing,
                    "vfr",
                    "-enc_time_base",
                    "1:90000",
                    "-c:v",
                    "libx264",
                ])
                .args([
                    "-pix_fmt",
                    "yuv420p",
                    "-threads",
                    "1",
                    "-crf",
                    &factor.to_string(),
                ])
                .args(["-video_track_timescale", "90000", "-movflags", "+faststart"])
                .arg(file)
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .map_err(|e| SimulateError::Other(format!("ffmpeg cannot be started: {e}")))?;
            finish_ffmpeg(child, file, Ok(()))
        };
        // As it is called from version 5.1 on, and before.
        match code("-fps_mode") {
            Err(error) if error.to_string().contains("fps_mode") => code("-vsync"),
            coded => coded,
        }
    })();
    fs::remove_dir_all(&folder).map_err(|e| SimulateError::file(&folder, &e))?;
    result
}
