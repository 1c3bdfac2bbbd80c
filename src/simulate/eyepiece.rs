//! Draws what the eyepiece shows: the field, the hairs, and slit images at sub-pixel places.
//!
//! Lines and stray light are drawn in the focal plane, where the hairs take their share away; then
//! eyepiece and camera lens blur the product.

use statrs::function::erf::erf;

use super::optics::{Direction, direction, dot};

/// A cross-hair seen through the eyepiece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hairs {
    /// Where the hairs cross, px.
    pub x_px: f64,
    /// Where the hairs cross, px.
    pub y_px: f64,
    /// Turn of the cross from upright, degrees, positive when the upper end of the upright hair
    /// leans to the right.
    pub rotation_deg: f64,
    /// Thickness of a thread, px; 0 for no hairs.
    pub width_px: f64,
    /// Share of the light that a thread takes away, 0 to 1.
    pub depth: f64,
}

/// How soft the edges of a thread are where it stands, px.
const EDGE_PX: f64 = 0.65;

/// Columns that are drawn for every column of pixels. Light and what hairs let through are multiplied before the lens blurs the
/// product, and at one column for each of the pixels the product of two edges is off by up to 1 % of the light; at two by
/// 0.02 % at most.
const FINE: usize = 2;

/// Where a column of one share of the pixels lies, px.
fn fine_x(column: usize, share: usize) -> f64 {
    column as f64 + (share as f64 + 0.5) / FINE as f64 - 0.5
}

/// A speck that stays with the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Speck {
    /// Centre, px.
    pub x_px: f64,
    /// Centre, px.
    pub y_px: f64,
    /// Standard deviation of its blurred shadow, px.
    pub sigma_px: f64,
    /// Share of the light that its middle takes away.
    pub depth: f64,
}

/// Eyepiece, hairs and the camera's lens: from directions to pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct Eyepiece {
    /// Columns of the picture.
    pub width: usize,
    /// Rows of the picture.
    pub height: usize,
    /// Scale at the hairs, arcsec per pixel, positive.
    pub arcsec_per_px: f64,
    /// +1 if larger circle angles lie to the right, -1 if to the left.
    pub x_sign: f64,
    /// +1 if higher elevations lie lower in the picture, -1 if higher up.
    pub y_sign: f64,
    /// Turn of the camera against the circle's plane, degrees; positive turns the picture clockwise.
    pub roll_deg: f64,
    /// Radial distortion: a point at distance r from the field's centre appears at r (1 + k r²), 1/px².
    pub distortion_per_px2: f64,
    /// Centre of the field stop, px.
    pub centre_px: [f64; 2],
    /// Radius of the field stop, px.
    pub radius_px: f64,
    /// Softness of the field stop's edge (standard deviation), px.
    pub edge_px: f64,
    /// Loss of light at the field stop's edge, 0 to 1.
    pub vignetting: f64,
    /// Share by which the right edge of the field is brighter than its middle; negative if darker.
    pub unevenness: f64,
    /// The hairs.
    pub hairs: Hairs,
    /// Standard deviation of the telescope's image of a point, before the hairs, px.
    pub telescope_blur_px: f64,
    /// Standard deviation of the blur behind the hairs (eyepiece out of focus, lens), px.
    pub lens_blur_px: f64,
    /// Specks on the camera's glass.
    pub specks: Vec<Speck>,
}

impl Eyepiece {
    /// The same eyepiece after the camera slipped: everything but the specks moves by (dx, dy).
    pub(crate) fn slipped(&self, dx_px: f64, dy_px: f64) -> Self {
        let mut slipped = self.clone();
        slipped.centre_px[0] += dx_px;
        slipped.centre_px[1] += dy_px;
        slipped.hairs.x_px += dx_px;
        slipped.hairs.y_px += dy_px;
        slipped
    }

