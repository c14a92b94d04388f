//! Bytes to [`Frame`]: what a camera recorded, checked before anybody uses it.
//!
//! [`read`] tells by content, never by name, what a file is. Camera raws go to `flashraw`
//! first: on a corpus of 56 decodable files it was right on every one, where `rawloader` was
//! right on 22 and silently wrong on 16. `rawloader` is asked only for files other than DNG
//! that `flashraw` does not know, and for a white balance or matrix that it alone has.
//! JPEG, PNG and TIFF are taken in as finished pictures.
//!
//! Whatever comes in is hostile until checked: sizes against [`Limits`] before pixels are
//! decoded, levels, filters and matrices before a frame leaves this folder (`checked`). The
//! decoders run where a panic of theirs neither ends the process nor prints (`quiet`).

mod checked;
mod finished;
mod flash;
mod loader;
mod notes;
mod orientation;
mod profile;
mod quiet;
mod tiff;

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use crate::picture::{Linear, Rect, Size};

/// One frame as it came out of its file.
#[derive(Debug, Clone)]
pub enum Frame {
    /// A camera raw.
    Sensor(SensorFrame),
    /// A finished picture (JPEG, PNG, TIFF), already turned upright and brought to the working
    /// space; steps of the sensor stage are not available.
    Finished(FinishedFrame),
}

/// The colour filter in front of a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Filter {
    /// Red.
    Red,
    /// Green.
    Green,
    /// Blue.
    Blue,
}

/// How the samples of a [`SensorFrame`] are laid out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Pattern {
    /// 2 x 2 filters, row by row, beginning at the first site of the active area.
    Bayer([Filter; 4]),
    /// 6 x 6 filters, row by row, beginning at the first site of the active area.
    SixBySix(Vec<Filter>),
    /// Any other block of filters, row by row, beginning at the first site of the active area.
    /// No method here develops it; the mosaic can still be looked at.
    Other {
        /// Rows of the block.
        rows: usize,
        /// Columns of the block.
        columns: usize,
        /// `rows * columns` filters.
        filters: Vec<Filter>,
    },
    /// No filters: one grey plane.
    Monochrome,
    /// Three colours at each site (a linear DNG); the samples' width is three times the frame's.
    Linear,
}

/// What a sensor recorded in its active area, before any processing.
#[derive(Debug, Clone)]
pub struct SensorFrame {
    /// Samples of the active area, (height, width), or (height, 3 x width) interleaved for
    /// [`Pattern::Linear`]. On the scale of `white`; floating-point files keep their values.
    pub samples: Samples,
    /// Filters, anchored at the active area's first site.
    pub pattern: Pattern,
    /// Black level of a repeating block anchored at the active area's first site, in the rows
    /// and columns of `samples` (so three columns a site for [`Pattern::Linear`]). One value
    /// is a block of 1 x 1; a file with a correction for each row or column has a block as high
    /// or as wide as the active area. Finite and below `white`.
    pub black: Array2<f32>,
    /// Value of a full site, per colour R, G, B (above black everywhere).
    pub white: [f32; 3],
    /// As-shot gains R, G, B with green = 1; `None` when the file tells none.
    pub balance: Option<[f32; 3]>,
    /// Matrices from the file or the decoder's table; may be empty.
    pub matrices: Vec<CameraMatrix>,
    /// DNG AnalogBalance, 1 where absent.
    pub analog_balance: [f32; 3],
    /// DNG BaselineExposure in stops, 0 where absent.
    pub baseline_exposure: f32,
    /// DNG NoiseProfile (scale, offset) per colour on the 0..1 scale, where the file has one.
    pub noise_profile: Option<[[f32; 2]; 3]>,
    /// The part meant to be seen, in sites of the active area.
    pub crop: Rect,
    /// How to turn the picture upright.
    pub orientation: Orientation,
    /// What the camera noted.
    pub exif: Exif,
    /// Which decoder read the file.
    pub decoder: Decoder,
}

impl SensorFrame {
    /// A mosaic (height, width) of linear light from elsewhere, black 0 and white 1, of which nothing
    /// else is known: not a camera's file, but a simulation or a measurement. All of it is to be seen,
    /// and it stands upright.
    #[must_use]
    pub fn from_light(mosaic: Array2<f32>, pattern: Pattern) -> Self {
        let (height, width) = mosaic.dim();
        Self {
            samples: Samples::Float(mosaic),
            pattern,
            black: Array2::zeros((1, 1)),
            white: [1.0; 3],
            balance: None,
            matrices: Vec::new(),
            analog_balance: [1.0; 3],
            baseline_exposure: 0.0,
            noise_profile: None,
            crop: Rect::whole(Size { width, height }),
            orientation: Orientation::UPRIGHT,
            exif: Exif::default(),
            decoder: Decoder::Image,
        }
    }
}

