//! A scene: bench, eyepiece, camera, hand and mishaps, and what is true of it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::camera::{Camera, Picture};
use super::eyepiece::{Axis, Eyepiece};
use super::glass::{Glass, LampLine};
use super::hand::Motion;
use super::optics::{
    Prism, arcsec, azimuth, direction, elevation, golden_minimum, reflect, to_arcsec,
};
use super::rendering::Rendering;
use super::truth::{
    EventTruth, FieldTruth, FrameTruth, HairsTruth, LineInFrame, LineTruth, SceneTruth, TruthFile,
    TurnTruth,
};
use crate::basics::frame::Frame;

/// The collimator's slit as an angle in the sky of the prism.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slit {
    /// Width, arcsec.
    pub width_arcsec: f64,
    /// Half its height, arcsec.
    pub half_height_arcsec: f64,
    /// Lean from upright, degrees: azimuth grows with elevation.
    pub lean_deg: f64,
}

/// How the light gets from the collimator to the telescope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Path {
    /// Past the prism: the central image.
    Straight,
    /// Through the prism on its table.
    Through(Prism),
    /// By reflection from a face.
    Reflected {
        /// Direction of the face's outward normal in the sense of the circle, the collimator's axis
        /// ray running at 0; degrees.
        normal_deg: f64,
        /// How far the normal leans out of the circle's plane, arcsec.
        lean_arcsec: f64,
    },
}

/// Collimator, prism and telescope.
#[derive(Clone, Debug)]
pub struct Bench {
    /// How the light gets to the telescope.
    pub path: Path,
    /// Its glass.
    pub glass: Glass,
    /// +1 if the prism deviates towards larger circle angles, -1 if towards smaller.
    pub side: f64,
    /// The slit.
    pub slit: Slit,
    /// The lamp's lines that are looked at.
    pub lines: Vec<LampLine>,
    /// Direction to which the hairs point at time 0, degrees from the collimator's axis, in the
    /// sense of the circle.
    pub telescope_deg: f64,
    /// Elevation to which the hairs point, arcsec.
    pub telescope_elevation_arcsec: f64,
    /// Creep of the telescope, arcsec per second in the sense of the circle.
    pub creep_arcsec_per_s: f64,
    /// Knocks of the telescope: when, s, and by how much in the sense of the circle, arcsec.
    pub knocks: Vec<(f64, f64)>,
    /// Swings of the telescope: from when to when, s, and by how much in the sense of the circle, degrees; it sets off and comes to
    /// rest smoothly.
    pub swings: Vec<(f64, f64, f64)>,
    /// Brightness of the light that goes past the prism, in which the central image is seen, too; 0 where the prism fills the beam.
    pub past_prism: f64,
}

impl Bench {
    /// Direction in which a point of the slit leaves towards the telescope. Angles in arcsec.
    fn leaving(
        &self,
        along_slit: f64,
        across_slit: f64,
        table_deg: f64,
        index: f64,
    ) -> Option<[f64; 3]> {
        let height = arcsec(along_slit);
        let across = arcsec(across_slit) + height * self.slit.lean_deg.to_radians().tan();
        // The prism's own frame deviates towards positive azimuths; the other side is its mirror image.
        match &self.path {
            Path::Straight => Some(direction(across, height)),
            Path::Through(prism) => {
                let ray = direction(self.side * across, height);
                let [x, y, z] = prism.trace(ray, table_deg, index)?;
                Some([x, self.side * y, z])
            }
            Path::Reflected {
                normal_deg,
                lean_arcsec,
            } => {
                let normal = direction(normal_deg.to_radians(), arcsec(*lean_arcsec));
                Some(reflect(direction(across, height), normal))
            }
        }
    }

    /// The prism, where the light goes through it.
    pub(crate) fn prism(&self) -> Option<&Prism> {
        match &self.path {
            Path::Through(prism) => Some(prism),
            _ => None,
        }
    }

    /// Azimuth in which light leaves from the slit's point at the height of the hairs, radians.
    pub(crate) fn azimuth_at_hairs(&self, table_deg: f64, wavelength_nm: f64) -> Option<f64> {
        let index = self.glass.index(wavelength_nm);
        let height = self.telescope_elevation_arcsec;
        // The levelling error lifts the light a little: find the slit's point that arrives there.
        let mut along = height;
        for _ in 0..4 {
            let out = self.leaving(along, 0.0, table_deg, index)?;
            along += height - to_arcsec(elevation(out));
        }
        self.leaving(along, 0.0, table_deg, index).map(azimuth)
    }
}

