//! The named scenes, from gentle to ugly.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::SimulateError;
use super::camera::Camera;
use super::eyepiece::{Eyepiece, Hairs, Speck};
use super::glass::{CADMIUM, F2, GLASSES, LampLine, MERCURY, SODIUM};
use super::hand::{Motion, Move, Unsteadiness};
use super::optics::Prism;
use super::scene::{Bench, LampLight, Path, Scene, Slip, Slit, chance, frame_times};

type Recipe = fn(&mut Draft);

/// Names, one-line descriptions and recipes.
const SCENARIOS: [(&str, &str, Recipe); 25] = [
    (
        "steady",
        "one bright line, a calm hand, a good camera",
        steady,
    ),
    ("faint", "a line that barely rises above the noise", faint),
    (
        "saturated",
        "a line far too bright for the exposure",
        saturated,
    ),
    (
        "under-hair",
        "the line turns beneath the upright hair",
        under_hair,
    ),
    (
        "diagonal-hairs",
        "hairs crossed like an X, slit leaning",
        diagonal_hairs,
    ),
    ("no-hairs", "an eyepiece without hairs", no_hairs),
    (
        "hand-reverses-short",
        "the hand turns back before the minimum, then passes it and comes back",
        hand_reverses_short,
    ),
    (
        "hand-reverses-beyond",
        "the hand turns back behind the minimum and comes again",
        hand_reverses_beyond,
    ),
    (
        "only-reversal-by-hand",
        "the hand turns back and the line never reached its minimum",
        only_reversal_by_hand,
    ),
    (
        "never-turned",
        "the line crosses the field in one direction",
        never_turned,
    ),
    ("two-passes", "there and back over the minimum", two_passes),
    (
        "three-passes-creep-free",
        "three passes over the minimum, the telescope well locked",
        three_passes,
    ),
    (
        "telescope-creeps",
        "two passes while the telescope creeps",
        telescope_creeps,
    ),
    (
        "doublet",
        "the two yellow mercury lines side by side",
        doublet,
    ),
    (
        "sodium-pair",
        "the sodium D lines, hardly apart",
        sodium_pair,
    ),
    (
        "several-lines",
        "four lines in a wide field, turning one after the other",
        several_lines,
    ),
    (
        "leaves-field",
        "the line leaves the field and comes back",
        leaves_field,
    ),
    (
        "bump",
        "the camera is jolted in the middle of the sweep",
        bump,
    ),
    (
        "darkness",
        "the lamp goes out for a moment at the turn",
        darkness,
    ),
    (
        "exposure-hunting",
        "automatic exposure that swings, a flickering lamp",
        exposure_hunting,
    ),
    (
        "bayer-gamma",
        "a colour webcam with its usual gamma",
        bayer_gamma,
    ),
    (
        "webcam-sharpened",
        "a webcam that sharpens its pictures",
        webcam_sharpened,
    ),
    (
        "compressed",
        "strong JPEG compression, a rough hand",
        compressed,
    ),
    (
        "variable-rate",
        "a phone whose frame times wander",
        variable_rate,
    ),
    (
        "cloth",
        "a sagging cloth shades the light, stray light in the field",
        cloth,
    ),
];

/// Names of the scenarios with a one-line description each.
#[must_use]
pub fn scenario_names() -> Vec<(&'static str, &'static str)> {
    SCENARIOS
        .iter()
        .map(|(name, says, _)| (*name, *says))
        .collect()
}

/// The scene of that name, varied by `seed`.
///
/// # Errors
/// There is no scenario of that name.
pub fn scene(name: &str, seed: u64) -> Result<Scene, SimulateError> {
    let (name, says, recipe) = SCENARIOS
        .iter()
        .find(|(known, _, _)| *known == name)
        .ok_or_else(|| SimulateError::UnknownScenario {
            name: name.to_owned(),
            known: SCENARIOS.map(|(known, _, _)| known).join(", "),
        })?;
    let mut draft = Draft::new(name, says, seed);
    recipe(&mut draft);
    Ok(draft.finish())
}

