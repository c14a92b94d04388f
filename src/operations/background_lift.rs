//! Background lift: stands every sitter in front of the same, evenly lit wall.
//!
//! A pixel is I = F + (1 - a) B + n: the sitter's light F (already weighted by the matte), the
//! backdrop B as far as the sitter does not cover it, and noise. With the backdrop's model B and the
//! wall B' that is wanted, I' = I + (1 - a)(B' - B) is the same sitter before the other wall: F,
//! with the rim light on hair and shoulders and the finest strands, is untouched and so leaves no
//! halo. Source: the compositing equation of Porter and Duff, *Compositing Digital Images*, SIGGRAPH
//! 1984, solved for a known backdrop (Smith and Blinn, *Blue Screen Matting*, SIGGRAPH 1996).
//!
//! B' has the luminance of `level` where the backdrop has its mean; `evenness` e keeps 1 - e of the
//! backdrop's own falloff, `tint` t keeps t of its own colour:
//! B' = Y (e D + (1 - e) N), D the mean colour and N the local one, both of which are
//! grey + t (colour - grey) over the mean's luminance.
//!
//! What the smooth model cannot hold (creases, dust, marks of the paper) would remain as I - B. Away
//! from the sitter, as far as evenness goes, that rest is cut down to fine noise, at most of the
//! backdrop's own strength: its smoothed part goes, and what stands out by more than three standard deviations.
//! Some grain stays, so that the wall does not look pasted in and does not band, but of its light alone: an
//! even wall has one hue. Close to the sitter nothing but grain is cut, since what the matte missed there may be hair.
//!
//! A green or blue backdrop throws its colour on the sitter too. As far as the wall gives up its own
//! (1 - t), that spill goes as in background replace, but from skin and hair alone: a wall that is lifted may
//! just be painted, and nobody dressed so as not to match it.
//!
//! Space: linear light, where light adds. Lengths in eye spans.

use ndarray::{Array2, Axis};

use crate::operations::backdrops::{TRACE, rows_read, unspilled};
use crate::operations::pixels::smooth_step;
use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::{Blurred, gaussian};
use crate::picture::{
    EyeSpans, Lightness, Linear, Ratio, Size, bands, lightness, luminance, luminance_of, math,
};
use crate::regions::{BackdropModel, Matte, Region, key_channel};

settings! {
    /// Evens the backdrop and brings it to one lightness, without touching the sitter.
    pub struct BackgroundLift {
        /// How much of the change is made.
        strength: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// Lightness the backdrop comes to.
        level: Lightness in 0.0..=100.0, default Lightness(62.0);
        /// How far its falloff, creases and marks are evened out.
        evenness: Ratio in 0.0..=1.0, default Ratio(1.0);
        /// How much of its own colour it keeps; 0 is a neutral wall, and a green or blue backdrop's light on
        /// skin and hair goes with the rest.
        tint: Ratio in 0.0..=1.0, default Ratio(1.0);
    }
}

/// Width over which cleaning fades towards the sitter: single hairs that a matte may miss stay about
/// this close to the hair's outline. Common practice, no source.
const NEAR: EyeSpans = EyeSpans(0.15);
/// Blurred matte under which a place is far from the sitter, and above which it is near.
const FAR_ENDS: [f32; 2] = [0.002, 0.03];
/// Standard deviation of the blur that tells creases from grain.
const CREASE: EyeSpans = EyeSpans(0.02);
/// Share of the backdrop's grain that stays where it is cleaned, and the most that stays, in L*:
/// enough to dither 8 bits (a step of sRGB is about 0.4 L*), too little to be seen.
const GRAIN: f32 = 0.6;
const MOST_GRAIN: f32 = 0.15;
/// Standard deviations beyond which a deviation is a mark and not noise (0.3 % of a normal one).
const MARK: f32 = 3.0;
/// Light below the model's that still counts as noise; more would be a wrong matte and would leave
/// a dark fringe before a dark wall.
const BELOW: f32 = 0.05;
/// What may well have a key's colour of its own, a blue suit before a wall painted blue: no spill is taken from it.
const COLOURED: [Region; 4] = [Region::Iris, Region::Sclera, Region::Clothing, Region::Worn];
/// Alpha under which a pixel is all backdrop, for figures.
const BARE: f32 = 0.01;

