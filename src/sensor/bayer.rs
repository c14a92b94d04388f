//! Bayer mosaic to three planes: residual interpolation along rows and columns.
//!
//! Green is guessed along rows and along columns: a local linear model predicts it from the
//! row's other colour, the rest (*residual*) is small and smooth, so it may be interpolated. The
//! two guesses are averaged by how little green minus the other colour changes to each of the four
//! sides. Red and blue are then predicted from green by models fitted on Laplacians, again with
//! interpolated residuals.
//!
//! Sources: D. Kiku, Y. Monno, M. Tanaka, M. Okutomi, "Residual interpolation for color image
//! demosaicking", ICIP 2013 (green, and the four-sided average, which is that of I. Pekkucuksen and
//! Y. Altunbasak, "Gradient based threshold free color filter array interpolation", ICIP 2010);
//! the same authors, "Minimized-Laplacian residual interpolation", SPIE 9023, 2014 (red, blue).
//! Smoothed coefficients between sites are read bilinearly, as in K. He and J. Sun, "Fast guided
//! filter", arXiv 1505.00996.
//!
//! In and out: square roots of white-balanced light (about 0 to 1, more allowed). Errors are then
//! weighed about as eyes do, which is worth 2 to 5 dB with every method measured.
//!
//! Everything here works on one tile whose first site is red. Each value is a sum of its own
//! neighbourhood in a fixed order, never a running sum, so that the bits do not depend on where
//! tiles begin. Sites nearer than [`HALO`] to the tile's edge come out wrong and are to be cut.

/// How far, in sites, an output pixel looks around itself, rounded up to whole filter cells.
/// Columns: 1 (filling) + 4 (fit) + 4 (averaged fits) + 1 (residual), then 1 + 2 + 2 (four-sided
/// average), then 2 (Laplacian) + 4 (fit) + 4 (averaged fits) + 2 (between sites) = 27.
pub(super) const HALO: usize = 28;

/// Keeps divisions by a flat neighbourhood's variance finite; far below one level of 14 bits
/// squared (4e-9 at full scale) times the fifteen samples of a window. Measured: from 1e-9 to 1e-6
/// the mean of the test pictures moves by less than 0.01 dB.
const FLAT: f32 = 1e-7;

/// Keeps the four-sided weights finite on flat ground.
const CALM: f32 = 1e-9;

/// One-sided Gaussian of standard deviation 1 over five sites (Kiku 2013, section 3).
const SIDE: [f32; 5] = [0.570_26, 0.345_88, 0.077_177, 0.006_334_9, 0.000_191_3];

/// A tile's plane: row-major, `width` wide.
type Plane = Vec<f32>;

/// Buffers for tiles up to a size, reused from tile to tile.
pub(super) struct Bayer {
    width: usize,
    height: usize,
    across: Plane,
    down: Plane,
    turned: Plane,
    turned_difference: Plane,
    change: [Plane; 2],
    rows: Rows,
    quarter: Quarter,
    /// Red, green and blue of the tile.
    pub planes: [Plane; 3],
}

impl Bayer {
    /// Buffers for a tile of an even width and height.
    pub fn new(width: usize, height: usize) -> Self {
        debug_assert!(width.is_multiple_of(2) && height.is_multiple_of(2));
        let plane = || vec![0.0; width * height];
        Self {
            width,
            height,
            across: plane(),
            down: plane(),
            turned: plane(),
            turned_difference: plane(),
            change: [plane(), plane()],
            rows: Rows::new(width.max(height) / 2),
            quarter: Quarter::new(width / 2, height / 2),
            planes: [plane(), plane(), plane()],
        }
    }

    /// Fills [`Self::planes`] from a tile (`width` x `height`, first site red).
    #[inline(always)]
    pub fn run(&mut self, tile: &[f32]) {
        let (width, height) = (self.width, self.height);
        self.rows.difference(tile, width, height, &mut self.across);
        transpose(tile, width, height, &mut self.turned);
        self.rows
            .difference(&self.turned, height, width, &mut self.turned_difference);
        transpose(&self.turned_difference, height, width, &mut self.down);
        self.green(tile);
        let [red, green, blue] = &mut self.planes;
        self.quarter.colour(tile, green, 0, red);
        self.quarter.colour(tile, green, 1, blue);
    }