    /// The same eyepiece before a camera with finer pixels, `height` rows of them, and room for the field in the middle
    /// of `width` columns.
    #[must_use]
    pub fn finer(&self, width: usize, height: usize) -> Self {
        let finer = height as f64 / self.height as f64;
        let aside = (width as f64 - self.width as f64 * finer) / 2.0;
        let x_px = |x: f64| (x + 0.5) * finer - 0.5 + aside;
        let y_px = |y: f64| (y + 0.5) * finer - 0.5;
        Self {
            width,
            height,
            arcsec_per_px: self.arcsec_per_px / finer,
            distortion_per_px2: self.distortion_per_px2 / (finer * finer),
            centre_px: [x_px(self.centre_px[0]), y_px(self.centre_px[1])],
            radius_px: self.radius_px * finer,
            edge_px: self.edge_px * finer,
            hairs: Hairs {
                x_px: x_px(self.hairs.x_px),
                y_px: y_px(self.hairs.y_px),
                width_px: self.hairs.width_px * finer,
                ..self.hairs
            },
            telescope_blur_px: self.telescope_blur_px * finer,
            lens_blur_px: self.lens_blur_px * finer,
            specks: self
                .specks
                .iter()
                .map(|speck| Speck {
                    x_px: x_px(speck.x_px),
                    y_px: y_px(speck.y_px),
                    sigma_px: speck.sigma_px * finer,
                    depth: speck.depth,
                })
                .collect(),
            ..self.clone()
        }
    }

    fn distort(&self, p: [f64; 2]) -> [f64; 2] {
        let (dx, dy) = (p[0] - self.centre_px[0], p[1] - self.centre_px[1]);
        let factor = 1.0 + self.distortion_per_px2 * (dx * dx + dy * dy);
        [
            self.centre_px[0] + dx * factor,
            self.centre_px[1] + dy * factor,
        ]
    }

    fn undistort(&self, p: [f64; 2]) -> [f64; 2] {
        let (dx, dy) = (p[0] - self.centre_px[0], p[1] - self.centre_px[1]);
        let (mut ux, mut uy) = (dx, dy);
        for _ in 0..12 {
            let factor = 1.0 + self.distortion_per_px2 * (ux * ux + uy * uy);
            (ux, uy) = (dx / factor, dy / factor);
        }
        [self.centre_px[0] + ux, self.centre_px[1] + uy]
    }

    /// Where a direction appears while the telescope's hairs point at (azimuth, elevation), px.
    ///
    /// The telescope's lens maps directions to its focal plane by the tangent.
    pub(crate) fn project(&self, ray: Direction, telescope: [f64; 2]) -> [f64; 2] {
        let [azimuth, elevation] = telescope;
        let axis = direction(azimuth, elevation);
        let along = [-azimuth.sin(), azimuth.cos(), 0.0];
        let up = direction(azimuth, elevation + std::f64::consts::FRAC_PI_2);
        let depth = dot(ray, axis);
        let px_per_rad = 1.0 / super::optics::arcsec(self.arcsec_per_px);
        let u = self.x_sign * px_per_rad * dot(ray, along) / depth;
        let v = self.y_sign * px_per_rad * dot(ray, up) / depth;
        let (sin, cos) = self.roll_deg.to_radians().sin_cos();
        let hairs = self.undistort([self.hairs.x_px, self.hairs.y_px]);
        self.distort([hairs[0] + cos * u - sin * v, hairs[1] + sin * u + cos * v])
    }

    /// Share of the light that passes, row by row, in each of the columns that are drawn of a pixel: field stop, vignetting, hairs.
    pub(crate) fn transmission(&self) -> Transmission {
        Transmission(std::array::from_fn(|share| self.transmission_in(share)))
    }

