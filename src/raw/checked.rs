//! What a decoder handed over, checked before anybody uses it; the same rules for each decoder.
//!
//! What pixels mean (sizes, filters, black, white) must be right or the file is refused. What
//! only helps (matrices, balance, noise) is dropped when it makes no sense, since the steps that
//! want it know how to do without.

use ndarray::{Array2, Axis, Slice};

use super::{COPY_AGAIN, CameraMatrix, Error, Filter, Limits, Pattern, SensorFrame, TOO_LARGE};
use crate::picture::Rect;

/// A buffer as a decoder filled it, borders included.
pub(super) struct Buffer {
    /// Sites across.
    pub(super) width: usize,
    /// Sites down.
    pub(super) height: usize,
    /// Samples a site, interleaved.
    pub(super) planes: usize,
}

/// Refuses sizes of zero, beyond `limits`, or with other than 1 or 3 samples a site.
pub(super) fn size(buffer: &Buffer, name: &str, limits: &Limits) -> Result<(), Error> {
    let Buffer {
        width,
        height,
        planes,
    } = *buffer;
    if width == 0 || height == 0 {
        return Err(malformed(
            name,
            "size",
            format!("{width} x {height} pixels are none"),
        ));
    }
    let samples = (width as u64)
        .saturating_mul(height as u64)
        .saturating_mul(planes as u64);
    if samples > limits.max_pixels || width.max(height) as u64 > u64::from(limits.max_side) {
        return Err(too_large(
            name,
            &format!("{width} x {height} pixels of {planes}"),
            limits,
        ));
    }
    if planes != 1 && planes != 3 {
        return Err(Error::Unsupported {
            file: name.to_owned(),
            what: format!("{planes} samples at each site, where 1 or 3 are known here"),
            remedy: super::CONVERT,
        });
    }
    Ok(())
}

/// The error for a file that asks for more than the limits.
pub(super) fn too_large(name: &str, what: &str, limits: &Limits) -> Error {
    let Limits {
        max_pixels,
        max_side,
    } = limits;
    Error::Limit {
        file: name.to_owned(),
        what: format!("{what} are above the limit of {max_pixels} samples and {max_side} a side"),
        remedy: TOO_LARGE,
    }
}

/// An error about a place in the file.
pub(super) fn malformed(name: &str, place: &'static str, rule: String) -> Error {
    Error::Malformed {
        file: name.to_owned(),
        place,
        rule,
        remedy: COPY_AGAIN,
    }
}

/// The samples of the active area as (rows, columns x planes).
pub(super) fn active_part<T: Clone>(
    samples: Vec<T>,
    buffer: &Buffer,
    active: Rect,
    name: &str,
) -> Result<Array2<T>, Error> {
    let Buffer {
        width,
        height,
        planes,
    } = *buffer;
    let (found, wanted) = (samples.len(), width * height * planes);
    let whole = Array2::from_shape_vec((height, width * planes), samples).map_err(|_| {
        malformed(
            name,
            "sensor data",
            format!("{found} samples where {wanted} belong"),
        )
    })?;
    if active
        == (Rect {
            left: 0,
            top: 0,
            width,
            height,
        })
    {
        return Ok(whole);
    }
    let rows = Slice::from(active.top..active.top + active.height);
    let columns = Slice::from(active.left * planes..(active.left + active.width) * planes);
    Ok(whole
        .slice_axis(Axis(0), rows)
        .slice_axis(Axis(1), columns)
        .to_owned())
}

/// `rect` (left, top, width, height; nothing known of it) cut to a whole of `width` x `height`;
/// the whole itself where nothing would be left.
pub(super) fn inside(rect: [usize; 4], width: usize, height: usize) -> Rect {
    let [left, top, wide, high] = rect;
    let (right, bottom) = (
        left.saturating_add(wide).min(width),
        top.saturating_add(high).min(height),
    );
    if left >= right || top >= bottom {
        return Rect {
            left: 0,
            top: 0,
            width,
            height,
        };
    }
    Rect {
        left,
        top,
        width: right - left,
        height: bottom - top,
    }
}

