//! What a camera sent in, grey levels out: luma as it is, never converted.

use super::super::jpeg::Jpeg;
use super::{Mode, PixelFormat};
use crate::basics::frame::Frame;

/// Layout of the raw frames of one mode.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Layout {
    pub(super) mode: Mode,
    /// Bytes from row to row of uncompressed frames.
    pub(super) stride: u32,
    /// Whether luma runs from 0 to 255 and not from 16 to 235.
    pub(super) full_range: bool,
}

impl Layout {
    /// The layout of a mode whose rows follow each other without gaps.
    pub(super) fn packed(mode: Mode, full_range: bool) -> Self {
        Self {
            mode,
            stride: mode.width * bytes_per_pixel(mode.format),
            full_range,
        }
    }

    /// Bytes that a whole uncompressed frame has at least; 0 where they vary.
    pub(super) fn least_bytes(&self) -> usize {
        let (width, height) = (self.mode.width as usize, self.mode.height as usize);
        let row = width * bytes_per_pixel(self.mode.format) as usize;
        let luma = (height.saturating_sub(1)) * self.stride as usize + row;
        match self.mode.format {
            PixelFormat::MotionJpeg => 0,
            // The chroma is not read, but a frame without it was cut off.
            PixelFormat::Nv12 => luma + (height / 2) * row,
            _ => luma,
        }
    }
}

fn bytes_per_pixel(format: PixelFormat) -> u32 {
    match format {
        PixelFormat::Grey | PixelFormat::Nv12 => 1,
        PixelFormat::Grey10
        | PixelFormat::Grey12
        | PixelFormat::Grey16
        | PixelFormat::Yuyv
        | PixelFormat::Uyvy => 2,
        PixelFormat::MotionJpeg => 0,
    }
}

/// Fills `frame` with the grey levels of one raw frame.
///
/// # Errors
/// The frame is faulty: why, as the rest of a sentence.
pub(super) fn fill(
    layout: &Layout,
    data: &[u8],
    jpeg: &mut Jpeg,
    frame: &mut Frame,
) -> Result<(), String> {
    let (width, height) = (layout.mode.width as usize, layout.mode.height as usize);
    if layout.mode.format == PixelFormat::MotionJpeg {
        jpeg.decode(data)?;
        if (jpeg.width, jpeg.height) != (width, height) {
            return Err(format!(
                "is {} x {} pixels, not {width} x {height}",
                jpeg.width, jpeg.height
            ));
        }
        jpeg.show(frame);
        return Ok(());
    }
    if data.len() < layout.least_bytes() {
        return Err(format!(
            "was cut off after {} of {} bytes",
            data.len(),
            layout.least_bytes()
        ));
    }
    frame.resize(width, height);
    let row_bytes = width * bytes_per_pixel(layout.mode.format) as usize;
    // The last row may lack the gap behind it, so rows are cut out one by one.
    let rows = data
        .chunks(layout.stride.max(1) as usize)
        .map(|row| row.get(..row_bytes).unwrap_or_default());
    // As slices, which the compiler turns into a few instructions for many samples.
    let levels = frame.levels.as_slice_mut().unwrap_or_default();
    for (to, from) in levels.chunks_exact_mut(width.max(1)).zip(rows) {
        let pairs = from.as_chunks::<2>().0;
        match layout.mode.format {
            PixelFormat::Grey | PixelFormat::Nv12 => {
                for (to, &from) in to.iter_mut().zip(from) {
                    *to = u16::from(from);
                }
            }
            PixelFormat::Yuyv => {
                for (to, &[luma, _]) in to.iter_mut().zip(pairs) {
                    *to = u16::from(luma);
                }
            }
            PixelFormat::Uyvy => {
                for (to, &[_, luma]) in to.iter_mut().zip(pairs) {
                    *to = u16::from(luma);
                }
            }
            _ => {
                for (to, &two) in to.iter_mut().zip(pairs) {
                    *to = u16::from_le_bytes(two);
                }
            }
        }
    }
    (frame.black, frame.full_scale) = match layout.mode.format {
        PixelFormat::Grey10 => (0, 1023),
        PixelFormat::Grey12 => (0, 4095),
        PixelFormat::Grey16 => (0, 65535),
        _ if layout.full_range => (0, 255),
        _ => (16, 235),
    };
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn layout(format: PixelFormat, width: u32, height: u32) -> Layout {
        let mode = Mode {
            format,
            width,
            height,
            interval: (1, 30),
        };
        Layout::packed(mode, false)
    }

    fn levels(layout: &Layout, data: &[u8]) -> Result<Vec<u16>, String> {
        let mut frame = Frame::empty();
        fill(layout, data, &mut Jpeg::default(), &mut frame)?;
        Ok(frame.levels.iter().copied().collect())
    }

    #[test]
    fn luma_is_taken_as_it_is() {
        let yuyv = layout(PixelFormat::Yuyv, 2, 2);
        let data = [0, 200, 255, 100, 16, 1, 235, 2];
        assert_eq!(levels(&yuyv, &data).unwrap(), [0, 255, 16, 235]);
        let uyvy = layout(PixelFormat::Uyvy, 2, 2);
        assert_eq!(levels(&uyvy, &data).unwrap(), [200, 100, 1, 2]);
        let grey = layout(PixelFormat::Grey, 4, 2);
        assert_eq!(
            levels(&grey, &data).unwrap(),
            [0, 200, 255, 100, 16, 1, 235, 2]
        );
        let grey10 = layout(PixelFormat::Grey10, 2, 2);
        assert_eq!(
            levels(&grey10, &[1, 0, 255, 3, 0, 2, 7, 1]).unwrap(),
            [1, 1023, 512, 263]
        );
        let nv12 = layout(PixelFormat::Nv12, 2, 2);
        assert_eq!(
            levels(&nv12, &[9, 8, 7, 6, 128, 128]).unwrap(),
            [9, 8, 7, 6]
        );
    }

    #[test]
    fn rows_may_have_gaps_and_may_not_be_missing() {
        let mut grey = layout(PixelFormat::Grey, 2, 2);
        grey.stride = 4;
        assert_eq!(levels(&grey, &[1, 2, 0, 0, 3, 4]).unwrap(), [1, 2, 3, 4]);
        assert!(
            levels(&grey, &[1, 2, 0, 0, 3])
                .unwrap_err()
                .contains("5 of 6")
        );
        let yuyv = layout(PixelFormat::Yuyv, 2, 2);
        assert!(levels(&yuyv, &[0; 7]).is_err());
        let nv12 = layout(PixelFormat::Nv12, 2, 2);
        assert!(levels(&nv12, &[0; 5]).is_err());
    }

    #[test]
    fn a_jpeg_of_another_size_or_cut_off_is_refused() {
        let picture = image::GrayImage::from_fn(16, 8, |x, y| image::Luma([(x * 8 + y) as u8]));
        let mut data = Vec::new();
        image::codecs::jpeg::JpegEncoder::new(&mut data)
            .encode_image(&picture)
            .unwrap();
        let jpeg = layout(PixelFormat::MotionJpeg, 16, 8);
        assert_eq!(levels(&jpeg, &data).unwrap().len(), 128);
        assert!(levels(&layout(PixelFormat::MotionJpeg, 8, 8), &data).is_err());
        assert!(levels(&jpeg, &data[..data.len() / 2]).is_err());
        assert!(levels(&jpeg, &[]).is_err());
        assert!(levels(&jpeg, b"no jpeg at all").is_err());
    }
}
