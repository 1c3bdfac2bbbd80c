//! The figures of a report: dispersion with its residuals, and the tracks of lines with their turning points.
//!
//! Only what to show and in which range is decided here; the numbers come ready.

use super::plot::{Figure, Item, Panel, Point, Shape};
use super::view::{Dispersion, Track, TrackPoint, Turn};

/// Counted turning points that get an enlargement; the rest are in the list beneath the plot.
pub(super) const ENLARGED: usize = 4;

/// Index and residuals against wavelength, one abscissa.
#[must_use]
pub(super) fn dispersion(data: &Dispersion) -> Figure {
    let mut items: Vec<Item> = data
        .guides
        .iter()
        .map(|(name, nm)| Item::Guide {
            x: *nm,
            label: name.clone(),
        })
        .collect();
    let mut below: Vec<Item> = data
        .guides
        .iter()
        .map(|(_, nm)| Item::Guide {
            x: *nm,
            label: String::new(),
        })
        .collect();
    items.push(Item::Band(
        data.curve
            .iter()
            .filter_map(|c| {
                let n = c.expected.unwrap_or(c.n);
                c.expanded.map(|u| (c.wavelength_nm, n - u, n + u))
            })
            .collect(),
    ));
    items.push(Item::Curve(
        data.curve.iter().map(|c| (c.wavelength_nm, c.n)).collect(),
    ));
    items.push(Item::Points {
        shape: Shape::Disc,
        points: data
            .points
            .iter()
            .map(|p| Point {
                x: p.wavelength_nm,
                y: p.n,
                bar: p.expanded,
                label: p.line.clone(),
            })
            .collect(),
    });
    below.push(Item::Band(
        data.curve
            .iter()
            .filter_map(|c| c.expected_1e5.map(|(n, u)| (c.wavelength_nm, n - u, n + u)))
            .collect(),
    ));
    below.push(Item::Level {
        y: 0.0,
        half_width: None,
        label: String::new(),
    });
    below.push(Item::Points {
        shape: Shape::Disc,
        points: data
            .points
            .iter()
            .filter_map(|p| {
                p.residual_1e5.map(|y| Point {
                    x: p.wavelength_nm,
                    y,
                    bar: p.residual_expanded_1e5,
                    label: String::new(),
                })
            })
            .collect(),
    });
    Figure {
        id: "dispersion".to_owned(),
        title: "Refractive index against wavelength, and residuals of the fit".to_owned(),
        description: format!(
            "Above: {} measured indices with bars of expanded uncertainty and the fitted curve with its band. \
             Below: measured less fitted, in units of 0.00001, with the band in which the index is to be expected.",
            data.points.len()
        ),
        x_label: "wavelength in standard air, nm".to_owned(),
        x_range: None,
        x_whole: false,
        panels: vec![
            Panel {
                y_label: "refractive index n".to_owned(),
                height: 260.0,
                y_range: None,
                items,
                when_empty: "No index was measured, so there is no dispersion to draw.".to_owned(),
            },
            Panel {
                y_label: "measured \u{2212} fitted, units of 10\u{207b}\u{2075}".to_owned(),
                height: 130.0,
                y_range: None,
                items: below,
                when_empty: "No curve was fitted, so there are no residuals.".to_owned(),
            },
        ],
    }
}

/// Position of a line against time over the whole footage.
#[must_use]
pub(super) fn track(data: &Track, id: &str) -> Figure {
    let mut items = Vec::new();
    for (from, to) in gaps(data) {
        items.push(Item::Gap {
            from,
            to,
            label: format!("gap {:.1} s", to - from),
        });
    }
    if let Some(y) = data.answer_px {
        items.push(Item::Level {
            y,
            half_width: data.expanded_answer_px,
            label: String::new(),
        });
    }
    items.push(Item::Trace {
        dots: data
            .points
            .iter()
            .map(|p| (p.time_s, p.position_px))
            .collect(),
        longest_step: data.longest_step_s,
    });
    for (counted, shape) in [(false, Shape::CrossedSquare), (true, Shape::Diamond)] {
        items.push(Item::Points {
            shape,
            points: data
                .turns
                .iter()
                .enumerate()
                .filter(|(_, t)| t.counted == counted)
                .map(|(i, t)| Point {
                    x: t.time_s,
                    y: t.position_px,
                    bar: None,
                    label: format!("{} {}", i + 1, word(t)),
                })
                .collect(),
        });
    }
    let counted = data.turns.iter().filter(|t| t.counted).count();
    Figure {
        id: id.to_owned(),
        title: format!("{} of {} against time", position_name(data), name_of(data)),
        description: format!(
            "{} positions; {counted} turning points counted, {} not counted.",
            data.points.len(),
            data.turns.len() - counted
        ),
        x_label: "time from the first frame, s".to_owned(),
        x_range: None,
        x_whole: false,
        panels: vec![Panel {
            y_label: format!("{}, px", position_name(data)),
            height: 230.0,
            y_range: None,
            items,
            when_empty: "The line was seen in no frame, so there is no track to draw.".to_owned(),
        }],
    }
}

