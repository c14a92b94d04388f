//! What frames of a set are held to; a job may say otherwise.

use serde::Serialize;

/// Bounds for the frames of a set. The defaults are the common practice for business headshots (no
/// source but the trade's rules of thumb), not a standard.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Practice {
    /// F-numbers: both eyes and the whole face are sharp.
    pub aperture: [f32; 2],
    /// ISO speeds.
    pub iso: [u32; 2],
    /// Shutter speeds as the number under the 1: (160, 200) is 1/160 to 1/200 s.
    pub shutter: [f32; 2],
    /// Light on the key's side of the face over that on the other side: (1.1, 4.0) is 1.1:1 to 4:1.
    pub key_to_fill: [f32; 2],
    /// Most stops between the backdrop's darkest and brightest twentieth.
    pub backdrop_fall: f32,
    /// Most stops that a frame's backdrop may be off the set's.
    pub light_drift: f32,
    /// Most kelvin that the light on a frame's backdrop may be off the set's.
    pub white_drift: f32,
    /// An eye counts as soft when its edges are this many times as wide as those of the set.
    pub eye_softness: f32,
}

impl Default for Practice {
    fn default() -> Self {
        Self {
            aperture: [5.6, 6.3],
            iso: [100, 125],
            shutter: [160.0, 200.0],
            key_to_fill: [1.1, 4.0],
            backdrop_fall: 1.5,
            light_drift: 0.2,
            white_drift: 150.0,
            eye_softness: 1.35,
        }
    }
}
