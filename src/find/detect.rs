//! Coarse search: where near-vertical bright threads may be, over tilts, heights and widths.
//!
//! Rows are averaged in bands; the bands are summed along sheared columns (a discrete Radon
//! transform) over the whole height and over its halves, quarters and eighths, and every sum is
//! searched with boxes of several widths between two flanks.

use std::ops::Range;

use super::CrossHairs;
use super::grey::{Grey, Noise};

/// A place where a line may be.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    pub(super) x_mid: f64,
    pub(super) tangent: f64,
    pub(super) width: f64,
    /// First and last row.
    pub(super) rows: (usize, usize),
    pub(super) z: f32,
}

impl Candidate {
    pub(super) fn x_at(&self, y: f64) -> f64 {
        self.x_mid + self.tangent * (y - (self.rows.0 + self.rows.1) as f64 / 2.0)
    }

    /// Whether another comes close to it, or crosses it, in its rows.
    pub(super) fn is_near(&self, other: &Self) -> bool {
        let reach = 1.5 * (other.width + self.width) + 4.0;
        let away = |y: usize| self.x_at(y as f64) - other.x_at(y as f64);
        let (top, bottom) = (away(self.rows.0), away(self.rows.1));
        top.abs() < reach || bottom.abs() < reach || top * bottom < 0.0
    }
}

/// What is searched for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Where {
    /// Tangents of the tilts, from and to.
    pub(super) tilts: (f64, f64),
    /// Only lines of at least a quarter of the height.
    pub(super) long_only: bool,
    /// Measure anew how the sums scatter; else what was found in an earlier picture of this size holds.
    pub(super) learn_spread: bool,
}

/// Buffers of the search.
#[derive(Clone, Debug, Default)]
pub(super) struct Search {
    /// Sums of whole columns of the picture over one band.
    columns: Vec<u32>,
    bands: Vec<f32>,
    variance: Vec<f32>,
    sum: Vec<f32>,
    sum_variance: Vec<f32>,
    prefix: Vec<f32>,
    prefix_variance: Vec<f32>,
    response: Vec<f32>,
    levels: Vec<f32>,
    sizes: [Vec<f32>; WIDTHS.len()],
    /// Spread of the responses of each level at the last thorough search, for pictures of this size.
    spreads: Vec<[f32; WIDTHS.len()]>,
    spreads_for: (usize, usize),
    candidates: Vec<Candidate>,
    grid: Grid,
}

/// How the cells of the bands lie: their number in a band, and rows and columns of each.
#[derive(Clone, Copy, Debug, Default)]
struct Grid {
    cells: usize,
    band: usize,
    bin: usize,
}

const WIDTHS: [usize; 6] = [3, 5, 9, 17, 33, 49];
const STEEPEST: f64 = 0.29;
/// Signal-to-noise ratio from which a place is looked at more closely.
const WORTH_A_LOOK: f32 = 5.0;
const MOST: usize = 48;
const MOST_SHORT: usize = 6;
/// What is so many times narrower than a wide place and has this share of its significance may be a line of its own there.
const PART: f64 = 2.5;
const PART_Z: f32 = 0.5;
/// Nearer to its middle it belongs to a doublet, which is told apart where it is measured, px.
const PART_PX: f64 = 8.0;

