//! The sitter's outline at a picture's full size.
//!
//! Mattes are found on a small copy; read linearly at a picture several times as large, hair is softer
//! than the picture shows it and its strands break into dashes. In the narrow band around the outline the
//! compositing equation I = a F + (1 - a) B (Porter and Duff 1984) is solved again, pixel by pixel: B is
//! the backdrop's model, F the sitter's colour around the place, as the coarse matte gives it
//! (premultiplied light over alpha, both weighted by alpha and blurred). Alpha is the place of I along
//! the line from B to F (Smith and Blinn, *Blue Screen Matting*, SIGGRAPH 1996), in units of noise.
//!
//! That estimate is trusted as far as it can be (a Wiener weight: what detail of alpha is to be expected,
//! over that plus the picture's noise and the sitter's own unevenness, both seen along the line), kept
//! within what the coarse matte allows around the place, and corrected so that its mean over each of the
//! coarse matte's pixels is that pixel's (back-projection: Irani and Peleg, *Improving Resolution by
//! Image Registration*, 1991). So sureness comes from the copy, where nets and colour models have spoken,
//! and sharpness from the picture.
//!
//! What is kept is the quotient of fine and coarse alpha, in runs of the band's pixels: every part of the
//! sitter has the same one.

use std::sync::Arc;

use ndarray::Array2;

use super::backdrop::{UNIT_FLOOR, median};
use super::matte::between;
use super::{Region, Regions};
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::{Linear, Point, Rect, bands};

/// Picture pixels to a pixel of the map, along a side, from which there is something to gain.
const LARGER: f32 = 1.3;

/// Coarse alpha up to which a place is bare and from which it is covered.
const BARE: f32 = 0.001;
const COVERED: f32 = 0.999;

/// Standard deviations of the blurs that carry the sitter's colour outwards, in map pixels, and what each
/// counts. On the rendered sitters read at half and a third of their size, 1 to 4 do alike.
const SCALES: [(f32, f32); 2] = [(2.5, 1.0), (8.0, 0.02)];

/// How far around the band colours are read: 1.5 deviations of the wider blur, map pixels.
const AROUND: usize = 12;

/// Variance of alpha's detail that is to be expected: a strand is there or not.
const DETAIL: f32 = 0.1;

/// What the variance of noise and of the sitter's own colours count against it. Measured on the rendered
/// sitters: 6 and 20, 1 and 8 do nearly alike; without the second, shining strands become holes.
const NOISE: f32 = 20.0;
const UNEVEN: f32 = 3.0;

/// Blur of that unevenness, in map pixels, and what it is where nothing is covered.
const UNEVEN_AROUND: f32 = 4.0;
const UNEVEN_ELSE: f32 = 0.02;

/// Noise (standard deviation over the root of the backdrop's light) that is counted with at least, and
/// when too little backdrop is there to measure it: about that of a raw frame at ISO 100.
const LEAST_NOISE: f32 = 0.003;
const USUAL_NOISE: f32 = 0.006;

/// Fine over coarse alpha in the band around the outline, for the rows of a picture.
#[derive(Debug, PartialEq)]
struct Edge {
    rows: Vec<Row>,
}

#[derive(Debug, Default, PartialEq)]
struct Row {
    /// First column and one past the last of each run, and where its values begin.
    runs: Vec<[u32; 3]>,
    times: Vec<f32>,
}

/// What makes a coarse matte a fine one: see the head of the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Detail {
    edge: Arc<Edge>,
    /// Where the matte's picture begins in the one the edge was found in.
    left: usize,
    top: usize,
    /// Whether the matte is all but the sitter.
    inverse: bool,
}

impl Detail {
    /// The same for a part of the picture.
    pub(super) fn moved(&self, part: Rect) -> Self {
        Self {
            left: self.left + part.left,
            top: self.top + part.top,
            ..self.clone()
        }
    }

    /// The same for what the matte leaves.
    pub(super) fn inverted(&self) -> Self {
        Self {
            inverse: !self.inverse,
            ..self.clone()
        }
    }

