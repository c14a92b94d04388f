//! From a rectangle of the upright frame to the same sites on the sensor.
//!
//! The crop is chosen in the upright frame, pixels are developed in the sensor's own rows, so
//! that pixels which no output shows are never touched. Exif orientation: CIPA DC-008, tag
//! 0x0112.

use crate::picture::{Rect, Size};
use crate::raw::Orientation;

/// Size of the upright picture of `visible` sites.
pub(super) fn upright_size(visible: Size, orientation: Orientation) -> Size {
    if orientation.0 >= 5 {
        Size {
            width: visible.height,
            height: visible.width,
        }
    } else {
        visible
    }
}

/// The sites, counted inside of the visible crop, that show `rect` of the upright picture.
pub(super) fn sites_of(rect: Rect, visible: Size, orientation: Orientation) -> Rect {
    let Rect {
        left,
        top,
        width,
        height,
    } = rect;
    let right = |total: usize| total - left - width;
    let bottom = |total: usize| total - top - height;
    match orientation.0 {
        2 => Rect {
            left: right(visible.width),
            top,
            width,
            height,
        },
        3 => Rect {
            left: right(visible.width),
            top: bottom(visible.height),
            width,
            height,
        },
        4 => Rect {
            left,
            top: bottom(visible.height),
            width,
            height,
        },
        // The upright picture's columns are the sensor's rows from here on.
        5 => Rect {
            left: top,
            top: left,
            width: height,
            height: width,
        },
        6 => Rect {
            left: top,
            top: right(visible.height),
            width: height,
            height: width,
        },
        7 => Rect {
            left: bottom(visible.width),
            top: right(visible.height),
            width: height,
            height: width,
        },
        8 => Rect {
            left: bottom(visible.width),
            top: left,
            width: height,
            height: width,
        },
        _ => rect,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Linear;
    use crate::sensor;

    /// Cutting before turning shows what cutting after turning shows, for all eight codes.
    #[test]
    fn a_cut_on_the_sensor_is_the_cut_of_the_upright_picture() {
        let visible = Size {
            width: 7,
            height: 5,
        };
        let mut whole = Linear::zeros(visible);
        for (place, value) in whole.planes[0].indexed_iter_mut() {
            *value = (place.0 * 10 + place.1) as f32;
        }
        for code in 1..=8 {
            let orientation = Orientation(code);
            let size = upright_size(visible, orientation);
            let rect = Rect {
                left: 1,
                top: 2,
                width: size.width - 3,
                height: size.height - 3,
            };
            let upright = sensor::upright(whole.clone(), orientation);
            let sites = sites_of(rect, visible, orientation);
            let mut part = Linear::zeros(sites.size());
            for (y, x) in (0..sites.height).flat_map(|y| (0..sites.width).map(move |x| (y, x))) {
                part.planes[0][[y, x]] = whole.planes[0][[sites.top + y, sites.left + x]];
            }
            let part = sensor::upright(part, orientation);
            assert_eq!(part.size(), rect.size(), "orientation {code}");
            for (y, x) in (0..rect.height).flat_map(|y| (0..rect.width).map(move |x| (y, x))) {
                let expected = upright.at(rect.top + y, rect.left + x);
                assert_eq!(
                    part.at(y, x),
                    expected,
                    "orientation {code}, row {y}, column {x}"
                );
            }
        }
    }
}
