//! The text beside each delivered file that says how it was made.
//!
//! RON, in a fixed order, without a clock, a host or a path outside of the job: the same inputs
//! give the same bytes. With the sidecar, the frame and the same program version the file can be
//! rendered again, equal to the byte.

use serde::{Deserialize, Serialize};

use super::natural::Natural;
use crate::engine::{Finished, Matched, Mended, Placement, StepNote};
use crate::picture::{Point, Rect, Size};
use crate::raw::{Decoder, Exif, Frame};
use crate::regions::{Attention, Marks, Region};
use crate::sensor::Notes;

/// Version of this text's format. Fields that came later have a default, so that sidecars that were
/// written before them can be read.
pub const FORMAT: u32 = 1;

/// Why a sidecar cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Not a sidecar's text; says the line and column.
    #[error("not a sound sidecar: {0}")]
    Malformed(#[from] ron::error::SpannedError),
    /// Of a later version.
    #[error(
        "its format {0} is newer than this program, which reads format {FORMAT}; use the version of \
         lapel that wrote it, or a later one"
    )]
    Newer(u32),
}

/// What every version of a sidecar has.
#[derive(Deserialize)]
#[serde(rename = "Sidecar")]
struct Head {
    format: u32,
}

/// Everything that is known of one delivered file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sidecar {
    /// Version of this format.
    pub format: u32,
    /// Name and version of the program.
    pub program: String,
    /// BLAKE3 of all that the file depends on; equal keys mean an equal file.
    pub key: String,
    /// The original.
    pub frame: FrameNote,
    /// Whom it shows, from the roster.
    pub person: String,
    /// BLAKE3 of the job's text.
    pub job: String,
    /// The look.
    pub recipe: RecipeNote,
    /// What the development read and estimated; `None` for a finished picture taken in.
    pub development: Option<Notes>,
    /// How the frame was brought to the set's exposure and white; `None` when it was not.
    #[serde(default)]
    pub matched: Option<Matched>,
    /// What lens and sensor did to the frame, and was mended.
    #[serde(default)]
    pub mended: Mended,
    /// What was found in the frame.
    pub regions: RegionsNote,
    /// What each picture-stage step measured and did.
    pub steps: Vec<StepNote>,
    /// How far retouching moved the sitter; `None` where no skin was retouched.
    #[serde(default)]
    pub natural: Option<Natural>,
    /// Steps that this kind of frame could not take.
    pub unavailable: Vec<String>,
    /// Where the crop lies.
    pub placement: Placement,
    /// How the finished picture looks beside the others of its set, and next year's.
    #[serde(default)]
    pub looks: Looks,
    /// The delivered file.
    pub output: OutputNote,
    /// Reasons for a person to look; empty when all is well.
    pub attention: Vec<Attention>,
}

/// The original and what its decoder read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameNote {
    /// File name without folders.
    pub name: String,
    /// Length in bytes.
    pub bytes: u64,
    /// BLAKE3 of the file.
    pub blake3: String,
    /// Who read it.
    pub decoder: Decoder,
    /// Mean black level and the white levels, for a raw.
    pub levels: Option<Levels>,
    /// As-shot gains with green = 1, where the file has them.
    pub as_shot: Option<[f32; 3]>,
    /// Exif orientation code; 1 for finished pictures, which are turned when read.
    pub orientation: u8,
    /// What the camera noted.
    pub exif: Exif,
}

/// Black and white as read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Levels {
    /// Mean over the sites of the repeating block.
    pub black: f32,
    /// Red, green, blue.
    pub white: [f32; 3],
}

/// The recipe as it was run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecipeNote {
    /// Its own name.
    pub name: String,
    /// BLAKE3 of `resolved`.
    pub blake3: String,
    /// The whole recipe after `builds_on` and touch-ups, every setting of every step spelled out.
    pub resolved: String,
}

/// Regions and landmarks in pixels of the crop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegionsNote {
    /// Share of the crop that each region covers.
    pub areas: Vec<(Region, f32)>,
    /// Landmarks, where a face was found.
    pub marks: Option<MarksNote>,
    /// 0 to 1.
    pub confidence: f32,
    /// Name and BLAKE3 of each net.
    pub models: Vec<(String, String)>,
}

