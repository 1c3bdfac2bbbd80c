//! Still pictures: PNG, JPEG and TIFF, 8 or 16 bit, grey or colour.

use std::io::Cursor;
use std::path::Path;

use image::{DynamicImage, ImageDecoder, ImageReader};

use super::CaptureError;
use super::jpeg::JpegReader;
use crate::basics::frame::Frame;

/// Largest side of a picture, px.
const LARGEST_SIDE_PX: u32 = 16_384;
/// Memory that the decoder of a picture may take.
const LARGEST_PICTURE_BYTES: u64 = 1 << 30;

/// Reads one still picture.
///
/// # Errors
/// The file can't be read, is no picture, or is not whole: one sentence that names it.
pub fn read_picture(path: &Path) -> Result<Frame, CaptureError> {
    let mut frame = Frame::empty();
    read_picture_into(path, &mut JpegReader::default(), &mut frame)?;
    Ok(frame)
}

/// Reads one still picture into a frame that is used again.
pub(super) fn read_picture_into(path: &Path, jpeg: &mut JpegReader, frame: &mut Frame) -> Result<(), CaptureError> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| CaptureError::io(&name, error))?;
    if bytes.is_empty() {
        return Err(CaptureError::content(name, "is empty; copy or take the picture again"));
    }
    if bytes.starts_with(b"\xff\xd8\xff") {
        return jpeg.read(&bytes, frame).map_err(|what| CaptureError::content(name, what));
    }
    let wrong = |error: image::ImageError| {
        CaptureError::content(
            &name,
            match error {
                image::ImageError::Unsupported(error) => {
                    format!("is a kind of picture that is not read ({error}); save it as PNG, JPEG or TIFF, 8 or 16 bit")
                }
                error => format!("the picture is damaged or cut short ({error}); copy or take it again"),
            },
        )
    };
    let mut reader = ImageReader::new(Cursor::new(&bytes))
        .with_guessed_format()
        .map_err(|error| CaptureError::io(&name, error))?;
    if reader.format().is_none() {
        return Err(CaptureError::content(name, "is no picture; give PNG, JPEG or TIFF, 8 or 16 bit"));
    }
    let mut limits = image::Limits::default();
    limits.max_image_width = Some(LARGEST_SIDE_PX);
    limits.max_image_height = Some(LARGEST_SIDE_PX);
    limits.max_alloc = Some(LARGEST_PICTURE_BYTES);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(wrong)?;
    let orientation = decoder.orientation().map_err(wrong)?;
    let mut picture = DynamicImage::from_decoder(decoder).map_err(wrong)?;
    picture.apply_orientation(orientation);
    fill(&picture, frame).map_err(|what| CaptureError::content(name, what))
}

/// Copies a picture into a frame: grey levels as they are, colour planes added.
fn fill(picture: &DynamicImage, frame: &mut Frame) -> Result<(), String> {
    frame.resize(picture.width() as usize, picture.height() as usize);
    frame.black = 0;
    match picture {
        DynamicImage::ImageLuma8(grey) => {
            frame.full_scale = u16::from(u8::MAX);
            put(frame, grey.as_raw().iter().map(|&level| u16::from(level)));
        }
        DynamicImage::ImageLumaA8(grey) => {
            frame.full_scale = u16::from(u8::MAX);
            put(frame, grey.pixels().map(|pixel| u16::from(pixel.0[0])));
        }
        DynamicImage::ImageRgb8(colour) => {
            frame.full_scale = SUM_FULL_SCALE;
            put(frame, colour.pixels().map(|pixel| sum_of_planes(pixel.0)));
        }
        DynamicImage::ImageRgba8(colour) => {
            frame.full_scale = SUM_FULL_SCALE;
            put(frame, colour.pixels().map(|pixel| sum_of_planes([pixel.0[0], pixel.0[1], pixel.0[2]])));
        }
        DynamicImage::ImageLuma16(grey) => {
            frame.full_scale = u16::MAX;
            put(frame, grey.as_raw().iter().copied());
        }
        DynamicImage::ImageLumaA16(grey) => {
            frame.full_scale = u16::MAX;
            put(frame, grey.pixels().map(|pixel| pixel.0[0]));
        }
        DynamicImage::ImageRgb16(colour) => {
            frame.full_scale = u16::MAX;
            put(frame, colour.pixels().map(|pixel| mean_of_planes(pixel.0)));
        }
        DynamicImage::ImageRgba16(colour) => {
            frame.full_scale = u16::MAX;
            put(frame, colour.pixels().map(|pixel| mean_of_planes([pixel.0[0], pixel.0[1], pixel.0[2]])));
        }
        _ => return Err("holds levels that are no whole numbers; save it with 8 or 16 bit".to_owned()),
    }
    Ok(())
}

