//! What a person reads who made a mistake in a recipe: one snapshot each.

use lapel::cli::report::{self, Style};
use lapel::recipe::{Diagnostics, Recipe};

/// Reads a recipe called `look.ron` next to these other files; gives it and the report.
fn read_beside(text: &str, others: &[(&str, &str)]) -> (Option<Recipe>, String) {
    let load = |path: &str| {
        let found = others.iter().find(|(name, _)| *name == path);
        found
            .map(|(_, text)| (*text).to_owned())
            .ok_or_else(|| "no such file".to_owned())
    };
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("recipes/look.ron", text, &load, &mut notes);
    assert_eq!(
        recipe.is_none(),
        notes.errors() > 0,
        "a recipe comes out exactly without errors"
    );
    (recipe, report::text(&notes, Style::Plain))
}

/// A recipe of these steps.
fn steps(steps: &str) -> String {
    format!("Recipe(\n    format: 1,\n    name: \"Grey wall\",\n    steps: [\n{steps}\n    ],\n)\n")
}

/// The report on a recipe that must not be accepted.
fn mistakes(text: &str) -> String {
    let (recipe, report) = read_beside(text, &[]);
    assert!(recipe.is_none(), "accepted:\n{text}");
    report
}

#[test]
fn typo_in_an_operation() {
    insta::assert_snapshot!(mistakes(&steps("        SkinSmothing(strength: 0.4),")));
}

#[test]
fn typo_in_a_setting() {
    insta::assert_snapshot!(mistakes(&steps("        SkinSmoothing(strenght: 0.4),")));
}

#[test]
fn typo_in_a_region() {
    insta::assert_snapshot!(mistakes(&steps(
        "        LocalContrast(on: [Skin, Haair], except: Eyess),"
    )));
}

#[test]
fn wrong_unit() {
    insta::assert_snapshot!(mistakes(&steps(
        "        LocalContrast(amount: 10 %, radius: 12px),"
    )));
}

#[test]
fn wrong_type() {
    insta::assert_snapshot!(mistakes(&steps(
        "        LocalContrast(amount: \"a little\", radius: [0.3], opacity: High),"
    )));
}

#[test]
fn out_of_range() {
    insta::assert_snapshot!(mistakes(&steps(
        "        LocalContrast(amount: 10, radius: NaN),\n        ToneEvening(opacity: 1.2),"
    )));
}

#[test]
fn step_out_of_order() {
    insta::assert_snapshot!(mistakes(&steps(
        "        LocalContrast(),\n        Crop(),\n        WhiteBalance(),\n        \
         OutputSharpening(),\n        Chroma(),"
    )));
}

#[test]
fn step_twice() {
    insta::assert_snapshot!(mistakes(&steps(
        "        Crop(),\n        Chroma(),\n        Chroma(),\n        Crop(),"
    )));
}

#[test]
fn regions_where_there_are_none() {
    insta::assert_snapshot!(mistakes(&steps(
        "        Exposure(opacity: 0.5),\n        Crop(on: Person),\n        \
         OutputSharpening(except: [Skin]),\n        LocalContrast(on: [], except: []),"
    )));
}

#[test]
fn many_mistakes_at_once() {
    insta::assert_snapshot!(mistakes(
        "Recipe(
    format: 2,
    nmae: \"Grey wall\",
    steps: [
        Contrats(amount: 0.1),
        LocalContrast(amount: 0.1, amount: 0.2, radius: 9.0),
        SkinSmoothing(0.4),
        ToneEvening(strength = 0.3, nth: 2),
        [Crop],
    ],
)
"
    ));
}

#[test]
fn brackets_that_do_not_match() {
    insta::assert_snapshot!(mistakes(&steps("        LocalContrast(amount: 0.1],")));
}

#[test]
fn no_steps() {
    insta::assert_snapshot!(mistakes("Recipe(format: 1, name: \"Empty\")"));
}

