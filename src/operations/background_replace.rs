//! Background replace: stands the sitter before a wall of another colour, spill taken out.
//!
//! As in background lift a pixel is I = F + (1 - a) B + n with the backdrop B known, so the sitter's
//! own light is F = I - (1 - a) B, already weighted by the matte, and I' = F' + (1 - a) B' is the same
//! sitter before the wall B'. Source: Porter and Duff, *Compositing Digital Images*, SIGGRAPH 1984;
//! Smith and Blinn, *Blue Screen Matting*, SIGGRAPH 1996.
//!
//! F' is F without the light that a green or blue backdrop throws on the sitter: where the key's
//! channel is above both others, it comes down to the larger one. Skin, hair and most cloth are never
//! above it by themselves, so they keep their colours and are not greyed; the light that goes was the
//! backdrop's. Common practice, no source. Eyes may be green or blue and keep theirs. On plain walls (no
//! channel clearly above the others) nothing of the kind is done. Cloth of the key's own colour cannot be
//! told from spill: its share is reported, and the engine asks for a person to look.
//!
//! The wall's colours, those of a picture too, are the delivered ones: the engine asks which they are
//! ([`BackgroundReplace::colours`]), finds the light that later steps make of them what was asked, and
//! gives that ([`BackgroundReplace::replace_with`]).
//!
//! Space: linear light, where light adds.

use crate::operations::backdrops::{TRACE, rows_read, unspilled};
use crate::operations::colours::Colour;
use crate::operations::pixels::smooth_step;
use crate::operations::wall_picture::PictureFile;
use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::gaussian;
use crate::picture::{EyeSpans, Linear, Point, Ratio, Size, bands, math, resample};
use crate::regions::{Matte, Region, key_channel};

settings! {
    /// Replaces the backdrop by a colour, a gradient from top to bottom or a picture, and takes a key
    /// backdrop's spill out of hair, skin and clothes.
    pub struct BackgroundReplace {
        /// How much of the old backdrop goes.
        strength: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// Colour at the top edge, as delivered.
        top: Colour, default Colour([0xb4, 0xb6, 0xb8]);
        /// Colour at the bottom edge; the same as `top` for an even wall.
        bottom: Colour, default Colour([0xb4, 0xb6, 0xb8]);
        /// A JPEG, PNG or TIFF to stand there instead, told from the recipe's folder; as large as covers
        /// what is shown, its middle in the middle.
        picture: PictureFile, default PictureFile::default();
        /// How far that picture is out of focus: standard deviation of a blur.
        blur: EyeSpans in 0.0..=2.0, default EyeSpans(0.0);
        /// How much of a green or blue backdrop's light on the sitter is taken out.
        spill: Ratio in 0.0..=1.0, default Ratio(1.0);
    }
}

/// Figure of [`Findings`]: the share of the clothes whose colour is the key's.
pub const KEYED_CLOTH: &str = "clothes in the backdrop's colour";
/// Share of the clothes from which a person must look. Common practice, no source.
pub const KEYED_CLOTH_LIMIT: f32 = 0.05;

/// Cloth is of the key's colour when the key's channel stands this far above the others; spill on
/// white cloth stays under a quarter.
const KEYED: f32 = 1.4;
/// Colours along a gradient, and along each side of the cube of a picture's colours, that are asked for.
/// Between them light is told linearly.
const STOPS: usize = 9;
const CUBE: usize = 17;

impl BackgroundReplace {
    /// Replaces. Findings: whether the backdrop is a key (1) or plain (0), and [`KEYED_CLOTH`];
    /// empty when no backdrop is known.
    pub fn apply(&self, picture: &mut Linear, scene: &Scene) -> Findings {
        self.replace_with(picture, scene, &self.colours())
    }

    /// The wall's colours as light, as they shall be delivered: along the gradient, or those of a cube
    /// between which a picture's lie.
    pub fn colours(&self) -> Vec<[f32; 3]> {
        let (top, bottom) = (self.top.light(), self.bottom.light());
        let part = |i: usize, of: usize| i as f32 / (of - 1) as f32;
        if self.picture.shown().is_some() {
            let node = |i: usize| part(i, CUBE) * part(i, CUBE) * part(i, CUBE);
            let cube = 0..CUBE * CUBE * CUBE;
            let places = cube.map(|i| [i / (CUBE * CUBE), i / CUBE % CUBE, i % CUBE]);
            places.map(|place| place.map(node)).collect()
        } else if top == bottom {
            vec![top]
        } else {
            let between = |i| [0, 1, 2].map(|c| top[c] + part(i, STOPS) * (bottom[c] - top[c]));
            (0..STOPS).map(between).collect()
        }
    }

