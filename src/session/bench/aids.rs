//! Figures for setting up: lamp, focus, slit, cloth and prism table, each with the best that was reached so far.
//!
//! Limits of good and fair are common practice, no source: they say what costs accuracy, not what forbids measuring.

use super::sight::{Sight, SightedLine};

/// Share by which a new value counts; the rest is what was before.
const NEWEST_SHARE: f64 = 0.2;
/// Values before which a best is not held: the first frames are of a hand at the knob.
const SETTLED_AFTER: u32 = 5;
/// Light below this share of what it was is called shaded.
const SHADED_BELOW: f64 = 0.6;
/// By this share a frame the light that shade is told from follows downwards.
const LIGHT_FORGOTTEN: f64 = 0.002;

/// What an aid is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AidKind {
    /// Highest level of the line, a share of full scale.
    Brightness,
    /// Whether pixels are clipped: 1 or 0.
    Saturation,
    /// Blur of the slit image beside its width, standard deviation in px.
    Sharpness,
    /// Angle between slit image and upright hair, degrees, positive where the lower end lies to the right.
    SlitTilt,
    /// Width of the slit image, px.
    SlitWidth,
    /// Level beside the lines, a share of full scale.
    StrayLight,
    /// Light of the line beside what it was, a share.
    Shade,
    /// Middle of the slit image above the cross-hairs, px.
    FaceHeight,
}

/// How good it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing to do.
    Good,
    /// Could be better.
    Fair,
    /// Costs accuracy.
    Poor,
}

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Aid {
    /// What it is about.
    pub kind: AidKind,
    /// Its value now.
    pub value: f64,
    /// The best so far.
    pub best: Option<f64>,
    /// How good it is.
    pub verdict: Option<Verdict>,
    /// What to do about it.
    pub say: String,
}

/// A value followed from frame to frame, with its best.
#[derive(Clone, Copy, Debug, Default)]
struct Held {
    mean: Option<f64>,
    taken: u32,
    best: Option<f64>,
}

impl Held {
    fn take(&mut self, value: f64, better: impl Fn(f64, f64) -> bool, counts: bool) -> f64 {
        let mean = self
            .mean
            .map_or(value, |mean| mean + NEWEST_SHARE * (value - mean));
        self.mean = Some(mean);
        self.taken = self.taken.saturating_add(1);
        if counts && self.taken >= SETTLED_AFTER && self.best.is_none_or(|best| better(mean, best))
        {
            self.best = Some(mean);
        }
        mean
    }
}

/// All figures.
#[derive(Debug, Default)]
pub(super) struct Aids {
    brightness: Held,
    blur: Held,
    tilt: Held,
    width: Held,
    stray: Held,
    height: Held,
    light: f64,
    share_of_light: f64,
    line: Option<u64>,
    aids: Vec<Aid>,
    say: String,
    good: bool,
}

impl Aids {
    /// What was best till now no longer counts.
    pub(super) fn reset_best(&mut self) {
        *self = Self::default();
    }

    /// All figures of the last frame.
    pub(super) fn list(&self) -> &[Aid] {
        &self.aids
    }

    /// Whether the picture is good, and what is to be done first of all.
    pub(super) fn verdict(&self) -> (bool, &str) {
        (self.good, &self.say)
    }

    /// Whether something keeps the light away that was there a moment ago.
    pub(super) fn shaded(&self) -> bool {
        self.light > 0.0 && self.share_of_light < SHADED_BELOW
    }

