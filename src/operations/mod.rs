//! The operations: one file each, one line each in the table below.
//!
//! A settings type is declared once with `settings!`; the recipe reader, range checks, help,
//! the generated recipe page and the sidecar all read that declaration. A picture-stage
//! operation has one method,
//!
//! ```ignore
//! pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings   // or &mut Linear
//! ```
//!
//! whose picture type says in which space it works. It may change every pixel: the engine blends
//! the result back by `on`, `except` and `opacity`, and skips a step with neutral settings. It
//! uses `picture::bands` for rows over threads and knows nothing else of how it is run.

pub mod adjust;
mod backdrops;
pub mod background_lift;
pub mod background_replace;
pub mod black_and_white;
pub mod canvas;
pub mod chroma;
pub mod colours;
pub mod contrast;
pub mod contrast_sculpting;
pub mod crop;
pub mod declare;
pub mod denoise;
pub mod exposure;
pub mod fly_aways;
pub mod gradient_toning;
pub mod heal;
pub mod lens;
pub mod lint;
pub mod local_contrast;
pub mod output_sharpening;
mod pixels;
pub mod selective_colour;
pub mod shadow_lift;
mod skin_bands;
pub mod skin_smoothing;
mod small_marks;
pub mod table;
#[cfg(test)]
mod test_scene;
pub mod tone_curve;
pub mod tone_evening;
pub mod values;
pub mod wall_picture;
pub mod white_balance;

use serde::{Deserialize, Serialize};

use crate::picture::{Point, Scale};
use crate::regions::Regions;

pub(crate) use declare::settings;
pub use declare::{Declaration, Problem, Setting, SettingValue};
pub use table::{Operation, Stage};

/// What an operation may look at besides the picture.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// Pixels per eye span in the picture.
    pub scale: Scale,
    /// Mattes, landmarks and backdrop, for this very picture.
    pub regions: &'a Regions,
}

/// What a step measured and did, for the sidecar; in a fixed order.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    /// Named figures.
    pub figures: Vec<(String, f32)>,
    /// Places that were mended: centre and radius in pixels of the picture.
    pub places: Vec<(Point, f32)>,
}
