//! The profile across a line or a hair: a box blurred by a Gaussian.

use std::sync::LazyLock;

use statrs::function::erf::erf;

const STEPS_PER_UNIT: usize = 128;
const REACH: usize = 6;

/// The normal distribution function and density on a grid, to be read off between grid points.
static NORMAL: LazyLock<Vec<(f32, f32)>> = LazyLock::new(|| {
    (0..=2 * REACH * STEPS_PER_UNIT + 1)
        .map(|i| {
            let z = i as f64 / STEPS_PER_UNIT as f64 - REACH as f64;
            let below = 0.5 * (1.0 + erf(z / std::f64::consts::SQRT_2));
            let density = (-z * z / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt();
            (below as f32, density as f32)
        })
        .collect()
});

/// The normal distribution function and density.
#[inline]
pub(super) fn normal_at(z: f32) -> (f32, f32) {
    normal(&NORMAL, z)
}

#[inline]
fn normal(table: &[(f32, f32)], z: f32) -> (f32, f32) {
    let at = (z.clamp(-(REACH as f32), REACH as f32) + REACH as f32) * STEPS_PER_UNIT as f32;
    let k = at as usize;
    let part = at - k as f32;
    let (low, high) = (table[k], table[k + 1]);
    (
        low.0 + (high.0 - low.0) * part,
        low.1 + (high.1 - low.1) * part,
    )
}

/// The shade of a hair of full width 1 at half its depth, on a grid.
static DIP: LazyLock<Vec<f32>> = LazyLock::new(|| {
    // A thread (box, blur) with edges as soft as the lenses of an eyepiece and a camera make them as a rule; drawn larger, since
    // a profile of a pixel's width is not drawn true.
    let shape = Shape {
        slit_px: 7.5,
        blur_px: 3.2,
    };
    let (width, drawn) = (shape.width_px(), shape.drawn());
    (0..=DIP_REACH * STEPS_PER_UNIT + 1)
        .map(|i| {
            drawn
                .at((width * i as f64 / STEPS_PER_UNIT as f64) as f32)
                .value
        })
        .collect()
});
const DIP_REACH: usize = 3;

/// The shade of a hair at a distance in full widths at half depth, as a share of its depth.
pub(super) fn dip(away: f32) -> f32 {
    let at = away.abs().min(DIP_REACH as f32) * STEPS_PER_UNIT as f32;
    let k = at as usize;
    let table: &[f32] = &DIP;
    table[k] + (table[k + 1] - table[k]) * (at - k as f32)
}

/// A box of width `slit_px` convolved with a Gaussian of standard deviation `blur_px`, 1 at its middle.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shape {
    pub(super) slit_px: f64,
    pub(super) blur_px: f64,
}

/// Value and derivatives of a [`Shape`] at one place.
#[derive(Clone, Copy, Debug)]
pub(super) struct ShapeAt {
    pub(super) value: f32,
    pub(super) by_place: f32,
    pub(super) by_slit: f32,
    pub(super) by_blur: f32,
}

/// A [`Shape`] ready to be evaluated many times.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drawn {
    half: f32,
    per_blur: f32,
    norm: f32,
    norm_by_slit: f32,
    norm_by_blur: f32,
    table: &'static [(f32, f32)],
}

impl Shape {
    pub(super) const LEAST_SLIT_PX: f64 = 0.3;
    pub(super) const LEAST_BLUR_PX: f64 = 0.4;

    /// A shape of this full width at half maximum, with soft flanks.
    pub(super) fn of_width(width_px: f64) -> Self {
        Self {
            slit_px: (0.75 * width_px).max(Self::LEAST_SLIT_PX),
            blur_px: (0.32 * width_px).max(Self::LEAST_BLUR_PX),
        }
    }

    /// Variance of the profile, px².
    pub(super) fn variance_px2(&self) -> f64 {
        self.slit_px * self.slit_px / 12.0 + self.blur_px * self.blur_px
    }

