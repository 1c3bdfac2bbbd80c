//! Angles, circle readings and wavelengths, each a type of its own so that they cannot be mixed up.
//!
//! An [`Angle`] is a difference, a [`CircleReading`] a position modulo 360 degrees: two readings can
//! be subtracted, never added. A [`Wavelength`] always knows whether it is meant in air or in vacuum.

use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// Seconds of arc in one degree.
pub const ARCSEC_PER_DEG: f64 = 3600.0;

/// Why a text is not an angle; the sentence quotes the text and says what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct AngleError(pub String);

/// A difference of directions. Radians inside.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Default)]
pub struct Angle(f64);

impl Angle {
    /// From radians.
    #[must_use]
    pub fn from_radians(radians: f64) -> Self {
        Self(radians)
    }

    /// From degrees.
    #[must_use]
    pub fn from_degrees(degrees: f64) -> Self {
        Self(degrees.to_radians())
    }

    /// From minutes of arc.
    #[must_use]
    pub fn from_arcminutes(arcminutes: f64) -> Self {
        Self::from_degrees(arcminutes / 60.0)
    }

    /// From seconds of arc.
    #[must_use]
    pub fn from_arcseconds(arcseconds: f64) -> Self {
        Self::from_degrees(arcseconds / ARCSEC_PER_DEG)
    }

    /// In radians.
    #[must_use]
    pub fn radians(self) -> f64 {
        self.0
    }

    /// In degrees.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.0.to_degrees()
    }

    /// In seconds of arc.
    #[must_use]
    pub fn arcseconds(self) -> f64 {
        self.degrees() * ARCSEC_PER_DEG
    }

    /// Without its sign.
    #[must_use]
    pub fn abs(self) -> Self {
        Self(self.0.abs())
    }

    /// The same direction difference folded to (-180, 180] degrees.
    #[must_use]
    pub fn folded(self) -> Self {
        Self::from_degrees(folded_deg(self.degrees()))
    }

    /// Reads an angle as people write it: `127°34'30"`, `127 34 30`, `127d34m30s`, `127° 34.5'`,
    /// `127.575`; typographic primes and minus signs too.
    ///
    /// # Errors
    /// One sentence that quotes the text where it is not an angle, or where minutes or seconds reach 60.
    pub fn parse(text: &str) -> Result<Self, AngleError> {
        parse_degrees(text).map(Self::from_degrees)
    }

    /// Written as degrees, minutes and seconds with the given decimals of the seconds.
    #[must_use]
    pub fn deg_min_sec(self, decimals: usize) -> String {
        deg_min_sec(self.degrees(), decimals)
    }
}

impl Add for Angle {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for Angle {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Neg for Angle {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Mul<f64> for Angle {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self(self.0 * factor)
    }
}

impl Div<f64> for Angle {
    type Output = Self;
    fn div(self, divisor: f64) -> Self {
        Self(self.0 / divisor)
    }
}

impl fmt::Display for Angle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.deg_min_sec(f.precision().unwrap_or(1)))
    }
}

/// A position on a divided circle, degrees in [0, 360).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CircleReading(f64);

impl CircleReading {
    /// From degrees of any turn; the reading is taken modulo 360.
    #[must_use]
    pub fn from_degrees(degrees: f64) -> Self {
        let turned = degrees.rem_euclid(360.0);
        // A tiny negative number has the remainder 360.0 after rounding; that is the reading 0.
        Self(if turned < 360.0 { turned } else { 0.0 })
    }

    /// In degrees, from 0 to below 360.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.0
    }

    /// Reads a reading as people write it, see [`Angle::parse`]; `360° 4'` is `0° 4'`.
    ///
    /// # Errors
    /// One sentence that quotes the text where it is no angle.
    pub fn parse(text: &str) -> Result<Self, AngleError> {
        parse_degrees(text).map(Self::from_degrees)
    }
}

impl Sub for CircleReading {
    type Output = Angle;

