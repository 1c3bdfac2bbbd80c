//! Tables as CSV: the unit in every column's name, what is not known left empty.

use crate::basics::units::ARCSEC_PER_DEG;
use crate::session::{Experiment, Measured};

/// The lines of a reduction.
///
/// # Errors
/// What the writer underneath says.
pub fn lines(experiment: &Experiment, out: impl std::io::Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    writer.write_record([
        "line",
        "wavelength_nm",
        "set",
        "deviation_deg",
        "u_deviation_arcsec",
        "n",
        "u_n",
        "n_absolute",
        "u_n_absolute",
        "residual",
    ])?;
    let number = |value: Option<f64>, decimals: usize| {
        value
            .map(|value| format!("{value:.decimals$}"))
            .unwrap_or_default()
    };
    for line in &experiment.reduction.lines {
        writer.write_record([
            line.line.clone(),
            number(Some(line.wavelength.in_air_nm()), 4),
            line.set.clone(),
            number(Some(line.deviation_deg.value()), 6),
            number(Some(line.deviation_deg.u() * ARCSEC_PER_DEG), 3),
            number(Some(line.index.value()), 7),
            number(Some(line.index.u()), 7),
            number(line.index_absolute.as_ref().map(Measured::value), 7),
            number(line.index_absolute.as_ref().map(Measured::u), 7),
            number(line.residual, 7),
        ])?;
    }
    writer.flush()?;
    Ok(())
}
