//! The model of a band: its pixels as lines, background and hairs make them, with the derivatives by all that is fitted, and the lights
//! that go with it.

use std::ops::Range;

use nalgebra::{SMatrix, SVector};

use super::super::axis::smooth_amplitudes;
use super::super::rowsum::{LANES, dot, dots};
use super::super::shadow::{Even, HAIR_TERMS, Lit, Wanted};
use super::{COLUMNS, Joint, MOST_LINES};

/// A band on a hair whose light differs from the mean about it by so many standard uncertainties has a light of its own.
const OWN_LIGHT_IN_U: f64 = 4.0;
/// A hair is known to this share of its shade only.
const SHADE_DOUBT: f32 = 0.06;
/// The shadow of a hair that is fitted is known to this share only.
const SHADOW_DOUBT: f32 = 0.01;

impl Joint {
    /// Columns of a band for what is fitted, without the residual: amplitudes and background first.
    pub(super) fn column_count(&self) -> usize {
        let shape = if self.shape_known { 0 } else { 2 };
        let hair = if self.bands.hair.is_some() {
            HAIR_TERMS
        } else {
            0
        };
        2 * self.lines + 2 + shape + hair
    }

    /// Amplitudes and background of every band, with axes and shapes as they stand.
    pub(super) fn first_light(&mut self, frame: (f64, f64)) {
        let count = self.bands.count;
        for member in &mut self.members[..self.lines] {
            for values in [
                &mut member.amplitude,
                &mut member.raw,
                &mut member.information,
            ] {
                values.clear();
                values.resize(count, 0.0);
            }
            member.lit = 0..count;
        }
        self.background.clear();
        self.background.resize(count, 0.0);
        self.prepare_shadow();
        let mut products = self.take_products();
        for b in 0..count {
            if !self.draw(b, frame, true) {
                continue;
            }
            // Only the columns of the lights: what comes behind them is not looked at.
            let residual = self.column_count();
            self.sums(b, self.lines + 1, residual, &mut products);
            let _ = self.project(b, &products, self.lines + 1);
        }
        self.products = products;
        self.smooth_lights();
    }

    /// Smooths the raw amplitudes of all lines along them.
    pub(super) fn smooth_lights(&mut self) {
        for member in &mut self.members[..self.lines] {
            member.amplitude.copy_from_slice(&member.raw);
            let lit = member.lit.clone();
            smooth_amplitudes(
                &member.raw[lit.clone()],
                &member.information[lit.clone()],
                &mut member.amplitude[lit.clone()],
                &mut self.smooth,
            );
            if self.bands.hair.is_none() {
                continue;
            }
            // Where a line begins or ends its light is not that of its neighbours. Elsewhere such bands are left out of the fit; on a hair
            // too much of what says where it is would go with them.
            for band in lit {
                let (raw, information) = (member.raw[band], member.information[band]);
                let smooth = &mut member.amplitude[band];
                if (raw - *smooth).powi(2) * information > OWN_LIGHT_IN_U.powi(2) {
                    *smooth = raw;
                }
            }
        }
    }

    /// The hair as it stands, and the lines behind it.
    pub(super) fn prepare_shadow(&mut self) {
        if self.bands.hair.is_none() {
            return;
        }
        self.shadow.of(&self.bands.thread.with(&self.hair));
        let blur_px2 = self.hair[4];
        self.behind_hair.clear();
        let members = self.members[..self.lines].iter();
        self.behind_hair
            .extend(members.map(|member| Lit::new(&member.drawn, blur_px2)));
    }

