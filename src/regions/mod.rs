//! Where things are in a frame: soft maps of the sitter's parts, landmarks and the backdrop.
//!
//! Found once per frame on a small upright copy ([`find`]), then carried to the crop at full
//! size ([`Regions::placed`]). Mattes stay as small as the truth they hold and are read row by
//! row at the picture's size; there the outline is found anew ([`Regions::refined`]).

mod backdrop;
mod beard;
mod bounce;
mod collar;
mod cracks;
mod crop;
mod crown;
mod features;
mod find;
mod fine;
mod gaps;
mod jaw;
mod matte;
mod matting;
pub mod models;
mod necklaces;
pub mod net;
mod nets;
mod opinion;
mod outline;
mod partition;
mod plane;
mod rim;
mod screen;
mod shades;
mod shell;
mod skull;
mod specks;
mod strands;
mod studs;
mod tint;
mod tips;
mod tones;
mod unlike;
mod walk;

use std::fmt;

use ndarray::ArcArray2;
use serde::{Deserialize, Serialize};

use crate::picture::{Point, Scale, Size};

pub use find::{find, find_in_stages};
pub use fine::Detail;
pub use matte::Rows;
pub(crate) use screen::key_channel;

/// A named part of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Region {
    /// The whole picture.
    Everything,
    /// The sitter with hair and all that is worn.
    Person,
    /// What is not the sitter.
    Backdrop,
    /// `FaceSkin` and `BodySkin`.
    Skin,
    /// Skin of face and scalp.
    FaceSkin,
    /// Neck, ears, hands, arms.
    BodySkin,
    /// Hair and beard.
    Hair,
    /// Eyebrows.
    Brows,
    /// `Sclera` and `Iris`.
    Eyes,
    /// Whites of the eyes.
    Sclera,
    /// Iris with pupil.
    Iris,
    /// Lips.
    Lips,
    /// Teeth.
    Teeth,
    /// Clothes.
    Clothing,
    /// Glasses, jewellery, scarf, hat.
    Worn,
}

impl Region {
    /// Every region, in the order of DESIGN.md.
    pub const ALL: [Region; 15] = [
        Region::Everything,
        Region::Person,
        Region::Backdrop,
        Region::Skin,
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Brows,
        Region::Eyes,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
        Region::Clothing,
        Region::Worn,
    ];

    /// Its name as a recipe writes it.
    pub fn name(self) -> String {
        format!("{self:?}")
    }
}

/// A soft map, 0 to 1, read at the size of a picture that may be larger than the map itself.
///
/// Picture pixel centre (x + 0.5, y + 0.5) lies at map coordinates
/// `origin + step * (centre)`, map pixel centres at half-integers, linear in between,
/// clamped at the edges.
#[derive(Debug, Clone, PartialEq)]
pub struct Matte {
    /// Values, 0 to 1; shared by the mattes that read it for other pictures.
    pub map: ArcArray2<f32>,
    /// Size of the picture it is read for.
    pub size: Size,
    /// Map coordinates of the picture's top left corner.
    pub origin: Point,
    /// Map pixels per picture pixel, rightwards and downwards.
    pub step: Point,
    /// What is finer than the map, along the sitter's outline.
    pub detail: Option<Detail>,
}

/// Landmarks, in pixels of the picture that the [`Regions`] are for. Left and right are the
/// viewer's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Marks {
    /// Centres of the two irises: picture-left, picture-right.
    pub eyes: [Point; 2],
    /// Radii of the two irises in pixels.
    pub iris_radius: [f32; 2],
    /// Corners of the picture-left eye (left, right), then of the picture-right eye.
    pub eye_corners: [Point; 4],
    /// Corners of the mouth: picture-left, picture-right.
    pub mouth: [Point; 2],
    /// Tip of the nose.
    pub nose: Point,
    /// Lowest point of the chin.
    pub chin: Point,
    /// Topmost hair (or scalp) near the face's middle line.
    pub crown: Point,
    /// The 478 points of the face mesh, for whoever needs more; same pixels.
    pub mesh: Vec<Point>,
    /// Turn of the head about the upright axis, degrees, positive to the picture's right.
    pub turn: f32,
    /// Tilt of the eye line, degrees, positive clockwise.
    pub tilt: f32,
    /// Opening of each eye: lid distance over corner distance, times the square of how surely an
    /// eyeball is seen between the lids (about 0.2 to 0.4 when open).
    pub openness: [f32; 2],
}