    /// Makes the coarse values of the first columns of row `y` fine.
    pub(super) fn sharpen(&self, y: usize, values: &mut [f32]) {
        let Some(row) = self.edge.rows.get(self.top + y) else {
            return;
        };
        let (left, end) = (self.left, self.left + values.len());
        for &[first, last, from] in &row.runs {
            let (first, last) = (first as usize, last as usize);
            let (start, stop) = (first.max(left), last.min(end));
            if start >= stop {
                continue;
            }
            let times = &row.times[from as usize + start - first..][..stop - start];
            let values = &mut values[start - left..stop - left];
            if self.inverse {
                for (value, times) in values.iter_mut().zip(times) {
                    *value = 1.0 - ((1.0 - *value) * times).min(1.0);
                }
            } else {
                for (value, times) in values.iter_mut().zip(times) {
                    *value = (*value * times).min(1.0);
                }
            }
        }
    }

    /// What one coarse value becomes.
    pub(super) fn sharpened(&self, y: usize, x: usize, value: f32) -> f32 {
        let column = Self {
            left: self.left + x,
            ..self.clone()
        };
        let mut value = [value];
        column.sharpen(y, &mut value);
        value[0]
    }
}

impl Regions {
    /// The same regions with the outline as `picture` shows it, which these are for: scene-linear, the
    /// backdrop still the sitter's own. Nothing changes when the picture is not much larger than the maps
    /// or no backdrop is known.
    #[must_use]
    pub fn refined(mut self, picture: &Linear) -> Self {
        let Some(edge) = Band::new(&self, picture).map(|band| band.edge(picture)) else {
            return self;
        };
        let detail = Detail {
            edge: Arc::new(edge),
            left: 0,
            top: 0,
            inverse: false,
        };
        let person = self.region(Region::Person);
        for (_, matte) in &mut self.mattes {
            if matte.shares_geometry(&person) {
                matte.detail = Some(detail.clone());
            }
        }
        self
    }
}

/// Where a picture's rows or columns lie on a map.
struct Axis {
    /// For each picture pixel the map pixel before its centre and how far it lies from that to the next.
    places: Vec<(usize, usize, f32)>,
    /// First picture pixel whose centre lies in each map pixel, and the picture's end.
    inside: Vec<usize>,
    /// First picture pixel that reads each map pixel as the one before it, and the picture's end.
    after: Vec<usize>,
}

impl Axis {
    fn new(count: usize, length: usize, origin: f32, step: f32) -> Self {
        let at = |i: usize| origin + step * (i as f32 + 0.5);
        let places: Vec<_> = (0..length).map(|i| between(at(i), count)).collect();
        let starts = |cell: &dyn Fn(usize) -> usize| {
            let mut starts = Vec::with_capacity(count + 1);
            for i in 0..length {
                while starts.len() <= cell(i).min(count - 1) {
                    starts.push(i);
                }
            }
            starts.resize(count + 1, length);
            starts
        };
        let inside = starts(&|i| at(i).max(0.0) as usize);
        let after = starts(&|i| places[i].0);
        Self {
            places,
            inside,
            after,
        }
    }
}

/// Planes of [`Band`].
const ALPHA: usize = 0;
const MOST: usize = 1;
const LEAST: usize = 2;
const UNEVENNESS: usize = 3;
const SITTER: [usize; 3] = [4, 5, 6];
const BACKDROP: [usize; 3] = [7, 8, 9];
const PLANES: usize = 10;

/// All that is known on the map.
struct Band {
    planes: [Array2<f32>; PLANES],
    /// Map pixels of the band.
    open: Array2<bool>,
    down: Axis,
    across: Axis,
    /// How many times as much as around it alpha may be at one pixel: a strand narrower than a map pixel.
    most: f32,
    /// Variance of noise.
    noise: f32,
}

