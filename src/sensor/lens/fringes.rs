//! Lateral colour fringes of a 2 x 2 mosaic: a lens draws red and blue a little larger or smaller
//! than green.
//!
//! The model is radial: red at a place was meant for the place `D = (p / R) (k1 + k3 |p / R|^2)` further in,
//! p from the middle of the active area, R half its diagonal (the two leading terms of the DNG
//! specification's WarpRectilinear, 1.7.1, for a plane beside green; T. E. Boult and G. Wolberg,
//! "Correcting chromatic aberrations using image warping", CVPR 1992).
//!
//! Measured in windows with edges across the radius: there a colour is an affine function of green
//! nearby, so the shift is one of three unknowns of a small least-squares fit (B. D. Lucas and
//! T. Kanade 1981, along one direction), repeated with green moved by what is known already; then
//! k1 and k3 by iteratively reweighted least squares over all windows. Red and blue are taken as
//! recorded, one site per filter cell, never demosaiced, since demosaicing presumes that edges
//! coincide; green is filled in from green alone. (With green as coarse as red, aliasing, which
//! moves the other way, left a tenth of the displacement out.)
//!
//! Taken off on the mosaic: what red differs from the green that it belongs to is smooth, so that
//! difference is read off at the place meant, and green added there (as J. Chang, H. Kang and M. G.
//! Kang, "Correction of axial and lateral chromatic aberration with false color filtering", IEEE
//! Trans. Image Processing 22, 2013, work on colour differences).

use serde::{Deserialize, Serialize};

use super::super::{Error, sites::Sites, usable_balance};
use crate::picture::{bands, matrix};
use crate::raw::{Pattern, SensorFrame};

/// Displacement of red and blue against green.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Fringes {
    /// k1 and k3 of red, in sites at the corner of the active area; positive: drawn larger.
    pub red: [f32; 2],
    /// The same of blue.
    pub blue: [f32; 2],
}

/// What a frame says of its fringes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Measured {
    /// Too few edges, or they do not agree.
    NotMeasurable,
    /// None worth taking off.
    Clean,
    /// These.
    Found(Fringes),
}

/// Cells along a window.
const WINDOW: usize = 12;
/// Cells around it: 2 for smoothing, 2 for reading between cells, 2 for displacement.
const AROUND: usize = 6;
const PATCH: usize = WINDOW + 2 * AROUND;
/// Innermost windows, as a share of the half diagonal: further in nothing is displaced.
const INNERMOST: f64 = 0.15;
/// Root mean square of green's slope along the radius beside its mean, per cell, of a window with
/// edges. Common practice, no source.
const SLOPE: f32 = 0.03;
/// Windows kept per ring (eighths of the radius) and eighth of the circle.
const KEPT: usize = 24;
/// Passes of measuring and fitting.
const PASSES: usize = 4;
/// Fewest windows in all, and in each quarter of the frame, that a measurement rests on.
const FEWEST: usize = 24;
const FEWEST_IN_QUARTER: usize = 4;
/// Where on the radius a displacement must be known, ...
const JUDGED: f64 = 0.6;
/// ... and how well, in sites (standard error).
const SURE: f64 = 0.05;
/// Deviations of its error that a displacement exceeds before it is taken off.
const TIMES: f64 = 4.0;
/// Displacement in the corner, in sites, that nobody sees. A tenth of a site; common practice, no source.
const INVISIBLE: f64 = 0.1;
/// Largest displacement that is believed and taken off, in sites.
const MOST: f64 = 3.0;
/// Sites read around a tile that is corrected: for each of colour difference and green 3 of
/// displacement and up to 4 for reading between, and 3 for green between its sites; even.
const MARGIN: usize = 18;

/// Where the middle of the active area lies, and half its diagonal.
#[derive(Clone, Copy)]
struct Geometry {
    middle: [f64; 2],
    half: f64,
}

impl Geometry {
    fn of(sites: &Sites<'_>) -> Self {
        let [h, w] = [sites.height as f64, sites.width as f64];
        Self {
            middle: [0.5 * h - 0.5, 0.5 * w - 0.5],
            half: 0.5 * (h * h + w * w).sqrt(),
        }
    }

    /// A site's place (down, right) as shares of the half diagonal.
    fn place(self, y: f64, x: f64) -> [f64; 2] {
        [
            (y - self.middle[0]) / self.half,
            (x - self.middle[1]) / self.half,
        ]
    }
}

