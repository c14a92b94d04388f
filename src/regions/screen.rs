//! Green and blue screens: what has the screen's own colour is nobody's.

use crate::picture::luminance;

/// From which share of the luminance such an excess makes a backdrop a screen (the rendered green has
/// 0.6, grey paper 0.01), which share of the screen's a pixel inside must have to be looked at (spill on
/// cloth stays under a tenth), and the sitter's probability there.
const KEY: f32 = 0.25;
const KEYED: f32 = 0.15;
pub(super) const GAP: f32 = 0.9;

/// The screen's channel; `None` for a plain backdrop. Red is no key, since skin is red.
#[inline(always)]
fn channel(b: [f32; 3]) -> Option<usize> {
    [1, 2]
        .into_iter()
        .find(|&c| excess(b, c) > KEY * luminance(b))
}

/// Whether a backdrop is a screen.
pub(super) fn is_one(b: [f32; 3]) -> bool {
    channel(b).is_some()
}

/// How far a channel stands above both others.
#[inline(always)]
fn excess(rgb: [f32; 3], c: usize) -> f32 {
    rgb[c] - rgb[(c + 1) % 3].max(rgb[(c + 2) % 3])
}

/// Whether a pixel inside the sitter has the screen's colour.
#[inline(always)]
pub(super) fn keyed(colour: [f32; 3], b: [f32; 3]) -> bool {
    channel(b).is_some_and(|c| excess(colour, c) > KEYED * excess(b, c))
}
