//! Where skin and cloth end, as one line drawn by the lens.
//!
//! A jaw before bright paper grows lighter towards its edge, until it is nearly the paper's colour: pixel by
//! pixel that looks as if the paper shone through, and before another wall it stands as a fringe. But what
//! ends hard ends along a line, as soft as the lens and demosaicing draw it, and the sitter's light changes
//! slowly up to there. So across the outline found so far, at each of its places, the picture is compared
//! with I = a F + (1 - a) B (Porter and Duff 1984) with a the lens's edge at some offset, F a straight slope
//! inwards fitted by least squares, and B the known backdrop. What each offset costs is averaged along the
//! outline, and offsets are drawn to those beside them (mean field, as in Krähenbühl and Koltun, *Efficient
//! Inference in Fully Connected CRFs*, 2011). The line gives alpha; how far the pixel's own colour between B
//! and the F of that place corrects it follows from noise and from how far F is from B, so that detail of a
//! clear edge stays, and where sitter and backdrop are alike the line is smooth.
//!
//! Nothing is said beside hair, where the best offset is at the end of what is tried, or where no line explains
//! what is seen.

use ndarray::Array2;

use super::backdrop::{Surface, UNIT_FLOOR};
use super::crop::sample;
use super::matting::{GROUPS, Layers};
use crate::picture::filter::{dilate, gaussian};
use crate::picture::math::exp;
use crate::picture::{Linear, bands};

/// Deviation of the blur that smooths the outline found so far, in pixels, and the least slope (per pixel) of
/// what it gives; there is no outline where it is less.
const SMOOTH: f32 = 2.0;
const SLOPE: f32 = 0.03;

/// Softness of a lens's edge and of demosaicing, in pixels (standard deviation).
const SOFT: f32 = 0.9;

/// Offsets that are tried, in pixels, inwards counted up: the first, the step, how many. And samples across
/// the outline: the first and how many, a pixel apart.
const FIRST: f32 = -6.0;
const STEP: f32 = 0.5;
const OFFSETS: usize = 25;
const OUTERMOST: f32 = -8.0;
const SAMPLES: usize = 18;

/// Expected deviations: of the sitter's light from a slope (as a share of the darker of it and the backdrop),
/// of that slope (per pixel, as a share of the backdrop), of offsets from the outline found so far and from
/// those beside them (in pixels).
const TEXTURE: f32 = 0.04;
const STEEP: f32 = 0.1;
const STRAY: f32 = 2.5;
const APART: f32 = 0.5;

/// What an offset costs at most beyond the best one, so that no place outvotes all others.
const MOST: f32 = 60.0;

/// How far along the outline costs are averaged, in pixels (standard deviation), how far that reaches, and
/// rounds of drawing offsets together.
const ALONG: f32 = 3.0;
const REACH: usize = 6;
const ROUNDS: usize = 10;

/// Share of hair, and how far around it, from which nothing ends hard.
const HAIRY: f32 = 0.15;
const AROUND: usize = 3;

/// Offsets (without sign) up to which a place is believed and from which not; the same of the mean square
/// misfit, in variances. On the rendered sitters lines have 0.3 to 5, strands and corners 10 to 100.
const FAR: [f32; 2] = [4.0, 5.0];
const MISFIT: [f32; 2] = [6.0, 12.0];

/// How far from the line alpha is drawn, how wide a place of it counts, and how far from the line the pixel's
/// own colour counts, in pixels.
const DRAWN: f32 = 7.0;
const WIDTH: f32 = 1.0;
const MIXED: f32 = 3.0;

/// Variance of alpha's error that is expected of the line, and what counts against the pixel's own colour, as
/// in [`super::rim`]: noise, distance from the line between both colours, and how far F strays (a share).
const EXPECTED: f32 = 0.05;
const NOISE: f32 = 6.0;
const BESIDE: f32 = 3.0;
const STRAYS: f32 = 0.03;

/// One place of the outline.
struct Knot {
    /// Its pixel.
    at: [usize; 2],
    /// Where the smoothed outline runs, row and column, and the direction inwards.
    place: [f32; 2],
    inward: [f32; 2],
}