    /// [`apply`](Self::apply) with the light that becomes each of [`colours`](Self::colours), for a
    /// caller that knows what later steps do to it.
    pub fn replace_with(
        &self,
        picture: &mut Linear,
        scene: &Scene,
        light: &[[f32; 3]],
    ) -> Findings {
        let Some(backdrop) = &scene.regions.backdrop else {
            return Findings::default();
        };
        if self.is_neutral() {
            return Findings::default();
        }
        let person = scene.regions.matte(&[Region::Person], &[]);
        let size = picture.size();
        let surface = |c: usize| {
            let map = &backdrop.surface[c].map;
            map.iter().map(|v| f64::from(*v)).sum::<f64>() / map.len().max(1) as f64
        };
        let key = key_channel([surface(0), surface(1), surface(2)].map(|v| v as f32));
        let keyed = key.map_or(0.0, |key| keyed_cloth(picture, scene, key));
        let shown = self.picture.shown();
        let shown = shown.map(|shown| covering(shown, size, scene.scale.pixels(self.blur), light));
        let eyes = key.map(|_| scene.regions.matte(&[Region::Iris, Region::Sclera], &[]));
        let new = || {
            let shown = shown
                .as_ref()
                .map(|planes| planes.each_ref().map(Matte::rows));
            let eyes = eyes.as_ref().map(Matte::rows);
            (backdrop.rows(), person.rows(), shown, eyes)
        };
        bands::each_row_with(
            &mut picture.planes,
            new,
            |(backdrop, person, shown, eyes), y, [red, green, blue]| {
                let down = (y as f32 + 0.5) / size.height as f32;
                let even = along(light, down);
                let [r, g, b] = backdrop.each_mut().map(|surface| surface.row(y));
                let shown = shown
                    .as_mut()
                    .map(|planes| planes.each_mut().map(|plane| plane.row(y)));
                let eyes = eyes.as_mut().map(|eyes| eyes.row(y));
                for (x, &a) in person.row(y).iter().enumerate() {
                    let wall = match &shown {
                        Some(planes) => planes.map(|plane| plane[x]),
                        None => even,
                    };
                    let light = [red[x], green[x], blue[x]];
                    let spill = eyes
                        .as_ref()
                        .map_or(0.0, |eyes| self.spill.0 * (1.0 - eyes[x]));
                    let key = key.map(|key| (key, spill));
                    let new = self.before(light, [r[x], g[x], b[x]], wall, a, key);
                    [red[x], green[x], blue[x]] = new;
                }
            },
        );
        Findings {
            figures: vec![
                (
                    "key backdrop".to_owned(),
                    if key.is_some() { 1.0 } else { 0.0 },
                ),
                (KEYED_CLOTH.to_owned(), keyed),
            ],
            places: Vec::new(),
        }
    }

    /// One pixel with the wall `wall` behind the sitter instead of `old`; `key` is the key's channel and how much
    /// of its spill goes.
    #[inline(always)]
    fn before(
        &self,
        light: [f32; 3],
        old: [f32; 3],
        wall: [f32; 3],
        alpha: f32,
        key: Option<(usize, f32)>,
    ) -> [f32; 3] {
        let bare = 1.0 - alpha;
        let kept = smooth_step(0.0, TRACE, alpha);
        // A sitter's light is never below 0: there the matte is a little too thin.
        let mut own: [f32; 3] = std::array::from_fn(|c| (light[c] - bare * old[c]).max(0.0) * kept);
        if let Some((key, spill)) = key {
            own = unspilled(own, key, bare, spill);
        }
        std::array::from_fn(|c| {
            let new = own[c] + bare * wall[c];
            light[c] + self.strength.0 * (new - light[c])
        })
    }
}

/// The colour at a place (0 to 1) along evenly spread ones.
fn along(stops: &[[f32; 3]], place: f32) -> [f32; 3] {
    let last = stops.len() - 1;
    let place = place * last as f32;
    let first = (place as usize).min(last);
    let share = place - first as f32;
    let (a, b) = (stops[first], stops[(first + 1).min(last)]);
    [0, 1, 2].map(|c| a[c] + share * (b[c] - a[c]))
}

/// A picture as large as covers `size`, its middle in the middle, blurred, and its colours turned to
/// light by `cube`, as maps to be read at `size`.
fn covering(shown: &Linear, size: Size, blur: f32, cube: &[[f32; 3]]) -> [Matte; 3] {
    let own = shown.size();
    let times = |to: usize, from: usize| to as f32 / from as f32;
    let larger = times(size.width, own.width).max(times(size.height, own.height));
    let mut wall = if larger < 1.0 {
        // Never a pixel short of covering.
        let side = |v: usize, least: usize| ((v as f32 * larger).ceil() as usize).max(least);
        let size = Size {
            width: side(own.width, size.width),
            height: side(own.height, size.height),
        };
        resample::resize(shown, size)
    } else {
        shown.clone()
    };
    let larger = larger.max(1.0);
    if blur > 0.0 {
        wall.planes = wall
            .planes
            .map(|plane| gaussian(plane.view(), blur / larger));
    }
    bands::each_row(&mut wall.planes, |_, [red, green, blue]| {
        for ((red, green), blue) in red.iter_mut().zip(green).zip(blue) {
            [*red, *green, *blue] = in_cube(cube, [*red, *green, *blue]);
        }
    });
    let own = wall.size();
    let step = 1.0 / larger;
    let beside = |own: usize, size: usize| 0.5 * (own as f32 - size as f32 * step);
    wall.planes.map(|plane| Matte {
        size,
        origin: Point {
            x: beside(own.width, size.width),
            y: beside(own.height, size.height),
        },
        step: Point { x: step, y: step },
        ..Matte::exact(plane)
    })
}

