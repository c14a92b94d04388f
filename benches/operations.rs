//! Every operation with its default settings, and every stage around them, on one sitter of the
//! sample office enlarged to 1600 x 2000 pixels: `cargo bench --bench operations` prints time and
//! pixels a second (`Mitem/s` is megapixels).

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use divan::Bencher;
use divan::counter::ItemsCount;
use lapel::colour::{Profile, encode_8, encode_16};
use lapel::deliver::encode::{self, Format, Pixels};
use lapel::deliver::metadata::Metadata;
use lapel::engine;
use lapel::operations::canvas::Canvas;
use lapel::operations::output_sharpening::OutputSharpening;
use lapel::operations::{Operation, Scene, Stage};
use lapel::picture::{Linear, Ratio, Rect, Size, resample};
use lapel::raw::{self, Filter, Frame, Limits, Pattern, SensorFrame};
use lapel::regions::{self, Regions};
use lapel::sensor::{self, Development};
use ndarray::Array2;

const SIZE: Size = Size {
    width: 1600,
    height: 2000,
};

fn main() {
    divan::main();
}

/// A developed sitter and its regions, found once.
static SITTER: LazyLock<(Linear, Regions)> = LazyLock::new(|| {
    let bytes = std::fs::read(frame_path()).expect("the sample office is in the repository");
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

fn frame_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/office/frames/s02.dng")
}

/// The sitter as a Bayer sensor would see it, with noise of a percent.
static MOSAIC: LazyLock<SensorFrame> = LazyLock::new(|| {
    let (picture, _) = &*SITTER;
    let filters = [Filter::Red, Filter::Green, Filter::Green, Filter::Blue];
    let site = |(y, x): (usize, usize)| {
        let colour = filters[y % 2 * 2 + x % 2].index();
        // A hash of the place stands for noise.
        let grain = ((y * 7919 + x * 104_729) * 2_654_435_761 % 65_536) as f32 / 65_536.0 - 0.5;
        picture.planes[colour][[y, x]] * (1.0 + 0.02 * grain)
    };
    let mosaic = Array2::from_shape_fn((SIZE.height, SIZE.width), site);
    SensorFrame {
        balance: Some([1.0; 3]),
        noise_profile: Some([[1e-4, 1e-7]; 3]),
        ..SensorFrame::from_light(mosaic, Pattern::Bayer(filters))
    }
});

/// The picture's pixels, to be counted.
fn pixels() -> ItemsCount {
    ItemsCount::new(SIZE.width * SIZE.height)
}

fn picture_steps() -> Vec<&'static str> {
    let steps = Operation::declarations().into_iter();
    let steps =
        steps.filter(|(stage, declaration)| *stage == Stage::Picture && declaration.name != "Crop");
    steps.map(|(_, declaration)| declaration.name).collect()
}

/// Gives an operation that does nothing by default a quarter of all that it can do.
fn set_all(operation: &mut Operation) {
    for setting in operation.declaration().settings {
        if let Some(range) = &setting.range {
            let text = format!("{:?}", 0.25 * range.end());
            operation.set(setting.name, &text).expect("it is in range");
        }
    }
}