impl Band {
    /// `None` when there is nothing to refine.
    fn new(regions: &Regions, picture: &Linear) -> Option<Self> {
        let person = regions.region(Region::Person);
        let model = regions.backdrop.as_ref()?;
        let (size, step) = (picture.size(), person.step);
        let narrow = |step: f32| step > 0.0 && step * LARGER <= 1.0;
        if size != regions.size || !(narrow(step.x) && narrow(step.y)) {
            return None;
        }
        // Only the map's part that the picture shows.
        let (rows, columns) = person.map.dim();
        let window = |origin: f32, step: f32, length: usize, count: usize| {
            let first = (origin.max(0.0) as usize).min(count.checked_sub(1)?);
            let last = ((origin + step * length as f32).max(0.0) as usize + 2).min(count);
            (last > first).then_some((first, last - first))
        };
        let (top, height) = window(person.origin.y, step.y, size.height, rows)?;
        let (left, width) = window(person.origin.x, step.x, size.width, columns)?;
        let shown = Rect {
            left,
            top,
            width,
            height,
        };
        let alpha = shown.of(person.map.view()).to_owned();
        let origin = Point {
            x: person.origin.x - left as f32,
            y: person.origin.y - top as f32,
        };
        let down = Axis::new(height, size.height, origin.y, step.y);
        let across = Axis::new(width, size.width, origin.x, step.x);
        let most = dilate(alpha.view(), 1);
        let least = erode(alpha.view(), 1);
        let open = ndarray::Zip::from(&most)
            .and(&least)
            .map_collect(|&most, &least| most > BARE && least < COVERED);
        if !open.iter().any(|&open| open) {
            return None;
        }
        // The backdrop's model is coarser than the map, so the pixel at the middle says enough.
        let middles = |axis: &Axis| -> Vec<usize> {
            let middle = |ends: &[usize]| (ends[0] + ends[1]) / 2;
            let end = axis.places.len() - 1;
            axis.inside.windows(2).map(|e| middle(e).min(end)).collect()
        };
        let (ys, xs) = (middles(&down), middles(&across));
        let backdrop = model.surface.each_ref().map(|surface| {
            Array2::from_shape_fn(alpha.dim(), |(y, x)| surface.at(ys[y], xs[x]).max(0.0))
        });
        let noise = noise(picture, &backdrop, &most, (&ys, &xs));
        let around = dilate(open.mapv(|o| if o { 1.0 } else { 0.0 }).view(), AROUND);
        let sitter = sitter(picture, &alpha, &backdrop, &around, (&down, &across));
        let uneven = unevenness(
            picture,
            (&alpha, &around),
            (&sitter, &backdrop),
            (&down, &across),
        );
        let [red, green, blue] = sitter;
        let [r, g, b] = backdrop;
        Some(Self {
            planes: [alpha, most, least, uneven, red, green, blue, r, g, b],
            open,
            down,
            across,
            most: (1.0 / step.x.min(step.y)).min(5.0),
            noise: noise * noise,
        })
    }

    /// Solves the band's pixels.
    fn edge(&self, picture: &Linear) -> Edge {
        let count = picture.size().height;
        let rows: Vec<usize> = (0..count).collect();
        let mut found: Vec<Row> = bands::gathered(&rows, || (), |(), y| self.solved(picture, y));
        let rest = self.rest(&found);
        let taken: Vec<(usize, Row)> = found.drain(..).enumerate().collect();
        let rows = bands::mapped(taken, |(y, row)| self.corrected(&rest, y, row));
        Edge { rows }
    }

    /// Calls `work(columns, left, right)` for the runs of row `y` that lie between two map columns of
    /// the band: columns of the picture and the planes' values at both.
    fn each_stretch<const N: usize>(
        &self,
        y: usize,
        planes: [&Array2<f32>; N],
        mut work: impl FnMut(std::ops::Range<usize>, [f32; N], [f32; N]),
    ) {
        let (top, low, share) = self.down.places[y];
        let width = self.open.ncols();
        let open = |x: usize| self.open[[top, x]] || self.open[[low, x]];
        let read = |x: usize| {
            planes.map(|plane| {
                let (a, b) = (plane[[top, x]], plane[[low, x]]);
                a + (b - a) * share
            })
        };
        for x in 0..width {
            let next = (x + 1).min(width - 1);
            let columns = self.across.after[x]..self.across.after[x + 1];
            if !columns.is_empty() && (open(x) || open(next)) {
                work(columns, read(x), read(next));
            }
        }
    }

    /// First estimate of alpha in the band of row `y`.
    fn solved(&self, picture: &Linear, y: usize) -> Row {
        let mut row = Row::default();
        let light = picture.planes.each_ref().map(|plane| plane.row(y));
        self.each_stretch(y, self.planes.each_ref(), |columns, left, right| {
            row.go_on(&columns);
            for x in columns {
                let share = self.across.places[x].2;
                let at: [f32; PLANES] =
                    std::array::from_fn(|i| left[i] + (right[i] - left[i]) * share);
                let (mut along, mut square) = (0.0, 0.0);
                for c in 0..3 {
                    let (f, b) = (at[SITTER[c]], at[BACKDROP[c]]);
                    let per_noise = 1.0 / (b + UNIT_FLOOR);
                    along += (f - b) * (light[c][x] - b) * per_noise;
                    square += (f - b) * (f - b) * per_noise;
                }
                let coarse = at[ALPHA];
                let seen = (along / (square + self.noise)).max(0.0).min(1.0);
                let doubt = NOISE * self.noise / (square + 1e-9) + UNEVEN * at[UNEVENNESS] * coarse;
                let trust = DETAIL / (DETAIL + doubt);
                row.times
                    .push(self.kept_in(coarse + trust * (seen - coarse), [at[MOST], at[LEAST]]));
            }
        });
        row
    }

