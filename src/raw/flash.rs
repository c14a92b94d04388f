//! The first decoder: the crate `flashraw`, strict, within our limits, without its corrections.
//!
//! It tells geometry from the headers alone, so sizes are refused before pixels are decoded. Its
//! CFA and black level are anchored at the buffer; both are moved to the active area here.

use flashraw::{
    CfaColor, ColorMatrices, CorruptionPolicy, DecodeOptions, FlashRaw, OutputFormat, RawFrame,
    RawPixelData, SampleFormat, SensorLayout,
};
use ndarray::Array2;

use super::checked::{self, Buffer};
use super::quiet::{Failure, quietly};
use super::{
    CONVERT, CameraMatrix, Decode, Decoder, Error, Exif, Filter, Limits, Orientation, Pattern,
    Samples, SensorFrame, notes,
};
use crate::picture::Rect;

/// The decoder.
pub(super) struct Flash;

impl Decode for Flash {
    fn decode(&self, bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error> {
        quietly(|| decode(bytes, name, limits))
            .unwrap_or_else(|failure| Err(panicked(name, failure)))
    }
}

/// A decoder's panic, as the error it should have been. Its own words help nobody but its
/// author, so they are left out.
pub(super) fn panicked(name: &str, failure: Failure) -> Error {
    match failure {
        Failure::Panicked(_) => checked::malformed(
            name,
            "camera raw",
            "its contents contradict each other, so that decoding had to stop".to_owned(),
        ),
        Failure::NoThreads => Error::Limit {
            file: name.to_owned(),
            what: "the system gives no threads to decode with".to_owned(),
            remedy: "Close other programs, or raise the limit on processes, and run again",
        },
    }
}

fn decode(bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error> {
    let ours = flashraw::Limits::default()
        .with_max_samples(limits.max_pixels)
        .with_max_dimension(limits.max_side);
    let file = FlashRaw::open_with(bytes, ours).map_err(|error| told(name, &error, limits))?;
    let info = file.frame_info();
    let buffer = Buffer {
        width: info.width as usize,
        height: info.height as usize,
        planes: info.cpp as usize,
    };
    checked::size(&buffer, name, limits)?;
    // Nothing here stretches pixels, and a face must not come out wide.
    if (info.pixel_aspect - 1.0).abs() > 0.01 {
        return Err(Error::Unsupported {
            file: name.to_owned(),
            what: "a sensor whose pixels are not square".to_owned(),
            remedy: CONVERT,
        });
    }
    let output = match info.sample_format {
        SampleFormat::F32 => OutputFormat::RawF32,
        _ => OutputFormat::RawU16,
    };
    let options = DecodeOptions {
        output,
        corruption_policy: CorruptionPolicy::Strict,
        limits: ours,
        apply_opcodes: false,
        ..DecodeOptions::default()
    };
    let mut frame = file
        .decode(options)
        .map_err(|error| told(name, &error, limits))?;
    let data = std::mem::replace(&mut frame.data, RawPixelData::U16(Vec::new()));
    sensor_frame(&frame, data, &buffer, name)
}

/// Our frame from the decoder's.
fn sensor_frame(
    frame: &RawFrame,
    data: RawPixelData,
    buffer: &Buffer,
    name: &str,
) -> Result<SensorFrame, Error> {
    let active = within(frame.active_area, buffer.width, buffer.height);
    let samples = match data {
        RawPixelData::U16(data) => {
            Samples::Whole(checked::active_part(data, buffer, active, name)?)
        }
        RawPixelData::F32(data) => {
            Samples::Float(checked::active_part(data, buffer, active, name)?)
        }
        _ => {
            let rule = "the decoder gave neither integer nor floating-point samples".to_owned();
            return Err(checked::malformed(name, "sensor data", rule));
        }
    };
    let crop = within(frame.crop, buffer.width, buffer.height);
    let metadata = &frame.metadata;
    let extras = metadata.dng.as_ref();
    let white = |plane: usize| frame.white_level.at(plane) as f32;
    let balance = if frame.white_balance_applied {
        Some([1.0; 3])
    } else {
        frame
            .white_balance
            .map(|balance| [balance.coeffs[0], balance.coeffs[1], balance.coeffs[2]])
    };
    let sensor = SensorFrame {
        samples,
        pattern: pattern(frame, active, name)?,
        black: black(frame, active, buffer.planes),
        white: [white(0), white(1), white(2)],
        balance,
        matrices: matrices(&frame.color_matrices),
        analog_balance: match frame.color_matrices.analog_balance[..] {
            [red, green, blue, ..] => [red, green, blue],
            _ => [1.0; 3],
        },
        baseline_exposure: extras.and_then(|dng| dng.baseline_exposure).unwrap_or(0.0) as f32,
        noise_profile: extras
            .and_then(|dng| dng.noise_profile.as_deref())
            .and_then(noise),
        crop: Rect {
            left: crop.left.saturating_sub(active.left),
            top: crop.top.saturating_sub(active.top),
            ..crop
        },
        orientation: Orientation::from_exif(frame.orientation.exif()),
        exif: Exif {
            exposure: metadata
                .exposure
                .exposure_time
                .and_then(|s| notes::positive(s as f32)),
            aperture: metadata.exposure.f_number.and_then(notes::positive),
            iso: metadata.exposure.iso.filter(|iso| *iso > 0),
            focal_length: metadata.exposure.focal_length.and_then(notes::positive),
            taken: metadata.capture_time.as_deref().and_then(notes::moment),
            body: notes::body(&metadata.make, &metadata.model),
            lens: metadata.lens.model.as_deref().and_then(notes::words),
        },
        decoder: Decoder::Flashraw,
    };
    checked::frame(sensor, u32::from(frame.bits_per_sample), name)
}

fn within(rect: flashraw::Rect, width: usize, height: usize) -> Rect {
    let rect = [rect.x, rect.y, rect.width, rect.height].map(|value| value as usize);
    checked::inside(rect, width, height)
}

/// The filters, moved to the active area's first site.
fn pattern(frame: &RawFrame, active: Rect, name: &str) -> Result<Pattern, Error> {
    let Some(cfa) = &frame.cfa else {
        return match (frame.sensor_layout, frame.cpp) {
            (SensorLayout::Foveon, _) => Err(Error::Unsupported {
                file: name.to_owned(),
                what: "a sensor whose colours lie in layers".to_owned(),
                remedy: CONVERT,
            }),
            (_, 3) => Ok(Pattern::Linear),
            _ => Ok(Pattern::Monochrome),
        };
    };
    let cfa = cfa.shifted(active.left, active.top);
    let filters: Vec<Option<Filter>> = cfa
        .colors()
        .into_iter()
        .map(|colour| match colour {
            CfaColor::Red => Some(Filter::Red),
            CfaColor::Green => Some(Filter::Green),
            CfaColor::Blue => Some(Filter::Blue),
            _ => None,
        })
        .collect();
    checked::pattern(cfa.height(), cfa.width(), &filters, name)
}

/// The black level's block, moved to the active area's first site: as small as it repeats.
/// `DNG specification 1.7`, BlackLevelRepeatDim, BlackLevelDeltaH and BlackLevelDeltaV: the
/// corrections add to the block, one a column and one a row.
fn black(frame: &RawFrame, active: Rect, planes: usize) -> Array2<f32> {
    let level = &frame.black_level;
    let corrected = |deltas: &[f32]| deltas.iter().any(|delta| *delta != 0.0);
    let rows = if corrected(&level.row_deltas) {
        active.height
    } else {
        level.rows.max(1).into()
    };
    let columns = if corrected(&level.col_deltas) {
        active.width
    } else {
        level.cols.max(1).into()
    };
    Array2::from_shape_fn((rows, columns * planes), |(y, x)| {
        level.at(active.left + x / planes, active.top + y, x % planes)
    })
}

/// All calibrations with three rows. The parts of one belong to the same light.
fn matrices(all: &ColorMatrices) -> Vec<CameraMatrix> {
    let part = |parts: &[flashraw::ColorMatrix], light: flashraw::Illuminant| {
        parts
            .iter()
            .find(|part| part.illuminant == light)
            .and_then(|part| checked::rows_of(&part.values))
    };
    all.color
        .iter()
        .filter_map(|matrix| {
            Some(CameraMatrix {
                illuminant: matrix.illuminant.0,
                xyz_to_camera: checked::rows_of(&matrix.values)?,
                forward: part(&all.forward, matrix.illuminant),
                calibration: part(&all.calibration, matrix.illuminant),
            })
        })
        .collect()
}

/// DNG NoiseProfile: a pair for all colours, or one for each.
fn noise(values: &[f64]) -> Option<[[f32; 2]; 3]> {
    let pair = |index: usize| [values[2 * index] as f32, values[2 * index + 1] as f32];
    match values.len() {
        2 => Some([pair(0); 3]),
        6 | 8 => Some([pair(0), pair(1), pair(2)]),
        _ => None,
    }
}

/// The decoder's error in our words.
fn told(name: &str, error: &flashraw::Error, limits: &Limits) -> Error {
    use flashraw::Error as Theirs;
    let unsupported = |what: String| Error::Unsupported {
        file: name.to_owned(),
        what,
        remedy: CONVERT,
    };
    match error {
        Theirs::UnsupportedFormat(_) => Error::Unsupported {
            file: name.to_owned(),
            what: "neither a camera raw that can be read nor a JPEG, PNG or TIFF picture"
                .to_owned(),
            remedy: "Look whether it is the right file; if it is a camera raw, convert it to DNG",
        },
        Theirs::UnsupportedCompression {
            format,
            compression,
        } => unsupported(format!(
            "its samples are compressed in a way that cannot be read ({})",
            notes::reason(format!("{format}, {compression}"))
        )),
        Theirs::CameraUnsupported { make, model, .. } => unsupported(format!(
            "raw files of this camera cannot be read ({})",
            notes::reason(format!("{make} {model}"))
        )),
        Theirs::LimitExceeded(_) | Theirs::OutOfMemory(_) => {
            checked::too_large(name, "its dimensions", limits)
        }
        _ => match error.truncation() {
            Some(cut) => checked::malformed(
                name,
                "sensor data",
                format!(
                    "the file ends too soon, {} bytes are missing",
                    cut.missing()
                ),
            ),
            None => checked::malformed(name, "camera raw", notes::reason(error)),
        },
    }
}
