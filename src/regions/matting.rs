//! The sitter's matte and what it is made of, from the known backdrop.
//!
//! The compositing equation I = a F + (1 - a) B (Porter and Duff 1984) has one unknown colour
//! less when the backdrop B is known. F is taken as normal with the mean and covariance of sure
//! foreground nearby, one such model each for skin, hair, clothing and things worn, as in
//! Bayesian matting (Chuang, Curless, Salesin and Szeliski, CVPR 2001, equations 4 to 9), but
//! instead of alternating for the likeliest pair we sum over a grid of alphas and the classes:
//! p(I | a, k) = N(I; a F_k + (1 - a) B, a^2 C_k + noise). The nets' rough map is the prior.
//! The mean of the posterior is the matte; its split by class gives the parts, soft edges
//! included. All in scene-linear light, where light adds.

use ndarray::{Array2, Array3, ArrayView2, Axis};

use super::backdrop::{Surface, UNIT_FLOOR, unit};
use super::crop::halve;
use super::nets::{Axes, COARSE};
use super::plane::{Rows, resized};
use super::rim::Rim;
use super::screen::{self, Screen};
use super::shades::{Colour, Model, Moments, Place, flat, gap, log_normal, own_variance, width};
use super::shell;
use super::specks::{drop_islands, drop_things, without_specks};
use super::unlike::{CALM, CLOSE, FREED, GROWN_FIRM, Unlike, grown};
use super::walk::{Field, conductance};
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::math::{exp, ln};
use crate::picture::{Linear, Point, bands, luminance};

/// Groups of parts that have a colour model of their own.
pub(super) const GROUPS: usize = 4;

/// Skin (with all that lies in a face), hair, clothing, worn.
const GROUP_OF_CLASS: [Option<usize>; 11] = [
    None,
    Some(0),
    Some(0),
    Some(1),
    Some(2),
    Some(0),
    Some(0),
    Some(0),
    Some(0),
    Some(0),
    Some(3),
];

/// Clothing among the classes.
const CLOTHING: usize = 4;

/// Alphas tried: 0, 1/12, ..., 1. Finer grids changed the mean square error by under 1 %.
const ALPHAS: usize = 13;

/// Prior share of half-covered pixels near an edge, by group: hair frays, cloth and skin end.
const BETWEEN: [f32; GROUPS] = [0.15, 0.7, 0.15, 0.15];

/// Width of the fringe in which hair may thin out, in eye spans (standard deviation): an afro's is
/// about two thirds of an eye span deep on the rendered frames.
const FRINGE: f32 = 0.2;

/// Share of sure sitter in the [`FRINGE`] around a place from which its hair is hair throughout, and
/// what other places count beside such: on the rendered afro they made alpha 0.1 too large.
const DEEP: f32 = 0.9;
const SHALLOW: f32 = 0.02;

/// What hangs on nothing and is shorter than this, in eye spans, is no strand. Specks of grain on the
/// rendered frames stay below 0.05, free pieces of strands that an eye follows are longer than this.
const ISLAND: f32 = 0.12;

/// The same before a screen once alpha was solved from its colour alone, which takes a pale mark on the screen for
/// the sitter; 0.12 eats ends of strands there.
const DOT: f32 = 0.04;

/// Share of hair around (Gaussian of half an eye span) from which the backdrop may shine through its
/// depth. Where it truly does on the rendered frames, in the afro's fringe, nearly all have more than
/// this; a rim of cropped hair, or a lit scalp taken for one, has at most 0.32.
const MASS: f32 = 0.38;

/// The same below the chin, where hair hangs down thinly and no scalp is, and the share of hair in a
/// pixel from which it is looked at, there and elsewhere: over the shoulder of a rendered sitter a strip
/// of mixed hair and wall passed for cloth.
const MASS_BELOW: f32 = 0.1;
const HAIR: f32 = 0.5;
const HAIR_BELOW: f32 = 0.35;

/// How far below the eyes, in the face's own units, the chin is surely passed.
pub(super) const BELOW: f32 = 1.15;

/// [`BETWEEN`] of hair before a black backdrop at most: its shadowed depth looks as the backdrop does, and
/// a rendered beard became a sieve.
const BETWEEN_ON_BLACK: f32 = 0.2;

/// Most share of hair around in the neighbourhood up to which hair is cropped, so that its colour is
/// measured up to its outline, and from which only deep inside.
const THIN: [f32; 2] = [0.34, 0.42];

