//! Colour spaces and their way into a file.
//!
//! [`spaces`] holds what the standards print (primaries, whites, curves) and what follows from
//! it; [`output`] turns the working space into the numbers of a delivered file and the ICC
//! profile that explains them.

pub mod dither;
pub mod output;
pub mod spaces;

pub use output::{Profile, encode_8, encode_16};
