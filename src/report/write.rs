//! How numbers are written on the page: one rounding rule, angles, per cents, symbols.
//!
//! The rule is that of [`rounded`]: an uncertainty is written with two significant digits and its value to the
//! same decimal place. What is not finite is written as nothing.

use super::plot::escape;
use super::view::Value;
use crate::basics::uncertainty::rounded;

/// A value and its uncertainty by the rounding rule; nothing where either is not finite.
#[must_use]
pub(super) fn pair(value: f64, uncertainty: f64) -> Option<(String, String)> {
    if !(value.is_finite() && uncertainty.is_finite() && uncertainty > 0.0) {
        return None;
    }
    let (value, uncertainty) = rounded(value, uncertainty);
    Some((minus(&value), uncertainty))
}

/// A number with so many significant digits; nothing where it is not finite.
#[must_use]
pub(super) fn number(value: f64, digits: u32) -> String {
    if !value.is_finite() {
        return String::new();
    }
    if value.abs() < f64::MIN_POSITIVE {
        return "0".to_owned();
    }
    let digits = i32::try_from(digits.clamp(1, 15)).unwrap_or(15);
    let magnitude = rounded_magnitude(value, digits);
    if (-6..=6).contains(&magnitude) {
        return at_place(value, magnitude - digits + 1);
    }
    let decimals = usize::try_from(digits - 1).unwrap_or(0);
    let text = format!("{value:.decimals$e}");
    match text.split_once('e') {
        Some((m, e)) => format!(
            "{} \u{d7} 10{}",
            minus(m),
            super::plot::superscript(e.parse().unwrap_or(0))
        ),
        None => text,
    }
}

/// A share of one as per cent.
#[must_use]
pub(super) fn percent(share: f64) -> String {
    if !share.is_finite() {
        return String::new();
    }
    let p = 100.0 * share;
    if p >= 9.95 {
        format!("{p:.0}\u{a0}%")
    } else if p >= 0.05 {
        format!("{p:.1}\u{a0}%")
    } else {
        "under 0.1\u{a0}%".to_owned()
    }
}

/// A symbol as HTML: italic letter, upright index after the underscore.
#[must_use]
pub(super) fn symbol(text: &str) -> String {
    match text.split_once('_') {
        Some((base, index)) => format!("<i>{}</i><sub>{}</sub>", escape(base), escape(index)),
        None => format!("<i>{}</i>", escape(text)),
    }
}

/// A sentence as HTML, with the symbols of results in it, as in `n_d`, set as symbols.
#[must_use]
pub(super) fn sentence_with_symbols(text: &str) -> String {
    const SYMBOLS: [&str; 8] = ["n_d", "n_F", "n_C", "n_e", "V_d", "V_e", "P_g,F", "R_slit"];
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((at, found)) = SYMBOLS
        .iter()
        .filter_map(|name| rest.find(name).map(|at| (at, *name)))
        .min_by_key(|(at, name)| (*at, usize::MAX - name.len()))
    {
        let (before, from) = rest.split_at(at);
        out.push_str(&escape(before));
        out.push_str(&symbol(found));
        rest = from.get(found.len()..).unwrap_or("");
    }
    out.push_str(&escape(rest));
    out
}

/// Degrees, minutes and seconds; `place` is the power of ten of the last digit of the seconds.
#[must_use]
pub(super) fn dms(deg: f64, place: i32) -> String {
    if !deg.is_finite() || deg.abs() > 1e9 {
        return String::new();
    }
    let place = place.clamp(-6, 1);
    let unit = 10_f64.powi(place);
    let all = (deg.abs() * 3600.0 / unit).round();
    let per_minute = (60.0 / unit).round();
    let minutes = (all / per_minute).floor();
    let seconds = (all - minutes * per_minute) * unit;
    let degrees = (minutes / 60.0).floor();
    let minutes = minutes - 60.0 * degrees;
    let decimals = usize::try_from(-place).unwrap_or(0);
    let width = if decimals == 0 { 2 } else { decimals + 3 };
    let sign = if deg < 0.0 && all > 0.0 {
        "\u{2212}"
    } else {
        ""
    };
    format!(
        "{sign}{degrees:.0}\u{b0}\u{a0}{minutes:02.0}\u{2032}\u{a0}{seconds:0width$.decimals$}\u{2033}"
    )
}

/// The number alone, rounded by its standard uncertainty (by its expanded one where that is all there is).
#[must_use]
pub(super) fn value_alone(value: &Value) -> String {
    match value {
        Value::Unknown => String::new(),
        Value::Number {
            value, u, expanded, ..
        } => u
            .or(*expanded)
            .and_then(|u| pair(*value, u))
            .map_or_else(|| number(*value, 6), |p| p.0),
        Value::Angle {
            deg,
            u_arcsec,
            expanded_arcsec,
        } => {
            let place = u_arcsec
                .or(*expanded_arcsec)
                .and_then(last_place)
                .unwrap_or(0);
            dms(*deg, place)
        }
    }
}

/// The standard uncertainty alone; nothing where it is not known.
#[must_use]
pub(super) fn u_alone(value: &Value) -> String {
    match value {
        Value::Number {
            value, u: Some(u), ..
        } => pair(*value, *u).map_or_else(String::new, |p| p.1),
        Value::Angle {
            deg,
            u_arcsec: Some(u),
            ..
        } => pair(*deg, *u).map_or_else(String::new, |p| format!("{}\u{2033}", p.1)),
        _ => String::new(),
    }
}