/// How unlike (see [`gap`]) hair and backdrop must be for colour alone to say how hair thins out.
const TELLING: f32 = 12.0;

/// Unlikeness of all of a group's colours together up to which the group's outline is told by the
/// outermost trace, and from which by colour alone.
const ALIKE: [f32; 2] = [2.0, 5.0];

/// Sitter's probability under which a pixel is bare if it looks so: squared distance from the backdrop, all
/// channels together, in variances of it. Three are usual; a strand that shows no more is not seen.
const OUTSIDE: f32 = 0.05;
const AS_BARE: f32 = 4.0;

/// Luminance of a backdrop that counts as black, and from which it does not: black paper of the rendered
/// frames has 0.016, grey 0.17.
const DARK: [f32; 2] = [0.03, 0.06];

/// Share of the sitter's cloth in the colour of a screen from which cloth is no witness of it: a light blue shirt
/// before blue-grey paper was taken for a hole. Narrow gaps between arm and body that the nets take for cloth make up
/// half a hundredth of the rendered sitter's.
const KEYED_CLOTH: f32 = 0.02;

/// How far to the side, in the face's own units, cloth may have a gap that the nets miss: a button down the middle
/// mirrors the screen.
const ASIDE: f32 = 0.6;

/// The nets' word from which a place that touches nothing bare is covered.
const SURE: f32 = 0.9;

/// Blur of that outline, in half-size pixels (standard deviation): a lens's and demosaicing's.
const SOFT: f32 = 1.0;

/// Unlikeness of the sitter's colours ([`gap`], and [`gap`] plus [`width`]) from which a bare patch
/// inside the sitter is a gap: 0.3 and 2.5 in the gaps between arm and body of the rendered frames;
/// three quarters of black cloth before black have less than 0.28 and 2.0.
const BY_COLOUR: f32 = 0.3;
const BY_CHANCE: f32 = 2.3;

/// What the nets say, at half size.
pub(super) struct Rough {
    /// Probability of the sitter.
    pub(super) person: Array2<f32>,
    /// The eleven classes.
    pub(super) classes: Array3<f32>,
}

/// The matte and its shares at the picture's size.
pub(super) struct Layers {
    /// 0 backdrop to 1 sitter.
    pub(super) alpha: Array2<f32>,
    /// Skin, hair, clothing, worn: 0 to 1 each, summing to `alpha`.
    pub(super) shares: [Array2<f32>; GROUPS],
    /// Share of the band in which sitter and backdrop could not be told apart by colour.
    pub(super) alike: f32,
}

/// How far hair and clothes are as dark as a dark backdrop, by group: 0 to 1.
fn as_dark(models: &[Model; GROUPS], surface: &Surface) -> [f32; GROUPS] {
    let b = behind_all(surface);
    let noise = b.map(|b| CALM * unit(b) * CALM * unit(b));
    let share = |v: f32, [low, high]: [f32; 2]| 1.0 - ((v - low) / (high - low)).max(0.0).min(1.0);
    let dark = share(luminance(b), DARK);
    std::array::from_fn(|k| match &models[k] {
        model if model.present && (k == 1 || k == 2) => {
            dark * share(gap(&model.whole, b, noise), ALIKE)
        }
        _ => 0.0,
    })
}

