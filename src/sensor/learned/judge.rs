//! How much too high a found noise is, as a third small net sees it.
//!
//! What [`super::super::noise`] finds is too high where texture fills the frame in all directions: knitwear
//! and fur looked like twice to three times their noise at 4000 electrons. Noise of neighbouring sites has
//! nothing to do with each other, though, and texture has; a net that was shown much of both tells them
//! apart (learned estimates: S. Guo, Z. Yan, K. Zhang, W. Zuo, L. Zhang, "Toward convolutional blind
//! denoising of real photographs", CVPR 2019). Here it is told the noise that was found, sees roots of
//! light in units of it, and says for each cell of 2 x 2 sites by how much that is wrong, as a logarithm,
//! and how much its word counts there, as another.
//!
//! Only what is clearly too high is lowered: in frames of much calm area the estimate is nearer to the truth
//! than the net is.

use std::sync::LazyLock;

use super::super::{deviation, lift_for, sites::Sites};
use super::net::{FETCHED, Layout, Net, Place};
use super::planes::{EVEN, ODD, PIECE, Planes};
use super::{SMOOTH, part, unlike};
use crate::picture::{Rect, bands};

/// Cells along a side of the squares that are judged, at most, and how many squares of a frame, at most.
const SIDE: usize = 96;
const MOST: usize = 24;

/// Squares that are judged first, about. Where one of them finds the noise clearly too high, or none, the middle
/// one of all would hardly: most frames of people before a backdrop end here. And how many must say something.
const FIRST: usize = 6;
const ENOUGH: usize = 4;

/// Squares of fewer cells a side say nothing.
const LEAST: usize = 16;

/// By how much the noise must be too high, as a logarithm, before anything is done; so much
/// of it stays. Of drawn pictures and photographs kept apart in training, half are judged within 0.026, nine in
/// ten within 0.085.
const MARGIN: f64 = 0.08;

/// How much the noise must have been lowered, as a logarithm, for a second look, the last one: what is told changes
/// what the net sees.
const AGAIN: f64 = 0.2;

/// Units of noise beyond which it does not matter how far off a site is, as in training.
const FARTHEST: f32 = 12.0;

/// Logarithms of weights are cut off there, as in training.
const WEIGHT: f32 = 8.0;

/// Share of full scale from which a site may be cut off, so that its noise is. Whatever the net saw of it says
/// nothing.
const CLIPPED: f32 = 0.98;

/// Cells of a square that count, at least.
const COUNTING: usize = 256;

static JUDGE: LazyLock<Net> = LazyLock::new(|| {
    let layout = Layout {
        outputs: 4,
        noises: 3,
        channels: &[16, 32, 48],
        before: &[1, 2, 3],
        after: &[0, 0, 0],
        guesses: 0,
    };
    Net::new(&layout, include_bytes!("../models/judge.f16"))
});

/// The noise `[a, b]` of red, green and blue, on the scale of `sites`, that was found in a window of a
/// mosaic of 2 x 2 filters, lowered where it is clearly too high.
pub(in crate::sensor) fn lowered(
    sites: &Sites<'_>,
    window: Rect,
    mut noise: [[f32; 2]; 3],
) -> [[f32; 2]; 3] {
    for _ in 0..2 {
        let off = wrong(sites, window, noise).map_or(0.0, |off| (off + MARGIN).min(0.0));
        // Of variances twice the logarithm.
        let factor = libm::exp(2.0 * off) as f32;
        noise = noise.map(|line| line.map(|v| v * factor));
        if off > -AGAIN {
            break;
        }
    }
    noise
}