/// Names the block of filters; `None` in `filters` is a colour other than red, green and blue.
pub(super) fn pattern(
    rows: usize,
    columns: usize,
    filters: &[Option<Filter>],
    name: &str,
) -> Result<Pattern, Error> {
    use Filter::{Blue, Green, Red};
    let unsupported = |what: String| Error::Unsupported {
        file: name.to_owned(),
        what,
        remedy: super::CONVERT,
    };
    let Some(filters) = filters.iter().copied().collect::<Option<Vec<Filter>>>() else {
        return Err(unsupported(
            "a sensor with filters other than red, green and blue".to_owned(),
        ));
    };
    if filters.len() != rows * columns || ![Red, Green, Blue].iter().all(|f| filters.contains(f)) {
        return Err(unsupported(format!(
            "a block of {rows} x {columns} filters without all of R, G, B"
        )));
    }
    Ok(match (rows, columns, filters.as_slice()) {
        (2, 2, &[a @ (Red | Blue), Green, Green, b @ (Red | Blue)]) => {
            Pattern::Bayer([a, Green, Green, b])
        }
        (2, 2, &[Green, a @ (Red | Blue), b @ (Red | Blue), Green]) => {
            Pattern::Bayer([Green, a, b, Green])
        }
        (6, 6, _) => Pattern::SixBySix(filters),
        _ => Pattern::Other {
            rows,
            columns,
            filters,
        },
    })
}

/// Checks levels and what else a frame holds against each other; `bits` is the samples' depth,
/// for a white level that the file leaves out or that its samples can never reach.
pub(super) fn frame(mut frame: SensorFrame, bits: u32, name: &str) -> Result<SensorFrame, Error> {
    let whole = matches!(frame.samples, super::Samples::Whole(_));
    let full = if whole {
        ((1_u32 << bits.clamp(1, 16)) - 1) as f32
    } else {
        1.0
    };
    for white in &mut frame.white {
        if !(white.is_finite() && *white > 0.0 && (!whole || *white <= 65535.0)) {
            *white = full;
        }
    }
    let least = frame.white.iter().copied().fold(f32::INFINITY, f32::min);
    if let Some(black) = frame
        .black
        .iter()
        .find(|black| !black.is_finite() || **black >= least)
    {
        let rule = format!("black {black} is not below white {least}");
        return Err(malformed(name, "black level", rule));
    }
    if frame.black.is_empty() {
        return Err(malformed(
            name,
            "black level",
            "it has no values".to_owned(),
        ));
    }
    // A correction for each row or column may reach a little below zero; a level may not.
    if frame.black.iter().any(|black| *black < -least) {
        return Err(malformed(
            name,
            "black level",
            "it is far below zero".to_owned(),
        ));
    }
    frame.balance = frame.balance.and_then(balance);
    frame
        .matrices
        .retain(|matrix| invertible(&matrix.xyz_to_camera));
    for matrix in &mut frame.matrices {
        matrix.forward = matrix.forward.filter(invertible);
        matrix.calibration = matrix.calibration.filter(invertible);
    }
    if !frame
        .analog_balance
        .iter()
        .all(|gain| gain.is_finite() && *gain > 0.0)
    {
        frame.analog_balance = [1.0; 3];
    }
    // Sixteen stops are more than any sensor spans; beyond that the tag is damaged.
    if !frame.baseline_exposure.is_finite() || frame.baseline_exposure.abs() > 16.0 {
        frame.baseline_exposure = 0.0;
    }
    frame.noise_profile = frame.noise_profile.filter(|colours| {
        let sound = |[scale, offset]: &[f32; 2]| {
            scale.is_finite() && *scale >= 0.0 && offset.is_finite() && scale + offset.abs() < 1.0
        };
        colours.iter().all(sound)
    });
    let (width, height) = (frame.width(), frame.height());
    let Rect {
        left,
        top,
        width: wide,
        height: high,
    } = frame.crop;
    frame.crop = inside([left, top, wide, high], width, height);
    Ok(frame)
}