impl Search {
    /// Places where lines may be, the most significant first, at most [`MOST`].
    ///
    /// The shade of `hairs` is taken off first, as far as light is left.
    pub(super) fn run(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        hairs: Option<&CrossHairs>,
        place: &Where,
        found: &mut Vec<Candidate>,
    ) {
        found.clear();
        let (w, h) = (grey.width, grey.height);
        let band = (h / 60).clamp(4, 16);
        let count = h / band;
        let bin = if w > 1000 { 2 } else { 1 };
        let nx = w / bin;
        if count < 3 || nx < 16 {
            return;
        }
        self.grid = Grid {
            cells: nx,
            band,
            bin,
        };
        self.average(grey, band, count, bin);
        if let Some(cross) = hairs {
            self.clear_hairs(cross, grey.clip, band, count, bin);
        }
        self.variance.clear();
        let n = (band * bin) as f32;
        self.variance
            .extend(self.bands.iter().map(|&level| noise.variance(level) / n));
        self.candidates.clear();
        let mut parts = 1;
        if place.learn_spread || self.spreads_for != (w, h) {
            self.spreads.clear();
            self.spreads_for = (w, h);
        }
        let most_parts = if place.long_only { 4 } else { 16 };
        let mut depth = 0;
        while count / parts >= 3 && parts <= most_parts {
            let length = count / parts;
            let rows = (length * band) as f64;
            let step = (2.5 / rows * bin as f64).max(0.004);
            let starts = 2 * parts - 1;
            if depth == self.spreads.len() {
                let spread = self.spread(nx, count, length, starts, band, bin);
                self.spreads.push(spread);
            }
            let spread = self.spreads[depth];
            depth += 1;
            let (from, to) = place.tilts;
            let tangents = ((to - from) / step + 1.5).max(1.0) as usize;
            for turn in 0..tangents {
                let tangent = from + turn as f64 * step;
                for s in 0..starts {
                    let first = (s * length / 2).min(count - length);
                    self.project(nx, first, length, tangent, band, bin);
                    for (k, &width) in WIDTHS.iter().enumerate() {
                        let width = (width / bin).max(2);
                        if k > 0 && width == (WIDTHS[k - 1] / bin).max(2) {
                            continue;
                        }
                        // A wide line is seen at coarser steps of the tangent, too.
                        if turn % (width / 4).max(1) != 0 {
                            continue;
                        }
                        if rows < 1.5 * (width * bin) as f64 || 5 * width > nx {
                            continue;
                        }
                        self.peaks(nx, width, spread[k], |x, z| Candidate {
                            x_mid: (x * bin as f64) + (bin as f64 - 1.0) / 2.0,
                            tangent,
                            width: (width * bin) as f64,
                            rows: (first * band, (first + length) * band - 1),
                            z,
                        });
                    }
                }
            }
            parts *= 2;
        }
        self.candidates.sort_by(|a, b| b.z.total_cmp(&a.z));
        let (mut looked, mut shorts) = (0, 0);
        for i in 0..self.candidates.len() {
            let c = self.candidates[i];
            if found.len() >= MOST || looked > 1500 {
                break;
            }
            let taken = |f: &Candidate| !is_part(&c, f) && overlap(&c, f) > 0.25;
            if found.iter().any(taken) {
                continue;
            }
            // Short bright patches are many where a picture was compressed: only the best are worth a look.
            let short = (c.rows.1 - c.rows.0) * 5 < h;
            if short && shorts >= MOST_SHORT {
                continue;
            }
            looked += 1;
            if self.is_apart(&c, found) {
                found.push(c);
                shorts += usize::from(short);
            }
        }
    }

    /// Mean levels of cells of `bin` columns and `band` rows.
    fn average(&mut self, grey: &Grey<'_>, band: usize, count: usize, bin: usize) {
        let nx = grey.width / bin;
        self.bands.clear();
        let share = 1.0 / (band * bin) as f32;
        let black = grey.level(0);
        for b in 0..count {
            self.columns.clear();
            self.columns.resize(nx * bin, 0);
            for y in b * band..(b + 1) * band {
                for (sum, &v) in self.columns.iter_mut().zip(grey.row(y)) {
                    *sum += u32::from(v);
                }
            }
            let cells = self.columns.chunks_exact(bin);
            self.bands
                .extend(cells.map(|cell| cell.iter().sum::<u32>() as f32 * share + black));
        }
    }

    /// Takes the shade of the hairs off the cells, as far as light is left.
    fn clear_hairs(
        &mut self,
        cross: &CrossHairs,
        clip: f32,
        band: usize,
        count: usize,
        bin: usize,
    ) {
        let nx = self.bands.len() / count.max(1);
        for hair in &cross.hairs {
            let (dx, dy) = hair.direction();
            let reach = 1.6 * hair.width_px;
            for b in 0..count {
                self.prefix.clear();
                self.prefix.resize(nx, 0.0);
                let mut shaded = false;
                for y in b * band..(b + 1) * band {
                    // Distance of column x from the hair: at - x dy.
                    let at = cross.x_px * dy + (y as f64 - cross.y_px) * dx;
                    let (from, to) = if dy.abs() < 1e-9 {
                        if at.abs() > reach {
                            continue;
                        }
                        (0, nx)
                    } else {
                        let (a, b) = ((at - reach) / dy, (at + reach) / dy);
                        let cell = |x: f64| (x / bin as f64).clamp(0.0, nx as f64) as usize;
                        (cell(a.min(b)), cell(a.max(b) + bin as f64))
                    };
                    for (x, shade) in self.prefix.iter_mut().enumerate().take(to).skip(from) {
                        let column = (x * bin) as f64 + (bin as f64 - 1.0) / 2.0;
                        *shade += (1.0 - hair.transmission(at - column * dy)) as f32;
                        shaded = true;
                    }
                }
                if shaded {
                    let cells = &mut self.bands[b * nx..(b + 1) * nx];
                    for (level, shade) in cells.iter_mut().zip(&self.prefix) {
                        let pass = 1.0 - shade / band as f32;
                        *level = (*level / pass.max(0.3)).min(clip);
                    }
                }
            }
        }
    }