    /// The angle from `other` to `self`, folded to (-180, 180] degrees.
    fn sub(self, other: Self) -> Angle {
        Angle::from_degrees(folded_deg(self.0 - other.0))
    }
}

impl Add<Angle> for CircleReading {
    type Output = Self;
    fn add(self, angle: Angle) -> Self {
        Self::from_degrees(self.0 + angle.degrees())
    }
}

impl fmt::Display for CircleReading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&deg_min_sec(self.0, f.precision().unwrap_or(1)))
    }
}

/// Degrees folded to (-180, 180]. Where rounding would give -180, the answer is 180.
#[must_use]
pub fn folded_deg(degrees: f64) -> f64 {
    let turned = CircleReading::from_degrees(degrees).degrees();
    if turned > 180.0 {
        turned - 360.0
    } else {
        turned
    }
}

/// What a wavelength is measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Medium {
    /// Standard air: 15 °C, 101 325 Pa, dry.
    Air,
    /// Vacuum.
    Vacuum,
}

/// A wavelength, in air or in vacuum, never bare.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wavelength {
    nm: f64,
    medium: Medium,
}

impl Wavelength {
    /// A wavelength in standard air, nm.
    #[must_use]
    pub const fn air_nm(nm: f64) -> Self {
        Self {
            nm,
            medium: Medium::Air,
        }
    }

    /// A wavelength in vacuum, nm.
    #[must_use]
    pub const fn vacuum_nm(nm: f64) -> Self {
        Self {
            nm,
            medium: Medium::Vacuum,
        }
    }

    /// The medium in which it was given.
    #[must_use]
    pub fn medium(self) -> Medium {
        self.medium
    }

    /// In standard air, nm.
    #[must_use]
    pub fn in_air_nm(self) -> f64 {
        match self.medium {
            Medium::Air => self.nm,
            Medium::Vacuum => self.nm / standard_air_index(self.nm),
        }
    }

    /// In vacuum, nm.
    #[must_use]
    pub fn in_vacuum_nm(self) -> f64 {
        match self.medium {
            Medium::Vacuum => self.nm,
            Medium::Air => {
                let mut vacuum_nm = self.nm;
                // n varies by 1e-8 per nm, so three rounds leave nothing to gain.
                for _ in 0..3 {
                    vacuum_nm = self.nm * standard_air_index(vacuum_nm);
                }
                vacuum_nm
            }
        }
    }
}

/// Index of standard air (15 °C, 101 325 Pa, dry) at a vacuum wavelength in nm, after Peck and
/// Reeder, J. Opt. Soc. Am. 62 (1972) 958. Defines "wavelength in air" in this program; other
/// formulas differ by less than 1e-5 nm in the visible.
#[must_use]
pub fn standard_air_index(vacuum_nm: f64) -> f64 {
    let per_um_squared = (1000.0 / vacuum_nm).powi(2);
    1.0 + 1e-8 * (5_791_817.0 / (238.0185 - per_um_squared) + 167_909.0 / (57.362 - per_um_squared))
}

/// Degrees written as `127°34'30.0"`, with the given decimals of the seconds; rounding carries over,
/// so that no field shows 60.
#[must_use]
pub fn deg_min_sec(degrees: f64, decimals: usize) -> String {
    let decimals = decimals.min(9);
    let per_arcsec = 10f64.powi(i32::try_from(decimals).unwrap_or(0));
    let units = (degrees.abs() * ARCSEC_PER_DEG * per_arcsec).round();
    let sign = if degrees < 0.0 && units > 0.0 {
        "-"
    } else {
        ""
    };
    let whole_arcsec = (units / per_arcsec).floor();
    let fraction = units - whole_arcsec * per_arcsec;
    let whole_deg = (whole_arcsec / ARCSEC_PER_DEG).floor();
    let minutes = ((whole_arcsec - whole_deg * ARCSEC_PER_DEG) / 60.0).floor();
    let seconds = whole_arcsec - whole_deg * ARCSEC_PER_DEG - minutes * 60.0;
    if decimals == 0 {
        format!("{sign}{whole_deg:.0}°{minutes:02.0}'{seconds:02.0}\"")
    } else {
        format!("{sign}{whole_deg:.0}°{minutes:02.0}'{seconds:02.0}.{fraction:0decimals$.0}\"")
    }
}

