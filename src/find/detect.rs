//! Coarse search: where near-vertical bright threads may be, over tilts, heights and widths.
//!
//! Rows are averaged in bands; the bands are summed along sheared columns ([`radon`](super::radon)) over the whole height and over
//! its halves, quarters, eighths and sixteenths, and every sum is searched with boxes of several widths between two flanks.

use std::ops::Range;

use super::CrossHairs;
use super::grey::{Grey, Noise};
use super::radon::{Projection, Radon};

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

    /// Heights between which another is nearer than `reach` to it, px; nowhere where the second is not above the first.
    fn heights_near(&self, other: &Self, reach: f64) -> (f64, f64) {
        let away = other.x_at(0.0) - self.x_at(0.0);
        let lean = other.tangent - self.tangent;
        let ends = [-reach, reach].map(|edge| (edge - away) / lean);
        if lean.abs() > 1e-9 {
            (ends[0].min(ends[1]), ends[0].max(ends[1]))
        } else if away.abs() < reach {
            (f64::NEG_INFINITY, f64::INFINITY)
        } else {
            (0.0, 0.0)
        }
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
    /// The picture was searched before, with other hairs maybe.
    pub(super) seen_before: bool,
}

/// Buffers of the search.
#[derive(Clone, Debug, Default)]
pub(super) struct Search {
    /// Sums of whole columns of the picture over one band.
    columns: Vec<u32>,
    /// Levels of the cells and their variances, as they are in the picture.
    seen: Vec<f32>,
    seen_variance: Vec<f32>,
    /// The same without hairs.
    bands: Vec<f32>,
    variance: Vec<f32>,
    radon: Radon,
    /// Of the cells of one band: how much of their light the hairs take.
    shade: Vec<f32>,
    response: Vec<f32>,
    levels: Vec<f32>,
    /// Sizes of the responses of blocks of each length, at each width.
    sizes: Vec<[Vec<f32>; WIDTHS.len()]>,
    /// Spread of the responses of each length at the last thorough search, for pictures of this size.
    spreads: Vec<[f32; WIDTHS.len()]>,
    spreads_for: (usize, usize),
    candidates: Vec<Candidate>,
    grid: Grid,
    /// Heights of the middles of the bands, px.
    middles: Vec<f64>,
}

/// How the cells of the bands lie.
///
/// A band is a whole number of rows high, and not one row more here and there: in a picture of 480 rows it is as high as the blocks
/// of JPEG.
#[derive(Clone, Copy, Debug, Default)]
struct Grid {
    /// Cells in a band.
    cells: usize,
    /// Bands, a power of two; the last ones may lie below the picture, and have neither light nor noise.
    bands: usize,
    /// Rows of a band.
    band: usize,
    /// Rows of all bands in the picture.
    height: usize,
    /// Columns of a cell.
    bin: usize,
}

impl Grid {
    /// For a picture of that size; `None` for one that is too small.
    fn of(width: usize, height: usize) -> Option<Self> {
        let mut bands = 64;
        while height.div_ceil(bands) > HIGHEST_BAND {
            bands *= 2;
        }
        while height.div_ceil(bands) < LOWEST_BAND && bands > 1 {
            bands /= 2;
        }
        let band = height.div_ceil(bands).max(1);
        let bin = if width > 1000 { 2 } else { 1 };
        let cells = width / bin;
        (bands >= LEAST_BANDS && cells >= 16).then_some(Self {
            cells,
            bands,
            band,
            height: height / band * band,
            bin,
        })
    }

    /// First row of a band; of the one after the last, the height of the picture.
    fn top(&self, band: usize) -> usize {
        (band * self.band).min(self.height)
    }

    fn rows(&self, band: usize) -> Range<usize> {
        self.top(band)..self.top(band + 1)
    }

    /// The band in which a row lies.
    fn band_of(&self, row: usize) -> usize {
        row / self.band
    }

