//! Where the sitter ends, decided over an area instead of pixel by pixel.
//!
//! Minimises sum w (u - d)^2 + sum g_ij (u_i - u_j)^2 over the half-size picture: the random
//! walker with priors of Grady (CVPR 2005, equations 4 and 9). The data d, w are the nets' rough
//! map and what colour surely tells; g is high where neighbours look alike and low across an
//! edge. A white blouse before a white wall, black hair before black cloth: there colour says
//! nothing, and the contour settles on the faint edge that is there, or where the nets think.
//! Solved by successive over-relaxation (Young, *Iterative Solution of Large Linear Systems*, 1971)
//! on half of each side first, then on it, pixels taken as on a chessboard: first all of one
//! colour, then all of the other, so that threads and vector units share them out freely.

use ndarray::Array2;

use super::crop::halve;
use super::plane::resized;
use crate::picture::bands;

/// Over-relaxation; 1.6 to 1.8 needed the fewest rounds here.
const RELAX: f32 = 1.7;

/// Rounds at each size. On four rendered sitters the values then are within 0.003 of where
/// 1,500 rounds lead.
const ROUNDS: usize = 16;

/// Conductance that even the strongest edge keeps, so that every pixel hears its neighbours.
const LEAK: f32 = 0.004;

/// What the walk starts from.
pub(super) struct Field {
    /// Wanted value per pixel, 0 to 1.
    pub(super) wanted: Array2<f32>,
    /// How firmly, 0 not at all.
    pub(super) weight: Array2<f32>,
    /// Conductance to the right neighbour.
    pub(super) right: Array2<f32>,
    /// Conductance to the neighbour below.
    pub(super) below: Array2<f32>,
}

/// Conductances to the right and lower neighbours, by how far their colours (in units of noise)
/// are apart.
pub(super) fn conductance(colour: &[Array2<f32>; 3]) -> (Array2<f32>, Array2<f32>) {
    let (h, w) = colour[0].dim();
    let line = |c: usize, y: usize| colour[c].row(y).to_slice().expect("planes are contiguous");
    let (mut right, mut below) = (Array2::<f32>::zeros((h, w)), Array2::<f32>::zeros((h, w)));
    let planes = [&mut right, &mut below].map(|plane| plane.as_slice_mut().expect("just made"));
    bands::each_piece_of_all(planes, w, |y, rows| {
        let [right, below] = rows else { return };
        let end = w - 1;
        for c in 0..3 {
            let row = line(c, y);
            add_squares(&mut right[..end], &row[..end], &row[1..]);
            if y + 1 < h {
                add_squares(below, row, line(c, y + 1));
            }
        }
        conduct(&mut right[..end]);
        if y + 1 < h {
            conduct(below);
        }
    });
    (right, below)
}

/// Adds (a - b)^2.
fn add_squares(sums: &mut [f32], a: &[f32], b: &[f32]) {
    bands::vectorised(
        #[inline(always)]
        move || {
            for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
                let d = a - b;
                *sum += d * d;
            }
        },
    );
}

/// Squared differences to conductances: a half at 2.5 units, a fiftieth at 17.
fn conduct(squares: &mut [f32]) {
    bands::vectorised(
        #[inline(always)]
        move || {
            for d in squares {
                *d = 1.0 / (1.0 + *d / 6.0) + LEAK;
            }
        },
    );
}

impl Field {
    /// The settled values.
    pub(super) fn settle(&self) -> Array2<f32> {
        let dim = self.wanted.dim();
        let mut start = self.wanted.clone();
        if dim.0.min(dim.1) >= 64 {
            let strength = halve(self.weight.view());
            let pull = halve((&self.weight * &self.wanted).view());
            let coarse = Field {
                wanted: &pull / &strength.mapv(|w| w.max(1e-9)),
                // Four pixels stand behind one coarse pixel.
                weight: strength.mapv(|w| 4.0 * w),
                right: halve(self.right.view()),
                below: halve(self.below.view()),
            };
            start = resized(coarse.settle().view(), dim, 0.5);
        }
        self.relax(&mut start, ROUNDS);
        start
    }

    fn relax(&self, values: &mut Array2<f32>, rounds: usize) {
        let (h, w) = values.dim();
        let mut colours = [0, 1].map(|colour| Half::new(self, values, colour));
        for _ in 0..rounds {
            let [red, black] = &mut colours;
            red.relax(black);
            black.relax(red);
        }
        for y in 0..h {
            for x in 0..w {
                values[[y, x]] = colours[(y + x) % 2].row(y)[1 + x / 2];
            }
        }
    }
}

/// Every second pixel of a field, as on a chessboard: its neighbours all belong to the other half.
struct Half {
    /// 0 where pixels with an even sum of row and column are held.
    colour: usize,
    /// Pixels held in a row, at most.
    columns: usize,
    /// Their values row by row, with an unused one before and after each row.
    values: Vec<f32>,
    /// Row by row: what pulls a pixel, and its shares of the neighbours left, right, above, below.
    pull: Vec<f32>,
    shares: [Vec<f32>; 4],
}

