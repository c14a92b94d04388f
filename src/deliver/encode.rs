//! Pixels to the bytes of a file: JPEG, PNG or TIFF with profile, resolution, Exif, XMP and IPTC-IIM.
//!
//! Everything happens in memory and depends on nothing but the arguments, so the same picture
//! gives the same bytes. JPEG: ITU-T T.81, all three components at full resolution (faces show
//! chroma subsampling at lips and lashes first), samples by [`jpeg_samples`], ICC in APP2
//! (ICC.1:2022, annex B.4). PNG: third edition, `iCCP`, `eXIf`, `pHYs`, XMP in `iTXt`. TIFF: 6.0, uncompressed, ICC
//! in tag 34675, XMP in tag 700, IPTC-IIM in tag 33723 (in a JPEG: APP13).

use std::borrow::Cow;
use std::io::Cursor;

use jpeg_encoder::{ColorType, Encoder, PixelDensity, SamplingFactor};
use serde::{Deserialize, Serialize};
use tiff::encoder::{DirectoryEncoder, Rational, TiffKind, TiffValue};
use tiff::tags::{ResolutionUnit, Tag, Type};

use crate::picture::Size;

use super::iptc;
use super::jpeg_samples;
use super::metadata::{EXIF_DIRECTORY, Field, Metadata, PLACE_DIRECTORY, Value};

/// How a picture is encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Format {
    /// JPEG, not subsampled, 8 bits.
    Jpeg {
        /// 1 to 100, as the encoder counts; the most that is used where `largest` says how much a
        /// file may take.
        quality: u8,
        /// Whether it comes in four scans, from coarse to fine.
        progressive: bool,
        /// Kilobytes (of 1000 bytes) that the file may take.
        largest: Option<u32>,
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

/// The lowest quality that is tried for a file that shall stay small: below, blocks show on skin
/// and smooth walls. Common practice, no source.
pub const LOWEST_QUALITY: u8 = 60;

impl Format {
    /// A plain JPEG.
    pub const fn jpeg(quality: u8) -> Self {
        Self::Jpeg {
            quality,
            progressive: false,
            largest: None,
        }
    }

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
            Self::Jpeg {
                quality,
                progressive,
                largest,
            } => {
                let scans = if *progressive {
                    "progressive"
                } else {
                    "baseline"
                };
                write!(out, "JPEG, quality {quality}, 4:4:4, {scans}")?;
                match largest {
                    Some(largest) => write!(out, ", within {largest} kB"),
                    None => Ok(()),
                }
            }
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
    /// Not even the lowest quality makes the file small enough.
    #[error(
        "at quality {quality} the file still takes {found} kB, and only {largest} kB are allowed; ask for \
         fewer pixels or allow more"
    )]
    TooLarge {
        /// The lowest quality that was tried.
        quality: u8,
        /// What it took then, in kilobytes, rounded up.
        found: u64,
        /// What is allowed.
        largest: u32,
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

/// Encodes one picture; gives the format with the settings that were used.
///
/// A JPEG that shall stay within so many kilobytes gets the highest quality up to its own, and down to
/// [`LOWEST_QUALITY`], at which it fits: by halving the interval, so at most seven encodings. (Sizes
/// grow with quality but for a few bytes; a quality is taken only if its own file fits.)
///
/// # Errors
/// When samples, size and format do not fit together, the format cannot hold the picture, or it takes
/// too much even at the lowest quality.
pub fn encode(
    pixels: &Pixels,
    size: Size,
    format: Format,
    icc: &[u8],
    metadata: &Metadata,
) -> Result<(Vec<u8>, Format), Error> {
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
    let file = match (format, pixels) {
        (
            Format::Jpeg {
                quality,
                progressive,
                largest,
            },
            Pixels::Eight(samples),
        ) => {
            let at = |quality: u8| jpeg(samples, size, (quality, progressive), icc, metadata);
            let Some(largest) = largest else {
                return Ok((at(quality)?, format));
            };
            let (file, quality) = within(at, quality, largest)?;
            let found = Format::Jpeg {
                quality,
                progressive,
                largest: Some(largest),
            };
            return Ok((file, found));
        }
        (Format::Tiff { .. }, _) => tiff(pixels, size, icc, metadata),
        _ => png(pixels, size, icc, metadata, Effort::for_delivery(pixels)),
    }?;
    Ok((file, format))
}

/// The file of the highest quality up to `highest` that takes at most `largest` kilobytes.
fn within(
    at: impl Fn(u8) -> Result<Vec<u8>, Error>,
    highest: u8,
    largest: u32,
) -> Result<(Vec<u8>, u8), Error> {
    let fits = |file: &[u8]| file.len() as u64 <= u64::from(largest) * 1000;
    let file = at(highest)?;
    if fits(&file) {
        return Ok((file, highest));
    }
    let mut low = LOWEST_QUALITY.min(highest);
    let mut best = at(low)?;
    if !fits(&best) {
        return Err(Error::TooLarge {
            quality: low,
            found: (best.len() as u64).div_ceil(1000),
            largest,
        });
    }
    // `low` fits, `high` does not.
    let mut high = highest;
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        let file = at(middle)?;
        if fits(&file) {
            (low, best) = (middle, file);
        } else {
            high = middle;
        }
    }
    Ok((best, low))
}

