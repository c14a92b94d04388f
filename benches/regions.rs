//! Where the seconds of finding regions go: `cargo bench --bench regions`.
//!
//! Prints, for one sitter of the sample office and for the frame that `LAPEL_BIG` names (see the
//! head of `benches/whole_frame.rs`), the time of the small copy and of every stage of
//! [`regions::find`]; then the time of each net on one thread and on all. Least of several runs.
#![allow(clippy::print_stdout, reason = "a bench reports on the terminal")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use lapel::engine::{self, SMALL, Set};
use lapel::job;
use lapel::raw::{self, Limits};
use lapel::recipe::Diagnostics;
use lapel::regions::{self, net::Net};
use ndarray::{ArrayD, IxDyn};

/// Runs of which the least counts.
const RUNS: usize = 7;

fn main() {
    let sample = here("samples/office/frames/s02.dng");
    let big = std::env::var_os("LAPEL_BIG").map(PathBuf::from);
    for frame in [Some(sample), big].into_iter().flatten() {
        stages(&frame);
    }
    nets();
}

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn stages(path: &Path) {
    let bytes = std::fs::read(path).expect("the frame can be read");
    let recipe = here("recipes/grey_wall.ron");
    let recipe = job::open_recipe(&recipe, &mut Diagnostics::default());
    let recipe = recipe.expect("a shipped recipe is sound");
    let mut least: Vec<(&str, Duration)> = Vec::new();
    for _ in 0..RUNS {
        let mut stage = 0;
        let mut began = Instant::now();
        let mut after = |name| {
            let took = began.elapsed();
            if stage == least.len() {
                least.push((name, took));
            }
            least[stage].1 = least[stage].1.min(took);
            stage += 1;
            began = Instant::now();
        };
        let frame = raw::read(&bytes, "frame.dng", &Limits::default()).expect("a sound frame");
        after("read");
        let small = engine::small_copy(&frame, &recipe, &Set::default(), SMALL);
        let small = small.expect("it can be developed");
        after("small copy");
        regions::find_in_stages(&small, None, &mut after);
    }
    println!("{}", path.display());
    for (name, took) in &least {
        println!("{:8.1} ms  {name}", 1e3 * took.as_secs_f32());
    }
    let finding: Duration = least.iter().skip(2).map(|(_, took)| *took).sum();
    println!(
        "{:8.1} ms  finding, all stages",
        1e3 * finding.as_secs_f32()
    );
}

fn nets() {
    for name in [
        "face_detect_full",
        "face_detect_short",
        "face_mesh",
        "iris",
        "selfie",
        "hair",
        "parts",
        "strands",
    ] {
        let path = here(&format!("src/regions/models/{name}.onnx"));
        let bytes = std::fs::read(path).expect("the model is in the repository");
        let start = Instant::now();
        let net = Net::load(&bytes).expect("a shipped model loads");
        let load = start.elapsed();
        let input = ArrayD::from_elem(IxDyn(net.input_shape()), 0.5_f32);
        let least = || {
            (0..RUNS)
                .map(|_| {
                    let start = Instant::now();
                    std::hint::black_box(net.run(input.view())).expect("the input fits");
                    start.elapsed()
                })
                .min()
        };
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .expect("a pool of one");
        println!(
            "{name}: load {load:?}, one thread {:?}, all {:?}",
            pool.install(least).unwrap_or_default(),
            least().unwrap_or_default()
        );
    }
}