    /// Averages the differences to the four sides: Kiku 2013, equations 8 and 9.
    #[inline(always)]
    fn green(&mut self, tile: &[f32]) {
        let (width, height) = (self.width, self.height);
        let [sideways, upright] = &mut self.change;
        let scratch = &mut self.turned;
        for y in 0..height {
            let row = &self.across[y * width..][..width];
            let out = &mut scratch[y * width..][..width];
            for x in 1..width - 1 {
                out[x] = (row[x - 1] - row[x + 1]).abs();
            }
        }
        box_of_five(
            scratch,
            width,
            height,
            &mut self.turned_difference,
            sideways,
        );
        for y in 1..height - 1 {
            let above = &self.down[(y - 1) * width..][..width];
            let below = &self.down[(y + 1) * width..][..width];
            let out = &mut scratch[y * width..][..width];
            for x in 0..width {
                out[x] = (above[x] - below[x]).abs();
            }
        }
        box_of_five(scratch, width, height, &mut self.turned_difference, upright);
        let green = &mut self.planes[1];
        let weight = |change: f32| 1.0 / (change * change + CALM);
        for y in 4..height - 4 {
            let at = y * width;
            let across = &self.across[at..][..width];
            let down: [&[f32]; 9] =
                std::array::from_fn(|k| &self.down[(y + k - 4) * width..][..width]);
            let side = &sideways[at..][..width];
            let above = &upright[at - 2 * width..][..width];
            let below = &upright[at + 2 * width..][..width];
            let sites = &tile[at..][..width];
            let out = &mut green[at..][..width];
            for x in 4..width - 4 {
                let to_left = weight(side[x - 2]);
                let to_right = weight(side[x + 2]);
                let to_top = weight(above[x]);
                let to_bottom = weight(below[x]);
                let mut left = SIDE[0] * across[x];
                let mut right = left;
                let mut top = SIDE[0] * down[4][x];
                let mut bottom = top;
                for k in 1..5 {
                    left += SIDE[k] * across[x - k];
                    right += SIDE[k] * across[x + k];
                    top += SIDE[k] * down[4 - k][x];
                    bottom += SIDE[k] * down[4 + k][x];
                }
                let sum = (to_left * left + to_right * right) + (to_top * top + to_bottom * bottom);
                out[x] = sites[x] + sum / ((to_left + to_right) + (to_top + to_bottom));
            }
            // Green sites keep what was measured.
            for x in ((y + 1) % 2..width).step_by(2) {
                out[x] = sites[x];
            }
        }
    }
}

/// Sums over 5 x 5; the two outermost sites at each side stay as they are.
#[inline(always)]
fn box_of_five(plane: &[f32], width: usize, height: usize, scratch: &mut [f32], out: &mut [f32]) {
    for y in 0..height {
        let row = &plane[y * width..][..width];
        let sums = &mut scratch[y * width..][..width];
        for x in 2..width - 2 {
            sums[x] = (row[x - 2] + row[x + 2]) + (row[x - 1] + row[x + 1]) + row[x];
        }
    }
    for y in 2..height - 2 {
        let near: [&[f32]; 5] = std::array::from_fn(|k| &scratch[(y + k - 2) * width..][..width]);
        let out = &mut out[y * width..][..width];
        for x in 0..width {
            out[x] = (near[0][x] + near[4][x]) + (near[1][x] + near[3][x]) + near[2][x];
        }
    }
}

