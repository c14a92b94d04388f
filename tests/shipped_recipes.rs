//! The three recipes of the house: right, in order, and each the look its name says.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use lapel::operations::Operation;
use lapel::recipe::{Diagnostics, Recipe};

const NAMES: [&str; 3] = ["grey_wall", "white_wall", "dark_wall"];

fn shipped(name: &str) -> Recipe {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/recipes");
    let text = |file: &str| {
        std::fs::read_to_string(format!("{folder}/{file}")).map_err(|error| error.to_string())
    };
    let file = format!("{name}.ron");
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read(
        &file,
        &text(&file).expect("it is shipped"),
        &text,
        &mut notes,
    );
    recipe.unwrap_or_else(|| panic!("{notes}"))
}

/// The sensor's operations land apart from the recipes.
fn sensor_stage_is_here() -> bool {
    let here = ["WhiteBalance", "Denoise", "Exposure"]
        .iter()
        .all(|name| Operation::by_name(name).is_some());
    if !here {
        eprintln!("skipped: no sensor operations in the table");
    }
    here
}

#[test]
fn each_wall_has_its_lightness_and_nobody_is_made_lighter() {
    if !sensor_stage_is_here() {
        return;
    }
    for (name, wanted) in NAMES.into_iter().zip([62.0, 96.0, 18.0]) {
        let recipe = shipped(name);
        let levels: Vec<f32> = recipe
            .steps
            .iter()
            .filter_map(|step| match &step.operation {
                Operation::BackgroundLift(lift) => Some(lift.level.0),
                _ => None,
            })
            .collect();
        assert_eq!(levels, [wanted], "{name}");
        // A house look adjusts no skin: that would lighten or darken somebody's own tone.
        for step in &recipe.steps {
            let text = step.canonical();
            assert!(
                !(text.starts_with("Adjust") && text.contains("Skin")),
                "{name}: {text}"
            );
        }
    }
}

#[test]
fn the_three_looks_end_with_sharpening_and_differ() {
    if !sensor_stage_is_here() {
        return;
    }
    let looks = NAMES.map(shipped);
    for look in &looks {
        let last = look.steps.last().expect("a look has steps");
        assert_eq!(last.operation.name(), "OutputSharpening");
        assert!(look.steps.iter().all(|step| step.opacity.0 > 0.0));
    }
    assert_ne!(looks[0].canonical(), looks[1].canonical());
    assert_ne!(looks[0].canonical(), looks[2].canonical());
}
