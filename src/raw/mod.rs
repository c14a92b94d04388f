//! Bytes to [`SensorFrame`]: what a camera recorded, checked before anybody uses it.

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use crate::picture::{Linear, Rect};

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
    /// Black level per site of a repeating block anchored at the active area's first site.
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

/// Exif orientation (CIPA DC-008, tag 0x0112), 1 to 8.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Orientation(pub u8);

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
