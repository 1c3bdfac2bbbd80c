//! Sums along sheared columns at many tangents: a discrete Radon transform by halves.
//!
//! The sum over a block of bands is made of the sums over its two halves at the same tangent, each moved sideways by whole cells
//! (M. L. Brady, SIAM J. Comput. 27, 107 (1998), from memory). All sums are prefix sums over the cells, so that boxes of any width
//! are differences.

/// Prefix sums over the cells of a row, of levels less their mean and of variances.
#[derive(Clone, Debug, Default)]
struct Sums {
    levels: Vec<f32>,
    variances: Vec<f32>,
}

/// The sums over all blocks of one length, at the tangents of the steps `from` to `to`.
#[derive(Clone, Debug, Default)]
struct Layer {
    from: i32,
    to: i32,
    /// Where the cells that were summed lie on average, to the right of where they should, cells; for every tangent.
    offsets: Vec<f64>,
    sums: Sums,
}

/// How a sum is made of its halves.
#[derive(Clone, Copy, Debug)]
struct Halves {
    /// Number of the tangent in the layer below, and cells to the right, for the upper and the lower half.
    tangents: [usize; 2],
    shifts: [isize; 2],
    offset: f64,
}

/// The sums over one block of bands along one tangent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Projection<'a> {
    /// First band, and number of bands.
    pub(super) first: usize,
    pub(super) length: usize,
    /// How many tangents of the blocks of this length come before.
    pub(super) turn: usize,
    pub(super) tangent: f64,
    /// What is found here lies so much farther to the right, cells.
    pub(super) offset: f64,
    /// Prefix sums of levels less `mean`, and of variances, one more than there are cells.
    pub(super) levels: &'a [f32],
    pub(super) variances: &'a [f32],
    pub(super) mean: f32,
}

/// Buffers of the transform.
#[derive(Clone, Debug, Default)]
pub(super) struct Radon {
    /// Single bands.
    bands: Layer,
    below: Layer,
    here: Layer,
    row: Sums,
    mean: f32,
    /// Bands, their height over that of a cell's width, cells, and cells beside them to which the edge is repeated.
    count: usize,
    aspect: f64,
    cells: usize,
    margin: usize,
}

/// Shear of a whole block from one step of the tangent to the next, cells, and from one that is searched to the next, steps.
const STEP: f64 = 2.5 / 2.0;
const SEARCHED: f64 = 2.0;
/// Tangents that are searched are no closer than this.
const LEAST_STEP: f64 = 0.004;
/// Tangents that are summed at a time span no more than this: the sums stay in the cache.
const SECTOR: f64 = 0.1;

impl Radon {
    /// Takes in bands, a power of two of them, of so many cells, for tangents no steeper than that; `aspect`: height of a band over
    /// width of a cell.
    pub(super) fn begin(
        &mut self,
        (levels, variances): (&[f32], &[f32]),
        cells: usize,
        aspect: f64,
        steepest: f64,
    ) {
        self.count = levels.len() / cells;
        self.aspect = aspect;
        self.cells = cells;
        // Beyond the ends of the rows no more is read: a half is moved by half a cell more than its tangent says, at most.
        let turns = self.count.ilog2() as usize + 1;
        let length = self.count as f64;
        self.margin = (0.5 * (steepest * aspect * length + SEARCHED * STEP)) as usize + turns + 1;
        self.mean = levels.iter().sum::<f32>() / levels.len() as f32;
        let layer = &mut self.bands;
        layer.offsets.clear();
        layer.offsets.push(0.0);
        for (values, sums, mean) in [
            (levels, &mut layer.sums.levels, self.mean),
            (variances, &mut layer.sums.variances, 0.0),
        ] {
            sums.clear();
            for band in values.chunks_exact(cells) {
                let mut sum = 0.0;
                sums.push(sum);
                let mut add = |value: f32| {
                    sum += value - mean;
                    sums.push(sum);
                };
                (0..self.margin).for_each(|_| add(band[0]));
                band.iter().for_each(|&value| add(value));
                (0..self.margin).for_each(|_| add(band[cells - 1]));
            }
        }
    }

