//! Edges of hair, brows and spectacles as the picture itself shows them, by a small net of our own.
//!
//! The parts so far come from nets that see a face on 256 pixels and from local colours: hair is claimed a
//! little too far into skin at every hairline, brows are soft beans, the bars of spectacles are foggy. The
//! net here (`models/strands`) sees the picture at full size, two by two pixels at a time, with the parts as
//! they are, and answers with corrections of their log odds. It learned from nine rendered sitters alone, so
//! it is heard only where it proved right on sitters kept out of its training, and by eye on photographs:
//! where hair may be skin (on a line of it beside skin, and below the nose), where skin may be hair (close to
//! a piece of hair that is wide enough to be one), on brows, and on spectacles, if a piece of them is wide
//! enough. On whole heads of hair it takes highlights for skin, on shaded chins it sees beards, on closed
//! lids lashes as brows: there it has no say.

use ndarray::{Array2, Array3, Array4, ArrayView2, Axis};

use super::Region;
use super::crop::sample;
use super::models::{Which, net};
use super::nets::{Axes, COARSE};
use super::opinion::patches;
use super::plane::Between;
use super::shades::flat;
use crate::picture::filter::{box_mean, dilate, erode};
use crate::picture::math::{exp, ln};
use crate::picture::{Point, bands};

/// Pixels an eye span has as the net learned it, and the eye spans of pictures that it sees as they are
/// (it learned them from 0.65 to 1.4 times that). Larger ones are made smaller, on less it is not asked.
const SPAN: f32 = 155.0;
const AS_IS: [f32; 2] = [95.0, 195.0];

/// The part of the picture that may matter, in the face's units beside and below the eyes.
const BESIDE: f32 = 1.15;
const DOWN: [f32; 2] = [-1.45, 1.3];

/// Cells along a side of the net's window; a cell is two by two pixels. The outer ones of a window are seen
/// with too little around them.
const CELLS: usize = 128;
const MARGIN: usize = 8;

/// Planes of the net's input: pixels of a cell, parts, the parts net's hair and worn, place on the face.
const PLANES: usize = 24;

/// Linear luminance to which the face's skin is brought, and bounds of the gain.
const BRIGHT: f32 = 0.22;
const GAIN: [f32; 2] = [0.3, 12.0];

/// Added to shares before their logarithm, as in training; and how much firmer than the net's own odds an
/// answer is: it is scored, and used, as what a pixel is.
const FLOOR: f32 = 0.01;
const FIRM: f32 = 8.0;

/// Added to the log odds of hair and of brows against skin: what is left of them counts for more than as
/// much of skin, in their scores and where skin is smoothed. Best or near it on sitters kept out.
const SPARE: f32 = 0.4;

/// Width of the line of hair beside skin, and of skin that is wide enough to have such a line, in eye
/// spans. From 0.03 to 0.06 the scores of sitters kept out are within 0.004.
const LINE: f32 = 0.04;
const BROAD: f32 = 0.08;

/// Width of hair that is no sliver, how far around it the line is drawn, and how close to it skin may be
/// hair, in eye spans. Slivers (a cropped fringe seen from the front) lose more than they win.
const LOCK: f32 = 0.06;
const ABOUT: f32 = 0.03;
const CLOSE: f32 = 0.05;

/// Where beards grow (`beard`), in the face's units below the eyes and beside the middle: there all of the
/// hair may be skin, and over how much that fades.
const BEARD: [f32; 3] = [0.4, 1.3, 0.95];
const SHAVEN: f32 = 0.08;

/// Where brows and spectacles are looked for, in eye spans above, below and beside the middle of the eyes,
/// and over how much it fades.
const BROWS: [f32; 3] = [0.62, -0.07, 1.2];
const GLASSES: [f32; 3] = [0.62, 0.62, 1.35];
const FADE: f32 = 0.1;

/// Shares of a brow as it was that the net keeps: from the second down it begins to be one that the net does
/// not see (a fair one on fair skin), and at the first none of it is taken away. Rendered brows and clear ones of
/// photographs keep 0.73 to 0.98, faint ones of photographs 0.06 to 0.34.
const FAINT: [f32; 2] = [0.5, 0.65];

/// Half axes of the opening of an eye with its lashes, in eye spans: no bar crosses it.
const EYE: [f32; 2] = [0.3, 0.13];

/// Width of a piece that proves spectacles and of one that belongs to them, in eye spans; least area that
/// proves them, in squares of it.
const PROOF: f32 = 0.45;
const PIECE: f32 = 0.12;
const AREA: f32 = 0.01;

