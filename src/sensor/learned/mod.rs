//! Bayer mosaic to three planes, and noise taken off on the way, by two small learned nets; a third one
//! judges how much noise there is ([`judge`]).
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
//! Without noise a cell's missing values are each the sum of three: the mean of the nearest sites; a
//! mixture of two linear guesses from 6 x 6 sites, mixed at each site as the net says (convolutions
//! with rectifiers multiply badly, and choosing between directions is a product; it is worth 0.9 dB in
//! training for the same work); and what else the net found. Then red and blue are tied to green
//! ([`tied`]).
//!
//! In and out: square roots of white-balanced light, on which errors count about as eyes see them
//! and noise is even.
//!
//! A pixel's last bits depend on the frame alone, never on which window is asked for, where tiles begin
//! ([`net`] says why) or how many threads share them.

mod judge;
mod kernels;
mod net;
mod planes;
mod square;
mod tied;

use std::sync::LazyLock;

use ndarray::Array2;

use super::{root, sites::Sites};
use crate::picture::bands;
use net::{FETCHED, Layout, Net, Place};
use planes::{EVEN, ODD, PIECE, Piece, Planes};
use tied::Tied;

pub(super) use judge::lowered;

/// Columns of a tile, in sites, at most: wide enough that what is computed twice at its edges is a
/// twentieth; a thread holds 35 MB for them.
const TILE: usize = 2048;

/// Columns and rows of a tile, in sites, at least, if it is made smaller so that each thread has one: sixty
/// columns more are computed at its sides, up to two hundred rows above and below.
const NARROWEST: usize = 640;
const SHORTEST: usize = 1024;

/// Tiles for each of several threads, about, so that none waits long for the last.
const SHARES: usize = 2;

/// Rows of cells around a frame that the nets see: as far as they look and some more, in
/// whole groups of rows of the coarsest density.
const MARGIN: usize = 32;

/// Cells that [`unlike`] looks to each side.
const SMOOTH: usize = 2;

