//! From a finished picture to the bytes of one delivered file: shape, size, sharpening, colour
//! space, encoder.
//!
//! Resampled in linear light, where light adds, then sharpened at its own size. What part of the frame
//! an output shows says the engine (`Shown`); wall that is added beside the frame is the finished
//! picture's own, mirrored. A black-and-white variant is the recipe's operation of that name, at its
//! defaults, on the finished colours.

use std::borrow::Cow;

use ndarray::Array2;

use crate::colour::output::{Encoder, Profile, encode_8};
use crate::engine::{Finished, Shape, Shown};
use crate::operations::black_and_white::BlackAndWhite;
use crate::operations::output_sharpening::OutputSharpening;
use crate::picture::{Linear, Rect, Size, bands, resample};
use crate::raw::{Exif, Private};

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
    /// Exactly this wide and high; the output's shape is that of these.
    Exact(u32, u32),
}

/// One file that is wanted.
#[derive(Debug, Clone)]
pub struct Order {
    /// The output's name in the job.
    pub name: String,
    /// Path inside of the delivery folder, checked not to leave it.
    pub file: String,
    /// What part of the frame it shows.
    pub shape: Shape,
    /// How large.
    pub extent: Extent,
    /// How it is encoded.
    pub format: Format,
    /// Its colour space.
    pub profile: Profile,
    /// The recipe's sharpening with the output's factor; `None` without such a step.
    pub sharpening: Option<OutputSharpening>,
    /// Whether it is a black-and-white variant.
    pub black_and_white: bool,
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
    /// The format with the settings that were used.
    pub format: Format,
    /// BLAKE3 of the interleaved samples (16-bit ones little-endian).
    pub blake3_pixels: String,
}

impl Order {
    /// All that the file depends on besides frame, recipe and set, as text.
    pub fn canonical(&self) -> String {
        format!(
            "{} {} {:?} {:?} {:?} {:?} {:?} {} {:?}",
            self.name,
            self.file,
            self.shape,
            self.extent,
            self.format,
            self.profile,
            self.sharpening,
            self.black_and_white,
            self.metadata
        )
    }
}

/// Makes one file of a finished picture, which covers what is `shown`.
///
/// # Errors
/// When the encoder refuses, or the file would be larger than the format allows.
pub fn make(
    finished: &Finished,
    order: &Order,
    shown: &Shown,
    exif: &Exif,
    private: &Private,
) -> Result<Made, encode::Error> {
    let cut = part(finished, shown);
    let size = size_of(order.extent, cut.size());
    let mut sized = if size == cut.size() {
        cut
    } else {
        Cow::Owned(resample::resize(&cut, size))
    };
    if order.black_and_white {
        let picture = sized.to_mut();
        BlackAndWhite::default().mix(picture);
    }
    let mut pixels = pixels(
        &sized,
        order.sharpening.as_ref(),
        order.profile,
        order.format.bits(),
    );
    drop(sized);
    if order.black_and_white {
        neutral(&mut pixels);
    }
    let blake3_pixels = digest(&pixels);
    let mut metadata = order.metadata.clone();
    metadata.exposure = exif.clone();
    metadata.private = metadata.keep.of(private);
    let icc = order.profile.icc();
    let (file, format) = encode::encode(&pixels, size, order.format, &icc, &metadata)?;
    Ok(Made {
        file,
        size,
        format,
        blake3_pixels,
    })
}

