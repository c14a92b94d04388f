//! Bayer mosaic to three planes, and noise taken off on the way, by two small learned nets.
//!
//! Both see the mosaic in cells of 2 x 2 sites, its four sites as four planes, at full, half and quarter
//! density of cells, and give what is to be added to the mean of the nearest sites of a colour (M.
//! Gharbi, G. Chaurasia, S. Paris, F. Durand, "Deep joint demosaicking and denoising", SIGGRAPH Asia
//! 2016; densities as in O. Ronneberger, P. Fischer, T. Brox, "U-Net", MICCAI 2015). Without noise what
//! was measured stays, and the net sees only how sites differ from the smooth colour around them; the
//! other net is told the deviation of the noise (as in K. Zhang, W. Zuo, L.
//! Zhang, "FFDNet", IEEE TIP 27, 2018) and betters all twelve values of a cell.
//!
//! No convolution has a constant of its own, so k times the light, and k times the noise, comes out
//! k times as bright: exposure does not matter, nor does light above 1 (S. Mohan, Z. Kadkhodaie, E.
//! Simoncelli, C. Fernandez-Granda, "Robust and interpretable blind image denoising via bias-free
//! convolutional neural networks", ICLR 2020).
//!
//! `src/sensor/models/README.md` says what the nets learned from, and how, with all programs.
//!
//! Without noise the mean is taken of what the net and [`super::bayer`] find: they err at different
//! places, and the mean is 0.5 dB better than the net and 0.9 dB better than the other; on hair alone the
//! other is better by 0.1 dB.
//!
//! In and out: square roots of white-balanced light, on which errors count about as eyes see them
//! and noise is even.
//!
//! Rows are worked on in bands that lie fast in the active area, each as a whole, and columns do not
//! depend on where a tile begins: a window gives the pixels of the whole to the bit, on any number
//! of threads.

mod net;

use std::sync::LazyLock;

use ndarray::Array2;

use super::{root, sites::Sites};
use crate::picture::bands;
use net::{EDGE, Layout, Net, Planes};

/// Rows of a band and columns of a tile, in sites: what is computed twice at their edges against
/// the size of a tile's planes.
const BAND: usize = 512;
const TILE: usize = 1024;

/// Rows and columns around a tile, in sites: as far as a net looks and one cell more, in whole
/// groups of rows of the coarsest density.
const HALO: usize = 64;

/// Gives the eight missing values of a cell from its four sites.
static CLEAN: LazyLock<Net> = LazyLock::new(|| {
    let layout = Layout {
        outputs: 8,
        noises: 0,
        channels: &[12, 24, 40],
        before: &[1, 2, 2],
        after: &[2, 1, 0],
    };
    Net::new(&layout, include_bytes!("../models/clean.f16"))
});

/// Gives all twelve values of a cell from its four sites and three deviations.
static NOISY: LazyLock<Net> = LazyLock::new(|| {
    let layout = Layout {
        outputs: 12,
        noises: 3,
        channels: &[20, 40, 64],
        before: &[1, 2, 3],
        after: &[1, 1, 1],
    };
    Net::new(&layout, include_bytes!("../models/noisy.f16"))
});

/// Noise to take off.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Standard deviation of the roots of red, green and blue.
    pub deviation: [f32; 3],
    /// Which part is taken off light, and off colours.
    pub shares: [f32; 2],
}

/// Square roots of the balanced colours of the sites from `origin` (row, column) on, `lift` added to
/// light before.
///
/// Without noise the planes hold what another method made of it, and what is there after is
/// the mean of both.
pub(super) fn fill_in(
    sites: &Sites<'_>,
    origin: [isize; 2],
    lift: f32,
    noise: Option<Noise>,
    planes: &mut [Array2<f32>; 3],
) {
    // Cells begin at a red site.
    let red = (0..4)
        .find(|&k| sites.colour(k / 2, k % 2) == 0)
        .unwrap_or(0);
    let filling = Filling {
        sites,
        origin,
        red: [(red / 2) as isize, (red % 2) as isize],
        lift,
        noise,
        net: if noise.is_some() { &NOISY } else { &CLEAN },
        width: planes[0].ncols(),
    };
    let width = filling.width.max(1);
    let before = (origin[0] - filling.red[0]).rem_euclid(BAND as isize) as usize;
    let first = (BAND - before).min(planes[0].nrows());
    let [head, tail]: [Vec<&mut [f32]>; 2] = {
        let [r, g, b] = planes.each_mut().map(|plane| {
            let rows = plane.as_slice_mut().expect("planes are contiguous");
            rows.split_at_mut(first * width)
        });
        [vec![r.0, g.0, b.0], vec![r.1, g.1, b.1]]
    };
    bands::both(
        || bands::each_piece_of_all(head, first * width, |_, rows| filling.band(0, rows)),
        || {
            bands::each_piece_of_all(tail, BAND * width, |band, rows| {
                filling.band(first + band * BAND, rows);
            });
        },
    );
}

