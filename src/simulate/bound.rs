//! How precisely a frame can tell where its lines and hairs are, at best: the Cramér-Rao bound.
//!
//! The information matrix of the places is summed over the pixels of the sensor before gamma and compression: squares of
//! the derivatives of the expected electrons, by differences of drawn pictures, over their variance (photons, read noise,
//! the sensor's unknown fixed pattern, rounding to levels). Clipped pixels say nothing. The bound is the root of the inverse's
//! diagonal (H. Cramér, Mathematical Methods of Statistics, 1946; C. R. Rao, Bull. Calcutta Math. Soc. 37, 81 (1945);
//! both from memory). With the place of a line its tilt, bow and light, the same of its neighbours, the stray
//! light and the width of the slit are unknown, and the hairs known; with the place of the hairs, the stray light.

use nalgebra::{DMatrix, DVector};

use super::camera::Sensor;
use super::eyepiece::{Eyepiece, Light, Transmission};
use super::rendering::{Nudge, draw};
use super::scene::Scene;

/// Least standard deviations that the pixels of a frame allow.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameBounds {
    /// Place of every line at the height of the hairs, px; infinite where the frame shows nothing of it.
    pub lines_px: Vec<f64>,
    /// The same where nothing is known of the hairs before either: their place, turn, width and depth are told by this frame only.
    pub lines_and_hairs_px: Vec<f64>,
    /// Light of every line over its least standard deviation: the signal-to-noise ratio of the whole line.
    pub signal_to_noise: Vec<f64>,
    /// Where the hairs cross, (x, y), px; infinite where there are none.
    pub hairs_px: [f64; 2],
}

/// Lines farther apart than this do not disturb each other, px.
const APART_PX: f64 = 60.0;
/// Steps of the differences: px, and relative.
const STEP_PX: f64 = 0.05;
const STEP_SHARE: f64 = 0.01;

/// One frame with everything that draws it.
struct Drawing<'a> {
    scene: &'a Scene,
    frame: usize,
    eyepiece: Eyepiece,
    transmission: Transmission,
    specks: Vec<f32>,
    light: Light,
}

impl Scene {
    /// The bounds of one frame; `None` behind the last. Automatic exposure is taken as 1.
    #[must_use]
    pub fn bounds(&self, frame: usize) -> Option<FrameBounds> {
        let middle = *self.frame_times_s.get(frame)?;
        let (_, eyepiece) = self.eyepiece_at(middle);
        let mut drawing = Drawing {
            scene: self,
            frame,
            transmission: eyepiece.transmission(),
            specks: eyepiece.speck_map(),
            light: Light::dark(eyepiece.width, eyepiece.height, self.camera.planes()),
            eyepiece,
        };
        let expected = drawing.electrons(&Nudge::default());
        let weights: Vec<f64> = expected.iter().map(|&e| self.weight(e)).collect();
        let places = self.places(frame, &drawing.eyepiece);
        let slit = drawing.slope(STEP_SHARE, |slit| Nudge {
            slit,
            ..Nudge::default()
        });
        let stray = drawing.slope(STEP_SHARE, |stray| Nudge {
            stray,
            ..Nudge::default()
        });
        let of_lines: Vec<Option<[Vec<f32>; 4]>> = places
            .iter()
            .enumerate()
            .map(|(line, place)| place.map(|_| drawing.line_slopes(line)))
            .collect();
        let of_hairs = drawing.hair_slopes();
        let (mut lines_px, mut lines_and_hairs_px) = (Vec::new(), Vec::new());
        let mut signal_to_noise = Vec::new();
        for place in &places {
            let Some((x_px, height)) = *place else {
                lines_px.push(f64::INFINITY);
                lines_and_hairs_px.push(f64::INFINITY);
                signal_to_noise.push(0.0);
                continue;
            };
            let mut slopes: Vec<&[f32]> = vec![&slit, &stray];
            let (mut of_place, mut of_light) = (vec![0.0; 2], vec![0.0; 2]);
            for (other, of_line) in places.iter().zip(&of_lines) {
                let (Some((there_px, _)), Some(of_line)) = (other, of_line) else {
                    continue;
                };
                let apart_px = (there_px - x_px).abs();
                if apart_px > APART_PX {
                    continue;
                }
                let own = if apart_px < 1e-9 { 1.0 } else { 0.0 };
                of_place.extend([1.0, height, height * height, 0.0].map(|power| own * power));
                of_light.extend([0.0, 0.0, 0.0, own]);
                slopes.extend(of_line.iter().map(Vec::as_slice));
            }
            lines_px.push(bound(&slopes, &weights, &of_place));
            signal_to_noise.push(1.0 / bound(&slopes, &weights, &of_light));
            slopes.extend(of_hairs.iter().map(Vec::as_slice));
            of_place.resize(slopes.len(), 0.0);
            lines_and_hairs_px.push(bound(&slopes, &weights, &of_place));
        }
        let mut slopes: Vec<&[f32]> = of_hairs.iter().map(Vec::as_slice).collect();
        slopes.push(&stray);
        let hairs_px = [0, 1].map(|which| {
            if of_hairs.is_empty() {
                return f64::INFINITY;
            }
            let mut asked = vec![0.0; slopes.len()];
            asked[which] = 1.0;
            bound(&slopes, &weights, &asked)
        });
        Some(FrameBounds {
            lines_px,
            lines_and_hairs_px,
            signal_to_noise,
            hairs_px,
        })
    }

