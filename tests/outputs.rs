//! Outputs as a person declares them: crops of their own, a banner with more wall than the frame has,
//! black and white, files held to a size; and that none of them changes another.

mod support;

use lapel::deliver::sidecar::Sidecar;
use support::{Office, lapel};

const OUTPUTS: &str = "    keywords: [\"headshot\"],
    outputs: [
        Output(name: \"square\", crop: Square, width: 160, format: Jpeg(max_kilobytes: 9, progressive: true)),
        Output(name: \"circle\", crop: Circle, width: 160, format: Png, black_and_white: true),
        Output(name: \"banner\", crop: Banner(aspect: (3, 1), sitter: Left, extend_wall: true), width: 480, format: Png),
";

fn office() -> Office {
    let office = Office::new();
    office.edit("job.ron", "    outputs: [\n", OUTPUTS);
    // One person is enough here.
    office.write(
        "roster.csv",
        "frame,person,file_name\ns01,李 Ann,ann\n".as_bytes(),
    );
    office
}

fn sidecar(office: &Office, file: &str) -> Sidecar {
    let text = String::from_utf8(office.read(&format!("delivered/{file}.ron"))).expect("UTF-8");
    Sidecar::from_text(&text).expect("a sidecar")
}

fn picture(office: &Office, file: &str) -> image::RgbImage {
    let bytes = office.read(&format!("delivered/{file}"));
    image::load_from_memory(&bytes)
        .expect("readable")
        .into_rgb8()
}

#[test]
fn every_output_has_its_own_crop_and_changes_no_other() {
    let office = office();
    office.finish(&[]).ends_with(0).says(&["1 rendered"]);
    let square = office.read("delivered/ann-square.jpg");
    assert!(square.len() <= 9000, "{} bytes", square.len());
    let note = sidecar(&office, "ann-square.jpg");
    assert!(
        note.output
            .encoding
            .ends_with("4:4:4, progressive, within 9 kB")
    );
    let (crop, shown) = (note.placement.rect, note.output.shown.expect("told"));
    assert!(shown.width.abs_diff(shown.height) <= 1 && shown.width == crop.width);
    assert_eq!(picture(&office, "ann-square.jpg").dimensions(), (160, 160));

    let circle = picture(&office, "ann-circle.png");
    assert_eq!(circle.dimensions(), (160, 160));
    assert!(circle.pixels().all(|p| p[0] == p[1] && p[1] == p[2]));
    assert!(sidecar(&office, "ann-circle.png").output.black_and_white);
    let coloured = picture(&office, "ann-square.jpg");
    assert!(coloured.pixels().any(|p| p[0].abs_diff(p[2]) > 20));

    // The banner's wall goes on beyond the frame, as light as before and without a seam.
    let note = sidecar(&office, "ann-banner.png");
    let added = note.output.wall_added;
    assert!(added[0] == 0 && added[1] > 100, "{added:?}");
    let banner = picture(&office, "ann-banner.png");
    assert_eq!(banner.dimensions(), (480, 160));
    let columns = (240..480).map(|x| {
        let column = (0..160).map(|y| f64::from(banner[(x, y)][1]));
        column.sum::<f64>() / 160.0
    });
    let columns: Vec<f64> = columns.collect();
    let spread = |f: fn(f64, f64) -> f64| columns.iter().copied().reduce(f).expect("columns");
    assert!(spread(f64::max) - spread(f64::min) < 3.0, "{columns:?}");

    // A second run has nothing to do; every file renders to the same bytes.
    office.finish(&[]).ends_with(0).says(&["1 unchanged"]);
    let job = office.at("job.ron");
    let job = job.to_str().expect("UTF-8");
    lapel(&["verify", "--render", job]).ends_with(0);

    // Another banner renders the banner alone, although it reaches beyond the crop; so does leaving it.
    let before = office.delivered();
    office.edit("job.ron", "aspect: (3, 1)", "aspect: (5, 2)");
    let run = office.finish(&[]).ends_with(0);
    run.says(&["1 rendered", "李 Ann 1 file"]);
    let changed = office.changed_since(&before);
    assert_eq!(
        changed,
        ["ann-banner.png", "ann-banner.png.ron", "manifest.sha256"]
    );
    lapel(&["verify", "--render", job]).ends_with(0);
}

/// What has no room is not delivered with half a head; the others are, and what to do is said.
#[test]
fn an_output_without_room_keeps_no_other_back() {
    let office = office();
    office.edit("job.ron", ", extend_wall: true", "");
    let run = office.finish(&[]).ends_with(1);
    run.says(&[
        "`banner`: the frame has no room for this crop: it lacks",
        "shoot wider or with the sitter off the middle",
    ]);
    let files = office.delivered();
    assert!(files.contains_key("ann-circle.png") && files.contains_key("print/ann.tif"));
    assert!(!files.contains_key("ann-banner.png"));

    // A cap that nothing meets is told too.
    office.edit("job.ron", "max_kilobytes: 9", "max_kilobytes: 5");
    let run = office.finish(&[]).ends_with(1);
    run.says(&[
        "`square`: at quality 60 the file still takes",
        "only 5 kB are allowed",
    ]);
}

#[test]
fn a_wall_that_no_step_makes_even_is_not_extended() {
    let office = office();
    let house = String::from_utf8(office.read("house.ron")).expect("UTF-8");
    let plain: Vec<&str> = house
        .lines()
        .filter(|line| !line.contains("BackgroundLift"))
        .collect();
    office.write("house.ron", plain.join("\n").as_bytes());
    office.finish(&[]).ends_with(2).says(&[
        "`banner` extends the wall, but the recipe of 李 Ann makes no even one",
        "add BackgroundLift or BackgroundReplace",
    ]);
}