    /// The shape with a slit that gives it this variance, px², and, where no slit is narrow enough, with such a blur.
    pub(super) fn with_variance(&self, variance_px2: f64) -> Self {
        let of_slit = variance_px2 - self.blur_px * self.blur_px;
        let slit_px = (12.0 * of_slit).max(0.0).sqrt().max(Self::LEAST_SLIT_PX);
        let of_blur = variance_px2 - slit_px * slit_px / 12.0;
        let blur_px = if slit_px > Self::LEAST_SLIT_PX {
            self.blur_px
        } else {
            of_blur.max(0.0).sqrt().max(Self::LEAST_BLUR_PX)
        };
        Self { slit_px, blur_px }
    }

    pub(super) fn drawn(&self) -> Drawn {
        let table: &'static [(f32, f32)] = &NORMAL;
        let slit = self.slit_px.max(Self::LEAST_SLIT_PX) as f32;
        let blur = self.blur_px.max(Self::LEAST_BLUR_PX) as f32;
        let (below, density) = normal(table, slit / 2.0 / blur);
        let norm = 2.0 * below - 1.0;
        Drawn {
            half: slit / 2.0,
            per_blur: 1.0 / blur,
            norm: 1.0 / norm,
            norm_by_slit: density / blur / norm,
            norm_by_blur: -density * slit / (blur * blur) / norm,
            table,
        }
    }

    /// Full width at half maximum, px.
    pub(super) fn width_px(&self) -> f64 {
        let drawn = self.drawn();
        let (mut low, mut high) = (0.0_f32, (self.slit_px + 3.0 * self.blur_px) as f32);
        for _ in 0..24 {
            let middle = (low + high) / 2.0;
            if drawn.at(middle).value > 0.5 {
                low = middle;
            } else {
                high = middle;
            }
        }
        f64::from(low + high)
    }

    /// Area under the profile whose middle is 1, px.
    pub(super) fn area_px(&self) -> f64 {
        self.slit_px.max(Self::LEAST_SLIT_PX) * f64::from(self.drawn().norm)
    }
}

/// Terms of a profile along one row: value, and derivatives by place, slit and blur.
pub(super) const TERMS: usize = 4;

/// A profile tabulated at whole pixels for a number of phases, so that a row is read off with one linear interpolation.
#[derive(Clone, Debug, Default)]
pub(super) struct ProfileTable {
    phases: usize,
    /// Pixels from the middle to either end of a run.
    reach: isize,
    /// Values of one term for one phase: `2 reach + 1` pixels; phase after phase, term after term.
    values: Vec<f32>,
}

impl ProfileTable {
    /// Tabulates `shape` for rows of `across` pixels.
    ///
    /// Between phases h apart linear interpolation is off by h²/8 P'', at most 0.05 % of the height.
    pub(super) fn prepare(&mut self, shape: &Shape, across: usize) {
        let drawn = shape.drawn();
        let blur = shape.blur_px.max(Shape::LEAST_BLUR_PX);
        self.phases = ((16.0 / blur).ceil() as usize).clamp(8, 40);
        self.reach = across as isize + 4;
        let run = (2 * self.reach + 1) as usize;
        self.values.clear();
        self.values.resize((self.phases + 1) * run * TERMS, 0.0);
        let edge = drawn.half + REACH as f32 / drawn.per_blur;
        for phase in 0..=self.phases {
            let part = phase as f32 / self.phases as f32;
            let rows = &mut self.values[phase * run * TERMS..(phase + 1) * run * TERMS];
            let from = (-(edge + 1.0)).floor().max(-self.reach as f32) as isize;
            for j in from..=(-from).min(self.reach) {
                let at = drawn.at(j as f32 + part);
                let k = (j + self.reach) as usize;
                rows[k] = at.value;
                rows[run + k] = at.by_place;
                rows[2 * run + k] = at.by_slit;
                rows[3 * run + k] = at.by_blur;
            }
        }
    }

