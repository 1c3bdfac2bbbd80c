//! The shadow of a hair on the light of a line, blurred after the hair: what a row of pixels sees of both.
//!
//! The hair stands in the focal plane. There the light has the profile L(u) that the telescope gives it, and the hair takes the
//! share d T(u) of it, T a box of the hair's width with soft edges; eyepiece, camera lens and pixel blur what is left with G:
//! I(x) = ∫ L(u) (1 - d T(u)) G(x - u) du (plain optics of two planes, own reckoning; no source). A hair that leans by the angle a
//! is blurred along its length, too, which softens T by tan(a) times the blur. Light that is scattered behind the hair has no
//! shadow in it, so that the background's share differs from that of the lines.
//!
//! The integral is a sum over steps of half a pixel: G is reckoned once for all whole pixels, and once for those between. The
//! trapezium rule's error is the spectrum of the integrand at one turn per step, with edges as soft as these less than a
//! ten-thousandth of the light. (With steps of a pixel it was up to 0.4 % of it, which put a line beside the hair 0.005 px off.)

use super::joint::MOST_LINES;
use super::rowsum::LANES;
use super::shape::{Drawn, Shape, normal_at};

/// What is fitted to a hair: its place and width, its share of the lines' light and of the background's, and the blur
/// behind it.
pub(super) const HAIR_TERMS: usize = 5;
/// The edges of a thread in the focal plane are as soft as this, px (nothing measured is known of it; the simulator's are, too).
pub(super) const EDGE_PX: f64 = 0.65;
/// Steps of the sum in a pixel.
const STEPS: usize = 2;
/// Widths of the Gaussians that are reached out to: of the edges, and of the blur behind them.
const REACH: f64 = 3.5;
const KERNEL_REACH: f32 = 4.0;
/// Variance of a pixel, px².
pub(super) const PIXEL: f64 = 1.0 / 12.0;
/// Light in the focal plane is blurred by this at least, px.
const LEAST_BLUR_PX: f64 = 0.4;

/// A hair as it lies on the lines.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Thread {
    /// Full width along a row, px.
    pub(super) width_px: f64,
    /// Share of the light of lines, and of the background, that it takes away.
    pub(super) of_lines: f64,
    pub(super) of_background: f64,
    /// Variance of the blur behind it, px².
    pub(super) blur_px2: f64,
    /// dx/dy of the hair.
    pub(super) slope: f64,
}

/// Light of one line in one band.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lit {
    /// Where its middle is, px from the first pixel, and its amplitude.
    pub(super) x: f32,
    pub(super) amplitude: f32,
    pub(super) drawn: Drawn,
    /// The same in the focal plane, before the blur behind the hair, and the root of the share of the variance that is left.
    pub(super) sharp: Drawn,
    pub(super) left: f32,
    /// Mean product of what line and hair run away from where they are in the middle of the band, px².
    pub(super) together: f32,
}

impl Lit {
    /// The light of a line of this shape behind a hair; where it is, its amplitude and what it runs together with the hair are to
    /// be told.
    pub(super) fn new(shape: &Shape, blur_px2: f64) -> Self {
        let blur = shape.blur_px.max(Shape::LEAST_BLUR_PX);
        let left = (blur * blur - blur_px2 - PIXEL).max(LEAST_BLUR_PX * LEAST_BLUR_PX);
        let sharp = Shape {
            slit_px: shape.slit_px,
            blur_px: left.sqrt(),
        };
        Self {
            x: 0.0,
            amplitude: 0.0,
            drawn: shape.drawn(),
            sharp: sharp.drawn(),
            left: (left.sqrt() / blur) as f32,
            together: 0.0,
        }
    }
}

/// The background of one band and how the light falls off sideways.
#[derive(Clone, Copy, Debug)]
pub(super) struct Even {
    pub(super) background: f32,
    /// Share by which it falls off per px, the share of that which lines follow, and from where it is reckoned, px.
    pub(super) fall: f32,
    pub(super) alike: f32,
    pub(super) middle: f32,
}