    /// Whether a candidate stands without the bands that others explain, but for wide ones of which it may be a part; in the picture
    /// that was searched last.
    pub(super) fn is_apart(&self, c: &Candidate, found: &[Candidate]) -> bool {
        let Grid {
            cells: nx,
            band,
            bin,
        } = self.grid;
        let near: Vec<&Candidate> = found
            .iter()
            .filter(|f| !is_part(c, f))
            .filter(|f| c.is_near(f))
            .collect();
        if near.is_empty() {
            return true;
        }
        let width = ((c.width / bin as f64) as isize).max(2);
        let (mut signal, mut variance, mut used, mut all) = (0.0_f32, 0.0_f32, 0, 0);
        for b in c.rows.0 / band..=c.rows.1 / band {
            let y = (b * band) as f64 + (band as f64 - 1.0) / 2.0;
            all += 1;
            let place = c.x_at(y);
            if near
                .iter()
                .any(|f| (f.x_at(y) - place).abs() < 0.8 * f.width + 0.5 * c.width + 2.0)
            {
                continue;
            }
            let x = (place / bin as f64).round() as isize;
            let from = x - width / 2;
            if from - 2 * width < 0 || from + 3 * width >= nx as isize {
                continue;
            }
            let row = &self.bands[b * nx..(b + 1) * nx];
            let var = &self.variance[b * nx..(b + 1) * nx];
            let mean = |start: isize| {
                let start = start as usize;
                row[start..start + width as usize].iter().sum::<f32>() / width as f32
            };
            let (l, m, r) = (mean(from - 2 * width), mean(from), mean(from + 2 * width));
            // A flank on a neighbour counts as lower light at most as the other flank.
            signal += m - l.min(r).max(l.max(r).min(m));
            variance += 1.5 * var[x as usize] / width as f32;
            used += 1;
        }
        used * 3 >= all && used > 1 && signal > WORTH_A_LOOK * variance.sqrt()
    }

    fn project(
        &mut self,
        nx: usize,
        first: usize,
        length: usize,
        tangent: f64,
        band: usize,
        bin: usize,
    ) {
        self.sum.clear();
        self.sum.resize(nx, 0.0);
        self.sum_variance.clear();
        self.sum_variance.resize(nx, 0.0);
        let middle = (first as f64 + (length as f64 - 1.0) / 2.0) * band as f64;
        for b in first..first + length {
            let shift = (tangent * ((b * band) as f64 - middle) / bin as f64).round() as isize;
            let row = &self.bands[b * nx..(b + 1) * nx];
            let var = &self.variance[b * nx..(b + 1) * nx];
            // sum[x] += row[x + shift], the edge repeated.
            let from = (-shift).clamp(0, nx as isize) as usize;
            let to = (nx as isize - shift).clamp(0, nx as isize) as usize;
            if from < to {
                let source = (from as isize + shift) as usize;
                for (o, &v) in self.sum[from..to].iter_mut().zip(&row[source..]) {
                    *o += v;
                }
                for (o, &v) in self.sum_variance[from..to].iter_mut().zip(&var[source..]) {
                    *o += v;
                }
            }
            for x in 0..from {
                self.sum[x] += row[0];
                self.sum_variance[x] += var[0];
            }
            for x in to..nx {
                self.sum[x] += row[nx - 1];
                self.sum_variance[x] += var[nx - 1];
            }
        }
        self.prefix.clear();
        self.prefix.push(0.0);
        self.prefix_variance.clear();
        self.prefix_variance.push(0.0);
        let mean = self.sum.iter().sum::<f32>() / nx as f32;
        let (mut a, mut b) = (0.0_f32, 0.0_f32);
        for x in 0..nx {
            a += self.sum[x] - mean;
            b += self.sum_variance[x];
            self.prefix.push(a);
            self.prefix_variance.push(b);
        }
    }