/// What `cube` makes of a colour: linear between its eight nodes around it, on the scale of cube roots,
/// which is about the eye's.
fn in_cube(cube: &[[f32; 3]], colour: [f32; 3]) -> [f32; 3] {
    let end = (CUBE - 1) as f32;
    let places = colour.map(|v| math::cbrt(v.max(0.0).min(1.0)) * end);
    let first = places.map(|place| (place as usize).min(CUBE - 2));
    let mut out = [0.0; 3];
    for corner in 0..8 {
        let (mut weight, mut node) = (1.0, 0);
        for c in 0..3 {
            let next = corner >> c & 1;
            let share = places[c] - first[c] as f32;
            weight *= if next == 1 { share } else { 1.0 - share };
            node = node * CUBE + first[c] + next;
        }
        for (out, light) in out.iter_mut().zip(cube[node]) {
            *out += weight * math::cbrt(light.max(0.0));
        }
    }
    out.map(|root| root * root * root)
}

/// Share of the clothes that are of the key's colour.
fn keyed_cloth(picture: &Linear, scene: &Scene, key: usize) -> f32 {
    let clothes = scene.regions.matte(&[Region::Clothing], &[]);
    let size = picture.size();
    let mut row = vec![0.0; size.width];
    let (mut sum, mut all) = (0.0_f64, 0.0_f64);
    for y in rows_read(size.height) {
        clothes.fill_row(y, &mut row);
        for (x, &share) in row.iter().enumerate() {
            // Half-covered pixels hold the backdrop itself.
            if share > 0.98 {
                let light = picture.at(y, x);
                let most = light[(key + 1) % 3].max(light[(key + 2) % 3]).max(0.002);
                all += 1.0;
                sum += if light[key] > KEYED * most { 1.0 } else { 0.0 };
            }
        }
    }
    if all > 0.0 { (sum / all) as f32 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::{Scale, Size};
    use crate::regions::Regions;
    use ndarray::Array2;

    const SIZE: Size = Size {
        width: 60,
        height: 48,
    };
    const GREEN: [f32; 3] = [0.10, 0.40, 0.09];
    const SKIN: [f32; 3] = [0.45, 0.30, 0.22];

    fn alpha(y: usize, x: usize) -> f32 {
        let (dy, dx) = (y as f32 - 40.0, x as f32 - 30.0);
        (0.5 + 0.25 * (16.0 - (dx * dx + dy * dy).sqrt())).clamp(0.0, 1.0)
    }

    /// A sitter of one colour before a wall.
    fn scene(sitter: [f32; 3], wall: [f32; 3]) -> Linear {
        let mut picture = Linear::zeros(SIZE);
        for (c, plane) in picture.planes.iter_mut().enumerate() {
            for ((y, x), v) in plane.indexed_iter_mut() {
                let a = alpha(y, x);
                *v = a * sitter[c] + (1.0 - a) * wall[c];
            }
        }
        picture
    }

    fn found(wall: [f32; 3]) -> Regions {
        let shape = (SIZE.height, SIZE.width);
        let person = Array2::from_shape_fn(shape, |(y, x)| alpha(y, x));
        let mut regions =
            test_scene::before_backdrop(person.clone(), wall.map(|v| Array2::from_elem(shape, v)));
        regions
            .mattes
            .push((Region::Clothing, test_scene::matte(person)));
        regions
    }

    fn replaced(
        settings: &BackgroundReplace,
        sitter: [f32; 3],
        wall: [f32; 3],
    ) -> (Linear, Findings) {
        let regions = found(wall);
        let mut picture = scene(sitter, wall);
        let findings = settings.apply(
            &mut picture,
            &Scene {
                scale: Scale(20.0),
                regions: &regions,
            },
        );
        (picture, findings)
    }

    #[test]
    fn neutral_settings_or_an_unknown_backdrop_change_nothing() {
        let before = scene(SKIN, GREEN);
        let (after, _) = replaced(&BackgroundReplace::neutral(), SKIN, GREEN);
        assert_eq!(after, before);
        let mut after = before.clone();
        test_scene::with(SIZE, |scene| {
            BackgroundReplace::default().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    /// The same sitter rendered before the new wall is what must come out, soft edge and all.
    #[test]
    fn the_sitter_stands_before_the_new_wall_as_if_lit_there() {
        let settings = BackgroundReplace {
            top: Colour([255, 0, 0]),
            bottom: Colour([255, 0, 0]),
            ..BackgroundReplace::default()
        };
        for wall in [GREEN, [0.08, 0.12, 0.45], [0.2, 0.2, 0.2]] {
            let (after, _) = replaced(&settings, SKIN, wall);
            let truth = scene(SKIN, Colour([255, 0, 0]).light());
            for (after, truth) in after.planes.iter().zip(&truth.planes) {
                for ((place, a), t) in after.indexed_iter().zip(truth) {
                    // Where the matte is under a thirtieth the sitter's trace goes.
                    assert!((a - t).abs() < 0.02, "{place:?}: {a} for {t}");
                }
            }
        }
    }

    #[test]
    fn spill_goes_and_skin_keeps_its_colour() {
        let at = |picture: &Linear| picture.at(40, 30);
        let spilled = [0.30, 0.42, 0.28];
        let (after, _) = replaced(&BackgroundReplace::default(), spilled, GREEN);
        assert_eq!(at(&after), [0.30, 0.30, 0.28]);
        let (after, _) = replaced(&BackgroundReplace::default(), SKIN, GREEN);
        assert_eq!(at(&after), SKIN);
        let (after, _) = replaced(&BackgroundReplace::default(), spilled, [0.2, 0.2, 0.2]);
        assert_eq!(at(&after), spilled, "a plain wall throws no spill");
        let mut regions = found(GREEN);
        let iris = Array2::from_elem((SIZE.height, SIZE.width), 1.0);
        regions.mattes.push((Region::Iris, test_scene::matte(iris)));
        let (scale, regions) = (Scale(20.0), &regions);
        let mut after = scene(spilled, GREEN);
        BackgroundReplace::default().apply(&mut after, &Scene { scale, regions });
        assert_eq!(at(&after), spilled, "green eyes stay green");
    }

    #[test]
    fn cloth_of_the_keys_own_colour_is_reported() {
        let figure = |sitter| {
            let (_, findings) = replaced(&BackgroundReplace::default(), sitter, GREEN);
            let found = findings.figures.iter().find(|f| f.0 == KEYED_CLOTH);
            found.expect("always measured").1
        };
        assert!(figure([0.08, 0.35, 0.10]) > 0.9);
        assert_eq!(figure([0.5, 0.55, 0.5]), 0.0);
    }

    #[test]
    fn a_picture_stands_behind_the_sitter_with_its_own_colours() {
        // Left half red, right half grey, twice as wide as what is shown: the middle stays.
        let wide = Size {
            width: 2 * SIZE.width,
            height: SIZE.height,
        };
        let sides = [[0.5, 0.1, 0.1], [0.3, 0.3, 0.3]];
        let mut shown = Linear::zeros(wide);
        for (c, plane) in shown.planes.iter_mut().enumerate() {
            for ((_, x), v) in plane.indexed_iter_mut() {
                *v = sides[usize::from(x >= SIZE.width)][c];
            }
        }
        let mut settings = BackgroundReplace::default();
        settings.picture.show(std::sync::Arc::new(shown), "");
        let (after, _) = replaced(&settings, SKIN, GREEN);
        for (x, side) in [(0, 0), (28, 0), (31, 1), (59, 1)] {
            let got = after.at(2, x);
            for c in 0..3 {
                assert!((got[c] - sides[side][c]).abs() < 2e-3, "{x}: {got:?}");
            }
        }
        assert_eq!(after.at(40, 30), SKIN);
        // Out of focus the sides run into each other.
        settings.blur = EyeSpans(0.2);
        let (soft, _) = replaced(&settings, SKIN, GREEN);
        let step = |picture: &Linear| picture.at(2, 28)[0] - picture.at(2, 31)[0];
        assert!(step(&soft) < 0.5 * step(&after) && step(&soft) > 0.0);
    }

    #[test]
    fn a_gradient_runs_from_top_to_bottom() {
        let settings = BackgroundReplace {
            top: Colour([255; 3]),
            bottom: Colour([0; 3]),
            ..BackgroundReplace::default()
        };
        let (after, _) = replaced(&settings, SKIN, GREEN);
        // Row centres at 0.5 / 48 and 23.5 / 48 of the way down, in linear light.
        assert!((after.planes[1][[0, 1]] - (1.0 - 0.5 / 48.0)).abs() < 1e-3);
        assert!((after.planes[1][[23, 1]] - (1.0 - 23.5 / 48.0)).abs() < 1e-3);
    }
}