/// Separates sitter and backdrop, and gives the surface once more where it was measured again; `moments` are those
/// of the surface's cells, `span` is the eye span in picture pixels.
pub(super) fn separate(
    small: &Linear,
    moments: &Moments,
    surface: &Surface,
    rough: &Rough,
    axes: &Axes,
    span: f32,
) -> (Layers, Option<Surface>) {
    let dim = small.planes[0].dim();
    let cell = surface.cell;
    let grid = surface.spread.dim();
    let to_grid = |plane: ArrayView2<'_, f32>| resized(plane, grid, cell as f32 / COARSE as f32);
    let half = span / COARSE as f32;
    // Prior probabilities of the four groups, widened a little so that they reach over edges.
    let mut groups: [Array2<f32>; GROUPS] =
        std::array::from_fn(|_| Array2::zeros(rough.person.dim()));
    for (class, group) in GROUP_OF_CLASS.into_iter().enumerate() {
        if let Some(group) = group {
            groups[group] += &rough.classes.index_axis(Axis(0), class);
        }
    }
    let sure_groups = groups.each_ref().map(|g| to_grid(g.view()));
    let near_groups = groups.each_ref().map(|g| gaussian(g.view(), 0.02 * half));
    let wide_groups = groups.each_ref().map(|g| gaussian(g.view(), 0.12 * half));
    let noise = pixel_noise(small, surface, rough);
    let models = |sure: &Array2<f32>, hair: Option<&Array2<f32>>| -> [Model; GROUPS] {
        let one = |k: usize| {
            let mut weight = sure * &sure_groups[k].mapv(|g| if g > 0.6 { g } else { 0.0 });
            if let (1, Some(hair)) = (k, hair) {
                weight *= hair;
            }
            moments.model(&weight, span / cell as f32)
        };
        let two = |k: usize| bands::both(|| one(k), || one(k + 1));
        let ((a, b), (c, d)) = bands::both(|| two(0), || two(2));
        [a, b, c, d]
    };
    let sure = |map: Array2<f32>| erode(map.view(), 2).mapv(|p| if p > 0.97 { 1.0 } else { 0.0 });
    let unlike = Unlike::new(small, surface, axes, span, noise);
    let bare = to_grid(unlike.bare.view());
    let (first, enclosed) = bands::both(
        || {
            let person = sure(to_grid(rough.person.view()));
            models(&(person * bare.mapv(|b| 1.0 - b)), None)
        },
        || shell::enclosed(&unlike.scaled, &rough.person),
    );
    let alike = as_dark(&first, surface);
    let (solid, grown, wide) = settle(
        surface,
        rough,
        &unlike,
        (&enclosed, alike),
        &first,
        &wide_groups,
        half,
    );
    let tight = gaussian(solid.view(), 0.03 * half);
    // Hair thins out over a long way: there only what is well inside is taken as covered unseen.
    let deep = gaussian(solid.view(), FRINGE * half);
    let mass = gaussian(groups[1].view(), 0.5 * half);
    // The walk takes a half-covered fringe for solid. Its mixed colours would pass for the hair's own, so
    // hair is measured deep inside wherever there is such a place.
    let core = to_grid(deep.view()).mapv(|d| if d > DEEP { 1.0 } else { SHALLOW });
    let solid_grid = sure(to_grid(solid.view()));
    let second = models(&solid_grid, Some(&core));
    let near_hair = moments.model(
        &(&solid_grid * &sure_groups[1].mapv(|g| if g > 0.6 { g } else { 0.0 })),
        span / cell as f32,
    );
    let screen = Screen::of(behind_all(surface));
    let cloth_tells = screen.is_none_or(|screen| !cloth_has(screen, small, surface, rough));
    let contour = gaussian(enclosed.view(), SOFT);
    let thickest = dilate(mass.view(), (0.5 * half) as usize);
    // Alpha, the four shares and "cannot tell".
    let mut planes: [Array2<f32>; 6] = std::array::from_fn(|_| Array2::zeros(dim));
    let size = tight.dim();
    let back = surface.planes.each_ref().map(flat);
    let spreads = flat(&surface.spread);
    let near_groups = near_groups.each_ref().map(flat);
    let wide_groups = wide_groups.each_ref().map(flat);
    let colours = second.each_ref().map(|model| flat(&model.colour));
    let near_hair = flat(&near_hair.colour);
    let halves = [&tight, &wide, &solid, &mass, &deep, &contour, &thickest].map(flat);
    let reading = Rows::new(size, dim, 1.0 / COARSE as f32);
    let made = planes
        .each_mut()
        .map(|p| p.as_slice_mut().expect("just made"));
    bands::each_piece_of_all(made, dim.1, |y, rows| {
        let halves = halves.map(|plane| reading.mixed(plane, y));
        let [tight, wide, solid, mass, deep, contour, thickest] = halves.each_ref();
        let near_groups = near_groups.map(|plane| reading.mixed(plane, y));
        let wide_groups = wide_groups.map(|plane| reading.mixed(plane, y));
        bands::vectorised(
            #[inline(always)]
            || {
                for x in 0..dim.1 {
                    let read = |row: &Vec<f32>| reading.read(row, x);
                    let p = read(tight);
                    if p < 0.01 && read(wide) < 0.004 {
                        continue;
                    }
                    let colour = small.at(y, x);
                    // Backdrop, its spread and where colour models are read.
                    let behind = || {
                        let k = cell as f32;
                        let (gx, gy) = ((x as f32 + 0.5) / k, (y as f32 + 0.5) / k);
                        let here = Place::new(grid, gx, gy);
                        let b: [f32; 3] = std::array::from_fn(|c| here.read(back[c]));
                        let spread = here.read(spreads).max(noise);
                        (Place::of_models(grid, gx, gy), b, spread)
                    };
                    if p < OUTSIDE && read(solid) < OUTSIDE {
                        let (_, b, spread) = behind();
                        let off = (0..3)
                            .map(|c| (colour[c] - b[c]) * (colour[c] - b[c]) / (b[c] + UNIT_FLOOR));
                        if off.sum::<f32>() < AS_BARE * spread * spread {
                            continue;
                        }
                    }
                    let mut prior = near_groups.each_ref().map(read);
                    let mut inside = p > 0.995;
                    let middle = Point {
                        x: x as f32 + 0.5,
                        y: y as f32 + 0.5,
                    };
                    let (across, down) = axes.of(middle);
                    // A gap between arm and body may be too narrow for nets and walk, but on a green or
                    // blue screen its colour is nobody's.
                    let keyed = inside
                        && (cloth_tells && across.abs() > ASIDE || prior[1] > HAIR_BELOW)
                        && screen.is_some_and(|s| s.keyed(colour, behind().1));
                    if inside
                        && !keyed
                        && prior[1] > (if down > BELOW { HAIR_BELOW } else { HAIR })
                        && read(mass) > least_mass(down)
                        && second[1].present
                        && alike[1] < 0.5
                        && read(deep) < 0.999
                    {
                        let (here, b, spread) = behind();
                        let noise = b.map(|b| spread * unit(b) * spread * unit(b));
                        inside = gap(&here.colour(colours[1]), b, noise) <= TELLING;
                    }
                    if keyed {
                        inside = false;
                    }
                    if inside {
                        let sum: f32 = prior.iter().sum::<f32>().max(1e-6);
                        prior = prior.map(|g| g / sum);
                        let best = prior.iter().fold(0.0f32, |a, b| a.max(*b));
                        if best > 0.98 {
                            rows[0][x] = 1.0;
                            for (row, share) in rows[1..].iter_mut().zip(prior) {
                                row[x] = share;
                            }
                            continue;
                        }
                    } else {
                        for (p, g) in prior.iter_mut().zip(&wide_groups) {
                            *p = 0.5 * *p + 0.5 * read(g) + 1e-5;
                        }
                        let sum: f32 = prior.iter().sum();
                        prior = prior.map(|g| g / sum);
                    }
                    let (here, b, spread) = behind();
                    // Strands that the walk has smoothed away stay possible near the sitter, gaps in
                    // hair stay possible inside.
                    let p = match (inside, keyed) {
                        (true, _) => 1.0,
                        (_, true) => read(solid).min(screen::GAP),
                        _ => read(solid),
                    };
                    // What colour does not tell is left to the outermost trace.
                    let outline = (
                        read(contour),
                        1.0 - prior.iter().zip(alike).map(|(p, a)| p * a).sum::<f32>(),
                    );
                    let mut likely: [Option<Colour>; GROUPS] = std::array::from_fn(|k| {
                        let there = second[k].present && prior[k] >= 0.01;
                        there.then(|| here.colour(colours[k]))
                    });
                    let thick = (read(thickest) - THIN[0]) / (THIN[1] - THIN[0]);
                    if let Some(hair) = likely[1].as_mut().filter(|_| thick < 1.0) {
                        let near = here.colour(near_hair);
                        for (hair, near) in hair.iter_mut().zip(near) {
                            *hair = near + thick.max(0.0) * (*hair - near);
                        }
                    }
                    let found = posterior(colour, (b, spread), p, prior, &likely, outline);
                    for (row, value) in rows.iter_mut().zip(found) {
                        row[x] = value;
                    }
                }
            },
        );
    });
    let [found, skin, hair, clothing, worn, unsure] = planes;
    // A strand goes on; a pixel that stands alone is noise, and so is a speck of some pixels that
    // hangs on nothing.
    let mut alpha = without_specks(&found);
    drop_islands(&mut alpha, (ISLAND * COARSE as f32 * half) as usize);
    drop_things(&mut alpha, &rough.person, axes.middle, half);
    let halved = halve(alpha.view());
    let (whole, (hard, bare)) = bands::both(
        || {
            let mut whole = shell::unreached(&halved);
            whole.zip_mut_with(&rough.person, |w, &p| *w = if p > SURE { *w } else { 0.0 });
            whole
        },
        || {
            let (hair, black) = (halve(hair.view()), is_black(surface));
            let hard = shell::hard(&halved, &hair, &rough.person, black);
            (hard, gaussian(erode(grown.view(), 1).view(), CLOSE))
        },
    );
    let planes = [&whole, &hard, &bare].map(flat);
    bands::each_band(alpha.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let [whole, hard, bare] = planes.map(|plane| reading.mixed(plane, first + i));
            let freed = bare.iter().any(|&bare| bare > 0.0);
            for (x, a) in row.iter_mut().enumerate() {
                let tells = *a < 1.0 && (cloth_tells || hair[[first + i, x]] > HAIR_BELOW * *a);
                let keyed = screen.filter(|_| tells).is_some_and(|screen| {
                    let y = first + i;
                    screen.keyed(small.at(y, x), wall_at(surface, [y, x]))
                });
                if *a < 1.0 && !keyed {
                    let closed = reading.read(&whole, x).max(reading.read(&hard, x));
                    *a += (1.0 - *a) * closed;
                }
                if freed {
                    *a *= 1.0 - reading.read(&bare, x);
                }
            }
        }
    });
    let mut shares = [skin, hair, clothing, worn];
    // Before plain walls measuring again changes nothing that the scores show.
    let closer = screen.map(|_| surface.closer(small, &alpha, span));
    let tips = Rim {
        small,
        surface: closer.as_ref().unwrap_or(surface),
        shares: &shares,
        noise,
        span,
        screen,
        black: is_black(surface),
    }
    .solve(&mut alpha);
    if screen.is_some() {
        // A mark on the wall that is paler than the screen looks covered.
        drop_islands(&mut alpha, (DOT * COARSE as f32 * half) as usize);
    }
    let made = shares
        .each_mut()
        .map(|p| p.as_slice_mut().expect("just made"));
    bands::each_piece_of_all(made, dim.1, |y, rows| {
        // The nets' word is blurred over two of their pixels, so shares meet in a ramp where the
        // picture has an edge. Squared odds halve that ramp's width: skin overlaps the rendered
        // truth by 0.904 instead of 0.895, hair by 0.705 instead of 0.695; cubes give no more.
        let tips = tips.get(y).map_or(&[][..], |tips| &tips[..]);
        for (x, &a) in alpha.row(y).iter().enumerate() {
            if tips.get(x) == Some(&true) {
                rows.iter_mut().for_each(|row| row[x] = 0.0);
            }
            if a > 0.0 {
                let squares = rows.iter().map(|row| row[x] * row[x]).sum::<f32>();
                if squares > 0.0 {
                    let scale = a / squares;
                    rows.iter_mut()
                        .for_each(|row| row[x] = row[x] * row[x] * scale);
                } else {
                    // What nothing but its outline tells is a strand.
                    rows[1][x] = a;
                }
            } else {
                rows.iter_mut().for_each(|row| row[x] = 0.0);
            }
        }
    });
    let soft = alpha
        .iter()
        .filter(|a| **a > 0.02 && **a < 0.98)
        .count()
        .max(1);
    let alike = unsure.sum() / soft as f32;
    let layers = Layers {
        alpha,
        shares,
        alike,
    };
    (layers, closer)
}

