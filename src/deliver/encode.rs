//! Pixels to the bytes of a file: JPEG, PNG or TIFF with profile, resolution, Exif and XMP.
//!
//! Everything happens in memory and depends on nothing but the arguments, so the same picture
//! gives the same bytes. JPEG: ITU-T T.81, all three components at full resolution (faces show
//! chroma subsampling at lips and lashes first), ICC in APP2 (ICC.1:2022, annex B.4). PNG: third
//! edition, `iCCP`, `eXIf`, `pHYs`, XMP in `iTXt`. TIFF: 6.0, uncompressed, ICC
//! in tag 34675, XMP in tag 700.

use std::borrow::Cow;
use std::io::Cursor;

use jpeg_encoder::{ColorType, Encoder, PixelDensity, SamplingFactor};
use serde::{Deserialize, Serialize};
use tiff::encoder::{DirectoryEncoder, Rational, TiffKind, TiffValue};
use tiff::tags::{ResolutionUnit, Tag, Type};

use crate::picture::Size;

use super::metadata::{EXIF_DIRECTORY, Field, Metadata, Value};

/// How a picture is encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Format {
    /// JPEG, not subsampled, 8 bits.
    Jpeg {
        /// 1 to 100, as the encoder counts.
        quality: u8,
    },
    /// PNG.
    Png {
        /// 8 or 16 per sample.
        bits: u8,
    },
    /// TIFF.
    Tiff {
        /// 8 or 16 per sample.
        bits: u8,
    },
}

impl Format {
    /// The ending of its files.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Jpeg { .. } => "jpg",
            Self::Png { .. } => "png",
            Self::Tiff { .. } => "tif",
        }
    }

    /// Bits per sample: 8 or 16.
    pub fn bits(self) -> u8 {
        match self {
            Self::Png { bits: 16 } | Self::Tiff { bits: 16 } => 16,
            _ => 8,
        }
    }
}

/// All of the encoder's settings in words, for the sidecar.
impl std::fmt::Display for Format {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Jpeg { quality } => write!(out, "JPEG, quality {quality}, 4:4:4, baseline"),
            Self::Png { .. } => write!(out, "PNG, {} bits", self.bits()),
            Self::Tiff { .. } => write!(out, "TIFF, {} bits, uncompressed", self.bits()),
        }
    }
}

/// Interleaved red, green and blue, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Pixels {
    /// 8 bits per sample.
    Eight(Vec<u8>),
    /// 16 bits per sample.
    Sixteen(Vec<u16>),
}

impl Pixels {
    fn len(&self) -> usize {
        match self {
            Self::Eight(samples) => samples.len(),
            Self::Sixteen(samples) => samples.len(),
        }
    }

    fn bits(&self) -> u8 {
        match self {
            Self::Eight(_) => 8,
            Self::Sixteen(_) => 16,
        }
    }
}

/// Why a picture could not be encoded.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The format cannot hold so large a picture.
    #[error("{width} x {height} pixels are more than {format} holds; ask for a smaller output")]
    Limit {
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
        /// The format's name.
        format: &'static str,
    },
    /// Samples and size, or samples and format, do not belong together.
    #[error("{found} samples of {bits} bits do not make a picture of {width} x {height} pixels")]
    Malformed {
        /// Samples there are.
        found: usize,
        /// Bits the format needs.
        bits: u8,
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
    },
    /// The encoder refused.
    #[error("the {format} encoder refused: {why}")]
    Encoder {
        /// The format's name.
        format: &'static str,
        /// In its own words.
        why: String,
    },
}

fn refused(format: &'static str) -> impl Fn(&dyn std::fmt::Display) -> Error {
    move |why| Error::Encoder {
        format,
        why: why.to_string(),
    }
}

/// Encodes one picture.
///
/// # Errors
/// When samples, size and format do not fit together or the format cannot hold the picture.
pub fn encode(
    pixels: Pixels,
    size: Size,
    format: Format,
    icc: &[u8],
    metadata: &Metadata,
) -> Result<Vec<u8>, Error> {
    let Size { width, height } = size;
    let needed = width.checked_mul(height).and_then(|n| n.checked_mul(3));
    if needed != Some(pixels.len()) || needed == Some(0) || pixels.bits() != format.bits() {
        let (found, bits) = (pixels.len(), format.bits());
        return Err(Error::Malformed {
            found,
            bits,
            width,
            height,
        });
    }
    match (format, &pixels) {
        (Format::Jpeg { quality }, Pixels::Eight(samples)) => {
            jpeg(samples, size, quality, icc, metadata)
        }
        (Format::Tiff { .. }, _) => tiff(&pixels, size, icc, metadata),
        _ => png(&pixels, size, icc, metadata, png::Compression::default()),
    }
}