/// Raw samples in their own precision.
#[derive(Debug, Clone, PartialEq)]
pub enum Samples {
    /// Integer samples.
    Whole(Array2<u16>),
    /// Floating-point samples.
    Float(Array2<f32>),
}

/// One calibration of a camera under one light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CameraMatrix {
    /// Exif LightSource code of the calibration light (17 is standard light A, 21 is D65).
    pub illuminant: u16,
    /// CIE XYZ to camera, rows R, G, B (DNG ColorMatrix).
    pub xyz_to_camera: [[f32; 3]; 3],
    /// White-balanced camera to XYZ D50 (DNG ForwardMatrix), where given.
    pub forward: Option<[[f32; 3]; 3]>,
    /// DNG CameraCalibration, where given.
    pub calibration: Option<[[f32; 3]; 3]>,
}

/// Exif orientation (CIPA DC-008, tag 0x0112), 1 to 8: which side of what is stored is up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Orientation(pub u8);

impl Default for Orientation {
    fn default() -> Self {
        Self::UPRIGHT
    }
}

/// What the camera noted of the exposure. `None` is what the file did not say.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Exif {
    /// Seconds.
    pub exposure: Option<f32>,
    /// F-number.
    pub aperture: Option<f32>,
    /// ISO speed.
    pub iso: Option<u32>,
    /// Millimetres.
    pub focal_length: Option<f32>,
    /// As written: `YYYY:MM:DD HH:MM:SS`.
    pub taken: Option<String>,
    /// Maker and model.
    pub body: Option<String>,
    /// Lens.
    pub lens: Option<String>,
}

/// What a file notes of the place and of the equipment's owner: read only where somebody asks for it,
/// kept in no sidecar.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Private {
    /// Where it was taken.
    pub place: Option<Place>,
    /// The body's serial number.
    pub body_number: Option<String>,
    /// The lens's serial number.
    pub lens_number: Option<String>,
}

/// A place on earth (WGS 84, as Exif's GPS fields mean it).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Degrees north, -90 to 90.
    pub latitude: f64,
    /// Degrees east, -180 to 180.
    pub longitude: f64,
    /// Metres above sea level.
    pub altitude: Option<f64>,
}

/// Who read a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Decoder {
    /// The crate `flashraw`.
    Flashraw,
    /// The crate `rawloader`.
    Rawloader,
    /// The crate `image`.
    Image,
}

/// A finished picture taken in as a frame.
#[derive(Debug, Clone)]
pub struct FinishedFrame {
    /// Upright, in the working space; 1.0 is the file's white.
    pub picture: Linear,
    /// What the file noted.
    pub exif: Exif,
    /// Name of the embedded profile, or `sRGB (assumed)`.
    pub profile: String,
}

/// What a file may cost. Checked against its header before pixels are decoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Samples in all: width x height x planes.
    pub max_pixels: u64,
    /// Pixels along the longer side.
    pub max_side: u32,
}

impl Default for Limits {
    /// 200 million samples and 20 000 a side: a third more than the largest one-shot sensors
    /// (150 million sites, 14 204 a side). Samples of
    /// 16 bits then take 0.4 GB at most; at its own wider limits a decoder took 3.2 GB for a file of 20 KB.
    fn default() -> Self {
        Self {
            max_pixels: 200_000_000,
            max_side: 20_000,
        }
    }
}

/// Why a file gave no frame. Each message names the file, what is wrong and what to do next.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// The file breaks a rule of its own format, or ends too soon.
    #[error("{file}: {place}: {rule}. {remedy}")]
    Malformed {
        /// Name as given to [`read`].
        file: String,
        /// Which part of the file.
        place: &'static str,
        /// What is wrong there.
        rule: String,
        /// What to do next.
        remedy: &'static str,
    },
    /// The file asks for more than [`Limits`] allow.
    #[error("{file}: {what}. {remedy}")]
    Limit {
        /// Name as given to [`read`].
        file: String,
        /// What is too large.
        what: String,
        /// What to do next.
        remedy: &'static str,
    },
    /// A sound file, as far as can be told, of a kind that cannot be read here.
    #[error("{file}: {what}. {remedy}")]
    Unsupported {
        /// Name as given to [`read`].
        file: String,
        /// What is not supported.
        what: String,
        /// What to do next.
        remedy: &'static str,
    },
    /// A finished picture under the name of a camera raw.
    #[error(
        "{file}: holds a finished {content} picture, not a camera raw. Look for the original raw, \
         or rename the file to {rename} to finish it as it is"
    )]
    Misnamed {
        /// Name as given to [`read`].
        file: String,
        /// What the content is: JPEG, PNG or TIFF.
        content: &'static str,
        /// A fitting name.
        rename: String,
    },
}