    /// No more and no less than the coarse matte around the place allows.
    #[inline(always)]
    fn kept_in(&self, alpha: f32, [most, least]: [f32; 2]) -> f32 {
        let high = (self.most * most).min(1.0);
        let low = (1.0 - self.most * (1.0 - least)).max(0.0);
        alpha.min(high).max(low)
    }

    /// How far the coarse matte is above the mean of the fine one, per map pixel.
    fn rest(&self, found: &[Row]) -> Array2<f32> {
        let mut sums = Array2::<f32>::zeros(self.open.dim());
        let mut counts = sums.clone();
        let (mut down, ends) = (0, &self.down.inside);
        for (y, row) in found.iter().enumerate() {
            while down + 1 < self.open.nrows() && y >= ends[down + 1] {
                down += 1;
            }
            for &[first, last, from] in &row.runs {
                let values = &row.times[from as usize..][..(last - first) as usize];
                let mut x = self.across.inside.partition_point(|&s| s <= first as usize) - 1;
                for (column, alpha) in (first as usize..).zip(values) {
                    while x + 1 < self.open.ncols() && column >= self.across.inside[x + 1] {
                        x += 1;
                    }
                    sums[[down, x]] += alpha;
                    counts[[down, x]] += 1.0;
                }
            }
        }
        ndarray::Zip::from(&self.planes[ALPHA])
            .and(&sums)
            .and(&counts)
            .map_collect(|&alpha, &sum, &count| {
                if count > 0.0 {
                    alpha - sum / count
                } else {
                    0.0
                }
            })
    }

    /// The estimates with the rest added, over the coarse alpha.
    fn corrected(&self, rest: &Array2<f32>, y: usize, mut row: Row) -> Row {
        let planes = [
            &self.planes[ALPHA],
            &self.planes[MOST],
            &self.planes[LEAST],
            rest,
        ];
        let mut values = row.times.iter_mut();
        self.each_stretch(y, planes, |columns, left, right| {
            for (x, value) in columns.zip(values.by_ref()) {
                let share = self.across.places[x].2;
                let at: [f32; 4] = std::array::from_fn(|i| left[i] + (right[i] - left[i]) * share);
                let [coarse, most, least, rest] = at;
                // Under a ten-thousandth there is nothing to sharpen.
                *value = if coarse > 1e-4 {
                    self.kept_in(*value + rest, [most, least]) / coarse
                } else {
                    1.0
                };
            }
        });
        row
    }
}

impl Row {
    /// Makes room for columns that follow on the last run or begin a new one.
    fn go_on(&mut self, columns: &std::ops::Range<usize>) {
        let (first, last) = (columns.start as u32, columns.end as u32);
        match self.runs.last_mut() {
            Some(run) if run[1] == first => run[1] = last,
            _ => self.runs.push([first, last, self.times.len() as u32]),
        }
    }
}

/// Robust deviation of single pixels from the backdrop, over the root of its light.
fn noise(
    picture: &Linear,
    backdrop: &[Array2<f32>; 3],
    most: &Array2<f32>,
    (ys, xs): (&[usize], &[usize]),
) -> f32 {
    let mut off = Vec::new();
    for y in (0..ys.len()).step_by(7) {
        for x in (0..xs.len()).step_by(7) {
            if most[[y, x]] < BARE {
                let light = picture.at(ys[y], xs[x]);
                for (light, backdrop) in light.into_iter().zip(backdrop) {
                    let b = backdrop[[y, x]];
                    off.push((light - b).abs() / (b + UNIT_FLOOR).sqrt());
                }
            }
        }
    }
    if off.len() < 300 {
        return USUAL_NOISE;
    }
    // Median absolute deviation to standard deviation of a normal.
    (1.4826 * median(&mut off)).max(LEAST_NOISE)
}