/// One number of an angle and the unit mark written behind it, if any.
struct Field {
    text: String,
    mark: Option<Mark>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Mark {
    Degrees,
    Minutes,
    Seconds,
}

impl Mark {
    fn name(self) -> &'static str {
        match self {
            Mark::Degrees => "degrees",
            Mark::Minutes => "minutes",
            Mark::Seconds => "seconds",
        }
    }

    fn next(self) -> Option<Self> {
        match self {
            Mark::Degrees => Some(Mark::Minutes),
            Mark::Minutes => Some(Mark::Seconds),
            Mark::Seconds => None,
        }
    }
}

/// Reads an angle in degrees from text.
fn parse_degrees(text: &str) -> Result<f64, AngleError> {
    const HOW: &str = "write it like 127°34'30\", 127 34 30, 127d34m30s, 127° 34.5' or 127.575";
    let wrong = |what: &str| {
        AngleError(format!(
            "\"{}\" is not an angle: {what}; {HOW}",
            text.trim()
        ))
    };
    let (negative, rest) = sign_of(text.trim());
    let fields = split_fields(rest).map_err(|what| {
        // A word that begins with a mark's letter is not told about that mark.
        let word = what.starts_with("a mark") && !text.contains(|c: char| c.is_ascii_digit());
        wrong(if word { "it has no number" } else { &what })
    })?;
    if fields.is_empty() {
        return Err(if text.trim().is_empty() {
            AngleError(format!("the angle is empty; {HOW}"))
        } else {
            wrong("it has no number")
        });
    }
    let mut total_deg = 0.0;
    let mut expected = Some(Mark::Degrees);
    let mut last_had_decimals = false;
    for field in &fields {
        let Some(next) = expected else {
            return Err(wrong("it has more than degrees, minutes and seconds"));
        };
        let mark = field.mark.unwrap_or(next);
        if mark < next {
            return Err(wrong(&format!(
                "{} come twice or out of order",
                mark.name()
            )));
        }
        if last_had_decimals {
            return Err(wrong("only the last number may have decimals"));
        }
        let value: f64 = field
            .text
            .parse()
            .map_err(|_| wrong(&format!("{} is no number", field.text)))?;
        if !value.is_finite() {
            return Err(wrong("the number is too long"));
        }
        match mark {
            Mark::Degrees => total_deg += value,
            Mark::Minutes | Mark::Seconds => {
                if value >= 60.0 {
                    return Err(AngleError(format!(
                        "\"{}\" has {} {}, which must be below 60: carry the rest over or correct the slip",
                        text.trim(),
                        field.text,
                        mark.name()
                    )));
                }
                total_deg += value / if mark == Mark::Minutes { 60.0 } else { 3600.0 };
            }
        }
        last_had_decimals = field.text.contains('.');
        expected = mark.next();
    }
    if total_deg.abs() > 36_000.0 {
        return Err(wrong("it is more than a hundred turns"));
    }
    Ok(if negative { -total_deg } else { total_deg })
}

/// Takes a leading sign off, plain or typographic.
fn sign_of(text: &str) -> (bool, &str) {
    for minus in ['-', '\u{2212}', '\u{2013}', '\u{2010}', '\u{2011}'] {
        if let Some(rest) = text.strip_prefix(minus) {
            return (true, rest.trim_start());
        }
    }
    (false, text.strip_prefix('+').unwrap_or(text).trim_start())
}

