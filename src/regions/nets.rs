//! What the nets say: faces, landmarks, irises, rough person, hair and eleven parts.
//!
//! Tensors, crops and weights of the merges follow the models' own page. All maps come out at
//! half the picture's size ([`COARSE`]), as log-odds or log-probabilities, to be refined by what
//! the picture itself shows.

use ndarray::{Array2, Array3, ArrayD, Axis};

use super::beard;
use super::collar;
use super::crop::{Crop, Pyramid, cut_planes, fade};
use super::jaw;
use super::models::{Which, net};
use super::opinion;
use super::plane::Between;
use super::tones;
use crate::picture::math::{exp, ln};
use crate::picture::{Point, Size, bands};

/// Picture pixels per pixel of the rough maps.
pub(super) const COARSE: usize = 2;

/// Classes of the parts net, in its order.
pub(super) const CLASSES: usize = 11;

/// Places of the two classes of an eyeball.
pub(super) const SCLERA: usize = 6;
pub(super) const IRIS: usize = 7;

/// One face as the detector tells it, in picture pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Face {
    /// Middle of the box.
    pub(super) centre: Point,
    /// Width and height of the box.
    pub(super) extent: (f32, f32),
    /// Right eye, left eye, nose tip, mouth, right ear, left ear (the sitter's).
    pub(super) keys: [Point; 6],
    /// Probability.
    pub(super) score: f32,
}

impl Face {
    fn overlap(&self, other: &Self) -> f32 {
        let side = |a: f32, wa: f32, b: f32, wb: f32| {
            ((a + wa / 2.0).min(b + wb / 2.0) - (a - wa / 2.0).max(b - wb / 2.0)).max(0.0)
        };
        let both = side(self.centre.x, self.extent.0, other.centre.x, other.extent.0)
            * side(self.centre.y, self.extent.1, other.centre.y, other.extent.1);
        both / (self.extent.0 * self.extent.1 + other.extent.0 * other.extent.1 - both).max(1e-6)
    }
}

#[inline(always)]
fn log_odds(p: f32) -> f32 {
    let p = p.max(1e-5).min(1.0 - 1e-5);
    ln(p / (1.0 - p))
}

#[inline(always)]
fn logistic(z: f32) -> f32 {
    1.0 / (1.0 + exp(-z.max(-80.0).min(80.0)))
}

fn run(which: Which, input: Array3<f32>) -> Vec<ArrayD<f32>> {
    net(which)
        .and_then(|net| net.run(input.insert_axis(Axis(0)).into_dyn()))
        .unwrap_or_default()
}

/// Anchor centres, in 0..1 of the crop.
fn anchors(which: Which) -> Vec<Point> {
    let grid = |cells: usize, each: usize| {
        let c = cells as f32;
        (0..cells * cells * each).map(move |i| {
            let cell = i / each;
            Point {
                x: ((cell % cells) as f32 + 0.5) / c,
                y: ((cell / cells) as f32 + 0.5) / c,
            }
        })
    };
    match which {
        Which::FaceShort => grid(16, 2).chain(grid(8, 6)).collect(),
        _ => grid(48, 1).collect(),
    }
}

/// All faces of the picture, surest first. The whole frame first, then overlapping squares of
/// three quarters of its short side, then the same with the net for near faces.
pub(super) fn faces(picture: &Pyramid, size: Size) -> Vec<Face> {
    let (w, h) = (size.width as f32, size.height as f32);
    let mut tiles = vec![(
        Point {
            x: w / 2.0,
            y: h / 2.0,
        },
        w.max(h),
    )];
    for x in [0.33, 0.5, 0.67] {
        for y in [0.33, 0.6] {
            tiles.push((Point { x: w * x, y: h * y }, w.min(h) * 0.75));
        }
    }
    for (which, n) in [(Which::FaceFull, 192), (Which::FaceShort, 128)] {
        let anchors = anchors(which);
        for &(centre, side) in &tiles {
            let found = faces_in(picture, which, &anchors, Crop::level(centre, side, n));
            if !found.is_empty() {
                return found;
            }
        }
    }
    Vec::new()
}

