//! Marks of a chosen visible contrast, drawn on the plain skin of a finished picture.
//!
//! Contrast is in CIELAB, so a mark is seen as well on every tone of skin: the same steps of L*, a* and
//! b* at its middle, fading as the office's own do (`office/README.md`: full to 0.3 radii, nothing at
//! 1.15). Places, sizes and contrasts come from one seeded row of numbers.

use lapel::measure;
use lapel::picture::matrix;
use lapel::picture::oklab::{WORKING_TO_XYZ, linear_from_oklab, oklab_from_linear};
use lapel::picture::{Oklab, Point, filter};
use lapel::regions::Marks;
use ndarray::Array2;

/// Mean distance between the pupils of adults: Dodgson, *Variation and extrema of human
/// interpupillary distance*, SPIE 5291 (2004).
const EYE_SPAN_MM: f64 = 63.0;
/// Widths of papules: Zaenglein et al., *Guidelines of care for the management of acne vulgaris*, J. Am.
/// Acad. Dermatol. 74(5), 2016: under 5 mm, larger ones are nodules; these are told from freckles by eye.
pub const WIDTHS_MM: [f64; 5] = [2.0, 3.0, 4.0, 5.0, 6.0];
/// L*, a*, b* of a typical one above its surroundings, and the least and the most of it. By eye on the open
/// portraits: the faint ones are just seen at 100 %, the strong ones at a glance.
const CONTRAST: [f64; 3] = [-4.0, 7.0, 1.0];
pub const SHARES: [f64; 4] = [0.5, 0.8, 1.1, 1.5];

/// sRGB from XYZ: IEC 61966-2-1.
const XYZ_TO_SRGB: matrix::Matrix = [
    [3.2406, -1.5372, -0.4986],
    [-0.9689, 1.8758, 0.0415],
    [0.0557, -0.2040, 1.0570],
];
/// Light of a channel below which a colour is lost in 8 bits: two steps of sRGB above black.
const LEAST: f64 = 2.0 / 255.0 / 12.92;

/// A mark that was drawn.
#[derive(Debug, Clone, Copy)]
pub struct Mark {
    pub centre: Point,
    pub radius: f32,
    pub width_mm: f64,
    pub share: f64,
}

impl Mark {
    /// As a planted mark of the truth: x, y, radius.
    pub fn known(&self) -> [f64; 3] {
        [self.centre.x, self.centre.y, self.radius].map(f64::from)
    }
}

/// Steele, Lea and Flood, *Fast splittable pseudorandom number generators*, OOPSLA 2014 (SplitMix64).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end as u64) as usize
    }
}

/// Places for `count` marks on `plain` skin, clear of each other and of `taken` (x, y, radius); widths and
/// contrasts go through all pairs in turn, the same for every sitter. A place that is too dark to hold its
/// mark (a channel of sRGB would go under [`LEAST`]) is passed over. Fewer where there is no room.
pub fn marks(
    picture: &Oklab,
    plain: &Array2<bool>,
    taken: &[[f64; 3]],
    span: f32,
    count: usize,
    seed: u64,
) -> Vec<Mark> {
    let spots: Vec<(usize, usize)> = plain
        .indexed_iter()
        .filter_map(|(at, &on)| on.then_some(at))
        .collect();
    let mut numbers = Numbers(seed);
    let mut placed: Vec<Mark> = Vec::new();
    if spots.is_empty() {
        return placed;
    }
    // A retoucher's face has spots a finger's width apart, or it is for a person.
    let apart = 0.25 * span;
    for _ in 0..40 * count {
        if placed.len() == count {
            break;
        }
        let (y, x) = spots[numbers.below(spots.len())];
        let centre = Point {
            x: x as f32 + 0.5,
            y: y as f32 + 0.5,
        };
        let far = |x: f32, y: f32, by: f32| (centre.x - x).hypot(centre.y - y) > by;
        let clear = placed.iter().all(|m| far(m.centre.x, m.centre.y, apart))
            && taken
                .iter()
                .all(|&[x, y, _]| far(x as f32, y as f32, apart));
        if !clear {
            continue;
        }
        // Coprime counts: all pairs come up.
        let turn = placed.len() + seed as usize;
        let (width_mm, share) = (
            WIDTHS_MM[turn % WIDTHS_MM.len()],
            SHARES[turn % SHARES.len()],
        );
        let [r, g, b] = matrix::apply(XYZ_TO_SRGB, drawn_xyz(picture.at(y, x), share));
        if r.min(g).min(b) < LEAST {
            continue;
        }
        placed.push(Mark {
            centre,
            radius: (0.5 * width_mm / EYE_SPAN_MM * f64::from(span)) as f32,
            width_mm,
            share,
        });
    }
    placed
}

