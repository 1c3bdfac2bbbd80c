//! The error budget of a result: a row a cause, with a bar for its share.
//!
//! Shares and contributions come ready; here they are ordered, written and drawn.

use std::fmt::Write as _;

use super::plot::escape;
use super::write::{number, percent, symbol};

/// Degrees of freedom from which on they are not counted out.
pub(super) const MANY_DEGREES: f64 = 200.0;

/// Where the uncertainty of one result comes from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Budget {
    /// Symbol of the result, as in `n_d`.
    pub of: String,
    /// Unit of the contributions; may be empty.
    pub unit: String,
    /// Combined standard uncertainty, in `unit`.
    pub combined_u: Option<f64>,
    /// Effective degrees of freedom, where finite.
    pub degrees_of_freedom: Option<f64>,
    /// The causes.
    pub causes: Vec<Cause>,
}

/// One cause of uncertainty.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cause {
    /// What it is.
    pub name: String,
    /// How its uncertainty was evaluated; none where that is not known.
    pub evaluation: Option<Evaluation>,
    /// Its own standard uncertainty with unit, as text; may be empty.
    pub own_u: String,
    /// Degrees of freedom, where finite.
    pub degrees_of_freedom: Option<f64>,
    /// Contribution to the standard uncertainty of the result, in the unit of the budget.
    pub contribution: f64,
    /// Share of the variance of the result, 0…1.
    pub share: f64,
    /// What a person can do about it; may be empty.
    pub remedy: String,
}

/// The two ways of evaluating an uncertainty (JCGM 100:2008, 2.3.2 and 2.3.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evaluation {
    /// From the scatter of repeated observations.
    A,
    /// From other knowledge.
    B,
}

/// The causes from the largest share to the smallest; those whose share is not finite come last.
#[must_use]
pub fn by_share(budget: &Budget) -> Vec<&Cause> {
    let key = |c: &Cause| {
        if c.share.is_finite() {
            c.share
        } else {
            f64::NEG_INFINITY
        }
    };
    let mut causes: Vec<&Cause> = budget.causes.iter().collect();
    causes.sort_by(|a, b| key(b).total_cmp(&key(a)));
    causes
}

/// What to improve first, in a sentence or three; none for a budget without a cause of finite share.
#[must_use]
pub fn improve_first(budget: &Budget) -> Option<String> {
    let causes = by_share(budget);
    let first = causes
        .first()
        .filter(|c| c.share.is_finite() && c.share > 0.0)?;
    let mut says = format!(
        "{} of its variance comes from: {}.",
        percent(first.share),
        first.name
    );
    if !first.remedy.is_empty() {
        let _ = write!(says, " {}", first.remedy);
    }
    let _ = write!(
        says,
        " Halving it would make the uncertainty {} smaller.",
        percent(gain_of_half(first.share))
    );
    let next = causes
        .get(1)
        .filter(|c| c.share.is_finite() && c.share > 0.0);
    match next {
        Some(c) if first.share < 0.5 => {
            let _ = write!(
                says,
                " No cause is alone in charge: next come {} ({}).",
                c.name,
                percent(c.share)
            );
        }
        Some(c) => {
            let _ = write!(says, " Next: {} ({}).", c.name, percent(c.share));
        }
        None => {}
    }
    Some(says)
}

/// By what share the combined uncertainty falls where a cause of this share of the variance is halved.
fn gain_of_half(share: f64) -> f64 {
    1.0 - (1.0 - 0.75 * share.clamp(0.0, 1.0)).sqrt()
}

