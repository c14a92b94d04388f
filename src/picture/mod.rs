//! What a picture is: planes of `f32`, in one of two spaces that never mix by accident.
//!
//! A plane is an [`Array2<f32>`] of shape (height, width), row-major. [`Linear`] light adds;
//! [`Oklab`] is what eyes judge. Both hold three planes of the same shape. Widths on a person
//! are told in [`EyeSpans`], so that a recipe does the same at any resolution and distance.

pub mod bands;
pub mod filter;
pub mod fused;
pub mod math;
pub mod matrix;
pub mod oklab;
pub mod resample;
pub mod stretch;
pub mod units;

use ndarray::{Array2, ArrayView2, Axis, Slice};

pub use oklab::{lightness, linear_from_oklab, luminance, luminance_of, oklab_from_linear};
pub use units::{Degrees, EyeSpans, Kelvin, Lightness, Ratio, Scale, Stops};

/// A height and a width in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Size {
    /// Pixels from left to right.
    pub width: usize,
    /// Pixels from top to bottom.
    pub height: usize,
}

/// A rectangle of whole pixels: `left` and `top` are inside, `left + width` is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Rect {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Rect {
    /// The rectangle that covers a whole picture.
    pub fn whole(size: Size) -> Self {
        Self {
            left: 0,
            top: 0,
            width: size.width,
            height: size.height,
        }
    }

    /// Its height and width.
    pub fn size(&self) -> Size {
        Size {
            width: self.width,
            height: self.height,
        }
    }

    /// This part of a plane. (ndarray's `s!` needs `unsafe` in the caller, which is forbidden.)
    ///
    /// # Panics
    /// When the rectangle is not inside of the plane.
    pub fn of<'a>(&self, plane: ArrayView2<'a, f32>) -> ArrayView2<'a, f32> {
        let rows = Slice::from(self.top..self.top + self.height);
        let columns = Slice::from(self.left..self.left + self.width);
        let mut part = plane;
        part.slice_axis_inplace(Axis(0), rows);
        part.slice_axis_inplace(Axis(1), columns);
        part
    }
}

/// A place in a picture, in pixels from the top left; the centre of the first pixel is (0.5, 0.5).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Point {
    /// Rightwards.
    pub x: f32,
    /// Downwards.
    pub y: f32,
}

impl Point {
    /// Distance to another place, in pixels.
    pub fn distance(self, other: Self) -> f32 {
        let (dx, dy) = (self.x - other.x, self.y - other.y);
        (dx * dx + dy * dy).sqrt()
    }
}

/// Three planes of scene- or display-linear light in the working space: BT.2020 primaries
/// (ITU-R BT.2020-2, table 3), white D65, no transfer curve.
///
/// Before the tone curve 1.0 is a diffuse white under correct exposure and values above it are
/// kept; after it 1.0 is the output's white. Negative values (colours outside of the primaries)
/// are allowed everywhere.
#[derive(Debug, Clone, PartialEq)]
pub struct Linear {
    /// Red, green and blue, all of one shape.
    pub planes: [Array2<f32>; 3],
}

/// Three planes of Oklab (Ottosson 2020): lightness 0 to 1 (more allowed), then the green-red
/// and the blue-yellow axis, about -0.4 to 0.4.
#[derive(Debug, Clone, PartialEq)]
pub struct Oklab {
    /// L, a and b, all of one shape.
    pub planes: [Array2<f32>; 3],
}

macro_rules! three_planes {
    ($name:ident) => {
        impl $name {
            /// A picture of zeros.
            pub fn zeros(size: Size) -> Self {
                let plane = || Array2::zeros((size.height, size.width));
                Self {
                    planes: [plane(), plane(), plane()],
                }
            }

            /// A picture of one colour.
            pub fn filled(size: Size, colour: [f32; 3]) -> Self {
                Self {
                    planes: colour.map(|v| Array2::from_elem((size.height, size.width), v)),
                }
            }

            /// Height and width.
            pub fn size(&self) -> Size {
                let (height, width) = self.planes[0].dim();
                Size { width, height }
            }

            /// A copy of whole rows.
            ///
            /// # Panics
            /// When there are fewer rows.
            #[must_use]
            pub fn strip(&self, rows: std::ops::Range<usize>) -> Self {
                let rect = Rect {
                    top: rows.start,
                    height: rows.len(),
                    ..Rect::whole(self.size())
                };
                let part = |plane: &Array2<f32>| rect.of(plane.view()).to_owned();
                Self {
                    planes: self.planes.each_ref().map(part),
                }
            }

            /// Views of the three planes.
            pub fn views(&self) -> [ArrayView2<'_, f32>; 3] {
                [
                    self.planes[0].view(),
                    self.planes[1].view(),
                    self.planes[2].view(),
                ]
            }

            /// The three values at row `y`, column `x`.
            pub fn at(&self, y: usize, x: usize) -> [f32; 3] {
                [
                    self.planes[0][[y, x]],
                    self.planes[1][[y, x]],
                    self.planes[2][[y, x]],
                ]
            }
        }
    };
}

three_planes!(Linear);
three_planes!(Oklab);