fn jpeg(
    samples: &[u8],
    Size { width, height }: Size,
    quality: u8,
    icc: &[u8],
    metadata: &Metadata,
) -> Result<Vec<u8>, Error> {
    let (Ok(columns), Ok(rows)) = (u16::try_from(width), u16::try_from(height)) else {
        return Err(Error::Limit {
            width,
            height,
            format: "JPEG",
        });
    };
    let refused = refused("JPEG");
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, quality.clamp(1, 100));
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    // The tables of T.81, annex K. Tables made for the picture save some 5 %, but that of a grey
    // picture's chroma has a single code, which zune-jpeg 0.5.15 reads wrong from the second row
    // of blocks on.
    encoder.set_optimized_huffman_tables(false);
    if let Ok(ppi @ 1..) = u16::try_from(metadata.ppi) {
        encoder.set_density(PixelDensity::dpi(ppi));
    }
    let xmp = [b"http://ns.adobe.com/xap/1.0/\0", metadata.xmp().as_bytes()].concat();
    encoder
        .add_exif_metadata(&metadata.exif())
        .and_then(|()| encoder.add_app_segment(1, xmp))
        .and_then(|()| encoder.add_icc_profile(icc))
        .and_then(|()| encoder.encode(samples, columns, rows, ColorType::Rgb))
        .map_err(|why| refused(&why))?;
    Ok(out)
}

/// A JPEG with its profile and nothing else, for looking at.
///
/// # Errors
/// When samples and size do not fit together or JPEG cannot hold the picture.
pub fn bare_jpeg(
    pixels: &Pixels,
    Size { width, height }: Size,
    quality: u8,
    icc: &[u8],
) -> Result<Vec<u8>, Error> {
    let refused = refused("JPEG");
    let (Ok(columns), Ok(rows)) = (u16::try_from(width), u16::try_from(height)) else {
        return Err(Error::Limit {
            width,
            height,
            format: "JPEG",
        });
    };
    let Pixels::Eight(samples) = pixels else {
        return Err(Error::Malformed {
            found: pixels.len(),
            bits: 8,
            width,
            height,
        });
    };
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, quality.clamp(1, 100));
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    encoder
        .add_icc_profile(icc)
        .and_then(|()| encoder.encode(samples, columns, rows, ColorType::Rgb))
        .map_err(|why| refused(&why))?;
    Ok(out)
}

/// An 8-bit PNG that is written fast rather than small, for looking at once.
///
/// # Errors
/// When samples and size do not fit together or PNG cannot hold the picture.
pub fn quick_png(pixels: &[u8], size: Size, icc: &[u8]) -> Result<Vec<u8>, Error> {
    let pixels = Pixels::Eight(pixels.to_vec());
    let effort = png::Compression::Fast;
    png(&pixels, size, icc, &Metadata::default(), effort)
}

fn png(
    pixels: &Pixels,
    Size { width, height }: Size,
    icc: &[u8],
    metadata: &Metadata,
    effort: png::Compression,
) -> Result<Vec<u8>, Error> {
    let (Ok(columns), Ok(rows)) = (u32::try_from(width), u32::try_from(height)) else {
        return Err(Error::Limit {
            width,
            height,
            format: "PNG",
        });
    };
    let refused = refused("PNG");
    let mut info = png::Info::with_size(columns, rows);
    info.color_type = png::ColorType::Rgb;
    info.icc_profile = Some(Cow::Borrowed(icc));
    info.exif_metadata = Some(Cow::Owned(metadata.exif()));
    if metadata.ppi > 0 {
        // 1 inch is 0.0254 m.
        let per_metre = (f64::from(metadata.ppi) / 0.0254).round() as u32;
        info.pixel_dims = Some(png::PixelDimensions {
            xppu: per_metre,
            yppu: per_metre,
            unit: png::Unit::Meter,
        });
    }
    let bytes = match pixels {
        Pixels::Eight(samples) => {
            info.bit_depth = png::BitDepth::Eight;
            Cow::Borrowed(samples.as_slice())
        }
        Pixels::Sixteen(samples) => {
            info.bit_depth = png::BitDepth::Sixteen;
            Cow::Owned(
                samples
                    .iter()
                    .flat_map(|sample| sample.to_be_bytes())
                    .collect(),
            )
        }
    };
    let mut out = Vec::new();
    let write = || -> Result<(), png::EncodingError> {
        let mut encoder = png::Encoder::with_info(&mut out, info)?;
        encoder.set_compression(effort);
        encoder.add_itxt_chunk("XML:com.adobe.xmp".into(), metadata.xmp())?;
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&bytes)?;
        writer.finish()
    };
    write().map_err(|why| refused(&why))?;
    Ok(out)
}