/// Box regressions of one crop, thresholded and thinned (overlap above 0.3 is the same face).
fn faces_in(picture: &Pyramid, which: Which, anchors: &[Point], crop: Crop) -> Vec<Face> {
    let out = run(which, picture.cut(&crop).mapv(|v| v * 2.0 - 1.0));
    let [boxes, scores] = out.as_slice() else {
        return Vec::new();
    };
    let n = crop.n as f32;
    let mut found: Vec<Face> = Vec::new();
    for (i, anchor) in anchors.iter().enumerate() {
        let score = scores.get([0, i, 0]).copied().map_or(0.0, logistic);
        if score < 0.5 {
            continue;
        }
        let at = |k: usize| boxes.get([0, i, k]).copied().unwrap_or(0.0);
        let place = |k: usize| {
            crop.to_picture(Point {
                x: at(k) + anchor.x * n,
                y: at(k + 1) + anchor.y * n,
            })
        };
        found.push(Face {
            centre: place(0),
            extent: (at(2) * crop.step_x, at(3) * crop.step_y),
            keys: std::array::from_fn(|k| place(4 + 2 * k)),
            score,
        });
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Face> = Vec::new();
    for face in found {
        let sane = face.extent.0 > 1.0 && face.extent.1 > 1.0;
        if sane && kept.iter().all(|k| k.overlap(&face) < 0.3) {
            kept.push(face);
        }
    }
    kept
}

/// The face mesh in picture pixels.
pub(super) struct Mesh {
    /// 478 places.
    pub(super) points: Vec<Point>,
    /// Their depths in picture pixels, smaller is nearer.
    pub(super) depth: Vec<f32>,
    /// Probability that there is a face.
    pub(super) score: f32,
}

fn minus(a: Point, b: Point) -> Point {
    Point {
        x: a.x - b.x,
        y: a.y - b.y,
    }
}

/// Landmarks: a first crop from the detector's box, then twice from the landmarks themselves.
pub(super) fn mesh(picture: &Pyramid, face: &Face) -> Option<Mesh> {
    let mut along = minus(face.keys[1], face.keys[0]);
    let (mut centre, mut side) = (face.centre, face.extent.0.max(face.extent.1) * 1.5);
    let mut found = None;
    for _ in 0..3 {
        let crop = Crop::square(centre, side, along, 256);
        let out = run(Which::Mesh, picture.cut(&crop));
        let (raw, score) = (out.first()?, out.get(1)?);
        let raw: Vec<f32> = raw.iter().copied().collect();
        if raw.len() != 478 * 3 || raw.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let points: Vec<Point> = raw
            .chunks_exact(3)
            .map(|p| crop.to_picture(Point { x: p[0], y: p[1] }))
            .collect();
        let depth = raw.chunks_exact(3).map(|p| p[2] * crop.step_x).collect();
        along = minus(points[263], points[33]);
        let length = (along.x * along.x + along.y * along.y).sqrt().max(1e-3);
        let (c, s) = (along.x / length, along.y / length);
        let (mut low, mut high) = ((f32::MAX, f32::MAX), (f32::MIN, f32::MIN));
        for p in &points[..468] {
            let (u, v) = (c * p.x + s * p.y, c * p.y - s * p.x);
            low = (low.0.min(u), low.1.min(v));
            high = (high.0.max(u), high.1.max(v));
        }
        let (u, v) = ((low.0 + high.0) / 2.0, (low.1 + high.1) / 2.0);
        centre = Point {
            x: c * u - s * v,
            y: s * u + c * v,
        };
        side = (high.0 - low.0).max(high.1 - low.1) * 1.5;
        let score = logistic(score.iter().next().copied().unwrap_or(-80.0));
        found = Some(Mesh {
            points,
            depth,
            score,
        });
    }
    found
}

/// Centre and mean radius of one iris by the iris net. `outer` and `inner` are the eye's
/// corners; the net knows the right eye, so the left one is shown in a mirror.
pub(super) fn iris(
    picture: &Pyramid,
    outer: Point,
    inner: Point,
    left: bool,
) -> Option<(Point, f32)> {
    let along = if left {
        minus(outer, inner)
    } else {
        minus(inner, outer)
    };
    let middle = Point {
        x: (outer.x + inner.x) / 2.0,
        y: (outer.y + inner.y) / 2.0,
    };
    let mut crop = Crop::square(middle, outer.distance(inner) * 2.3, along, 64);
    if left {
        crop = crop.mirrored();
    }
    let out = run(Which::Iris, picture.cut(&crop));
    let raw: Vec<f32> = out.get(1)?.iter().copied().collect();
    if raw.len() != 15 || raw.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let p: Vec<Point> = raw
        .chunks_exact(3)
        .map(|p| crop.to_picture(Point { x: p[0], y: p[1] }))
        .collect();
    Some((
        p[0],
        p[1..].iter().map(|q| q.distance(p[0])).sum::<f32>() / 4.0,
    ))
}

/// Where the face is, for placing the crops of the class nets.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axes {
    /// Midway between the eyes.
    pub(super) middle: Point,
    /// Unit vector along the eye line, to the picture's right.
    pub(super) right: Point,
    /// Unit vector across it, downwards.
    pub(super) down: Point,
    /// From the middle to the chin, in pixels.
    pub(super) unit: f32,
}