/// What the picture says across the outline at a knot.
struct Told {
    costs: [f32; OFFSETS],
    /// F at the edge and its slope inwards, red, green, blue each, by offset.
    lights: [[f32; 6]; OFFSETS],
    misfit: f32,
}

/// A pixel beside the line, sums over knots.
#[derive(Clone, Copy, Default)]
struct Beside {
    at: [u32; 2],
    weight: f32,
    inside: f32,
    trust: f32,
    light: [f32; 6],
    shares: [f32; GROUPS],
}

/// Draws the outline of skin and cloth anew. `noise` is the deviation of single pixels, in the backdrop's units.
pub(super) fn draw(layers: &mut Layers, small: &Linear, surface: &Surface, noise: f32) {
    let over = |plane: &Array2<f32>, least: f32| plane.mapv(|v| f32::from(u8::from(v > least)));
    let (smooth, hairy) = bands::both(
        || gaussian(over(&layers.alpha, 0.5).view(), SMOOTH),
        || dilate(over(&layers.shares[1], HAIRY).view(), AROUND),
    );
    let knots = knots(&smooth, &hairy);
    let line = Line {
        small,
        surface,
        noise,
    };
    let every: Vec<usize> = (0..knots.len()).collect();
    let tables = Tables::new();
    let told = bands::gathered(&every, || (), |(), i| line.told(&knots[i], &tables));
    let beside = neighbours(&knots);
    let places = settled(&told, &beside);
    let drawn = splat(&knots, &places, layers, &hairy);
    for pixel in drawn {
        line.put(layers, &pixel);
    }
}

/// The outline's places, a pixel each.
fn knots(smooth: &Array2<f32>, hairy: &Array2<f32>) -> Vec<Knot> {
    let (high, wide) = smooth.dim();
    let rows: Vec<usize> = (2..high.max(4) - 2).collect();
    let found = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let columns = 2..wide.max(4) - 2;
            let knots = columns.filter_map(|x| {
                let here = smooth[[y, x]];
                let [up, low, left, right] =
                    [[y - 1, x], [y + 1, x], [y, x - 1], [y, x + 1]].map(|at| smooth[at]);
                let least = up.min(low).min(left.min(right));
                if here <= 0.5 || least > 0.5 || hairy[[y, x]] > 0.5 {
                    return None;
                }
                let slope = [0.5 * (low - up), 0.5 * (right - left)];
                let length = (slope[0] * slope[0] + slope[1] * slope[1]).sqrt();
                if length < SLOPE {
                    return None;
                }
                let inward = slope.map(|v| v / length);
                let away = ((0.5 - here) / length).max(-2.0);
                Some(Knot {
                    at: [y, x],
                    place: [y as f32 + away * inward[0], x as f32 + away * inward[1]],
                    inward,
                })
            });
            knots.collect::<Vec<_>>()
        },
    );
    found.into_iter().flatten().collect()
}

/// The lens's edge: the cumulative normal distribution to 0.0002 (Bowling and others, *A logistic approximation
/// to the cumulative normal distribution*, 2009).
fn edge(inside: f32) -> f32 {
    let z = (inside / SOFT).max(-6.0).min(6.0);
    1.0 / (1.0 + exp(-(1.5976 * z + 0.070_566 * z * z * z)))
}

/// Alpha and depth inside of every sample at every offset.
struct Tables {
    alpha: [[f32; SAMPLES]; OFFSETS],
    depth: [[f32; SAMPLES]; OFFSETS],
}

fn offset(index: usize) -> f32 {
    FIRST + STEP * index as f32
}

impl Tables {
    fn new() -> Self {
        let of = |work: fn(f32) -> f32| {
            std::array::from_fn(|o| std::array::from_fn(|t| work(OUTERMOST + t as f32 - offset(o))))
        };
        Self {
            alpha: of(edge),
            depth: of(|inside| inside.max(0.0)),
        }
    }
}

/// What the line is drawn from.
struct Line<'a> {
    small: &'a Linear,
    surface: &'a Surface,
    noise: f32,
}

