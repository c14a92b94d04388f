//! Local contrast: deepens form of a chosen size and leaves flat areas alone.
//!
//! L' = L + k (L - G * L), G a Gaussian with standard deviation `radius`.
//! Source: Gonzalez and Woods, *Digital Image Processing*, unsharp masking and
//! highboost filtering. Works on Oklab L, since eyes judge the result.

use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::gaussian;
use crate::picture::{EyeSpans, Oklab, Ratio, bands};

settings! {
    /// Deepens form around features of a chosen size.
    pub struct LocalContrast {
        /// Share of the local difference that is added.
        amount: Ratio in 0.0..=1.0, default Ratio(0.10), neutral Ratio(0.0);
        /// Standard deviation of the blur.
        radius: EyeSpans in 0.05..=2.0, default EyeSpans(0.35);
    }
}

impl LocalContrast {
    /// Deepens L; a and b stay.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        let base = gaussian(picture.planes[0].view(), scene.scale.pixels(self.radius));
        let amount = self.amount.0;
        bands::each_band(picture.planes[0].view_mut(), |first, mut rows| {
            for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
                let base = base.row(first + y);
                row.zip_mut_with(&base, |l, &b| *l += amount * (*l - b));
            }
        });
        Findings::default()
    }
}