/// Light other than the lines, and what the lamp does over time.
#[derive(Clone, Debug, PartialEq)]
pub struct LampLight {
    /// Brightness of the lamp's brightest line for a wide slit, share of the full well.
    pub line: f64,
    /// Stray light in the field, share of the full well.
    pub stray: f64,
    /// Light that reaches the sensor past the eyepiece, share of the full well.
    pub glow: f64,
    /// Relative amplitude of the flicker at twice the mains frequency.
    pub flicker: f64,
    /// Relative amplitude of the slow drift.
    pub drift: f64,
    /// Relative change of the lines over the whole sweep as the beam wanders over the prism.
    pub walk: f64,
    /// Darkness: from, until, s.
    pub dark: Vec<[f64; 2]>,
    /// Shade by a sagging cloth: from, until, s, and share of the light that is left.
    pub shade: Vec<[f64; 3]>,
    /// Phases of drift and flicker, radians.
    pub phases: [f64; 3],
}

impl LampLight {
    /// A steady lamp.
    #[must_use]
    pub fn steady(line: f64, stray: f64) -> Self {
        Self {
            line,
            stray,
            glow: 0.004,
            flicker: 0.0,
            drift: 0.0,
            walk: 0.0,
            dark: Vec::new(),
            shade: Vec::new(),
            phases: [0.0; 3],
        }
    }

    /// Brightness of all light at a time against the steady lamp.
    pub(super) fn at(&self, time_s: f64) -> f64 {
        if self.dark.iter().any(|d| (d[0]..d[1]).contains(&time_s)) {
            return 0.0;
        }
        let tau = std::f64::consts::TAU;
        let slow = self.drift
            * (0.6 * (tau * time_s / 3.7 + self.phases[0]).sin()
                + 0.4 * (tau * time_s / 1.3 + self.phases[1]).sin());
        let fast = self.flicker * (tau * 100.0 * time_s + self.phases[2]).sin();
        let mut light = (1.0 + slow) * (1.0 + fast);
        for [from, until, left] in &self.shade {
            // The cloth takes 0.4 s to come and to go.
            let come = ((time_s - from) / 0.4).clamp(0.0, 1.0);
            let go = ((until - time_s) / 0.4).clamp(0.0, 1.0);
            light *= 1.0 - (1.0 - left) * come.min(go);
        }
        light.max(0.0)
    }
}

/// A jolt of the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slip {
    /// When, s.
    pub at_s: f64,
    /// Shift of the picture, px.
    pub by_px: [f64; 2],
}

/// A whole scene: everything that its rendering needs.
#[derive(Clone, Debug)]
pub struct Scene {
    /// Name of the scenario.
    pub name: String,
    /// What it shows, one line.
    pub description: String,
    /// Number from which all chance in it is drawn.
    pub seed: u64,
    /// Collimator, prism and telescope.
    pub bench: Bench,
    /// What the camera looks through.
    pub eyepiece: Eyepiece,
    /// The camera.
    pub camera: Camera,
    /// The table.
    pub motion: Motion,
    /// The light.
    pub light: LampLight,
    /// Jolts of the camera, by time.
    pub slips: Vec<Slip>,
    /// By how much unsteady air before the telescope moves all slit images to the right in each frame, px; empty for steady air.
    pub air_px: Vec<f64>,
    /// Middle of each exposure, s; the first is the zero of the footage's time.
    pub frame_times_s: Vec<f64>,
    /// How long the shutter is open, s.
    pub exposure_s: f64,
    /// Whether the frame times are those of a steady clock, and its rate.
    pub frames_per_s: Option<f64>,
}

/// Parts of the exposure that are rendered, where the table moves.
const PARTS: usize = 6;
/// Points of the slit that are traced to find a slit image's axis.
const SLIT_POINTS: usize = 7;

/// A line of the scene at one moment.
pub(super) struct LineState {
    pub(super) axis: Axis,
    pub(super) width_px: f64,
}

/// A turn within this time of darkness shows too few frames on one side for anyone to see it, s: four at 25 a second.
const LIT_S: f64 = 0.17;