/// One way to make a [`SensorFrame`] of bytes.
///
/// [`Error::Unsupported`] means that another decoder may know more; any other error is final.
trait Decode {
    /// Decodes a whole camera raw within `limits`; `name` is for messages only.
    fn decode(&self, bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error>;
}

/// Reads a file's bytes. `name` is its name, for messages and to notice a finished picture under
/// the name of a raw; what the file is, its content says.
///
/// The same bytes give the same frame, at any thread count.
///
/// # Errors
/// [`Error`], each with a remedy. A file that ends too soon is always an error, never a frame
/// with grey rows.
pub fn read(bytes: &[u8], name: &str, limits: &Limits) -> Result<Frame, Error> {
    if bytes.is_empty() {
        return Err(Error::Malformed {
            file: name.to_owned(),
            place: "file",
            rule: "it is empty (0 bytes)".to_owned(),
            remedy: COPY_AGAIN,
        });
    }
    let Some(content) = finished::Content::of(bytes) else {
        return sensor_frame(bytes, name, limits).map(Frame::Sensor);
    };
    if !has_raw_name(name) {
        return finished::read(bytes, name, content, limits).map(Frame::Finished);
    }
    let misnamed = Error::Misnamed {
        file: name.to_owned(),
        content: content.name(),
        rename: renamed(name, content.extension()),
    };
    if content != finished::Content::Tiff {
        return Err(misnamed);
    }
    // Some cameras' raws look like a finished TIFF from outside: here the name may be right.
    match sensor_frame(bytes, name, limits) {
        Err(Error::Unsupported { .. }) => Err(misnamed),
        other => other.map(Frame::Sensor),
    }
}

/// What a file notes besides the exposure. Nothing that cannot be read is an error.
pub fn private(bytes: &[u8]) -> Private {
    notes::private(bytes)
}

/// Reads a file with one decoder, whatever [`read`] would have chosen: for comparing decoders.
///
/// # Errors
/// As [`read`]. `rawloader` returns wrong samples without an error for many kinds of DNG, so its
/// result is to be compared, not to be used.
pub fn read_with(
    decoder: Decoder,
    bytes: &[u8],
    name: &str,
    limits: &Limits,
) -> Result<Frame, Error> {
    match decoder {
        Decoder::Flashraw => flash::Flash.decode(bytes, name, limits).map(Frame::Sensor),
        Decoder::Rawloader => loader::Loader
            .decode(bytes, name, limits)
            .map(Frame::Sensor),
        Decoder::Image => match finished::Content::of(bytes) {
            Some(content) => finished::read(bytes, name, content, limits).map(Frame::Finished),
            None => Err(Error::Unsupported {
                file: name.to_owned(),
                what: "not a JPEG, PNG or TIFF picture".to_owned(),
                remedy: "Read it as a camera raw",
            }),
        },
    }
}

/// The first decoder, then the second where the first does not know the format.
fn sensor_frame(bytes: &[u8], name: &str, limits: &Limits) -> Result<SensorFrame, Error> {
    // For a DNG the second decoder is worse than an error: it returns wrong samples as if right.
    let dng = tiff::first_directory(bytes).is_some_and(|directory| directory.dng)
        || extension(name).eq_ignore_ascii_case("dng");
    match flash::Flash.decode(bytes, name, limits) {
        Ok(mut frame) => {
            let incomplete = frame.balance.is_none() || frame.matrices.is_empty();
            if incomplete && !dng && frame.pattern != Pattern::Monochrome {
                loader::fill(&mut frame, bytes);
            }
            Ok(frame)
        }
        Err(Error::Unsupported { file, what, remedy }) if !dng => loader::Loader
            .decode(bytes, name, limits)
            .map_err(|_| Error::Unsupported { file, what, remedy }),
        Err(error) => Err(error),
    }
}

/// What to do about a file that is empty, ends too soon or holds nonsense.
const COPY_AGAIN: &str = "Copy it again from the card or the backup";
/// What to do about a raw of a kind that neither decoder knows.
const CONVERT: &str = "Convert it to DNG, or export it as a 16-bit TIFF, and use that";
/// What to do about a file beyond the limits.
const TOO_LARGE: &str = "If the file is genuine, export it smaller as a 16-bit TIFF";

/// File name extensions of camera raws, to notice a finished picture under such a name.
const RAW_NAMES: [&str; 25] = [
    "3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "iiq", "kdc", "mef", "mos",
    "mrw", "nef", "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srw", "x3f",
];

/// What follows the last dot of a name; empty without one.
fn extension(name: &str) -> &str {
    name.rsplit_once('.').map_or("", |(_, extension)| extension)
}

fn has_raw_name(name: &str) -> bool {
    RAW_NAMES
        .iter()
        .any(|raw| extension(name).eq_ignore_ascii_case(raw))
}

/// `name` with another extension.
fn renamed(name: &str, extension: &str) -> String {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    format!("{stem}.{extension}")
}

impl Samples {
    /// Rows and columns.
    pub fn dim(&self) -> (usize, usize) {
        match self {
            Self::Whole(samples) => samples.dim(),
            Self::Float(samples) => samples.dim(),
        }
    }