/// A sweep in which one line, or two that turn one after the other, pass the minimum `passes` times under a calm hand: for asking how
/// well a turning point can be known, and what further lines and passes add.
#[must_use]
pub fn passes(passes: usize, lines: usize, seed: u64) -> Scene {
    let mut draft = Draft::new("passes", "passes over the minimum, a calm hand", seed);
    if lines > 1 {
        draft.scene.bench.lines = vec![MERCURY[4], MERCURY[6]];
        draft.aim_px = draft.pick(30.0, 80.0);
    }
    let mut angles_deg = Vec::new();
    for pass in 0..passes {
        let far = draft.pick(3.4, 4.2);
        angles_deg.push(if pass % 2 == 0 { -far } else { far });
    }
    draft.visit(&angles_deg);
    draft.finish()
}

/// A scene in the making: the scene, and what the hand means to do about the minimum.
pub(crate) struct Draft {
    pub(crate) scene: Scene,
    pub(crate) rng: ChaCha8Rng,
    /// Start and plan, in degrees from the table angle of minimum deviation of the first line.
    pub(crate) start_deg: f64,
    pub(crate) plan: Vec<Move>,
    pub(crate) hand: Unsteadiness,
    /// Offset of the first line from the hairs at minimum deviation, px towards larger deviations.
    pub(crate) aim_px: f64,
    /// Spread of the frame intervals.
    pub(crate) clock_spread: f64,
    pub(crate) frames_per_s: f64,
    /// Events as a share of the sweep: jolts, darkness, shade are placed once its length is known.
    jolts: Vec<(f64, [f64; 2])>,
    darks: Vec<(f64, f64)>,
    shades: Vec<(f64, f64, f64)>,
}

impl Draft {
    pub(crate) fn new(name: &str, says: &str, seed: u64) -> Self {
        // The name takes part, so that scenarios with one seed do not share their chance.
        let purpose = name.bytes().fold(1_u64, |sum, b| {
            sum.wrapping_mul(31).wrapping_add(u64::from(b))
        });
        let mut rng = chance(seed, purpose);
        let sign = |rng: &mut ChaCha8Rng| if rng.random::<bool>() { 1.0 } else { -1.0 };
        let centre_px = [
            319.5 + rng.random_range(-9.0..9.0),
            239.5 + rng.random_range(-5.0..5.0),
        ];
        let eyepiece = Eyepiece {
            width: 640,
            height: 480,
            arcsec_per_px: rng.random_range(9.4..11.2),
            x_sign: sign(&mut rng),
            y_sign: sign(&mut rng),
            roll_deg: rng.random_range(-0.6..0.6),
            distortion_per_px2: rng.random_range(-6e-8..9e-8),
            centre_px,
            radius_px: rng.random_range(212.0..228.0),
            edge_px: rng.random_range(1.2..2.6),
            vignetting: rng.random_range(0.1..0.3),
            unevenness: rng.random_range(-0.12..0.12),
            hairs: Hairs {
                x_px: centre_px[0] + rng.random_range(-6.0..6.0),
                y_px: centre_px[1] + rng.random_range(-6.0..6.0),
                rotation_deg: rng.random_range(-2.0..2.0),
                width_px: rng.random_range(2.0..3.4),
                depth: rng.random_range(0.85..0.97),
            },
            telescope_blur_px: rng.random_range(0.9..1.4),
            lens_blur_px: rng.random_range(0.7..1.1),
            specks: (0..5)
                .map(|_| Speck {
                    x_px: rng.random_range(120.0..520.0),
                    y_px: rng.random_range(40.0..440.0),
                    sigma_px: rng.random_range(2.5..9.0),
                    depth: rng.random_range(0.02..0.10),
                })
                .collect(),
        };
        let bench = Bench {
            path: Path::Through(Prism {
                refracting_angle_deg: 60.0 + rng.random_range(-0.05..0.05),
                lean_arcsec: [rng.random_range(-40.0..40.0), rng.random_range(-40.0..40.0)],
            }),
            glass: F2,
            side: sign(&mut rng),
            slit: Slit {
                width_arcsec: rng.random_range(28.0..45.0),
                half_height_arcsec: rng.random_range(1500.0..1900.0),
                lean_deg: rng.random_range(-0.4..0.4),
            },
            lines: vec![MERCURY[4]],
            telescope_deg: 0.0,
            telescope_elevation_arcsec: rng.random_range(-90.0..90.0),
            creep_arcsec_per_s: 0.0,
            knocks: Vec::new(),
            swings: Vec::new(),
            past_prism: 0.0,
        };
        let way = sign(&mut rng);
        let scene = Scene {
            name: name.to_owned(),
            description: says.to_owned(),
            seed,
            bench,
            eyepiece,
            camera: Camera::measuring(),
            motion: Motion::still(0.0, 0.0),
            light: LampLight {
                flicker: 0.01,
                drift: 0.02,
                walk: rng.random_range(-0.15..0.15),
                phases: std::array::from_fn(|_| rng.random_range(0.0..std::f64::consts::TAU)),
                ..LampLight::steady(rng.random_range(0.45..0.6), rng.random_range(0.07..0.12))
            },
            slips: Vec::new(),
            air_px: Vec::new(),
            frame_times_s: Vec::new(),
            exposure_s: rng.random_range(0.012..0.03),
            frames_per_s: Some(25.0),
        };
        let start = rng.random_range(4.3..5.2);
        let speed = rng.random_range(1.0..1.4);
        let aim_px = rng.random_range(-110.0..-25.0);
        Self {
            scene,
            start_deg: way * start,
            plan: vec![
                Move::Rest { for_s: 0.3 },
                Move::Turn {
                    to_deg: -way * rng.random_range(3.6..4.6),
                    speed_deg_per_s: speed,
                },
                Move::Rest { for_s: 0.2 },
            ],
            rng,
            hand: Unsteadiness::CALM,
            aim_px,
            clock_spread: 0.0,
            frames_per_s: 25.0,
            jolts: Vec::new(),
            darks: Vec::new(),
            shades: Vec::new(),
        }
    }