/// Turns rows into columns, in blocks that fit the first cache.
#[inline(always)]
fn transpose(plane: &[f32], width: usize, height: usize, out: &mut [f32]) {
    const BLOCK: usize = 8;
    for top in (0..height).step_by(BLOCK) {
        for left in (0..width).step_by(BLOCK) {
            for y in top..(top + BLOCK).min(height) {
                for x in left..(left + BLOCK).min(width) {
                    out[x * height + y] = plane[y * width + x];
                }
            }
        }
    }
}

/// One half of a row (its first, third, ... sites, or its others) and what is fitted on it, for the
/// last few rows of one kind.
struct Half {
    /// What was measured; a row is finished two rows after it was taken in.
    sites: [Plane; 3],
    /// Guide at these sites: the other half, filled in.
    filled: [Plane; 3],
    /// Sums over five sites: guide, sites, guide squared, guide times sites.
    sums: [[Plane; 4]; 3],
    /// Slope of the sites on their guide, summed over five sites and over four (between sites).
    slopes: [[Plane; 2]; 3],
    slope: Plane,
}

/// Residual interpolation along rows, with buffers of a few rows that stay in the first cache.
/// Windows are three rows of one kind (every second row of the mosaic) high.
struct Rows {
    first: Half,
    second: Half,
    rest: Plane,
    guess: [Plane; 2],
}

/// Sites of a half that a guess looks at to each side; so many are left alone at both ends.
const EDGE: usize = 5;

impl Rows {
    fn new(half: usize) -> Self {
        let plane = || vec![0.0; half];
        Self {
            first: Half::new(half),
            second: Half::new(half),
            rest: plane(),
            guess: [plane(), plane()],
        }
    }

    /// Green minus the row's other colour at every site of `tile`.
    #[inline(always)]
    fn difference(&mut self, tile: &[f32], width: usize, height: usize, out: &mut [f32]) {
        let half = width / 2;
        for kind in 0..2 {
            for step in 0..height / 2 {
                // Sums are one row ahead of slopes, slopes one ahead of guesses.
                self.take(&tile[(2 * step + kind) * width..][..width], half, step);
                if step >= 2 {
                    self.first.fit(half, step - 1);
                    self.second.fit(half, step - 1);
                }
                if step >= 4 {
                    let y = 2 * (step - 2) + kind;
                    // Even rows begin with red, odd rows with green.
                    let sign = if kind == 0 { 1.0 } else { -1.0 };
                    self.finish(half, step - 2, sign, &mut out[y * width..][..width]);
                }
            }
        }
    }

    /// Takes in a row: parts it in halves, fills each at the other's sites, sums.
    #[inline(always)]
    fn take(&mut self, row: &[f32], half: usize, step: usize) {
        let slot = step % 3;
        let (first, second) = (&mut self.first, &mut self.second);
        let a = &mut first.sites[slot][..half];
        let b = &mut second.sites[slot][..half];
        for ((pair, a), b) in row.chunks_exact(2).zip(a.iter_mut()).zip(b.iter_mut()) {
            *a = pair[0];
            *b = pair[1];
        }
        let at_first = &mut first.filled[slot][..half];
        for i in 1..half {
            at_first[i] = 0.5 * (b[i - 1] + b[i]);
        }
        let at_second = &mut second.filled[slot][..half];
        for i in 0..half - 1 {
            at_second[i] = 0.5 * (a[i] + a[i + 1]);
        }
        first.sum(half, step);
        second.sum(half, step);
    }

