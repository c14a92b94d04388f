//! How to turn a stored picture upright: the eight cases of Exif.
//!
//! CIPA DC-008 (Exif 2.32), tag 0x0112: the value says which side of the upright picture the
//! stored row 0 and column 0 are. All eight are a transposition, or none, followed by mirrorings.

use ndarray::{Array2, ArrayView2, Axis, Slice};

use super::Orientation;
use crate::picture::{Linear, Rect, Size, bands};

impl Orientation {
    /// Stored as it is seen.
    pub const UPRIGHT: Self = Self(1);

    /// From the tag's value; anything but 1 to 8 is taken as upright, as Exif asks of readers.
    pub fn from_exif(value: u32) -> Self {
        match value {
            1..=8 => Self(value as u8),
            _ => Self::UPRIGHT,
        }
    }

    /// Whether turning upright swaps width and height (5 to 8).
    pub fn turns_the_size(self) -> bool {
        (5..=8).contains(&self.0)
    }

    /// Size of the upright picture made from a stored one.
    pub fn upright(self, stored: Size) -> Size {
        if self.turns_the_size() {
            Size {
                width: stored.height,
                height: stored.width,
            }
        } else {
            stored
        }
    }

    /// Mirrorings of the upright picture against the (transposed) stored one: left and right
    /// changed over, top and bottom changed over.
    fn mirrors(self) -> (bool, bool) {
        match self.0 {
            2 => (true, false),
            3 => (true, true),
            4 => (false, true),
            6 => (true, false),
            7 => (true, true),
            8 => (false, true),
            _ => (false, false),
        }
    }

    /// Where the upright picture's pixel (row `y`, column `x`) lies in the stored one, as (row,
    /// column). `stored` is the stored picture's size; `y` and `x` are inside of the upright one.
    pub fn stored_at(self, y: usize, x: usize, stored: Size) -> (usize, usize) {
        let upright = self.upright(stored);
        let (across, down) = self.mirrors();
        let x = if across { upright.width - 1 - x } else { x };
        let y = if down { upright.height - 1 - y } else { y };
        if self.turns_the_size() {
            (x, y)
        } else {
            (y, x)
        }
    }

    /// The rectangle of the upright picture that shows a rectangle of the stored one.
    pub fn upright_rect(self, rect: Rect, stored: Size) -> Rect {
        let upright = self.upright(stored);
        let turned = if self.turns_the_size() {
            Rect {
                left: rect.top,
                top: rect.left,
                width: rect.height,
                height: rect.width,
            }
        } else {
            rect
        };
        let (across, down) = self.mirrors();
        Rect {
            left: if across {
                upright.width - turned.left - turned.width
            } else {
                turned.left
            },
            top: if down {
                upright.height - turned.top - turned.height
            } else {
                turned.top
            },
            ..turned
        }
    }

    /// A view of a stored plane as seen upright; nothing is copied.
    pub fn turn<T>(self, stored: ArrayView2<'_, T>) -> ArrayView2<'_, T> {
        let mut plane = if self.turns_the_size() {
            stored.reversed_axes()
        } else {
            stored
        };
        let (across, down) = self.mirrors();
        if across {
            plane.invert_axis(Axis(1));
        }
        if down {
            plane.invert_axis(Axis(0));
        }
        plane
    }

    /// The rectangle of the stored picture that shows a rectangle of the upright one: the way back
    /// of [`upright_rect`](Self::upright_rect).
    pub fn stored_rect(self, rect: Rect, stored: Size) -> Rect {
        let upright = self.upright(stored);
        let (across, down) = self.mirrors();
        let left = if across {
            upright.width - rect.left - rect.width
        } else {
            rect.left
        };
        let top = if down {
            upright.height - rect.top - rect.height
        } else {
            rect.top
        };
        if self.turns_the_size() {
            Rect {
                left: top,
                top: left,
                width: rect.height,
                height: rect.width,
            }
        } else {
            Rect { left, top, ..rect }
        }
    }

    /// A picture turned upright, its planes row-major again. Values other than 2 to 8 turn nothing.
    pub fn turn_picture(self, stored: Linear) -> Linear {
        if !(2..=8).contains(&self.0) {
            return stored;
        }
        // Each turned plane comes into the one before it, whose memory is at hand.
        let mut spare = Vec::new();
        Linear {
            planes: stored.planes.map(|plane| {
                let turned = self.turn(plane.view());
                let mut memory = std::mem::take(&mut spare);
                memory.resize(plane.len(), 0.0);
                let mut out = Array2::from_shape_vec(turned.dim(), memory)
                    .expect("as many values as the plane has");
                copy_in_blocks(turned, &mut out);
                spare = plane.into_raw_vec_and_offset().0;
                out
            }),
        }
    }
}

/// Copies a plane that lies in another order, in blocks that fit the first cache both ways.
fn copy_in_blocks(from: ArrayView2<'_, f32>, to: &mut Array2<f32>) {
    const BLOCK: usize = 32;
    bands::each_band(to.view_mut(), |first, mut rows| {
        let rows_of = Slice::from(first..first + rows.nrows());
        let from = from.slice_axis(Axis(0), rows_of);
        let blocks = rows.axis_chunks_iter_mut(Axis(1), BLOCK);
        for (mut to, from) in blocks.zip(from.axis_chunks_iter(Axis(1), BLOCK)) {
            to.assign(&from);
        }
    });
}

#[cfg(test)]
mod tests {
    use ndarray::array;

