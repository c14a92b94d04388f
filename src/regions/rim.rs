//! The outline once more, from the colours right beside it.
//!
//! The matte's colour models hold over a tenth of an eye span; a head's rim light or a collar's shadow
//! is narrower, and there the models' alpha comes out a pixel or two too wide or too narrow. So in the
//! band around the outline the compositing equation is solved again with F from the covered pixels some
//! steps inwards: alpha is the place of the pixel along the line from B to F (Smith and Blinn, *Blue
//! Screen Matting*, SIGGRAPH 1996), in units of noise. It counts as far as it can be trusted (a Wiener
//! weight): noise, how uneven F is, and how far the pixel lies beside the line all count against it.
//!
//! Where hair thins out over a long way nothing covered is near, and the models, which let hair shine, take
//! a half-bare fringe for three quarters covered. If the hair is far darker than the backdrop, its shade
//! hardly matters: there F is its colour well inside, carried outwards.
//!
//! Before a green or blue screen the key's channel alone tells alpha, whatever the strand's shade: see
//! [`Screen::alpha`]. That is true but noisy, since a difference of channels holds the noise of two; so hair's
//! colour is measured from it over some pixels, and alpha again from that colour, by all channels. Strands
//! are followed outwards from where they were found: see [`super::tips`].
//!
//! What ends hard (skin, cloth) and has the backdrop's own colour there shows no outline that a pixel
//! could tell. There the line is drawn smoothly through what was found, as soft as a lens draws it.

use ndarray::{Array2, Zip};

use super::backdrop::{Surface, UNIT_FLOOR};
use super::matting::GROUPS;
use super::plane::Between;
use super::screen::Screen;
use super::tips;
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::{Linear, bands, luminance};

/// Half the window's side in which F is measured, and the standard deviation of its weights, in pixels.
/// On the rendered sitters 5 and 3, 3 and 2 do nearly alike, 2 and 1.2 a little worse.
const WINDOW: usize = 3;
const WINDOW_SIGMA: f32 = 1.5;
/// Alpha from which a pixel and all its neighbours must be covered to count for F, and the share of such
/// in the window from which F is trusted in full.
const COVERED: f32 = 0.99;
const ENOUGH: f32 = 0.02;
/// Alpha under which a pixel is bare and above which covered, and how far around what lies between the
/// band reaches; farther before a screen, which tells strands that the models missed.
const BARE: f32 = 0.02;
const BAND: usize = 1;
const BAND_AT_SCREEN: usize = 6;

/// Variance of alpha's error that is expected, and what counts against the new estimate: variance of
/// noise, of F along the line (and the least of it), squared distance from the line. Halves and doubles
/// of each do nearly alike on the rendered sitters.
const EXPECTED: f32 = 0.05;
const NOISE: f32 = 6.0;
const UNEVEN: f32 = 2.0;
const LEAST_UNEVEN: f32 = 0.004;
const BESIDE: f32 = 20.0;
/// How much less hair's new alpha is trusted: strands shine and are shaded.
const HAIR: f32 = 0.4;

/// Covered and hair by this much counts for hair's colour well inside; how far that is carried, in eye spans;
/// the share of such around from which it is known. 0.4 and 0.8 eye spans do alike.
const WELL_INSIDE: [f32; 2] = [0.995, 0.9];
const CARRIED: f32 = 0.6;
const KNOWN: f32 = 0.005;
/// Its luminance over the backdrop's up to which it tells alpha alone, and from which not at all: at the
/// first, hair half as light again moves alpha by a twentieth. Share of hair from which and in full.
const DARK: [f32; 2] = [0.10, 0.18];
const OF_HAIR: [f32; 2] = [0.5, 0.7];
/// Squared distance from the line between hair and backdrop, in variances of noise, from which a pixel is
/// something else (an ear under hair), and surely so.
const OTHER: [f32; 2] = [12.0, 40.0];
/// What is taken for covered may be fringe still: so far beside the band (standard deviation of a blur of
/// it, in eye spans), from which value of that blur and in full. How far hair's shine may be below 1 there.
const BESIDE_BAND: f32 = 0.15;
const NEAR_BAND: [f32; 2] = [0.18, 0.3];
const SHINE: f32 = 0.02;

