//! Heal: takes away small blemishes that will be gone in two weeks, and places listed by hand.
//!
//! **Finding.** Red and brown are told apart by what the skin's two pigments absorb: with light as
//! the logarithms of sRGB's red and green, haemoglobin darkens green and hardly red, melanin darkens
//! both, shade all alike (Tsumura, Haneishi and Miyake, *Independent-component analysis of skin color
//! image*, JOSA A 16(9), 1999; the indices of erythema, ln R - ln G, and of melanin, -ln R, as
//! Takiwaki et al., *Skin Res. Technol.* 3(1), 1997). Logarithms are shares, so dark skin is judged
//! as light skin is. Both are blurred over skin alone at eight widths an octave's half apart;
//! differences of two widths an octave apart, D, are largest at the middle of a round spot of
//! their own size (Lindeberg, *Feature detection with automatic scale selection*, IJCV 30(2),
//! 1998). A blemish is a maximum of D_e (erythema) over place and width that
//! - is red enough, and stands above the unevenness of the region around and of what is right beside it,
//!   both at once (`sensitivity`): pebbled skin has the first everywhere, a wrinkle or strand the second,
//! - is darker in green, but hardly in red: a mole's or freckle's pigment darkens both (planted moles
//!   have 2.8 times as much in red as in erythema and more), so these stay: they are the person,
//! - is no yellower than the skin around, as brown pigment is,
//! - has no light side: what is raised (a mole, a wing of the nose) has one,
//! - is round: the ratio of principal curvatures of D_e is bounded (Lowe, *Distinctive image
//!   features from scale-invariant keypoints*, IJCV 60(2), 2004, section 4.1),
//! - lies clear of hair, brows, eyes and lashes, lips, nostrils and what is worn, and
//! - has skin nearby that fits it without a seam.
//!
//! **Mending.** A disc of real skin from nearby is cloned over the spot (Perez, Gangnet and Blake,
//! *Poisson image editing*, SIGGRAPH 2003): p = source + h, h harmonic inside and equal to the
//! difference of the surroundings on the rim. On a disc h is Poisson's integral,
//! h(x) = sum_k d_k (1 - |x|^2) / |x - e_k|^2, normalised, so nothing has to be iterated. The rim
//! is read with a small blur, so that its noise is not drawn inwards as streaks.
//! Of 48 places around, the one is taken whose rim differs most evenly from the spot's, whose
//! texture is as strong, and which is flat itself; no place lends its texture twice. A listed spot is
//! cloned from its own material (skin, cloth, backdrop, hair), and off skin the source is moved by a
//! few pixels until threads and stripes meet at the rim.
//!
//! Works in Oklab: redness is one axis there, and the clone's seam vanishes for the eye.

mod finding;
mod mending;
mod peaks;

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use crate::operations::skin_bands::{Skin, SkinGrid, skin_matte};
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::{EyeSpans, Oklab, Point, Ratio, Size};

use finding::{WIDTHS, blemishes, pigments};
use mending::{Ground, mend};

/// Narrowest blur. The smallest blemish that is found has a radius of about 0.012 eye spans
/// (0.8 mm).
const FINEST: EyeSpans = EyeSpans(0.009);
/// Discs that are tried, in parts of the whole: 0.75 still covers all of a planted spot's red.
const SIZES: [f32; 2] = [1.0, 0.75];

/// Erythema above the surroundings for one whole step of lightness in [`redness_shown`]: the faintest
/// that is found (0.03) is then darker by 0.1, about 10 L*.
const SHOWN: f32 = 0.3;

/// A place to be healed by hand.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spot {
    /// From the left edge, as a share of the picture's width.
    pub x: f32,
    /// From the top edge, as a share of the picture's height.
    pub y: f32,
    /// Radius of all that shall go.
    pub radius: EyeSpans,
}

/// Places to be healed by hand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<Spot>", into = "Vec<Spot>")]
pub struct Spots(Vec<Spot>);

impl TryFrom<Vec<Spot>> for Spots {
    type Error = String;

    fn try_from(spots: Vec<Spot>) -> Result<Self, String> {
        for spot in &spots {
            let inside = |v: f32| (0.0..=1.0).contains(&v);
            if !inside(spot.x) || !inside(spot.y) {
                return Err("x and y of a spot are shares of the picture, 0 to 1".to_owned());
            }
            if !(0.002..=0.5).contains(&spot.radius.0) {
                return Err("the radius of a spot is 0.002 to 0.5 eye spans".to_owned());
            }
        }
        Ok(Self(spots))
    }
}

impl From<Spots> for Vec<Spot> {
    fn from(spots: Spots) -> Self {
        spots.0
    }
}

impl SettingValue for Spots {
    const UNIT: &'static str =
        "a list of (x: share of width, y: share of height, radius: eye spans)";
}

settings! {
    /// Takes away small red blemishes of the skin, and places listed by hand, with real texture
    /// from nearby. Moles, freckles and scars stay unless listed.
    pub struct Heal {
        /// How far a place is taken back to its surroundings.
        strength: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// How faint a blemish is found by itself; at 0 only listed places are healed.
        sensitivity: Ratio in 0.0..=1.0, default Ratio(0.5);
        /// Places to heal, on skin, cloth or backdrop.
        spots: Spots, default Spots::default();
        /// Places to leave alone: nothing is found within them.
        leave: Spots, default Spots::default();
    }
}

