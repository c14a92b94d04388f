//! What is amiss, in words: in each frame, and in the set as a whole.

use serde::Serialize;

use crate::engine::Side;
use crate::picture::math;
use crate::regions::{Attention, Marks};

use super::{Capture, Practice};

/// Narrowest edges of an eye that are held against the set, in pixels: below, all are sharp.
const SHARP: f32 = 1.2;
/// Blur along one direction over that across it, from which something moved.
const MOVED: f32 = 1.7;
/// Opening of an eye beside the set's, below which it is half closed.
const HALF_CLOSED: f32 = 0.55;
/// Stops by which key to fill on one face may be off that of the set. Faces under one light differ: on
/// the rendered office by 1.2 stops in all, the dark and shining ones having most.
const KEY: f32 = 1.25;
/// Share of the skin that may clip: less is a shine on the nose.
const CLIPPED: f32 = 0.003;
/// Share of an eye's surroundings that a catch-light may cover.
const GLARE: f32 = 0.03;
/// Share of the crop that may reach over the frame.
const ROOM: f32 = 0.002;

/// What kind of thing is amiss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub enum Fault {
    /// No face, or several.
    Face,
    /// The frame cuts the head.
    HeadCut,
    /// An eye is closed, or nearly.
    EyesClosed,
    /// An eye is softer than those of the set.
    EyeSoft,
    /// The sitter or the camera moved.
    Motion,
    /// Skin has no detail left.
    ClippedSkin,
    /// A reflection lies over an eye.
    Glare,
    /// The light's ratio on the face.
    KeyToFill,
    /// The backdrop's level.
    BackdropLevel,
    /// The backdrop's evenness.
    BackdropFall,
    /// The light's colour.
    WhiteDrift,
    /// No room for the crop.
    Room,
    /// F-number.
    Aperture,
    /// ISO speed.
    Iso,
    /// Shutter speed.
    Shutter,
    /// The sitter could not be told surely.
    Unsure,
}

/// One thing that is amiss.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Its kind.
    pub fault: Fault,
    /// What to know, in a sentence without a full stop.
    pub says: String,
}

/// What is amiss in a set.
#[derive(Debug, Clone, Serialize)]
pub struct Verdict {
    /// For each frame, in the order in which they were given.
    pub frames: Vec<Vec<Finding>>,
    /// The set's usual figures, in words.
    pub set: Vec<String>,
}

/// What is usual in a set: medians over its frames.
#[derive(Debug, Clone, Copy, Default)]
struct Usual {
    eye_blur: Option<f32>,
    openness: Option<f32>,
    left_over_right: Option<f32>,
    kelvin: Option<f32>,
    tint: Option<f32>,
    span: Option<f32>,
}

impl Verdict {
    /// Judges the frames of one set, each beside the others.
    pub fn of(captures: &[Capture], practice: &Practice) -> Self {
        let usual = Usual::of(captures);
        let drifts = drifts(captures);
        let frames = captures
            .iter()
            .zip(&drifts)
            .map(|(capture, drift)| judged(capture, practice, &usual, *drift))
            .collect();
        Self {
            frames,
            set: about(captures, &usual),
        }
    }
}

fn median(mut values: Vec<f32>) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f32::total_cmp);
    Some(values[(values.len() - 1) / 2])
}

impl Usual {
    fn of(captures: &[Capture]) -> Self {
        let faces = || captures.iter().filter_map(|capture| capture.face.as_ref());
        let temperature = |which: usize| {
            let all = captures
                .iter()
                .filter_map(|capture| capture.backdrop.as_ref());
            median(all.filter_map(|b| Some(b.temperature?[which])).collect())
        };
        Self {
            eye_blur: median(faces().flat_map(|face| face.eye_blur).flatten().collect()),
            openness: median(faces().flat_map(|face| face.openness).collect()),
            left_over_right: median(faces().filter_map(|face| face.left_over_right).collect()),
            kelvin: temperature(0),
            tint: temperature(1),
            span: median(faces().map(|face| face.eye_span).collect()),
        }
    }
}

