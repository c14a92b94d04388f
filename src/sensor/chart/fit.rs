//! Fits a 3 x 3 matrix and the light's fall across the chart to the colours of its patches.
//!
//! Differences are weighted as CIE94 does (CIE 116-1995: chroma by 1 + 0.045 C, hue by
//! 1 + 0.015 C), which is smooth enough for Gauss and Newton's steps. The light may fall off
//! across the chart: its logarithm is a surface of first or second order in the chart's own
//! columns and rows ([`Light`]). Where two lights of different colour mix, each of the camera's
//! colours has a slope of its own. Which of these it is, patches tell that were left out of the fit.

use serde::{Deserialize, Serialize};

use super::reference::Matrix;
use crate::picture::matrix::{apply, solve};

/// One patch: what the camera saw, the reference in XYZ (D65, a white is Y = 1), its place.
#[derive(Debug, Clone, Copy)]
pub struct Patch {
    /// Camera colour, linear.
    pub seen: [f64; 3],
    /// Reference colour, CIE XYZ adapted to D65.
    pub wanted: [f64; 3],
    /// Column and row about the chart's middle, -1 to 1.
    pub at: [f64; 2],
    /// How much it counts, 0 (clipped) to 1.
    pub weight: f64,
}

/// What was fitted.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Camera colours to XYZ (D65) at the middle of the chart.
    pub matrix: Matrix,
    /// Natural logarithm of the light that each of the camera's colours sees: factors of x, y, x x, x y,
    /// y y.
    pub light: [[f64; 5]; 3],
}

/// How the light may fall across a chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Light {
    /// Even.
    Even,
    /// A slope, of one colour.
    Sloping,
    /// A surface of second order, of one colour.
    Curved,
    /// A slope of each of the camera's colours: two lights mix.
    Mixed,
    /// The same, and curved alike for all.
    MixedCurved,
}

impl Light {
    /// Simple ones first.
    pub const ALL: [Self; 5] = [
        Self::Even,
        Self::Sloping,
        Self::Curved,
        Self::Mixed,
        Self::MixedCurved,
    ];

    /// How many numbers describe it.
    fn count(self) -> usize {
        match self {
            Self::Even => 0,
            Self::Sloping => 2,
            Self::Curved => 5,
            Self::Mixed => 6,
            Self::MixedCurved => 9,
        }
    }

    /// [`Fit::light`] of these numbers.
    fn spread(self, v: &[f64]) -> [[f64; 5]; 3] {
        let mixed = matches!(self, Self::Mixed | Self::MixedCurved);
        let shared = if mixed { &v[6..] } else { v };
        std::array::from_fn(|c| {
            let mut terms = [0.0; 5];
            let first = if mixed { 2 } else { 0 };
            for (term, value) in terms[first..].iter_mut().zip(shared) {
                *term = *value;
            }
            if mixed {
                terms[..2].copy_from_slice(&v[2 * c..2 * c + 2]);
            }
            terms
        })
    }
}

impl Fit {
    /// What a patch would send the camera under the light in the middle of the chart.
    pub fn evened(&self, patch: &Patch) -> [f64; 3] {
        let [x, y] = patch.at;
        let terms = [x, y, x * x, x * y, y * y];
        std::array::from_fn(|c| {
            let stops: f64 = self.light[c].iter().zip(terms).map(|(a, b)| a * b).sum();
            patch.seen[c] / libm::exp(stops)
        })
    }

    /// XYZ of a patch under even light.
    pub fn colour(&self, patch: &Patch) -> [f64; 3] {
        apply(self.matrix, self.evened(patch))
    }
}

/// XYZ of D65 (CIE xy 0.3127, 0.3290).
pub const D65: [f64; 3] = [0.3127 / 0.3290, 1.0, 0.3583 / 0.3290];

