//! Threads and vector units, for everybody who walks over rows.
//!
//! Rows are independent here, so the bytes do not depend on how many threads share them.
//! [`vectorised`] compiles a loop for the vector units of this machine (AVX2) as well
//! as for plain x86-64. Rust never reorders or fuses float arithmetic on its own, so all
//! versions round alike and give the same bits, as long as the loop writes independent
//! outputs and calls nothing from the platform's libm: use [`super::math`].

use ndarray::{ArrayViewMut2, Axis};
use rayon::prelude::*;

/// Rows per piece of work: enough to pay for the hand-over, few enough to share out evenly.
const ROWS: usize = 32;

/// Runs `work` compiled for the vector unit this machine has, with equal results on all. On x86-64 that is
/// AVX2 at most: in registers twice as wide, one loop (the normal equations of the backdrop) took three times as
/// long, and of the others none gained much. The nets' kernels ask `pulp` for all that there is.
///
/// What `work` calls must be `#[inline(always)]` to profit: write `#[inline(always)] || ...` for
/// `work` itself, pass closures (not functions by name) down into it, and copy or `move` what
/// they capture, or the compiler fears that the loop's stores change it. Whole-number arithmetic
/// in the loop should wrap: a check for overflow, in builds that have them, is a branch.
/// (A function's name, a captured reference and an overflow check each cost a factor of about 3
/// to 8 when measured.)
#[inline(always)]
pub fn vectorised<R>(work: impl FnOnce() -> R) -> R {
    struct Work<F>(F);
    impl<R, F: FnOnce() -> R> pulp::NullaryFnOnce for Work<F> {
        type Output = R;
        #[inline(always)]
        fn call(self) -> R {
            (self.0)()
        }
    }
    #[cfg(target_arch = "x86_64")]
    if let Some(simd) = pulp::x86::V3::try_new() {
        return simd.vectorize(Work(work));
    }
    pulp::Arch::new().dispatch(Work(work))
}

/// Copies values, mostly `N`: of a fixed number that is a few moves instead of a call, and a picture's nets and
/// windows copy short rows by the million.
///
/// # Panics
/// When there are not as many places as values.
#[inline(always)]
pub fn copy<const N: usize>(from: &[f32], to: &mut [f32]) {
    match (
        <&[f32; N]>::try_from(from),
        <&mut [f32; N]>::try_from(&mut *to),
    ) {
        (Ok(from), Ok(to)) => *to = *from,
        _ => to.copy_from_slice(from),
    }
}

/// Does two things side by side, where there is a thread for each.
pub fn both<A: Send, B: Send>(
    first: impl FnOnce() -> A + Send,
    second: impl FnOnce() -> B + Send,
) -> (A, B) {
    rayon::join(first, second)
}