/// What is shown of a finished picture, with the wall that is added.
fn part<'f>(finished: &'f Finished, shown: &Shown) -> Cow<'f, Linear> {
    let picture = &finished.picture;
    let cover = finished.cover;
    let rect = Rect {
        left: shown.rect.left - cover.left,
        top: shown.rect.top - cover.top,
        ..shown.rect
    };
    let [left, right] = shown.added;
    if rect == Rect::whole(picture.size()) && left.columns + right.columns == 0 {
        return Cow::Borrowed(picture);
    }
    let Size { width, height } = shown.size();
    // Beyond each edge its wall runs back and forth.
    let mirrored = |beyond: usize, wall: usize| {
        let place = beyond % (2 * wall.max(1));
        place.min(2 * wall.max(1) - 1 - place)
    };
    let columns: Vec<usize> = (0..width)
        .map(|x| {
            if x < left.columns {
                mirrored(left.columns - 1 - x, left.wall)
            } else if x < left.columns + rect.width {
                x - left.columns
            } else {
                rect.width - 1 - mirrored(x - left.columns - rect.width, right.wall)
            }
        })
        .collect();
    let planes = picture.planes.each_ref().map(|plane| {
        let from = rect.of(plane.view());
        let mut out = Array2::zeros((height, width));
        for (mut row, from) in out.outer_iter_mut().zip(from.outer_iter()) {
            for (value, &x) in row.iter_mut().zip(&columns) {
                *value = from[x];
            }
        }
        out
    });
    Cow::Owned(Linear { planes })
}

/// Rows that are sharpened and encoded as one piece: of a full-size frame a few megabytes, with
/// about a sixth of the rows around them read twice.
const BAND: usize = 64;

/// Sharpens and encodes in one walk down the picture, so that a full-size output needs no further
/// planes.
fn pixels(
    sized: &Linear,
    sharpening: Option<&OutputSharpening>,
    profile: Profile,
    bits: u8,
) -> Pixels {
    let Size { width, height } = sized.size();
    let strip = |band: usize| {
        let rows = band * BAND..((band + 1) * BAND).min(height);
        match sharpening {
            Some(sharpening) => sharpening.sharpen(sized, rows),
            None => sized.strip(rows),
        }
    };
    let encoder = Encoder::new(profile);
    let (samples, piece) = (3 * width * height, 3 * width * BAND);
    if bits == 16 {
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

/// Gives each pixel its green in all channels. On the way to the profile's space a grey rounds, and one
/// channel that ends a level beside the others is a tint.
fn neutral(pixels: &mut Pixels) {
    fn each<T: Copy>(samples: &mut [T]) {
        for pixel in samples.chunks_exact_mut(3) {
            pixel.fill(pixel[1]);
        }
    }
    match pixels {
        Pixels::Eight(samples) => each(samples),
        Pixels::Sixteen(samples) => each(samples),
    }
}

/// A small 8-bit sRGB copy whose longer edge has at most `edge` pixels.
pub fn thumbnail(picture: &Linear, edge: usize) -> (Vec<u8>, Size) {
    let size = thumbnail_size(picture.size(), edge);
    (
        encode_8(&resample::resize(picture, size), Profile::Srgb),
        size,
    )
}

/// The size of a [`thumbnail`] of a picture of this size.
pub fn thumbnail_size(of: Size, edge: usize) -> Size {
    let long = of.width.max(of.height);
    if long <= edge {
        of
    } else {
        scaled_to(of, edge, long)
    }
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
    let long = from.width.max(from.height);
    let size = scaled_to(from, edge.min(long), long);
    let sized = resample::resize(&finished.picture, size);
    let shown = pixels(&sized, sharpening, Profile::Srgb, 8);
    let file = encode::bare_jpeg(&shown, size, LOOK, &Profile::Srgb.icc())?;
    Ok((file, size))
}

/// The size in pixels of an output whose part of the frame has the size `from`.
fn size_of(extent: Extent, from: Size) -> Size {
    let by = |wanted: u32, side: usize| scaled_to(from, wanted as usize, side);
    match extent {
        Extent::Full => from,
        Extent::Width(width) => by(width, from.width),
        Extent::Height(height) => by(height, from.height),
        Extent::LongEdge(edge) => by(edge, from.width.max(from.height)),
        Extent::Exact(width, height) => Size {
            width: width as usize,
            height: height as usize,
        },
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
