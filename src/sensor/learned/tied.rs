//! Ties red and blue to the green that a net found.
//!
//! Around each red site red is near a straight line of green, whose slope is read off the red sites and
//! the green found there: a guided filter with what is left over filled in (D. Kiku, Y. Monno, M. Tanaka, M.
//! Okutomi, "Residual interpolation for color image demosaicking", ICIP 2013; K. He, J. Sun, X. Tang,
//! "Guided image filtering", IEEE TPAMI 35, 2013). Blue likewise. Windows weigh 1 2 1 each way, and where
//! green says little the slope goes to 1, as between colours of grey. With slope a, what fills in is the
//! rest, red - a green, so red = mean of a * green + mean of rests; [`SHARE`] of that and the rest of what the
//! net found is taken.
//!
//! A net's red errs by itself, this one where hues end. The net learned with half of each, so that what it finds
//! is what the line lacks; against the net trained and used alone it brings about half a decibel on hair (the
//! demosaicing protocol of `src/sensor/models/README.md`).
//!
//! Rows are worked on as they come, each step a row behind the one before it.

use std::ops::Range;

use super::planes::{EVEN, ODD, PIECE, Piece, Planes};
use super::{Cells, Lines, near};
use crate::picture::bands;

/// How many cells it looks to each side: for slopes, their means, and what is filled in.
pub(super) const REACH: usize = 3;

/// Variance of green that counts as much as what says that the slope is 1, as part of green squared: a
/// contrast of 2.5 %. Between a third of it and itself, protocol and drawn strands gain and lose
/// less than 0.01 dB.
const LEAST: f32 = 6.0e-4;

/// How much of a value is the line's. A little more than in training takes off a thirtieth of the
/// zipper effect, and 0.02 dB in the mean of the protocol.
const SHARE: f32 = 0.65;

/// Keeps black from being divided by.
const TINY: f32 = 1.0e-9;

/// What is known at a site: the measured colour's and the found green's place among a cell's values.
const KNOWN: [[usize; 2]; 2] = [[8, 0], [11, 7]];

/// A cell's red and blue values to be tied, with their green.
const TIED: [[usize; 2]; 6] = [[1, 0], [2, 9], [3, 9], [4, 10], [5, 10], [6, 7]];

/// Two linear guesses of eight values, a net's trust in the first and the second at four sites.
pub(super) const GUESSES: usize = 16;

/// Added to a net's trust in each of two guesses, so that none is no trouble.
const TRUST: f32 = 1.0e-4;

/// Rows on their way.
pub(super) struct Tied {
    /// The twelve values of a cell.
    values: Planes,
    /// Slopes of red and blue.
    fits: Planes,
    /// Mean slopes of red and blue, first and fourth as in a mosaic, and their rests in the same way.
    rests: Planes,
    pieces: Range<usize>,
}

impl Tied {
    /// For rows of so many columns, of which those of some pieces are worked on.
    pub(super) fn new(width: usize, pieces: Range<usize>) -> Self {
        Self {
            values: Planes::new(12, REACH + 1, width),
            fits: Planes::new(2, REACH + 1, width),
            rests: Planes::new(8, REACH + 1, width),
            pieces,
        }
    }

    /// Takes the next row of cells: three rows of the mosaic, what a net found and guessed for the
    /// middle one. Fills the lines of the cells [`REACH`] rows before.
    pub(super) fn next(
        &mut self,
        row: usize,
        mosaic: [&[Piece]; 3],
        found: &[Piece],
        guesses: &[Piece],
        lines: &mut Lines,
    ) {
        let pieces = self.pieces.clone();
        let [to] = self.values.group_mut::<1>(row);
        bands::vectorised(
            #[inline(always)]
            || {
                for piece in pieces.clone() {
                    let [a, b, c] = mosaic;
                    let at = 4 * piece;
                    let near = [&a[at..][..4], &b[at..][..4], &c[at..][..4]];
                    let found = &found[GUESSES * piece..][..GUESSES];
                    let guesses = &guesses[GUESSES * piece..][..GUESSES];
                    weigh(near, found, guesses, &mut to[12 * piece..][..12]);
                }
            },
        );
        self.values.link(row, 1);

        let values = [row - 2, row - 1, row].map(|y| self.values.row(y));
        let [to] = self.fits.group_mut::<1>(row - 1);
        bands::vectorised(
            #[inline(always)]
            || {
                for piece in pieces.clone() {
                    let [a, b, c] = values;
                    let at = 12 * piece;
                    let values = [&a[at..][..12], &b[at..][..12], &c[at..][..12]];
                    for (to, known) in to[2 * piece..][..2].iter_mut().zip(KNOWN) {
                        fit(values, known, to);
                    }
                }
            },
        );
        self.fits.link(row - 1, 1);

        let fits = [row - 3, row - 2, row - 1].map(|y| self.fits.row(y));
        let values = self.values.row(row - 2);
        let [to] = self.rests.group_mut::<1>(row - 2);
        bands::vectorised(
            #[inline(always)]
            || {
                for piece in pieces.clone() {
                    let [a, b, c] = fits;
                    let at = 2 * piece;
                    let fits = [&a[at..][..2], &b[at..][..2], &c[at..][..2]];
                    let values = &values[12 * piece..][..12];
                    rest(fits, values, &mut to[8 * piece..][..8]);
                }
            },
        );
        self.rests.link(row - 2, 1);

        let rests = [row - 4, row - 3, row - 2].map(|y| self.rests.row(y));
        let values = self.values.row(row - 3);
        bands::vectorised(
            #[inline(always)]
            || {
                for piece in pieces.clone() {
                    let [a, b, c] = rests;
                    let at = 8 * piece;
                    let rests = [&a[at..][..8], &b[at..][..8], &c[at..][..8]];
                    let cells = tie(rests, &values[12 * piece..][..12]);
                    lines.put(piece, &cells);
                }
            },
        );
    }
}

