//! Every picture-stage operation with its default settings, on one sitter of the sample office
//! enlarged to 1600 x 2000 pixels: `cargo bench --bench operations` prints time and pixels a second.

use std::path::Path;
use std::sync::LazyLock;

use divan::Bencher;
use divan::counter::ItemsCount;
use lapel::operations::canvas::Canvas;
use lapel::operations::{Operation, Scene, Stage};
use lapel::picture::{Linear, Rect, Size, resample};
use lapel::raw::{self, Frame, Limits};
use lapel::regions::{self, Regions};
use lapel::sensor::{self, Development};

const SIZE: Size = Size {
    width: 1600,
    height: 2000,
};

fn main() {
    divan::main();
}

/// A developed sitter and its regions, found once.
static SITTER: LazyLock<(Linear, Regions)> = LazyLock::new(|| {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/office/frames/s02.dng");
    let bytes = std::fs::read(path).expect("the sample office is in the repository");
    let frame = raw::read(&bytes, "s02.dng", &Limits::default()).expect("a sound frame");
    let Frame::Sensor(frame) = frame else {
        unreachable!("a raw file gives a sensor frame")
    };
    let window = Rect {
        height: frame.crop.width * 5 / 4,
        ..frame.crop
    };
    let developed = sensor::develop(&frame, window, &Development::default()).expect("develops");
    let picture = resample::resize(&developed.picture, SIZE);
    let regions = regions::find(&picture, None);
    (picture, regions)
});

fn picture_steps() -> Vec<&'static str> {
    let steps = Operation::declarations().into_iter();
    let steps =
        steps.filter(|(stage, declaration)| *stage == Stage::Picture && declaration.name != "Crop");
    steps.map(|(_, declaration)| declaration.name).collect()
}

#[divan::bench(args = picture_steps(), sample_count = 5)]
fn step(bencher: Bencher, name: &str) {
    let (picture, regions) = &*SITTER;
    let operation = Operation::by_name(name).expect("a name of the table");
    let scale = regions.marks.as_ref().expect("a sitter").scale();
    let scene = Scene { scale, regions };
    bencher
        .counter(ItemsCount::new(SIZE.width * SIZE.height))
        .with_inputs(|| {
            let mut canvas = Canvas::Linear(picture.clone());
            operation.prepare_space(&mut canvas);
            canvas
        })
        .bench_local_values(|mut canvas| {
            operation.apply(&mut canvas, &scene);
            canvas
        });
}

#[divan::bench(sample_count = 5)]
fn find_regions(bencher: Bencher) {
    let (picture, _) = &*SITTER;
    bencher
        .counter(ItemsCount::new(SIZE.width * SIZE.height))
        .bench_local(|| regions::find(picture, None));
}
