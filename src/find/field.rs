//! The field stop: a circle through the places where the light falls off outwards.

use super::FieldOfView;
use super::grey::{Grey, Noise};

const RAYS: usize = 72;
const CELL: usize = 4;
/// Of so many cells one is sorted by its light; rows of usual pictures have no multiple of it.
const EVERY: usize = 7;

/// The bright disc, or `None` where no edge of it can be seen.
pub(super) fn field_of_view(grey: &Grey<'_>, noise: &Noise) -> Option<FieldOfView> {
    let (w, h) = (grey.width / CELL, grey.height / CELL);
    if w < 12 || h < 12 {
        return None;
    }
    let (mut cells, mut sums) = (Vec::with_capacity(h * w), Vec::new());
    for y in 0..h {
        grey.cells(y * CELL, CELL, &mut sums, &mut cells);
    }
    let mut sorted: Vec<f32> = cells.iter().copied().step_by(EVERY).collect();
    // The field may fill less than half the picture; lines are a small part of it.
    let (lit, part) = (sorted.len() * 4 / 5, sorted.len() / 50);
    let (darker, &mut light, _) = sorted.select_nth_unstable_by(lit, f32::total_cmp);
    let dark = *darker.select_nth_unstable_by(part, f32::total_cmp).1;
    let sd = noise.variance(light).sqrt() / CELL as f32;
    let step = light - dark;
    if step < 6.0 * sd || step < 0.4 * light {
        return None;
    }
    let limit = dark + 0.5 * step;
    // Centre of what is lit, each cell counted alike.
    let (mut sx, mut sy, mut n) = (0.0, 0.0, 0.0);
    for (y, row) in cells.chunks_exact(w).enumerate() {
        let (mut columns, mut count) = (0_u32, 0_u32);
        for (x, &cell) in (0_u32..).zip(row) {
            let lit = u32::from(cell > limit);
            columns += lit * x;
            count += lit;
        }
        sx += f64::from(columns);
        sy += f64::from(count) * y as f64;
        n += f64::from(count);
    }
    if n < 0.1 * (w * h) as f64 {
        return None;
    }
    let (cx, cy) = (sx / n, sy / n);
    let mut edge: Vec<(f64, f64)> = Vec::with_capacity(RAYS);
    for ray in 0..RAYS {
        let (sin, cos) = (ray as f64 / RAYS as f64 * std::f64::consts::TAU).sin_cos();
        let mut r = 0.0;
        let mut last_light = None;
        let mut outside = 0;
        loop {
            let (x, y) = (cx + r * cos + 0.5, cy + r * sin + 0.5);
            if x < 0.0 || y < 0.0 || x >= w as f64 || y >= h as f64 {
                break;
            }
            if cells[y as usize * w + x as usize] > limit {
                last_light = Some(r);
                outside = 0;
            } else {
                outside += 1;
            }
            r += 0.5;
        }
        if let Some(inside) = last_light
            && outside >= 6
        {
            let to_px = |c: f64, d: f64| (c + (inside + 0.25) * d) * CELL as f64 + 1.5;
            edge.push((to_px(cx, cos), to_px(cy, sin)));
        }
    }
    let mut kept = edge.clone();
    for _ in 0..4 {
        if kept.len() < RAYS / 3 {
            return None;
        }
        let (x, y, r) = circle(&kept)?;
        let miss = |p: &(f64, f64)| ((p.0 - x).hypot(p.1 - y) - r).abs();
        let mut sizes: Vec<f64> = kept.iter().map(miss).collect();
        sizes.sort_by(f64::total_cmp);
        let typical = sizes[sizes.len() / 2].max(1.0);
        let before = kept.len();
        kept.retain(|p| miss(p) < 4.0 * typical);
        if kept.len() == before {
            let fits = typical < (0.015 * r).max(2.5)
                && r > 0.15 * grey.height as f64
                && r < 2.0 * grey.width as f64;
            return fits.then_some(FieldOfView {
                x_px: x,
                y_px: y,
                radius_px: r,
            });
        }
    }
    None
}

/// Circle through points, least squares of x² + y² = 2 a x + 2 b y + c
/// (I. Kåsa, IEEE Trans. Instrum. Meas. 25, 8 (1976), from memory).
fn circle(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let mut m = nalgebra::Matrix3::zeros();
    let mut v = nalgebra::Vector3::zeros();
    for p in points {
        let row = nalgebra::Vector3::new(2.0 * (p.0 - mx), 2.0 * (p.1 - my), 1.0);
        m += row * row.transpose();
        v += row * ((p.0 - mx).powi(2) + (p.1 - my).powi(2));
    }
    let s = m.cholesky()?.solve(&v);
    let square = s[2] + s[0] * s[0] + s[1] * s[1];
    (square > 0.0).then(|| (s[0] + mx, s[1] + my, square.sqrt()))
}