/// How far around a strand's tip before a screen the band reaches, and how much hair's colour well inside
/// counts against what the window holds (square of alpha). 0.003 to 0.03 do alike.
const BAND_AT_TIPS: usize = 2;
const WELL_KNOWN: f32 = 0.01;

/// Share of a screen's own excess from which a pixel of hair is mixed with the screen, however covered it was
/// found: 0.06 leaves green specks in the rendered hair where it thins out over a shoulder.
const IN_HAIR: f32 = 0.03;

/// Squared distance of F from B, in variances of noise, at which a hard edge is drawn half by colour and
/// half as a smooth line; standard deviation of the blur that smooths it and half its width in pixels;
/// the softness of a lens's edge.
const FAINT: f32 = 1000.0;
const LINE_SIGMA: f32 = 2.0;
const LINE: usize = 4;
const SOFT: f32 = 0.9;
/// Where nothing covered is near: alpha up to which and squared distance from B, in variances of noise, up
/// to which what is there is no more than doubt.
const FOG: [f32; 2] = [0.2, 12.0];
/// Share of skin and cloth that ends hard.
const HARD: f32 = 0.8;
/// Skin and cloth are mixed with the backdrop no farther than this, in pixels, from where less than this
/// alpha is: farther inside a shaded rim is none, whatever it looks like.
const LENS: usize = 2;
const MIXED: f32 = 0.4;
/// Share of hair, and how far around it, from which nothing ends hard.
const HAIRY: f32 = 0.15;
const HAIRY_AROUND: usize = 3;

/// What the outline is solved from.
pub(super) struct Rim<'a> {
    pub(super) small: &'a Linear,
    pub(super) surface: &'a Surface,
    /// Shares of skin, hair, clothing and worn, in any proportion to alpha.
    pub(super) shares: &'a [Array2<f32>; GROUPS],
    /// Deviation of single pixels, in the backdrop's units.
    pub(super) noise: f32,
    /// Eye span in pixels.
    pub(super) span: f32,
    /// The green or blue screen that the backdrop is, and whether it is black: there what is the sitter's
    /// ends at its outermost trace, which is no straight line.
    pub(super) screen: Option<Screen>,
    pub(super) black: bool,
}

/// Half the width of a crack, in pixels.
const CRACK: usize = 2;

/// One pixel of the band.
struct Found {
    column: usize,
    alpha: f32,
    /// Share of the smooth line.
    line: f32,
}

/// Takes back what was solved to a thin dark line with more than that on both its sides: before black,
/// shade beyond the outline passes for the sitter, and a line through it would show as a crack.
fn fill_cracks(alpha: &mut Array2<f32>, before: &Array2<f32>) {
    let closed = erode(dilate(alpha.view(), CRACK).view(), CRACK);
    Zip::from(alpha)
        .and(before)
        .and(&closed)
        .for_each(|a, &before, &closed| *a = a.max(before.min(closed)));
}