/// What is wanted of a shadow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// What it takes from the light of the lines and from the background.
    Lights,
    /// The derivatives, too, without those by slit and blur.
    ShapeKnown,
    All,
}

impl Wanted {
    fn has(self, column: usize) -> bool {
        match self {
            Self::Lights => {
                matches!(column, EVEN | STOPPED)
                    || column >= FIXED && (column - FIXED).is_multiple_of(2)
            }
            Self::ShapeKnown => !OF_SHAPE.contains(&column),
            Self::All => true,
        }
    }
}

/// What the shadow takes from the light, the background and the derivatives of a band's model, pixel by pixel.
#[derive(Clone, Debug, Default)]
pub(super) struct Shadow {
    /// The hair whose shadow it is.
    thread: Thread,
    /// At every step of the sum what part of a pixel is dark there, and its derivatives by the hair's place and by the logarithm of
    /// its width: first the steps that are whole pixels apart from the first, then those between.
    cover: Vec<Cover>,
    /// Column after column, `stride` pixels each.
    taken: Vec<f32>,
    /// Of every step of the sum, column after column.
    values: Vec<f32>,
    /// The blur behind the hair, for steps that are whole pixels apart.
    kernels: [Kernel; STEPS],
    /// Whole lanes of pixels of a column.
    stride: usize,
    len: usize,
}

/// What points of light a pixel apart give to the pixels about them, and the derivative of that by the variance, with zeros on either
/// side: from `pixel - step` one behind the other.
#[derive(Clone, Debug, Default)]
struct Kernel {
    given: Vec<f32>,
    by_variance: Vec<f32>,
}

#[derive(Clone, Copy, Debug)]
struct Cover {
    /// From the middle of the hair, px.
    away: f64,
    share: f32,
    by_place: f32,
    wider: f32,
}

/// Columns before those of the lines: of the background, of its fall, of slit and blur, of the light, and of what is fitted to the hair.
const FIXED: usize = 5 + HAIR_TERMS;
const EVEN: usize = 0;
const FALL: usize = 1;
const OF_SHAPE: std::ops::Range<usize> = 2..4;
const STOPPED: usize = 4;
const OF_HAIR: usize = 5;
const MOST_COLUMNS: usize = FIXED + 2 * MOST_LINES;

impl Shadow {
    /// Takes a hair, whose shadows are wanted.
    pub(super) fn of(&mut self, thread: &Thread) {
        self.thread = *thread;
        let soft = EDGE_PX.hypot(thread.blur_px2.max(0.0).sqrt() * thread.slope);
        let half = thread.width_px / 2.0;
        let reach = half + REACH * soft;
        let pixels = (2.0 * reach).ceil() as usize + 1;
        let per_soft = 1.0 / soft as f32;
        let step = 1.0 / STEPS as f64;
        let first = -(pixels as f64 - step) / 2.0;
        let part = step as f32;
        let cover = |away: f64| {
            let (left, right) = (
                normal_at((away + half) as f32 * per_soft),
                normal_at((away - half) as f32 * per_soft),
            );
            let by_width = 0.5 * (left.1 + right.1) * per_soft;
            Cover {
                away,
                share: part * (left.0 - right.0),
                by_place: -part * (left.1 - right.1) * per_soft,
                wider: part * by_width * thread.width_px as f32,
            }
        };
        let steps = (0..STEPS).flat_map(|between| (0..pixels).map(move |n| (between, n)));
        self.cover.clear();
        self.cover
            .extend(steps.map(|(between, n)| cover(first + n as f64 + between as f64 * step)));
    }

