//! From a finished picture to the bytes of one delivered file: shape, size, sharpening, colour
//! space, encoder.
//!
//! Resampled in linear light, where light adds, then sharpened at its own size.

use std::borrow::Cow;

use crate::colour::output::{Encoder, Profile, encode_8};
use crate::engine::Finished;
use crate::operations::output_sharpening::OutputSharpening;
use crate::picture::{Linear, Rect, Size, bands, resample};
use crate::raw::Exif;

use super::encode::{self, Format, Pixels};
use super::metadata::Metadata;

/// How large an output is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// As many pixels as the crop has.
    Full,
    /// This wide.
    Width(u32),
    /// This high.
    Height(u32),
    /// The longer edge has this many.
    LongEdge(u32),
    /// Exactly this wide and high; the crop is cut to this shape around the eyes.
    Exact(u32, u32),
}

/// One file that is wanted.
#[derive(Debug, Clone)]
pub struct Order {
    /// The output's name in the job.
    pub name: String,
    /// Path inside of the delivery folder, checked not to leave it.
    pub file: String,
    /// How large.
    pub extent: Extent,
    /// How it is encoded.
    pub format: Format,
    /// Its colour space.
    pub profile: Profile,
    /// The recipe's sharpening with the output's factor; `None` without such a step.
    pub sharpening: Option<OutputSharpening>,
    /// What is written into the file besides pixels.
    pub metadata: Metadata,
}

/// A file in memory.
#[derive(Debug)]
pub struct Made {
    /// Its bytes.
    pub file: Vec<u8>,
    /// Pixels.
    pub size: Size,
    /// BLAKE3 of the interleaved samples (16-bit ones little-endian).
    pub blake3_pixels: String,
}

impl Order {
    /// All that the file depends on besides frame, recipe and set, as text.
    pub fn canonical(&self) -> String {
        format!(
            "{} {} {:?} {:?} {:?} {:?} {:?}",
            self.name,
            self.file,
            self.extent,
            self.format,
            self.profile,
            self.sharpening,
            self.metadata
        )
    }
}

/// Makes one file of a finished picture.
///
/// # Errors
/// When the encoder refuses.
pub fn make(finished: &Finished, order: &Order, exif: &Exif) -> Result<Made, encode::Error> {
    let (shape, size) = shape_and_size(finished, order.extent);
    let picture = &finished.picture;
    let mut cut = None;
    if shape != Rect::whole(picture.size()) {
        let part = picture
            .planes
            .each_ref()
            .map(|plane| shape.of(plane.view()).to_owned());
        cut = Some(Linear { planes: part });
    }
    let cut = cut.as_ref().unwrap_or(picture);
    let sized = if size == cut.size() {
        Cow::Borrowed(cut)
    } else {
        Cow::Owned(resample::resize(cut, size))
    };
    let pixels = pixels(&sized, order);
    drop(sized);
    let blake3_pixels = digest(&pixels);
    let mut metadata = order.metadata.clone();
    metadata.exposure = exif.clone();
    let file = encode::encode(pixels, size, order.format, &order.profile.icc(), &metadata)?;
    Ok(Made {
        file,
        size,
        blake3_pixels,
    })
}

/// Rows that are sharpened and encoded as one piece: of a full-size frame a few megabytes, with
/// about a sixth of the rows around them read twice.
const BAND: usize = 64;

/// Sharpens and encodes in one walk down the picture, so that a full-size output needs no further
/// planes.
fn pixels(sized: &Linear, order: &Order) -> Pixels {
    let Size { width, height } = sized.size();
    let strip = |band: usize| {
        let rows = band * BAND..((band + 1) * BAND).min(height);
        match &order.sharpening {
            Some(sharpening) => sharpening.sharpen(sized, rows),
            None => sized.strip(rows),
        }
    };
    let encoder = Encoder::new(order.profile);
    let (samples, piece) = (3 * width * height, 3 * width * BAND);
    if order.format.bits() == 16 {
        let mut out = vec![0; samples];
        bands::each_piece(&mut out, piece, |band, out| {
            encoder.sixteen(&strip(band), out)
        });
        Pixels::Sixteen(out)
    } else {
        let mut out = vec![0; samples];
        bands::each_piece(&mut out, piece, |band, out| {
            encoder.eight(&strip(band), band * BAND, out)
        });
        Pixels::Eight(out)
    }
}