fn jpeg(
    samples: &[u8],
    size: Size,
    (quality, progressive): (u8, bool),
    icc: &[u8],
    metadata: &Metadata,
) -> Result<Vec<u8>, Error> {
    let Size { width, height } = size;
    if width > usize::from(u16::MAX) || height > usize::from(u16::MAX) {
        return Err(Error::Limit {
            width,
            height,
            format: "JPEG",
        });
    }
    let refused = refused("JPEG");
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, quality.clamp(1, 100));
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    // The tables of T.81, annex K. Tables made for the picture save some 5 %, but that of a grey
    // picture's chroma has a single code, which zune-jpeg 0.5.15 reads wrong from the second row
    // of blocks on.
    encoder.set_optimized_huffman_tables(false);
    encoder.set_progressive(progressive);
    if let Ok(ppi @ 1..) = u16::try_from(metadata.ppi) {
        encoder.set_density(PixelDensity::dpi(ppi));
    }
    let xmp = [b"http://ns.adobe.com/xap/1.0/\0", metadata.xmp().as_bytes()].concat();
    encoder
        .add_exif_metadata(&metadata.exif())
        .and_then(|()| encoder.add_app_segment(1, xmp))
        .and_then(|()| match iptc::segment(metadata) {
            Some(segment) => encoder.add_app_segment(13, segment),
            None => Ok(()),
        })
        .and_then(|()| encoder.add_icc_profile(icc))
        .and_then(|()| encoder.encode_image(jpeg_samples::Samples::new(samples, size, quality)))
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
    let effort = Effort {
        filter: png::Filter::Adaptive,
        deflate: png::DeflateCompression::FdeflateUltraFast,
    };
    png(&pixels, size, icc, &Metadata::default(), effort)
}

/// How a PNG is packed.
struct Effort {
    filter: png::Filter,
    deflate: png::DeflateCompression,
}

impl Effort {
    /// Measured on finished sitters against the crate's own choice (adaptive, level 6): 8 bits at level
    /// 4 took 0.28 of its time for files 5 to 6 % larger; 16 bits, whose low bytes are noise that no
    /// search shortens, took 0.14 of its time for files half a per cent smaller.
    fn for_delivery(pixels: &Pixels) -> Self {
        match pixels {
            Pixels::Eight(_) => Self {
                filter: png::Filter::Adaptive,
                deflate: png::DeflateCompression::Level(4),
            },
            Pixels::Sixteen(_) => Self {
                filter: png::Filter::Paeth,
                deflate: png::DeflateCompression::Level(1),
            },
        }
    }
}

fn png(
    pixels: &Pixels,
    Size { width, height }: Size,
    icc: &[u8],
    metadata: &Metadata,
    effort: Effort,
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
        encoder.set_filter(effort.filter);
        encoder.set_deflate_compression(effort.deflate);
        encoder.add_itxt_chunk("XML:com.adobe.xmp".into(), metadata.xmp())?;
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&bytes)?;
        writer.finish()
    };
    write().map_err(|why| refused(&why))?;
    Ok(out)
}

/// The tag of IPTC-IIM datasets (IPTC Photo Metadata Standard 2023.1; registered as IPTC/NAA).
const IPTC: u16 = 33_723;

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
            Value::Byte(value) => directory.write_tag(tag, *value)?,
            Value::Short(value) => directory.write_tag(tag, *value)?,
            Value::Rational(n, d) => directory.write_tag(tag, Rational { n: *n, d: *d })?,
            Value::Rationals(three) => {
                let three = three.map(|(n, d)| Rational { n, d });
                directory.write_tag(tag, three.as_slice())?;
            }
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
        let mut place = None;
        let fields = metadata.place_fields();
        if !fields.is_empty() {
            let mut directory = encoder.extra_directory()?;
            write_fields(&mut directory, &fields)?;
            place = Some(directory.finish_with_offsets()?);
        }
        let iptc = iptc::datasets(metadata);
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
                if !iptc.is_empty() {
                    directory.write_tag(Tag::Unknown(IPTC), Undefined(&iptc))?;
                }
                directory.write_tag(Tag::from_u16_exhaustive(EXIF_DIRECTORY), exif.offset)?;
                if let Some(place) = &place {
                    let tag = Tag::from_u16_exhaustive(PLACE_DIRECTORY);
                    directory.write_tag(tag, place.offset)?;
                }
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