    /// Boxes of this width, px, in cells; `None` for what is as wide as the one before, in cells, or is too wide.
    fn boxes(&self, width: usize) -> Option<usize> {
        let cells = |k: usize| (WIDTHS[k] / self.bin).max(2);
        let own = cells(width);
        let twice = width > 0 && cells(width - 1) == own;
        (!twice && 5 * own <= self.cells).then_some(own)
    }
}

/// Rows of a band, at most and at least; bands of a picture and of a block that is searched, at least.
const HIGHEST_BAND: usize = 17;
const LOWEST_BAND: usize = 4;
const LEAST_BANDS: usize = 4;
const WIDTHS: [usize; 6] = [3, 5, 9, 17, 33, 49];
const STEEPEST: f64 = 0.29;
/// Signal-to-noise ratio from which a place is looked at more closely.
const WORTH_A_LOOK: f32 = 5.0;
const MOST: usize = 48;
const MOST_SHORT: usize = 6;
/// What is so many times narrower than a wide place and has this share of its significance may be a line of its own there.
const PART: f64 = 2.5;
const PART_Z: f32 = 0.5;
/// Of what another hides more than this share of, there are too few bands left.
const MOST_HIDDEN: f64 = 0.75;
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
        let Some(grid) = Grid::of(w, h) else {
            return;
        };
        self.grid = grid;
        self.middles.clear();
        self.middles.extend((0..grid.bands).map(|band| {
            let rows = grid.rows(band);
            (rows.start + rows.end - 1) as f64 / 2.0
        }));
        if !place.seen_before {
            self.average(grey);
            self.seen_variance.clear();
            for (band, levels) in self.seen.chunks_exact(grid.cells).enumerate() {
                let rows = grid.rows(band).len();
                if rows == 0 {
                    self.seen_variance.extend(levels.iter().map(|_| 0.0));
                    continue;
                }
                let share = 1.0 / (rows * grid.bin) as f32;
                let variances = levels.iter().map(|&level| noise.variance(level) * share);
                self.seen_variance.extend(variances);
            }
        }
        self.bands.clone_from(&self.seen);
        self.variance.clone_from(&self.seen_variance);
        if let Some(cross) = hairs {
            self.clear_hairs(cross, grey.clip, noise);
        }
        let aspect = grid.band as f64 / grid.bin as f64;
        self.radon
            .begin((&self.bands, &self.variance), grid.cells, aspect, STEEPEST);
        if place.learn_spread || self.spreads_for != (w, h) {
            self.spreads_for = (w, h);
            self.learn_spreads();
        }
        let least = if place.long_only {
            (grid.bands / 4).max(LEAST_BANDS)
        } else {
            (grid.bands / 16).max(LEAST_BANDS)
        };
        self.candidates.clear();
        let (response, candidates) = (&mut self.response, &mut self.candidates);
        let spreads = &self.spreads;
        self.radon.run(place.tilts, least, |sums| {
            let rows = (grid.top(sums.first), grid.top(sums.first + sums.length) - 1);
            if rows.1 < rows.0 {
                return;
            }
            // Of a block that reaches beyond the picture the middle lies elsewhere than that of its rows.
            let middle = (2 * sums.first + sums.length) * grid.band - 1;
            let lower = 0.5 * ((rows.0 + rows.1) as f64 - middle as f64);
            let spread = &spreads[depth_of(sums, grid)];
            for (k, spread) in spread.iter().enumerate() {
                let Some(width) = grid.boxes(k) else {
                    continue;
                };
                // A wide line is seen at coarser steps of the tangent, too.
                if sums.turn % (width / 4).max(1) != 0 {
                    continue;
                }
                if ((rows.1 + 1 - rows.0) as f64) < 1.5 * (width * grid.bin) as f64 {
                    continue;
                }
                peaks(sums, width, *spread, response, |x, z| {
                    candidates.push(Candidate {
                        x_mid: (x + sums.offset + 0.5) * grid.bin as f64 - 0.5
                            + lower * sums.tangent,
                        tangent: sums.tangent,
                        width: (width * grid.bin) as f64,
                        rows,
                        z,
                    });
                });
            }
        });
        self.candidates.sort_by(|a, b| b.z.total_cmp(&a.z));
        let (mut looked, mut shorts) = (0, 0);
        for i in 0..self.candidates.len() {
            let c = self.candidates[i];
            if found.len() >= MOST || looked > 1500 {
                break;
            }
            let taken = |f: &Candidate| overlap(&c, f) > 0.25 && !is_part(&c, f);
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

    /// Mean levels of the cells.
    fn average(&mut self, grey: &Grey<'_>) {
        let grid = self.grid;
        self.seen.clear();
        let black = grey.level(0);
        for band in 0..grid.bands {
            self.columns.clear();
            self.columns.resize(grid.cells * grid.bin, 0);
            let rows = grid.rows(band);
            let share = 1.0 / (rows.len().max(1) * grid.bin) as f32;
            for y in rows {
                for (sum, &v) in self.columns.iter_mut().zip(grey.row(y)) {
                    *sum += u32::from(v);
                }
            }
            let cells = self.columns.chunks_exact(grid.bin);
            self.seen
                .extend(cells.map(|cell| cell.iter().sum::<u32>() as f32 * share + black));
        }
    }

    /// Takes the shade of the hairs off the cells, as far as light is left.
    fn clear_hairs(&mut self, cross: &CrossHairs, clip: f32, noise: &Noise) {
        let Grid {
            cells: nx,
            bin,
            bands,
            ..
        } = self.grid;
        for hair in &cross.hairs {
            let (dx, dy) = hair.direction();
            let reach = 1.6 * hair.width_px;
            for b in 0..bands {
                self.shade.clear();
                self.shade.resize(nx, 0.0);
                let mut shaded = false;
                let rows = self.grid.rows(b);
                let band = rows.len() as f32;
                for y in rows {
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
                    for (x, shade) in self.shade.iter_mut().enumerate().take(to).skip(from) {
                        let column = (x * bin) as f64 + (bin as f64 - 1.0) / 2.0;
                        *shade += (1.0 - hair.transmission(at - column * dy)) as f32;
                        shaded = true;
                    }
                }
                if shaded {
                    let share = 1.0 / (band * bin as f32);
                    let levels = &mut self.bands[b * nx..(b + 1) * nx];
                    let variances = &mut self.variance[b * nx..(b + 1) * nx];
                    let cells = levels.iter_mut().zip(variances).zip(&self.shade);
                    for ((level, variance), &shade) in cells.filter(|cell| *cell.1 > 0.0) {
                        let pass = 1.0 - shade / band;
                        *level = (*level / pass.max(0.3)).min(clip);
                        *variance = noise.variance(*level) * share;
                    }
                }
            }
        }
    }

    /// Whether a candidate stands without the bands that others explain, but for wide ones of which it may be a part; in the picture
    /// that was searched last.
    pub(super) fn is_apart(&self, c: &Candidate, found: &[Candidate]) -> bool {
        let grid = self.grid;
        let (nx, bin) = (grid.cells, grid.bin);
        // Heights between which another hides it.
        let (first, last) = (c.rows.0 as f64, c.rows.1 as f64);
        let mut hidden: Vec<(f64, f64)> = Vec::new();
        for f in found.iter().filter(|f| c.is_near(f) && !is_part(c, f)) {
            let heights = c.heights_near(f, 0.8 * f.width + 0.5 * c.width + 2.0);
            if heights.1.min(last) - heights.0.max(first) > MOST_HIDDEN * (last - first) {
                return false;
            }
            hidden.push(heights);
        }
        if hidden.is_empty() {
            return true;
        }
        let width = ((c.width / bin as f64) as isize).max(2);
        let bands = grid.band_of(c.rows.0)..grid.band_of(c.rows.1) + 1;
        let free = |&b: &usize| {
            let y = self.middles[b];
            !hidden.iter().any(|heights| y > heights.0 && y < heights.1)
        };
        let enough = |used: usize| used * 3 >= bands.len() && used > 1;
        if !enough(bands.clone().filter(free).count()) {
            return false;
        }
        let (mut signal, mut variance, mut used) = (0.0_f32, 0.0_f32, 0);
        for b in bands.clone().filter(free) {
            let x = (c.x_at(self.middles[b]) / bin as f64).round() as isize;
            let from = x - width / 2;
            if from - 2 * width < 0 || from + 3 * width >= nx as isize {
                continue;
            }
            let var = &self.variance[b * nx..(b + 1) * nx];
            let sums = self.radon.band(b);
            let mean = |start: isize| {
                let start = start as usize;
                (sums[start + width as usize] - sums[start]) / width as f32
            };
            let (l, m, r) = (mean(from - 2 * width), mean(from), mean(from + 2 * width));
            // A flank on a neighbour counts as lower light at most as the other flank.
            signal += m - l.min(r).max(l.max(r).min(m));
            variance += 1.5 * var[x as usize] / width as f32;
            used += 1;
        }
        enough(used) && signal > WORTH_A_LOOK * variance.sqrt()
    }

    /// Robust spread of the responses of each length at each width: how much noisier the sums are than pixels say.
    fn learn_spreads(&mut self) {
        let grid = self.grid;
        let depths = (grid.bands / LEAST_BANDS).ilog2() as usize + 1;
        self.sizes.resize(depths, Default::default());
        self.spreads.clear();
        self.spreads.resize(depths, [f32::INFINITY; WIDTHS.len()]);
        for tangent in [-0.2, 0.0, 0.2] {
            self.sizes.iter_mut().flatten().for_each(Vec::clear);
            let (all, response, levels) = (&mut self.sizes, &mut self.response, &mut self.levels);
            self.radon.run((tangent, tangent), LEAST_BANDS, |sums| {
                let starts = 2 * (grid.bands / sums.length) - 1;
                let start = 2 * sums.first / sums.length;
                let beyond = grid.rows(sums.first).is_empty();
                if beyond || start % (starts / 6).max(1) != 0 {
                    return;
                }
                // Compression leaves patterns where there is light and none where it is dark: only lit places tell.
                levels.clear();
                let mean = sums.mean * sums.length as f32;
                let cells = sums.levels.windows(2);
                levels.extend(cells.map(|ends| ends[1] - ends[0] + mean));
                response.clear();
                response.extend_from_slice(levels);
                let high = (9 * grid.cells / 10).min(grid.cells - 1);
                let lit = 0.5 * *response.select_nth_unstable_by(high, f32::total_cmp).1;
                for (k, sizes) in all[depth_of(sums, grid)].iter_mut().enumerate() {
                    let Some(width) = grid.boxes(k) else {
                        continue;
                    };
                    let places = grid.cells + 1 - 5 * width;
                    response.resize(places, 0.0);
                    Boxes::new(sums, width, 0..places).responses(false, &mut response[..places]);
                    let lit_places = response[..places].iter().zip(&levels[2 * width..]);
                    sizes.extend(
                        lit_places
                            .step_by(2)
                            .filter(|(_, sum)| **sum >= lit)
                            .map(|(response, _)| response.abs()),
                    );
                }
            });
            for (least, sizes) in self.spreads.iter_mut().zip(&mut self.sizes) {
                for (least, sizes) in least.iter_mut().zip(sizes) {
                    if sizes.len() > 8 {
                        let middle = sizes.len() / 2;
                        let median = *sizes.select_nth_unstable_by(middle, f32::total_cmp).1;
                        *least = least.min(median / 0.6745);
                    }
                }
            }
        }
        for spread in self.spreads.iter_mut().flatten() {
            *spread = if spread.is_finite() {
                spread.clamp(1.0, 20.0)
            } else {
                1.0
            };
        }
    }
}

