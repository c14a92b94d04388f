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

/// Keeps divisions by a flat neighbourhood's variance finite: the square of about a three-thousandth
/// of full scale, as in the reference code of the measuring tools. Values up to 1e-3 in its place
/// moved the fit of red and blue by less than 0.01 dB.
const FLAT: f32 = 1e-7;

/// Keeps the four-sided weights finite on flat ground.
const CALM: f32 = 1e-9;

/// One-sided Gaussian of standard deviation 1.5 over five sites. Kiku 2013 has 1; on the middle of
/// the twelve test pictures 1.5 is 0.45 dB better in the mean, 2 another 0.05 (but loses a full
/// decibel on knitwear, where colours really change from site to site).
const SIDE: [f32; 5] = [0.420_93, 0.337_05, 0.173_05, 0.056_97, 0.012_0];

/// Keeps the weights of residuals finite where green is flat. Chosen once, not tuned.
const LEVEL: f32 = 1e-3;

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
    quarters: Quarters,
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
            quarters: Quarters::new(width / 2, height / 2),
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
        self.quarters.colours(tile, &mut self.planes);
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
    /// Slope and offset of the sites on their guide, each summed over five sites (at the sites) and
    /// over four (between them).
    models: [[[Plane; 2]; 2]; 3],
    slope: Plane,
    offset: Plane,
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
            let rows = |which: usize, place: usize| -> [&[f32]; 3] {
                rows_around(step).map(|k| &known.models[k][which][place][..half])
            };
            let (slopes, offsets) = (rows(0, 0), rows(1, 0));
            let sites = &known.sites[slot][..half];
            let filled = &known.filled[slot][..half];
            let rest = &mut self.rest[..half];
            for i in 0..half {
                let sum = |rows: &[&[f32]; 3]| (rows[0][i] + rows[2][i]) + rows[1][i];
                rest[i] = sites[i] - (sum(&slopes) * filled[i] + sum(&offsets)) * (1.0 / 15.0);
            }
            let (slopes, offsets) = (rows(0, 1), rows(1, 1));
            let guess = &mut self.guess[guess][..half];
            let guide = &other.sites[slot][..half];
            for i in EDGE..half - EDGE {
                let j = i - left;
                let sum = |rows: &[&[f32]; 3]| (rows[0][j] + rows[2][j]) + rows[1][j];
                let predicted = (sum(&slopes) * guide[i] + sum(&offsets)) * (1.0 / 12.0);
                guess[i] = predicted + 0.5 * (rest[j] + rest[j + 1]);
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
            models: std::array::from_fn(|_| {
                std::array::from_fn(|_| std::array::from_fn(|_| plane()))
            }),
            slope: plane(),
            offset: plane(),
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

    /// Least squares over five sites of three rows (Kiku 2013, equation 3).
    #[inline(always)]
    fn fit(&mut self, half: usize, step: usize) {
        let sums = |which: usize| -> [&[f32]; 3] {
            rows_around(step).map(|k| &self.sums[k][which][..half])
        };
        let (guide, sites, squares, products) = (sums(0), sums(1), sums(2), sums(3));
        let (slope, offset) = (&mut self.slope[..half], &mut self.offset[..half]);
        for i in 0..half {
            let mean = |rows: &[&[f32]; 3]| ((rows[0][i] + rows[2][i]) + rows[1][i]) * (1.0 / 15.0);
            let (g, p) = (mean(&guide), mean(&sites));
            let a = (mean(&products) - g * p) / ((mean(&squares) - g * g).max(0.0) + FLAT);
            slope[i] = a;
            offset[i] = p - a * g;
        }
        for (values, sums) in [&self.slope, &self.offset]
            .into_iter()
            .zip(&mut self.models[step % 3])
        {
            let values = &values[..half];
            let [here, between] = sums;
            let (here, between) = (&mut here[..half], &mut between[..half]);
            for i in 4..half - 4 {
                let inner = values[i] + values[i + 1];
                between[i] = (values[i - 1] + values[i + 2]) + inner;
                here[i] =
                    (values[i - 2] + values[i + 2]) + (values[i - 1] + values[i + 1]) + values[i];
            }
        }
    }
}