impl Line<'_> {
    /// The backdrop's channel at a place.
    fn behind(&self, channel: usize, place: [f32; 2]) -> f32 {
        let cell = self.surface.cell as f32;
        let [y, x] = place.map(|v| (v + 0.5) / cell);
        sample(self.surface.planes[channel].view(), x, y)
    }

    /// What every offset costs at a knot.
    fn told(&self, knot: &Knot, tables: &Tables) -> Told {
        let places: [[f32; 2]; SAMPLES] = std::array::from_fn(|t| {
            let inside = OUTERMOST + t as f32;
            [0, 1].map(|i| knot.place[i] + inside * knot.inward[i])
        });
        let mut costs = [0.0; OFFSETS];
        let mut lights = [[0.0; 6]; OFFSETS];
        for c in 0..3 {
            let light = places.map(|[y, x]| sample(self.small.planes[c].view(), x + 0.5, y + 0.5));
            let b = self.behind(c, knot.place);
            let steep = 1.0 / (STEEP * STEEP * b * b + 1e-9);
            let bare = self.noise * self.noise * (b + UNIT_FLOOR);
            let texture = light.map(|light| {
                let own = TEXTURE * light.min(b);
                own * own
            });
            for o in 0..OFFSETS {
                let (alpha, depth) = (&tables.alpha[o], &tables.depth[o]);
                // Normal equations of F = f + slope * depth.
                let (mut aa, mut ad, mut dd) = (1e-6, 0.0, steep);
                let (mut ya, mut yd, mut yy) = (0.0, 0.0, 0.0);
                for t in 0..SAMPLES {
                    let (a, weight) = (alpha[t], 1.0 / (bare + texture[t] * alpha[t]));
                    let own = light[t] - (1.0 - a) * b;
                    let sloped = a * depth[t];
                    aa += weight * a * a;
                    ad += weight * a * sloped;
                    dd += weight * sloped * sloped;
                    ya += weight * own * a;
                    yd += weight * own * sloped;
                    yy += weight * own * own;
                }
                let determinant = (aa * dd - ad * ad).max(1e-9);
                let f = (ya * dd - yd * ad) / determinant;
                let slope = (yd * aa - ya * ad) / determinant;
                costs[o] += (yy - f * ya - slope * yd).max(0.0);
                lights[o][c] = f;
                lights[o][3 + c] = slope;
            }
        }
        let least = costs.iter().fold(f32::MAX, |a, b| a.min(*b));
        Told {
            costs: costs.map(|cost| (cost - least).min(MOST)),
            lights,
            misfit: least / (3 * SAMPLES) as f32,
        }
    }

    /// Alpha and shares of a pixel beside the line.
    fn put(&self, layers: &mut Layers, pixel: &Beside) {
        let at = pixel.at.map(|v| v as usize);
        let per = 1.0 / pixel.weight;
        let (inside, trust) = (pixel.inside * per, pixel.trust * per);
        if inside.abs() >= DRAWN || trust <= 0.0 {
            return;
        }
        let line = edge(inside);
        let (mut along, mut square, mut length, mut strays) = (0.0, 1e-9, 0.0, 0.0);
        let place = at.map(|v| v as f32);
        let light = self.small.at(at[0], at[1]);
        for c in 0..3 {
            let b = self.behind(c, place);
            let f = per * (pixel.light[c] + pixel.light[3 + c] * inside.max(0.0));
            let f = f.max(0.0);
            let per_noise = 1.0 / (b + UNIT_FLOOR);
            let (off, towards) = (light[c] - b, f - b);
            along += towards * off * per_noise;
            square += towards * towards * per_noise;
            length += off * off * per_noise;
            strays += STRAYS * STRAYS * f * f * per_noise;
        }
        let noise = self.noise * self.noise;
        let seen = (along / square).max(0.0).min(1.0);
        let beside = (length - along * along / square - 3.0 * noise).max(0.0);
        let doubt = (NOISE * noise + BESIDE * beside + strays * seen.max(line)) / square;
        let near = (MIXED - inside.abs()).max(0.0).min(1.0);
        let own = near * EXPECTED / (EXPECTED + doubt);
        let old = layers.alpha[at];
        let new = old + trust * (line + own * (seen - line) - old);
        layers.alpha[at] = new;
        // What was bare is of its neighbours' kinds.
        let all: f32 = layers.shares.iter().map(|share| share[at]).sum();
        if all > 0.01 {
            let times = new / all;
            layers
                .shares
                .iter_mut()
                .for_each(|share| share[at] *= times);
        } else {
            let all: f32 = pixel.shares.iter().sum();
            let times = new / all.max(1e-6);
            for (share, beside) in layers.shares.iter_mut().zip(pixel.shares) {
                share[at] = times * beside;
            }
        }
    }
}

