//! Bayer mosaic to three planes: iterated residual interpolation along rows and columns.
//!
//! Green is guessed along rows and along columns: a local linear model predicts it from the
//! row's other colour, the rest (*residual*) is small and smooth, so it may be interpolated. The
//! guess is a better guide than what the mosaic was filled with at first, so this is done three
//! times; each pixel takes the mean of the three, weighted by how small and even the residuals
//! around it were. The two directions are averaged by how little green minus the other colour
//! changes to each of the four sides. Where it changes much both ways, as in cloth of several
//! colours, no other colour tells much about green: there the average is drawn narrower and mixed with
//! a guess that follows the light of all colours instead. Red and blue are then predicted from green
//! by models fitted on Laplacians, again with interpolated residuals.
//!
//! Sources: D. Kiku, Y. Monno, M. Tanaka, M. Okutomi, "Residual interpolation for color image
//! demosaicking", ICIP 2013 (green, and the four-sided average, which is that of I. Pekkucuksen and
//! Y. Altunbasak, "Gradient based threshold free color filter array interpolation", ICIP 2010);
//! the same authors, "Minimized-Laplacian residual interpolation", SPIE 9023, 2014 (red, blue), and
//! "Adaptive residual interpolation for color and multispectral image demosaicking", Sensors 17,
//! 2017 (iterations, and their cost; a weighted mean, where they keep the best, was 0.15 dB better on the
//! twelve test pictures); L. Sanz Rodriguez, "Ratio corrected demosaicing", 2017 (the guess from light).
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
/// Columns: 1 (filling), then 2 + 2 + 1 (fit, averaged fits, residual), twice 4 + 4 + 1, 4 (costs),
/// 1 + 2 + 2 (four-sided average), then 2 (Laplacian) + 4 (fit) + 4 (averaged fits) + 2 (between
/// sites) = 45.
pub(super) const HALO: usize = 46;

/// Keeps divisions by a flat neighbourhood's variance finite: the square of about a three-thousandth
/// of full scale, as in the reference code of the measuring tools. Values up to 1e-3 in its place
/// moved the fit of red and blue by less than 0.01 dB.
const FLAT: f32 = 1e-7;

/// Keeps the four-sided weights finite on flat ground.
const CALM: f32 = 1e-9;

/// Keeps the weights of iterations finite where all residuals vanish.
const EVEN: f32 = 1e-12;

/// One-sided Gaussians of standard deviation 1.2 and 0.7 over five and three sites: the wider is
/// better in the mean, the narrower where colours really change from site to site.
const SIDE: [f32; 5] = [0.499_03, 0.352_66, 0.124_45, 0.021_93, 0.001_93];
const NARROW: [f32; 3] = [0.726_05, 0.261_70, 0.012_25];

/// Change of green minus the other colour per two sites, averaged over 5 x 5, from which on colours
/// are taken to change from site to site.
const MOTLEY: f32 = 0.06;

