//! The matte's shares as the parts that have names.
//!
//! What lies inside the face is drawn over skin and hair; skin is face or body as the nets say. All parts
//! together are the matte, but in the end for hair before the backdrop: see [`RIM`].

use ndarray::{Array2, Array3, Axis};

use super::Region;
use super::features::Features;
use super::matting::Layers;
use super::nets::COARSE;
use super::plane::Rows;
use crate::picture::bands;

/// Alpha from which hair before the backdrop begins to count as hair, and from which it is all hair. The
/// matte has the transparency of a fringe; a part says what a place is. Twice as firm as the matte, it
/// overlaps the rendered truth by 0.90 instead of 0.87 (mean of the six full heads of hair), and a strand's
/// core and an edge of two pixels still have a ramp.
const RIM: [f32; 2] = [0.3, 0.7];

/// The sitter's parts.
pub(super) fn partition(
    layers: Layers,
    drawn: &Features,
    classes: &Array3<f32>,
) -> Vec<(Region, Array2<f32>)> {
    let Layers { alpha, shares, .. } = layers;
    let [skin, mut hair, clothing, mut worn] = shares;
    let dim = alpha.dim();
    let zeros = || Array2::<f32>::zeros(dim);
    let (mut face, mut body) = (zeros(), zeros());
    let mut inner = [zeros(), zeros(), zeros(), zeros(), zeros()];
    let sources = [
        &drawn.brows,
        &drawn.sclera,
        &drawn.iris,
        &drawn.lips,
        &drawn.teeth,
    ];
    // A cropped fringe is too little for a colour model of its own: then the nets' word on it stands.
    let unmodelled = hair.iter().all(|share| *share < 0.1);
    let (_, high, wide) = classes.dim();
    let reading = Rows::new((high, wide), dim, 1.0 / COARSE as f32);
    let class = |k: usize| {
        let plane = classes.index_axis(Axis(0), k);
        plane.to_slice().expect("classes are contiguous")
    };
    let [face_class, body_class, hair_class] = [1, 2, 3].map(class);
    let made = [&mut face, &mut body, &mut hair, &mut worn].into_iter();
    let made = made.chain(&mut inner).map(|plane| {
        let values = plane.as_slice_mut();
        values.expect("planes are contiguous")
    });
    bands::each_piece_of_all(made, dim.1, |y, planes| {
        let [face, body, hair, worn, inner @ ..] = planes else {
            return;
        };
        let skin = skin.row(y);
        for (worn, &alpha) in worn.iter_mut().zip(alpha.row(y)) {
            *worn = worn.min(alpha);
        }
        let drawn_here = drawn.rows.contains(&y);
        let by_nets = [face_class, body_class].map(|class| reading.mixed(class, y));
        let fringe = unmodelled.then(|| reading.mixed(hair_class, y));
        for (x, &skin) in skin.iter().enumerate() {
            let mut left = skin;
            if let Some(fringe) = fringe.as_ref().filter(|_| skin > 0.0) {
                let likely = reading.read(fringe, x);
                if likely > 0.05 {
                    let other = 1.0 - likely;
                    hair[x] = skin * likely * likely / (likely * likely + other * other);
                    left -= hair[x];
                }
            }
            if drawn_here {
                // Eyes and mouth are never hair; glasses before them stay worn.
                let (mut taken, whole) = (0.0, left + hair[x]);
                for (to, from) in inner.iter_mut().zip(sources) {
                    let share = from[[y, x]].min(1.0 - taken);
                    if share > 0.0 {
                        to[x] = share * whole;
                        taken += share;
                    }
                }
                hair[x] *= 1.0 - taken;
                left *= 1.0 - taken;
            }
            if left > 0.0 {
                let [f, b] = by_nets.each_ref().map(|class| reading.read(class, x));
                let share = (f + 1e-4) / (f + b + 2e-4);
                face[x] = left * share;
                body[x] = left * (1.0 - share);
            }
        }
    });
    let [brows, sclera, iris, lips, teeth] = inner;
    vec![
        (Region::Person, alpha),
        (Region::FaceSkin, face),
        (Region::BodySkin, body),
        (Region::Hair, hair),
        (Region::Brows, brows),
        (Region::Sclera, sclera),
        (Region::Iris, iris),
        (Region::Lips, lips),
        (Region::Teeth, teeth),
        (Region::Clothing, clothing),
        (Region::Worn, worn),
    ]
}

/// Makes hair before the backdrop firmer than the matte: see [`RIM`].
pub(super) fn firm_rim(mattes: &mut [(Region, Array2<f32>)]) {
    let planes = mattes.iter_mut().filter_map(|(region, plane)| {
        let wanted = matches!(region, Region::Person | Region::Hair);
        wanted.then(|| plane.as_slice_mut().expect("planes are contiguous"))
    });
    // In the order in which the parts are kept.
    bands::each_piece_of_all(planes, 1 << 14, |_, planes| {
        let [alpha, hair] = planes else { return };
        for (hair, &alpha) in hair.iter_mut().zip(alpha.iter()) {
            if alpha < 1.0 && *hair > 0.0 {
                let firm = ((alpha - RIM[0]) / (RIM[1] - RIM[0])).max(0.0).min(1.0);
                *hair *= firm / alpha;
            }
        }
    });
}