    /// Another sweep with the same eyepiece and camera.
    pub(crate) fn with(&self, scene: Scene, rng: ChaCha8Rng) -> Self {
        Self {
            scene,
            rng,
            plan: Vec::new(),
            jolts: Vec::new(),
            darks: Vec::new(),
            shades: Vec::new(),
            ..*self
        }
    }

    /// A plan through these table angles, in degrees from the minimum on the side of the start.
    fn visit(&mut self, angles_deg: &[f64]) {
        let way = self.start_deg.signum();
        self.plan = vec![Move::Rest { for_s: 0.3 }];
        for (k, angle) in angles_deg.iter().enumerate() {
            let speed = self.rng.random_range(1.0..1.5);
            self.plan.push(Move::Turn {
                to_deg: way * angle,
                speed_deg_per_s: speed,
            });
            let last = k + 1 == angles_deg.len();
            self.plan.push(Move::Rest {
                for_s: if last {
                    0.2
                } else {
                    self.rng.random_range(0.1..0.5)
                },
            });
        }
    }

    fn pick(&mut self, low: f64, high: f64) -> f64 {
        self.rng.random_range(low..high)
    }

    /// Points the telescope, lets the hand do its work and sets the clock.
    pub(crate) fn finish(mut self) -> Scene {
        let scene = &mut self.scene;
        let away = scene.bench.side * scene.eyepiece.x_sign;
        let minimum_of = |scene: &Scene, line: &LampLine| {
            let prism = scene.bench.prism()?;
            prism.least_deviation(0.0, scene.bench.glass.index(line.wavelength_nm))
        };
        let mut table_deg = 0.0;
        if let Some((table, deviation)) =
            scene.bench.lines.first().and_then(|l| minimum_of(scene, l))
        {
            scene.bench.telescope_deg = scene.bench.side * deviation
                - scene.eyepiece.x_sign * away * self.aim_px * scene.eyepiece.arcsec_per_px
                    / 3600.0;
            table_deg = table;
        }
        // Numbered from left to right as they turn.
        scene
            .bench
            .lines
            .sort_by(|a, b| (-away * a.wavelength_nm).total_cmp(&(-away * b.wavelength_nm)));
        let plan: Vec<Move> = self
            .plan
            .iter()
            .map(|step| match *step {
                Move::Turn {
                    to_deg,
                    speed_deg_per_s,
                } => Move::Turn {
                    to_deg: table_deg + to_deg,
                    speed_deg_per_s,
                },
                rest @ Move::Rest { .. } => rest,
            })
            .collect();
        scene.motion = Motion::of_plan(table_deg + self.start_deg, &plan, self.hand, &mut self.rng);
        let length = scene.motion.duration_s();
        scene.frame_times_s = frame_times(
            0.1,
            length,
            self.frames_per_s,
            self.clock_spread,
            &mut self.rng,
        );
        scene.frames_per_s = (self.clock_spread <= 0.0).then_some(self.frames_per_s);
        scene.slips = self
            .jolts
            .iter()
            .map(|(share, by_px)| Slip {
                at_s: share * length,
                by_px: *by_px,
            })
            .collect();
        scene.light.dark = self
            .darks
            .iter()
            .map(|(a, b)| [a * length, b * length])
            .collect();
        scene.light.shade = self
            .shades
            .iter()
            .map(|(a, b, left)| [a * length, b * length, *left])
            .collect();
        self.scene
    }
}