/// Three planes of 8 bit, all clipped.
const SUM_FULL_SCALE: u16 = 3 * u8::MAX as u16;

fn put(frame: &mut Frame, levels: impl Iterator<Item = u16>) {
    for (to, from) in frame.levels.iter_mut().zip(levels) {
        *to = from;
    }
}

fn sum_of_planes(planes: [u8; 3]) -> u16 {
    if planes.contains(&u8::MAX) { SUM_FULL_SCALE } else { planes.iter().map(|&plane| u16::from(plane)).sum() }
}

fn mean_of_planes(planes: [u16; 3]) -> u16 {
    if planes.contains(&u16::MAX) {
        return u16::MAX;
    }
    let sum: u32 = planes.iter().map(|&plane| u32::from(plane)).sum();
    ((sum + 1) / 3) as u16
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use image::{GrayImage, ImageBuffer, Luma, Rgb, RgbImage, Rgba, RgbaImage};
    use tempfile::tempdir;

    use super::*;

    #[test]
    fn grey_and_colour_of_both_depths_are_read() {
        let folder = tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        GrayImage::from_pixel(5, 4, Luma([77])).save(path("g8.png")).unwrap();
        RgbImage::from_pixel(5, 4, Rgb([10, 20, 30])).save(path("c8.png")).unwrap();
        RgbaImage::from_pixel(5, 4, Rgba([10, 20, 30, 9])).save(path("a8.png")).unwrap();
        RgbImage::from_pixel(5, 4, Rgb([10, 255, 30])).save(path("clipped.png")).unwrap();
        ImageBuffer::<Luma<u16>, _>::from_pixel(5, 4, Luma([7700u16])).save(path("g16.png")).unwrap();
        ImageBuffer::<Rgb<u16>, _>::from_pixel(5, 4, Rgb([1000u16, 2000, 3000])).save(path("c16.tiff")).unwrap();
        for (name, level, full_scale) in [
            ("g8.png", 77, 255),
            ("c8.png", 60, 765),
            ("a8.png", 60, 765),
            ("clipped.png", 765, 765),
            ("g16.png", 7700, 65535),
            ("c16.tiff", 2000, 65535),
        ] {
            let frame = read_picture(&path(name)).unwrap();
            assert_eq!((frame.width(), frame.height()), (5, 4), "{name}");
            assert_eq!((frame.levels[[3, 4]], frame.full_scale), (level, full_scale), "{name}");
        }
    }

    #[test]
    fn what_is_not_whole_is_refused_with_its_name() {
        let folder = tempdir().unwrap();
        let whole = folder.path().join("whole.png");
        GrayImage::from_fn(60, 50, |x, y| Luma([(x * 3 + y * 5) as u8])).save(&whole).unwrap();
        let bytes = std::fs::read(&whole).unwrap();
        let cut = folder.path().join("cut.png");
        for length in [1, 9, 30, bytes.len() / 2, bytes.len() - 20] {
            std::fs::write(&cut, &bytes[..length]).unwrap();
            let said = read_picture(&cut).unwrap_err().to_string();
            assert!(said.contains("cut.png") && !said.contains('\n'), "{length}: {said}");
        }
        let mut wrong = bytes.clone();
        let middle = wrong.len() / 2;
        wrong[middle] ^= 0x55;
        std::fs::write(&cut, &wrong).unwrap();
        assert!(read_picture(&cut).is_err(), "a changed byte is caught by the checksum");
    }
}