/// What is worn and thicker than this (eye spans) is no spectacles, and stays with what is this near.
const THICK: f32 = 0.12;
const NEAR: f32 = 0.15;

/// Classes of the parts net: face skin, body skin, hair, worn.
const CLASSES: [usize; 4] = [1, 2, 3, 10];

/// The parts in the net's order (skin as one), and its answers' order.
const SHARES: usize = 8;
const ANSWERS: usize = 4;

/// The window on the picture in the net's own pixels.
#[derive(Debug, Clone, Copy)]
struct Window {
    /// Picture pixel of its corner; both even.
    corner: (usize, usize),
    /// Size in the picture's pixels: rows, columns.
    extent: (usize, usize),
    /// Size in the net's pixels; both even.
    dim: (usize, usize),
    /// Picture pixels per pixel.
    step: f32,
    /// Pixels per eye span.
    span: f32,
}

impl Window {
    fn new((high, wide): (usize, usize), axes: &Axes, span: f32) -> Option<Self> {
        if !span.is_finite() || span < AS_IS[0] {
            return None;
        }
        let step = if span > AS_IS[1] { span / SPAN } else { 1.0 };
        let mut low = [f32::MAX; 2];
        let mut high_end = [f32::MIN; 2];
        for (beside, down) in [
            (-BESIDE, DOWN[0]),
            (BESIDE, DOWN[0]),
            (-BESIDE, DOWN[1]),
            (BESIDE, DOWN[1]),
        ] {
            let place = axes.below(down);
            let at = [
                place.y + beside * axes.unit * axes.right.y,
                place.x + beside * axes.unit * axes.right.x,
            ];
            for i in 0..2 {
                low[i] = low[i].min(at[i]);
                high_end[i] = high_end[i].max(at[i]);
            }
        }
        let range = |i: usize, end: usize| {
            let from = low[i].max(0.0).min(end as f32) as usize / 2 * 2;
            let to = high_end[i].max(0.0).min(end as f32) as usize;
            (from, to.saturating_sub(from))
        };
        let ((top, rows), (left, columns)) = (range(0, high), range(1, wide));
        let even = |v: usize| (v as f32 / step) as usize / 2 * 2;
        let dim = (even(rows), even(columns));
        (dim.0 >= 64 && dim.1 >= 64).then_some(Self {
            corner: (top, left),
            extent: (rows, columns),
            dim,
            step,
            span: span / step,
        })
    }

    /// The picture's place of a pixel's centre.
    fn place(&self, y: f32, x: f32) -> Point {
        Point {
            x: self.corner.1 as f32 + (x + 0.5) * self.step,
            y: self.corner.0 as f32 + (y + 0.5) * self.step,
        }
    }

    /// The places on the face (beside, below) of a row's pixels `first + each * x`.
    fn along(&self, axes: &Axes, y: f32, first: f32, each: f32) -> impl Fn(usize) -> (f32, f32) {
        let (from, next) = (
            axes.of(self.place(y, first)),
            axes.of(self.place(y, first + each)),
        );
        let more = (next.0 - from.0, next.1 - from.1);
        move |x| (from.0 + x as f32 * more.0, from.1 + x as f32 * more.1)
    }

    /// A plane of the picture, or of its half (`scale` 2), in the window's pixels or cells: means over areas.
    fn cut(&self, plane: ArrayView2<'_, f32>, scale: usize) -> Array2<f32> {
        let (top, left) = (self.corner.0 / scale, self.corner.1 / scale);
        let dim = (self.dim.0 / scale, self.dim.1 / scale);
        if self.step <= 1.0 {
            let rows = plane.slice_axis(Axis(0), (top..top + dim.0).into());
            let part = rows.slice_axis(Axis(1), (left..left + dim.1).into());
            return part.as_standard_layout().into_owned();
        }
        let (lines, columns) = (
            shares(top, dim.0, self.step, plane.nrows()),
            shares(left, dim.1, self.step, plane.ncols()),
        );
        let mut out = Array2::zeros(dim);
        bands::each_band(out.view_mut(), |first, mut rows| {
            let mut sums = vec![0.0; plane.ncols()];
            for (i, mut row) in rows.outer_iter_mut().enumerate() {
                sums.fill(0.0);
                for &(line, share) in &lines[first + i] {
                    for (sum, v) in sums.iter_mut().zip(plane.row(line)) {
                        *sum += share * v;
                    }
                }
                for (v, column) in row.iter_mut().zip(&columns) {
                    *v = column.iter().fold(0.0, |sum, &(x, w)| sum + w * sums[x]);
                }
            }
        });
        out
    }
}