/// The landmarks worth keeping; the mesh's 478 points are not written down.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarksNote {
    /// Centres of the irises, picture-left first.
    pub eyes: [Point; 2],
    /// Corners of the eyes.
    pub eye_corners: [Point; 4],
    /// Corners of the mouth.
    pub mouth: [Point; 2],
    /// The chin.
    pub chin: Point,
    /// Top of the hair.
    pub crown: Point,
    /// Degrees.
    pub turn: f32,
    /// Degrees.
    pub tilt: f32,
}

impl From<&Marks> for MarksNote {
    fn from(marks: &Marks) -> Self {
        Self {
            eyes: marks.eyes,
            eye_corners: marks.eye_corners,
            mouth: marks.mouth,
            chin: marks.chin,
            crown: marks.crown,
            turn: marks.turn,
            tilt: marks.tilt,
        }
    }
}

/// Figures of a finished picture that shall be alike in all pictures of a set; `None` where the frame
/// shows no wall or no face. Rounded, so that they are the same everywhere.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Looks {
    /// Mean CIELAB colour (D65) of the bare wall.
    pub wall: Option<[f64; 3]>,
    /// L* between its 5th and 95th percentile.
    pub wall_spread: Option<f64>,
    /// Crown to chin over the picture's height, as the crop counts a head.
    pub head_height: Option<f64>,
    /// Middle of the eyes from the top, over the picture's height.
    pub eye_line: Option<f64>,
    /// Axis of the face from the left, over the picture's width.
    pub face_axis: Option<f64>,
}

/// One delivered file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputNote {
    /// The output's name in the job.
    pub output: String,
    /// File name inside the delivery folder.
    pub file: String,
    /// The part of the upright frame that it shows, in its pixels; `None` in sidecars of versions that
    /// showed the crop alone.
    #[serde(default)]
    pub shown: Option<Rect>,
    /// Columns of wall that were added beside the frame, left and right.
    #[serde(default)]
    pub wall_added: [usize; 2],
    /// Whether it is a black-and-white variant.
    #[serde(default)]
    pub black_and_white: bool,
    /// Pixels.
    pub size: Size,
    /// Embedded profile.
    pub profile: String,
    /// Encoder and its settings.
    pub encoding: String,
    /// BLAKE3 of the interleaved samples given to the encoder.
    pub blake3_pixels: String,
    /// BLAKE3 of the file.
    pub blake3_file: String,
}

impl FrameNote {
    /// Describes an original.
    pub fn new(name: &str, bytes: u64, blake3: String, frame: &Frame) -> Self {
        let name = name.to_owned();
        match frame {
            Frame::Sensor(sensor) => Self {
                name,
                bytes,
                blake3,
                decoder: sensor.decoder,
                levels: Some(Levels {
                    black: sensor.black.mean().unwrap_or(0.0),
                    white: sensor.white,
                }),
                as_shot: sensor.balance,
                orientation: sensor.orientation.0,
                exif: sensor.exif.clone(),
            },
            Frame::Finished(finished) => Self {
                name,
                bytes,
                blake3,
                decoder: Decoder::Image,
                levels: None,
                as_shot: None,
                orientation: 1,
                exif: finished.exif.clone(),
            },
        }
    }
}

impl RegionsNote {
    /// Describes what was found in a finished frame.
    pub fn new(finished: &Finished) -> Self {
        let regions = &finished.regions;
        let areas = regions
            .mattes
            .iter()
            .map(|(region, matte)| (*region, matte.area_share()));
        Self {
            areas: areas.collect(),
            marks: regions.marks.as_ref().map(MarksNote::from),
            confidence: regions.confidence,
            models: crate::regions::models::digests()
                .iter()
                .map(|(name, digest)| ((*name).to_owned(), digest.clone()))
                .collect(),
        }
    }
}

impl Sidecar {
    /// The text that is written beside the output.
    pub fn to_text(&self) -> String {
        let pretty = ron::ser::PrettyConfig::new()
            .depth_limit(4)
            .struct_names(true);
        let text = ron::ser::to_string_pretty(self, pretty)
            .expect("a sidecar holds nothing that RON cannot write");
        text + "\n"
    }

    /// Reads a sidecar's text back.
    ///
    /// # Errors
    /// When it is no sidecar, or one of a later version than this program's.
    pub fn from_text(text: &str) -> Result<Self, Error> {
        // A later version may have other fields, which would pass for mistakes.
        match ron::from_str::<Head>(text) {
            Ok(Head { format }) if format > FORMAT => Err(Error::Newer(format)),
            _ => Ok(ron::from_str(text)?),
        }
    }
}
