//! Which of a camera's modes is taken.

use super::{CameraWish, Mode, PixelFormat};

/// Slowest rate at which a line is followed well through its turn by a hand (common practice, no source).
const ENOUGH_FPS: f64 = 24.5;
/// Largest picture that is taken unasked: larger ones are looked at more slowly than they come, and gain little,
/// since the eyepiece and not the camera limits how sharp a line is (common practice, no source).
const MOST_PIXELS_UNASKED: u64 = 1280 * 1024;
/// A rate counts as the one asked for within this share.
const SAME_RATE: f64 = 0.01;

/// The mode to take: of those that fit the wish the largest that is fast enough, uncompressed before compressed at that size; where
/// none is fast enough the fastest.
///
/// # Errors
/// No mode fits: one clause that says what was asked for and what there is.
pub(super) fn choose(modes: &[Mode], wish: &CameraWish) -> Result<Mode, String> {
    if modes.is_empty() {
        return Err("offers no mode that can be read here".to_owned());
    }
    let fits = |mode: &&Mode| {
        wish.size
            .is_none_or(|(width, height)| (mode.width, mode.height) == (width, height))
            && wish.format.is_none_or(|format| mode.format == format)
            && wish
                .fps
                .is_none_or(|fps| (mode.fps() - fps).abs() <= SAME_RATE * fps)
    };
    let fitting: Vec<Mode> = modes.iter().filter(fits).copied().collect();
    let unasked: Vec<Mode> = fitting
        .iter()
        .filter(|mode| wish.size.is_some() || mode.pixels() <= MOST_PIXELS_UNASKED)
        .copied()
        .collect();
    let candidates = if unasked.is_empty() {
        &fitting
    } else {
        &unasked
    };
    // A mode that does not say its rate is taken for fast enough: there is nothing to hold against it.
    let fast = |mode: &Mode| mode.interval.0 == 0 || mode.fps() >= ENOUGH_FPS;
    let rank = |format: PixelFormat| PixelFormat::ALL.iter().position(|&f| f == format);
    candidates
        .iter()
        .max_by(|a, b| {
            fast(a)
                .cmp(&fast(b))
                .then_with(|| {
                    if fast(a) {
                        a.pixels().cmp(&b.pixels())
                    } else {
                        a.fps()
                            .total_cmp(&b.fps())
                            .then(a.pixels().cmp(&b.pixels()))
                    }
                })
                .then_with(|| rank(b.format).cmp(&rank(a.format)))
                // Equal but for the rate: the slowest that is enough, which gives each frame the most light.
                .then_with(|| b.fps().total_cmp(&a.fps()))
        })
        .copied()
        .ok_or_else(|| {
            let list: Vec<String> = modes.iter().map(Mode::to_string).collect();
            format!("offers no such mode, only {}", list.join(", "))
        })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn mode(text: &str) -> Mode {
        let wish = CameraWish::default().with_mode(text).unwrap();
        let (width, height) = wish.size.unwrap();
        Mode {
            format: wish.format.unwrap(),
            width,
            height,
            interval: (10, (wish.fps.unwrap() * 10.0).round() as u32),
        }
    }

    fn chosen(modes: &[&str], wish: &str) -> Result<String, String> {
        let modes: Vec<Mode> = modes.iter().map(|text| mode(text)).collect();
        let wish = CameraWish::default().with_mode(wish).unwrap();
        choose(&modes, &wish).map(|mode| mode.to_string())
    }

    #[test]
    fn the_largest_that_is_fast_enough_uncompressed_first() {
        let usual = [
            "640x480@30:MJPG",
            "640x480@30:YUYV",
            "1280x720@10:YUYV",
            "1280x720@30:MJPG",
            "1920x1080@5:YUYV",
            "1920x1080@30:MJPG",
            "320x240@30:YUYV",
        ];
        assert_eq!(chosen(&usual, "").unwrap(), "1280x720@30:MJPG");
        assert_eq!(chosen(&usual, "640x480").unwrap(), "640x480@30:YUYV");
        assert_eq!(chosen(&usual, ":YUYV").unwrap(), "640x480@30:YUYV");
        assert_eq!(chosen(&usual, "1920x1080").unwrap(), "1920x1080@30:MJPG");
        assert_eq!(chosen(&usual, "@10").unwrap(), "1280x720@10:YUYV");
    }

    #[test]
    fn grey_goes_first_and_slow_cameras_take_their_fastest() {
        let grey = ["640x480@30:YUYV", "640x480@30:GREY", "640x480@60:GREY"];
        assert_eq!(chosen(&grey, "").unwrap(), "640x480@30:GREY");
        let slow = ["1280x960@7.5:GREY", "640x480@15:GREY", "640x480@15:MJPG"];
        assert_eq!(chosen(&slow, "").unwrap(), "640x480@15:GREY");
        let only_large = ["2592x1944@30:MJPG"];
        assert_eq!(chosen(&only_large, "").unwrap(), "2592x1944@30:MJPG");
    }

    #[test]
    fn what_is_not_offered_is_refused_with_what_is() {
        let said = chosen(&["640x480@30:YUYV"], "800x600").unwrap_err();
        assert!(said.contains("640x480@30:YUYV"), "{said}");
        assert!(chosen(&[], "").is_err());
    }
}