/// Knots close to each, itself among them, with weights that sum to 1. Knots come row by row.
fn neighbours(knots: &[Knot]) -> Vec<Vec<(usize, f32)>> {
    let every: Vec<usize> = (0..knots.len()).collect();
    bands::gathered(
        &every,
        || (),
        |(), i| {
            let here = &knots[i];
            let [y, x] = here.at;
            let mut found = Vec::new();
            for line in y.saturating_sub(REACH)..=y + REACH {
                let from = [line, x.saturating_sub(REACH)];
                let first = knots.partition_point(|knot| knot.at < from);
                let close = knots[first..]
                    .iter()
                    .take_while(|knot| knot.at[0] == line && knot.at[1] <= x + REACH);
                for (j, other) in (first..).zip(close) {
                    let [dy, dx] = [0, 1].map(|k| other.place[k] - here.place[k]);
                    let turn = other.inward[0] * here.inward[0] + other.inward[1] * here.inward[1];
                    let alike = turn.max(0.0) * turn.max(0.0);
                    let near = exp(-0.5 * (dy * dy + dx * dx) / (ALONG * ALONG));
                    let weight = near * alike * alike;
                    if weight > 1e-3 {
                        found.push((j, weight));
                    }
                }
            }
            let all: f32 = found.iter().map(|(_, weight)| weight).sum();
            found.iter_mut().for_each(|(_, weight)| *weight /= all);
            found
        },
    )
}

/// Where the line runs at a knot.
struct Placed {
    offset: f32,
    trust: f32,
    light: [f32; 6],
}

/// Offsets by what they cost along the outline, drawn to those beside them.
fn settled(told: &[Told], beside: &[Vec<(usize, f32)>]) -> Vec<Placed> {
    let every: Vec<usize> = (0..told.len()).collect();
    let costs = bands::gathered(
        &every,
        || (),
        |(), i| {
            let mut sum: [f32; OFFSETS] = std::array::from_fn(|o| {
                let stray = offset(o) / STRAY;
                stray * stray
            });
            for &(j, weight) in &beside[i] {
                for (sum, cost) in sum.iter_mut().zip(told[j].costs) {
                    *sum += weight * cost;
                }
            }
            sum
        },
    );
    // Likelihoods of the offsets, those beside being at `middle`.
    let likely = |costs: &[f32; OFFSETS], middle: Option<f32>| {
        let mut all: [f32; OFFSETS] = std::array::from_fn(|o| {
            let apart = middle.map_or(0.0, |middle| (offset(o) - middle) / APART);
            costs[o] + apart * apart
        });
        let least = all.iter().fold(f32::MAX, |a, b| a.min(*b));
        all.iter_mut().for_each(|v| *v = exp(-0.5 * (*v - least)));
        let sum: f32 = all.iter().sum();
        all.map(|v| v / sum)
    };
    let mean = |likely: &[f32; OFFSETS]| -> f32 {
        let each = likely.iter().enumerate();
        each.map(|(o, likely)| likely * offset(o)).sum()
    };
    let mut offsets: Vec<f32> = costs
        .iter()
        .map(|costs| mean(&likely(costs, None)))
        .collect();
    let mixed = |values: &[f32], i: usize| -> f32 {
        let each = beside[i].iter();
        each.map(|&(j, weight)| weight * values[j]).sum()
    };
    for _ in 1..ROUNDS {
        offsets = bands::gathered(
            &every,
            || (),
            |(), i| mean(&likely(&costs[i], Some(mixed(&offsets, i)))),
        );
    }
    let lights: Vec<[f32; 6]> = (0..told.len())
        .map(|i| {
            let place = ((offsets[i] - FIRST) / STEP).max(0.0);
            let first = (place as usize).min(OFFSETS - 2);
            let share = (place - first as f32).min(1.0);
            let (a, b) = (told[i].lights[first], told[i].lights[first + 1]);
            std::array::from_fn(|c| a[c] + share * (b[c] - a[c]))
        })
        .collect();
    let under = |v: f32, [from, to]: [f32; 2]| 1.0 - ((v - from) / (to - from)).max(0.0).min(1.0);
    let trust: Vec<f32> = offsets
        .iter()
        .zip(told)
        .map(|(offset, told)| under(offset.abs(), FAR) * under(told.misfit, MISFIT))
        .collect();
    (0..told.len())
        .map(|i| Placed {
            offset: offsets[i],
            trust: mixed(&trust, i),
            light: std::array::from_fn(|c| {
                let each = beside[i].iter();
                each.map(|&(j, weight)| weight * lights[j][c]).sum()
            }),
        })
        .collect()
}

