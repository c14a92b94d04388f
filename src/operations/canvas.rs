//! A picture on its way through the picture stage, in whichever space the last step left it.
//!
//! Steps that work in one space follow each other without a conversion; a change of space costs
//! one pass over the pixels.

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
        let end = rect.left + rect.width;
        let new = || (matte.rows(), vec![0.0; end]);
        bands::each_row_with(self.planes_mut(), new, |(matte, share), y, rows| {
            if y < rect.top || y >= rect.top + rect.height {
                return;
            }
            let inside = matte.fill(y, share);
            let (from, to) = (inside.start.max(rect.left), inside.end.min(end));
            if from >= to {
                return;
            }
            let share = &share[from..to];
            for (row, source) in rows.into_iter().zip(sources) {
                let source = source.row(y - rect.top);
                let source = source.to_slice().expect("planes are contiguous");
                let source = &source[from - rect.left..to - rect.left];
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
        });
    }
}