/// Gives the eight missing values of a cell from its four sites, two guesses of each, and how much
/// either is to be trusted at a site.
static CLEAN: LazyLock<Net> = LazyLock::new(|| {
    let layout = Layout {
        outputs: 16,
        noises: 0,
        channels: &[12, 24, 40],
        before: &[1, 2, 2],
        after: &[1, 1, 0],
        guesses: tied::GUESSES,
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
        guesses: 0,
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

/// Square roots of the balanced colours of the sites from `origin` (row, column) on, all inside of the
/// frame, `lift` added to light before. Each row, or part of one, is handed to `finish` while it is in the cache.
pub(super) fn fill_in(
    sites: &Sites<'_>,
    origin: [isize; 2],
    lift: f32,
    noise: Option<Noise>,
    planes: &mut [Array2<f32>; 3],
    finish: impl Fn([&mut [f32]; 3]) + Sync,
) {
    let size = tile(planes[0].dim(), bands::threads());
    fill_tiles(sites, origin, lift, noise, planes, finish, size);
}

/// [`fill_in`], by tiles of some rows and columns.
fn fill_tiles(
    sites: &Sites<'_>,
    origin: [isize; 2],
    lift: f32,
    noise: Option<Noise>,
    planes: &mut [Array2<f32>; 3],
    finish: impl Fn([&mut [f32]; 3]) + Sync,
    size: [usize; 2],
) {
    // Cells begin at a red site.
    let red = (0..4)
        .find(|&k| sites.colour(k / 2, k % 2) == 0)
        .unwrap_or(0);
    let filling = Filling {
        sites,
        origin: origin.map(|at| at.max(0) as usize),
        red: [red / 2, red % 2],
        lift,
        noise,
        net: if noise.is_some() { &NOISY } else { &CLEAN },
    };
    bands::each_tile_of_three(planes, size, |first, rows| {
        filling.tile(first, rows, &finish);
    });
}

/// Rows and columns of tiles for some threads. What comes out does not depend on it.
fn tile((height, width): (usize, usize), threads: usize) -> [usize; 2] {
    let tiles = if threads > 1 { SHARES * threads } else { 1 };
    let across = width.div_ceil(TILE).max(tiles.min(width / NARROWEST));
    let across = across.max(1);
    let down = tiles.div_ceil(across).min(height / SHORTEST).max(1);
    [height.div_ceil(down).max(1), width.div_ceil(across).max(1)]
}

/// What all tiles share.
struct Filling<'a> {
    sites: &'a Sites<'a>,
    origin: [usize; 2],
    red: [usize; 2],
    lift: f32,
    noise: Option<Noise>,
    net: &'a Net,
}

impl Filling<'_> {
    /// The cell of a site's row (`axis` 0) or column (1), counted from [`MARGIN`] cells before
    /// the frame.
    fn cell(&self, site: usize, axis: usize) -> usize {
        (site + self.red[axis]) / 2 + MARGIN
    }

    /// The first site of a cell.
    fn site(&self, cell: usize, axis: usize) -> isize {
        2 * (cell as isize - MARGIN as isize) - self.red[axis] as isize
    }

    /// Fills the tile that begins `first` (row, column) after the window's first site.
    fn tile(
        &self,
        first: [usize; 2],
        mut rows: [Vec<&mut [f32]>; 3],
        finish: &impl Fn([&mut [f32]; 3]),
    ) {
        let (count_rows, count) = (rows[0].len(), rows[0].first().map_or(0, |row| row.len()));
        let [top, left] = [0, 1].map(|axis| self.origin[axis] + first[axis]);
        let cells = |from: usize, count: usize, axis: usize| {
            self.cell(from, axis)..self.cell(from + count - 1, axis) + 1
        };
        let (cell_rows, columns) = (cells(top, count_rows, 0), cells(left, count, 1));
        let whole = cells(0, self.sites.height, 0);
        let align = self.net.aligned();
        // Some cells more are made at each side, and what is near them looks a little further.
        let lag = if self.noise.is_none() { tied::REACH } else { 0 };
        let more = lag.max(1);
        let around = more + self.net.reach + SMOOTH;
        let from_column = (columns.start - around) / align * align;
        let width = (columns.end + around + align).next_multiple_of(align) - from_column;
        let mut work = self.net.ready(&Place {
            height: (whole.end + MARGIN).next_multiple_of(align),
            visible: whole.start - more..whole.end + more,
            rows: cell_rows.start - more..cell_rows.end + more,
            columns: columns.start - more - from_column..columns.end + more - from_column,
            width,
        });
        let starts = self
            .net
            .starts(self.noise.map_or([0.0; 3], |noise| noise.deviation));
        let mut fetch = Fetch::new(self, from_column, width);
        let mut mosaic = (self.noise.is_none()).then(|| Planes::new(4, work.mosaic().rows, width));
        let from_site = self.site(from_column, 1);
        let skip = (left as isize - from_site) as usize;
        let pieces = skip / SITES..(skip + count).div_ceil(SITES);
        let mut lines = Lines::new(work.mosaic().pieces);
        // Two sites for each of the cells more.
        let wide = (skip - 2 * more) / SITES..(skip + count + 2 * more).div_ceil(SITES);
        let mut tied = Tied::new(width, wide.start..wide.end.min(work.mosaic().pieces));
        for row in cell_rows.start - lag..cell_rows.end + lag {
            self.net.run(&mut work, &starts, row + 1, |y, seen| {
                fetch.rows(y, seen, mosaic.as_mut());
            });
            let around = [row - 1, row, row + 1];
            if let Some(mosaic) = &mosaic {
                let (found, guesses) = (work.out.row(row), work.guesses.row(row));
                let mosaic = around.map(|y| mosaic.row(y));
                tied.next(row, mosaic, found, guesses, &mut lines);
            } else {
                let back = self.noise.map_or([1.0; 2], |noise| noise.shares);
                let back = back.map(|share| 1.0 - share);
                let mosaic = around.map(|y| work.mosaic().row(y));
                let found = around.map(|y| work.out.row(y));
                let channels = work.out.channels;
                for piece in pieces.clone() {
                    bands::vectorised(
                        #[inline(always)]
                        || lines.fill(piece, mosaic, found, channels, back),
                    );
                }
            }
            let cell = row - lag;
            if cell < cell_rows.start {
                continue;
            }
            for (k, lines) in lines.colours.iter().enumerate() {
                let y = self.site(cell, 0) + k as isize - top as isize;
                if !(0..count_rows as isize).contains(&y) {
                    continue;
                }
                let mut rows = rows.each_mut().map(|rows| &mut *rows[y as usize]);
                for (row, line) in rows.iter_mut().zip(lines) {
                    row.copy_from_slice(&line[skip..skip + count]);
                }
                finish(rows);
            }
        }
    }
}

/// Rows of cells that are read together: few, so that what is made of them is in the cache.
const READ: usize = 8;

/// Reads a tile's mosaic, some rows at a time.
struct Fetch<'a> {
    filling: &'a Filling<'a>,
    from_column: usize,
    width: usize,
    /// Rows of cells more at both sides.
    around: usize,
    /// Rows of cells that are read together.
    many: usize,
    /// The row after those that were fetched last.
    next: usize,
    light: Vec<f32>,
    /// Row by row its four sites of each cell, in four lines: what was read last and the rows around it.
    roots: Vec<f32>,
    smooth: Vec<f32>,
    line: Vec<f32>,
}