/// What all bands share.
struct Filling<'a> {
    sites: &'a Sites<'a>,
    origin: [isize; 2],
    red: [isize; 2],
    lift: f32,
    noise: Option<Noise>,
    net: &'a Net,
    width: usize,
}

impl Filling<'_> {
    /// Fills rows that lie in one band, `first` rows after the window's first one.
    fn band(&self, first: usize, rows: &mut [&mut [f32]]) {
        let [_, left] = self.origin;
        let count_rows = rows[0].len() / self.width;
        let at = self.origin[0] + first as isize - self.red[0];
        let band = at.div_euclid(BAND as isize) * BAND as isize;
        let halo = HALO as isize;
        let from_row = self.red[0] + band - halo;
        let skip_rows = (at - band) as usize + HALO;
        // A band ends where the frame does, whatever is asked for.
        let align = self.net.aligned();
        let left_over = (self.sites.height as isize - self.red[0] - band).max(1) as usize;
        let asked = (skip_rows - HALO + count_rows).max(left_over.min(BAND));
        let high = asked.next_multiple_of(align) + 2 * HALO;
        let wide = (self.width.min(TILE) + align).next_multiple_of(align) + 2 * HALO;
        let mut mosaic = Planes::new(4, high / 2, wide / 2);
        let size = [high / 2, wide / 2];
        let wanted = size.map(|cells| HALO / 2 - 1..cells + 1 - HALO / 2);
        let mut details = (self.noise.is_none()).then(|| Planes::new(4, high / 2, wide / 2));
        let mut smooth = vec![0.0; wide / 2 + 4];
        let mut work = self.net.ready(size, wanted);
        let starts = self
            .net
            .starts(self.noise.map_or([0.0; 3], |noise| noise.deviation));
        let mut tile = vec![0.0; high * wide];
        let [mut lines, mut other]: [Lines; 2] = std::array::from_fn(|_| Lines::new(wide));
        for start in (0..self.width).step_by(TILE) {
            let column = left + start as isize;
            let align = align as isize;
            let from_column = (column - self.red[1]).div_euclid(align) * align + self.red[1] - halo;
            self.sites.tile([from_row, from_column], wide, &mut tile);
            bands::vectorised(
                #[inline(always)]
                || put(&mut tile, self.lift, &mut mosaic),
            );
            let seen = match (&mut details, self.noise) {
                (Some(details), None) => {
                    bands::vectorised(
                        #[inline(always)]
                        || unlike(&mosaic, details, &mut smooth),
                    );
                    details
                }
                _ => &mosaic,
            };
            self.net.run(seen, &starts, &mut work);
            let skip = (column - from_column) as usize;
            let count = TILE.min(self.width - start);
            let end = skip_rows + count_rows;
            for cell in skip_rows / 2..end.div_ceil(2) {
                bands::vectorised(
                    #[inline(always)]
                    || {
                        lines.near(&mosaic, 0, cell);
                        lines.add(&work.out, cell);
                        if let Some(Noise { shares, .. }) = self.noise
                            && shares != [1.0; 2]
                        {
                            other.near(&work.out, 8, cell);
                            lines.put_back(&other, shares);
                        }
                    },
                );
                for y in (2 * cell).max(skip_rows)..(2 * cell + 2).min(end) {
                    for (plane, lines) in rows.iter_mut().zip(&lines.colours) {
                        let row = &mut plane[(y - skip_rows) * self.width + start..][..count];
                        let mine = &lines[y % 2][skip..skip + count];
                        if self.noise.is_some() {
                            row.copy_from_slice(mine);
                        } else {
                            let both = row.iter_mut().zip(mine);
                            both.for_each(|(other, mine)| *other = 0.5 * (*other + mine));
                        }
                    }
                }
            }
        }
    }
}