impl Axes {
    pub(super) fn new(eyes: [Point; 2], chin: Point) -> Self {
        let along = minus(eyes[1], eyes[0]);
        let length = (along.x * along.x + along.y * along.y).sqrt().max(1e-3);
        let right = Point {
            x: along.x / length,
            y: along.y / length,
        };
        let middle = Point {
            x: (eyes[0].x + eyes[1].x) / 2.0,
            y: (eyes[0].y + eyes[1].y) / 2.0,
        };
        let down = Point {
            x: -right.y,
            y: right.x,
        };
        Self {
            middle,
            right,
            down,
            unit: middle.distance(chin).max(1.0),
        }
    }

    /// Position of a place in units of eyes to chin: rightwards, downwards.
    pub(super) fn of(&self, p: Point) -> (f32, f32) {
        let d = minus(p, self.middle);
        (
            (d.x * self.right.x + d.y * self.right.y) / self.unit,
            (d.x * self.down.x + d.y * self.down.y) / self.unit,
        )
    }

    /// [`Self::of`] for the middle of a half-size pixel.
    pub(super) fn of_half(&self, y: usize, x: usize) -> (f32, f32) {
        let [x, y] = [x, y].map(|at| (at as f32 + 0.5) * COARSE as f32);
        self.of(Point { x, y })
    }

    /// The place `down` units below the eyes.
    pub(super) fn below(&self, down: f32) -> Point {
        let k = down * self.unit;
        Point {
            x: self.middle.x + self.down.x * k,
            y: self.middle.y + self.down.y * k,
        }
    }
}

/// Face height over the distance from the eyes to the chin, as the parts net was trained.
const FACE_HEIGHT: f32 = 1.9;

/// One crop's answer, to be laid over the half-size picture.
struct Layer<'a> {
    /// With level sides.
    crop: Crop,
    /// One map per class, each the crop's n x n values.
    maps: &'a [f32],
    trust: f32,
    /// Over which share of each half side trust fades to nothing.
    edge: f32,
}

/// Rows of the half-size picture that one thread lays in one go.
const BAND: usize = 16;