/// Logarithm of true to told deviation, of the middle one of the squares that are judged; of what is not
/// clearly below 0, of the [`FIRST`] alone.
fn wrong(sites: &Sites<'_>, window: Rect, noise: [[f32; 2]; 3]) -> Option<f64> {
    let red = (0..4)
        .find(|&k| sites.colour(k / 2, k % 2) == 0)
        .unwrap_or(0);
    // Whole cells of the window, from its first red site on.
    let origin = [
        window.top + (window.top + red / 2) % 2,
        window.left + (window.left + red % 2) % 2,
    ];
    let inside = [
        (window.top + window.height).saturating_sub(origin[0]) / 2,
        (window.left + window.width).saturating_sub(origin[1]) / 2,
    ];
    let side = inside.map(|cells| cells.min(SIDE));
    if side[0] < LEAST || side[1] < LEAST {
        return None;
    }
    // Every so many rows and columns of squares.
    let many = [inside[0] / side[0], inside[1] / side[1]];
    let fits = |by: [usize; 2]| many[0].div_ceil(by[0]) * many[1].div_ceil(by[1]) <= MOST;
    let thinned = (2..).map(|sum: usize| [sum.div_ceil(2), sum / 2]);
    let by = thinned.into_iter().find(|&by| fits(by))?;
    let grid = [0, 1].map(|axis| many[axis].div_ceil(by[axis]));
    let lift = lift_for(noise[1]);
    let told = Told {
        lift,
        units: noise.map(|line| 1.0 / deviation(line, lift).max(1.0e-9)),
        clip: [0, 1, 2].map(|of| CLIPPED * sites.clip(of)),
    };
    let judged = |squares: &[usize]| {
        let said = bands::gathered(
            squares,
            || (),
            |(), at| {
                let square = [at / grid[1] * by[0], at % grid[1] * by[1]];
                let from =
                    [0, 1].map(|axis| (origin[axis] + 2 * side[axis] * square[axis]) as isize);
                told.said(sites, from, side)
            },
        );
        said.into_iter().flatten().collect::<Vec<f64>>()
    };
    let (first, rest): (Vec<_>, Vec<_>) = {
        let first = scattered(grid);
        (0..grid[0] * grid[1]).partition(|at| first.contains(at))
    };
    let mut said = judged(&first);
    let wrong = said.iter().filter(|&&off| off < -MARGIN).count();
    if said.len() < ENOUGH || wrong > 1 {
        said.extend(judged(&rest));
    }
    // The middle one: black that was cut off has no noise either, nor has what was painted over.
    said.sort_by(f64::total_cmp);
    said.get(said.len() / 2).copied()
}

/// [`FIRST`] squares of a grid of rows and columns that lie all over it, some of them the same one where there are
/// few: multiples of the inverse of the two-dimensional golden ratio and of its square (M. Roberts, "The unreasonable effectiveness of quasirandom
/// sequences", 2018; from memory).
fn scattered([rows, columns]: [usize; 2]) -> [usize; FIRST] {
    const STEPS: [f64; 2] = [0.754_877_666_246_692_7, 0.569_840_290_998_053_2];
    let place = |at: usize, step: f64, length: usize| {
        ((0.5 + at as f64 * step).fract() * length as f64) as usize
    };
    std::array::from_fn(|at| place(at, STEPS[0], rows) * columns + place(at, STEPS[1], columns))
}

/// What the net is told.
struct Told {
    lift: f32,
    /// One over the deviation of roots of red, green and blue.
    units: [f32; 3],
    clip: [f32; 3],
}