impl Scene {
    /// Frames in the scene.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.frame_times_s.len()
    }

    /// The same scene seen through unsteady air: in each frame all slit images stand off by a random shift of standard deviation
    /// `sd_px` whose correlation with that of the next frame is `correlation` (0 for white noise). The hairs stand still, and what is
    /// true of the turning points stays so.
    #[must_use]
    pub fn in_unsteady_air(mut self, sd_px: f64, correlation: f64) -> Self {
        const PURPOSE: u64 = 0x0a12;
        let mut rng = chance(self.seed, PURPOSE);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let mut shift_px = sd_px * normal();
        self.air_px = (0..self.frames())
            .map(|_| {
                let now = shift_px;
                shift_px = correlation * shift_px
                    + (1.0 - correlation * correlation).sqrt() * sd_px * normal();
                now
            })
            .collect();
        self
    }

    /// Shift of the slit images in a frame, px.
    pub(super) fn air_at(&self, frame: usize) -> f64 {
        self.air_px.get(frame).copied().unwrap_or(0.0)
    }

    /// Renders the frames one after the other.
    #[must_use]
    pub fn rendering(&self) -> Rendering<'_> {
        Rendering::new(self)
    }

    /// Renders all frames, handing each with its truth to `take`.
    ///
    /// The frame is reused: copy what is to be kept.
    pub fn render(&self, mut take: impl FnMut(&Frame, &FrameTruth)) {
        let mut rendering = self.rendering();
        let mut frame = Frame::empty();
        while let Some(truth) = rendering.next_into(&mut frame) {
            take(&frame, &truth);
        }
    }

    /// Renders the scene's frame nearest to a time as a still, with its truth.
    ///
    /// The camera is taken as settled: automatic exposure does not act on a single still.
    /// `None` if the scene has no frames.
    #[must_use]
    pub fn still(&self, time_s: f64) -> Option<(Picture, FrameTruth)> {
        let start = *self.frame_times_s.first()?;
        let mut scene = self.clone();
        let at = (0..self.frames()).min_by(|a, b| {
            let off = |k: usize| (self.frame_times_s[k] - start - time_s).abs();
            off(*a).total_cmp(&off(*b))
        })?;
        scene.frame_times_s = vec![*self.frame_times_s.get(at)?];
        scene.air_px = self.air_px.get(at).copied().into_iter().collect();
        let mut rendering = scene.rendering();
        let mut truth = rendering.next_picture()?;
        truth.frame = at as u64;
        truth.t_s = scene.frame_times_s.first()? - start;
        Some((rendering.picture().clone(), truth))
    }

    /// The truth of every frame, without rendering any.
    #[must_use]
    pub fn frame_truths(&self) -> Vec<FrameTruth> {
        (0..self.frames()).map(|n| self.frame_truth(n)).collect()
    }

    /// The whole truth.
    #[must_use]
    pub fn truth_file(&self) -> TruthFile {
        TruthFile {
            scene: self.truth(),
            frames: self.frame_truths(),
        }
    }

    /// Times of the parts of an exposure, s on the motion's clock.
    pub(super) fn parts(&self, frame: usize) -> Vec<f64> {
        let middle = self.frame_times_s.get(frame).copied().unwrap_or(0.0);
        if self.exposure_s <= 0.0 {
            return vec![middle];
        }
        (0..PARTS)
            .map(|k| middle + self.exposure_s * ((k as f64 + 0.5) / PARTS as f64 - 0.5))
            .collect()
    }

    /// Which slip was the last one at a time, and the eyepiece as it then stands.
    pub(super) fn eyepiece_at(&self, time_s: f64) -> (usize, Eyepiece) {
        let done = self.slips.iter().take_while(|s| s.at_s <= time_s);
        let (count, dx, dy) = done.fold((0, 0.0, 0.0), |(n, dx, dy), s| {
            (n + 1, dx + s.by_px[0], dy + s.by_px[1])
        });
        (count, self.eyepiece.slipped(dx, dy))
    }

    /// Azimuth and elevation of the hairs, radians.
    pub(super) fn telescope(&self, time_s: f64) -> [f64; 2] {
        let bench = &self.bench;
        let knocked: f64 = bench
            .knocks
            .iter()
            .filter(|(at_s, _)| *at_s <= time_s)
            .map(|(_, by_arcsec)| by_arcsec)
            .sum();
        let swung_deg: f64 = bench
            .swings
            .iter()
            .map(|(from_s, until_s, by_deg)| {
                let done = ((time_s - from_s) / (until_s - from_s)).clamp(0.0, 1.0);
                by_deg * done * done * (3.0 - 2.0 * done)
            })
            .sum();
        [
            (bench.telescope_deg + swung_deg).to_radians()
                + arcsec(bench.creep_arcsec_per_s * time_s + knocked),
            arcsec(bench.telescope_elevation_arcsec),
        ]
    }

    pub(super) fn line_state(
        &self,
        wavelength_nm: f64,
        table_deg: f64,
        telescope: [f64; 2],
        eyepiece: &Eyepiece,
    ) -> Option<LineState> {
        let bench = &self.bench;
        let index = bench.glass.index(wavelength_nm);
        let mut points = [[0.0; 2]; SLIT_POINTS];
        for (k, point) in points.iter_mut().enumerate() {
            let along =
                bench.slit.half_height_arcsec * (2.0 * k as f64 / (SLIT_POINTS - 1) as f64 - 1.0);
            let out = bench.leaving(along, 0.0, table_deg, index)?;
            // Far off the axis the tangent is no picture any more.
            let off = azimuth(out) - telescope[0];
            if (off - std::f64::consts::TAU * (off / std::f64::consts::TAU).round()).abs() > 0.15 {
                return None;
            }
            *point = eyepiece.project(out, telescope);
        }
        let half = 0.5 * bench.slit.width_arcsec;
        let left = eyepiece.project(bench.leaving(0.0, -half, table_deg, index)?, telescope);
        let right = eyepiece.project(bench.leaving(0.0, half, table_deg, index)?, telescope);
        Some(LineState {
            axis: Axis::through(&points)?,
            width_px: (left[0] - right[0]).hypot(left[1] - right[1]),
        })
    }

    pub(super) fn walk(&self, table_deg: f64) -> f64 {
        let start = self.motion.angle_deg(0.0);
        (1.0 + self.light.walk * ((table_deg - start) * 0.35).sin()).max(0.05)
    }

    /// What is true of a frame.
    #[must_use]
    pub fn frame_truth(&self, frame: usize) -> FrameTruth {
        let start = self.frame_times_s.first().copied().unwrap_or(0.0);
        let middle = self.frame_times_s.get(frame).copied().unwrap_or(start);
        let parts = self.parts(frame);
        let (_, eyepiece) = self.eyepiece_at(middle);
        let hairs = eyepiece.hairs;
        let weights: Vec<f64> = parts.iter().map(|t| self.light.at(*t)).collect();
        let total: f64 = weights.iter().sum();
        let mut lines = Vec::new();
        for (number, line) in self.bench.lines.iter().enumerate() {
            let mut sums = [0.0; 3];
            let mut light = 0.0;
            let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
            let mut whole = true;
            for (time, weight) in parts.iter().zip(&weights) {
                let table = self.motion.angle_deg(*time);
                let Some(state) =
                    self.line_state(line.wavelength_nm, table, self.telescope(*time), &eyepiece)
                else {
                    whole = false;
                    continue;
                };
                let weight = if total > 0.0 {
                    weight / total
                } else {
                    1.0 / parts.len() as f64
                };
                let mut at = state.axis.at(hairs.y_px);
                at[0] += self.air_at(frame);
                for (sum, value) in sums.iter_mut().zip(at) {
                    *sum += weight * value;
                }
                light += weight * self.walk(table);
                least = least.min(at[0]);
                most = most.max(at[0]);
            }
            let x_px = sums[0];
            if !whole || x_px < -20.0 || x_px > eyepiece.width as f64 + 20.0 {
                continue;
            }
            let from_centre =
                (x_px - eyepiece.centre_px[0]).hypot(hairs.y_px - eyepiece.centre_px[1]);
            lines.push(LineInFrame {
                line: number + 1,
                x_px,
                offset_px: x_px - hairs.x_px,
                tilt_deg: sums[1].atan().to_degrees(),
                curvature_per_px: sums[2],
                moved_px: most - least,
                brightness: self.light.line * line.brightness * light * total / parts.len() as f64,
                in_field: from_centre < eyepiece.radius_px
                    && (0.0..eyepiece.width as f64 - 1.0).contains(&x_px),
            });
        }
        FrameTruth {
            frame: frame as u64,
            t_s: middle - start,
            table_deg: self.motion.angle_deg(middle),
            cross_hairs: hairs_truth(&eyepiece),
            lines,
            light: total / parts.len() as f64,
        }
    }

    /// x of a line at the height of the hairs, px; `None` where no light arrives.
    fn x_at(
        &self,
        wavelength_nm: f64,
        table_deg: f64,
        telescope: [f64; 2],
        eyepiece: &Eyepiece,
    ) -> Option<f64> {
        self.line_state(wavelength_nm, table_deg, telescope, eyepiece)
            .map(|s| s.axis.at(eyepiece.hairs.y_px)[0])
    }

    /// A time at which the telescope points where the table's turns are looked at: behind its first swing, s.
    fn aimed_s(&self) -> f64 {
        self.bench.swings.first().map_or(0.0, |swing| swing.1)
    }

    /// Table angle at which a line is closest to the central image, degrees.
    pub(crate) fn turning_table_deg(&self, wavelength_nm: f64) -> Option<f64> {
        let index = self.bench.glass.index(wavelength_nm);
        let (near, _) = self.bench.prism()?.least_deviation(0.0, index)?;
        let telescope = self.telescope(self.aimed_s());
        let toward = -self.bench.side * self.eyepiece.x_sign;
        self.x_at(wavelength_nm, near, telescope, &self.eyepiece)?;
        Some(golden_minimum(near - 0.8, near + 0.8, |table| {
            self.x_at(wavelength_nm, table, telescope, &self.eyepiece)
                .map_or(f64::INFINITY, |x| -toward * x)
        }))
    }

    /// What is true of the whole scene.
    #[must_use]
    pub fn truth(&self) -> SceneTruth {
        let start = self.frame_times_s.first().copied().unwrap_or(0.0);
        let end = self.frame_times_s.last().copied().unwrap_or(0.0);
        let sign = self.eyepiece.x_sign;
        let mut lines = Vec::new();
        let mut turns = Vec::new();
        let mut events = Vec::new();
        for (number, line) in self.bench.lines.iter().enumerate() {
            let index = self.bench.glass.index(line.wavelength_nm);
            let Some(table_deg) = self.turning_table_deg(line.wavelength_nm) else {
                continue;
            };
            let place = |time: f64, table: f64| {
                let (_, eyepiece) = self.eyepiece_at(time);
                let x = self.x_at(line.wavelength_nm, table, self.telescope(time), &eyepiece)?;
                let seen = (x - eyepiece.centre_px[0])
                    .hypot(eyepiece.hairs.y_px - eyepiece.centre_px[1])
                    < eyepiece.radius_px
                    && (0.0..eyepiece.width as f64 - 1.0).contains(&x)
                    && [-LIT_S, 0.0, LIT_S]
                        .iter()
                        .all(|apart| self.light.at(time + apart) > 0.0);
                Some((x, x - eyepiece.hairs.x_px, seen))
            };
            let mut offsets = Vec::new();
            for time in self.motion.passes(table_deg, 0.3) {
                if let Some((x_px, offset_px, seen)) = place(time, table_deg)
                    && (start..=end).contains(&time)
                {
                    if seen {
                        offsets.push(offset_px);
                    }
                    turns.push(TurnTruth {
                        line: number + 1,
                        t_s: time - start,
                        x_px,
                        offset_px,
                        kind: "minimum deviation",
                        counted: true,
                        seen,
                    });
                }
            }
            for &(time, table) in &self.motion.turned_back {
                if let Some((x_px, offset_px, seen)) = place(time, table)
                    && (start..=end).contains(&time)
                {
                    turns.push(TurnTruth {
                        line: number + 1,
                        t_s: time - start,
                        x_px,
                        offset_px,
                        kind: "hand",
                        counted: false,
                        seen,
                    });
                }
            }
            let Some((x_px, offset_start, _)) = place(self.aimed_s(), table_deg) else {
                continue;
            };
            let offset_px = if offsets.is_empty() {
                offset_start
            } else {
                offsets.iter().sum::<f64>() / offsets.len() as f64
            };
            let Some(leaving) = self.bench.azimuth_at_hairs(table_deg, line.wavelength_nm) else {
                continue;
            };
            let straight = Bench {
                path: Path::Straight,
                ..self.bench.clone()
            };
            let direct = straight
                .azimuth_at_hairs(0.0, line.wavelength_nm)
                .unwrap_or(0.0);
            lines.push(LineTruth {
                line: number + 1,
                name: line.name.to_owned(),
                wavelength_nm: line.wavelength_nm,
                n: index,
                turned: !offsets.is_empty(),
                passes: offsets.len(),
                x_px,
                offset_px,
                offset_arcsec: to_arcsec(leaving - self.telescope(self.aimed_s())[0]),
                table_deg,
                deviation_deg: self.bench.side * (leaving - direct).to_degrees(),
            });
            self.absences(number, &mut events);
        }
        for slip in &self.slips {
            events.push(event(
                "slip of the camera",
                None,
                slip.at_s - start,
                slip.at_s - start,
            ));
        }
        for [from, until] in &self.light.dark {
            events.push(event("darkness", None, from - start, until - start));
        }
        for [from, until, _] in &self.light.shade {
            events.push(event("shade", None, from - start, until - start));
        }
        for (at_s, _) in &self.bench.knocks {
            events.push(event(
                "knock of the telescope",
                None,
                at_s - start,
                at_s - start,
            ));
        }
        for (from_s, until_s, _) in &self.bench.swings {
            events.push(event(
                "swing of the telescope",
                None,
                from_s - start,
                until_s - start,
            ));
        }
        if self.bench.creep_arcsec_per_s != 0.0 {
            events.push(event("telescope creep", None, 0.0, end - start));
        }
        turns.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        SceneTruth {
            lineturn: env!("CARGO_PKG_VERSION"),
            kind: "practice",
            scenario: self.name.clone(),
            description: self.description.clone(),
            seed: self.seed,
            width: self.eyepiece.width,
            height: self.eyepiece.height,
            glass: self.bench.glass.name.to_owned(),
            prism_angle_deg: self.bench.prism().map_or(0.0, |p| p.refracting_angle_deg),
            arcsec_per_px: sign * self.eyepiece.arcsec_per_px,
            toward: if self.bench.side * sign > 0.0 {
                "left"
            } else {
                "right"
            },
            cross_hairs: hairs_truth(&self.eyepiece),
            field: FieldTruth {
                x_px: self.eyepiece.centre_px[0],
                y_px: self.eyepiece.centre_px[1],
                radius_px: self.eyepiece.radius_px,
            },
            lines,
            turning_points: turns,
            events,
        }
    }

    /// Adds the times during which a line is outside the field.
    fn absences(&self, number: usize, events: &mut Vec<EventTruth>) {
        let Some(line) = self.bench.lines.get(number) else {
            return;
        };
        let start = self.frame_times_s.first().copied().unwrap_or(0.0);
        let mut since: Option<f64> = None;
        for &time in &self.frame_times_s {
            let (_, eyepiece) = self.eyepiece_at(time);
            let inside = self
                .x_at(
                    line.wavelength_nm,
                    self.motion.angle_deg(time),
                    self.telescope(time),
                    &eyepiece,
                )
                .is_some_and(|x| {
                    (x - eyepiece.centre_px[0]).hypot(eyepiece.hairs.y_px - eyepiece.centre_px[1])
                        < eyepiece.radius_px
                        && (0.0..eyepiece.width as f64 - 1.0).contains(&x)
                });
            match (inside, since) {
                (false, None) => since = Some(time),
                (true, Some(from)) => {
                    events.push(event(
                        "outside the field",
                        Some(number + 1),
                        from - start,
                        time - start,
                    ));
                    since = None;
                }
                _ => {}
            }
        }
        if let (Some(from), Some(last)) = (since, self.frame_times_s.last()) {
            events.push(event(
                "outside the field",
                Some(number + 1),
                from - start,
                last - start,
            ));
        }
    }
}