#[divan::bench(args = picture_steps(), sample_count = 5)]
fn step(bencher: Bencher, name: &str) {
    let (picture, regions) = &*SITTER;
    let mut operation = Operation::by_name(name).expect("a name of the table");
    if operation.is_neutral() {
        set_all(&mut operation);
    }
    let scale = regions.marks.as_ref().expect("a sitter").scale();
    let scene = Scene { scale, regions };
    bencher
        .counter(pixels())
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
fn output_sharpening(bencher: Bencher) {
    let (picture, _) = &*SITTER;
    let settings = OutputSharpening::default();
    let rows = 0..SIZE.height;
    bencher
        .counter(pixels())
        .bench_local(|| settings.sharpen(picture, rows.clone()));
}

#[divan::bench(sample_count = 5)]
fn find_regions(bencher: Bencher) {
    let (picture, _) = &*SITTER;
    bencher
        .counter(pixels())
        .bench_local(|| regions::find(picture, None));
}

#[divan::bench(sample_count = 5)]
fn decode_dng(bencher: Bencher) {
    let bytes = std::fs::read(frame_path()).expect("the sample office is in the repository");
    let frame = raw::read(&bytes, "s02.dng", &Limits::default()).expect("a sound frame");
    let size = engine::upright_size(&frame);
    bencher
        .counter(ItemsCount::new(size.width * size.height))
        .bench_local(|| raw::read(&bytes, "s02.dng", &Limits::default()));
}

/// Without and with noise taken off, whose size is told. `RAYON_NUM_THREADS=1` gives the time of one
/// thread.
#[divan::bench(sample_count = 5, args = [0.0, 1.0])]
fn demosaic(bencher: Bencher, denoise: f32) {
    let frame = &*MOSAIC;
    let (whole, denoise) = (Rect::whole(SIZE), Ratio(denoise));
    let noise = frame.noise_profile;
    bencher
        .counter(pixels())
        .bench_local(|| sensor::demosaic(frame, whole, [1.0; 3], denoise, noise));
}

/// How much noise there is, whatever the frame's size: counted as this one.
#[divan::bench(sample_count = 5)]
fn noise_of(bencher: Bencher) {
    let frame = &*MOSAIC;
    bencher
        .counter(pixels())
        .bench_local(|| sensor::noise_of(frame, true));
}

/// Noise measured and taken off, demosaiced, brought to the working space.
#[divan::bench(sample_count = 5, args = [0.0, 0.5])]
fn develop(bencher: Bencher, denoise: f32) {
    let frame = &*MOSAIC;
    let how = Development {
        denoise: Ratio(denoise),
        ..Development::default()
    };
    bencher
        .counter(pixels())
        .bench_local(|| sensor::develop(frame, Rect::whole(SIZE), &how));
}

/// To a long side of this many pixels; counted by what is read or written, whichever is more.
#[divan::bench(sample_count = 5, args = [500, 1000, 4000])]
fn resize(bencher: Bencher, long_side: usize) {
    let (picture, _) = &*SITTER;
    let size = Size {
        width: long_side * SIZE.width / SIZE.height,
        height: long_side,
    };
    let more = (size.width * size.height).max(SIZE.width * SIZE.height);
    bencher
        .counter(ItemsCount::new(more))
        .bench_local(|| resample::resize(picture, size));
}

/// From the working space to a profile's numbers.
#[divan::bench(sample_count = 5, args = Profile::ALL)]
fn to_profile_16(bencher: Bencher, profile: Profile) {
    let (picture, _) = &*SITTER;
    bencher
        .counter(pixels())
        .bench_local(|| encode_16(picture, profile));
}

#[divan::bench(sample_count = 5)]
fn to_srgb_8(bencher: Bencher) {
    let (picture, _) = &*SITTER;
    bencher
        .counter(pixels())
        .bench_local(|| encode_8(picture, Profile::Srgb));
}

#[divan::bench(sample_count = 5, args = [
    Format::Jpeg { quality: 90, progressive: false, largest: None },
    Format::Png { bits: 8 },
    Format::Png { bits: 16 },
    Format::Tiff { bits: 8 },
    Format::Tiff { bits: 16 },
])]
fn encode(bencher: Bencher, format: Format) {
    let (picture, _) = &*SITTER;
    let icc = Profile::Srgb.icc();
    let samples = || match format.bits() {
        16 => Pixels::Sixteen(encode_16(picture, Profile::Srgb)),
        _ => Pixels::Eight(encode_8(picture, Profile::Srgb)),
    };
    bencher
        .counter(pixels())
        .with_inputs(samples)
        .bench_local_values(|samples| {
            encode::encode(&samples, SIZE, format, &icc, &Metadata::default())
        });
}