/// Which values, with which shares, `count` means over `step` values each from `first` on are made of.
fn shares(first: usize, count: usize, step: f32, end: usize) -> Vec<Vec<(usize, f32)>> {
    (0..count)
        .map(|i| {
            let from = first as f32 + i as f32 * step;
            let to = (from + step).min(end as f32);
            let covered = |v: usize| ((v + 1) as f32).min(to) - (v as f32).max(from);
            (from as usize..end)
                .take_while(|&v| (v as f32) < to)
                .map(|v| (v, covered(v) / (to - from)))
                .collect()
        })
        .collect()
}

/// The sRGB curve and back (IEC 61966-2-1).
fn decoded(v: f32) -> f32 {
    if v <= 0.040_45 {
        v / 12.92
    } else {
        libm::powf((v + 0.055) / 1.055, 2.4)
    }
}

fn encoded(v: f32) -> f32 {
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * libm::powf(v, 1.0 / 2.4) - 0.055
    }
}

/// A curve over encoded values as a table, read linearly.
struct Curve(Vec<f32>);

impl Curve {
    const STEPS: usize = 1024;

    fn new(of: impl Fn(f32) -> f32) -> Self {
        let at = |i: usize| of((i as f32 / Self::STEPS as f32).min(1.0));
        Self((0..=Self::STEPS + 1).map(at).collect())
    }

    fn read(&self, v: f32) -> f32 {
        let place = v.max(0.0).min(1.0) * Self::STEPS as f32;
        let low = place as usize;
        self.0[low] + (self.0[low + 1] - self.0[low]) * (place - low as f32)
    }
}

/// How much to brighten linear light for the usual skin; nothing where too little of it shows.
fn gain(rgb: &[Array2<f32>; 3], face: &Array2<f32>) -> Option<f32> {
    let linear = Curve::new(decoded);
    let mut lights = Vec::new();
    for (at, &face) in face.indexed_iter() {
        if face > 0.9 {
            let [r, g, b] = rgb.each_ref().map(|plane| linear.read(plane[at]));
            lights.push(0.2126 * r + 0.7152 * g + 0.0722 * b);
        }
    }
    if lights.len() < 200 {
        return None;
    }
    let middle = lights.len() / 2;
    let (_, usual, _) = lights.select_nth_unstable_by(middle, f32::total_cmp);
    Some((BRIGHT / usual.max(1e-4)).max(GAIN[0]).min(GAIN[1]))
}

/// What the net sees of the window.
struct Seen {
    /// sRGB-encoded, the face's skin brought to [`BRIGHT`].
    rgb: [Array2<f32>; 3],
    parts: [Array2<f32>; SHARES],
    /// The parts net's hair and worn, of the cells' size.
    hints: [Array2<f32>; 2],
}

/// Where the net has a say, 0 to 1.
struct Say {
    /// That hair is skin.
    line: Array2<f32>,
    /// That skin is hair.
    close: Array2<f32>,
    brows: Array2<f32>,
    /// That brows are skin.
    bare: Array2<f32>,
    glasses: Array2<f32>,
}