/// The neighbourhood of one turning point, enlarged so that the scatter of single frames shows.
#[must_use]
pub(super) fn near_turn(data: &Track, number: usize, turn: &Turn, id: &str) -> Figure {
    let ((x_lo, x_hi), (y_lo, y_hi)) = window(data, turn);
    let near: Vec<&TrackPoint> = data
        .points
        .iter()
        .filter(|p| p.time_s >= x_lo && p.time_s <= x_hi)
        .collect();
    let mut items: Vec<Item> = gaps(data)
        .map(|(from, to)| Item::Gap {
            from,
            to,
            label: String::new(),
        })
        .collect();
    if let Some(y) = data.answer_px {
        items.push(Item::Level {
            y,
            half_width: data.expanded_answer_px,
            label: "final".to_owned(),
        });
    }
    items.push(Item::Points {
        shape: Shape::Disc,
        points: near
            .iter()
            .map(|p| Point {
                x: p.time_s,
                y: p.position_px,
                bar: p.u_px,
                label: String::new(),
            })
            .collect(),
    });
    items.push(Item::Points {
        shape: if turn.counted {
            Shape::Diamond
        } else {
            Shape::CrossedSquare
        },
        points: vec![Point {
            x: turn.time_s,
            y: turn.position_px,
            bar: turn.u_px,
            label: format!("{number} {}", word(turn)),
        }],
    });
    Figure {
        id: id.to_owned(),
        title: format!("Turning point {number} of {}, enlarged", name_of(data)),
        description: format!(
            "{} single positions with bars of standard uncertainty around {:.2} s.",
            near.len(),
            turn.time_s
        ),
        x_label: "time from the first frame, s".to_owned(),
        x_range: Some((x_lo, x_hi)),
        x_whole: false,
        panels: vec![Panel {
            y_label: format!("{}, px (enlarged)", position_name(data)),
            height: 170.0,
            y_range: Some((y_lo, y_hi)),
            items,
            when_empty: "No position lies near this turning point.".to_owned(),
        }],
    }
}

/// What the ordinate of a track is.
#[must_use]
pub(super) fn position_name(data: &Track) -> &'static str {
    if data.from_cross_hairs {
        "offset from the cross-hairs"
    } else {
        "position in the picture"
    }
}

/// "counted" or "not counted".
#[must_use]
pub(super) fn word(turn: &Turn) -> &'static str {
    if turn.counted {
        "counted"
    } else {
        "not counted"
    }
}

/// Stretches without a position, longer than the longest step: (from, to) in seconds.
pub(super) fn gaps(data: &Track) -> impl Iterator<Item = (f64, f64)> + '_ {
    data.points
        .iter()
        .zip(data.points.iter().skip(1))
        .map(|(a, b)| (a.time_s, b.time_s))
        .filter(|(a, b)| b - a > data.longest_step_s)
}

fn name_of(data: &Track) -> String {
    if data.line.is_empty() {
        "the line".to_owned()
    } else {
        format!("line {}", data.line)
    }
}

/// Ranges of time and position that show the turn itself: as high as the scatter needs, as long as the line
/// stays within that height.
fn window(data: &Track, turn: &Turn) -> ((f64, f64), (f64, f64)) {
    let at = data
        .points
        .iter()
        .position(|p| p.time_s >= turn.time_s)
        .unwrap_or(data.points.len());
    let first = at.saturating_sub(8);
    let last = (at + 8).min(data.points.len());
    let around = data.points.get(first..last).unwrap_or(&[]);
    let mut us: Vec<f64> = around
        .iter()
        .filter_map(|p| p.u_px)
        .filter(|u| u.is_finite())
        .collect();
    us.sort_by(f64::total_cmp);
    let typical = us.get(us.len() / 2).copied().unwrap_or(0.0);
    let answer = data.answer_px.unwrap_or(turn.position_px);
    let half = [
        8.0 * typical,
        3.0 * (answer - turn.position_px).abs(),
        4.0 * data.expanded_answer_px.unwrap_or(0.0),
        4.0 * turn.u_px.unwrap_or(0.0),
    ]
    .into_iter()
    .filter(|h| h.is_finite())
    .fold(0.0, f64::max);
    let half = if half > 0.0 { half } else { 1.0 };
    let inside = |p: &&TrackPoint| (p.position_px - turn.position_px).abs() <= half;
    let (before, after) = data.points.split_at(at);
    let from = before
        .iter()
        .rev()
        .take_while(inside)
        .last()
        .map_or(turn.time_s, |p| p.time_s);
    let to = after
        .iter()
        .take_while(inside)
        .last()
        .map_or(turn.time_s, |p| p.time_s);
    let shortest = around
        .first()
        .zip(around.last())
        .map_or(1.0, |(a, b)| b.time_s - a.time_s);
    let half_time = (turn.time_s - from)
        .max(to - turn.time_s)
        .max(shortest / 2.0)
        .max(1e-3);
    let (mut low, mut high) = (turn.position_px, turn.position_px);
    let reach = data
        .expanded_answer_px
        .filter(|u| u.is_finite())
        .unwrap_or(0.0);
    let seen = data
        .points
        .iter()
        .filter(|p| p.time_s >= turn.time_s - half_time && p.time_s <= turn.time_s + half_time)
        .filter(inside)
        .map(|p| (p.position_px, p.u_px.unwrap_or(0.0)));
    for (at, reach) in seen.chain([(answer, reach)]) {
        if at.is_finite() && reach.is_finite() {
            low = low.min(at - reach);
            high = high.max(at + reach);
        }
    }
    let room = (0.15 * (high - low)).max(0.05 * half);
    (
        (
            turn.time_s - 1.05 * half_time,
            turn.time_s + 1.05 * half_time,
        ),
        (low - room, high + room),
    )
}