impl Told {
    /// The mean logarithm of `side` cells from the red site `from` (row, column) on; `None` where hardly any
    /// counts.
    fn said(&self, sites: &Sites<'_>, from: [isize; 2], side: [usize; 2]) -> Option<f64> {
        let align = JUDGE.aligned();
        let around = (JUDGE.reach + SMOOTH).next_multiple_of(align);
        let [height, width] = side.map(|side| (side + 2 * around).next_multiple_of(align));
        let [top, left] = from.map(|from| from - 2 * around as isize);
        let mut work = JUDGE.ready(&Place {
            height,
            visible: around..around + side[0],
            rows: around..around + side[0],
            columns: around..around + side[1],
            width,
        });
        let starts = JUDGE.starts([1.0; 3]);
        let dull = self.dull(sites, from, side);
        let mut light = vec![0.0; 4 * width * (FETCHED + 2 * SMOOTH)];
        let mut roots = light.clone();
        let (mut smooth, mut line) = (vec![0.0; width], vec![0.0; width]);
        let (mut sum, mut whole, mut count) = (0.0, 0.0, 0);
        for y in 0..side[0] {
            JUDGE.run(&mut work, &starts, around + y, |y, seen| {
                let first = top + 2 * (y as isize - SMOOTH as isize);
                sites.tile([first, left], 2 * width, &mut light);
                part(&light, self.lift, width, &mut roots);
                let units = [0, 1, 1, 2].map(|of| self.units[of]);
                for (at, line) in roots.chunks_exact_mut(width).enumerate() {
                    line.iter_mut().for_each(|root| *root *= units[at % 4]);
                }
                for k in 0..FETCHED {
                    let near = &roots[4 * width * k..][..4 * width * (2 * SMOOTH + 1)];
                    let [row] = seen.group_mut::<1>(y + k);
                    unlike(near, width, &mut smooth, &mut line, row);
                    for v in row.iter_mut().flat_map(|piece| &mut piece.0) {
                        *v = v.clamp(-FARTHEST, FARTHEST);
                    }
                }
                seen.link(y, FETCHED);
            });
            for x in 0..side[1] {
                if dull.as_ref().is_some_and(|dull| dull[y * side[1] + x]) {
                    continue;
                }
                let [said, counts] = [0, 1].map(|k| value(&work.out, around + y, around + x, k));
                let weight = libm::exp(f64::from(counts.clamp(-WEIGHT, WEIGHT)));
                sum += weight * f64::from(said);
                whole += weight;
                count += 1;
            }
        }
        (count >= COUNTING).then(|| sum / whole)
    }

    /// Which cells saw a site that may be cut off; `None` where there is none.
    fn dull(&self, sites: &Sites<'_>, from: [isize; 2], side: [usize; 2]) -> Option<Vec<bool>> {
        let around = JUDGE.reach + SMOOTH;
        let [height, width] = side.map(|side| side + 2 * around);
        let mut row = vec![0.0; 2 * width];
        let mut dull = vec![false; side[0] * side[1]];
        let mut any = false;
        let [top, left] = from.map(|from| from - 2 * around as isize);
        for y in 0..2 * height {
            sites.row(top + y as isize, left, &mut row);
            let near = |at: usize, side: usize| {
                (at / 2).saturating_sub(2 * around)..(at / 2 + 1).min(side)
            };
            let colours = [[0, 1], [1, 2]][y % 2];
            // Up to which column the rows around are dull already.
            let mut done = 0;
            for (x, &light) in row.iter().enumerate() {
                let columns = near(x, side[1]);
                if light < self.clip[colours[x % 2]] || columns.end <= done {
                    continue;
                }
                any = true;
                let columns = columns.start.max(done)..columns.end;
                for y in near(y, side[0]) {
                    dull[y * side[1]..][columns.clone()].fill(true);
                }
                done = columns.end;
            }
        }
        any.then_some(dull)
    }
}

/// A channel of a net's row at a column.
fn value(planes: &Planes, y: usize, x: usize, channel: usize) -> f32 {
    let piece = &planes.row(y)[x / (2 * PIECE) * planes.channels + channel];
    let first = if x.is_multiple_of(2) { EVEN } else { ODD };
    piece.columns(first)[x % (2 * PIECE) / 2]
}

#[cfg(test)]
mod tests {
    use ndarray::{Array1, Array2};

    use super::*;
    use crate::raw::{Pattern, SensorFrame};

    fn said(mosaic: &Array2<f32>, noise: [[f32; 2]; 3]) -> Option<f64> {
        let frame = SensorFrame::from_light(mosaic.clone(), Pattern::RGGB);
        let sites = Sites::new(&frame, [1.0; 3]).expect("a sound frame");
        wrong(&sites, frame.crop, noise)
    }