const HOUSE: &str = "Recipe(format: 1, name: \"House\", steps: [
    LocalContrast(amount: 0.1),
    LocalContrast(amount: 0.2, radius: 1.0),
    SkinSmoothing(strength: 0.4, opacity: 0.5),
])";

fn builds_on(what: &str) -> String {
    format!(
        "Recipe(\n    format: 1,\n    name: \"Branch\",\n    builds_on: \"house.ron\",\n{what}\n)\n"
    )
}

#[test]
fn base_that_is_not_there() {
    insta::assert_snapshot!(mistakes(&builds_on("")));
}

#[test]
fn base_with_a_mistake_of_its_own() {
    let base = HOUSE.replace("strength", "strenght");
    let (recipe, report) = read_beside(
        &builds_on("    drop: [Heal],"),
        &[("recipes/house.ron", &base)],
    );
    assert!(recipe.is_none());
    insta::assert_snapshot!(report);
}

#[test]
fn circle_of_bases() {
    let round = "Recipe(format: 1, name: \"House\", builds_on: \"../recipes/look.ron\")";
    let (recipe, report) = read_beside(&builds_on(""), &[("recipes/house.ron", round)]);
    assert!(recipe.is_none());
    insta::assert_snapshot!(report);
}

#[test]
fn changes_that_do_not_fit_the_base() {
    let changes = "    steps: [],
    change: [LocalContrast(amount: 0.3), Heal(strength: 0.5), SkinSmoothing(strength: 3.0)],
    drop: [LocalContrast(nth: 3), SkinSmoothing(strength: 0.0)],
    insert: [After(Crop), Before(ToneEvening, Heal()), Behind(SkinSmoothing, Heal())],";
    let (recipe, report) = read_beside(&builds_on(changes), &[("recipes/house.ron", HOUSE)]);
    assert!(recipe.is_none());
    insta::assert_snapshot!(report);
}

#[test]
fn changes_without_a_base() {
    insta::assert_snapshot!(mistakes(
        "Recipe(\n    format: 1,\n    name: \"A\",\n    change: [Heal(strength: 0.5)],\n)"
    ));
}

#[test]
fn reports_for_scripts_tell_the_same() {
    let mut notes = Diagnostics::default();
    let text = steps("        LocalContrast(radius: 12px),");
    Recipe::read("look.ron", &text, &|_| Err(String::new()), &mut notes);
    insta::assert_snapshot!(report::json(&notes));
}

#[test]
fn a_line_without_end_is_not_quoted() {
    let text = steps(&format!(
        "        LocalContrast(radius: {}px),",
        "1".repeat(100_000)
    ));
    let report = mistakes(&text);
    assert!(report.len() < 2_000, "{} bytes", report.len());
    assert!(report.contains("recipes/look.ron:5:31"), "{report}");
}

/// Not wrong, but a person should know: at the step's opacity it is more than a light hand.
#[test]
fn a_strong_hand_is_warned_about() {
    let text = steps(
        "        SkinSmoothing(strength: 0.9),\n        SkinSmoothing(strength: 0.9, opacity: 0.5),\n        \
         ToneEvening(strength: 0.8, opacity: 0.95),\n        ContrastSculpting(),\n        \
         ContrastSculpting(opacity: 0.15),",
    );
    let (recipe, report) = read_beside(&text, &[]);
    assert!(recipe.is_some());
    insta::assert_snapshot!(report);
    // What is taken back in the recipe that builds on it is no excess any more.
    let base = steps("        SkinSmoothing(strength: 0.9),");
    let look = "Recipe(format: 1, name: \"Softer\", builds_on: \"base.ron\", \
                change: [SkinSmoothing(strength: 0.5)])";
    let (recipe, report) = read_beside(look, &[("recipes/base.ron", &base)]);
    assert!(recipe.is_some() && report.trim().is_empty(), "{report}");
}