impl Rim<'_> {
    /// Solves the band of `alpha` again. Gives where strands were followed to, whatever their shares say; no
    /// rows where none were.
    pub(super) fn solve(&self, alpha: &mut Array2<f32>) -> Vec<Vec<bool>> {
        let around = if self.screen.is_some() {
            BAND_AT_SCREEN
        } else {
            BAND
        };
        let mut band = spread(&open(alpha), around);
        let tips = if self.screen.is_some() {
            spread(&tips::followed(&self.shade(), alpha), BAND_AT_TIPS)
        } else {
            Vec::new()
        };
        for (band, tips) in band.iter_mut().flatten().zip(tips.iter().flatten()) {
            *band |= tips;
        }
        let hairy = spread(&marked(&self.shares[1], |h| h > HAIRY), HAIRY_AROUND);
        let mut covered = covered(alpha);
        if let Some(screen) = self.screen {
            self.open_hair(screen, alpha, &mut band, &mut covered);
        }
        let deep = (!self.black).then(|| self.deep_hair(alpha, &band));
        let mixed = marked(alpha, |a| a < MIXED);
        let (beside, close) = (spread(&mixed, LENS), spread(&mixed, LENS - 1));
        let rows: Vec<usize> = (0..alpha.nrows()).collect();
        let weights = kernel::<{ 2 * WINDOW + 1 }>(WINDOW_SIGMA);
        let found = bands::gathered(
            &rows,
            || (),
            |(), y| {
                let columns = 0..band[y].len();
                let solved = columns.filter_map(|x| {
                    if !band[y][x] {
                        let old = alpha[[y, x]];
                        let deep = deep
                            .as_ref()
                            .filter(|_| old > 0.0 && self.screen.is_none())?;
                        let alpha = self.as_dark_hair(deep, [y, x], (old, false));
                        return (alpha < old).then_some(Found {
                            column: x,
                            alpha,
                            line: 0.0,
                        });
                    }
                    let hard = !(self.black || hairy[y][x]);
                    let mut found = self.pixel(alpha, &covered, [y, x], &weights, hard);
                    if let Some(deep) = deep.as_ref().filter(|_| self.screen.is_none()) {
                        found.alpha = self.as_dark_hair(deep, [y, x], (found.alpha, true));
                    }
                    if hard && self.screen.is_none() && !beside[y][x] {
                        found.alpha = if self.ends_hard([y, x]) {
                            1.0
                        } else {
                            found.alpha.max(alpha[[y, x]])
                        };
                        found.line = 0.0;
                    } else if hard
                        && self.screen.is_none()
                        && !close[y][x]
                        && self.ends_hard([y, x])
                    {
                        // No step from nearly covered to covered: it would show as a line in the colours.
                        let near = ((found.alpha - 0.7) / 0.2).max(0.0).min(1.0);
                        found.alpha += 0.5 * near * (1.0 - found.alpha);
                    }
                    Some(found)
                });
                solved.collect::<Vec<_>>()
            },
        );
        let before = self.black.then(|| alpha.clone());
        for (y, row) in found.iter().enumerate() {
            for pixel in row {
                alpha[[y, pixel.column]] = pixel.alpha;
            }
        }
        if let Some(before) = before {
            fill_cracks(alpha, &before);
        }
        if let Some(deep) = deep.as_ref().filter(|_| self.screen.is_some()) {
            self.by_all_channels(alpha, deep, &found, &weights);
        }
        let weights = kernel::<{ 2 * LINE + 1 }>(LINE_SIGMA);
        let lines = bands::gathered(
            &rows,
            || (),
            |(), y| {
                let faint = found[y].iter().filter(|pixel| pixel.line > 0.0);
                let drawn = faint.map(|pixel| {
                    let line = line(alpha, [y, pixel.column], &weights);
                    (
                        pixel.column,
                        pixel.alpha + pixel.line * (line - pixel.alpha),
                    )
                });
                drawn.collect::<Vec<_>>()
            },
        );
        for (y, row) in lines.into_iter().enumerate() {
            for (x, value) in row {
                alpha[[y, x]] = value;
            }
        }
        tips
    }

    /// Opens hair that has some of the screen's colour, which no hair has of its own.
    fn open_hair(
        &self,
        screen: Screen,
        alpha: &mut Array2<f32>,
        band: &mut [Vec<bool>],
        covered: &mut [Vec<bool>],
    ) {
        for ((at, alpha), (band, covered)) in alpha
            .indexed_iter_mut()
            .zip(band.iter_mut().flatten().zip(covered.iter_mut().flatten()))
        {
            let at = [at.0, at.1];
            if *alpha > BARE
                && self.share(1, at) > HAIRY
                && screen.share(self.small.at(at[0], at[1]), self.behind(at)) > IN_HAIR
            {
                *alpha = alpha.min(COVERED);
                (*band, *covered) = (true, false);
            }
        }
    }

    /// How much of the backdrop's light is missing, as a share.
    fn shade(&self) -> Array2<f32> {
        let (h, w) = self.small.planes[0].dim();
        let mut out = Array2::zeros((h, w));
        bands::each_band(out.view_mut(), |first, mut rows| {
            for (i, mut row) in rows.outer_iter_mut().enumerate() {
                for (x, v) in row.iter_mut().enumerate() {
                    let (light, b) = (self.small.at(first + i, x), self.behind([first + i, x]));
                    *v = along(light, b, [0.0; 3]).0;
                }
            }
        });
        out
    }

    /// Solves hair before a screen once more, with its colour as the first solution has it around.
    fn by_all_channels(
        &self,
        alpha: &mut Array2<f32>,
        deep: &[Array2<f32>; 5],
        found: &[Vec<Found>],
        weights: &[f32; 2 * WINDOW + 1],
    ) {
        let (h, w) = alpha.dim();
        let rows: Vec<usize> = (0..h).collect();
        let first = &*alpha;
        let solved = bands::gathered(
            &rows,
            || (),
            |(), y| {
                let columns = found[y].iter().map(|pixel| pixel.column);
                let hair = columns.filter(|&x| first[[y, x]] < 0.999 && !self.ends_hard([y, x]));
                let solved = hair.map(|x| {
                    let [red, green, blue, amount, _] = self.on_grid(deep, [y, x]);
                    let known = if amount < KNOWN {
                        0.0
                    } else {
                        WELL_KNOWN / amount
                    };
                    let mut own = [red, green, blue].map(|sum| known * sum);
                    let mut sum = WELL_KNOWN;
                    for line in y.saturating_sub(WINDOW)..(y + WINDOW + 1).min(h) {
                        for i in x.saturating_sub(WINDOW)..(x + WINDOW + 1).min(w) {
                            let a = first[[line, i]];
                            if a > 0.0 {
                                let weight =
                                    a * weights[line + WINDOW - y] * weights[i + WINDOW - x];
                                let (light, b) = (self.small.at(line, i), self.behind([line, i]));
                                for c in 0..3 {
                                    own[c] += weight * (light[c] - (1.0 - a) * b[c]);
                                }
                                sum += weight * a;
                            }
                        }
                    }
                    let f = own.map(|own| (own / sum).max(0.0));
                    let at = [y, x];
                    (x, along(self.small.at(y, x), self.behind(at), f).0)
                });
                solved.collect::<Vec<_>>()
            },
        );
        for (y, row) in solved.into_iter().enumerate() {
            for (x, value) in row {
                alpha[[y, x]] = value;
            }
        }
    }

    /// A group's share of what is the sitter's.
    #[inline(always)]
    fn share(&self, group: usize, at: [usize; 2]) -> f32 {
        let all: f32 = self.shares.iter().map(|share| share[at]).sum();
        self.shares[group][at] / all.max(1e-6)
    }

    /// Whether a pixel is skin or cloth.
    fn ends_hard(&self, at: [usize; 2]) -> bool {
        self.share(0, at) + self.share(2, at) > HARD
    }

    /// Hair's light well inside and how much of it there is, red, green, blue and amount, carried outwards, and
    /// how near the band is: on the backdrop's grid.
    fn deep_hair(&self, alpha: &Array2<f32>, band: &[Vec<bool>]) -> [Array2<f32>; 5] {
        let (cell, grid) = (self.surface.cell, self.surface.spread.dim());
        let (h, w) = alpha.dim();
        let lines: Vec<usize> = (0..grid.0).collect();
        let sums: Vec<Vec<[f32; 5]>> = bands::gathered(
            &lines,
            || (),
            |(), line| {
                let mut sums = vec![[0.0; 5]; grid.1];
                let share = 1.0 / (cell * cell) as f32;
                for y in line * cell..((line + 1) * cell).min(h) {
                    for x in 0..w.min(grid.1 * cell) {
                        let (at, sums) = ([y, x], &mut sums[x / cell]);
                        if band[y][x] {
                            sums[4] += share;
                        }
                        if self.shares[1][at] > 0.0
                            && alpha[at] > WELL_INSIDE[0]
                            && self.share(1, at) > WELL_INSIDE[1]
                        {
                            let [red, green, blue] = self.small.at(y, x);
                            for (sum, value) in sums.iter_mut().zip([red, green, blue, 1.0]) {
                                *sum += value * share;
                            }
                        }
                    }
                }
                sums
            },
        );
        std::array::from_fn(|c| {
            let plane = Array2::from_shape_fn(grid, |(y, x)| sums[y][x][c]);
            let sigma = if c == 4 { BESIDE_BAND } else { CARRIED };
            gaussian(plane.view(), sigma * self.span / cell as f32)
        })
    }

    /// Alpha of a pixel of hair far darker than the backdrop, `found` otherwise; the pixel lies in the band or
    /// is taken for covered.
    fn as_dark_hair(
        &self,
        deep: &[Array2<f32>; 5],
        at: [usize; 2],
        (found, in_band): (f32, bool),
    ) -> f32 {
        // Most pixels have no hair at all.
        if self.shares[1][at] <= 0.0 {
            return found;
        }
        let ramp =
            |value: f32, [from, to]: [f32; 2]| ((value - from) / (to - from)).max(0.0).min(1.0);
        let hair = ramp(self.share(1, at), OF_HAIR);
        if hair <= 0.0 {
            return found;
        }
        let [red, green, blue, amount, near] = self.on_grid(deep, at);
        let near = if in_band { 1.0 } else { ramp(near, NEAR_BAND) };
        if amount < KNOWN || near <= 0.0 {
            return found;
        }
        let f = [red, green, blue].map(|sum| sum / amount);
        let b = self.behind(at);
        let dark = 1.0 - ramp(luminance(f) / luminance(b).max(1e-6), DARK);
        let light = self.small.at(at[0], at[1]);
        let (seen, beside) = along(light, b, f);
        let own = ramp(beside / (self.noise * self.noise), OTHER);
        let shine = if in_band { 0.0 } else { SHINE };
        let seen = (seen + shine).min(1.0);
        found + hair * dark * near * (1.0 - own) * (seen - found)
    }

    /// The backdrop at a pixel.
    #[inline(always)]
    fn behind(&self, at: [usize; 2]) -> [f32; 3] {
        self.on_grid(&self.surface.planes, at)
    }

    /// Planes on the backdrop's grid, read at a pixel.
    #[inline(always)]
    fn on_grid<const N: usize>(&self, planes: &[Array2<f32>; N], [y, x]: [usize; 2]) -> [f32; N] {
        let (cell, (rows, columns)) = (self.surface.cell as f32, self.surface.spread.dim());
        let down = Between::new((y as f32 + 0.5) / cell, rows);
        let across = Between::new((x as f32 + 0.5) / cell, columns);
        planes.each_ref().map(|plane| {
            let read = |row: usize| {
                let (a, b) = (plane[[row, across.first]], plane[[row, across.second]]);
                a + (b - a) * across.share
            };
            let (top, low) = (read(down.first), read(down.second));
            top + (low - top) * down.share
        })
    }

    fn pixel(
        &self,
        alpha: &Array2<f32>,
        covered: &[Vec<bool>],
        at: [usize; 2],
        weights: &[f32; 2 * WINDOW + 1],
        hard: bool,
    ) -> Found {
        let [y, x] = at;
        let old = alpha[at];
        let light = self.small.at(y, x);
        let b = self.behind(at);
        let mut found = Found {
            column: x,
            alpha: old,
            line: 0.0,
        };
        let (h, w) = alpha.dim();
        let (left, right) = (x.saturating_sub(WINDOW), (x + WINDOW + 1).min(w));
        let lines = y.saturating_sub(WINDOW)..(y + WINDOW + 1).min(h);
        // F over the covered pixels of the window.
        let (mut sum, mut f) = (0.0_f32, [0.0_f32; 3]);
        for line in lines.clone() {
            let down = weights[line + WINDOW - y];
            let planes = self.small.planes.each_ref().map(|p| p.row(line));
            for (i, _) in (left..right)
                .zip(&covered[line][left..right])
                .filter(|(_, covered)| **covered)
            {
                let weight = down * weights[i + WINDOW - x];
                sum += weight;
                for (f, plane) in f.iter_mut().zip(&planes) {
                    *f += weight * plane[i];
                }
            }
        }
        let f = f.map(|f| f / sum.max(1e-4));
        if let Some(screen) = self.screen {
            let known = (sum / ENOUGH).min(1.0);
            found.alpha = screen.alpha(light, b, f.map(|f| f * known), old);
            return found;
        }
        let hard = hard && self.ends_hard(at);
        if sum <= 1e-4 {
            let off: f32 = (0..3)
                .map(|c| (light[c] - b[c]) * (light[c] - b[c]) / (b[c] + UNIT_FLOOR))
                .sum();
            let noise = self.noise * self.noise;
            let hidden = old > 0.5 && off < FAINT * noise || old < FOG[0] && off < FOG[1] * noise;
            found.line = f32::from(u8::from(hard && hidden));
            return found;
        }
        let per_noise = b.map(|b| 1.0 / (b + UNIT_FLOOR));
        let towards: [f32; 3] = std::array::from_fn(|c| (f[c] - b[c]) * per_noise[c]);
        let mut square = 1e-9;
        let (mut along, mut length) = (0.0, 0.0);
        for c in 0..3 {
            let e = light[c] - b[c];
            square += towards[c] * (f[c] - b[c]);
            along += towards[c] * e;
            length += e * e * per_noise[c];
        }
        // How uneven F is along the line, as a variance of alpha.
        let mut uneven = 0.0;
        for line in lines {
            let down = weights[line + WINDOW - y];
            let planes = self.small.planes.each_ref().map(|p| p.row(line));
            for (i, _) in (left..right)
                .zip(&covered[line][left..right])
                .filter(|(_, covered)| **covered)
            {
                let weight = down * weights[i + WINDOW - x];
                let off: f32 = (0..3).map(|c| towards[c] * (planes[c][i] - f[c])).sum();
                uneven += weight * off * off;
            }
        }
        let noise = self.noise * self.noise;
        let uneven = uneven / (sum * square * square);
        let seen = (along / (square + noise)).max(0.0).min(1.0);
        let beside = (length - along * along / square - 3.0 * noise).max(0.0);
        let doubt =
            (NOISE * noise + BESIDE * beside) / square + UNEVEN * (uneven + LEAST_UNEVEN) * seen;
        let known = (sum / ENOUGH).min(1.0);
        let trust = EXPECTED / (EXPECTED + doubt) * known * (1.0 - HAIR * self.share(1, at));
        found.alpha = old + trust * (seen - old);
        if hard {
            found.line = 1.0 - square / (FAINT * noise + square);
        }
        found
    }
}