    /// Takes a frame.
    pub(super) fn take(&mut self, sight: &Sight, chosen: Option<&SightedLine>) {
        self.aids.clear();
        let more = |a: f64, b: f64| a > b;
        let less = |a: f64, b: f64| a < b;
        let stray = self.stray.take(sight.stray_level, less, true);
        if let Some(chosen) = chosen {
            let line = &chosen.line;
            if chosen.id != self.line {
                // Another line has light, width and blur of its own.
                self.line = chosen.id;
                for held in [
                    &mut self.brightness,
                    &mut self.blur,
                    &mut self.tilt,
                    &mut self.width,
                ] {
                    held.mean = None;
                    held.taken = 0;
                }
                self.light = 0.0;
            }
            let level = self.brightness.take(line.peak_level, more, !line.saturated);
            self.aids.push(brightness(level, self.brightness.best));
            self.aids.push(saturation(line.saturated));
            let blur = self.blur.take(line.blur_px, less, !line.saturated);
            self.aids.push(sharpness(blur, self.blur.best));
            if let Some(hairs) = &sight.cross_hairs {
                // The hair leans to the right at its upper end, the line at its lower end.
                let tilt = line.tilt_deg + hairs.rotation_deg;
                let tilt = self.tilt.take(tilt, |a, b| a.abs() < b.abs(), true);
                self.aids.push(slit_tilt(tilt, self.tilt.best));
            }
            let width = self.width.take(line.slit_px, less, !line.saturated);
            self.aids.push(slit_width(width, blur, self.width.best));
            self.light = line.flux.max(self.light * (1.0 - LIGHT_FORGOTTEN));
            self.share_of_light = if self.light > 0.0 {
                line.flux / self.light
            } else {
                1.0
            };
        } else {
            self.share_of_light = if self.light > 0.0 { 0.0 } else { 1.0 };
        }
        self.aids.push(stray_light(stray, self.stray.best));
        self.aids.push(shade(self.share_of_light, self.shaded()));
        if let (Some(chosen), Some(hairs)) = (chosen, &sight.cross_hairs) {
            let (top, bottom) = chosen.line.rows;
            let middle = 0.5 * (top as f64 + bottom as f64);
            let height = self
                .height
                .take(hairs.y_px - middle, |a, b| a.abs() < b.abs(), true);
            let field_px = sight
                .field
                .as_ref()
                .map_or(sight.height as f64, |field| 2.0 * field.radius_px);
            let fills = (bottom.saturating_sub(top)) as f64 > 0.9 * field_px;
            self.aids.push(face_height(height, self.height.best, fills));
        }
        (self.good, self.say) = self.first_of_all(sight, chosen.is_some());
    }

    fn first_of_all(&self, sight: &Sight, line_seen: bool) -> (bool, String) {
        if self.shaded() {
            return (
                false,
                "Something shades the light: look at the cloth, the lamp and your hands."
                    .to_owned(),
            );
        }
        if !line_seen {
            return (false, "No line is to be seen: open the slit a little, bring the lamp before it, and turn the telescope until a line stands in the field.".to_owned());
        }
        if sight.cross_hairs.is_none() {
            return (false, "The cross-hairs are not to be seen: focus the eyepiece on them, and let a little stray light in so that they stand out.".to_owned());
        }
        let worst = self
            .aids
            .iter()
            .find(|aid| aid.verdict == Some(Verdict::Poor))
            .map(|aid| aid.say.clone());
        match worst {
            Some(say) => (false, say),
            None => (true, "The picture is good.".to_owned()),
        }
    }
}

fn aid(kind: AidKind, value: f64, best: Option<f64>, verdict: Verdict, say: &str) -> Aid {
    Aid {
        kind,
        value,
        best,
        verdict: Some(verdict),
        say: say.to_owned(),
    }
}

fn brightness(level: f64, best: Option<f64>) -> Aid {
    let (verdict, say) = if level < 0.1 {
        (
            Verdict::Poor,
            "The line is faint: move the lamp along and across before the slit until this figure is largest.",
        )
    } else if best.is_some_and(|best| level < 0.7 * best) {
        (
            Verdict::Fair,
            "It was brighter before: move the lamp back to where this figure was largest.",
        )
    } else if level < 0.3 {
        (
            Verdict::Fair,
            "Bright enough to measure; a lamp nearer to the slit's axis would give more.",
        )
    } else {
        (Verdict::Good, "Bright enough.")
    };
    aid(AidKind::Brightness, level, best, verdict, say)
}