    /// Writes the difference (`sign` times second half minus first) of row `step`.
    #[inline(always)]
    fn finish(&mut self, half: usize, step: usize, sign: f32, out: &mut [f32]) {
        let slot = step % 3;
        // Sites of the second half around site i of the first are i - 1 and i; those of the first
        // around site i of the second are i and i + 1.
        for (guess, known, other, left) in [
            (0, &self.second, &self.first, 1),
            (1, &self.first, &self.second, 0),
        ] {
            let at = |which: usize| -> [&[f32]; 3] {
                rows_around(step).map(|k| &known.slopes[k][which][..half])
            };
            let (here, between) = (at(0), at(1));
            let sites = &known.sites[slot][..half];
            let filled = &known.filled[slot][..half];
            let rest = &mut self.rest[..half];
            for i in 0..half {
                let slope = ((here[0][i] + here[2][i]) + here[1][i]) * (1.0 / 15.0);
                rest[i] = sites[i] - slope * filled[i];
            }
            let guess = &mut self.guess[guess][..half];
            let guide = &other.sites[slot][..half];
            for i in EDGE..half - EDGE {
                let j = i - left;
                let slope = ((between[0][j] + between[2][j]) + between[1][j]) * (1.0 / 12.0);
                guess[i] = slope * guide[i] + 0.5 * (rest[j] + rest[j + 1]);
            }
        }
        let (a, b) = (
            &self.first.sites[slot][..half],
            &self.second.sites[slot][..half],
        );
        let (at_first, at_second) = (&self.guess[0][..half], &self.guess[1][..half]);
        for (i, pair) in out.chunks_exact_mut(2).enumerate().take(half) {
            pair[0] = sign * (at_first[i] - a[i]);
            pair[1] = sign * (b[i] - at_second[i]);
        }
    }
}

/// Slots of the rows above, at and below a row, in buffers of three. Sums over rows always add in
/// that order, whatever slots they are in.
fn rows_around(step: usize) -> [usize; 3] {
    [(step + 2) % 3, step % 3, (step + 1) % 3]
}

impl Half {
    fn new(width: usize) -> Self {
        let plane = || vec![0.0; width];
        Self {
            sites: std::array::from_fn(|_| plane()),
            filled: std::array::from_fn(|_| plane()),
            sums: std::array::from_fn(|_| std::array::from_fn(|_| plane())),
            slopes: std::array::from_fn(|_| std::array::from_fn(|_| plane())),
            slope: plane(),
        }
    }

    #[inline(always)]
    fn sum(&mut self, half: usize, step: usize) {
        let sites = &self.sites[step % 3][..half];
        let guide = &self.filled[step % 3][..half];
        let [of_guide, of_sites, of_squares, of_products] = &mut self.sums[step % 3];
        let (of_guide, of_sites) = (&mut of_guide[..half], &mut of_sites[..half]);
        let (of_squares, of_products) = (&mut of_squares[..half], &mut of_products[..half]);
        for i in 2..half - 2 {
            let near = |plane: &[f32]| -> [f32; 5] { std::array::from_fn(|k| plane[i + k - 2]) };
            let (g, p) = (near(guide), near(sites));
            let five = |v: [f32; 5]| (v[0] + v[4]) + (v[1] + v[3]) + v[2];
            of_guide[i] = five(g);
            of_sites[i] = five(p);
            of_squares[i] = five(std::array::from_fn(|k| g[k] * g[k]));
            of_products[i] = five(std::array::from_fn(|k| g[k] * p[k]));
        }
    }

    /// Slope of least squares over five sites of three rows (Kiku 2013, equation 3).
    ///
    /// The offset is not needed: averaged over the same windows it cancels between prediction
    /// and interpolated residual.
    #[inline(always)]
    fn fit(&mut self, half: usize, step: usize) {
        let sums = |which: usize| -> [&[f32]; 3] {
            rows_around(step).map(|k| &self.sums[k][which][..half])
        };
        let (guide, sites, squares, products) = (sums(0), sums(1), sums(2), sums(3));
        let slope = &mut self.slope[..half];
        for i in 0..half {
            let mean = |rows: &[&[f32]; 3]| ((rows[0][i] + rows[2][i]) + rows[1][i]) * (1.0 / 15.0);
            let (g, p) = (mean(&guide), mean(&sites));
            slope[i] = (mean(&products) - g * p) / ((mean(&squares) - g * g).max(0.0) + FLAT);
        }
        let [here, between] = &mut self.slopes[step % 3];
        let (here, between) = (&mut here[..half], &mut between[..half]);
        for i in 4..half - 4 {
            let inner = slope[i] + slope[i + 1];
            between[i] = (slope[i - 1] + slope[i + 2]) + inner;
            here[i] = (slope[i - 2] + slope[i + 2]) + (slope[i - 1] + slope[i + 1]) + slope[i];
        }
    }
}