/// Share of the guess from light there.
const LIGHT: f32 = 0.5;

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
    light: Light,
    rows: Rows,
    columns: Rows,
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
            light: Light::new(width, height),
            rows: Rows::new(width / 2, height / 2),
            columns: Rows::new(height / 2, width / 2),
            quarters: Quarters::new(width / 2, height / 2),
            planes: [plane(), plane(), plane()],
        }
    }

    /// Fills [`Self::planes`] from a tile (`width` x `height`, first site red).
    #[inline(always)]
    pub fn run(&mut self, tile: &[f32]) {
        let (width, height) = (self.width, self.height);
        self.rows.difference(tile, &mut self.across);
        transpose(tile, width, height, &mut self.turned);
        self.columns
            .difference(&self.turned, &mut self.turned_difference);
        transpose(&self.turned_difference, height, width, &mut self.down);
        self.light.green(tile);
        self.green(tile);
        self.quarters.colours(tile, &mut self.planes);
    }

    /// Averages the differences to the four sides: Kiku 2013, equations 8 and 9; narrower and with
    /// the guess from light where colours change from site to site.
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
        for y in 4..height - 4 {
            let at = y * width;
            let across = &self.across[at..][..width];
            let down: [&[f32]; 9] =
                std::array::from_fn(|k| &self.down[(y + k - 4) * width..][..width]);
            let side = &sideways[at..][..width];
            let above = &upright[at - 2 * width..][..width];
            let below = &upright[at + 2 * width..][..width];
            let sites = &tile[at..][..width];
            let light = &self.light.green[at..][..width];
            let here = &upright[at..][..width];
            let out = &mut green[at..][..width];
            for x in 4..width - 4 {
                let to_left = calmness(side[x - 2]);
                let to_right = calmness(side[x + 2]);
                let to_top = calmness(above[x]);
                let to_bottom = calmness(below[x]);
                let weights = [to_left, to_right, to_top, to_bottom];
                let mut wide = [0.0; 4];
                for k in 0..5 {
                    wide[0] += SIDE[k] * across[x - k];
                    wide[1] += SIDE[k] * across[x + k];
                    wide[2] += SIDE[k] * down[4 - k][x];
                    wide[3] += SIDE[k] * down[4 + k][x];
                }
                let mut narrow = [0.0; 4];
                for k in 0..3 {
                    narrow[0] += NARROW[k] * across[x - k];
                    narrow[1] += NARROW[k] * across[x + k];
                    narrow[2] += NARROW[k] * down[4 - k][x];
                    narrow[3] += NARROW[k] * down[4 + k][x];
                }
                let (wide, narrow) = (averaged(wide, weights), averaged(narrow, weights));
                let change = side[x].min(here[x]) * (1.0 / (25.0 * MOTLEY));
                let square = change * change;
                let motley = square * square / (square * square + 1.0);
                let other = narrow + LIGHT * (light[x] - sites[x] - narrow);
                out[x] = sites[x] + (wide + motley * (other - wide));
            }
            // Green sites keep what was measured.
            for x in ((y + 1) % 2..width).step_by(2) {
                out[x] = sites[x];
            }
        }
    }
}

/// Weight of a side along which differences change so much.
#[inline(always)]
fn calmness(change: f32) -> f32 {
    1.0 / (change * change + CALM)
}