/// Lays crops over the half-size picture: weighted means of log-odds, finer crops weighing more.
/// `empty`: what stands where no crop reaches, per class. `finish` sees bands of rows of all
/// classes.
fn merge(
    size: (usize, usize),
    layers: &[Layer<'_>],
    empty: &[f32],
    finish: impl Fn(&mut [&mut [f32]]) + Sync,
) -> Array3<f32> {
    let (high, wide) = size;
    let mut out = Array3::zeros((empty.len(), high, wide));
    let laid: Vec<Laid> = layers.iter().map(|layer| Laid::new(layer, wide)).collect();
    let planes = out.as_slice_mut().expect("just made");
    let planes = planes.chunks_exact_mut((high * wide).max(1));
    bands::each_piece_of_all(planes, BAND * wide, |band, classes| {
        let rows = classes.first().map_or(0, |rows| rows.len() / wide);
        let mut weights: Vec<Vec<f32>> = layers.iter().map(|_| vec![0.0; wide]).collect();
        let mut total = vec![0.0; wide];
        for row in 0..rows {
            let y = ((band * BAND + row) as f32 + 0.5) * COARSE as f32;
            let down = layers
                .iter()
                .map(|layer| layer.crop.to_crop(Point { x: 0.0, y }).y);
            let down: Vec<f32> = down.collect();
            total.fill(1e-6);
            for (i, (layer, laid)) in layers.iter().zip(&laid).enumerate() {
                // The first one counts a little everywhere.
                let reach = if i == 0 { 1e-3 } else { 0.0 };
                let (trust, side) = (layer.trust, fade(down[i], layer.crop.n, layer.edge));
                let (sides, weights, total) = (&laid.fade[..], &mut weights[i][..], &mut total[..]);
                bands::vectorised(
                    #[inline(always)]
                    move || {
                        let both = weights.iter_mut().zip(total).zip(sides);
                        for ((weight, total), &across) in both {
                            *weight = trust * across.min(side).max(reach);
                            *total += *weight;
                        }
                    },
                );
            }
            for (class, rows) in classes.iter_mut().enumerate() {
                let out = &mut rows[row * wide..][..wide];
                out.fill(empty[class] * 1e-6);
                for (i, (layer, laid)) in layers.iter().zip(&laid).enumerate() {
                    let line = Between::new(down[i], layer.crop.n);
                    let lines = [line.first, line.second];
                    let [top, low] = lines.map(|y| laid.row(class * layer.crop.n + y));
                    let (weights, out, share) = (&weights[i][..], &mut out[..], line.share);
                    bands::vectorised(
                        #[inline(always)]
                        move || {
                            let maps = top.iter().zip(low);
                            for ((sum, &w), (&top, &low)) in out.iter_mut().zip(weights).zip(maps) {
                                *sum += w * (top + (low - top) * share);
                            }
                        },
                    );
                }
                let total = &total[..];
                bands::vectorised(
                    #[inline(always)]
                    move || out.iter_mut().zip(total).for_each(|(v, &w)| *v /= w),
                );
            }
        }
        finish(classes);
    });
    out
}

/// A layer's maps, read at the columns of the half-size picture.
struct Laid {
    /// The rows of all maps, each as wide as the half-size picture.
    rows: Vec<f32>,
    /// Trust along the rows.
    fade: Vec<f32>,
}

impl Laid {
    fn new(layer: &Layer<'_>, wide: usize) -> Self {
        let n = layer.crop.n;
        let along: Vec<f32> = (0..wide)
            .map(|x| {
                let x = (x as f32 + 0.5) * COARSE as f32;
                layer.crop.to_crop(Point { x, y: 0.0 }).x
            })
            .collect();
        let columns: Vec<Between> = along.iter().map(|&x| Between::new(x, n)).collect();
        let fade = along.iter().map(|&x| fade(x, n, layer.edge)).collect();
        let mut rows = vec![0.0; layer.maps.len() / n * wide];
        bands::each_piece(&mut rows, wide, |y, row| {
            let from = &layer.maps[y * n..][..n];
            for (to, column) in row.iter_mut().zip(&columns) {
                *to = column.read(from);
            }
        });
        Self { rows, fade }
    }

    fn row(&self, y: usize) -> &[f32] {
        let wide = self.fade.len();
        &self.rows[y * wide..][..wide]
    }
}

/// Values of each class that are turned into probabilities together.
const TOGETHER: usize = 64;

/// Calls `each(values of all classes, largest, sum of the exponentials of what they are below it)`
/// for bits of all classes. Never a sum over places.
#[inline(always)]
fn with_sums(
    classes: &mut [&mut [f32]],
    each: impl Fn(&mut [&mut [f32]], std::ops::Range<usize>, &[f32; TOGETHER], &[f32; TOGETHER]),
) {
    let count = classes.first().map_or(0, |values| values.len());
    for start in (0..count).step_by(TOGETHER) {
        let range = start..count.min(start + TOGETHER);
        let (mut top, mut sum) = ([f32::MIN; TOGETHER], [0.0; TOGETHER]);
        for values in &*classes {
            for (top, &v) in top.iter_mut().zip(&values[range.clone()]) {
                *top = if v > *top { v } else { *top };
            }
        }
        for values in &*classes {
            let values = &values[range.clone()];
            for ((sum, &top), &v) in sum.iter_mut().zip(&top).zip(values) {
                *sum += exp(v - top);
            }
        }
        each(classes, range, &top, &sum);
    }
}

/// Log-odds of classes to probabilities that add up to 1.
fn probabilities(classes: &mut [&mut [f32]]) {
    bands::vectorised(
        #[inline(always)]
        || {
            with_sums(
                classes,
                #[inline(always)]
                |classes, range, top, sum| {
                    for values in classes {
                        let values = values[range.clone()].iter_mut();
                        for ((v, &top), &sum) in values.zip(top).zip(sum) {
                            *v = exp(*v - top) / sum;
                        }
                    }
                },
            );
        },
    );
}

/// Log-odds of classes to logarithms of probabilities.
fn log_probabilities(classes: &mut [&mut [f32]]) {
    bands::vectorised(
        #[inline(always)]
        || {
            with_sums(
                classes,
                #[inline(always)]
                |classes, range, top, sum| {
                    let mut shift = *top;
                    for (shift, &sum) in shift.iter_mut().zip(sum) {
                        *shift += ln(sum);
                    }
                    for values in classes {
                        let values = values[range.clone()].iter_mut();
                        values.zip(&shift).for_each(|(v, shift)| *v -= shift);
                    }
                },
            );
        },
    );
}

/// Changes every value of a map, on its own.
fn changed(mut map: Vec<f32>, change: impl Fn(f32) -> f32 + Sync) -> Vec<f32> {
    bands::each_piece(&mut map, 1024, |_, values| {
        bands::vectorised(
            #[inline(always)]
            || values.iter_mut().for_each(|v| *v = change(*v)),
        );
    });
    map
}

/// Log-odds of person and of hair, at half size.
#[allow(
    clippy::redundant_closure,
    reason = "a function by its name would not be vectorised (see bands::vectorised)"
)]
pub(super) fn person_and_hair(picture: &Pyramid, size: Size, axes: &Axes) -> [Array2<f32>; 2] {
    let half = (size.height.div_ceil(COARSE), size.width.div_ceil(COARSE));
    let height = FACE_HEIGHT * axes.unit;
    // What a net gives is stored in row order.
    let values = |out: ArrayD<f32>| out.into_raw_vec_and_offset().0;
    let unknown = |crop: Crop| vec![-9.0; crop.n * crop.n];
    let person = |crop: Crop| {
        let out = run(Which::Selfie, picture.cut(&crop));
        match out.into_iter().next() {
            Some(p) if p.shape() == [1, 1, crop.n, crop.n] => changed(
                values(p),
                #[inline(always)]
                |p| log_odds(p),
            ),
            _ => unknown(crop),
        }
    };
    let hair = |crop: Crop| {
        let out = run(Which::Hair, picture.cut(&crop));
        match out.into_iter().next() {
            Some(l) if l.shape() == [1, 2, crop.n, crop.n] => {
                let both = values(l);
                let (other, hair) = both.split_at(crop.n * crop.n);
                hair.iter().zip(other).map(|(h, o)| h - o).collect()
            }
            _ => unknown(crop),
        }
    };
    // The whole frame counts only where the finer crops end: shoulders of a wide frame.
    let whole = Crop::stretched(size, 256);
    let wide = Crop::level(axes.below(0.9), 3.6 * height, 256);
    let near = Crop::level(axes.below(0.3), 2.4 * height, 256);
    let hair_wide = Crop::level(axes.below(0.65), 3.6 * height, 512);
    let hair_near = Crop::level(axes.below(0.0), 2.3 * height, 512);
    // The long ones first, or a thread waits for the last.
    let ((hair_far, of_frame), (hair_close, (far, close))) = bands::both(
        || (hair(hair_wide), person(whole)),
        || (hair(hair_near), (person(wide), person(near))),
    );
    let layer = |crop, maps, trust, edge| Layer {
        crop,
        maps,
        trust,
        edge,
    };
    let persons = [
        layer(whole, &of_frame[..], 0.25, 0.01),
        layer(wide, &far, 1.0, 0.3),
        layer(near, &close, 4.0, 0.3),
    ];
    let hairs = [
        layer(hair_wide, &hair_far[..], 1.0, 0.3),
        layer(hair_near, &hair_close, 4.0, 0.3),
    ];
    [&persons[..], &hairs]
        .map(|layers| merge(half, layers, &[-9.0], |_| {}).index_axis_move(Axis(0), 0))
}