/// CIELAB (CIE 015:2018, equations 8.3 to 8.11) under D65.
pub fn lab(xyz: [f64; 3]) -> [f64; 3] {
    let f = |t: f64| {
        if t > 216.0 / 24_389.0 {
            libm::cbrt(t)
        } else {
            (24_389.0 / 27.0 * t + 16.0) / 116.0
        }
    };
    let [x, y, z] = [0, 1, 2].map(|c| f(xyz[c] / D65[c]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn residual(found: [f64; 3], wanted: [f64; 3]) -> [f64; 3] {
    let (f, w) = (lab(found), lab(wanted));
    let (da, db) = (f[1] - w[1], f[2] - w[2]);
    let chroma = (w[1] * w[1] + w[2] * w[2]).sqrt();
    let (ux, uy) = if chroma > 1.0 {
        (w[1] / chroma, w[2] / chroma)
    } else {
        (1.0, 0.0)
    };
    let along = da * ux + db * uy;
    let across = db * ux - da * uy;
    [
        f[0] - w[0],
        along / (1.0 + 0.045 * chroma),
        across / (1.0 + 0.015 * chroma),
    ]
}

/// Fits matrix and light. `None` when the colours do not span a space.
pub fn fit(patches: &[Patch], light: Light) -> Option<Fit> {
    // A start by linear least squares, relative errors.
    let mut matrix = [[0.0; 3]; 3];
    for (r, row) in matrix.iter_mut().enumerate() {
        let mut normal = vec![vec![0.0; 3]; 3];
        let mut right = vec![0.0; 3];
        for p in patches {
            let weight = p.weight / (p.wanted[1] + 0.02);
            for a in 0..3 {
                right[a] += weight * p.seen[a] * p.wanted[r];
                for b in 0..3 {
                    normal[a][b] += weight * p.seen[a] * p.seen[b];
                }
            }
        }
        let solved = solve(normal, right)?;
        row.copy_from_slice(&solved);
    }
    let count = 9 + light.count();
    let mut now: Vec<f64> = matrix.iter().flatten().copied().collect();
    now.resize(count, 0.0);
    let fit_of = |v: &[f64]| Fit {
        matrix: std::array::from_fn(|r| std::array::from_fn(|c| v[3 * r + c])),
        light: light.spread(&v[9..]),
    };
    let errors = |v: &[f64]| -> Vec<f64> {
        let fit = fit_of(v);
        patches
            .iter()
            .flat_map(|p| residual(fit.colour(p), p.wanted).map(|v| v * p.weight.sqrt()))
            .collect()
    };
    let total = |e: &[f64]| e.iter().map(|v| v * v).sum::<f64>();
    let mut base = errors(&now);
    let mut damping = 1.0e-3;
    for _ in 0..20 {
        let columns: Vec<Vec<f64>> = (0..count)
            .map(|k| {
                let mut moved = now.clone();
                let step = 1.0e-5 * now[k].abs().max(0.1);
                moved[k] += step;
                errors(&moved)
                    .iter()
                    .zip(&base)
                    .map(|(a, b)| (a - b) / step)
                    .collect()
            })
            .collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut normal: Vec<Vec<f64>> = columns
            .iter()
            .map(|a| columns.iter().map(|b| dot(a, b)).collect())
            .collect();
        for (k, row) in normal.iter_mut().enumerate() {
            row[k] *= 1.0 + damping;
        }
        let right: Vec<f64> = columns.iter().map(|a| -dot(a, &base)).collect();
        let step = solve(normal, right)?;
        let tried: Vec<f64> = now.iter().zip(step).map(|(a, b)| a + b).collect();
        let then = errors(&tried);
        if total(&then) < total(&base) {
            let gained = total(&base) - total(&then);
            (now, base) = (tried, then);
            damping *= 0.3;
            if gained < 1.0e-9 * total(&base) {
                break;
            }
        } else {
            damping *= 10.0;
        }
    }
    now.iter().all(|v| v.is_finite()).then(|| fit_of(&now))
}

/// Fits as [`fit`] does, but patches that lie far off the others' fit count less: Huber's weights
/// (P. J. Huber, *Robust Statistics*, 1981), bent at 1.345 times the spread, which is 1.4826
/// times the median.
pub fn robust(patches: &[Patch], light: Light) -> Option<Fit> {
    const ROUNDS: usize = 5;
    /// Least spread: closer than this no patch is held to be off.
    const FINEST: f64 = 0.1;
    let mut weighted = patches.to_vec();
    let mut found = fit(&weighted, light)?;
    for _ in 0..ROUNDS {
        let off: Vec<f64> = patches
            .iter()
            .map(|p| {
                let [l, along, across] = residual(found.colour(p), p.wanted);
                (l * l + along * along + across * across).sqrt()
            })
            .collect();
        let mut counted: Vec<f64> = patches
            .iter()
            .zip(&off)
            .filter(|(p, _)| p.weight > 0.0)
            .map(|(_, off)| *off)
            .collect();
        counted.sort_by(f64::total_cmp);
        let median = *counted.get(counted.len() / 2)?;
        let bend = 1.345 * (1.4826 * median).max(FINEST);
        for ((now, p), off) in weighted.iter_mut().zip(patches).zip(&off) {
            now.weight = p.weight * (bend / off.max(bend));
        }
        found = fit(&weighted, light)?;
    }
    Some(found)
}

/// Each patch's colour by the fit to all the others.
pub fn left_out(patches: &[Patch], light: Light) -> Option<Vec<[f64; 3]>> {
    (0..patches.len())
        .map(|k| {
            let mut others = patches.to_vec();
            let one = others.remove(k);
            Some(robust(&others, light)?.colour(&one))
        })
        .collect()
}