/// A small 8-bit sRGB copy whose longer edge has at most `edge` pixels.
pub fn thumbnail(picture: &Linear, edge: usize) -> (Vec<u8>, Size) {
    let from = picture.size();
    let long = from.width.max(from.height);
    let size = if long <= edge {
        from
    } else {
        scaled_to(from, edge, long)
    };
    (
        encode_8(&resample::resize(picture, size), Profile::Srgb),
        size,
    )
}

/// Quality of a JPEG that is only looked at. Common practice, no source.
const LOOK: u8 = 82;

/// A JPEG for looking at: sRGB, at most `edge` pixels on its longer side and never enlarged,
/// sharpened as an output of its size, with no metadata at all.
///
/// # Errors
/// When the encoder refuses.
pub fn look(
    finished: &Finished,
    sharpening: Option<&OutputSharpening>,
    edge: usize,
) -> Result<(Vec<u8>, Size), encode::Error> {
    let from = finished.picture.size();
    let edge = edge.min(from.width.max(from.height));
    let order = Order {
        name: String::new(),
        file: String::new(),
        extent: Extent::LongEdge(u32::try_from(edge).unwrap_or(u32::MAX)),
        format: Format::Jpeg { quality: LOOK },
        profile: Profile::Srgb,
        sharpening: sharpening.cloned(),
        metadata: Metadata::default(),
    };
    let (_, size) = shape_and_size(finished, order.extent);
    let sized = resample::resize(&finished.picture, size);
    let file = encode::bare_jpeg(&pixels(&sized, &order), size, LOOK, &order.profile.icc())?;
    Ok((file, size))
}

/// The part of the crop that an output shows, and its size in pixels.
fn shape_and_size(finished: &Finished, extent: Extent) -> (Rect, Size) {
    let from = finished.picture.size();
    let whole = Rect::whole(from);
    let by = |wanted: u32, side: usize| scaled_to(from, wanted as usize, side);
    match extent {
        Extent::Full => (whole, from),
        Extent::Width(width) => (whole, by(width, from.width)),
        Extent::Height(height) => (whole, by(height, from.height)),
        Extent::LongEdge(edge) => (whole, by(edge, from.width.max(from.height))),
        Extent::Exact(width, height) => {
            let size = Size {
                width: width as usize,
                height: height as usize,
            };
            (part_of_shape(finished, size), size)
        }
    }
}

/// `from` scaled by `wanted / side`, at least one pixel each way.
fn scaled_to(from: Size, wanted: usize, side: usize) -> Size {
    let scaled = |edge: usize| ((edge * wanted + side / 2) / side).max(1);
    Size {
        width: scaled(from.width),
        height: scaled(from.height),
    }
}

/// The largest part of the crop in the shape of `size`: cut evenly left and right, and above and
/// below in the proportion in which the eyes divide the picture, so that they stay where the
/// recipe put them.
fn part_of_shape(finished: &Finished, size: Size) -> Rect {
    let from = finished.picture.size();
    let height_for = (from.width * size.height + size.width / 2) / size.width;
    if height_for <= from.height {
        let eye_line = finished.regions.marks.as_ref().map_or(0.42, |marks| {
            let middle = 0.5 * (marks.eyes[0].y + marks.eyes[1].y);
            (middle / from.height as f32).clamp(0.0, 1.0)
        });
        let height = height_for.max(1);
        let top = ((from.height - height) as f32 * eye_line) as usize;
        Rect {
            left: 0,
            top: top.min(from.height - height),
            width: from.width,
            height,
        }
    } else {
        let width =
            ((from.height * size.width + size.height / 2) / size.height).clamp(1, from.width);
        Rect {
            left: (from.width - width) / 2,
            top: 0,
            width,
            height: from.height,
        }
    }
}

fn digest(pixels: &Pixels) -> String {
    let mut hasher = blake3::Hasher::new();
    match pixels {
        Pixels::Eight(samples) => {
            hasher.update(samples);
        }
        Pixels::Sixteen(samples) => {
            let mut piece = Vec::with_capacity(2 * 4096);
            for samples in samples.chunks(4096) {
                piece.clear();
                piece.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
                hasher.update(&piece);
            }
        }
    }
    hasher.finalize().to_hex().to_string()
}
