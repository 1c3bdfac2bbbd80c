//! What one frame showed, with lines that keep their number from frame to frame.

use std::collections::BTreeMap;
use std::time::SystemTime;

use crate::basics::frame::Frame;
use crate::find::{CrossHairs, FieldOfView, Line};
use crate::follow::{LineProgress, State};
use crate::session::watcher::Glimpse;

/// A line whose followed position differs by more than this from the one found is another line, px.
const SAME_PX: f64 = 0.01;
/// When following begins anew, a line this near to where one was keeps its number, px.
const SAME_AFTER_RESTART_PX: f64 = 6.0;

/// One analysed frame with what was seen in it.
#[derive(Debug)]
pub struct SeenFrame {
    /// The frame as it was measured.
    pub frame: Frame,
    /// What was seen.
    pub sight: Sight,
}

/// What was seen in one frame.
#[derive(Clone, Debug)]
pub struct Sight {
    /// Grows by one with every analysed frame of this run of the program.
    pub seq: u64,
    /// Seconds from the first frame of the source.
    pub time_s: f64,
    /// When the frame came, or was due; measuring it begins behind this.
    pub taken: SystemTime,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The cross-hairs, from all frames of this camera.
    pub cross_hairs: Option<CrossHairs>,
    /// The field stop.
    pub field: Option<FieldOfView>,
    /// Lines from left to right.
    pub lines: Vec<SightedLine>,
    /// Level beside the lines, the median of the field, as a share of full scale.
    pub stray_level: f64,
}

/// A line in one frame.
#[derive(Clone, Debug)]
pub struct SightedLine {
    /// Number of the line, the same from frame to frame; none in its first few frames.
    pub id: Option<u64>,
    /// As found.
    pub line: Line,
    /// Offset from the cross-hairs at their height with its standard uncertainty, px.
    pub offset_px: Option<(f64, f64)>,
    /// Velocity, px/s.
    pub velocity_px_s: f64,
    /// Offset of the farthest reach that it came back from, px.
    pub turned_at_px: Option<f64>,
    /// Whether it is on its way or came back.
    pub state: State,
}

impl Sight {
    /// The line of a number.
    #[must_use]
    pub fn line(&self, id: u64) -> Option<&SightedLine> {
        self.lines.iter().find(|line| line.id == Some(id))
    }

    /// The line that stands out most: the most light, of those that the follower knows first of all.
    #[must_use]
    pub fn brightest(&self) -> Option<&SightedLine> {
        self.lines.iter().max_by(|a, b| {
            (a.id.is_some(), a.line.flux)
                .partial_cmp(&(b.id.is_some(), b.line.flux))
                .unwrap_or(std::cmp::Ordering::Equal)
        })
    }
}

/// Gives lines numbers that last.
#[derive(Debug, Default)]
pub(super) struct Numbers {
    next: u64,
    of: BTreeMap<(u64, u64), u64>,
    /// Number and place of the lines when following began anew.
    before: Vec<(u64, f64)>,
}

impl Numbers {
    /// Following begins anew; lines that stand where one stood keep its number.
    pub(super) fn begin_anew(&mut self, last: Option<&Sight>) {
        self.of.clear();
        self.before = last.map_or_else(Vec::new, |sight| {
            sight
                .lines
                .iter()
                .filter_map(|line| Some((line.id?, line.line.x_px)))
                .collect()
        });
    }

    /// Lines of another source are other lines.
    pub(super) fn forget(&mut self) {
        self.of.clear();
        self.before.clear();
    }

    fn number(&mut self, progress: &LineProgress) -> u64 {
        if let Some(id) = self.of.get(&progress.name) {
            return *id;
        }
        let away_px = |x_px: f64| (x_px - progress.x_px).abs();
        let near = (0..self.before.len())
            .filter(|&at| away_px(self.before[at].1) < SAME_AFTER_RESTART_PX)
            .min_by(|&a, &b| away_px(self.before[a].1).total_cmp(&away_px(self.before[b].1)));
        let id = match near {
            Some(at) => self.before.swap_remove(at).0,
            None => {
                self.next += 1;
                self.next
            }
        };
        self.of.insert(progress.name, id);
        id
    }