impl Say {
    fn new(window: &Window, parts: &[Array2<f32>; SHARES], axes: &Axes, eyes: [Point; 2]) -> Self {
        let [skin, hair, _, _, _, _, _, worn] = parts;
        let pixels = |spans: f32| (spans * window.span + 0.5) as usize;
        let above_half = |plane: &Array2<f32>| plane.mapv(|v| f32::from(u8::from(v > 0.5)));
        let broad = pixels(0.5 * BROAD);
        let skin = dilate(erode(above_half(skin).view(), broad).view(), broad);
        let near = |plane: &Array2<f32>, spans: f32, soft: f32| {
            let wide = dilate(plane.view(), pixels(spans - soft));
            box_mean(wide.view(), pixels(soft))
        };
        let locks = erode(above_half(hair).view(), pixels(0.5 * LOCK));
        let line = near(&skin, LINE, 0.2 * LINE) * near(&locks, 0.5 * LOCK + ABOUT, 0.2 * LINE);
        let close = near(&locks, 0.5 * LOCK + CLOSE, 0.2 * CLOSE);
        let thick = erode(above_half(worn).view(), pixels(0.5 * THICK));
        let thick = box_mean(dilate(thick.view(), pixels(NEAR)).view(), 3);
        let spans = axes.unit / (window.span * window.step);
        let over = |v: f32, edge: f32, fade: f32| ((edge - v) / fade).max(0.0).min(1.0);
        let zone = |[up, low, side]: [f32; 3], fade: f32, (beside, down): (f32, f32)| {
            over(-down, up, FADE) * over(down, low, fade) * over(beside.abs(), side, FADE)
        };
        let eyes = eyes.map(|eye| axes.of(eye));
        let mut maps = [(); 3].map(|()| Array2::<f32>::zeros(window.dim));
        maps[2] = line;
        let planes = maps
            .iter_mut()
            .map(|map| map.as_slice_mut().expect("just made"));
        bands::each_piece_of_all(planes, window.dim.1, |y, planes| {
            let [brows, glasses, line] = planes else {
                return;
            };
            let along = window.along(axes, y as f32, 0.0, 1.0);
            let thick = &flat(&thick)[y * window.dim.1..];
            let rows = brows
                .iter_mut()
                .zip(glasses.iter_mut())
                .zip(line.iter_mut());
            for (x, ((brows, glasses), line)) in rows.enumerate() {
                let (beside, down) = along(x);
                let [up, low, side] = BEARD;
                let beard = over(-down, -up, SHAVEN).min(over(down, low, SHAVEN));
                *line = line.max(beard.min(over(beside.abs(), side, SHAVEN)));
                let here = (beside * spans, down * spans);
                *brows = zone(BROWS, 0.5 * FADE, here);
                *glasses = zone(GLASSES, FADE, here);
                if *glasses > 0.0 {
                    *glasses *= 1.0 - thick[x];
                    for eye in eyes {
                        let across = (beside - eye.0) * spans / EYE[0];
                        let down = (down - eye.1) * spans / EYE[1];
                        let out = (across * across + down * down).sqrt();
                        *glasses *= ((out - 0.8) / 0.2).max(0.0).min(1.0);
                    }
                }
            }
        });
        let [brows, glasses, line] = maps;
        Self {
            line,
            close,
            bare: brows.clone(),
            brows,
            glasses,
        }
    }

    /// Leaves brows that the net does not see as they are, each by itself.
    fn leave_faint_brows(
        &mut self,
        window: &Window,
        parts: &[Array2<f32>; SHARES],
        found: &[Array2<f32>; ANSWERS],
        axes: &Axes,
    ) {
        let wide = window.dim.1;
        let [skin, _, _, brows, ..] = parts.each_ref().map(flat);
        let [more_skin, _, more_brow, _] = found.each_ref().map(flat);
        let side = |beside: f32| usize::from(beside > 0.0);
        let (mut was, mut kept) = ([0.0_f32; 2], [0.0; 2]);
        for (y, row) in flat(&self.brows).chunks_exact(wide).enumerate() {
            let along = window.along(axes, y as f32, 0.0, 1.0);
            for (x, say) in row.iter().enumerate() {
                let at = y * wide + x;
                let old = say * brows[at];
                if old > 0.0 {
                    let odds = [more_skin[at], more_brow[at] + SPARE];
                    let [_, share] = settled([skin[at], brows[at]], odds);
                    let new = say * share * (skin[at] + brows[at]);
                    let side = side(along(x).0);
                    was[side] += old;
                    kept[side] += new.min(old);
                }
            }
        }
        let sure = [0, 1].map(|i| {
            let share = kept[i] / was[i].max(1e-3);
            ((share - FAINT[0]) / (FAINT[1] - FAINT[0]))
                .max(0.0)
                .min(1.0)
        });
        let rows = self.bare.as_slice_mut().expect("just made");
        for (y, row) in rows.chunks_exact_mut(wide).enumerate() {
            let along = window.along(axes, y as f32, 0.0, 1.0);
            for (x, say) in row.iter_mut().enumerate() {
                if *say > 0.0 {
                    *say *= sure[side(along(x).0)];
                }
            }
        }
    }

    /// Whether it matters anywhere in a part of the window.
    fn matters(
        &self,
        parts: &[Array2<f32>; SHARES],
        rows: [usize; 2],
        columns: [usize; 2],
    ) -> bool {
        let wide = self.line.ncols();
        let maps = [&self.brows, &self.glasses, &self.line, &self.close];
        let [brows, glasses, line, close] = maps.map(flat);
        let (skin, hair) = (flat(&parts[0]), flat(&parts[1]));
        (rows[0]..rows[1]).any(|y| {
            (y * wide + columns[0]..y * wide + columns[1]).any(|at| {
                brows[at] > 0.0
                    || glasses[at] > 0.0
                    || line[at] > 0.0 && hair[at] > FLOOR
                    || close[at] > 0.0 && skin[at] > FLOOR
            })
        })
    }
}