/// Displacement (down, right) at a place.
fn displacement([k1, k3]: [f64; 2], [y, x]: [f64; 2]) -> [f64; 2] {
    let k = k1 + k3 * (y * y + x * x);
    [y * k, x * k]
}

/// Catmull and Rom's weights (1974) of four neighbours, `t` from the second to the third.
#[inline(always)]
fn between(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        0.5 * (-t + 2.0 * t2 - t3),
        0.5 * (2.0 - 5.0 * t2 + 3.0 * t3),
        0.5 * (t + 4.0 * t2 - 3.0 * t3),
        0.5 * (t3 - t2),
    ]
}

/// A plane read between its points, `off` from one of them; places are held inside. Only `off` is a
/// fraction, so it does not matter where the plane begins.
fn read(plane: &[f32], width: usize, at: [usize; 2], off: [f32; 2]) -> f32 {
    let height = plane.len() / width;
    let whole = off.map(f32::floor);
    let (down, across) = (between(off[0] - whole[0]), between(off[1] - whole[1]));
    let held = |at: usize, whole: f32, length: usize| {
        (at as isize + whole as isize).clamp(1, length as isize - 3) as usize
    };
    let (row, column) = (held(at[0], whole[0], height), held(at[1], whole[1], width));
    let mut sum = 0.0;
    for (i, weight) in down.into_iter().enumerate() {
        let line = &plane[(row + i - 1) * width + column - 1..][..4];
        let part: f32 =
            across[0] * line[0] + across[1] * line[1] + across[2] * line[2] + across[3] * line[3];
        sum += weight * part;
    }
    sum
}

/// Measures the fringes of a frame.
///
/// # Errors
/// When the frame's levels make no sense.
pub fn measure(frame: &SensorFrame) -> Result<Measured, Error> {
    let Pattern::Bayer(_) = frame.pattern else {
        return Ok(Measured::NotMeasurable);
    };
    let gains = usable_balance(frame).unwrap_or([1.0; 3]);
    let sites = Sites::new(frame, gains)?;
    let windows = windows(&sites);
    let both = [0, 2].map(|colour| fitted(&windows, colour));
    let [Some(red), Some(blue)] = both else {
        return Ok(Measured::NotMeasurable);
    };
    let seen = |fit: &Fit| fit.corner().abs() > INVISIBLE && fit.judged.abs() > TIMES * fit.error;
    if !seen(&red) && !seen(&blue) {
        return Ok(Measured::Clean);
    }
    let terms = |fit: &Fit| {
        if seen(fit) {
            fit.terms.map(|k| k as f32)
        } else {
            [0.0; 2]
        }
    };
    Ok(Measured::Found(Fringes {
        red: terms(&red),
        blue: terms(&blue),
    }))
}

/// Cells and sites of a Gaussian of one cell: the weights of its middle and of one side.
const OVER_CELLS: [f32; 3] = [0.402_619_95, 0.244_201_34, 0.054_488_68];
const OVER_SITES: [f32; 5] = [
    0.204_163_69,
    0.180_173_82,
    0.123_831_54,
    0.066_282_25,
    0.027_630_55,
];

/// A window with edges.
struct Window {
    /// Of its middle.
    place: [f64; 2],
    /// First row and column of sites of the patch.
    first: [usize; 2],
    geometry: Geometry,
    /// Site of red and blue in a cell (down, right).
    at: [[usize; 2]; 3],
    /// Red, green, blue of the patch, smoothed: one a cell, green one a site.
    planes: [Vec<f32>; 3],
}

/// Which site of a cell is red; blue lies opposite.
fn red_site(sites: &Sites<'_>) -> [usize; 2] {
    let red = (0..4).find(|&k| sites.colour(k / 2, k % 2) == 0);
    let red = red.unwrap_or(0);
    [red / 2, red % 2]
}