impl<'a> Fetch<'a> {
    fn new(filling: &'a Filling<'a>, from_column: usize, width: usize) -> Self {
        let around = if filling.noise.is_none() { SMOOTH } else { 0 };
        // Straightening fringes looks at rows above and below.
        let many = if filling.sites.plain() { READ } else { FETCHED };
        Self {
            filling,
            from_column,
            width,
            around,
            many,
            next: usize::MAX,
            light: vec![0.0; 4 * width * many],
            roots: vec![0.0; 4 * width * (many + 2 * around)],
            smooth: vec![0.0; width],
            line: vec![0.0; width],
        }
    }

    /// Reads `count` rows of cells from `y` on, in place of the roots from the row `to` of theirs on. Rows
    /// before the frame's margin serve nobody, but are there.
    fn read(&mut self, y: isize, count: usize, to: usize) {
        let (filling, width) = (self.filling, self.width);
        let top = filling.site(0, 0) + 2 * y;
        let left = filling.site(self.from_column, 1);
        let light = &mut self.light[..4 * width * count];
        filling.sites.tile([top, left], 2 * width, light);
        let roots = &mut self.roots[4 * width * to..][..light.len()];
        bands::vectorised(
            #[inline(always)]
            || part(light, filling.lift, width, roots),
        );
    }

    /// Fetches [`FETCHED`] rows of cells from `y` on: what the net sees of them and, where it sees
    /// something else, the mosaic.
    fn rows(&mut self, y: usize, seen: &mut Planes, mut mosaic: Option<&mut Planes>) {
        let (around, many, row) = (self.around, self.many, 4 * self.width);
        if self.next != y {
            self.read(y as isize - around as isize, 2 * around, 0);
        }
        for first in (y..y + FETCHED).step_by(many) {
            self.read((first + around) as isize, many, 2 * around);
            let Self {
                width,
                roots,
                smooth,
                line,
                ..
            } = self;
            for k in 0..many {
                let near = &roots[row * k..][..row * (2 * around + 1)];
                let here = &near[row * around..][..row];
                let Some(mosaic) = &mut mosaic else {
                    let [seen] = seen.group_mut::<1>(first + k);
                    spread(here, *width, seen);
                    continue;
                };
                let [mosaic] = mosaic.group_mut::<1>(first + k);
                spread(here, *width, mosaic);
                let [seen] = seen.group_mut::<1>(first + k);
                bands::vectorised(
                    #[inline(always)]
                    || unlike(near, *width, smooth, line, seen),
                );
            }
            // The rows around the next ones.
            roots.copy_within(row * many.., 0);
        }
        self.next = y + FETCHED;
        for planes in std::iter::once(seen).chain(mosaic) {
            planes.link(y, FETCHED);
        }
    }
}

