//! What the two operations on backdrops share.

/// Alpha up to which what differs from the backdrop's model is its own creases and grain. Chosen by
/// looking: below it specks of grain remain as dots before another wall, above it single strands go.
pub(crate) const TRACE: f32 = 0.03;

/// Rows that are read for figures; more change them by less than they are rounded.
const ROWS_READ: usize = 400;

/// Evenly spread rows of a picture, from the top.
pub(crate) fn rows_read(height: usize) -> Vec<usize> {
    (0..height).step_by((height / ROWS_READ).max(1)).collect()
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
