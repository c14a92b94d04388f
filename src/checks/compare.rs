//! A new test shot beside the set's reference: what changed, in sentences a photographer acts on.
//!
//! The backdrop tells how the light on either side changed, the face's two sides how key stands to
//! fill; neither knows how light somebody's skin is, so the test may show another person.

use serde::Serialize;

use crate::engine::Side;

use super::Capture;
use super::capture::SHARP;
use super::verdict::{side, spoken};

/// Smallest change that is told, in stops: below, flashes waver by themselves. Common practice, no
/// source.
const STOPS: f32 = 0.1;
/// Smallest change of the light's colour that is told, in kelvin.
const KELVIN: f32 = 100.0;
/// Smallest change of the head's size or place that is told, as a share.
const SHARE: f32 = 0.03;
/// Degrees by which a head may turn before its two sides say little of the light.
const TURN: f32 = 8.0;

/// What changed from a reference to a test shot; stops are those that the test is brighter.
#[derive(Debug, Clone, Serialize)]
pub struct Change {
    /// The backdrop all over, on its left and on its right third.
    pub backdrop: Option<[f32; 3]>,
    /// The face's left side against its right one.
    pub left_over_right: Option<f32>,
    /// Kelvin of the light on the backdrop.
    pub kelvin: Option<f32>,
    /// Width of the eyes' edges, test over reference.
    pub blur: Option<f32>,
    /// Size of the face, test over reference.
    pub size: Option<f32>,
    /// What to know, a sentence each; empty when nothing changed.
    pub says: Vec<String>,
}

/// Compares a test shot with the reference.
pub fn compare(reference: &Capture, test: &Capture) -> Change {
    let over = |side| test.wall_over(reference, side);
    let backdrop = over(Side::Whole).map(|whole| {
        let [left, right] = [Side::Left, Side::Right].map(|side| over(side).unwrap_or(whole));
        [whole, left, right]
    });
    let faces = reference.face.as_ref().zip(test.face.as_ref());
    let lights = faces.and_then(|(a, b)| Some((a.left_over_right?, b.left_over_right?)));
    let kelvin = reference.backdrop.as_ref().zip(test.backdrop.as_ref());
    let blur = |capture: &Capture| {
        let eyes = capture.face.as_ref()?.eye_blur;
        Some(0.5 * (eyes[0]? + eyes[1]?))
    };
    let mut change = Change {
        backdrop,
        left_over_right: lights.map(|(a, b)| b - a),
        kelvin: kelvin.and_then(|(a, b)| Some(b.temperature?[0] - a.temperature?[0])),
        blur: blur(reference)
            .zip(blur(test))
            .map(|(a, b)| b.max(SHARP) / a.max(SHARP)),
        size: faces.map(|(a, b)| b.size / a.size.max(1.0)),
        says: Vec::new(),
    };
    let mut says = Vec::new();
    settings(reference, test, &mut says);
    light(&change, lights.map(|(a, _)| a), &mut says);
    if let Some(kelvin) = change.kelvin.filter(|kelvin| kelvin.abs() > KELVIN) {
        let which = if kelvin > 0.0 { "bluer" } else { "warmer" };
        says.push(format!("light {:.0} K {which}", kelvin.abs()));
    }
    if let Some(blur) = change.blur.filter(|blur| *blur > 1.3) {
        says.push(format!("eyes softer: edges {blur:.1} times as wide"));
    }
    if let Some((a, b)) = faces {
        if let Some(size) = change.size.filter(|size| (size - 1.0).abs() > SHARE) {
            let which = if size > 1.0 {
                "larger: nearer"
            } else {
                "smaller: farther"
            };
            says.push(format!("head {:.0} % {which}", 100.0 * (size - 1.0).abs()));
        }
        let up = a.centre[1] - b.centre[1];
        if up.abs() > SHARE {
            let which = if up > 0.0 { "higher" } else { "lower" };
            says.push(format!(
                "eyes {which} by {:.0} % of the frame",
                100.0 * up.abs()
            ));
        }
        if (b.turn - a.turn).abs() > TURN {
            says.push(format!(
                "head turned by {:.0} degrees: what its two sides say of the light is unsure",
                (b.turn - a.turn).abs()
            ));
        }
    }
    change.says = says;
    change
}

/// What the camera was set to.
fn settings(reference: &Capture, test: &Capture, says: &mut Vec<String>) {
    let (a, b) = (&reference.exif, &test.exif);
    let differ = |a: f32, b: f32| (a / b - 1.0).abs() > 0.02;
    if let Some((a, b)) = a.aperture.zip(b.aperture).filter(|(a, b)| differ(*a, *b)) {
        says.push(format!("f/{b:.1} instead of f/{a:.1}"));
    }
    if let Some((a, b)) = a.iso.zip(b.iso).filter(|(a, b)| a != b) {
        says.push(format!("ISO {b} instead of {a}"));
    }
    if let Some((a, b)) = a.exposure.zip(b.exposure).filter(|(a, b)| differ(*a, *b)) {
        says.push(format!("{} s instead of {} s", spoken(b), spoken(a)));
    }
}

/// What became of the lights. `key` is the reference's left side over its right one.
fn light(change: &Change, key: Option<f32>, says: &mut Vec<String>) {
    let Some([whole, left, right]) = change.backdrop else {
        if let Some(stops) = change.left_over_right.filter(|v| v.abs() >= STOPS) {
            says.push(format!(
                "{:.1} stop more light from {}",
                stops.abs(),
                side(stops)
            ));
        }
        return;
    };
    let which = |stops: f32| if stops > 0.0 { "brighter" } else { "darker" };
    let face = change.left_over_right.unwrap_or(0.0);
    // The side whose backdrop changed more is the side whose light changed.
    let lean = left - right;
    if face.abs() >= STOPS {
        let at_left = if lean.abs() >= STOPS {
            left.abs() > right.abs()
        } else {
            key >= Some(0.0)
        };
        let is_key = at_left == (key >= Some(0.0));
        let stops = if at_left { face } else { -face };
        let light = if is_key { "key light" } else { "fill light" };
        let place = if at_left {
            "camera left"
        } else {
            "camera right"
        };
        says.push(format!(
            "{light} moved by {:.1} stop at {place}: the face is {:.1} stop {} there against its \
             other side, the backdrop {:.1} stop {}",
            face.abs(),
            stops.abs(),
            which(stops),
            if at_left { left } else { right }.abs(),
            which(if at_left { left } else { right }),
        ));
        if lean.abs() < STOPS && whole.abs() >= STOPS {
            says.push(format!(
                "backdrop {:.1} stop {} all over",
                whole.abs(),
                which(whole)
            ));
        }
        return;
    }
    if lean.abs() >= STOPS {
        let (place, stops) = if left.abs() > right.abs() {
            ("camera left", left)
        } else {
            ("camera right", right)
        };
        says.push(format!(
            "backdrop {:.1} stop {} at {place}, the face as before: the backdrop light moved",
            stops.abs(),
            which(stops)
        ));
    } else if whole.abs() >= STOPS {
        says.push(format!(
            "backdrop {:.1} stop {} all over",
            whole.abs(),
            which(whole)
        ));
    }
}
