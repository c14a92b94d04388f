//! Clipped highlights without pink.
//!
//! After white balance the channels clip at their gains: green, whose gain is the smallest, first.
//! Left alone, a white that grows brighter turns magenta as green stays behind. Here a clipped
//! channel is rebuilt from those that are not; where all are clipped, all take the level of the
//! highest, which is neutral. Both set in gradually, so that a ramp has no step.
//!
//! A common idea without one source (D. Coffin's dcraw calls a kin of it "blend").

/// A channel counts as measured up to here, as a share of its clipping level ...
const MEASURED: f32 = 0.90;

/// ... and as clipped from here on. Common practice: sensors bend a little before they are full.
const CLIPPED: f32 = 0.99;

/// Weight of the brightest channel beside those that are measured; it decides only when none is.
const LAST_RESORT: f32 = 1.0e-3;

/// Colours (balanced, linear) with clipped channels rebuilt; `clip` is where each clips.
#[inline(always)]
pub(super) fn rebuild(colour: [f32; 3], clip: [f32; 3]) -> [f32; 3] {
    let lost: [f32; 3] = std::array::from_fn(|c| {
        let t = (colour[c] / clip[c] - MEASURED) * (1.0 / (CLIPPED - MEASURED));
        let t = t.clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    });
    let brightest = colour[0].max(colour[1]).max(colour[2]);
    let kept: [f32; 3] = std::array::from_fn(|c| 1.0 - lost[c]);
    let sum = kept[0] * colour[0] + kept[1] * colour[1] + kept[2] * colour[2];
    let estimate = (sum + LAST_RESORT * brightest) / (kept[0] + kept[1] + kept[2] + LAST_RESORT);
    std::array::from_fn(|c| colour[c] + lost[c] * (estimate - colour[c]).max(0.0))
}

/// Colours cut off where the first channel clips.
#[inline(always)]
pub(super) fn cut(colour: [f32; 3], clip: [f32; 3]) -> [f32; 3] {
    let lowest = clip[0].min(clip[1]).min(clip[2]);
    colour.map(|v| v.min(lowest))
}
