//! What was done, in sentences that follow from how an experiment was reduced.

use super::from::COVERAGE;
use crate::session::{Experiment, FaceMethod};

/// The paragraphs of the section on what was done.
pub(super) fn paragraphs(experiment: &Experiment) -> Vec<String> {
    let reduction = &experiment.reduction;
    let mut paragraphs = vec![if reduction.face_pairs.is_empty() {
        "The refracting angle A was given.".to_owned()
    } else {
        format!(
            "The refracting angle A is {}, the mean of {}.",
            match experiment.options.faces {
                FaceMethod::Reflections =>
                    "half the angle between the slit images reflected from the two faces, table locked",
                FaceMethod::TableTurn =>
                    "180\u{b0} less the turn of the table from one face's reflection to the other's, telescope locked",
                FaceMethod::Autocollimation =>
                    "180\u{b0} less the angle between the normals of the two faces, found by autocollimation",
            },
            match reduction.face_pairs.len() {
                1 => "one pair of readings".to_owned(),
                n => format!("{n} pairs of readings"),
            }
        )
    }];
    paragraphs.push(
        "The minimum deviation \u{3b4} of a line is the difference of its corrected circle reading and that of the central \
         image of the same set. A corrected reading is the mean of the windows plus the offset of the target from the \
         cross-hairs. The refractive index, relative to the air around the prism, is n = sin((A + \u{3b4})/2)/sin(A/2)."
            .to_owned(),
    );
    paragraphs.push(circle(experiment));
    let clips = experiment
        .rows
        .iter()
        .filter(|r| r.footage.is_some())
        .count();
    if clips > 0 {
        paragraphs.push(format!(
            "{clips} offsets were measured in footage. Of a sweep, only a place where the line turned while the table went \
             on in one direction counts as minimum deviation; the section on tracks gives each reversal and the reason why \
             it counts or not."
        ));
    }
    match &reduction.dispersion {
        Ok(fit) => paragraphs.push(format!(
            "The dispersion formula {} was fitted to {} lines by generalised least squares with the full covariance of their indices, {}; n_d, n_F, \
             n_C and the Abbe number are read off it and corrected for what the formula is off for glasses like this one.",
            fit.model.name(),
            fit.residuals.len(),
            if fit.chosen {
                "chosen among the models for the smallest error of n_F \u{2212} n_C to be expected, from the measurement and from what real glasses differ from the model"
            } else {
                "as asked for"
            }
        )),
        Err(why) => paragraphs.push(format!("No dispersion curve was fitted: {why}")),
    }
    paragraphs.push(
        "Uncertainties were propagated linearly from independent causes, each acting on all results that it touches, so that \
         correlations are kept (JCGM 100:2008). Coverage factors come from Student's t with the effective degrees of freedom."
            .to_owned(),
    );
    if !reduction.glasses.is_empty() {
        paragraphs.push(
            "Materials of the catalogue were compared by chi-squared over all lines with the full covariance, widened by what a melt of \
             that name may differ: one shift of all indices and one stretch of the dispersion."
                .to_owned(),
        );
    }
    if experiment
        .resolving
        .iter()
        .any(|line| line.resolving_power.is_some())
    {
        paragraphs.push(
            "The resolving power is that of Rayleigh, the length of the base that light fills times dn/d\u{3bb}.".to_owned(),
        );
    }
    for compared in &experiment.monte_carlo {
        let (value, u) = crate::basics::uncertainty::rounded(compared.value, compared.u);
        let (_, drawn) = crate::basics::uncertainty::rounded(
            compared.value,
            compared.sampled.standard_deviation,
        );
        let (low, high) = compared.interval();
        let (low, _) = crate::basics::uncertainty::rounded(low, compared.u);
        let (high, _) = crate::basics::uncertainty::rounded(high, compared.u);
        paragraphs.push(format!(
            "Checked with {} draws (JCGM 101): {} = {value}, u = {u} by linear propagation, {drawn} by the draws. {} {:.0} % interval from {low} to {high}.",
            compared.sampled.draws,
            compared.name,
            if compared.linear_holds {
                "The linear interval holds:"
            } else {
                "The linear interval does not hold to one digit, so that of the draws counts:"
            },
            100.0 * COVERAGE
        ));
    }
    paragraphs
}

/// How the circle was read, and what of the room and the adjustment is known.
fn circle(experiment: &Experiment) -> String {
    let options = &experiment.options;
    let mut says = format!(
        "Each window carries a rectangular error of half the least count (of {}\u{2033}) to either side, a wavelength one of half a step of its \
         last written digit.",
        (100.0 * experiment.least_count.arcseconds()).round() / 100.0
    );
    if let Some(air) = options.air {
        says.push_str(&format!(
            " The air had {} \u{b0}C (u = {}), {} Pa (u = {}) and a relative humidity of {:.0} %; its index is that of Ciddor, Appl. Opt. 35 (1996) \
             1566, and the curve and all that follows from it are those against standard air (15 \u{b0}C, 101 325 Pa, dry).",
            air.temperature_c(),
            air.u_temperature_c(),
            air.pressure_pa(),
            air.u_pressure_pa(),
            100.0 * air.relative_humidity()
        ));
    } else {
        says.push_str(
            " The state of the air was not given: indices are those against the air of the room.",
        );
    }
    match options.prism_temperature_c {
        Some(celsius) => says.push_str(&format!(" The prism had {celsius} \u{b0}C.")),
        None => says.push_str(" The temperature of the prism was not noted."),
    }
    for (left, what) in [
        (
            options.levelling,
            "tilt of the rays against the principal section",
        ),
        (options.collimation, "deviation by collimation left over"),
        (options.division, "reading by the division of the circle"),
    ] {
        if let Some(left) = left {
            says.push_str(&format!(
                " Standard uncertainty of the {what}: {}\u{2033}, as given.",
                super::write::number(left.arcseconds(), 3)
            ));
        }
    }
    says
}