/// Text of type ASCII that may hold UTF-8; the crate's own refuses that.
struct Text(Vec<u8>);

impl TiffValue for Text {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::ASCII;

    fn count(&self) -> usize {
        self.0.len()
    }

    fn data(&self) -> Cow<'_, [u8]> {
        Cow::Borrowed(&self.0)
    }
}

/// Bytes of type UNDEFINED.
struct Undefined<'a>(&'a [u8]);

impl TiffValue for Undefined<'_> {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::UNDEFINED;

    fn count(&self) -> usize {
        self.0.len()
    }

    fn data(&self) -> Cow<'_, [u8]> {
        Cow::Borrowed(self.0)
    }
}

fn write_fields<W: std::io::Write + std::io::Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    fields: &[Field],
) -> tiff::TiffResult<()> {
    for (tag, value) in fields {
        let tag = Tag::from_u16_exhaustive(*tag);
        match value {
            Value::Text(text) => {
                directory.write_tag(tag, Text([text.as_bytes(), &[0]].concat()))?;
            }
            Value::Short(value) => directory.write_tag(tag, *value)?,
            Value::Rational(n, d) => directory.write_tag(tag, Rational { n: *n, d: *d })?,
            Value::Bytes(bytes) => directory.write_tag(tag, Undefined(bytes))?,
        }
    }
    Ok(())
}

fn tiff(
    pixels: &Pixels,
    Size { width, height }: Size,
    icc: &[u8],
    metadata: &Metadata,
) -> Result<Vec<u8>, Error> {
    let limit = Error::Limit {
        width,
        height,
        format: "TIFF",
    };
    let (Ok(columns), Ok(rows)) = (u32::try_from(width), u32::try_from(height)) else {
        return Err(limit);
    };
    // Offsets have 32 bits.
    if pixels.len() as u64 * u64::from(pixels.bits() / 8) > 4_000_000_000 {
        return Err(limit);
    }
    let refused = refused("TIFF");
    // Room for all, as growing would copy it a few times.
    let room = pixels.len() * usize::from(pixels.bits() / 8) + icc.len() + (1 << 16);
    let mut out = Cursor::new(Vec::with_capacity(room));
    let mut write = || -> tiff::TiffResult<()> {
        use tiff::encoder::colortype::{RGB8, RGB16};
        // LZW took a tenth of a 45-megapixel frame's processor time, on one core.
        let mut encoder = tiff::encoder::TiffEncoder::new(&mut out)?;
        let mut exif = encoder.extra_directory()?;
        write_fields(&mut exif, &metadata.exif_fields())?;
        let exif = exif.finish_with_offsets()?;
        macro_rules! image {
            ($colours:ty, $samples:expr) => {{
                let mut image = encoder.new_image::<$colours>(columns, rows)?;
                if metadata.ppi > 0 {
                    let ppi = Rational {
                        n: metadata.ppi,
                        d: 1,
                    };
                    image.resolution(ResolutionUnit::Inch, ppi);
                }
                let directory = image.encoder();
                write_fields(directory, &metadata.main_fields())?;
                directory.write_tag(Tag::IccProfile, Undefined(icc))?;
                directory.write_tag(Tag::Unknown(700), metadata.xmp().as_bytes())?;
                directory.write_tag(Tag::from_u16_exhaustive(EXIF_DIRECTORY), exif.offset)?;
                image.write_data($samples)
            }};
        }
        match pixels {
            Pixels::Eight(samples) => image!(RGB8, samples),
            Pixels::Sixteen(samples) => image!(RGB16, samples),
        }
    };
    write().map_err(|why| refused(&why))?;
    Ok(out.into_inner())
}