    /// The terms at the pixels 0..`across` of a row whose profile is centred on `x`; `None` if `x` lies far outside.
    #[inline]
    pub(super) fn at(&self, x: f32, across: usize) -> Option<ProfileRow<'_>> {
        if !(x > -3.0 && x < across as f32 + 3.0) {
            return None;
        }
        let whole = x.ceil();
        let at = (whole - x) * self.phases as f32;
        let phase = (at as usize).min(self.phases - 1);
        let run = (2 * self.reach + 1) as usize;
        let start = usize::try_from(self.reach - whole as isize).ok()?;
        let low = phase * TERMS * run + start;
        Some(ProfileRow {
            low: self.values.get(low..)?,
            high: self.values.get(low + TERMS * run..)?,
            run,
            part: at - phase as f32,
        })
    }

    /// The first terms at the pixels 0..`across` of a row whose profile is centred on `x`; false if `x` lies far outside.
    #[inline]
    pub(super) fn read(&self, x: f32, across: usize, terms: &mut [Vec<f32>]) -> bool {
        let Some(row) = self.at(x, across) else {
            return false;
        };
        for (k, term) in terms.iter_mut().enumerate() {
            term.resize(across, 0.0);
            row.each(k, term, |out, value| *out = value);
        }
        true
    }
}

/// One row of a profile, between two phases.
#[derive(Clone, Copy, Debug)]
pub(super) struct ProfileRow<'a> {
    low: &'a [f32],
    high: &'a [f32],
    run: usize,
    part: f32,
}

impl ProfileRow<'_> {
    /// Hands a term at each pixel to `take`, with the pixel's place in `out`.
    #[inline]
    pub(super) fn each(&self, term: usize, out: &mut [f32], take: impl Fn(&mut f32, f32)) {
        let at = term * self.run..term * self.run + out.len();
        let (low, high) = (&self.low[at.clone()], &self.high[at]);
        for ((out, &a), &b) in out.iter_mut().zip(low).zip(high) {
            take(out, a + (b - a) * self.part);
        }
    }
}

/// The light in a plane before some of its blur, in units of the height that it has after it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Before {
    pub(super) light: ShapeAt,
    /// Derivative by the variance of the blur in that plane, 1/px².
    pub(super) by_variance: f32,
}

impl Drawn {
    /// The light of this shape where it is only as blurred as `sharp`, whose blur is `left` times that of this shape and
    /// differs from it by a given variance.
    pub(super) fn before_blur(&self, sharp: &Self, place: f32, left: f32) -> Before {
        let at = sharp.at(place);
        let ratio = self.norm / sharp.norm;
        let value = at.value * ratio;
        let by_slit = (at.by_slit + at.value * sharp.norm_by_slit) * ratio;
        let by_blur = (at.by_blur + at.value * sharp.norm_by_blur) * ratio;
        Before {
            light: ShapeAt {
                value,
                by_place: at.by_place * ratio,
                by_slit: by_slit - value * self.norm_by_slit,
                by_blur: by_blur / left - value * self.norm_by_blur,
            },
            by_variance: by_blur * sharp.per_blur / 2.0,
        }
    }

    pub(super) fn at(&self, place: f32) -> ShapeAt {
        let (b1, b2) = (
            (place + self.half) * self.per_blur,
            (place - self.half) * self.per_blur,
        );
        let (n1, n2) = (normal(self.table, b1), normal(self.table, b2));
        let value = (n1.0 - n2.0) * self.norm;
        let scale = self.norm * self.per_blur;
        ShapeAt {
            value,
            by_place: (n1.1 - n2.1) * scale,
            by_slit: (n1.1 + n2.1) * 0.5 * scale - value * self.norm_by_slit,
            by_blur: -(b1 * n1.1 - b2 * n2.1) * scale - value * self.norm_by_blur,
        }
    }
}
