//! Where the sitter ends, decided over an area instead of pixel by pixel.
//!
//! Minimises sum w (u - d)^2 + sum g_ij (u_i - u_j)^2 over the half-size picture: the random
//! walker with priors of Grady (CVPR 2005, equations 4 and 9). The data d, w are the nets' rough
//! map and what colour surely tells; g is high where neighbours look alike and low across an
//! edge. A white blouse before a white wall, black hair before black cloth: there colour says
//! nothing, and the contour settles on the faint edge that is there, or where the nets think.
//! Solved by Gauss-Seidel with over-relaxation on a quarter of the size first, then on it.

use ndarray::Array2;

use super::crop::halve;
use super::plane::resized;

/// Over-relaxation; 1.6 to 1.8 needed the fewest rounds here.
const RELAX: f32 = 1.7;

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

/// Conductances between neighbours whose colours (in units of noise) differ.
pub(super) fn conductance(colour: &[Array2<f32>; 3]) -> (Array2<f32>, Array2<f32>) {
    let (h, w) = colour[0].dim();
    let between = |a: [usize; 2], b: [usize; 2]| {
        let d: f32 = colour.iter().map(|p| (p[a] - p[b]) * (p[a] - p[b])).sum();
        // Falls to a half at a difference of 2.5 units, to a fiftieth at 17.
        1.0 / (1.0 + d / 6.0) + LEAK
    };
    let right = Array2::from_shape_fn((h, w), |(y, x)| {
        if x + 1 < w {
            between([y, x], [y, x + 1])
        } else {
            0.0
        }
    });
    let below = Array2::from_shape_fn((h, w), |(y, x)| {
        if y + 1 < h {
            between([y, x], [y + 1, x])
        } else {
            0.0
        }
    });
    (right, below)
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
        self.relax(&mut start, 24);
        start
    }

    fn relax(&self, u: &mut Array2<f32>, rounds: usize) {
        let (h, w) = u.dim();
        for round in 0..rounds {
            // Alternating directions, so that news travels both ways.
            let down = round % 2 == 0;
            for i in 0..h {
                let y = if down { i } else { h - 1 - i };
                for j in 0..w {
                    let x = if down { j } else { w - 1 - j };
                    let at = [y, x];
                    let own = self.weight[at];
                    let mut sum = own * self.wanted[at];
                    let mut total = own;
                    if x > 0 {
                        let g = self.right[[y, x - 1]];
                        sum += g * u[[y, x - 1]];
                        total += g;
                    }
                    if x + 1 < w {
                        let g = self.right[at];
                        sum += g * u[[y, x + 1]];
                        total += g;
                    }
                    if y > 0 {
                        let g = self.below[[y - 1, x]];
                        sum += g * u[[y - 1, x]];
                        total += g;
                    }
                    if y + 1 < h {
                        let g = self.below[at];
                        sum += g * u[[y + 1, x]];
                        total += g;
                    }
                    let new = sum / total.max(1e-9);
                    u[at] = (u[at] + RELAX * (new - u[at])).max(0.0).min(1.0);
                }
            }
        }
    }
}