/// Calls `work(first_row, rows)` for bands of rows of one plane, over all threads.
pub fn each_band(
    plane: ArrayViewMut2<'_, f32>,
    work: impl Fn(usize, ArrayViewMut2<'_, f32>) + Sync,
) {
    let mut plane = plane;
    plane
        .axis_chunks_iter_mut(Axis(0), ROWS)
        .into_par_iter()
        .enumerate()
        .for_each(|(band, rows)| work(band * ROWS, rows));
}

/// Calls `work(row, [first, second, third])` for each row of three planes of one shape, over all
/// threads.
///
/// # Panics
/// When the planes are not of one shape and contiguous, which [`super::Linear`] and
/// [`super::Oklab`] promise.
pub fn each_row(
    planes: &mut [ndarray::Array2<f32>; 3],
    work: impl Fn(usize, [&mut [f32]; 3]) + Sync,
) {
    each_row_with(planes, || (), |(), y, rows| work(y, rows));
}

/// [`each_row`] with something to keep from row to row, such as buffers: `new` makes one for each
/// piece of work, so nothing that reaches the planes may depend on what was kept.
///
/// # Panics
/// As [`each_row`].
pub fn each_row_with<T>(
    planes: &mut [ndarray::Array2<f32>; 3],
    new: impl Fn() -> T + Sync + Send,
    work: impl Fn(&mut T, usize, [&mut [f32]; 3]) + Sync,
) {
    let width = planes[0].ncols().max(1);
    let [first, second, third] = planes.each_mut().map(|plane| {
        plane
            .as_slice_mut()
            .expect("planes are contiguous")
            .par_chunks_mut(width)
    });
    first
        .zip(second)
        .zip(third)
        .enumerate()
        .with_min_len(ROWS)
        .for_each_init(new, |kept, (y, ((a, b), c))| work(kept, y, [a, b, c]));
}

/// Calls `work(first_row, [first, second, third])` for bands of `rows` rows of three planes of one
/// shape, over all threads. Each slice holds its band's rows one after another.
///
/// # Panics
/// When the planes are not of one shape and contiguous, as in [`each_row`].
pub fn each_band_of_three(
    planes: &mut [ndarray::Array2<f32>; 3],
    rows: usize,
    work: impl Fn(usize, [&mut [f32]; 3]) + Sync,
) {
    let band = (planes[0].ncols() * rows).max(1);
    let [first, second, third] = planes.each_mut().map(|plane| {
        plane
            .as_slice_mut()
            .expect("planes are contiguous")
            .par_chunks_mut(band)
    });
    first
        .zip(second)
        .zip(third)
        .enumerate()
        .for_each(|(index, ((a, b), c))| work(index * rows, [a, b, c]));
}

/// How many threads there are to share work. Bytes must not depend on it.
pub fn threads() -> usize {
    rayon::current_num_threads()
}

/// Calls `work([first_row, first_column], rows)` for tiles of so many rows and columns, the last ones
/// smaller, of three planes of one shape, over all threads; `rows` are each plane's rows of the tile.
///
/// # Panics
/// When the planes are not of one shape and contiguous, as in [`each_row`].
pub fn each_tile_of_three(
    planes: &mut [ndarray::Array2<f32>; 3],
    [rows, columns]: [usize; 2],
    work: impl Fn([usize; 2], [Vec<&mut [f32]>; 3]) + Sync,
) {
    let (height, width) = planes[0].dim();
    if height == 0 || width == 0 {
        return;
    }
    let across = width.div_ceil(columns);
    let mut tiles: Vec<[Vec<&mut [f32]>; 3]> = Vec::new();
    tiles.resize_with(height.div_ceil(rows) * across, Default::default);
    for (k, plane) in planes.iter_mut().enumerate() {
        let values = plane.as_slice_mut().expect("planes are contiguous");
        for (y, row) in values.chunks_exact_mut(width).enumerate() {
            for (x, part) in row.chunks_mut(columns).enumerate() {
                tiles[y / rows * across + x][k].push(part);
            }
        }
    }
    tiles
        .into_par_iter()
        .with_max_len(1)
        .enumerate()
        .for_each(|(tile, parts)| work([tile / across * rows, tile % across * columns], parts));
}

/// What `work` gives for each of `items`, in their order, over all threads; `new` makes something to
/// keep from one to the next. Sums over the answers then add in one order.
pub fn gathered<T, R: Send>(
    items: &[usize],
    new: impl Fn() -> T + Sync + Send,
    work: impl Fn(&mut T, usize) -> R + Sync + Send,
) -> Vec<R> {
    items
        .par_iter()
        .map_init(new, |kept, &item| work(kept, item))
        .collect()
}

/// What `work` makes of each of `items`, in their order, over all threads.
pub fn mapped<T: Send, R: Send>(items: Vec<T>, work: impl Fn(T) -> R + Sync + Send) -> Vec<R> {
    items.into_par_iter().map(work).collect()
}

/// Calls `work(piece, [values of the first plane, of the second, ...])` for consecutive pieces of
/// `length` values (some rows) of any number of planes of one size, over all threads.
pub fn each_piece_of_all<'a>(
    planes: impl IntoIterator<Item = &'a mut [f32]>,
    length: usize,
    work: impl Fn(usize, &mut [&mut [f32]]) + Sync,
) {
    let mut pieces: Vec<Vec<&mut [f32]>> = Vec::new();
    for plane in planes {
        for (index, values) in plane.chunks_mut(length.max(1)).enumerate() {
            if index == pieces.len() {
                pieces.push(Vec::new());
            }
            pieces[index].push(values);
        }
    }
    pieces
        .par_iter_mut()
        .enumerate()
        .for_each(|(index, planes)| work(index, planes));
}

/// A plane of `dim` (rows, columns) whose values are `value(row, column)`, over all threads.
pub fn plane<T: Copy + Default + Send>(
    dim: (usize, usize),
    value: impl Fn(usize, usize) -> T + Sync,
) -> ndarray::Array2<T> {
    let mut out = ndarray::Array2::from_elem(dim, T::default());
    let values = out.as_slice_mut().expect("just made");
    each_piece(values, dim.1, |y, row| {
        for (x, v) in row.iter_mut().enumerate() {
            *v = value(y, x);
        }
    });
    out
}

/// Calls `work(piece, values)` for consecutive pieces of `length` values (rows of an interleaved
/// picture), over all threads.
pub fn each_piece<T: Send>(values: &mut [T], length: usize, work: impl Fn(usize, &mut [T]) + Sync) {
    values
        .par_chunks_mut(length.max(1))
        .enumerate()
        .for_each(|(piece, values)| work(piece, values));
}