/// First cells of windows that cover `cells`, and for each the range of cells that are its own.
fn tiles(cells: usize) -> Vec<(usize, [usize; 2])> {
    let last = cells.saturating_sub(CELLS);
    let mut all = Vec::new();
    let mut from = 0;
    loop {
        let from_here = from.min(last);
        let own = [
            if from_here == 0 {
                0
            } else {
                from_here + MARGIN
            },
            if from_here == last {
                cells
            } else {
                from_here + CELLS - MARGIN
            },
        ];
        all.push((from_here, own));
        if from_here == last {
            return all;
        }
        from += CELLS - 2 * MARGIN;
    }
}

/// One row of one plane of the net's input, from a cell (row, column) of the window on.
fn fill(
    row: &mut [f32],
    plane: usize,
    (y, left): (usize, usize),
    window: &Window,
    seen: &Seen,
    axes: &Axes,
) {
    let wide = window.dim.1;
    match plane {
        0..12 => {
            let line = &flat(&seen.rgb[plane / 4])[wide * (2 * y + plane / 2 % 2)..][2 * left..];
            for (v, pair) in row.iter_mut().zip(line.as_chunks::<2>().0) {
                *v = pair[plane % 2] - 0.5;
            }
        }
        12..20 => {
            let lines = &flat(&seen.parts[plane - 12])[2 * wide * y..];
            let (upper, lower) = (&lines[2 * left..wide], &lines[wide + 2 * left..2 * wide]);
            let cells = upper
                .as_chunks::<2>()
                .0
                .iter()
                .zip(lower.as_chunks::<2>().0);
            for (v, (a, b)) in row.iter_mut().zip(cells) {
                *v = 0.25 * (a[0] + a[1] + b[0] + b[1]);
            }
        }
        20..22 => {
            let line = &flat(&seen.hints[plane - 20])[wide / 2 * y + left..];
            row.copy_from_slice(&line[..row.len()]);
        }
        _ => {
            let along = window.along(axes, 2.0 * y as f32 + 0.5, 2.0 * left as f32 + 0.5, 2.0);
            for (x, v) in row.iter_mut().enumerate() {
                let (beside, down) = along(x);
                let place = if plane == 22 { beside } else { down };
                *v = place.max(-2.0).min(2.0);
            }
        }
    }
}

/// The net's corrections of log odds: skin, hair, brows, worn. Nothing when it cannot be had.
fn corrections(
    window: &Window,
    seen: &Seen,
    axes: &Axes,
    say: &Say,
) -> Option<[Array2<f32>; ANSWERS]> {
    let net = net(Which::Strands)?;
    let (high, wide) = (window.dim.0 / 2, window.dim.1 / 2);
    let across = tiles(wide);
    let all = tiles(high);
    let all = all
        .iter()
        .flat_map(|rows| across.iter().map(move |columns| [rows, columns]));
    let wanted = all.filter(|[(_, rows), (_, columns)]| {
        say.matters(&seen.parts, rows.map(|v| 2 * v), columns.map(|v| 2 * v))
    });
    // Side by side: a window is too small for its layers to be shared out well.
    let answers = bands::mapped(wanted.collect(), |[&(top, rows), &(left, columns)]| {
        let mut input = Array4::<f32>::zeros((1, PLANES, CELLS, CELLS));
        for (plane, mut cells) in input
            .index_axis_mut(Axis(0), 0)
            .outer_iter_mut()
            .enumerate()
        {
            let cells = cells.as_slice_mut()?;
            let lines = cells.chunks_exact_mut(CELLS).zip(top..high);
            for (row, y) in lines {
                let row = &mut row[..CELLS.min(wide - left)];
                fill(row, plane, (y, left), window, seen, axes);
            }
        }
        let out = net.run(input.into_dyn())?.into_iter().next()?;
        Some((top, rows, left, columns, out))
    });
    let mut found = [(); ANSWERS].map(|()| Array2::zeros(window.dim));
    for (top, rows, left, columns, out) in answers.into_iter().collect::<Option<Vec<_>>>()? {
        let out = out.as_slice()?;
        for (class, map) in found.iter_mut().enumerate() {
            let map = map.as_slice_mut()?;
            for y in 2 * rows[0]..2 * rows[1] {
                let to = &mut map[2 * wide * y..][2 * columns[0]..2 * columns[1]];
                let plane = 4 * class + y % 2 * 2;
                let line = |plane: usize| {
                    let from = (plane * CELLS + y / 2 - top) * CELLS;
                    out.get(from + columns[0] - left..from + columns[1] - left)
                };
                let pairs = line(plane)?.iter().zip(line(plane + 1)?);
                for (to, (first, second)) in to.as_chunks_mut::<2>().0.iter_mut().zip(pairs) {
                    *to = [*first, *second];
                }
            }
        }
    }
    Some(found)
}

