//! Denoise: takes off the noise that the frame itself is found to have.
//!
//! Noise is estimated from the frame (shot noise and read noise), made even by a square root, and
//! taken off where frequencies hold no more than it; colour noise twice as readily as that of
//! light, which reads as grain. Done by [`crate::sensor`] while a frame is developed, where the
//! method and its sources stand.

use crate::operations::settings;
use crate::picture::Ratio;

settings! {
    /// Takes off noise, as much as the frame itself is found to have.
    pub struct Denoise {
        /// 0 leaves all noise, 1 takes off all that is estimated; colour noise is gone at 0.5.
        strength: Ratio in 0.0..=1.0, default Ratio(0.5), neutral Ratio(0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strength_zero_is_neutral() {
        assert!(Denoise::neutral().is_neutral());
        assert!(!Denoise::default().is_neutral());
        assert!(Denoise::default().set("strength", "1.5").is_err());
    }
}