fn steady(_: &mut Draft) {}

fn faint(d: &mut Draft) {
    d.scene.light.line = d.pick(0.025, 0.05);
    d.scene.light.stray = 0.05;
    d.scene.camera.read_noise_e = 25.0;
    d.scene.camera.full_well_e = 6000.0;
}

fn saturated(d: &mut Draft) {
    d.scene.light.line = d.pick(2.5, 5.0);
    d.scene.light.stray = 0.2;
    d.scene.bench.slit.width_arcsec = d.pick(45.0, 70.0);
}

fn under_hair(d: &mut Draft) {
    d.aim_px = d.pick(-2.0, 2.0);
    d.scene.eyepiece.hairs.rotation_deg = d.pick(-0.4, 0.4);
}

fn diagonal_hairs(d: &mut Draft) {
    d.scene.eyepiece.hairs.rotation_deg = d.pick(36.0, 45.0);
    d.scene.bench.slit.lean_deg = d.pick(-2.5, 2.5);
    d.scene.eyepiece.roll_deg = d.pick(-3.0, 3.0);
}

fn no_hairs(d: &mut Draft) {
    // Lines are told at the height of the middle of the field then.
    let eyepiece = &mut d.scene.eyepiece;
    eyepiece.hairs.width_px = 0.0;
    [eyepiece.hairs.x_px, eyepiece.hairs.y_px] = eyepiece.centre_px;
}

fn hand_reverses_short(d: &mut Draft) {
    let (short, back) = (d.pick(1.2, 1.9), d.pick(3.0, 3.8));
    d.visit(&[short, back, -4.0, 3.4]);
    d.hand = Unsteadiness::ROUGH;
}

fn hand_reverses_beyond(d: &mut Draft) {
    let beyond = d.pick(1.3, 2.2);
    d.visit(&[-beyond, 3.0]);
}

fn only_reversal_by_hand(d: &mut Draft) {
    let short = d.pick(1.0, 1.8);
    d.visit(&[short, 5.0]);
}

fn never_turned(d: &mut Draft) {
    let stop = d.pick(1.5, 2.2);
    d.start_deg = d.start_deg.signum() * 6.0;
    d.aim_px = -150.0;
    d.visit(&[stop]);
}

fn two_passes(d: &mut Draft) {
    let back = d.pick(3.2, 4.2);
    d.visit(&[-back, back]);
}