/// Where `light` lies from `b` (0) to `f` (1), and its squared distance from that line, in units of noise.
#[inline(always)]
fn along(light: [f32; 3], b: [f32; 3], f: [f32; 3]) -> (f32, f32) {
    let (mut along, mut square, mut length) = (0.0, 1e-9, 0.0);
    for c in 0..3 {
        let per_noise = 1.0 / (b[c] + UNIT_FLOOR);
        let (off, towards) = (light[c] - b[c], (f[c] - b[c]) * per_noise);
        along += towards * off;
        square += towards * (f[c] - b[c]);
        length += off * off * per_noise;
    }
    let place = (along / square).max(0.0).min(1.0);
    (place, (length - along * along / square).max(0.0))
}

/// Weights of a Gaussian window, summing to 1.
fn kernel<const N: usize>(sigma: f32) -> [f32; N] {
    let mut weights = std::array::from_fn(|i| {
        let off = i as f32 - (N / 2) as f32;
        crate::picture::math::exp(-0.5 * off * off / (sigma * sigma))
    });
    let all: f32 = weights.iter().sum();
    weights.iter_mut().for_each(|weight| *weight /= all);
    weights
}

/// How far a pixel lies inside the smoothed outline: the blurred mask's ramp, brought to a lens's.
fn line(alpha: &Array2<f32>, [y, x]: [usize; 2], weights: &[f32; 2 * LINE + 1]) -> f32 {
    let (h, w) = alpha.dim();
    let mut inside = 0.0;
    for (j, down) in weights.iter().enumerate() {
        let row = alpha.row((y + j).saturating_sub(LINE).min(h - 1));
        for (i, across) in weights.iter().enumerate() {
            if row[(x + i).saturating_sub(LINE).min(w - 1)] > 0.5 {
                inside += down * across;
            }
        }
    }
    (0.5 + (inside - 0.5) * (LINE_SIGMA / SOFT))
        .max(0.0)
        .min(1.0)
}