/// Parts a mosaic's light into roots, four lines for each row of cells.
#[inline(always)]
fn part(light: &[f32], lift: f32, width: usize, roots: &mut [f32]) {
    for (light, roots) in light
        .chunks_exact(2 * width)
        .zip(roots.chunks_exact_mut(2 * width))
    {
        let (left, right) = roots.split_at_mut(width);
        for ((pair, left), right) in light.as_chunks::<2>().0.iter().zip(left).zip(right) {
            *left = root(pair[0] + lift);
            *right = root(pair[1] + lift);
        }
    }
}

/// Puts a row of cells into pieces.
fn spread(lines: &[f32], width: usize, row: &mut [Piece]) {
    bands::vectorised(
        #[inline(always)]
        || {
            for (channel, line) in lines.chunks_exact(width).enumerate() {
                halve(line, channel, row);
            }
        },
    );
}

/// Parts a line of a channel, of four, into even and odd columns.
#[inline(always)]
fn halve(line: &[f32], channel: usize, row: &mut [Piece]) {
    for (line, pieces) in line.chunks(2 * PIECE).zip(row.as_chunks_mut::<4>().0) {
        let (even, odd) = pieces[channel].0.split_at_mut(ODD);
        let halves = even[EVEN..][..PIECE].iter_mut().zip(odd);
        for ((even, odd), pair) in halves.zip(line.as_chunks::<2>().0) {
            [*even, *odd] = *pair;
        }
    }
}

/// What a row of cells differs from the smooth red, green and blue around it (1 4 6 4 1 cells each way), so
/// that even colour stays even to the bit. `near` holds it and [`SMOOTH`] rows above and below.
#[inline(always)]
fn unlike(near: &[f32], width: usize, smooth: &mut [f32], line: &mut [f32], row: &mut [Piece]) {
    let five = |v: [f32; 5]| 0.0625 * (v[0] + v[4]) + 0.25 * (v[1] + v[3]) + 0.375 * v[2];
    let of = |plane: usize| {
        let mut rows: [&[f32]; 5] = [&[]; 5];
        for (k, row) in rows.iter_mut().enumerate() {
            *row = &near[(4 * k + plane) * width..][..width];
        }
        rows
    };
    // Two planes are green.
    for (first, second) in [(0, 0), (1, 2), (3, 3)] {
        let (a, b) = (of(first), of(second));
        let smooth = &mut smooth[..width];
        for x in 0..width {
            let mut means = [0.0; 5];
            for (mean, (a, b)) in means.iter_mut().zip(a.iter().zip(&b)) {
                *mean = 0.5 * (a[x] + b[x]);
            }
            smooth[x] = five(means);
        }
        for plane in [first, second] {
            let inner = line[SMOOTH..].iter_mut().zip(&of(plane)[2][SMOOTH..]);
            for ((out, v), near) in inner.zip(smooth.windows(5)) {
                *out = v - five([near[0], near[1], near[2], near[3], near[4]]);
            }
            halve(line, plane, row);
        }
    }
}

/// Sites along a piece.
const SITES: usize = 4 * PIECE;

/// The twelve values of a cell, as the nets order them: red, green and blue of its four sites, left to
/// right, top to bottom.
const VALUES: [[usize; 3]; 4] = [[8, 0, 1], [2, 9, 3], [4, 10, 5], [6, 7, 11]];

/// Each of the twelve values for [`PIECE`] cells, every second of a row.
type Cells = [[f32; PIECE]; 12];

/// Two rows of sites, red, green and blue of each.
struct Lines {
    colours: [[Vec<f32>; 3]; 2],
}

impl Lines {
    fn new(pieces: usize) -> Self {
        let line = |_| vec![0.0; pieces * SITES];
        Self {
            colours: std::array::from_fn(|_| std::array::from_fn(line)),
        }
    }

