//! The nets against what their originals gave on the same drawn face.
//!
//! `tests/data/golden`: `NAME.in.npy` is the input, `NAME.OUTPUT.npy` what the original net gives
//! (six of them run by LiteRT 2.3.0 or by MediaPipe 0.10.21's own graph, `parts` and `strands` by
//! onnxruntime).
//! Tolerances are those that hold between onnxruntime and the originals.
#![allow(
    clippy::print_stdout,
    reason = "tests and examples report on the terminal"
)]

use std::fs::File;
use std::path::Path;

use lapel::regions::net::Net;
use ndarray::{ArrayD, Axis};
use ndarray_npy::ReadNpyExt;

fn model(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/regions/models");
    std::fs::read(folder.join(format!("{name}.onnx"))).expect("the model is in the repository")
}

fn golden<T: ndarray_npy::ReadableElement>(name: &str) -> ArrayD<T> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/golden");
    let file = File::open(folder.join(format!("{name}.npy"))).expect("the array is there");
    ArrayD::read_npy(file).expect("an array of the expected type")
}

/// The drawn face as the net takes it.
fn input(name: &str) -> ArrayD<f32> {
    let picture = match name {
        "parts" => golden::<f32>("parts.in"),
        "strands" => golden::<u8>("strands.in").mapv(|v| f32::from(v) / 255.0 - 0.5),
        "face_detect_full" | "face_detect_short" => {
            golden::<u8>(&format!("{name}.in")).mapv(|v| f32::from(v) / 255.0 * 2.0 - 1.0)
        }
        _ => golden::<u8>(&format!("{name}.in")).mapv(|v| f32::from(v) / 255.0),
    };
    if picture.ndim() == 3 {
        picture.insert_axis(Axis(0))
    } else {
        picture
    }
}

fn outputs(name: &str) -> Vec<ArrayD<f32>> {
    let net = Net::load(&model(name)).expect("a shipped model loads");
    net.run(input(name).view()).expect("the input fits")
}

#[track_caller]
fn assert_near(found: &ArrayD<f32>, expected: &ArrayD<f32>, tolerance: f32) {
    assert_eq!(found.len(), expected.len());
    let apart = found
        .iter()
        .zip(expected)
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f32::max);
    println!("largest difference {apart:e}, allowed {tolerance:e}");
    assert!(apart <= tolerance, "{apart} apart, {tolerance} allowed");
}

#[test]
fn detectors_agree() {
    for name in ["face_detect_full", "face_detect_short"] {
        let found = outputs(name);
        assert_near(&found[0], &golden(&format!("{name}.boxes")), 5e-4);
        assert_near(&found[1], &golden(&format!("{name}.scores")), 5e-4);
    }
}

#[test]
fn the_face_mesh_agrees() {
    let found = outputs("face_mesh");
    assert_near(&found[0], &golden("face_mesh.landmarks"), 2e-3);
    assert_near(&found[1], &golden("face_mesh.face_score"), 2e-3);
}

#[test]
fn the_iris_agrees() {
    let found = outputs("iris");
    assert_near(&found[0], &golden("iris.eye"), 0.02);
    assert_near(&found[1], &golden("iris.iris"), 0.02);
}

#[test]
fn the_person_agrees() {
    assert_near(&outputs("selfie")[0], &golden("selfie.person"), 1e-4);
}

/// Every fourth row and column of one plane.
fn every_fourth(map: &ArrayD<f32>) -> ArrayD<f32> {
    let mut view = map.view();
    for axis in map.ndim() - 2..map.ndim() {
        view.slice_axis_inplace(Axis(axis), ndarray::Slice::from(..).step_by(4));
    }
    view.to_owned()
}

#[test]
fn the_hair_agrees() {
    let logits = every_fourth(&outputs("hair")[0]);
    let (not, hair) = (logits.index_axis(Axis(1), 0), logits.index_axis(Axis(1), 1));
    let probability = (&not - &hair).mapv(|odds| 1.0 / (1.0 + odds.exp()));
    assert_near(&probability.into_dyn(), &golden("hair.prob_every4"), 1e-4);
}

#[test]
fn the_parts_agree() {
    let found = every_fourth(&outputs("parts")[0]);
    assert_near(&found, &golden("parts.logits_every4"), 1e-4);
}

#[test]
fn the_strands_agree() {
    // Of answers up to 28; PyTorch was within 6e-6 of onnxruntime for the net before.
    let found = every_fourth(&outputs("strands")[0]);
    assert_near(&found, &golden("strands.logits_every4"), 1e-4);
}

#[test]
fn one_thread_equals_four_to_the_bit() {
    for name in ["face_detect_short", "iris", "selfie", "parts", "strands"] {
        let net = Net::load(&model(name)).expect("a shipped model loads");
        let input = input(name);
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            let run = || net.run(input.view()).expect("the input fits");
            pool.expect("threads can be had").install(run)
        };
        let bits = |maps: Vec<ArrayD<f32>>| -> Vec<u32> {
            maps.iter()
                .flat_map(|map| map.iter().map(|v| v.to_bits()))
                .collect()
        };
        assert_eq!(bits(with(1)), bits(with(4)), "{name}");
    }
}

#[test]
fn an_input_of_another_shape_is_refused() {
    let net = Net::load(&model("iris")).expect("a shipped model loads");
    assert_eq!(net.input_shape(), [1, 3, 64, 64]);
    let found = net.run(ArrayD::zeros(ndarray::IxDyn(&[1, 3, 64, 65])).view());
    assert!(matches!(
        found,
        Err(lapel::regions::net::NetError::Shape { .. })
    ));
}

/// Cut off anywhere, or with bytes changed where the graph is written: an error or a net that
/// runs, never a panic.
#[test]
fn broken_models_are_refused_or_run() {
    let whole = model("face_detect_short");
    for cut in (0..whole.len()).step_by(whole.len() / 200) {
        assert!(Net::load(&whole[..cut]).is_err(), "cut at {cut}");
    }
    let mut state = 7_u64;
    let mut random = |below: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    let (mut refused, mut ran) = (0, 0);
    for round in 0..600 {
        let mut broken = whole.clone();
        for _ in 0..1 + round % 4 {
            // Nodes and names stand in the first part; weights fill the rest.
            let place = random(if round % 4 > 0 { 20_000 } else { whole.len() });
            broken[place] = random(256) as u8;
        }
        match Net::load(&broken) {
            Err(error) => {
                assert!(!error.to_string().is_empty());
                refused += 1;
            }
            Ok(net) if ran < 40 => {
                ran += 1;
                let input = ArrayD::from_elem(ndarray::IxDyn(net.input_shape()), 0.5);
                net.run(input.view()).expect("the input fits");
            }
            Ok(_) => {}
        }
    }
    println!("{refused} refused, {ran} ran");
    assert!(refused > 50 && ran > 5, "{refused} refused, {ran} ran");
}