impl BackgroundLift {
    /// Lifts the backdrop to `level`. Findings: the backdrop's L* before and after (median) and
    /// its spread (5th to 95th percentile); empty when no backdrop is known.
    pub fn apply(&self, picture: &mut Linear, scene: &Scene) -> Findings {
        self.lift_to(picture, scene, luminance_of(self.level.0))
    }

    /// [`apply`](Self::apply) with the wall's luminance (white 1) given instead of its level, for
    /// a caller that knows what later steps do to it.
    pub fn lift_to(&self, picture: &mut Linear, scene: &Scene, wall: f32) -> Findings {
        let Some(backdrop) = &scene.regions.backdrop else {
            return Findings::default();
        };
        let person = scene.regions.matte(&[Region::Person], &[]);
        let Some(mean) = mean_colour(backdrop, &person) else {
            return Findings::default();
        };
        if self.is_neutral() {
            return Findings::default();
        }
        let before = backdrop_lightness(picture, &person);
        let mut wanted = Wall::new(self, mean, wall);
        if wanted.cleaning > 0.0 {
            let far = far_from(&person, scene);
            let crease = scene.scale.pixels(CREASE);
            let planes = picture.planes.iter_mut().zip(&backdrop.surface);
            for ((plane, model), noise) in planes.zip(&mut wanted.noise) {
                *noise = clean(plane, model, &far, crease, wanted.cleaning);
            }
            let [r, g, b] = wanted.noise;
            let parts = [[r, 0.0, 0.0], [0.0, g, 0.0], [0.0, 0.0, b]].map(luminance);
            let light = parts.iter().map(|part| part * part).sum::<f32>().sqrt();
            wanted.kept = GRAIN.min(most_grain(wall) / light.max(f32::MIN_POSITIVE));
        }
        // A wall that keeps its colour may go on throwing it.
        let spill = self.strength.0 * (1.0 - self.tint.0);
        let key = key_channel(mean).filter(|_| spill > 0.0);
        let key = key.map(|key| (key, scene.regions.matte(&COLOURED, &[])));
        let new = || {
            let own = key.as_ref().map(|(key, own)| (*key, own.rows()));
            (backdrop.rows(), person.rows(), own)
        };
        bands::each_row_with(
            &mut picture.planes,
            new,
            |(backdrop, person, own), y, mut rows| {
                let model = backdrop.each_mut().map(|surface| surface.row(y));
                let model = model.each_ref().map(|row| &**row);
                let alpha = person.row(y);
                if let Some((key, own)) = own {
                    let rows = rows.each_mut().map(|row| &mut **row);
                    unspill_row(rows, model, (alpha, own.row(y)), (*key, spill));
                }
                wanted.lift_row(rows, model, alpha);
            },
        );
        let after = backdrop_lightness(picture, &person);
        let figures =
            [("before", before), ("after", after)]
                .into_iter()
                .flat_map(|(when, tones)| {
                    let [low, middle, high] = tones;
                    [
                        (format!("lightness {when}"), middle),
                        (format!("spread {when}"), high - low),
                    ]
                });
        Findings {
            figures: figures.collect(),
            places: Vec::new(),
        }
    }
}

/// The wall that is wanted, B', from the backdrop that is there.
#[derive(Clone, Copy)]
struct Wall {
    strength: f32,
    /// Luminance over that of the backdrop's mean.
    per_mean: f32,
    tint: f32,
    evenness: f32,
    /// Y D: the even wall's colour.
    even: [f32; 3],
    /// Strength times evenness.
    cleaning: f32,
    /// Standard deviation of each channel's grain, and the share of its light that stays.
    noise: [f32; 3],
    kept: f32,
    /// Each channel of the wall over its luminance.
    hue: [f32; 3],
}