    /// The two rows of a row of cells at a piece, with noise taken off, from three rows of the mosaic and of what a net found: the
    /// mean of the nearest sites of a colour, and what was found. Of what was taken off, the parts
    /// `back`, of light and of colours, are put back.
    #[inline(always)]
    fn fill(
        &mut self,
        piece: usize,
        mosaic: [&[Piece]; 3],
        found: [&[Piece]; 3],
        channels: usize,
        back: [f32; 2],
    ) {
        let mosaic = mosaic.map(|row| &row[4 * piece..][..4]);
        let found = found.map(|row| &row[channels * piece..][..channels]);
        let mut both = [[[0.0; PIECE]; 12]; 2];
        for (cells, first) in both.iter_mut().zip([EVEN, ODD]) {
            near(mosaic, first, cells);
            for (values, found) in cells.iter_mut().zip(found[1]) {
                for (value, found) in values.iter_mut().zip(found.columns(first)) {
                    *value += found;
                }
            }
            if back != [0.0; 2] {
                let mut taken = [[0.0; PIECE]; 12];
                near(found.map(|row| &row[8..]), first, &mut taken);
                put_back(cells, &taken, back);
            }
        }
        self.put(piece, &both);
    }

    /// Puts the values of a piece's cells, of even and odd columns, where they belong.
    #[inline(always)]
    fn put(&mut self, piece: usize, [even, odd]: &[Cells; 2]) {
        for (row, lines) in self.colours.iter_mut().enumerate() {
            for (colour, line) in lines.iter_mut().enumerate() {
                let [left, right] = [0, 1].map(|k| VALUES[2 * row + k][colour]);
                let line = line[piece * SITES..][..SITES].as_chunks_mut::<4>().0;
                for (x, four) in line.iter_mut().enumerate() {
                    *four = [even[left][x], even[right][x], odd[left][x], odd[right][x]];
                }
            }
        }
    }
}

/// Means of the nearest sites of a colour, from three rows of the four planes of a mosaic.
#[inline(always)]
fn near([above, here, below]: [&[Piece]; 3], first: usize, cells: &mut Cells) {
    let (before, after) = if first == EVEN {
        (ODD - 1, ODD)
    } else {
        (EVEN, EVEN + 1)
    };
    let [r, g, k, b] = [0, 1, 2, 3].map(|plane| here[plane].columns(first));
    let [r_right, k_right] = [0, 2].map(|plane| here[plane].columns(after));
    let [g_left, b_left] = [1, 3].map(|plane| here[plane].columns(before));
    let [k_above, b_above] = [2, 3].map(|plane| above[plane].columns(first));
    let [r_below, g_below] = [0, 1].map(|plane| below[plane].columns(first));
    let corner_above = above[3].columns(before);
    let corner_below = below[0].columns(after);
    [cells[8], cells[9], cells[10], cells[11]] = [*r, *g, *k, *b];
    for x in 0..PIECE {
        cells[0][x] = 0.25 * ((g[x] + g_left[x]) + (k[x] + k_above[x]));
        cells[7][x] = 0.25 * ((g[x] + g_below[x]) + (k[x] + k_right[x]));
    }
    for x in 0..PIECE {
        cells[2][x] = 0.5 * (r[x] + r_right[x]);
        cells[4][x] = 0.5 * (r[x] + r_below[x]);
        cells[6][x] = 0.25 * ((r[x] + r_right[x]) + (r_below[x] + corner_below[x]));
    }
    for x in 0..PIECE {
        cells[3][x] = 0.5 * (b[x] + b_above[x]);
        cells[5][x] = 0.5 * (b[x] + b_left[x]);
        cells[1][x] = 0.25 * ((b[x] + b_left[x]) + (b_above[x] + corner_above[x]));
    }
}