/// Picks windows: the ones with the steepest edges of each part of the frame.
fn windows(sites: &Sites<'_>) -> Vec<Window> {
    let geometry = Geometry::of(sites);
    let [red_row, red_column] = red_site(sites);
    let fits = |sites: usize| (sites / 2).saturating_sub(2 * AROUND) / WINDOW;
    let (down, across) = (fits(sites.height), fits(sites.width));
    let rows: Vec<usize> = (0..down).collect();
    let cells = across * WINDOW + 2 * AROUND;
    let scored = bands::gathered(&rows, Vec::new, |line: &mut Vec<f32>, row| {
        let planes = cells_of(sites, [row * WINDOW, 0], [PATCH, cells], line);
        (0..across)
            .filter_map(|column| {
                let middle = |at: usize| (2 * (at * WINDOW + AROUND) + WINDOW) as f64 - 0.5;
                let place = geometry.place(middle(row), middle(column));
                let score = score(sites, &planes, cells, column * WINDOW, place)?;
                Some((score, [row, column], place))
            })
            .collect::<Vec<_>>()
    });
    let mut scored = scored.concat();
    // Ties by place: the list is in order already and the sort is stable.
    scored.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut counts = [0_usize; 64];
    scored.retain(|&(_, _, [y, x])| {
        let ring = ((8.0 * (y * y + x * x).sqrt()) as usize).min(7);
        let eighth =
            usize::from(y < 0.0) + 2 * usize::from(x < 0.0) + 4 * usize::from(y.abs() < x.abs());
        counts[8 * ring + eighth] += 1;
        counts[8 * ring + eighth] <= KEPT
    });
    let chosen: Vec<usize> = (0..scored.len()).collect();
    bands::gathered(&chosen, Vec::new, |line: &mut Vec<f32>, index| {
        let (_, [row, column], place) = scored[index];
        let first = [row * WINDOW, column * WINDOW];
        let [red, _, blue] = cells_of(sites, first, [PATCH, PATCH], line);
        let first = first.map(|cell| 2 * cell);
        let mut light = vec![0.0; 4 * PATCH * PATCH];
        for (y, row) in light.chunks_exact_mut(2 * PATCH).enumerate() {
            sites.row((first[0] + y) as isize, first[1] as isize, row);
        }
        let green = green_of(&light, 2 * PATCH, [red_row, red_column]);
        Window {
            place,
            first,
            geometry,
            at: [[red_row, red_column], [0; 2], [1 - red_row, 1 - red_column]],
            planes: [
                smoothed(&red, PATCH, &OVER_CELLS),
                smoothed(&green, 2 * PATCH, &OVER_SITES),
                smoothed(&blue, PATCH, &OVER_CELLS),
            ],
        }
    })
}

/// Planes of one pixel per filter cell: red, mean of the greens, blue.
fn cells_of(
    sites: &Sites<'_>,
    [top, left]: [usize; 2],
    [height, width]: [usize; 2],
    line: &mut Vec<f32>,
) -> [Vec<f32>; 3] {
    line.resize(2 * width, 0.0);
    let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; height * width]);
    for y in 0..2 * height {
        sites.row((2 * top + y) as isize, (2 * left) as isize, line);
        for (dx, share) in [(0, [1.0, 0.5, 1.0]), (1, [1.0, 0.5, 1.0])] {
            let colour = sites.colour(2 * top + y, dx);
            let row = &mut planes[colour][y / 2 * width..][..width];
            for (sum, pair) in row.iter_mut().zip(line.chunks_exact(2)) {
                *sum += share[colour] * pair[dx];
            }
        }
    }
    planes
}

/// Slope of green along the radius in a window; `None` where there is none, or where light clips.
fn score(
    sites: &Sites<'_>,
    planes: &[Vec<f32>; 3],
    width: usize,
    left: usize,
    [y, x]: [f64; 2],
) -> Option<f32> {
    let radius = (y * y + x * x).sqrt();
    if radius < INNERMOST {
        return None;
    }
    for (colour, plane) in planes.iter().enumerate() {
        let most = 0.95 * sites.clip(colour);
        let mut rows = plane
            .chunks_exact(width)
            .map(|row| &row[left..left + PATCH]);
        if rows.any(|row| row.iter().any(|&v| v >= most)) {
            return None;
        }
    }
    let [dy, dx] = [y, x].map(|v| (0.5 * v / radius) as f32);
    let (mut squares, mut sum) = (0.0, 0.0);
    for i in AROUND..AROUND + WINDOW {
        for j in left + AROUND..left + AROUND + WINDOW {
            let at = i * width + j;
            let green = &planes[1];
            let slope =
                dy * (green[at + width] - green[at - width]) + dx * (green[at + 1] - green[at - 1]);
            squares += slope * slope;
            sum += green[at];
        }
    }
    let count = (WINDOW * WINDOW) as f32;
    // A fiftieth of full scale: darker, noise alone has such slopes.
    let score = (squares / count).sqrt() / (sum / count + 0.02);
    (score > SLOPE).then_some(score)
}