fn three_passes(d: &mut Draft) {
    d.visit(&[-3.5, 3.3, -3.8]);
}

fn telescope_creeps(d: &mut Draft) {
    let speed = d.pick(2.0, 5.0);
    d.scene.bench.creep_arcsec_per_s = if d.rng.random::<bool>() {
        speed
    } else {
        -speed
    };
    d.visit(&[-3.4, 3.4]);
}

fn doublet(d: &mut Draft) {
    d.scene.bench.lines = vec![MERCURY[5], MERCURY[6]];
    d.scene.light.line = 1.1;
    d.scene.bench.slit.width_arcsec = d.pick(18.0, 26.0);
}

fn sodium_pair(d: &mut Draft) {
    d.scene.bench.lines = SODIUM.to_vec();
    d.scene.bench.glass = GLASSES[2];
    d.scene.bench.slit.width_arcsec = d.pick(9.0, 13.0);
    d.scene.eyepiece.arcsec_per_px = 5.2;
    d.scene.eyepiece.telescope_blur_px = 0.8;
    d.scene.eyepiece.lens_blur_px = 0.6;
    d.scene.bench.slit.half_height_arcsec = 900.0;
    d.scene.light.line = 0.7;
    // Dense flint: the table runs closer to the minimum.
    d.start_deg = d.start_deg.signum() * 2.8;
    d.visit(&[-2.4]);
}

fn several_lines(d: &mut Draft) {
    d.scene.bench.lines = vec![MERCURY[4], MERCURY[6], MERCURY[3], CADMIUM[2]];
    d.scene.bench.glass = GLASSES[1];
    d.scene.light.line = 0.9;
    d.scene.eyepiece.arcsec_per_px = 14.0;
    d.scene.bench.slit.half_height_arcsec = 2300.0;
    d.scene.bench.slit.width_arcsec = 40.0;
    d.aim_px = d.pick(-60.0, -20.0);
}

fn leaves_field(d: &mut Draft) {
    d.aim_px = d.pick(20.0, 60.0);
    d.visit(&[-6.5, 4.0]);
}

fn bump(d: &mut Draft) {
    let share = d.pick(0.35, 0.65);
    let by = [d.pick(2.0, 7.0), d.pick(-4.0, 4.0)];
    let by = if d.rng.random::<bool>() {
        by
    } else {
        [-by[0], by[1]]
    };
    d.jolts.push((share, by));
}

fn darkness(d: &mut Draft) {
    let from = d.pick(0.46, 0.54);
    d.darks.push((from, from + 0.08));
    d.darks.push((0.82, 0.85));
}

fn exposure_hunting(d: &mut Draft) {
    d.scene.camera = Camera {
        gamma: 0.6,
        exposure_target: Some(0.07),
        ..Camera::measuring()
    };
    d.scene.light.flicker = 0.12;
    d.scene.light.drift = 0.12;
    d.scene.light.walk = 0.5;
}

fn bayer_gamma(d: &mut Draft) {
    d.scene.camera = Camera::webcam();
}

fn webcam_sharpened(d: &mut Draft) {
    d.scene.camera = Camera {
        sharpening: 2.0,
        ..Camera::webcam()
    };
    d.scene.light.walk = 0.3;
}

fn compressed(d: &mut Draft) {
    d.scene.camera = Camera {
        jpeg_quality: Some(38),
        ..Camera::webcam()
    };
    d.hand = Unsteadiness::ROUGH;
    // So rough a hand that one pass alone could not be told from its reversals.
    two_passes(d);
}

fn variable_rate(d: &mut Draft) {
    two_passes(d);
    d.clock_spread = 0.3;
    d.frames_per_s = 28.0;
    d.scene.camera = Camera::webcam();
    d.hand = Unsteadiness::ROUGH;
}

fn cloth(d: &mut Draft) {
    let from = d.pick(0.3, 0.5);
    d.shades.push((from, from + 0.2, 0.3));
    d.scene.light.stray = d.pick(0.2, 0.3);
    d.scene.light.walk = -0.4;
}
