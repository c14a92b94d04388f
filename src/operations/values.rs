//! Settings' types that are not one plain number: the crop's aspect and a radius in output
//! pixels. Each checks itself where text becomes a value, so a value that exists is sound.

use serde::{Deserialize, Serialize};

use crate::operations::SettingValue;

/// Width to height of a crop, as whole numbers: `(4, 5)` is upright.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "(u32, u32)", into = "(u32, u32)")]
pub struct Aspect {
    width: u32,
    height: u32,
}

impl Aspect {
    /// Larger terms say nothing that smaller ones cannot.
    const LARGEST: u32 = 10_000;
    /// A crop ten times as wide as high is a slip of the pen, not a headshot.
    const LONGEST: u32 = 10;

    /// Width to height; both 1 to 10000, neither more than ten times the other.
    ///
    /// # Errors
    /// Says which rule was broken.
    pub fn new(width: u32, height: u32) -> Result<Self, String> {
        let (small, large) = (width.min(height), width.max(height));
        if small == 0 || large > Self::LARGEST {
            return Err(format!(
                "both terms of an aspect are 1 to {}",
                Self::LARGEST
            ));
        }
        if large > small * Self::LONGEST {
            return Err(format!("an aspect is at most {} to 1", Self::LONGEST));
        }
        Ok(Self { width, height })
    }

    /// Width over height.
    pub fn ratio(self) -> f64 {
        f64::from(self.width) / f64::from(self.height)
    }
}

impl TryFrom<(u32, u32)> for Aspect {
    type Error = String;
    fn try_from((width, height): (u32, u32)) -> Result<Self, String> {
        Self::new(width, height)
    }
}

impl From<Aspect> for (u32, u32) {
    fn from(aspect: Aspect) -> Self {
        (aspect.width, aspect.height)
    }
}

impl SettingValue for Aspect {
    const UNIT: &'static str = "(width, height)";
}

/// A length in pixels of the delivered picture. Only the output stage uses it: there the pixel
/// is what a viewer sees, not the sitter.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct OutputPixels(pub f32);

impl SettingValue for OutputPixels {
    const UNIT: &'static str = "pixels of the output";
    fn number(&self) -> Option<f32> {
        Some(self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_aspect_is_read_and_written_as_a_pair() {
        let aspect: Aspect = ron::from_str("(4, 5)").expect("a good pair");
        assert_eq!(aspect, Aspect::new(4, 5).expect("a good pair"));
        assert_eq!(aspect.ratio(), 0.8);
        assert_eq!(ron::to_string(&aspect).expect("plain numbers"), "(4,5)");
    }

    #[test]
    fn senseless_aspects_are_refused() {
        for text in [
            "(0, 5)",
            "(4, 0)",
            "(1, 11)",
            "(20000, 20000)",
            "(4)",
            "0.8",
            "(-4, 5)",
        ] {
            assert!(ron::from_str::<Aspect>(text).is_err(), "{text} was taken");
        }
    }
}
