//! JPEG, the luma only and strictly: a picture with a missing or damaged part is an error.

use std::io::Cursor;

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::MOST_PIXELS;
use super::jpeg_scan;
use super::orientation::Orientation;
use crate::basics::frame::Frame;

/// A decoder that keeps its buffer from frame to frame.
#[derive(Default)]
pub(super) struct Jpeg {
    /// Luma of the last picture, `width * height` samples.
    pub(super) luma: Vec<u8>,
    /// Columns.
    pub(super) width: usize,
    /// Rows.
    pub(super) height: usize,
    /// How EXIF wants the picture turned; only still pictures heed it.
    pub(super) orientation: Orientation,
}

impl Jpeg {
    /// Decodes one picture.
    ///
    /// # Errors
    /// What is wrong, as the rest of a sentence.
    pub(super) fn decode(&mut self, data: &[u8]) -> Result<(), String> {
        // The strict mode does not look behind the last row: a file cut in its last bytes has no end marker.
        let tail = data.len() - data.iter().rev().take_while(|&&b| b == 0).count();
        if !data.get(..tail).is_some_and(|d| d.ends_with(&[0xff, 0xd9])) && !contains_end(data) {
            return Err("is cut short: the end marker of the JPEG is missing".to_owned());
        }
        jpeg_scan::check(data).map_err(|what| format!("is a damaged JPEG: {what}"))?;
        let options = DecoderOptions::new_fast()
            .set_strict_mode(true)
            .set_use_unsafe(true)
            .set_max_width(1 << 15)
            .set_max_height(1 << 15)
            .jpeg_set_out_colorspace(ColorSpace::Luma);
        let mut decoder = JpegDecoder::new_with_options(Cursor::new(data), options);
        decoder
            .decode_headers()
            .map_err(|e| format!("is no whole JPEG ({})", one_line(&e.to_string())))?;
        match decoder.input_colorspace() {
            Some(ColorSpace::YCbCr | ColorSpace::Luma) => {}
            other => return Err(format!("is a JPEG in {other:?}, not in luma and chroma")),
        }
        let Some(info) = decoder.info() else {
            return Err("is a JPEG without a header".to_owned());
        };
        let (width, height) = (usize::from(info.width), usize::from(info.height));
        let size = decoder.output_buffer_size().unwrap_or(0);
        if width == 0 || height == 0 || size != width * height || size > MOST_PIXELS {
            return Err(format!(
                "is a JPEG of an impossible size, {width} x {height}"
            ));
        }
        self.orientation = decoder
            .exif()
            .and_then(|chunk| image::metadata::Orientation::from_exif_chunk(chunk))
            .map_or_else(Orientation::default, |o| {
                Orientation::from_exif(o.to_exif())
            });
        self.luma.resize(size, 0);
        decoder
            .decode_into(&mut self.luma)
            .map_err(|e| format!("is a damaged JPEG ({})", one_line(&e.to_string())))?;
        (self.width, self.height) = (width, height);
        Ok(())
    }
}

impl Jpeg {
    /// Gives a frame the last picture as it is stored.
    pub(super) fn show(&self, frame: &mut Frame) {
        let as_stored = Orientation::default();
        as_stored.write(&self.luma, u16::from, self.width, self.height, frame);
        (frame.black, frame.full_scale) = (0, 255);
    }
}

/// Whether an end marker stands anywhere in the last kilobytes: some cameras append data of their own.
fn contains_end(data: &[u8]) -> bool {
    data.get(data.len().saturating_sub(4096)..)
        .unwrap_or_default()
        .windows(2)
        .any(|w| w == [0xff, 0xd9])
}

fn one_line(text: &str) -> String {
    text.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .trim_end_matches('.')
        .to_owned()
}
