//! The sensor stage of a recipe as one order to the sensor module.

use std::fmt;

use crate::operations::white_balance::Neutral;
use crate::operations::{Operation, Stage};
use crate::raw::{Frame, Pattern};
use crate::recipe::{Recipe, Step};
use crate::sensor::chart::ChartProfile;
use crate::sensor::{Balance, Development};

use super::Set;

/// What the set's reference frame says of its light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// Gains of red, green and blue, green 1.
    pub gains: [f32; 3],
    /// White-balanced camera colours to the working space, if a chart told them.
    pub matrix: Option<[[f32; 3]; 3]>,
}

impl From<&ChartProfile> for Reference {
    fn from(profile: &ChartProfile) -> Self {
        Self {
            gains: profile.gains,
            matrix: Some(profile.matrix),
        }
    }
}

impl Reference {
    /// Reads the reference frame: its as-shot gains, so that every frame of the set is balanced
    /// alike however the camera wavered. `None` when it tells none.
    pub fn of(frame: &Frame) -> Option<Self> {
        match frame {
            Frame::Sensor(sensor) => sensor.balance.map(|gains| Self {
                gains,
                matrix: None,
            }),
            Frame::Finished(_) => None,
        }
    }
}

/// A step that a frame cannot take, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unavailable {
    /// The operation's name.
    pub step: &'static str,
    /// Why.
    pub reason: &'static str,
}

impl fmt::Display for Unavailable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.step, self.reason)
    }
}

/// Why `frame` cannot take `step`; `None` when it can.
pub(super) fn unavailable(step: &Step, frame: &Frame) -> Option<Unavailable> {
    let Frame::Finished(_) = frame else {
        return None;
    };
    let reason = match &step.operation {
        operation if operation.stage() == Stage::Sensor => {
            "a finished picture has no sensor data any more"
        }
        Operation::ToneCurve(_) => "a finished picture already has a tone curve in it",
        _ => return None,
    };
    (!step.is_neutral()).then(|| Unavailable {
        step: step.operation.name(),
        reason,
    })
}

/// How the recipe wants its frames developed. A recipe that goes by the set's reference frame
/// falls back to what each camera noted when the job names none.
pub(super) fn development(recipe: &Recipe, set: &Set) -> Development {
    let mut how = Development {
        balance: as_shot(set),
        ..Development::default()
    };
    for step in &recipe.steps {
        match &step.operation {
            Operation::WhiteBalance(balance) => how.balance = wanted(balance.from, set),
            Operation::Denoise(denoise) => how.denoise = denoise.strength,
            Operation::Exposure(exposure) => how.exposure = exposure.stops,
            _ => {}
        }
    }
    how
}

/// Whether nothing says what is neutral in a coloured raw, so that daylight is assumed.
pub(super) fn is_guess(frame: &Frame, how: &Development) -> bool {
    let Frame::Sensor(sensor) = frame else {
        return false;
    };
    let coloured = sensor.pattern != Pattern::Monochrome;
    coloured && sensor.balance.is_none() && how.balance == Balance::AsShot
}

fn wanted(from: Neutral, set: &Set) -> Balance {
    match from {
        Neutral::AsShot => as_shot(set),
        Neutral::SetReference => set.reference.map_or_else(
            || as_shot(set),
            |reference| match reference.matrix {
                Some(matrix) => Balance::Chart {
                    gains: reference.gains,
                    matrix,
                },
                None => Balance::Gains(reference.gains),
            },
        ),
        Neutral::Light { kelvin, tint } => Balance::Temperature { kelvin, tint },
    }
}

/// What the camera noted; where frames are matched, what it noted of the frame that they are
/// matched to.
fn as_shot(set: &Set) -> Balance {
    let gains = set.target.as_ref().and_then(|target| target.as_shot);
    gains.map_or(Balance::AsShot, Balance::Gains)
}