    const NOISE: [[f32; 2]; 3] = [[2.0e-3, 4.0e-5], [1.0e-3, 1.0e-5], [1.5e-3, 2.25e-5]];

    /// Against PyTorch (`src/sensor/models/golden.py`): the logarithm told [`NOISE`], and told four times
    /// its variance.
    #[test]
    fn the_judge_says_what_an_outside_runner_says() {
        let path = |name: &str| {
            let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/demosaic");
            format!("{folder}/learned_{name}.npy")
        };
        let mosaic: Array2<f32> = ndarray_npy::read_npy(path("mosaic")).expect("shipped");
        let expected: Array1<f32> = ndarray_npy::read_npy(path("judge")).expect("shipped");
        for (expected, times) in expected.iter().zip([1.0, 4.0]) {
            let noise = NOISE.map(|line| line.map(|v| times * v));
            let found = said(&mosaic, noise).expect("a judgement");
            let expected = f64::from(*expected);
            assert!((found - expected).abs() < 1e-3, "{found}: {expected}");
        }
    }

    #[test]
    fn the_first_squares_lie_all_over() {
        for (grid, at_least) in [
            ([4, 6], 6),
            ([6, 4], 6),
            ([5, 3], 5),
            ([2, 2], 4),
            ([1, 1], 1),
        ] {
            let mut squares = scattered(grid).to_vec();
            squares.sort_unstable();
            squares.dedup();
            assert!(squares.len() >= at_least, "{grid:?}: {squares:?}");
            let inside = |half: &dyn Fn(usize) -> bool| squares.iter().any(|&at| half(at));
            for axis in 0..2 {
                let place = |at: usize| [at / grid[1], at % grid[1]][axis];
                assert!(inside(&|at| 2 * place(at) < grid[axis]), "{grid:?}");
                assert!(inside(&|at| 2 * place(at) + 2 > grid[axis]), "{grid:?}");
            }
            assert!(squares.iter().all(|&at| at < grid[0] * grid[1]));
        }
    }

    #[test]
    fn too_small_frames_and_clipped_ones_are_not_judged() {
        assert_eq!(said(&Array2::from_elem((30, 60), 0.4), NOISE), None);
        assert_eq!(said(&Array2::from_elem((64, 64), 1.0), NOISE), None);
    }

    /// Half of the frame has its noise, the other is even, or cut off.
    #[test]
    fn clipped_sites_say_nothing() {
        let side = 128;
        let half = |y: usize, x: usize, right: f32| if x < side / 2 { grain(y, x) } else { right };
        let image = |right: f32| Array2::from_shape_fn((side, side), |(y, x)| half(y, x, right));
        let calm = said(&image(0.3), NOISE).expect("a judgement");
        let clipped = said(&image(1.0), NOISE).expect("a judgement");
        // Even light without any noise is far below what is told, cut off light no evidence.
        assert!(calm < -1.0, "{calm}");
        assert!(clipped.abs() < 0.1, "{clipped}");
    }

    /// Grey with about the noise that [`NOISE`] says (a sum of four even numbers from a hash).
    fn grain(y: usize, x: usize) -> f32 {
        let mut state = (y as u32).wrapping_mul(0x9e37_79b1) ^ (x as u32).wrapping_mul(0x85eb_ca77);
        let mut sum = 0.0;
        for _ in 0..4 {
            state = (state ^ state >> 15).wrapping_mul(0x2c1b_3c6d);
            state = (state ^ state >> 12).wrapping_mul(0x297a_2d39);
            sum += f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
        }
        let [a, b] = NOISE[[[0, 1], [1, 2]][y % 2][x % 2]].map(f64::from);
        (0.3 + sum * (3.0 * (0.3 * a + b)).sqrt()) as f32
    }
}
