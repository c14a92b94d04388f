//! Clipped highlights without pink.
//!
//! After white balance the channels clip at their gains: green, whose gain is the smallest, first.
//! Left alone, a white that grows brighter turns magenta as green stays behind. Here a clipped
//! channel becomes the geometric mean of the other two if that is more (skin, lamps and sky lie near
//! it, grey on it), where another one that is clipped too counts as the brightest of all: it is at
//! least as bright as it says, and nothing speaks for less. So a colour that grows brighter keeps
//! its order of channels while it pales, and ends in white, never passing another hue on the way.
//! All sets in gradually, so that a ramp has no step.
//!
//! A common idea without one source.

/// A channel counts as measured up to here, as a share of its clipping level ...
const MEASURED: f32 = 0.90;

/// ... and as clipped from here on. Common practice: sensors bend a little before they are full.
const CLIPPED: f32 = 0.99;

/// Colours (balanced, linear) with clipped channels rebuilt; `clip` is where each clips.
#[inline(always)]
pub(super) fn rebuild(colour: [f32; 3], clip: [f32; 3]) -> [f32; 3] {
    let lost: [f32; 3] = std::array::from_fn(|c| {
        let t = (colour[c] / clip[c] - MEASURED) * (1.0 / (CLIPPED - MEASURED));
        let t = t.clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    });
    let brightest = colour[0].max(colour[1]).max(colour[2]);
    let known: [f32; 3] = std::array::from_fn(|c| colour[c] + lost[c] * (brightest - colour[c]));
    std::array::from_fn(|c| {
        let [one, other] = [known[(c + 1) % 3], known[(c + 2) % 3]];
        let estimate = (one.max(0.0) * other.max(0.0)).sqrt();
        colour[c] + lost[c] * (estimate - colour[c]).max(0.0)
    })
}

/// Colours cut off where the first channel clips.
#[inline(always)]
pub(super) fn cut(colour: [f32; 3], clip: [f32; 3]) -> [f32; 3] {
    let lowest = clip[0].min(clip[1]).min(clip[2]);
    colour.map(|v| v.min(lowest))
}
