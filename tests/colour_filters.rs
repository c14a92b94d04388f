//! Filters and resampling against scipy, OpenCV and Pillow. `tests/colour/make.py` wrote the
//! arrays; it names the call behind each.

use lapel::picture::{Linear, Size, filter, resample};
use ndarray::{Array2, ArrayView2};

/// The plane `k` of `make.py`.
fn plane(k: usize, height: usize, width: usize) -> Array2<f32> {
    Array2::from_shape_fn((height, width), |(y, x)| {
        let residues = (x * 37 + y * 91 + (x * y) % 53 + k * 29) % 101;
        let step = if 2 * x + y > width + 5 * k { 0.4 } else { 0.1 };
        (residues as f64 / 200.0 + step) as f32
    })
}

fn small(k: usize) -> Array2<f32> {
    plane(k, 32, 40)
}

fn stored(name: &str) -> Array2<f32> {
    let path = format!("{}/tests/colour/{name}.npy", env!("CARGO_MANIFEST_DIR"));
    ndarray_npy::read_npy(&path).unwrap_or_else(|error| panic!("{path}: {error}"))
}

#[track_caller]
fn assert_near(name: &str, got: ArrayView2<'_, f32>, tolerance: f32) {
    let wanted = stored(name);
    assert_eq!(got.dim(), wanted.dim(), "{name}");
    let worst = got
        .iter()
        .zip(&wanted)
        .fold(0.0_f32, |worst, (a, b)| worst.max((a - b).abs()));
    assert!(
        worst <= tolerance,
        "{name}: off by {worst:e}, allowed {tolerance:e}"
    );
}

/// scipy's kernel was cut at six standard deviations, ours at 3.5: 0.05 % of the weight lies
/// between, and the picture spans 0.9.
#[test]
fn gaussian_agrees_with_scipy() {
    for sigma in [0.8, 2.5, 7.0] {
        let blurred = filter::gaussian(small(0).view(), sigma);
        assert_near(&format!("gaussian_{sigma:.1}"), blurred.view(), 3e-4);
    }
}

#[test]
fn wide_gaussian_agrees_with_scipy() {
    for sigma in [12.0, 40.0] {
        let blurred = filter::gaussian(plane(0, 160, 200).view(), sigma);
        let every_8th = Array2::from_shape_fn((20, 25), |(y, x)| blurred[[8 * y, 8 * x]]);
        assert_near(
            &format!("gaussian_{sigma:.1}_every_8th"),
            every_8th.view(),
            2e-3,
        );
    }
}

#[test]
fn windows_agree_with_opencv() {
    let plane = small(0);
    assert_near("box_3", filter::box_mean(plane.view(), 3).view(), 5e-7);
    assert_near("erode_2", filter::erode(plane.view(), 2).view(), 0.0);
    assert_near("dilate_2", filter::dilate(plane.view(), 2).view(), 0.0);
}

/// In f64 there, in f32 here.
#[test]
fn guided_filters_agree_with_the_paper_in_numpy() {
    let (p, q, r) = (small(0), small(1), small(2));
    assert_near(
        "guided",
        filter::guided(p.view(), q.view(), 4, 1e-3).view(),
        5e-6,
    );
    let mask = p.mapv(|v| f32::from(v > 0.4));
    let out = filter::guided_colour([p.view(), q.view(), r.view()], mask.view(), 3, 1e-3);
    assert_near("guided_colour", out.view(), 2e-5);
}

#[test]
fn area_and_linear_agree_with_opencv() {
    let plane = small(0);
    let to = |width, height| Size { width, height };
    assert_near(
        "area_quarter",
        resample::shrink(plane.view(), to(10, 8)).view(),
        1e-6,
    );
    assert_near(
        "area_uneven",
        resample::shrink(plane.view(), to(15, 12)).view(),
        1e-6,
    );
    assert_near(
        "linear_larger",
        resample::enlarge(plane.view(), to(60, 48)).view(),
        1e-6,
    );
}

#[test]
fn lanczos_agrees_with_pillow() {
    let picture = Linear {
        planes: [small(0), small(1), small(2)],
    };
    for (width, height) in [(17, 13), (60, 48)] {
        let out = resample::resize(&picture, Size { width, height });
        assert_near(&format!("lanczos_{width}"), out.planes[0].view(), 2e-6);
    }
}

#[test]
fn threads_do_not_change_a_bit() {
    let work = || {
        let picture = Linear {
            planes: [0, 1, 2].map(|k| plane(k, 211, 307)),
        };
        let size = Size {
            width: 123,
            height: 97,
        };
        let resized = resample::resize(&picture, size);
        (resized, picture.to_oklab())
    };
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.expect("a pool").install(work)
    };
    assert_eq!(with(1), with(4));
}