/// Whether cloth has the screen's own colour: it would be full of holes, so then only hair tells.
fn cloth_has(screen: Screen, small: &Linear, surface: &Surface, rough: &Rough) -> bool {
    let cloth = rough.classes.index_axis(Axis(0), CLOTHING);
    let (mut sure, mut keyed) = (0.0, 0.0);
    for ((y, x), _) in cloth
        .indexed_iter()
        .filter(|(at, cloth)| **cloth > SURE && rough.person[*at] > SURE)
    {
        let at @ [y, x] = [y * COARSE, x * COARSE];
        sure += 1.0;
        if screen.keyed(small.at(y, x), wall_at(surface, at)) {
            keyed += 1.0;
        }
    }
    keyed > KEYED_CLOTH * sure
}

/// The backdrop at a pixel.
#[inline(always)]
fn wall_at(surface: &Surface, at: [usize; 2]) -> [f32; 3] {
    let [y, x] = at.map(|i| (i as f32 + 0.5) / surface.cell as f32);
    let here = Place::new(surface.spread.dim(), x, y);
    surface
        .planes
        .each_ref()
        .map(|plane| here.read(flat(plane)))
}

/// [`MASS`] so far below the eyes.
#[inline(always)]
fn least_mass(down: f32) -> f32 {
    if down > BELOW { MASS_BELOW } else { MASS }
}