/// How often the height was halved to the length of these blocks.
fn depth_of(sums: &Projection<'_>, grid: Grid) -> usize {
    (grid.bands / sums.length).ilog2() as usize
}

/// Hands over the middles, cells, and the significances of all that stands out between two flanks in boxes of this width.
fn peaks(
    sums: &Projection<'_>,
    width: usize,
    spread: f32,
    response: &mut Vec<f32>,
    mut take: impl FnMut(f64, f32),
) {
    const BLOCK: usize = 16;
    let places = sums.levels.len() - 5 * width;
    let threshold = WORTH_A_LOOK * spread;
    let first = 2 * width + width / 2;
    // Roots and quotients are reckoned only where a response may be above the threshold.
    response.resize(places, 0.0);
    let excess = &mut response[..places];
    let least = threshold * threshold * (1.0 - 1e-4);
    Boxes::new(sums, width, 0..places).excess(least, excess);
    for (block, excess) in excess.chunks(BLOCK).enumerate() {
        if !excess.iter().fold(false, |any, &e| any | (e >= 0.0)) {
            continue;
        }
        // With one place more on either side; beyond the first and the last there is none.
        let at = block * BLOCK;
        let run = at.saturating_sub(1)..(at + excess.len() + 1).min(places);
        let mut responses = [0.0; BLOCK + 2];
        let from = usize::from(at == 0);
        let boxes = Boxes::new(sums, width, run.clone());
        boxes.responses(true, &mut responses[from..from + run.len()]);
        for (i, r) in responses[..excess.len() + 2].windows(3).enumerate() {
            if r[1] > threshold && r[1] >= r[0] && r[1] > r[2] {
                let x = (first + at + i) as f64;
                let centre = x + if width.is_multiple_of(2) { -0.5 } else { 0.0 };
                take(centre, r[1] / spread);
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
    fn new(sums: &Projection<'a>, width: usize, places: Range<usize>) -> Self {
        let ends =
            [0, 1, 2, 3, 4, 5].map(|k: usize| k * width + places.start..k * width + places.end);
        Self {
            levels: ends.clone().map(|end| &sums.levels[end]),
            variances: ends.map(|end| &sums.variances[end]),
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

    /// By how much the square of the difference exceeds `least` variances at every place; below zero it has none, or the middle
    /// is not above both flanks.
    fn excess(&self, least: f32, out: &mut [f32]) {
        let count = out.len();
        let [p0, p1, p2, p3, p4, p5] = self.levels.map(|p| &p[..count]);
        let [v0, v1, v2, v3, v4, v5] = self.variances.map(|v| &v[..count]);
        for i in 0..count {
            let (l, m, r) = (p1[i] - p0[i], p3[i] - p2[i], p5[i] - p4[i]);
            let (difference, variance) =
                middle_less_flanks((l, m, r), (v1[i] - v0[i], v3[i] - v2[i], v5[i] - v4[i]));
            let higher = m - if l > r { l } else { r };
            let positive = if higher >= 0.4 * difference {
                difference
            } else {
                0.0
            };
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
    let reach = 0.55 * (c.width + other.width);
    let away = |y: f64| c.x_at(y) - other.x_at(y);
    let (top, bottom) = (away(c.rows.0 as f64), away(c.rows.1 as f64));
    if top.min(bottom) > reach || top.max(bottom) < -reach {
        return 0.0;
    }
    let hits = (0..LOOKS)
        .filter(|&i| {
            let share = (i as f64 + 0.5) / LOOKS as f64;
            (top + (bottom - top) * share).abs() < reach
        })
        .count();
    hits as f64 / LOOKS as f64
}

/// Tangents of all tilts that a line may have.
pub(super) const ALL_TILTS: (f64, f64) = (-STEEPEST, STEEPEST);