/// For each frame the stops by which its backdrop is brighter than those of the others (median).
fn drifts(captures: &[Capture]) -> Vec<Option<f32>> {
    captures
        .iter()
        .enumerate()
        .map(|(index, capture)| {
            let others = captures.iter().enumerate().filter(|(at, _)| *at != index);
            // Itself counts too, as one that does not differ.
            let own = (captures.len() > 1 && capture.wall.is_some()).then_some(0.0);
            let over = others.filter_map(|(_, other)| capture.wall_over(other, Side::Whole));
            median(over.chain(own).collect())
        })
        .collect()
}

/// A ratio as it is said: 2.0:1.
fn ratio(stops: f32) -> String {
    format!("{:.1}:1", math::exp2(stops.abs()))
}

/// The viewer's side on which the face is lighter.
pub(super) fn side(left_over_right: f32) -> &'static str {
    if left_over_right >= 0.0 {
        "camera left"
    } else {
        "camera right"
    }
}

fn judged(
    capture: &Capture,
    practice: &Practice,
    usual: &Usual,
    drift: Option<f32>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut find = |fault: Fault, says: String| findings.push(Finding { fault, says });
    for reason in &capture.attention {
        let fault = match reason {
            Attention::NoFace | Attention::SeveralFaces(_) => Fault::Face,
            Attention::FaceCut => Fault::HeadCut,
            Attention::LowConfidence | Attention::BackdropAlike => Fault::Unsure,
            // Told below with figures, or no fault of the capture.
            _ => continue,
        };
        find(fault, reason.to_string());
    }
    if let Some(face) = &capture.face {
        for (which, open) in ["left", "right"].into_iter().zip(face.openness) {
            let usual = usual.openness.unwrap_or(open);
            if open < Marks::CLOSED {
                find(
                    Fault::EyesClosed,
                    format!("the eye at camera {which} is closed"),
                );
            } else if open < HALF_CLOSED * usual {
                let says = format!("the eye at camera {which} is half closed beside the set's");
                find(Fault::EyesClosed, says);
            }
        }
        for (which, blur) in ["left", "right"].into_iter().zip(face.eye_blur) {
            let (Some(blur), Some(usual)) = (blur, usual.eye_blur) else {
                continue;
            };
            if blur > SHARP && blur > practice.eye_softness * usual {
                let says = format!(
                    "the eye at camera {which} is soft: edges {blur:.1} px wide, {usual:.1} px in \
                     the set"
                );
                find(Fault::EyeSoft, says);
            }
        }
        if let Some([over, degrees]) = face.motion.filter(|motion| motion[0] > MOVED) {
            let says = format!(
                "the face is blurred {over:.1} times as much along {degrees:.0} degrees as across: \
                 something moved"
            );
            find(Fault::Motion, says);
        }
        if face.clipped_skin > CLIPPED {
            let percent = 100.0 * face.clipped_skin;
            find(
                Fault::ClippedSkin,
                format!("{percent:.1} % of the skin is clipped"),
            );
        }
        let glare = face.glare[0].max(face.glare[1]);
        if glare > GLARE {
            let which = if face.glare[0] > face.glare[1] {
                "left"
            } else {
                "right"
            };
            let what = if face.glasses {
                "glasses' glare"
            } else {
                "a reflection"
            };
            let percent = 100.0 * glare;
            let says = format!("{what} over the eye at camera {which} ({percent:.0} % of it)");
            find(Fault::Glare, says);
        }
        if let (Some(own), Some(key_to_fill)) = (face.left_over_right, face.key_to_fill()) {
            let [low, high] = practice.key_to_fill;
            let off = usual.left_over_right.map(|usual| own - usual);
            if let Some(off) = off.filter(|off| off.abs() > KEY) {
                let says = format!(
                    "key to fill {} from {}, {:.1} stop off the set's",
                    ratio(own),
                    side(own),
                    off.abs()
                );
                find(Fault::KeyToFill, says);
            } else if !(low..=high).contains(&key_to_fill) {
                let says = format!("key to fill {}, practice {low}:1 to {high}:1", ratio(own));
                find(Fault::KeyToFill, says);
            }
        }
    }
    if let Some(off) = drift.filter(|off| off.abs() > practice.light_drift) {
        let which = if off > 0.0 { "brighter" } else { "darker" };
        let says = format!("backdrop {:.1} stop {which} than the set's", off.abs());
        find(Fault::BackdropLevel, says);
    }
    if let Some(backdrop) = &capture.backdrop {
        if backdrop.fall > practice.backdrop_fall {
            let says = format!(
                "backdrop falls off by {:.1} stops, practice up to {:.1}",
                backdrop.fall, practice.backdrop_fall
            );
            find(Fault::BackdropFall, says);
        }
        if let (Some([kelvin, _]), Some(usual)) = (backdrop.temperature, usual.kelvin)
            && (kelvin - usual).abs() > practice.white_drift
        {
            let which = if kelvin > usual { "bluer" } else { "warmer" };
            let off = (kelvin - usual).abs();
            find(
                Fault::WhiteDrift,
                format!("light {off:.0} K {which} than the set's"),
            );
        }
    }
    let lacking: Vec<String> = ["left", "top", "right", "bottom"]
        .iter()
        .zip(capture.missing)
        .filter(|(_, share)| *share > ROOM)
        .map(|(side, share)| format!("{:.0} % at the {side}", (100.0 * share).max(1.0)))
        .collect();
    if !lacking.is_empty() {
        find(
            Fault::Room,
            format!("no room for the crop: {}", lacking.join(", ")),
        );
    }
    exposure(capture, practice, &mut find);
    findings
}

