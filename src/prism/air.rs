//! Index of the air around the prism, after Ciddor, Appl. Opt. 35 (1996) 1566.

use crate::basics::units::Wavelength;

use super::PrismError;

/// Standard uncertainty of the temperature of the air where none is given, °C: a thermometer on the wall (common practice, no source).
pub const U_TEMPERATURE_C: f64 = 0.5;
/// Standard uncertainty of its pressure where none is given, Pa: a barometer, or a station of the weather service of the same height (common practice, no source).
pub const U_PRESSURE_PA: f64 = 100.0;

/// Temperature, pressure and humidity of the air; 450 ppm of carbon dioxide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirConditions {
    temperature_c: f64,
    pressure_pa: f64,
    relative_humidity: f64,
    u_temperature_c: f64,
    u_pressure_pa: f64,
}

impl AirConditions {
    /// Checked conditions of dry air.
    ///
    /// # Errors
    /// A sentence where they are no laboratory's (-40 to 100 °C, 10 000 to 140 000 Pa).
    pub fn new(temperature_c: f64, pressure_pa: f64) -> Result<Self, PrismError> {
        if !(-40.0..=100.0).contains(&temperature_c) {
            return Err(PrismError(format!(
                "an air temperature of {temperature_c} °C is outside -40 to 100 °C: give degrees Celsius"
            )));
        }
        if !(10_000.0..=140_000.0).contains(&pressure_pa) {
            let hint = if (10.0..=140.0).contains(&pressure_pa) {
                "; this looks like kilopascal, times 1000 makes pascal"
            } else if (140.0..=1400.0).contains(&pressure_pa) {
                "; this looks like hectopascal, times 100 makes pascal"
            } else {
                ""
            };
            return Err(PrismError(format!(
                "an air pressure of {pressure_pa} Pa is outside 10 000 to 140 000 Pa: give pascal{hint}"
            )));
        }
        Ok(Self {
            temperature_c,
            pressure_pa,
            relative_humidity: 0.0,
            u_temperature_c: U_TEMPERATURE_C,
            u_pressure_pa: U_PRESSURE_PA,
        })
    }

    /// The same air with other standard uncertainties of temperature (°C) and pressure (Pa), as `U_TEMPERATURE_C,U_PRESSURE_PA`.
    ///
    /// # Errors
    /// A sentence that quotes the text: no two numbers, a negative one, or more than a laboratory leaves open (20 °C, 10 000 Pa).
    pub fn with_uncertainties(mut self, text: &str) -> Result<Self, PrismError> {
        let wrong = |why: &str| {
            PrismError(format!(
                "\"{text}\" are no uncertainties of the air ({why}): write those of temperature in °C and pressure in Pa with a comma between, like 0.5,100"
            ))
        };
        let (temperature, pressure) = text
            .split_once(',')
            .ok_or_else(|| wrong("there is no comma"))?;
        let number = |part: &str, most: f64| {
            part.trim()
                .parse::<f64>()
                .ok()
                .filter(|u| (0.0..=most).contains(u))
                .ok_or_else(|| {
                    wrong(&format!(
                        "\"{}\" is not a number from 0 to {most}",
                        part.trim()
                    ))
                })
        };
        self.u_temperature_c = number(temperature, 20.0)?;
        self.u_pressure_pa = number(pressure, 10_000.0)?;
        Ok(self)
    }

    /// The same air with a relative humidity, 0 to 1.
    ///
    /// # Errors
    /// A humidity outside 0 to 1.
    pub fn with_humidity(mut self, relative_humidity: f64) -> Result<Self, PrismError> {
        if !(0.0..=1.0).contains(&relative_humidity) {
            return Err(PrismError(format!(
                "a relative humidity of {relative_humidity} is outside 0 to 1: give it as a share, 0.5 for 50 %"
            )));
        }
        self.relative_humidity = relative_humidity;
        Ok(self)
    }

