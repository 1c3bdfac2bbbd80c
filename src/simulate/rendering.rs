//! From a scene to frames, one after the other.

use super::camera::{Electronics, Picture};
use super::eyepiece::{Eyepiece, Light, Profile, Transmission};
use super::glass::colour_response;
use super::hand::Motion;
use super::scene::{Bench, Path, Scene};
use super::truth::FrameTruth;
use crate::basics::frame::Frame;

/// A scene being rendered, frame by frame.
pub struct Rendering<'a> {
    scene: &'a Scene,
    next: usize,
    light: Light,
    electronics: Electronics,
    picture: Picture,
    specks: Vec<f32>,
    /// Transmission of the eyepiece, and the number of slips for which it was drawn.
    transmission: Option<(usize, Transmission)>,
}

impl<'a> Rendering<'a> {
    pub(super) fn new(scene: &'a Scene) -> Self {
        let (width, height) = (scene.eyepiece.width, scene.eyepiece.height);
        Self {
            scene,
            next: 0,
            light: Light::dark(width, height, scene.camera.planes()),
            electronics: Electronics::new(&scene.camera, width, height, scene.seed),
            picture: Picture {
                width,
                height,
                planes: scene.camera.planes(),
                full_scale: 255,
                levels: Vec::new(),
            },
            specks: scene.eyepiece.speck_map(),
            transmission: None,
        }
    }

    /// The frame last rendered, in the camera's own colours.
    #[must_use]
    pub fn picture(&self) -> &Picture {
        &self.picture
    }

    /// Renders the next frame; `None` behind the last.
    ///
    /// A colour picture is handed over as the sum of its planes, clipped pixels at full scale.
    pub fn next_into(&mut self, frame: &mut Frame) -> Option<FrameTruth> {
        let truth = self.next_picture()?;
        fill_frame(&self.picture, frame);
        frame.time_s = truth.t_s;
        frame.number = truth.frame;
        Some(truth)
    }

    /// Renders the next frame into [`Rendering::picture`] only.
    pub fn next_picture(&mut self) -> Option<FrameTruth> {
        let scene = self.scene;
        let number = self.next;
        let middle = *scene.frame_times_s.get(number)?;
        self.next += 1;
        let (slips, eyepiece) = scene.eyepiece_at(middle);
        if self
            .transmission
            .as_ref()
            .is_none_or(|(for_slips, _)| *for_slips != slips)
        {
            self.transmission = Some((slips, eyepiece.transmission()));
        }
        if let Some((_, map)) = &self.transmission {
            draw(
                scene,
                number,
                &eyepiece,
                map,
                &self.specks,
                &Nudge::default(),
                &mut self.light,
            );
        }
        self.electronics.expose(&self.light, &mut self.picture);
        Some(scene.frame_truth(number))
    }
}

/// Small changes of a scene, for asking how its picture depends on them.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Nudge {
    /// Number of a line, from 0, and what is added to its place, tilt and bow (px, at the end of the slit image) and to its
    /// light (relative).
    pub(super) line: Option<(usize, [f64; 4])>,
    /// Relative change of the stray light and of the slit's width.
    pub(super) stray: f64,
    pub(super) slit: f64,
}

/// Draws the light of a frame, as the sensor receives it.
pub(super) fn draw(
    scene: &Scene,
    number: usize,
    eyepiece: &Eyepiece,
    transmission: &Transmission,
    specks: &[f32],
    nudge: &Nudge,
    light: &mut Light,
) {
    let parts = scene.parts(number);
    let share = 1.0 / parts.len() as f64;
    let mean_light = parts.iter().map(|t| scene.light.at(*t)).sum::<f64>() * share;
    let planes = scene.camera.planes();
    // Stray lamp light is whitish, a little short of blue.
    let tint = [0.95_f32, 1.0, 0.85];
    let even = |level: f64| -> Vec<f32> {
        (0..planes)
            .map(|p| level as f32 * if planes == 1 { 1.0 } else { tint[p] })
            .collect()
    };
    light.fill(&even(scene.light.stray * mean_light * (1.0 + nudge.stray)));
    let frame = number;
    for (number, line) in scene.bench.lines.iter().enumerate() {
        let nudged = nudge.line.filter(|(which, _)| *which == number);
        let [by_x, by_tilt, by_bow, by_light] = nudged.map_or([0.0; 4], |(_, by)| by);
        let response = colour_response(line.wavelength_nm);
        let mut profile: Option<Profile> = None;
        for &time in &parts {
            let table = scene.motion.angle_deg(time);
            let Some(mut state) =
                scene.line_state(line.wavelength_nm, table, scene.telescope(time), eyepiece)
            else {
                continue;
            };
            let brightness =
                scene.light.line * line.brightness * scene.light.at(time) * scene.walk(table);
            if brightness <= 0.0 {
                continue;
            }
            state
                .axis
                .nudge([by_x + scene.air_at(frame), by_tilt, by_bow]);
            let strength = (brightness * (1.0 + by_light) * state.width_px * share) as f32;
            // A wider slit of the same light.
            state.width_px *= 1.0 + nudge.slit;
            let strengths: Vec<f32> = (0..planes)
                .map(|p| strength * if planes == 1 { 1.0 } else { response[p] })
                .collect();
            let profile = profile.get_or_insert_with(|| {
                Profile::new(state.width_px, scene.eyepiece.telescope_blur_px)
            });
            light.add_line(
                &state.axis,
                profile,
                scene.eyepiece.telescope_blur_px,
                &strengths,
            );
        }
    }
    if scene.bench.past_prism > 0.0 {
        add_central(scene, &parts, eyepiece, light);
    }
    light.pass(transmission);
    light.image(scene.eyepiece.lens_blur_px);
    for (plane, glow) in light.planes.iter_mut().zip(even(scene.light.glow)) {
        plane.iter_mut().for_each(|v| *v += glow);
    }
    if !specks.is_empty() {
        light.pass_specks(specks);
    }
}

/// Adds the central image in the light that goes past the prism, of all the lamp's colours.
fn add_central(scene: &Scene, parts: &[f64], eyepiece: &Eyepiece, light: &mut Light) {
    let straight = Scene {
        bench: Bench {
            path: Path::Straight,
            ..scene.bench.clone()
        },
        air_px: Vec::new(),
        frame_times_s: Vec::new(),
        motion: Motion::still(0.0, 0.0),
        ..scene.clone()
    };
    let blur_px = scene.eyepiece.telescope_blur_px;
    for &time in parts {
        if let Some(state) = straight.line_state(550.0, 0.0, scene.telescope(time), eyepiece) {
            let brightness = scene.bench.past_prism * scene.light.line * scene.light.at(time);
            let strength = brightness * state.width_px / parts.len() as f64;
            let strengths = vec![strength as f32; scene.camera.planes()];
            let profile = Profile::new(state.width_px, blur_px);
            light.add_line(&state.axis, &profile, blur_px, &strengths);
        }
    }
}

/// Levels of a camera's picture as a frame: grey as it is, colour as the sum of its planes.
fn fill_frame(picture: &Picture, frame: &mut Frame) {
    frame.resize(picture.width, picture.height);
    frame.black = 0;
    let planes = picture.planes.max(1);
    frame.full_scale = picture.full_scale.saturating_mul(planes as u16);
    for (level, pixel) in frame
        .levels
        .iter_mut()
        .zip(picture.levels.chunks_exact(planes))
    {
        *level = if pixel.iter().any(|v| *v >= picture.full_scale) {
            frame.full_scale
        } else {
            pixel.iter().sum()
        };
    }
}
