//! The camera: from light to levels, with all that a sensor does to it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::eyepiece::{Light, blur_plane};

/// What kind of sensor, and what it hands over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sensor {
    /// No colour filter.
    Monochrome,
    /// Red, green and blue filters in 2 × 2 cells, the missing colours filled in bilinearly.
    Bayer,
}

/// A camera's electronics.
#[derive(Clone, Debug, PartialEq)]
pub struct Camera {
    /// Kind of sensor.
    pub sensor: Sensor,
    /// Electrons at which a pixel clips.
    pub full_well_e: f64,
    /// Standard deviation of the read noise, electrons.
    pub read_noise_e: f64,
    /// Relative spread of the pixels' sensitivity.
    pub gain_spread: f64,
    /// Share of pixels that are hot.
    pub hot_share: f64,
    /// Level of darkness, share of full scale.
    pub black_share: f64,
    /// Exponent from light to level: 1 for a measuring camera, 0.45 for a webcam.
    pub gamma: f64,
    /// Strength of the unsharp mask that the camera applies; 0 for none.
    pub sharpening: f64,
    /// Quality of a JPEG through which every picture goes inside the camera; `None` for none.
    pub jpeg_quality: Option<u8>,
    /// Automatic exposure: mean level that it wants, share of full scale; `None` if locked.
    pub exposure_target: Option<f64>,
    /// Bits per level: 8, or up to 16 for stills.
    pub bits: u8,
    /// Whether photons and electronics are noisy at all.
    pub noisy: bool,
}

impl Camera {
    /// An industrial monochrome camera.
    #[must_use]
    pub fn measuring() -> Self {
        Self {
            sensor: Sensor::Monochrome,
            full_well_e: 10_000.0,
            read_noise_e: 7.0,
            gain_spread: 0.008,
            hot_share: 1e-5,
            black_share: 0.012,
            gamma: 1.0,
            sharpening: 0.0,
            jpeg_quality: None,
            exposure_target: None,
            bits: 8,
            noisy: true,
        }
    }

    /// A cheap colour webcam.
    #[must_use]
    pub fn webcam() -> Self {
        Self {
            sensor: Sensor::Bayer,
            full_well_e: 4_500.0,
            read_noise_e: 6.0,
            gain_spread: 0.012,
            hot_share: 4e-5,
            black_share: 0.0,
            gamma: 1.0 / 2.2,
            ..Self::measuring()
        }
    }

    /// Planes of light that the sensor tells apart.
    pub(crate) fn planes(&self) -> usize {
        match self.sensor {
            Sensor::Monochrome => 1,
            Sensor::Bayer => 3,
        }
    }
}

/// Levels as the camera hands them over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 1 for grey, 3 for red, green, blue.
    pub planes: usize,
    /// Level at which a plane clips.
    pub full_scale: u16,
    /// Levels, row by row, the planes of a pixel side by side.
    pub levels: Vec<u16>,
}

/// A camera at work: fixed pattern, automatic exposure and noise.
pub(crate) struct Electronics {
    camera: Camera,
    width: usize,
    height: usize,
    gains: Vec<f32>,
    offsets: Vec<f32>,
    /// Gain of the automatic exposure for the coming frames, oldest first: it acts late.
    exposures: [f64; 4],
    rng: ChaCha8Rng,
    raw: Vec<f32>,
    out: Vec<Vec<f32>>,
    scratch: Vec<f32>,
    /// Levels for `CURVE_STEPS + 1` evenly spaced lights: the camera's gamma.
    curve: Vec<f32>,
}

/// Steps of the table that holds the camera's gamma.
const CURVE_STEPS: usize = 16_384;

