//! Dead and hot pixels of a 2 x 2 mosaic.
//!
//! A lens spreads the smallest light over neighbouring sites, whatever their colour; a defect is one
//! site alone. So a site is defective that sticks out from its eight nearest like sites by many times
//! the frame's own noise and by more than they differ among themselves, while the four sites
//! beside it, which have other colours, do not share it. Hairs go on in their like, catch-lights
//! and glints spread to the sites beside them. A place that stuck out in the set's empty frame too
//! is sure, and needs less (evidence from several frames: J. Leung, G. H. Chapman, I. Koren,
//! Z. Koren, "Statistical identification and analysis of defect development in digital imagers",
//! Proc. SPIE 7250, 2009).
//!
//! It gets the mean of the two opposite like sites that differ least, so edges go on through it.

use serde::{Deserialize, Serialize};

use super::super::{Error, balanced, noise_of, sites::Sites, usable_balance};
use crate::picture::bands;
use crate::raw::{Pattern, SensorFrame};

/// A defective site of the active area.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Defect {
    /// Row.
    pub row: usize,
    /// Column.
    pub column: usize,
    /// Brighter than it should be, or darker.
    pub hot: bool,
    /// The light it gets instead: 0 black, 1 white, before gains.
    pub light: f32,
}

/// Deviations of noise by which a defect exceeds the outermost of its like. Gaussian noise exceeds
/// that of eight by six in one site of a thousand million; twice as much leaves room to tell that the sites
/// beside do not share it.
const SURE: f32 = 12.0;

/// The same where the set's empty frame has a defect at that place.
const KNOWN: f32 = 4.0;

/// Beside how far the like sites differ among themselves.
const SPREAD: f32 = 0.5;

/// Share of the excess that the sites beside may have. A spot of light of 0.5 sites (standard
/// deviation), sharper than lenses draw, puts 0.14 of its peak there and one of 0.75 puts 0.41, so that
/// even coloured glints, which the sites beside see weaker, stay.
const SHARED: f32 = 0.06;

/// Share of sites beyond which what was found is texture, not defects: makers sort out sensors with
/// far less. Common practice, no source.
const MOST: f64 = 1.0e-3;

/// Sites read around one.
const REACH: usize = 3;

/// Rows that one thread searches at a time.
const BAND: usize = 64;

/// Like sites in opposite pairs: of red and blue, and of green.
const LIKE: [[[isize; 2]; 8]; 2] = [
    [
        [0, -2],
        [0, 2],
        [-2, 0],
        [2, 0],
        [-2, -2],
        [2, 2],
        [-2, 2],
        [2, -2],
    ],
    [
        [0, -2],
        [0, 2],
        [-2, 0],
        [2, 0],
        [-1, -1],
        [1, 1],
        [-1, 1],
        [1, -1],
    ],
];

/// Finds the defects of a frame; `known` are those of the set's empty frame. Of other sensors than
/// those with 2 x 2 filters, and of frames whose noise cannot be told, none.
///
/// # Errors
/// When the frame's levels make no sense.
pub fn find(frame: &SensorFrame, known: &[Defect]) -> Result<Vec<Defect>, Error> {
    let Pattern::Bayer(_) = frame.pattern else {
        return Ok(Vec::new());
    };
    match noise_of(frame, true)? {
        Some(noise) => find_above(frame, noise, known),
        None => Ok(Vec::new()),
    }
}

/// The same, above noise that was looked for before ([`noise_of`]).
///
/// # Errors
/// As [`find`].
pub fn find_above(
    frame: &SensorFrame,
    noise: [[f32; 2]; 3],
    known: &[Defect],
) -> Result<Vec<Defect>, Error> {
    let Pattern::Bayer(_) = frame.pattern else {
        return Ok(Vec::new());
    };
    // Balanced, so that white light is alike in all colours.
    let gains = usable_balance(frame).unwrap_or([1.0; 3]);
    let search = Search {
        sites: Sites::new(frame, gains)?,
        gains,
        noise: balanced(noise, gains),
        known,
    };
    let firsts: Vec<usize> = (0..search.sites.height).step_by(BAND).collect();
    let found = bands::gathered(&firsts, Vec::new, |tile, first| search.band(tile, first));
    let found = found.concat();
    let sites = (search.sites.width * search.sites.height) as f64;
    Ok(if found.len() as f64 > MOST * sites {
        Vec::new()
    } else {
        found
    })
}

struct Search<'a> {
    sites: Sites<'a>,
    gains: [f32; 3],
    /// On the balanced scale.
    noise: [[f32; 2]; 3],
    known: &'a [Defect],
}

