//! Finished pictures: JPEG, PNG and TIFF, brought upright and to the working space.
//!
//! The crate `image` decodes; sizes are checked after its header and before its pixels. Colour
//! goes by the embedded profile, or by sRGB where there is none, and the frame says which. What
//! cannot be right is refused with a remedy: pictures that show through, CMYK, floating point
//! without a stated white.

use std::io::Cursor;

use image::codecs::{jpeg::JpegDecoder, png::PngDecoder, tiff::TiffDecoder};
use image::{ColorType, ExtendedColorType, ImageDecoder, ImageError};

use super::checked::{self, Buffer};
use super::flash::panicked;
use super::profile::ToWorking;
use super::quiet::quietly;
use super::{Error, FinishedFrame, Limits, notes, tiff};
use crate::picture::{Linear, Size};

/// What a finished picture's bytes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    Jpeg,
    Png,
    Tiff,
}

impl Content {
    /// Tells by the first bytes; `None` for everything else, camera raws among it.
    pub(super) fn of(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(&[0xFF, 0xD8, 0xFF]) {
            return Some(Self::Jpeg);
        }
        if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            return Some(Self::Png);
        }
        tiff::first_directory(bytes)
            .is_some_and(|directory| directory.is_finished())
            .then_some(Self::Tiff)
    }

    /// Its common name.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
        }
    }

    /// The extension of its file names.
    pub(super) fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Tiff => "tif",
        }
    }
}

/// What to do about a finished picture of an unknown kind.
const EXPORT: &str = "Export it again as an RGB picture with 8 or 16 bits and an embedded profile";

/// Decodes, converts and turns upright.
pub(super) fn read(
    bytes: &[u8],
    name: &str,
    content: Content,
    limits: &Limits,
) -> Result<FinishedFrame, Error> {
    quietly(|| match content {
        Content::Jpeg => {
            whole_jpeg(bytes, name)?;
            let decoder = JpegDecoder::new(Cursor::new(bytes));
            decode(
                decoder.map_err(|error| told(name, &error, limits))?,
                bytes,
                name,
                content,
                limits,
            )
        }
        Content::Png => {
            let decoder = PngDecoder::with_limits(Cursor::new(bytes), theirs(limits));
            decode(
                decoder.map_err(|error| told(name, &error, limits))?,
                bytes,
                name,
                content,
                limits,
            )
        }
        Content::Tiff => {
            let decoder = TiffDecoder::new(Cursor::new(bytes));
            decode(
                decoder.map_err(|error| told(name, &error, limits))?,
                bytes,
                name,
                content,
                limits,
            )
        }
    })
    .unwrap_or_else(|failure| Err(panicked(name, failure)))
}

/// Our limits as `image` takes them: 16-bit RGB with alpha, and as much again for its own use.
fn theirs(limits: &Limits) -> image::Limits {
    let mut theirs = image::Limits::default();
    theirs.max_image_width = Some(limits.max_side);
    theirs.max_image_height = Some(limits.max_side);
    theirs.max_alloc = Some(limits.max_pixels.saturating_mul(4));
    theirs
}