    /// Middle less the mean of the flanks over its standard deviation.
    fn respond(&mut self, nx: usize, width: usize) {
        self.response.clear();
        self.response.resize(nx, 0.0);
        let Some(places) = (nx + 1).checked_sub(5 * width) else {
            return;
        };
        let boxes = Boxes::new(&self.prefix, &self.prefix_variance, width, 0..places);
        let first = 2 * width + width / 2;
        boxes.responses(false, &mut self.response[first..first + places]);
    }

    /// Robust spread of the responses at each width: how much noisier the sums are than pixels say.
    fn spread(
        &mut self,
        nx: usize,
        count: usize,
        length: usize,
        starts: usize,
        band: usize,
        bin: usize,
    ) -> [f32; WIDTHS.len()] {
        let mut least = [f32::INFINITY; WIDTHS.len()];
        for tangent in [-0.2, 0.0, 0.2] {
            self.sizes.iter_mut().for_each(Vec::clear);
            for s in (0..starts).step_by((starts / 6).max(1)) {
                let first = (s * length / 2).min(count - length);
                self.project(nx, first, length, tangent, band, bin);
                // Compression leaves patterns where there is light and none where it is dark: only lit places tell.
                self.levels.clear();
                self.levels.extend_from_slice(&self.sum);
                let high = (9 * nx / 10).min(nx - 1);
                let lit = 0.5 * *self.levels.select_nth_unstable_by(high, f32::total_cmp).1;
                for (k, &width) in WIDTHS.iter().enumerate() {
                    let width = (width / bin).max(2);
                    if 5 * width > nx {
                        continue;
                    }
                    self.respond(nx, width);
                    let places = 2 * width..nx - 3 * width + 1;
                    self.sizes[k].extend(
                        self.response[places.clone()]
                            .iter()
                            .zip(&self.sum[places])
                            .step_by(2)
                            .filter(|(_, sum)| **sum >= lit)
                            .map(|(response, _)| response.abs()),
                    );
                }
            }
            for (sizes, least) in self.sizes.iter_mut().zip(&mut least) {
                if sizes.len() > 8 {
                    let middle = sizes.len() / 2;
                    let median = *sizes.select_nth_unstable_by(middle, f32::total_cmp).1;
                    *least = least.min(median / 0.6745);
                }
            }
        }
        least.map(|v| {
            if v.is_finite() {
                v.clamp(1.0, 20.0)
            } else {
                1.0
            }
        })
    }

    fn peaks(
        &mut self,
        nx: usize,
        width: usize,
        spread: f32,
        make: impl Fn(f64, f32) -> Candidate,
    ) {
        const BLOCK: usize = 16;
        let Some(places) = (nx + 1).checked_sub(5 * width) else {
            return;
        };
        let threshold = WORTH_A_LOOK * spread;
        let first = 2 * width + width / 2;
        // Roots and quotients are reckoned only where a response may be above the threshold.
        self.response.resize(nx, 0.0);
        let excess = &mut self.response[..places];
        let least = threshold * threshold * (1.0 - 1e-4);
        Boxes::new(&self.prefix, &self.prefix_variance, width, 0..places).excess(least, excess);
        for (block, excess) in excess.chunks(BLOCK).enumerate() {
            if !excess.iter().fold(false, |any, &e| any | (e >= 0.0)) {
                continue;
            }
            // With one place more on either side; beyond the first and the last there is none.
            let at = block * BLOCK;
            let run = at.saturating_sub(1)..(at + excess.len() + 1).min(places);
            let mut responses = [0.0; BLOCK + 2];
            let from = usize::from(at == 0);
            let boxes = Boxes::new(&self.prefix, &self.prefix_variance, width, run.clone());
            boxes.responses(true, &mut responses[from..from + run.len()]);
            for (i, r) in responses[..excess.len() + 2].windows(3).enumerate() {
                let x = first + at + i;
                if r[1] > threshold && r[1] >= r[0] && r[1] > r[2] && x + 1 < nx {
                    let centre = x as f64 + if width.is_multiple_of(2) { -0.5 } else { 0.0 };
                    self.candidates.push(make(centre, r[1] / spread));
                }
            }
        }
    }
}