impl Wall {
    fn new(settings: &BackgroundLift, mean: [f32; 3], wall: f32) -> Self {
        let mut wanted = Self {
            strength: settings.strength.0,
            per_mean: wall / luminance(mean),
            tint: settings.tint.0,
            evenness: settings.evenness.0,
            even: [0.0; 3],
            cleaning: settings.strength.0 * settings.evenness.0,
            noise: [0.0; 3],
            kept: 1.0,
            hue: [1.0; 3],
        };
        wanted.even = wanted.tinted(mean);
        let light = luminance(wanted.even).max(f32::MIN_POSITIVE);
        wanted.hue = wanted.even.map(|v| v / light);
        wanted
    }

    #[inline(always)]
    fn tinted(&self, rgb: [f32; 3]) -> [f32; 3] {
        let grey = luminance(rgb);
        let one = |v: f32| (grey + self.tint * (v - grey)) * self.per_mean;
        [one(rgb[0]), one(rgb[1]), one(rgb[2])]
    }

    /// One pixel's light with the backdrop `b` behind it changed; `bare` is 1 - a.
    #[inline(always)]
    fn behind(&self, light: [f32; 3], b: [f32; 3], bare: f32) -> [f32; 3] {
        let own = self.tinted(b);
        let alone = self.cleaning * smooth_step(1.0 - TRACE, 1.0, bare);
        let sitter = [0, 1, 2].map(|c| light[c] - bare * b[c]);
        let grain = self.grain_too_much(sitter);
        let one = |c: usize| {
            let wanted = own[c] + self.evenness * (self.even[c] - own[c]);
            let change = bare * self.strength * (wanted - b[c]);
            // A darker wall takes no more light than the model says is there: where the matte is
            // wrong the old wall shows, not a black seam.
            let missing = (-BELOW * bare * b[c] - sitter[c]).max(0.0);
            let lifted = light[c] + change + missing.min((-change).max(0.0));
            lifted - alone * grain[c]
        };
        [one(0), one(1), one(2)]
    }

    /// What of a deviation from the bare backdrop is grain beyond what may stay. Up to three
    /// standard deviations it is taken for grain, from six on for something that is there.
    #[inline(always)]
    fn grain_too_much(&self, deviation: [f32; 3]) -> [f32; 3] {
        let mut square = 0.0;
        for (deviation, noise) in deviation.into_iter().zip(self.noise) {
            let times = deviation / (4.0 * noise + f32::MIN_POSITIVE);
            square += (times * times).min(1e3);
        }
        let square = square / 3.0;
        let cut = 1.0 / (1.0 + square * square);
        let kept = self.kept * luminance(deviation);
        [0, 1, 2].map(|c| cut * (deviation[c] - kept * self.hue[c]))
    }

    /// `model` is the backdrop's colour along the row, `alpha` how far the sitter covers it.
    fn lift_row(&self, rows: [&mut [f32]; 3], [r, g, b]: [&[f32]; 3], alpha: &[f32]) {
        let [red, green, blue] = rows;
        let model = r.iter().zip(g).zip(b).zip(alpha);
        bands::vectorised(
            #[inline(always)]
            || {
                // A copy of its own, which the rows cannot alias.
                let wall = *self;
                for (((red, green), blue), (((&r, &g), &b), &a)) in
                    red.iter_mut().zip(green).zip(blue).zip(model)
                {
                    [*red, *green, *blue] = wall.behind([*red, *green, *blue], [r, g, b], 1.0 - a);
                }
            },
        );
    }
}

/// Takes out of the sitter's light, as far as `spill` goes, what a key backdrop threw on it; not where the sitter
/// may have the key's colour, `own`.
fn unspill_row(
    rows: [&mut [f32]; 3],
    model: [&[f32]; 3],
    (alpha, own): (&[f32], &[f32]),
    (key, spill): (usize, f32),
) {
    for (x, (&a, &coloured)) in alpha.iter().zip(own).enumerate() {
        let bare = 1.0 - a;
        // Below a trace there is nobody, but grain.
        let share = spill * smooth_step(0.0, TRACE, a) * (1.0 - coloured);
        let own = [0, 1, 2].map(|c| (rows[c][x] - bare * model[c][x]).max(0.0));
        let new = unspilled(own, key, bare, 1.0);
        for c in 0..3 {
            rows[c][x] += share * (new[c] - own[c]);
        }
    }
}