    /// Model, weights, residuals and columns of one band. False if no line's profile reaches it.
    ///
    /// `first`: no light is known yet; the weights come from the levels themselves.
    pub(super) fn draw(&mut self, band: usize, frame: (f64, f64), first: bool) -> bool {
        let columns = self.column_count();
        let bands = &self.bands;
        let across = bands.across;
        let y = bands.middle(band);
        let z = (y - frame.0) / frame.1;
        let left = f64::from(bands.left[band]);
        let k = self.lines;
        self.columns.resize((columns + 1) * across, 0.0);
        self.weight.resize(across, 0.0);
        let mut middle = 0.0;
        let mut seen = false;
        let (lights, rest) = self.columns.split_at_mut(k * across);
        let (background, rest) = rest.split_at_mut(across);
        let (places, rest) = rest.split_at_mut(k * across);
        let (slope, rest) = rest.split_at_mut(across);
        let (shape, rest) = rest.split_at_mut(if self.shape_known { 0 } else { 2 * across });
        let (hair, residual) = rest.split_at_mut(if bands.hair.is_some() {
            HAIR_TERMS * across
        } else {
            0
        });
        shape.fill(0.0);
        residual.fill(0.0);
        for (i, member) in self.members[..k].iter().enumerate() {
            let x = member.x_at(y, frame) - left;
            middle += x / k as f64;
            let light = &mut lights[i * across..(i + 1) * across];
            let place = &mut places[i * across..(i + 1) * across];
            let profile = if member.shines_in(band, y) {
                member.profile.at(x as f32, across)
            } else {
                None
            };
            let Some(profile) = profile else {
                light.fill(0.0);
                place.fill(0.0);
                continue;
            };
            seen = true;
            let amplitude = member.amplitude[band] as f32;
            profile.each(0, light, |light, p| *light = p);
            for (sum, light) in residual.iter_mut().zip(&*light) {
                *sum += amplitude * light;
            }
            if first {
                place.fill(0.0);
                continue;
            }
            profile.each(1, place, |place, by| *place = -amplitude * by);
            for (term, out) in shape.chunks_exact_mut(across).enumerate() {
                profile.each(2 + term, out, |out, by| *out += amplitude * by);
            }
        }
        if !seen {
            return false;
        }
        let level_background = self.background[band] as f32;
        let fall = (self.slope[0] + self.slope[1] * z) as f32;
        let alike = self.alike.0 as f32;
        for (i, ((column, even), light)) in slope
            .iter_mut()
            .zip(background.iter_mut())
            .zip(residual.iter_mut())
            .enumerate()
        {
            let away = i as f32 - middle as f32;
            *even = 1.0 + fall * away;
            *column = (alike * *light + level_background) * away;
            *light += level_background + fall * *column;
        }
        // `residual` holds the light of the model now.
        let pixels = band * across..(band + 1) * across;
        let level = &bands.level[pixels.clone()];
        let good = &bands.good[pixels.clone()];
        let bright: f64 = self.members[..k].iter().map(|m| m.amplitude[band]).sum();
        let doubt = (self.profile_doubt * bright as f32).powi(2);
        let shaded = bands.shaded[band].clone();
        for clear in [0..shaded.start, shaded.end..across] {
            let weight = &mut self.weight[clear.clone()];
            let light = &mut residual[clear.clone()];
            let (level, good) = (&level[clear.clone()], &good[clear]);
            // Looking up and reckoning are loops of their own, so that the second is done on many pixels at once.
            for (w, &level) in weight.iter_mut().zip(if first { level } else { &*light }) {
                *w = self.weights.at(level);
            }
            for (((w, light), &level), &good) in weight.iter_mut().zip(light).zip(level).zip(good) {
                *w *= good;
                *w /= 1.0 + *w * doubt;
                *light = level - *light;
            }
        }
        hair.fill(0.0);
        let cast = bands.hair.is_some() && !shaded.is_empty();
        if cast {
            self.lit.clear();
            let rows = bands.rows as f64;
            let run = bands.thread.slope() * (rows * rows - 1.0) / 12.0;
            let lit = self.members[..k].iter().zip(&self.behind_hair);
            self.lit.extend(lit.map(|(member, lit)| {
                member.shines_in(band, y).then(|| Lit {
                    x: (member.x_at(y, frame) - left) as f32,
                    amplitude: member.amplitude[band] as f32,
                    together: (run * member.slope_at(y, frame)) as f32,
                    ..*lit
                })
            }));
            let even = Even {
                background: level_background,
                fall,
                alike,
                middle: middle as f32,
            };
            let x = bands.hair_x[band] + self.hair[0] + z * self.hair_turn_px;
            let wanted = match (first, self.shape_known) {
                (true, _) => Wanted::Lights,
                (false, true) => Wanted::ShapeKnown,
                (false, false) => Wanted::All,
            };
            self.shadow
                .cast(x, (shaded.start, shaded.end), &self.lit, &even, wanted);
        }
        // The same where a hair shades: each column by itself, so that it is done on many pixels at once.
        let pass = &bands.pass[pixels.clone()][shaded.clone()];
        self.stopped.clear();
        if cast {
            let shadow = &self.shadow;
            self.stopped.extend_from_slice(shadow.light());
            for (j, (light, place)) in lights
                .chunks_exact_mut(across)
                .zip(places.chunks_exact_mut(across))
                .enumerate()
            {
                let [taken, by_place] = shadow.line(j);
                take_off(&mut light[shaded.clone()], taken);
                if !first {
                    take_off(&mut place[shaded.clone()], by_place);
                }
            }
            let [even, by_fall] = shadow.background();
            take_off(&mut background[shaded.clone()], even);
            if !first {
                take_off(&mut slope[shaded.clone()], by_fall);
                for (term, out) in shape.chunks_exact_mut(across).enumerate() {
                    take_off(&mut out[shaded.clone()], shadow.shape(term));
                }
                for (term, out) in hair.chunks_exact_mut(across).enumerate() {
                    take_off(&mut out[shaded.clone()], shadow.by_hair(term));
                }
            }
        } else {
            self.stopped.resize(shaded.len(), 0.0);
        }
        for column in lights
            .chunks_exact_mut(across)
            .chain(places.chunks_exact_mut(across))
            .chain(shape.chunks_exact_mut(across))
            .chain(hair.chunks_exact_mut(across))
            .chain([&mut *background, &mut *slope])
        {
            for (out, pass) in column[shaded.clone()].iter_mut().zip(pass) {
                *out *= pass;
            }
        }
        let weight = &mut self.weight[shaded.clone()];
        let light = &mut residual[shaded.clone()];
        let (level, good) = (&level[shaded.clone()], &good[shaded.clone()]);
        let background = &background[shaded];
        for (((w, &level), (light, pass)), stopped) in weight
            .iter_mut()
            .zip(level)
            .zip(light.iter().zip(pass))
            .zip(&self.stopped)
        {
            let model = pass * (light - stopped);
            *w = self.weights.at(if first { level } else { model });
        }
        for (((w, light), (&level, &good)), (&pass, &stopped)) in weight
            .iter_mut()
            .zip(light)
            .zip(level.iter().zip(good))
            .zip(pass.iter().zip(&self.stopped))
        {
            let model = pass * (*light - stopped);
            let doubted = if first { level } else { *light };
            let shade = SHADE_DOUBT * (1.0 - pass) * doubted + SHADOW_DOUBT * stopped;
            *w *= good;
            *w /= 1.0 + *w * (shade * shade + doubt);
            *light = level - model;
        }
        if first {
            for (w, &background) in weight.iter_mut().zip(background) {
                if background < 0.3 {
                    *w = 0.0;
                }
            }
        }
        if !first {
            let residuals = &mut self.residuals[pixels.clone()];
            let roots = &mut self.roots[pixels];
            for (((out, root), &r), &w) in residuals
                .iter_mut()
                .zip(roots)
                .zip(&*residual)
                .zip(&self.weight)
            {
                *root = w.sqrt();
                let residual = r * *root;
                *out = if w > 0.0 { residual } else { f32::NAN };
            }
        }
        true
    }