/// Whether a backdrop is black throughout.
fn is_black(surface: &Surface) -> bool {
    luminance(behind_all(surface)) < DARK[1]
}

/// The backdrop's mean colour.
pub(super) fn behind_all(surface: &Surface) -> [f32; 3] {
    let mean = |p: &Array2<f32>| p.sum() / p.len().max(1) as f32;
    surface.planes.each_ref().map(mean)
}

/// Probability that a pixel is solidly the sitter's, at half size: nets, colour and edges
/// together. Also what has grown from gaps, and the nets' word blurred widely.
fn settle(
    surface: &Surface,
    rough: &Rough,
    unlike: &Unlike,
    (enclosed, alike): (&Array2<f32>, [f32; GROUPS]),
    models: &[Model; GROUPS],
    groups: &[Array2<f32>; GROUPS],
    half: f32,
) -> (Array2<f32>, Array2<f32>, Array2<f32>) {
    let dim = rough.person.dim();
    let grid = surface.spread.dim();
    let step = COARSE as f32 / surface.cell as f32;
    let tight = gaussian(rough.person.view(), 0.05 * half);
    let wide = gaussian(rough.person.view(), 0.3 * half);
    // Bare pixels from which the backdrop outside (by the nets) is reached over bare pixels alone.
    let outside = rough.person.mapv(|p| p < 0.3);
    let wall = ndarray::Zip::from(&unlike.bare)
        .and(&outside)
        .map_collect(|&bare, &outside| f32::from(u8::from(bare <= 0.5 && !outside)));
    let joined = shell::flooded(&wall, &outside);
    let (mut wanted, mut weight) = (Array2::<f32>::zeros(dim), Array2::<f32>::zeros(dim));
    let planes = surface.planes.each_ref().map(flat);
    let nearest = |at: [usize; 2]| -> (f32, f32) {
        let spread = unlike.spread[at];
        let [y, x] = at.map(|i| (i as f32 + 0.5) * step);
        let here = Place::new(grid, x, y);
        let b: [f32; 3] = std::array::from_fn(|c| here.read(planes[c]));
        let noise: [f32; 3] = b.map(|b| spread * unit(b) * spread * unit(b));
        let here = Place::of_models(grid, x, y);
        let (mut nearest, mut chance) = (30.0f32, 0.0f32);
        for (model, group) in models.iter().zip(groups) {
            if model.present && group[at] > 0.03 {
                let colour = here.colour(flat(&model.colour));
                let near = gap(&colour, b, noise);
                if near < nearest {
                    (nearest, chance) = (near, near + width(&colour, noise));
                }
            }
        }
        (nearest, chance)
    };
    // A bare patch counts where the clothes around would hardly look so, or where it goes on
    // from the backdrop outside.
    let gaps = Array2::from_shape_fn(dim, |(y, x)| {
        let at = [y, x];
        unlike.bare[at] > 0.5
            && (joined[at] > 0.5
                || wide[at] >= 0.01 && {
                    let (nearest, chance) = nearest(at);
                    nearest > BY_COLOUR && chance > BY_CHANCE
                })
    });
    // Black cloth goes on from a black gap without an edge.
    let grown = if is_black(surface) {
        Array2::zeros(dim)
    } else {
        grown(&gaps, &unlike.square)
    };
    let freed = dilate(grown.view(), FREED);
    // What one pixel wants, and how firmly.
    let at_rest = |at: [usize; 2]| -> (f32, f32) {
        let off: f32 = unlike.scaled.iter().map(|p| p[at] * p[at] / 3.0).sum();
        let (p, far) = (tight[at], wide[at]);
        // Colour tells the backdrop only where the sitter's is another.
        let tells = if off > 9.0 || far < 0.01 {
            0.0
        } else {
            ((nearest(at).0 - 3.0) / 12.0).max(0.0).min(1.0) * (1.0 - off / 9.0)
        };
        if gaps[at] {
            return (0.0, 1.0);
        }
        if grown[at] > 0.5 && far >= 0.01 {
            return (0.0, GROWN_FIRM);
        }
        // Where colour does not tell, what lies within the outline is the sitter.
        if far >= 0.01 && enclosed[at] > 0.5 {
            let (mut likely, mut all) = (0.0, 1e-6);
            for (group, alike) in groups.iter().zip(alike) {
                likely += group[at] * alike;
                all += group[at];
            }
            if likely > 0.5 * all {
                return (1.0, 10.0);
            }
        }
        // Deep inside and far outside the nets' word stands.
        if p > 0.997 && far > 0.95 && freed[at] < 0.5 {
            return (1.0, 10.0);
        }
        if far < 0.01 {
            return (0.0, 10.0);
        }
        // The nets, firmer the surer they are.
        let sure = (2.0 * rough.person[at] - 1.0).abs();
        let net = 0.01 + 0.15 * sure * sure * sure;
        let (mut pull, mut total) = (net * rough.person[at], net);
        // Colour that the backdrop cannot have.
        if off > 9.0 {
            let w = 0.3 * ((off - 9.0) / 16.0).min(1.0) * (0.1 + 0.9 * far).min(1.0);
            pull += w;
            total += w;
        } else {
            total += 0.5 * tells;
        }
        (pull / total, total)
    };
    let planes = [&mut wanted, &mut weight].map(|p| p.as_slice_mut().expect("just made"));
    bands::each_piece_of_all(planes, dim.1, |y, rows| {
        let [wanted, weight] = rows else { return };
        for (x, (wanted, weight)) in wanted.iter_mut().zip(weight.iter_mut()).enumerate() {
            (*wanted, *weight) = at_rest([y, x]);
        }
    });
    let (right, below) = conductance(&unlike.scaled);
    let solid = Field {
        wanted,
        weight,
        right,
        below,
    }
    .settle();
    (solid, grown, wide)
}

