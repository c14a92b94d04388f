//! `preview --blemishes` shows and numbers the places that a delivery's sidecar lists.

mod support;

use support::{Office, lapel, shipped};

#[test]
fn numbers_are_those_of_the_sidecar_and_can_be_put_into_touch_ups() {
    let office = Office::bare();
    office.write("frames/s02.dng", &shipped("s02"));
    office.write("roster.csv", b"frame,person,file_name\ns02,Bo Birch,bo\n");
    assert!(office.finish(&[]).code <= 1);
    let sidecar = office.at("delivered/bo-web.jpg.ron");
    let run = lapel(&["check", "--json", sidecar.to_str().expect("UTF-8")]).ends_with(0);
    let sidecar: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    let steps = sidecar["steps"].as_array().expect("steps");
    let heal = steps
        .iter()
        .find(|step| step["step"] == "Heal")
        .expect("Heal");
    let told = heal["places"].as_array().expect("places");
    assert!(told.len() >= 4, "{told:?}");

    let (recipe, frame, to) = (
        office.at("house.ron"),
        office.at("frames/s02.dng"),
        office.at("b.png"),
    );
    let paths = [&recipe, &frame, &to].map(|path| path.to_str().expect("UTF-8"));
    let call = [
        "preview",
        paths[0],
        paths[1],
        "--blemishes",
        "--to",
        paths[2],
    ];
    let run = lapel(&[&call[..], &["--json"]].concat());
    let shown: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    let shown = shown["places"].as_array().expect("places");
    assert_eq!(shown.len(), told.len());
    let width = sidecar["placement"]["rect"]["width"]
        .as_f64()
        .expect("a width");
    for (shown, told) in shown.iter().zip(told) {
        let x = told[0]["x"].as_f64().expect("x") / width;
        assert!(
            (shown["x"].as_f64().expect("x") - x).abs() < 1e-4,
            "{shown} {told}"
        );
        assert_eq!(shown["listed"], false);
    }
    // Two tiles side by side, ringed in white.
    let sheet = image::open(&to).expect("a PNG").into_rgb8();
    assert!(sheet.width() > sheet.height());
    assert!(sheet.pixels().filter(|p| p.0 == [255; 3]).count() > 100);

    // What is printed goes into touch-ups as it is: the first place is left alone then.
    let run = lapel(&call);
    let line = run
        .out
        .lines()
        .find(|line| line.trim_start().starts_with("1 "))
        .expect("place 1");
    let place = &line[line.find('(').expect("a place")..];
    office.edit("house.ron", "Heal()", &format!("Heal(leave: [{place}])"));
    let run = lapel(&[&call[..], &["--json"]].concat());
    let fewer: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(
        fewer["places"].as_array().map(Vec::len),
        Some(told.len() - 1)
    );
}

#[test]
fn a_recipe_that_heals_nothing_is_told() {
    let office = Office::bare();
    office.write("frames/s02.dng", &shipped("s02"));
    office.edit("house.ron", "        Heal(),\n", "");
    let (recipe, frame) = (office.at("house.ron"), office.at("frames/s02.dng"));
    let paths = [&recipe, &frame].map(|path| path.to_str().expect("UTF-8"));
    lapel(&["preview", paths[0], paths[1], "--blemishes"])
        .ends_with(2)
        .says(&["there is no Heal step"]);
}
