//! Numbers with a meaning: a stop is not a ratio and neither is an eye span.

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[doc = $about:expr])+ $name:ident) => {
        $(#[doc = $about])+
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f32);
    };
}

unit!(
    /// A share or strength; 0 is none, 1 is all.
    Ratio
);
unit!(
    /// A factor of light as a power of two: +1 doubles it.
    Stops
);
unit!(
    /// A length as a multiple of the distance between the sitter's pupils.
    EyeSpans
);
unit!(
    /// A correlated colour temperature.
    Kelvin
);
unit!(
    /// CIELAB L* (CIE 015), black 0, white 100.
    Lightness
);
unit!(
    /// An angle; a full turn is 360.
    Degrees
);

/// Pixels per eye span in a given picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scale(pub f32);

impl Scale {
    /// A length on the sitter in pixels of this picture.
    pub fn pixels(self, length: EyeSpans) -> f32 {
        self.0 * length.0
    }
}