    /// Reckons its shadow, with its middle at `x`, on the pixels `from`..`to` of a band.
    pub(super) fn cast(
        &mut self,
        x: f64,
        (from, to): (usize, usize),
        lines: &[Option<Lit>],
        even: &Even,
        wanted: Wanted,
    ) {
        let thread = self.thread;
        self.len = to.saturating_sub(from);
        self.stride = self.len.next_multiple_of(LANES);
        let columns = FIXED + 2 * lines.len();
        let count = self.cover.len();
        let sigma = thread.blur_px2.max(0.0).sqrt().max(0.15);
        let per_sigma = 1.0 / sigma as f32;
        let (d_lines, d_even) = (thread.of_lines as f32, thread.of_background as f32);
        let pixels = count / STEPS;
        for (kernel, steps) in self.kernels.iter_mut().zip(self.cover.chunks(pixels)) {
            kernel.prepare(
                x + steps[0].away - from as f64,
                per_sigma,
                pixels,
                self.stride,
            );
        }
        self.values.resize(MOST_COLUMNS * count, 0.0);
        for (n, at) in self.cover.iter().enumerate() {
            let (cover, by_place) = (at.share, at.by_place);
            let u = (x + at.away) as f32;
            let off = u - even.middle;
            let mut values = [0.0; MOST_COLUMNS];
            let (fixed, of_lines) = values.split_at_mut(FIXED);
            let (mut light, mut by_slit, mut by_blur, mut by_left) = (0.0, 0.0, 0.0, 0.0);
            // The mean of a product over the rows of a band is more than the product of the means.
            let mut more = 0.0;
            for (line, out) in lines.iter().zip(of_lines.chunks_exact_mut(2)) {
                let Some(line) = line else { continue };
                let at = line.drawn.before_blur(&line.sharp, u - line.x, line.left);
                let together = -by_place * line.together * at.light.by_place;
                out[0] = d_lines * (cover * at.light.value + together);
                more += line.amplitude * together;
                out[1] = -d_lines * cover * line.amplitude * at.light.by_place;
                light += line.amplitude * at.light.value;
                by_slit += line.amplitude * at.light.by_slit;
                by_blur += line.amplitude * at.light.by_blur;
                by_left += line.amplitude * at.by_variance;
            }
            let background = even.background * (1.0 + even.fall * off);
            let followed = 1.0 + even.alike * even.fall * off;
            let stopped = d_lines * light * followed + d_even * background;
            fixed[EVEN] = d_even * cover * (1.0 + even.fall * off);
            fixed[FALL] = cover * (d_lines * even.alike * light + d_even * even.background) * off;
            fixed[OF_SHAPE.start] = d_lines * cover * by_slit;
            fixed[OF_SHAPE.start + 1] = d_lines * cover * by_blur;
            fixed[STOPPED] = cover * stopped + d_lines * more * followed;
            let hair = &mut fixed[OF_HAIR..];
            hair[0] = by_place * stopped;
            hair[1] = at.wider * stopped;
            hair[2] = (cover * light + more) * followed;
            hair[3] = cover * background;
            // The variance that is added behind the hair is missing before it.
            hair[4] = -d_lines * cover * followed * by_left;
            for (column, value) in values.into_iter().enumerate().take(columns) {
                self.values[column * count + n] = value;
            }
        }
        self.taken.resize(columns * self.stride, 0.0);
        // Of a column the values of steps that are whole pixels apart.
        let column = |k: usize, between: usize| {
            let first = k * count + between * pixels;
            &self.values[first..first + pixels]
        };
        let [whole, half] = &self.kernels;
        for (k, taken) in self.taken.chunks_exact_mut(self.stride).enumerate() {
            if !wanted.has(k) {
                continue;
            }
            let given = [
                (column(k, 0), &whole.given[..]),
                (column(k, 1), &half.given[..]),
            ];
            if k == FIXED - 1 {
                // The blur moves the light that is stopped, too.
                let moved = [
                    (column(STOPPED, 0), &whole.by_variance[..]),
                    (column(STOPPED, 1), &half.by_variance[..]),
                ];
                spread([given[0], given[1], moved[0], moved[1]], taken);
            } else {
                spread(given, taken);
            }
        }
    }

    fn column(&self, column: usize) -> &[f32] {
        &self.taken[column * self.stride..][..self.len]
    }