/// Parts a mosaic's light into four planes of roots.
#[inline(always)]
fn put(tile: &mut [f32], lift: f32, mosaic: &mut Planes) {
    let width = mosaic.width;
    for (y, line) in tile.chunks_exact_mut(2 * width).enumerate() {
        line.iter_mut().for_each(|v| *v = root(*v + lift));
        for k in 0..2 {
            let row = &mut mosaic.row_mut(y % 2 * 2 + k, y / 2)[EDGE..][..width];
            for (out, pair) in row.iter_mut().zip(line.chunks_exact(2)) {
                *out = pair[k];
            }
        }
    }
}

/// What differs from the smooth red, green and blue around it (1 4 6 4 1 cells each way), so that
/// even colour stays even to the bit.
#[inline(always)]
fn unlike(mosaic: &Planes, details: &mut Planes, smooth: &mut [f32]) {
    let width = mosaic.width;
    let five = |v: [f32; 5]| 0.0625 * (v[0] + v[4]) + 0.25 * (v[1] + v[3]) + 0.375 * v[2];
    for y in 0..mosaic.height {
        // Two planes are green.
        for (first, second) in [(0, 0), (1, 2), (3, 3)] {
            let near = |plane: usize| -> [&[f32]; 5] {
                std::array::from_fn(|k| {
                    let y = (y + k).saturating_sub(2).min(mosaic.height - 1);
                    &mosaic.row(plane, y)[EDGE - 2..][..width + 4]
                })
            };
            let (a, b) = (near(first), near(second));
            for (x, out) in smooth.iter_mut().enumerate() {
                *out = five(std::array::from_fn(|k| 0.5 * (a[k][x] + b[k][x])));
            }
            for plane in [first, second] {
                let row = &mosaic.row(plane, y)[EDGE..][..width];
                let out = &mut details.row_mut(plane, y)[EDGE..][..width];
                for ((out, v), near) in out.iter_mut().zip(row).zip(smooth.windows(5)) {
                    *out = v - five([near[0], near[1], near[2], near[3], near[4]]);
                }
            }
        }
    }
}

/// Two rows of red, green and blue.
struct Lines {
    colours: [[Vec<f32>; 2]; 3],
}

impl Lines {
    fn new(width: usize) -> Self {
        Self {
            colours: std::array::from_fn(|_| std::array::from_fn(|_| vec![0.0; width])),
        }
    }

    /// The two rows of the cells of row `y`: the mean of the nearest sites of a colour, whose planes
    /// are `first` and the three after it.
    #[inline(always)]
    fn near(&mut self, mosaic: &Planes, first: usize, y: usize) {
        let width = mosaic.width;
        let rows = |plane: usize| {
            [y - 1, y, y + 1].map(|y| &mosaic.row(first + plane, y)[EDGE - 1..][..width + 2])
        };
        let ([_, r, r_below], [_, g, g_below]) = (rows(0), rows(1));
        let ([k_above, k, _], [b_above, b, _]) = (rows(2), rows(3));
        let [[r0, r1], [g0, g1], [b0, b1]] = &mut self.colours;
        pairs(r0, |x| (r[x + 1], 0.5 * (r[x + 1] + r[x + 2])));
        pairs(g0, |x| {
            let sides = (g[x + 1] + g[x]) + (k[x + 1] + k_above[x + 1]);
            (0.25 * sides, g[x + 1])
        });
        pairs(b0, |x| {
            let corners = (b[x + 1] + b[x]) + (b_above[x + 1] + b_above[x]);
            (0.25 * corners, 0.5 * (b[x + 1] + b_above[x + 1]))
        });
        pairs(r1, |x| {
            let corners = (r[x + 1] + r[x + 2]) + (r_below[x + 1] + r_below[x + 2]);
            (0.5 * (r[x + 1] + r_below[x + 1]), 0.25 * corners)
        });
        pairs(g1, |x| {
            let sides = (g[x + 1] + g_below[x + 1]) + (k[x + 1] + k[x + 2]);
            (k[x + 1], 0.25 * sides)
        });
        pairs(b1, |x| (0.5 * (b[x + 1] + b[x]), b[x + 1]));
    }