    fn transmission_in(&self, share: usize) -> Vec<f32> {
        let crossing = self.undistort([self.hairs.x_px, self.hairs.y_px]);
        let angles = [
            self.hairs.rotation_deg.to_radians(),
            (self.hairs.rotation_deg + 90.0).to_radians(),
        ];
        let half = 0.5 * self.hairs.width_px;
        let mut map = Vec::with_capacity(self.width * self.height);
        for row in 0..self.height {
            for column in 0..self.width {
                let (x, y) = (fine_x(column, share), row as f64);
                let (dx, dy) = (x - self.centre_px[0], y - self.centre_px[1]);
                let r = dx.hypot(dy);
                let stop = 0.5
                    * (1.0 - erf((r - self.radius_px) / (self.edge_px * std::f64::consts::SQRT_2)));
                let out = r / self.radius_px;
                let mut pass = stop
                    * (1.0 - self.vignetting * out * out)
                    * (1.0 + self.unevenness * dx / self.radius_px);
                if self.hairs.width_px > 0.0 {
                    let p = self.undistort([x, y]);
                    for angle in angles {
                        let distance =
                            (p[0] - crossing[0]) * angle.cos() + (p[1] - crossing[1]) * angle.sin();
                        if distance.abs() < half + 5.0 * EDGE_PX {
                            let soft = EDGE_PX * std::f64::consts::SQRT_2;
                            let cover = 0.5
                                * (erf((distance + half) / soft) - erf((distance - half) / soft));
                            pass *= 1.0 - self.hairs.depth * cover;
                        }
                    }
                }
                map.push(pass.max(0.0) as f32);
            }
        }
        map
    }

    /// Share of the light that the specks let through at each pixel; empty without specks.
    pub(crate) fn speck_map(&self) -> Vec<f32> {
        if self.specks.is_empty() {
            return Vec::new();
        }
        let mut map = Vec::with_capacity(self.width * self.height);
        for row in 0..self.height {
            for column in 0..self.width {
                let mut pass = 1.0;
                for speck in &self.specks {
                    let r2 =
                        (column as f64 - speck.x_px).powi(2) + (row as f64 - speck.y_px).powi(2);
                    pass *= 1.0 - speck.depth * (-0.5 * r2 / speck.sigma_px.powi(2)).exp();
                }
                map.push(pass as f32);
            }
        }
        map
    }
}

/// Axis of a slit image in the picture: x as a polynomial of y through traced points.
#[derive(Clone, Debug)]
pub(crate) struct Axis {
    /// Ascending powers of the normalised height.
    powers: Vec<f64>,
    middle_px: f64,
    half_px: f64,
    /// Upper and lower end of the slit image, px.
    pub(crate) ends_px: [f64; 2],
}

impl Axis {
    /// Adds to the first powers of the height, which runs from -1 to 1 along the slit image, px.
    pub(crate) fn nudge(&mut self, by_px: [f64; 3]) {
        for (power, by) in self.powers.iter_mut().zip(by_px) {
            *power += by;
        }
    }

    /// A height in the picture on the axis's own scale, from -1 to 1 along the slit image.
    pub(crate) fn height(&self, y_px: f64) -> f64 {
        (y_px - self.middle_px) / self.half_px
    }

    /// Polynomial through all `points` (x, y), which run from one end of the slit to the other.
    pub(crate) fn through(points: &[[f64; 2]]) -> Option<Self> {
        let (first, last) = (points.first()?, points.last()?);
        let middle_px = 0.5 * (first[1] + last[1]);
        let half_px = 0.5 * (last[1] - first[1]);
        if half_px.abs() < 1.0 {
            return None;
        }
        let nodes: Vec<f64> = points
            .iter()
            .map(|p| (p[1] - middle_px) / half_px)
            .collect();
        // Newton's divided differences, then expanded into powers.
        let mut differences: Vec<f64> = points.iter().map(|p| p[0]).collect();
        for order in 1..nodes.len() {
            for k in (order..nodes.len()).rev() {
                differences[k] =
                    (differences[k] - differences[k - 1]) / (nodes[k] - nodes[k - order]);
            }
        }
        let mut powers = vec![0.0; nodes.len()];
        for k in (0..nodes.len()).rev() {
            for p in (1..powers.len()).rev() {
                powers[p] = powers[p - 1] - nodes[k] * powers[p];
            }
            powers[0] = differences[k] - nodes[k] * powers[0];
        }
        Some(Self {
            powers,
            middle_px,
            half_px,
            ends_px: [first[1].min(last[1]), first[1].max(last[1])],
        })
    }