/// Pixels that are neither bare nor covered, and both sides of an edge between two that are.
fn open(alpha: &Array2<f32>) -> Vec<Vec<bool>> {
    let (h, w) = alpha.dim();
    let rows: Vec<usize> = (0..h).collect();
    bands::gathered(
        &rows,
        || (),
        |(), y| {
            let row = alpha.row(y);
            let upper = alpha.row(y.saturating_sub(1));
            let mut open: Vec<bool> = row.iter().map(|&a| a > BARE && a < 1.0 - BARE).collect();
            for x in 0..w {
                let edge = |other: f32| (other - row[x]).abs() > 0.5;
                open[x] |= edge(upper[x]) || edge(row[x.saturating_sub(1)]);
            }
            open
        },
    )
}

/// Pixels that are covered as are all their neighbours.
fn covered(alpha: &Array2<f32>) -> Vec<Vec<bool>> {
    let mut near = spread(&marked(alpha, |a| a <= COVERED), 1);
    near.iter_mut().flatten().for_each(|near| *near = !*near);
    near
}

/// Where a plane's values are so.
fn marked(plane: &Array2<f32>, so: impl Fn(f32) -> bool + Sync + Send) -> Vec<Vec<bool>> {
    let rows: Vec<usize> = (0..plane.nrows()).collect();
    let mark = |y: usize| plane.row(y).iter().map(|&v| so(v)).collect();
    bands::gathered(&rows, || (), |(), y| mark(y))
}