/// XYZ of a pixel with a share of the contrast: CIE 015:2018, annex B, the inverse of `measure::lab`.
fn drawn_xyz(pixel: [f32; 3], share: f64) -> [f64; 3] {
    let old = measure::lab(linear_from_oklab(pixel));
    let [l, a, b] = CONTRAST.map(|step| share * step);
    let white = matrix::apply(WORKING_TO_XYZ, [1.0; 3]);
    let y = (old.l + l + 16.0) / 116.0;
    let linear = |f: f64| {
        if f > 24.0 / 116.0 {
            f * f * f
        } else {
            (f - 16.0 / 116.0) * 108.0 / 841.0
        }
    };
    let f = [y + (old.a + a) / 500.0, y, y - (old.b + b) / 200.0];
    [0, 1, 2].map(|i| linear(f[i]) * white[i])
}

/// Draws the marks.
pub fn draw(picture: &mut Oklab, marks: &[Mark]) {
    let from_xyz = matrix::invert(WORKING_TO_XYZ);
    for mark in marks {
        let reach = (1.15 * mark.radius).ceil() as isize + 1;
        let (cy, cx) = (mark.centre.y as isize, mark.centre.x as isize);
        for y in cy - reach..=cy + reach {
            for x in cx - reach..=cx + reach {
                let from = (x as f32 + 0.5 - mark.centre.x).hypot(y as f32 + 0.5 - mark.centre.y);
                let t = f64::from((1.15 - from / mark.radius) / 0.85).clamp(0.0, 1.0);
                let share = mark.share * t * t * (3.0 - 2.0 * t);
                if share == 0.0 {
                    continue;
                }
                let (y, x) = (y as usize, x as usize);
                let xyz = drawn_xyz(picture.at(y, x), share);
                let light = matrix::apply(from_xyz, xyz).map(|v| v.max(0.0) as f32);
                let new = oklab_from_linear(light);
                for c in 0..3 {
                    picture.planes[c][[y, x]] = new[c];
                }
            }
        }
    }
}

/// Face skin of a class map, a tenth of an eye span away from everything else, from the lids and from
/// the nostrils, where Heal never works.
pub fn plain(parts: &Array2<u8>, marks: &Marks, span: f32) -> Array2<bool> {
    let skin = parts.mapv(|class| if class == 1 { 1.0 } else { 0.0 });
    let inside = filter::erode(skin.view(), (0.1 * span) as usize);
    let mut plain = inside.mapv(|v| v > 0.5);
    let [left, right] = marks.eyes;
    let nostrils = Point {
        x: marks.nose.x,
        y: marks.nose.y + 0.08 * span,
    };
    let closed = [(left, 0.3, 0.2), (right, 0.3, 0.2), (nostrils, 0.36, 0.2)];
    for ((y, x), on) in plain.indexed_iter_mut() {
        let within = |&(centre, wide, high): &(Point, f32, f32)| {
            let across = (x as f32 + 0.5 - centre.x) / (wide * span);
            let down = (y as f32 + 0.5 - centre.y) / (high * span);
            across * across + down * down < 1.0
        };
        *on &= !closed.iter().any(within);
    }
    plain
}
