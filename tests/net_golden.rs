//! The nets against what their originals gave on the same drawn face.
//!
//! `tests/data/golden`: `NAME.in.npy` is the input, `NAME.OUTPUT.npy` what the original net gives
//! (six of them run by LiteRT 2.3.0 or by MediaPipe 0.10.21's own graph, `parts` by onnxruntime).
//! Tolerances are those that hold between onnxruntime and the originals.

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