/// A square plane smoothed by a Gaussian whose upper half, from the middle on, is `weights`; what is
/// nearer to the edge than that stays as it is.
fn smoothed(plane: &[f32], side: usize, weights: &[f32]) -> Vec<f32> {
    let reach = weights.len() - 1;
    let along = |from: &[f32], at: usize, step: usize| {
        let pairs = weights.iter().enumerate().skip(1);
        let sum: f32 = pairs
            .map(|(k, weight)| weight * (from[at - k * step] + from[at + k * step]))
            .sum();
        weights[0] * from[at] + sum
    };
    let mut across = plane.to_vec();
    for i in 0..side {
        for j in reach..side - reach {
            across[i * side + j] = along(plane, i * side + j, 1);
        }
    }
    let mut out = across.clone();
    for i in reach..side - reach {
        for j in 0..side {
            out[i * side + j] = along(&across, i * side + j, side);
        }
    }
    out
}

impl Window {
    /// How much further out (in sites) `colour` is displaced than `terms` say, and the standard
    /// error. `None` where colour does not follow green.
    fn rest(&self, colour: usize, terms: [f64; 2]) -> Option<[f64; 2]> {
        let radius = self.radius();
        let outward = self.place.map(|v| (v / radius) as f32);
        let mut normal = [[0.0_f64; 3]; 3];
        let mut right = [0.0_f64; 3];
        let (mut sum, mut squares) = (0.0_f64, 0.0_f64);
        for i in AROUND..AROUND + WINDOW {
            for j in AROUND..AROUND + WINDOW {
                let [row, column] = self.at[colour];
                let at = [2 * i + row, 2 * j + column];
                let [y, x] = [0, 1].map(|axis| (self.first[axis] + at[axis]) as f64);
                let meant = displacement(terms, self.geometry.place(y, x)).map(|v| v as f32);
                let green = |step: f32| {
                    let off = [0, 1].map(|axis| step * outward[axis] - meant[axis]);
                    read(&self.planes[1], 2 * PATCH, at, off)
                };
                let row = [1.0, green(0.0), green(1.0) - green(-1.0)].map(f64::from);
                let value = f64::from(self.planes[colour][i * PATCH + j]);
                for a in 0..3 {
                    right[a] += row[a] * value;
                    for b in 0..3 {
                        normal[a][b] += row[a] * row[b];
                    }
                }
                sum += value;
                squares += value * value;
            }
        }
        let count = (WINDOW * WINDOW) as f64;
        let solved = matrix::solve(
            normal.iter().map(|row| row.to_vec()).collect(),
            right.to_vec(),
        )?;
        let unit = matrix::solve(
            normal.iter().map(|row| row.to_vec()).collect(),
            vec![0.0, 0.0, 1.0],
        )?;
        let explained: f64 = solved.iter().zip(right).map(|(a, b)| a * b).sum();
        let left = (squares - explained).max(0.0) / (count - 3.0);
        let whole = (squares - sum * sum / count) / (count - 1.0);
        let factor = solved[1];
        // Where colour does not follow green, or hardly has a slope, nothing is told.
        if !(left < 0.1 * whole && factor > 0.05) {
            return None;
        }
        // Slopes are over two sites.
        let rest = -2.0 * solved[2] / factor;
        let error = 2.0 * (left * unit[2].max(0.0)).sqrt() / factor;
        (rest.abs() < MOST && error < 0.25).then_some([rest, error])
    }

    fn radius(&self) -> f64 {
        (self.place[0] * self.place[0] + self.place[1] * self.place[1]).sqrt()
    }
}

/// What the windows say of one colour.
struct Fit {
    terms: [f64; 2],
    /// Displacement at [`JUDGED`] and its standard error.
    judged: f64,
    error: f64,
}

impl Fit {
    fn corner(&self) -> f64 {
        self.terms[0] + self.terms[1]
    }
}