    /// Light that the shadow takes from the pixels.
    pub(super) fn light(&self) -> &[f32] {
        self.column(STOPPED)
    }

    /// What it takes from the background of height 1, and from the derivative by the fall of the light.
    pub(super) fn background(&self) -> [&[f32]; 2] {
        [self.column(EVEN), self.column(FALL)]
    }

    /// What it takes from the derivatives by slit and blur.
    pub(super) fn shape(&self, term: usize) -> &[f32] {
        self.column(OF_SHAPE.start + term)
    }

    /// Its derivatives by what is fitted to the hair: place along the row in px, the logarithm of its width, its
    /// shares, and the variance of the blur behind it.
    pub(super) fn by_hair(&self, term: usize) -> &[f32] {
        self.column(OF_HAIR + term)
    }

    /// What it takes from a line of height 1, and from the derivative by its place.
    pub(super) fn line(&self, line: usize) -> [&[f32]; 2] {
        let at = FIXED + 2 * line;
        [self.column(at), self.column(at + 1)]
    }
}

impl Kernel {
    /// Of `count` points of light, the first of them at `at`, on the pixels 0 to `stride`.
    fn prepare(&mut self, at: f64, per_sigma: f32, count: usize, stride: usize) {
        let whole = at.floor();
        // How far they lie beyond the middle of their pixel, px.
        let part = (at - whole) as f32;
        let reach = (KERNEL_REACH / per_sigma + 1.5) as usize;
        // d/d(variance) of the kernel is -1/(2 sigma²) times the difference of z φ(z) between its edges.
        let by_variance = -0.5 * per_sigma * per_sigma;
        let edge = |i: usize| {
            let z = (i as f32 - reach as f32 - part - 0.5) * per_sigma;
            let (below, density) = normal_at(z);
            (below, z * density * by_variance)
        };
        let run = stride + count - 1;
        for values in [&mut self.given, &mut self.by_variance] {
            values.clear();
            values.resize(run, 0.0);
        }
        // The first of the run is what the last point gives to the first pixel.
        let first = whole as i64 + count as i64 - 1 - reach as i64;
        let from = (-first).clamp(0, 2 * reach as i64 + 1) as usize;
        let to = (run as i64 - first).clamp(from as i64, 2 * reach as i64 + 1) as usize;
        let begin = (first + from as i64).clamp(0, run as i64) as usize;
        let cells = self.given[begin..]
            .iter_mut()
            .zip(&mut self.by_variance[begin..]);
        let mut before = edge(from);
        for ((given, by_variance), i) in cells.zip(from + 1..to + 1) {
            let after = edge(i);
            *given = after.0 - before.0;
            *by_variance = after.1 - before.1;
            before = after;
        }
    }
}

