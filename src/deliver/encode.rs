//! tmp
use crate::picture::Size;
use super::metadata::Metadata;
use image::ImageEncoder;
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format { Jpeg { quality: u8 }, Png { bits: u8 }, Tiff { bits: u8 } }
impl Format {
    pub fn bits(self) -> u8 { match self { Self::Jpeg{..} => 8, Self::Png{bits} | Self::Tiff{bits} => bits } }
    pub fn ending(self) -> &'static str { match self { Self::Jpeg{..} => "jpg", Self::Png{..} => "png", Self::Tiff{..} => "tif" } }
}
impl std::fmt::Display for Format { fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { write!(f, "{self:?}") } }
pub enum Pixels { Eight(Vec<u8>), Sixteen(Vec<u16>) }
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Error(String);
pub fn encode(pixels: Pixels, size: Size, format: Format, icc: &[u8], _m: &Metadata) -> Result<Vec<u8>, Error> {
    let mut out = Vec::new();
    let (w,h) = (size.width as u32, size.height as u32);
    let e = |e: image::ImageError| Error(e.to_string());
    let (bytes, kind) = match pixels { Pixels::Eight(v) => (v, image::ExtendedColorType::Rgb8), Pixels::Sixteen(v) => (v.iter().flat_map(|s| s.to_ne_bytes()).collect(), image::ExtendedColorType::Rgb16) };
    match format {
        Format::Jpeg{quality} => { let mut enc = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, quality); let _ = enc.set_icc_profile(icc.to_vec()); enc.write_image(&bytes,w,h,kind).map_err(e)?; }
        Format::Png{..} => { let mut enc = image::codecs::png::PngEncoder::new(&mut out); let _ = enc.set_icc_profile(icc.to_vec()); enc.write_image(&bytes,w,h,kind).map_err(e)?; }
        Format::Tiff{..} => { let mut c = std::io::Cursor::new(&mut out); image::codecs::tiff::TiffEncoder::new(&mut c).write_image(&bytes,w,h,kind).map_err(e)?; }
    }
    Ok(out)
}