/// Shares of a whole by log odds and the net's corrections of them.
#[inline(always)]
fn settled<const N: usize>(shares: [f32; N], corrections: [f32; N]) -> [f32; N] {
    let whole = shares.iter().sum::<f32>().max(1e-3);
    let mut out: [f32; N] =
        std::array::from_fn(|i| FIRM * (ln(shares[i] / whole + FLOOR) + corrections[i]));
    let most = out.iter().fold(f32::MIN, |a, b| a.max(*b));
    out = out.map(|v| exp((v - most).max(-60.0)));
    let sum: f32 = out.iter().sum();
    out.map(|v| v / sum)
}

/// Which pixels are pieces of spectacles: nothing when none of them is wide enough to be some.
fn spectacles(
    window: &Window,
    parts: &[Array2<f32>; SHARES],
    found: &[Array2<f32>; ANSWERS],
    say: &Say,
) -> Option<Array2<f32>> {
    let wide = window.dim.1;
    let rows = flat(&say.glasses).chunks_exact(wide);
    let has_say = |row: &[f32]| row.iter().any(|say| *say > 0.0);
    let top = rows.clone().position(has_say)?;
    let count = rows.len() - rows.rev().position(has_say)? - top;
    let mut worn = Array2::zeros((count, wide));
    bands::each_piece(worn.as_slice_mut()?, wide, |y, row| {
        let first = (top + y) * wide;
        for (x, v) in row.iter_mut().enumerate() {
            let at = first + x;
            let say = flat(&say.glasses)[at];
            if say > 0.0 {
                let shares = [0, 1, 3, 7].map(|k| flat(&parts[k])[at]);
                let odds = found.each_ref().map(|map| flat(map)[at]);
                let all = parts.iter().map(|part| flat(part)[at]).sum::<f32>();
                let pool: f32 = shares.iter().sum();
                *v = settled(shares, odds)[3] * pool / all.max(0.01) * say;
            }
        }
    });
    let mut pieces = Array2::zeros(window.dim);
    let mut proof = 0;
    for patch in patches(&worn, 0.5) {
        let columns = patch.iter().map(|at| at.1);
        let (low, high) = (columns.clone().min()?, columns.max()?);
        let width = (high - low) as f32 / window.span;
        if width > PROOF {
            proof += patch.len();
        }
        if width > PIECE {
            for &(y, x) in &patch {
                pieces[[top + y, x]] = 1.0;
            }
        }
    }
    let proven = proof as f32 > AREA * window.span * window.span;
    proven.then(|| dilate(pieces.view(), 2))
}

/// Settles edges of hair, brows and spectacles in `mattes`, the sitter's parts at the picture's size. `shown`:
/// the picture, sRGB-encoded; `classes`: the parts net's probabilities at half size; `span`: an eye span.
/// What all parts together cover stays.
pub(super) fn settle(
    mattes: &mut [(Region, Array2<f32>)],
    shown: &[Array2<f32>; 3],
    classes: &Array3<f32>,
    axes: &Axes,
    eyes: [Point; 2],
    span: f32,
) {
    let dim = shown[0].dim();
    let Some(window) = Window::new(dim, axes, span) else {
        return;
    };
    let whole = |region: Region| {
        let found = mattes.iter().find(|(name, _)| *name == region);
        found.map(|(_, plane)| plane.view())
    };
    let regions = [
        Region::FaceSkin,
        Region::Hair,
        Region::Clothing,
        Region::Brows,
        Region::Lips,
        Region::Sclera,
        Region::Iris,
        Region::Worn,
        Region::BodySkin,
    ];
    let planes = regions.into_iter().map(whole);
    let Some(planes) = planes.collect::<Option<Vec<_>>>() else {
        return;
    };
    let (mut parts, rgb) = bands::both(
        || bands::mapped(planes, |plane| window.cut(plane, 1)),
        || {
            let planes = shown.iter().collect();
            bands::mapped(planes, |plane: &Array2<f32>| window.cut(plane.view(), 1))
        },
    );
    let Ok(mut rgb) = <[Array2<f32>; 3]>::try_from(rgb) else {
        return;
    };
    let (Some(gain), Some(body)) = (gain(&rgb, &parts[0]), parts.pop()) else {
        return;
    };
    parts[0] += &body;
    let Ok(parts) = <[Array2<f32>; SHARES]>::try_from(parts) else {
        return;
    };
    let usual = Curve::new(|v| encoded((gain * decoded(v)).min(1.0)));
    bands::each_piece(&mut rgb, 1, |_, planes| {
        for v in planes.iter_mut().flatten() {
            *v = usual.read(*v);
        }
    });
    let class = |k: usize| classes.index_axis(Axis(0), CLASSES[k]);
    let hints = [2, 3].map(|k| window.cut(class(k), COARSE));
    let seen = Seen { rgb, parts, hints };
    let mut say = Say::new(&window, &seen.parts, axes, eyes);
    let Some(found) = corrections(&window, &seen, axes, &say) else {
        return;
    };
    say.leave_faint_brows(&window, &seen.parts, &found, axes);
    let glasses = spectacles(&window, &seen.parts, &found, &say);
    apply(
        mattes,
        &window,
        &say,
        &found,
        glasses.as_ref(),
        [class(0), class(1)],
    );
}