impl Marks {
    /// Below this opening an eye counts as closed. Measured: open eyes of 16 portraits and nine rendered
    /// sitters reach 0.19 at least; with lids drawn over them in three manners, 145 of 150 stay below
    /// 0.16, and one eye at least of every face.
    pub const CLOSED: f32 = 0.16;

    /// Pixels per eye span.
    pub fn scale(&self) -> Scale {
        Scale(self.eyes[0].distance(self.eyes[1]))
    }
}

/// Why a person must look at a frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Attention {
    /// Nobody was found.
    NoFace,
    /// This many faces were found; the largest is not clearly the sitter's.
    SeveralFaces(usize),
    /// The frame cuts the face or the top of the head.
    FaceCut,
    /// At least one eye is closed.
    EyesClosed,
    /// The regions are unsure.
    LowConfidence,
    /// Sitter and backdrop are too alike to be told apart surely.
    BackdropAlike,
    /// Clothes have the colour of the green or blue backdrop that was replaced.
    ClothInKeyColour,
    /// The crop the recipe asks for reaches beyond the frame.
    NoRoomForCrop,
    /// What this output shows reaches beyond the frame; it was shifted or made smaller.
    NoRoomForOutput(String),
    /// Neither the camera nor the recipe says what is neutral; daylight was assumed.
    NoWhiteBalance,
    /// Retouching went beyond what looks natural; says how.
    Overdone(String),
    /// The frame's backdrop is not that of the set's reference: exposure and white were left alone.
    NotMatched,
    /// No colour chart was found in the set's chart frame; the camera's word was taken.
    NoChart,
}

impl Attention {
    /// Whether it is about the set, and so the same for each of its frames.
    pub fn is_of_the_set(&self) -> bool {
        *self == Self::NoChart
    }
}

impl fmt::Display for Attention {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoFace => f.write_str("no face was found"),
            Self::SeveralFaces(count) => write!(f, "{count} faces were found"),
            Self::FaceCut => f.write_str("the frame cuts the head"),
            Self::EyesClosed => f.write_str("an eye is closed"),
            Self::LowConfidence => f.write_str("the regions are unsure"),
            Self::BackdropAlike => f.write_str("sitter and backdrop are too alike"),
            Self::ClothInKeyColour => {
                f.write_str("clothes have the colour of the backdrop that was replaced")
            }
            Self::NoRoomForCrop => f.write_str("the crop reaches beyond the frame"),
            Self::NoRoomForOutput(output) => write!(
                f,
                "the frame has too little room around the sitter for `{output}`, so the sitter stands \
                 otherwise in it than the others"
            ),
            Self::Overdone(how) => write!(f, "retouched beyond natural: {how}"),
            Self::NotMatched => f.write_str(
                "its backdrop is not the one of the set's reference, so exposure and white were \
                 not matched",
            ),
            Self::NoChart => f.write_str(
                "no colour chart was found in the set's chart frame, the camera's white balance was \
                 taken; see what `lapel calibrate` says of it",
            ),
            Self::NoWhiteBalance => f.write_str(
                "the camera noted no white balance, daylight was assumed; let the recipe say \
                 WhiteBalance(from: Light(kelvin: …)), or name a chart in the job's set",
            ),
        }
    }
}

/// The backdrop as one smooth surface of scene-linear working-space colour, on a coarse grid
/// read like a [`Matte`].
#[derive(Debug, Clone, PartialEq)]
pub struct BackdropModel {
    /// Red, green and blue surfaces.
    pub surface: [Matte; 3],
}

/// All that was found in one frame, for a picture of `size`.
#[derive(Debug, Clone)]
pub struct Regions {
    /// The picture these are for.
    pub size: Size,
    /// Landmarks; `None` when no face was found (then all mattes but `Everything` are 0 and
    /// `attention` says why).
    pub marks: Option<Marks>,
    /// Person, FaceSkin, BodySkin, Hair, Brows, Sclera, Iris, Lips, Teeth, Clothing, Worn.
    pub mattes: Vec<(Region, Matte)>,
    /// The backdrop without the sitter.
    pub backdrop: Option<BackdropModel>,
    /// 0 to 1.
    pub confidence: f32,
    /// Reasons to look.
    pub attention: Vec<Attention>,
}
