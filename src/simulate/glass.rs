//! Prism glasses and lamp lines: published figures, and brightnesses of our own.

/// A glass by its published Sellmeier coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glass {
    /// Catalogue name.
    pub name: &'static str,
    /// Dimensionless strengths.
    strengths: [f64; 3],
    /// Squared resonance wavelengths, µm².
    resonances_um2: [f64; 3],
}

impl Glass {
    /// Index relative to standard air at a wavelength in air, nm.
    ///
    /// n² - 1 = Σ B λ² / (λ² - C), Sellmeier 1871, as glass catalogues give it.
    #[must_use]
    pub fn index(&self, wavelength_nm: f64) -> f64 {
        let square = (wavelength_nm * 1e-3).powi(2);
        let sum: f64 = self
            .strengths
            .iter()
            .zip(self.resonances_um2)
            .map(|(b, c)| b * square / (square - c))
            .sum();
        (1.0 + sum).sqrt()
    }
}

/// The glasses of the practice prisms; coefficients from the SCHOTT catalogue, edition of June 2018.
pub const GLASSES: [Glass; 5] = [
    Glass {
        name: "F2",
        strengths: [1.345_333_59, 0.209_073_176, 0.937_357_162],
        resonances_um2: [0.009_977_438_71, 0.047_045_076_7, 111.886_764],
    },
    Glass {
        name: "N-BK7",
        strengths: [1.039_612_12, 0.231_792_344, 1.010_469_45],
        resonances_um2: [0.006_000_698_67, 0.020_017_914_4, 103.560_653],
    },
    Glass {
        name: "SF10",
        strengths: [1.616_259_77, 0.259_229_334, 1.077_623_17],
        resonances_um2: [0.012_753_455_9, 0.058_198_395_4, 116.607_68],
    },
    Glass {
        name: "N-SF11",
        strengths: [1.737_596_95, 0.313_747_346, 1.898_781_01],
        resonances_um2: [0.013_188_707, 0.062_306_814_2, 155.236_29],
    },
    Glass {
        name: "N-K5",
        strengths: [1.085_118_33, 0.199_562_005, 0.930_511_663],
        resonances_um2: [0.006_610_995_03, 0.024_110_866, 111.982_777],
    },
];

/// Light flint: the usual prism of a teaching bench.
pub const F2: Glass = GLASSES[0];

/// One line of a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampLine {
    /// Element and a short name, such as `Hg green`.
    pub name: &'static str,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Brightness in front of a silicon sensor, the lamp's brightest line being 1. Invented.
    pub brightness: f64,
}

const fn line(name: &'static str, wavelength_nm: f64, brightness: f64) -> LampLine {
    LampLine {
        name,
        wavelength_nm,
        brightness,
    }
}

/// Lines of a small mercury lamp. Wavelengths: NIST Atomic Spectra Database, vacuum values taken to
/// air with Peck & Reeder 1972.
pub const MERCURY: [LampLine; 8] = [
    line("Hg 404.7", 404.6565, 0.35),
    line("Hg 407.8", 407.7837, 0.05),
    line("Hg 435.8", 435.8335, 0.80),
    line("Hg 491.6", 491.6070, 0.03),
    line("Hg 546.1", 546.0750, 1.00),
    line("Hg 577.0", 576.9610, 0.40),
    line("Hg 579.1", 579.0670, 0.42),
    line("Hg 623.4", 623.4360, 0.02),
];

/// Lines of a cadmium lamp; source as for [`MERCURY`].
pub const CADMIUM: [LampLine; 4] = [
    line("Cd 467.8", 467.8150, 0.45),
    line("Cd 480.0", 479.9910, 0.60),
    line("Cd 508.6", 508.5820, 1.00),
    line("Cd 643.8", 643.8470, 0.80),
];

/// Lines of a helium tube; source as for [`MERCURY`].
pub const HELIUM: [LampLine; 8] = [
    line("He 447.1", 447.1480, 0.35),
    line("He 471.3", 471.3150, 0.10),
    line("He 492.2", 492.1930, 0.12),
    line("He 501.6", 501.5680, 0.45),
    line("He 504.8", 504.7740, 0.03),
    line("He 587.6", 587.5620, 1.00),
    line("He 667.8", 667.8150, 0.55),
    line("He 706.5", 706.5190, 0.25),
];

/// The sodium D lines, from the levels of the NIST Atomic Spectra Database.
pub const SODIUM: [LampLine; 2] = [line("Na D2", 588.9951, 1.00), line("Na D1", 589.5924, 0.55)];

/// How a colour camera's red, green and blue pixels answer to a wavelength in nm, each 0 to 1.
///
/// Three bell curves with a little crosstalk, of our own making, close to a common Bayer sensor.
pub(crate) fn colour_response(wavelength_nm: f64) -> [f32; 3] {
    let bell = |centre: f64, width: f64| (-0.5 * ((wavelength_nm - centre) / width).powi(2)).exp();
    [
        (bell(605.0, 38.0) + 0.06 * bell(430.0, 25.0) + 0.05) as f32,
        (bell(535.0, 42.0) + 0.05) as f32,
        (bell(458.0, 32.0) + 0.04) as f32,
    ]
}