    /// The sample at row `y`, column `x`, as a number on the scale of `white`.
    pub fn at(&self, y: usize, x: usize) -> f32 {
        match self {
            Self::Whole(samples) => f32::from(samples[[y, x]]),
            Self::Float(samples) => samples[[y, x]],
        }
    }
}

impl Pattern {
    /// The commonest block of 2 x 2: red and green above green and blue.
    pub const RGGB: Self = Self::Bayer([Filter::Red, Filter::Green, Filter::Green, Filter::Blue]);

    /// Rows and columns of the repeating block of filters; `None` where there are no filters.
    pub fn block(&self) -> Option<(usize, usize)> {
        match self {
            Self::Bayer(_) => Some((2, 2)),
            Self::SixBySix(_) => Some((6, 6)),
            Self::Other { rows, columns, .. } => Some((*rows, *columns)),
            Self::Monochrome | Self::Linear => None,
        }
    }

    /// The filter in front of the site at row `y`, column `x` of the active area; `None` where
    /// there are no filters.
    pub fn filter_at(&self, y: usize, x: usize) -> Option<Filter> {
        let (rows, columns) = self.block()?;
        let index = (y % rows) * columns + x % columns;
        match self {
            Self::Bayer(filters) => Some(filters[index]),
            Self::SixBySix(filters) | Self::Other { filters, .. } => filters.get(index).copied(),
            Self::Monochrome | Self::Linear => None,
        }
    }

    /// The block's filters as letters, row by row (`RGGB`); empty where there are no filters.
    pub fn letters(&self) -> String {
        let Some((rows, columns)) = self.block() else {
            return String::new();
        };
        (0..rows * columns)
            .filter_map(|site| self.filter_at(site / columns, site % columns))
            .map(Filter::letter)
            .collect()
    }
}

impl Filter {
    /// Place of the colour in `[R, G, B]` arrays such as [`SensorFrame::white`].
    pub fn index(self) -> usize {
        match self {
            Self::Red => 0,
            Self::Green => 1,
            Self::Blue => 2,
        }
    }

    /// `R`, `G` or `B`.
    pub fn letter(self) -> char {
        ['R', 'G', 'B'][self.index()]
    }
}

impl SensorFrame {
    /// Sites from top to bottom of the active area.
    pub fn height(&self) -> usize {
        self.samples.dim().0
    }

    /// Sites from left to right of the active area (for [`Pattern::Linear`] a third of the
    /// samples' columns).
    pub fn width(&self) -> usize {
        self.samples.dim().1 / self.planes()
    }

    /// Height and width of the active area, before [`SensorFrame::orientation`].
    pub fn size(&self) -> Size {
        Size {
            width: self.width(),
            height: self.height(),
        }
    }

    /// Samples at each site: 3 for [`Pattern::Linear`], else 1.
    pub fn planes(&self) -> usize {
        if self.pattern == Pattern::Linear {
            3
        } else {
            1
        }
    }

    /// Black level of the sample at row `y`, column `x` of `samples`.
    pub fn black_at(&self, y: usize, x: usize) -> f32 {
        let (rows, columns) = self.black.dim();
        self.black[[y % rows, x % columns]]
    }

    /// The filter in front of the site at row `y`, column `x` of the active area; `None` for
    /// [`Pattern::Monochrome`] and [`Pattern::Linear`].
    pub fn filter_at(&self, y: usize, x: usize) -> Option<Filter> {
        self.pattern.filter_at(y, x)
    }

    /// Which of R, G, B the sample at row `y`, column `x` of `samples` belongs to; 0 for
    /// [`Pattern::Monochrome`].
    pub fn colour_at(&self, y: usize, x: usize) -> usize {
        match self.pattern {
            Pattern::Linear => x % 3,
            _ => self.filter_at(y, x).map_or(0, Filter::index),
        }
    }

    /// White level of the sample at row `y`, column `x` of `samples`.
    pub fn white_at(&self, y: usize, x: usize) -> f32 {
        self.white[self.colour_at(y, x)]
    }

    /// Height and width of the cropped picture once it stands upright.
    pub fn upright_size(&self) -> Size {
        self.orientation.upright(self.crop.size())
    }
}
