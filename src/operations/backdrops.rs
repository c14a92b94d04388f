//! What the two operations on backdrops share.

use crate::operations::pixels::smooth_step;

/// Alpha up to which what differs from the backdrop's model is its own creases and grain. Chosen by
/// looking: below it specks of grain remain as dots before another wall, above it single strands go.
pub(crate) const TRACE: f32 = 0.03;

/// Bare share from which a pixel counts as an edge.
const EDGE: f32 = 0.1;

/// Rows that are read for figures; more change them by less than they are rounded.
const ROWS_READ: usize = 400;

/// Evenly spread rows of a picture, from the top.
pub(crate) fn rows_read(height: usize) -> Vec<usize> {
    (0..height).step_by((height / ROWS_READ).max(1)).collect()
}

/// The sitter's light in a pixel, `own`, without what the key backdrop of channel `key` threw on it, as far as
/// `spill` goes; `bare` is 1 - a. The key's channel comes down to the larger other one: skin, hair and most cloth
/// are never above it by themselves. Common practice, no source.
#[inline(always)]
pub(crate) fn unspilled(mut own: [f32; 3], key: usize, bare: f32, spill: f32) -> [f32; 3] {
    let others = [own[(key + 1) % 3], own[(key + 2) % 3]];
    let (least, most) = (others[0].min(others[1]), others[0].max(others[1]));
    own[key] -= spill * (own[key] - most).max(0.0);
    // At an edge, a matte that is a little too thin takes too much green away and leaves a
    // purple rim. Skin and hair have more green than blue; of blue they have the least.
    if key == 1 {
        own[key] += smooth_step(0.0, EDGE, bare) * (least - own[key]).max(0.0);
    }
    own
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_pictures_are_read_whole_and_large_ones_evenly() {
        assert_eq!(rows_read(3), [0, 1, 2]);
        let rows = rows_read(4000);
        assert_eq!((rows.len(), rows[1]), (400, 10));
    }
}