fn event(kind: &'static str, line: Option<usize>, t_s: f64, until_s: f64) -> EventTruth {
    EventTruth {
        kind,
        line,
        t_s,
        until_s,
    }
}

fn hairs_truth(eyepiece: &Eyepiece) -> Option<HairsTruth> {
    let hairs = eyepiece.hairs;
    (hairs.width_px > 0.0).then_some(HairsTruth {
        x_px: hairs.x_px,
        y_px: hairs.y_px,
        rotation_deg: hairs.rotation_deg,
        width_px: hairs.width_px,
        depth: hairs.depth,
    })
}

/// Times of `frames` exposures at a rate, with a spread of each interval; the first at `from_s`.
pub(crate) fn frame_times(
    from_s: f64,
    until_s: f64,
    frames_per_s: f64,
    spread: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<f64> {
    let mut times = Vec::new();
    let mut time = from_s;
    while time <= until_s {
        times.push(time);
        let jitter = if spread > 0.0 {
            1.0 + spread * rng.random_range(-1.0..1.0)
        } else {
            1.0
        };
        // Now and then a phone takes twice as long.
        let late = if spread > 0.0 && rng.random::<f64>() < 0.03 {
            2.0
        } else {
            1.0
        };
        time += jitter * late / frames_per_s;
    }
    times
}

/// The generator for one purpose of a scene.
pub(crate) fn chance(seed: u64, purpose: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(purpose);
    rng
}