    /// Weighted sums of products of the first columns with each other and, behind them, with the residual, which is the
    /// column `residual`: upper triangle.
    pub(super) fn sums(
        &mut self,
        band: usize,
        columns: usize,
        residual: usize,
        sums: &mut [[f32; COLUMNS]],
    ) {
        let across = self.bands.across;
        self.weighted.resize(across, 0.0);
        // What is fitted to a hair has no light outside its shadow.
        let of_hair = if self.bands.hair.is_some() && columns == residual {
            columns - HAIR_TERMS
        } else {
            columns
        };
        let shaded = &self.bands.shaded[band];
        let lit = if shaded.is_empty() {
            0..0
        } else {
            shaded.start / LANES * LANES..shaded.end.next_multiple_of(LANES).min(across)
        };
        for (a, row) in sums.iter_mut().enumerate().take(columns) {
            let whole = if a < of_hair { 0..across } else { lit.clone() };
            let column = |n: usize, pixels: &Range<usize>| {
                &self.columns[n * across + pixels.start..n * across + pixels.end]
            };
            let weighted = &mut self.weighted[whole.clone()];
            let weight = &self.weight[whole.clone()];
            for ((out, w), v) in weighted.iter_mut().zip(weight).zip(column(a, &whole)) {
                *out = w * v;
            }
            dots(
                &self.weighted[whole.clone()],
                |b| column(a + b, &whole),
                &mut row[a..of_hair.max(a)],
            );
            let from = a.max(of_hair);
            dots(
                &self.weighted[lit.clone()],
                |b| column(from + b, &lit),
                &mut row[from..columns],
            );
            row[columns] = dot(&self.weighted[whole.clone()], column(residual, &whole));
        }
    }