/// Fits k1, and k3 where it is told surely. `None` when the windows tell too little.
fn fitted(windows: &[Window], colour: usize) -> Option<Fit> {
    let mut fit: Option<Fit> = None;
    let indices: Vec<usize> = (0..windows.len()).collect();
    for pass in 0..PASSES {
        let terms = fit.as_ref().map_or([0.0; 2], |fit| fit.terms);
        let seen: Vec<(f64, f64, f64, [f64; 2])> = bands::gathered(
            &indices,
            || (),
            |(), index| {
                let window = &windows[index];
                let radius = window.radius();
                let [rest, error] = window.rest(colour, terms)?;
                let known = radius * (terms[0] + terms[1] * radius * radius);
                Some((radius, known + rest, error, window.place))
            },
        )
        .into_iter()
        .flatten()
        .collect();
        let mut quarters = [0; 4];
        for (_, _, _, [y, x]) in &seen {
            quarters[usize::from(*y < 0.0) + 2 * usize::from(*x < 0.0)] += 1;
        }
        if seen.len() < FEWEST || quarters.iter().any(|&count| count < FEWEST_IN_QUARTER) {
            return None;
        }
        let one = robust(&seen, 1)?;
        let two = robust(&seen, 2).filter(|_| {
            let mut radii: Vec<f64> = seen.iter().map(|seen| seen.0).collect();
            radii.sort_by(f64::total_cmp);
            radii[radii.len() * 9 / 10] > JUDGED && pass > 0
        });
        fit = Some(match two {
            Some((two, sure)) if sure => two,
            _ => one.0,
        });
    }
    let fit = fit?;
    (fit.error < SURE && fit.corner().abs() < MOST).then_some(fit)
}

/// Tukey's biweight on d = k1 r + k3 r^3; whether the last term exceeds its error [`TIMES`].
fn robust(seen: &[(f64, f64, f64, [f64; 2])], count: usize) -> Option<(Fit, bool)> {
    // A part of each window's error is that the model does not hold there.
    const FINEST: f64 = 0.03;
    let row = |radius: f64| [radius, radius * radius * radius];
    let own: Vec<f64> = seen
        .iter()
        .map(|(_, _, error, _)| 1.0 / (error * error + FINEST * FINEST))
        .collect();
    let mut weights = own.clone();
    let mut terms = vec![0.0; count];
    let mut scale = 1.0;
    for round in 0..20 {
        let (normal, right) = sums(seen, &weights, count);
        terms = matrix::solve(normal, right)?;
        let off: Vec<f64> = seen
            .iter()
            .zip(&own)
            .map(|((radius, d, ..), own)| {
                let told: f64 = terms.iter().zip(row(*radius)).map(|(k, v)| k * v).sum();
                (d - told) * own.sqrt()
            })
            .collect();
        let mut sorted: Vec<f64> = off.iter().map(|v| v.abs()).collect();
        sorted.sort_by(f64::total_cmp);
        scale = (1.4826 * sorted[sorted.len() / 2]).max(0.2);
        // Wide at first, so that a bad start loses no good window.
        let bound = if round < 5 { 9.0 } else { 4.685 } * scale;
        for ((weight, own), off) in weights.iter_mut().zip(&own).zip(&off) {
            let t = off / bound;
            *weight = own * (1.0 - t * t).max(0.0) * (1.0 - t * t).max(0.0);
        }
    }
    let (normal, _) = sums(seen, &weights, count);
    let error_of = |along: Vec<f64>| -> Option<f64> {
        let solved = matrix::solve(normal.clone(), along.clone())?;
        let variance: f64 = solved.iter().zip(along).map(|(a, b)| a * b).sum();
        Some(scale * variance.max(0.0).sqrt())
    };
    let judged = row(JUDGED)[..count].to_vec();
    let mut last = vec![0.0; count];
    last[count - 1] = 1.0;
    let sure = terms[count - 1].abs() > TIMES * error_of(last)?;
    let fit = Fit {
        judged: terms.iter().zip(&judged).map(|(k, v)| k * v).sum(),
        error: error_of(judged)?,
        terms: [terms[0], terms.get(1).copied().unwrap_or(0.0)],
    };
    Some((fit, sure))
}

fn sums(
    seen: &[(f64, f64, f64, [f64; 2])],
    weights: &[f64],
    count: usize,
) -> (Vec<Vec<f64>>, Vec<f64>) {
    let mut normal = vec![vec![0.0; count]; count];
    let mut right = vec![0.0; count];
    for ((radius, d, ..), weight) in seen.iter().zip(weights) {
        let row = [*radius, radius * radius * radius];
        for a in 0..count {
            right[a] += weight * row[a] * d;
            for b in 0..count {
                normal[a][b] += weight * row[a] * row[b];
            }
        }
    }
    (normal, right)
}