/// Marks that have grown by `around` pixels each way.
fn spread(marks: &[Vec<bool>], around: usize) -> Vec<Vec<bool>> {
    let rows: Vec<usize> = (0..marks.len()).collect();
    let wide = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let row = &marks[y];
            let mut out = row.clone();
            for step in 1..=around.min(row.len()) {
                let (ahead, behind) = (&row[step..], &row[..row.len() - step]);
                out.iter_mut().zip(ahead).for_each(|(out, &v)| *out |= v);
                out[step..]
                    .iter_mut()
                    .zip(behind)
                    .for_each(|(out, &v)| *out |= v);
            }
            out
        },
    );
    bands::gathered(
        &rows,
        || (),
        |(), y| {
            let mut out = wide[y].clone();
            let (first, last) = (y.saturating_sub(around), (y + around + 1).min(wide.len()));
            for row in &wide[first..last] {
                out.iter_mut().zip(row).for_each(|(out, &v)| *out |= v);
            }
            out
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (60, 80);

    /// A head's straight side, lit brighter than the white wall behind; alpha as the lens draws it.
    fn truth(x: usize) -> f32 {
        (0.5 + 0.4 * (40.0 - x as f32)).max(0.0).min(1.0)
    }

    fn solved(sitter: [f32; 3], wall: [f32; 3], found: impl Fn(usize) -> f32) -> Array2<f32> {
        let mixed = |c: usize, x: usize| truth(x) * sitter[c] + (1.0 - truth(x)) * wall[c];
        let small = Linear {
            planes: [0, 1, 2].map(|c| Array2::from_shape_fn(SIZE, |(_, x)| mixed(c, x))),
        };
        let surface = Surface {
            tint: None,
            planes: wall.map(|v| Array2::from_elem((SIZE.0 / 4, SIZE.1 / 4), v)),
            cell: 4,
            spread: Array2::from_elem((SIZE.0 / 4, SIZE.1 / 4), 0.006),
        };
        let mut alpha = Array2::from_shape_fn(SIZE, |(_, x)| found(x));
        let none = || Array2::zeros(SIZE);
        Rim {
            small: &small,
            surface: &surface,
            shares: &[alpha.clone(), none(), none(), none()],
            noise: 0.006,
            span: 60.0,
            screen: Screen::of(wall),
            black: false,
        }
        .solve(&mut alpha);
        alpha
    }

    fn off(alpha: &Array2<f32>) -> f32 {
        let row = alpha.row(SIZE.0 / 2);
        let off = row.iter().enumerate().map(|(x, a)| (a - truth(x)).abs());
        off.fold(0.0, f32::max)
    }

    /// The picture is the compositing equation's (Porter and Duff 1984), so its alpha must come back.
    #[test]
    fn an_outline_a_pixel_too_wide_comes_to_its_place() {
        let wide = |x: usize| truth(x.saturating_sub(1));
        let alpha = solved([0.72, 0.70, 0.68], [0.55; 3], wide);
        assert!(off(&alpha) < 0.12, "{}", off(&alpha));
    }

    #[test]
    fn before_a_screen_the_key_tells() {
        let blurred = |x: usize| (0.5 + 0.1 * (40.0 - x as f32)).max(0.0).min(1.0);
        let alpha = solved([0.02, 0.02, 0.02], [0.10, 0.40, 0.09], blurred);
        assert!(off(&alpha) < 0.01, "{}", off(&alpha));
    }

    /// Cloth of the wall's own colour: nothing shows where it ends, so the line stays where it was
    /// found, as soft as a lens draws it, and its ragged pixels are gone.
    #[test]
    fn where_nothing_shows_the_line_is_smooth() {
        let (sitter, wall) = ([0.553, 0.55, 0.55], [0.55; 3]);
        let planes = sitter.map(|v| Array2::from_elem(SIZE, v));
        let small = Linear { planes };
        let grid = (SIZE.0 / 4, SIZE.1 / 4);
        let surface = Surface {
            tint: None,
            planes: wall.map(|v| Array2::from_elem(grid, v)),
            cell: 4,
            spread: Array2::from_elem(grid, 0.006),
        };
        let ragged = |(y, x): (usize, usize)| x < 38 + [0, 2, 1, 3, 1, 0, 3, 2][y % 8];
        let mut alpha = Array2::from_shape_fn(SIZE, |at| f32::from(u8::from(ragged(at))));
        let none = || Array2::zeros(SIZE);
        Rim {
            small: &small,
            surface: &surface,
            shares: &[none(), none(), Array2::ones(SIZE), none()],
            noise: 0.006,
            span: 60.0,
            screen: None,
            black: false,
        }
        .solve(&mut alpha);
        let widths: Vec<f32> = (10..50).map(|y| alpha.row(y).sum()).collect();
        let most = widths.iter().fold(f32::MIN, |a, b| a.max(*b));
        let least = widths.iter().fold(f32::MAX, |a, b| a.min(*b));
        assert!(
            most - least < 1.0 && least > 38.0 && most < 41.0,
            "{widths:?}"
        );
    }

    /// The compositing equation itself (Porter and Duff 1984), over a fringe far wider than the window.
    #[test]
    fn a_wide_fringe_of_dark_hair_is_as_thin_as_its_light_says() {
        let (hair, wall) = ([0.018, 0.015, 0.012], [0.2; 3]);
        let truth = |x: usize| ((70.0 - x as f32) / 50.0).max(0.0).min(1.0);
        let mixed = |c: usize, x: usize| truth(x) * hair[c] + (1.0 - truth(x)) * wall[c];
        let small = Linear {
            planes: [0, 1, 2].map(|c| Array2::from_shape_fn(SIZE, |(_, x)| mixed(c, x))),
        };
        let surface = Surface {
            tint: None,
            planes: wall.map(|v| Array2::from_elem((SIZE.0 / 4, SIZE.1 / 4), v)),
            cell: 4,
            spread: Array2::from_elem((SIZE.0 / 4, SIZE.1 / 4), 0.004),
        };
        let found = |x: usize| truth(x).sqrt();
        let mut alpha = Array2::from_shape_fn(SIZE, |(_, x)| found(x));
        let none = || Array2::zeros(SIZE);
        Rim {
            small: &small,
            surface: &surface,
            shares: &[none(), Array2::ones(SIZE), none(), none()],
            noise: 0.006,
            span: 60.0,
            screen: None,
            black: false,
        }
        .solve(&mut alpha);
        for x in 25..68 {
            let (off, before) = ((alpha[[30, x]] - truth(x)).abs(), found(x) - truth(x));
            assert!(
                off < 0.03 && off < 0.5 * before,
                "column {x}: off by {off}, {before} before"
            );
        }
    }
}