    /// x at a height, with its first and second derivative there.
    pub(crate) fn at(&self, y_px: f64) -> [f64; 3] {
        let t = (y_px - self.middle_px) / self.half_px;
        let (mut x, mut slope, mut bend) = (0.0, 0.0, 0.0);
        for c in self.powers.iter().rev() {
            bend = bend * t + 2.0 * slope;
            slope = slope * t + x;
            x = x * t + c;
        }
        [
            x,
            slope / self.half_px,
            bend / (self.half_px * self.half_px),
        ]
    }
}

/// Light across a slit image: a box of the slit's width, blurred; its running integral as a table.
#[derive(Clone, Debug)]
pub(crate) struct Profile {
    cumulative: Vec<f64>,
    reach_px: f64,
}

/// Steps of the profile's table per pixel.
const STEPS: f64 = 32.0;

impl Profile {
    /// A slit image of `width_px`, blurred with standard deviation `blur_px`; total light 1.
    pub(crate) fn new(width_px: f64, blur_px: f64) -> Self {
        let blur = blur_px.max(0.05);
        let half = 0.5 * width_px.max(1e-3);
        let reach_px = half + 5.0 * blur + 1.0;
        // Integral of the normal distribution function.
        let integral = |x: f64| {
            let z = x / blur;
            let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
            let share = 0.5 * (1.0 + erf(z / std::f64::consts::SQRT_2));
            x * share + blur * density
        };
        let steps = (2.0 * reach_px * STEPS) as usize + 2;
        let cumulative = (0..steps)
            .map(|k| {
                let x = k as f64 / STEPS - reach_px;
                (integral(x + half) - integral(x - half)) / (2.0 * half)
            })
            .collect();
        Self {
            cumulative,
            reach_px,
        }
    }

    /// Light per pixel at `x_px` from the axis.
    fn at(&self, x_px: f64) -> f64 {
        const STEP: f64 = 1.0 / STEPS;
        (self.left_of(x_px + STEP) - self.left_of(x_px - STEP)) / (2.0 * STEP)
    }

    /// Light to the left of `x_px` from the axis.
    fn left_of(&self, x_px: f64) -> f64 {
        let place = (x_px + self.reach_px) * STEPS;
        if place <= 0.0 {
            return 0.0;
        }
        let index = place as usize;
        match (self.cumulative.get(index), self.cumulative.get(index + 1)) {
            (Some(a), Some(b)) => a + (b - a) * (place - index as f64),
            _ => 1.0,
        }
    }
}

/// What the eyepiece lets through, for each of the columns that are drawn of a pixel.
#[derive(Clone, Debug)]
pub(crate) struct Transmission([Vec<f32>; FINE]);

/// One plane of light per colour, in shares of the full well, row by row.
#[derive(Clone, Debug)]
pub(crate) struct Light {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// One plane for a monochrome camera, three for a colour camera.
    pub(crate) planes: Vec<Vec<f32>>,
    /// The same in the focal plane, for each of the columns that are drawn of a pixel.
    focal: Vec<[Vec<f32>; FINE]>,
    scratch: Vec<f32>,
}

impl Light {
    pub(crate) fn dark(width: usize, height: usize, planes: usize) -> Self {
        let plane = vec![0.0; width * height];
        Self {
            width,
            height,
            planes: vec![plane.clone(); planes],
            focal: vec![std::array::from_fn(|_| plane.clone()); planes],
            scratch: plane,
        }
    }

    /// Even light in the focal plane.
    pub(crate) fn fill(&mut self, levels: &[f32]) {
        for (plane, level) in self.focal.iter_mut().zip(levels) {
            plane.iter_mut().for_each(|plane| plane.fill(*level));
        }
    }

