//! What differs between versions of ffmpeg, which reads and writes footage where it is installed.

/// The option that says what becomes of the times of frames, by what `ffmpeg -version` prints: renamed in 5.1, and the old name was taken
/// away later (seen with 5.1 and 9.0).
#[must_use]
pub fn timing_option(version: &str) -> &'static str {
    let number = |text: &str| text.parse::<u32>().ok();
    let told = version.split_whitespace().nth(2).unwrap_or_default();
    let mut parts = told
        .trim_start_matches('n')
        .split(|c: char| !c.is_ascii_digit());
    // What is built from no release has no such number, and is newer as a rule.
    let major = parts.next().and_then(number).unwrap_or(u32::MAX);
    let minor = parts.next().and_then(number).unwrap_or(0);
    if (major, minor) < (5, 1) {
        "-vsync"
    } else {
        "-fps_mode"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_option_is_that_of_the_version() {
        for (version, option) in [
            (
                "ffmpeg version 4.4.2-0ubuntu0.22.04.1 Copyright (c) 2000-2021",
                "-vsync",
            ),
            ("ffmpeg version 5.0.3 Copyright (c) 2000-2022", "-vsync"),
            (
                "ffmpeg version 5.1.9-0+deb12u1 Copyright (c) 2000-2026",
                "-fps_mode",
            ),
            (
                "ffmpeg version n9.0.2-17-g2a571b6068 Copyright (c) 2000-2026",
                "-fps_mode",
            ),
            (
                "ffmpeg version N-109468-gd39b34123d Copyright (c) 2000-2022",
                "-fps_mode",
            ),
            ("", "-fps_mode"),
        ] {
            assert_eq!(timing_option(version), option, "{version}");
        }
    }
}