impl Search<'_> {
    /// The defects of some rows, in order.
    fn band(&self, tile: &mut Vec<f32>, first: usize) -> Vec<Defect> {
        let (width, height) = (self.sites.width, self.sites.height);
        let wide = width + 2 * REACH;
        let end = (first + BAND).min(height);
        tile.resize((end - first + 2 * REACH) * wide, 0.0);
        for (i, row) in tile.chunks_exact_mut(wide).enumerate() {
            let y = (first + i) as isize - REACH as isize;
            self.sites.row(y, -(REACH as isize), row);
        }
        let around = Around { tile, wide };
        let mut hits = vec![false; width];
        let mut found = Vec::new();
        let known_from = self.known.partition_point(|defect| defect.row < first);
        let mut known = self.known[known_from..].iter().peekable();
        for y in first..end {
            let inside = y - first + REACH;
            let lines = [0, 1].map(|x| self.noise[self.sites.colour(y, x)]);
            bands::vectorised(
                #[inline(always)]
                || stick_out(around, inside, lines, &mut hits),
            );
            while let Some(defect) = known.next_if(|defect| defect.row == y) {
                if let Some(hit) = hits.get_mut(defect.column) {
                    *hit = true;
                }
            }
            let columns = hits.iter().enumerate().filter(|(_, hit)| **hit);
            for (x, _) in columns {
                let at = self
                    .known
                    .binary_search_by_key(&(y, x), |d| (d.row, d.column));
                let known = at.ok().map(|at| self.known[at].hot);
                found.extend(self.defect(around, (y, inside), x, known));
            }
        }
        found
    }

    /// Whether a site is defective, and what it gets; `known`: whether it was hot in the empty frame.
    fn defect(
        &self,
        around: Around<'_>,
        (y, inside): (usize, usize),
        x: usize,
        known: Option<bool>,
    ) -> Option<Defect> {
        let at = |[dy, dx]: [isize; 2]| around.at(inside, x, dy, dx);
        let colour = self.sites.colour(y, x);
        let light = at([0, 0]);
        let like = LIKE[usize::from(colour == 1)].map(at);
        let mut sorted = like;
        sorted.sort_by(f32::total_cmp);
        let (low, high) = (sorted[0], sorted[7]);
        let middle = 0.5 * (sorted[3] + sorted[4]);
        let hot = light > middle;
        let [a, b] = self.noise[colour];
        let straight = &like[..4];
        let (excess, level) = if hot {
            (
                light - high,
                straight.iter().copied().fold(f32::MIN, f32::max),
            )
        } else {
            (
                low - light,
                straight.iter().copied().fold(f32::MAX, f32::min),
            )
        };
        let deviation = (a * level.max(0.0) + b).sqrt();
        let full = (light - middle).abs();
        let sure = known == Some(hot) && excess > KNOWN * deviation;
        let alone = excess > SURE * deviation
            && excess > SPREAD * (high - low)
            && self.shared(&at, hot) < SHARED * full;
        if !sure && !alone {
            return None;
        }
        let pairs = like.chunks_exact(2);
        let best = pairs.min_by(|one, other| {
            let apart = |pair: &[f32]| (pair[0] - pair[1]).abs();
            apart(one).total_cmp(&apart(other))
        })?;
        Some(Defect {
            row: y,
            column: x,
            hot,
            light: 0.5 * (best[0] + best[1]) / self.gains[colour],
        })
    }

    /// How far the four sites beside stick out the same way, each from its own like further off: the
    /// mean of the middle two, so that a second defect beside hides none.
    fn shared(&self, at: &impl Fn([isize; 2]) -> f32, hot: bool) -> f32 {
        let mut shares = [[0, 1], [0, -1], [1, 0], [-1, 0]].map(|[dy, dx]: [isize; 2]| {
            let mut off = [
                at([3 * dy, 3 * dx]),
                at([dy + 2 * dx, dx + 2 * dy]),
                at([dy - 2 * dx, dx - 2 * dy]),
            ];
            off.sort_by(f32::total_cmp);
            let share = at([dy, dx]) - off[1];
            if hot { share } else { -share }
        });
        shares.sort_by(f32::total_cmp);
        0.5 * (shares[1] + shares[2])
    }
}

/// Light of a band of rows with a margin.
#[derive(Clone, Copy)]
struct Around<'a> {
    tile: &'a [f32],
    wide: usize,
}

impl Around<'_> {
    fn at(self, inside: usize, x: usize, dy: isize, dx: isize) -> f32 {
        let (y, x) = (inside as isize + dy, (x + REACH) as isize + dx);
        self.tile[y as usize * self.wide + x as usize]
    }
}

/// Marks sites that stick out from the four like sites in their row and column.
#[inline(always)]
fn stick_out(around: Around<'_>, inside: usize, lines: [[f32; 2]; 2], hits: &mut [bool]) {
    let Around { tile, wide } = around;
    let width = hits.len();
    let row = |dy: usize, dx: usize| &tile[(inside + dy - 2) * wide + REACH + dx - 2..][..width];
    let (now, left, right) = (row(2, 2), row(2, 0), row(2, 4));
    let (up, down) = (row(0, 2), row(4, 2));
    let [[a0, b0], [a1, b1]] = lines;
    for x in 0..width {
        let (a, b) = if x % 2 == 0 { (a0, b0) } else { (a1, b1) };
        let high = left[x].max(right[x]).max(up[x].max(down[x]));
        let low = left[x].min(right[x]).min(up[x].min(down[x]));
        let above = now[x] - high > SURE * (a * high.max(0.0) + b).sqrt();
        let below = low - now[x] > SURE * (a * low.max(0.0) + b).sqrt();
        hits[x] = above | below;
    }
}