/// Probabilities of the eleven classes at half size: `[11, h, w]`, summing to 1.
#[allow(
    clippy::redundant_closure,
    reason = "a function by its name would not be vectorised (see bands::vectorised)"
)]
pub(super) fn parts(
    picture: &Pyramid,
    size: Size,
    axes: &Axes,
    person_and_hair: &[Array2<f32>; 2],
    span: f32,
) -> Array3<f32> {
    let whole = (size.height, size.width);
    let likely = person_and_hair.each_ref().map(|odds| {
        let values = changed(
            odds.iter().copied().collect(),
            #[inline(always)]
            |z| logistic(z),
        );
        Array2::from_shape_vec(odds.dim(), values).expect("as many as before")
    });
    let likely = likely.each_ref().map(|map| map.view());
    let height = FACE_HEIGHT * axes.unit;
    // In a mirror and without the hair net's map, or as trained.
    let answer = |level: Crop, otherwise: bool| -> Option<Vec<f32>> {
        let n = level.n;
        let crop = if otherwise { level.mirrored() } else { level };
        let mut input = Array3::zeros((7, n, n));
        input
            .slice_axis_mut(Axis(0), (..3).into())
            .assign(&picture.cut(&crop));
        for y in 0..n {
            for x in 0..n {
                let place = crop.to_picture(Point {
                    x: x as f32 + 0.5,
                    y: y as f32 + 0.5,
                });
                let (u, v) = axes.of(place);
                let u = if otherwise { -u } else { u };
                input[[3, y, x]] = u.max(-4.0).min(4.0) / 4.0;
                input[[4, y, x]] = v.max(-4.0).min(4.0) / 4.0;
            }
        }
        input
            .slice_axis_mut(Axis(0), (5..).into())
            .assign(&cut_planes(&likely, whole, &crop));
        if otherwise {
            input.index_axis_mut(Axis(0), 6).fill(0.0);
        }
        let logits = run(Which::Parts, input).into_iter().next();
        let logits = logits.filter(|l| l.shape() == [1, CLASSES, n, n])?;
        let mut logits = logits.into_raw_vec_and_offset().0;
        bands::each_piece_of_all(logits.chunks_exact_mut(n * n), BAND * n, |_, classes| {
            log_probabilities(classes);
        });
        if otherwise {
            opinion::turn_over(&mut logits, n);
        }
        Some(logits)
    };
    let wide = Crop::level(axes.below(1.0), 3.8 * height, 256);
    let near = Crop::level(axes.below(0.15), 1.5 * height, 256);
    let mut answers = bands::both(|| answer(wide, false), || answer(near, false));
    if let Some(first) = &mut answers.1
        && opinion::is_needed(first, &near, axes)
        && let Some(second) = answer(near, true)
        && let Some(refused) = opinion::merged(first, &second, &near, axes)
        && let Some(far) = &mut answers.0
    {
        opinion::without(far, &wide, &refused, &near);
    }
    let layers: Vec<Layer<'_>> = [(wide, &answers.0, 1.0, 0.1), (near, &answers.1, 8.0, 0.25)]
        .into_iter()
        .filter_map(|(crop, maps, trust, edge)| {
            let maps = maps.as_deref()?;
            Some(Layer {
                crop,
                maps,
                trust,
                edge,
            })
        })
        .collect();
    let mut empty = [-12.0; CLASSES];
    empty[0] = 0.0;
    let mut classes = merge(likely[0].dim(), &layers, &empty, probabilities);
    if let Some(half) = picture.halved() {
        let span = span / COARSE as f32;
        if !beard::settle(&mut classes, half, axes, span) {
            jaw::settle(&mut classes, axes, span);
        }
        tones::settle(&mut classes, half, axes, span);
        collar::settle(&mut classes, half, span);
    }
    classes
}