/// What all steps of the sum together take from the pixels of one column: of every term its value at each step and the kernel.
#[inline]
fn spread<const TERMS: usize>(terms: [(&[f32], &[f32]); TERMS], taken: &mut [f32]) {
    let steps = terms[0].0.len();
    for (block, taken) in taken.chunks_exact_mut(LANES).enumerate() {
        let mut sums = [0.0_f32; LANES];
        for step in 0..steps {
            let from = block * LANES + steps - 1 - step;
            for (values, kernel) in &terms {
                let value = values[step];
                for (sum, &kernel) in sums.iter_mut().zip(&kernel[from..from + LANES]) {
                    *sum += value * kernel;
                }
            }
        }
        taken.copy_from_slice(&sums);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FROM: usize = 3;
    const TO: usize = 30;
    const LINE: Shape = Shape {
        slit_px: 3.3,
        blur_px: 1.6,
    };
    const EVEN_LIGHT: Even = Even {
        background: 40.0,
        fall: 0.01,
        alike: 0.6,
        middle: 15.0,
    };
    const HAIR: Thread = Thread {
        width_px: 3.0,
        of_lines: 0.9,
        of_background: 0.7,
        blur_px2: 0.8,
        slope: 0.1,
    };

    /// A line of the height 100.
    fn lit(x: f32, shape: &Shape, hair: &Thread, together: f32) -> Option<Lit> {
        Some(Lit {
            x,
            amplitude: 100.0,
            together,
            ..Lit::new(shape, hair.blur_px2)
        })
    }

    fn taken(hair: &Thread, x: f64, shape: &Shape, line_x: f32) -> Vec<f32> {
        let mut shadow = Shadow::default();
        let lit = [lit(line_x, shape, hair, 0.0)];
        shadow.of(hair);
        shadow.cast(x, (FROM, TO), &lit, &EVEN_LIGHT, Wanted::All);
        shadow.light().to_vec()
    }

    /// Against the same integral summed over steps of a hundredth of a pixel.
    #[test]
    fn a_shadow_is_the_product_of_light_and_hair_blurred() {
        let (x, line_x) = (16.3, 15.1);
        let sharp = Shape {
            slit_px: LINE.slit_px,
            blur_px: (LINE.blur_px.powi(2) - HAIR.blur_px2 - PIXEL).sqrt(),
        };
        let height = LINE.drawn().at(0.0).value * (sharp.area_px() / LINE.area_px()) as f32;
        let phi = |z: f64| f64::from(normal_at(z as f32).0);
        let soft = EDGE_PX.hypot(HAIR.blur_px2.sqrt() * HAIR.slope);
        let sigma = HAIR.blur_px2.sqrt();
        for (pixel, taken) in (FROM..TO).zip(taken(&HAIR, x, &LINE, line_x as f32)) {
            let steps = (-2000..2000).map(|k| x + f64::from(k) * 0.01);
            let expected: f64 = steps
                .map(|u| {
                    let off = u - 15.0;
                    let line = f64::from(sharp.drawn().at((u - line_x) as f32).value / height);
                    let light =
                        0.9 * 100.0 * line * (1.0 + 0.006 * off) + 0.7 * 40.0 * (1.0 + 0.01 * off);
                    let cover = phi((u - x + 1.5) / soft) - phi((u - x - 1.5) / soft);
                    let at = pixel as f64 - u;
                    light * cover * (phi((at + 0.5) / sigma) - phi((at - 0.5) / sigma)) * 0.01
                })
                .sum();
            let off = (f64::from(taken) - expected).abs();
            // A ten-thousandth of the light of line and background.
            assert!(
                off < 1e-4 * 140.0,
                "pixel {pixel}: {taken:.4} for {expected:.4}"
            );
        }
    }

    /// Against differences.
    #[test]
    fn its_derivatives_are_those_of_the_shadow() {
        let (x, line_x) = (16.3, 15.1);
        let mut shadow = Shadow::default();
        let lit = [lit(line_x, &LINE, &HAIR, 0.0)];
        shadow.of(&HAIR);
        shadow.cast(x, (FROM, TO), &lit, &EVEN_LIGHT, Wanted::All);
        let wider = |by: f64| Thread {
            width_px: HAIR.width_px * by.exp(),
            ..HAIR
        };
        let deeper = |by: f64| Thread {
            of_background: 0.7 + by,
            ..HAIR
        };
        let with = |slit: f64, blur: f64| Shape {
            slit_px: LINE.slit_px + slit,
            blur_px: LINE.blur_px + blur,
        };
        let step = 0.02;
        type Moved<'a> = (
            &'a str,
            Box<dyn Fn(f64) -> Vec<f32>>,
            Box<dyn Fn(&Shadow) -> &[f32]>,
        );
        let all: [Moved<'_>; 8] = [
            (
                "place",
                Box::new(move |by| taken(&HAIR, x + by, &LINE, line_x)),
                Box::new(|s| s.by_hair(0)),
            ),
            (
                "width",
                Box::new(move |by| taken(&wider(by), x, &LINE, line_x)),
                Box::new(|s| s.by_hair(1)),
            ),
            (
                "share of lines",
                Box::new(move |by| {
                    taken(
                        &Thread {
                            of_lines: 0.9 + by,
                            ..HAIR
                        },
                        x,
                        &LINE,
                        line_x,
                    )
                }),
                Box::new(|s| s.by_hair(2)),
            ),
            (
                "share of background",
                Box::new(move |by| taken(&deeper(by), x, &LINE, line_x)),
                Box::new(|s| s.by_hair(3)),
            ),
            (
                "blur behind",
                Box::new(move |by| {
                    taken(
                        &Thread {
                            blur_px2: 0.8 + by,
                            ..HAIR
                        },
                        x,
                        &LINE,
                        line_x,
                    )
                }),
                Box::new(|s| s.by_hair(4)),
            ),
            (
                "place of the line",
                Box::new(move |by| taken(&HAIR, x, &LINE, line_x + by as f32)),
                Box::new(|s| s.line(0)[1]),
            ),
            (
                "slit",
                Box::new(move |by| taken(&HAIR, x, &with(by, 0.0), line_x)),
                Box::new(|s| s.shape(0)),
            ),
            (
                "blur",
                Box::new(move |by| taken(&HAIR, x, &with(0.0, by), line_x)),
                Box::new(|s| s.shape(1)),
            ),
        ];
        for (name, moved, derivative) in all {
            let (high, low) = (moved(step), moved(-step));
            let found = derivative(&shadow).to_vec();
            let size = found.iter().fold(0.0_f32, |a, b| a.max(b.abs()));
            for (i, found) in found.into_iter().enumerate() {
                let expected = (high[i] - low[i]) / (2.0 * step as f32);
                assert!(
                    (found - expected).abs() < 0.03 * size + 0.02,
                    "{name}, pixel {}: {found:.3} for {expected:.3}",
                    FROM + i
                );
            }
        }
    }

    /// Against the mean over the rows of a band of the shadows of each: of line and hair that lean alike and that lean to opposite
    /// sides, which differ by what they run together alone.
    #[test]
    fn the_mean_over_a_band_knows_how_line_and_hair_run_together() {
        const ROWS: usize = 9;
        let (hair_run, line_run) = (0.10_f64, 0.08_f64);
        let hair = Thread {
            slope: hair_run,
            ..HAIR
        };
        let shadow_of = |x: f64, line_x: f64, together: f32| {
            let mut shadow = Shadow::default();
            let lit = [lit(line_x as f32, &LINE, &hair, together)];
            shadow.of(&hair);
            shadow.cast(x, (FROM, TO), &lit, &EVEN_LIGHT, Wanted::All);
            let columns = [shadow.light(), shadow.line(0)[0], shadow.by_hair(2)];
            columns.map(<[f32]>::to_vec)
        };
        let mean = |line_run: f64| {
            let mut mean = [(); 3].map(|()| vec![0.0; TO - FROM]);
            for k in 0..ROWS {
                let away = k as f64 - (ROWS as f64 - 1.0) / 2.0;
                let rows = shadow_of(16.3 + hair_run * away, 15.1 + line_run * away, 0.0);
                for (mean, row) in mean.iter_mut().flatten().zip(rows.iter().flatten()) {
                    *mean += row / ROWS as f32;
                }
            }
            mean
        };
        let together = hair_run * line_run * ((ROWS * ROWS) as f64 - 1.0) / 12.0;
        let (alike, opposite) = (mean(line_run), mean(-line_run));
        let (with, without) = (
            shadow_of(16.3, 15.1, together as f32),
            shadow_of(16.3, 15.1, 0.0),
        );
        for column in 0..3 {
            let expected = alike[column].iter().zip(&opposite[column]);
            let found = with[column].iter().zip(&without[column]);
            let (mut size, mut off) = (0.0, 0.0);
            for ((alike, opposite), (with, without)) in expected.zip(found) {
                let expected = 0.5 * (alike - opposite);
                size += expected.powi(2);
                off += (with - without - expected).powi(2);
            }
            assert!(off < 0.01 * size, "column {column}: {off} of {size}");
        }
    }
}