    /// What a frame of this number and time of arrival showed, with the lines numbered; `lone` numbers lines at once, where no further frame comes.
    pub(super) fn sight(
        &mut self,
        (seq, taken): (u64, SystemTime),
        frame: &Frame,
        glimpse: Glimpse,
        lone: bool,
    ) -> Sight {
        let hairs = glimpse.picture.cross_hairs;
        let field = glimpse.picture.field;
        let mut lines: Vec<SightedLine> = Vec::with_capacity(glimpse.picture.lines.len());
        for line in glimpse.picture.lines {
            let progress = glimpse
                .progress
                .lines
                .iter()
                .find(|p| (p.x_px - line.x_px).abs() < SAME_PX && p.state != State::Lost);
            let id = match progress {
                Some(progress) => Some(self.number(progress)),
                None if lone => {
                    self.next += 1;
                    Some(self.next)
                }
                None => None,
            };
            let turned_at_px = progress.and_then(|p| Some(p.turned_at_px? - hairs.as_ref()?.x_px));
            lines.push(SightedLine {
                id,
                offset_px: hairs.as_ref().map(|hairs| offset(&line, hairs)),
                velocity_px_s: progress.map_or(0.0, |p| p.velocity_px_s),
                turned_at_px,
                state: progress.map_or(State::Searching, |p| p.state),
                line,
            });
        }
        Sight {
            seq,
            time_s: frame.time_s,
            taken,
            width: frame.width(),
            height: frame.height(),
            cross_hairs: hairs,
            lines,
            stray_level: stray_level(frame, field.as_ref()),
            field,
        }
    }
}

/// Offset of a line from the hairs at their height, px, with its standard uncertainty.
fn offset(line: &Line, hairs: &CrossHairs) -> (f64, f64) {
    let line = line.at_height(hairs.y_px);
    let slope = line.tilt_deg.to_radians().tan();
    let u_px = (line.u_px.powi(2) + hairs.u_x_px.powi(2) + (slope * hairs.u_y_px).powi(2)).sqrt();
    (line.x_px - hairs.x_px, u_px)
}

/// Median level of the field, of which only a grid is looked at, as a share of full scale.
fn stray_level(frame: &Frame, field: Option<&FieldOfView>) -> f64 {
    const POINTS_A_SIDE: usize = 48;
    let (rows, columns) = (frame.height(), frame.width());
    let step = |length: usize| (length / POINTS_A_SIDE).max(1);
    let inside = |row: usize, column: usize| {
        field.is_none_or(|field| {
            (column as f64 - field.x_px).hypot(row as f64 - field.y_px) < 0.9 * field.radius_px
        })
    };
    let mut levels: Vec<u16> = (0..rows)
        .step_by(step(rows))
        .flat_map(|row| {
            (0..columns)
                .step_by(step(columns))
                .map(move |column| (row, column))
        })
        .filter(|(row, column)| inside(*row, *column))
        .filter_map(|at| frame.levels.get(at).copied())
        .collect();
    if levels.is_empty() {
        return 0.0;
    }
    let middle = levels.len() / 2;
    let (_, median, _) = levels.select_nth_unstable(middle);
    frame.share_of_full_scale(f64::from(*median)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn progress(name: u64, x_px: f64) -> LineProgress {
        LineProgress {
            x_px,
            offset_px: None,
            velocity_px_s: 0.0,
            name: (name, x_px.to_bits()),
            turned_at_px: None,
            state: State::Searching,
        }
    }

    /// A pair nearer than a line may move while following begins anew, seen in either order.
    #[test]
    fn lines_of_a_close_pair_keep_their_numbers() {
        for order in [[0, 1], [1, 0]] {
            let mut numbers = Numbers {
                next: 15,
                before: vec![(14, 291.0), (15, 295.5)],
                ..Numbers::default()
            };
            let places_px = [290.2, 294.7];
            let mut given = [0, 0];
            for at in order {
                given[at] = numbers.number(&progress(at as u64, places_px[at]));
            }
            assert_eq!(given, [14, 15], "{order:?}");
        }
    }
}
