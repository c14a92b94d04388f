//! Turning a picture upright: the eight orientations of Exif (CIPA DC-008-2023, 4.6.5, tag 274).

use ndarray::Array2;

use crate::picture::{Linear, bands};
use crate::raw::Orientation;

/// The picture as a viewer should see it. Values other than 2 to 8 turn nothing.
///
/// Orientation says where the stored first row and first column belong: 1 top and left, 2 top and
/// right, 3 bottom and right, 4 bottom and left, 5 left and top, 6 right and top, 7 right and
/// bottom, 8 left and bottom.
pub fn upright(picture: Linear, orientation: Orientation) -> Linear {
    if !(2..=8).contains(&orientation.0) {
        return picture;
    }
    Linear {
        planes: picture.planes.map(|plane| turned(&plane, orientation.0)),
    }
}

fn turned(plane: &Array2<f32>, orientation: u8) -> Array2<f32> {
    let (height, width) = plane.dim();
    let (last_row, last_column) = (height.saturating_sub(1), width.saturating_sub(1));
    // Where the pixel at (row, column) of the upright picture is stored.
    let stored = |y: usize, x: usize| match orientation {
        2 => [y, last_column - x],
        3 => [last_row - y, last_column - x],
        4 => [last_row - y, x],
        5 => [x, y],
        6 => [last_row - x, y],
        7 => [last_row - x, last_column - y],
        _ => [x, last_column - y],
    };
    let shape = if orientation >= 5 {
        (width, height)
    } else {
        (height, width)
    };
    let mut out = Array2::zeros(shape);
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
            for (x, out) in row.iter_mut().enumerate() {
                *out = plane[stored(first + y, x)];
            }
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    /// Exif orientation of a picture stored as 1 2 3 / 4 5 6: what Pillow's
    /// `ImageOps.exif_transpose` (12.0) makes of it.
    #[test]
    fn all_eight_orientations_as_pillow_turns_them() {
        let stored = array![[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]];
        let expected = [
            array![[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]],
            array![[3.0, 2.0, 1.0], [6.0, 5.0, 4.0]],
            array![[6.0, 5.0, 4.0], [3.0, 2.0, 1.0]],
            array![[4.0, 5.0, 6.0], [1.0, 2.0, 3.0]],
            array![[1.0, 4.0], [2.0, 5.0], [3.0, 6.0]],
            array![[4.0, 1.0], [5.0, 2.0], [6.0, 3.0]],
            array![[6.0, 3.0], [5.0, 2.0], [4.0, 1.0]],
            array![[3.0, 6.0], [2.0, 5.0], [1.0, 4.0]],
        ];
        for (code, expected) in (1..=8).zip(expected) {
            let picture = Linear {
                planes: [stored.clone(), stored.clone(), stored.clone()],
            };
            let turned = upright(picture, Orientation(code));
            assert_eq!(turned.planes[1], expected, "orientation {code}");
        }
    }

    #[test]
    fn an_unknown_orientation_turns_nothing() {
        let picture = Linear::filled(
            crate::picture::Size {
                width: 3,
                height: 2,
            },
            [0.1, 0.2, 0.3],
        );
        for code in [0, 9, 255] {
            assert_eq!(upright(picture.clone(), Orientation(code)), picture);
        }
    }
}