    /// Adds a slit image in the focal plane. `light` is its brightness per plane times its width in pixels.
    pub(crate) fn add_line(&mut self, axis: &Axis, profile: &Profile, blur_px: f64, light: &[f32]) {
        let soft = blur_px.max(0.3) * std::f64::consts::SQRT_2;
        let top = (axis.ends_px[0] - 3.0 * soft).max(0.0) as usize;
        let bottom = (axis.ends_px[1] + 3.0 * soft + 1.0).clamp(0.0, self.height as f64) as usize;
        for row in top..bottom {
            let y = row as f64;
            let ends =
                0.5 * (erf((y - axis.ends_px[0]) / soft) - erf((y - axis.ends_px[1]) / soft));
            let x = axis.at(y)[0];
            let from = (x - profile.reach_px).ceil().max(0.0);
            let to = (x + profile.reach_px).floor().min(self.width as f64 - 1.0);
            if ends < 1e-5 || from > to || x.is_nan() {
                continue;
            }
            for column in from as usize..=to as usize {
                let at = row * self.width + column;
                for fine in 0..FINE {
                    let share = (profile.at(fine_x(column, fine) - x) * ends) as f32;
                    for (plane, strength) in self.focal.iter_mut().zip(light) {
                        plane[fine][at] += share * strength;
                    }
                }
            }
        }
    }

    /// Takes away what the eyepiece does not let through to the lens.
    pub(crate) fn pass(&mut self, through: &Transmission) {
        for (light, map) in self
            .focal
            .iter_mut()
            .flat_map(|plane| plane.iter_mut().zip(&through.0))
        {
            take_share(light, map);
        }
    }

    /// Takes away what specks before the sensor do not let through.
    pub(crate) fn pass_specks(&mut self, map: &[f32]) {
        for plane in &mut self.planes {
            take_share(plane, map);
        }
    }

    /// Blurs the light of the focal plane with a Gaussian of standard deviation `sigma_px`, onto the pixels, the edge repeated.
    pub(crate) fn image(&mut self, sigma_px: f64) {
        let width = self.width;
        let reach = (4.0 * sigma_px + 0.5).ceil() as usize;
        let across = across_kernels(reach, sigma_px);
        let mut padded = vec![0.0_f32; width + 2 * reach];
        for (plane, focal) in self.planes.iter_mut().zip(&self.focal) {
            plane.fill(0.0);
            for (light, kernel) in focal.iter().zip(&across) {
                for (line, out) in light.chunks_exact(width).zip(plane.chunks_exact_mut(width)) {
                    blur_line(line, kernel, &mut padded, out);
                }
            }
            blur_down(plane, &mut self.scratch, width, &kernel_of(sigma_px));
        }
    }
}

fn take_share(light: &mut [f32], shares: &[f32]) {
    for (light, share) in light.iter_mut().zip(shares) {
        *light *= share;
    }
}

/// What each of the columns that are drawn of a pixel gives to the pixels from `reach` to the right of it to as far to the left, so that
/// `blur_line` with all of them blurs and averages over the pixels: the trapezium rule.
fn across_kernels(reach: usize, sigma_px: f64) -> [Vec<f32>; FINE] {
    let sigma = sigma_px.max(1e-3);
    let below = |x_px: f64| 0.5 * (1.0 + erf(x_px / sigma / std::f64::consts::SQRT_2));
    let mut kernels: [Vec<f64>; FINE] = std::array::from_fn(|share| {
        (0..=2 * reach)
            .map(|shift| fine_x(shift, share) - reach as f64)
            .map(|away| below(away + 0.5) - below(away - 0.5))
            .collect()
    });
    let total: f64 = kernels.iter().flatten().sum();
    kernels.iter_mut().flatten().for_each(|k| *k /= total);
    kernels.map(|kernel| kernel.into_iter().map(|k| k as f32).collect())
}

/// Gaussian blur of a plane, rows then columns, with the edge repeated.
pub(crate) fn blur_plane(plane: &mut [f32], scratch: &mut [f32], width: usize, sigma_px: f64) {
    let kernel = kernel_of(sigma_px);
    if width < kernel.len() {
        return;
    }
    let mut padded = vec![0.0_f32; width + kernel.len() - 1];
    for (line, out) in plane
        .chunks_exact(width)
        .zip(scratch.chunks_exact_mut(width))
    {
        out.fill(0.0);
        blur_line(line, &kernel, &mut padded, out);
    }
    plane.copy_from_slice(scratch);
    blur_down(plane, scratch, width, &kernel);
}