/// Weighted mean of four values.
#[inline(always)]
fn averaged(v: [f32; 4], w: [f32; 4]) -> f32 {
    let sum = (w[0] * v[0] + w[1] * v[1]) + (w[2] * v[2] + w[3] * v[3]);
    sum / ((w[0] + w[1]) + (w[2] + w[3]))
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

/// Green from its neighbours and the change of light (the mean of all colours) on the way, from the four
/// sides, each weighted by how little changes along it (Sanz Rodriguez 2017, steps 1 to 3; the
/// direction is judged over 3 x 3 sites).
struct Light {
    width: usize,
    height: usize,
    /// Change along rows and columns, then the mean of all colours around a site.
    change: [Plane; 2],
    sums: Plane,
    scratch: Plane,
    light: Plane,
    green: Plane,
}

impl Light {
    fn new(width: usize, height: usize) -> Self {
        let plane = || vec![0.0; width * height];
        Self {
            width,
            height,
            change: [plane(), plane()],
            sums: plane(),
            scratch: plane(),
            light: plane(),
            green: plane(),
        }
    }

    /// Fills [`Self::green`], which means something at red and blue sites only.
    #[inline(always)]
    fn green(&mut self, tile: &[f32]) {
        let (width, height) = (self.width, self.height);
        let [along, down] = &mut self.change;
        for y in 3..height - 3 {
            let near: [&[f32]; 7] = std::array::from_fn(|k| &tile[(y + k - 3) * width..][..width]);
            let row = near[3];
            let along = &mut along[y * width..][..width];
            let down = &mut down[y * width..][..width];
            let light = &mut self.scratch[y * width..][..width];
            for x in 3..width - 3 {
                along[x] = highest([
                    row[x - 3],
                    row[x - 2],
                    row[x - 1],
                    row[x],
                    row[x + 1],
                    row[x + 2],
                    row[x + 3],
                ]);
                down[x] = highest([
                    near[0][x], near[1][x], near[2][x], near[3][x], near[4][x], near[5][x],
                    near[6][x],
                ]);
                light[x] =
                    0.25 * (blurred(near[2], x) + blurred(near[4], x)) + 0.5 * blurred(row, x);
            }
        }
        std::mem::swap(&mut self.scratch, &mut self.light);
        let [along, down] = &mut self.change;
        box_of_three(along, width, height, &mut self.scratch, &mut self.sums);
        box_of_three(down, width, height, &mut self.scratch, along);
        let (light, down, along) = (&self.light, &*along, &self.sums);
        for y in 8..height - 8 {
            let at = y * width;
            let row = &tile[at..][..width];
            let rows: [&[f32]; 9] = std::array::from_fn(|k| &tile[(y + k - 4) * width..][..width]);
            let lights: [&[f32]; 3] =
                std::array::from_fn(|k| &light[(y + 2 * k - 2) * width..][..width]);
            let (along, down) = (&along[at..][..width], &down[at..][..width]);
            let out = &mut self.green[at..][..width];
            for x in 8..width - 8 {
                let here = lights[1][x];
                let (n, up) = from_side(
                    [
                        rows[5][x], row[x], rows[3][x], rows[2][x], rows[1][x], rows[0][x],
                    ],
                    [here, lights[0][x]],
                );
                let (s, low) = from_side(
                    [
                        rows[3][x], row[x], rows[5][x], rows[6][x], rows[7][x], rows[8][x],
                    ],
                    [here, lights[2][x]],
                );
                let (w, left) = from_side(
                    [
                        row[x + 1],
                        row[x],
                        row[x - 1],
                        row[x - 2],
                        row[x - 3],
                        row[x - 4],
                    ],
                    [here, lights[1][x - 2]],
                );
                let (e, right) = from_side(
                    [
                        row[x - 1],
                        row[x],
                        row[x + 1],
                        row[x + 2],
                        row[x + 3],
                        row[x + 4],
                    ],
                    [here, lights[1][x + 2]],
                );
                let upright = (s * up + n * low) / (n + s);
                let level = (e * left + w * right) / (w + e);
                let share = (down[x] + CALM) / (down[x] + along[x] + 2.0 * CALM);
                out[x] = upright + share * (level - upright);
            }
        }
    }
}

/// Keeps the ratios of light and the weights of sides finite.
const LEAST: f32 = 1e-5;

/// Change along a side, and green from there: from the sites at -1, 0, 1, 2, 3 and 4 on the way and
/// the light here and two sites away.
#[inline(always)]
fn from_side(v: [f32; 6], [here, there]: [f32; 2]) -> (f32, f32) {
    let change = (LEAST + (v[2] - v[0]).abs())
        + (v[1] - v[3]).abs()
        + ((v[2] - v[4]).abs() + (v[3] - v[5]).abs());
    let green = v[2] + v[2] * (here - there) / (LEAST + here + there);
    (change, green)
}

/// Square of what is left of seven sites in line when smooth light is taken out.
#[inline(always)]
fn highest(v: [f32; 7]) -> f32 {
    let v = ((v[0] + v[6]) - (v[2] + v[4])) + (6.0 * v[3] - 3.0 * (v[1] + v[5]));
    v * v
}

/// Mean of three values, weighted 1 2 1.
#[inline(always)]
fn blurred(row: &[f32], x: usize) -> f32 {
    0.25 * (row[x - 1] + row[x + 1]) + 0.5 * row[x]
}

/// Sums over 3 x 3; the outermost sites stay as they are.
#[inline(always)]
fn box_of_three(plane: &[f32], width: usize, height: usize, scratch: &mut [f32], out: &mut [f32]) {
    for y in 0..height {
        let row = &plane[y * width..][..width];
        let sums = &mut scratch[y * width..][..width];
        for x in 1..width - 1 {
            sums[x] = (row[x - 1] + row[x + 1]) + row[x];
        }
    }
    for y in 1..height - 1 {
        let near: [&[f32]; 3] = std::array::from_fn(|k| &scratch[(y + k - 1) * width..][..width]);
        let out = &mut out[y * width..][..width];
        for x in 0..width {
            out[x] = (near[0][x] + near[2][x]) + near[1][x];
        }
    }
}

/// Iterated residual interpolation along rows. Rows of one kind (every second row of the mosaic)
/// are parted into halves: their first, third, ... sites and their others. Windows are three rows
/// of one kind high.
struct Rows {
    /// Sites of a half row, and rows of one kind.
    width: usize,
    height: usize,
    /// What was measured, by half.
    sites: [Plane; 2],
    /// The other half at these sites: filled in first, then as guessed last.
    guides: [Plane; 2],
    guesses: [Plane; 2],
    rest: [Plane; 2],
    slope: Plane,
    offset: Plane,
    /// Sums of differences and of their weights over the iterations.
    total: [Plane; 2],
    weight: [Plane; 2],
    /// One row each.
    columns: [Plane; 4],
    costs: [Plane; 2],
}

impl Rows {
    fn new(width: usize, height: usize) -> Self {
        let two = || [vec![0.0; width * height], vec![0.0; width * height]];
        Self {
            width,
            height,
            sites: two(),
            guides: two(),
            guesses: two(),
            rest: two(),
            slope: vec![0.0; width * height],
            offset: vec![0.0; width * height],
            total: two(),
            weight: two(),
            columns: std::array::from_fn(|_| vec![0.0; width]),
            costs: std::array::from_fn(|_| vec![0.0; width]),
        }
    }

    /// Green minus the row's other colour at every site of `tile`.
    #[inline(always)]
    fn difference(&mut self, tile: &[f32], out: &mut [f32]) {
        let half = self.width;
        for kind in 0..2 {
            self.take(tile, kind);
            self.iterate::<1>();
            self.iterate::<2>();
            self.iterate::<2>();
            // Even rows begin with red, odd rows with green.
            let sign = if kind == 0 { 1.0 } else { -1.0 };
            for y in 0..self.height {
                let row = |plane: &'_ Plane| y * half..y * half + plane.len().min(half);
                let out = &mut out[(2 * y + kind) * 2 * half..][..2 * half];
                let [a, b] = [&self.total[0], &self.total[1]].map(|p| &p[row(p)]);
                let [v, w] = [&self.weight[0], &self.weight[1]].map(|p| &p[row(p)]);
                for (i, pair) in out.chunks_exact_mut(2).enumerate().take(half) {
                    pair[0] = sign * a[i] / v[i];
                    pair[1] = sign * b[i] / w[i];
                }
            }
        }
    }

    /// Parts rows in halves and fills each half at the other's sites.
    #[inline(always)]
    fn take(&mut self, tile: &[f32], kind: usize) {
        let half = self.width;
        for plane in self.total.iter_mut().chain(&mut self.weight) {
            plane.fill(0.0);
        }
        let [first, second] = &mut self.sites;
        let [at_first, at_second] = &mut self.guides;
        for y in 0..self.height {
            let row = &tile[(2 * y + kind) * 2 * half..][..2 * half];
            let a = &mut first[y * half..][..half];
            let b = &mut second[y * half..][..half];
            for ((pair, a), b) in row.chunks_exact(2).zip(a.iter_mut()).zip(b.iter_mut()) {
                *a = pair[0];
                *b = pair[1];
            }
            let filled = &mut at_first[y * half..][..half];
            for i in 1..half {
                filled[i] = 0.5 * (b[i - 1] + b[i]);
            }
            let filled = &mut at_second[y * half..][..half];
            for i in 0..half - 1 {
                filled[i] = 0.5 * (a[i] + a[i + 1]);
            }
        }
    }

    /// One iteration, with fits over `REACH` sites to each side: guesses both halves from the
    /// guides, adds the differences by their costs, and makes the guesses the next guides.
    #[inline(always)]
    fn iterate<const REACH: usize>(&mut self) {
        self.guess::<REACH>(0);
        self.guess::<REACH>(1);
        self.add();
        std::mem::swap(&mut self.guides, &mut self.guesses);
    }

    /// Least squares over `2 REACH + 1` sites of three rows (Kiku 2013, equation 3), averaged over
    /// as many, and the guess of half `own` at the other's sites.
    #[inline(always)]
    fn guess<const REACH: usize>(&mut self, own: usize) {
        let (half, height) = (self.width, self.height);
        let sites = &self.sites[own][..];
        let others = &self.sites[1 - own][..];
        let guides = &self.guides[own][..];
        let rest = &mut self.rest[own][..];
        let guesses = &mut self.guesses[1 - own][..];
        let count = (3 * (2 * REACH + 1)) as f32;
        let (share, share_between) = (1.0 / count, 1.0 / (6 * REACH) as f32);
        for y in 1..height - 1 {
            let g: [&[f32]; 3] = std::array::from_fn(|k| &guides[(y + k - 1) * half..][..half]);
            let p: [&[f32]; 3] = std::array::from_fn(|k| &sites[(y + k - 1) * half..][..half]);
            let [of_guide, of_sites, of_squares, of_products] = &mut self.columns;
            let (of_guide, of_sites) = (&mut of_guide[..half], &mut of_sites[..half]);
            let (of_squares, of_products) = (&mut of_squares[..half], &mut of_products[..half]);
            for i in 0..half {
                let (g, p) = ([g[0][i], g[1][i], g[2][i]], [p[0][i], p[1][i], p[2][i]]);
                of_guide[i] = (g[0] + g[2]) + g[1];
                of_sites[i] = (p[0] + p[2]) + p[1];
                of_squares[i] = (g[0] * g[0] + g[2] * g[2]) + g[1] * g[1];
                of_products[i] = (g[0] * p[0] + g[2] * p[2]) + g[1] * p[1];
            }
            let slope = &mut self.slope[y * half..][..half];
            let offset = &mut self.offset[y * half..][..half];
            for i in REACH..half - REACH {
                let (g, p) = (around::<REACH>(of_guide, i), around::<REACH>(of_sites, i));
                let (gg, gp) = (
                    around::<REACH>(of_squares, i),
                    around::<REACH>(of_products, i),
                );
                let (g, p) = (g * share, p * share);
                let a = (gp * share - g * p) / ((gg * share - g * g).max(0.0) + FLAT);
                slope[i] = a;
                offset[i] = p - a * g;
            }
        }
        for y in 1..height - 1 {
            let [of_slope, of_offset, ..] = &mut self.columns;
            for (column, plane) in [
                (&mut *of_slope, &self.slope),
                (&mut *of_offset, &self.offset),
            ] {
                let rows: [&[f32]; 3] =
                    std::array::from_fn(|k| &plane[(y + k - 1) * half..][..half]);
                let column = &mut column[..half];
                for i in 0..half {
                    column[i] = (rows[0][i] + rows[2][i]) + rows[1][i];
                }
            }
            let (slope, offset) = (&of_slope[..half], &of_offset[..half]);
            let row = y * half..(y + 1) * half;
            let rest = &mut rest[row.clone()];
            let (own_sites, guide) = (&sites[row.clone()], &guides[row.clone()]);
            for i in REACH..half - REACH {
                let predicted = around::<REACH>(slope, i) * guide[i] + around::<REACH>(offset, i);
                rest[i] = own_sites[i] - predicted * share;
            }
            // First-half sites beside site i of the second are i and i + 1; second-half sites beside
            // site i of the first are i - 1 and i.
            let (out, others) = (&mut guesses[row.clone()], &others[row]);
            for i in REACH + 1..half - REACH {
                let j = i - own;
                let predicted =
                    between::<REACH>(slope, j) * others[i] + between::<REACH>(offset, j);
                out[i] = predicted * share_between + 0.5 * (rest[j] + rest[j + 1]);
            }
        }
    }

    /// Adds the differences, each weighted by the inverse of its cost: residuals around it times
    /// their change (after Monno 2017, who square the first; here that was no better).
    #[inline(always)]
    fn add(&mut self) {
        let (half, height) = (self.width, self.height);
        for y in 1..height - 1 {
            let [size, change, ..] = &mut self.columns;
            let (size, change) = (&mut size[..half], &mut change[..half]);
            for (rest, cost) in self.rest.iter().zip(&mut self.costs) {
                let r: [&[f32]; 3] = std::array::from_fn(|k| &rest[(y + k - 1) * half..][..half]);
                let cost = &mut cost[..half];
                for i in 1..half - 1 {
                    size[i] = (r[0][i].abs() + r[2][i].abs()) + 2.0 * r[1][i].abs();
                    let above = (r[0][i + 1] - r[0][i - 1]).abs();
                    let here = (r[1][i + 1] - r[1][i - 1]).abs();
                    let below = (r[2][i + 1] - r[2][i - 1]).abs();
                    change[i] = (above + below) + 2.0 * here;
                }
                for i in 2..half - 2 {
                    cost[i] = (1.0 / 16.0) * (blurred(size, i) * blurred(change, i));
                }
            }
            let [a, b] = &self.costs;
            let (a, b) = (&a[..half], &b[..half]);
            let row = y * half..(y + 1) * half;
            for own in 0..2 {
                let total = &mut self.total[own][row.clone()];
                let weight = &mut self.weight[own][row.clone()];
                let sites = &self.sites[own][row.clone()];
                let guesses = &self.guesses[own][row.clone()];
                let sign = if own == 0 { 1.0 } else { -1.0 };
                for i in 2..half - 2 {
                    let cost = if own == 0 {
                        a[i] + 0.5 * (b[i - 1] + b[i])
                    } else {
                        b[i] + 0.5 * (a[i] + a[i + 1])
                    };
                    let w = 1.0 / (cost + EVEN);
                    total[i] += w * (sign * (guesses[i] - sites[i]));
                    weight[i] += w;
                }
            }
        }
    }
}

/// Sum over `REACH` values to each side of `i`, and `i`.
#[inline(always)]
fn around<const REACH: usize>(values: &[f32], i: usize) -> f32 {
    let near = values[i - 1] + values[i + 1] + values[i];
    if REACH == 1 {
        near
    } else {
        (values[i - 2] + values[i + 2]) + near
    }
}

/// Sum over `REACH` values to each side of the gap between `i` and `i + 1`.
#[inline(always)]
fn between<const REACH: usize>(values: &[f32], i: usize) -> f32 {
    let near = values[i] + values[i + 1];
    if REACH == 1 {
        near
    } else {
        (values[i - 1] + values[i + 2]) + near
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
/// towards each and, like the values, across to its opposite.
#[inline(always)]
fn weighted(centre: f32, green: [f32; 4], values: [f32; 4]) -> f32 {
    let across = [
        (green[0] - green[1]).abs() + (values[0] - values[1]).abs() + LEVEL,
        (green[2] - green[3]).abs() + (values[2] - values[3]).abs() + LEVEL,
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