/// Puts back a part of what was taken off, in light and in colours.
#[inline(always)]
fn put_back(cells: &mut Cells, taken: &Cells, [light, colour]: [f32; 2]) {
    for [red, green, blue] in VALUES {
        for x in 0..PIECE {
            let [r, g, b] = [taken[red][x], taken[green][x], taken[blue][x]];
            let even = (r + g + b) * (1.0 / 3.0);
            let back = |v: f32| colour * (v - even) + light * even;
            // What a net adds to a site is the noise, below zero.
            cells[red][x] -= back(r);
            cells[green][x] -= back(g);
            cells[blue][x] -= back(b);
        }
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array3;

    use super::*;
    use crate::raw::{Pattern, SensorFrame};

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
        let frame = SensorFrame::from_light(mosaic, Pattern::RGGB);
        let sites = Sites::new(&frame, [1.0; 3]).expect("a sound frame");
        let mut planes = std::array::from_fn(|_| Array2::zeros((height, width)));
        fill_in(&sites, [0, 0], 0.0, None, &mut planes, |_| {});
        for ((y, x, c), &expected) in expected.indexed_iter() {
            let found = planes[c][[y, x]].powi(2);
            assert!(
                (found - expected).abs() < 1e-4,
                "row {y}, column {x}, colour {c}: {found} instead of {expected}"
            );
        }
    }

    /// Tiles one below and one beside the other.
    #[test]
    fn tiles_and_windows_give_the_pixels_of_the_whole() {
        let noise = Noise {
            deviation: [0.02, 0.01, 0.015],
            shares: [0.5, 0.8],
        };
        for (height, width) in [(1005, 90), (45, 1309)] {
            let light = |(y, x): (usize, usize)| {
                let wave = ((x * x / 31 + y * 3) % 97) as f32 / 97.0;
                0.05 + 0.5 * wave + ((y * 7919 + x * 104_729) % 641) as f32 / 3205.0
            };
            let frame = SensorFrame::from_light(
                Array2::from_shape_fn((height, width), light),
                Pattern::RGGB,
            );
            let sites = Sites::new(&frame, [1.0; 3]).expect("a sound frame");
            for noise in [None, Some(noise)] {
                let filled = |[top, left]: [usize; 2], size: (usize, usize), tile| {
                    let mut planes = std::array::from_fn(|_| Array2::zeros(size));
                    let origin = [top as isize, left as isize];
                    fill_tiles(&sites, origin, 0.01, noise, &mut planes, |_| {}, tile);
                    planes
                };
                let whole = filled([0, 0], (height, width), [height, width]);
                let [top, left] = [height * 3 / 7, width * 3 / 7];
                let part = filled([top, left], (height / 3, width / 3), [163, 211]);
                for (part, whole) in part.iter().zip(&whole) {
                    for ((y, x), v) in part.indexed_iter() {
                        let expected = whole[[top + y, left + x]];
                        assert_eq!(v.to_bits(), expected.to_bits(), "row {y}, column {x}");
                    }
                }
            }
        }
    }

    #[test]
    fn every_thread_has_a_tile_where_there_is_room() {
        assert_eq!(tile((5464, 8192), 1), [5464, 2048]);
        assert_eq!(tile((5464, 8192), 2), [5464, 2048]);
        assert_eq!(tile((2000, 1600), 2), [2000, 800]);
        assert_eq!(tile((4000, 700), 2), [1334, 700]);
        assert_eq!(tile((9, 5), 8), [9, 5]);
    }

    /// First 1 and a block 2; at half density 1, two blocks 3; at quarter density 2, the blocks 4 (6 with
    /// noise), as 8 (12) and a block 9 (13), as 18 (26); a block 19 (27), the last 20 (28), and
    /// one more where a cell is the last of a coarser one.
    #[test]
    fn tiles_have_what_the_nets_see_around_them() {
        // So many cells more are made at each side, of what is a little unlike its surroundings.
        for (net, least, more) in [(&CLEAN, 20, tied::REACH), (&NOISY, 28, 1)] {
            let most = MARGIN - more - SMOOTH;
            assert!((least..=most).contains(&net.reach), "{}", net.reach);
            assert!(MARGIN.is_multiple_of(net.aligned()));
        }
    }
}
