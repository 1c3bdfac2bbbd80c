//! JPEG pictures, as files and as the frames of motion JPEG: luma only, and whole or not at all.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use image::metadata::Orientation;

use crate::basics::frame::Frame;

/// Decodes JPEG pictures into frames; the buffer for the luma plane is kept between pictures.
#[derive(Default)]
pub(super) struct JpegReader {
    luma: Vec<u8>,
}

impl JpegReader {
    /// Fills `frame` with the luma of the picture in `bytes`, upright.
    ///
    /// # Errors
    /// What is wrong with the picture, without its name. A picture that is cut short or damaged gives nothing: its decoder is
    /// strict, since a lenient one fills what is missing with levels that look like a measurement.
    pub(super) fn read(&mut self, bytes: &[u8], frame: &mut Frame) -> Result<(), String> {
        let options =
            DecoderOptions::default().set_strict_mode(true).jpeg_set_out_colorspace(ColorSpace::Luma);
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
        let damaged = |error: zune_jpeg::errors::DecodeErrors| {
            format!("the JPEG picture is damaged or cut short ({error:?}); copy or record it again")
        };
        decoder.decode_headers().map_err(damaged)?;
        let (Some(size), Some(info)) = (decoder.output_buffer_size(), decoder.info()) else {
            return Err("the JPEG picture has no size; copy or record it again".to_owned());
        };
        let (width, height) = (usize::from(info.width), usize::from(info.height));
        if size != width * height || size == 0 {
            return Err("the JPEG picture has no luma plane of its own; save it as PNG".to_owned());
        }
        self.luma.resize(size, 0);
        decoder.decode_into(&mut self.luma).map_err(damaged)?;
        // The decoder pads a scan that stops early; only the end marker says that all of it came.
        let end = bytes.iter().rposition(|&byte| byte != 0).map_or(&[][..], |last| &bytes[..=last]);
        if !end.windows(2).rev().take(TRAILING_BYTES).any(|pair| pair == [0xff, 0xd9]) {
            return Err("the JPEG picture is cut short: its end marker is missing; copy or record it again".to_owned());
        }
        let orientation =
            decoder.exif().and_then(|exif| Orientation::from_exif_chunk(exif)).unwrap_or(Orientation::NoTransforms);
        fill_upright(&self.luma, width, height, orientation, frame);
        Ok(())
    }
}

/// Bytes behind the end marker in which it is looked for: some cameras append a trailer.
const TRAILING_BYTES: usize = 1 << 16;

/// Copies a luma plane of `width` × `height` into `frame`, turned as `orientation` says.
fn fill_upright(luma: &[u8], width: usize, height: usize, orientation: Orientation, frame: &mut Frame) {
    frame.black = 0;
    frame.full_scale = u16::from(u8::MAX);
    let swapped = matches!(
        orientation,
        Orientation::Rotate90 | Orientation::Rotate270 | Orientation::Rotate90FlipH | Orientation::Rotate270FlipH
    );
    let (wide, high) = if swapped { (height, width) } else { (width, height) };
    frame.resize(wide, high);
    if orientation == Orientation::NoTransforms {
        for (to, from) in frame.levels.iter_mut().zip(luma) {
            *to = u16::from(*from);
        }
        return;
    }
    for ((y, x), to) in frame.levels.indexed_iter_mut() {
        let (column, row) = match orientation {
            Orientation::NoTransforms => (x, y),
            Orientation::FlipHorizontal => (width - 1 - x, y),
            Orientation::Rotate180 => (width - 1 - x, height - 1 - y),
            Orientation::FlipVertical => (x, height - 1 - y),
            Orientation::Rotate90 => (y, height - 1 - x),
            Orientation::Rotate270 => (width - 1 - y, x),
            Orientation::Rotate90FlipH => (y, x),
            Orientation::Rotate270FlipH => (width - 1 - y, height - 1 - x),
        };
        *to = luma.get(row * width + column).copied().map_or(0, u16::from);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use image::{DynamicImage, GrayImage, Luma};

    use super::*;

    fn picture() -> GrayImage {
        GrayImage::from_fn(53, 41, |x, y| Luma([(x * 4 + y) as u8]))
    }

    fn encoded(picture: &GrayImage) -> Vec<u8> {
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 100).encode_image(picture).unwrap();
        bytes
    }

    #[test]
    fn luma_is_that_of_the_picture() {
        let picture = picture();
        let mut frame = Frame::empty();
        JpegReader::default().read(&encoded(&picture), &mut frame).unwrap();
        assert_eq!((frame.width(), frame.height()), (53, 41));
        for (x, y, level) in picture.enumerate_pixels() {
            let found = i32::from(frame.levels[[y as usize, x as usize]]);
            assert!((found - i32::from(level.0[0])).abs() <= 2, "({x}, {y}): {found}");
        }
    }

    #[test]
    fn a_picture_cut_short_gives_nothing() {
        let bytes = encoded(&picture());
        for share in [3, 10, 30, 50, 80, 99] {
            let cut = &bytes[..bytes.len() * share / 100];
            let said = JpegReader::default().read(cut, &mut Frame::empty()).unwrap_err();
            assert!(said.contains("JPEG"), "{said}");
        }
    }

    #[test]
    fn turned_pictures_stand_as_a_general_library_turns_them() {
        let picture = picture();
        for code in 1..=8 {
            let orientation = Orientation::from_exif(code).unwrap();
            let mut expected = DynamicImage::ImageLuma8(picture.clone());
            expected.apply_orientation(orientation);
            let expected = expected.into_luma8();
            let mut frame = Frame::empty();
            fill_upright(picture.as_raw(), 53, 41, orientation, &mut frame);
            assert_eq!((frame.width() as u32, frame.height() as u32), expected.dimensions());
            for (x, y, level) in expected.enumerate_pixels() {
                assert_eq!(frame.levels[[y as usize, x as usize]], u16::from(level.0[0]), "{orientation:?} ({x}, {y})");
            }
        }
    }
}
