//! Capture check: what a frame has that no retoucher can repair, read from Exif and pixels.
//!
//! [`capture`] measures one frame, [`practice`] says what the set's frames are held to, [`verdict`]
//! tells what is amiss in a frame and in the set, [`compare`] what changed between the set's
//! reference and a new test shot. Nothing here changes a picture.

pub mod capture;
pub mod compare;
pub mod practice;
pub mod sharpness;
pub mod verdict;

pub use capture::Capture;
pub use practice::Practice;
pub use verdict::{Fault, Finding, Verdict};
