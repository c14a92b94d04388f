//! A picture on its way through the picture stage, in whichever space the last step left it.
//!
//! Steps that work in one space follow each other without a conversion; a change of space costs
//! one pass over the pixels.

use std::ops::Range;

use ndarray::Array2;

use crate::picture::{Linear, Oklab, Rect, Size, bands};
use crate::regions::Matte;

/// A space that a step can ask a [`Canvas`] for; the picture type of `apply` picks it.
pub(super) trait Space {
    /// The canvas in this space, converted if need be.
    fn of(canvas: &mut Canvas) -> &mut Self;
}

impl Space for Linear {
    fn of(canvas: &mut Canvas) -> &mut Self {
        canvas.linear()
    }
}

impl Space for Oklab {
    fn of(canvas: &mut Canvas) -> &mut Self {
        canvas.oklab()
    }
}

/// A picture in linear light or in Oklab.
#[derive(Debug, Clone)]
pub enum Canvas {
    /// Light adds here.
    Linear(Linear),
    /// Eyes judge here.
    Oklab(Oklab),
}

impl Canvas {
    /// Height and width.
    pub fn size(&self) -> Size {
        match self {
            Self::Linear(picture) => picture.size(),
            Self::Oklab(picture) => picture.size(),
        }
    }

    /// The picture in linear light, converted if need be.
    pub fn linear(&mut self) -> &mut Linear {
        if let Self::Oklab(picture) = self {
            let taken = std::mem::replace(
                picture,
                Oklab::zeros(Size {
                    width: 0,
                    height: 0,
                }),
            );
            *self = Self::Linear(taken.to_linear());
        }
        match self {
            Self::Linear(picture) => picture,
            Self::Oklab(_) => unreachable!("converted above"),
        }
    }

    /// The picture in Oklab, converted if need be.
    pub fn oklab(&mut self) -> &mut Oklab {
        if let Self::Linear(picture) = self {
            let taken = std::mem::replace(
                picture,
                Linear::zeros(Size {
                    width: 0,
                    height: 0,
                }),
            );
            *self = Self::Oklab(taken.to_oklab());
        }
        match self {
            Self::Oklab(picture) => picture,
            Self::Linear(_) => unreachable!("converted above"),
        }
    }

    /// The finished picture, in linear light.
    pub fn into_linear(mut self) -> Linear {
        self.linear();
        match self {
            Self::Linear(picture) => picture,
            Self::Oklab(_) => unreachable!("converted above"),
        }
    }

    fn planes(&self) -> &[Array2<f32>; 3] {
        match self {
            Self::Linear(picture) => &picture.planes,
            Self::Oklab(picture) => &picture.planes,
        }
    }

    fn planes_mut(&mut self) -> &mut [Array2<f32>; 3] {
        match self {
            Self::Linear(picture) => &mut picture.planes,
            Self::Oklab(picture) => &mut picture.planes,
        }
    }

    /// A copy of one rectangle, in the same space.
    #[must_use]
    pub fn cut(&self, rect: Rect) -> Self {
        let part = |plane: &Array2<f32>| rect.of(plane.view()).to_owned();
        let planes = self.planes().each_ref().map(part);
        match self {
            Self::Linear(_) => Self::Linear(Linear { planes }),
            Self::Oklab(_) => Self::Oklab(Oklab { planes }),
        }
    }

    /// Blends `changed`, which stands at `rect`, into this picture: where the matte times
    /// `opacity` is 0 the pixel stays to the bit, where it is 1 it becomes the changed one.
    /// Both must be in one space; the matte is read at `rect`.
    pub fn blend(&mut self, changed: &Self, rect: Rect, matte: &Matte, opacity: f32) {
        let sources = changed.planes();
        let new = || (matte.rows(), vec![0.0; rect.left + rect.width]);
        bands::each_row_with(self.planes_mut(), new, |(matte, share), y, rows| {
            if y < rect.top || y >= rect.top + rect.height {
                return;
            }
            let inside = matte.fill(y, share);
            let sources = sources.each_ref().map(|plane| {
                let row = plane.row(y - rect.top);
                row.to_slice().expect("planes are contiguous")
            });
            blend_row(rows, sources, rect.left, share, inside, opacity);
        });
    }

    /// Lets `work` change a copy of `rect` and blends it as [`Canvas::blend`] does, but strip by
    /// strip, so that the copy never leaves the cache: for work that looks at each pixel alone.
    pub fn change_in_strips(
        &mut self,
        rect: Rect,
        matte: &Matte,
        opacity: f32,
        work: impl Fn(&mut Self) + Sync,
    ) {
        let width = self.size().width;
        let linear = matches!(self, Self::Linear(_));
        bands::each_band_of_three(self.planes_mut(), STRIP, |first, rows| {
            let last = first + rows[0].len() / width;
            let (top, bottom) = (first.max(rect.top), last.min(rect.top + rect.height));
            if top >= bottom {
                return;
            }
            let columns = rect.left..rect.left + rect.width;
            let planes = rows.each_ref().map(|rows| {
                let rows = rows.chunks_exact(width).take(bottom - first);
                let part = rows.skip(top - first).flat_map(|row| &row[columns.clone()]);
                let part = part.copied().collect();
                Array2::from_shape_vec((bottom - top, rect.width), part)
                    .expect("rows and columns of the part")
            });
            let mut part = if linear {
                Self::Linear(Linear { planes })
            } else {
                Self::Oklab(Oklab { planes })
            };
            work(&mut part);
            let (mut matte, mut share) = (matte.rows(), vec![0.0; columns.end]);
            let [one, two, three] = rows;
            let rows = one
                .chunks_exact_mut(width)
                .zip(two.chunks_exact_mut(width))
                .zip(three.chunks_exact_mut(width));
            let rows = rows.enumerate().take(bottom - first).skip(top - first);
            for (y, ((one, two), three)) in rows {
                let y = first + y;
                let inside = matte.fill(y, &mut share);
                let sources = part.planes().each_ref().map(|plane| {
                    let row = plane.row(y - top);
                    row.to_slice().expect("planes are contiguous")
                });
                blend_row(
                    [one, two, three],
                    sources,
                    rect.left,
                    &share,
                    inside,
                    opacity,
                );
            }
        });
    }
}

/// Rows of a strip: a few hundred kilobytes of a large picture.
const STRIP: usize = 16;

/// Blends one row. The `sources` begin at column `left`; `share` ends where they do and is 0
/// outside of the columns `inside`.
fn blend_row(
    rows: [&mut [f32]; 3],
    sources: [&[f32]; 3],
    left: usize,
    share: &[f32],
    inside: Range<usize>,
    opacity: f32,
) {
    let (from, to) = (inside.start.max(left), inside.end.min(share.len()));
    if from >= to {
        return;
    }
    let share = &share[from..to];
    for (row, source) in rows.into_iter().zip(sources) {
        let source = &source[from - left..to - left];
        let row = &mut row[from..to];
        bands::vectorised(
            #[inline(always)]
            || {
                for ((value, &new), &part) in row.iter_mut().zip(source).zip(share) {
                    let part = part * opacity;
                    let mixed = *value + part * (new - *value);
                    let mixed = if part > 0.0 { mixed } else { *value };
                    *value = if part >= 1.0 { new } else { mixed };
                }
            },
        );
    }
}
