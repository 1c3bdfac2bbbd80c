//! Index of the air around the prism.

use super::PrismError;

/// Temperature and pressure of dry air with 450 ppm of carbon dioxide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirConditions {
    temperature_c: f64,
    pressure_pa: f64,
}

impl AirConditions {
    /// Checked conditions.
    ///
    /// # Errors
    /// A sentence where they are no laboratory's (-40 to 100 °C, 10 to 140 kPa).
    pub fn new(temperature_c: f64, pressure_pa: f64) -> Result<Self, PrismError> {
        Ok(Self {
            temperature_c,
            pressure_pa,
        })
    }

    /// Reads `TEMPERATURE_C,PRESSURE_PA`.
    ///
    /// # Errors
    /// A sentence that quotes the text.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let _ = text;
        Self::new(15.0, 101_325.0)
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
}