/// Gains with green = 1; `None` unless all are sound. A gain of 100 would be a light with a
/// hundredth of one colour: no such photograph exists, so the tag is damaged.
fn balance([red, green, blue]: [f32; 3]) -> Option<[f32; 3]> {
    let gains = [red / green, 1.0, blue / green];
    gains
        .iter()
        .all(|gain| gain.is_finite() && (0.01..=100.0).contains(gain))
        .then_some(gains)
}

/// Whether a matrix is finite and far enough from losing a dimension: its determinant against
/// the cube of its largest entry. The matrices of the three cameras in the
/// test corpus stand at 0.22 to 0.34; rounding noise alone gives about 1e-7.
fn invertible(matrix: &[[f32; 3]; 3]) -> bool {
    let largest = matrix
        .iter()
        .flatten()
        .fold(0.0_f32, |largest, v| largest.max(v.abs()));
    let [a, b, c] = matrix;
    let determinant = a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
        + a[2] * (b[0] * c[1] - b[1] * c[0]);
    matrix.iter().flatten().all(|v| v.is_finite())
        && largest > 0.0
        && largest < 1e4
        && determinant.abs() > 1e-4 * largest * largest * largest
}

/// Joins the parts of one calibration; the caller checks them with [`frame`].
pub(super) fn rows_of(values: &[f32]) -> Option<[[f32; 3]; 3]> {
    let &[a, b, c, d, e, f, g, h, i] = values else {
        return None;
    };
    Some([[a, b, c], [d, e, f], [g, h, i]])
}

/// A calibration without the optional parts.
pub(super) fn plain_matrix(illuminant: u16, xyz_to_camera: [[f32; 3]; 3]) -> CameraMatrix {
    CameraMatrix {
        illuminant,
        xyz_to_camera,
        forward: None,
        calibration: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_area_outside_of_the_picture_is_cut_or_dropped() {
        let whole = Rect {
            left: 0,
            top: 0,
            width: 8,
            height: 6,
        };
        assert_eq!(
            inside([2, 1, 4, 4], 8, 6),
            Rect {
                left: 2,
                top: 1,
                width: 4,
                height: 4
            }
        );
        assert_eq!(
            inside([2, 1, 99, 99], 8, 6),
            Rect {
                left: 2,
                top: 1,
                width: 6,
                height: 5
            }
        );
        assert_eq!(inside([8, 0, 4, 4], 8, 6), whole);
        assert_eq!(inside([usize::MAX, 0, usize::MAX, 4], 8, 6), whole);
        assert_eq!(inside([0, 0, 0, 0], 8, 6), whole);
    }

    #[test]
    fn only_greens_on_a_diagonal_make_a_bayer_block() {
        let of = |letters: &str| {
            let filters: Vec<_> = letters
                .chars()
                .map(|letter| match letter {
                    'R' => Some(Filter::Red),
                    'G' => Some(Filter::Green),
                    'B' => Some(Filter::Blue),
                    _ => None,
                })
                .collect();
            pattern(2, 2, &filters, "x.dng")
        };
        for letters in ["RGGB", "BGGR", "GRBG", "GBRG"] {
            let found = of(letters).unwrap();
            assert!(matches!(found, Pattern::Bayer(_)));
            assert_eq!(found.letters(), letters);
        }
        assert!(matches!(of("RGBG"), Ok(Pattern::Other { .. })));
        assert!(matches!(of("RGGW"), Err(Error::Unsupported { .. })));
        assert!(matches!(of("RRRR"), Err(Error::Unsupported { .. })));
    }

    #[test]
    fn matrices_without_an_inverse_are_told() {
        assert!(invertible(&[
            [0.99, -0.28, -0.13],
            [-0.71, 1.42, 0.31],
            [-0.28, 0.33, 0.89]
        ]));
        assert!(!invertible(&[
            [1.0, 2.0, 3.0],
            [2.0, 4.0, 6.0],
            [0.0, 0.0, 1.0]
        ]));
        assert!(!invertible(&[[0.0; 3]; 3]));
        assert!(!invertible(&[
            [f32::NAN, 0.0, 0.0],
            [0.0, 1.0, 0.0],
            [0.0, 0.0, 1.0]
        ]));
    }
}