/// Takes creases and marks out of one channel of the backdrop, as far as `cleaning` goes; gives the
/// standard deviation of its grain.
fn clean(plane: &mut Array2<f32>, model: &Matte, far: &Matte, crease: f32, cleaning: f32) -> f32 {
    let mut rest = Array2::zeros(plane.dim());
    bands::each_band(rest.view_mut(), |first, mut rows| {
        let (mut model, mut far) = (model.rows(), far.rows());
        for (i, mut rest) in rows.rows_mut().into_iter().enumerate() {
            let y = first + i;
            let rest = rest.as_slice_mut().expect("rows are contiguous");
            let light = plane.row(y);
            let light = light.to_slice().expect("rows are contiguous");
            rest_far_away(light, model.row(y), far.row(y), rest);
        }
    });
    let smooth = Blurred::new(rest.view(), crease);
    let noise = noise(&rest, &smooth, far);
    let most = MARK * noise;
    bands::each_band(plane.view_mut(), |first, mut rows| {
        let count = rows.nrows();
        let smooth = smooth.rows(first..first + count);
        for (i, mut row) in rows.rows_mut().into_iter().enumerate() {
            let (rest, smooth) = (rest.row(first + i), smooth.row(i));
            let rest = rest.to_slice().expect("rows are contiguous");
            let smooth = smooth.to_slice().expect("rows are contiguous");
            let row = row.as_slice_mut().expect("rows are contiguous");
            bands::vectorised(
                #[inline(always)]
                || {
                    for (v, (&rest, &smooth)) in row.iter_mut().zip(rest.iter().zip(smooth)) {
                        let fine = (rest - smooth).clamp(-most, most);
                        *v += cleaning * (fine - rest);
                    }
                },
            );
        }
    });
    noise
}

/// I - B where it is far from the sitter, fading to 0 near; of one row.
fn rest_far_away(light: &[f32], model: &[f32], far: &[f32], rest: &mut [f32]) {
    bands::vectorised(
        #[inline(always)]
        || {
            let read = light.iter().zip(model).zip(far);
            for (rest, ((&light, &backdrop), &share)) in rest.iter_mut().zip(read) {
                *rest = (light - backdrop) * share;
            }
        },
    );
}

/// Standard deviation of the fine part of the rest, marks left out.
fn noise(rest: &Array2<f32>, smooth: &Blurred, far: &Matte) -> f32 {
    // For a normal distribution the mean deviation is sqrt(2 / pi) of the standard one.
    let per_mean = f64::from(std::f32::consts::FRAC_PI_2).sqrt();
    let rows = rows_read(rest.nrows());
    let new = || far.rows();
    // How far each pixel that is surely far away deviates, row by row.
    let fine: Vec<Vec<f32>> = bands::gathered(&rows, new, |shares, y| {
        let smooth = smooth.rows(y..y + 1);
        let values = rest.row(y).into_iter().zip(&smooth).zip(shares.row(y));
        let far = values.filter(|(_, share)| **share > 0.99);
        far.map(|((rest, smooth), _)| (rest - smooth).abs())
            .collect()
    });
    let mut deviation = f64::INFINITY;
    for _ in 0..2 {
        let (mut sum, mut count) = (0.0_f64, 0_usize);
        for &fine in fine.iter().flatten() {
            let fine = f64::from(fine);
            if fine < f64::from(MARK) * deviation {
                sum += fine;
                count += 1;
            }
        }
        deviation = per_mean * sum / count.max(1) as f64;
    }
    deviation as f32
}

/// Standard deviation of light that is [`MOST_GRAIN`] on a wall of luminance `wall`: the slope of
/// L* = 116 Y^(1/3) - 16 (CIE 015:2018, 8.3).
fn most_grain(wall: f32) -> f32 {
    let root = math::cbrt(wall.max(1e-4));
    MOST_GRAIN * 3.0 / 116.0 * root * root
}

/// 1 away from the sitter, 0 near, on the matte's own map.
fn far_from(person: &Matte, scene: &Scene) -> Matte {
    let near = scene.scale.pixels(NEAR) * 0.5 * (person.step.x + person.step.y);
    let mut far = person.with_map(gaussian(person.map.view(), near));
    far.map
        .mapv_inplace(|a| 1.0 - smooth_step(FAR_ENDS[0], FAR_ENDS[1], a));
    far
}