    /// Information of a pixel whose expected light is `electrons`: one over its variance, or 0 if it may clip.
    fn weight(&self, electrons: f32) -> f64 {
        let camera = &self.camera;
        let e = f64::from(electrons);
        let share = e / camera.full_well_e;
        let full = f64::from((1_u32 << camera.bits.clamp(8, 16)) - 1);
        // Electrons per level: the camera's gamma makes them more where there is more light.
        let slope = camera.gamma * share.max(1e-3).powf(camera.gamma - 1.0);
        let step_e = camera.full_well_e / full / slope;
        let offset_e = 0.4 * camera.read_noise_e;
        let variance = e
            + camera.read_noise_e.powi(2)
            + (camera.gain_spread * e).powi(2)
            + offset_e * offset_e
            + step_e * step_e / 12.0;
        let clipped = e + 2.0 * variance.sqrt() > (1.0 - camera.black_share) * camera.full_well_e;
        if clipped { 0.0 } else { 1.0 / variance }
    }

    /// Where each line is at the height of the hairs, px, and that height on the scale of its axis.
    fn places(&self, frame: usize, eyepiece: &Eyepiece) -> Vec<Option<(f64, f64)>> {
        let y_px = eyepiece.hairs.y_px;
        let time = self.frame_times_s.get(frame).copied().unwrap_or(0.0);
        let table = self.motion.angle_deg(time);
        self.bench
            .lines
            .iter()
            .map(|line| {
                let state =
                    self.line_state(line.wavelength_nm, table, self.telescope(time), eyepiece)?;
                let x_px = state.axis.at(y_px)[0];
                (x_px > 0.0 && x_px < eyepiece.width as f64 - 1.0)
                    .then(|| (x_px, state.axis.height(y_px)))
            })
            .collect()
    }
}

impl Drawing<'_> {
    /// Expected electrons of every pixel.
    fn electrons(&mut self, nudge: &Nudge) -> Vec<f32> {
        draw(
            self.scene,
            self.frame,
            &self.eyepiece,
            &self.transmission,
            &self.specks,
            nudge,
            &mut self.light,
        );
        let well = self.scene.camera.full_well_e as f32;
        let width = self.eyepiece.width;
        let planes = &self.light.planes;
        match self.scene.camera.sensor {
            Sensor::Monochrome => planes[0].iter().map(|v| v * well).collect(),
            Sensor::Bayer => (0..planes[0].len())
                .map(|at| planes[super::camera::bayer_plane(at % width, at / width)][at] * well)
                .collect(),
        }
    }

    /// Derivative by what `nudge` changes.
    fn slope(&mut self, step: f64, nudge: impl Fn(f64) -> Nudge) -> Vec<f32> {
        let high = self.electrons(&nudge(step));
        let low = self.electrons(&nudge(-step));
        difference(&high, &low, step)
    }

    /// Derivatives by place, tilt, bow and light of a line.
    fn line_slopes(&mut self, line: usize) -> [Vec<f32>; 4] {
        [0, 1, 2, 3].map(|which: usize| {
            let step = if which < 3 { STEP_PX } else { STEP_SHARE };
            self.slope(step, |by| {
                let mut all = [0.0; 4];
                all[which] = by;
                Nudge {
                    line: Some((line, all)),
                    ..Nudge::default()
                }
            })
        })
    }

    /// Derivatives by where the hairs cross (x, y), their turn, width and depth; nothing where there are none.
    fn hair_slopes(&mut self) -> Vec<Vec<f32>> {
        let hairs = self.eyepiece.hairs;
        if hairs.width_px <= 0.0 || hairs.depth <= 0.0 {
            return Vec::new();
        }
        let mut slopes: Vec<Vec<f32>> = Vec::new();
        for which in 0..5 {
            let step = if which == 2 || which == 4 {
                STEP_SHARE
            } else {
                STEP_PX
            };
            let mut drawn = [step, -step].map(|by| {
                let mut moved = self.eyepiece.clone();
                match which {
                    0 => moved.hairs.x_px += by,
                    1 => moved.hairs.y_px += by,
                    2 => moved.hairs.rotation_deg += by,
                    3 => moved.hairs.width_px += by,
                    _ => moved.hairs.depth -= by,
                }
                let before = std::mem::replace(&mut self.transmission, moved.transmission());
                let electrons = self.electrons(&Nudge::default());
                self.transmission = before;
                electrons
            });
            let low = std::mem::take(&mut drawn[1]);
            slopes.push(difference(&drawn[0], &low, step));
        }
        slopes
    }
}

