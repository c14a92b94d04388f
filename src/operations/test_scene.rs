//! Small pictures and a scene for the operations' tests.

use ndarray::Array2;

use crate::operations::Scene;
use crate::picture::{Linear, Oklab, Scale, Size};
use crate::regions::{BackdropModel, Matte, Region, Regions};

/// Pixels per eye span in these scenes.
pub(crate) const SPAN: f32 = 20.0;

/// Light of many colours from just below black to above white, 40 x 33.
pub(crate) fn light() -> Linear {
    let mut picture = Linear::zeros(Size {
        width: 40,
        height: 33,
    });
    for (p, plane) in picture.planes.iter_mut().enumerate() {
        for ((y, x), v) in plane.indexed_iter_mut() {
            *v = ((x * 7 + y * 13 + p * 29) % 101) as f32 / 70.0 - 0.02;
        }
    }
    picture
}

/// The same in Oklab.
pub(crate) fn lab() -> Oklab {
    light().to_oklab()
}

/// A map at the size of the picture itself.
pub(crate) fn matte(map: Array2<f32>) -> Matte {
    Matte::exact(map)
}

/// Nothing found in a picture of this size.
pub(crate) fn nothing_found(size: Size) -> Regions {
    Regions {
        size,
        marks: None,
        mattes: Vec::new(),
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    }
}

/// A person's matte before a backdrop.
pub(crate) fn before_backdrop(person: Array2<f32>, backdrop: [Array2<f32>; 3]) -> Regions {
    let (height, width) = person.dim();
    let mut regions = nothing_found(Size { width, height });
    regions.mattes.push((Region::Person, matte(person)));
    regions.backdrop = Some(BackdropModel {
        surface: backdrop.map(matte),
    });
    regions
}

/// Calls `work` with a scene in which nothing was found.
pub(crate) fn with<R>(size: Size, work: impl FnOnce(&Scene) -> R) -> R {
    let regions = nothing_found(size);
    work(&Scene {
        scale: Scale(SPAN),
        regions: &regions,
    })
}

/// One colour taken through an operation in a scene in which nothing was found.
pub(crate) fn one<R>(lab: [f32; 3], apply: impl FnOnce(&mut Oklab, &Scene) -> R) -> [f32; 3] {
    let size = Size {
        width: 1,
        height: 1,
    };
    let mut picture = Oklab::filled(size, lab);
    with(size, |scene| apply(&mut picture, scene));
    picture.at(0, 0)
}
