//! Exposure: more or less light, as a longer or shorter exposure would have given.
//!
//! A factor of 2 per stop on linear light, before any curve, on top of the camera's baseline
//! exposure (DNG BaselineExposure). Done by [`crate::sensor`] while a frame is developed.

use crate::operations::settings;
use crate::picture::Stops;

settings! {
    /// Brightens or darkens all light alike, before colours exist.
    pub struct Exposure {
        /// Stops to add; +1 doubles the light.
        stops: Stops in -5.0..=5.0, default Stops(0.0), neutral Stops(0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_neutral_by_default() {
        assert!(Exposure::default().is_neutral());
        let mut exposure = Exposure::default();
        exposure
            .set("stops", "0.5")
            .expect("half a stop is in range");
        assert!(!exposure.is_neutral());
        assert!(exposure.set("stops", "5.5").is_err());
    }
}