fn saturation(saturated: bool) -> Aid {
    if saturated {
        aid(
            AidKind::Saturation,
            1.0,
            None,
            Verdict::Poor,
            "The line is clipped: shorten the exposure, lower the gain, narrow the slit or take the lamp further away.",
        )
    } else {
        aid(
            AidKind::Saturation,
            0.0,
            None,
            Verdict::Good,
            "No pixel of the line is clipped.",
        )
    }
}

fn sharpness(blur_px: f64, best: Option<f64>) -> Aid {
    let (verdict, say) = match best {
        Some(best) if blur_px > 1.5 * best && blur_px > 1.0 => (
            Verdict::Poor,
            "The slit is blurred: turn the focus of the telescope, then of the collimator, until this figure is smallest.",
        ),
        Some(best) if blur_px > 1.2 * best && blur_px > 1.0 => (
            Verdict::Fair,
            "The slit was sharper before: turn the focus back a little.",
        ),
        _ if blur_px > 6.0 => (
            Verdict::Fair,
            "Turn the focus through its best place once, so that the smallest figure is known.",
        ),
        _ => (Verdict::Good, "As sharp as it has been."),
    };
    aid(AidKind::Sharpness, blur_px, best, verdict, say)
}

fn slit_tilt(tilt_deg: f64, best: Option<f64>) -> Aid {
    let size = tilt_deg.abs();
    let (verdict, say) = if size > 3.0 {
        (
            Verdict::Poor,
            "The slit is not parallel to the upright hair: turn the slit in its tube.",
        )
    } else if size > 0.5 {
        (
            Verdict::Fair,
            "The slit leans a little against the upright hair: turn it in its tube.",
        )
    } else {
        (Verdict::Good, "The slit is parallel to the upright hair.")
    };
    aid(AidKind::SlitTilt, tilt_deg, best, verdict, say)
}

fn slit_width(width_px: f64, blur_px: f64, best: Option<f64>) -> Aid {
    let (verdict, say) = if width_px > 25.0 {
        (
            Verdict::Poor,
            "The slit is wide: narrow it until the line grows no thinner.",
        )
    } else if width_px > 12.0 && width_px > 4.0 * blur_px {
        (
            Verdict::Fair,
            "A narrower slit would part lines that lie close together.",
        )
    } else {
        (Verdict::Good, "Narrow enough.")
    };
    aid(AidKind::SlitWidth, width_px, best, verdict, say)
}

fn stray_light(level: f64, best: Option<f64>) -> Aid {
    let (verdict, say) = if level > 0.3 {
        (
            Verdict::Poor,
            "Much stray light: draw the cloth over prism and telescope, and darken the room.",
        )
    } else if level > 0.12 {
        (
            Verdict::Fair,
            "Some stray light: the cloth could lie closer.",
        )
    } else {
        (Verdict::Good, "Little stray light.")
    };
    aid(AidKind::StrayLight, level, best, verdict, say)
}

fn shade(share: f64, shaded: bool) -> Aid {
    if shaded {
        aid(
            AidKind::Shade,
            share,
            None,
            Verdict::Poor,
            "Something shades the light: look at the cloth, the lamp and your hands.",
        )
    } else {
        aid(
            AidKind::Shade,
            share,
            None,
            Verdict::Good,
            "Nothing shades the light.",
        )
    }
}

fn face_height(height_px: f64, best: Option<f64>, fills: bool) -> Aid {
    let say = if fills {
        "The slit image is taller than the field: shorten the slit, so that its height from each face can be compared."
    } else {
        "The slit image from both faces should stand equally high: turn the levelling screws of the prism table until it does."
    };
    Aid {
        kind: AidKind::FaceHeight,
        value: height_px,
        best,
        verdict: None,
        say: say.to_owned(),
    }
}