/// Red and blue from green, on planes that hold one site of each filter cell: places 0 (red), 1
/// and 2 (green), 3 (blue) from left to right, top to bottom.
struct Quarters {
    width: usize,
    height: usize,
    green: [Plane; 4],
    sites: Plane,
    products: [Plane; 2],
    sums: [Plane; 2],
    slope: Plane,
    rest: [Plane; 4],
}

impl Quarters {
    fn new(width: usize, height: usize) -> Self {
        let plane = || vec![0.0; width * height];
        Self {
            width,
            height,
            green: std::array::from_fn(|_| plane()),
            sites: plane(),
            products: [plane(), plane()],
            sums: [plane(), plane()],
            slope: plane(),
            rest: std::array::from_fn(|_| plane()),
        }
    }

    /// Fills `red` and `blue` (first and last of `planes`) from the tile and green.
    #[inline(always)]
    fn colours(&mut self, tile: &[f32], planes: &mut [Plane; 3]) {
        let [red, green, blue] = planes;
        let [a, b, c, d] = &mut self.green;
        take_apart(green, self.width, [a, b]);
        take_apart(&green[2 * self.width..], self.width, [c, d]);
        let Self { sites, slope, .. } = self;
        take_apart(tile, self.width, [sites, slope]);
        self.colour(0, red);
        let Self { sites, slope, .. } = self;
        take_apart(&tile[2 * self.width..], self.width, [slope, sites]);
        self.colour(1, blue);
    }