fn decode(
    mut decoder: impl ImageDecoder,
    bytes: &[u8],
    name: &str,
    content: Content,
    limits: &Limits,
) -> Result<FinishedFrame, Error> {
    let wrong = |error: ImageError| told(name, &error, limits);
    let (width, height) = decoder.dimensions();
    let size = Size {
        width: width as usize,
        height: height as usize,
    };
    let three = Buffer {
        width: size.width,
        height: size.height,
        planes: 3,
    };
    checked::size(&three, name, limits)?;
    decoder.set_limits(theirs(limits)).map_err(wrong)?;

    let unsupported = |what: String, remedy| {
        Err(Error::Unsupported {
            file: name.to_owned(),
            what,
            remedy,
        })
    };
    if matches!(
        decoder.original_color_type(),
        ExtendedColorType::Cmyk8 | ExtendedColorType::Cmyk16
    ) {
        return unsupported("a CMYK picture".to_owned(), EXPORT);
    }
    let colours = decoder.color_type();
    let (planes, deep) = match colours {
        ColorType::L8 => (1, false),
        ColorType::La8 => (2, false),
        ColorType::Rgb8 => (3, false),
        ColorType::Rgba8 => (4, false),
        ColorType::L16 => (1, true),
        ColorType::La16 => (2, true),
        ColorType::Rgb16 => (3, true),
        ColorType::Rgba16 => (4, true),
        _ => return unsupported("a picture of floating-point numbers".to_owned(), EXPORT),
    };
    let levels = if deep { 65536 } else { 256 };
    let icc = decoder.icc_profile().map_err(wrong)?;
    let to_working = match icc {
        None => ToWorking::assumed(levels),
        Some(icc) => match ToWorking::embedded(&icc, levels, planes < 3) {
            Ok(to_working) => to_working,
            Err(why) => {
                let remedy = "Convert it to sRGB or another matrix profile and save it again";
                return unsupported(format!("its embedded profile {why}"), remedy);
            }
        },
    };
    let block = match content {
        Content::Tiff => Some(bytes.to_vec()),
        // A damaged block of notes is no reason to refuse a sound picture.
        Content::Jpeg | Content::Png => decoder.exif_metadata().ok().flatten(),
    };
    let (exif, orientation) = block.map_or_else(Default::default, notes::read);

    let length = usize::try_from(decoder.total_bytes())
        .map_err(|_| checked::too_large(name, "its pixels", limits))?;
    let mut codes = vec![0_u8; length];
    decoder.read_image(&mut codes).map_err(wrong)?;
    let picture = if deep {
        // `image` gives the machine's byte order, little-endian on the machines we promise.
        let codes: Vec<u16> = codes
            .chunks_exact(2)
            .map(|two| u16::from_ne_bytes([two[0], two[1]]))
            .collect();
        converted(&codes, u16::MAX, size, planes, &to_working)
    } else {
        converted(&codes, u8::MAX, size, planes, &to_working)
    };
    let Some(picture) = picture else {
        let what = "a picture that shows through in places (alpha)".to_owned();
        return unsupported(what, "Flatten it onto its backdrop and save it again");
    };
    let picture = orientation.turn_picture(picture);
    Ok(FinishedFrame {
        picture,
        exif,
        profile: to_working.name,
    })
}

/// The picture; `None` where its alpha is less than full anywhere, since no one can say what is
/// meant to show through.
fn converted<T>(
    codes: &[T],
    full: T,
    size: Size,
    planes: usize,
    to_working: &ToWorking,
) -> Option<Linear>
where
    T: Copy + Into<u32> + PartialEq + Sync,
{
    let alpha = planes == 2 || planes == 4;
    if alpha
        && codes
            .chunks_exact(planes)
            .any(|pixel| pixel[planes - 1] != full)
    {
        return None;
    }
    Some(to_working.apply(codes, size, planes))
}

/// Refuses a JPEG of four channels, or one that ends before its last marker: the decoder would
/// fill the rest with grey and say nothing.
///
/// ITU-T T.81, annex B: marker segments with lengths up to the scan, in whose data FF is always
/// followed by 00 or a restart marker, so the first FF D9 there is the end of the picture.
fn whole_jpeg(bytes: &[u8], name: &str) -> Result<(), Error> {
    let cut = || checked::malformed(name, "JPEG", "the file ends too soon".to_owned());
    let mut at = 2;
    loop {
        let rest = bytes
            .get(at..)
            .filter(|rest| rest.len() >= 4)
            .ok_or_else(cut)?;
        let (marker, length) = match *rest {
            // Any number of FF may fill the space before a marker.
            [0xFF, 0xFF, ..] => {
                at += 1;
                continue;
            }
            [0xFF, marker, high, low, ..] => (marker, usize::from(u16::from_be_bytes([high, low]))),
            _ => {
                let rule = format!("no marker where one belongs, at byte {at}");
                return Err(checked::malformed(name, "JPEG", rule));
            }
        };
        let frame = matches!(marker, 0xC0..=0xCF) && !matches!(marker, 0xC4 | 0xC8 | 0xCC);
        if frame && rest.get(9) == Some(&4) {
            return Err(Error::Unsupported {
                file: name.to_owned(),
                what: "a CMYK picture".to_owned(),
                remedy: EXPORT,
            });
        }
        at += 2 + length.max(2);
        if marker == 0xDA {
            break;
        }
    }
    let scan = bytes.get(at..).ok_or_else(cut)?;
    if scan.windows(2).any(|two| two == [0xFF, 0xD9]) {
        Ok(())
    } else {
        Err(cut())
    }
}

/// The decoder's error in our words.
fn told(name: &str, error: &ImageError, limits: &Limits) -> Error {
    match error {
        ImageError::Limits(_) => checked::too_large(name, "its dimensions", limits),
        ImageError::Unsupported(error) => Error::Unsupported {
            file: name.to_owned(),
            what: notes::reason(error),
            remedy: EXPORT,
        },
        ImageError::IoError(_) => {
            checked::malformed(name, "picture", "the file ends too soon".to_owned())
        }
        _ => checked::malformed(name, "picture", notes::reason(error)),
    }
}