/// Red or blue from green, on planes that hold one site of each filter cell.
struct Quarter {
    width: usize,
    height: usize,
    sites: Plane,
    guide: Plane,
    products: [Plane; 2],
    sums: [Plane; 2],
    slope: Plane,
}

impl Quarter {
    fn new(width: usize, height: usize) -> Self {
        let plane = || vec![0.0; width * height];
        Self {
            width,
            height,
            sites: plane(),
            guide: plane(),
            products: [plane(), plane()],
            sums: [plane(), plane()],
            slope: plane(),
        }
    }

    /// The colour whose sites lie at (`place`, `place`) of each cell, everywhere.
    #[inline(always)]
    fn colour(&mut self, tile: &[f32], green: &[f32], place: usize, out: &mut [f32]) {
        let (width, height) = (self.width, self.height);
        let full = 2 * width;
        for y in 0..height {
            let from = (2 * y + place) * full;
            let sites = &mut self.sites[y * width..][..width];
            let guide = &mut self.guide[y * width..][..width];
            for x in 0..width {
                sites[x] = tile[from + 2 * x + place];
                guide[x] = green[from + 2 * x + place];
            }
        }
        // Kiku 2014, equation 5: the slope that fits Laplacians best.
        for y in 1..height - 1 {
            let rows = [(y - 1) * width, y * width, (y + 1) * width];
            let s = rows.map(|at| &self.sites[at..][..width]);
            let g = rows.map(|at| &self.guide[at..][..width]);
            let [squares, products] = &mut self.products;
            let squares = &mut squares[y * width..][..width];
            let products = &mut products[y * width..][..width];
            for x in 1..width - 1 {
                let laplacian = |p: &[&[f32]; 3]| {
                    4.0 * p[1][x] - ((p[0][x] + p[2][x]) + (p[1][x - 1] + p[1][x + 1]))
                };
                let (of_sites, of_guide) = (laplacian(&s), laplacian(&g));
                squares[x] = of_guide * of_guide;
                products[x] = of_guide * of_sites;
            }
        }
        for (product, sum) in self.products.iter().zip(&mut self.sums) {
            box_of_five(product, width, height, &mut self.slope, sum);
        }
        let [squares, products] = &mut self.sums;
        for (product, square) in products.iter_mut().zip(squares.iter()) {
            *product /= square + FLAT;
        }
        box_of_five(products, width, height, squares, &mut self.slope);
        // Prediction plus interpolated residual, the offset cancelling as along rows.
        let rest = products;
        for (((slope, rest), site), guide) in self
            .slope
            .iter_mut()
            .zip(rest)
            .zip(&self.sites)
            .zip(&self.guide)
        {
            *slope *= 1.0 / 25.0;
            *rest = site - *slope * guide;
        }
        let rest = &self.sums[1];
        for y in 1..2 * height - 2 {
            // The rows of sites above and below; twice the same where this row holds sites.
            let (above, below) = ((y - place) / 2 * width, (y + 1 - place) / 2 * width);
            let slope = [&self.slope[above..][..width], &self.slope[below..][..width]];
            let rest = [&rest[above..][..width], &rest[below..][..width]];
            let green = &green[y * full..][..full];
            let out = &mut out[y * full..][..full];
            for x in 1..width - 1 {
                let at = 2 * x + place;
                let here = |p: &[&[f32]; 2]| 0.5 * (p[0][x] + p[1][x]);
                let next =
                    |p: &[&[f32]; 2]| 0.25 * ((p[0][x] + p[1][x]) + (p[0][x + 1] + p[1][x + 1]));
                out[at] = here(&slope) * green[at] + here(&rest);
                out[at + 1] = next(&slope) * green[at + 1] + next(&rest);
            }
        }
    }
}
