//! When a frame was taken: the driver's time stamp where it can be believed, the time of arrival where it cannot.

use std::time::Duration;

/// Latency beyond which a time stamp is not believed: frames do not wait that long in any queue here.
const LONGEST_LATENCY: Duration = Duration::from_secs(20);
/// How far a stamp may lie before the quickest frame so far: drivers that stamp the end of a frame announce it beforehand.
const LARGEST_LEAD: Duration = Duration::from_millis(500);

/// Makes one rising time, in seconds from the first frame, of stamps that may be missing or out of order.
///
/// Stamps and arrivals are counted by clocks of equal rate and unknown difference. The smallest difference seen so far is the
/// quickest frame's, and turns an arrival into what the stamp would have been at best.
#[derive(Debug, Default)]
pub(super) struct FrameClock {
    /// Time of the first frame, on the clock of the stamps, ns.
    first_ns: Option<i128>,
    /// Time of the last frame, the same, ns.
    last_ns: i128,
    /// Smallest arrival less stamp so far, ns.
    offset_ns: Option<i128>,
    /// Frames that were timed by their arrival.
    unstamped: u64,
}

impl FrameClock {
    /// Seconds from the first frame of a frame that the driver stamped `stamp` (none where it did not) and that came `arrival` after some start.
    pub(super) fn time_s(&mut self, stamp: Option<Duration>, arrival: Duration) -> f64 {
        let ns = |d: Duration| i128::try_from(d.as_nanos()).unwrap_or(i128::MAX / 4);
        let arrival_ns = ns(arrival);
        let believed = stamp.map(ns).filter(|&stamp_ns| {
            let late = arrival_ns - stamp_ns;
            (self.first_ns.is_none() || stamp_ns > self.last_ns)
                && self.offset_ns.is_none_or(|offset| {
                    late - offset <= ns(LONGEST_LATENCY) && offset - late <= ns(LARGEST_LEAD)
                })
        });
        let time_ns = if let Some(stamp_ns) = believed {
            let late = arrival_ns - stamp_ns;
            self.offset_ns = Some(self.offset_ns.map_or(late, |offset| offset.min(late)));
            stamp_ns
        } else {
            self.unstamped += 1;
            let offset = *self.offset_ns.get_or_insert(0);
            arrival_ns - offset
        };
        let time_ns = match self.first_ns {
            // Two frames never have one time; a microsecond is less than any clock here resolves.
            Some(_) if time_ns <= self.last_ns => self.last_ns + 1000,
            _ => time_ns,
        };
        let first = *self.first_ns.get_or_insert(time_ns);
        self.last_ns = time_ns;
        (time_ns - first) as f64 * 1e-9
    }

    /// Frames whose time is that of their arrival.
    pub(super) fn unstamped(&self) -> u64 {
        self.unstamped
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn ms(ms: u64) -> Option<Duration> {
        Some(Duration::from_millis(ms))
    }

    #[test]
    fn stamps_count_and_arrivals_do_not() {
        let mut clock = FrameClock::default();
        let times: Vec<f64> = [(10_000, 25), (10_033, 90), (10_066, 92), (10_100, 131)]
            .iter()
            .map(|&(stamp, arrival)| clock.time_s(ms(stamp), ms(arrival).unwrap()))
            .collect();
        for (time, truth) in times.iter().zip([0.0, 0.033, 0.066, 0.1]) {
            assert!((time - truth).abs() < 1e-9, "{times:?}");
        }
        assert_eq!(clock.unstamped(), 0);
    }

    #[test]
    fn missing_and_disordered_stamps_fall_back_to_arrival() {
        let mut clock = FrameClock::default();
        // Latency 20 ms at best; then no stamp, a stamp of long ago, a stamp out of order, a stamp of the far future.
        let frames = [
            (ms(5000), 20),
            (ms(5040), 60),
            (None, 101),
            (ms(3), 141),
            (ms(5160), 180),
            (ms(5150), 221),
            (ms(900_000), 262),
            (ms(5280), 300),
        ];
        let times: Vec<f64> = frames
            .iter()
            .map(|&(stamp, arrival)| clock.time_s(stamp, ms(arrival).unwrap()))
            .collect();
        let truth = [0.0, 0.04, 0.081, 0.121, 0.16, 0.201, 0.242, 0.28];
        for (time, truth) in times.iter().zip(truth) {
            assert!((time - truth).abs() < 1e-9, "{times:?}");
        }
        assert_eq!(clock.unstamped(), 4);
    }

    #[test]
    fn times_always_rise() {
        let mut clock = FrameClock::default();
        let mut last = -1.0;
        for n in 0..1000_u64 {
            let stamp = (n % 3 != 0).then(|| Duration::from_millis(n * 7919 % 1000));
            let time = clock.time_s(stamp, Duration::from_millis(n / 2));
            assert!(time > last, "{time} after {last}");
            last = time;
        }
    }
}