impl Half {
    fn new(field: &Field, start: &Array2<f32>, colour: usize) -> Self {
        let (h, w) = start.dim();
        let columns = w.div_ceil(2);
        let zeros = || vec![0.0_f32; h * columns];
        let mut half = Self {
            colour,
            columns,
            values: vec![0.0; h * (columns + 2)],
            pull: zeros(),
            shares: [zeros(), zeros(), zeros(), zeros()],
        };
        let [left, right, above, below] = &mut half.shares;
        let planes = [&mut half.pull, left, right, above, below];
        let planes = planes.into_iter().map(|plane| &mut plane[..]);
        bands::each_piece_of_all(planes, columns, |y, rows| {
            let [pull, left, right, above, below] = rows else {
                return;
            };
            let first = (y + colour) % 2;
            for (i, x) in (first..w).step_by(2).enumerate() {
                let own = field.weight[[y, x]];
                let share = |there: bool, plane: &Array2<f32>, at: [usize; 2]| {
                    if there { plane[at] } else { 0.0 }
                };
                let l = share(x > 0, &field.right, [y, x.max(1) - 1]);
                let r = share(x + 1 < w, &field.right, [y, x]);
                let a = share(y > 0, &field.below, [y.max(1) - 1, x]);
                let b = share(y + 1 < h, &field.below, [y, x]);
                let over = 1.0 / (own + l + r + a + b).max(1e-9);
                pull[i] = own * field.wanted[[y, x]] * over;
                (left[i], right[i]) = (l * over, r * over);
                (above[i], below[i]) = (a * over, b * over);
            }
        });
        for (y, row) in half.values.chunks_exact_mut(columns + 2).enumerate() {
            let from = start.row(y);
            let from = from.iter().skip((y + colour) % 2).step_by(2);
            row[1..].iter_mut().zip(from).for_each(|(to, v)| *to = *v);
        }
        half
    }

    fn row(&self, y: usize) -> &[f32] {
        &self.values[y * (self.columns + 2)..][..self.columns + 2]
    }

    /// Moves every pixel to the mean of its pull and its neighbours, and beyond.
    fn relax(&mut self, other: &Self) {
        let (columns, colour) = (self.columns, self.colour);
        let (pull, shares) = (&self.pull, &self.shares);
        let last = self.values.len() / (columns + 2) - 1;
        bands::each_piece(&mut self.values, columns + 2, |y, row| {
            let row = &mut row[1..=columns];
            let here = y * columns..(y + 1) * columns;
            let pull = &pull[here.clone()];
            let [left, right, above, below] = shares.each_ref().map(|s| &s[here.clone()]);
            // Where the other half's row stands relative to this one's.
            let first = (y + colour) % 2;
            let beside = other.row(y);
            let (before, after) = (&beside[first..][..columns], &beside[first + 1..][..columns]);
            let upper = &other.row(y.max(1) - 1)[1..=columns];
            let lower = &other.row((y + 1).min(last))[1..=columns];
            bands::vectorised(
                #[inline(always)]
                move || {
                    for (i, v) in row.iter_mut().enumerate() {
                        let new = pull[i]
                            + left[i] * before[i]
                            + right[i] * after[i]
                            + above[i] * upper[i]
                            + below[i] * lower[i];
                        *v = (*v + RELAX * (new - *v)).max(0.0).min(1.0);
                    }
                },
            );
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Firm ends and even conductances: the harmonic function of a line is a straight line
    /// (Doyle and Snell, *Random Walks and Electric Networks*, section 1.1).
    #[test]
    fn between_two_firm_ends_values_rise_evenly() {
        let (h, w) = (5, 12);
        let ends = |x: usize| x == 0 || x + 1 == w;
        let field = Field {
            wanted: Array2::from_shape_fn((h, w), |(_, x)| f32::from(u8::from(x + 1 == w))),
            weight: Array2::from_shape_fn((h, w), |(_, x)| if ends(x) { 1e6 } else { 0.0 }),
            right: Array2::from_elem((h, w), 1.0),
            below: Array2::from_elem((h, w), 1.0),
        };
        let mut values = field.wanted.clone();
        field.relax(&mut values, 200);
        for ((_, x), value) in values.indexed_iter() {
            assert!((value - x as f32 / (w - 1) as f32).abs() < 1e-4);
        }
    }

    /// The rounds that are spent lead close to where many more would.
    #[test]
    fn the_rounds_spent_are_enough() {
        let (h, w) = (150, 131);
        // A soft disc with a doubtful rim, in front of edges of all strengths.
        let away = |y: usize, x: usize| {
            let (y, x) = (y as f32 - 70.0, x as f32 - 60.0);
            (y * y + x * x).sqrt() - 45.0
        };
        let colour: [Array2<f32>; 3] = std::array::from_fn(|c| {
            Array2::from_shape_fn((h, w), |(y, x)| {
                (away(y, x) + c as f32).max(-6.0).min(6.0) + ((7 * x + 3 * y) % 5) as f32
            })
        });
        let (right, below) = conductance(&colour);
        let field = Field {
            wanted: Array2::from_shape_fn((h, w), |(y, x)| {
                (0.5 - 0.05 * away(y, x)).max(0.0).min(1.0)
            }),
            weight: Array2::from_shape_fn((h, w), |(y, x)| {
                if away(y, x).abs() > 15.0 { 10.0 } else { 0.01 }
            }),
            right,
            below,
        };
        let settled = field.settle();
        let mut long = settled.clone();
        field.relax(&mut long, 1500);
        let apart = (&settled - &long).mapv(f32::abs);
        let most = apart.iter().fold(0.0_f32, |a, b| a.max(*b));
        assert!(most < 0.01, "{most}");
    }
}