/// All pixels beside the line, with what the knots beside them say.
fn splat(knots: &[Knot], placed: &[Placed], layers: &Layers, hairy: &Array2<f32>) -> Vec<Beside> {
    let (high, wide) = hairy.dim();
    let reach = (DRAWN + 1.5) as usize;
    let within = |v: f32, end: usize| (v + 0.5).max(0.0).min((end - 1) as f32) as usize;
    let places: Vec<[f32; 2]> = knots
        .iter()
        .zip(placed)
        .map(|(knot, placed)| [0, 1].map(|k| knot.place[k] + placed.offset * knot.inward[k]))
        .collect();
    // Knots that reach a row, in their order.
    let mut reaching = vec![Vec::new(); high];
    for (i, [py, _]) in places.iter().enumerate() {
        let y = within(*py, high);
        for row in &mut reaching[y.saturating_sub(reach)..(y + reach + 1).min(high)] {
            row.push(i);
        }
    }
    let rows: Vec<usize> = (0..high).collect();
    let found = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let mut pixels: Vec<Beside> = Vec::new();
            let mut index = vec![u32::MAX; if reaching[y].is_empty() { 0 } else { wide }];
            for &i in &reaching[y] {
                let (knot, placed, [py, px]) = (&knots[i], &placed[i], places[i]);
                // The kinds well inside.
                let core = [0, 1].map(|k| places[i][k] + MIXED * knot.inward[k]);
                let core = [within(core[0], high), within(core[1], wide)];
                let shares = layers.shares.each_ref().map(|share| share[core]);
                let middle = within(px, wide);
                for x in middle.saturating_sub(reach)..(middle + reach + 1).min(wide) {
                    let (dy, dx) = (y as f32 - py, x as f32 - px);
                    let inside = dy * knot.inward[0] + dx * knot.inward[1];
                    let along = dy * dy + dx * dx - inside * inside;
                    let at = [y, x];
                    if along > 9.0 * WIDTH * WIDTH || hairy[at] > 0.5 {
                        continue;
                    }
                    // Where several lines reach a pixel, the nearest counts.
                    let far = inside * 0.25;
                    let weight = exp(-0.5 * (along / (WIDTH * WIDTH) + far * far));
                    let slot = &mut index[x];
                    if *slot == u32::MAX {
                        *slot = pixels.len() as u32;
                        pixels.push(Beside {
                            at: at.map(|v| v as u32),
                            ..Beside::default()
                        });
                    }
                    let pixel = &mut pixels[*slot as usize];
                    pixel.weight += weight;
                    pixel.inside += weight * inside;
                    pixel.trust += weight * placed.trust;
                    for (sum, light) in pixel.light.iter_mut().zip(placed.light) {
                        *sum += weight * light;
                    }
                    for (sum, share) in pixel.shares.iter_mut().zip(shares) {
                        *sum += weight * share;
                    }
                }
            }
            pixels.retain(|pixel| pixel.weight > 1e-3);
            pixels
        },
    );
    found.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (60, 80);
    const NOISE_OF_TEST: f32 = 0.006;

    /// A straight side of something, as the lens draws it: the cumulative normal distribution again.
    fn truth(x: usize) -> f32 {
        edge(40.3 - x as f32)
    }

    /// `sitter` is its light so many pixels inside.
    fn drawn(
        sitter: impl Fn(f32) -> f32,
        wall: f32,
        group: usize,
        found: impl Fn(usize, usize) -> f32,
    ) -> Layers {
        let light = |x: usize| {
            let own = sitter((40.3 - x as f32).max(0.0));
            truth(x) * own + (1.0 - truth(x)) * wall
        };
        let small = Linear {
            planes: [1.0, 0.98, 0.96].map(|t| Array2::from_shape_fn(SIZE, |(_, x)| t * light(x))),
        };
        let grid = (SIZE.0 / 4, SIZE.1 / 4);
        let surface = Surface {
            tint: None,
            planes: [1.0, 0.98, 0.96].map(|t| Array2::from_elem(grid, t * wall)),
            cell: 4,
            spread: Array2::from_elem(grid, NOISE_OF_TEST),
        };
        let alpha = Array2::from_shape_fn(SIZE, |(y, x)| found(y, x));
        let shares = std::array::from_fn(|k| {
            if k == group {
                alpha.clone()
            } else {
                Array2::zeros(SIZE)
            }
        });
        let mut layers = Layers {
            alpha,
            shares,
            alike: 0.0,
        };
        draw(&mut layers, &small, &surface, NOISE_OF_TEST);
        layers
    }

    fn off(alpha: &Array2<f32>) -> f32 {
        let rows = alpha.outer_iter().skip(10).take(40);
        let each = rows.flat_map(|row| {
            let off = row.iter().enumerate().map(|(x, a)| (a - truth(x)).abs());
            off.collect::<Vec<_>>()
        });
        each.fold(0.0, f32::max)
    }

    /// A jaw that bright paper lights from behind: its last ten pixels grow to four fifths of the paper's light,
    /// and were found to be half bare. The picture is the compositing equation's, so its alpha must come back.
    #[test]
    fn skin_that_the_wall_lights_from_behind_is_covered_to_its_edge() {
        let jaw = |depth: f32| (0.48 - 0.03 * depth).max(0.15);
        let thin = |_: usize, x: usize| if x < 38 { 1.0 } else { 0.5 * truth(x) };
        let layers = drawn(jaw, 0.6, 0, thin);
        assert!(off(&layers.alpha) < 0.12, "{}", off(&layers.alpha));
        let apart = (&layers.shares[0] - &layers.alpha).mapv(f32::abs);
        assert!(apart.iter().all(|d| *d < 1e-4), "all of it is skin");
    }

    /// Cloth of the wall's own colour: nothing shows where it ends, so the line is smooth.
    #[test]
    fn where_nothing_shows_the_line_is_smooth() {
        let ragged =
            |y: usize, x: usize| f32::from(u8::from(x < 38 + [0, 2, 1, 3, 1, 0, 3, 2][y % 8]));
        let layers = drawn(|_| 0.552, 0.55, 2, ragged);
        let widths: Vec<f32> = (10..50).map(|y| layers.alpha.row(y).sum()).collect();
        let most = widths.iter().fold(f32::MIN, |a, b| a.max(*b));
        let least = widths.iter().fold(f32::MAX, |a, b| a.min(*b));
        assert!(
            most - least < 1.5 && least > 38.0 && most < 41.5,
            "{widths:?}"
        );
    }

    #[test]
    fn hair_stays_as_it_was_found() {
        let thin = |_: usize, x: usize| if x < 38 { 1.0 } else { 0.5 * truth(x) };
        let layers = drawn(|_| 0.1, 0.6, 1, thin);
        let before = Array2::from_shape_fn(SIZE, |(y, x)| thin(y, x));
        assert_eq!(layers.alpha, before);
    }
}
