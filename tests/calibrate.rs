//! `calibrate` as a person runs it, and jobs that use what it wrote.

mod support;

use support::{Office, lapel, root, shipped};

fn text(path: &std::path::Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn chart() -> String {
    text(&root("samples/office/frames/chart.dng")).to_owned()
}

#[test]
fn a_chart_becomes_a_table_a_picture_and_a_profile_that_jobs_use() {
    let office = Office::bare();
    let to = office.at("light.ron");
    let run = lapel(&["calibrate", &chart(), "--to", text(&to)]).ends_with(0);
    let run = run.says(&[
        "CIEDE2000",
        "before",
        "after",
        "left out",
        "dark skin",
        "black 2",
        "mean",
        "maximum",
        "light: ",
        "kept: ",
        "light.ron",
    ]);
    let mean = run.out.lines().find(|line| line.starts_with("mean"));
    let figures: Vec<f64> = mean
        .expect("a mean")
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    assert!(figures[1] <= 1.0 && figures[2] <= 1.0, "{figures:?}");
    let picture = image::load_from_memory(&office.read("light.png")).expect("a picture");
    assert_eq!((picture.width(), picture.height()), (576, 384));

    // The same again for scripts.
    let run = lapel(&["--json", "calibrate", &chart(), "--to", text(&to)]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(json["chart"]["patches"].as_array().map(Vec::len), Some(24));
    let gains = json["chart"]["profile"]["gains"].clone();

    office.write("frames/s01.dng", &shipped("s01"));
    office.write("roster.csv", b"frame,person,file_name\ns01,Ann Ash,ann\n");
    office.edit(
        "job.ron",
        "outputs:",
        "set: Set(chart: \"light.ron\"),\n    outputs:",
    );
    office.finish(&[]).ends_with(0);
    let sidecar = office.at("delivered/ann-web.jpg.ron");
    let run = lapel(&["check", "--json", text(&sidecar)]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(json["development"]["colour_source"], "Chart");
    for c in 0..3 {
        let of = |gains: &serde_json::Value| gains[c].as_f64().expect("a number");
        let (used, told) = (of(&json["development"]["gains"]), of(&gains));
        assert!((used - told).abs() < 1e-6, "{used}, not {told}");
    }
    // What the shipped look mends is told beside it: nothing here.
    assert_eq!(json["mended"]["defects"], 0);
    assert_eq!(json["mended"]["fringes"], "Clean");
    assert_eq!(json["mended"]["falloff"], serde_json::Value::Null);
}

#[test]
fn what_is_no_chart_or_cannot_be_written_is_told() {
    let office = Office::bare();
    let empty = root("samples/office/frames/empty.dng");
    let to = office.at("light.ron");
    lapel(&["calibrate", text(&empty), "--to", text(&to)])
        .ends_with(2)
        .says(&["all 24 patches"]);
    assert!(!to.exists());
    let nowhere = office.at("job.ron/light.ron");
    lapel(&["calibrate", &chart(), "--to", text(&nowhere)])
        .ends_with(2)
        .says(&["a file stands where a folder is needed"]);
    // Never over the frame itself.
    office.write("frames/chart.dng", &shipped("chart"));
    let own = office.at("frames/chart.dng");
    lapel(&["calibrate", text(&own), "--to", text(&own)]).ends_with(2);
    assert_eq!(office.read("frames/chart.dng"), shipped("chart"));
    office.write("frames/a.png", &support::small_sitter("s01"));
    let finished = office.at("frames/a.png");
    lapel(&["calibrate", text(&finished), "--to", text(&to)]).ends_with(2);
    assert!(!to.exists());
}

/// A set without a readable chart is one thing to look at, not one a frame.
#[test]
fn a_job_tells_once_that_its_chart_was_not_found() {
    let office = Office::new();
    office.write("frames/empty.dng", &shipped("empty"));
    office.edit(
        "job.ron",
        "outputs:",
        "set: Set(chart: \"frames/empty.dng\"),\n    outputs:",
    );
    let run = office.finish(&[]).ends_with(1);
    let told = run.out.matches("no colour chart was found").count();
    assert_eq!(told, 1, "{}", run.out);
    let sidecar = office.at("delivered/bo-web.jpg.ron");
    let run = lapel(&["check", "--json", text(&sidecar)]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(json["attention"], serde_json::json!(["NoChart"]));
}