    /// The buffer of [`Self::sums`], to be given back.
    pub(super) fn take_products(&mut self) -> Vec<[f32; COLUMNS]> {
        let mut products = std::mem::take(&mut self.products);
        products.resize(COLUMNS, [0.0; COLUMNS]);
        products
    }

    /// Projects amplitudes and background of a band out: renews them, and gives the score of the other columns.
    /// `None` if the band cannot tell them apart.
    pub(super) fn project(
        &mut self,
        band: usize,
        sums: &[[f32; COLUMNS]],
        columns: usize,
    ) -> Option<[f64; COLUMNS]> {
        match self.lines {
            1 => self.project_of::<2>(band, sums, columns),
            2 => self.project_of::<3>(band, sums, columns),
            3 => self.project_of::<4>(band, sums, columns),
            _ => self.project_of::<{ MOST_LINES + 1 }>(band, sums, columns),
        }
    }

    /// The same for `LIGHTS` - 1 lines.
    pub(super) fn project_of<const LIGHTS: usize>(
        &mut self,
        band: usize,
        sums: &[[f32; COLUMNS]],
        columns: usize,
    ) -> Option<[f64; COLUMNS]> {
        let mut matrix = SMatrix::<f64, LIGHTS, LIGHTS>::identity();
        let mut right = SVector::<f64, LIGHTS>::zeros();
        let mut seen = [true; LIGHTS];
        for a in 0..LIGHTS {
            seen[a] = sums[a][a] > 0.0;
            right[a] = f64::from(sums[a][columns]);
            for b in a..LIGHTS {
                let value = f64::from(sums[a][b]);
                matrix[(a, b)] = value;
                matrix[(b, a)] = value;
            }
            if !seen[a] {
                matrix[(a, a)] = 1.0;
            }
        }
        let whole: SVector<f64, LIGHTS> = matrix.diagonal();
        let solver = matrix.cholesky()?;
        let factor = solver.l_dirty();
        let told = (0..LIGHTS).all(|a| factor[(a, a)].powi(2) > 1e-5 * whole[a]);
        if !seen[self.lines] || !told {
            for member in &mut self.members[..self.lines] {
                member.information[band] = 0.0;
            }
            return None;
        }
        let inverse = solver.inverse();
        let found = inverse * right;
        for (a, member) in self.members[..self.lines].iter_mut().enumerate() {
            member.raw[band] = member.amplitude[band] + found[a];
            member.information[band] = if seen[a] {
                inverse[(a, a)].recip()
            } else {
                0.0
            };
        }
        self.background[band] += found[self.lines];
        let mut score = [0.0; COLUMNS];
        for c in LIGHTS..columns {
            let mut column = SVector::<f64, LIGHTS>::zeros();
            for l in 0..LIGHTS {
                column[l] = f64::from(sums[l][c]);
            }
            let lean = inverse * column;
            score[c] = f64::from(sums[c][columns]) - lean.dot(&right);
            if let Some(slot) = self.lean.get_mut(band) {
                slot[c][..LIGHTS].copy_from_slice(lean.as_slice());
            }
        }
        Some(score)
    }
}

fn take_off(from: &mut [f32], taken: &[f32]) {
    for (value, taken) in from.iter_mut().zip(taken) {
        *value -= taken;
    }
}