/// Mean colour of the model where the sitter does not cover it; `None` when there is hardly any
/// such place or it is black.
fn mean_colour(backdrop: &BackdropModel, person: &Matte) -> Option<[f32; 3]> {
    let Size { width, height } = person.size;
    let (mut alphas, mut surfaces) = (person.rows(), backdrop.rows());
    let (mut sums, mut weight, mut count) = ([0.0_f64; 3], 0.0_f64, 0_usize);
    for y in rows_read(height) {
        let rows = surfaces.each_mut().map(|surface| surface.row(y));
        for (x, &a) in alphas.row(y).iter().enumerate() {
            let bare = f64::from(1.0 - a);
            weight += bare;
            for (sum, row) in sums.iter_mut().zip(rows) {
                *sum += bare * f64::from(row[x]);
            }
        }
        count += width;
    }
    let mean = sums.map(|sum| (sum / weight.max(1.0)) as f32);
    // A thousandth of the frame is no wall, and a colour of no light has no hue to keep.
    (weight > 1e-3 * count as f64 && luminance(mean) > 1e-5).then_some(mean)
}

/// L* of the bare backdrop: 5th percentile, median, 95th percentile.
fn backdrop_lightness(picture: &Linear, person: &Matte) -> [f32; 3] {
    /// A tenth of an L* step, up to L* 200.
    const BINS: usize = 2000;
    let rows = rows_read(picture.planes[0].len_of(Axis(0)));
    let bins = bands::gathered(
        &rows,
        || person.rows(),
        |alphas, y| {
            let bare = alphas.row(y).iter().enumerate();
            let bare = bare.filter(|(_, a)| **a < BARE);
            bare.map(|(x, _)| {
                let tenth = lightness(luminance(picture.at(y, x))) * 10.0;
                (tenth.max(0.0) as usize).min(BINS - 1)
            })
            .collect::<Vec<_>>()
        },
    );
    let mut histogram = vec![0_usize; BINS];
    for bin in bins.into_iter().flatten() {
        histogram[bin] += 1;
    }
    let total: usize = histogram.iter().sum();
    [5, 50, 95].map(|percent| {
        let wanted = total * percent / 100;
        let mut seen = 0;
        let found = histogram.iter().position(|&count| {
            seen += count;
            seen > wanted
        });
        found.map_or(0.0, |bin| (bin as f32 + 0.5) / 10.0)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::Scale;
    use crate::regions::Regions;

    const SIZE: Size = Size {
        width: 200,
        height: 160,
    };
    /// The sitter's own light, before coverage.
    const SITTER: [f32; 3] = [0.3, 0.2, 0.15];

    fn wall(y: usize, x: usize, channel: usize) -> f32 {
        let falloff = 0.12 + 0.10 * x as f32 / SIZE.width as f32 + 0.0002 * y as f32;
        falloff * [1.04, 1.0, 0.96][channel]
    }

    /// Covered in a disc with a soft edge, in the middle at the bottom.
    fn alpha(y: usize, x: usize) -> f32 {
        let (dy, dx) = (y as f32 - 150.0, x as f32 - 100.0);
        (0.5 + 0.25 * (40.0 - (dx * dx + dy * dy).sqrt())).clamp(0.0, 1.0)
    }

    /// Even pseudo-random numbers of mean 0 and standard deviation 1 (a linear congruence).
    fn noise(y: usize, x: usize, channel: usize) -> f32 {
        let mut state = (y * 7919 + x * 104_729 + channel * 1_299_709) as u32;
        for _ in 0..3 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state ^= state >> 15;
        }
        (state as f32 / u32::MAX as f32 - 0.5) * 12.0_f32.sqrt()
    }

    fn scene_before(wall: impl Fn(usize, usize, usize) -> f32) -> Linear {
        let mut picture = Linear::zeros(SIZE);
        for (c, plane) in picture.planes.iter_mut().enumerate() {
            for ((y, x), v) in plane.indexed_iter_mut() {
                let a = alpha(y, x);
                *v = a * SITTER[c] + (1.0 - a) * wall(y, x, c) + 0.001 * noise(y, x, c);
            }
        }
        picture
    }

    fn found(wall: impl Fn(usize, usize, usize) -> f32) -> Regions {
        let shape = (SIZE.height, SIZE.width);
        let person = Array2::from_shape_fn(shape, |(y, x)| alpha(y, x));
        let model = [0, 1, 2].map(|c| Array2::from_shape_fn(shape, |(y, x)| wall(y, x, c)));
        test_scene::before_backdrop(person, model)
    }

    fn lifted(settings: &BackgroundLift, picture: Linear) -> (Linear, Findings) {
        lifted_from(wall, settings, picture)
    }

    fn lifted_from(
        wall: impl Fn(usize, usize, usize) -> f32,
        settings: &BackgroundLift,
        mut picture: Linear,
    ) -> (Linear, Findings) {
        let regions = found(wall);
        let findings = settings.apply(
            &mut picture,
            &Scene {
                scale: Scale(40.0),
                regions: &regions,
            },
        );
        (picture, findings)
    }

    #[test]
    fn neutral_settings_or_an_unknown_backdrop_change_nothing() {
        let before = scene_before(wall);
        assert_eq!(lifted(&BackgroundLift::neutral(), before.clone()).0, before);
        let mut after = before.clone();
        test_scene::with(SIZE, |scene| {
            BackgroundLift::default().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    /// CIE 015:2018, 8.3: L* 62 is ((62 + 16) / 116)^3 = 0.304023 of white. Bound of issue: the wall
    /// varies by less than half an L* between its 5th and 95th percentile.
    #[test]
    fn the_wall_comes_to_its_level_and_is_even() {
        let (after, findings) = lifted(&BackgroundLift::default(), scene_before(wall));
        let figure = |name: &str| findings.figures.iter().find(|f| f.0 == name).map(|f| f.1);
        assert!(
            figure("spread before").is_some_and(|v| v > 10.0),
            "{findings:?}"
        );
        assert!(
            figure("lightness after").is_some_and(|v| (v - 62.0).abs() < 0.1),
            "{findings:?}"
        );
        assert!(
            figure("spread after").is_some_and(|v| v < 0.5),
            "{findings:?}"
        );
        let mean: f32 = (0..160).map(|y| luminance(after.at(y, 5))).sum::<f32>() / 160.0;
        assert!((mean - 0.304_023).abs() < 5e-4, "{mean}");
    }

    /// The same sitter rendered before the other wall is what must come out, edge and all.
    #[test]
    fn the_sitter_stands_before_the_new_wall_as_if_lit_there() {
        let settings = BackgroundLift {
            tint: Ratio(0.0),
            ..BackgroundLift::default()
        };
        let level = luminance_of(62.0);
        let (after, _) = lifted(&settings, scene_before(wall));
        let truth = scene_before(|_, _, _| level);
        let mut edge = 0;
        for (after, truth) in after.planes.iter().zip(&truth.planes) {
            for ((place, a), t) in after.indexed_iter().zip(truth) {
                assert!((a - t).abs() < 0.004, "{place:?}: {a} for {t}");
                let covered = alpha(place.0, place.1);
                edge += usize::from(covered > 0.1 && covered < 0.9);
                if covered == 1.0 {
                    assert!((a - t).abs() < 1e-6, "{place:?}: the sitter changed");
                }
            }
        }
        assert!(edge > 300, "the test has an edge to look at");
    }

    /// Green light on the sitter (a little of it is the sitter's own, as much as there is red) goes with the
    /// wall's colour and stays with it; paper of no key's colour throws none that could be told.
    #[test]
    fn a_key_walls_light_on_the_sitter_goes_with_its_colour() {
        let green = |_: usize, _: usize, c: usize| [0.06, 0.3, 0.08][c];
        let spilled = |wall: &dyn Fn(usize, usize, usize) -> f32, light: f32| {
            let mut picture = scene_before(wall);
            for ((y, x), v) in picture.planes[1].indexed_iter_mut() {
                *v += alpha(y, x) * light;
            }
            picture
        };
        let neutral = BackgroundLift {
            tint: Ratio(0.0),
            ..BackgroundLift::default()
        };
        let level = luminance_of(62.0);
        let (after, _) = lifted_from(green, &neutral, spilled(&green, 0.2));
        let truth = spilled(&|_, _, _| level, SITTER[0] - SITTER[1]);
        for (after, truth) in after.planes.iter().zip(&truth.planes) {
            for ((place, a), t) in after.indexed_iter().zip(truth) {
                assert!((a - t).abs() < 0.006, "{place:?}: {a} for {t}");
            }
        }
        let middle = |picture: &Linear| picture.at(150, 100);
        let before = spilled(&green, 0.2);
        let (after, _) = lifted_from(green, &BackgroundLift::default(), before.clone());
        assert_eq!(middle(&after), middle(&before), "the wall stays green");
        let before = spilled(&wall, 0.2);
        let (after, _) = lifted(&neutral, before.clone());
        assert_eq!(middle(&after), middle(&before), "the wall was grey");
        let mut regions = found(green);
        let cloth = Array2::from_shape_fn((SIZE.height, SIZE.width), |(y, x)| alpha(y, x));
        let cloth = test_scene::matte(cloth);
        regions.mattes.push((Region::Clothing, cloth));
        let (scale, regions) = (Scale(40.0), &regions);
        let before = spilled(&green, 0.2);
        let mut after = before.clone();
        neutral.apply(&mut after, &Scene { scale, regions });
        assert_eq!(middle(&after), middle(&before), "cloth may be green");
    }

    #[test]
    fn creases_and_dust_go_away_from_the_sitter() {
        let crease = |y: usize, x: usize, c: usize| {
            let mark = if (20..24).contains(&x) || (y == 30 && x == 170) {
                0.85
            } else {
                1.0
            };
            wall(y, x, c) * mark
        };
        let (after, _) = lifted(&BackgroundLift::default(), scene_before(crease));
        for y in 0..100 {
            let crease = luminance(after.at(y, 22)) / luminance(after.at(y, 60));
            assert!((crease - 1.0).abs() < 0.02, "row {y}: {crease}");
        }
        let (kept, _) = lifted(
            &BackgroundLift {
                evenness: Ratio(0.0),
                ..BackgroundLift::default()
            },
            scene_before(crease),
        );
        assert!(luminance(kept.at(50, 22)) < 0.95 * luminance(kept.at(50, 28)));
        // Grain stays.
        let row = after.planes[1].row(20);
        let mean = row.mean().expect("a row has pixels");
        let grain = (row.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>() / 200.0).sqrt();
        assert!((0.0004..0.0008).contains(&grain), "{grain}");
    }

    #[test]
    fn the_falloff_stays_as_far_as_evenness_leaves_it() {
        let ratio = |evenness| {
            let settings = BackgroundLift {
                evenness: Ratio(evenness),
                ..BackgroundLift::default()
            };
            let (after, _) = lifted(&settings, scene_before(wall));
            let column = |x| (0..60).map(|y| luminance(after.at(y, x))).sum::<f32>();
            column(195) / column(5)
        };
        let own = (0..60).map(|y| wall(y, 195, 1)).sum::<f32>()
            / (0..60).map(|y| wall(y, 5, 1)).sum::<f32>();
        assert!((ratio(0.0) - own).abs() < 0.01 && (ratio(1.0) - 1.0).abs() < 0.005);
        let half = ratio(0.5);
        assert!(half > 1.15 && half < own - 0.15, "{half} of {own}");
    }

    #[test]
    fn the_ends_of_the_ranges_are_finite_and_a_dark_wall_leaves_no_black_fringe() {
        for level in [0.0, 100.0] {
            for end in [0.0, 1.0] {
                let settings = BackgroundLift {
                    strength: Ratio(1.0),
                    level: Lightness(level),
                    evenness: Ratio(end),
                    tint: Ratio(end),
                };
                let (after, _) = lifted(&settings, scene_before(wall));
                for &v in after.planes.iter().flatten() {
                    assert!(
                        v.is_finite() && (-0.012..1.5).contains(&v),
                        "{level} {end}: {v}"
                    );
                }
            }
        }
    }
}
