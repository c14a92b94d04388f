//! Times each net on one thread and on all: `cargo run --release --example net_time`.
#![allow(
    clippy::print_stdout,
    reason = "tests and examples report on the terminal"
)]

use std::time::Instant;

use lapel::regions::net::Net;
use ndarray::{ArrayD, IxDyn};

fn main() {
    for name in [
        "face_detect_full",
        "face_detect_short",
        "face_mesh",
        "iris",
        "selfie",
        "hair",
        "parts",
    ] {
        let path = format!(
            "{}/src/regions/models/{name}.onnx",
            env!("CARGO_MANIFEST_DIR")
        );
        let bytes = std::fs::read(path).expect("the model is in the repository");
        let start = Instant::now();
        let net = Net::load(&bytes).expect("a shipped model loads");
        let load = start.elapsed();
        let input = ArrayD::from_elem(IxDyn(net.input_shape()), 0.5_f32);
        let least = || {
            (0..7)
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
            pool.install(least),
            least()
        );
    }
}