/// Value ± expanded uncertainty with unit; only the value where the uncertainty is not known.
#[must_use]
pub(super) fn with_expanded(value: &Value) -> String {
    match value {
        Value::Unknown => String::new(),
        Value::Number {
            value: v,
            expanded: Some(big_u),
            unit,
            ..
        } => match pair(*v, *big_u) {
            Some((v, u)) if unit.is_empty() => format!("{v} \u{b1} {u}"),
            Some((v, u)) => format!("({v} \u{b1} {u})\u{a0}{}", escape(unit)),
            None => number(*v, 6),
        },
        Value::Number { unit, .. } => format!("{} {}", value_alone(value), escape(unit))
            .trim_end()
            .to_owned(),
        Value::Angle {
            deg,
            expanded_arcsec: Some(big_u),
            ..
        } => match (last_place(*big_u), pair(0.0, *big_u)) {
            (Some(place), Some((_, u))) => {
                format!("{} \u{b1} {u}\u{2033}", dms(*deg, place))
            }
            _ => dms(*deg, 0),
        },
        Value::Angle { .. } => value_alone(value),
    }
}

/// Power of ten of the second significant digit of an uncertainty.
fn last_place(uncertainty: f64) -> Option<i32> {
    (uncertainty.is_finite() && uncertainty > 0.0).then(|| rounded_magnitude(uncertainty, 2) - 1)
}

/// Power of ten of the first digit after rounding to so many digits: 0.0996 is 0.10, so -1.
fn rounded_magnitude(value: f64, digits: i32) -> i32 {
    let decimals = usize::try_from(digits - 1).unwrap_or(0);
    format!("{:.decimals$e}", value.abs())
        .split_once('e')
        .and_then(|(_, e)| e.parse().ok())
        .unwrap_or(0)
}

fn at_place(value: f64, place: i32) -> String {
    if place > 0 {
        let unit = 10_f64.powi(place);
        return minus(&format!("{:.0}", (value / unit).round() * unit));
    }
    let decimals = usize::try_from(-place).unwrap_or(0).min(300);
    minus(&format!("{value:.decimals$}"))
}

fn minus(text: &str) -> String {
    super::plot::typographic(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn angle(deg: f64, u: f64) -> Value {
        Value::Angle {
            deg,
            u_arcsec: Some(u),
            expanded_arcsec: Some(2.0 * u),
        }
    }

    #[test]
    fn value_and_uncertainty_end_at_the_same_place() {
        let text = |v, u| pair(v, u).map(|(v, u)| format!("{v} {u}"));
        assert_eq!(
            text(1.620_041, 0.000_118).as_deref(),
            Some("1.62004 0.00012")
        );
        assert_eq!(
            text(-123.456, 0.0996).as_deref(),
            Some("\u{2212}123.46 0.10")
        );
        assert_eq!(text(-0.001, 0.1).as_deref(), Some("0.00 0.10"));
        assert_eq!(text(12_345.0, 678.0).as_deref(), Some("12350 680"));
        for (v, u) in [
            (1.0, 0.0),
            (1.0, -1.0),
            (f64::NAN, 1.0),
            (1.0, f64::INFINITY),
        ] {
            assert_eq!(text(v, u), None);
        }
    }

    #[test]
    fn angles_carry_and_keep_their_sign() {
        assert_eq!(
            dms(59.999_999_9, -1),
            "60\u{b0}\u{a0}00\u{2032}\u{a0}00.0\u{2033}"
        );
        assert_eq!(dms(127.575, 0), "127\u{b0}\u{a0}34\u{2032}\u{a0}30\u{2033}");
        assert_eq!(
            dms(-0.5, 0),
            "\u{2212}0\u{b0}\u{a0}30\u{2032}\u{a0}00\u{2033}"
        );
        assert_eq!(dms(f64::NAN, 0), "");
        assert_eq!(
            with_expanded(&angle(59.996_31, 4.7)),
            "59\u{b0}\u{a0}59\u{2032}\u{a0}46.7\u{2033} \u{b1} 9.4\u{2033}"
        );
    }

    #[test]
    fn numbers_without_uncertainty_claim_few_digits() {
        assert_eq!(number(0.000_123_456, 2), "0.00012");
        assert_eq!(number(3.1e-9, 2), "3.1 \u{d7} 10\u{207b}\u{2079}");
        assert_eq!(number(0.0, 2), "0");
        assert_eq!(number(f64::NAN, 2), "");
        assert_eq!(percent(0.000_1), "under 0.1\u{a0}%");
        assert_eq!(percent(f64::NAN), "");
    }

    #[test]
    fn only_a_number_keeps_its_unit_apart() {
        let value = Value::Number {
            value: 491.66,
            u: None,
            expanded: Some(0.42),
            unit: "nm",
        };
        assert_eq!(with_expanded(&value), "(491.66 \u{b1} 0.42)\u{a0}nm");
        assert_eq!(u_alone(&value), "");
        assert_eq!(symbol("n_<d>"), "<i>n</i><sub>&lt;d&gt;</sub>");
        assert_eq!(
            sentence_with_symbols("n_F − n_C < V_d"),
            "<i>n</i><sub>F</sub> − <i>n</i><sub>C</sub> &lt; <i>V</i><sub>d</sub>"
        );
    }
}