/// Splits into numbers with their unit marks.
fn split_fields(text: &str) -> Result<Vec<Field>, String> {
    let mut fields: Vec<Field> = Vec::new();
    let mut number = String::new();
    let mut characters = text.chars().peekable();
    let close = |number: &mut String,
                 fields: &mut Vec<Field>,
                 mark: Option<Mark>|
     -> Result<(), String> {
        if number.is_empty() {
            // A mark may stand apart from its number: `127 °`.
            match (mark, fields.last_mut()) {
                (None, _) => return Ok(()),
                (Some(_), Some(last)) if last.mark.is_none() => last.mark = mark,
                (Some(mark), _) => return Err(format!("a mark for {} has no number", mark.name())),
            }
            return Ok(());
        }
        fields.push(Field {
            text: std::mem::take(number),
            mark,
        });
        Ok(())
    };
    while let Some(character) = characters.next() {
        let mark = match character {
            '0'..='9' => {
                number.push(character);
                continue;
            }
            '.' => {
                if number.contains('.') {
                    return Err("a number has two decimal points".to_owned());
                }
                number.push('.');
                continue;
            }
            ',' => return Err("decimals need a point, not a comma".to_owned()),
            '°' | 'º' | '˚' | 'd' | 'D' => Mark::Degrees,
            '\'' | '\u{2019}' | '\u{2018}' | '′' | '´' | '`' | 'ʹ' | 'm' | 'M' => {
                // Two single primes in a row mean seconds.
                if matches!(character, '\'' | '\u{2019}' | '′')
                    && characters.peek().is_some_and(|&next| next == character)
                {
                    characters.next();
                    Mark::Seconds
                } else {
                    Mark::Minutes
                }
            }
            '"' | '\u{201d}' | '\u{201c}' | '″' | 'ʺ' | 's' | 'S' => Mark::Seconds,
            ':' => {
                if number.is_empty() {
                    return Err("a colon has no number before it".to_owned());
                }
                close(&mut number, &mut fields, None)?;
                continue;
            }
            other if other.is_whitespace() => {
                close(&mut number, &mut fields, None)?;
                continue;
            }
            other => return Err(format!("\"{other}\" does not belong in it")),
        };
        close(&mut number, &mut fields, Some(mark))?;
    }
    close(&mut number, &mut fields, None)?;
    Ok(fields)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rounding of double precision in degrees of a circle.
    const ROUNDING_DEG: f64 = 1e-12;

    fn degrees(text: &str) -> f64 {
        Angle::parse(text).unwrap().degrees()
    }

    #[test]
    fn angles_are_read_as_people_write_them() {
        let wanted = 127.0 + 34.0 / 60.0 + 30.0 / 3600.0;
        for text in [
            "127°34'30\"",
            "127 34 30",
            "127d34m30s",
            "127° 34.5'",
            "127.575",
            " 127° 34′ 30″ ",
            "127°34’30”",
            "127:34:30",
            "127° 34' 30''",
            "127 ° 34 ' 30 \"",
            "127 34.5",
            "+127.575°",
            "127º34´30\"",
            "127°34,5'".replace(',', ".").as_str(),
        ] {
            assert!((degrees(text) - wanted).abs() < ROUNDING_DEG, "{text}");
        }
        for text in ["-0°30'", "−0 30", "–0.5", "- 0 30 0"] {
            assert!((degrees(text) + 0.5).abs() < ROUNDING_DEG, "{text}");
        }
        assert!((degrees("34'30\"") - 0.575).abs() < ROUNDING_DEG);
        assert!((degrees("30\"") - 30.0 / 3600.0).abs() < ROUNDING_DEG);
        assert!((degrees("5° 6\"") - (5.0 + 6.0 / 3600.0)).abs() < ROUNDING_DEG);
    }

    #[test]
    fn refused_angles_are_quoted_with_what_to_do() {
        for (text, part) in [
            ("127°60'", "below 60"),
            ("127 34 75", "75 seconds"),
            ("", "empty"),
            ("abc", "does not belong"),
            ("sixty", "it has no number"),
            ("127,575", "point, not a comma"),
            ("127.5 34", "only the last"),
            ("34' 127°", "out of order"),
            ("127 34 30 5", "more than"),
            ("1.2.3", "two decimal points"),
            ("°", "has no number"),
            ("-", "no number"),
            ("127°°34", "no number"),
            (".", "no number"),
            ("1e3", "does not belong"),
            ("nan", "does not belong"),
            ("999999", "hundred turns"),
        ] {
            let message = Angle::parse(text).unwrap_err().0;
            assert!(message.contains(part), "{text}: {message}");
            assert!(message.contains(text.trim()), "{text}: {message}");
        }
    }

    #[test]
    fn readings_wrap_at_360() {
        // Direct reading of a published lab sheet (document no. 529122385): 360 4 is 0 4.
        let direct = CircleReading::parse("360 4").unwrap();
        assert!((direct.degrees() - 4.0 / 60.0).abs() < ROUNDING_DEG);
        let line = CircleReading::parse("318 35").unwrap();
        let deviation = direct - line;
        assert!((deviation.degrees() - (41.0 + 29.0 / 60.0)).abs() < ROUNDING_DEG);
        // The rounding case: -1e-20 has the remainder 360.0 in floating point.
        assert!(CircleReading::from_degrees(-1e-20).degrees().abs() < f64::MIN_POSITIVE);
        assert!((folded_deg(-180.0) - 180.0).abs() < ROUNDING_DEG);
    }

    #[test]
    fn written_angles_carry_over() {
        assert_eq!(deg_min_sec(59.999_999_99, 1), "60°00'00.0\"");
        assert_eq!(deg_min_sec(127.575, 0), "127°34'30\"");
        assert_eq!(deg_min_sec(-0.5, 0), "-0°30'00\"");
        assert_eq!(deg_min_sec(-1e-9, 1), "0°00'00.0\"");
    }

    #[test]
    fn air_and_vacuum_agree_with_published_points() {
        // (n - 1)·1e4 of Peck and Reeder 1972 at 300, 500, 1000 nm: PyPI specutils 2.4.0, tests/test_utils.py.
        for (nm, wanted) in [
            (300.0, 2.915_542_11),
            (500.0, 2.789_600_05),
            (1000.0, 2.741_525_61),
        ] {
            let found = (standard_air_index(nm) - 1.0) * 1e4;
            assert!((found - wanted).abs() < 2e-8, "{nm}: {found}");
        }
        // Mercury green: 546.22675 nm in vacuum and 546.0750 nm in air (NIST ASD; PyPI rascal 0.3.11).
        let green = Wavelength::vacuum_nm(546.226_75);
        assert!((green.in_air_nm() - 546.0750).abs() < 5e-5);
        let back = Wavelength::air_nm(green.in_air_nm());
        assert!((back.in_vacuum_nm() - 546.226_75).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn folding_stays_in_range(x in -1e5f64..1e5) {
            let folded = folded_deg(x);
            prop_assert!(folded > -180.0 && folded <= 180.0);
            let turns = (x - folded) / 360.0;
            prop_assert!((turns - turns.round()).abs() < 1e-10);
            let reading = CircleReading::from_degrees(x).degrees();
            prop_assert!((0.0..360.0).contains(&reading));
        }

        #[test]
        fn tiny_negatives_fold_to_zero(exponent in -300i32..-15) {
            let reading = CircleReading::from_degrees(-(10f64.powi(exponent))).degrees();
            prop_assert!((0.0..360.0).contains(&reading));
        }

        #[test]
        fn written_angles_read_back(x in -3600f64..3600.0, decimals in 0usize..5) {
            let text = deg_min_sec(x, decimals);
            let half_step = 0.5 * 10f64.powi(-(decimals as i32)) / 3600.0;
            prop_assert!((degrees(&text) - x).abs() <= half_step * 1.000_001 + 1e-10, "{}", text);
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,20}") {
            let _ = Angle::parse(&text);
        }

        #[test]
        fn no_angle_like_text_panics(text in "[0-9 .,°'\"dms−-]{0,16}") {
            let _ = Angle::parse(&text);
        }
    }
}