    /// Adds what a net found: the eight values that a cell misses, and where it betters them, the
    /// four that it has.
    #[inline(always)]
    fn add(&mut self, found: &Planes, y: usize) {
        let [[r0, r1], [g0, g1], [b0, b1]] = &mut self.colours;
        // Which planes hold what belongs to the left and the right site.
        for (row, [left, right]) in [
            (r0, [8, 2]),
            (g0, [0, 9]),
            (b0, [1, 3]),
            (r1, [4, 6]),
            (g1, [10, 7]),
            (b1, [5, 11]),
        ] {
            for (k, plane) in [left, right].into_iter().enumerate() {
                if plane < found.channels {
                    let add = &found.row(plane, y)[EDGE..][..found.width];
                    for (pair, add) in row.chunks_exact_mut(2).zip(add) {
                        pair[k] += add;
                    }
                }
            }
        }
    }

    /// Puts back a part of what was taken off, in light and in colours.
    #[inline(always)]
    fn put_back(&mut self, taken: &Self, shares: [f32; 2]) {
        let [light, colour] = shares.map(|share| 1.0 - share);
        let [red, green, blue] = &mut self.colours;
        let [r, g, b] = &taken.colours;
        for k in 0..2 {
            let others = r[k].iter().zip(&g[k]).zip(&b[k]);
            let mine = red[k].iter_mut().zip(&mut green[k]).zip(&mut blue[k]);
            for (((red, green), blue), ((&r, &g), &b)) in mine.zip(others) {
                let even = (r + g + b) * (1.0 / 3.0);
                let back = |v: f32| colour * (v - even) + light * even;
                // What a net adds to a site is the noise, below zero.
                *red -= back(r);
                *green -= back(g);
                *blue -= back(b);
            }
        }
    }
}

#[inline(always)]
fn pairs(row: &mut [f32], value: impl Fn(usize) -> (f32, f32)) {
    for (x, pair) in row.chunks_exact_mut(2).enumerate() {
        (pair[0], pair[1]) = value(x);
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array3;

    use super::*;
    use crate::picture::{Rect, Size};
    use crate::raw::{Decoder, Exif, Filter, Orientation, Pattern, Samples, SensorFrame};

    /// Against PyTorch, which gave the arrays (`src/sensor/models/golden.py`); the one that takes noise
    /// off is held to it in `tests/sensor_stage.rs`.
    #[test]
    fn the_net_without_noise_gives_what_an_outside_runner_gives() {
        let path = |name: &str| {
            let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/demosaic");
            format!("{folder}/learned_{name}.npy")
        };
        let mosaic: Array2<f32> = ndarray_npy::read_npy(path("mosaic")).expect("shipped");
        let expected: Array3<f32> = ndarray_npy::read_npy(path("clean")).expect("shipped");
        let (height, width) = mosaic.dim();
        let frame = SensorFrame {
            samples: Samples::Float(mosaic),
            pattern: Pattern::Bayer([Filter::Red, Filter::Green, Filter::Green, Filter::Blue]),
            black: Array2::zeros((1, 1)),
            white: [1.0; 3],
            balance: None,
            matrices: Vec::new(),
            analog_balance: [1.0; 3],
            baseline_exposure: 0.0,
            noise_profile: None,
            crop: Rect::whole(Size { width, height }),
            orientation: Orientation(1),
            exif: Exif::default(),
            decoder: Decoder::Image,
        };
        let sites = Sites::new(&frame, [1.0; 3]).expect("a sound frame");
        let mut planes = std::array::from_fn(|_| Array2::zeros((height, width)));
        fill_in(&sites, [0, 0], 0.0, None, &mut planes);
        for ((y, x, c), &expected) in expected.indexed_iter() {
            // Halfway from nothing.
            let found = (2.0 * planes[c][[y, x]]).powi(2);
            assert!(
                (found - expected).abs() < 1e-4,
                "row {y}, column {x}, colour {c}: {found} instead of {expected}"
            );
        }
    }

    /// First 1 and a block 2; at half density 1, two blocks 3; at quarter density 2, the blocks 4 (6 with
    /// noise), as 8 (12) and a block 9 (13), as 18 (26); two blocks (one) 20 (27), the last 21 (28), and
    #[test]
    fn tiles_have_what_the_nets_see_around_them() {
        for (net, least, more) in [(&CLEAN, 21, 2), (&NOISY, 28, 0)] {
            assert!(
                (least..HALO / 2 - more).contains(&net.reach),
                "{}",
                net.reach
            );
            assert!(HALO.is_multiple_of(net.aligned()) && BAND.is_multiple_of(net.aligned()));
        }
    }
}