/// Gives the corrections to the parts at the picture's size.
fn apply(
    mattes: &mut [(Region, Array2<f32>)],
    window: &Window,
    say: &Say,
    found: &[Array2<f32>; ANSWERS],
    glasses: Option<&Array2<f32>>,
    skins: [ArrayView2<'_, f32>; 2],
) {
    let wide = mattes.first().map_or(0, |(_, plane)| plane.ncols());
    let changed = [
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Brows,
        Region::Worn,
    ];
    // In the order in which the parts are kept.
    let planes = mattes
        .iter_mut()
        .filter(|(region, _)| changed.contains(region));
    let planes = planes.map(|(_, plane)| plane.as_slice_mut().expect("planes are contiguous"));
    let (top, left) = window.corner;
    let (rows, columns) = window.extent;
    let across: Vec<Between> = (0..columns)
        .map(|x| Between::new((x as f32 + 0.5) / window.step, window.dim.1))
        .collect();
    bands::each_piece_of_all(planes, wide, |y, planes| {
        let [face, body, hair, brows, worn] = planes else {
            return;
        };
        if y < top || y >= top + rows {
            return;
        }
        let down = Between::new(((y - top) as f32 + 0.5) / window.step, window.dim.0);
        let at = [down.first, down.second].map(|y| y * window.dim.1);
        let read = |plane: &[f32], column: &Between| {
            let [a, b] = at.map(|from| column.read(&plane[from..]));
            a + (b - a) * down.share
        };
        let maps = [&say.line, &say.close, &say.brows, &say.bare, &say.glasses];
        let [near, by_hair, on_brow, bare, bars] = maps.map(flat);
        let found = found.each_ref().map(flat);
        let glasses = glasses.map(flat);
        for (x, column) in across.iter().enumerate() {
            let read = |plane: &[f32]| read(plane, column);
            let x = left + x;
            let old = face[x] + body[x];
            let line = if hair[x] > 0.0 { read(near) } else { 0.0 };
            let close = if old > 0.0 { read(by_hair) } else { 0.0 };
            let on_brows = read(on_brow);
            let on_glasses = glasses.map_or(0.0, |_| read(bars));
            if line.max(close) <= 0.0 && on_brows <= 0.0 && on_glasses <= 0.0 {
                continue;
            }
            let odds = found.map(read);
            let mut skin = old;
            if line > 0.0 || close > 0.0 {
                let pool = skin + hair[x];
                let [_, new] = settled([skin, hair[x]], [odds[0], odds[1] + SPARE]);
                let more = pool * new - hair[x];
                let more = more * if more < 0.0 { line } else { close };
                hair[x] += more;
                skin -= more;
            }
            if let Some(pieces) = glasses
                && on_glasses > 0.0
            {
                let pool = skin + hair[x] + brows[x] + worn[x];
                let [.., share] = settled([skin, hair[x], brows[x], worn[x]], odds);
                let mut new = share * pool;
                if read(pieces) <= 0.5 {
                    new = new.min(worn[x]);
                }
                let more = on_glasses * (new - worn[x]);
                let others = pool - worn[x];
                worn[x] += more;
                if more > 0.0 && others > 0.0 {
                    let left = 1.0 - more / others;
                    skin *= left;
                    hair[x] *= left;
                    brows[x] *= left;
                } else {
                    skin -= more;
                }
            }
            if on_brows > 0.0 {
                let pool = skin + brows[x];
                let [_, new] = settled([skin, brows[x]], [odds[0], odds[2] + SPARE]);
                let more = new * pool - brows[x];
                let more = more * if more < 0.0 { read(bare) } else { on_brows };
                brows[x] += more;
                skin -= more;
            }
            let skin = skin.max(0.0);
            if skin <= old {
                let left = if old > 0.0 { skin / old } else { 0.0 };
                face[x] *= left;
                body[x] *= left;
            } else {
                let half = |v: usize| (v as f32 + 0.5) / COARSE as f32;
                let [f, b] = skins.map(|skin| sample(skin, half(x), half(y)));
                let share = (f + 1e-4) / (f + b + 2e-4);
                face[x] += (skin - old) * share;
                body[x] += (skin - old) * (1.0 - share);
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cell_is_some_windows_own() {
        for cells in [40, CELLS, CELLS + 1, 333, 400] {
            let mut seen = vec![false; cells];
            for (from, [first, end]) in tiles(cells) {
                assert!(first >= from && end <= (from + CELLS).min(cells));
                seen[first..end].fill(true);
            }
            assert!(seen.into_iter().all(|seen| seen), "{cells}");
        }
    }

    #[test]
    fn larger_pictures_are_seen_as_means() {
        let plane = Array2::from_shape_fn((400, 400), |(y, x)| (7 * y + 3 * x) as f32);
        let eyes = [Point { x: 130.0, y: 200.0 }, Point { x: 270.0, y: 200.0 }];
        let axes = Axes::new(eyes, Point { x: 200.0, y: 380.0 });
        let same = Window::new(plane.dim(), &axes, 140.0).expect("large enough");
        let part = same.cut(plane.view(), 1);
        let (top, left) = same.corner;
        assert_eq!(part[[9, 5]], plane[[top + 9, left + 5]]);
        let twice = Window::new(plane.dim(), &axes, 2.0 * SPAN).expect("large enough");
        let part = twice.cut(plane.view(), 1);
        let (top, left) = twice.corner;
        // A plane's mean over a square is its value in the square's middle.
        let middle = 7.0 * (top as f32 + 18.5) + 3.0 * (left as f32 + 10.5);
        assert!((part[[9, 5]] - middle).abs() < 0.1);
        assert!(Window::new(plane.dim(), &axes, 50.0).is_none());
    }

    /// Whatever the picture shows: parts together cover what they covered, and hair grows by hair alone.
    #[test]
    fn what_parts_cover_together_stays() {
        let dim = (560, 480);
        let mut state = 9_u32;
        let mut noise = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32
        };
        let shown = [0.7, 0.5, 0.4].map(|light| {
            Array2::from_shape_fn(dim, |(y, x)| {
                let dark = y < 120 || (190..200).contains(&y) && x % 90 > 20;
                (if dark { 0.1 } else { light }) + 0.1 * noise()
            })
        });
        let alpha = Array2::from_shape_fn(dim, |(_, x)| if x < 40 { 0.6 } else { 1.0 });
        let hair = Array2::from_shape_fn(dim, |(y, _)| f32::from(u8::from(y < 130)));
        let brows = Array2::from_shape_fn(
            dim,
            |(y, _)| {
                if (180..210).contains(&y) { 0.5 } else { 0.0 }
            },
        );
        let none = || Array2::zeros(dim);
        let face = &alpha * &(1.0 - &hair - &brows);
        let mut parts = vec![
            (Region::Person, alpha.clone()),
            (Region::FaceSkin, face),
            (Region::BodySkin, none()),
            (Region::Hair, &alpha * &hair),
            (Region::Brows, &alpha * &brows),
            (Region::Sclera, none()),
            (Region::Iris, none()),
            (Region::Lips, none()),
            (Region::Teeth, none()),
            (Region::Clothing, none()),
            (Region::Worn, none()),
        ];
        let before = parts.clone();
        let eyes = [Point { x: 165.0, y: 240.0 }, Point { x: 315.0, y: 240.0 }];
        let axes = Axes::new(eyes, Point { x: 240.0, y: 500.0 });
        let mut classes = Array3::zeros((11, dim.0 / 2, dim.1 / 2));
        classes.index_axis_mut(Axis(0), 1).fill(0.9);
        classes.index_axis_mut(Axis(0), 2).fill(0.1);
        settle(&mut parts, &shown, &classes, &axes, eyes, 150.0);
        assert!(parts != before, "it had nothing to say");
        let sum = |parts: &[(Region, Array2<f32>)]| {
            let all = parts[1..].iter();
            all.fold(none(), |sum, (_, part)| sum + part)
        };
        let apart = (sum(&parts) - sum(&before)).mapv(f32::abs);
        let most = apart.iter().fold(0.0_f32, |a, b| a.max(*b));
        assert!(most < 1e-4, "{most}");
        for ((_, new), (region, old)) in parts.iter().zip(&before) {
            assert!(new.iter().all(|v| (0.0..=1.0001).contains(v)), "{region:?}");
            let mut both = new.indexed_iter().zip(old);
            let grown = both.any(|(((y, _), new), old)| y > 145 && *new > old + 1e-5);
            assert!(!grown || *region != Region::Hair);
        }
    }
}