/// Noise of single pixels about the surface, in [`unit`]s: a robust deviation over sure backdrop.
pub(super) fn pixel_noise(small: &Linear, surface: &Surface, rough: &Rough) -> f32 {
    let mut off = Vec::new();
    let (h, w) = small.planes[0].dim();
    for y in (0..h).step_by(7) {
        for x in (0..w).step_by(7) {
            if rough.person[[y / COARSE, x / COARSE]] < 0.02 {
                let cell = [y / surface.cell, x / surface.cell];
                for c in 0..3 {
                    let b = surface.planes[c][cell];
                    off.push((small.planes[c][[y, x]] - b).abs() / unit(b));
                }
            }
        }
    }
    // Median absolute deviation to standard deviation of a normal.
    (1.4826 * super::backdrop::median(&mut off)).max(0.003)
}

/// [`ALPHAS`] in whole vectors.
const LANES: usize = 16;

/// Log density of a colour at each alpha, for one group's colour before the backdrop `b`.
#[inline(always)]
fn densities(colour: [f32; 3], b: [f32; 3], m: &Colour, noise: [f32; 3]) -> [f32; LANES] {
    let own = own_variance(m);
    let (wide, m) = ([m[3] + own[0], m[6] + own[1], m[8] + own[2]], *m);
    let mut out = [0.0; LANES];
    for (j, out) in out.iter_mut().enumerate() {
        let a = j as f32 / (ALPHAS - 1) as f32;
        let rest = 1.0 - a;
        let q = a * a;
        *out = log_normal(
            [
                colour[0] - a * m[0] - rest * b[0],
                colour[1] - a * m[1] - rest * b[1],
                colour[2] - a * m[2] - rest * b[2],
            ],
            [
                q * wide[0] + noise[0],
                q * m[4],
                q * m[5],
                q * wide[1] + noise[1],
                q * m[7],
                q * wide[2] + noise[2],
            ],
        );
    }
    out
}

