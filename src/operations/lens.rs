//! Lens: what lens and sensor add to a frame, taken off before colours exist; and, where asked, the
//! fall of the set's light.
//!
//! Defects and fringes are found in each frame itself and mended by [`crate::sensor`], where the
//! methods and their sources stand; a frame in which there is nothing to mend, or in which it
//! cannot be measured surely, stays as it is to the bit. The falloff comes from the job's empty
//! backdrop and is divided out by the engine, in linear light.

use crate::operations::settings;
use crate::picture::Ratio;

settings! {
    /// Takes off what lens and sensor add: defective pixels, coloured fringes and, where asked, the
    /// fall of the set's light.
    pub struct Lens {
        /// Dead and hot pixels are filled in from their neighbours.
        defects: bool, default true, neutral false;
        /// Coloured fringes that grow towards the corners are measured in each frame and taken off;
        /// where they cannot be measured surely, nothing is done.
        fringes: bool, default true, neutral false;
        /// How much of the light's fall across the job's `set: Set(empty: …)` frame is divided out of
        /// the whole frame, at most one stop. That frame shows lens and set light together: ask for
        /// it only where the sitter stood in the light that fell on the empty backdrop. The face's
        /// own place keeps its light. Walls are evened without it.
        falloff: Ratio in 0.0..=1.0, default Ratio(0.0), neutral Ratio(0.0);
    } neutral when all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mends_by_default_but_leaves_the_light() {
        let lens = Lens::default();
        assert!(lens.defects && lens.fringes && lens.falloff == Ratio(0.0));
        assert!(!lens.is_neutral() && Lens::neutral().is_neutral());
    }

    #[test]
    fn one_of_three_is_not_neutral() {
        for (name, text) in [("defects", "true"), ("fringes", "true"), ("falloff", "0.1")] {
            let mut lens = Lens::neutral();
            lens.set(name, text).expect("a good value");
            assert!(!lens.is_neutral(), "{name}");
        }
        assert!(Lens::default().set("falloff", "1.5").is_err());
    }
}