    use super::*;

    /// CIPA DC-008, table of tag 0x0112, read as where row 0 and column 0 of
    /// `1 2 3 / 4 5 6` come to stand: 1 top, left; 2 top, right; 3 bottom, right; 4 bottom,
    /// left; 5 left, top; 6 right, top; 7 right, bottom; 8 left, bottom.
    fn seen() -> [(u8, Array2<u8>); 8] {
        [
            (1, array![[1, 2, 3], [4, 5, 6]]),
            (2, array![[3, 2, 1], [6, 5, 4]]),
            (3, array![[6, 5, 4], [3, 2, 1]]),
            (4, array![[4, 5, 6], [1, 2, 3]]),
            (5, array![[1, 4], [2, 5], [3, 6]]),
            (6, array![[4, 1], [5, 2], [6, 3]]),
            (7, array![[6, 3], [5, 2], [4, 1]]),
            (8, array![[3, 6], [2, 5], [1, 4]]),
        ]
    }

    #[test]
    fn all_eight_turn_as_exif_tells() {
        let stored = array![[1, 2, 3], [4, 5, 6]];
        let size = Size {
            width: 3,
            height: 2,
        };
        for (value, expected) in seen() {
            let orientation = Orientation(value);
            assert_eq!(
                orientation.turn(stored.view()),
                expected,
                "orientation {value}"
            );
            let upright = orientation.upright(size);
            assert_eq!(
                (upright.height, upright.width),
                expected.dim(),
                "orientation {value}"
            );
            for ((y, x), &label) in expected.indexed_iter() {
                let (row, column) = orientation.stored_at(y, x, size);
                assert_eq!(
                    stored[[row, column]],
                    label,
                    "orientation {value} at {y}, {x}"
                );
            }
        }
    }

    #[test]
    fn rectangles_turn_with_the_pixels() {
        let stored = Array2::from_shape_fn((5, 7), |(y, x)| 10 * y + x);
        let size = Size {
            width: 7,
            height: 5,
        };
        let rect = Rect {
            left: 1,
            top: 2,
            width: 3,
            height: 2,
        };
        let cut = |plane: ArrayView2<usize>, rect: Rect| {
            let rows = Slice::from(rect.top..rect.top + rect.height);
            let columns = Slice::from(rect.left..rect.left + rect.width);
            plane
                .slice_axis(Axis(0), rows)
                .slice_axis(Axis(1), columns)
                .to_owned()
        };
        let part = cut(stored.view(), rect);
        for value in 1..=8 {
            let orientation = Orientation(value);
            let turned = orientation.turn(stored.view());
            let shown = cut(turned, orientation.upright_rect(rect, size));
            assert_eq!(shown, orientation.turn(part.view()), "orientation {value}");
            let back = orientation.stored_rect(orientation.upright_rect(rect, size), size);
            assert_eq!(back, rect, "orientation {value}");
        }
    }

    /// Larger than a block each way, so that blocks have ends.
    #[test]
    fn pictures_turn_as_their_planes_do() {
        let plane =
            |c: usize| Array2::from_shape_fn((37, 75), |(y, x)| (c + 3 * (75 * y + x)) as f32);
        let stored = Linear {
            planes: [plane(0), plane(1), plane(2)],
        };
        for value in [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 255] {
            let orientation = Orientation(value);
            let turned = orientation.turn_picture(stored.clone());
            for (turned, stored) in turned.planes.iter().zip(&stored.planes) {
                let expected = Orientation::from_exif(value.into()).turn(stored.view());
                assert_eq!(turned, expected, "orientation {value}");
                assert!(turned.is_standard_layout(), "orientation {value}");
            }
        }
    }

    #[test]
    fn values_outside_of_exif_are_upright() {
        for value in [0, 9, 255, 256 + 6, u32::MAX] {
            assert_eq!(Orientation::from_exif(value), Orientation::UPRIGHT);
        }
        assert_eq!(Orientation::from_exif(6), Orientation(6));
    }
}