/// Sums of levels and variances over boxes of one width at some places: the ends of a middle and of two flanks.
struct Boxes<'a> {
    levels: [&'a [f32]; 6],
    variances: [&'a [f32]; 6],
}

impl<'a> Boxes<'a> {
    fn new(prefix: &'a [f32], variance: &'a [f32], width: usize, places: Range<usize>) -> Self {
        let ends =
            [0, 1, 2, 3, 4, 5].map(|k: usize| k * width + places.start..k * width + places.end);
        Self {
            levels: ends.clone().map(|end| &prefix[end]),
            variances: ends.map(|end| &variance[end]),
        }
    }

    /// Middle less the mean of the flanks over its standard deviation at every place; if `both`, 0 unless above both flanks.
    #[inline(always)]
    fn responses(&self, both: bool, out: &mut [f32]) {
        let count = out.len();
        let [p0, p1, p2, p3, p4, p5] = self.levels.map(|p| &p[..count]);
        let [v0, v1, v2, v3, v4, v5] = self.variances.map(|v| &v[..count]);
        for i in 0..count {
            let (l, m, r) = (p1[i] - p0[i], p3[i] - p2[i], p5[i] - p4[i]);
            let (difference, variance) =
                middle_less_flanks((l, m, r), (v1[i] - v0[i], v3[i] - v2[i], v5[i] - v4[i]));
            let response = difference / variance.max(1e-12).sqrt();
            let higher = m - if l > r { l } else { r };
            out[i] = if !both || higher >= 0.4 * difference {
                response
            } else {
                0.0
            };
        }
    }

    /// By how much the square of the difference exceeds `least` variances at every place; below zero it has none.
    fn excess(&self, least: f32, out: &mut [f32]) {
        let count = out.len();
        let [p0, p1, p2, p3, p4, p5] = self.levels.map(|p| &p[..count]);
        let [v0, v1, v2, v3, v4, v5] = self.variances.map(|v| &v[..count]);
        for i in 0..count {
            let (l, m, r) = (p1[i] - p0[i], p3[i] - p2[i], p5[i] - p4[i]);
            let (difference, variance) =
                middle_less_flanks((l, m, r), (v1[i] - v0[i], v3[i] - v2[i], v5[i] - v4[i]));
            let positive = if difference > 0.0 { difference } else { 0.0 };
            out[i] = difference * positive - least * variance;
        }
    }
}

/// Middle less the mean of the flanks, and its variance, from the sums of left flank, middle and right flank.
#[inline(always)]
fn middle_less_flanks(levels: (f32, f32, f32), variances: (f32, f32, f32)) -> (f32, f32) {
    (
        levels.1 - (levels.0 + levels.2) / 2.0,
        variances.1 + (variances.0 + variances.2) / 4.0,
    )
}

/// Whether a clear narrow candidate stands on one side within a wide one, which two bright lines may have made together.
fn is_part(c: &Candidate, wide: &Candidate) -> bool {
    let middle = (c.rows.0 + c.rows.1) as f64 / 2.0;
    let away = (c.x_at(middle) - wide.x_at(middle)).abs();
    let reach = 0.5 * wide.width;
    c.width * PART < wide.width
        && c.z > PART_Z * wide.z
        && 2 * (c.rows.1 - c.rows.0) > wide.rows.1 - wide.rows.0
        && away > PART_PX
        && (0.5 * reach..1.5 * reach).contains(&away)
}

/// Share of the candidate's rows on which it lies on the other.
fn overlap(c: &Candidate, other: &Candidate) -> f64 {
    const LOOKS: usize = 9;
    let mut hits = 0;
    for i in 0..LOOKS {
        let y = c.rows.0 as f64 + (c.rows.1 - c.rows.0) as f64 * (i as f64 + 0.5) / LOOKS as f64;
        if (c.x_at(y) - other.x_at(y)).abs() < 0.55 * (c.width + other.width) {
            hits += 1;
        }
    }
    f64::from(hits) / LOOKS as f64
}

/// Tangents of all tilts that a line may have.
pub(super) const ALL_TILTS: (f64, f64) = (-STEEPEST, STEEPEST);