    /// Reads `TEMPERATURE_C,PRESSURE_PA`, or with the relative humidity as a share behind another comma.
    ///
    /// # Errors
    /// A sentence that quotes the text.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let wrong = || {
            PrismError(format!(
                "\"{text}\" is no air: write temperature in °C and pressure in Pa with a comma between, like 21.5,100800, and the relative humidity behind another comma if it is known, like 21.5,100800,0.45"
            ))
        };
        let number = |part: &str| {
            part.trim()
                .parse::<f64>()
                .ok()
                .filter(|number| number.is_finite())
                .ok_or_else(wrong)
        };
        let parts = text.split(',').map(number).collect::<Result<Vec<_>, _>>()?;
        match parts.as_slice() {
            [temperature, pressure] => Self::new(*temperature, *pressure),
            [temperature, pressure, humidity] => {
                Self::new(*temperature, *pressure)?.with_humidity(*humidity)
            }
            _ => Err(wrong()),
        }
    }

    /// Temperature, °C.
    #[must_use]
    pub fn temperature_c(self) -> f64 {
        self.temperature_c
    }

    /// Pressure, Pa.
    #[must_use]
    pub fn pressure_pa(self) -> f64 {
        self.pressure_pa
    }

    /// Relative humidity, 0 to 1.
    #[must_use]
    pub fn relative_humidity(self) -> f64 {
        self.relative_humidity
    }

    /// Standard uncertainty of the temperature, °C.
    #[must_use]
    pub fn u_temperature_c(self) -> f64 {
        self.u_temperature_c
    }

    /// Standard uncertainty of the pressure, Pa.
    #[must_use]
    pub fn u_pressure_pa(self) -> f64 {
        self.u_pressure_pa
    }

    /// How the index changes per °C and per Pa, by differences over ±1 °C and ±100 Pa.
    #[must_use]
    pub fn index_changes(self, wavelength: Wavelength) -> (f64, f64) {
        let with = |by_kelvin: f64, by_pascal: f64| {
            Self {
                temperature_c: self.temperature_c + by_kelvin,
                pressure_pa: self.pressure_pa + by_pascal,
                ..self
            }
            .index(wavelength)
        };
        (
            0.5 * (with(1.0, 0.0) - with(-1.0, 0.0)),
            0.005 * (with(0.0, 100.0) - with(0.0, -100.0)),
        )
    }

    /// Index of this air at a wavelength.
    #[must_use]
    pub fn index(self, wavelength: Wavelength) -> f64 {
        let per_um_squared = (1000.0 / wavelength.in_vacuum_nm()).powi(2);
        // Refractivity of standard dry air with 450 ppm of carbon dioxide, and of water vapour (Ciddor eqs 1 and 3).
        let dry = 1e-8
            * (5_792_105.0 / (238.0185 - per_um_squared) + 167_917.0 / (57.362 - per_um_squared));
        let vapour = 1.022e-8
            * (295.235 + 2.6422 * per_um_squared - 0.032_380 * per_um_squared.powi(2)
                + 0.004_028 * per_um_squared.powi(3));
        let kelvin = self.temperature_c + 273.15;
        let molar_mass_air = 1e-3 * (28.9635 + 12.011e-6 * (450.0 - 400.0));
        let vapour_share = self.vapour_share();
        let compressibility = compressibility(self.temperature_c, self.pressure_pa, vapour_share);
        let standard_density =
            101_325.0 * molar_mass_air / (0.999_592_211_5 * GAS_CONSTANT * 288.15);
        let standard_vapour_density = 0.009_859_38;
        let per_molar_mass = self.pressure_pa / (compressibility * GAS_CONSTANT * kelvin);
        let air_density = per_molar_mass * molar_mass_air * (1.0 - vapour_share);
        let vapour_density = per_molar_mass * 0.018_015 * vapour_share;
        1.0 + air_density / standard_density * dry
            + vapour_density / standard_vapour_density * vapour
    }

    /// Molar share of water vapour (Ciddor appendix A and C).
    fn vapour_share(self) -> f64 {
        let kelvin = self.temperature_c + 273.15;
        let saturation_pa = (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin
            + 33.937_110_47
            - 6343.1645 / kelvin)
            .exp();
        let enhancement =
            1.000_62 + 3.14e-8 * self.pressure_pa + 5.6e-7 * self.temperature_c.powi(2);
        self.relative_humidity * enhancement * saturation_pa / self.pressure_pa
    }
}

/// Molar gas constant, J/(mol K), as in the paper's era; it cancels between the two densities.
const GAS_CONSTANT: f64 = 8.314_510;

/// Compressibility of moist air (Ciddor eq. 12).
fn compressibility(temperature_c: f64, pressure_pa: f64, vapour_share: f64) -> f64 {
    let t = temperature_c;
    let per_kelvin = pressure_pa / (t + 273.15);
    1.0 - per_kelvin
        * (1.581_23e-6 - 2.9331e-8 * t
            + 1.1043e-10 * t * t
            + (5.707e-6 - 2.051e-8 * t) * vapour_share
            + (1.9898e-4 - 2.376e-6 * t) * vapour_share * vapour_share)
        + per_kelvin * per_kelvin * (1.83e-11 - 0.765e-8 * vapour_share * vapour_share)
}
