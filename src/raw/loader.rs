//! The second decoder: the crate `rawloader`, for formats that the first does not know.
//!
//! It cannot be given limits, so its own dry run, which reads headers and allocates no pixels,
//! tells the size first. Where the dry run fails (it does for cameras whose black level is
//! measured from pixels) the file is not decoded. Its black levels are in R, G, B order, except
//! those of a DNG, which are in the order of sites and anchored, like the DNG's CFA, at the
//! active area; its matrices are one for each camera, made for D65.

use std::io::Cursor;

use ndarray::Array2;
use rawloader::{RawImage, RawImageData};

use super::checked::{self, Buffer};
use super::flash::panicked;
use super::quiet::quietly;
use super::{
    Decode, Decoder, Error, Exif, Filter, Limits, Orientation, Pattern, Samples, SensorFrame,
    notes, tiff,
};

/// The decoder.
pub(super) struct Loader;

/// Largest file handed to a decoder that copies it and has no limits; no single-shot raw comes
/// near.
const MOST_BYTES: usize = 512 << 20;

/// Exif LightSource code of D65.
const D65: u16 = 21;

/// `rawloader`'s matrices of listed cameras are in ten-thousandths.
const TABLE_UNIT: f32 = 10_000.0;

impl Decode for Loader {
    fn decode(&self, bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error> {
        quietly(|| decode(bytes, name, limits))
            .unwrap_or_else(|failure| Err(panicked(name, failure)))
    }
}

/// Adds the balance and the matrix that only this decoder knows to a frame that the other one
/// decoded. Leaves the frame as it is when it knows nothing.
pub(super) fn fill(frame: &mut SensorFrame, bytes: &[u8]) {
    let image = quietly(|| {
        if bytes.len() > MOST_BYTES {
            return None;
        }
        // A CRW's size is in one record, which the first decoder has checked already; and its
        // black level is measured from pixels, which the dry run lacks.
        let crw = bytes.get(6..14) == Some(b"HEAPCCDR");
        rawloader::decode_dummy(&mut Cursor::new(bytes))
            .or_else(|error| {
                if crw {
                    rawloader::decode(&mut Cursor::new(bytes))
                } else {
                    Err(error)
                }
            })
            .ok()
    });
    let Ok(Some(image)) = image else { return };
    let mut filled = frame_without_samples(&image);
    filled.samples = Samples::Whole(Array2::zeros((1, 1)));
    if let Ok(filled) = checked::frame(filled, 16, "") {
        frame.balance = frame.balance.or(filled.balance);
        if frame.matrices.is_empty() {
            frame.matrices = filled.matrices;
        }
    }
}

fn decode(bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error> {
    if bytes.len() > MOST_BYTES {
        return Err(checked::too_large(name, "its bytes", limits));
    }
    let refused = |_| Error::Unsupported {
        file: name.to_owned(),
        what: "not a camera raw that can be read".to_owned(),
        remedy: super::CONVERT,
    };
    let dry = rawloader::decode_dummy(&mut Cursor::new(bytes)).map_err(refused)?;
    checked::size(&buffer(&dry), name, limits)?;
    let mut image = rawloader::decode(&mut Cursor::new(bytes)).map_err(refused)?;
    let buffer = buffer(&image);
    checked::size(&buffer, name, limits)?;

    let [top, right, bottom, left] = image.crops;
    let (width, height) = (buffer.width, buffer.height);
    let wide = width.saturating_sub(left.saturating_add(right));
    let high = height.saturating_sub(top.saturating_add(bottom));
    let active = checked::inside([left, top, wide, high], width, height);

    let dng = tiff::first_directory(bytes).is_some_and(|directory| directory.dng);
    let (rows, columns) = (image.cfa.height, image.cfa.width);
    let (down, across) = if dng {
        (0, 0)
    } else {
        (active.top, active.left)
    };
    let colour = |y: usize, x: usize| image.cfa.color_at(y + down, x + across);
    let pattern = if image.cfa.is_valid() {
        let filters: Vec<Option<Filter>> = (0..rows * columns)
            .map(|site| match colour(site / columns, site % columns) {
                0 => Some(Filter::Red),
                1 => Some(Filter::Green),
                2 => Some(Filter::Blue),
                _ => None,
            })
            .collect();
        checked::pattern(rows, columns, &filters, name)?
    } else if buffer.planes == 3 {
        Pattern::Linear
    } else {
        Pattern::Monochrome
    };
    let levels = image.blacklevels.map(f32::from);
    let black = match pattern {
        Pattern::Linear => Array2::from_shape_fn((1, 3), |(_, plane)| levels[plane]),
        Pattern::Monochrome => Array2::from_elem((1, 1), levels[0]),
        _ if dng => Array2::from_shape_fn((2, 2), |(y, x)| levels[2 * y + x]),
        _ => Array2::from_shape_fn((rows, columns), |(y, x)| levels[colour(y, x).min(3)]),
    };
    let samples = match std::mem::replace(&mut image.data, RawImageData::Integer(Vec::new())) {
        RawImageData::Integer(data) => {
            Samples::Whole(checked::active_part(data, &buffer, active, name)?)
        }
        RawImageData::Float(data) => {
            Samples::Float(checked::active_part(data, &buffer, active, name)?)
        }
    };
    let mut frame = frame_without_samples(&image);
    frame.samples = samples;
    frame.pattern = pattern;
    frame.black = black;
    frame.crop = checked::inside(
        [0, 0, active.width, active.height],
        active.width,
        active.height,
    );
    checked::frame(frame, 16, name)
}

fn buffer(image: &RawImage) -> Buffer {
    Buffer {
        width: image.width,
        height: image.height,
        planes: image.cpp,
    }
}

/// All that does not depend on samples: levels, balance, matrix, orientation, camera.
fn frame_without_samples(image: &RawImage) -> SensorFrame {
    let [red, green, blue, _] = image.xyz_to_cam;
    let table = [red, green, blue];
    // A DNG's matrix is in units of 1 and has no entry near 100.
    let unit = if table.iter().flatten().any(|v| v.abs() > 100.0) {
        TABLE_UNIT
    } else {
        1.0
    };
    let matrix = table.map(|row| row.map(|value| value / unit));
    SensorFrame {
        samples: Samples::Whole(Array2::zeros((0, 0))),
        pattern: Pattern::Monochrome,
        black: Array2::zeros((1, 1)),
        white: [0, 1, 2].map(|plane| f32::from(image.whitelevels[plane])),
        balance: Some([image.wb_coeffs[0], image.wb_coeffs[1], image.wb_coeffs[2]]),
        matrices: vec![checked::plain_matrix(D65, matrix)],
        analog_balance: [1.0; 3],
        baseline_exposure: 0.0,
        noise_profile: None,
        crop: crate::picture::Rect {
            left: 0,
            top: 0,
            width: 0,
            height: 0,
        },
        orientation: Orientation::from_exif(u32::from(image.orientation.to_u16())),
        exif: Exif {
            body: notes::body(&image.clean_make, &image.clean_model),
            ..Exif::default()
        },
        decoder: Decoder::Rawloader,
    }
}