/// The values of cells: means of the nearest sites, what a net found, and its guesses as it trusts
/// them at each site.
#[inline(always)]
fn weigh(mosaic: [&[Piece]; 3], found: &[Piece], guesses: &[Piece], to: &mut [Piece]) {
    for first in [EVEN, ODD] {
        let mut cells = [[0.0; PIECE]; 12];
        near(mosaic, first, &mut cells);
        for site in 0..4 {
            let [one, other] = [8 + site, 12 + site].map(|k| found[k].columns(first));
            let mut share = [0.0; PIECE];
            for x in 0..PIECE {
                let (one, other) = (one[x].max(0.0) + TRUST, other[x].max(0.0) + TRUST);
                share[x] = one / (one + other);
            }
            for value in [2 * site, 2 * site + 1] {
                let found = found[value].columns(first);
                let [one, other] = [value, 8 + value].map(|k| guesses[k].columns(first));
                for x in 0..PIECE {
                    let guess = other[x] + share[x] * (one[x] - other[x]);
                    cells[value][x] += found[x] + guess;
                }
            }
        }
        for (to, values) in to.iter_mut().zip(&cells) {
            *to.columns_mut(first) = *values;
        }
    }
}

/// Weights 1 2 1.
#[inline(always)]
fn middle([a, b, c]: [f32; 3]) -> f32 {
    0.25 * (a + c) + 0.5 * b
}

/// The columns to the left of even and of odd ones, these, and those to the right.
const AROUND: [[usize; 3]; 2] = [[ODD - 1, EVEN, ODD], [EVEN, ODD, EVEN + 1]];

/// Slopes of a colour over green.
#[inline(always)]
fn fit(rows: [&[Piece]; 3], [colour, green]: [usize; 2], to: &mut Piece) {
    for around in AROUND {
        // Means of colour and green, of their product and of green squared.
        let mut down = [[[0.0; PIECE]; 3]; 4];
        for (k, first) in around.into_iter().enumerate() {
            let [a, b, c] = rows.map(|row| row[colour].columns(first));
            let [d, e, f] = rows.map(|row| row[green].columns(first));
            for x in 0..PIECE {
                down[0][k][x] = middle([a[x], b[x], c[x]]);
                down[1][k][x] = middle([d[x], e[x], f[x]]);
                down[2][k][x] = middle([a[x] * d[x], b[x] * e[x], c[x] * f[x]]);
                down[3][k][x] = middle([d[x] * d[x], e[x] * e[x], f[x] * f[x]]);
            }
        }
        let to = to.columns_mut(around[1]);
        for x in 0..PIECE {
            let mut means = [0.0; 4];
            for (mean, down) in means.iter_mut().zip(&down) {
                *mean = middle([down[0][x], down[1][x], down[2][x]]);
            }
            let [colour, green, both, squared] = means;
            let least = LEAST * (green * green) + TINY;
            to[x] = (both - colour * green + least) / (squared - green * green + least);
        }
    }
}

/// Mean slopes, and what measured colours are more than that much of green.
#[inline(always)]
fn rest(fits: [&[Piece]; 3], values: &[Piece], to: &mut [Piece]) {
    for (k, [colour, green]) in KNOWN.into_iter().enumerate() {
        for around in AROUND {
            let first = around[1];
            let mut slopes = [0.0; PIECE];
            let [l, m, r] = around;
            let [a, b, c] = fits.map(|row| &row[k]);
            let [al, am, ar] = [a.columns(l), a.columns(m), a.columns(r)];
            let [bl, bm, br] = [b.columns(l), b.columns(m), b.columns(r)];
            let [cl, cm, cr] = [c.columns(l), c.columns(m), c.columns(r)];
            for x in 0..PIECE {
                let left = middle([al[x], bl[x], cl[x]]);
                let right = middle([ar[x], br[x], cr[x]]);
                slopes[x] = middle([left, middle([am[x], bm[x], cm[x]]), right]);
            }
            let mut rests = [0.0; PIECE];
            let (colour, green) = (values[colour].columns(first), values[green].columns(first));
            for x in 0..PIECE {
                rests[x] = colour[x] - slopes[x] * green[x];
            }
            *to[3 * k].columns_mut(first) = slopes;
            *to[4 + 3 * k].columns_mut(first) = rests;
        }
    }
}

/// What stands there and what slopes and rests around say, mixed.
#[inline(always)]
fn tie(rests: [&[Piece]; 3], values: &[Piece]) -> [Cells; 2] {
    let mut both = [[[0.0; PIECE]; 12]; 2];
    for (cells, first) in both.iter_mut().zip([EVEN, ODD]) {
        for (cells, values) in cells.iter_mut().zip(values) {
            *cells = *values.columns(first);
        }
        let [mut slopes, mut more] = [[[0.0; PIECE]; 12]; 2];
        let [a, b, c] = rests;
        near([&a[..4], &b[..4], &c[..4]], first, &mut slopes);
        near([&a[4..], &b[4..], &c[4..]], first, &mut more);
        for [value, green] in TIED {
            let green = cells[green];
            for x in 0..PIECE {
                let line = slopes[value][x] * green[x] + more[value][x];
                cells[value][x] = (1.0 - SHARE) * cells[value][x] + SHARE * line;
            }
        }
    }
    both
}