/// A disc to mend, in pixels of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    centre: Point,
    radius: f32,
}

impl Heal {
    /// Mends; lists the places, and reports how many were found and listed and the share of the
    /// skin that was mended.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() || scene.scale.0.is_nan() || scene.scale.0 <= 0.0 {
            return Findings::default();
        }
        let Size { width, height } = picture.size();
        let placed = |spots: &Spots| -> Vec<Place> {
            let place = |spot: &Spot| Place {
                centre: Point {
                    x: spot.x * width as f32,
                    y: spot.y * height as f32,
                },
                radius: scene.scale.pixels(spot.radius).max(1.5),
            };
            spots.0.iter().map(place).collect()
        };
        let (listed, left) = (placed(&self.spots), placed(&self.leave));
        let skin = skin_matte(scene);
        let mut found = Vec::new();
        let mut skin_area = 0.0;
        if let Some((matte, bounds)) = &skin
            && self.sensitivity.0 > 0.0
        {
            let grid = SkinGrid::new(picture, matte, *bounds, scene.scale.pixels(FINEST));
            skin_area = grid.weight.iter().map(|&w| f64::from(w)).sum::<f64>()
                * (grid.step * grid.step) as f64;
            found = blemishes(&grid, scene, self.sensitivity.0);
            found.retain(|f| listed.iter().all(|l| apart(f, l, 0.0)));
            found.retain(|f| left.iter().all(|l| f.centre.distance(l.centre) > l.radius));
        }

        let mut places: Vec<Place> = listed.iter().chain(&found).copied().collect();
        let all = places.len();
        let mut mended = Vec::new();
        for i in 0..all {
            let (place, by_itself) = (places[i], i >= listed.len());
            let ground = match &skin {
                Some((matte, _)) if by_itself => Ground::skin(matte),
                _ => Ground::under(&place, scene),
            };
            // Beside a fold or a hair a smaller disc may fit where the whole one leaves a seam.
            let sizes = if by_itself { &SIZES[..] } else { &SIZES[..1] };
            let mend_at = |picture: &mut Oklab, size: f32| {
                let place = Place {
                    radius: place.radius * size,
                    ..place
                };
                let source = mend(picture, &place, &places, &ground, self.strength.0)?;
                Some((place, source))
            };
            let done = sizes.iter().find_map(|&size| mend_at(picture, size));
            if let Some((place, source)) = done {
                mended.push((place, by_itself));
                // The next one takes its texture elsewhere.
                places.push(source);
            }
        }
        let disc = |p: &Place| std::f32::consts::PI * p.radius * p.radius;
        let count = |by_itself| mended.iter().filter(|(_, own)| *own == by_itself).count() as f32;
        // Not sum(): an empty sum is -0.
        let area = mended
            .iter()
            .filter(|(_, own)| *own)
            .fold(0.0, |sum, (p, _)| sum + disc(p));
        let share = if skin_area > 0.0 {
            area / skin_area as f32
        } else {
            0.0
        };
        Findings {
            figures: vec![
                ("found".to_owned(), count(true)),
                ("listed".to_owned(), count(false)),
                (
                    "listed, nothing fits".to_owned(),
                    listed.len() as f32 - count(false),
                ),
                ("skin mended".to_owned(), share),
            ],
            places: mended.iter().map(|(p, _)| (p.centre, p.radius)).collect(),
        }
    }
}

/// The sitter's redness made easy to see, for a person who checks what is healed: Oklab lightnesses, 0.6
/// for skin as red as its surroundings and darker the redder, with the contrast of [`SHOWN`];
/// what is no skin is dim. `None` where no skin was found.
pub fn redness_shown(picture: &Oklab, scene: &Scene) -> Option<Oklab> {
    let skin = Skin::of(picture, scene, FINEST)?;
    let grid = &skin.grid;
    let [erythema, ..] = pigments(grid);
    let wide = skin.sigma * (1 << (WIDTHS / 2)) as f32;
    let [near, far] =
        [skin.sigma, wide].map(|sigma| grid.blurred(&erythema, sigma, &grid.reach(sigma)));
    let shown = (near - far).mapv(|v| (0.6 - v / SHOWN).clamp(0.05, 1.0));
    let mut out = picture.clone();
    for plane in &mut out.planes[1..] {
        plane.fill(0.0);
    }
    out.planes[0].mapv_inplace(|l| 0.18 + 0.3 * l.clamp(0.0, 1.0));
    let black = Array2::zeros(shown.dim());
    grid.change(
        &mut out,
        &skin.matte,
        [&shown, &black, &black],
        |_, [shown, ..]| [shown, 0.0, 0.0],
    );
    Some(out)
}

/// Whether two discs stay `gap` pixels apart.
fn apart(a: &Place, b: &Place, gap: f32) -> bool {
    a.centre.distance(b.centre) > a.radius + b.radius + gap
}
