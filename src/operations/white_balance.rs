//! White balance: which light counts as neutral.
//!
//! As the camera noted it, as the set's reference frame says, or as a light of a given correlated
//! colour temperature and tint. Done by [`crate::sensor`] while a frame is developed: gains per
//! colour on the sensor's data, and the camera's matrix for that light (DNG specification 1.7.1,
//! chapter 6). Temperature by Robertson (JOSA 58, 1968).

use serde::{Deserialize, Serialize};

use crate::operations::{SettingValue, settings};

settings! {
    /// Decides which light counts as neutral, before colours exist.
    pub struct WhiteBalance {
        /// AsShot, SetReference, or Light(kelvin: 5500, tint: 0).
        from: Neutral, default Neutral::AsShot, neutral Neutral::AsShot;
    }
}

/// Where the neutral comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written")]
pub enum Neutral {
    /// What the camera noted.
    AsShot,
    /// What the set's reference frame says, for all frames of the set.
    SetReference,
    /// A light.
    Light {
        /// Correlated colour temperature in kelvin, 2000 to 25000.
        kelvin: f32,
        /// Away from the Planckian locus, -150 (magenta light) to 150 (green light).
        tint: f32,
    },
}

/// As a recipe writes it, before ranges are checked.
#[derive(Deserialize)]
#[serde(rename = "Neutral")]
enum Written {
    AsShot,
    SetReference,
    Light { kelvin: f32, tint: f32 },
}

impl TryFrom<Written> for Neutral {
    type Error = String;

    fn try_from(written: Written) -> Result<Self, String> {
        match written {
            Written::AsShot => Ok(Self::AsShot),
            Written::SetReference => Ok(Self::SetReference),
            Written::Light { kelvin, tint } => {
                if !(2000.0..=25_000.0).contains(&kelvin) {
                    return Err(format!("{kelvin} kelvin is outside of 2000 to 25000"));
                }
                if !(-150.0..=150.0).contains(&tint) {
                    return Err(format!("a tint of {tint} is outside of -150 to 150"));
                }
                Ok(Self::Light { kelvin, tint })
            }
        }
    }
}

impl SettingValue for Neutral {
    const UNIT: &'static str = "AsShot, SetReference or Light(kelvin: 5500, tint: 0)";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_light_is_read_with_its_ranges() {
        let mut balance = WhiteBalance::default();
        assert!(balance.is_neutral());
        balance
            .set("from", "Light(kelvin: 3200, tint: -4.5)")
            .expect("a light");
        assert_eq!(
            balance.from,
            Neutral::Light {
                kelvin: 3200.0,
                tint: -4.5
            }
        );
        for wrong in [
            "Light(kelvin: 1500, tint: 0)",
            "Light(kelvin: 5000, tint: 151)",
            "Sunny",
        ] {
            assert!(balance.set("from", wrong).is_err(), "{wrong}");
        }
        balance
            .set("from", "SetReference")
            .expect("the set's reference");
        assert_eq!(balance.spelled_out(), [("from", "SetReference".to_owned())]);
    }
}