/// A Gaussian from four standard deviations before its middle to as many behind it, the sum 1.
fn kernel_of(sigma_px: f64) -> Vec<f32> {
    let reach = (4.0 * sigma_px).ceil() as i32;
    let sigma = sigma_px.max(1e-3);
    let kernel: Vec<f32> = (-reach..=reach)
        .map(|k| (-0.5 * (f64::from(k) / sigma).powi(2)).exp() as f32)
        .collect();
    let total: f32 = kernel.iter().sum();
    kernel.iter().map(|k| k / total).collect()
}

/// Adds a blurred row to `out`, the edge repeated.
fn blur_line(line: &[f32], kernel: &[f32], padded: &mut [f32], out: &mut [f32]) {
    let (width, reach) = (line.len(), kernel.len() / 2);
    padded[..reach].fill(line[0]);
    padded[reach..reach + width].copy_from_slice(line);
    padded[reach + width..].fill(line[width - 1]);
    for (shift, weight) in kernel.iter().enumerate() {
        for (o, v) in out.iter_mut().zip(&padded[shift..shift + width]) {
            *o += weight * v;
        }
    }
}

/// Blurs the columns of a plane, the edge repeated.
fn blur_down(plane: &mut [f32], scratch: &mut [f32], width: usize, kernel: &[f32]) {
    scratch.copy_from_slice(plane);
    let (height, reach) = (plane.len() / width, kernel.len() / 2);
    for (row, out) in plane.chunks_exact_mut(width).enumerate() {
        out.fill(0.0);
        for (shift, weight) in kernel.iter().enumerate() {
            let from = (row + shift).saturating_sub(reach).min(height - 1);
            for (o, v) in out
                .iter_mut()
                .zip(&scratch[from * width..(from + 1) * width])
            {
                *o += weight * v;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line, the edge of whose light lies on the edge of a hair, against the same integral in steps of a fiftieth of a pixel.
    #[test]
    fn light_and_hair_are_multiplied_before_the_lens_blurs_them() {
        let scene = crate::simulate::scene("under-hair", 1).expect("a scenario of the list");
        let mut eyepiece = scene.eyepiece;
        eyepiece.hairs = Hairs {
            x_px: 320.3,
            y_px: 40.0,
            rotation_deg: 0.0,
            width_px: 2.4,
            depth: 0.9,
        };
        eyepiece.distortion_per_px2 = 0.0;
        (eyepiece.vignetting, eyepiece.unevenness) = (0.0, 0.0);
        eyepiece.radius_px = 2000.0;
        let (x, slit, telescope, lens, stray) = (318.0, 3.6, 1.0, 0.75, 0.2);
        let axis = Axis::through(&[[x, 20.0], [x, 240.0], [x, 460.0]]).expect("a line");
        let mut light = Light::dark(eyepiece.width, eyepiece.height, 1);
        light.fill(&[stray as f32]);
        light.add_line(
            &axis,
            &Profile::new(slit, telescope),
            telescope,
            &[slit as f32],
        );
        light.pass(&eyepiece.transmission());
        light.image(lens);
        let below = |z: f64| 0.5 * (1.0 + erf(z / std::f64::consts::SQRT_2));
        let blurred = |away: f64, width: f64, sigma: f64| {
            below((away + width / 2.0) / sigma) - below((away - width / 2.0) / sigma)
        };
        let row = &light.planes[0][240 * eyepiece.width..241 * eyepiece.width];
        for (column, &drawn) in row.iter().enumerate().take(336).skip(305) {
            let expected: f64 = (-500..500)
                .map(|step| {
                    let u = column as f64 + (f64::from(step) + 0.5) / 50.0;
                    let lit = blurred(u - x, slit, telescope) + stray;
                    let pass = 1.0 - 0.9 * blurred(u - 320.3, 2.4, EDGE_PX);
                    lit * pass * blurred(u - column as f64, 1.0, lens) / 50.0
                })
                .sum();
            let off = f64::from(drawn) - expected;
            assert!(off.abs() < 2e-4, "column {column}: {drawn} for {expected}");
        }
    }
}
