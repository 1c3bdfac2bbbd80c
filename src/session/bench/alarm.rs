//! What the camera sees go wrong while somebody measures.

use super::live::StripTurn;
use super::sight::{Sight, SightedLine};
use super::telescope::{Jump, Jumps};
use crate::session::Caution;

/// A line that will be at the edge of the field within this time is about to leave it, s.
const LEAVES_WITHIN_S: f64 = 1.5;
/// Part of the field's radius that counts as its edge.
const EDGE: f64 = 0.08;
/// Frames without cross-hairs after which that is said.
const HAIRS_MISSED: u32 = 30;
/// Beyond its turning point by more than so many standard uncertainties and px no line can be: the telescope has moved.
const BEYOND_IN_U: f64 = 8.0;
const BEYOND_PX: f64 = 2.0;
/// Frames beyond the turning point after which it is said.
const BEYOND_FRAMES: u32 = 4;

/// Watches for what goes wrong.
#[derive(Debug, Default)]
pub(super) struct Alarms {
    now: Vec<Caution>,
    hairs_missed: u32,
    beyond: u32,
    /// Whether a line went beyond its turning point.
    telescope_moved: bool,
    jumps: Jumps,
    /// Jumps of lines in this sweep, the largest of each kind, px.
    together_px: Option<f64>,
    alone_px: Option<f64>,
}

impl Alarms {
    /// What goes wrong at the moment.
    pub(super) fn list(&self) -> &[Caution] {
        &self.now
    }

    /// Another source.
    pub(super) fn begin_source(&mut self) {
        *self = Self::default();
    }

    /// A sweep begins: what was said of the one before is over.
    pub(super) fn begin_sweep(&mut self) {
        *self = Self {
            now: std::mem::take(&mut self.now),
            hairs_missed: self.hairs_missed,
            ..Self::default()
        };
    }

    /// Takes a frame; `turns` are the counted turning points since following began.
    pub(super) fn take(
        &mut self,
        sight: &Sight,
        chosen: Option<&SightedLine>,
        turns: &[StripTurn],
        in_sweep: bool,
    ) {
        self.now.clear();
        self.hairs_missed = match sight.cross_hairs {
            Some(_) => 0,
            None => self.hairs_missed.saturating_add(1),
        };
        if self.hairs_missed >= HAIRS_MISSED {
            self.say("hairs-not-seen", "The cross-hairs are not to be seen: focus the eyepiece on them and let a little stray light in.");
        }
        if let Some(line) = chosen {
            if about_to_leave(sight, line) {
                self.say("line-leaves-field", "The line is about to leave the field: stop, and bring it back to the middle before it turns.");
            }
            if in_sweep {
                self.watch_telescope(line, turns);
            }
        }
        if in_sweep {
            self.watch_jumps(sight);
        }
        if in_sweep && self.telescope_moved {
            self.say("telescope-moved", "The line went beyond its own turning point, which no turn of the table can do: the telescope or the camera has moved. Lock the telescope and sweep this line anew.");
        }
    }

    fn watch_jumps(&mut self, sight: &Sight) {
        match self.jumps.take(sight) {
            Some(Jump::Together(px)) => self.together_px = larger(self.together_px, px),
            Some(Jump::Alone(px)) => self.alone_px = larger(self.alone_px, px),
            None => {}
        }
        if let Some(px) = self.together_px {
            self.say("telescope-moved", &format!("All lines jumped together by {px:.0} px, which no turn of the table does: the telescope has moved. Lock it and sweep this line anew."));
        } else if let Some(px) = self.alone_px {
            self.say("line-jumped", &format!("The line jumped by {px:.0} px: the table slipped, which does no harm, or the telescope moved. If you touched it, lock it and sweep anew."));
        }
    }

    fn say(&mut self, code: &str, message: &str) {
        self.now.push(Caution::new(code, message));
    }

    /// A line comes back from its turning point to the side it came from; what is seen beyond was moved with the telescope.
    fn watch_telescope(&mut self, line: &SightedLine, turns: &[StripTurn]) {
        let own: Vec<(f64, f64)> = turns
            .iter()
            .filter(|turn| turn.id == line.id)
            .filter_map(|turn| Some((turn.offset_px?, turn.u_px)))
            .collect();
        if let (Some((first, u)), Some((last, v))) = (own.first(), own.last())
            && (first - last).abs() > (BEYOND_IN_U * u.hypot(*v)).max(BEYOND_PX)
        {
            self.telescope_moved = true;
        }
        let (Some(turn), Some((now, v))) = (
            turns.iter().rfind(|turn| turn.id == line.id),
            line.offset_px,
        ) else {
            self.beyond = 0;
            return;
        };
        let past = turn
            .offset_px
            .map_or(0.0, |extreme| turn.side * (extreme - now));
        let beyond = past > (BEYOND_IN_U * turn.u_px.hypot(v)).max(BEYOND_PX);
        self.beyond = if beyond { self.beyond + 1 } else { 0 };
        if self.beyond >= BEYOND_FRAMES {
            self.telescope_moved = true;
        }
    }
}

fn larger(known_px: Option<f64>, px: f64) -> Option<f64> {
    Some(px.abs().max(known_px.unwrap_or(0.0)))
}

fn about_to_leave(sight: &Sight, line: &SightedLine) -> bool {
    let (middle, radius) = sight.field.as_ref().map_or(
        (0.5 * sight.width as f64, 0.5 * sight.width as f64),
        |field| (field.x_px, field.radius_px),
    );
    let from_middle = line.line.x_px - middle;
    let outwards = from_middle * line.velocity_px_s > 0.0;
    let soon = (from_middle + line.velocity_px_s * LEAVES_WITHIN_S).abs();
    let edge = radius * (1.0 - EDGE);
    // A line that turns near the edge slows down: only one that moves on at speed leaves.
    outwards && line.velocity_px_s.abs() > 2.0 && (soon > radius || from_middle.abs() > edge)
}