/// The budget as a table with bars.
#[must_use]
pub fn table(budget: &Budget) -> String {
    let mut out = String::new();
    let unit = if budget.unit.is_empty() {
        String::new()
    } else {
        format!(", {}", escape(&budget.unit))
    };
    let own = budget.causes.iter().any(|cause| !cause.own_u.is_empty());
    let own_head = if own {
        "<th scope=\"col\" class=\"num\">its own <i>u</i></th>"
    } else {
        ""
    };
    let _ = write!(
        out,
        "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Error budget of {0}\"><table class=\"budget\">\
         <caption>Standard uncertainty of {1}, cause by cause</caption>\
         <thead><tr><th scope=\"col\">Cause</th>{own_head}\
         <th scope=\"col\">Type</th><th scope=\"col\" class=\"num\">contributes to <i>u</i>({1}){unit}</th>\
         <th scope=\"col\" class=\"num\">share</th><th scope=\"col\"><span class=\"unseen\">share as a bar</span></th></tr></thead><tbody>",
        escape(&budget.of.replace('_', "")),
        symbol(&budget.of),
    );
    for cause in by_share(budget) {
        let _ = write!(
            out,
            "<tr><th scope=\"row\">{}</th>{}<td class=\"kind\">{}</td><td class=\"num\">{}</td>\
             <td class=\"num\">{}</td><td>{}</td></tr>",
            escape(&cause.name),
            if own {
                format!("<td class=\"num\">{}</td>", escape(&cause.own_u))
            } else {
                String::new()
            },
            kind(cause),
            number(cause.contribution.abs(), 2),
            percent(cause.share),
            bar(cause.share),
        );
    }
    out.push_str("</tbody>");
    if let Some(u) = budget.combined_u.filter(|u| u.is_finite()) {
        let _ = write!(
            out,
            "<tfoot><tr><th scope=\"row\">together</th>{}<td class=\"kind\">{}</td><td class=\"num\">{}</td><td></td><td></td></tr></tfoot>",
            if own { "<td></td>" } else { "" },
            freedom(budget.degrees_of_freedom),
            number(u, 2)
        );
    }
    out.push_str("</table></div>");
    out
}

fn kind(cause: &Cause) -> String {
    let letter = match cause.evaluation {
        Some(Evaluation::A) => "A",
        Some(Evaluation::B) => "B",
        None => "",
    };
    let freedom = freedom(cause.degrees_of_freedom);
    if letter.is_empty() || freedom.is_empty() {
        format!("{letter}{freedom}")
    } else {
        format!("{letter}, {freedom}")
    }
}

fn freedom(degrees: Option<f64>) -> String {
    // Above the limit Student's factor is the normal one to two digits; the count itself would only look exact.
    degrees
        .filter(|d| d.is_finite())
        .map_or_else(String::new, |d| {
            if d < MANY_DEGREES {
                format!("\u{3bd} = {d:.0}")
            } else {
                format!("\u{3bd} > {MANY_DEGREES:.0}")
            }
        })
}

fn bar(share: f64) -> String {
    if !share.is_finite() {
        return String::new();
    }
    let length = 100.0 * share.clamp(0.0, 1.0);
    format!(
        "<svg class=\"share\" viewBox=\"0 0 100 12\" width=\"100\" height=\"12\" aria-hidden=\"true\">\
         <path class=\"rail\" d=\"M0 11.5H100\"/><path class=\"fill\" d=\"M0 2H{length:.1}V10H0z\"/></svg>"
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn of(shares: &[f64]) -> Budget {
        Budget {
            of: "n_d".to_owned(),
            causes: shares
                .iter()
                .enumerate()
                .map(|(i, &share)| Cause {
                    name: format!("cause {i}"),
                    contribution: share.sqrt(),
                    share,
                    remedy: format!("Mend {i}."),
                    ..Cause::default()
                })
                .collect(),
            ..Budget::default()
        }
    }

    #[test]
    fn the_largest_share_comes_first_and_is_to_be_improved() {
        let budget = of(&[0.2, f64::NAN, 0.7, 0.1]);
        let names: Vec<&str> = by_share(&budget).iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["cause 2", "cause 0", "cause 3", "cause 1"]);
        let says = improve_first(&budget).unwrap();
        assert_eq!(
            says,
            "70\u{a0}% of its variance comes from: cause 2. Mend 2. Halving it would make the uncertainty 31\u{a0}% smaller. Next: cause 0 (20\u{a0}%)."
        );
        assert!(
            improve_first(&of(&[0.4, 0.3, 0.3]))
                .unwrap()
                .contains("No cause is alone")
        );
        assert_eq!(improve_first(&of(&[])), None);
        assert_eq!(improve_first(&of(&[f64::NAN, 0.0])), None);
    }

    #[test]
    fn a_bar_is_as_long_as_its_share() {
        assert!(bar(0.71).contains("H71.0V"));
        assert!(bar(7.0).contains("H100.0V"));
        assert_eq!(bar(f64::NAN), "");
    }
}