impl Electronics {
    pub(crate) fn new(camera: &Camera, width: usize, height: usize, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x51e7_0ff1_77e4);
        let pixels = width * height;
        let mut gains = vec![1.0; pixels];
        let mut offsets = vec![0.0; pixels];
        if camera.noisy {
            for gain in &mut gains {
                let spread: f64 = StandardNormal.sample(&mut rng);
                *gain = (1.0 + camera.gain_spread * spread) as f32;
            }
            for offset in &mut offsets {
                let spread: f64 = StandardNormal.sample(&mut rng);
                *offset = (0.4 * camera.read_noise_e * spread / camera.full_well_e) as f32;
                if rng.random::<f64>() < camera.hot_share {
                    *offset += (0.05 + 0.6 * rng.random::<f64>().powi(2)) as f32;
                }
            }
        }
        Self {
            camera: camera.clone(),
            width,
            height,
            gains,
            offsets,
            exposures: [1.0; 4],
            rng,
            raw: vec![0.0; pixels],
            out: vec![vec![0.0; pixels]; camera.planes()],
            scratch: vec![0.0; pixels],
            curve: (0..=CURVE_STEPS)
                .map(|k| (k as f64 / CURVE_STEPS as f64).powf(camera.gamma) as f32)
                .collect(),
        }
    }

    /// Exposes the sensor to `light`.
    ///
    /// Photon noise is taken as Gaussian with the variance of the count, which is right above some
    /// twenty electrons; below that the read noise covers the difference.
    pub(crate) fn expose(&mut self, light: &Light, picture: &mut Picture) {
        let camera = self.camera.clone();
        let exposure = if camera.exposure_target.is_some() {
            self.exposures[0]
        } else {
            1.0
        };
        let well = camera.full_well_e as f32;
        let exposed = exposure as f32 * well;
        let read_variance = (camera.read_noise_e * camera.read_noise_e) as f32;
        let black = camera.black_share as f32;
        for row in 0..self.height {
            // The two filters of this row, by turns.
            let filters = match camera.sensor {
                Sensor::Monochrome => [0, 0],
                Sensor::Bayer => [bayer_plane(0, row), bayer_plane(1, row)],
            };
            let sources = filters.map(|plane| light.planes[plane].as_slice());
            for column in 0..self.width {
                let at = row * self.width + column;
                let electrons = sources[column & 1][at] * self.gains[at] * exposed;
                let noise = if camera.noisy {
                    let normal: f32 = StandardNormal.sample(&mut self.rng);
                    normal * (electrons + read_variance).sqrt()
                } else {
                    0.0
                };
                let read = (electrons + noise) / well;
                self.raw[at] = (read + self.offsets[at] + black).min(1.0);
            }
        }
        match camera.sensor {
            Sensor::Monochrome => self.out[0].copy_from_slice(&self.raw),
            Sensor::Bayer => demosaic(&self.raw, self.width, self.height, &mut self.out),
        }
        if let Some(target) = camera.exposure_target {
            let mean = self.raw.iter().map(|v| f64::from(*v)).sum::<f64>() / self.raw.len() as f64;
            // Acts three frames late and rather strongly, so that it hunts.
            let wanted = exposure * (target / mean.max(1e-3)).powf(0.55);
            self.exposures.rotate_left(1);
            self.exposures[3] = wanted.clamp(0.15, 4.0);
        }
        let full = f64::from((1_u32 << camera.bits.clamp(8, 16)) - 1) as f32;
        for plane in &mut self.out {
            if (camera.gamma - 1.0).abs() > 1e-9 {
                for v in plane.iter_mut() {
                    let place = v.clamp(0.0, 1.0) * CURVE_STEPS as f32;
                    let index = (place as usize).min(CURVE_STEPS - 1);
                    let (a, b) = (self.curve[index], self.curve[index + 1]);
                    *v = a + (b - a) * (place - index as f32);
                }
            }
            if camera.sharpening > 0.0 {
                self.raw.copy_from_slice(plane);
                blur_plane(&mut self.raw, &mut self.scratch, self.width, 1.2);
                for (v, soft) in plane.iter_mut().zip(&self.raw) {
                    *v += camera.sharpening as f32 * (*v - soft);
                }
            }
        }
        picture.width = self.width;
        picture.height = self.height;
        picture.planes = self.out.len();
        picture.full_scale = full as u16;
        picture.levels.clear();
        match self.out.as_slice() {
            [grey] => picture.levels.extend(grey.iter().map(|v| level(*v, full))),
            planes => {
                for at in 0..self.width * self.height {
                    for plane in planes {
                        picture.levels.push(level(plane[at], full));
                    }
                }
            }
        }
        if let Some(quality) = camera.jpeg_quality
            && camera.bits == 8
        {
            through_jpeg(picture, quality);
        }
    }
}

/// The level of a share of full scale, rounded and held within the range.
fn level(share: f32, full: f32) -> u16 {
    (share * full + 0.5).clamp(0.0, full) as u16
}

/// Packs and unpacks a picture as a camera does that hands over JPEG.
///
/// A picture that cannot be packed stays as it is: that only happens if it is empty.
fn through_jpeg(picture: &mut Picture, quality: u8) {
    let Ok(bytes) = super::film::jpeg(picture, quality) else {
        return;
    };
    let Ok(unpacked) = image::load_from_memory(&bytes) else {
        return;
    };
    let levels: Vec<u8> = match picture.planes {
        1 => unpacked.into_luma8().into_raw(),
        _ => unpacked.into_rgb8().into_raw(),
    };
    if levels.len() == picture.levels.len() {
        picture.levels = levels.into_iter().map(u16::from).collect();
    }
}

/// Plane of a pixel's filter: red, green / green, blue.
pub(super) fn bayer_plane(column: usize, row: usize) -> usize {
    (column & 1) + (row & 1)
}

/// Fills in the colours that a pixel's filter does not see with the mean of the neighbours that do.
fn demosaic(raw: &[f32], width: usize, height: usize, planes: &mut [Vec<f32>]) {
    let [red, green, blue] = planes else { return };
    for row in 0..height {
        let inside = row > 0 && row + 1 < height;
        for column in 0..width {
            let at = row * width + column;
            let own = bayer_plane(column, row);
            let sees = if inside && column > 0 && column + 1 < width {
                let sides = 0.5 * (raw[at - 1] + raw[at + 1]);
                let ends = 0.5 * (raw[at - width] + raw[at + width]);
                let corners = 0.25
                    * (raw[at - width - 1]
                        + raw[at - width + 1]
                        + raw[at + width - 1]
                        + raw[at + width + 1]);
                match (own, row & 1) {
                    (0, _) => [raw[at], 0.5 * (sides + ends), corners],
                    (2, _) => [corners, 0.5 * (sides + ends), raw[at]],
                    // Green in a row of red, then green in a row of blue.
                    (_, 0) => [sides, raw[at], ends],
                    _ => [ends, raw[at], sides],
                }
            } else {
                at_edge(raw, width, height, column, row)
            };
            (red[at], green[at], blue[at]) = (sees[0], sees[1], sees[2]);
        }
    }
}

/// The same for a pixel on the rim of the sensor.
fn at_edge(raw: &[f32], width: usize, height: usize, column: usize, row: usize) -> [f32; 3] {
    let mut sums = [0.0_f32; 3];
    let mut counts = [0.0_f32; 3];
    for r in row.saturating_sub(1)..=(row + 1).min(height - 1) {
        for c in column.saturating_sub(1)..=(column + 1).min(width - 1) {
            let plane = bayer_plane(c, r);
            sums[plane] += raw[r * width + c];
            counts[plane] += 1.0;
        }
    }
    let own = bayer_plane(column, row);
    std::array::from_fn(|plane| {
        if plane == own {
            raw[row * width + column]
        } else {
            sums[plane] / counts[plane].max(1.0)
        }
    })
}