    /// Prefix sums of the levels of one band, less the mean of all.
    pub(super) fn band(&self, band: usize) -> &[f32] {
        let row = self.bands.row(band, 0, self.cells + 2 * self.margin + 1);
        &self.bands.sums.levels[row][self.margin..][..self.cells + 1]
    }

    /// Hands over the sums over all blocks of `least` bands and twice, four times … as many, each begun half a block below the last,
    /// at tangents between `tilts`.
    pub(super) fn run(
        &mut self,
        tilts: (f64, f64),
        least: usize,
        mut visit: impl FnMut(&Projection<'_>),
    ) {
        let sectors = ((tilts.1 - tilts.0) / SECTOR).ceil().max(1.0);
        for sector in 0..sectors as usize {
            let edge = |k: usize| match k as f64 {
                0.0 => f64::NEG_INFINITY,
                k if k >= sectors => f64::INFINITY,
                k => tilts.0 + (tilts.1 - tilts.0) * k / sectors,
            };
            self.sum_sector(tilts, (edge(sector), edge(sector + 1)), least, &mut visit);
        }
    }

    fn sum_sector(
        &mut self,
        tilts: (f64, f64),
        sector: (f64, f64),
        least: usize,
        visit: &mut impl FnMut(&Projection<'_>),
    ) {
        let depth = self.count.ilog2();
        let searched = |of: u32| Searched::of(self.aspect * f64::from(1_u32 << of), tilts, sector);
        // Steps of the tangents that are summed, for blocks of 1, 2, 4 … bands.
        let mut steps: Vec<(i32, i32)> = vec![(0, 0); depth as usize + 1];
        for of in (1..depth + 1).rev() {
            let mut span = (i32::MAX, i32::MIN);
            let mut include = |(from, to): (i32, i32)| {
                if from <= to {
                    span = (span.0.min(from), span.1.max(to));
                }
            };
            if 1 << of >= least {
                include(searched(of).steps());
            }
            if of < depth {
                let (from, to) = steps[of as usize + 1];
                if from <= to {
                    include((from.div_euclid(2), (to + 1).div_euclid(2)));
                }
            }
            steps[of as usize] = span;
        }
        for of in 1..depth + 1 {
            let length = 1_usize << of;
            let below = if of == 1 { &self.bands } else { &self.below };
            let here = &mut self.here;
            (here.from, here.to) = steps[of as usize];
            here.offsets.clear();
            let whole = length == self.count;
            let size = self.cells + 2 * self.margin + 1;
            if !whole && here.from <= here.to {
                here.sum(below, self.count / length, size);
            }
            if length >= least {
                let inside = self.margin..self.margin + self.cells + 1;
                let searched = searched(of);
                for k in searched.from..=searched.to {
                    let step = k * searched.every;
                    let halves = below.halves(step);
                    let mut projection = Projection {
                        first: 0,
                        length,
                        turn: (k - searched.first) as usize,
                        tangent: f64::from(k) * searched.between,
                        offset: halves.offset,
                        levels: &[],
                        variances: &[],
                        mean: self.mean,
                    };
                    for half in 0..2 * (self.count / length) - 1 {
                        projection.first = half * length / 2;
                        let (levels, variances) = if half % 2 == 0 && !whole {
                            let row = here.row(half / 2, (step - here.from) as usize, size);
                            (&here.sums.levels[row.clone()], &here.sums.variances[row])
                        } else {
                            self.row.levels.resize(size, 0.0);
                            self.row.variances.resize(size, 0.0);
                            let out = (&mut self.row.levels[..], &mut self.row.variances[..]);
                            below.add(half, &halves, out);
                            (&self.row.levels[..], &self.row.variances[..])
                        };
                        visit(&Projection {
                            levels: &levels[inside.clone()],
                            variances: &variances[inside.clone()],
                            ..projection
                        });
                    }
                }
            }
            std::mem::swap(&mut self.below, &mut self.here);
        }
    }
}

/// The tangents of blocks of one length that are searched: every so many steps.
#[derive(Clone, Copy, Debug)]
struct Searched {
    every: i32,
    /// From one to the next.
    between: f64,
    /// Of those of all sectors the first; from where to where those of this sector go.
    first: i32,
    from: i32,
    to: i32,
}

impl Searched {
    /// `reach`: height of a block over the width of a cell.
    fn of(reach: f64, tilts: (f64, f64), sector: (f64, f64)) -> Self {
        let step = STEP / reach;
        let every = (LEAST_STEP / step).round().max(SEARCHED);
        let between = every * step;
        let first = (tilts.0 / between - 0.5).ceil() as i32;
        let last = (tilts.1 / between + 0.5).floor() as i32;
        Self {
            every: every as i32,
            between,
            first,
            from: first.max((sector.0 / between).ceil() as i32),
            to: last.min(((sector.1 / between).ceil() - 1.0) as i32),
        }
    }

    fn steps(&self) -> (i32, i32) {
        (self.from * self.every, self.to * self.every)
    }
}

impl Layer {
    fn row(&self, block: usize, tangent: usize, size: usize) -> std::ops::Range<usize> {
        let at = block * self.offsets.len() + tangent;
        at * size..(at + 1) * size
    }

    /// How the sums of twice the length at a step of the tangent are made of those of this layer.
    fn halves(&self, step: i32) -> Halves {
        let tangents = [step.div_euclid(2), (step + 1).div_euclid(2)]
            .map(|half| (half.clamp(self.from, self.to) - self.from) as usize);
        let offsets = tangents.map(|tangent| self.offsets[tangent]);
        let apart = (STEP / 2.0 * f64::from(step) + offsets[0] - offsets[1]).round() as isize;
        let shifts = [-apart.div_euclid(2), apart - apart.div_euclid(2)];
        Halves {
            tangents,
            shifts,
            offset: (0..2).map(|k| offsets[k] + shifts[k] as f64).sum::<f64>() / 2.0,
        }
    }

    /// All sums of blocks made of two of those below.
    fn sum(&mut self, below: &Self, blocks: usize, size: usize) {
        let all: Vec<Halves> = (self.from..=self.to)
            .map(|step| below.halves(step))
            .collect();
        self.offsets.extend(all.iter().map(|halves| halves.offset));
        self.sums.levels.resize(blocks * all.len() * size, 0.0);
        self.sums.variances.resize(blocks * all.len() * size, 0.0);
        for block in 0..blocks {
            for (tangent, halves) in all.iter().enumerate() {
                let row = self.row(block, tangent, size);
                let levels = &mut self.sums.levels[row.clone()];
                let variances = &mut self.sums.variances[row];
                below.add(2 * block, halves, (levels, variances));
            }
        }
    }

    /// The sum of a block of this layer and the next one; at the ends of the rows, where either does not reach, nothing is written.
    fn add(&self, upper: usize, halves: &Halves, out: (&mut [f32], &mut [f32])) {
        let size = out.0.len();
        let [up, down] = halves.shifts;
        let from = (-up).max(-down).max(0) as usize;
        let to = size - up.max(down).max(0) as usize;
        let [first, second] = [0, 1].map(|k: usize| {
            let row = self.row(upper + k, halves.tangents[k], size);
            let moved = |at: usize| (row.start + at).wrapping_add_signed(halves.shifts[k]);
            moved(from)..moved(to)
        });
        for (out, sums) in [(out.0, &self.sums.levels), (out.1, &self.sums.variances)] {
            let halves = sums[first.clone()].iter().zip(&sums[second.clone()]);
            for (out, (a, b)) in out[from..to].iter_mut().zip(halves) {
                *out = a + b;
            }
        }
    }
}
