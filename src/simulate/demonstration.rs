//! A whole demonstration in one clip: the central image, the telescope swung to a line, the table turned through the minimum and
//! back with a pause of the hand, and the telescope swung to the central image again.

use super::hand::Move;
use super::scenarios::Draft;
use super::scene::Scene;

/// How long the telescope rests before it is swung, how long a swing takes, and how long it rests behind it, s.
const REST_S: f64 = 3.0;
const SWING_S: f64 = 3.0;

/// The scene of a demonstration, varied by `seed`. Its truth names the swings of the telescope as events.
#[must_use]
pub fn demonstration(seed: u64) -> Scene {
    let mut draft = Draft::new(
        "demonstration",
        "central image, swing to the line, a sweep with a pause and back, swing to the central image",
        seed,
    );
    let way = draft.start_deg.signum();
    let turn = |to_deg: f64| Move::Turn {
        to_deg: way * to_deg,
        speed_deg_per_s: 1.3,
    };
    draft.plan = vec![
        Move::Rest {
            for_s: 2.0 * REST_S + SWING_S,
        },
        turn(1.6),
        Move::Rest { for_s: 1.0 },
        turn(-3.8),
        Move::Rest { for_s: 0.3 },
        turn(4.0),
        Move::Rest {
            for_s: 2.0 * REST_S + SWING_S,
        },
    ];
    let mut scene = draft.finish();
    let back_s = scene.motion.duration_s() - REST_S - SWING_S;
    let away_deg = scene.bench.telescope_deg;
    // The hairs stand a little beside the central image.
    scene.bench.telescope_deg = scene.bench.side * 0.05;
    let by_deg = away_deg - scene.bench.telescope_deg;
    scene.bench.swings = vec![
        (REST_S, REST_S + SWING_S, by_deg),
        (back_s, back_s + SWING_S, -by_deg),
    ];
    scene.bench.past_prism = 0.9;
    scene
}