    /// The colour in `sites`, which lie at row and column `place` of each cell.
    #[inline(always)]
    fn colour(&mut self, place: usize, out: &mut [f32]) {
        let (width, height) = (self.width, self.height);
        // Kiku 2014, equation 5: the slope that fits Laplacians best.
        let guide = &self.green[3 * place];
        for y in 1..height - 1 {
            let rows = [(y - 1) * width, y * width, (y + 1) * width];
            let s = rows.map(|at| &self.sites[at..][..width]);
            let g = rows.map(|at| &guide[at..][..width]);
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
        // The offset cancels between prediction and interpolated residual, both of which are
        // averaged alike: what is left of the sites is interpolated with it.
        let rest = &mut self.rest[3 * place];
        for (((slope, rest), site), guide) in
            self.slope.iter_mut().zip(rest).zip(&self.sites).zip(guide)
        {
            *slope *= 1.0 / 25.0;
            *rest = site - *slope * guide;
        }
        self.spread(place);
        self.put_together(place, out);
    }

    /// Interpolates what is left at the sites: first at the other colour's sites from the four
    /// diagonal neighbours, then at green sites from the four nearest, each weighted by how
    /// little green changes on the way.
    #[inline(always)]
    fn spread(&mut self, place: usize) {
        let (width, height) = (self.width, self.height);
        let [first, second, third, fourth] = &mut self.rest;
        let green = &self.green;
        let (sites, opposite) = if place == 0 {
            (first, fourth)
        } else {
            (fourth, first)
        };
        let (of_sites, of_opposite) = (&green[3 * place], &green[3 - 3 * place]);
        for y in 1..height - 1 {
            let (above, below) = ((y - place) * width, (y - place + 1) * width);
            let (g, r) = (
                [&of_sites[above..], &of_sites[below..]],
                [&sites[above..], &sites[below..]],
            );
            let centre = &of_opposite[y * width..][..width];
            let out = &mut opposite[y * width..][..width];
            for x in 1..width - 1 {
                let (left, right) = (x - place, x - place + 1);
                let values = [r[0][left], r[1][right], r[0][right], r[1][left]];
                let greens = [g[0][left], g[1][right], g[0][right], g[1][left]];
                out[x] = weighted(centre[x], greens, values);
            }
        }
        // Green sites in the rows of sites (left and right are sites), then in the others.
        let (beside, apart) = if place == 0 {
            (second, third)
        } else {
            (third, second)
        };
        let (of_beside, of_apart) = if place == 0 {
            (&green[1], &green[2])
        } else {
            (&green[2], &green[1])
        };
        for y in 1..height - 1 {
            let row = |y: usize| y * width..(y + 1) * width;
            let here = row(y);
            let (up, down) = (row(y + place - 1), row(y + place));
            let centre = &of_beside[here.clone()];
            let out = &mut beside[here.clone()];
            for x in 1..width - 1 {
                let (left, right) = (x - place, x - place + 1);
                let (r, g) = (&sites[here.clone()], &of_sites[here.clone()]);
                let (r_up, r_down) = (&opposite[up.clone()], &opposite[down.clone()]);
                let (g_up, g_down) = (&of_opposite[up.clone()], &of_opposite[down.clone()]);
                let values = [r[left], r[right], r_up[x], r_down[x]];
                let greens = [g[left], g[right], g_up[x], g_down[x]];
                out[x] = weighted(centre[x], greens, values);
            }
            let (up, down) = (row(y - place), row(y - place + 1));
            let centre = &of_apart[here.clone()];
            let out = &mut apart[here.clone()];
            for x in 1..width - 1 {
                let (left, right) = (x + place - 1, x + place);
                let (r, g) = (&opposite[here.clone()], &of_opposite[here.clone()]);
                let (r_up, r_down) = (&sites[up.clone()], &sites[down.clone()]);
                let (g_up, g_down) = (&of_sites[up.clone()], &of_sites[down.clone()]);
                let values = [r[left], r[right], r_up[x], r_down[x]];
                let greens = [g[left], g[right], g_up[x], g_down[x]];
                out[x] = weighted(centre[x], greens, values);
            }
        }
    }

    /// Slopes (read bilinearly between sites) times green, and what is left.
    #[inline(always)]
    fn put_together(&self, place: usize, out: &mut [f32]) {
        let (width, height) = (self.width, self.height);
        for y in 2..2 * height - 2 {
            // Rows of sites above and below; twice the same where this row holds sites.
            let (above, below) = ((y - place) / 2 * width, (y + 1 - place) / 2 * width);
            let slope = [&self.slope[above..][..width], &self.slope[below..][..width]];
            let range = y / 2 * width..(y / 2 + 1) * width;
            let first = y % 2 * 2;
            let rest = [
                &self.rest[first][range.clone()],
                &self.rest[first + 1][range.clone()],
            ];
            let green = [
                &self.green[first][range.clone()],
                &self.green[first + 1][range.clone()],
            ];
            let out = &mut out[2 * y * width..][..2 * width];
            for x in 1..width - 1 {
                let at = |x: usize| slope[0][x] + slope[1][x];
                let middle = 0.5 * at(x);
                let between = 0.25 * (at(x - place) + at(x - place + 1));
                let (left, right) = if place == 0 {
                    (middle, between)
                } else {
                    (between, middle)
                };
                out[2 * x] = left * green[0][x] + rest[0][x];
                out[2 * x + 1] = right * green[1][x] + rest[1][x];
            }
        }
    }
}

/// Mean of four values around a site, of two opposite pairs, weighted by how little green changes
/// towards each and across to its opposite.
#[inline(always)]
fn weighted(centre: f32, green: [f32; 4], values: [f32; 4]) -> f32 {
    let across = [
        (green[0] - green[1]).abs() + LEVEL,
        (green[2] - green[3]).abs() + LEVEL,
    ];
    let weight = |k: usize| 1.0 / ((green[k] - centre).abs() + across[k / 2]);
    let w = [weight(0), weight(1), weight(2), weight(3)];
    let sum = (w[0] * values[0] + w[1] * values[1]) + (w[2] * values[2] + w[3] * values[3]);
    sum / ((w[0] + w[1]) + (w[2] + w[3]))
}

/// Parts every second row of a full plane into its even and its odd columns.
#[inline(always)]
fn take_apart(plane: &[f32], width: usize, [even, odd]: [&mut [f32]; 2]) {
    let rows = plane.chunks(4 * width);
    for ((row, even), odd) in rows
        .zip(even.chunks_exact_mut(width))
        .zip(odd.chunks_exact_mut(width))
    {
        for ((pair, even), odd) in row.chunks_exact(2).zip(even).zip(odd) {
            *even = pair[0];
            *odd = pair[1];
        }
    }
}