fn difference(high: &[f32], low: &[f32], step: f64) -> Vec<f32> {
    let per_step = (0.5 / step) as f32;
    high.iter()
        .zip(low)
        .map(|(a, b)| (a - b) * per_step)
        .collect()
}

/// Least standard deviation of the sum of the parameters with the factors `asked`; infinite where the pixels say nothing.
fn bound(slopes: &[&[f32]], weights: &[f64], asked: &[f64]) -> f64 {
    let count = slopes.len();
    let mut information = DMatrix::<f64>::zeros(count, count);
    for i in 0..count {
        for j in i..count {
            let sum: f64 = slopes[i]
                .iter()
                .zip(slopes[j])
                .zip(weights)
                .map(|((a, b), w)| f64::from(a * b) * w)
                .sum();
            information[(i, j)] = sum;
            information[(j, i)] = sum;
        }
    }
    // What the pixels say nothing of does no harm where it is not asked for.
    for i in 0..count {
        if information[(i, i)] <= 0.0 {
            if asked[i].abs() > 0.0 {
                return f64::INFINITY;
            }
            information[(i, i)] = 1.0;
        }
    }
    let asked = DVector::from_column_slice(asked);
    information.cholesky().map_or(f64::INFINITY, |solver| {
        asked.dot(&solver.solve(&asked)).max(0.0).sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::super::scene;

    /// A Gaussian line in nothing but photon noise: its place is known to s/√N, s the standard deviation of its profile and
    /// N its electrons; with an unknown tilt and bow to √(1 + 3 z² + 5/4 (3 z² - 1)²) times that at the height z
    /// (the sum of the squares of the first three Legendre polynomials, each over its mean square).
    #[test]
    fn the_bound_of_a_gaussian_line_is_that_of_its_photons() {
        let mut scene = scene("no-hairs", 3).expect("a scenario of the list");
        let eyepiece = &mut scene.eyepiece;
        eyepiece.vignetting = 0.0;
        eyepiece.unevenness = 0.0;
        eyepiece.specks.clear();
        eyepiece.radius_px = 2000.0;
        scene.bench.lines.truncate(1);
        scene.bench.slit.width_arcsec = 0.2 * scene.eyepiece.arcsec_per_px;
        scene.bench.slit.half_height_arcsec = 150.0 * scene.eyepiece.arcsec_per_px;
        scene.light.line = 2.0;
        scene.light.stray = 0.0;
        scene.light.glow = 1e-7;
        let camera = &mut scene.camera;
        camera.read_noise_e = 1e-3;
        camera.gain_spread = 0.0;
        camera.bits = 16;
        camera.full_well_e = 1e5;
        let frame = (0..scene.frames())
            .find(|&frame| scene.frame_truth(frame).lines[0].in_field)
            .expect("a frame with the line");
        scene.frame_times_s = vec![scene.frame_times_s[frame]];
        scene.exposure_s = 1e-6;
        let bounds = scene.bounds(0).expect("one frame");
        let mut rendering = scene.rendering();
        let mut frame = crate::basics::frame::Frame::empty();
        rendering.next_into(&mut frame).expect("one frame");
        let per_level = scene.camera.full_well_e / f64::from(frame.full_scale);
        let black = scene.camera.black_share * f64::from(frame.full_scale);
        let electrons: f64 = frame
            .levels
            .iter()
            .map(|&level| (f64::from(level) - black) * per_level)
            .sum();
        let eyepiece = &scene.eyepiece;
        let variance = eyepiece.telescope_blur_px.powi(2)
            + eyepiece.lens_blur_px.powi(2)
            + (0.2_f64.powi(2) + 1.0) / 12.0;
        let z = scene.places(0, eyepiece)[0].expect("in the picture").1;
        let known = 1.0 + 3.0 * z * z + 1.25 * (3.0 * z * z - 1.0).powi(2);
        let expected = (variance / electrons * known).sqrt();
        let ratio = bounds.lines_px[0] / expected;
        assert!(
            (0.96..1.06).contains(&ratio),
            "{ratio:.3} times the expected bound"
        );
        let noise = bounds.signal_to_noise[0] / electrons.sqrt();
        assert!(
            (0.9..1.05).contains(&noise),
            "{noise:.3} times the root of the electrons"
        );
    }
}