/// Reads rows of sites from `top`, `left` on (both may be negative), `width` wide, with red and blue
/// brought back onto green.
pub(in super::super) fn straightened(
    sites: &Sites<'_>,
    fringes: &Fringes,
    [top, left]: [isize; 2],
    width: usize,
    out: &mut [f32],
) {
    let geometry = Geometry::of(sites);
    let height = out.len() / width;
    let (wide, high) = (width + 2 * MARGIN, height + 2 * MARGIN);
    let [top, left] = [top, left].map(|v| v - MARGIN as isize);
    let mut light = vec![0.0; wide * high];
    for (y, row) in light.chunks_exact_mut(wide).enumerate() {
        sites.row(top + y as isize, left, row);
    }
    let parity = |v: isize, phase: usize| (v - phase as isize).rem_euclid(2) as usize;
    let [red_row, red_column] = red_site(sites);
    let green = green_of(
        &light,
        wide,
        [parity(top, red_row), parity(left, red_column)],
    );
    for (y, row) in out.chunks_exact_mut(width).enumerate() {
        row.copy_from_slice(&light[(y + MARGIN) * wide + MARGIN..][..width]);
    }
    let blue_site = [1 - red_row, 1 - red_column];
    for (terms, [row, column]) in [
        (fringes.red, [red_row, red_column]),
        (fringes.blue, blue_site),
    ] {
        if terms == [0.0; 2] {
            continue;
        }
        let terms = terms.map(f64::from);
        let off = |y: usize, x: usize| {
            let place = geometry.place((top + y as isize) as f64, (left + x as isize) as f64);
            displacement(terms, place).map(|v| v as f32)
        };
        // The first site of this colour, and what its sites differ from the green they belong to.
        let (y0, x0) = (parity(top, row), parity(left, column));
        let lattice = |length: usize, first: usize| (length - first).div_ceil(2);
        let (rows, columns) = (lattice(high, y0), lattice(wide, x0));
        let mut difference = vec![0.0; rows * columns];
        for (i, line) in difference.chunks_exact_mut(columns).enumerate() {
            for (j, value) in line.iter_mut().enumerate() {
                let (y, x) = (y0 + 2 * i, x0 + 2 * j);
                let [dy, dx] = off(y, x);
                let belongs = read(&green, wide, [y, x], [-dy, -dx]);
                *value = light[y * wide + x] - belongs;
            }
        }
        for y in (y0..high).step_by(2) {
            if !(MARGIN..MARGIN + height).contains(&y) {
                continue;
            }
            for x in (x0..wide).step_by(2) {
                if !(MARGIN..MARGIN + width).contains(&x) {
                    continue;
                }
                let [dy, dx] = off(y, x);
                let near = [(y - y0) / 2, (x - x0) / 2];
                let kept = read(&difference, columns, near, [0.5 * dy, 0.5 * dx]);
                out[(y - MARGIN) * width + x - MARGIN] = green[y * wide + x] + kept;
            }
        }
    }
}

/// Green at all sites: between its own by the cubic of four in a row or column, whichever changes
/// less. `red` is where the first red site lies, so that it tells which sites are green.
fn green_of(light: &[f32], wide: usize, [row, column]: [usize; 2]) -> Vec<f32> {
    let high = light.len() / wide;
    let mut green = light.to_vec();
    for y in 3..high - 3 {
        // Red and blue lie where row and column are both even or both odd, counted from red.
        let first = 3 + (y + 3 + row + column) % 2;
        for x in (first..wide - 3).step_by(2) {
            let at = y * wide + x;
            let cubic = |step: usize| {
                let near = [at - 3 * step, at - step, at + step, at + 3 * step].map(|k| light[k]);
                let change = (near[1] - near[2]).abs()
                    + 0.5 * ((near[0] - near[1]).abs() + (near[2] - near[3]).abs());
                let value = (9.0 * (near[1] + near[2]) - near[0] - near[3]) / 16.0;
                (value, change * change + 1.0e-8)
            };
            let ((h, along), (v, down)) = (cubic(1), cubic(wide));
            green[at] = (h * down + v * along) / (along + down);
        }
    }
    green
}