/// Alpha, the four shares, and 1 where colour could not tell: see the head of the file.
#[inline(always)]
fn posterior(
    colour: [f32; 3],
    (b, spread): ([f32; 3], f32),
    p: f32,
    prior: [f32; GROUPS],
    colours: &[Option<Colour>; GROUPS],
    (contour, told): (f32, f32),
) -> [f32; 6] {
    let noise: [f32; 3] = std::array::from_fn(|c| {
        let s = spread * unit(b[c]);
        s * s
    });
    let mut log = [[f32::MIN; ALPHAS]; GROUPS];
    let mut top = f32::MIN;
    // Strands that the walk has smoothed away stay possible near the sitter, gaps in hair stay
    // possible inside, where colour can tell them.
    let mut apart = 0.0f32;
    for (k, colour) in colours.iter().enumerate() {
        if let Some(m) = colour {
            apart = apart.max(gap(m, b, noise) * prior[k].min(0.5));
        }
    }
    // Where colour hardly tells, such doubt would only fog the whole band around the sitter.
    let telling = ((apart - 4.0) / 8.0).max(0.0).min(1.0);
    let doubt = 0.02 * telling + 1e-4;
    let p = if p < 1.0 {
        p.max(doubt).min(1.0 - doubt)
    } else {
        p
    };
    let open = 4.0 * p * (1.0 - p);
    let fray = (open * open).max(0.5 * telling);
    let empty = {
        let d: [f32; 3] = std::array::from_fn(|c| colour[c] - b[c]);
        log_normal(d, [noise[0], 0.0, 0.0, noise[1], 0.0, noise[2]])
    };
    for (k, m) in colours.iter().enumerate() {
        let Some(m) = m else { continue };
        let first = if p >= 1.0 { ALPHAS - 1 } else { 0 };
        // Outside, half-covered pixels are as likely as colour can tell them; inside, a group's
        // own share of them counts, where colour can tell.
        let between = if luminance(b) < DARK[1] {
            BETWEEN[k].min(BETWEEN_ON_BLACK)
        } else {
            BETWEEN[k]
        };
        let outside = between.min(0.5) * fray;
        let tells = if spread < CALM {
            ((apart - 2.0) / 5.0).max(0.0).min(1.0)
        } else {
            0.0
        };
        let inside = outside + (between - outside).max(0.0) * tells;
        // Of nothing, of each alpha between, of all.
        let weights = [
            (1.0 - p) * (1.0 - outside),
            ((1.0 - p) * outside + p * inside) / (ALPHAS - 2) as f32,
            p * (1.0 - inside),
            0.0,
        ];
        let [none, part, full, _] = weights.map(|weight| ln(weight * prior[k] + 1e-12));
        if first > 0 {
            // Covered for sure: only the groups' shares are asked for.
            let own = own_variance(m);
            let d = std::array::from_fn(|c| colour[c] - m[c]);
            let wide = [
                m[3] + own[0],
                m[4],
                m[5],
                m[6] + own[1],
                m[7],
                m[8] + own[2],
            ];
            let wide = [
                wide[0] + noise[0],
                wide[1],
                wide[2],
                wide[3] + noise[1],
                wide[4],
                wide[5] + noise[2],
            ];
            let full = log_normal(d, wide) + full;
            log[k][first] = full;
            top = top.max(full);
            continue;
        }
        let mut found = densities(colour, b, m, noise);
        found[0] = empty;
        let mut weights = [part; LANES];
        (weights[0], weights[ALPHAS - 1]) = (none, full);
        for (found, weight) in found.iter_mut().zip(weights) {
            *found += weight;
        }
        log[k].copy_from_slice(&found[..ALPHAS]);
        for found in &found[..ALPHAS] {
            top = top.max(*found);
        }
    }
    // Where the sitter may well have the backdrop's colour, having it proves little: neighbours
    // share the cause, so the odds of one pixel must not run away.
    if p < 1.0 {
        for logs in &mut log {
            let full = logs[ALPHAS - 1];
            if full > f32::MIN {
                logs[0] = logs[0].min(full + ln((1.0 - p) / p) + 1.0 + apart);
            }
        }
        top = log.iter().flatten().fold(f32::MIN, |a, b| a.max(*b));
    }
    if top == f32::MIN {
        let mut out = [0.0; 6];
        out[0] = p;
        for k in 0..GROUPS {
            out[1 + k] = p * prior[k];
        }
        return out;
    }
    let mut out = [0.0f32; 6];
    let mut total = 0.0;
    for (k, logs) in log.iter().enumerate() {
        if logs[ALPHAS - 1] == f32::MIN {
            continue;
        }
        let mut shares = [0.0; LANES];
        for (share, l) in shares.iter_mut().zip(logs) {
            *share = exp(*l - top);
        }
        for (j, (l, w)) in logs.iter().zip(shares).enumerate() {
            if *l > top - 30.0 {
                let a = j as f32 / (ALPHAS - 1) as f32;
                total += w;
                out[0] += w * a;
                out[1 + k] += w * a;
            }
        }
    }
    for v in &mut out[..5] {
        *v /= total;
    }
    if p < 1.0 && told < 1.0 && out[0] > 0.0 {
        let alpha = contour + told * (out[0] - contour);
        let share = alpha / out[0];
        for v in &mut out[1..5] {
            *v *= share;
        }
        out[0] = alpha;
    }
    out[5] = if apart < 0.5 && p < 1.0 { 1.0 } else { 0.0 };
    out
}