/// Aperture, ISO and shutter outside of the practice. Noted numbers are rounded, so a fiftieth is
/// no matter.
fn exposure(capture: &Capture, practice: &Practice, find: &mut impl FnMut(Fault, String)) {
    let outside = |value: f32, [low, high]: [f32; 2]| value < low / 1.02 || value > high * 1.02;
    let exif = &capture.exif;
    if let Some(f) = exif.aperture.filter(|f| outside(*f, practice.aperture)) {
        let [low, high] = practice.aperture;
        find(
            Fault::Aperture,
            format!("f/{f:.1}, practice f/{low} to f/{high}"),
        );
    }
    if let Some(iso) = exif
        .iso
        .filter(|iso| !(practice.iso[0]..=practice.iso[1]).contains(iso))
    {
        let [low, high] = practice.iso;
        find(Fault::Iso, format!("ISO {iso}, practice {low} to {high}"));
    }
    if let Some(seconds) = exif
        .exposure
        .filter(|s| outside(1.0 / *s, practice.shutter))
    {
        let [low, high] = practice.shutter;
        let says = format!("{} s, practice 1/{low} to 1/{high} s", spoken(seconds));
        find(Fault::Shutter, says);
    }
}

/// An exposure time as a camera shows it.
pub(super) fn spoken(seconds: f32) -> String {
    if seconds < 0.3 {
        format!("1/{:.0}", 1.0 / seconds)
    } else {
        format!("{seconds:.1}")
    }
}

/// The set's usual figures.
fn about(captures: &[Capture], usual: &Usual) -> Vec<String> {
    let mut lines = vec![match captures.len() {
        1 => "1 frame".to_owned(),
        count => format!("{count} frames"),
    }];
    if let Some(blur) = usual.eye_blur {
        lines.push(format!("edges around the eyes {blur:.1} px wide"));
    }
    if let Some(light) = usual.left_over_right {
        lines.push(format!("key to fill {} from {}", ratio(light), side(light)));
    }
    if let (Some(kelvin), Some(tint)) = (usual.kelvin, usual.tint) {
        lines.push(format!(
            "light on the backdrop {kelvin:.0} K, tint {tint:.0}"
        ));
    }
    if let Some(span) = usual.span {
        lines.push(format!("eye span {span:.0} px"));
    }
    let exif = |of: &dyn Fn(&Capture) -> Option<String>| {
        let mut all: Vec<String> = captures.iter().filter_map(of).collect();
        all.sort();
        all.dedup();
        all
    };
    for (what, values) in [
        (
            "apertures",
            exif(&|c| c.exif.aperture.map(|f| format!("f/{f:.1}"))),
        ),
        (
            "ISO speeds",
            exif(&|c| c.exif.iso.map(|iso| iso.to_string())),
        ),
        (
            "shutter speeds",
            exif(&|c| c.exif.exposure.map(|s| format!("{} s", spoken(s)))),
        ),
    ] {
        if values.len() > 1 {
            lines.push(format!("several {what}: {}", values.join(", ")));
        }
    }
    lines
}