/// The sitter's colour around each place, carried outwards.
fn sitter(
    picture: &Linear,
    alpha: &Array2<f32>,
    backdrop: &[Array2<f32>; 3],
    around: &Array2<f32>,
    (down, across): (&Axis, &Axis),
) -> [Array2<f32>; 3] {
    let (height, width) = alpha.dim();
    let weight = alpha * around;
    let rows: Vec<usize> = (0..height).collect();
    // Premultiplied light of each map pixel that counts, times its alpha.
    let means = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let lines = down.inside[y]..down.inside[y + 1];
            let mut means = vec![[0.0_f32; 3]; width];
            for (x, mean) in means.iter_mut().enumerate() {
                let columns = across.inside[x]..across.inside[x + 1];
                let count = lines.len() * columns.len();
                let weight = weight[[y, x]];
                if weight <= 0.0 || count == 0 {
                    continue;
                }
                for (c, mean) in mean.iter_mut().enumerate() {
                    let mut sum = 0.0;
                    for line in lines.clone() {
                        let row = picture.planes[c].row(line);
                        for &light in row.iter().skip(columns.start).take(columns.len()) {
                            sum += light;
                        }
                    }
                    let bare = (1.0 - alpha[[y, x]]) * backdrop[c][[y, x]];
                    *mean = weight * (sum / count as f32 - bare);
                }
            }
            means
        },
    );
    let blurred = |plane: &Array2<f32>| {
        let mut out = Array2::zeros(plane.dim());
        for (sigma, counts) in SCALES {
            out.scaled_add(counts, &gaussian(plane.view(), sigma));
        }
        out
    };
    let all = blurred(&(&weight * alpha));
    [0, 1, 2].map(|c| {
        let light = Array2::from_shape_fn(alpha.dim(), |(y, x)| means[y][x][c]);
        let mut light = blurred(&light);
        light.zip_mut_with(&all, |f, &all| *f = (*f / (all + 1e-6)).max(0.0));
        light
    })
}

/// How unevenly what is covered lies along the line from the backdrop to the sitter's colour: a
/// variance of alpha.
fn unevenness(
    picture: &Linear,
    (alpha, around): (&Array2<f32>, &Array2<f32>),
    (sitter, backdrop): (&[Array2<f32>; 3], &[Array2<f32>; 3]),
    (down, across): (&Axis, &Axis),
) -> Array2<f32> {
    /// Alpha from which a map pixel is covered.
    const SOLID: f32 = 0.97;
    let (height, width) = alpha.dim();
    let rows: Vec<usize> = (0..height).collect();
    let squares = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let lines = down.inside[y]..down.inside[y + 1];
            let mut squares = vec![[0.0_f32; 2]; width];
            for (x, square) in squares.iter_mut().enumerate() {
                let columns = across.inside[x]..across.inside[x + 1];
                let count = lines.len() * columns.len();
                if alpha[[y, x]] <= SOLID || around[[y, x]] <= 0.0 || count == 0 {
                    continue;
                }
                let b = backdrop.each_ref().map(|plane| plane[[y, x]]);
                let line: [f32; 3] = std::array::from_fn(|c| sitter[c][[y, x]] - b[c]);
                let per_noise = b.map(|b| 1.0 / (b + UNIT_FLOOR));
                let norm: f32 = (0..3).map(|c| line[c] * line[c] * per_noise[c]).sum();
                let mut sum = 0.0;
                for place in lines.clone() {
                    for column in columns.clone() {
                        let light = picture.at(place, column);
                        let along: f32 = (0..3)
                            .map(|c| line[c] * (light[c] - b[c]) * per_noise[c])
                            .sum();
                        let off = along / norm.max(1e-9) - 1.0;
                        sum += (off * off).min(1.0);
                    }
                }
                *square = [sum / count as f32, 1.0];
            }
            squares
        },
    );
    let [sums, counts] = [0, 1].map(|i| {
        let plane = Array2::from_shape_fn(alpha.dim(), |(y, x)| squares[y][x][i]);
        gaussian(plane.view(), UNEVEN_AROUND)
    });
    // What nothing measures counts a fiftieth of a covered pixel.
    let mut out = sums;
    out.zip_mut_with(&counts, |sum, &count| {
        *sum = (*sum + 0.02 * UNEVEN_ELSE) / (count + 0.02);
    });
    out
}
